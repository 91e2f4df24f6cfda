"""A point's ratio error and its budget, against an independent library and what a budget must and must not hold."""

import dataclasses
import datetime as dt
import math

import GTC
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from uncertainties import covariance_matrix

from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.uncertainty.gum_formulas import effective_degrees_of_freedom
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.device import Device
from tests.harness.evaluation.conftest import RUN_DATE, observed, recalibrated


def _lines(inputs: InputQuantities, error: object) -> dict[str, float]:
    return {line.source: line.contribution for line in inputs.budget(error)}


def test_ratio_error_of_a_meter_reading_one_percent_low(device: Device, bench: Bench) -> None:
    """IEC 61869-2 (value from memory): ratio error is (indicated - true) / true; 49.5 A shown at 50 A is -1 %."""
    inputs = InputQuantities(bench, RUN_DATE)
    found = point_values(device, inputs, observed("x1", 50.0, [49.5] * 4))
    assert found.ratio_error is not None
    assert float(found.ratio_error.nominal_value) == pytest.approx(-0.01)
    ten = point_values(device, inputs, observed("x10", 5.0, [49.5] * 4))
    assert ten.ratio_error is not None
    assert float(ten.ratio_error.nominal_value) == pytest.approx(-0.01)
    assert float(ten.indicated.nominal_value) == pytest.approx(4.95)


GAIN = {1.0: 8e-4, 10.0: 1e-3}
STEP = {1.0: 1e-6, 10.0: 1e-5}
CERTIFICATE = ((2.0, -1.2e-3, 6e-4), (20.0, -4e-4, 4e-4), (200.0, -1e-4, 5e-4))
"""Of the reference transformer: amperes, ratio error, expanded uncertainty (k = 2)."""


def _there(points: list[tuple[float, float, list[float]]]) -> list[object]:
    """Ratio errors in GTC's arithmetic, from the specification sheet of the bench in conftest, at (A, factor, displayed)."""

    def bound(half_width: float) -> object:
        return GTC.ureal(0.0, GTC.tb.uniform(half_width))

    gain = {s: bound(g) for s, g in GAIN.items()}
    offset = {s: bound(2e-4 * s) for s in GAIN}
    both = {s: bound(math.sqrt(2 * g * 2e-4)) for s, g in GAIN.items()}
    drift = bound(2e-4 * 182 / 365.25)
    certificate = [(at, GTC.ureal(error, uncertainty / 2)) for at, error, uncertainty in CERTIFICATE]
    bows = [bound(1.0), bound(1.0)]
    errors = []
    for current, display_factor, displayed in points:
        scale = 1.0 if current <= 19 else 10.0
        at = current / 20
        reading = (
            at * (1 + gain[scale] + both[scale] * math.sqrt(scale / at) + drift)
            + offset[scale]
            + bound(STEP[scale] / 2)
        )
        # The reference repeats exactly here, so the residuals about the ratio of means are those of the display.
        shown = GTC.ta.estimate(displayed) if len(set(displayed)) > 1 else displayed[0]
        indicated = (shown + bound(0.001 / 2)) * display_factor
        low = 0 if current < 20 else 1
        (a, before), (b, after) = certificate[low : low + 2]
        w = math.log(current / a) / math.log(b / a)
        # No better known between two currents than at them; a monotonic curve bows by half of what it falls at the most.
        parts = (1 - w) * GTC.uncertainty(before), w * GTC.uncertainty(after)
        wider = sum(parts) / math.hypot(*parts)
        known = (1 - w) * GTC.value(before) + w * GTC.value(after)
        path = known + wider * ((1 - w) * (before - GTC.value(before)) + w * (after - GTC.value(after)))
        path += bows[low] * 4 * w * (1 - w) * abs(GTC.value(after) - GTC.value(before)) / 2
        errors.append(indicated * (1 + path) / (20 * reading) - 1)
    return errors


