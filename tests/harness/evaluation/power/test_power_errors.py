"""Power errors and the phase displacement behind them, against published numbers and an independent library."""

import csv
import math
from dataclasses import replace
from pathlib import Path

import GTC
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from uncertainties import correlation_matrix

from harness.evaluation.power.phase_displacement import phase_found, phases_found
from harness.evaluation.power.power_errors import ANALYSER, KNOWN_LOAD, PowerValues, power_values
from harness.evaluation.range_evaluation import evaluate_ranges
from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.evaluation.validation.models import phase_displacement, power_error
from harness.evaluation.validation.monte_carlo import Draws
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.loading import parse_bench, parse_device
from tests.harness.evaluation.conftest import BENCH, DEVICE, RUN_DATE, observed, recalibrated
from tests.in_words import in_words

VOLTAGE = 230.0
PUBLISHED = Path(__file__).parents[3] / "reference" / "ct_phase_power_error_table.csv"


def _tangent(power_factor: float) -> float:
    return math.copysign(math.tan(math.acos(abs(power_factor))), power_factor)


def _values(
    device: Device,
    inputs: InputQuantities,
    power_factor: float,
    *,
    error: float = 0.0,
    displacement: float = 0.0,
    current: float = 10.0,
    seen_by_reference: float = 0.0,
    rng: str = "x1",
) -> PowerValues:
    """A point of a meter with a ratio error and a phase displacement (rad), read by an analyser behind 20:1.

    `seen_by_reference`: the phase displacement of the reference transformer, which the analyser cannot know of.
    """
    angle = math.copysign(math.acos(abs(power_factor)), power_factor)
    factor = device.range_named(rng).display_factor
    apparent = VOLTAGE * current
    also = {
        "reference_voltage": VOLTAGE,
        "reference_power": apparent * math.cos(angle - seen_by_reference) / 20,
        "reference_phase": angle - seen_by_reference,
        "displayed_power": apparent * (1 + error) * math.cos(angle - displacement) / factor,
        "displayed_power_factor": math.cos(angle - displacement),
    }
    point = observed(
        rng,
        current,
        [current * (1 + error) / factor] * 4,
        direction="single",
        power_factor=power_factor,
        also=also,
        name=f"{rng} {current} A at {power_factor}",
    )
    found = power_values(device, inputs, point_values(device, inputs, point))
    assert found is not None
    return found


def test_power_error_of_one_degree_as_published(power_device: Device, power_bench: Bench) -> None:
    """A metering knowledge-base article: 1 degree makes 0.02 to 3.01 % at power factors of 1 to 0.5.

    Half a unit of its last digit is allowed for the printed error, and as much of the printed kW.
    """
    inputs = InputQuantities(power_bench, RUN_DATE)
    with PUBLISHED.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 6
    for row in rows:
        found = _values(power_device, inputs, float(row["pf"]), displacement=math.radians(1))
        error = float(found.power_error.nominal_value)
        assert abs(error) * 100 == pytest.approx(float(row["published_err_pct_abs"]), abs=0.0051)
        assert 1 + error == pytest.approx(float(row["measured_kW"]) / float(row["true_kW"]), abs=1e-5)


def test_phase_displacement_from_two_power_factors(power_device: Device, power_bench: Bench) -> None:
    """The same table the other way round: from the powers at 1 and 0.5 the degree comes back, and foretells the rest."""
    inputs = InputQuantities(power_bench, RUN_DATE)
    points = [_values(power_device, inputs, pf, displacement=math.radians(1)) for pf in (1.0, 0.5, 0.9, 0.6)]
    found = phase_found(points)
    assert found is not None
    assert math.degrees(float(found.displacement.nominal_value)) == pytest.approx(1.0, abs=1e-9)
    assert float(found.common_error.nominal_value) == pytest.approx(0.0, abs=1e-12)
    foretold = {round(f.power_factor, 3): float(f.foretold.nominal_value) for f in found.foretold}
    # The exact signed values behind the published table.
    assert foretold[0.9] * 100 == pytest.approx(0.830, abs=0.0005)
    assert foretold[0.6] * 100 == pytest.approx(2.312, abs=0.0005)
    assert foretold[0.7] * 100 == pytest.approx(1.765, abs=0.0005)


