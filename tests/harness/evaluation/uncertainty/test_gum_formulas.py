"""Type A, combination, degrees of freedom and coverage factors against the GUM and its supplement."""

import csv
import json
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import correlated_values, covariance_matrix, ufloat, umath

from harness.evaluation.uncertainty.coverage_factor import coverage_factor, t_factor
from harness.evaluation.uncertainty.gum_formulas import (
    Contribution,
    combined,
    covariance,
    effective_degrees_of_freedom,
    rectangular,
    type_a,
)

REFERENCE = Path(__file__).parents[3] / "reference"

GUM_4_4_3 = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
             100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]  # fmt: skip

H2_VOLTAGE = [5.007, 4.994, 5.005, 4.990, 4.999]
H2_CURRENT = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
H2_PHASE = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def test_twenty_temperatures() -> None:
    """JCGM 100:2008, 4.4.3 and table 1: mean 100.145, s 1.489, s of the mean 0.333 (degrees Celsius)."""
    found = type_a(GUM_4_4_3)
    assert found.mean == pytest.approx(100.145, abs=5e-4)
    assert found.standard_deviation == pytest.approx(1.489, abs=5e-4)
    assert found.standard_uncertainty == pytest.approx(0.333, abs=5e-4)
    assert found.degrees_of_freedom == 19


def _strd(name: str) -> tuple[list[float], float, float]:
    entry = json.loads((REFERENCE / "strd_univariate.json").read_text(encoding="utf-8"))[name]
    whole = {"NumAcc2": 1, "NumAcc3": 1_000_000, "NumAcc4": 10_000_000}
    if name in whole:
        base = whole[name]
        values = [float(f"{base}.2")] + [float(f"{base}.1"), float(f"{base}.3")] * 500
    else:
        values = [float(v) for v in entry["values"]]
    assert len(values) == entry["n"]
    return values, float(entry["certified_mean"]), float(entry["certified_s_n-1"])


@pytest.mark.parametrize(
    ("name", "digits"),
    [("NumAcc1", 15), ("NumAcc2", 14), ("NumAcc3", 9), ("NumAcc4", 8), ("Michelso", 13), ("Lottery", 14)],
)
def test_certified_means_and_deviations(name: str, digits: int) -> None:
    """NIST StRD, univariate. `digits` is what double precision leaves: NumAcc4's 0.1 rides on 1e7, stored to 1e-9."""
    values, mean, deviation = _strd(name)
    found = type_a(values)
    assert found.mean == pytest.approx(mean, rel=1e-14)
    assert found.standard_deviation == pytest.approx(deviation, rel=10.0**-digits)


def test_one_value_has_no_deviation() -> None:
    """JCGM 100:2008, 4.2.2: the variance divides by n - 1."""
    with pytest.raises(ValueError, match="at least 2"):
        type_a([1.0])


@pytest.mark.parametrize(
    ("half_width", "printed", "unit"),
    [
        (4.0, 2.3, 0.05),
        (0.40e-6, 0.23e-6, 0.005e-6),
        (15e-6, 8.7e-6, 0.05e-6),
        # Bounds of -0.12e-6 and +0.40e-6: half their distance counts.
        ((0.12e-6 + 0.40e-6) / 2, 0.15e-6, 0.005e-6),
    ],
    ids=["4.4.5", "4.3.7 example 1", "4.3.7 example 2", "4.3.8"],
)
def test_bounds_as_printed(half_width: float, printed: float, unit: float) -> None:
    """JCGM 100:2008, the clauses named, to half a unit of the printed digit."""
    assert rectangular(half_width) == pytest.approx(printed, abs=unit)


@pytest.mark.parametrize(
    ("half_width", "probability", "printed", "unit"),
    [(129.0, 0.99, 50.0, 0.5), (0.04, 0.50, 0.06, 0.005), (1.0, 2 / 3, 1.0, 0.05)],
    ids=["4.3.4", "4.3.5", "4.3.6"],
)
def test_intervals_as_printed(half_width: float, probability: float, printed: float, unit: float) -> None:
    """JCGM 100:2008, the clauses named: a stated interval over the normal factor of its level of confidence."""
    assert half_width / t_factor(math.inf, probability) == pytest.approx(printed, abs=unit)


def test_ten_resistors_from_one_standard() -> None:
    """JCGM 100:2008, 5.2.2 note 1: ten of 1 kOhm, each 100 mOhm from the same standard: 1 Ohm in series, not 0.32."""
    standard = ufloat(1000.0, 0.1)
    resistors = [standard * 1.0 for _ in range(10)]
    assert covariance(resistors).sum() ** 0.5 == pytest.approx(1.0, rel=1e-12)
    assert covariance([sum(resistors)])[0, 0] ** 0.5 == pytest.approx(1.0, rel=1e-12)
    apart = [ufloat(1000.0, 0.1) for _ in range(10)]
    assert covariance(apart).sum() ** 0.5 == pytest.approx(0.32, abs=0.005)


