"""`ratioproof try`: walk through one instrument's profile and show every exchange, so that a new profile is soon right."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.commands.arguments import add_command, add_transcript, on_console
from harness.core.errors import UserError

if TYPE_CHECKING:
    from rich.console import Console

    from harness.commands.console_sheet import ConsoleSheet
    from harness.files.bench import Bench
    from instruments.profile import Profile


@dataclass(frozen=True)
class TryOptions:
    """The instrument's name in the bench file, and the folder every exchange is written into."""

    name: str
    bench: Path
    transcript: Path | None = None


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "try",
        "walk through one instrument's profile and show every exchange",
        (TryOptions, on_console(try_one)),
        ["ratioproof try source bench.toml", "ratioproof try source bench.toml --transcript kept"],
    )
    parser.add_argument("name", metavar="NAME", help="the instrument's name in the bench file")
    parser.add_argument("bench", type=Path, metavar="BENCH", help="bench file")
    add_transcript(parser)


def try_one(options: TryOptions, console: Console) -> int:
    """Try the instrument; 0 when all went well, 2 when its profile or the instrument is wrong.

    Raises UserError, AbortedSafe when stopped, NotSafe when something was set and the safe state was not confirmed.
    """
    from harness.commands.console_sheet import ConsoleSheet
    from harness.files.loading import parse_bench, read_text
    from harness.preparation.run_files import profile_folders
    from harness.station.reservation import reserved
    from instruments.profile import ProfileError, load_profile

    name, file = options.name, options.bench
    bench = parse_bench(read_text(file), str(file))
    if name not in bench.instruments:
        raise UserError(f"{file}: found no instruments.{name}, expected one of {', '.join(bench.instruments)}")
    entry = bench.instruments[name]
    sheet = ConsoleSheet(console)
    if entry.by_person:
        sheet.note(f"{name} is read or moved by a person: there is nothing to try.", "")
        return 0
    try:
        profile = load_profile(entry.profile, profile_folders(file))
    except ProfileError as failure:
        raise UserError([f"instruments.{name}.profile: {line}" for line in str(failure).splitlines()]) from None
    with reserved({name: entry.address}, file.resolve().parent, f"ratioproof try {name}"):
        return _tried(options, bench, profile, sheet)


def _tried(options: TryOptions, bench: Bench, profile: Profile, sheet: ConsoleSheet) -> int:
    import time

    from harness.commands.finished_run import prepare_folder
    from harness.commands.profile_walk import walked
    from harness.commands.tried_profile import TriedProfile
    from harness.preparation.run_files import profile_folders
    from harness.replay.link_transcripts import TranscribedLinks
    from harness.station.wires import Wires, resolved_address

    name, folder, transcript = options.name, options.bench.resolve().parent, options.transcript
    entry = bench.instruments[name]
    sheet.title(f"{name}: {profile.title}")
    sheet.dim(f"profile {entry.profile}, at {entry.address}", "")
    if name == bench.roles.secondary:
        # Leaving the current ranges, and changing them, may open the loop.
        kept = {"current": profile.quantities["current"]} if "current" in profile.quantities else {}
        profile = profile.model_copy(update={"quantities": kept})
        sheet.note(
            "It stands in the secondary loop: only its current ranges are tried. Make sure that no current flows in the "
            "primary; an open secondary under current is dangerous."
        )
    wires, address = Wires(folder, bench.visa), resolved_address(entry.address, folder)
    if transcript is None:
        return walked(TriedProfile(name, entry, profile, wires, sheet), sheet, address)
    if (file := transcript / f"{name}.jsonl").exists():
        raise UserError(f"{file}: exists already; a transcript is never overwritten")
    prepare_folder(transcript)
    written = TranscribedLinks(wires, transcript, time.monotonic, profile_folders(options.bench))
    try:
        return walked(TriedProfile(name, entry, profile, written, sheet), sheet, address)
    finally:
        for trouble in written.close():
            sheet.note(trouble)
