"""What a simulated meter does to a steady current, computed from its description: what tests compare results with."""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from dataclasses import dataclass

from simulated.bench_physics import BenchPhysics
from simulated.description import MeterDescription, RangeDescription
from simulated.physics.assembly import module_with, range_factors
from simulated.physics.circuit import BenchCircuit
from simulated.physics.module import Module


def characteristic(bench: BenchPhysics) -> Characteristic:
    """That of the meter on `bench`, with its faults."""
    meter = bench.description.meter
    scaled = next((f.range for f in bench.faults if f.name == "display-factor-forgotten"), "")
    module = module_with({fault.name for fault in bench.faults}, meter, bench.description.seed)
    return Characteristic(
        meter, BenchCircuit(bench.description, bench.faults, 0.0), module, range_factors(meter, scaled)
    )


@dataclass(frozen=True)
class Characteristic:
    """What the device does to a steady current: cold, without noise, resolution and threshold.

    `factors` as in Display. Errors are fractions of what the paperwork of the range selected promises.
    """

    meter: MeterDescription
    circuit: BenchCircuit
    module: Module
    factors: Mapping[str, float]

    def turns(self, range_name: str) -> int:
        """Signed turns in circuit when `range_name` is selected."""
        return self.circuit.turns[self._position(range_name)]

    def ratio_error(self, range_name: str, current: float) -> float:
        """Of the indicated current at `current` amperes."""
        measured = self.module.measured(abs(self._secondary(range_name, current)))
        return measured * self._factor(range_name) / current - 1.0

    def transformer_error(self, range_name: str, current: float) -> complex:
        """Of the secondary current at `current` amperes, against the turns of the paperwork; its argument is a phase.

        With a meter in the secondary: magnitude of (1 + error) and what that meter reads say the same.
        """
        ratio = self._range(range_name).primary_turns / self.meter.secondary_turns
        return self._secondary(range_name, current) / (ratio * current) - 1.0

    def phase_displacement(self, range_name: str, current: float) -> float:
        """Rad between the current and what power is made from: the transformer's and the module's own."""
        return self._displacement(self._secondary(range_name, current))

    def power_error(self, range_name: str, current: float, power_factor: float) -> float:
        """Of the indicated power at `current` amperes and `power_factor` (negative: leading), at the nominal voltage.

        (1 + ratio error) (1 + voltage error) cos(phi - delta) / cos(phi) - 1.
        """
        secondary = self._secondary(range_name, current)
        angle = math.copysign(math.acos(abs(power_factor)), power_factor)
        power = self.module.power(secondary, 1.0, angle) * self._factor(range_name)
        return power / (current * math.cos(angle)) - 1.0

    def smallest_current(self, range_name: str) -> float:
        """Primary amperes from which on the display shows something; infinite when nothing ever reaches it."""

        def reads(current: float) -> bool:
            return self.module.measured(abs(self._secondary(range_name, current))) >= self.module.smallest

        low, high = 0.0, self._range(range_name).maximum_current
        if not reads(high):
            return math.inf
        if reads(low):
            return low
        while high - low > 1e-9 * high:
            middle = (low + high) / 2
            low, high = (low, middle) if reads(middle) else (middle, high)
        return high

    def _secondary(self, range_name: str, current: float) -> complex:
        ampere_turns = self.turns(range_name) * (current + self.circuit.supply_current)
        return math.copysign(1.0, ampere_turns) * self.circuit.transformer.secondary_current(abs(ampere_turns))

    def _displacement(self, secondary: complex) -> float:
        return cmath.phase(secondary if secondary.real >= 0 else -secondary) + self.module.phase_error

    def _factor(self, range_name: str) -> float:
        """Indicated amperes per ampere measured by the module."""
        return self.factors[self._position(range_name)] * self._range(range_name).display_factor

    def _position(self, range_name: str) -> str:
        return self.circuit.stuck_in or range_name

    def _range(self, range_name: str) -> RangeDescription:
        return next(r for r in self.meter.ranges if r.name == range_name)
