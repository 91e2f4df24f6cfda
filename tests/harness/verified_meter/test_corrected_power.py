"""Power corrected for ratio error, bounded for phase displacement: against phasors, and against what it says by hand."""

from __future__ import annotations

import cmath
import dataclasses
import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from harness.core.errors import UserError
from harness.evaluation.uncertainty.gum_formulas import Contribution
from harness.results import Judged, PhaseDisplacement, PowerPoint, RangeResult, Stated
from harness.verified_meter.corrected_power import (
    apparent_power,
    corrected_power,
    known_power_error,
    measured_power_factor,
    shown_power_factor,
)
from harness.verified_meter.measured_quantity import DisplayedValue, MeasuredQuantity, Part
from tests.reports import sample_results


def power_read(
    rng: RangeResult, current: float, shown: list[float], step: float, power_factor: float, drift: float
) -> MeasuredQuantity:
    values = [DisplayedValue(value, step) for value in shown]
    return corrected_power(known_power_error(rng, current), values, power_factor, drift)


def stated(value: float, u: float = 0.0) -> Stated:
    return Stated(value, u, 2 * u, 2.0, None)


def verified_range(common: float, displacement: float, u: float = 0.0) -> RangeResult:
    """A range whose error and displacement are the same at 0.1 A and 1 A."""
    base = sample_results.passing().ranges[-1]
    phase = tuple(
        PhaseDisplacement(
            current, Judged.of(stated(displacement, u), "normal", None), stated(common, u), 0.0, (), (), ()
        )
        for current in (0.1, 1.0)
    )
    return dataclasses.replace(base, display_factor=0.05, phase=phase)


@given(
    angle=st.floats(-1.3, 1.3),
    common=st.floats(-0.05, 0.05),
    displacement=st.floats(-0.05, 0.05),
    current=st.floats(0.1, 1.0),
)
def test_the_true_power_lies_within_what_is_stated_whichever_way_the_current_leans(
    angle: float, common: float, displacement: float, current: float
) -> None:
    """The meter by phasors: the current turned and scaled, the power its projection on the voltage. Nothing else is uncertain."""
    voltage, true = 230.0, 230.0 * current * math.cos(angle)
    seen = current * cmath.exp(-1j * angle) * (1 + common) * cmath.exp(1j * displacement)
    shown = (voltage * seen).real / 0.05
    found = power_read(verified_range(common, displacement), current, [shown, shown], 1e-9, math.cos(angle), 0.0)
    bound = math.sqrt(3) * math.sqrt(sum(c.standard_uncertainty**2 for c in found.relative)) * abs(found.value)
    assert abs(found.value - true) <= bound * (1 + 1e-9) + abs(true) * abs(displacement) ** 3 + 1e-9


def test_one_degree_on_a_capacitive_dropper() -> None:
    """At a power factor of 0.4 tan phi is 2.29: one degree, 17.45 mrad, makes 4.0 % of the power (e = delta tan phi, textbook)."""
    found = power_read(verified_range(0.0, math.radians(1)), 0.2, [10.0, 10.0], 1e-9, 0.4, 0.0)
    half_width = math.sqrt(3) * max(c.standard_uncertainty for c in found.relative)
    # 0.0400 + delta^2 / 2, over 1 less that.
    assert half_width == pytest.approx(0.0401 / (1 - 0.0401), abs=0.0003)
    assert found.value == pytest.approx(0.5)


def test_the_parts_by_hand() -> None:
    """Three readings 99, 100, 101 W: s = 1 W, of the mean 0.577 W (JCGM 100:2008, 4.2.3); a step of 1 W: 0.2887 W (4.3.7)."""
    found = power_read(verified_range(0.01, 0.0, 0.001), 0.2, [99.0, 100.0, 101.0], 1.0, 1.0, 0.02)
    assert found.value == pytest.approx(100 * 0.05 / 1.01)
    parts = {part.source: part.contribution for part in found.parts}
    assert parts["verification of power"].standard_uncertainty == pytest.approx(0.001)
    assert parts["last digit of the display"].standard_uncertainty == pytest.approx(0.002887, rel=1e-3)
    assert parts["scatter of the readings"].standard_uncertainty == pytest.approx(0.005774, rel=1e-3)
    assert parts["scatter of the readings"].degrees_of_freedom == 2
    drift = parts["drift since the verification, as stated"]
    assert drift.standard_uncertainty == pytest.approx(0.02 / math.sqrt(3))


def test_where_the_displacement_was_not_found_there_is_no_power() -> None:
    with pytest.raises(UserError, match=r"was not found at 3 A \(procedure power_and_phase\)"):
        power_read(verified_range(0.0, 0.0), 3.0, [1.0, 1.0], 0.1, 1.0, 0.0)


