"""`ratioproof new`: a commented pair of files to start from."""

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.commands.arguments import STATUS_WITHOUT_VERDICT, add_command
from harness.core.errors import UserError
from harness.core.output import as_typed

DEVICE, BENCH = "device.toml", "bench.toml"
BENCH_BY_HAND, BENCH_POWER = "bench_by_hand.toml", "bench_power.toml"


@dataclass(frozen=True)
class NewOptions:
    """Where the files go, and which bench they describe."""

    folder: Path
    kind: str


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "new",
        "write a commented device file and bench file to edit",
        (NewOptions, write_pair),
        ["ratioproof new shelf-7", "ratioproof new hand --by-hand", "ratioproof new mains --power"],
        STATUS_WITHOUT_VERDICT,
    )
    bench = parser.add_mutually_exclusive_group()
    bench.add_argument(
        "--power",
        dest="kind",
        action="store_const",
        const=BENCH_POWER,
        default=BENCH,
        help="a bench that also measures power and phase and the secondary current, and has a check standard",
    )
    bench.add_argument(
        "--by-hand",
        dest="kind",
        action="store_const",
        const=BENCH_BY_HAND,
        help="a bench without interfaces: you plug in loads, read displays and turn the switch",
    )
    parser.add_argument("folder", type=Path, metavar="DIR", help="folder to write device.toml and bench.toml into")


def write_pair(options: NewOptions) -> int:
    """Write the pair and say what to do with it. Raises UserError."""
    device, bench = new(options.folder, options.kind)
    print(device)
    print(bench)
    print(f"try them:  ratioproof rehearse {as_typed(device)} {as_typed(bench)}")
    return 0


def template(name: str) -> str:
    """The text of a template, with calibration dates around today so that it is valid when it is written."""
    from instruments.shipped_text import shipped_text

    today = dt.datetime.now(dt.UTC).date()
    text = shipped_text("harness", f"templates/{name}")
    calibrated, due = today - dt.timedelta(days=120), today + dt.timedelta(days=245)
    return text.replace("@CALIBRATED@", calibrated.isoformat()).replace("@DUE@", due.isoformat())


def device_template(kind: str) -> str:
    """The text of the device template for a bench of this kind: on one that reads power it claims power and phase too."""
    text = template(DEVICE)
    if kind != BENCH_POWER:
        return text
    for key in ("phase_displacement", "power_of_reading", "power_counts"):
        text = text.replace(f"# {key} =", f"{key} =")
    return text


def new(folder: Path, kind: str = BENCH) -> tuple[Path, Path]:
    """Write device.toml and bench.toml into `folder`; `kind` is the template of the bench. Raises UserError rather than overwrite."""
    if existing := [file for file in (folder / DEVICE, folder / BENCH) if file.exists()]:
        raise UserError([f"{file}: exists already, nothing was written" for file in existing])
    return written_pair(folder, device_template(kind), template(kind))


def written_pair(folder: Path, device_text: str, bench_text: str) -> tuple[Path, Path]:
    """Write both files into `folder`, which is made unless it is there. Raises UserError."""
    device, bench = folder / DEVICE, folder / BENCH
    try:
        folder.mkdir(parents=True, exist_ok=True)
        device.write_text(device_text, encoding="utf-8", newline="\n")
        bench.write_text(bench_text, encoding="utf-8", newline="\n")
    except OSError as failure:
        raise UserError(f"{folder}: {failure.strerror}") from None
    return device, bench
