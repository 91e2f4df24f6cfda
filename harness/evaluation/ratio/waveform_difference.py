"""The difference that another waveform makes: the ratio error with one load less that with a sine, at nearly equal effective currents of one range.

It is judged, as the influence of the waveform, in `waveform_results.py`.

With e the ratio error (IEC 61869-2) of the point with the other waveform (w) and of the nearest one with a sine (s):

    d = e_w - e_s + c,    |c| <= b |ln(I_w / I_s)|

c is what the meter's own curve may do between the two currents; its slope b (per logarithm of the current) is that of an ordinary transformer, plus
the steepest that the sines beside show, or, where no other sine was read, that of a constant indication as large as the claim allows.

Both errors carry every input of their points (`point_errors`), and u(d) follows from all of them with their correlation (JCGM 100:2008, 5.2.2 and
F.1.2.3): what both points share, the reference's gain, its drift, the temperature and the errors of its path, cancels as far as both errors are alike.
What remains is what each point has to itself, type A and the resolutions of reference and display; the reference's offset where the currents differ;
its gain where the ranges do; what its bandwidth may take of the named waveform; and c.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from harness.evaluation.ratio.effective_turns import EQUAL, SLOPE
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, nominal
from harness.steps import NEARLY_EQUAL

CURVE = "the meter's own curve between currents that are nearly equal"


@dataclass(frozen=True)
class WaveformDifference:
    """The point of another waveform, that of the sine it is compared with, and the difference of their ratio errors, an uncertain fraction.

    `between`: the input that stands for the curve between their currents (0.0 where they are the same).
    """

    point: PointValues
    sine: PointValues
    difference: Any
    between: Any


def waveform_difference(
    inputs: InputQuantities, point: PointValues, sines: Sequence[PointValues], constant: float
) -> WaveformDifference | None:
    """`point` against the nearest of the `sines` of its range; None where none is within `NEARLY_EQUAL` of it.

    `constant`: amperes that the meter may indicate too many at any current and still be as claimed. Raises ValueError for a zero point.
    """
    nearest = min(sines, key=lambda s: _apart(point, s), default=None)
    if nearest is None or _apart(point, nearest) > math.log(NEARLY_EQUAL):
        return None
    slope = steepest(nearest, sines, constant)
    between = inputs.own_bound(CURVE, slope * _apart(point, nearest))
    return WaveformDifference(point, nearest, _error(point) - _error(nearest) + between, between)


def steepest(at: PointValues, sines: Sequence[PointValues], constant: float) -> float:
    """Bound of the slope of the meter's curve about the sine `at`, in the logarithm of the current."""
    ordered = sorted(sines, key=lambda s: nominal(s.reference))
    place = ordered.index(at)
    beside = [p for p in itertools.pairwise(ordered[max(0, place - 1) : place + 2]) if _apart(*p) > EQUAL]
    if not beside:
        return SLOPE + constant / nominal(at.reference)
    return SLOPE + max(abs(nominal(_error(a)) - nominal(_error(b))) / _apart(a, b) for a, b in beside)


def _error(values: PointValues) -> Any:
    if values.ratio_error is None:
        raise ValueError(f"point {values.observed.name} is a zero point")
    return values.ratio_error


def _apart(first: PointValues, second: PointValues) -> float:
    return abs(math.log(nominal(first.reference) / nominal(second.reference)))
