"""The reference: always inside its claim, and honest about overload."""

from __future__ import annotations

import statistics

import pytest

from simulated.description import ScaleDescription
from simulated.physics.load import Refused
from simulated.physics.multimeter import Multimeter

SCALES = (ScaleDescription(1.0, 4e-4, 1e-4, 1e-6), ScaleDescription(10.0, 4e-4, 1e-4, 1e-5))


@pytest.mark.parametrize("seed", range(40))
@pytest.mark.parametrize("value", [0.02, 0.3, 1.0, 7.0])
def test_inside_its_claim(seed: int, value: float) -> None:
    """Every reading is within of_reading + of_range, the claim of the scale it is on."""
    multimeter = Multimeter(SCALES, seed)
    multimeter.configure(value)
    claim = 4e-4 * value + 1e-4 * multimeter.scale.full_scale

    assert all(abs(multimeter.reading(value) - value) < claim for _ in range(20))


def test_errors_differ_from_one_instrument_to_the_next() -> None:
    """Systematic errors are there at all: means of different seeds spread wider than the noise."""
    means = []
    for seed in range(20):
        multimeter = Multimeter(SCALES, seed)
        multimeter.configure(1.0)
        means.append(statistics.fmean(multimeter.reading(1.0) for _ in range(20)))
    assert statistics.stdev(means) > 5e-5


def test_overload_and_scales() -> None:
    """SCPI-1999 volume 1, 7.2.1.4: 9.9E37 stands for infinity."""
    multimeter = Multimeter(SCALES, 1)
    multimeter.configure(0.5)
    assert multimeter.reading(2.0) == 9.9e37
    assert multimeter.reading(1.1) == pytest.approx(1.1, rel=1e-3)
    with pytest.raises(Refused):
        multimeter.configure(11.0)
    with pytest.raises(ValueError, match="at least one scale"):
        Multimeter((), 1)
