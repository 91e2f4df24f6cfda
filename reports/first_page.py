"""The first page: heads, the verdict with its reasons, and the meter under test."""

import datetime as dt
import hashlib
from collections.abc import Iterator, Sequence

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Table

from harness.core.rounding import NO_BREAK, current, true_minus
from harness.results import CONTRADICTION, BenchCheck, RangeResult, Results, accepted, does_not_meet, partly
from harness.wording.claim_parts import claim_text, errors_text
from harness.wording.sentences import reason_line, span_text
from reports.cells import DASH, to_place
from reports.page_style import (
    ACCENT,
    HALF,
    INK,
    MEASURE,
    RULE,
    TIGHT,
    WHOLE,
    Column,
    boxed,
    columns,
    facts,
    heading,
    listed,
    panel,
    prose,
    space,
)

REPLAYED = (
    "This record is a replay of the transcripts of an earlier run. Nothing was measured during the replay. All times are those of the "
    "earlier run."
)

_RULES = {
    "simple": "simple acceptance",
    "guarded": "guarded acceptance",
    "false_accept": "guard band for a maximum probability of false acceptance",
    "shared_risk": "shared risk",
}


def bench_alone(results: Results) -> bool:
    """Whether the run tested only the bench and nothing of the meter under test was judged."""
    looked_at = any(
        r.points or r.power or r.phase or r.smallest or r.no_load or r.endurance or r.register or r.waveforms
        for r in results.ranges
    )
    return results.bench_check is not None and not looked_at


def criterion(check: BenchCheck) -> str:
    """The criterion of the bench check, and the En found."""
    return f"{check.criterion.replace('<=', '≤')}; En = {to_place(check.normalized_error, -2)}"


def certificate_number(written: str) -> str:
    """The first twelve digits of the SHA-256 of results.json as `written`, in fours: other results have another number."""
    digits = hashlib.sha256(written.encode()).hexdigest()[:12].upper()
    return "-".join(digits[i : i + 4] for i in range(0, 12, 4))


def device_title(results: Results) -> str:
    """Maker, type and serial number of the meter under test, as far as its file gives them."""
    device = results.device
    serial = f"serial number {device.serial}" if device.serial else ""
    return ", ".join(part for part in (f"{device.maker} {device.type}".strip(), serial) if part)


def moment(iso: str) -> str:
    """An ISO 8601 time for reading, `2026-03-14 09:12 +00:00`; any other text comes back unchanged."""
    try:
        when = dt.datetime.fromisoformat(iso)
    except ValueError:
        return iso
    zone = when.strftime("%z")
    offset = f" {zone[:3]}:{zone[3:5]}" if zone else ""
    return f"{when:%Y-%m-%d %H:%M}{' UTC' if offset in (' +00:00', ' -00:00') else offset}"


def front(results: Results, number: str) -> Iterator[Flowable]:
    """The heads of the certificate called `number`, the verdict with its reasons, what was set aside."""
    yield _letterhead(results, number)
    yield space(9)
    yield prose("Verification certificate", "title")
    yield space(1)
    meter = results.ratio_taken or not results.bench_check
    yield prose(
        f"{'Current input of' if meter else 'Check of the bench set up for'} {device_title(results)}", "subtitle"
    )
    yield space(5)
    yield from _verdict(results)
    yield space(5)
    yield _overrides(results)


def _letterhead(results: Results, number: str) -> Flowable:
    run = results.run
    left = [
        prose(run.laboratory, "laboratory"),
        *([prose(run.laboratory_address, "label")] if run.laboratory_address else ()),
    ]
    right = [prose(number, "number"), prose("Certificate number", "label right")]
    style = [*TIGHT, ("BOTTOMPADDING", *WHOLE, 7), ("LINEBELOW", *WHOLE, 0.4, RULE)]
    return Table([[left, right]], colWidths=[MEASURE - 52 * mm, 52 * mm], style=style)


def _verdict(results: Results) -> Iterator[Flowable]:
    lines: list[Flowable] = [prose(_statement(results), "statement")]
    if results.run.replayed:
        lines.append(prose(REPLAYED, "strong"))
    told = [*results.reasons, *(remark for rng in results.ranges for remark in rng.remarks)]
    lines += [prose(true_minus(reason_line(reason))) for reason in told]
    lines.append(prose(" ".join(part for part in (_claim(results), *_judged_by(results)) if part), "label"))
    word = f"partial {results.verdict}" if partly(results) else results.verdict
    yield panel(word, ACCENT if accepted(results.verdict) else INK, lines)


def _judged_by(results: Results) -> Iterator[str]:
    if not bench_alone(results):
        yield f"Decision rule: {_RULES[results.decision.rule]}."
    if results.bench_check is not None:
        yield f"Criterion of the bench check: {criterion(results.bench_check)}."


def _claim(results: Results) -> str:
    """The parts of the claim this run tested, and those it did not."""
    tested, left_out = claim_text(results.claim_verified), claim_text(results.claim_not_verified)
    said = [f"Claim verified: {tested}."] if tested else []
    return " ".join([*said, f"Claimed but not verified in this run: {left_out}."] if left_out else said)


_CANNOT_DECIDE = "The measurement cannot decide whether the meter under test meets its claim."


