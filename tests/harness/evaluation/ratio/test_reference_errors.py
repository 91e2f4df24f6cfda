"""The reference's own corrections, the shunt's, and what points share of them."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.ratio.reference_errors import path_angle, reading_error
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.evaluation.validation.models import ratio_error
from harness.evaluation.validation.monte_carlo import Draws
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.loading import parse_bench
from tests.harness.evaluation.conftest import BENCH, RUN_DATE, observed, recalibrated

CORRECTED = """  { full_scale = "1 A", of_reading = "0.08 %", of_range = "0.02 %", resolution = "1 uA", burden = "0.1 ohm", corrections = [
    { reading = "0.1 A", frequency = "50 Hz", error = "+0.30 %", uncertainty = "0.02 %" },
    { reading = "0.9 A", frequency = "50 Hz", error = "+0.10 %", uncertainty = "0.02 %" },
  ] },
"""

SHUNT = """kind = "shunt"
[reference_path.part]
serial = "S-31"
calibration = { certificate = "Q-3", date = 2026-01-01, due = 2028-01-01 }
resistance = "1 mohm"
rated_current = "100 A"
power_rating = "10 W"
temperature_coefficient = "0.002 %/K"
self_heating = "5 K/W"
drift_per_year = "0.01 %/year"
calibrated = [{ current = "50 A", frequency = "50 Hz", resistance = "1.0030 mohm", uncertainty = "0.02 %" }]
"""


@pytest.fixture
def corrected(bench: Bench) -> Bench:
    """The 1 A range of its reference has a certificate of its own."""
    lines = BENCH.splitlines(keepends=True)
    text = "".join(CORRECTED if 'full_scale = "1 A"' in line else line for line in lines)
    return recalibrated(
        parse_bench(text, "bench.toml"), [{"current": at, "uncertainty": "0 %"} for at in ("0.1 A", "100 A")]
    )


def _error(device: Device, inputs: InputQuantities, current: float, reading: float, rng: str = "x1") -> Any:
    factor = device.range_named(rng).display_factor
    point = observed(rng, current, [current / factor] * 4, references=[reading] * 4)
    return point_values(device, inputs, point).ratio_error


def test_the_references_own_error_is_taken_out(device: Device, corrected: Bench) -> None:
    """A reading of 0.3 A lies half way between 0.1 and 0.9 A in the logarithm: 0.20 % too high, so 0.3 A is 0.2994 A.

    Its claim of 0.08 % and its offset no longer count; drift does, and 0.1 % of the interpolation as a rectangle.
    """
    inputs = InputQuantities(corrected, RUN_DATE)
    error = _error(device, inputs, 0.3 / 1.002 * 20, 0.3)
    assert float(error.nominal_value) == pytest.approx(0.0, abs=1e-12)
    lines = {line.source: line.contribution for line in inputs.budget(error)}
    assert not any("gain" in source or "offset" in source for source in lines)
    assert lines["reference: drift since calibration"] == pytest.approx(2e-4 * 182 / 365.25 / math.sqrt(3), rel=1e-2)
    bow = lines["reference, 1 A range, 100 mA to 900 mA: interpolation of the error"]
    assert bow == pytest.approx(1e-3 / math.sqrt(3), rel=1e-2)


def test_outside_its_corrections_the_claim_holds(device: Device, corrected: Bench) -> None:
    inputs = InputQuantities(corrected, RUN_DATE)
    error = _error(device, inputs, 1.0, 0.05)
    assert float(error.nominal_value) == pytest.approx(0.0, abs=1e-12)
    assert any("gain" in line.source for line in inputs.budget(error))


def test_at_equal_currents_two_ranges_have_the_path_in_common(device: Device, bench: Bench) -> None:
    """JCGM 100:2008, F.1.2.3: an input of both drops out of their difference; at other currents it does not."""
    rows = [{"current": at, "ratio_error": f"{e} %"} for at, e in (("1 A", -0.5), ("10 A", -0.2), ("100 A", -0.1))]
    inputs = InputQuantities(recalibrated(bench, rows), RUN_DATE)
    one, ten, apart = (_error(device, inputs, i, i / 20, r) for i, r in ((3.0, "x1"), (3.0, "x10"), (30.0, "x1")))

    def of_path(value: Any) -> float:
        lines = [line for line in inputs.budget(value) if "reference transformer" in line.source]
        return math.hypot(*(line.contribution for line in lines))

    assert of_path(one) > 2.5e-4
    assert of_path(one - ten) < 1e-12
    assert of_path(one - apart) > 2.5e-4


def test_a_shunt_worked_by_hand(device: Device) -> None:
    """50 A in 1.0030 mohm: 50.15 mV. P = I^2 R = 2.5 W of 10 W (Joule), so 12.5 K of 50 K warmer: 0.025 % as a rectangle."""
    head, _, rest = BENCH.partition("[reference_path]\n")
    text = f"{head}[reference_path]\n{SHUNT}{rest[rest.index('[instruments.source]') :]}"
    for full in ("10 mA", "100 mA", "1 A", "10 A"):
        text = text.replace(f'full_scale = "{full}"', f'full_scale = "{full[:-1]}V"')
    for step in ("10 nA", "100 nA", "1 uA", "10 uA"):
        text = text.replace(f'resolution = "{step}"', f'resolution = "{step[:-1]}V"')
    inputs = InputQuantities(parse_bench(text, "bench.toml"), RUN_DATE)
    point = replace(observed("x1", 50.0, [50.0] * 4, references=[0.05015] * 4), reference_scale=0.1)
    error = point_values(device, inputs, point).ratio_error
    assert error is not None
    assert float(error.nominal_value) == pytest.approx(0.0, abs=1e-12)
    lines = {line.source: line.contribution for line in inputs.budget(error)}
    assert lines["reference shunt S-31: self-heating"] == pytest.approx(2e-5 * 12.5 / math.sqrt(3), rel=1e-2)
    assert lines["reference shunt S-31 at 50 A: ratio error"] == pytest.approx(1e-4, rel=1e-2)
    assert lines["reference shunt S-31: drift since calibration"] == pytest.approx(
        1e-4 * 182 / 365.25 / math.sqrt(3), rel=1e-2
    )


def test_what_another_burden_changes_is_in_the_uncertainty(device: Device, bench: Bench) -> None:
    """Half the burden of the certificate: half of the effect stated of none at all, as a rectangle (JCGM 100:2008, 4.3.7)."""
    path = bench.reference_path
    assert path.part is not None
    part = path.part.model_copy(update={"burden": 0.2, "burden_effect": 0.001})
    other = bench.model_copy(update={"reference_path": path.model_copy(update={"part": part})})
    inputs = InputQuantities(other, RUN_DATE)
    lines = {line.source: line.contribution for line in inputs.budget(_error(device, inputs, 6.0, 0.3))}
    assert lines[f"{path.part_name}: burden, ratio error"] == pytest.approx(0.0005 / math.sqrt(3), rel=1e-2)


def test_what_is_stated_of_the_ratio_error_alone_bounds_the_angle_too(device: Device, bench: Bench) -> None:
    """A relative change p of a complex ratio in no known direction is up to p of its size and up to p rad of its angle (plane geometry).

    The budget says that of the angle itself nothing was stated. A shunt's resistance turns nothing.
    """
    rows = [{"current": at, "phase_uncertainty": "0.02 deg"} for at in ("0.1 A", "100 A")]
    calibrated = recalibrated(bench, rows, kind="clamp", position=0.003)
    path = calibrated.reference_path
    assert path.part is not None
    part = path.part.model_copy(update={"drift_per_year": 0.001, "temperature_coefficient": 1e-5})
    moved = calibrated.model_copy(update={"reference_path": path.model_copy(update={"part": part})})
    inputs = InputQuantities(moved, RUN_DATE)
    found = path_angle(inputs, 10.0, 50.0, 1.0)
    assert found is not None
    lines = {line.source: line.contribution for line in inputs.budget(found.uncertain)}
    said = ", phase displacement (not stated: as the ratio error)"
    assert lines[f"reference path: position of the lead{said}"] == pytest.approx(0.003 / math.sqrt(3), rel=1e-2)
    drift = 0.001 * 182 / 365.25 / math.sqrt(3)
    assert lines[f"{moved.reference_path.part_name}: drift since calibration{said}"] == pytest.approx(drift, rel=1e-2)
    shunt = moved.model_copy(update={"reference_path": moved.reference_path.model_copy(update={"kind": "shunt"})})
    inputs = InputQuantities(shunt, RUN_DATE)
    still = path_angle(inputs, 10.0, 50.0, 1.0)
    assert still is not None
    assert not any(said in line.source for line in inputs.budget(still.uncertain))


def test_a_reference_in_the_load_lead_turns_nothing(bench: Bench) -> None:
    """Without a part in between it sees the current itself; with one the inputs of the angle are angles, in rad."""
    path = bench.reference_path
    direct = bench.model_copy(update={"reference_path": path.model_copy(update={"kind": "direct", "part": None})})
    found = path_angle(InputQuantities(direct, RUN_DATE), 10.0, 50.0, 1.0)
    assert found is not None
    assert (found.known, found.terms) == (0.0, ())
    rows = [{"current": at, "phase_displacement": "0.1 deg", "phase_uncertainty": "0.02 deg"} for at in ("1 A", "99 A")]
    inputs = InputQuantities(recalibrated(bench, rows, kind="clamp", position=0.003), RUN_DATE)
    turned = path_angle(inputs, 10.0, 50.0, 1.0)
    assert turned is not None
    assert turned.known == pytest.approx(math.radians(0.1))
    assert {line.unit for line in inputs.budget(turned.uncertain)} == {"rad"}


def test_the_trials_draw_from_the_same_model(device: Device, corrected: Bench) -> None:
    """JCGM 101:2008, 5.9: at its estimates the model of the trials gives the value of the law of propagation."""
    rows = [{"current": at, "ratio_error": f"{e} %"} for at, e in (("1 A", -0.5), ("10 A", -0.2), ("100 A", -0.1))]
    inputs = InputQuantities(recalibrated(corrected, rows), RUN_DATE)
    values = point_values(device, inputs, observed("x1", 6.0, [6.01] * 4))
    assert values.model is not None
    assert values.ratio_error is not None
    drawn = ratio_error(values.model, Draws({}, 0, trials=1))[0]
    assert drawn == pytest.approx(float(values.ratio_error.nominal_value), abs=1e-12)


def test_parts_of_reading_and_of_range_are_one_bound(bench: Bench) -> None:
    """JCGM 100:2008, 4.3.7, example 2: 14e-6 of the reading and 2e-6 of the 1 V range at 0.928 571 V are a half-width of 15 uV, and u = 8.7 uV."""
    scale = (
        bench.entry("reference").ranges[0].model_copy(update={"full_scale": 1.0, "of_reading": 14e-6, "of_range": 2e-6})
    )
    inputs, reading = InputQuantities(bench, RUN_DATE), 0.928571
    entry = bench.entry("reference").model_copy(update={"drift_per_year": 0.0})
    off, offset = reading_error(inputs, "voltmeter", entry, scale, reading, 50.0)
    found = (reading * (1 + off.uncertain) + offset).std_dev
    assert found == pytest.approx(15e-6 / math.sqrt(3), rel=1e-6)
    assert round(found * 1e6, 1) == 8.7
