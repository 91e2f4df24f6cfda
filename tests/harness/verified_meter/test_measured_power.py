"""Power corrected for ratio error, bounded for phase displacement: against phasors, and against what it says by hand."""

from __future__ import annotations

import cmath
import dataclasses
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.core.errors import UserError
from harness.results import Judged, PhaseDisplacement, RangeResult, Stated
from harness.verified_meter.measured_power import (
    MeasuredQuantity,
    apparent_power,
    measured_power,
    measured_power_factor,
)
from tests.reports import sample_results


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
    found = measured_power(verified_range(common, displacement), current, [shown, shown], 1e-9, math.cos(angle), 0.0)
    bound = math.sqrt(3) * math.sqrt(sum(c.standard_uncertainty**2 for c in found.relative)) * abs(found.value)
    assert abs(found.value - true) <= bound * (1 + 1e-9) + abs(true) * abs(displacement) ** 3 + 1e-9


def test_one_degree_on_a_capacitive_dropper() -> None:
    """At a power factor of 0.4 tan phi is 2.29: one degree, 17.45 mrad, makes 4.0 % of the power (e = delta tan phi, textbook)."""
    found = measured_power(verified_range(0.0, math.radians(1)), 0.2, [10.0, 10.0], 1e-9, 0.4, 0.0)
    half_width = math.sqrt(3) * max(c.standard_uncertainty for c in found.relative)
    # 0.0400 + delta^2 / 2, over 1 less that.
    assert half_width == pytest.approx(0.0401 / (1 - 0.0401), abs=0.0003)
    assert found.value == pytest.approx(0.5)


def test_the_parts_by_hand() -> None:
    """Three readings 99, 100, 101 W: s = 1 W, of the mean 0.577 W (JCGM 100:2008, 4.2.3); a step of 1 W: 0.2887 W (4.3.7)."""
    found = measured_power(verified_range(0.01, 0.0, 0.001), 0.2, [99.0, 100.0, 101.0], 1.0, 1.0, 0.02)
    assert found.value == pytest.approx(100 * 0.05 / 1.01)
    sizes = [c.standard_uncertainty for c in found.relative]
    assert sizes[0] == pytest.approx(0.001)
    assert sizes[3:] == pytest.approx([0.002887, 0.005774, 0.02 / math.sqrt(3)], rel=1e-3)
    assert found.relative[4].degrees_of_freedom == 2


def test_where_the_displacement_was_not_found_there_is_no_power() -> None:
    with pytest.raises(UserError, match=r"was not found at 3 A \(procedure power_and_phase\)"):
        measured_power(verified_range(0.0, 0.0), 3.0, [1.0, 1.0], 0.1, 1.0, 0.0)


def test_apparent_power_and_power_factor_by_hand() -> None:
    """230 V within 2.3 V: 1 %, u = 0.577 %; 0.5 A with u = 1 mA: 0.2 %. Together 0.611 %; 57.5 W with 0.3 % make 0.5 with 0.681 %."""
    apparent = apparent_power(stated(0.5, 0.001), 230.0, 2.3)
    assert apparent.value == pytest.approx(115.0)
    found = apparent.stated(0.95)
    assert found.standard_uncertainty / found.value == pytest.approx(0.00611, rel=1e-3)
    power = MeasuredQuantity(57.5, (dataclasses.replace(apparent.relative[0], standard_uncertainty=0.003),))
    factor = measured_power_factor(power, apparent).stated(0.95)
    assert (factor.value, factor.standard_uncertainty / factor.value) == (
        pytest.approx(0.5),
        pytest.approx(0.00681, rel=1e-3),
    )


def test_power_is_spoken_of_only_with_a_displacement() -> None:
    from harness.verified_meter.measured_power import power_was_verified

    rng = verified_range(0.0, 0.0)
    assert power_was_verified(rng, 0.1)
    assert power_was_verified(rng, 1.05)
    assert not power_was_verified(rng, 0.05)
    assert not power_was_verified(dataclasses.replace(rng, phase=()), 0.5)
