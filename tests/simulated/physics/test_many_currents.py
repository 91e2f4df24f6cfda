"""Many currents at once against the transformer that finds them one by one."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulated.physics.many_currents import secondary_currents
from simulated.physics.transformer import TransformerModel, core_for_rating

SOUND = TransformerModel(core_for_rating(0.032 * 73, 0.032, 2500, 50.0), 2500, 50.0, 60.0, 10.0, 3.0)
MODELS = {
    "sound": SOUND,
    "gap": replace(SOUND, air_gap=3e-4),
    "closed turn": replace(SOUND, closed_turn_resistance=3e-4),
    "leakage": replace(SOUND, leakage_reactance=12.0),
    "open": replace(SOUND, fuse_resistance=1e9),
    "saturating": replace(SOUND, core=replace(SOUND.core, saturation_flux_density=0.05)),
}


@pytest.mark.parametrize("name", MODELS)
@given(st.lists(st.tuples(st.floats(1e-4, 5e3), st.floats(0, 5.0)), min_size=1, max_size=8))
def test_many_currents_are_those_found_one_by_one(name: str, cases: list[tuple[float, float]]) -> None:
    """From far below the smallest reading to deep in saturation."""
    model = MODELS[name]
    ampere_turns, further = np.array(cases).T
    found = secondary_currents(model, ampere_turns, further)
    expected = [abs(model.secondary_current(at, ohms)) for at, ohms in cases]
    assert found == pytest.approx(expected, rel=1e-11)


def test_no_current_gives_none() -> None:
    """Beside one that flows, and alone."""
    found = secondary_currents(SOUND, np.array([0.0, 80.0]), np.zeros(2))
    assert found[0] == 0.0
    assert math.isclose(found[1], 80.0 / 2500, rel_tol=0.01)
    assert not secondary_currents(SOUND, np.zeros(3), np.zeros(3)).any()
