"""The true part before the reference: its own curve around what its certificate says."""

import bisect
import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

from simulated.description import BenchDescription, KnownAt


@dataclass(frozen=True)
class TruePath:
    """Ratio error (relative) and phase displacement (rad) at calibrated currents, with smooth curves between them.

    `slope` is the further change of the ratio error in every decade of current, none at `rated`.
    """

    factor: float
    loops: int
    errors: tuple[tuple[float, float], ...]
    displacements: tuple[tuple[float, float], ...]
    off: float
    slope: float

    def output(self, current: float) -> float:
        """The input of the reference instrument, in its own unit, for `current` amperes in the load lead."""
        return current / self.factor * (1.0 + self.ratio_error(current))

    def ratio_error(self, current: float) -> float:
        """Relative ratio error at `current` amperes of the load lead."""
        error = _curve(self.errors, current * self.loops) + self.off
        if self.slope and self.errors and current > 0.0:
            error += self.slope * math.log10(current * self.loops / self.errors[-1][0])
        return error

    def displacement(self, current: float) -> float:
        """Phase displacement in rad, positive when the output leads."""
        return _curve(self.displacements, current * self.loops)


def path_as_it_is(description: BenchDescription) -> TruePath:
    """The true path of the described bench, drawn around what is known of it."""
    path, share = description.reference_path, description.share_of_claim
    return TruePath(
        factor=description.reference_factor,
        loops=path.loops,
        errors=_drawn(path.ratio_errors, f"{description.seed} reference path", share),
        displacements=_drawn(path.phase_displacements, f"{description.seed} reference path phase", share),
        off=path.off,
        slope=path.slope,
    )


def _drawn(known: Sequence[KnownAt], seed: str, share: float) -> tuple[tuple[float, float], ...]:
    draw = random.Random(seed)
    return tuple(
        (
            k.current,
            k.value + (draw.uniform(-share, share) * k.bound if k.bound else draw.gauss(0, share * k.uncertainty / 2)),
        )
        for k in known
    )


def _curve(points: Sequence[tuple[float, float]], current: float) -> float:
    """A straight line between the points over the logarithm of the current; beyond them the end values."""
    if not points or current <= points[0][0]:
        return points[0][1] if points else 0.0
    if current >= points[-1][0]:
        return points[-1][1]
    upper = bisect.bisect_right([at for at, _ in points], current)
    (a, low), (b, high) = points[upper - 1], points[upper]
    return low + (high - low) * math.log(current / a) / math.log(b / a)
