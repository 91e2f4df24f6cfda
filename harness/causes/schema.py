"""What a file of causes may say: a few verbs for turns, switch and display, and priors for what the readings do.

All fractions are of the reading; angles in radians, currents in amperes.
"""

from __future__ import annotations

import string
from typing import Literal

from pydantic import Field, model_validator

from harness.device import Table
from harness.quantities import Angle, Conductance, Fraction, SignedAngle, SignedFraction

PLACES = ("range", "turns", "expected", "other", "before", "factor")
"""What a cause's `text` and `look` may name in braces."""


class Prior(Table):
    """Mean and standard deviation of a normal prior, both fractions."""

    mean: SignedFraction = 0.0
    deviation: Fraction = 0.0


class AnglePrior(Table):
    """Mean and standard deviation of a normal prior, both angles."""

    mean: SignedAngle = 0.0
    deviation: Angle = 0.0


class StepsPrior(Table):
    """Mean and standard deviation of a normal prior, both in display steps."""

    mean: float = 0.0
    deviation: float = Field(default=0.0, ge=0)


class ConductancePrior(Table):
    """Mean and standard deviation of a normal prior, both in siemens."""

    mean: Conductance = 0.0
    deviation: Conductance = 0.0


class Priors(Table):
    """What the readings may do, each key a normal prior; a key left out is exactly nothing.

    `gain`: flat, of the module. `transformer_gain`: flat, of the transformer; `trimmed`: what of it the maker has taken
    away in the module, so that the secondary alone shows it. `reference`: flat, of all that is compared with a reference
    that is wrong itself. `slope`: change of the error per decade of ampere-turns. `droop_at_top`: error at the rated
    ampere-turns, appearing towards them. `droop_at_bottom`: error at 1 % of them, appearing below 20 %. `bend`: error at
    the rated ones, in proportion to current. `burden`: of the secondary loop beyond a sound one's, as a part of it.
    `closed_turn`: what conducts around the core. `added_current`: a constant primary current, as a fraction of the smallest
    current claimed. `offset`: of the display. `voltage_gain`, `phase`, `phase_slope`: of power readings alone. `threshold`:
    change of the smallest readable current.
    """

    gain: Prior = Prior()
    transformer_gain: Prior = Prior()
    trimmed: Prior = Prior()
    reference: Prior = Prior()
    slope: Prior = Prior()
    droop_at_top: Prior = Prior()
    droop_at_bottom: Prior = Prior()
    bend: Prior = Prior()
    burden: Prior = Prior()
    closed_turn: ConductancePrior = ConductancePrior()
    added_current: Prior = Prior()
    offset: StepsPrior = StepsPrior()
    voltage_gain: Prior = Prior()
    phase: AnglePrior = AnglePrior()
    phase_slope: AnglePrior = AnglePrior()
    threshold: Prior = Prior()


class Cause(Table):
    """One cause, or one variant of it: entries of the same name are variants and share its weight.

    `needs` says without what on the bench there is no such cause.
    `each_range` makes one hypothesis of it for every range where its verbs mean something, and lets its priors act on
    that range alone.
    """

    name: str = Field(min_length=1, pattern=r"^[a-z0-9][a-z0-9-]*$")
    text: str = Field(min_length=1)
    look: str = ""
    weight: float = Field(default=1.0, gt=0, le=100)
    needs: Literal["reference-ratio"] | None = None
    each_range: bool = False
    section_turns: int = 0
    range_turns: int = 0
    section: Literal["reversed", "left-out"] | None = None
    winding: Literal["reversed"] | None = None
    also_in_circuit: Literal["range-before"] | None = None
    position: Literal["stays-here", "stood-elsewhere"] | None = None
    display_factor: Literal["applied-twice", "left-out"] | None = None
    reads: Literal["nothing"] | None = None
    power: Literal["reversed"] | None = None
    readings: Priors = Priors()

    @model_validator(mode="after")
    def _says_something(self) -> Cause:
        verbs = [key for key in RANGE_VERBS if getattr(self, key)]
        if not verbs and not self.reads and not self.power and self.readings == Priors():
            raise ValueError("found a cause that changes nothing, expected a verb or [causes.readings]")
        if verbs and not self.each_range:
            raise ValueError(f"found {verbs[0]} without each_range, expected each_range = true with it")
        for key, text in (("text", self.text), ("look", self.look)):
            try:
                named = {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
            except ValueError as failure:
                raise ValueError(f"found {key} {text!r}: {failure}, expected braces in pairs") from None
            unknown = sorted(named - set(PLACES))
            if unknown:
                raise ValueError(f"found {{{unknown[0]}}} in {key}, expected of {', '.join(PLACES)}")
            if named and not self.each_range:
                raise ValueError(f"found {{{min(named)}}} in {key}, expected it only with each_range = true")
        return self


RANGE_VERBS = (
    "section_turns",
    "range_turns",
    "section",
    "winding",
    "also_in_circuit",
    "position",
    "display_factor",
)


class Weights(Table):
    """How the prior probability is shared out; what these leave goes to the single causes by their weights."""

    healthy: float = Field(gt=0, lt=1)
    none_of_these: float = Field(gt=0, lt=1)
    pairs: float = Field(gt=0, lt=1)

    @model_validator(mode="after")
    def _leave_something(self) -> Weights:
        if self.healthy + self.none_of_these + self.pairs >= 1:
            raise ValueError("found weights that add up to 1 or more, expected something left for the causes")
        return self


class Limits(Table):
    """When the diagnosis says that it does not know: odds not told apart, and a fit too poor to be believed."""

    odds: float = Field(gt=1)
    fit: float = Field(gt=0, lt=0.5)


class Unmodelled(Table):
    """What no cause models: the shape of a real core (a fraction of the reading), the part of a droop that is not as assumed, and by
    what part of the largest secondary current the meter's input has stopped following it.
    """

    shape: Fraction
    of_droop: Fraction
    input_clips_by: Fraction = Field(gt=1)


class OwnCauses(Table):
    """A user's file: causes to add, names of shipped ones to leave out, and what is ordinary for their meter."""

    causes: tuple[Cause, ...] = ()
    without: tuple[str, ...] = ()
    ordinary: Priors | None = None


class Catalogue(Table):
    """The shipped file: everything a diagnosis assumes."""

    revision: str
    weights: Weights
    limits: Limits
    unmodelled: Unmodelled
    ordinary: Priors
    causes: tuple[Cause, ...] = Field(min_length=1)
