"""Budgets on paper, as their reader meets them: found in the text of the PDF, and worked out again from it."""

from __future__ import annotations

import dataclasses
import math
import re

import pytest

from harness.results import RangeResult, Results, Stated
from reports.budget_table import degrees
from tests.rejudged import rejudged
from tests.reports import sample_results
from tests.reports.paper_text import pages_of
from tests.reports.power_run import ran

TITLE = "Budget of the "
LINE = re.compile(
    r"(?P<distribution>normal|rectangular)\s+(?P<own>[\d.]+)\s?(?P<unit>%|′|[mµn]?A|W|V|rad)\s+"
    r"(?P<sensitivity>−?[\d.]+)(?P<of>[^\d−\n]*?)\s+(?P<part>[\d.]+)\s+(?P<freedom>∞|[\d.]+)\s+(?:yes|no)"
)
FACTOR = {"%": 0.01, "m": 1e-3, "µ": 1e-6, "n": 1e-9}


def _budgets(results: Results) -> dict[str, str]:
    """What stands under each title of a budget, by the rest of that title."""
    parts = "\n".join(pages_of(results)).split(TITLE)[1:]
    return {part.partition("\n")[0].strip(): part.partition("\n")[2] for part in parts}


def _check(text: str, found: Stated, scale: float, count: int) -> None:
    """JCGM 100:2008, 5.1.2 and 6.2.1: u(x) |c| of every line, their root sum of squares, and k times that."""
    lines = list(LINE.finditer(text))
    assert len(lines) == count
    for line in lines:
        own = float(line["own"]) * FACTOR.get(line["unit"][0], 1.0)
        product = own * abs(float(line["sensitivity"].replace("−", "-")))
        if line["unit"] in ("%", "W", "rad") and "′" not in line["of"]:
            product *= scale  # c is a plain number, the contribution in what the result is printed in
        assert float(line["part"]) == pytest.approx(product, rel=0.08)
    combined = math.sqrt(sum(float(line["part"]) ** 2 for line in lines))
    assert combined == pytest.approx(found.standard_uncertainty * scale, rel=0.05)
    sums = re.search(r"U = ([\d.]+) × ([\d.]+).*? = ([\d.]+)", text)
    assert sums is not None
    k, standard, expanded = (float(number) for number in sums.groups())
    assert expanded == pytest.approx(k * standard, rel=0.06)
    assert expanded == pytest.approx(found.expanded_uncertainty * scale, rel=0.05)


def test_an_error_of_power_and_a_phase_displacement_of_every_range_have_a_budget_that_adds_up() -> None:
    results = ran()
    budgets = _budgets(results)
    for found in results.ranges:
        power = {f"power error on range {found.name}: {p.name}": p for p in found.power}
        shown = [name for name in power if name in budgets]
        assert len(shown) == 1
        _check(budgets[shown[0]], power[shown[0]].power_error, 100, len(power[shown[0]].budget))
        angles = {p.nominal_current: p for p in found.phase}
        title = next(name for name in budgets if name.startswith(f"phase displacement on range {found.name}: "))
        number, unit = title.rpartition(": ")[2].split()
        angle = angles[float(number) * (1e-3 if unit == "mA" else 1)]
        _check(budgets[title], angle.displacement, 60 * 180 / math.pi, len(angle.budget))
    assert "The results file has all other budgets" in " ".join(" ".join(pages_of(results)).split())


def test_a_title_stands_with_the_whole_of_its_budget() -> None:
    pages = pages_of(ran())
    assert sum(page.count(TITLE) for page in pages) == 9
    for page in pages:
        assert page.count(TITLE) == page.count(", combined") == len(re.findall(r"^U = ", page, re.MULTILINE))


def test_the_power_point_with_least_room_for_its_uncertainty_is_shown() -> None:
    """Of a claim of power that is far tighter at one point, that point."""
    results = ran()

    def tighter(found: RangeResult) -> RangeResult:
        power = tuple(
            dataclasses.replace(p, power_error=rejudged(p.power_error, limit=0.001 if p is found.power[-1] else 0.02))
            for p in found.power
        )
        phase = tuple(
            dataclasses.replace(p, displacement=rejudged(p.displacement, limit=0.001 if p is found.phase[1] else 0.02))
            for p in found.phase
        )
        return dataclasses.replace(found, power=power, phase=phase)

    budgets = _budgets(dataclasses.replace(results, ranges=tuple(tighter(r) for r in results.ranges)))
    assert "power error on range x1: x1 80 A at 0.8 leading" in budgets
    assert "phase displacement on range x1: 8 A" in budgets
    assert "limit 0.1000 %" in budgets["power error on range x1: x1 80 A at 0.8 leading"]


