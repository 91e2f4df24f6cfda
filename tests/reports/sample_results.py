"""Fixture data: results of imagined runs with plausible numbers, drawn by a seeded generator. Measures nothing.

Frozen, so each is made once.
"""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import math
import random
from collections.abc import Callable
from statistics import NormalDist
from typing import Literal, Protocol

from harness.results import (
    SCHEMA,
    BudgetLine,
    ChainLink,
    ClaimPart,
    Condition,
    Conformity,
    DecisionRule,
    DeviceSummary,
    EffectiveTurns,
    Hypothesis,
    InstrumentSummary,
    Judged,
    Line,
    Linearity,
    LoadWaveform,
    Offset,
    Point,
    RangeResult,
    Reason,
    Results,
    Run,
    Stated,
)

RANGES = (("x1", 1, 0.4, 80.0), ("x4", 4, 0.1, 20.0), ("x20", 20, 0.02, 4.0))


def _ladder(low: float, high: float, count: int) -> list[float]:
    return [low * (high / low) ** (i / (count - 1)) for i in range(count)]


def _budget(u: float, current: float, rng: random.Random) -> tuple[BudgetLine, ...]:
    parts = {
        "repeatability of the pairs": ("normal", 0.25, 3.0, False, "A"),
        "reference, calibrated gain": ("rectangular", 0.70, math.inf, True, "1"),
        "reference, calibrated offset": ("rectangular", 0.30, math.inf, True, "A"),
        "drift of the reference since calibration": ("rectangular", 0.35, math.inf, True, "1"),
        "resolution of the display": ("rectangular", 0.45, math.inf, False, "A"),
        "temperature of the reference": ("rectangular", 0.10, None, True, "1"),
    }
    scale = u / math.sqrt(sum(p[1] ** 2 for p in parts.values()))
    lines = []
    for source, (kind, share, dof, shared, unit) in parts.items():
        sensitivity = -1.0 if unit == "1" else 1.0 / current
        part = scale * share
        lines.append(BudgetLine(source, kind, part / abs(sensitivity), unit, sensitivity, part, dof, shared))  # type: ignore[arg-type]
    return tuple(lines)


def point(
    range_name: str,
    direction: str,
    nominal: float,
    top: float,
    error: float,
    rng: random.Random,
    limit: float | None = None,
    rule: str = "guarded",
) -> Point:
    u = math.hypot(0.0006, 0.00003 * top / nominal)
    limit = 0.01 + 0.001 * top / nominal * 0.05 if limit is None else limit
    measured = error + rng.gauss(0, 0.4) * u
    reference = nominal * (1 + rng.gauss(0, 0.0004))
    k = 2.0 if direction != "up" else 2.06
    allowed = limit - k * u if rule == "guarded" else limit
    passes = abs(measured) <= allowed
    beyond = sum(NormalDist().cdf(-(limit + sign * measured) / u) for sign in (1, -1))
    return Point(
        name=f"{range_name} {direction} {nominal:.4g} A",
        direction=direction,
        nominal_current=nominal,
        reference_current=reference,
        indicated_current=reference * (1 + measured),
        ratio_error=Judged(
            value=measured,
            standard_uncertainty=u,
            expanded_uncertainty=k * u,
            coverage_factor=k,
            degrees_of_freedom=None if direction == "down" else 27.4,
            coverage_method="Student's t" if direction != "up" else "Monte Carlo (JCGM 101)",
            conformity=Conformity(
                limit=limit,
                acceptance_limit=allowed,
                specific_risk=beyond if passes else 1 - beyond,
                test_uncertainty_ratio=limit / (k * u),
                verdict="pass" if passes else "fail",
            ),
        ),
        pairs=4,
        reference_range=10.0 if nominal > 1 else 1.0,
        budget=_budget(u, reference, rng),
        nominal_power_factor=None,
    )


def one_range(
    name: str,
    turns: int,
    low: float,
    high: float,
    rng: random.Random,
    error: float = 0.0012,
    mode: Literal["full", "single", "empty"] = "full",
    rule: str = "guarded",
    remarks: tuple[Reason, ...] = (),
) -> RangeResult:
    def droop(i: float) -> float:
        return error - 0.004 * (low / i) ** 0.5

    if mode == "full":
        rising = _ladder(low, high, 7)
        ways = [("up", i) for i in rising] + [("down", i) for i in reversed(rising[:-1])]
    else:
        ways = [("single", high)] if mode == "single" else []
    points = tuple(point(name, d, i, high, droop(i), rng, rule=rule) for d, i in ways)
    full = mode == "full"
    effective = turns * (1 + error)
    return RangeResult(
        name=name,
        wiring="series" if turns == 4 else "independent",
        expected_turns=turns,
        display_factor=1 / turns,
        minimum_current=low,
        maximum_current=high,
        ceiling=high,
        ceiling_set_by="claim of the range" if turns > 1 else "input of the meter",
        effective_turns=EffectiveTurns(
            effective,
            effective * 0.0014,
            2.0,
            "equal ampere-turns" if full else "other ampere-turns",
            len(points) // 2 or 1,
            round(effective),
            0.99991,
            True,
        )
        if points and turns > 1
        else None,
        zero=Offset(0.0003 / turns, 0.0008 / turns, 1.73, False) if full else None,
        points=points,
        line=Line(1 + error, 0.00021, -0.0004 / turns, 0.0003 / turns, -1e-9, 9.31, 11, 0.0, False) if full else None,
        linearity=Linearity(0.00011, 0.00016, 0.00021, 0.00009) if full else None,
        verdict="pass" if all(p.ratio_error.verdict == "pass" for p in points) and points else "fail",
        remarks=remarks,
        reading_factor=Stated(1 + error, 0.00042, 0.00083, 1.98, None) if points else None,
    )


