"""Sections of what is found beyond ratio, but for power and waveforms: location of the error, smallest current, no load, endurance, the bench itself."""

import math
from collections.abc import Callable, Iterator, Sequence

from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether

from harness.core.rounding import NO_BREAK, current, current_pair, exact, plus_minus, round_significant, trimmed
from harness.results import (
    BenchCheck,
    Endurance,
    EnergyRegister,
    ErrorParts,
    NoLoad,
    RangeResult,
    Results,
    SmallestCurrent,
    Stated,
)
from reports.cells import DASH, PERCENT, decided_texts, to_place, value_and_u
from reports.first_page import criterion
from reports.page_style import Column, Row, facts, heading, listed, prose, side_by_side, space

_READ = "A current counts as read when at least half of the displayed values are not zero."
_REST = (
    "No primary current. The indication is an offset or the meter's own consumption through its sensor. The decision rule judges "
    "it against the limit of the claim at zero current. Values suppressed below the display threshold are not indicated and not "
    "included in U."
)
_CREPT = (
    "Creep: energy registered at zero current. The verdict is fail above one step of the register (IEC 62053-21:2003, 8.3.2, from "
    "memory); the decision rule does not apply. Upper bound: the creep that would have registered one step more."
)
_HELD = "The current stated was held. Drift: slope of a straight line through the errors, multiplied by the duration."
_COUNTED = (
    "Energy registered while a current was held, times the display factor, against the reference's mean power times the duration. A rise across ranges "
    "means nothing."
)
_PARTS = (
    "The secondary current was also measured. This separates the ratio error into that of the transformer with its turns, "
    "against the turns described, and that of the metering module behind it. During this measurement the burden of the "
    "secondary ammeter was part of the loop. Never open the secondary of a current transformer under current."
)


def beyond_ratio_sections(results: Results) -> Iterator[Flowable]:
    """Sections of what is found beyond ratio, each only where there is one."""
    if results.bench_check is not None:
        yield _bench_check(results.bench_check)
    yield from _section(
        "Smallest readable current", _READ, ("Range", 22), _SMALLEST, _on_ranges(results, lambda r: r.smallest)
    )
    no_load = _on_ranges(results, lambda r: r.no_load)
    yield from _section("No load", _REST, ("Range", 18), _NO_LOAD, no_load)
    if creep := [(name, n) for name, n in no_load if n.energy is not None]:
        table = listed(("Range", 20), _CREEP, creep)
        yield space(3)
        yield KeepTogether([prose("Creep", "subheading"), prose(_CREPT, "small"), space(1.5), table])
    yield from _section("Endurance", _HELD, ("Range", 16), _ENDURANCE, _on_ranges(results, lambda r: r.endurance))
    registers = _on_ranges(results, lambda r: r.register)
    yield from _section("Energy register", _COUNTED, ("Range", 16), _REGISTER, registers)
    if separated := [(p.name, p) for r in results.ranges for p in r.parts]:
        yield CondPageBreak(60 * mm)
        yield heading("Separation of the error")
        yield prose(_PARTS, "small")
        yield space(1.5)
        yield listed(("Point", 52), _SEPARATED, separated)


def _on_ranges(results: Results, of: Callable[[RangeResult], Row | None]) -> list[tuple[str, Row]]:
    """What was found on each range that has it, with the range's name."""
    return [(r.name, found) for r in results.ranges if (found := of(r)) is not None]


def _section(
    title: str,
    explained: str,
    first: tuple[str, float],
    columns: Sequence[Column[Row]],
    rows: Sequence[tuple[str, Row]],
) -> Iterator[Flowable]:
    if rows:
        yield KeepTogether([heading(title), prose(explained, "small"), space(1.5), listed(first, columns, rows)])


def _bench_check(check: BenchCheck) -> Flowable:
    established, found, deviation = (
        plus_minus(ratio.value, ratio.expanded_uncertainty)
        for ratio in (check.established, check.found, check.deviation)
    )
    rows = [
        ("Check standard", check.instrument),
        ("Current", current(check.current)),
        ("Ratio established", established),
        ("Ratio found", found),
        ("Deviation", f"{deviation}, {check.verdict}"),
        ("Criterion", criterion(check)),
    ]
    return KeepTogether([heading("Check of the bench"), facts(rows)])


_SMALLEST: Sequence[Column[SmallestCurrent]] = (
    Column("Smallest readable\ncurrent", 38, lambda s: _amperes(s.found)),
    Column(
        "Largest tried\nand not read", 22, lambda s: DASH if s.highest_silent is None else current(s.highest_silent)
    ),
    Column("Smallest tried\nand read", 22, lambda s: DASH if s.lowest_reading is None else current(s.lowest_reading)),
    Column("Power factor\nmeasured from", 38, lambda s: _amperes(s.power_factor_from)),
    Column("Claimed\nfrom", 16, lambda s: current(s.limit)),
    Column("Verdict", 12, lambda s: s.verdict or "not shown"),
)


