"""Findings beside ratio and power: location of the error, smallest current, no load, endurance, the bench itself."""

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
from harness.results import BenchCheck, Endurance, ErrorParts, NoLoad, Results, SmallestCurrent, Stated
from reports.first_page import criterion
from reports.page_style import Column, facts, heading, listed, prose, space
from reports.power_and_phase import stated_percent
from reports.range_sections import decided_texts

_PARTS = (
    "The secondary current was also measured. This separates the ratio error into that of the transformer with its turns, "
    "against the turns described, and that of the metering module behind it. During this measurement the burden of the "
    "secondary ammeter was part of the loop. Never open the secondary of a current transformer under current."
)


def beyond(results: Results) -> Iterator[Flowable]:
    """Sections of these findings, each only where there is one."""
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


_SMALLEST: Sequence[Column[SmallestCurrent]] = (
    Column("Smallest readable\ncurrent", 38, lambda s: _amperes(s.found)),
    Column("Largest tried\nand not read", 22, lambda s: "–" if s.highest_silent is None else current(s.highest_silent)),
    Column("Smallest tried\nand read", 22, lambda s: "–" if s.lowest_reading is None else current(s.lowest_reading)),
    Column("Power factor\nmeasured from", 38, lambda s: _amperes(s.power_factor_from)),
    Column("Claimed\nfrom", 16, lambda s: current(s.limit)),
    Column("Verdict", 12, lambda s: s.verdict or "not shown"),
)


def _smallest(results: Results) -> Iterator[Flowable]:
    found = [(r.name, r.smallest) for r in results.ranges if r.smallest is not None]
    if found:
        explained = "A current counts as read when at least half of the displayed values are not zero."
        yield _section("Smallest readable current", explained, listed(("Range", 22), _SMALLEST, found))


_NO_LOAD: Sequence[Column[NoLoad]] = (
    Column("Voltage", 15, lambda n: "not read" if n.voltage is None else f"{n.voltage:.1f}{NO_BREAK}V"),
    Column("Indicated current", 31, lambda n: _amperes(n.current)),
    Column("Limit", 15, lambda n: "–" if n.current.limit is None else current(n.current.limit)),
    Column("Limit\n/ U", 12, lambda n: decided_texts(n.current)[0], numeric=True),
    Column("Risk\nin %", 13, lambda n: decided_texts(n.current)[1], numeric=True),
    Column("Indicated power", 31, lambda n: "not shown" if n.power is None else _watts(n.power)),
    Column("Limit", 15, lambda n: _watts_or_dash(None if n.power is None else n.power.limit)),
    Column("Verdict", 20, lambda n: n.verdict),
)


def _no_load(results: Results) -> Iterator[Flowable]:
    found = [(r.name, r.no_load) for r in results.ranges if r.no_load is not None]
    if not found:
        return
    explained = (
        "No primary current. The indication is an offset or the meter's own consumption through its sensor. The decision rule judges "
        "it against the limit of the claim at zero current. Values suppressed below the display threshold are not indicated and not "
        "included in U."
    )
    yield _section("No load", explained, listed(("Range", 18), _NO_LOAD, found))
    yield from _creep([(name, n) for name, n in found if n.energy is not None])


_CREEP: Sequence[Column[NoLoad]] = (
    Column("Duration", 18, lambda n: f"{n.seconds:.0f}{NO_BREAK}s"),
    Column("Energy registered", 28, lambda n: _watt_hours(n.energy)),
    Column("Register step", 26, lambda n: _watt_hours(n.energy_resolution)),
    Column("Creep", 32, lambda n: "–" if n.creep is None else _watts(n.creep)),
    Column("Upper bound\nof creep", 24, lambda n: _watts_or_dash(n.creep_below)),
    Column(
        "Least duration of\na no-load test",
        22,
        lambda n: "–" if n.creep_period is None else f"{math.ceil(n.creep_period)}{NO_BREAK}s",
    ),
)


