"""The uncertainty budgets shown: on every range one of each kind of result, and that of the bench check."""

from collections.abc import Iterator, Sequence

from reportlab.platypus import Flowable

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.rounding import NO_BREAK, current, current_exponent, current_unit
from harness.results import (
    AnyFinding,
    PhaseDisplacement,
    Point,
    PowerPoint,
    Results,
    SmallestCurrent,
    Stated,
    WaveformInfluence,
    worst,
)
from reports.budget_table import Budget, Measurand, budget_table
from reports.page_style import heading, prose, space

_PERCENT = f"{NO_BREAK}%"
RATIO_ERROR = Measurand("Ratio error", "1", _PERCENT, 100.0, "%")
POWER_ERROR = Measurand("Power error", "1", _PERCENT, 100.0, "%")
PHASE_DISPLACEMENT = Measurand("Phase displacement", "rad", "\N{PRIME}", MINUTES_PER_RADIAN, "minutes of arc")
INFLUENCE = Measurand("Influence of the waveform", "1", _PERCENT, 100.0, "%")
DEVIATION = Measurand("Deviation of the ratio", "1", _PERCENT, 100.0, "%")

_ALL = "The results file has all other budgets."
_COLUMNS = (
    "u(x): standard uncertainty of the input quantity; c: sensitivity coefficient; |c| u(x): uncertainty contribution. Shared: the same "
    "input also acts at other points, so their errors are correlated."
)
_WINDOW = (
    "The position of the primary turns in the meter's own transformer is a property of the meter under test and no uncertainty "
    "contribution."
)
_CANCELS = (
    "An input that changes power in the same proportion at all power factors (a gain) cancels in the phase displacement and is "
    "not listed there."
)
_CANCELS_TOO = (
    "The influence of the waveform is a difference of two errors: what acts on both alike (gain and path of the reference) cancels in it, and c is "
    "what is left."
)
_OFTEN = (
    "Inputs of several points appear once with their number where they are alike: u(x), c and degrees of freedom are those of each, "
    "the contribution is their root sum of squares."
)


def budgets(results: Results) -> Iterator[Flowable]:
    """A page or two of budgets; nothing when no result has one."""
    shown = [budget for budget in _found(results) if budget.lines]
    if not shown:
        return
    yield budget_table(shown[0], [heading("Uncertainty budgets"), prose(_explained(shown), "small"), space(3)])
    for one in shown[1:]:
        yield space(3)
        yield budget_table(one)


def _found(results: Results) -> Iterator[Budget]:
    """The budgets of all ranges, kind by kind, and that of the bench check."""
    for rng in results.ranges:
        if rng.points:
            point = worst(rng.points)
            yield _budget(f"the worst point on range {rng.name}: {point.name}", RATIO_ERROR, point)
    for rng in results.ranges:
        if (power := power_shown(rng.power)) is not None:
            yield _budget(f"the power error on range {rng.name}: {power.name}", POWER_ERROR, power)
    for rng in results.ranges:
        if (phase := phase_shown(rng.phase)) is not None:
            at = current(phase.nominal_current)
            yield _budget(f"the phase displacement on range {rng.name}: {at}", PHASE_DISPLACEMENT, phase)
    for rng in results.ranges:
        if rng.waveforms:
            other = worst(rng.waveforms)
            yield _budget(f"the worst influence of the waveform on range {rng.name}: {other.load}", INFLUENCE, other)
    for rng in results.ranges:
        if rng.smallest is not None and rng.smallest.found is not None:
            yield _of_smallest(rng.name, rng.smallest, rng.smallest.found)
    if (check := results.bench_check) is not None:
        yield Budget("Budget of the check of the bench", DEVIATION, check.deviation, None, check.budget)


def power_shown(points: Sequence[PowerPoint]) -> PowerPoint | None:
    """The point whose U is the largest part of its limit; without limits the lowest power factor at the smallest current."""
    closest = _closest(points)
    return closest or min(points, key=lambda p: (p.nominal_current, abs(p.power_factor)), default=None)


def phase_shown(found: Sequence[PhaseDisplacement]) -> PhaseDisplacement | None:
    """The displacement whose U is the largest part of its limit; without limits that at the smallest current."""
    return _closest(found) or min(found, key=lambda p: p.nominal_current, default=None)


def _closest(found: Sequence[AnyFinding]) -> AnyFinding | None:
    claimed = [(f.judged.expanded_uncertainty / f.judged.limit, f) for f in found if f.judged.limit]
    return max(claimed, key=lambda pair: pair[0])[1] if claimed else None


def _explained(shown: Sequence[Budget]) -> str:
    """Text on which budgets are shown, and how to read them."""
    kinds = [budget.measurand for budget in shown]
    told = ["Shown: the worst point of each range, as in the summary."] if RATIO_ERROR in kinds else []
    if POWER_ERROR in kinds:
        told.append(
            f"For power{' and phase displacement' if PHASE_DISPLACEMENT in kinds else ''}: the point with the largest U / limit; "
            "where nothing is claimed, the point at the smallest current with the lowest power factor."
        )
    told += ["For waveforms: the worst of each range."] if INFLUENCE in kinds else []
    told += [_ALL] if told else []
    told.append(_COLUMNS)
    told += [_WINDOW] if RATIO_ERROR in kinds else []
    told += [_CANCELS_TOO] if INFLUENCE in kinds else []
    told += [_CANCELS] if PHASE_DISPLACEMENT in kinds else []
    told += [_OFTEN] if any(len({line.source for line in one.lines}) < len(one.lines) for one in shown) else []
    return " ".join(told)


def _budget(of: str, measurand: Measurand, found: Point | PowerPoint | PhaseDisplacement | WaveformInfluence) -> Budget:
    return Budget(f"Budget of {of}", measurand, found.judged, found.judged.limit, found.budget)


def _of_smallest(name: str, smallest: SmallestCurrent, found: Stated) -> Budget:
    exponent = current_exponent(found.value)
    unit = current_unit(exponent)
    measurand = Measurand("Smallest readable current", "A", f"{NO_BREAK}{unit}", 10.0**-exponent, unit)
    title = f"Budget of the smallest readable current on range {name}"
    return Budget(title, measurand, found, smallest.limit, smallest.budget)
