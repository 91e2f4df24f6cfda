"""What a run found on a range beyond ratio and linearity: power, phase, parts of the error, smallest current, rest."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from harness.claims.claim_limits import limit_of_phase_displacement, limit_of_power_error
from harness.core.quantities import format_percent, format_quantity, signed_text
from harness.evaluation.additional.endurance import endurance
from harness.evaluation.additional.no_load import no_load
from harness.evaluation.additional.register_creep import watched_too_short
from harness.evaluation.conformity.decision import judgement
from harness.evaluation.conformity.fail_reasons import failed
from harness.evaluation.conformity.judged_value import judged, stated, stated_or_none
from harness.evaluation.power.phase_displacement import Foretold, PhaseFound, phases_found
from harness.evaluation.power.power_errors import PowerValues, why_no_power
from harness.evaluation.ratio.error_split import Split, split
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.ratio.smallest_current import SmallestFound, smallest_found
from harness.evaluation.uncertainty.combination import covariance
from harness.evaluation.uncertainty.input_quantities import Inputs
from harness.evaluation.validation.monte_carlo import Quantity
from harness.evaluation.validation.power_models import MINUTES, phase_displacement, power_error
from harness.evaluation.validation.ratio_models import Check
from harness.files.device import Device, Range
from harness.results import (
    Endurance,
    ErrorParts,
    ForetoldPower,
    NoLoad,
    PhaseDisplacement,
    PowerPoint,
    SmallestCurrent,
    Stated,
    Verdict,
    worst,
    worst_verdict,
)

SET_WITHIN = 0.02
"""The smallest current claimed was asked for; what flowed may be this much (relative) beside it."""


POWER_FACTOR_WITHIN = 0.03
"""How far the power factor read may be from the one the load was asked for."""

AS_DESCRIBED = 0.1
"""How far (relative) beyond its uncertainty the smallest current read may be from the one described without a remark."""

HALF_TURN = 2.0
"""Radians that only something connected the wrong way round explains, which is said of the power already."""

NOT_FORETOLD = 2.0
"""Twice the expanded uncertainty: of the many comparisons of a run one beyond 1 is nothing unusual, one beyond 2 is."""


@dataclass(frozen=True)
class Further:
    """What is to be put into a range's result, by its field names, the verdict on it and why it is not a plain pass.

    `smallest_current` in amperes, uncertain, where a search found it; `checks` is what there is to validate by trials;
    `splits` where the error of each point is, as far as the secondary was read.
    """

    found: dict[str, Any] = field(default_factory=dict)
    verdict: Verdict = "pass"
    reasons: tuple[str, ...] = ()
    smallest_current: Any | None = None
    checks: dict[str, Check] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    splits: tuple[Split, ...] = ()


def further(
    device: Device, inputs: Inputs, points: Sequence[PointValues], powers: Sequence[PowerValues], rng: Range
) -> Further:
    """All that the finished `points` of a run say of `rng` beyond its ratio errors."""
    own = [p for p in powers if p.observed.range == rng.name]
    reasons: list[str] = []
    power = tuple(_power_point(device, inputs, p) for p in own)
    angles = phases_found(own)
    phase = tuple(_phase(device, inputs, found) for found in angles)
    checks = _checks(rng, own, power, angles, phase)
    ratio = [p for p in points if p.observed.range == rng.name and p.observed.direction != "search"]
    splits = tuple(s for p in ratio if (s := split(device, inputs, p)) is not None)
    asked = any(p.observed.power_asked and p.observed.direction == "single" for p in ratio)
    turned = _reversed(rng, power) + _other_power_factor(rng, power) + _not_foretold(rng, phase)
    if asked and not power:
        unknown = next((why for p in ratio if (why := why_no_power(device, inputs, p))), "")
        turned.append(f"{rng.name}: power was to be read and was not{f': {unknown}' if unknown else ''}")
    reasons += turned
    reasons += _failed_power(rng, power)
    reasons += _failed_phase(rng, phase)
    found: dict[str, Any] = {
        "power": power,
        "phase": phase,
        "parts": tuple(_parts(inputs, s) for s in splits),
    }
    search = [p for p in points if p.observed.direction == "search"]
    searched = smallest_found(device, inputs, search, rng)
    smallest = None if searched is None else _smallest(inputs, searched, rng)
    errors = (*(p.power_error for p in power), *(p.displacement for p in phase))
    verdicts = [error.verdict for error in errors if error.verdict is not None]
    verdicts += ["fail"] if turned else []
    at_rest: dict[str, tuple[SmallestCurrent | NoLoad | Endurance, list[str]] | None] = {
        "smallest": smallest,
        "no_load": no_load(device, inputs, points, rng),
        "endurance": endurance(device, inputs, points, rng),
    }
    for name, result in at_rest.items():
        if result is not None:
            found[name] = result[0]
            verdicts += [] if result[0].verdict is None else [result[0].verdict]
            reasons += result[1]
    value = None if searched is None else searched.value
    remarks = _remarks(device, rng, power, phase, None if smallest is None else smallest[0])
    remarks += watched_too_short(device, found.get("no_load"))
    return Further(found, worst_verdict(verdicts), tuple(reasons), value, checks, tuple(remarks), splits)


def _remarks(
    device: Device,
    rng: Range,
    power: Sequence[PowerPoint],
    phase: Sequence[PhaseDisplacement],
    smallest: SmallestCurrent | None,
) -> list[str]:
    """What a reader must know beside the verdicts."""
    remarks = []
    if power and not phase:
        remarks.append("the phase displacement was not found: it needs two power factors at the same current")
    if smallest is not None and smallest.verdict is None and smallest.lowest_reading is not None:
        silent = smallest.highest_silent
        below = "" if silent is None else f", not at {format_quantity(silent, 'A', 3)}"
        remarks.append(
            f"the smallest current claimed, {format_quantity(smallest.limit, 'A', 3)}, was not shown: the display reads at "
            f"{format_quantity(smallest.lowest_reading, 'A', 3)}{below}, and the shelf holds nothing between"
        )
    described = device.display.smallest_readable_current * rng.display_factor
    found = None if smallest is None else smallest.found
    if found is not None and abs(found.value - described) > found.expanded_uncertainty + AS_DESCRIBED * described:
        remarks.append(
            f"reads from {format_quantity(found.value, 'A', 3)}, where the device file describes {format_quantity(described, 'A', 3)}"
        )
    return remarks


def _checks(
    rng: Range,
    own: Sequence[PowerValues],
    power: Sequence[PowerPoint],
    angles: Sequence[PhaseFound],
    phase: Sequence[PhaseDisplacement],
) -> dict[str, Check]:
    """What there is to validate of a range's power and phase, by the names the reader is told."""
    checks = {}
    for values, point in zip(own, power, strict=True):
        if values.model is not None:
            checks[f"power error, {point.name}"] = _check(point.power_error, "1", power_error(values.model))
    for found, told in zip(angles, phase, strict=True):
        near, far = (values.model for values in found.found_from)
        if near is not None and far is not None:
            name = f"phase displacement, {rng.name} {format_quantity(found.nominal_current, 'A')}"
            checks[name] = _check(told.displacement, "minutes", phase_displacement(near, far), MINUTES)
    return checks


