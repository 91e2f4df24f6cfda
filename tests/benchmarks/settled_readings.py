"""What counting readings that showed a settled current does to an interval: `python tests/benchmarks/settled_readings.py [COUNT]`.

A reference with normal noise of its own settles by the rule of a run, then reads on. Of four readings the first ones are the last of the row that
settled it. Held is how often Student's interval (JCGM 100:2008, G.3) of the four has the true current, stated 95 %.
"""

import math
import sys
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[0] = str(Path(__file__).parents[2])

from scipy import stats

from harness.run.settling import settle
from simulated.physics.virtual_clock import VirtualClock

PAIRS = 4


def points(noise: float, takes: float, kept: int, count: int) -> np.ndarray:
    """Deviations (count, 4) of the readings of so many points, a part of the current; `kept` are of settling. A reading takes so many seconds."""
    draw = np.random.default_rng(1)
    found = np.empty((count, PAIRS))
    for row in found:
        clock, read = VirtualClock(), list[float]()

        def reading(clock: VirtualClock = clock, read: list[float] = read) -> float:
            clock.sleep(takes)
            read.append(float(draw.normal(1.0, noise)))
            return read[-1]

        while settle(reading, clock, floor=0.0, between=lambda: None) is None:
            pass
        row[:kept], row[kept:] = read[len(read) - kept :], draw.normal(1.0, noise, PAIRS - kept)
    return found - 1.0


def held(deviations: np.ndarray) -> float:
    """Part of the points whose interval holds what is true."""
    half = stats.t.ppf(0.975, PAIRS - 1) * deviations.std(axis=1, ddof=1) / math.sqrt(PAIRS)
    return float(np.mean(np.abs(deviations.mean(axis=1)) <= half))


def main() -> None:
    """Print what tests/benchmarks/README.md states."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40_000
    for takes, kept, what in ((0.1, 1, "last of three"), (1.0, 1, "last of two"), (0.1, 3, "all three")):
        row = [points(noise, takes, kept, count) for noise in (0.0005, 0.001, 0.002, 0.005)]
        variance = [(d.var(axis=1, ddof=1) / PAIRS).mean() / d.mean(axis=1).var() for d in row]
        print(
            f"{what:14}", *(f"{100 * held(d):6.2f} %" for d in row), " stated over true variance of the mean", end=" "
        )
        print(*(f"{v:.3f}" for v in variance))


if __name__ == "__main__":
    main()
