"""`ratioproof rehearse`, `run` and `resume`."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from harness.audit import check_lines, check_points
from harness.commands.attendance import attending, check_somebody_is_there, confirm_cautions, left_not_safe
from harness.commands.certify import RECORD, finish, prepare_folder
from harness.commands.session import (
    overrides_of,
    refuse_needless,
    refuse_to_overwrite,
    run_anew,
    run_on,
)
from harness.core.clock import RealClock
from harness.core.errors import AbortedSafe, RecordError, UserError
from harness.core.output import as_typed
from harness.core.progress import RehearsalProgress, TerminalProgress
from harness.core.quantities import format_duration, format_quantity, signed_text
from harness.core.stop import StopSignal
from harness.evaluation.additional.register_creep import watched_too_short
from harness.preparation.rehearsal import Rehearsal, profiles_kept, rehearse
from harness.preparation.rejection_probability import percent, told
from harness.preparation.run_files import Inputs, find_procedure, load_inputs
from harness.record.history import described
from harness.record.journal import Record, continue_record, read_record
from harness.results import NOT_VISITED, Point, PowerPoint
from harness.station.identification import calibration_problems
from harness.station.reservation import reserved
from harness.steps import Options, words_hash

if TYPE_CHECKING:
    from rich.console import Console


def rehearse_only(
    device_file: Path,
    bench_file: Path,
    procedure: str,
    options: Options,
    console: Console,
    causes: Path | None = None,
) -> int:
    """Rehearse and tell: points, ceilings, uncertainty against limit, duration. 2 when something stands in the way."""
    inputs = load_inputs(device_file, bench_file, procedure, options, causes)
    rehearsal = _rehearsed(inputs, StopSignal(), console)
    _show_points(rehearsal, console)
    _show(inputs, rehearsal, console)
    problems = [*rehearsal.problems, *_of_dates(inputs, ())]
    if problems:
        raise UserError(problems)
    return 0


def run(
    device_file: Path,
    bench_file: Path,
    procedure: str,
    options: Options,
    *,
    out: Path,
    operator: str,
    overrides: Sequence[str],
    cautions_read: bool,
    console: Console,
    transcript: Path | None = None,
    trials: int = 0,
    causes: Path | None = None,
) -> int:
    """Rehearse, confirm the cautions, run, evaluate, certify. 0 when the verdict is pass or conditional pass, 1 otherwise."""
    stop = StopSignal()
    with stop.listening():
        inputs = load_inputs(device_file, bench_file, procedure, options, causes)
        check_somebody_is_there(inputs.bench, cautions_read)
        accepted = overrides_of(overrides)
        _printable(operator)
        refuse_to_overwrite(out)
        prepare_folder(out)
        with _reserved(inputs, out / RECORD):
            rehearsal = _rehearsed(inputs, stop, console)
            _show(inputs, rehearsal, console)
            problems = [] if "rehearsal" in accepted else list(rehearsal.problems)
            problems += ["to go on all the same: --override rehearsal"] if problems else []
            problems += _of_dates(inputs, accepted)
            if problems:
                raise UserError([*problems, "nothing was energised"])
            refuse_needless(inputs.bench, accepted, rehearsal.problems, RealClock().wall().date())
            with TerminalProgress(console, list(rehearsal.durations)) as progress:
                attendance = attending(
                    operator, accepted, progress, stop, rehearsal.problems, transcript, cautions_read
                )
                confirm_cautions(attendance, console)
                with _naming_the_way_on(out / RECORD):
                    run_anew(inputs, attendance, out)
        # From here on a stop has nothing left to stop: the run is complete, and its evaluation takes a second.
        return finish(out / RECORD, out, console, trials=trials, procedure=inputs.procedure)


def resume(
    record_file: Path,
    *,
    operator: str,
    overrides: Sequence[str],
    cautions_read: bool,
    console: Console,
    transcript: Path | None = None,
    trials: int = 0,
) -> int:
    """Go on with an interrupted run from its record, then evaluate and certify it; `trials` validate it."""
    stop = StopSignal()
    with stop.listening():
        accepted = overrides_of(overrides)
        _printable(operator)
        begun = read_record(record_file)
        # Before anybody is asked anything: a record that another run is writing is refused.
        continue_record(record_file)[1].close()
        check_lines(begun, str(record_file))
        inputs = _inputs_of(begun, record_file)
        check_somebody_is_there(inputs.bench, cautions_read)
        check_points(begun, str(record_file), inputs.procedure)
        with _reserved(inputs, record_file):
            rehearsal = _rehearsed(inputs, stop, console)
            refuse_needless(inputs.bench, accepted, rehearsal.problems, RealClock().wall().date())
            with TerminalProgress(console, list(rehearsal.durations)) as progress:
                attendance = attending(
                    operator, accepted, progress, stop, rehearsal.problems, transcript, cautions_read
                )
                confirm_cautions(attendance, console, left_not_safe(begun))
                record, stream = continue_record(record_file)
                with _naming_the_way_on(record_file), contextlib.closing(stream):
                    if record.last_hash != begun.last_hash:
                        raise RecordError(f"{record_file}: another run has gone on with it meanwhile")
                    run_on(inputs, attendance, record, stream, record_file)
        return finish(record_file, record_file.parent, console, trials=trials, procedure=inputs.procedure)


def _reserved(inputs: Inputs, record_file: Path) -> contextlib.AbstractContextManager[None]:
    """The instruments of the bench, until the run has ended. Raises UserError naming the run that has them."""
    addresses = {name: entry.address for name, entry in inputs.bench.instruments.items() if not entry.by_person}
    command = f"the run of {record_file.resolve()}"
    files = (inputs.bench_file, Path(inputs.device_file))
    return reserved(addresses, inputs.bench_file.resolve().parent, command, files)


def _rehearsed(inputs: Inputs, stop: StopSignal, console: Console) -> Rehearsal:
    with RehearsalProgress(console) as progress:
        return rehearse(inputs, stop, progress)


def _of_dates(inputs: Inputs, accepted: Sequence[str]) -> list[str]:
    """What calibration dates say against a run today, unless it was accepted."""
    found = calibration_problems(inputs.bench, RealClock().wall().date())
    return [
        f"{text} (to go on all the same: --override {name})" for name, text in found.items() if name not in accepted
    ]


@contextlib.contextmanager
def _naming_the_way_on(record_file: Path) -> Iterator[None]:
    """Whatever ended a run safely, the message says how to go on with its record."""
    try:
        yield
    except AbortedSafe as aborted:
        if not record_file.exists():
            raise
        raise AbortedSafe(f"{aborted}; to go on: ratioproof resume {as_typed(record_file)}") from aborted


def _inputs_of(record: Record, record_file: Path) -> Inputs:
    """The inputs an interrupted run began with. Raises RecordError when the procedure's text has changed since."""
    start = record.start
    device, bench = described(record)
    name = start["procedure"]["asked"]
    procedure = find_procedure(name)
    if (procedure.text_hash, words_hash()) != (start["procedure"]["text_hash"], start["procedure"]["words_hash"]):
        raise RecordError(f"{record_file}: procedure {name} has changed since the run began; start a new run")
    inputs = Inputs(
        start["device_file"],
        Path(start["bench_file"]),
        start["device_text"],
        start["bench_text"],
        name,
        device,
        bench,
        procedure,
        Options(**start["options"]),
        start.get("causes_file", ""),
        start.get("causes_text", ""),
    )
    changed = [n for n, profile in profiles_kept(inputs).items() if start["profiles"].get(n) != profile]
    if changed:
        raise RecordError(
            f"{record_file}: the profile of {', '.join(changed)} has changed since the run began; start a new run"
        )
    return inputs


