"""The transformer against circuit theory, a textbook example, and what every transformer does."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulated.physics.transformer import CoreModel, TransformerModel, core_for_rating

MU_0 = 1.25663706212e-6
"""CODATA 2018, H/m."""

DEMO = TransformerModel(core_for_rating(0.032 * 73, 0.032, 2500, 50.0), 2500, 50.0, 60.0, 10.0, 3.0)


def ideal_core(area: float, path_length: float, relative_permeability: float, loss_angle: float = 0.0) -> CoreModel:
    """A core of constant permeability that never saturates: the circuit is linear and has a closed form."""
    return CoreModel(
        area,
        path_length,
        initial_permeability=relative_permeability,
        maximum_permeability=relative_permeability,
        saturation_flux_density=math.inf,
        loss_angle=loss_angle,
    )


@pytest.mark.parametrize("ampere_turns", [0.01, 1.0, 80.0, 1e4])
@pytest.mark.parametrize("loss_angle", [0.0, 0.5, 1.2])
def test_a_linear_core_meets_the_nodal_equation(ampere_turns: float, loss_angle: float) -> None:
    """Kirchhoff's current law at the one node: the ideal secondary current through R_core, L and Zs in parallel."""
    area, length, permeability, turns, frequency = 6e-5, 0.12, 15_000.0, 1000, 60.0
    transformer = TransformerModel(
        ideal_core(area, length, permeability, loss_angle), turns, frequency, 8.0, 12.0, 2.0, 1.5
    )
    omega = 2 * np.pi * frequency
    reactance = omega * MU_0 * permeability * turns**2 * area / length
    loss_conductance, susceptance = np.sin(loss_angle) / reactance, -np.cos(loss_angle) / reactance
    impedance = 8.0 + 12.0 + 2.0 + 1.5j
    node = np.array([[loss_conductance + 1j * susceptance + 1 / impedance]])
    voltage = np.linalg.solve(node, np.array([ampere_turns / turns]))[0]

    expected = complex(voltage / impedance)

    assert transformer.secondary_current(ampere_turns) == pytest.approx(expected, rel=1e-9)


@given(st.floats(1e-5, 2e-3), st.floats(500, 50_000), st.floats(0.1, 100))
def test_an_air_gap_is_a_reluctance_in_series(gap: float, permeability: float, ampere_turns: float) -> None:
    """A core of length l and a gap g have the reluctance of a whole core of permeability 1 / (1 / mu + g / l) (textbook of magnetic circuits)."""
    area, length = 6e-5, 0.12

    def secondary(core: CoreModel, air_gap: float) -> complex:
        return TransformerModel(core, 1000, 50.0, 8.0, 12.0, air_gap=air_gap).secondary_current(ampere_turns)

    whole = ideal_core(area, length, 1 / (1 / permeability + gap / length))
    assert secondary(ideal_core(area, length, permeability), gap) == pytest.approx(secondary(whole, 0.0), rel=1e-8)


def test_the_textbook_ratio_and_phase_angle() -> None:
    """Ratio 200/1, exciting current 1 A at power factor 0.45, secondary 5 A into 1.1 ohm resistive: R = 200.09,
    error -0.045 %, phase angle 0.0512 degrees. An electrical measurement textbook, example 6.2 (inputs found in
    a secondary source, results from memory); R = n + (I0/Is) sin(delta + alpha).
    """
    voltage, exciting_in_secondary = 5 * 1.1, 1 / 200
    inductance = voltage / exciting_in_secondary / (2 * math.pi * 50.0)
    area, length = 1e-3, 0.5
    permeability = inductance * length / (MU_0 * 200**2 * area)
    core = ideal_core(area, length, permeability, loss_angle=math.asin(0.45))
    transformer = TransformerModel(core, 200, 50.0, 0.0, 1.1)

    secondary = transformer.secondary_current(1000.45)

    assert abs(secondary) == pytest.approx(5.0, abs=0.0005)
    assert 1000.45 / abs(secondary) == pytest.approx(200.09, abs=0.005)
    assert 100 * (200 * abs(secondary) / 1000.45 - 1) == pytest.approx(-0.045, abs=0.0005)
    # The book's small-angle formula divides by n Is instead of Ip: 0.05 % larger, one unit of its last digit here.
    assert math.degrees(cmath.phase(secondary)) == pytest.approx(0.0512, abs=0.0001)


def test_ratio_error_and_phase_from_the_complex_error() -> None:
    """eps = |1 + e| - 1 with e = -Zs / (Zm + Zs) (IEC 61869-2 definitions on the textbook equivalent circuit)."""
    transformer = TransformerModel(ideal_core(5e-5, 0.1, 20_000.0, 0.6), 2500, 50.0, 60.0, 10.0)
    magnetising = 2 * math.pi * 50.0 * MU_0 * 20_000.0 * 2500**2 * 5e-5 / 0.1 * cmath.exp(1j * (math.pi / 2 - 0.6))

    error = -70.0 / (magnetising + 70.0)

    assert transformer.complex_error(80.0) == pytest.approx(error, rel=1e-8)
    assert abs(transformer.secondary_current(80.0)) * 2500 / 80.0 - 1 == pytest.approx(abs(1 + error) - 1, rel=1e-6)


