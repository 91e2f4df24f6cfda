"""The evaluation of one record: its ranges, and who, when, with what and by which rule."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

from harness.results.beyond_ratio import (
    BenchCheck,
    Endurance,
    EnergyRegister,
    ErrorParts,
    NoLoad,
    PhaseDisplacement,
    PowerPoint,
    SmallestCurrent,
    WaveformInfluence,
)
from harness.results.claim_part import ClaimPart
from harness.results.explanation import DiagnosisDetails, Hypothesis, Validation
from harness.results.judged_value import Judged, JudgedFinding, Stated, Verdict, accepted
from harness.results.point_results import EffectiveTurns, Line, Linearity, Offset, Point
from harness.results.reason import Reason

SCHEMA = "ratioproof-results-5"

CONTRADICTION = "contradiction"
"""The name by which readings that contradict each other are overridden."""

NOT_VISITED = "not visited"
"""The entry in place of the part that set the maximum test current, which is 0 for a range the run did not go to."""

STEPS_OF_ENERGY = 1.5
"""Counting may have begun just before a step of the register: one step alone is not yet creep (IEC 62053-21:2003, 8.3.2,
at most one pulse; value from memory)."""


@dataclass(frozen=True)
class RangeResult:
    """All results of one range. `ceiling` is 0 where the run did not go there.

    `reading_factor` is the sum of indicated over the sum of reference currents of its points. `stands_for`: the smallest and the largest
    current that the verdict is of, where they are a part of what is claimed; None where it is of the whole span.
    """

    name: str
    wiring: str
    expected_turns: int
    display_factor: float
    minimum_current: float
    maximum_current: float
    ceiling: float
    ceiling_set_by: str
    effective_turns: EffectiveTurns | None
    zero: Offset | None
    points: tuple[Point, ...]
    line: Line | None
    linearity: Linearity | None
    verdict: Verdict
    remarks: tuple[Reason, ...]
    power: tuple[PowerPoint, ...] = ()
    phase: tuple[PhaseDisplacement, ...] = ()
    parts: tuple[ErrorParts, ...] = ()
    smallest: SmallestCurrent | None = None
    no_load: NoLoad | None = None
    endurance: Endurance | None = None
    reading_factor: Stated | None = None
    stands_for: tuple[float, float] | None = None
    register: EnergyRegister | None = None
    waveforms: tuple[WaveformInfluence, ...] = ()

    @property
    def judged(self) -> tuple[Judged, ...]:
        """Every error of current and power that may be judged, what waveforms change of it, and what is indicated with no current."""
        found: tuple[JudgedFinding, ...] = (*self.points, *self.power, *self.phase, *self.waveforms)
        at_rest = () if self.no_load is None else (self.no_load.current,)
        return (*(f.judged for f in found), *at_rest)


@dataclass(frozen=True)
class DeviceSummary:
    """The device as its file describes it; steps of power (watts) and energy (joules) are None where it shows none."""

    maker: str
    type: str
    serial: str
    owner: str
    modified_by: str
    modification: str
    secondary_turns: int
    rated_secondary_current: float
    maximum_secondary_current: float
    burden: float
    frequency: float
    resolution: float
    smallest_readable_current: float
    path_ratings: dict[str, str]
    claim: tuple[ClaimPart, ...]
    power_resolution: float | None = None
    energy_resolution: float | None = None


@dataclass(frozen=True)
class InstrumentSummary:
    """One instrument that took part, as identified during the run."""

    name: str
    role: str
    profile: str
    identity: str
    serial: str
    certificate: str
    calibrated: str
    due: str
    laboratory: str
    accuracy: tuple[str, ...]


@dataclass(frozen=True)
class Condition:
    """One condition in `unit`: stated in files, and mean, least and largest measured (`measured` None, `instrument` empty if not)."""

    name: str
    unit: str
    stated: float | None
    measured: float | None
    lowest: float | None
    highest: float | None
    instrument: str


@dataclass(frozen=True)
class LoadWaveform:
    """What is stated of the waveform of a load that the verification used: whether it is a sine, None where nothing is, and the largest total
    harmonic distortion (a fraction) of a load that drives sines. `waveform` is its name where it is no sine and has one.
    """

    load: str
    sinusoidal: bool | None
    distortion: float | None = None
    waveform: str | None = None


@dataclass(frozen=True)
class ChainLink:
    """One link between the load's current and the reference's reading.

    `serial_known_from` says who vouches for the serial number, `known` what is known of the link's error. A link without a
    certificate is not `traceable`.
    """

    part: str
    name: str
    serial: str
    serial_known_from: str
    certificate: str
    calibrated: str
    due: str
    laboratory: str
    traceable: bool
    known: str


@dataclass(frozen=True)
class Run:
    """Where, when, by whom and how the readings were taken.

    `software` wrote the record, `evaluated_by` evaluated it. `replayed`: the record was made from transcripts, nothing was
    measured. `clock_steps`: where the time of day did not go as the running clock did, one line each.
    `procedure_compared`: the points were found to be those of the procedure, run anew on the record.
    """

    laboratory: str
    laboratory_address: str
    laboratory_statement: str
    operator: str
    started: str
    finished: str
    procedure: str
    procedure_title: str
    procedure_revision: str
    procedure_description: str
    procedure_hash: str
    temperature: float
    relative_humidity: float | None
    reference_path: str
    resumed: int
    overrides: tuple[str, ...]
    simulated: bool
    record_file: str
    record_lines: int
    record_hash: str
    software: str
    evaluated_by: str = ""
    replayed: bool = False
    clock_steps: tuple[str, ...] = ()
    procedure_compared: bool = False


@dataclass(frozen=True)
class DecisionRule:
    """The way a point's verdict was reached; what does not belong to the rule is None.

    `guard_factor`: guard band over U. Prior mean and standard deviation are parts of the limit. `global_consumer_risk` and
    `global_producer_risk`: the greatest over all points, for items as the prior says they are. `memory`: tables of limits
    the claim rests on that were written from memory.
    """

    rule: Literal["simple", "guarded", "false_accept", "shared_risk"]
    coverage_probability: float
    verdicts: Literal["two", "four"] = "two"
    guard_factor: float | None = None
    false_accept_probability: float | None = None
    prior_mean: float | None = None
    prior_standard_deviation: float | None = None
    greatest_consumer_risk: float | None = None
    global_consumer_risk: float | None = None
    global_producer_risk: float | None = None
    least_test_uncertainty_ratio: float | None = None
    memory: tuple[str, ...] = ()


@dataclass(frozen=True)
class Results:
    """The evaluation of one record; `contradictions`: why its readings contradict each other, also where that was overridden.

    `open_on_paper`: what the check on paper finds wrong, not protected or open. `waveforms`: of the loads that were used.
    """

    schema: str
    verdict: Verdict
    reasons: tuple[Reason, ...]
    run: Run
    device: DeviceSummary
    instruments: tuple[InstrumentSummary, ...]
    decision: DecisionRule
    ranges: tuple[RangeResult, ...]
    diagnosis: tuple[Hypothesis, ...]
    diagnosis_notes: tuple[Reason, ...]
    diagnosis_details: DiagnosisDetails = field(default_factory=DiagnosisDetails)
    bench_check: BenchCheck | None = None
    validation: Validation | None = None
    reference_chain: tuple[ChainLink, ...] = ()
    contradictions: tuple[Reason, ...] = ()
    conditions: tuple[Condition, ...] = ()
    open_on_paper: tuple[Reason, ...] = ()
    waveforms: tuple[LoadWaveform, ...] = ()

    @property
    def claim_verified(self) -> tuple[ClaimPart, ...]:
        """The parts of the claim of which at least one range has readings."""
        return tuple(part for part in self.device.claim if part.verified)

    @property
    def claim_not_verified(self) -> tuple[ClaimPart, ...]:
        """The parts of the claim of which no range has readings."""
        return tuple(part for part in self.device.claim if not part.verified)

    @property
    def ratio_taken(self) -> bool:
        """As `ratio_taken`, of this run."""
        return ratio_taken(self.ranges, self.bench_check)


def ratio_taken(ranges: Sequence[RangeResult], check: BenchCheck | None) -> bool:
    """Whether a run was to take ratio errors: one for the zero, the smallest current or the bench alone does not."""
    other = check is not None or any(r.smallest or r.no_load for r in ranges)
    return any(r.points for r in ranges) or not other


def partly(results: Results) -> bool:
    """Whether only a part of the claim passes: some of its currents, or of all waveforms those of the loads compared."""
    return accepted(results.verdict) and any(found.stands_for or found.waveforms for found in results.ranges)


def does_not_meet(results: Results) -> bool:
    """Whether a value was found beyond its limit, another number of turns than described, or a smallest current above the claimed."""
    return any(found for rng in results.ranges for found in _beyond(rng))


def _beyond(rng: RangeResult) -> Iterator[bool]:
    turns, smallest, rest, held = rng.effective_turns, rng.smallest, rng.no_load, rng.endurance
    yield turns is not None and turns.nearest != rng.expected_turns
    judged = [*rng.judged, rest.power if rest is not None else None, held.drift if held is not None else None]
    judged += [rng.register.error] if rng.register is not None else []
    yield from (found is not None and found.verdict == "fail" and found.beyond for found in judged)
    yield from (p.indicated_power * p.reference_power < 0 for p in rng.power)
    yield smallest is not None and smallest.verdict == "fail" and (smallest.highest_silent or 0.0) >= smallest.limit
    if rest is not None:
        counted, step = rest.energy, rest.energy_resolution
        yield counted is not None and step is not None and abs(counted) > STEPS_OF_ENERGY * step
