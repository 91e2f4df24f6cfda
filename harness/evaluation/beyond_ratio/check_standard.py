"""Whether the bench is today what it was when its check standard was established."""

import math
from collections.abc import Sequence

from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.uncertainty.gum_formulas import rectangular, type_a
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.reference_part import K_OF_CERTIFICATE
from harness.record.observations import ObservedPoint
from harness.results import REPEATABILITY, BenchCheck, Reason, Stated


def evaluated_bench_check(
    device: Device, bench: Bench, inputs: InputQuantities, points: Sequence[ObservedPoint]
) -> tuple[BenchCheck, list[Reason]] | None:
    """Judge the check standard's points; None when there are none.

    The ratio of its reading to the reference current, a mean over points between which the load was taken off, is compared with
    the established one: E_n = deviation / U(deviation), the standard's scatter from day to day included.
    |E_n| <= 1 is satisfactory (ISO/IEC 17043). A sound bench is beyond 1 as often as U does not cover, so a single excess asks for
    the check to be taken once more (common practice, no published source): that tells a poor contact from what lasts.
    """
    own = [p for p in points if p.direction == "check" and sum(q.reference for q in p.pairs) > 0]
    standard, name = bench.check_standard, bench.roles.check_standard
    if not own or standard is None or name is None:
        return None
    step = next((r.resolution for r in bench.instruments[name].ranges if r.full_scale >= standard.current), 0.0)
    ratios = []
    for point in own:
        shown = sum(p.displayed for p in point.pairs) / len(point.pairs)
        ratios.append(shown / point_values(device, inputs, point).reference)
    found = sum(ratios) / len(ratios)
    if len(ratios) > 1:
        scatter = type_a([float(r.nominal_value) for r in ratios])
        found += inputs.own(REPEATABILITY, scatter.standard_uncertainty, "normal", scatter.degrees_of_freedom)
    found += inputs.own("resolution of the check standard", rectangular(step / 2) / standard.current, "rectangular")
    known = standard.uncertainty / K_OF_CERTIFICATE * standard.ratio
    day_to_day = standard.standard_deviation * standard.ratio
    from_day_to_day = inputs.own("check standard from day to day", day_to_day, "normal")
    established = inputs.own("check standard: established ratio", known, "normal") + standard.ratio
    compared = found
    if standard.established_here:
        # What the reference got wrong then it gets wrong now: of its own errors only what has changed since counts.
        lasting = [v for v in found.derivatives if inputs.sources[v].shared and "drift" not in inputs.sources[v].name]
        compared = found - sum(found.derivatives[v] * v for v in lasting)
    departed = compared + from_day_to_day - established
    deviation = inputs.stated(departed)
    normalized = abs(deviation.value) / deviation.expanded_uncertainty if deviation.expanded_uncertainty else math.inf
    result = BenchCheck(
        instrument=name,
        current=standard.current,
        established=Stated(standard.ratio, known, K_OF_CERTIFICATE * known, K_OF_CERTIFICATE, None),
        found=inputs.stated(found),
        deviation=deviation,
        normalized_error=normalized,
        verdict="pass" if normalized <= 1 else "fail",
        budget=inputs.budget(departed),
    )
    if normalized <= 1:
        return result, []
    failed = Reason.of(
        "bench-check",
        instrument=name,
        deviation=deviation.value / standard.ratio,
        expanded_uncertainty=deviation.expanded_uncertainty / standard.ratio,
        normalized_error=normalized,
        beyond_by_chance=1 - bench.decision.coverage_probability,
    )
    return result, [failed]
