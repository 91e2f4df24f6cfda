"""What was found beside ratio and power: where the error is, the smallest current, no load, endurance, the bench itself."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether

from harness.core.rounding import (
    NO_BREAK,
    current,
    current_pair,
    exact,
    percent_pair,
    plus_minus,
    round_half_up,
    written,
)
from harness.results import BenchCheck, NoLoad, RangeResult, Results, Stated
from reports.first_page import criterion
from reports.page_style import facts, heading, prose, ruled, space
from reports.range_sections import decided_texts

_PARTS = (
    "The secondary current was also measured. This separates the ratio error into that of the transformer with its turns, "
    "against the turns described, and that of the metering module behind it. During this measurement the burden of the "
    "secondary ammeter was part of the loop. Never open the secondary of a current transformer under current."
)


def beyond(results: Results) -> Iterator[Flowable]:
    """The sections there is something to say in."""
    if results.bench_check is not None:
        yield from _bench_check(results.bench_check)
    yield from _smallest(results)
    yield from _no_load(results)
    yield from _endurance(results)
    yield from _parts(results)


def _bench_check(check: BenchCheck) -> Iterator[Flowable]:
    rows = [
        ("Check standard", check.instrument),
        ("Current", current(check.current)),
        ("Ratio established", plus_minus(check.established.value, check.established.expanded_uncertainty)),
        ("Ratio found", plus_minus(check.found.value, check.found.expanded_uncertainty)),
        (
            "Deviation",
            f"{plus_minus(check.deviation.value, check.deviation.expanded_uncertainty)}, {check.verdict}",
        ),
        ("Criterion", criterion(check)),
    ]
    yield KeepTogether([heading("Check of the bench"), facts(rows)])


def _smallest(results: Results) -> Iterator[Flowable]:
    found = [(r, r.smallest) for r in results.ranges if r.smallest is not None]
    if not found:
        return
    rows = [
        [
            r.name,
            _amperes(s.found),
            "–" if s.highest_silent is None else current(s.highest_silent),
            "–" if s.lowest_reading is None else current(s.lowest_reading),
            _amperes(s.power_factor_from),
            current(s.limit),
            s.verdict or "not shown",
        ]
        for r, s in found
    ]
    head = [
        "Range",
        "Smallest readable\ncurrent",
        "Largest tried\nand not read",
        "Smallest tried\nand read",
        "Power factor\nmeasured from",
        "Claimed\nfrom",
        "Verdict",
    ]
    explained = "A current counts as read when at least half of the displayed values are not zero."
    table = ruled(head, rows, [w * mm for w in (22, 38, 22, 22, 38, 16, 12)])
    yield KeepTogether([heading("Smallest readable current"), prose(explained, "small"), space(1.5), table])


def _no_load(results: Results) -> Iterator[Flowable]:
    found = [(r, r.no_load) for r in results.ranges if r.no_load is not None]
    if not found:
        return
    rows = [
        [
            r.name,
            "not read" if n.voltage is None else f"{n.voltage:.1f}{NO_BREAK}V",
            _amperes(n.current),
            "–" if n.current.limit is None else current(n.current.limit),
            *decided_texts(n.current),
            "not shown" if n.power is None else _watts(n.power),
            "–" if n.power is None or n.power.limit is None else f"{n.power.limit:.3g}{NO_BREAK}W",
            n.verdict,
        ]
        for r, n in found
    ]
    head = [
        "Range",
        "Voltage",
        "Indicated current",
        "Limit",
        "Limit\n/ U",
        "Risk\nin %",
        "Indicated power",
        "Limit",
        "Verdict",
    ]
    explained = (
        "No primary current. The indication is an offset or the meter's own consumption through its sensor. The decision rule judges "
        "it against the limit of the claim at zero current. Values suppressed below the display threshold are not indicated and not "
        "included in U."
    )
    table = ruled(head, rows, [w * mm for w in (18, 15, 31, 15, 12, 13, 31, 15, 20)], numeric=(4, 5))
    yield KeepTogether([heading("No load"), prose(explained, "small"), space(1.5), table])
    yield from _creep(found)


def _creep(found: Sequence[tuple[RangeResult, NoLoad]]) -> Iterator[Flowable]:
    rows = [
        [
            r.name,
            f"{n.seconds:.0f}{NO_BREAK}s",
            f"{n.energy / 3600:.3g}{NO_BREAK}Wh",
            "–" if n.energy_resolution is None else f"{n.energy_resolution / 3600:.3g}{NO_BREAK}Wh",
            "–" if n.creep is None else _watts(n.creep),
            "–" if n.creep_below is None else f"{n.creep_below:.3g}{NO_BREAK}W",
            "–" if n.creep_period is None else f"{math.ceil(n.creep_period)}{NO_BREAK}s",
        ]
        for r, n in found
        if n.energy is not None
    ]
    if not rows:
        return
    head = [
        "Range",
        "Duration",
        "Energy registered",
        "Register step",
        "Creep",
        "Upper bound\nof creep",
        "Least duration of\na no-load test",
    ]
    explained = (
        "Creep: energy registered at zero current. The verdict is fail above one step of the register (IEC 62053-21:2003, 8.3.2, from "
        "memory); the decision rule does not apply. Upper bound: the creep that would have registered one step more."
    )
    table = ruled(head, rows, [w * mm for w in (20, 18, 28, 26, 32, 24, 22)])
    yield space(3)
    yield KeepTogether([prose("Creep", "subheading"), prose(explained, "small"), space(1.5), table])


def _watts(power: Stated) -> str:
    value, uncertainty = power.value, power.expanded_uncertainty
    return f"{plus_minus(value, uncertainty) if uncertainty else f'{value:.3g}'}{NO_BREAK}W"


def _endurance(results: Results) -> Iterator[Flowable]:
    found = [(r, r.endurance) for r in results.ranges if r.endurance is not None]
    if not found:
        return
    rows = []
    for r, e in found:
        drift, uncertainty = percent_pair(e.drift.value, e.drift.expanded_uncertainty)
        secondary = e.largest_secondary_current
        rows.append(
            [
                r.name,
                current(e.current),
                f"{e.seconds:.0f}{NO_BREAK}s",
                str(e.points),
                written(round_half_up(exact(e.first_error, 2), -3)),
                written(round_half_up(exact(e.last_error, 2), -3)),
                drift,
                uncertainty,
                written(round_half_up(exact(e.drift.limit or 0.0, 2), -3)),
                "not read" if secondary is None else current(secondary),
                e.verdict,
            ]
        )
    head = [
        "Range",
        "Current",
        "Duration",
        "Points",
        "First error\nin %",
        "Last error\nin %",
        "Drift\nin %",
        "U\nin %",
        "Limit\nin %",
        "Largest\nsecondary\ncurrent",
        "Verdict",
    ]
    widths = [w * mm for w in (16, 16, 14, 12, 18, 18, 16, 14, 15, 21, 12)]
    explained = (
        "The current stated was held. Drift: slope of a straight line through the errors, multiplied by the duration."
    )
    table = ruled(head, rows, widths, numeric=(3, 4, 5, 6, 7, 8))
    yield KeepTogether([heading("Endurance"), prose(explained, "small"), space(1.5), table])


def _parts(results: Results) -> Iterator[Flowable]:
    rows = [row for r in results.ranges for row in _part_rows(r)]
    if not rows:
        return
    head = [
        "Point",
        "Secondary\ncurrent",
        "Transformer and\nturns, error in %",
        "U\nin %",
        "Metering module,\nerror in %",
        "U\nin %",
    ]
    table = ruled(head, rows, [w * mm for w in (52, 24, 32, 15, 32, 15)], numeric=(2, 3, 4, 5))
    yield CondPageBreak(60 * mm)
    yield heading("Separation of the error")
    yield prose(_PARTS, "small")
    yield space(1.5)
    yield table


def _part_rows(found: RangeResult) -> Iterator[list[str]]:
    for p in found.parts:
        yield [
            p.name,
            current(p.secondary_current),
            *percent_pair(p.transformer_error.value, p.transformer_error.expanded_uncertainty),
            *percent_pair(p.module_error.value, p.module_error.expanded_uncertainty),
        ]


def _amperes(value: Stated | None) -> str:
    return "not found" if value is None else current_pair(value.value, value.expanded_uncertainty)
