"""The secondary current of a load whose current is no sine, at any level: the core is solved at a few levels, and between them drawn straight."""

from __future__ import annotations

import math

from instruments.waveform_names import Waveform
from instruments.waveforms import Instants, unit_samples
from simulated.physics.core_in_time import secondary_in_time
from simulated.physics.transformer import TransformerModel

LEVELS_PER_E = 20
"""Levels at which the core is solved, in every ratio of e = 2.718: neighbours are 5 % apart."""


class ShapedSecondary:
    """Secondary currents of one transformer."""

    def __init__(self, transformer: TransformerModel) -> None:
        self._transformer = transformer
        self._solved: dict[tuple[Waveform, int], Instants] = {}

    def current(self, waveform: Waveform, ampere_turns: float, further_resistance: float) -> Instants:
        """Secondary current (n,) in amperes over all periods of `waveform`, for signed effective `ampere_turns`.

        `further_resistance`, of copper that has warmed, acts as it does with a sine: its effect is some parts in a thousand.
        """
        size = abs(ampere_turns)
        place = math.log(size) * LEVELS_PER_E
        below = math.floor(place)
        low, high = self._per_ampere_turn(waveform, below), self._per_ampere_turn(waveform, below + 1)
        cold = self._transformer.secondary_current(size)
        warm = self._transformer.secondary_current(size, further_resistance) if further_resistance else cold
        found: Instants = (low + (high - low) * (place - below)) * (ampere_turns * abs(warm) / abs(cold))
        return found

    def _per_ampere_turn(self, waveform: Waveform, level: int) -> Instants:
        if (waveform, level) not in self._solved:
            ampere_turns = math.exp(level / LEVELS_PER_E)
            ideal = unit_samples(waveform) * (ampere_turns / self._transformer.secondary_turns)
            self._solved[waveform, level] = secondary_in_time(self._transformer, ideal) / ampere_turns
        return self._solved[waveform, level]
