"""The likely causes of a fail."""

from __future__ import annotations

from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether

from harness.core.rounding import probability, true_minus
from harness.results import Results, accepted
from harness.wording.reasons import diagnosis_lines, reason_text
from reports.page_style import heading, prose, ruled, space

_MOST_CAUSES = 10
"""Less likely causes are in results.json alone."""


def diagnosis(results: Results) -> Iterator[Flowable]:
    causes = sorted(results.diagnosis, key=lambda h: -h.probability)[:_MOST_CAUSES]
    if not causes or (accepted(results.verdict) and causes[0].fault == "none"):
        return
    explained = prose(
        "Each cause was compared with all readings of the run and their uncertainties. The probabilities add up to "
        "100 % over the causes considered. A cause outside the catalogue was not considered.",
        "small",
    )
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
    details = results.diagnosis_details
    for line in diagnosis_lines(results):
        yield space(2)
        yield prose(true_minus(_sentence(line)))
    told = [("Same predicted readings: ", details.same_readings), ("Not detectable by this run: ", details.not_shown)]
    beyond = "; ".join(start + ", ".join(labels) for start, labels in told if labels)
    for line in (beyond, "" if details.causes is None else reason_text(details.causes)):
        if line:
            yield space(1)
            yield prose(true_minus(_sentence(line)), "small")


def _sentence(text: str) -> str:
    """`text` with a capital at the beginning and one full stop at the end."""
    return f"{text[0].upper()}{text[1:].rstrip('. ')}."


def _beside_the_first(description: str, first: str) -> str:
    """`description`, where it begins with that of the likeliest cause, shortened to "as the first cause; and ..."."""
    return (
        f"as the first cause; and {description[len(first) + 6 :]}"
        if description.startswith(f"{first}; and ")
        else description
    )
