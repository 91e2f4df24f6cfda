"""`ratioproof run`: rehearse, run on the bench, evaluate and certify."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.commands.arguments import Attended, add_attended, add_command, add_out, add_trials, on_console
from harness.commands.rehearse import RehearseOptions, add_rehearsed, begin

if TYPE_CHECKING:
    from rich.console import Console


@dataclass(frozen=True, kw_only=True)
class RunOptions(RehearseOptions, Attended):
    """What a run is made of, who attends it, where it is left, and how many trials validate its results."""

    out: Path = Path("run")
    trials: int = 0


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "run",
        "rehearse, run on the bench, evaluate and certify",
        (RunOptions, on_console(run)),
        [
            'ratioproof run device.toml bench.toml --operator "A. Bench" --out runs/today',
            "ratioproof run device.toml bench.toml --procedure turns_check --override due:multimeter",
        ],
    )
    add_rehearsed(parser)
    add_out(parser, "record, results and certificate (default: run)", RunOptions.out)
    add_trials(parser)
    add_attended(parser)


def run(options: RunOptions, console: Console) -> int:
    """Rehearse, confirm the cautions, run, evaluate, certify. 0 when the verdict is pass or conditional pass, 1 otherwise."""
    begin()
    from harness.commands.attendance import (
        attending,
        check_attended,
        check_somebody_is_there,
        confirm_cautions,
        refuse_needless,
    )
    from harness.commands.finished_run import conclude, of_finished_run, prepare_folder, show_verdict
    from harness.commands.recorded_run import naming_the_way_on, refuse_to_overwrite, reserved_bench, run_from_beginning
    from harness.commands.rehearsal_sheet import problems_of_dates, rehearsed, show_rehearsal
    from harness.core.errors import UserError
    from harness.core.progress import TerminalProgress
    from harness.core.stop import StopSignal
    from harness.record.journal import RECORD

    stop, record_file = StopSignal(), options.out / RECORD
    with stop.listening():
        inputs = options.inputs()
        check_somebody_is_there(inputs.bench, options.cautions_read)
        check_attended(options)
        refuse_to_overwrite(record_file)
        prepare_folder(options.out)
        with reserved_bench(inputs, record_file):
            rehearsal = rehearsed(inputs, stop, console)
            show_rehearsal(inputs, rehearsal, console)
            problems = [] if "rehearsal" in options.overrides else list(rehearsal.problems)
            problems += ["to continue anyway: --override rehearsal"] if problems else []
            problems += problems_of_dates(inputs, options.overrides)
            if problems:
                raise UserError([*problems, "nothing was energised"])
            refuse_needless(inputs.bench, options.overrides, rehearsal.problems)
            with TerminalProgress(console, list(rehearsal.durations)) as progress:
                attendance = attending(options, progress, stop, rehearsal.problems)
                confirm_cautions(attendance, console)
                with naming_the_way_on(record_file, options.trials):
                    run_from_beginning(inputs, attendance, record_file)
        with of_finished_run(stop, record_file, options.trials, inputs.asked):
            results = conclude(record_file, options.out, trials=options.trials, procedure=inputs.procedure)
            return show_verdict(results, options.out, console)
