"""Lines against certified data, printed fits and an independent library."""

import csv
from pathlib import Path

import GTC
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import covariance_matrix, ufloat

from harness.evaluation.range_evaluation import evaluate_ranges
from harness.evaluation.ratio.straight_line import StraightLine, fit, propagated
from harness.files.bench import Bench
from harness.files.device import Device
from harness.results import RangeResult
from tests.harness.evaluation.conftest import RUN_DATE, sweep

REFERENCE = Path(__file__).parents[3] / "reference"


def _columns(name: str) -> dict[str, np.ndarray]:
    with (REFERENCE / name).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def _chi_squared(line: StraightLine, x: np.ndarray, y: np.ndarray) -> float:
    return float(np.sum(line.weights * (y - line.intercept - line.slope * x) ** 2))


def _spread(line: StraightLine, x: np.ndarray, u_x: np.ndarray, u_y: np.ndarray) -> tuple[float, float, float]:
    """Standard uncertainties of slope and intercept and their covariance, propagated at the adjusted points, as York has them."""
    at = np.average(x, weights=line.weights) + line.adjusted
    xs = [ufloat(v, u) if u else v for v, u in zip(at, u_x, strict=True)]
    ys = [ufloat(line.intercept + line.slope * v, u) for v, u in zip(at, u_y, strict=True)]
    slope, intercept = propagated(line, xs, ys)
    return slope.std_dev, intercept.std_dev, covariance_matrix([slope, intercept])[0][1]


def test_norris() -> None:
    """NIST StRD, Norris: certified coefficients, their standard deviations and the residual standard deviation."""
    data = _columns("norris.csv")
    n = len(data["x"])
    line = fit(data["x"], data["y"], np.zeros(n), np.ones(n))
    u_slope, u_intercept, _ = _spread(line, data["x"], np.zeros(n), np.ones(n))
    residual = (_chi_squared(line, data["x"], data["y"]) / 34) ** 0.5
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert residual == pytest.approx(0.884796396144373, rel=1e-11)
    assert u_intercept * residual == pytest.approx(0.232818234301152, rel=1e-11)
    assert u_slope * residual == pytest.approx(0.429796848199937e-3, rel=1e-11)


def test_pearson_with_york_weights() -> None:
    """York et al. 2004, Am. J. Phys. 72, 367 (uncertainties from memory): 5.47991(295), -0.48053(580e-4); S/8 = 1.4833.

    Of the three published conventions for the uncertainties this is York's: linearised at the adjusted points and
    not scaled by chi-squared. Coefficients: Neri et al. 1989, quoted in the GTC test suite.
    """
    data = _columns("pearson_york.csv")
    u_x, u_y = data["wx"] ** -0.5, data["wy"] ** -0.5
    line = fit(data["x"], data["y"], u_x, u_y)
    u_slope, u_intercept, covariance = _spread(line, data["x"], u_x, u_y)
    chi_squared = _chi_squared(line, data["x"], data["y"])
    assert line.intercept == pytest.approx(5.47991022, abs=1e-8)
    assert line.slope == pytest.approx(-0.480533407, abs=1e-9)
    assert chi_squared / 8 == pytest.approx(1.4833, abs=5e-5)
    assert u_intercept == pytest.approx(0.295, abs=5e-4)
    assert u_slope == pytest.approx(0.0580, abs=5e-5)
    # Orthogonal distance regression (scipy 1.17 and odrpack 0.7, unscaled covariance) to the digits they share with York.
    assert chi_squared == pytest.approx(11.8663532, abs=5e-8)
    assert u_intercept == pytest.approx(0.2949707, abs=5e-8)
    assert u_slope == pytest.approx(0.0579850, abs=5e-8)
    # York's equations in an independent implementation; GTC, linearised at the observed points, has -0.0162.
    assert covariance == pytest.approx(-0.0164725, abs=5e-8)


def test_thermometer_with_uncertainty_in_both() -> None:
    """Mathioulakis and Belessiotis 2000, as in the GTC test suite: 0.0991(123), 0.97839(24), covariance -2.41e-6."""
    data = _columns("mathioulakis_thermometer.csv")
    line = fit(data["x_t"], data["y_tr"], data["u_x"], data["u_y"])
    u_slope, u_intercept, covariance = _spread(line, data["x_t"], data["u_x"], data["u_y"])
    assert line.intercept == pytest.approx(0.0991, abs=1e-4)
    assert u_intercept == pytest.approx(0.0123, abs=5e-5)
    assert line.slope == pytest.approx(0.97839, abs=1e-5)
    assert u_slope == pytest.approx(0.00024, abs=5e-6)
    assert covariance == pytest.approx(-2.41e-6, abs=0.01e-6)


