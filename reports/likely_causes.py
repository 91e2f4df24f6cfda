"""The likely causes of a fail."""

from collections.abc import Iterator

from reportlab.platypus import Flowable, KeepTogether

from harness.core.rounding import probability, true_minus
from harness.results import Hypothesis, Results, accepted
from harness.wording.sentences import diagnosis_lines, reason_text
from reports.page_style import Column, heading, listed, prose, space

_MOST_CAUSES = 10
"""Less likely causes are in results.json alone."""


def likely_causes(results: Results) -> Iterator[Flowable]:
    causes = sorted(results.diagnosis, key=lambda h: -h.probability)[:_MOST_CAUSES]
    if not causes or (accepted(results.verdict) and causes[0].fault == "none"):
        return
    explained = prose(
        "Each cause was compared with the readings of current that were used, of every waveform named, and where they were taken with "
        "power of a known angle, the display at no current and the smallest current, with their uncertainties. Beside loads of "
        "named waveforms, loads without one are left out. The probabilities add up to "
        "100 % over the causes considered. A cause outside the catalogue was not considered.",
        "small",
    )
    columns: list[Column[Hypothesis]] = [
        Column("Range", 22, lambda h: h.range or "all"),
        Column("Description", 81, lambda h: true_minus(_beside_the_first(h.description, causes[0].description))),
        Column("Probability", 24, lambda h: probability(h.probability)),
    ]
    rows = [("no fault" if h.fault == "none" else h.fault, h) for h in causes]
    table = listed(("Cause", 43), columns, rows, bold_rows=[0])
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
    rest = description.removeprefix(f"{first}; and ")
    return description if rest == description else f"as the first cause; and {rest}"
