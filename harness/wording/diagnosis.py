"""A diagnosis in sentences a technician can act on."""

from __future__ import annotations

from harness.results import Hypothesis, NextMeasurement, Results
from harness.wording.reasons import reason_text


def diagnosis_lines(results: Results) -> list[str]:
    """The lines below the causes: the odds, what the run leaves open, and what to measure or to inspect next."""
    details = results.diagnosis_details
    notes = "; ".join(reason_text(note) for note in results.diagnosis_notes)
    following = "" if details.extra_measurement is None else measurement_text(details.extra_measurement)
    look = "" if details.look is None else reason_text(details.look)
    return [line for line in (odds_text(results.diagnosis[0]), notes, following, look) if line]


def measurement_text(following: NextMeasurement) -> str:
    """A measurement, what it is for, and what to expect of it."""
    expected = ", or ".join(reason_text(reason) for reason in following.expected)
    undecided = "".join(f"; {reason_text(reason)}" for reason in following.undecided)
    return f"{reason_text(following.aim)}: {reason_text(following.action)}; expect {expected}{undecided}"


def odds_text(likeliest: Hypothesis) -> str:
    """The odds of the likeliest explanation in a sentence; empty when nothing is known of them."""
    against = ((likeliest.odds_against_none, "no fault"), (likeliest.odds_against_next, "the next cause"))
    told = [f"{_odds(odds)} over {other}" for odds, other in against if odds is not None]
    return f"odds {', '.join(told)}" if told else ""


def _odds(odds: float) -> str:
    if odds >= 1e6:
        return "more than 1,000,000 : 1"
    return f"{float(f'{odds:.2g}'):.15g} : 1"