_NO_LOAD: Sequence[Column[NoLoad]] = (
    Column("Voltage", 15, lambda n: "not read" if n.voltage is None else f"{n.voltage:.1f}{NO_BREAK}V"),
    Column("Indicated current", 31, lambda n: _amperes(n.current)),
    Column("Limit", 15, lambda n: DASH if n.current.limit is None else current(n.current.limit)),
    *side_by_side(lambda n: decided_texts(n.current), ("Limit\n/ U", 12), ("Risk\nin %", 13)),
    Column("Indicated power", 31, lambda n: "not shown" if n.power is None else _watts(n.power)),
    Column("Limit", 15, lambda n: _watts_or_dash(None if n.power is None else n.power.limit)),
    Column("Verdict", 20, lambda n: n.verdict),
)


_CREEP: Sequence[Column[NoLoad]] = (
    Column("Duration", 18, lambda n: f"{n.seconds:.0f}{NO_BREAK}s"),
    Column("Energy registered", 28, lambda n: _watt_hours(n.energy)),
    Column("Register step", 26, lambda n: _watt_hours(n.energy_resolution)),
    Column("Creep", 32, lambda n: DASH if n.creep is None else _watts(n.creep)),
    Column("Upper bound\nof creep", 24, lambda n: _watts_or_dash(n.creep_below)),
    Column(
        "Least duration of\na no-load test",
        22,
        lambda n: DASH if n.creep_period is None else f"{math.ceil(n.creep_period)}{NO_BREAK}s",
    ),
)


def _watt_hours(energy: float | None) -> str:
    return DASH if energy is None else f"{trimmed(round_significant(exact(energy / 3600), 4))}{NO_BREAK}Wh"


def _watts_or_dash(power: float | None) -> str:
    return DASH if power is None else f"{power:.3g}{NO_BREAK}W"


def _watts(power: Stated) -> str:
    value, uncertainty = power.value, power.expanded_uncertainty
    return f"{plus_minus(value, uncertainty) if uncertainty else f'{value:.3g}'}{NO_BREAK}W"


_ENDURANCE: Sequence[Column[Endurance]] = (
    Column("Current", 16, lambda e: current(e.current)),
    Column("Duration", 14, lambda e: f"{e.seconds:.0f}{NO_BREAK}s"),
    Column("Points", 12, lambda e: str(e.points), numeric=True),
    *side_by_side(
        lambda e: (to_place(e.first_error, -3, 2), to_place(e.last_error, -3, 2)),
        ("First error\nin %", 18),
        ("Last error\nin %", 18),
    ),
    *side_by_side(lambda e: value_and_u(e.drift, PERCENT), ("Drift\nin %", 16), ("U\nin %", 14)),
    Column("Limit\nin %", 15, lambda e: to_place(e.drift.limit or 0.0, -3, 2), numeric=True),
    Column(
        "Largest\nsecondary\ncurrent",
        21,
        lambda e: "not read" if e.largest_secondary_current is None else current(e.largest_secondary_current),
    ),
    Column("Verdict", 12, lambda e: e.verdict),
)


_REGISTER: Sequence[Column[EnergyRegister]] = (
    Column("Duration", 16, lambda e: f"{e.seconds:.0f}{NO_BREAK}s"),
    Column("Energy registered", 24, lambda e: _watt_hours(e.energy)),
    Column("Register step", 22, lambda e: _watt_hours(e.energy_resolution)),
    Column("Reference power", 24, lambda e: f"{trimmed(round_significant(exact(e.reference_power), 4))}{NO_BREAK}W"),
    *side_by_side(lambda e: value_and_u(e.error, PERCENT), ("Error\nin %", 18), ("U\nin %", 16)),
    Column(
        "Limit\nin %", 15, lambda e: DASH if e.error.limit is None else to_place(e.error.limit, -3, 2), numeric=True
    ),
    Column("Verdict", 16, lambda e: e.verdict),
)


_SEPARATED: Sequence[Column[ErrorParts]] = (
    Column("Secondary\ncurrent", 24, lambda p: current(p.secondary_current)),
    *side_by_side(
        lambda p: (*value_and_u(p.transformer_error, PERCENT), *value_and_u(p.module_error, PERCENT)),
        ("Transformer and\nturns, error in %", 32),
        ("U\nin %", 15),
        ("Metering module,\nerror in %", 32),
        ("U\nin %", 15),
    ),
)


def _amperes(value: Stated | None) -> str:
    return "not found" if value is None else current_pair(value.value, value.expanded_uncertainty)