def test_points_and_what_they_share_as_another_library_has_them(device: Device, bench: Bench) -> None:
    """GTC 1.5: value, uncertainty and degrees of freedom of each point, and every covariance between points.

    Two points on one range of the reference, one on the other: they share different inputs.
    """
    shown = [[5.012, 5.009, 5.011, 5.010], [29.99, 29.985, 29.987, 29.991], [50.1, 50.2, 50.15, 50.12]]
    rows = [
        {"current": f"{at:g} A", "ratio_error": f"{100 * error:g} %", "uncertainty": f"{100 * uncertainty:g} %"}
        for at, error, uncertainty in CERTIFICATE
    ]
    inputs = InputQuantities(recalibrated(bench, rows), RUN_DATE)
    here = [
        point_values(device, inputs, observed(rng, current, displayed)).ratio_error
        for rng, current, displayed in zip(("x1", "x10", "x1"), (5.0, 3.0, 50.0), shown, strict=True)
    ]
    there = _there([(5.0, 1.0, shown[0]), (3.0, 0.1, shown[1]), (50.0, 1.0, shown[2])])
    matrix = covariance_matrix(here)
    for i, error in enumerate(there):
        assert float(here[i].nominal_value) == pytest.approx(GTC.value(error), rel=1e-9)
        assert matrix[i][i] == pytest.approx(GTC.variance(error), rel=1e-9)
        parts = inputs.contributions(here[i])
        # Each stands on repeated readings and on bounds, so the number is finite and above the 3 of the readings.
        assert 3 < effective_degrees_of_freedom(parts) < 1e7
        assert effective_degrees_of_freedom(parts) == pytest.approx(GTC.dof(error), rel=1e-6)
        # A budget that leaves out a line does not come to the whole (JCGM 100:2008, 5.1.2).
        assert math.hypot(*_lines(inputs, here[i]).values()) == pytest.approx(GTC.uncertainty(error), rel=1e-9)
        for j in range(i):
            assert matrix[i][j] == pytest.approx(GTC.get_covariance(error, there[j]), rel=1e-9)
    # On one range of the reference, and between the same calibrated currents, more is shared.
    assert matrix[0][1] > matrix[0][2] > 0


def test_wander_of_the_load_is_no_scatter(device: Device, bench: Bench) -> None:
    """What reference and device see alike cancels pair by pair: a load wandering by 10 % leaves no repeatability."""
    references = [2.50, 2.60, 2.75, 2.65]
    point = observed("x1", 50.0, [20 * r for r in references], references=references)
    inputs = InputQuantities(bench, RUN_DATE)
    assert _lines(inputs, point_values(device, inputs, point).ratio_error).get("repeatability", 0.0) < 1e-12


def test_scatter_between_reference_and_device_stays(device: Device, bench: Bench) -> None:
    """Four displayed values 0.1 A apart alternately: s = 0.0577 A, of the mean 0.0289 A, at 50 A 0.0577 %."""
    inputs = InputQuantities(bench, RUN_DATE)
    found = point_values(device, inputs, observed("x1", 50.0, [49.95, 50.05, 49.95, 50.05]))
    line = next(b for b in inputs.budget(found.ratio_error) if b.source == "repeatability")
    assert line.contribution == pytest.approx(0.1 / math.sqrt(3) / 2 / 50, rel=1e-9)
    assert line.degrees_of_freedom == 3
    assert not line.shared


def test_a_line_is_weighed_by_what_no_other_point_shares(device: Device, bench: Bench) -> None:
    """York et al. 2004: the weights are those of the points' own errors; what all share moves the line, not the weights."""
    references, displayed = [2.5, 2.51, 2.52, 2.53], [50.1, 50.2, 50.3, 50.9]
    point = observed("x1", 50.0, displayed, references=references)
    # Readings half a second apart on a current that rises by 0.2 A in a second, so every part a point can have of its own is there.
    pairs = tuple(p._replace(displayed_times=(i + 0.5, i + 0.6)) for i, p in enumerate(point.pairs))
    inputs = InputQuantities(bench, RUN_DATE)
    found = point_values(device, inputs, dataclasses.replace(point, pairs=pairs))
    # JCGM 100:2008, 4.2.3 (of what does not follow the reference) and 4.3.7 (rectangles: half a step of either display, 0.1 A).
    ratio = sum(displayed) / sum(references)
    scatter = GTC.ta.estimate([d - ratio * r for d, r in zip(displayed, references, strict=True)])
    step = GTC.tb.uniform(0.001 / 2)
    apart = GTC.tb.uniform(0.2 * 0.5) / math.sqrt(4)
    assert found.random_indicated == pytest.approx(math.hypot(GTC.uncertainty(scatter), step, apart), rel=1e-9)
    assert found.random_reference == pytest.approx(20 * GTC.tb.uniform(STEP[10.0] / 2), rel=1e-9)


def test_one_pair_has_only_its_resolutions(device: Device, bench: Bench) -> None:
    """JCGM 100:2008, 4.2.2: a single reading has no type A evaluation; nothing is invented in its place."""
    inputs = InputQuantities(bench, RUN_DATE)
    found = _lines(inputs, point_values(device, inputs, observed("x1", 50.0, [50.0])).ratio_error)
    assert "repeatability" not in found
    assert found["resolution of the display"] == pytest.approx(0.0005 / math.sqrt(3) / 50)


