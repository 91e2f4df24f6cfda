"""Results of an evaluation: the content of `results.json`, and all the certificate is made from.

Currents in amperes, ratio errors and uncertainties of them as fractions, times as ISO 8601 text. Field names are
the JSON keys. `None` stands for "not measured by this procedure".
"""

from harness.results.additional import (
    BenchCheck,
    Endurance,
    ErrorParts,
    ForetoldPower,
    NoLoad,
    PhaseDisplacement,
    PowerPoint,
    SmallestCurrent,
)
from harness.results.claim_outcome import STEPS_OF_ENERGY, does_not_meet
from harness.results.explanation import DiagnosisDetails, Hypothesis, NextMeasurement, ValidatedQuantity, Validation
from harness.results.judged_value import AnyFinding, Conformity, Judged, JudgedFinding, Stated, worst
from harness.results.point_results import (
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
    ChainLink,
    Condition,
    DecisionRule,
    DeviceSummary,
    InstrumentSummary,
    RangeResult,
    Results,
    Run,
)
from harness.results.verdicts import VERDICTS, Verdict, accepted, worst_verdict