def test_voltmeter_of_the_gum() -> None:
    """JCGM 100:2008, 5.1.5: 12 uV type A and a bound of 15 uV give 15 uV (variance 219e-12 V^2)."""
    total = combined([Contribution(12e-6), Contribution(rectangular(14e-6 * 0.928571 + 2e-6), "rectangular")])
    assert total**2 == pytest.approx(219e-12, abs=0.5e-12)
    assert total == pytest.approx(14.798647e-6, rel=1e-6)


def test_hardness_of_the_gum() -> None:
    """JCGM 100:2008, H.6: combined variance 0.307, uncertainty 0.55 (Rockwell scale)."""
    parts = [
        0.45 / math.sqrt(5), 0.1 / math.sqrt(12), 0.10 / math.sqrt(6), 0.11 / math.sqrt(6),
        0.015 * 36.0 / math.sqrt(24), 0.5,
    ]  # fmt: skip
    assert combined([Contribution(u) for u in parts]) == pytest.approx(0.554226, abs=5e-7)


def test_end_gauge() -> None:
    """JCGM 100:2008, H.1 and table H.1: uc 32 nm, 16.7 degrees of freedom, t99(16) = 2.92, U99 = 93 nm.

    The 93 is 2.92 times the rounded 32; the unrounded product is 92.48. TRAP: the degrees of freedom of the
    difference are 25.6 as printed from the unrounded terms; the rounded 5.8, 3.9 and 6.7 nm give 25.4.
    """
    difference = [Contribution(13.0 / math.sqrt(5), degrees_of_freedom=24)]
    difference += [Contribution(10 / 2.57, degrees_of_freedom=5), Contribution(20 / 3, degrees_of_freedom=8)]
    parts = [
        Contribution(25.0, degrees_of_freedom=18),
        Contribution(combined(difference), degrees_of_freedom=effective_degrees_of_freedom(difference)),
        Contribution(2.9, degrees_of_freedom=50),
        Contribution(16.6, degrees_of_freedom=2),
    ]
    assert combined(difference) == pytest.approx(9.7, abs=0.05)
    assert effective_degrees_of_freedom(difference) == pytest.approx(25.6, abs=0.05)
    assert combined(parts) == pytest.approx(31.66, abs=0.03)
    found = coverage_factor(parts, 0.99)
    assert found.method == "t-distribution"
    assert found.degrees_of_freedom == pytest.approx(16.7, abs=0.1)
    assert found.factor == pytest.approx(2.92, abs=0.005)
    assert found.factor * combined(parts) == pytest.approx(92.48, abs=0.1)
    assert round(round(found.factor, 2) * round(combined(parts))) == 93


def _impedance(voltage: float, current: float, phase: float) -> tuple[float, float, float]:
    size = voltage / current
    return size * math.cos(phase), size * math.sin(phase), size


def test_resistance_and_reactance_from_sets() -> None:
    """JCGM 100:2008, H.2.4 and table H.4: R 127.732 (0.071), X 219.847 (0.295), Z 254.260 (0.236) ohm.

    The uncertainties of the other approach (table H.3) differ from these in the third digit.
    """
    sets = [_impedance(*values) for values in zip(H2_VOLTAGE, H2_CURRENT, H2_PHASE, strict=True)]
    for values, mean, uncertainty in zip(
        zip(*sets, strict=True), (127.732, 219.847, 254.260), (0.071, 0.295, 0.236), strict=True
    ):
        found = type_a(values)
        assert found.mean == pytest.approx(mean, abs=5e-4)
        assert found.standard_uncertainty == pytest.approx(uncertainty, abs=5e-4)


def _covariance(a: Sequence[float], b: Sequence[float]) -> float:
    """Covariance of two means (JCGM 100:2008, equation 17)."""
    mean_a, mean_b = type_a(a).mean, type_a(b).mean
    return sum((x - mean_a) * (y - mean_b) for x, y in zip(a, b, strict=True)) / (len(a) * (len(a) - 1))


