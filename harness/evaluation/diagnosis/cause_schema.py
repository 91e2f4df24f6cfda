"""The keys of a cause in `causes.toml`: a few verbs for turns, switch and display, and priors for what the readings do.

All fractions are of the reading; angles in radians, currents in amperes.
"""

from __future__ import annotations

import itertools
import math
import string
from typing import Literal

from pydantic import Field, model_validator

from harness.core.plausible_quantities import Angle, Conductance, Fraction, SignedAngle, SignedFraction
from harness.files.device import Table

PLACES = ("range", "turns", "expected", "other", "before", "factor")
"""What a cause's `text` and `look` may name in braces."""

PART = 1.15
"""Ratio of the ends of a part of a spread, at most: readings are parabolas within it."""


class FractionPrior(Table):
    """Mean and standard deviation of a normal prior, both fractions."""

    mean: SignedFraction = 0.0
    """Mean."""
    deviation: Fraction = 0.0
    """Standard deviation."""


class AnglePrior(Table):
    """Mean and standard deviation of a normal prior, both angles."""

    mean: SignedAngle = 0.0
    """Mean."""
    deviation: Angle = 0.0
    """Standard deviation."""


class StepsPrior(Table):
    """Mean and standard deviation of a normal prior, both in display steps."""

    mean: float = 0.0
    """Mean."""
    deviation: float = Field(default=0.0, ge=0)
    """Standard deviation."""


class ConductancePrior(Table):
    """Mean and standard deviation of a normal prior, both in siemens."""

    mean: Conductance = 0.0
    """Mean."""
    deviation: Conductance = 0.0
    """Standard deviation."""


class SpreadPrior(Table):
    """A prior that is even in the logarithm between `least` and `most`, both fractions; nothing acts where both are zero."""

    least: Fraction = 0.0
    """Least it may be."""
    most: Fraction = 0.0
    """Most it may be."""

    @model_validator(mode="after")
    def _rising(self) -> SpreadPrior:
        if (self.least > 0) != (self.most > 0) or self.least > self.most:
            raise ValueError("found least and most that are no span, expected both above zero, least first")
        return self

    def parts(self) -> tuple[SpreadPrior, ...]:
        """The same prior in parts so narrow that readings are parabolas in each; itself where nothing acts."""
        if not self.most:
            return (self,)
        count = max(1, math.ceil(math.log(self.most / self.least) / math.log(PART)))
        ends = [self.least * (self.most / self.least) ** (i / count) for i in range(count + 1)]
        return tuple(self.model_copy(update={"least": a, "most": b}) for a, b in itertools.pairwise(ends))


class Priors(Table):
    """What the readings may do, each key a normal prior: what you believe before the run. A key left out is exactly zero."""

    gain: FractionPrior = FractionPrior()
    """Error of the module, the same at every current."""
    transformer_gain: FractionPrior = FractionPrior()
    """Error of the transformer, the same at every current."""
    trimmed: FractionPrior = FractionPrior()
    """What of that error the maker has removed in the module, so that only the secondary current shows it."""
    reference: FractionPrior = FractionPrior()
    """Error of every reading of the reference."""
    slope: FractionPrior = FractionPrior()
    """Change of the error per decade of ampere-turns."""
    droop_at_top: FractionPrior = FractionPrior()
    """Error at the rated ampere-turns, appearing towards them."""
    droop_at_bottom: FractionPrior = FractionPrior()
    """Error at 1 % of the rated ampere-turns, appearing below 20 %."""
    bend: FractionPrior = FractionPrior()
    """Error at the rated ampere-turns, in proportion to the current."""
    burden: FractionPrior = FractionPrior()
    """Burden of the secondary loop beyond a sound one's, as a part of it."""
    closed_turn: ConductancePrior = ConductancePrior()
    """Conductance of what closes around the core, such as `3 kS`."""
    added_current: FractionPrior = FractionPrior()
    """A constant primary current, as a part of the smallest current claimed."""
    offset: StepsPrior = StepsPrior()
    """Offset of the display, in display steps."""
    voltage_gain: FractionPrior = FractionPrior()
    """Power readings only: error of the voltage."""
    phase: AnglePrior = AnglePrior()
    """Power readings only: phase displacement."""
    phase_slope: AnglePrior = AnglePrior()
    """Power readings only: change of the phase displacement per decade of ampere-turns."""
    threshold: FractionPrior = FractionPrior()
    """Change of the smallest readable current."""
    mean_response: FractionPrior = FractionPrior()
    """Waveforms that are no sine: how far the meter responds to the rectified mean; 100 % is all the way."""
    reference_mean_response: FractionPrior = FractionPrior()
    """The same of the reference."""
    high_pass: FractionPrior = FractionPrior()
    """Waveforms that are no sine: corner frequency of magnetising inductance and secondary loop, as a part of the mains frequency."""
    low_pass: SpreadPrior = SpreadPrior()
    """Waveforms that are no sine: mains frequency as a part of the bandwidth of the meter's input."""
    clipping: SpreadPrior = SpreadPrior()
    """Peak of a sine of the rated secondary current, as a part of the peak at which the meter's input clips."""
    direct_saturation: SpreadPrior = SpreadPrior()
    """Waveforms with a direct part: corner frequency of a core that it magnetises at the rated ampere-turns, as a part of the mains frequency."""


