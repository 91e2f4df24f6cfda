"""`ratioproof design`: the check on paper."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.commands.arguments import add_command, on_console, quantity, status_unpowered

if TYPE_CHECKING:
    from rich.console import Console


@dataclass(frozen=True)
class DesignOptions:
    """Which device file; `smallest` is a current with its unit for which turns are wanted."""

    device: Path
    smallest: str | None = None
    json: bool = False


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "design",
        "check a device file on paper, before winding or powering anything",
        (DesignOptions, on_console(design)),
        ["ratioproof design device.toml", 'ratioproof design device.toml --smallest "5 mA"'],
        status_unpowered(
            "0  nothing in the way of winding",
            "1  something in the way",
            "2  error in a file or on the command line",
        ),
    )
    parser.add_argument("device", type=Path, metavar="DEVICE", help="device file")
    parser.add_argument(
        "--smallest", metavar="CURRENT", help="show the turns needed to read a current as small as this"
    )
    parser.add_argument("--json", action="store_true", help="print the findings as JSON, in SI units")


def design(options: DesignOptions, console: Console) -> int:
    """Check the file on paper; 0 when nothing is in the way of winding it, 1 when something is. Raises UserError."""
    import json

    from harness.commands.design_sheet import show_check
    from harness.design.check import check
    from harness.design.required_turns import turns_for
    from harness.files.loading import parse_device, read_text
    from harness.wording.results_file import plain_values

    device = parse_device(read_text(options.device), str(options.device))
    sheet = check(device)
    wanted = None
    if options.smallest is not None:
        smallest = quantity("--smallest", options.smallest, "A", lambda amperes: amperes > 0, "a current above zero")
        wanted = turns_for(device, smallest)
    if options.json:
        found = {**vars(sheet), **({} if wanted is None else {"wanted": wanted})}
        print(json.dumps(plain_values(found), indent=2))
    else:
        show_check(options.device, sheet, wanted, console)
    return 1 if sheet.count("in the way") else 0