def test_drift_grows_with_the_time_since_calibration(device: Device, bench: Bench) -> None:
    """0.02 % a year as a bound: none on the day of calibration, a rectangle of 0.02 % after 365.25 days."""
    point = observed("x1", 50.0, [50.0] * 4)
    name = "reference: drift since calibration"
    fresh = InputQuantities(bench, dt.date(2026, 1, 1))
    assert name not in _lines(fresh, point_values(device, fresh, point).ratio_error)
    later = InputQuantities(bench, dt.date(2030, 1, 1))
    assert _lines(later, point_values(device, later, point).ratio_error)[name] == pytest.approx(
        4 * 2e-4 / math.sqrt(3), rel=1e-3
    )


def test_temperature_counts_only_away_from_that_of_calibration(device: Device, bench: Bench) -> None:
    """0.001 % per kelvin, 10 K away: a rectangle of 0.01 %."""
    point, name = observed("x1", 50.0, [50.0] * 4), "reference: temperature"
    inputs = InputQuantities(bench, RUN_DATE)
    assert name not in _lines(inputs, point_values(device, inputs, point).ratio_error)
    warm = bench.model_copy(update={"environment": bench.environment.model_copy(update={"temperature": 33.0})})
    inputs = InputQuantities(warm, RUN_DATE)
    assert _lines(inputs, point_values(device, inputs, point).ratio_error)[name] == pytest.approx(1e-4 / math.sqrt(3))


def test_the_place_of_the_lead_is_one_bound_for_the_whole_run(device: Device, bench: Bench) -> None:
    """Not moved during a run, it is one input of all points (JCGM 100:2008, F.1.2.3): a rectangle of 0.03 %, in common to both."""
    inputs = InputQuantities(recalibrated(bench, [{"current": "0.15 A"}, {"current": "50 A"}], position=3e-4), RUN_DATE)
    name = "reference path: position of the lead"
    points = [observed("x1", 50.0, [50.0] * 4), observed("x10", 0.15, [1.5] * 4)]
    errors = [point_values(device, inputs, p).ratio_error for p in points]
    for error in errors:
        line = next(b for b in inputs.budget(error) if b.source == name)
        assert line.standard_uncertainty == pytest.approx(3e-4 / math.sqrt(3))
        assert line.sensitivity == pytest.approx(1, rel=1e-2)
        assert (line.unit, line.shared, line.distribution) == ("1", True, "rectangular")
    # On different ranges of the reference, at two calibrated currents, nothing else is in common but the drift.
    drift = 2e-4 * 182 / 365.25 / math.sqrt(3)
    expected = 3e-4**2 / 3 + drift**2
    assert covariance_matrix(errors)[0][1] == pytest.approx(expected, rel=1e-6)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.floats(0.1, 100), st.floats(0.9, 1.1))
def test_a_line_of_a_budget_is_its_own_product(device: Device, bench: Bench, current: float, ratio: float) -> None:
    """EA-4/02 M, section 6 (value from memory): u_i(y) = c_i u(x_i); c of a display of amperes is one over the current.

    Half a step of 1 mA either way is a rectangle; the mean of two readings 2 mA apart has s / sqrt(2) = 1 mA (JCGM 100:2008, 4.2.3).
    """
    inputs = InputQuantities(bench, RUN_DATE)
    error = point_values(
        device, inputs, observed("x1", current, [current * ratio, current * ratio + 0.002])
    ).ratio_error
    lines = {line.source: line for line in inputs.budget(error)}
    expected = {"resolution of the display": 0.0005 / math.sqrt(3), "repeatability": 0.001}
    for source, uncertainty in expected.items():
        line = lines[source]
        assert (line.unit, line.standard_uncertainty) == ("A", pytest.approx(uncertainty, rel=1e-6))
        assert line.contribution == pytest.approx(uncertainty / current, rel=1e-6)


def test_readings_apart_in_time_cost_what_the_current_moved(device: Device, bench: Bench) -> None:
    """The reference climbs 1 % a second and the display is read half a second later: a bound of 0.5 %, over root n."""
    references = [2.5, 2.525, 2.55, 2.575]
    apart = observed("x1", 50.0, [50.0, 50.5, 51.0, 51.5], references=references)
    pairs = tuple(p._replace(displayed_times=(i + 0.5, i + 0.6)) for i, p in enumerate(apart.pairs))
    apart = dataclasses.replace(apart, pairs=pairs)
    inputs = InputQuantities(bench, RUN_DATE)
    found = _lines(inputs, point_values(device, inputs, apart).ratio_error)["pairing in time"]
    assert found == pytest.approx(0.5 * 0.5 / 50.75 / math.sqrt(3) / 2, rel=1e-6)


def test_an_unknown_range_of_the_reference_is_refused(device: Device, bench: Bench) -> None:
    """Without its accuracy a point would have too small an uncertainty."""
    point = dataclasses.replace(observed("x1", 50.0, [50.0]), reference_scale=3.0)
    with pytest.raises(ValueError, match="no range of 3"):
        point_values(device, InputQuantities(bench, RUN_DATE), point)


