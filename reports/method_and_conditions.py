"""The basis of the findings: instruments, conditions, method, uncertainty, decision rule, record, signatures."""

from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Table

from harness.core.rounding import NO_BREAK, exact, round_half_up, trimmed, true_minus
from harness.results import Condition, Results
from harness.safety.cautions import CAUTIONS, NOT_VERIFIED
from harness.wording.claim_parts import ENERGY_REGISTER, claim_text
from harness.wording.sentences import decision_statement, reason_line
from harness.wording.waveforms import waveform_text
from reports.budget import budgets
from reports.cells import risk_text
from reports.first_page import REPLAYED, bench_alone, criterion, moment
from reports.page_style import INK, MEASURE, TIGHT, WHOLE, facts, heading, prose, space
from reports.points_table import coverage_marks
from reports.reference_chain import instrument_table
from reports.validation import validation

_COMPARED = "compared with the points that the procedure asks for when run again on the record"
_NOT_COMPARED = "not compared with those of the procedure, because its text was not available"
_DEVIATION = (
    "ratio found − ratio established, of the check standard's reading to the reference current; En = |deviation| / U"
)
_RECORD = (
    "Every reading was recorded as received. Anyone who has the record can repeat the evaluation and compare. The hash chain "
    "shows accidental changes and careless edits. It does not show a change by someone who recomputes the hashes. "
    "It is not a signature."
)
_RATIO_ERROR = "(indicated current − reference current) / reference current, from the means of the pairs of a point"


def basis(results: Results) -> Iterator[Flowable]:
    """Sections before the findings: instruments, conditions, method."""
    yield from instrument_table(results)
    yield from _conditions(results)
    yield from _method(results)


def standing(results: Results, number: str) -> Iterator[Flowable]:
    """Sections after the findings: how far they can be relied on, and who signs the certificate called `number`."""
    yield from _uncertainty(results)
    yield from _decision(results)
    yield from _record(results, number)
    yield from _standing(results)
    yield from _signatures(number)


def _conditions(results: Results) -> Iterator[Flowable]:
    run = results.run
    rows = [
        ("Location", ", ".join(part for part in (run.laboratory, run.laboratory_address) if part)),
        ("Started", moment(run.started)),
        ("Finished", moment(run.finished)),
        *(("Time of day", step) for step in run.clock_steps),
        *((c.name[:1].upper() + c.name[1:], _condition(c)) for c in results.conditions),
        ("Waveform, not measured", waveform_text(results.waveforms)),
        ("Reference path", run.reference_path),
        ("Operator", run.operator or "not stated"),
        *_by_person(results),
    ]
    yield KeepTogether([heading("Conditions"), facts(rows)])


_INDICATED = (
    "Indicated current",
    "what the meter displays times the display factor of the range, written to the last place of its uncertainty, which can be finer than "
    "a step of the display",
)
_READ = ("reference", "meter")


def _by_person(results: Results) -> Iterator[tuple[str, str]]:
    """What the operator read from a display and set by hand, as opposed to what came over a link."""
    by_hand = [i for i in results.instruments if i.profile == "person"]
    read = [i.name for i in by_hand if i.role in _READ]
    linked = [i.name for i in results.instruments if i.role in _READ and i.profile != "person"]
    if read:
        yield "Read by the operator", ", ".join(read)
        yield "Read over a link", ", ".join(linked) or "neither reference nor meter"
    if any(i.role == "switch" for i in by_hand):
        yield "Position of the range switch", "set by hand, as the operator confirmed"


_SHOWN = {"Hz": (1.0, 2, "Hz"), "V": (1.0, 1, "V"), "degC": (1.0, 1, "°C"), "1": (100.0, 0, "%")}
"""Unit of a condition -> its factor, decimals and unit on paper."""


def _condition(condition: Condition) -> str:
    """The value of a condition and its source."""
    factor, decimals, unit = _SHOWN.get(condition.unit, (1.0, 0, ""))

    def shown(value: float) -> str:
        return true_minus(f"{value * factor:.{decimals}f}{NO_BREAK}{unit}")

    if condition.measured is None or condition.lowest is None or condition.highest is None:
        return "not measured" if condition.stated is None else f"{shown(condition.stated)}, stated, not measured"
    span = f"{shown(condition.lowest)} to {shown(condition.highest)}, " if condition.lowest < condition.highest else ""
    return f"{shown(condition.measured)}, {span}measured with {condition.instrument}"


def _method(results: Results) -> Iterator[Flowable]:
    run = results.run
    times = "once" if run.resumed == 1 else f"{run.resumed} times"
    interrupted = f"resumed {times}" if run.resumed else "none"
    if run.replayed:
        interrupted += "; replayed from the transcripts of that run, with its times"
    rows = [
        ("Procedure", f"{run.procedure_title} ({run.procedure}), revision {run.procedure_revision}"),
        ("Description", run.procedure_description),
        ("SHA-256 of the procedure", run.procedure_hash),
        ("Points of the record", _COMPARED if run.procedure_compared else _NOT_COMPARED),
        ("Interruptions", interrupted),
        *([("Deviation", _DEVIATION)] if bench_alone(results) else [("Ratio error", _RATIO_ERROR), _INDICATED]),
        *([] if results.device.energy_resolution is None else [("Energy", ENERGY_REGISTER)]),
    ]
    yield KeepTogether([heading("Method"), facts(rows)])


