"""The angle of the load where no phase is read: from power and apparent power, from the shelf or from what it was set to."""

import math

import pytest

from harness.evaluation.power.phase_displacement import phases_found
from harness.evaluation.power.power_errors import PowerValues, power_values
from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.loading import parse_bench
from tests.harness.evaluation.conftest import BENCH, RUN_DATE, observed


def _angle_without_phase(
    device: Device, stated: str, cosine: float, channels: str = "0 deg", path: str = "0 deg"
) -> PowerValues:
    """A load off the shelf described by `stated`, its power and apparent power read in the ratio `cosine`, its phase not."""
    shelf = f'profile = "person"\nshelf = [{{ name = "lamp", current = "10 A"{stated} }}]'
    text = BENCH.replace('profile = "scpi_load"\naddress = "TCPIP::127.0.0.1::1::SOCKET"', shelf)
    shows = 'voltage = { of_reading = "0.1 %", resolution = "1 mV" }\n'
    shows += f'power = {{ of_reading = "0.1 %", resolution = "1 mW", phase = "{channels}" }}'
    text = text.replace('drift_per_year = "0.02 %/year"', shows).replace('temperature_coefficient = "0.001 %/K"\n', "")
    text = text.replace('phase_uncertainty = "0 deg"', f'phase_uncertainty = "{path}"')
    inputs = InputQuantities(parse_bench(text, "bench.toml"), RUN_DATE)
    also = {"reference_voltage": 230.0, "reference_power": 115 * cosine, "displayed_power": 2300.0 * cosine}
    point = observed("x1", 10.0, [10.0] * 4, direction="single", also=also)
    found = power_values(device, inputs, point_values(device, inputs, point))
    assert found is not None
    return found


@pytest.mark.parametrize("power_factor", [-0.5, 0.5])
def test_the_shelf_says_whether_a_sine_lags_or_leads(power_device: Device, power_factor: float) -> None:
    """P / S = 0.5 is 60 degrees either way (elementary); only the description tells which."""
    found = _angle_without_phase(power_device, f", power_factor = {power_factor}, sinusoidal = true", 0.5)
    assert found.angle_known
    assert float(found.tangent.nominal_value) == pytest.approx(math.copysign(math.sqrt(3), power_factor))
    assert found.power_factor == pytest.approx(power_factor)


@pytest.mark.parametrize(
    "stated", [", power_factor = -0.5", ", power_factor = -0.5, sinusoidal = false", ", sinusoidal = true"]
)
def test_what_is_no_sine_tells_no_angle(power_device: Device, stated: str) -> None:
    """A current in phase with the voltage, but with as much in harmonics, has P / S = 0.5 too (elementary): only a bound is left, and
    no phase displacement. So has a sine of which nobody knows whether it leads.
    """
    found = _angle_without_phase(power_device, stated, 0.5)
    assert not found.angle_known
    assert float(found.tangent.nominal_value) == 0.0
    assert float(found.tangent.std_dev) == pytest.approx(1.0, rel=1e-3)  # sqrt 3 as the bound of a rectangle
    assert abs(found.power_factor) == pytest.approx(0.5)
    resistive = _angle_without_phase(power_device, "", 0.999)
    assert resistive.angle_known
    assert phases_found([resistive, found]) == []


def test_an_unknown_angle_of_the_load_does_not_hide_that_of_the_channels(power_device: Device) -> None:
    """A power of a load at 60 degrees is off by tan 60 times the angle between an analyser's channels (elementary); where that angle
    of the load is only a bound it may be as much, and U may not be that of a resistive load.
    """
    without = _angle_without_phase(power_device, ", power_factor = 0.5", 0.5)
    turned = _angle_without_phase(power_device, ", power_factor = 0.5", 0.5, "0.1 deg")
    assert not turned.angle_known
    more = math.sqrt(float(turned.power_error.std_dev) ** 2 - float(without.power_error.std_dev) ** 2)
    assert more == pytest.approx(math.tan(math.radians(60)) * math.radians(0.1) / math.sqrt(3), rel=0.02)
    # And that of the path: 0.1 degrees at k = 2 there.
    path = _angle_without_phase(power_device, ", power_factor = 0.5", 0.5, path="0.1 deg")
    more = math.sqrt(float(path.power_error.std_dev) ** 2 - float(without.power_error.std_dev) ** 2)
    assert more == pytest.approx(math.tan(math.radians(60)) * math.radians(0.1) / 2, rel=0.02)


