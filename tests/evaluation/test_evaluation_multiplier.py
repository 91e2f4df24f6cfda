"""Effective turns: what cancels between ranges and what does not."""

import math

import GTC
import pytest
from conftest import RUN_DATE, observed, recalibrated, sweep

from harness.bench import Bench
from harness.device import Device
from harness.evaluation.observed import ObservedPoint
from harness.evaluation.ranges import evaluate_ranges
from harness.results import EffectiveTurns


def _turns(device: Device, bench: Bench, points: list[ObservedPoint]) -> list[EffectiveTurns | None]:
    return [r.effective_turns for r in evaluate_ranges(device, bench, points, [], RUN_DATE).ranges]


def test_one_common_current_as_another_library_has_it(device: Device, bench: Bench) -> None:
    """GTC 1.5: 5 A on both ranges, on one range of the reference: its gain, offset and path cancel in the turns.

    What does not cancel is the meter's own error, which may differ at ten times the ampere-turns by what its claim allows:
    1 % and two display steps.
    """
    _, ten = _turns(
        device, bench, [observed(r, 5.0, [d] * 4, direction="single") for r, d in (("x1", 5.01), ("x10", 49.6))]
    )

    def bound(half_width: float) -> object:
        return GTC.ureal(0.0, GTC.tb.uniform(half_width))

    gain, offset, factor = bound(8e-4), bound(2e-4), GTC.ureal(20.0, 20 * 0.00025)
    slopes = [
        (shown + bound(0.0005)) * scale / (factor * (0.25 * (1 + gain) + offset + bound(0.5e-6)))
        + bound(0.01 + 0.002 * scale / 5.0)
        for shown, scale in ((5.01, 1.0), (49.6, 0.1))
    ]
    there = 10 * slopes[1] / slopes[0]
    assert ten is not None
    assert ten.value == pytest.approx(there.x, rel=1e-9)
    assert ten.expanded_uncertainty / ten.coverage_factor == pytest.approx(there.u, rel=1e-6)
    assert ten.basis == "base range"
    # Both ranges to 1 %, taken as rectangles.
    assert there.u == pytest.approx(10 * 0.01 * math.sqrt(2 / 3), rel=0.03)


CURRENTS = {"x1": (1.0, 5.0, 15.0), "x10": (0.5, 3.0, 9.0)}


def test_two_lines_as_another_library_has_them(device: Device, bench: Bench) -> None:
    """GTC 1.5: each range a line over currents on two scales of the reference, its weights from both resolutions.

    For points on a line of slope one, York's weights are those sums. All gains and offsets of scales, and drift
    are shared between the lines as they are between the readings.
    """
    shown = {"x1": (1.006, 5.030, 15.090), "x10": (5.007, 30.042, 90.126)}
    points = [observed(r, i, [d] * 4) for r in shown for i, d in zip(CURRENTS[r], shown[r], strict=True)]
    exact = recalibrated(bench, [{"current": at, "uncertainty": "0 %"} for at in ("0.1 A", "20 A")])
    here = evaluate_ranges(device, exact, points, [], RUN_DATE).ranges

    def bound(half_width: float) -> object:
        return GTC.ureal(0.0, GTC.tb.uniform(half_width))

    gain, offset = {0.1: bound(6e-4), 1.0: bound(8e-4)}, {0.1: bound(2e-5), 1.0: bound(2e-4)}
    drift = bound(2e-4 * 182 / 365.25)
    lines = {}
    for rng, scale in (("x1", 1.0), ("x10", 0.1)):
        x, y, u = [], [], []
        for current, displayed in zip(CURRENTS[rng], shown[rng], strict=True):
            full, step = (0.1, 1e-7) if current * 1.05 <= 2 else (1.0, 1e-6)
            x.append(20 * (current / 20 * (1 + gain[full] + drift) + offset[full] + bound(step / 2)))
            y.append((displayed + bound(0.0005)) * scale)
            u.append(math.hypot(y[-1].u, 20 * step / 2 / 3**0.5))
        lines[rng] = GTC.tb.line_fit_wls(x, y, u).a_b
    there = 10 * lines["x10"].b / lines["x1"].b
    ten = here[1].effective_turns
    assert ten is not None
    assert ten.value == pytest.approx(there.x, rel=1e-6)
    assert ten.expanded_uncertainty / ten.coverage_factor == pytest.approx(there.u, rel=1e-3)
    for result in here:
        assert result.line is not None
        assert result.line.slope == pytest.approx(lines[result.name].b.x, rel=1e-6)
        assert result.line.slope_uncertainty == pytest.approx(lines[result.name].b.u, rel=1e-3)
        assert result.line.intercept_uncertainty == pytest.approx(lines[result.name].a.u, rel=1e-3)
        assert result.line.covariance == pytest.approx(
            GTC.get_covariance(lines[result.name].b, lines[result.name].a), rel=1e-3
        )
    # The path's 0.025 % alone would be 0.0025 turns in each line; it cancels, the two scales' gains do not quite.
    apart = 10 * ((lines["x10"].b.u / lines["x10"].b.x) ** 2 + (lines["x1"].b.u / lines["x1"].b.x) ** 2) ** 0.5
    assert there.u < 0.9 * apart


