"""The risk a verdict carries, and the acceptance limit that keeps it small (JCGM 106:2012).

All limits are of a quantity that may be anything from `-limit` to `limit`, unless an interval is named. Uncertainties are
standard uncertainties, in the unit of the limit.
"""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from harness.core.zero_crossing import zero_crossing
from harness.evaluation.uncertainty.distributions import NORMAL, Spread

FAR = 9.0
"""Standard deviations beyond which a normal distribution is taken as zero: 1e-19."""


@dataclass(frozen=True)
class GlobalRisk:
    """Probabilities, over all items: one accepted that does not conform, and one rejected that does (JCGM 106:2012, 9.5)."""

    consumer: float
    producer: float


@dataclass(frozen=True)
class PriorDistribution:
    """Prior knowledge of an item: a normal distribution (JCGM 106:2012, annex A)."""

    mean: float
    standard_deviation: float


def conformance_probability(
    value: float, standard_uncertainty: float, lower: float, upper: float, spread: Spread = NORMAL
) -> float:
    """Probability that the quantity measured as `value` is in `lower` to `upper`, either may be infinite (JCGM 106:2012, clause 7)."""
    if standard_uncertainty == 0:
        return float(lower <= value <= upper)
    # Counted from the tails, where both are small numbers.
    above = spread.cumulative((value - upper) / standard_uncertainty)
    below = spread.cumulative((lower - value) / standard_uncertainty)
    return 1 - above - below


def false_accept_limit(limit: float, standard_uncertainty: float, probability: float, spread: Spread = NORMAL) -> float:
    """Largest absolute error with which the probability to lie beyond +-`limit` is at most `probability` (below 0.5).

    JCGM 106:2012, 8.3.3, with both limits in view. Negative where not even an error of zero is safe enough.
    """
    if standard_uncertainty == 0:
        return limit
    both = limit - spread.half_width(1 - probability) * standard_uncertainty
    if both <= 0:
        return both

    def excess(error: float) -> float:
        inside = conformance_probability(error, standard_uncertainty, -limit, limit, spread)
        return 1 - inside - probability

    return zero_crossing(excess, 0.0, limit)


def global_risk(
    limit: float, acceptance_limit: float, standard_uncertainty: float, prior: PriorDistribution
) -> GlobalRisk:
    """Global risks with `prior`, the tolerance from -limit to limit and acceptance likewise, not below zero (JCGM 106:2012, A.5).

    Measurement errors are normal here, as there: this is a statement on items still to come, made before any of them is measured.

    F(e) = Phi((A - e)/u) - Phi((-A - e)/u) is the probability to accept an item of error e: the consumer's risk is the
    integral of F times the prior outside the tolerance, the producer's that of 1 - F times the prior inside.
    """
    u, mean, spread = standard_uncertainty, prior.mean, prior.standard_deviation

    def accepted_at(error: float) -> float:
        return conformance_probability(error, u, -acceptance_limit, acceptance_limit)

    def density(error: float) -> float:
        return math.exp(-(((error - mean) / spread) ** 2) / 2) / (spread * math.sqrt(2 * math.pi))

    def false_accept(error: float) -> float:
        return accepted_at(error) * density(error)

    reach = max(limit, acceptance_limit) + FAR * u
    low, high = mean - FAR * spread, mean + FAR * spread
    breaks = [s * (acceptance_limit + k * u) for s in (-1, 1) for k in (-4, 0, 4)] + [mean]
    consumer = _integral(false_accept, limit, min(reach, high), breaks)
    consumer += _integral(false_accept, max(-reach, low), -limit, breaks)
    producer = _integral(lambda e: (1 - accepted_at(e)) * density(e), max(-limit, low), min(limit, high), breaks)
    return GlobalRisk(consumer, producer)


@lru_cache(maxsize=1024)
def consumer_risk_limit(limit: float, standard_uncertainty: float, prior: PriorDistribution, greatest: float) -> float:
    """Largest acceptance limit, not beyond `limit`, whose global consumer's risk is at most `greatest` (JCGM 106:2012, 9.5)."""

    def excess(acceptance_limit: float) -> float:
        return global_risk(limit, acceptance_limit, standard_uncertainty, prior).consumer - greatest

    return limit if excess(limit) <= 0 else zero_crossing(excess, 0.0, limit)


def _integral(function: Callable[[float], float], low: float, high: float, breaks: Sequence[float]) -> float:
    """Integral over `low` to `high`, 0 when they are the wrong way round; `breaks` are where the function turns."""
    from scipy.integrate import quad

    ends = [low, *sorted({b for b in breaks if low < b < high}), high]
    # A piece as narrow as its ends are rounded holds nothing, and cannot be divided further.
    pieces = [(a, b) for a, b in itertools.pairwise(ends) if b - a > 1e-12 * max(abs(a), abs(b))]
    return sum((float(quad(function, a, b, epsabs=1e-12, epsrel=1e-9)[0]) for a, b in pieces), 0.0)
