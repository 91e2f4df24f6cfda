"""What another waveform than a sine does to the readings: a table of all loads, the worst of every range in bold."""

from collections.abc import Iterator, Sequence

from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable

from harness.core.rounding import current
from harness.results import Results, WaveformInfluence, worst
from reports.cells import DASH, PERCENT, limit_text, to_place, value_and_u
from reports.page_style import Column, heading, listed, prose, side_by_side, space

_EXPLAINED = (
    "Influence: ratio error with the load less that with a sine of nearly the same effective current, in which most of the lasting uncertainty of the "
    "reference cancels. Waveforms and crest factors are as stated. U includes what the bandwidth of the reference, as a low-pass filter of first "
    "order, takes of the waveform named; it does not include a further error that the reference's manual may state for crest factors, nor what a part "
    "in its path takes of harmonics. Nothing is said of waveforms that are not listed. In bold: the worst of each range."
)
_OF_RATIO = "Where no influence is claimed, the limit is that of the ratio error."

_COLUMNS: Sequence[Column[WaveformInfluence]] = (
    Column("Load, waveform", 38, lambda w: f"{w.load}, {w.waveform}"),
    Column("Crest\nfactor", 12, lambda w: f"{w.crest_factor:.2f}", numeric=True),
    Column("Current", 17, lambda w: current(w.reference_current)),
    Column("Sine at", 17, lambda w: current(w.sine_current)),
    *side_by_side(
        lambda w: (to_place(w.ratio_error, -3, 2), to_place(w.sine_error, -3, 2)),
        ("Error\nin %", 17),
        ("Sine's\nerror in %", 17),
    ),
    *side_by_side(
        lambda w: (*value_and_u(w.influence, PERCENT), limit_text(w.influence)),
        ("Influence\nin %", 17),
        ("U\nin %", 13),
        ("Limit\nin %", 13),
    ),
    Column("Verdict", 16, lambda w: w.influence.verdict or DASH),
)


def influence_of_waveforms(results: Results) -> Iterator[Flowable]:
    """The section; nothing where no waveform was compared."""
    rows = [(rng.name, found) for rng in results.ranges for found in rng.waveforms]
    if not rows:
        return
    largest = [id(worst(rng.waveforms)) for rng in results.ranges if rng.waveforms]
    bold = [n for n, (_, found) in enumerate(rows) if id(found) in largest]
    claimed = all(found.claimed for _, found in rows)
    yield CondPageBreak(60 * mm)
    yield heading("Influence of the waveform")
    yield prose(_EXPLAINED if claimed else f"{_EXPLAINED} {_OF_RATIO}", "small")
    yield space(1.5)
    yield listed(("Range", 14), _COLUMNS, rows, bold)