@pytest.mark.parametrize(
    ("ratio", "minutes", "exact"),
    # Corner cases of IEC 61869-2 classes 0.2, 0.5 and 1 at power factor 0.5 lagging, computed from the exact formula.
    [(0.002, 10, 0.0070442), (0.005, 30, 0.0201521), (0.01, 60, 0.0403769)],
)
def test_power_error_at_the_corner_of_a_class(
    power_device: Device, power_bench: Bench, ratio: float, minutes: float, exact: float
) -> None:
    """e_P = (1 + e) cos(phi - delta) / cos(phi) - 1, near the textbook's e + delta tan(phi)."""
    inputs = InputQuantities(power_bench, RUN_DATE)
    found = _values(power_device, inputs, 0.5, error=ratio, displacement=math.radians(minutes / 60))
    assert float(found.power_error.nominal_value) == pytest.approx(exact, abs=1e-7)
    linear = ratio + math.radians(minutes / 60) * math.tan(math.acos(0.5))
    assert float(found.power_error.nominal_value) == pytest.approx(linear, rel=0.006)


@given(
    error=st.floats(-0.05, 0.05),
    displacement=st.floats(-0.05, 0.05),
    further=st.sampled_from([-0.8, -0.5, 0.25, 0.8]),
)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=40)
def test_a_third_power_factor_agrees_with_what_two_foretell(
    power_device: Device, power_bench: Bench, error: float, displacement: float, further: float
) -> None:
    inputs = InputQuantities(power_bench, RUN_DATE)
    points = [_values(power_device, inputs, pf, error=error, displacement=displacement) for pf in (1.0, 0.5, further)]
    found = phase_found(points)
    assert found is not None
    assert float(found.displacement.nominal_value) == pytest.approx(displacement, abs=1e-9)
    assert float(found.common_error.nominal_value) == pytest.approx(error, abs=1e-9)
    measured = [f for f in found.foretold if f.measured is not None]
    assert len(measured) == 1
    assert float((measured[0].measured - measured[0].foretold).nominal_value) == pytest.approx(0.0, abs=1e-9)


def test_uncertainty_and_covariance_as_another_library_has_them(power_device: Device, power_bench: Bench) -> None:
    """GTC 1.5, from the analyser's sheet: what the two powers share cancels in the angle and stays in the common error."""
    inputs = InputQuantities(power_bench, RUN_DATE)
    found = phase_found([_values(power_device, inputs, pf, error=0.002, displacement=0.003) for pf in (1.0, 0.5)])
    assert found is not None

    def bound(half_width: float) -> object:
        return GTC.ureal(0.0, GTC.tb.uniform(half_width))

    gain, alpha, drift = bound(1e-3), bound(math.radians(0.02)), bound(2e-4 * 182 / 365.25)
    factor = 20 * (1 + GTC.ureal(0.0, 0.0005 / 2))

    def error(power_factor: float) -> tuple[object, object]:
        angle = math.acos(power_factor)
        tangent = GTC.tan(angle + alpha)
        read = VOLTAGE * 10 * power_factor / 20
        power = factor * (read * (1 + gain + drift - alpha * tangent) + bound(0.0005))
        shown = VOLTAGE * 10 * 1.002 * math.cos(angle - 0.003) + bound(0.05)
        return shown / power - 1, tangent

    (e_1, t_1), (e_2, t_2) = error(1.0), error(0.5)
    b = (e_2 - e_1) / (t_2 - t_1)
    a = 1 + e_1 - b * t_1
    displacement, common = GTC.atan2(b, a), GTC.sqrt(a * a + b * b) - 1
    assert float(found.displacement.std_dev) == pytest.approx(displacement.u, rel=1e-6)
    assert float(found.common_error.std_dev) == pytest.approx(common.u, rel=1e-6)
    # The analyser's own angle goes straight into the displacement found: it can never be better than that.
    assert float(found.displacement.std_dev) >= math.radians(0.02) / math.sqrt(3)
    # The gain of 0.1 % is common to both and drops out of the angle.
    assert float(found.displacement.std_dev) < 0.5 * 1e-3 / math.sqrt(3) / math.tan(math.acos(0.5)) * 2