def test_the_meters_own_gain_cancels(device: Device, bench: Bench) -> None:
    """common practice, no published source: a meter reading 3 % high on both ranges still has one and ten turns."""
    base, ten = _turns(device, bench, sweep(device, lambda r, i: 1.03 * i * (10 if r == "x10" else 1)))
    assert base is not None
    assert ten is not None
    assert ten.value == pytest.approx(10.0, abs=0.005)
    assert base.value == pytest.approx(1.03, abs=0.001)
    assert (base.basis, ten.basis) == ("absolute", "base range")
    assert (base.nearest, ten.nearest) == (1, 10)


def test_a_base_range_that_is_wrong_itself_is_not_compared_with(device: Device, bench: Bench) -> None:
    """The base turn doubled: the ten turns are right, and must not be reported as five."""
    base, ten = _turns(device, bench, sweep(device, lambda r, i: i * (10 if r == "x10" else 2)))
    assert base is not None
    assert ten is not None
    assert base.nearest == 2
    assert ten.nearest == 10
    assert ten.basis == "absolute"


def test_a_range_that_reads_nothing_has_no_turns(device: Device, bench: Bench) -> None:
    """An open winding reads zero: zero turns, not an error of the program."""
    _, ten = _turns(device, bench, sweep(device, lambda r, i: 0.0 if r == "x10" else i))
    assert ten is not None
    assert ten.value == 0.0
    assert ten.nearest == 0


@pytest.mark.parametrize(("half_spread", "excluded"), [(0.5, True), (2.5, False), (5.0, False)])
def test_scatter_decides_whether_the_neighbours_are_excluded(
    device: Device, bench: Bench, half_spread: float, excluded: bool
) -> None:
    """Three pairs with s = 0.1, 0.5 and 1 turn have, with k up to the 4.53 of two degrees of freedom, U near 0.3, 1.3 and 2.6 turns.

    The factor is that of JCGM 100:2008, table G.2; the meter's own error at other ampere-turns makes the degrees of freedom
    more. Only the first keeps nine and eleven out.
    """
    points = [observed("x1", 5.0, [5.0] * 4, direction="single")]
    points.append(observed("x10", 5.0, [50.0 - half_spread, 50.0, 50.0 + half_spread], direction="single"))
    _, ten = _turns(device, bench, points)
    assert ten is not None
    assert ten.nearest == 10
    combined = math.hypot(half_spread / 5 / 3**0.5, 10 * math.sqrt((0.0104**2 + 0.01004**2) / 3))
    assert 1.8 * combined < ten.expanded_uncertainty < 4.53 * combined
    assert ten.neighbours_excluded is excluded


def test_a_bent_line_makes_the_turns_less_certain(device: Device, bench: Bench) -> None:
    """Birge 1932, Phys. Rev. 40, 207: what scatters more than its uncertainties is not known better than it scatters."""

    def expanded(bend: float) -> float:
        _, ten = _turns(device, bench, sweep(device, lambda r, i: i * (10 * (1 + bend * i / 10) if r == "x10" else 1)))
        assert ten is not None
        return ten.expanded_uncertainty

    # The straight one has the gains of the reference's ranges; the bend comes on top of them.
    assert expanded(0.02) > 1.3 * expanded(0.01) > 1.3 * 1.3 * expanded(0.0)
