"""Power and phase: every power point with its errors, the phase displacement found, and the power errors it predicts."""

from collections.abc import Iterator, Sequence

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, PageBreak

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.rounding import current, exact, power_factor, round_pair, written
from harness.results import PhaseDisplacement, PowerPoint, RangeResult, Results
from reports.cells import DASH, PERCENT, decided_texts, limit_text, minutes_limit, to_place, value_and_u
from reports.page_style import Column, heading, listed, prose, ruled, side_by_side, space

_EXPLAINED = (
    "Power error: (indicated − reference) / reference. The current leads with a capacitive load and lags with an inductive "
    "load. Apparent power: voltage × current; for the meter under test: its power / its power factor."
)
_PHASE = (
    "Phase displacement δ as in IEC 61869: positive when the secondary current leads. δ and the error c common to all power "
    "factors were calculated from the power errors e at two power factors: 1 + e = a + b tan φ, with a = (1 + c) cos δ and "
    "b = (1 + c) sin δ. Their correlation is stated. From them follows the power error predicted at other power factors. "
    "Where that error was also measured, it stands in brackets. En (ISO/IEC 17043) is the difference divided by its expanded "
    "uncertainty; both agree when |En| ≤ 1."
)


def power_sections(results: Results) -> Iterator[Flowable]:
    measured = [r for r in results.ranges if r.power]
    if not measured:
        return
    yield PageBreak()
    basis = "; ".join(dict.fromkeys(p.basis for r in measured for p in r.power))
    yield heading("Power and phase")
    unclaimed = any(p.power_error.verdict is None for r in measured for p in r.power)
    none = " Points without a limit have no claim and no verdict." if unclaimed else ""
    yield prose(f"Reference power: {basis}. {_EXPLAINED}{none}", "small")
    for found in measured:
        bold = [i for i, p in enumerate(found.power) if (p.power_error.verdict or "").endswith("fail")]
        table = listed(("Current", 16), _POINT, [(current(p.reference_current), p) for p in found.power], bold)
        yield space(3)
        yield KeepTogether([prose(f"Range {found.name}: power", "subheading"), space(1), table])
    if any(r.phase for r in measured):
        table = listed(("Range", 16), _DISPLACEMENT, [(r.name, p) for r in measured for p in r.phase])
        yield KeepTogether([heading("Phase displacement"), prose(_PHASE, "small"), space(1.5), table])
        title = prose("Predicted power error at other power factors", "subheading")
        yield space(3)
        yield KeepTogether([title, space(1), _foretold(measured)])


def _watts(point: PowerPoint) -> list[str]:
    """Reference and indicated power to the last place of the expanded uncertainty, taken as a power."""
    uncertainty = exact(point.power_error.expanded_uncertainty * abs(point.reference_power))
    both = (point.reference_power, point.indicated_power)
    return [written(round_pair(exact(w), uncertainty)[0]) if uncertainty else f"{w:.4g}" for w in both]


_POINT: Sequence[Column[PowerPoint]] = (
    Column("Power\nfactor", 17, lambda p: power_factor(p.power_factor)),
    *side_by_side(_watts, ("Reference\nin W", 14), ("Indicated\nin W", 14)),
    *side_by_side(lambda p: value_and_u(p.power_error, PERCENT), ("Error\nin %", 9.5), ("U\nin %", 8.5)),
    Column("Limit\nin %", 11, lambda p: limit_text(p.power_error), numeric=True),
    *side_by_side(lambda p: decided_texts(p.power_error), ("Limit\n/ U", 10), ("Risk\nin %", 10)),
    *side_by_side(
        lambda p: value_and_u(p.apparent_power_error, PERCENT), ("Apparent\npower,\nerror in %", 14.5), ("U\nin %", 8.5)
    ),
    *side_by_side(lambda p: value_and_u(p.power_factor_error), ("Power\nfactor,\nerror", 11.5), ("U", 10)),
    Column("Verdict", 15.5, lambda p: p.power_error.verdict or DASH),
)


_DISPLACEMENT: Sequence[Column[PhaseDisplacement]] = (
    Column("Current", 13, lambda p: current(p.nominal_current)),
    *side_by_side(
        lambda p: value_and_u(p.displacement, MINUTES_PER_RADIAN),
        ("Phase\ndisplacement\nin minutes\nof arc (′)", 19),
        ("U\nin ′", 14),
    ),
    Column("Limit\nin ′", 14, lambda p: minutes_limit(p.displacement), numeric=True),
    *side_by_side(lambda p: decided_texts(p.displacement), ("Limit\n/ U", 12), ("Risk\nin %", 12)),
    *side_by_side(
        lambda p: value_and_u(p.common_error, PERCENT),
        ("Error common\nto all power\nfactors in %", 20),
        ("U\nin %", 12),
    ),
    Column("Correlation", 18, lambda p: to_place(p.correlation, -2), numeric=True),
    Column("Verdict", 20, lambda p: p.displacement.verdict or DASH),
)


def _foretold(measured: list[RangeResult]) -> Flowable:
    """One row for each current: the power error predicted at each power factor, and how far it agrees with the measured one."""
    factors = list(dict.fromkeys(power_factor(f.power_factor) for r in measured for p in r.phase for f in p.foretold))
    head = ["Range", "Current", *(f"at {f},\nin %" for f in factors), "Largest U\nin %", "Largest\nEn"]
    rows = [_foretold_row(r, p, factors) for r in measured for p in r.phase]
    each = 98 / max(1, len(factors))
    widths = [w * mm for w in (20, 18, *([each] * len(factors)), 17, 17)]
    return ruled(head, rows, widths, numeric=range(2, len(head)))


def _foretold_row(found: RangeResult, phase: PhaseDisplacement, factors: list[str]) -> list[str]:
    texts = dict.fromkeys(factors, DASH)
    for f in phase.foretold:
        value, _ = value_and_u(f.foretold, PERCENT)
        measured = "" if f.measured is None else f" ({value_and_u(f.measured, PERCENT)[0]})"
        texts[power_factor(f.power_factor)] = f"{value}{measured}"
    widest = max((f.foretold for f in phase.foretold), key=lambda s: s.expanded_uncertainty, default=None)
    errors = [f.normalized_error for f in phase.foretold if f.normalized_error is not None]
    greatest = to_place(max(errors), -2) if errors else DASH
    return [found.name, current(phase.nominal_current), *texts.values(), value_and_u(widest, PERCENT)[1], greatest]
