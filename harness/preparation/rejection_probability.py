"""Probability that a run does not pass a sound meter, from its rehearsal."""

import datetime as dt
from collections.abc import Iterator

from harness.core.rounding import for_terminal, probability
from harness.evaluation.diagnosis.cause_schema import Catalogue
from harness.evaluation.diagnosis.evidence import POWER, RATIO, Setting
from harness.evaluation.diagnosis.ordinary_errors import ordinary_errors
from harness.evaluation.power.power_errors import power_values
from harness.evaluation.producer_risk import JudgedError, Rejection, rejection
from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.uncertainty.repeatability import run_scatter
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.record.history import device_and_bench, observed_points
from harness.record.journal import Record
from harness.results import Results


def rejection_of(record: Record, results: Results, catalogue: Catalogue) -> Rejection | None:
    """Probability that a run like the finished `record` does not pass a sound meter; None when no error of current or power is judged.

    Points where the display reads nothing are left out: the rehearsal refuses them.
    """
    device, bench = device_and_bench(record)
    wanted = {p.name: p for r in results.ranges for p in r.points if p.indicated_current}
    powers = {p.name: p for r in results.ranges for p in r.power}
    observed = [p for p in observed_points(record) if p.name in wanted]
    # The date of the run, as in its evaluation: drift since a calibration is an input.
    date = dt.datetime.fromisoformat(record.lines[-1]["at"]).date()
    inputs = InputQuantities(bench, date, run_scatter(device, bench, observed))
    judged: list[JudgedError] = []
    places: list[Setting] = []
    for point in observed:
        values, result = point_values(device, inputs, point), wanted[point.name]
        if values.ratio_error is not None and result.ratio_error.conformity is not None:
            judged.append(JudgedError(point.range, values.ratio_error, result.ratio_error.conformity))
            places.append(Setting(RATIO, point.range, result.reference_current))
        power, told = power_values(device, inputs, values), powers.get(point.name)
        if power is not None and told is not None and told.power_error.conformity is not None:
            judged.append(JudgedError(point.range, power.power_error, told.power_error.conformity))
            places.append(Setting(POWER, point.range, told.reference_current, power.power_factor))
    return rejection(inputs, judged, ordinary_errors(device, catalogue, places)) if judged else None


def rejection_lines(found: Rejection) -> Iterator[str]:
    """The rejection probability as text: its model, and how far the claim is from ordinary errors."""
    meeting = f"{for_terminal(probability(found.conforming))} of ordinary meters meet this claim at every point"
    if found.of_run is None:
        yield f"the probability that a sound meter passes is not known: {meeting}"
        return
    yield f"probability that a sound meter does not pass the run: {for_terminal(probability(found.of_run))}"
    yield (
        "(sound meter: errors distributed as [ordinary] in the causes states, and within the claim at every point; errors of the bench "
        f"anywhere within its uncertainty; current and power judged by the decision rule; {found.trials} trials)"
    )
    if found.conforming < 0.5:
        yield f"only {meeting}"
