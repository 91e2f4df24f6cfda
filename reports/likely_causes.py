"""The likely causes of a fail."""

from __future__ import annotations

from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether

from harness.core.rounding import probability, true_minus
from harness.results import Results, accepted, odds_text
from reports.page_style import heading, prose, ruled, space

_MOST_CAUSES = 10
"""Less likely ones stand in results.json alone."""


def diagnosis(results: Results) -> Iterator[Flowable]:
    """The likely causes, when there is something to explain."""
    causes = sorted(results.diagnosis, key=lambda h: -h.probability)[:_MOST_CAUSES]
    if not causes or (accepted(results.verdict) and causes[0].fault == "none"):
        return
    explained = prose(
        "Each cause was compared with all readings of the run and their uncertainties. The probabilities add up to "
        "100 % over the causes considered. A cause outside the catalogue was not considered.",
        "small",
    )
    odds = odds_text(causes[0])
    rows = [
        [
            "no fault" if h.fault == "none" else h.fault,
            h.range or "all",
            true_minus(_beside_the_first(h.description, causes[0].description)),
            probability(h.probability),
        ]
        for h in causes
    ]
    table = ruled(
        ["Cause", "Range", "Description", "Probability"], rows, [w * mm for w in (43, 22, 81, 24)], bold_rows=[0]
    )
    yield KeepTogether([heading("Likely causes"), explained, space(1.5), table])
    if odds:
        yield space(1.5)
        yield prose(_sentence(odds), "small")
    if results.diagnosis_note:
        yield space(2)
        yield prose(true_minus(_sentence(results.diagnosis_note)))
    details = results.diagnosis_details
    if details.extra_measurement:
        yield space(2)
        yield prose(true_minus(f"Next: {details.extra_measurement}."))
    if details.look and details.look not in details.extra_measurement:
        yield space(2)
        yield prose(f"{details.look[0].upper()}{details.look[1:]}.")
    told = [("Same predicted readings: ", details.same_readings), ("Not detectable by this run: ", details.not_shown)]
    beyond = "; ".join(start + ", ".join(labels) for start, labels in told if labels)
    for line in (beyond, details.causes):
        if line:
            yield space(1)
            yield prose(true_minus(_sentence(line)), "small")


def _sentence(text: str) -> str:
    """`text` begun with a capital and ended with one point."""
    return f"{text[0].upper()}{text[1:].rstrip('. ')}."


def _beside_the_first(description: str, first: str) -> str:
    """A description that goes on where that of the likeliest cause ends does not repeat it."""
    return (
        f"as the first cause; and {description[len(first) + 6 :]}"
        if description.startswith(f"{first}; and ")
        else description
    )
