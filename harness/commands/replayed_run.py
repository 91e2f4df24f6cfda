"""A kept run once more, from its transcripts, and its record compared with that of then."""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from harness.commands.attendance import Attendance
from harness.commands.recorded_run import GUARD_REPORT, continue_run, run_from_beginning
from harness.core.errors import RatioproofError, Stopped, UserError
from harness.core.progress import Progress
from harness.core.stop import StopSignal
from harness.preparation.run_files import RunInputs
from harness.record.journal import RECORD, Record, continue_record, read_record
from harness.replay.kept_run import BEFORE, GUARD_BEFORE, KeptRequest
from harness.replay.run_environment import replayed
from instruments.errors import InstrumentError

OF_THIS_TIME = ("replayed", "previous", "hash")
OF_THIS_PLACE = ("software", "device_file", "bench_file", "causes_file")


def compare(then: Path, now: Path) -> int:
    """Compare the record of a replay with that of its run; the number of lines, all alike.

    Hashes, places of files and the mark of a replay may differ. Raises UserError at the first line that differs otherwise.
    """
    if not then.exists():
        raise UserError(
            f"{then}: no such record: the run was killed before it left one; up to there the replay, in {now}, is as its transcripts"
        )
    before, after = read_record(then), read_record(now)
    for number, (old, new) in enumerate(zip(_comparable(before), _comparable(after), strict=False), start=1):
        if old != new:
            key = next(k for k in (*old, *new) if old.get(k) != new.get(k))
            raise UserError(
                f"{then}: line {number}: expected {key} = {_short(old.get(key))} as then, got {_short(new.get(key))}"
            )
    if len(before.lines) != len(after.lines):
        raise UserError(f"{then}: expected {len(before.lines)} lines as then, got {len(after.lines)}")
    return len(after.lines)


def again(asked: KeptRequest, inputs: RunInputs, folder: Path, out: Path) -> BaseException | None:
    """Replay the kept run in `folder`, leaving its record in `out`; the error that ended it early, None when it was finished.

    Raises TranscriptError where something went otherwise than in the run.
    """
    around, file = replayed(inputs, folder), out / RECORD
    attendance = Attendance(
        asked.operator,
        asked.overrides,
        around.person,
        Progress(),
        StopSignal(),
        asked.rehearsal_problems,
        cautions=asked.cautions,
    )
    ended: BaseException | None = None
    try:
        if asked.resumed:
            shutil.copyfile(folder / BEFORE, file)
            if told := (folder / GUARD_BEFORE).read_text(encoding="utf-8"):
                (out / GUARD_REPORT).write_text(told, encoding="utf-8", newline="\n")
            record, stream = continue_record(file)
            with stream:
                continue_run(inputs, attendance, (record, stream), file, around)
        else:
            run_from_beginning(inputs, attendance, file, around)
    except (RatioproofError, InstrumentError, Stopped) as failure:
        ended = failure
    around.check()
    return ended


def _comparable(record: Record) -> Iterator[dict[str, Any]]:
    for number, line in enumerate(record.lines):
        left = {k: v for k, v in line.items() if k not in OF_THIS_TIME}
        if number == 0:
            left = {k: v for k, v in left.items() if k not in OF_THIS_PLACE}
            left["procedure"] = {k: v for k, v in left["procedure"].items() if k != "asked"}
        yield left


def _short(found: object) -> str:
    text = json.dumps(found, ensure_ascii=False)
    return text if len(text) <= 160 else text[:157] + "..."