def _uncertainty(results: Results) -> Iterator[Flowable]:
    yield heading("Uncertainty of measurement")
    yield prose(
        "The expanded uncertainty U of a result is its standard uncertainty multiplied by a coverage factor k, for a coverage "
        f"probability of approximately {_coverage(results)}. k is stated with each result, in its budget or in the results file. The "
        "evaluation follows the Guide to the expression of uncertainty in measurement (GUM, JCGM 100:2008). U is rounded half up to "
        "two significant digits and the value to the same place. Verdicts were decided with unrounded numbers. "
        "u: standard uncertainty (k = 1)."
    )
    for method, mark in coverage_marks(results).items():
        yield prose(f"Coverage factor k{f' marked {mark}' if mark else ''}: from the {method}.")
    yield from budgets(results)
    yield from validation(results)


def _coverage(results: Results) -> str:
    return f"{trimmed(round_half_up(exact(results.decision.coverage_probability, 2), -2))}{NO_BREAK}%"


def _decision(results: Results) -> Iterator[Flowable]:
    if results.bench_check is not None and bench_alone(results):
        judged = f"Criterion of the bench check: {criterion(results.bench_check)}. No claim of the meter under test was judged."
        yield KeepTogether([heading("Decision rule"), prose(judged)])
        return
    claim = (
        f"The specification is the claim of the meter under test: {claim_text(results.device.claim)}. "
        "The limit of what was verified is listed with each point."
    )
    rule = results.decision
    block = [heading("Decision rule"), prose(decision_statement(rule)), prose(claim)]
    if rule.global_consumer_risk is not None and rule.global_producer_risk is not None:
        consumer, producer = (
            f"{risk_text(risk)}{NO_BREAK}%" for risk in (rule.global_consumer_risk, rule.global_producer_risk)
        )
        accepting = "; only a pass counts as acceptance, a conditional pass does not" if rule.verdicts == "four" else ""
        told = (
            f"Over all points the largest global consumer's risk is {consumer} and the largest global producer's risk {producer}, "
            f"for items distributed as stated (JCGM 106:2012, annex A){accepting}."
        )
        block.append(prose(told))
    for table in rule.memory:
        block.append(
            prose(f"The limits of {table} were written from memory. Check them against the standard.", "strong")
        )
    yield KeepTogether(block)


def _record(results: Results, number: str) -> Iterator[Flowable]:
    run = results.run
    rows = [
        ("Record file", run.record_file),
        ("Lines", str(run.record_lines)),
        ("SHA-256 of the record", run.record_hash),
        ("Recorded by", run.software),
        ("Evaluated by", run.evaluated_by),
        ("Certificate number", f"{number}, the first twelve digits of the SHA-256 of results.json"),
    ]
    yield KeepTogether([heading("Record"), prose(_RECORD), space(1.5), facts(rows)])


def _standing(results: Results) -> Iterator[Flowable]:
    statement = results.run.laboratory_statement
    said = f"The laboratory states: {statement}" if statement else "The laboratory states no accreditation."
    block: list[Flowable] = [
        heading("Standing of this certificate"),
        prose(f"This is not an accredited certificate unless the laboratory states otherwise. {said}"),
        prose(
            "The results relate only to the bench in its condition when checked."
            if bench_alone(results)
            else "The results relate only to the meter under test in its condition when verified, and to the points listed."
        ),
        prose(NOT_VERIFIED, "strong"),
        *_open_on_paper(results),
        prose("This certificate shall not be reproduced except in full without approval of the laboratory."),
    ]
    if results.run.replayed:
        block.append(prose(REPLAYED, "strong"))
    if results.run.simulated:
        block.append(
            prose("The readings come from a simulated bench. They are not evidence about any real meter.", "strong")
        )
    yield KeepTogether(block)
    yield KeepTogether([heading("Cautions"), *(prose(f"–{NO_BREAK}{text}") for text in CAUTIONS)])


def _open_on_paper(results: Results) -> Iterator[Flowable]:
    if results.open_on_paper:
        told = "; ".join(reason_line(reason) for reason in results.open_on_paper)
        yield prose(
            f"Wrong on paper, not protected in daily use, or left open, by what the device file states: {told}."
        )


def _signatures(number: str) -> Iterator[Flowable]:
    gap = 8 * mm
    width = (MEASURE - 2 * gap) / 3
    verified, approved, issued = (prose(text, "label") for text in ("Verified by", "Approved by", "Date of issue"))
    lines = (("LINEBELOW", (column, 0), (column, 0), 0.6, INK) for column in (0, 2, 4))
    table = Table(
        [[""] * 5, [verified, "", approved, "", issued]],
        colWidths=[width, gap, width, gap, width],
        rowHeights=[10 * mm, None],
        style=[*lines, *TIGHT, ("TOPPADDING", *WHOLE, 2)],
    )
    yield KeepTogether([space(3), table, space(4), prose(f"End of certificate {number}", "small")])
