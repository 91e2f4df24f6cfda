"""Secondary currents of a transformer for many currents at once: the formulas of `transformer` with arrays in place of numbers.

Ampere-turns (n,) without sign, resistances in ohms (n,), currents in amperes (rms).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulated.physics.transformer import TransformerModel

Reals = NDArray[np.float64]
Phasors = NDArray[np.complexfloating[Any, Any]]

MOST_STEPS, SAME = 30, 1e-13
"""Steps of the secant, and a difference of the logarithm of a voltage that is none."""


def secondary_currents(transformer: TransformerModel, ampere_turns: Reals, further_resistance: Reals) -> Reals:
    """Magnitudes of the secondary current; where the steps do not settle (deep in saturation), as `transformer` finds them one by one."""
    found = np.zeros_like(ampere_turns)
    flows = ampere_turns > 0
    ideal = ampere_turns[flows] / transformer.secondary_turns
    circuit = 1.0 / (transformer.secondary_impedance + further_resistance[flows])
    target = np.log(ideal)

    def drawn(log_force: Reals) -> Phasors:
        return circuit + _admittances(transformer, np.exp(log_force))

    # Without the core's current, and with the current it takes at that voltage.
    before = target - np.log(np.abs(circuit))
    force = target - np.log(np.abs(drawn(before)))
    wrong_before = before - force
    settled = np.zeros(len(target), dtype=bool)
    for _ in range(MOST_STEPS):
        wrong = force - (target - np.log(np.abs(drawn(force))))
        slope = np.divide(wrong - wrong_before, force - before, out=np.ones_like(wrong), where=force != before)
        before, wrong_before = force, wrong
        settled = np.abs(wrong) < SAME
        if settled.all():
            break
        force = force - wrong / slope
    size = ideal * np.abs(circuit) / np.abs(drawn(force))
    plain = np.flatnonzero(~settled)
    size[plain] = [
        abs(transformer.secondary_current(float(ampere_turns[flows][i]), float(further_resistance[flows][i])))
        for i in plain
    ]
    found[flows] = size
    return found


def _admittances(transformer: TransformerModel, forces: Reals) -> Phasors:
    """The magnetising admittances, in siemens, at rms voltages."""
    core, unsaturated = transformer.core, transformer.magnetising_admittance(0.0)
    flux = transformer.flux_density(1.0) * forces
    rise = np.sin(math.pi / 2 * np.minimum(1.0, flux / core.flux_density_of_maximum))
    permeability = core.initial_permeability + (core.maximum_permeability - core.initial_permeability) * rise
    permeability /= 1.0 + (flux / core.saturation_flux_density) ** 6
    beside = transformer.beside_the_core
    found: Phasors = (unsaturated - beside) * (core.initial_permeability / permeability) + beside
    return found
