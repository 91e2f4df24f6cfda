"""A record of a million lines, from a virtual run: run `python tests/benchmarks/long_record.py FILE [LINES]`.

Such a record arises where a meter is watched for days by a procedure of the user's own that holds a current and reads it again and again.
Its run takes too long to be simulated: what it writes at one look is written again for every further one, later in time and with
its own hashes, so that every check of a record takes it.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from harness.commands.new import new  # noqa: E402
from harness.preparation.run_files import load_inputs  # noqa: E402
from harness.record.journal import Record, RecordWriter  # noqa: E402
from harness.steps import Options  # noqa: E402
from tests.on_twin import TwinRun  # noqa: E402

READINGS = 1000
PROCEDURE = '''"""The largest current of the first range, held and looked at again and again."""

from harness.steps import Apply, Device, Observe, Options, Release, Select, Steps, procedure


@procedure(title="Held for days", revision="1")
def held_for_days(device: Device, options: Options) -> Steps:
    """Hold a current and read it."""
    yield Select(device.ranges[0])
    yield Apply(device.ranges[0].maximum_current)
    for look in range(3):
        yield Observe(f"look {look}", options.readings, "hold")
    yield Release()
'''
WRITTEN = ("line", "kind", "at", "elapsed", "previous", "hash")
"""Keys that the writer of a record adds."""


class LineClock:
    """A clock that stands where the next line was written."""

    def __init__(self, started: dt.datetime) -> None:
        self._started, self.seconds = started, 0.0

    def now(self) -> float:
        return self.seconds

    def wall(self) -> dt.datetime:
        return self._started + dt.timedelta(seconds=self.seconds)

    def sleep(self, seconds: float) -> None:
        self.seconds += seconds


def a_run() -> Record:
    """The run that is made longer: three looks."""
    with TemporaryDirectory() as folder:
        file = Path(folder) / "held_for_days.py"
        file.write_text(PROCEDURE, "utf-8")
        run = TwinRun(load_inputs(*new(Path(folder) / "shelf"), str(file), Options(readings=READINGS)))
        run.run()
        return run.record


def lengthened(record: Record, lines: int) -> Iterator[dict[str, Any]]:
    """The lines of `record` with as many looks as fit into `lines`, each the second one of the run, later."""
    ends = list(record.of_kind("point"))
    first, second = ends[0], ends[1]
    look = record.lines[first["line"] + 1 : second["line"] + 1]
    lasts = second["elapsed"] - first["elapsed"]
    after = record.lines[ends[2]["line"] + 1 :]
    yield from record.lines[: first["line"] + 1]
    more = (lines - first["line"] - 1 - len(after)) // len(look)
    for number in range(more):
        for line in look:
            yield later(line, number * lasts, number)
    for line in after:
        yield later(line, (more - 2) * lasts, 0)


def later(line: dict[str, Any], seconds: float, points: int) -> dict[str, Any]:
    """`line` so many seconds later and so many points further."""
    moved = line | {"elapsed": line["elapsed"] + seconds}
    for key in ("reference", "displayed"):
        if key in line:
            times = {name: round(line[key][name] + seconds, 6) for name in ("started", "finished")}
            moved[key] = line[key] | times
    if "point" in line:
        moved["point"] = line["point"] + points
    if "name" in line:
        moved["name"] = f"look {moved['point']}"
    return moved


def write_long_record(file: Path, lines: int = 1_000_000) -> None:
    """Write a record of nearly `lines` lines into `file`."""
    record = a_run()
    start = record.start
    clock = LineClock(dt.datetime.fromisoformat(start["at"]) - dt.timedelta(seconds=start["elapsed"]))
    with file.open("wb") as stream:
        writer = RecordWriter(stream, clock, sync=False)
        for line in lengthened(record, lines):
            clock.seconds = line["elapsed"]
            writer.write(line["kind"], **{key: value for key, value in line.items() if key not in WRITTEN})


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path)
    parser.add_argument("lines", type=int, nargs="?", default=1_000_000)
    asked = parser.parse_args()
    write_long_record(asked.file, asked.lines)