class Cause(Table):
    """One cause, or one variant of it: entries of the same name are variants and share its weight. A cause named like a shipped one replaces it."""

    name: str = Field(min_length=1, pattern=r"^[a-z0-9][a-z0-9-]*$")
    """Name of the cause: lower-case letters, digits and hyphens."""
    text: str = Field(min_length=1)
    """What is told of it. With `each_range` it may name {range}, {turns}, {expected}, {other}, {before} and {factor}."""
    look: str = ""
    """Where to look when no reading can tell it apart."""
    weight: float = Field(default=1.0, gt=0, le=100)
    """How likely it is beside the others."""
    needs: Literal["reference-ratio", "waveforms"] | None = None
    """`reference-ratio`: only where the reference path has a ratio. `waveforms`: only in runs with loads of a named waveform that is no sine."""
    each_range: bool = False
    """One hypothesis for every range; its priors act on that range alone. The keys from `section_turns` to `display_factor` require it."""
    section_turns: int = 0
    """Turns more (negative: fewer) in the section a range adds, shared by the ranges wired onto it."""
    range_turns: int = 0
    """Turns more (negative: fewer) in that position alone."""
    section: Literal["reversed", "left-out"] | None = None
    """What happened to the section that a series range adds."""
    winding: Literal["reversed"] | None = None
    """The whole winding of a range is reversed."""
    also_in_circuit: Literal["range-before"] | None = None
    """The winding of the range before carries the current too."""
    position: Literal["stays-here", "stood-elsewhere"] | None = None
    """The range switch stays here on every range, or stood elsewhere on this one."""
    display_factor: Literal["applied-twice", "left-out"] | None = None
    """The display factor was applied twice or not at all."""
    reads: Literal["nothing"] | None = None
    """The meter reads nothing."""
    power: Literal["reversed"] | None = None
    """The sign of power is reversed."""
    readings: Priors = Priors()
    """What it does to the readings, as normal priors."""

    @model_validator(mode="after")
    def _says_something(self) -> Cause:
        verbs = [key for key in RANGE_VERBS if getattr(self, key)]
        if not verbs and not self.reads and not self.power and self.readings == Priors():
            raise ValueError("found a cause that changes nothing, expected a verb or [causes.readings]")
        if verbs and not self.each_range:
            raise ValueError(f"found {verbs[0]} without each_range, expected each_range = true with it")
        if self.each_range and any(getattr(self.readings, key) != getattr(Priors(), key) for key in OF_WAVEFORMS):
            raise ValueError("found a key of waveforms with each_range, expected it of the whole meter")
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


SPREAD = ("low_pass", "clipping", "direct_saturation")
"""Keys of priors that are spread over orders of magnitude."""

OF_WAVEFORMS = (
    "mean_response",
    "reference_mean_response",
    "high_pass",
    *SPREAD,
)
"""Keys of priors that act on the whole meter or reference, by the waveform of the load."""

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
    """A file of your own causes."""

    causes: tuple[Cause, ...] = ()
    """Causes to add, one `[[causes]]` for each."""
    without: tuple[str, ...] = ()
    """Names of shipped causes to leave out."""
    ordinary: Priors | None = None
    """What a sound meter of yours may do; each key in place of the shipped one."""


class Catalogue(Table):
    """The shipped file: everything a diagnosis assumes."""

    revision: str
    weights: Weights
    limits: Limits
    unmodelled: Unmodelled
    ordinary: Priors
    causes: tuple[Cause, ...] = Field(min_length=1)
