"""Errors of a range with no current: zero points of its first and last look, the power shown then, and creep."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from harness.claims.limits_of_error import limit_at_no_current
from harness.class_tables.power_classes import no_load_class, no_load_period
from harness.evaluation.beyond_ratio.energy_register_results import counted
from harness.evaluation.conformity.decision import judged
from harness.evaluation.conformity.fail_reasons import in_one_go, not_passed
from harness.evaluation.ratio.point_errors import BELOW_DISPLAY, PointValues
from harness.evaluation.uncertainty.gum_formulas import type_a
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.device import Device, Range
from harness.record.observations import ReadingPair
from harness.results import REPEATABILITY, STEPS_OF_ENERGY, NoLoad, Reason, Stated, worst_verdict

NOMINAL_VOLTAGE, PRESENT = 230.0, 0.5
"""Voltage (IEC 60038) in volts assumed where none was read, and the part of it that counts as present."""


@dataclass(frozen=True)
class Creep:
    """Energy counted and the register's step, in joules of the primary; the power behind them, in watts.

    No power of `below` watts or more can have flowed unseen: a register that shows n steps more was given less than n + 1.
    """

    energy: float
    resolution: float
    power: Stated
    below: float

    @property
    def found(self) -> bool:
        """Whether it counted more than a wait that began just before a step explains."""
        return abs(self.energy) > STEPS_OF_ENERGY * self.resolution


def evaluated_no_load(
    device: Device, inputs: InputQuantities, points: Sequence[PointValues], rng: Range
) -> tuple[NoLoad, list[Reason]] | None:
    """The zero points of `rng`, first and last, and why they do not plainly pass; None unless power or a wait belongs to them.

    What is indicated with no current is an error like any other, judged by the bench's rule against the claim at no
    current, as an error at zero (VIM 4.28). Creep is judged by the steps of the register, as the standards do.
    """
    own = [p for p in points if p.observed.range == rng.name and p.ratio_error is None]
    if len(own) < 2:
        return None
    first, last = own[0].observed.pairs, own[-1].observed.pairs
    seconds = last[-1].displayed_times[1] - first[0].displayed_times[0]
    voltages = [p.also["reference_voltage"] for p in last if "reference_voltage" in p.also]
    voltage = sum(voltages) / len(voltages) if voltages else None
    at = voltage or NOMINAL_VOLTAGE
    counted = creep(device, inputs, rng, first[0], last[-1])
    limit = limit_at_no_current(device, rng)
    current = judged(inputs, _without_hidden(inputs, own[-1].indicated), limit)
    watts = _power_shown(device, inputs, rng, last)
    power = None if watts is None else judged(inputs, watts, _limit_of_power(device, rng, limit * at))
    failures = in_one_go(rng, own)
    if voltage is not None and voltage < PRESENT * NOMINAL_VOLTAGE:
        failures.append(Reason.of("no-voltage", rng.name, voltage=voltage))
    if counted is not None and counted.found:
        crept = counted.power.value
        failures.append(Reason.of("creep", rng.name, energy=counted.energy, seconds=seconds, power=crept))
    verdicts = [j.verdict for j in (current, power) if j is not None and j.verdict is not None]
    verdict = "fail" if failures else worst_verdict(verdicts)
    found = NoLoad(seconds=seconds, current=current, voltage=voltage, power=power, verdict=verdict)
    if counted is not None:
        test = no_load_class(device.claim.power_class)
        found = replace(
            found,
            energy=counted.energy,
            energy_resolution=counted.resolution,
            creep=counted.power,
            creep_below=counted.below,
            creep_period=no_load_period(test, counted.resolution, at, rng.maximum_current),
        )
    reasons = [*failures, *not_passed("current-with-no-current", rng, current)]
    if power is not None:
        code = "power-with-no-current" if device.claim.power_counts > 0 else "power-with-no-current-by-current"
        reasons += not_passed(code, rng, power)
    return found, reasons


def _without_hidden(inputs: InputQuantities, indicated: Any) -> Any:
    """The indication itself, without what the display may keep back."""
    hidden = [v for v in indicated.derivatives if inputs.sources[v].name == BELOW_DISPLAY]
    return indicated - sum(indicated.derivatives[v] * v for v in hidden)


def creep(device: Device, inputs: InputQuantities, rng: Range, first: ReadingPair, last: ReadingPair) -> Creep | None:
    """The register's rise from `first` to `last` on `rng` as creep; None where the device counts no energy or no time passed."""
    found = counted(device, inputs, rng, first, last)
    if found is None:
        return None
    below = (abs(found.energy) + found.step) / found.shortest
    return Creep(found.energy, found.step, inputs.stated(found.power), below)


def watched_too_short(device: Device, on: str, found: NoLoad | None) -> list[Reason]:
    """A note on range `on` when creep was watched for less than its `creep_period`."""
    if found is None or found.creep_period is None or found.seconds >= found.creep_period:
        return []
    claimed = device.claim.power_class
    standard, _, name = no_load_class(claimed).rpartition(" ")
    called = "least_demanding" if claimed is None else "class" if claimed == no_load_class(claimed) else "instead"
    return [
        Reason.of(
            "creep-watched-short",
            on,
            seconds=found.seconds,
            least=math.ceil(found.creep_period),
            standard=standard,
            claimed=claimed,
            **{called: name},
        )
    ]


def _power_shown(device: Device, inputs: InputQuantities, rng: Range, pairs: Sequence[ReadingPair]) -> Any | None:
    """Power indicated in watts, uncertain; None where the device shows none."""
    shown = [p.also["displayed_power"] * rng.display_factor for p in pairs if "displayed_power" in p.also]
    if not shown:
        return None
    step = (device.display.power_resolution or 0.0) * rng.display_factor
    scatter = type_a(shown).standard_uncertainty if len(shown) > 1 else 0.0
    return (
        sum(shown) / len(shown)
        + inputs.own_bound("resolution of the power displayed", step / 2, "W")
        + inputs.own(REPEATABILITY, scatter, "normal", len(shown) - 1, unit="W")
    )


def _limit_of_power(device: Device, rng: Range, of_current: float) -> float:
    """Limit in watts of the power indicated at no current: as claimed, else `of_current` (from the limit of the current) or one display step."""
    step = (device.display.power_resolution or 0.0) * rng.display_factor
    return device.claim.power_counts * step or max(of_current, step)