def test_thermometer_of_the_gum() -> None:
    """JCGM 100:2008, H.3 and table H.6: y1 = -0.1712(29), y2 = 0.00218(67), r = -0.930, s = 0.0035, b(30) = -0.1494(41).

    The tight numbers are exact arithmetic on the printed readings.
    """
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    x = np.array(t) - 20
    line = fit(x, b, np.zeros(11), np.ones(11))
    u_slope, u_intercept, covariance = _spread(line, x, np.zeros(11), np.ones(11))
    s = (_chi_squared(line, x, np.array(b)) / 9) ** 0.5
    assert s == pytest.approx(0.00349756396, abs=5e-12)
    assert line.intercept == pytest.approx(-0.17120379013, abs=5e-12)
    assert u_intercept * s == pytest.approx(0.00287759784, abs=5e-12)
    assert line.slope == pytest.approx(0.00218269774, abs=5e-12)
    assert u_slope * s == pytest.approx(0.00066793877, abs=5e-12)
    r = covariance / (u_slope * u_intercept)
    assert r == pytest.approx(-0.930, abs=5e-4)
    at_30 = line.intercept + 10 * line.slope
    u = s * (u_intercept**2 + 100 * u_slope**2 + 20 * covariance) ** 0.5
    assert at_30 == pytest.approx(-0.1494, abs=5e-5)
    assert u == pytest.approx(0.0041, abs=5e-5)


X = [1.0, 2.0, 4.0, 8.0, 16.0]
NOISE = [0.004, -0.006, 0.01, 0.002, -0.02]
U = [0.01, 0.01, 0.02, 0.03, 0.05]


def _two_lines_here() -> np.ndarray:
    gain = ufloat(0.0, 0.002)
    slopes = []
    for true in (1.0, 0.995):
        y = [(true * x + n + ufloat(0.0, u)) * (1 + gain) for x, n, u in zip(X, NOISE, U, strict=True)]
        line = fit(X, [v.nominal_value for v in y], [0.0] * len(X), U)
        slopes += list(propagated(line, X, y))
    ratio = slopes[2] / slopes[0]
    return np.array(covariance_matrix([*slopes, ratio]))


def _two_lines_there() -> np.ndarray:
    gain = GTC.ureal(0.0, 0.002)
    slopes = []
    for true in (1.0, 0.995):
        y = [(true * x + n + GTC.ureal(0.0, u)) * (1 + gain) for x, n, u in zip(X, NOISE, U, strict=True)]
        found = GTC.tb.line_fit_wls(X, y, U)
        slopes += [found.a_b.b, found.a_b.a]
    ratio = slopes[2] / slopes[0]
    values = [*slopes, ratio]
    return np.array([[GTC.get_covariance(a, b) if a is not b else GTC.variance(a) for b in values] for a in values])


def test_two_lines_sharing_a_gain_as_another_library_has_them() -> None:
    """GTC 1.5 (type-B weighted fit, propagated by its own arithmetic): every variance and covariance, ratio included."""
    here, there = _two_lines_here(), _two_lines_there()
    assert here == pytest.approx(there, rel=1e-9, abs=1e-12)
    # All that the two slopes (0.9985 and 0.9935) share is the gain, of 0.2 %: that is their covariance, and in the
    # ratio, of about 1, it cancels.
    assert here[0, 2] == pytest.approx(0.9985 * 0.9935 * 0.002**2, rel=5e-3)
    assert here[4, 4] == pytest.approx(here[0, 0] + here[2, 2] - 2 * 0.002**2, rel=0.02)


def test_weighted_total_least_squares_as_another_library_has_them() -> None:
    """GTC 1.5 (type-B total least squares), another algorithm for the same minimum: coefficients and chi-squared."""
    data = _columns("mathioulakis_thermometer.csv")
    x = [GTC.ureal(v, u) for v, u in zip(data["x_t"], data["u_x"], strict=True)]
    y = [GTC.ureal(v, u) for v, u in zip(data["y_tr"], data["u_y"], strict=True)]
    there = GTC.tb.line_fit_wtls(x, y)
    here = fit(data["x_t"], data["y_tr"], data["u_x"], data["u_y"])
    assert here.slope == pytest.approx(there.a_b.b.x, rel=1e-7)
    assert here.intercept == pytest.approx(there.a_b.a.x, rel=1e-5)
    assert _chi_squared(here, data["x_t"], data["y_tr"]) == pytest.approx(there.ssr, rel=1e-6)
    # GTC linearises at the observed points, York at the adjusted ones: on points this close to a line they agree.
    assert _spread(here, data["x_t"], data["u_x"], data["u_y"])[0] == pytest.approx(there.a_b.b.u, rel=2e-3)


