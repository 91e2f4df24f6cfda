"""Type A, combination, degrees of freedom and coverage factors against the GUM and its supplement."""

import csv
import functools
import itertools
import json
import math
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import scipy.special
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import correlated_values, covariance_matrix, ufloat, umath

from harness.evaluation.convolution import half_width
from harness.evaluation.uncertainty import (
    CONVOLUTION,
    Contribution,
    combined,
    covariance,
    coverage_factor,
    effective_degrees_of_freedom,
    rectangular,
    t_factor,
    type_a,
)

REFERENCE = Path(__file__).parents[1] / "reference"

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


@pytest.mark.parametrize(("column", "probability"), [("p95", 0.95), ("p95.45", 0.9545), ("p99", 0.99)])
@pytest.mark.parametrize("unit", [1.0, 0.3, 0.11, 1e-3])
def test_repeated_readings_alone(column: str, probability: float, unit: float) -> None:
    """JCGM 100:2008, table G.2: with nothing beside a type A part, the factor is that of its own degrees of freedom.

    Truncating must not take one away that only rounding has made incomplete.
    """
    with (REFERENCE / "gum_table_G2_t_factors.csv").open(encoding="utf-8") as file:
        printed = {row["dof"]: float(row[column]) for row in csv.DictReader(file)}
    for freedom in range(1, 21):
        found = coverage_factor([Contribution(unit, degrees_of_freedom=freedom)], probability)
        assert found.factor == pytest.approx(printed[str(freedom)], abs=0.0051)


@pytest.mark.parametrize(("probability", "printed"), [(0.5774, 1.0), (0.95, 1.65), (0.99, 1.71)])
def test_rectangle_alone(probability: float, printed: float) -> None:
    """JCGM 100:2008, table G.1 (rectangular column): k = 1, 1.65, 1.71 for 57.74, 95, 99 %."""
    found = coverage_factor([Contribution(rectangular(1.0), "rectangular")], probability)
    assert found.factor == pytest.approx(printed, abs=0.0051)
    assert found.method == CONVOLUTION


def test_rectangle_alone_exactly() -> None:
    """A rectangle of half-width sqrt 3 standard deviations holds 95 % within 0.95 of it: k = 1.645448 (elementary)."""
    assert coverage_factor([Contribution(7e-4, "rectangular")], 0.95).factor == pytest.approx(1.645448, abs=5e-7)


def test_three_equal_rectangles() -> None:
    """JCGM 100:2008, G.2.2: the convolution of three equal rectangles has k95 = 1.937 and k99 = 2.379."""
    parts = [Contribution(0.2, "rectangular")] * 3
    for probability, printed in ((0.95, 1.937), (0.99, 2.379)):
        assert coverage_factor(parts, probability).factor == pytest.approx(printed, abs=5.1e-4)


def test_four_equal_rectangles() -> None:
    """JCGM 101:2008, 9.2.3 and table 3: +-3.88, in closed form 2 sqrt 3 (2 - (3/5)^(1/4)) = 3.8794067; a normal would say 3.92."""
    parts = [Contribution(1.0, "rectangular")] * 4
    assert coverage_factor(parts, 0.95).factor * combined(parts) == pytest.approx(3.8794067, abs=1e-6)


def test_one_rectangle_ten_times_the_others() -> None:
    """JCGM 101:2008, 9.2.4 and table 4: three rectangles of deviation 1 and one of 10: +-17.0, not the +-19.9 of k = 1.96."""
    parts = [Contribution(1.0, "rectangular")] * 3 + [Contribution(10.0, "rectangular")]
    assert coverage_factor(parts, 0.95).factor * combined(parts) == pytest.approx(17.0, abs=0.05)


