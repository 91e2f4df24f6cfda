"""`ratioproof resume`: an interrupted run from its record to its end."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.commands.arguments import Attended, add_attended, add_command, add_trials, on_console
from harness.commands.rehearse import begin

if TYPE_CHECKING:
    from rich.console import Console


@dataclass(frozen=True)
class ResumeOptions(Attended):
    """Which record, who attends the run, and how many trials validate its results."""

    record: Path
    trials: int = 0


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "resume",
        "continue an interrupted run from its record",
        (ResumeOptions, on_console(resume)),
        ["ratioproof resume run/record.jsonl", "ratioproof resume run/record.jsonl --monte-carlo"],
    )
    parser.add_argument("record", type=Path, metavar="RECORD", help="the record of the interrupted run")
    add_trials(parser)
    add_attended(parser)


def resume(options: ResumeOptions, console: Console) -> int:
    """Go on with an interrupted run from its record, then evaluate and certify it."""
    from harness.record.journal import continue_record, read_record

    begun = read_record(file := options.record)
    # Before anything is said or asked: a record that is complete, or that another run is writing, is refused.
    continue_record(file)[1].close()
    from harness.audit.forged_lines import check_lines, check_points
    from harness.commands.attendance import (
        attending,
        check_attended,
        check_somebody_is_there,
        confirm_cautions,
        left_not_safe,
        refuse_needless,
    )
    from harness.commands.finished_run import conclude, of_finished_run, show_verdict
    from harness.commands.recorded_run import continue_run, naming_the_way_on, reserved_bench
    from harness.commands.rehearsal_sheet import rehearsed
    from harness.core.errors import RecordError
    from harness.core.progress import TerminalProgress
    from harness.core.stop import StopSignal
    from harness.preparation.run_files import inputs_of

    stop = StopSignal()
    with stop.listening():
        check_attended(options)
        done = check_lines(begun, str(file))
        inputs = inputs_of(begun, file)
        check_somebody_is_there(inputs.bench, options.cautions_read)
        check_points(begun, str(file), inputs.procedure, done)
        begin()
        with reserved_bench(inputs, file):
            rehearsal = rehearsed(inputs, stop, console)
            refuse_needless(inputs.bench, options.overrides, rehearsal.problems)
            with TerminalProgress(console, list(rehearsal.durations)) as progress:
                attendance = attending(options, progress, stop, rehearsal.problems)
                confirm_cautions(attendance, console, left_not_safe(begun))
                record, stream = continue_record(file)
                with naming_the_way_on(file, options.trials), contextlib.closing(stream):
                    if record.last_hash != begun.last_hash:
                        raise RecordError(f"{file}: another run has continued it meanwhile")
                    continue_run(inputs, attendance, (record, stream), file)
        with of_finished_run(stop, file, options.trials, inputs.asked):
            results = conclude(file, file.parent, trials=options.trials, procedure=inputs.procedure)
            return show_verdict(results, file.parent, console)
