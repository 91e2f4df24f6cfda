"""The value expected of a typed power or power factor, from the other values of its pair and the load's setting.

P = U I PF, so no active power is above U I. All values are as the instrument shows them: the reference's before the factor of the reference
path, the device's before its display factor. The device's values are what is being verified; they are doubted only where a slip of a
decimal place or of a unit is likelier than any error.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from harness.files.bench import Bench
from instruments.operator.plausibility import Expected
from instruments.reading import Reading

ABOVE_APPARENT = 0.05
"""Largest relative excess of a power over voltage times current: they are read one after another, and the mains vary."""

KNOWN_WELL, KNOWN_ROUGHLY = 0.2, 0.5
"""Largest relative deviation of a power from the load's power factor: one that it keeps, or one written on it."""

SLIP = 0.8
"""Largest relative deviation from a value known only in order of magnitude, or perhaps misread itself; a slip of one decimal place is 0.9 or 9."""

STEPS = 3
"""Steps of an instrument within which a deviation is not significant."""


@dataclass(frozen=True)
class Applied:
    """Applied quantities of a pair: the primary current in amperes, 0 for none; the power factor the load was set to, negative when
    leading, None where it was not; the reference's full scale in its own amperes.
    """

    current: float
    power_factor: float | None = None
    reference_scale: float | None = None


class ExpectedPower:
    def __init__(self, bench: Bench) -> None:
        self._load, self._reference = bench.entry("load"), bench.entry("reference")

    def expected(self, name: str, found: Mapping[str, Reading], applied: Applied) -> Expected | None:
        """Expected value of `name` of `ReadingPair.also`, from `found`, the earlier readings of its pair; None when unknown."""
        values = {what: abs(reading.value) for what, reading in found.items()}
        match name:
            case "reference_power":
                return self._reference_power(values, applied)
            case "displayed_power":
                return self._displayed_power(values, applied)
            case "displayed_power_factor":
                return self._displayed_power_factor(values, applied)
        return None

    def _reference_power(self, values: Mapping[str, float], applied: Applied) -> Expected | None:
        voltage, current = values.get("reference_voltage"), values["reference"]
        if voltage is None:
            return None
        scales = self._reference.ranges
        step = next((s.resolution for s in scales if s.full_scale == applied.reference_scale), scales[-1].resolution)
        power_step = self._reference.power.resolution if self._reference.power is not None else 0.0
        apparent = voltage * current
        power_factor, tolerance = self._power_factor(applied)
        return Expected(
            None if power_factor is None else apparent * power_factor,
            tolerance,
            (1 + ABOVE_APPARENT) * voltage * (current + STEPS * step) + STEPS * power_step,
            f"voltage x current = {voltage:g} V x {current:g} A = {apparent:.4g} VA",
        )

    def _displayed_power(self, values: Mapping[str, float], applied: Applied) -> Expected | None:
        current, voltage, in_phase = (
            values["displayed"],
            values.get("reference_voltage"),
            self._in_phase(values, applied),
        )
        if not current:
            # A display that reads no current may show any power.
            return None
        if in_phase is not None:
            return Expected(in_phase * current, SLIP)
        if voltage is None:
            return None
        limit = f"voltage x displayed current = {voltage:g} V x {current:g} A = {voltage * current:.4g} VA"
        return Expected(largest=(1 + SLIP) * voltage * current, limit=limit)

    def _displayed_power_factor(self, values: Mapping[str, float], applied: Applied) -> Expected:
        voltage, in_phase = values.get("reference_voltage"), self._in_phase(values, applied)
        if not voltage or in_phase is None or not values["displayed"] or (1 + SLIP) * in_phase < voltage:
            # A low one may give way to the default, often 1, which is no slip.
            return Expected(largest=1.0)
        return Expected(in_phase / voltage, SLIP, largest=1.0)

    def _in_phase(self, values: Mapping[str, float], applied: Applied) -> float | None:
        """The voltage component in phase with the current, in volts: the power per ampere."""
        voltage, power, current = values.get("reference_voltage"), values.get("reference_power"), values["reference"]
        if power and current:
            return power / current if voltage is None else min(power / current, voltage)
        power_factor, _ = self._power_factor(applied)
        return None if voltage is None or power_factor is None else voltage * power_factor

    def _power_factor(self, applied: Applied) -> tuple[float | None, float]:
        """The magnitude of the load's power factor, None where unknown, and the relative tolerance of a power."""
        if not applied.current:
            return None, SLIP
        if not self._load.by_person:
            return None if applied.power_factor is None else abs(applied.power_factor), KNOWN_WELL
        plugged = next((load for load in self._load.shelf if load.current == applied.current), None)
        if plugged is None:
            return None, SLIP
        if plugged.power_factor_uncertainty:
            return abs(plugged.power_factor), KNOWN_WELL
        return abs(plugged.power_factor), KNOWN_ROUGHLY if "power_factor" in plugged.model_fields_set else SLIP