@pytest.mark.parametrize(("wide", "narrow"), [(1.0, 0.0), (1.0, 0.22), (29.0, 15.0), (1.0, 0.8), (1.0, 1.0)])
def test_two_rectangles_make_a_trapezium(wide: float, narrow: float) -> None:
    """EA-4/02 M, S10.13 (value from memory): with beta = |a1-a2|/(a1+a2), k = (1 - sqrt((1-p)(1-beta^2))) / sqrt((1+beta^2)/6).

    Valid while beta <= p/(2-p); beyond, the interval ends on the flat top (elementary).
    """
    p = 0.95
    beta = (wide - narrow) / (wide + narrow)
    edge = 1 - math.sqrt((1 - p) * (1 - beta**2)) if beta <= p / (2 - p) else p * (1 + beta) / 2
    parts = [Contribution(wide, "rectangular"), Contribution(narrow, "rectangular")]
    assert coverage_factor(parts, p).factor == pytest.approx(edge / math.sqrt((1 + beta**2) / 6), abs=1e-6)


def test_hand_held_multimeter() -> None:
    """EA-4/02 M, S9 (value from memory): calibrator 2 mV (k = 2) and +-11 mV, display +-50 mV: U = 0.05 V at 95 %.

    The document rounds k to the rectangle's own 1.65. The convolution of all three parts, found by Monte Carlo with
    4e6 trials, has k = 1.709 and U = 0.0505 V.
    """
    parts = [
        Contribution(0.001),
        Contribution(rectangular(0.05), "rectangular"),
        Contribution(rectangular(0.011), "rectangular"),
    ]
    found = coverage_factor(parts, 0.95)
    assert combined(parts) == pytest.approx(0.0295748, abs=5e-8)
    assert found.factor == pytest.approx(1.709, abs=1e-3)
    assert round(found.factor * combined(parts), 2) == 0.05


def test_vernier_caliper() -> None:
    """EA-4/02 M, S10 (value from memory): bounds of 50 and 25 um beside 2.0 and 0.46 um: u 33 um, k = 1.83, U = 0.06 mm."""
    parts = [Contribution(u, "rectangular") for u in (rectangular(50.0), rectangular(25.0), 1.15 * 1.7, 0.46)]
    found = coverage_factor(parts, 0.95)
    assert combined(parts) == pytest.approx(33, abs=0.7)
    assert found.factor == pytest.approx(1.83, abs=0.0051)
    assert round(found.factor * combined(parts), -1) == 60


@pytest.mark.parametrize("probability", [0.95, 0.9545, 0.99])
@pytest.mark.parametrize("freedom", [1.0, 2.0, 3.0, 11.0, 90.0, 120.0, math.inf])
@pytest.mark.parametrize("scale", [0.01, 0.3, 2.0])
def test_two_rectangles_and_a_bell_by_quadrature(scale: float, freedom: float, probability: float) -> None:
    """The probability in the interval, integrated over both rectangles (Gauss-Legendre, numpy; stdtr of scipy), is what was asked."""
    width = half_width([1.0, 0.3], 0.0, scale, freedom, probability)
    nodes, weights = np.polynomial.legendre.leggauss(300)
    shift = nodes[:, None] + 0.3 * nodes[None, :]
    below = scipy.special.ndtr if math.isinf(freedom) else functools.partial(scipy.special.stdtr, freedom)
    inside = below((width - shift) / scale) - below((-width - shift) / scale)
    found = float((inside * weights[:, None] * weights[None, :]).sum() / 4)
    # 1e-4 of probability is half a thousandth of k. A normal stands for the t-distribution beyond 100 degrees of freedom.
    assert found == pytest.approx(probability, abs=3e-4 if freedom == 120 else 5e-5)


@pytest.mark.parametrize("freedom", [1.0, 3.0, 20.0])
@pytest.mark.parametrize(("deviation", "scale"), [(0.5, 0.5), (0.1, 1.0), (2.0, 1.5)])
def test_rectangle_normal_and_t_by_quadrature(deviation: float, scale: float, freedom: float) -> None:
    """The same with a normal part beside the t-distribution, integrated over the normal by Gauss-Hermite (numpy)."""
    width = half_width([1.0], deviation, scale, freedom, 0.9545)
    flat, flat_weights = np.polynomial.legendre.leggauss(200)
    bell, bell_weights = np.polynomial.hermite_e.hermegauss(80)
    shift = flat[:, None] + deviation * bell[None, :]
    t = functools.partial(scipy.special.stdtr, freedom)
    inside = t((width - shift) / scale) - t((-width - shift) / scale)
    found = float((inside * flat_weights[:, None] * bell_weights[None, :]).sum() / 2 / bell_weights.sum())
    assert found == pytest.approx(0.9545, abs=5e-5)


