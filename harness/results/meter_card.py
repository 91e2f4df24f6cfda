"""What a user of a verified meter has at hand: its ranges, and what readings of them stand for."""

import datetime as dt
from dataclasses import dataclass

from harness.results.reason import Reason


@dataclass(frozen=True)
class CardReading:
    """A displayed current, and the current it stands for with its expanded uncertainty, in amperes."""

    displayed: float
    current: float
    expanded_uncertainty: float


@dataclass(frozen=True)
class RangeCard:
    """One range as its user sees it, with the currents it was verified from and to, in amperes; both None where it was not verified as conforming.

    `withstands`: the most that may flow on it, in amperes, 0 where it is not to be used; `readings`: from the smallest current to the largest.
    """

    name: str
    display_factor: float
    verdict: str
    lowest: float | None
    highest: float | None
    withstands: float
    readings: tuple[CardReading, ...]

    @property
    def verified(self) -> bool:
        return self.lowest is not None


@dataclass(frozen=True)
class MeterCard:
    """A verified meter as its user sees it: `ranges` from the fewest turns to the most, of which `first` is for unknown loads.

    `power_on`, `energy_on`: the ranges on which power and the energy register were verified as conforming. `unprotected`: what nothing stated
    protects; `wrong_on_paper`: what the check on paper finds wrong. `coverage_probability` is that of the uncertainties; `due` is None where none was stated.
    """

    title: str
    serial: str
    owner: str
    laboratory: str
    certificate: str
    verified: dt.date
    due: dt.date | None
    verdict: str
    simulated: bool
    power_on: tuple[str, ...]
    energy_on: tuple[str, ...]
    unprotected: tuple[Reason, ...]
    wrong_on_paper: tuple[Reason, ...]
    counts_energy: bool
    coverage_probability: float
    ranges: tuple[RangeCard, ...]

    @property
    def first(self) -> str:
        return self.ranges[0].name
