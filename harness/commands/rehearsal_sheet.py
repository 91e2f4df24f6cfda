"""What is told of a rehearsal."""

import math
from collections.abc import Iterator, Sequence

from rich.console import Console
from rich.table import Table

from harness.core.clock import RealClock
from harness.core.output import tell
from harness.core.progress import RehearsalProgress
from harness.core.quantities import format_duration, format_quantity, signed_text
from harness.core.rounding import for_terminal, percent, probability
from harness.core.stop import StopSignal
from harness.evaluation.beyond_ratio.no_load_results import watched_too_short
from harness.preparation.rehearsal import Rehearsal, rehearsal_of
from harness.preparation.rejection_probability import rejection_lines
from harness.preparation.run_files import RunInputs
from harness.results import NOT_VISITED, Point, PowerPoint, RangeResult, Reason, WaveformInfluence
from harness.station.identification import calibration_problems
from harness.wording.claim_parts import claim_text
from harness.wording.sentences import reason_line, reason_text, span_text


def rehearsed(inputs: RunInputs, stop: StopSignal, console: Console) -> Rehearsal:
    """The rehearsal, with a display of how far it is."""
    with RehearsalProgress(console) as progress:
        return rehearsal_of(inputs, stop, progress)


def problems_of_dates(inputs: RunInputs, accepted: Sequence[str]) -> list[str]:
    """What calibration dates say against a run today, unless it was accepted."""
    found = calibration_problems(inputs.bench, RealClock().wall().date())
    return [f"{text} (to continue anyway: --override {name})" for name, text in found.items() if name not in accepted]


def show_rehearsal(inputs: RunInputs, rehearsal: Rehearsal, console: Console) -> None:
    """Maximum test currents, the most and the least that is to be expected, and what to know before the run."""
    tell(console, list(_lines(inputs, rehearsal)))


def _lines(inputs: RunInputs, rehearsal: Rehearsal) -> Iterator[str]:
    rejection = rehearsal.rejection
    for rng in rehearsal.results.ranges:
        held = (
            f"maximum test current {format_quantity(rng.ceiling, 'A')}, limited by {rng.ceiling_set_by}"
            if rng.ceiling
            else NOT_VISITED
        )
        low, high = format_quantity(rng.minimum_current, "A"), format_quantity(rng.maximum_current, "A")
        yield f"  {rng.name:<6} {low:>8} to {high:<8} {held}"
        if rng.stands_for:
            # As written on the loads: what they really draw is not known before the run.
            reached = [point.nominal_current for point in rng.points]
            span = for_terminal(span_text((min(reached), max(reached))))
            yield f"         the loads reach about {span} of what is claimed: the rest is not verified"
        for remark in (*watched_too_short(inputs.device, rng.name, rng.no_load), *_of_waveforms(rng)):
            yield f"         {reason_text(remark)}"
        not_passed = None if rejection is None else rejection.of_range.get(rng.name)
        if not_passed is not None:
            yield f"         probability that a sound meter does not pass here: {for_terminal(probability(not_passed))}"
    ratio = rehearsal.smallest_test_uncertainty_ratio
    yield (
        f"rehearsed {inputs.procedure.title!r}: {len(rehearsal.durations)} points, about {format_duration(rehearsal.durations[-1])}"
        f"{f', smallest limit / U {ratio:.1f}' if math.isfinite(ratio) else ''}"
    )
    if rehearsal.results.bench_check is None and (unverified := rehearsal.results.claim_not_verified):
        yield f"claimed but not verified by this procedure: {claim_text(unverified)}"
    if inputs.bench.roles.environment is None:
        stated = inputs.bench.environment
        yield (
            f"conditions as the bench file states them, to be read on the day: {stated.temperature:.3g} degC"
            + ("" if stated.relative_humidity is None else f", {stated.relative_humidity:.0%}")
        )
    yield from rehearsal.notes
    if rejection is not None:
        yield from rejection_lines(rejection)
    if rehearsal.results.open_on_paper:
        yield "wrong on paper, not protected in daily use, or left open by the device file (`design` tells the remedy and where to look):"
        yield from (f"  {reason_line(reason)}" for reason in rehearsal.results.open_on_paper)


def _of_waveforms(rng: RangeResult) -> Iterator[Reason]:
    """The loads that are not compared. How large the influence of a twin is says nothing of the meter's."""
    return (remark for remark in rng.remarks if remark.code == "waveforms-not-compared")


def show_points(rehearsal: Rehearsal, console: Console) -> None:
    """A table of the points: the uncertainty to expect against the limit."""
    known = rehearsal.power_factors
    table = Table(box=None, pad_edge=False, header_style="bold")
    for column in (
        "range",
        "step",
        "current",
        *(["power factor"] if known else []),
        "U expected",
        "limit",
        "limit / U",
    ):
        # No word of a heading is cut on a narrow terminal.
        table.add_column(column, min_width=max(map(len, column.split())))
    for rng in rehearsal.results.ranges:
        rows: list[tuple[Point | PowerPoint | WaveformInfluence, str]] = [(p, p.direction) for p in rng.points]
        rows += [(p, "power") for p in rng.power]
        rows += [(w, w.waveform) for w in rng.waveforms]
        for point, step in rows:
            expanded, limit = point.judged.expanded_uncertainty, point.judged.limit
            power_factor = signed_text(known[point.name]) if point.name in known else ""
            table.add_row(
                rng.name,
                step,
                format_quantity(point.nominal_current, "A"),
                *([power_factor] if known else []),
                for_terminal(percent(expanded)),
                "none" if limit is None else for_terminal(percent(limit, 4)),
                "" if limit is None or not expanded else f"{limit / expanded:.1f}",
            )
    if table.row_count:
        console.print(table)
