"""Each range predicted once for all hypotheses that have it alike, against every hypothesis predicted by itself."""

import itertools

import numpy as np
import pytest

from harness.core.arrays import Indices
from harness.evaluation.diagnosis import shared_predictions
from harness.evaluation.diagnosis.causes import extended, shipped_causes, without
from harness.evaluation.diagnosis.evidence import POWER, RATIO, SECONDARY, THRESHOLD, ZERO, Setting, settings
from harness.evaluation.diagnosis.hypotheses import hypotheses
from harness.evaluation.diagnosis.predictions import build
from harness.evaluation.diagnosis.shared_predictions import alike_on_ranges, predicting
from tests.benchmarks.many_points import device_of_ten_ranges
from tests.direct_physics import demo_inputs

OWN = """
[[causes]]
name = "filter-across-input"
text = "a filter across the winding of range {range} takes part of its current"
each_range = true
readings.gain = { mean = "-8 %", deviation = "1 %" }

[[causes]]
name = "worn-input"
text = "an input that bends on range {range}"
each_range = true
readings.bend = { mean = "2 %", deviation = "1 %" }
"""


@pytest.mark.parametrize("own", ["", OWN])
@pytest.mark.parametrize("by_range", [True, False])
def test_every_prediction_is_that_of_the_hypothesis_by_itself(
    own: str, by_range: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With causes of a range alone too, and with the readings of ranges in turn; unknowns left out act in nothing."""
    device = demo_inputs().device
    catalogue = extended(own, "own.toml")
    read = [
        Setting(kind, rng.name, rng.minimum_current * times, 0.5 if kind == POWER else 1.0)
        for rng in device.ranges
        for kind, times in itertools.product((RATIO, ZERO, POWER, THRESHOLD, SECONDARY), (1.0, 30.0))
    ]
    at = settings(device, read if by_range else read[::2] + read[1::2])
    found = hypotheses(device, catalogue)
    model = build(device, catalogue, found)
    alike = alike_on_ranges(found, model)
    monkeypatch.setattr(shared_predictions, "WORTH_SHARING", 1.0)
    shared = predicting(model, alike, at)
    some: Indices = np.arange(0, len(found.priors), 7)
    one, other = shared(some), model.part(some).predict(at)
    acting = other.columns.any(axis=(0, 1))
    assert one.means == pytest.approx(other.means, rel=1e-12, abs=1e-15)
    assert np.abs(one.columns).sum() == pytest.approx(np.abs(other.columns).sum(), rel=1e-12)
    wanted = other.columns[:, :, acting]
    told = one.columns[:, :, one.columns.any(axis=(0, 1))]
    assert told == pytest.approx(wanted, rel=1e-12, abs=1e-15)


def test_what_is_predicted_grows_with_the_ranges_and_not_with_the_pairs() -> None:
    """Of ten ranges in place of three: eight times as many hypotheses, and not twice as many predictions of a range."""
    catalogue, most, every = without(shipped_causes(), "waveforms"), [], []
    for device in (demo_inputs().device, device_of_ten_ranges()):
        found = hypotheses(device, catalogue)
        every.append(len(found.priors))
        most.append(max(len(np.unique(n)) for n in alike_on_ranges(found, build(device, catalogue, found))))
    assert every[1] > 8 * every[0]
    assert most[1] < 2 * most[0]
