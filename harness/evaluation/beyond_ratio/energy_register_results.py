"""The energy register of a range against the reference's power times the time."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from harness.claims.limits_of_error import limit_of_power_error
from harness.evaluation.conformity.decision import judged
from harness.evaluation.conformity.fail_reasons import in_one_go, not_passed
from harness.evaluation.power.power_errors import PowerValues
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, nominal
from harness.files.device import Device, Range
from harness.record.observations import ReadingPair
from harness.results import EnergyRegister, Reason, worst_verdict

CLOCK = 1e-4
"""Bound of the relative error of the computer's clock over minutes: quartz, 20 ppm to 100 ppm (common practice, no published source)."""


@dataclass(frozen=True)
class Counted:
    """Energy counted and the register's step, in joules of the primary; the power behind them in watts, uncertain; `shortest` seconds it may have taken."""

    energy: float
    step: float
    power: Any
    shortest: float


def counted(
    device: Device, inputs: InputQuantities, rng: Range, first: ReadingPair, last: ReadingPair
) -> Counted | None:
    """The register's rise from `first` to `last` on `rng`; None where the device counts no energy or no time passed.

    The register stands still between its steps and shows only whole ones: each of its two readings is up to one step below
    the energy given to it. It showed what it did at some time between the last refresh before the reading and its end.
    """
    step, key = device.display.energy_resolution, "displayed_energy"
    if step is None or key not in first.also or key not in last.also:
        return None
    step *= rng.display_factor
    energy = (last.also[key] - first.also[key]) * rng.display_factor
    refresh = device.display.refresh_interval
    (began, read_first), (read_last, ended) = first.displayed_times, last.displayed_times
    shortest, longest = read_last - refresh - read_first, ended - (began - refresh)
    if shortest <= 0:
        return None
    rise = energy
    for _ in range(2):
        rise += inputs.own_bound("resolution of the energy register", step / 2, "J")
    lasted = (shortest + longest) / 2
    for read in (read_first - began, ended - read_last):
        lasted += inputs.own_bound("time of the register", (read + refresh) / 2, "s")
    return Counted(energy, step, rise / lasted, shortest)


def evaluated_register(
    device: Device, inputs: InputQuantities, values: Sequence[PointValues], powers: Sequence[PowerValues], rng: Range
) -> tuple[EnergyRegister | None, list[Reason]]:
    """What the register of `rng` counted while a current was held, and why it does not plainly pass; None where it was not to be compared.

    Its error is the power it counted by over the mean of the reference's power, less one (dial test, IEC 62052-11; value from memory). The
    mean is by the trapezoidal rule over the points; what the power may have done between them is a bound, half its largest step. It is judged
    against the claim of power at that current and power factor.
    """
    held = [
        v for v in values if v.observed.range == rng.name and v.observed.direction == "hold" and v.observed.power_asked
    ]
    own = [p for p in powers if p.observed.range == rng.name and p.observed.direction == "hold"]
    if not held:
        return None, []
    first, last = held[0].observed.pairs[0], held[-1].observed.pairs[-1]
    rise = counted(device, inputs, rng, first, last)
    if rise is None or len(own) < 2 or len(own) != len(held):
        return None, [Reason.of("register-not-read", rng.name)]
    times = [_middle(p) for p in own]
    shares = [(b - a) / (times[-1] - times[0]) for a, b in itertools.pairwise(times)]
    weights = [(a + b) / 2 for a, b in itertools.pairwise([0.0, *shares, 0.0])]
    mean = sum(weight * p.reference_power for weight, p in zip(weights, own, strict=True))
    steps = [abs(nominal(b.reference_power) - nominal(a.reference_power)) for a, b in itertools.pairwise(own)]
    mean += inputs.own_bound("power between the readings", max(steps) / 2, "W")
    error = rise.power / mean / (1 + inputs.own_bound("clock", CLOCK)) - 1
    apparent = nominal(own[-1].current) * _voltage(own[-1])
    limit = limit_of_power_error(device, rng, nominal(own[-1].current), apparent, own[-1].power_factor)
    found = judged(inputs, error, limit)
    failures = in_one_go(rng, held)
    if rise.energy <= 0:
        failures.append(Reason.of("register-stands-still", rng.name))
    seconds = last.displayed_times[1] - first.displayed_times[0]
    reasons = [*failures, *not_passed("register", rng, found, seconds=seconds)]
    return EnergyRegister(
        seconds=seconds,
        energy=rise.energy,
        energy_resolution=rise.step,
        reference_power=nominal(mean),
        error=found,
        verdict="fail" if failures else worst_verdict([found.verdict] if found.verdict else []),
    ), reasons


def _middle(power: PowerValues) -> float:
    """Seconds at which a point was read, in the middle."""
    pairs = power.observed.pairs
    return math.fsum(sum(pair.displayed_times) / 2 for pair in pairs) / len(pairs)


def _voltage(power: PowerValues) -> float:
    """Volts behind the reference's power, by its power factor."""
    return nominal(power.reference_power) / power.power_factor / nominal(power.current)
