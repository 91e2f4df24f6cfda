"""The explanation of a run, and the validation of its evaluation."""

from dataclasses import dataclass
from typing import Literal

from harness.results.reason import Reason


@dataclass(frozen=True)
class Hypothesis:
    """One explanation of the whole run and its probability. `fault` is `none` for a healthy meter.

    `label` names it with its range; two causes at once are one explanation. Odds of 1e9 stand for that and more.
    """

    fault: str
    range: str | None
    description: str
    probability: float
    label: str = ""
    odds_against_none: float | None = None
    odds_against_next: float | None = None


@dataclass(frozen=True)
class NextMeasurement:
    """The next measurement: its purpose, what to do, the readings its causes predict, and which causes it leaves `undecided`."""

    aim: Reason
    action: Reason
    expected: tuple[Reason, ...]
    undecided: tuple[Reason, ...] = ()


@dataclass(frozen=True)
class DiagnosisDetails:
    """Open questions of a diagnosis. `together`: causes this run cannot tell apart. `extra_measurement`: what would.

    `look`: where to look for the likeliest cause, or for all of those that no measurement tells apart. `same_readings`:
    further explanations that would read exactly like the likeliest. `not_shown`: causes that this run says nothing of, alone
    or beside the likeliest. `goodness_of_fit`: probability of a fit as poor as that of the best explanation. `causes`: which
    catalogue was used.
    """

    together: tuple[str, ...] = ()
    extra_measurement: NextMeasurement | None = None
    same_readings: tuple[str, ...] = ()
    not_shown: tuple[str, ...] = ()
    goodness_of_fit: float | None = None
    causes: Reason | None = None
    look: Reason | None = None


@dataclass(frozen=True)
class ValidatedQuantity:
    """One result beside that of the trials: both coverage intervals, in `unit` ("1", "turns", ...).

    `tolerance` is half a unit of the second significant digit of the standard uncertainty. `agrees`: both ends within it.
    `undecided`: missed by less than twice `monte_carlo_uncertainty`, the standard uncertainty of the trials' own ends.
    """

    name: str
    unit: str
    low: float
    high: float
    monte_carlo_low: float
    monte_carlo_high: float
    monte_carlo_uncertainty: float
    tolerance: float
    outcome: Literal["agrees", "differs", "undecided"]


@dataclass(frozen=True)
class Validation:
    """The evaluation checked by propagation of distributions (JCGM 101:2008)."""

    trials: int
    seed: int
    coverage_probability: float
    quantities: tuple[ValidatedQuantity, ...]