@pytest.mark.parametrize(
    ("turns", "primary", "secondary"),
    [(1, 100.0, 100e-3), (1, 20e-3, 20e-6), (10, 20e-3, 200e-6), (1, 4.4, 4.4e-3), (10, 4.4, 44e-3)],
)
def test_a_thousand_turn_core(turns: int, primary: float, secondary: float) -> None:
    """1:1000: 100 A into 100 mA, 20 mA into 20 uA, with ten turns 200 uA (common practice, no published source)."""
    transformer = TransformerModel(core_for_rating(0.1 * 73, 0.1, 1000, 50.0), 1000, 50.0, 60.0, 10.0, 3.0)

    assert abs(transformer.secondary_current(turns * primary)) == pytest.approx(secondary, rel=0.005)


def test_ten_turns_leave_room_for_8_3_amperes() -> None:
    """8.3 A through ten turns stays below 100 mA at 1:1000 (common practice, no published source)."""
    transformer = TransformerModel(core_for_rating(0.1 * 73, 0.1, 1000, 50.0), 1000, 50.0, 60.0, 10.0, 3.0)

    assert 0.08 < abs(transformer.secondary_current(10 * 8.3)) < 0.1


def test_the_error_grows_towards_small_currents() -> None:
    """The known shape of a ratio error curve: negative without compensation, larger at small current. The bounds are
    those of class 0.5 in IEC 61869-2:2012 Table 201: 1.5 % at 5 %, 0.75 % at 20 %, 0.5 % at 100 % of rated.
    """
    errors = {part: abs(1 + DEMO.complex_error(80.0 * part)) - 1 for part in (0.05, 0.2, 1.0)}

    assert errors[0.05] < errors[0.2] < errors[1.0] < -0.0005
    assert abs(errors[0.05]) < 0.015
    assert abs(errors[0.2]) < 0.0075
    assert abs(errors[1.0]) < 0.005


def test_more_burden_more_error() -> None:
    """Fuse resistance is burden: with 500 ohm more the error is several times as large."""
    high = TransformerModel(DEMO.core, 2500, 50.0, 60.0, 10.0, 503.0)

    assert abs(high.complex_error(8.0)) > 4 * abs(DEMO.complex_error(8.0))


def test_flux_density_follows_faraday() -> None:
    """E = 4.44 f N B A (textbook transformer equation; 4.44 is the rounded 2 pi / sqrt 2)."""
    core = CoreModel(area=1e-3, path_length=0.3)
    transformer = TransformerModel(core, 500, 50.0, 1.0, 1.0)

    assert transformer.flux_density(4.44 * 50.0 * 500 * 0.8 * 1e-3) == pytest.approx(0.8, rel=1e-3)


@given(st.floats(1e-6, 1e6), st.floats(0.01, 2.0), st.floats(0.0, 1.5), st.floats(0.0, 50.0))
def test_currents_balance_also_in_saturation(
    ampere_turns: float, saturation: float, loss_angle: float, leakage: float
) -> None:
    """Kirchhoff's current law for the solution found: ideal current = secondary + magnetising."""
    core = CoreModel(4e-5, 0.08, saturation_flux_density=saturation, loss_angle=loss_angle)
    transformer = TransformerModel(core, 2500, 50.0, 60.0, 10.0, 3.0, leakage)

    secondary = transformer.secondary_current(ampere_turns)
    voltage = secondary * transformer.secondary_impedance
    magnetising = voltage * transformer.magnetising_admittance(abs(voltage))

    assert secondary + magnetising == pytest.approx(ampere_turns / 2500, rel=1e-9)


@given(st.floats(1e-4, 1e5), st.floats(1.0001, 3.0), st.floats(0.02, 2.0))
def test_more_primary_current_more_secondary_current(low: float, step: float, saturation: float) -> None:
    """The secondary current never falls when the primary current rises, saturated or not."""
    core = CoreModel(4e-5, 0.08, saturation_flux_density=saturation)
    transformer = TransformerModel(core, 2500, 50.0, 60.0, 10.0, 3.0)

    assert abs(transformer.secondary_current(low * step)) > abs(transformer.secondary_current(low))


def test_a_saturated_core_gives_less() -> None:
    """At a hundred times the rated flux hardly any of the current reaches the secondary."""
    assert abs(DEMO.secondary_current(8e4)) < 0.2 * 8e4 / 2500


def test_no_current_no_current() -> None:
    """Zero is a possible current."""
    assert DEMO.secondary_current(0.0) == 0


@pytest.mark.parametrize("ampere_turns", [0.05, 1.0, 80.0, 300.0])
def test_a_reading_takes_a_few_looks_at_the_core(ampere_turns: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run in virtual time asks for some four thousand currents: below the knee the voltage is found in six steps or fewer."""
    asked: list[float] = []
    looked_at = TransformerModel.magnetising_admittance

    def counted(transformer: TransformerModel, force: float) -> complex:
        asked.append(force)
        return looked_at(transformer, force)

    monkeypatch.setattr(TransformerModel, "magnetising_admittance", counted)
    DEMO.secondary_current(ampere_turns)
    assert len(asked) <= 7