def test_resistance_and_reactance_from_correlated_means() -> None:
    """JCGM 100:2008, H.2.3 and table H.3, as propagated by the `uncertainties` package the evaluation relies on.

    The readings give u(R) 0.07107, printed 0.071, and u(X) 0.29558, printed 0.295. TRAP: the rounded uncertainties and correlations of table H.2 give
    0.06998, so a check against a computation from the rounded inputs would be a check against another number.
    """
    readings = (H2_VOLTAGE, H2_CURRENT, H2_PHASE)
    means = [type_a(r).mean for r in readings]
    voltage, current, phase = correlated_values(means, [[_covariance(a, b) for b in readings] for a in readings])
    resistance, reactance = voltage / current * umath.cos(phase), voltage / current * umath.sin(phase)
    impedance = voltage / current
    found = covariance([resistance, reactance, impedance])
    deviations = np.sqrt(np.diag(found))
    assert deviations == pytest.approx([0.0710714, 0.2955817, 0.2363361], abs=5e-7)
    correlations = found / np.outer(deviations, deviations)
    # Printed -0.588, -0.485, 0.993.
    assert correlations[0, 1] == pytest.approx(-0.588430, abs=1e-5)
    assert correlations[0, 2] == pytest.approx(-0.485259, abs=1e-5)
    assert correlations[1, 2] == pytest.approx(0.992512, abs=1e-5)
    # The package's own function gives the same, in an order of summing that is not fixed.
    assert found == pytest.approx(np.array(covariance_matrix([resistance, reactance, impedance])), rel=1e-9)

    # Table H.5: with the correlations left out, u(R) 0.195, u(X) 0.201, u(Z) 0.204, correlations 0.056, 0.527, 0.878.
    voltage, current, phase = (ufloat(m, type_a(r).standard_uncertainty) for m, r in zip(means, readings, strict=True))
    alone = covariance([voltage / current * umath.cos(phase), voltage / current * umath.sin(phase), voltage / current])
    deviations = np.sqrt(np.diag(alone))
    assert deviations == pytest.approx([0.195, 0.201, 0.204], abs=5e-4)
    correlations = alone / np.outer(deviations, deviations)
    assert correlations[0, 1:] == pytest.approx([0.056, 0.527], abs=5e-4)
    assert correlations[1, 2] == pytest.approx(0.878, abs=5e-4)

    rounded = [0.0032, 0.0095e-3, 0.00075]
    r = [[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]]
    matrix = [[r[i][j] * rounded[i] * rounded[j] for j in range(3)] for i in range(3)]
    voltage, current, phase = correlated_values([4.9990, 19.6610e-3, 1.04446], matrix)
    assert (voltage / current * umath.cos(phase)).std_dev == pytest.approx(0.06998, abs=1e-5)


def test_product_of_three() -> None:
    """JCGM 100:2008, G.4.1: 0.25, 0.57, 0.82 % with 10, 5, 15 readings give 1.03 %, 19.0 and, with t95 = 2.09, 2.2 %.

    Unrounded, the degrees of freedom are 18.998: the document's 19 is a rounding, its own rule would truncate to 18.
    """
    parts = [Contribution(u, degrees_of_freedom=n - 1) for u, n in ((0.25, 10), (0.57, 5), (0.82, 15))]
    assert combined(parts) == pytest.approx(1.029466, abs=5e-7)
    assert effective_degrees_of_freedom(parts) == pytest.approx(19.0, abs=0.05)
    assert t_factor(19, 0.95) == pytest.approx(2.09, abs=0.005)
    assert coverage_factor(parts, 0.95).factor == pytest.approx(t_factor(18, 0.95), rel=1e-12)
    assert coverage_factor(parts, 0.95).factor * combined(parts) == pytest.approx(2.2, abs=0.05)


PRINTED = {
    "p68.27": 0.6827, "p90": 0.90, "p95": 0.95, "p95.45": 0.9545, "p99": 0.99, "p99.73": 0.9973,
}  # fmt: skip
QUIRKS = {
    # Printed 1.70, exactly 1.690: a misprint.
    ("35", "p90"): 1.690,
    # Printed 235.80, which needs p = 0.9973002; at one degree of freedom the sixth digit of p shows.
    ("1", "p99.73"): 235.784,
}


def test_every_printed_t_factor() -> None:
    """JCGM 100:2008, table G.2: all entries to half a unit of the last printed digit, two quirks named above."""
    with (REFERENCE / "gum_table_G2_t_factors.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    checked = 0
    for row in rows:
        for column, probability in PRINTED.items():
            printed = QUIRKS.get((row["dof"], column), float(row[column]))
            # The table has two decimals, three in its last rows and at infinity where they are needed.
            decimals = 3 if row["dof"] in ("100", "inf") or (row["dof"], column) in QUIRKS else 2
            found = t_factor(math.inf if row["dof"] == "inf" else float(row["dof"]), probability)
            assert found == pytest.approx(printed, abs=0.51 * 10.0**-decimals), (row["dof"], column)
            checked += 1
    assert checked == 168


@given(st.lists(st.tuples(st.floats(0.01, 100), st.integers(1, 100)), min_size=1, max_size=6))
def test_effective_degrees_of_freedom_are_bounded(parts: list[tuple[float, int]]) -> None:
    """JCGM 100:2008, G.4.1, note 1: not above the sum of all; and not below the smallest."""
    contributions = [Contribution(u, degrees_of_freedom=n) for u, n in parts]
    found = effective_degrees_of_freedom(contributions)
    freedoms = [n for _, n in parts]
    assert min(freedoms) * (1 - 1e-9) <= found <= sum(freedoms) * (1 + 1e-9)


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=20), st.floats(0.1, 10), st.floats(-100, 100))
def test_type_a_follows_scale_and_shift(values: list[float], scale: float, shift: float) -> None:
    """The mean moves with the values, their deviation only with the scale."""
    before, after = type_a(values), type_a([scale * v + shift for v in values])
    assert after.mean == pytest.approx(scale * before.mean + shift, abs=1e-8)
    assert after.standard_deviation == pytest.approx(scale * before.standard_deviation, abs=1e-8)