def test_a_silent_display_hides_up_to_its_threshold(device: Device, bench: Bench) -> None:
    """Zero shown with no current: anything below the 20 mA the display begins at may be there."""
    zero = dataclasses.replace(observed("x1", 0.0, [0.0] * 4, direction="zero"), nominal_current=0.0)
    found = point_values(device, InputQuantities(bench, RUN_DATE), zero)
    assert found.ratio_error is None
    assert float(found.indicated.std_dev) == pytest.approx(math.hypot(0.02, 0.0005) / math.sqrt(3), rel=1e-9)


@pytest.mark.parametrize("displayed", [[0.001, 0.003], [0.004, 0.002, 0.001, 0.005]])
def test_a_zero_point_as_another_library_has_it(device: Device, bench: Bench, displayed: list[float]) -> None:
    """GTC 1.5: mean and scatter of what is shown on ten turns, a tenth of it, and half a step as a rectangle."""
    inputs = InputQuantities(bench, RUN_DATE)
    zero = dataclasses.replace(observed("x10", 0.0, displayed, direction="zero"), nominal_current=0.0)
    found = point_values(device, inputs, zero).indicated
    there = 0.1 * (GTC.ta.estimate(displayed) + GTC.ureal(0.0, GTC.tb.uniform(0.0005)))
    assert float(found.nominal_value) == pytest.approx(GTC.value(there))
    assert float(found.std_dev) == pytest.approx(GTC.uncertainty(there), rel=1e-9)
    assert effective_degrees_of_freedom(inputs.contributions(found)) == pytest.approx(GTC.dof(there), rel=1e-6)
    assert {(line.unit, line.distribution) for line in inputs.budget(found)} == {("A", "normal"), ("A", "rectangular")}


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.floats(45, 55), min_size=2, max_size=8))
def test_the_order_of_the_pairs_means_nothing(device: Device, bench: Bench, displayed: list[float]) -> None:
    """A ratio of means with its scatter is the same backwards."""
    values = []
    for order in (displayed, displayed[::-1]):
        inputs = InputQuantities(bench, RUN_DATE)
        error = point_values(device, inputs, observed("x1", 50.0, order)).ratio_error
        assert error is not None
        values.append((float(error.nominal_value), float(error.std_dev)))
    assert values[0] == pytest.approx(values[1], rel=1e-9, abs=1e-12)


def _in_another_unit(device: Device, bench: Bench, unit: float) -> tuple[Device, Bench]:
    """The same meter and bench with every current stated in `unit` amperes."""
    display = device.display.model_copy(
        update={
            "resolution": device.display.resolution / unit,
            "smallest_readable_current": device.display.smallest_readable_current / unit,
        }
    )
    reference = bench.entry("reference")
    scales = tuple(
        r.model_copy(update={"full_scale": r.full_scale / unit, "resolution": r.resolution / unit})
        for r in reference.ranges
    )
    instruments = {**bench.instruments, bench.roles.reference: reference.model_copy(update={"ranges": scales})}
    part = bench.reference_path.part
    assert part is not None
    rows = tuple(c.model_copy(update={"current": c.current / unit}) for c in part.calibrated)
    path = bench.reference_path.model_copy(update={"part": part.model_copy(update={"calibrated": rows})})
    bench = bench.model_copy(update={"instruments": instruments, "reference_path": path})
    return device.model_copy(update={"display": display}), bench


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.floats(1e-3, 1e3), st.lists(st.floats(45, 55), min_size=1, max_size=6))
def test_a_ratio_has_no_unit(device: Device, bench: Bench, unit: float, displayed: list[float]) -> None:
    """A ratio error is a pure number: with every current in another unit it and its uncertainty stay."""
    references = [2.5 + 0.01 * i for i in range(len(displayed))]
    point = observed("x1", 50.0, displayed, references=references)
    inputs = InputQuantities(bench, RUN_DATE)
    before = point_values(device, inputs, point).ratio_error
    other_device, other_bench = _in_another_unit(device, bench, unit)
    pairs = tuple(p._replace(reference=p.reference / unit, displayed=p.displayed / unit) for p in point.pairs)
    scaled = dataclasses.replace(
        point, nominal_current=50.0 / unit, reference_scale=point.reference_scale / unit, pairs=pairs
    )
    other = InputQuantities(other_bench, RUN_DATE)
    after = point_values(other_device, other, scaled).ratio_error
    assert before is not None
    assert after is not None
    assert float(after.nominal_value) == pytest.approx(float(before.nominal_value), abs=1e-12)
    assert float(after.std_dev) == pytest.approx(float(before.std_dev), rel=1e-9)
    assert sorted(_lines(other, after).values()) == pytest.approx(
        sorted(_lines(inputs, before).values()), rel=1e-6, abs=1e-14
    )