def test_the_budget_of_a_phase_displacement(power_device: Device, power_bench: Bench) -> None:
    """An angle the instruments add is found as displacement, one for one; a gain common to both powers is not.

    From e_P = c + delta tan(phi), textbook of instrument transformers. JCGM 100:2008, 5.1.2: contributions add in squares.
    """
    inputs = InputQuantities(
        recalibrated(power_bench, [{"current": "10 A", "phase_uncertainty": "0.03 deg"}]), RUN_DATE
    )
    points = {f"at {pf}": _values(power_device, inputs, pf, error=0.002, displacement=0.003) for pf in (1.0, 0.5)}
    found = phase_found(list(points.values()))
    assert found is not None
    lines = {
        line.source: line
        for line in inputs.budget(found.displacement, {name: p.power_error for name, p in points.items()})
    }
    assert {source for source, line in lines.items() if line.shared} == {
        "reference power: angle of its channels",
        "reference transformer T-0415 at 10 A: phase displacement",
    }
    assert all(abs(line.sensitivity) == pytest.approx(1, rel=1e-4) for line in lines.values() if line.shared)
    # delta = (e_2 - e_1) / tan(60 deg): half a step of 0.1 W in the 1150 W shown at 0.5, and in the 2300 W shown at 1.
    step = 0.05 / math.sqrt(3) / math.tan(math.radians(60))
    assert lines["resolution of the power displayed, at 0.5"].contribution == pytest.approx(step / 1150, rel=0.02)
    assert lines["resolution of the power displayed, at 1.0"].contribution == pytest.approx(step / 2300, rel=0.02)
    # With the two angles as their sheets state them, 0.03 degrees at k = 2 and a bound of 0.02, and half a step of 1 mW in the reference.
    angles = math.hypot(math.radians(0.03) / 2, math.radians(0.02) / math.sqrt(3))
    steps = [step / 1150, step / 2300, step / 100 / 57.5, step / 100 / 115]
    assert float(found.displacement.std_dev) == pytest.approx(math.hypot(angles, *steps), rel=1e-4)


def test_a_known_displacement_of_the_reference_transformer_is_taken_out(
    power_device: Device, power_bench: Bench
) -> None:
    """IEC 61869: with its secondary leading by beta the analyser sees the angle phi - beta; the meter is not to blame."""
    beta = math.radians(0.5)
    row = {"current": "10 A", "phase_displacement": "0.5 deg", "phase_uncertainty": "0.02 deg"}
    inputs = InputQuantities(recalibrated(power_bench, [row]), RUN_DATE)
    found = _values(power_device, inputs, 0.5, seen_by_reference=beta)
    assert float(found.power_error.nominal_value) == pytest.approx(0.0, abs=1e-12)
    assert found.power_factor == pytest.approx(0.5)
    uncorrected = _values(power_device, InputQuantities(power_bench, RUN_DATE), 0.5, seen_by_reference=beta)
    assert abs(float(uncorrected.power_error.nominal_value)) > 0.01


@pytest.mark.parametrize("power_factor", [0.5, -0.5])
def test_the_sign_of_a_known_load_is_that_of_its_angle(
    power_device: Device, power_bench: Bench, power_factor: float
) -> None:
    """A leading current (negative) has a negative angle: sign convention of IEC 62053-23 and of the bench file."""
    text = BENCH.replace(
        'profile = "scpi_load"\naddress = "TCPIP::127.0.0.1::1::SOCKET"',
        f'profile = "person"\nshelf = [{{ name = "choke", current = "10 A", power_factor = {power_factor}, '
        "power_factor_uncertainty = 0.002, sinusoidal = true }]",
    ).replace('drift_per_year = "0.02 %/year"', 'voltage = { of_reading = "0.1 %", resolution = "100 mV" }')
    text = text.replace('temperature_coefficient = "0.001 %/K"\n', "")
    inputs = InputQuantities(parse_bench(text, "bench.toml"), RUN_DATE)
    also = {"reference_voltage": 230.0, "displayed_power": 1150.0}
    point = observed("x1", 10.0, [10.0] * 4, direction="single", also=also)
    found = power_values(power_device, inputs, point_values(power_device, inputs, point))
    assert found is not None
    assert float(getattr(found.tangent, "nominal_value", found.tangent)) == pytest.approx(
        math.copysign(math.sqrt(3), power_factor)
    )


