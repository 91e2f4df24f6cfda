"""Power and phase: every power point with its errors, the phase displacement found, and the power errors it predicts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, PageBreak

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.rounding import (
    current,
    exact,
    percent_pair,
    power_factor,
    round_half_up,
    round_pair,
    written,
)
from harness.results import Judged, PhaseDisplacement, PowerPoint, RangeResult, Results, Stated
from reports.page_style import Column, heading, listed, prose, ruled, space
from reports.range_sections import decided_texts, limit_text

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


def power(results: Results) -> Iterator[Flowable]:
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
        yield space(3)
        yield KeepTogether([prose(f"Range {found.name}: power", "subheading"), space(1), _points(found)])
    if any(r.phase for r in measured):
        yield KeepTogether([heading("Phase displacement"), prose(_PHASE, "small"), space(1.5), _phase(measured)])
        yield space(3)
        yield KeepTogether(
            [prose("Predicted power error at other power factors", "subheading"), space(1), _foretold(measured)]
        )


_POINT: Sequence[Column[PowerPoint]] = (
    Column("Power\nfactor", 17, lambda p: power_factor(p.power_factor)),
    Column("Reference\nin W", 14, lambda p: _watts(p.reference_power, p), numeric=True),
    Column("Indicated\nin W", 14, lambda p: _watts(p.indicated_power, p), numeric=True),
    Column("Error\nin %", 9.5, lambda p: stated_percent(p.power_error)[0], numeric=True),
    Column("U\nin %", 8.5, lambda p: stated_percent(p.power_error)[1], numeric=True),
    Column("Limit\nin %", 11, lambda p: limit_text(p.power_error), numeric=True),
    Column("Limit\n/ U", 10, lambda p: decided_texts(p.power_error)[0], numeric=True),
    Column("Risk\nin %", 10, lambda p: decided_texts(p.power_error)[1], numeric=True),
    Column("Apparent\npower,\nerror in %", 14.5, lambda p: stated_percent(p.apparent_power_error)[0], numeric=True),
    Column("U\nin %", 8.5, lambda p: stated_percent(p.apparent_power_error)[1], numeric=True),
    Column("Power\nfactor,\nerror", 11.5, lambda p: stated_plain(p.power_factor_error)[0], numeric=True),
    Column("U", 10, lambda p: stated_plain(p.power_factor_error)[1], numeric=True),
    Column("Verdict", 15.5, lambda p: p.power_error.verdict or "–"),
)


def _points(found: RangeResult) -> Flowable:
    bold = [i for i, p in enumerate(found.power) if (p.power_error.verdict or "").endswith("fail")]
    return listed(("Current", 16), _POINT, [(current(p.reference_current), p) for p in found.power], bold)


def _watts(value: float, point: PowerPoint) -> str:
    uncertainty = exact(point.power_error.expanded_uncertainty * abs(point.reference_power))
    return written(round_pair(exact(value), uncertainty)[0]) if uncertainty else f"{value:.4g}"


def stated_percent(value: Stated | None) -> tuple[str, str]:
    """Value and U of a fraction in percent, without the sign; dashes where there is none."""
    if value is None or not value.expanded_uncertainty:
        return "–", "–"
    return percent_pair(value.value, value.expanded_uncertainty)


def stated_plain(value: Stated | None, scale: float = 1.0) -> tuple[str, str]:
    """Value and U times `scale`; dashes where there is none."""
    if value is None or not value.expanded_uncertainty:
        return "–", "–"
    pair = round_pair(exact(value.value * scale), exact(value.expanded_uncertainty * scale))
    return written(pair[0]), written(pair[1])


def minutes_limit(displacement: Judged) -> str:
    """The limit of a phase displacement in minutes of arc; a dash where nothing is claimed."""
    return "–" if displacement.limit is None else f"{displacement.limit * MINUTES_PER_RADIAN:.1f}"


_DISPLACEMENT: Sequence[Column[PhaseDisplacement]] = (
    Column("Current", 13, lambda p: current(p.nominal_current)),
    Column(
        "Phase\ndisplacement\nin minutes\nof arc (′)",
        19,
        lambda p: stated_plain(p.displacement, MINUTES_PER_RADIAN)[0],
        numeric=True,
    ),
    Column("U\nin ′", 14, lambda p: stated_plain(p.displacement, MINUTES_PER_RADIAN)[1], numeric=True),
    Column("Limit\nin ′", 14, lambda p: minutes_limit(p.displacement), numeric=True),
    Column("Limit\n/ U", 12, lambda p: decided_texts(p.displacement)[0], numeric=True),
    Column("Risk\nin %", 12, lambda p: decided_texts(p.displacement)[1], numeric=True),
    Column("Error common\nto all power\nfactors in %", 20, lambda p: stated_percent(p.common_error)[0], numeric=True),
    Column("U\nin %", 12, lambda p: stated_percent(p.common_error)[1], numeric=True),
    Column("Correlation", 18, lambda p: written(round_half_up(exact(p.correlation), -2)), numeric=True),
    Column("Verdict", 20, lambda p: p.displacement.verdict or "–"),
)


def _phase(measured: list[RangeResult]) -> Flowable:
    return listed(("Range", 16), _DISPLACEMENT, [(r.name, p) for r in measured for p in r.phase])


def _foretold(measured: list[RangeResult]) -> Flowable:
    """One row for each current: the power error predicted at each power factor, and how far it agrees with the measured one."""
    factors = list(dict.fromkeys(power_factor(f.power_factor) for r in measured for p in r.phase for f in p.foretold))
    head = ["Range", "Current", *(f"at {f},\nin %" for f in factors), "Largest U\nin %", "Largest\nEn"]
    rows = [_foretold_row(r, p, factors) for r in measured for p in r.phase]
    each = 98 / max(1, len(factors))
    widths = [w * mm for w in (20, 18, *([each] * len(factors)), 17, 17)]
    return ruled(head, rows, widths, numeric=range(2, len(head)))


def _foretold_row(found: RangeResult, phase: PhaseDisplacement, factors: list[str]) -> list[str]:
    texts = dict.fromkeys(factors, "–")
    for f in phase.foretold:
        value, _ = stated_percent(f.foretold)
        measured = "" if f.measured is None else f" ({stated_percent(f.measured)[0]})"
        texts[power_factor(f.power_factor)] = f"{value}{measured}"
    widest = max((f.foretold for f in phase.foretold), key=lambda s: s.expanded_uncertainty, default=None)
    errors = [f.normalized_error for f in phase.foretold if f.normalized_error is not None]
    greatest = written(round_half_up(exact(max(errors)), -2)) if errors else "–"
    return [found.name, current(phase.nominal_current), *texts.values(), stated_percent(widest)[1], greatest]
