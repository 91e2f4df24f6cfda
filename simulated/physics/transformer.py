"""The current transformer: secondary current from ampere-turns, with a core that is neither linear nor lossless.

The equivalent circuit of an instrument transformer seen from the secondary: the primary ampere-turns divided by
the secondary turns feed the magnetising branch `Ym` in parallel with the secondary circuit `Zs`, so that

    I2 = (AT / N2) / (1 + Zs Ym)

(textbook equivalent circuit; the complex error is e = -Zs Ym / (1 + Zs Ym)). `Ym` depends on the flux density, which
depends on the electromotive force E = I2 Zs, so the magnitude of E is solved for. Phasors of the fundamental only:
in deep saturation the waveform is no longer a sine and the result is a plausible droop, not a prediction.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from functools import cached_property

MAGNETIC_CONSTANT = 4e-7 * math.pi
"""Permeability of vacuum in H/m (the value before the 2019 SI, equal to 1 part in 1e9)."""

RATED_FLUX_DENSITY = 0.1
"""Peak flux density in tesla at rated current: measuring cores run far below saturation."""

MAGNETIC_LENGTH_PER_AMPERE_TURN = 1e-3
"""Core path length in metres for each rated ampere-turn: a larger rating gets a larger core."""


@dataclass(frozen=True)
class CoreModel:
    """A core. `area` in m2, `path_length` in m, flux densities in T (peak), `loss_angle` in rad.

    Relative permeability rises from `initial_permeability` along a quarter sine to `maximum_permeability` at
    `flux_density_of_maximum`, and falls as 1 / (1 + (B / saturation)^6) near saturation.
    """

    area: float
    path_length: float
    initial_permeability: float = 9_000.0
    maximum_permeability: float = 30_000.0
    flux_density_of_maximum: float = 0.25
    saturation_flux_density: float = 1.2
    loss_angle: float = math.radians(40.0)

    def relative_permeability(self, flux_density: float) -> float:
        """Amplitude permeability, relative to vacuum, at the peak `flux_density` in tesla."""
        rise = math.sin(math.pi / 2 * min(1.0, flux_density / self.flux_density_of_maximum))
        permeability = self.initial_permeability + (self.maximum_permeability - self.initial_permeability) * rise
        return permeability / (1.0 + (flux_density / self.saturation_flux_density) ** 6)


@dataclass(frozen=True)
class TransformerModel:
    """A transformer with its secondary circuit. Resistances and reactance in ohms, frequency in hertz.

    A closed turn around the core, of `closed_turn_resistance`, loads it beside the secondary circuit. An `air_gap` (m) in the
    core takes a magnetising current of its own: that of a reluctance in series is beside that of the core.
    """

    core: CoreModel
    secondary_turns: int
    frequency: float
    winding_resistance: float
    burden: float
    fuse_resistance: float = 0.0
    leakage_reactance: float = 0.0
    closed_turn_resistance: float = math.inf
    air_gap: float = 0.0

    @cached_property
    def secondary_impedance(self) -> complex:
        return complex(self.winding_resistance + self.burden + self.fuse_resistance, self.leakage_reactance)

    def flux_density(self, electromotive_force: float) -> float:
        """Peak flux density in tesla for an rms `electromotive_force` in volts (Faraday's law for a sine)."""
        return math.sqrt(2) * electromotive_force / self._flux_linkage

    def magnetising_admittance(self, electromotive_force: float) -> complex:
        """Core loss, closed turn and magnetising admittance in siemens, seen from the secondary, at an rms voltage."""
        core = self.core
        permeability = MAGNETIC_CONSTANT * core.relative_permeability(self.flux_density(electromotive_force))
        inductance = permeability * self.secondary_turns**2 * core.area / core.path_length
        core_alone = cmath.rect(1.0 / (self._angular_frequency * inductance), core.loss_angle - math.pi / 2)
        return core_alone - self._gap + self._closed_turn

    @property
    def beside_the_core(self) -> complex:
        """The part of that admittance which is the same at every voltage."""
        return self._closed_turn - self._gap

    # The same at every voltage, and asked for several times in each reading.

    @cached_property
    def _angular_frequency(self) -> float:
        return 2 * math.pi * self.frequency

    @cached_property
    def _flux_linkage(self) -> float:
        return self._angular_frequency * self.secondary_turns * self.core.area

    @cached_property
    def _gap(self) -> complex:
        gap = self.air_gap / (self._angular_frequency * MAGNETIC_CONSTANT * self.secondary_turns**2 * self.core.area)
        return 1j * gap

    @cached_property
    def _closed_turn(self) -> float:
        return 1.0 / (self.closed_turn_resistance * self.secondary_turns**2)

    def secondary_current(self, ampere_turns: float, further_resistance: float = 0.0) -> complex:
        """Secondary current in amperes (rms) for rms `ampere_turns`, as a phasor against the primary current.

        `further_resistance` in ohms is in series with the secondary circuit: copper that has warmed.

        Both admittances lie in the same quadrant, so the current they take together grows with the voltage and is
        never less than what the secondary circuit takes alone: the voltage is bracketed, also in saturation.
        """
        if ampere_turns == 0.0:
            return 0j
        ideal = ampere_turns / self.secondary_turns
        circuit = 1.0 / (self.secondary_impedance + further_resistance)
        force = self._electromotive_force(abs(ideal), circuit)
        return ideal * circuit / (circuit + self.magnetising_admittance(force))

    def complex_error(self, ampere_turns: float) -> complex:
        """Complex error N2 I2 / AT - 1 (a fraction); its real part is nearly the ratio error. `ampere_turns` not 0."""
        return self.secondary_current(ampere_turns) * self.secondary_turns / ampere_turns - 1.0

    def _electromotive_force(self, ideal: float, circuit: complex) -> float:
        """The rms voltage in volts at which both branches together take `ideal` amperes.

        Regula falsi with the correction of Anderson and Bjorck (1973), BIT 13, 253 (value from memory), on logarithms, where
        the curve is nearly straight on both sides of the knee and its slope nearly one below it.
        """

        def excess(log_force: float) -> float:
            force = math.exp(log_force)
            return log_force + math.log(abs(circuit + self.magnetising_admittance(force))) - target

        target = math.log(ideal)
        high = target - math.log(abs(circuit))
        above = excess(high)
        low = high - 1.5 * above
        below = excess(low)
        while below > 0.0:
            high, above = low, below
            low -= 1.0
            below = excess(low)
        middle = high
        for _ in range(100):
            if above - below < 1e-14:
                break
            previous, middle = middle, (low * above - high * below) / (above - below)
            value = excess(middle)
            if abs(middle - previous) < 1e-13 or value == 0.0:
                break
            left = 1.0 - value / (above if value > 0.0 else below)
            kept = left if left > 0.0 else 0.5
            if value > 0.0:
                high, above, below = middle, value, below * kept
            else:
                low, below, above = middle, value, above * kept
        return math.exp(middle)


def core_for_rating(
    secondary_voltage: float, rated_current: float, secondary_turns: int, frequency: float
) -> CoreModel:
    """The core a maker would choose: 0.1 T at the rated secondary current, path length in step with the rating.

    `secondary_voltage` in volts across the whole secondary circuit at `rated_current` amperes.
    """
    area = math.sqrt(2) * secondary_voltage / (2 * math.pi * frequency * secondary_turns * RATED_FLUX_DENSITY)
    return CoreModel(area, MAGNETIC_LENGTH_PER_AMPERE_TURN * rated_current * secondary_turns)
