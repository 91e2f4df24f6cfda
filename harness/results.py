"""What an evaluation finds: the content of `results.json`, and all the certificate is made from.

Currents in amperes, ratio errors and uncertainties of them as fractions, times as ISO 8601 text. Field names are
the JSON keys. `None` stands for "not measured by this procedure".
"""

from __future__ import annotations

import dataclasses
import json
import math
import types
import typing
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

SCHEMA = "ratioproof-results-1"

Verdict = Literal["pass", "conditional pass", "conditional fail", "fail"]
VERDICTS: tuple[Verdict, ...] = ("pass", "conditional pass", "conditional fail", "fail")
"""From best to worst."""


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of `verdicts`, pass when there are none."""
    return max(verdicts, key=VERDICTS.index, default="pass")


def accepted(verdict: Verdict) -> bool:
    """Whether `verdict` is a pass, if only a conditional one."""
    return verdict in ("pass", "conditional pass")


@dataclass(frozen=True)
class BudgetLine:
    """One input of a point's uncertainty.

    `standard_uncertainty` u(x) of the input itself in `unit` ("1" for a relative one), `sensitivity` c of the ratio error
    to it (per that unit), `contribution` |c| u(x) to the standard uncertainty of the ratio error (a fraction).
    """

    source: str
    distribution: Literal["normal", "rectangular"]
    standard_uncertainty: float
    unit: str
    sensitivity: float
    contribution: float
    degrees_of_freedom: float | None
    shared: bool


@dataclass(frozen=True)
class Point:
    """One point: means over its pairs, ratio error with uncertainty, limit and verdict.

    `acceptance_limit`: what the error may be, without sign, to pass; negative when nothing would. `specific_risk`: probability
    that the verdict is wrong. `test_uncertainty_ratio`: limit over U, None where U is zero.
    """

    name: str
    direction: str
    nominal_current: float
    reference_current: float
    indicated_current: float
    ratio_error: float
    standard_uncertainty: float
    expanded_uncertainty: float
    coverage_factor: float
    degrees_of_freedom: float | None
    coverage_method: str
    limit: float
    acceptance_limit: float
    specific_risk: float
    test_uncertainty_ratio: float | None
    verdict: Verdict
    pairs: int
    reference_range: float
    budget: tuple[BudgetLine, ...]


@dataclass(frozen=True)
class EffectiveTurns:
    """Turns found on a range. `basis`: `base range` (relative to the base range's slope) or `absolute`.

    `nearest` is the nearest whole number; `neighbours_excluded` says whether the whole numbers beside it lie
    outside the expanded uncertainty.
    """

    value: float
    expanded_uncertainty: float
    coverage_factor: float
    basis: str
    nearest: int
    neighbours_excluded: bool


@dataclass(frozen=True)
class Offset:
    """Indicated current with no primary current, in amperes, and whether it differs from zero by more than U."""

    value: float
    expanded_uncertainty: float
    coverage_factor: float
    significant: bool


@dataclass(frozen=True)
class Line:
    """Straight line of indicated on reference current; intercept in amperes, standard uncertainties."""

    slope: float
    slope_uncertainty: float
    intercept: float
    intercept_uncertainty: float
    covariance: float
    chi_squared: float
    degrees_of_freedom: int


@dataclass(frozen=True)
class Linearity:
    """Largest deviations from the three lines of IEC 61298-2 and the hysteresis, as fractions of the span."""

    independent: float
    zero_based: float
    terminal_based: float
    hysteresis: float | None


@dataclass(frozen=True)
class Stated:
    """A value with its standard and expanded uncertainty and the coverage factor between them, all in the value's unit."""

    value: float
    standard_uncertainty: float
    expanded_uncertainty: float
    coverage_factor: float


@dataclass(frozen=True)
class PowerPoint:
    """Power at one current and power factor: watts and voltamperes, errors as fractions (of power factor: as it is).

    Power factors are negative where the current leads. `power_factor` is the reference's, `nominal_power_factor` what
    the load was asked for. `limit`, `verdict` and what belongs to them (see `Point`) are None where nothing is claimed.
    """

    name: str
    nominal_current: float
    nominal_power_factor: float | None
    power_factor: float
    reference_current: float
    reference_power: float
    apparent_power: float | None
    indicated_power: float
    power_error: Stated
    apparent_power_error: Stated | None
    power_factor_error: Stated | None
    limit: float | None
    acceptance_limit: float | None
    specific_risk: float | None
    test_uncertainty_ratio: float | None
    verdict: Verdict | None
    basis: str
    budget: tuple[BudgetLine, ...]


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
    """At one current: phase displacement in rad, the error common to all power factors (a fraction), their correlation.

    `found_from` names the two points it was found from.
    """

    nominal_current: float
    displacement: Stated
    common_error: Stated
    correlation: float
    found_from: tuple[str, ...]
    foretold: tuple[ForetoldPower, ...]
    limit: float | None
    acceptance_limit: float | None
    specific_risk: float | None
    test_uncertainty_ratio: float | None
    verdict: Verdict | None


@dataclass(frozen=True)
class ErrorParts:
    """The ratio error of one point split where the secondary current was read: transformer with its turns, and module."""

    name: str
    secondary_current: float
    transformer_error: Stated
    module_error: Stated


@dataclass(frozen=True)
class SmallestCurrent:
    """Where the display begins to read, in amperes of primary current; `found` is None when the search had no two sides.

    `power_factor_from`: where the power factor displayed leaves its default. `limit` is the smallest current claimed.
    """

    found: Stated | None
    lowest_reading: float | None
    highest_silent: float | None
    power_factor_from: Stated | None
    limit: float
    verdict: Verdict


@dataclass(frozen=True)
class NoLoad:
    """With no current: what is indicated at the end of the wait, in amperes and watts, and the energy counted in `seconds`, in joules."""

    seconds: float
    current: Stated
    power: float | None
    energy: float | None
    energy_resolution: float | None
    verdict: Verdict


@dataclass(frozen=True)
class Endurance:
    """The largest current held for `seconds`: ratio errors at both ends, drift between them (fractions), and the limit.

    `largest_secondary_current` in amperes, where it was read.
    """

    seconds: float
    points: int
    first_error: float
    last_error: float
    drift: Stated
    largest_secondary_current: float | None
    limit: float
    verdict: Verdict


@dataclass(frozen=True)
class BenchCheck:
    """What reference and check standard said of each other: ratio of standard to reference, established and today.

    `normalized_error`: deviation over the expanded uncertainty of the difference; beyond 1 the bench is not as it was.
    """

    instrument: str
    current: float
    established: Stated
    found: Stated
    deviation: Stated
    normalized_error: float
    verdict: Verdict


@dataclass(frozen=True)
class RangeResult:
    """All that was found on one range."""

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
    remarks: tuple[str, ...]
    power: tuple[PowerPoint, ...] = ()
    phase: tuple[PhaseDisplacement, ...] = ()
    parts: tuple[ErrorParts, ...] = ()
    smallest: SmallestCurrent | None = None
    no_load: NoLoad | None = None
    endurance: Endurance | None = None


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
class DiagnosisDetails:
    """What a diagnosis leaves open. `together`: causes this run cannot tell apart. `extra_measurement`: what would.

    `same_readings`: further explanations that would read exactly like the likeliest. `not_shown`: causes that this run
    says nothing of, alone or beside the likeliest. `goodness_of_fit`: probability of a fit as poor as that of
    the best explanation. `causes`: which catalogue was used.
    """

    together: tuple[str, ...] = ()
    extra_measurement: str = ""
    same_readings: tuple[str, ...] = ()
    not_shown: tuple[str, ...] = ()
    goodness_of_fit: float | None = None
    causes: str = ""


@dataclass(frozen=True)
class DeviceSummary:
    """The device as its file describes it."""

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
    claim: str


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
class Run:
    """Where, when, by whom and how the readings were taken."""

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


@dataclass(frozen=True)
class DecisionRule:
    """How a point's verdict was reached; what does not belong to the rule is None.

    `guard_factor`: guard band over U. Prior mean and standard deviation are parts of the limit. `global_consumer_risk` and
    `global_producer_risk`: the greatest over all points, for items as the prior says they are. `memory`: tables of limits
    the claim rests on that were written from memory.
    """

    rule: Literal["simple", "guarded", "false_accept", "shared_risk"]
    coverage_probability: float
    statement: str
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
class ValidatedQuantity:
    """One result beside what the trials say of it: both coverage intervals, in `unit` ("1", "turns", ...).

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


@dataclass(frozen=True)
class Results:
    """The evaluation of one record."""

    schema: str
    verdict: Verdict
    reasons: tuple[str, ...]
    run: Run
    device: DeviceSummary
    instruments: tuple[InstrumentSummary, ...]
    decision: DecisionRule
    ranges: tuple[RangeResult, ...]
    diagnosis: tuple[Hypothesis, ...]
    diagnosis_note: str
    diagnosis_details: DiagnosisDetails = field(default_factory=DiagnosisDetails)
    bench_check: BenchCheck | None = None
    validation: Validation | None = None


def odds_text(likeliest: Hypothesis) -> str:
    """The odds of the likeliest explanation in a sentence; empty when nothing is known of them."""
    against = ((likeliest.odds_against_none, "nothing wrong"), (likeliest.odds_against_next, "the next explanation"))
    told = [f"{_odds(odds)} against {other}" for odds, other in against if odds is not None]
    return f"odds {', '.join(told)}" if told else ""


def _odds(odds: float) -> str:
    if odds >= 1e6:
        return "more than a million to 1"
    return f"{float(f'{odds:.2g}'):.15g} to 1"


def to_json(results: Results) -> str:
    """`results` as JSON text; infinite numbers become null."""
    return json.dumps(_plain(results), indent=1, ensure_ascii=False) + "\n"


def from_json(text: str) -> Results:
    """The results in `text` as written by `to_json`. Raises ValueError for another schema."""
    data = json.loads(text)
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise ValueError(f"not a {SCHEMA} file")
    return typing.cast(Results, _build(Results, data))


def read_results(file: Path) -> Results:
    """The results in `file`."""
    return from_json(file.read_text(encoding="utf-8"))


def _plain(value: object) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _build(kind: Any, value: Any) -> Any:
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin is types.UnionType:
        return None if value is None else _build(next(a for a in arguments if a is not type(None)), value)
    if origin is tuple:
        return tuple(_build(arguments[0], v) for v in value)
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        return typing.cast(Any, kind)(
            **{f.name: _build(hints[f.name], value[f.name]) for f in dataclasses.fields(kind)}
        )
    return value