def test_power_that_an_unknown_angle_of_the_path_hides_is_said_to_be_hidden_by_it(
    power_device: Device, power_bench: Bench
) -> None:
    """A certificate without phase displacements: the analyser's power is that of the secondary, and says nothing of the primary's."""
    bench = recalibrated(power_bench, [{"current": at} for at in ("0.1 A", "100 A")])
    point = replace(
        observed(
            "x1",
            10.0,
            [10.0] * 4,
            direction="single",
            power_factor=1.0,
            also={"reference_voltage": VOLTAGE, "reference_power": VOLTAGE * 10 / 20, "displayed_power": VOLTAGE * 10},
        ),
        power_asked=True,
    )
    outcome = evaluate_ranges(power_device, bench, [point], [], RUN_DATE)
    assert not outcome.ranges[0].power
    said = "x1: power was to be read and was not: nothing is known of the phase displacement of reference transformer T-0415"
    assert said in in_words(outcome.reasons)


def test_a_leading_current_turns_the_sign_of_the_angle(power_device: Device, power_bench: Bench) -> None:
    """Reactive sign: a displacement that raises power at a lagging load lowers it at a leading one."""
    inputs = InputQuantities(power_bench, RUN_DATE)
    lagging, leading = (_values(power_device, inputs, pf, displacement=0.01) for pf in (0.8, -0.8))
    assert float(lagging.power_error.nominal_value) == pytest.approx(0.0075, abs=1e-4)
    assert float(leading.power_error.nominal_value) == pytest.approx(-0.0075, abs=1e-4)
    assert leading.power_factor == pytest.approx(-0.8)


def test_a_winding_connected_the_wrong_way_round_reads_negative_power(power_device: Device, power_bench: Bench) -> None:
    """Half a turn of phase: the current reads right, the power has the other sign."""
    inputs = InputQuantities(power_bench, RUN_DATE)
    points = [_values(power_device, inputs, pf, displacement=math.pi) for pf in (1.0, 0.5)]
    assert float(points[0].power_error.nominal_value) == pytest.approx(-2.0)
    found = phase_found(points)
    assert found is not None
    assert abs(math.degrees(float(found.displacement.nominal_value))) == pytest.approx(180.0, abs=1e-6)


@pytest.mark.parametrize("turned", [0.5, 1.9, 2.2, -2.5])
def test_a_phase_displacement_that_fails_is_a_reason_however_large(power_bench: Bench, turned: float) -> None:
    """Two lagging loads: turned by 126 degrees power may keep its sign (cosines), and then nothing else would say why the range fails."""
    claim = 'counts = 2\nphase_displacement = "1 deg"'
    shown = 'resolution = "1 mA"\npower_resolution = "0.1 W"\n'
    device = parse_device(DEVICE.replace("counts = 2", claim).replace('resolution = "1 mA"\n', shown), "device.toml")
    inputs = InputQuantities(power_bench, RUN_DATE)
    points = [_values(device, inputs, pf, displacement=turned, current=5.0) for pf in (0.5, 0.2)]
    outcome = evaluate_ranges(device, power_bench, [p.observed for p in points], [], RUN_DATE)
    assert [p.displacement.verdict for p in outcome.ranges[0].phase] == ["fail"]
    (told,) = (reason for reason in outcome.reasons if reason.code == "phase-not-passed")
    assert told.values["value"] == pytest.approx(turned)
    assert told.values["judgement"] == "does not meet the claim"