def test_apparent_power_and_power_factor_by_hand() -> None:
    """230 V within 2.3 V: 1 %, u = 0.577 %; 0.5 A with u = 1 mA: 0.2 %. Together 0.611 %; 57.5 W with 0.3 % make 0.5 with 0.681 %."""
    apparent = apparent_power(MeasuredQuantity(0.5, (Part("current", Contribution(0.002)),)), 230.0, 2.3)
    assert apparent.value == pytest.approx(115.0)
    found = apparent.stated(0.95)
    assert found.standard_uncertainty / found.value == pytest.approx(0.00611, rel=1e-3)
    power = MeasuredQuantity(57.5, (Part("power", Contribution(0.003)),))
    factor = measured_power_factor(power, apparent).stated(0.95)
    assert (factor.value, factor.standard_uncertainty / factor.value) == (
        pytest.approx(0.5),
        pytest.approx(0.00681, rel=1e-3),
    )


def test_power_is_spoken_of_only_with_a_displacement() -> None:
    from harness.verified_meter.corrected_power import power_was_verified

    rng = verified_range(0.0, 0.0)
    assert power_was_verified(rng, 0.1)
    assert power_was_verified(rng, 1.05)
    assert not power_was_verified(rng, 0.05)
    assert not power_was_verified(dataclasses.replace(rng, phase=()), 0.5)


def with_power_factor(rng: RangeResult, angle: float, gain: float, displacement: float) -> RangeResult:
    """`rng`, whose power factor display was read at a load of this angle, by phasors: cos of the angle that is left, times its own gain."""
    base = PowerPoint(
        "", 0.1, None, 1.0, 0.1, 1.0, None, 1.0, Judged.of(stated(0.0), "normal", None), None, None, "", ()
    )
    factor = math.copysign(math.cos(angle), angle)
    wrong = abs((1 + gain) * math.cos(angle - displacement)) - abs(factor)
    points = (
        dataclasses.replace(
            base, nominal_current=at, nominal_power_factor=factor, power_factor=factor, power_factor_error=stated(wrong)
        )
        for at in (0.1, 1.0)
    )
    return dataclasses.replace(rng, power=tuple(points))


@given(
    angle=st.floats(-1.3, 1.3),
    verified_at=st.sampled_from([1.047, -0.6435]),
    gain=st.floats(-0.01, 0.01),
    displacement=st.floats(-0.03, 0.03),
    harmonics=st.floats(0.5, 1.0),
)
def test_the_true_power_factor_lies_within_what_is_stated_of_a_sine_or_not(
    angle: float, verified_at: float, gain: float, displacement: float, harmonics: float
) -> None:
    """By phasors, lagging or leading. `harmonics`: the fundamental over the effective value of a distorted current, whose power factor is that times
    cos phi (IEEE Std 1459, sinusoidal voltage); nothing else is uncertain.
    """
    rng = with_power_factor(verified_range(0.0, displacement), verified_at, gain, displacement)
    true = harmonics * math.cos(angle)
    shown = (1 + gain) * harmonics * math.cos(angle - displacement)
    assume(0 < shown <= 1)
    found, least = shown_power_factor(known_power_error(rng, 0.3), [DisplayedValue(shown, 1e-9)], 0.0)
    most = math.prod(1 + math.sqrt(3) * c.standard_uncertainty for c in found.relative) - 1
    assert abs(found.value - true) <= most * found.value * (1 + 1e-9) + 1e-9
    assert least <= true + 1e-9


def test_a_power_factor_display_read_at_1_alone_was_not_verified() -> None:
    """It stops at 1, so that a gain too high does not show there."""
    rng = with_power_factor(verified_range(0.0, 0.0), 0.0, 0.0, 0.0)
    with pytest.raises(UserError, match=r"no power factor shown below 1 was verified at 0\.1 A and 1 A"):
        shown_power_factor(known_power_error(rng, 0.3), [DisplayedValue(0.9, 1e-3)], 0.0)


@given(delta=st.floats(0.001, 0.05), leans=st.sampled_from([1, -1]), factor=st.floats(0.3, 0.95))
def test_a_known_displacement_of_unknown_sign_lies_within_what_is_stated_every_time(
    delta: float, leans: int, factor: float
) -> None:
    """The displacement is known exactly and nothing else is uncertain: the truth lies at an end of the bound, lagging or leading."""
    true, angle = 100.0, leans * math.acos(factor)
    shown = true * math.cos(angle - delta) / math.cos(angle) / 0.05
    rng = verified_range(0.0, delta)
    try:
        found = power_read(rng, 0.3, [shown, shown], 1e-9, factor, 0.0).stated(0.9545)
    except UserError:
        assume(False)
    assert abs(found.value - true) <= found.expanded_uncertainty * (1 + 1e-6) + 1e-9