def test_two_readings_beside_a_large_bound_do_not_swamp_it() -> None:
    """JCGM 100:2008, G.4.1: with 1 degree of freedom behind a fifth of the uncertainty, nu_eff = 1.04^2 / (0.2^4 / 1) = 676 and
    k is nearly that of the bound; t(1) = 13.97 laid over it would make it nearly 3."""
    parts = [Contribution(1.0, "rectangular"), Contribution(0.2, degrees_of_freedom=1)]
    assert effective_degrees_of_freedom(parts) == pytest.approx(1.04**2 / 0.2**4)
    found = coverage_factor(parts, 0.9545).factor
    alone = coverage_factor([Contribution(1.0, "rectangular")], 0.9545).factor
    assert alone < found < 1.1 * alone


@pytest.mark.parametrize("freedom", [3.0, 12.0, math.inf])
def test_factor_does_not_jump_where_a_rectangle_begins_to_dominate(freedom: float) -> None:
    """A factor that jumps would give two points alike to a per mille different verdicts (JCGM 101:2008, 5.10: one distribution)."""
    rests = np.geomspace(1e-3, 1e3, 301)
    factors = [
        coverage_factor([Contribution(1.0, "rectangular"), Contribution(rest, degrees_of_freedom=freedom)], 0.95).factor
        for rest in rests
    ]
    assert max(abs(a / b - 1) for a, b in itertools.pairwise(factors)) < 0.02
    # Far out it is the rectangle's, and the t-distribution's (tables G.1 and G.2).
    assert factors[0] == pytest.approx(1.645, abs=1e-3)
    assert factors[-1] == pytest.approx({3.0: 3.18, 12.0: 2.18}.get(freedom, 1.96), abs=0.006)


def test_the_convolution_is_quick() -> None:
    """42 points of a run in less than 0.3 s: a record is evaluated while somebody waits."""
    parts = [Contribution(u, "rectangular") for u in (0.6, 0.1, 0.05, 0.01)] + [
        Contribution(0.03, degrees_of_freedom=3)
    ]
    began = time.process_time()
    for _ in range(42):
        coverage_factor(parts, 0.9545)
    assert time.process_time() - began < 0.3


MIXED = st.lists(
    st.builds(
        Contribution,
        st.floats(1e-6, 10),
        st.sampled_from(["normal", "rectangular"]),
        st.one_of(st.just(math.inf), st.integers(1, 50).map(float)),
    ),
    min_size=1,
    max_size=6,
)


@given(MIXED, st.floats(0.5, 0.999), st.floats(0.5, 0.999))
def test_more_certainty_takes_a_wider_interval(parts: list[Contribution], one: float, other: float) -> None:
    """A coverage factor rises with the probability it is for, whatever the budget."""
    low, high = sorted((one, other))
    assert coverage_factor(parts, low).factor <= coverage_factor(parts, high).factor + 1e-12


@given(MIXED, st.sampled_from([0.95, 0.9545, 0.99]))
def test_factor_lies_between_rectangle_and_t(parts: list[Contribution], probability: float) -> None:
    """No mixture is more peaked than its worst t-distribution or flatter than a rectangle (JCGM 100:2008, table G.1).

    A little normal noise widens u faster than the interval, so k first falls by up to 0.2 % below the rectangle's.
    """
    fewest = min(p.degrees_of_freedom for p in parts)
    factor = coverage_factor(parts, probability).factor
    assert probability * math.sqrt(3) * 0.998 <= factor <= t_factor(fewest, probability) * (1 + 1e-5)


@given(st.floats(0.01, 0.299), st.floats(1e-9, 1e9))
def test_factor_does_not_depend_on_the_unit(rest: float, unit: float) -> None:
    """A coverage factor is a pure number."""
    parts = [Contribution(1.0, "rectangular"), Contribution(rest)]
    scaled = [Contribution(p.standard_uncertainty * unit, p.distribution) for p in parts]
    assert coverage_factor(scaled, 0.95).factor == pytest.approx(coverage_factor(parts, 0.95).factor, rel=1e-9)


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