def _statement(results: Results) -> str:
    if results.bench_check is not None and not accepted(results.bench_check.verdict):
        return (
            "The bench check failed: the deviation from the established ratio of the check standard is larger than its U. "
            "Do not verify any meter on this bench until a further check has passed."
        )
    if results.verdict == "fail":
        not_met = "The meter under test does not meet its claim."
        said = not_met if does_not_meet(results) else "Conformity with the claim was not demonstrated."
        return f"{said} Do not rely on the meter at any point or range that failed."
    if results.verdict == "conditional fail":
        return f"The error exceeds the limit by less than the guard band. {_CANNOT_DECIDE}"
    if results.verdict == "conditional pass":
        return f"The error is within the limit, but the margin is less than the guard band. {_CANNOT_DECIDE}"
    if results.ratio_taken:
        part = "; ".join(f"{r.name} at {span_text(r.stands_for)}" for r in results.ranges if r.stands_for)
        shown = f" Only part of the claim was verified: {part}. Nothing is stated for other currents." if part else ""
        shown += _waveforms_shown(results)
        left_out = errors_text(results.claim_not_verified)
        unsaid = f" Its claim of {left_out} was not verified: nothing is stated of it." if left_out else ""
        met = f"its claim of {errors_text(results.claim_verified)}" if left_out else "its claim"
        return f"The meter under test met {met} at every point verified.{shown}{unsaid}"
    unshown = ", ".join(r.name for r in results.ranges if r.smallest is not None and r.smallest.verdict is None)
    reading = f"No result failed; on {unshown} the smallest current claimed was not shown." if unshown else ""
    return f"{reading or 'All results of this procedure conform.'} The ratio error of the meter under test was not measured."


def _waveforms_shown(results: Results) -> str:
    """The loads that a pass of waveforms stands for; ranges with the same ones together."""
    ranges_with: dict[str, list[str]] = {}
    for rng in results.ranges:
        if rng.waveforms:
            ranges_with.setdefault(", ".join(f"{w.load} ({w.waveform})" for w in rng.waveforms), []).append(rng.name)
    part = "; ".join(f"{', '.join(names)} with {loads}" for loads, names in ranges_with.items())
    return (
        f" Of other waveforms than a sine only these were verified: {part}. Nothing is stated for others."
        if part
        else ""
    )


def _overrides(results: Results) -> Flowable:
    overrides = list(results.run.overrides)
    if CONTRADICTION in overrides:
        overrides.remove(CONTRADICTION)
        overrides += [f"{CONTRADICTION}: {reason_line(reason)}" for reason in results.contradictions]
    if not overrides:
        return facts([("Overrides", "None: the operator overrode no check.")])
    checks = f"{len(overrides)} check{'s' if len(overrides) > 1 else ''}"
    lines = (prose(f"{i}. {text}", "strong") for i, text in enumerate(overrides, 1))
    return boxed([prose(f"Overrides: {checks} overridden by the operator", "heading"), *lines])


def meter_under_test(results: Results) -> Iterator[Flowable]:
    """The meter under test: identity, modification, transformer, ratings of the path, ranges."""
    device, run = results.device, results.run
    presented = f"as presented, {moment(run.started)} to {moment(run.finished)}; the procedure makes no adjustment"
    identity = [
        ("Customer or owner", device.owner or "not stated"),
        ("Maker and type", f"{device.maker} {device.type}".strip()),
        ("Serial number", device.serial or "none"),
        ("Modification", device.modification or "not stated"),
        ("Modified by", device.modified_by or "not stated"),
        ("Verified", presented),
    ]
    yield KeepTogether([heading("Meter under test"), facts(identity)])
    yield space(3)
    rated, most = current(device.rated_secondary_current), current(device.maximum_secondary_current)
    step, smallest = current(device.resolution), current(device.smallest_readable_current)
    transformer = [
        ("Secondary turns", f"{device.secondary_turns}"),
        ("Secondary current", f"rated {rated}, at most {most}"),
        ("Burden", f"{device.burden:.4g}{NO_BREAK}Ω"),
        ("Nominal frequency", f"{device.frequency:.4g}{NO_BREAK}Hz"),
        ("Display", f"resolution {step}, smallest reading {smallest}"),
    ]
    ratings = [(name[:1].upper() + name[1:], rating) for name, rating in device.path_ratings.items()]
    halves = (
        ("Current transformer and display", transformer),
        ("Ratings of the current path, as stated", ratings or [("Ratings", "none stated")]),
    )
    titles = columns(*(prose(title, "subheading") for title, _ in halves))
    beside = columns(*(facts(rows, HALF, 30 * mm) for _, rows in halves))
    ranges = listed(("Range", 28), _RANGE, [(r.name, r) for r in results.ranges])
    yield KeepTogether([titles, beside, space(3), ranges])


_WINDING = {"independent": "separate", "series": "extends the range before it"}
_RANGE: Sequence[Column[RangeResult]] = (
    Column("Winding", 36, lambda r: _WINDING.get(r.wiring, r.wiring)),
    Column("Primary\nturns", 13, lambda r: str(r.expected_turns)),
    Column("Display factor", 20, lambda r: f"{r.display_factor:.6g}"),
    Column("From", 14, lambda r: current(r.minimum_current)),
    Column("To", 14, lambda r: current(r.maximum_current)),
    Column("Maximum\ntest current", 19, lambda r: current(r.ceiling) if r.ceiling else DASH),
    Column("Limited by", 26, lambda r: r.ceiling_set_by),
)
