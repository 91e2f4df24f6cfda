"""Budgets of power and phase: on every range that of one error of power and that of one phase displacement."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from reportlab.platypus import Flowable

from harness.results import PhaseDisplacement, PowerPoint, RangeResult
from reports.budget import Measurand, budget
from reports.paper import heading, prose, space
from reports.rounding import current

MINUTES_PER_RADIAN = 180 * 60 / math.pi

POWER_ERROR = Measurand("Error of power", "1", "%", 100.0)
PHASE_DISPLACEMENT = Measurand("Phase displacement", "rad", "minutes", MINUTES_PER_RADIAN)

_EXPLAINED = (
    "Of each range the error of power and the phase displacement whose U is the largest part of the limit; where nothing is claimed, "
    "power at the lowest power factor and phase displacement at the smallest current. The budgets of all others are in the results "
    "file. u(x), c and |c| u(x) as in the budgets of ratio errors. Inputs that act on the power at both power factors alike nearly "
    "cancel in the phase displacement."
)


def power_budgets(measured: Sequence[RangeResult]) -> Iterator[Flowable]:
    """The budgets of the ranges whose power was `measured`."""
    yield heading("Uncertainty budgets of power and phase")
    yield prose(_EXPLAINED, "small")
    for found in measured:
        point = power_shown(found.power)
        yield space(3)
        title = f"Budget of an error of power on range {found.name}: {point.name}"
        yield budget(title, POWER_ERROR, point.power_error, point.limit, point.budget)
        phase = phase_shown(found.phase)
        if phase is not None:
            yield space(3)
            title = f"Budget of a phase displacement on range {found.name}: {current(phase.nominal_current)}"
            yield budget(title, PHASE_DISPLACEMENT, phase.displacement, phase.limit, phase.budget)


def power_shown(points: Sequence[PowerPoint]) -> PowerPoint:
    """The point whose U is the largest part of its limit; without limits the lowest power factor at the smallest current."""
    claimed = [(p.power_error.expanded_uncertainty / p.limit, p) for p in points if p.limit]
    if claimed:
        return max(claimed, key=lambda pair: pair[0])[1]
    return min(points, key=lambda p: (p.nominal_current, abs(p.power_factor)))


def phase_shown(found: Sequence[PhaseDisplacement]) -> PhaseDisplacement | None:
    """The one whose U is the largest part of its limit; without limits that at the smallest current; None without any."""
    claimed = [(p.displacement.expanded_uncertainty / p.limit, p) for p in found if p.limit]
    if claimed:
        return max(claimed, key=lambda pair: pair[0])[1]
    return min(found, key=lambda p: p.nominal_current, default=None)
