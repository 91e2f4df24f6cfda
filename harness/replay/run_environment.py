"""Clock, links and operator of a run: the bench itself, the bench with every exchange recorded, or transcripts alone."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from harness.core.activity import Activity
from harness.core.clock import Clock, RealClock
from harness.core.errors import UserError
from harness.core.stop import StopSignal
from harness.preparation.run_files import RunInputs
from harness.replay.kept_run import CLOCK, PERSON, keep_record
from harness.replay.link_transcripts import ReplayedLinks, TranscribedLinks
from harness.replay.run_transcripts import (
    Checks,
    ReplayedClock,
    ReplayedPerson,
    TranscribedClock,
    TranscribedPerson,
    replay_stops,
    transcribe_stops,
)
from harness.station.announced_links import AnnouncedLinks
from harness.station.wires import LinkSource, Wires
from instruments.links.transcript import TranscriptError, TranscriptReader, TranscriptWriter
from instruments.operator.person import Person


@dataclass(frozen=True)
class Surroundings:
    """Clock, links and operator of a run. `guarded`: a guard must stand by.

    `watch` receives the stop signal once the run is about to begin. `close` releases everything and returns what could not be recorded, one
    line each; it never raises. `check` raises TranscriptError when a transcript holds more than was asked. `replayed`: nothing is measured.
    """

    clock: Clock
    links: LinkSource
    person: Person
    guarded: bool
    watch: Callable[[StopSignal], None]
    close: Callable[[], list[str]]
    check: Callable[[], None]
    replayed: bool = False


def at_the_bench(inputs: RunInputs, person: Person, activity: Activity) -> Surroundings:
    """The bench itself; every exchange with it is announced to `activity`."""
    wires = Wires(inputs.bench_file.resolve().parent, inputs.bench.visa)
    links = AnnouncedLinks(wires, activity)
    return Surroundings(RealClock(), links, person, True, lambda stop: None, list, wires.check_used_up)


def transcribed(around: Surroundings, inputs: RunInputs, folder: Path, record_file: Path) -> Surroundings:
    """`around`, with every exchange recorded in `folder`, and the record copied there at the end. Raises UserError."""
    try:
        clock_writer, person_writer = (
            TranscriptWriter(folder / CLOCK, "clock"),
            TranscriptWriter(folder / PERSON, "person"),
        )
    except TranscriptError as failure:
        raise UserError(str(failure)) from None
    checks = Checks()
    links = TranscribedLinks(around.links, folder, around.clock.now, inputs.folders)

    def close() -> list[str]:
        missing = [*around.close(), *links.close()]
        for writer in (clock_writer, person_writer):
            writer.close()
            missing += [writer.trouble] if writer.trouble else []
        return [*missing, *keep_record(record_file, folder)]

    return replace(
        around,
        clock=TranscribedClock(around.clock, clock_writer),
        links=links,
        person=TranscribedPerson(around.person, person_writer, checks),
        watch=lambda stop: transcribe_stops(stop, checks, clock_writer),
        close=close,
    )


def replayed(inputs: RunInputs, folder: Path) -> Surroundings:
    """The transcripts in `folder` in place of a bench; without waiting or guard. Raises TranscriptError."""
    failures: list[TranscriptError] = []
    clock_reader = TranscriptReader(folder / CLOCK, "clock", failures)
    person_reader = TranscriptReader(folder / PERSON, "person", failures)
    checks = Checks()
    clock = ReplayedClock(clock_reader)
    links = ReplayedLinks(folder, inputs.folders, failures)

    def check() -> None:
        for checked in (links, person_reader, clock):
            checked.check_used_up()

    return Surroundings(
        clock=clock,
        links=links,
        person=ReplayedPerson(person_reader, checks),
        guarded=False,
        watch=lambda stop: replay_stops(stop, checks, clock.stops),
        close=list,
        check=check,
        replayed=True,
    )