def test_what_is_told_of_powers_and_of_a_phase_displacement(power_device: Device, power_bench: Bench) -> None:
    """e_P = (1 + e) cos(phi - delta) / cos(phi) - 1 at every load, elementary trigonometry; the correlation as `uncertainties` itself has it."""
    inputs = InputQuantities(power_bench, RUN_DATE)
    asked = (1.0, 0.5, 0.9, -0.8)
    points = [_values(power_device, inputs, pf, error=0.002, displacement=0.003) for pf in asked]
    found = evaluate_ranges(power_device, power_bench, [p.observed for p in points], [], RUN_DATE).ranges[0]
    for told, pf in zip(found.power, asked, strict=True):
        angle = math.copysign(math.acos(abs(pf)), pf)
        shown = math.cos(angle - 0.003)
        assert (told.name, told.nominal_current, told.nominal_power_factor) == (f"x1 10.0 A at {pf}", 10.0, pf)
        assert (told.basis, told.reference_current, told.apparent_power) == (
            ANALYSER,
            pytest.approx(10.0),
            pytest.approx(2300.0),
        )
        assert told.power_factor == pytest.approx(pf)
        assert told.reference_power == pytest.approx(2300 * abs(pf))
        assert told.indicated_power == pytest.approx(2300 * 1.002 * shown)
        assert told.power_error.value == pytest.approx(1.002 * shown / abs(pf) - 1)
        assert told.apparent_power_error is not None
        assert told.power_factor_error is not None
        assert told.apparent_power_error.value == pytest.approx(0.002)
        assert told.power_factor_error.value == pytest.approx(shown - abs(pf))
        assert "resolution of the power displayed" in {line.source for line in told.budget}
    (phase,) = found.phase
    assert (phase.nominal_current, phase.found_from) == (10.0, (points[0].observed.name, points[1].observed.name))
    assert (phase.displacement.value, phase.common_error.value) == pytest.approx((0.003, 0.002))
    directly = phase_found(points)
    assert directly is not None
    matrix = correlation_matrix([directly.displacement, directly.common_error])
    assert phase.correlation == pytest.approx(matrix[0][1], rel=1e-6)
    measured = {round(f.power_factor, 6): f for f in phase.foretold if f.measured is not None}
    assert sorted(measured) == [-0.8, 0.9]
    assert all(f.normalized_error == pytest.approx(0.0, abs=1e-6) for f in measured.values())
    assert sum(line.source.startswith("resolution of the power displayed, at ") for line in phase.budget) == 2


def test_power_that_the_phase_does_not_explain_is_a_reason(power_device: Device, power_bench: Bench) -> None:
    """E_n beyond 2 is no chance (ISO/IEC 17043 calls 1 satisfactory); the one farthest beyond is named, here 5 % at 10 A before 0.1 % at 50 A."""
    inputs = InputQuantities(power_bench, RUN_DATE)
    points = [
        _values(power_device, inputs, pf, error=error, current=current)
        for current, off in ((50.0, 0.001), (10.0, 0.05))
        for pf, error in ((1.0, 0.0), (0.5, 0.0), (-0.8, off), (0.9, 0.0))
    ]
    outcome = evaluate_ranges(power_device, power_bench, [p.observed for p in points], [], RUN_DATE)
    (told,) = (reason for reason in outcome.reasons if reason.code == "power-not-predicted")
    assert (told.range, told.values["current"]) == ("x1", 10.0)
    assert told.values["power_factor"] == pytest.approx(-0.8)
    (measured,) = (f for f in outcome.ranges[0].phase[1].foretold if f.measured is not None and f.power_factor < 0)
    assert measured.measured is not None
    assert measured.measured.value == pytest.approx(0.05)
    assert told.values["normalized_error"] == measured.normalized_error


@pytest.mark.parametrize(
    ("read", "asked", "wrong"),
    [
        (0.8, 0.82, False),
        (0.8, 0.84, True),
        (0.8, 0.76, True),
        (0.8, -0.8, True),
        (0.98, -0.98, False),
        (1.0, 0.98, False),
    ],
)
def test_a_load_at_another_power_factor_than_asked_for_is_a_reason(
    power_device: Device, power_bench: Bench, read: float, asked: float, wrong: bool
) -> None:
    """Beyond 0.03, or on the other side of unity where the sides can be told apart (a judgement of the program's)."""
    inputs = InputQuantities(power_bench, RUN_DATE)
    point = replace(_values(power_device, inputs, read).observed, power_factor=asked)
    free = replace(_values(power_device, inputs, 0.5).observed, power_factor=None)
    outcome = evaluate_ranges(power_device, power_bench, [point, free], [], RUN_DATE)
    told = [reason.values for reason in outcome.reasons if reason.code == "other-power-factor"]
    expected = {"nominal": asked, "power_factor": pytest.approx(read), "other": 1, "points": 2}
    assert told == ([expected] if wrong else [])