def _creep(found: Sequence[tuple[str, NoLoad]]) -> Iterator[Flowable]:
    if not found:
        return
    explained = (
        "Creep: energy registered at zero current. The verdict is fail above one step of the register (IEC 62053-21:2003, 8.3.2, from "
        "memory); the decision rule does not apply. Upper bound: the creep that would have registered one step more."
    )
    table = listed(("Range", 20), _CREEP, found)
    yield space(3)
    yield KeepTogether([prose("Creep", "subheading"), prose(explained, "small"), space(1.5), table])


def _section(title: str, explained: str, table: Flowable) -> Flowable:
    return KeepTogether([heading(title), prose(explained, "small"), space(1.5), table])


def _watt_hours(energy: float | None) -> str:
    return "–" if energy is None else f"{energy / 3600:.3g}{NO_BREAK}Wh"


def _watts_or_dash(power: float | None) -> str:
    return "–" if power is None else f"{power:.3g}{NO_BREAK}W"


def _watts(power: Stated) -> str:
    value, uncertainty = power.value, power.expanded_uncertainty
    return f"{plus_minus(value, uncertainty) if uncertainty else f'{value:.3g}'}{NO_BREAK}W"


_ENDURANCE: Sequence[Column[Endurance]] = (
    Column("Current", 16, lambda e: current(e.current)),
    Column("Duration", 14, lambda e: f"{e.seconds:.0f}{NO_BREAK}s"),
    Column("Points", 12, lambda e: str(e.points), numeric=True),
    Column("First error\nin %", 18, lambda e: _thousandths(e.first_error), numeric=True),
    Column("Last error\nin %", 18, lambda e: _thousandths(e.last_error), numeric=True),
    Column("Drift\nin %", 16, lambda e: percent_pair(e.drift.value, e.drift.expanded_uncertainty)[0], numeric=True),
    Column("U\nin %", 14, lambda e: percent_pair(e.drift.value, e.drift.expanded_uncertainty)[1], numeric=True),
    Column("Limit\nin %", 15, lambda e: _thousandths(e.drift.limit or 0.0), numeric=True),
    Column(
        "Largest\nsecondary\ncurrent",
        21,
        lambda e: "not read" if e.largest_secondary_current is None else current(e.largest_secondary_current),
    ),
    Column("Verdict", 12, lambda e: e.verdict),
)


def _thousandths(fraction: float) -> str:
    """A fraction in percent to three decimals, without the sign."""
    return written(round_half_up(exact(fraction, 2), -3))


def _endurance(results: Results) -> Iterator[Flowable]:
    found = [(r.name, r.endurance) for r in results.ranges if r.endurance is not None]
    if found:
        explained = "The current stated was held. Drift: slope of a straight line through the errors, multiplied by the duration."
        yield _section("Endurance", explained, listed(("Range", 16), _ENDURANCE, found))


_SEPARATED: Sequence[Column[ErrorParts]] = (
    Column("Secondary\ncurrent", 24, lambda p: current(p.secondary_current)),
    Column("Transformer and\nturns, error in %", 32, lambda p: stated_percent(p.transformer_error)[0], numeric=True),
    Column("U\nin %", 15, lambda p: stated_percent(p.transformer_error)[1], numeric=True),
    Column("Metering module,\nerror in %", 32, lambda p: stated_percent(p.module_error)[0], numeric=True),
    Column("U\nin %", 15, lambda p: stated_percent(p.module_error)[1], numeric=True),
)


def _parts(results: Results) -> Iterator[Flowable]:
    found = [(p.name, p) for r in results.ranges for p in r.parts]
    if found:
        yield CondPageBreak(60 * mm)
        yield heading("Separation of the error")
        yield prose(_PARTS, "small")
        yield space(1.5)
        yield listed(("Point", 52), _SEPARATED, found)


def _amperes(value: Stated | None) -> str:
    return "not found" if value is None else current_pair(value.value, value.expanded_uncertainty)
