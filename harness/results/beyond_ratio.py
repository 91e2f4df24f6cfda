"""Results beyond ratio errors: power, phase, parts of the error, smallest current, rest, the bench itself."""

from dataclasses import dataclass

from harness.results.judged_value import Judged, Stated, Verdict
from harness.results.point_results import BudgetLine


@dataclass(frozen=True)
class PowerPoint:
    """Power at one current and power factor: watts and voltamperes, errors as fractions (of power factor: as it is).

    Power factors are negative where the current leads. `power_factor` is the reference's, `nominal_power_factor` what
    the load was asked for.
    """

    name: str
    nominal_current: float
    nominal_power_factor: float | None
    power_factor: float
    reference_current: float
    reference_power: float
    apparent_power: float | None
    indicated_power: float
    power_error: Judged
    apparent_power_error: Stated | None
    power_factor_error: Stated | None
    basis: str
    budget: tuple[BudgetLine, ...]

    @property
    def judged(self) -> Judged:
        return self.power_error


@dataclass(frozen=True)
class ForetoldPower:
    """Power error (a fraction) that the phase displacement makes at a power factor, and the measured one where there is one.

    `normalized_error` is their difference over its expanded uncertainty (E_n of ISO/IEC 17043): within 1 they agree.
    """

    power_factor: float
    foretold: Stated
    measured: Stated | None
    normalized_error: float | None


@dataclass(frozen=True)
class PhaseDisplacement:
    """Phase displacement at one current in rad, the error common to all power factors (a fraction), their correlation.

    `found_from`: the two points used; `budget` is that of the displacement.
    """

    nominal_current: float
    displacement: Judged
    common_error: Stated
    correlation: float
    found_from: tuple[str, ...]
    foretold: tuple[ForetoldPower, ...]
    budget: tuple[BudgetLine, ...]

    @property
    def judged(self) -> Judged:
        return self.displacement


@dataclass(frozen=True)
class ErrorParts:
    """The ratio error of one point split where the secondary current was read: transformer with its turns, and module."""

    name: str
    secondary_current: float
    transformer_error: Stated
    module_error: Stated


@dataclass(frozen=True)
class SmallestCurrent:
    """The current at which the display begins to read, in amperes of primary current; `found` is None when the search had no two sides.

    `power_factor_from`: where the power factor displayed leaves its default. `limit` is the smallest current claimed,
    `budget` that of `found`. `verdict` is None where no load was at hand to show it.
    """

    found: Stated | None
    lowest_reading: float | None
    highest_silent: float | None
    power_factor_from: Stated | None
    limit: float
    verdict: Verdict | None
    budget: tuple[BudgetLine, ...] = ()


@dataclass(frozen=True, kw_only=True)
class NoLoad:
    """Indications with no current at the end of the wait, in amperes and watts, and the energy counted in `seconds`, in joules.

    `voltage` in volts, None where none was read. `creep` is the energy as a power, in watts, which was less than `creep_below`;
    `creep_period` the seconds the standard's test lasts at least.
    """

    seconds: float
    current: Judged
    voltage: float | None
    power: Judged | None
    energy: float | None = None
    energy_resolution: float | None = None
    verdict: Verdict
    creep: Stated | None = None
    creep_below: float | None = None
    creep_period: float | None = None


@dataclass(frozen=True)
class Endurance:
    """A largest `current` in amperes held for `seconds`: ratio errors at both ends, drift (fractions), `largest_secondary_current` in amperes if read."""

    current: float
    seconds: float
    points: int
    first_error: float
    last_error: float
    drift: Judged
    largest_secondary_current: float | None
    verdict: Verdict


@dataclass(frozen=True)
class EnergyRegister:
    """What the register counted in `seconds` while a current was held: `energy` and its step in joules of the primary, the mean
    `reference_power` in watts, the error of the register as a fraction.
    """

    seconds: float
    energy: float
    energy_resolution: float
    reference_power: float
    error: Judged
    verdict: Verdict


@dataclass(frozen=True, kw_only=True)
class WaveformInfluence:
    """Ratio error with a load that is no sine less that with one at nearly the same effective current; currents in amperes, errors as fractions.

    `load`, its `waveform` and `crest_factor` are as stated. `sine` names the point it was compared with, at `sine_current`. `claimed`: the limit is that
    claimed of the influence, and not of the ratio error.
    """

    name: str
    load: str
    waveform: str
    crest_factor: float
    nominal_current: float
    reference_current: float
    ratio_error: float
    sine: str
    sine_load: str
    sine_current: float
    sine_error: float
    influence: Judged
    claimed: bool
    budget: tuple[BudgetLine, ...]

    @property
    def judged(self) -> Judged:
        return self.influence


@dataclass(frozen=True)
class BenchCheck:
    """Comparison of reference and check standard: ratio of standard to reference, established and today.

    `normalized_error`: deviation over the expanded uncertainty of the difference. `criterion` is what the verdict goes by: the
    criterion is a published one of its own, and the bench's decision rule is about items. `budget` is that of the deviation.
    """

    instrument: str
    current: float
    established: Stated
    found: Stated
    deviation: Stated
    normalized_error: float
    verdict: Verdict
    criterion: str = "|En| <= 1 (ISO/IEC 17043), not by the decision rule"
    budget: tuple[BudgetLine, ...] = ()