@pytest.mark.parametrize("uncertainty", [None, 0.002])
def test_a_load_set_by_wire_tells_a_power_only_where_the_bench_file_vouches_for_it(
    power_device: Device, power_bench: Bench, uncertainty: float | None
) -> None:
    """230 V, 10 A and a power factor of 0.5 are 1150 W (elementary), known no better than the power factor is."""
    reference = power_bench.entry("reference").model_copy(update={"power": None})
    load = power_bench.entry("load").model_copy(update={"power_factor_uncertainty": uncertainty})
    named = {power_bench.roles.reference: reference, power_bench.roles.load: load}
    bench = power_bench.model_copy(update={"instruments": {**power_bench.instruments, **named}})
    inputs = InputQuantities(bench, RUN_DATE)
    also = {"reference_voltage": 230.0, "displayed_power": 1161.5}
    point = observed("x1", 10.0, [10.0] * 4, direction="single", power_factor=0.5, also=also)
    found = power_values(power_device, inputs, point_values(power_device, inputs, point))
    if uncertainty is None:
        assert found is None
        return
    assert found is not None
    assert (found.basis, found.angle_known) == (KNOWN_LOAD, True)
    assert float(found.reference_power.nominal_value) == pytest.approx(1150.0)
    assert float(found.power_error.nominal_value) == pytest.approx(0.01)
    units = {line.source: line.unit for line in inputs.budget(found.power_error)}
    assert (units["resolution of the voltage"], units["resolution of the power displayed"]) == ("V", "W")
    (line,) = (line for line in inputs.budget(found.power_error) if "power factor 0.5" in line.source)
    assert line.contribution == pytest.approx(1.01 * 0.001 / 0.5)


def test_a_check_load_reads_ten_times_as_much_on_a_ten_turn_range(power_device: Device, power_bench: Bench) -> None:
    """0.18 A, 32.6 W, power factor 0.75 (common practice, no published source): ten turns show 1.8 A and 326 W."""
    inputs = InputQuantities(power_bench, RUN_DATE)
    voltage = 32.6 / (0.18 * 0.75)
    also = {
        "reference_voltage": voltage,
        "reference_power": 32.6 / 20,
        "reference_phase": math.acos(0.75),
        "displayed_power": 326.0,
        "displayed_power_factor": 0.75,
    }
    point = observed("x10", 0.18, [1.8] * 4, direction="single", power_factor=0.75, also=also)
    found = power_values(power_device, inputs, point_values(power_device, inputs, point))
    assert found is not None
    assert found.basis == ANALYSER
    assert float(found.power_error.nominal_value) == pytest.approx(0.0, abs=1e-9)
    assert float(found.indicated_power.nominal_value) == pytest.approx(32.6)
    assert found.apparent_power_error is not None
    assert float(found.apparent_power_error.nominal_value) == pytest.approx(0.0, abs=1e-9)
    assert found.power_factor_error is not None
    assert float(found.power_factor_error.nominal_value) == pytest.approx(0.0, abs=1e-9)


def test_power_from_voltage_current_and_a_known_load(power_device: Device) -> None:
    """Without a power reading: a heater whose power factor is 1 within 0.002; GTC for the uncertainty."""
    shelf = (
        'profile = "person"\nshelf = [{ name = "heater", current = "10 A", power_factor = 1.0, '
        "power_factor_uncertainty = 0.002 }]"
    )
    text = BENCH.replace('profile = "scpi_load"\naddress = "TCPIP::127.0.0.1::1::SOCKET"', shelf)
    text = text.replace(
        'drift_per_year = "0.02 %/year"', 'voltage = { of_reading = "0.1 %", resolution = "100 mV" }'
    ).replace('temperature_coefficient = "0.001 %/K"\n', "")
    inputs = InputQuantities(parse_bench(text, "bench.toml"), RUN_DATE)
    also = {"reference_voltage": 231.0, "displayed_power": 2310.0}
    point = observed("x1", 10.0, [10.0] * 4, direction="single", also=also)
    found = power_values(power_device, inputs, point_values(power_device, inputs, point))
    assert found is not None
    assert found.basis == KNOWN_LOAD

    def bound(half_width: float) -> object:
        return GTC.ureal(0.0, GTC.tb.uniform(half_width))

    current = 20 * (1 + GTC.ureal(0.0, 0.00025)) * (0.5 + bound(8e-4 * 0.5 + 2e-4) + bound(5e-7))
    power = (231.0 * (1 + bound(1e-3)) + bound(0.05)) * current * (1 + GTC.ureal(0.0, 0.001))
    error = (2310.0 + bound(0.05)) / power - 1
    assert float(found.power_error.nominal_value) == pytest.approx(error.x, abs=1e-12)
    assert float(found.power_error.std_dev) == pytest.approx(error.u, rel=1e-6)


