"""The next measurement that is proposed, and what it is said to read under each cause: worked by hand."""

import numpy as np
import pytest

from harness.evaluation.diagnosis import extra_measurement
from harness.evaluation.diagnosis.causes import shipped_causes
from harness.evaluation.diagnosis.density import density
from harness.evaluation.diagnosis.evidence import (
    RATIO,
    THRESHOLD,
    ZERO,
    FurtherEvidence,
    Setting,
    observations,
    settings,
)
from harness.evaluation.diagnosis.extra_measurement import Advice, Measurement, advise
from harness.evaluation.diagnosis.hypotheses import SOUND, Candidate, hypotheses
from harness.evaluation.diagnosis.next_step import further
from harness.evaluation.diagnosis.predictions import build
from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.device import Device
from tests.harness.evaluation.conftest import RUN_DATE, observed

FAULTY = Candidate((("some-fault", "x10"),), "something on x10", (), 0.1, ())


def test_the_difference_of_two_ranges_is_that_of_what_each_would_read(
    device: Device, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nine turns where ten are described read a tenth too little: x1 less x10 is 10 %, and nothing on a sound meter."""
    pair = Measurement(RATIO, "x1", 5.0, other="x10")
    monkeypatch.setattr(extra_measurement, "measurements", lambda *_: [pair])
    inputs = InputQuantities(bench, RUN_DATE)
    # Of x10 nothing is known yet.
    points = [point_values(device, inputs, observed("x1", c, [c] * 4)) for c in (1.0, 5.0, 20.0)]
    data = observations(device, points, FurtherEvidence())
    assert data is not None
    causes = shipped_causes()
    found = hypotheses(device, causes)
    missing = next(i for i, c in enumerate(found.singles) if c.label == "turn-missing on x10")
    model = build(device, causes, found).part(np.array([0, missing]))
    shape = causes.unmodelled.shape
    advice = advise(model, [0.5, 0.5], density(data, shape), shape)
    assert advice.measurement == pair
    assert advice.expected.tolist() == pytest.approx([0.0, 0.1], abs=0.005)
    assert advice.gain == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("name", ["x1", "x10"])
def test_an_added_current_is_as_many_amperes_at_the_smallest_current_as_at_any_other(device: Device, name: str) -> None:
    """One that adds i shows I as I + i, and shows something from i below the smallest current it would show otherwise."""
    causes, large = shipped_causes(), 5.0
    found = hypotheses(device, causes)
    supplies = [i for i, c in enumerate(found.singles) if c.label == "module-supply-behind-sensor"]
    readable = device.display.smallest_readable_current * device.range_named(name).display_factor
    at = settings(device, [Setting(RATIO, name, large), Setting(THRESHOLD, name, readable)])
    columns = build(device, causes, found).part(np.array(supplies)).predict(at).columns
    # The unknown whose deviation differs between the sizes of the cause, and nothing else does.
    (unknown,) = np.flatnonzero(np.ptp(columns, axis=0).max(axis=0) > 0)
    amperes = columns[:, 0, unknown] * large
    assert amperes.min() > 0
    assert columns[:, 1, unknown] * readable == pytest.approx(-amperes)


def advised(measurement: Measurement, *expected: float) -> Advice:
    return Advice(measurement, 1.0, np.array(expected), np.full(len(expected), 0.01))


@pytest.mark.parametrize(
    ("measurement", "expected", "told"),
    [
        # 20 mA on the display are 2 mA on x10. A range that would read only 51 times that shows nothing.
        (Measurement(THRESHOLD, "x10", 2e-3), (0.1, 50.0), [("expect-smallest", 2.2e-3), ("expect-nothing", None)]),
        # Parts of the smallest current that x10 claims, 0.1 A; a display shows none below nothing.
        (Measurement(ZERO, "x10", 0.1), (-0.3, 0.5), [("expect-indication", 0.0), ("expect-indication", 0.05)]),
    ],
)
def test_what_each_cause_lets_expect(
    device: Device, measurement: Measurement, expected: tuple[float, float], told: list[tuple[str, float | None]]
) -> None:
    following, _ = further(device, advised(measurement, *expected), [SOUND, FAULTY], "to-detect")
    assert following is not None
    for reason, cause, (code, current) in zip(following.expected, (SOUND, FAULTY), told, strict=True):
        assert (reason.code, reason.values["cause"]) == (code, cause.label)
        assert reason.values.get("current") == (None if current is None else pytest.approx(current))