def _check(told: Stated, unit: str, model: Quantity, scale: float = 1.0) -> Check:
    value, standard, expanded = told.value, told.standard_uncertainty, told.expanded_uncertainty
    return Check(value * scale, standard * scale, expanded * scale, unit, model)


def _power_point(device: Device, inputs: Inputs, values: PowerValues) -> PowerPoint:
    observed, rng = values.observed, device.range_named(values.observed.range)
    current, apparent = _nominal(values.current), values.apparent_power
    power = _nominal(values.reference_power)
    limit = limit_of_power_error(
        device,
        rng,
        current,
        power / values.power_factor if apparent is None else _nominal(apparent),
        values.power_factor,
    )
    return PowerPoint(
        name=observed.name,
        nominal_current=observed.nominal_current,
        nominal_power_factor=observed.power_factor,
        power_factor=values.power_factor,
        reference_current=current,
        reference_power=power,
        apparent_power=None if apparent is None else _nominal(apparent),
        indicated_power=_nominal(values.indicated_power),
        power_error=judged(inputs, values.power_error, limit),
        apparent_power_error=stated_or_none(inputs, values.apparent_power_error),
        power_factor_error=stated_or_none(inputs, values.power_factor_error),
        basis=values.basis,
        budget=inputs.budget(values.power_error),
    )


def _phase(device: Device, inputs: Inputs, found: PhaseFound) -> PhaseDisplacement:
    rng = device.range_named(found.range)
    near, far = found.found_from
    limit = limit_of_phase_displacement(device, rng, _nominal(near.current))
    spread = covariance([found.displacement, found.common_error])
    together = math.sqrt(float(spread[0, 0] * spread[1, 1]))
    correlation = float(spread[0, 1]) / together if together else 0.0
    return PhaseDisplacement(
        nominal_current=found.nominal_current,
        displacement=judged(inputs, found.displacement, limit),
        common_error=stated(inputs, found.common_error),
        correlation=correlation,
        found_from=(near.observed.name, far.observed.name),
        foretold=tuple(_foretold(inputs, f) for f in found.foretold),
        budget=inputs.budget(found.displacement, {_told_load(p): p.power_error for p in found.found_from}),
    )


def _told_load(values: PowerValues) -> str:
    return f"at {signed_text(round(values.power_factor, 2))}"


def _foretold(inputs: Inputs, found: Foretold) -> ForetoldPower:
    normalized = None
    if found.difference is not None:
        difference = stated(inputs, found.difference)
        normalized = (
            abs(difference.value) / difference.expanded_uncertainty if difference.expanded_uncertainty else None
        )
    return ForetoldPower(
        power_factor=found.power_factor,
        foretold=stated(inputs, found.foretold),
        measured=stated_or_none(inputs, found.measured),
        normalized_error=normalized,
    )


def _parts(inputs: Inputs, parts: Split) -> ErrorParts:
    return ErrorParts(
        name=parts.point.observed.name,
        secondary_current=_nominal(parts.secondary),
        transformer_error=stated(inputs, parts.transformer_error),
        module_error=stated(inputs, parts.module_error),
    )