def test_power_factors_too_much_alike_give_no_angle(power_device: Device, power_bench: Bench) -> None:
    inputs = InputQuantities(power_bench, RUN_DATE)
    for alike in ((1.0, 0.95), (0.9, 0.8), (-0.9, -0.8)):
        assert phase_found([_values(power_device, inputs, pf) for pf in alike]) is None
    assert phases_found([]) == []


def test_every_current_has_an_angle_of_its_own(power_device: Device, power_bench: Bench) -> None:
    inputs = InputQuantities(power_bench, RUN_DATE)
    points = [
        _values(power_device, inputs, pf, displacement=displacement, current=current)
        for current, displacement in ((5.0, 0.002), (50.0, 0.001))
        for pf in (1.0, 0.5)
    ]
    found = {f.nominal_current: float(f.displacement.nominal_value) for f in phases_found(points)}
    assert found == {5.0: pytest.approx(0.002), 50.0: pytest.approx(0.001)}


def test_a_point_without_power_has_none(power_device: Device, power_bench: Bench, device: Device) -> None:
    inputs = InputQuantities(power_bench, RUN_DATE)
    bare = observed("x1", 10.0, [10.0] * 4, direction="single")
    assert power_values(power_device, inputs, point_values(power_device, inputs, bare)) is None
    zero = observed("x1", 0.0, [0.0] * 4, direction="zero", also={"displayed_power": 0.0})
    assert power_values(power_device, inputs, point_values(power_device, inputs, zero)) is None


def test_the_tangent_without_an_angle_read_comes_from_power_and_apparent_power(
    power_device: Device, power_bench: Bench
) -> None:
    """cos(phi) = P / S, with the sign the load was asked for."""
    inputs = InputQuantities(power_bench, RUN_DATE)
    for asked in (0.5, -0.8):
        also = {
            "reference_voltage": VOLTAGE,
            "reference_power": VOLTAGE * 10 * abs(asked) / 20,
            "displayed_power": VOLTAGE * 10 * abs(asked),
        }
        point = observed("x1", 10.0, [10.0] * 4, direction="single", power_factor=asked, also=also)
        found = power_values(power_device, inputs, point_values(power_device, inputs, point))
        assert found is not None
        assert float(found.tangent.nominal_value) == pytest.approx(_tangent(asked), rel=1e-9)
        assert inputs.stated(found.tangent).expanded_uncertainty > 0


def test_both_ways_of_writing_the_model_down_agree(power_device: Device, power_bench: Bench) -> None:
    """JCGM 101:2008, 5.9: the exact model the trials draw from, at its estimates and a little beside them, against the
    derivatives that the law of propagation uses."""
    inputs = InputQuantities(power_bench, RUN_DATE)
    near, far = (_values(power_device, inputs, pf, error=0.002, displacement=0.004) for pf in (1.0, 0.5))
    assert near.model is not None
    assert far.model is not None
    nothing = Draws({}, 0, trials=1)
    assert power_error(far.model, nothing)[0] == pytest.approx(float(far.power_error.nominal_value), abs=1e-12)
    found = phase_found([near, far])
    assert found is not None
    angle = phase_displacement(near.model, far.model, nothing)[0]
    assert angle == pytest.approx(math.degrees(float(found.displacement.nominal_value)) * 60, abs=1e-9)
    for variable, derivative in far.power_error.derivatives.items():
        step = 1e-3 * variable.std_dev
        moved = power_error(far.model, _Moved(variable, step))[0] - power_error(far.model, nothing)[0]
        assert moved / step == pytest.approx(derivative, rel=2e-3), inputs.sources[variable].name


class _Moved(Draws):
    """One input off its estimate, every other one on it."""

    def __init__(self, variable: object, step: float) -> None:
        super().__init__({}, 0, trials=1)
        self._moved = (variable, step)

    def __call__(self, variable: object) -> float:
        return self._moved[1] if variable is self._moved[0] else 0.0
