"""`ratioproof instruments`: what can be reached, who answers there, and which instrument of the bench file it is."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.commands.arguments import add_command, add_transcript, on_console

if TYPE_CHECKING:
    from rich.console import Console


@dataclass(frozen=True)
class InstrumentsOptions:
    """The bench file whose instruments must answer, if any, and the folder every exchange is written into."""

    bench: Path | None = None
    transcript: Path | None = None


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "instruments",
        "list and identify reachable instruments, and compare them with a bench file",
        (InstrumentsOptions, on_console(instruments)),
        ["ratioproof instruments", "ratioproof instruments bench.toml"],
    )
    parser.add_argument("bench", type=Path, nargs="?", metavar="BENCH", help="bench file whose instruments must answer")
    add_transcript(parser)


def instruments(options: InstrumentsOptions, console: Console) -> int:
    """List and identify; 0 when every instrument of the bench answers as itself, 2 otherwise. Raises UserError."""
    import time

    from harness.commands.console_sheet import ConsoleSheet
    from harness.commands.discovery import LIBRARY, discover
    from harness.commands.finished_run import prepare_folder
    from harness.commands.instruments_sheet import show_bench, show_offers
    from harness.core.errors import UserError
    from harness.files.loading import parse_bench, read_text
    from harness.preparation.run_files import profile_folders
    from harness.replay.link_transcripts import TranscribedLinks
    from harness.station.wires import LinkSource, Wires

    sheet, file, transcript = ConsoleSheet(console), options.bench, options.transcript
    bench = None if file is None else parse_bench(read_text(file), str(file))
    folder = (file or Path("bench.toml")).resolve().parent
    folders = () if file is None else profile_folders(file)
    wires: LinkSource = Wires(folder, LIBRARY if bench is None else bench.visa)
    written = None
    if transcript is not None:
        if transcript.exists():
            raise UserError(f"{transcript}: exists already; a transcript is never overwritten")
        prepare_folder(transcript)
        written = wires = TranscribedLinks(wires, transcript, time.monotonic, folders)
    found = discover(bench, folder, folders, wires)
    for trouble in written.close() if written is not None else ():
        sheet.note(trouble)
    show_offers(sheet, found)
    if bench is None or file is None:
        return 0
    return 2 if show_bench(sheet, file, bench, found) else 0
