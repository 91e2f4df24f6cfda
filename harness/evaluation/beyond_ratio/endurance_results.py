"""The drift of a range's ratio error while its largest current is held."""

import math
from collections.abc import Sequence

import numpy as np

from harness.claims.limits_of_error import limit_of_error
from harness.evaluation.conformity.decision import decide
from harness.evaluation.conformity.fail_reasons import in_one_go, not_passed
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.uncertainty.coverage_factor import t_factor
from harness.evaluation.uncertainty.distributions import TDistribution
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.device import Device, Range
from harness.results import Endurance, Judged, Reason, Stated

FEWEST_HELD = 3
"""Points of a hold from which a drift with its standard deviation can be found."""

SHORT_OF_TOP = 0.05
"""The current held may be this much (relative) below the largest claimed."""


def evaluated_endurance(
    device: Device, inputs: InputQuantities, points: Sequence[PointValues], rng: Range
) -> tuple[Endurance, list[Reason]] | None:
    """The held points of `rng` and why they fail; None when it has fewer than `FEWEST_HELD`.

    Drift is the slope of a straight line through the ratio errors against time, times the time: what all points share
    (the reference's own errors) is not in it. It fails when it is larger than the claim at that current.
    """
    own = [p for p in points if p.observed.range == rng.name and p.observed.direction == "hold"]
    if len(own) < FEWEST_HELD:
        return None
    times = np.array([p.observed.pairs[-1].displayed_times[1] for p in own])
    errors = np.array([float(p.ratio_error.nominal_value) for p in own if p.ratio_error is not None])
    current = float(own[-1].reference.nominal_value)
    # From a shelf it may be less than the range claims; the claim is then that at its smallest current.
    limit = limit_of_error(device, rng, min(max(current, rng.minimum_current), rng.maximum_current))
    found = _drift(times, errors, inputs.bench.decision.coverage_probability)
    conformity = decide(found, limit, inputs.bench.decision, TDistribution(len(own) - 2))
    drift = Judged.of(found, "t-distribution", conformity)
    secondary = [q.also["secondary_current"] for p in own for q in p.observed.pairs if "secondary_current" in q.also]
    seconds = float(times[-1] - times[0])
    reasons = in_one_go(rng, own)
    if not inputs.bench.shelf_currents and current < (1 - SHORT_OF_TOP) * rng.maximum_current:
        reasons.append(Reason.of("not-held", rng.name, held=current, claimed=rng.maximum_current))
    result = Endurance(
        current=current,
        seconds=seconds,
        points=len(own),
        first_error=float(errors[0]),
        last_error=float(errors[-1]),
        drift=drift,
        largest_secondary_current=max(secondary, default=None),
        verdict="fail" if reasons else conformity.verdict,
    )
    reasons += not_passed("drift", rng, drift, seconds=seconds, current=current)
    return result, reasons


def _drift(times: np.ndarray, errors: np.ndarray, probability: float) -> Stated:
    """Least squares line (JCGM 100:2008, H.3); its slope times the time it spans."""
    count, span = len(times), float(times[-1] - times[0])
    away = times - times.mean()
    spread = float(away @ away)
    slope = float(away @ errors) / spread
    residual = errors - errors.mean() - slope * away
    deviation = math.sqrt(float(residual @ residual) / (count - 2))
    factor = t_factor(count - 2, probability)
    uncertainty = deviation / math.sqrt(spread) * span
    return Stated(slope * span, uncertainty, factor * uncertainty, factor, float(count - 2))