def _run(simulated: bool, turns_check: bool) -> Run:
    digest = hashlib.sha256(b"fixture record").hexdigest()
    return Run(
        laboratory="Millrace Repair Workshop",
        laboratory_address="Unit 4, The Old Weir, Lower Lane",
        laboratory_statement="",
        operator="A. Fixture",
        started="2026-03-14T09:12:05+00:00",
        finished="2026-03-14T10:03:41+00:00",
        procedure="turns_check" if turns_check else "current_ratio",
        procedure_title="Turns check at one common current" if turns_check else "Current ratio and linearity",
        procedure_revision="1",
        procedure_description="Step the load through every range and read reference and meter under test together.",
        procedure_hash=hashlib.sha256(b"fixture procedure").hexdigest(),
        temperature=22.6,
        relative_humidity=0.41,
        reference_path="shunt of 10 mΩ, read by the reference voltmeter",
        resumed=0,
        overrides=(),
        simulated=simulated,
        record_file="2026-03-14-current-ratio.jsonl",
        record_lines=612,
        record_hash=digest,
        software="ratioproof 0.1.0",
        evaluated_by="ratioproof 0.1.1",
    )


DEVICE = DeviceSummary(
    maker="Workshop build",
    type="Rack energy monitor",
    serial="REM-0007",
    owner="Weirside Makers' Hall",
    modified_by="Millrace Repair Workshop",
    modification="Primary conductor passed through the core 1, 4 or 20 times behind a three-way range switch.",
    secondary_turns=2500,
    rated_secondary_current=0.032,
    maximum_secondary_current=0.04,
    burden=10.0,
    frequency=50.0,
    resolution=0.01,
    smallest_readable_current=0.05,
    path_ratings={
        "switch": "80 A",
        "conductor": "90 A, 16 mm²",
        "fuse": "80 A",
        "supply socket": "not in the path",
        "secondary fuse": "63 mA",
    },
    claim=(ClaimPart("ratio error", "within ± (1.0 % of reading + 0.005 % of range)", True),),
)

INSTRUMENTS = (
    InstrumentSummary(
        "reference",
        "reference",
        "scpi_multimeter",
        "GENERIC,DMM,M-2201,1.4",
        "M-2201",
        "CAL-25-0193",
        "2025-09-02",
        "2026-09-02",
        "Harbour Calibration",
        ("1 A: 0.05 % of reading + 0.005 % of range", "10 A: 0.08 % of reading + 0.008 % of range"),
    ),
    InstrumentSummary("load", "load", "scpi_ac_load", "GENERIC,LOAD,L-118,2.0", "L-118", "", "", "", "", ()),
    InstrumentSummary("meter", "meter", "person", "", "", "", "", "", "", ()),
    InstrumentSummary("switch", "switch", "person", "", "", "", "", "", "", ()),
)


CONDITIONS = (
    Condition("frequency", "Hz", 50.0, 50.01, 49.97, 50.04, "reference M-2201"),
    Condition("voltage", "V", None, None, None, None, ""),
    Condition("temperature", "degC", 22.6, 22.4, 22.4, 22.4, "sensor E-3"),
    Condition("relative humidity", "1", None, None, None, None, ""),
)

CHAIN = (
    ChainLink(
        "reference shunt",
        "four-terminal resistor of 10 mΩ",
        "SH-88",
        "confirmed at the bench",
        "CAL-25-0177",
        "2025-08-20",
        "2027-08-20",
        "Harbour Calibration",
        True,
        "corrected from 1 A to 80 A at 50 Hz, U (k = 2) 0.01 % to 0.02 %",
    ),
    ChainLink(
        "reference instrument",
        "reference",
        "M-2201",
        "answered by the instrument",
        "CAL-25-0193",
        "2025-09-02",
        "2026-09-02",
        "Harbour Calibration",
        True,
        "within the accuracy claimed for each range",
    ),
)