def _smallest(inputs: Inputs, found: SmallestFound, rng: Range) -> tuple[SmallestCurrent, list[str]]:
    """It fails when the smallest current claimed is not read, as far as the uncertainty lets that be said.

    Loads on a shelf come in steps: where none of them lies between the current claimed and the lowest one read, it was not
    shown (verdict None), and the reader is told.
    """
    value = stated_or_none(inputs, found.value)
    limit, reasons = rng.minimum_current, []
    reach = found.lowest_reading if value is None else value.value + value.expanded_uncertainty
    short = reach is None or reach > limit * (1 + SET_WITHIN)
    silent = found.highest_silent
    in_steps = bool(inputs.bench.shelf_currents) and found.lowest_reading is not None
    not_shown = short and in_steps and (silent is None or silent < limit)
    if short and not not_shown:
        begins = "at none of the currents tried" if reach is None else f"from {format_quantity(reach, 'A', 3)} up"
        reasons.append(f"{rng.name}: reads {begins}, {format_quantity(limit, 'A', 3)} is claimed")
    result = SmallestCurrent(
        found=value,
        lowest_reading=found.lowest_reading,
        highest_silent=found.highest_silent,
        power_factor_from=stated_or_none(inputs, found.power_factor_from),
        limit=limit,
        verdict="fail" if reasons else None if not_shown else "pass",
        budget=() if found.value is None else inputs.budget(found.value),
    )
    return result, reasons


def _reversed(rng: Range, points: Sequence[PowerPoint]) -> list[str]:
    """A power of the wrong sign fails whatever is claimed."""
    wrong = [p for p in points if p.indicated_power * p.reference_power < 0]
    if not wrong:
        return []
    return [
        f"{rng.name}: power reads with the wrong sign at {len(wrong)} of {len(points)} points: a winding or the voltage is "
        "connected the wrong way round"
    ]


def _other_power_factor(rng: Range, points: Sequence[PowerPoint]) -> list[str]:
    """A load that is not at the power factor it was asked for, or a reference whose sign of the angle is another."""
    wrong = [
        p for p in points if p.nominal_power_factor is not None and _another(p.power_factor, p.nominal_power_factor)
    ]
    if not wrong:
        return []
    first = wrong[0]
    return [
        f"{rng.name}: power factor {signed_text(first.nominal_power_factor or 1.0)} was asked for and "
        f"{signed_text(round(first.power_factor, 3))} was read, at {len(wrong)} of {len(points)} points: look at the load, and "
        "at the sign of the angle the reference reads (positive when the current lags)"
    ]


def _another(read: float, asked: float) -> bool:
    if abs(abs(read) - abs(asked)) > POWER_FACTOR_WITHIN:
        return True
    return abs(asked) < 1 - POWER_FACTOR_WITHIN and read * asked < 0


def _not_foretold(rng: Range, found: Sequence[PhaseDisplacement]) -> list[str]:
    """Where power at a further power factor is far from what the phase displacement makes of it."""
    far = [(p, f) for p in found for f in p.foretold if (f.normalized_error or 0.0) > NOT_FORETOLD]
    if not far:
        return []
    phase, worst_of = max(far, key=lambda pair: pair[1].normalized_error or 0.0)
    return [
        f"{rng.name}: power at power factor {signed_text(round(worst_of.power_factor, 2))} and "
        f"{format_quantity(phase.nominal_current, 'A')} is not what the phase displacement makes of it "
        f"(E = {worst_of.normalized_error:.1f}): something else acts on power, or the angle read is not the angle"
    ]


def _failed_power(rng: Range, points: Sequence[PowerPoint]) -> Iterator[str]:
    judged_points = [p for p in points if p.power_error.conformity is not None]
    for said, group in failed(judged_points):
        largest = worst(group)
        error = largest.power_error
        # U is told where the error alone would not have failed.
        reach = "" if error.beyond else f" with U = {error.expanded_uncertainty * 100:.3f} %"
        yield (
            f"{rng.name}: power: {said} at {len(group)} of {len(judged_points)} points, worst "
            f"{format_percent(error.value)}{reach} at "
            f"{format_quantity(largest.reference_current, 'A')} and power factor {signed_text(round(largest.power_factor, 2))} "
            f"where {(error.limit or 0.0) * 100:.3f} % is allowed"
        )


def _failed_phase(rng: Range, found: Sequence[PhaseDisplacement]) -> Iterator[str]:
    for at in found:
        phase, said = at.displacement, judgement(at.displacement)
        if said is not None and abs(phase.value) < HALF_TURN:
            yield (
                f"{rng.name}: phase displacement {_minutes(phase.value):+.1f}' with U = "
                f"{_minutes(phase.expanded_uncertainty):.1f}' at {format_quantity(at.nominal_current, 'A')} "
                f"where {_minutes(phase.limit or 0.0):.1f}' is allowed: {said}"
            )


def _minutes(angle: float) -> float:
    return math.degrees(angle) * 60


def _nominal(value: Any) -> float:
    return float(getattr(value, "nominal_value", value))