def _printable(operator: str) -> None:
    """Refuse a name that is no text: it could not be written into the record."""
    try:
        operator.encode("utf-8")
    except UnicodeEncodeError:
        raise UserError(f"--operator {operator!r}: is not text in UTF-8") from None


def _show(inputs: Inputs, rehearsal: Rehearsal, console: Console) -> None:
    for rng in rehearsal.results.ranges:
        held = (
            f"ceiling {format_quantity(rng.ceiling, 'A')}, set by {rng.ceiling_set_by}" if rng.ceiling else NOT_VISITED
        )
        console.print(
            f"  {rng.name:<6} {format_quantity(rng.minimum_current, 'A'):>8} to {format_quantity(rng.maximum_current, 'A'):<8} {held}",
            highlight=False,
            soft_wrap=not console.is_terminal,
        )
        for remark in watched_too_short(inputs.device, rng.no_load, "would be watched"):
            console.print(f"         {remark}", highlight=False, soft_wrap=not console.is_terminal)
        _show_not_passed(rng.name, rehearsal, console)
    ratio = rehearsal.smallest_test_uncertainty_ratio
    console.print(
        f"rehearsed {inputs.procedure.title!r}: {len(rehearsal.durations)} points, about {format_duration(rehearsal.durations[-1])}"
        f"{f', smallest ratio of limit to uncertainty {ratio:.1f}' if math.isfinite(ratio) else ''}",
        highlight=False,
        soft_wrap=not console.is_terminal,
    )
    lines = list(rehearsal.notes)
    lines += [] if rehearsal.rejection is None else told(rehearsal.rejection)
    if rehearsal.not_known:
        things = "thing is" if rehearsal.not_known == 1 else "things are"
        lines.append(f"{rehearsal.not_known} {things} not known from the device file: `ratioproof design` tells which")
    for line in lines:
        console.print(line, highlight=False, markup=False, soft_wrap=not console.is_terminal)


def _show_not_passed(name: str, rehearsal: Rehearsal, console: Console) -> None:
    found = None if rehearsal.rejection is None else rehearsal.rejection.of_range.get(name)
    if found is not None:
        console.print(
            f"         a sound meter would not pass here with a probability of {percent(found)}",
            highlight=False,
            soft_wrap=not console.is_terminal,
        )


def _show_points(rehearsal: Rehearsal, console: Console) -> None:
    from rich.table import Table

    known = rehearsal.power_factors
    beside = ["power factor"] if known else []
    table = Table(
        "range", "step", "current", *beside, "U expected", "limit", "limit / U", box=None, header_style="bold"
    )
    for rng in rehearsal.results.ranges:
        rows: list[tuple[Point | PowerPoint, str, float]] = [
            (p, p.direction, p.expanded_uncertainty) for p in rng.points
        ]
        rows += [(p, "power", p.power_error.expanded_uncertainty) for p in rng.power]
        for point, step, expanded in rows:
            power_factor = signed_text(known[point.name]) if point.name in known else ""
            table.add_row(
                rng.name,
                step,
                format_quantity(point.nominal_current, "A"),
                *([power_factor] if known else []),
                f"{expanded * 100:.3f} %",
                "none" if point.limit is None else f"{point.limit * 100:.2f} %",
                "" if point.limit is None or not expanded else f"{point.limit / expanded:.1f}",
            )
    if table.row_count:
        console.print(table)