def test_without_a_claim_the_lowest_power_factor_at_the_smallest_current_is_shown() -> None:
    results = ran()
    ranges = tuple(
        dataclasses.replace(
            r,
            power=tuple(dataclasses.replace(p, power_error=rejudged(p.power_error, limit=None)) for p in r.power),
            phase=tuple(dataclasses.replace(p, displacement=rejudged(p.displacement, limit=None)) for p in r.phase),
        )
        for r in results.ranges
    )
    budgets = _budgets(dataclasses.replace(results, ranges=ranges))
    for name, smallest, as_current in (("x1", "0.8", "800 mA"), ("x4", "0.2", "200 mA"), ("x20", "0.04", "40 mA")):
        text = budgets[f"power error on range {name}: {name} {smallest} A at 0.5 lagging"]
        assert f"phase displacement on range {name}: {as_current}" in budgets
        assert "limit" not in text.partition("U = ")[2].splitlines()[0]


@pytest.mark.parametrize("procedure", ["smallest_current", "bench_check"])
def test_the_smallest_current_and_the_check_of_the_bench_have_one(procedure: str) -> None:
    results = ran(procedure)
    budgets = _budgets(results)
    if results.bench_check is not None:
        assert list(budgets) == ["check of the bench"]
        check = results.bench_check
        combined = [float(line["part"]) for line in LINE.finditer(budgets["check of the bench"])]
        assert math.hypot(*combined) == pytest.approx(check.deviation.standard_uncertainty * 100, rel=0.05)
        return
    assert len(budgets) == 3
    for found in results.ranges:
        assert found.smallest is not None
        assert found.smallest.found is not None
        text = budgets[f"smallest readable current on range {found.name}"]
        combined = [float(line["part"]) for line in LINE.finditer(text)]
        together = sum(int(times) - 1 for times in re.findall(r", (\d+) times\s", text))
        assert len(combined) + together == len(found.smallest.budget)
        assert math.hypot(*combined) == pytest.approx(found.smallest.found.standard_uncertainty * 1000, rel=0.05)


def test_inputs_alike_stand_in_one_line_with_their_number_and_root_sum_of_squares() -> None:
    """JCGM 100:2008, 5.1.2: three contributions alike add in squares to the root of three of one."""
    results = ran("bench_check")
    assert results.bench_check is not None
    own = [line for line in results.bench_check.budget if line.source == "resolution of the reference"]
    assert len(own) == 3
    text = " ".join(_budgets(results)["check of the bench"].split())
    assert text.count("resolution of the reference") == 1
    told = re.search(r"resolution of the reference, 3 times rectangular [\d.]+ nA −?[\d.]+ / A ([\d.]+)", text)
    assert told is not None
    assert float(told[1]) == pytest.approx(math.sqrt(3) * own[0].contribution * 100, rel=0.02)


def test_inputs_of_one_name_that_weigh_differently_stay_apart() -> None:
    results = ran("bench_check")
    check = results.bench_check
    assert check is not None
    other = dataclasses.replace(check.budget[-1], sensitivity=-0.1, contribution=check.budget[-1].contribution * 0.15)
    changed = dataclasses.replace(results, bench_check=dataclasses.replace(check, budget=(*check.budget[:-1], other)))
    text = _budgets(changed)["check of the bench"]
    assert "resolution of the reference, 2 times" in text
    assert text.count("resolution of the reference") == 2


def test_a_run_of_currents_has_budgets_of_ratio_errors_alone() -> None:
    assert all(title.startswith("worst point") for title in _budgets(sample_results.passing()))


@pytest.mark.parametrize(
    ("freedom", "told"),
    [
        (None, "∞"),
        (math.inf, "∞"),
        (2.0, "2.0"),
        (27.49, "27.4"),
        (99.99, "99.9"),
        (123.4, "123"),
        (6375.5, "6370"),
        (1e6, "1000000"),
    ],
)
def test_degrees_of_freedom_are_cut_never_rounded_up(freedom: float | None, told: str) -> None:
    """JCGM 100:2008, G.4.1, note 1: the effective degrees of freedom are interpolated or truncated to the next lower."""
    assert degrees(freedom) == told