@functools.cache
def passing(rule: Literal["simple", "guarded"] = "guarded", simulated: bool = False, seed: int = 1) -> Results:
    """A healthy rebuild, full procedure, three ranges."""
    rng = random.Random(seed)
    ranges = tuple(one_range(n, t, low, high, rng, rule=rule) for n, t, low, high in RANGES)
    return Results(
        schema=SCHEMA,
        verdict="pass",
        reasons=(Reason.of("neighbouring-integer", "x4"),),
        run=_run(simulated, False),
        device=DEVICE,
        instruments=INSTRUMENTS,
        reference_chain=CHAIN,
        conditions=CONDITIONS,
        waveforms=(LoadWaveform("load", True, 0.005),),
        decision=DecisionRule(
            rule,
            0.9545,
            guard_factor=1.0 if rule == "guarded" else None,
        ),
        ranges=ranges,
        diagnosis=(Hypothesis("none", None, "healthy meter", 0.981), Hypothesis("gain", None, "gain drifted", 0.019)),
        diagnosis_notes=(),
    )


@functools.cache
def failing(seed: int = 2) -> Results:
    """The x4 range wound with its section reversed, simulated: 1 - 3 turns show as 2 of 4, an error of -50 %."""
    rng = random.Random(seed)
    good = passing(simulated=True)
    bad = one_range(
        "x4",
        4,
        0.1,
        20.0,
        rng,
        error=-0.5,
        remarks=(Reason.of("left-out", "x4", what="Points above 10 A", why="maximum test current lowered"),),
    )
    return dataclasses.replace(
        good,
        verdict="fail",
        reasons=(
            Reason.of(
                "points-not-passed",
                "x4",
                judgement="does not meet the claim",
                failed=13,
                points=13,
                value=-0.508,
                expanded_uncertainty=0.004,
                current=0.1,
                limit=0.02,
            ),
            Reason.of("other-turns", "x4", turns=2.0, described=4),
        ),
        run=dataclasses.replace(
            good.run,
            resumed=2,
            overrides=("certificate of instrument reference lapsed on 2026-02-01 (--override due)",),
        ),
        ranges=(good.ranges[0], bad, good.ranges[2]),
        diagnosis=(
            Hypothesis(
                "section reversed", "x4", "the added section of range x4 is wound against the base winding", 0.931
            ),
            Hypothesis("turn missing", "x4", "range x4 holds fewer turns than its file says", 0.0685),
            Hypothesis("none", None, "healthy meter", 0.00000001),
        ),
        diagnosis_notes=(Reason.of("common-to-all"),),
    )


@functools.cache
def turns_check() -> Results:
    """One common current, one point a range, no zero, no line."""
    rng = random.Random(3)
    good = passing()
    return dataclasses.replace(
        good,
        reasons=(),
        run=dataclasses.replace(_run(False, True), relative_humidity=None),
        ranges=tuple(one_range(n, t, low, 4.0, rng, mode="single") for n, t, low, _ in RANGES),
        diagnosis=(),
    )


@functools.cache
def stressed() -> Results:
    """Six ranges, long names, long reasons, an empty range, signs outside the type family."""
    rng = random.Random(4)
    long_name = "position three of the rear panel switch, white lead through the upper opening, twenty turns" * 2
    good = passing()
    ranges = [one_range(n, t, low, high, rng) for n, t, low, high in RANGES]
    ranges.append(one_range(long_name, 25, 0.002, 0.8, rng, error=-0.012))
    ranges.append(
        one_range(
            "x50",
            50,
            0.001,
            0.4,
            rng,
            mode="empty",
            remarks=(
                Reason.of("left-out", "x50", what="No point could be read. " * 12, why="maximum test current lowered"),
            ),
        )
    )
    ranges.append(one_range("x100-" + "abcdefghij" * 9, 100, 0.0002, 0.2, rng, error=0.31))
    return dataclasses.replace(
        good,
        verdict="fail",
        reasons=tuple(
            Reason.of(
                "left-out",
                f"Reason {i}",
                what="a long account of this range & why <it> matters. " * 5,
                why="maximum test current lowered",
            )
            for i in range(7)
        ),
        run=dataclasses.replace(
            good.run,
            laboratory_statement="Accredited for electrical measurement under number 0000; scope on request.",
            simulated=True,
            resumed=1,
            overrides=tuple(f"override {i} " + "with a long explanation of what was set aside " * 4 for i in range(4)),
        ),
        device=dataclasses.replace(
            good.device, owner="The Very Long Named Society of Careful Owners " * 5 + "漢字 ●", serial="S" * 120
        ),
        ranges=tuple(ranges),
        diagnosis=tuple(Hypothesis(f"cause {i}", "x4", "an explanation " * 12, 0.5 / 2**i) for i in range(10)),
        diagnosis_notes=(Reason.of("not-separated", causes=("one long cause " * 6, "another " * 6)),),
    )


class Maker(Protocol):
    """What makes results once; `__wrapped__` makes them anew."""

    __wrapped__: Callable[[], Results]

    def __call__(self) -> Results: ...


MAKERS: list[Maker] = [passing, failing, turns_check, stressed]
"""All whole results here."""