def _without_voltage(device: Device, bench: Bench, power_factor: float | None) -> PowerValues:
    """A point whose power was read by the reference, and neither phase nor voltage."""
    also = {"reference_power": 57.5, "displayed_power": 1150.0}
    point = observed("x1", 10.0, [10.0] * 4, direction="single", power_factor=power_factor, also=also)
    inputs = InputQuantities(bench, RUN_DATE)
    found = power_values(device, inputs, point_values(device, inputs, point))
    assert found is not None
    assert found.apparent_power is None
    return found


@pytest.mark.parametrize("power_factor", [0.5, -0.5])
def test_a_load_set_by_wire_has_the_angle_it_was_set_to(
    power_device: Device, power_bench: Bench, power_factor: float
) -> None:
    """acos 0.5 is 60 degrees; a power factor within 0.01 of it lies within acos 0.49, and the tangent changes by 1 + tan^2 = 4 times that."""
    found = _without_voltage(power_device, power_bench, power_factor)
    assert found.angle_known
    assert float(found.tangent.nominal_value) == pytest.approx(math.copysign(math.sqrt(3), power_factor))
    assert float(found.tangent.std_dev) == pytest.approx(4 * (math.acos(0.49) - math.acos(0.5)) / math.sqrt(3))
    assert float(found.reference_power.nominal_value) == pytest.approx(1150.0)


def test_a_load_of_a_shelf_that_is_no_sine_has_a_bound_of_its_angle(power_device: Device, power_bench: Bench) -> None:
    """A power factor of 0.5 within 0.02 may be that of any angle up to acos 0.48 (elementary)."""
    shelf = 'profile = "person"\nshelf = [{ name = "lamp", current = "10 A", power_factor = 0.5, power_factor_uncertainty = 0.02 }]'
    text = BENCH.replace('profile = "scpi_load"\naddress = "TCPIP::127.0.0.1::1::SOCKET"', shelf)
    named = {power_bench.roles.load: parse_bench(text, "bench.toml").entry("load")}
    bench = power_bench.model_copy(update={"instruments": {**power_bench.instruments, **named}})
    found = _without_voltage(power_device, bench, None)
    assert (found.angle_known, found.power_factor) == (False, 0.5)
    assert float(found.tangent.nominal_value) == 0.0
    assert float(found.tangent.std_dev) == pytest.approx(math.tan(math.acos(0.48)) / math.sqrt(3))


def test_the_phase_read_of_a_load_stated_as_no_sine_is_no_angle(power_device: Device) -> None:
    """An analyser shows some phase of it, perhaps that of the fundamental: no relation between two sines holds for its power (elementary)."""
    for stated, known in ((', waveform = "sine"', True), (', waveform = "rectifier 60 deg"', False), ("", True)):
        shelf = f'profile = "person"\nshelf = [{{ name = "lamp", current = "10 A"{stated} }}]'
        text = BENCH.replace('profile = "scpi_load"\naddress = "TCPIP::127.0.0.1::1::SOCKET"', shelf)
        shows = 'voltage = { of_reading = "0.1 %", resolution = "1 mV" }\n'
        shows += 'power = { of_reading = "0.1 %", resolution = "1 mW", phase = "0 deg" }'
        text = text.replace('drift_per_year = "0.02 %/year"', shows)
        inputs = InputQuantities(parse_bench(text, "bench.toml"), RUN_DATE)
        also = {"reference_voltage": 230.0, "reference_power": 57.5, "displayed_power": 1150.0, "reference_phase": 1.0}
        point = observed("x1", 10.0, [10.0] * 4, direction="single", also=also)
        found = power_values(power_device, inputs, point_values(power_device, inputs, point))
        assert found is not None
        assert found.angle_known is known