def test_a_common_gain_passes_into_the_slope_whole() -> None:
    """A relative uncertainty common to all reference readings is one of the slope, and leaves the intercept alone."""
    gain = ufloat(0.0, 1e-3)
    x = [v * (1 + gain) for v in X]
    y = [2.0 * v + 0.5 for v in X]
    line = fit(X, y, [1e-4] * len(X), U)
    slope, intercept = propagated(line, x, y)
    assert slope.std_dev / slope.nominal_value == pytest.approx(1e-3, rel=1e-9)
    assert intercept.std_dev == pytest.approx(0.0, abs=1e-9)


@given(
    st.floats(-5, 5),
    st.floats(-5, 5),
    st.lists(st.integers(0, 1000), min_size=3, max_size=12, unique=True),
    st.lists(st.floats(0.01, 1.0), min_size=24, max_size=24),
)
def test_exact_lines_are_recovered(slope: float, intercept: float, xs: list[int], u: list[float]) -> None:
    """Whatever the weights, a line through points on it is that line."""
    n, x = len(xs), np.array(xs, dtype=float)
    line = fit(x, intercept + slope * x, u[:n], u[12 : 12 + n])
    assert line.slope == pytest.approx(slope, abs=1e-8)
    assert line.intercept == pytest.approx(intercept, abs=1e-6)
    assert _chi_squared(line, x, intercept + slope * x) == pytest.approx(0.0, abs=1e-9)


@given(st.floats(1e-3, 1e3), st.floats(1e-3, 1e3))
def test_a_change_of_units_changes_nothing_else(unit_x: float, unit_y: float) -> None:
    """Chi-squared has no unit; the slope has that of y over x."""
    data = _columns("mathioulakis_thermometer.csv")
    x, y, u_x, u_y = (data[key] for key in ("x_t", "y_tr", "u_x", "u_y"))
    before, after = fit(x, y, u_x, u_y), fit(x * unit_x, y * unit_y, u_x * unit_x, u_y * unit_y)
    assert _chi_squared(after, x * unit_x, y * unit_y) == pytest.approx(_chi_squared(before, x, y), rel=1e-6)
    assert after.slope == pytest.approx(before.slope * unit_y / unit_x, rel=1e-9)
    spread = _spread(after, x * unit_x, u_x * unit_x, u_y * unit_y)
    assert spread[0] == pytest.approx(_spread(before, x, u_x, u_y)[0] * unit_y / unit_x, rel=1e-6)


def test_what_cannot_be_fitted_is_refused() -> None:
    """One place on x has no slope; a y known exactly would take all the weight."""
    with pytest.raises(ValueError, match="two different x"):
        fit([1.0, 1.0], [1.0, 2.0], [0.0, 0.0], [0.1, 0.1])
    with pytest.raises(ValueError, match="above zero"):
        fit([1.0, 2.0], [1.0, 2.0], [0.0, 0.0], [0.1, 0.0])


def _line(found: RangeResult) -> tuple[float, float]:
    assert found.line is not None
    return found.line.slope_uncertainty, found.line.intercept_uncertainty


def test_lack_of_fit_is_in_slope_and_intercept(device: Device, bench: Bench) -> None:
    """Paule and Mandel 1982, J. Res. NBS 87, 377: what scatters more than its uncertainties is not known better than it scatters."""
    results = [
        evaluate_ranges(
            device,
            bench,
            sweep(device, lambda r, i, bend=bend: i * (10 * (1 + bend * i / 10) if r == "x10" else 1)),
            [],
            RUN_DATE,
        ).ranges[1]
        for bend in (0.0, 0.01, 0.02)
    ]
    slopes, intercepts = zip(*(_line(r) for r in results), strict=True)
    assert slopes[2] > 1.3 * slopes[1] > 1.3 * 1.1 * slopes[0]
    assert intercepts[2] > 1.3 * intercepts[1]
    assert [r.line.departs for r in results if r.line is not None] == [False, True, True]
