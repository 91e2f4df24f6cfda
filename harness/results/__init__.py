"""Results of an evaluation: the content of `results.json`, and all the certificate is made from.

Currents in amperes, ratio errors and uncertainties of them as fractions, times as ISO 8601 text. Field names are
the JSON keys. `None` stands for "not measured by this procedure".
"""

from harness.results.beyond_ratio import (
    BenchCheck,
    Endurance,
    EnergyRegister,
    ErrorParts,
    ForetoldPower,
    NoLoad,
    PhaseDisplacement,
    PowerPoint,
    SmallestCurrent,
    WaveformInfluence,
)
from harness.results.claim_part import ClaimedError, ClaimPart
from harness.results.explanation import DiagnosisDetails, Hypothesis, NextMeasurement, ValidatedQuantity, Validation
from harness.results.judged_value import (
    VERDICTS,
    AnyFinding,
    Conformity,
    Judged,
    JudgedFinding,
    Stated,
    Verdict,
    accepted,
    worst,
    worst_verdict,
)
from harness.results.measured_load import LowPower, MeasuredCycles, MeasuredLoad, Stability
from harness.results.meter_card import CardReading, MeterCard, RangeCard
from harness.results.point_results import (
    REPEATABILITY,
    BudgetLine,
    EffectiveTurns,
    Line,
    Linearity,
    Offset,
    Point,
    TurnsMethod,
)
from harness.results.reason import Reason, Value
from harness.results.run_results import (
    CONTRADICTION,
    NOT_VISITED,
    SCHEMA,
    STEPS_OF_ENERGY,
    ChainLink,
    Condition,
    DecisionRule,
    DeviceSummary,
    InstrumentSummary,
    LoadWaveform,
    RangeResult,
    Results,
    Run,
    does_not_meet,
    partly,
    ratio_taken,
)
