"""Points at several power factors on paper: told apart in every table, in one notation, and with power at a glance."""

from __future__ import annotations

import dataclasses
import json
import math
import re
from collections import Counter

import pytest

from harness.core.quantities import signed_text
from harness.results import Results, worst
from harness.wording.results_file import from_json, to_json
from tests.rejudged import rejudged
from tests.reports.paper_text import pages_of
from tests.reports.power_run import ran

NUMBER = re.compile(r"[0-9A-F]{4}-[0-9A-F]{4}-[0-9A-F]{4}")


def _text(results: Results) -> str:
    return "\n".join(pages_of(results))


def _table(text: str, title: str, end: str) -> list[str]:
    """The cells between a title and what comes after its table, those of a power factor that was broken put together."""
    text = text.replace("\nlagging", " lagging").replace("\nleading", " leading")
    return [cell.strip() for cell in text.partition(title)[2].partition(end)[0].splitlines()]


def test_every_current_of_a_range_says_at_which_power_factor() -> None:
    """IEC 62053-21 (value from memory) tests at 1, 0.5 inductive and 0.8 capacitive: three currents each."""
    results = ran()
    text = _text(results)
    for found in results.ranges:
        cells = _table(text, f"Range {found.name}: {found.verdict}", "Verification certificate")
        assert Counter(c for c in cells if c in ("1", "0.5 lagging", "0.8 leading"))["0.5 lagging"] == 3
        assert cells.count("0.8 leading") == 3
        assert cells.count("single") >= len(found.points) == 9


def test_one_notation_of_power_factors_is_used_on_all_pages() -> None:
    text = _text(ran())
    assert "0.5 i" not in text
    assert "0.8 c" not in text
    assert "at 0.8 leading," in text


def test_points_for_which_no_power_factor_was_asked_take_it_from_the_power_read_there() -> None:
    data = json.loads(to_json(ran()))
    for found in data["ranges"]:
        for point in found["points"]:
            assert abs(point["nominal_power_factor"]) in (1, 0.5, 0.8)
            point["nominal_power_factor"] = None
    without, asked = (NUMBER.sub("", _text(r)) for r in (from_json(json.dumps(data)), ran()))
    assert without == asked


def test_power_and_phase_stand_at_a_glance_with_their_verdicts() -> None:
    """The largest part of a limit by another way: all errors over their limits, sorted."""
    results = ran()
    cells = _table(_text(results), "Worst phase", "Worst error: the error with the largest |error| / limit")
    for found in results.ranges:
        row = cells[cells.index(found.name) :][:10]
        power = sorted(found.power, key=lambda p: abs(p.power_error.value) / (p.power_error.limit or 1))[-1]
        phase = sorted(found.phase, key=lambda p: abs(p.displacement.value))[-1]
        assert math.isclose(float(row[1].replace("−", "-")), power.power_error.value * 100, rel_tol=0.02)
        assert row[4].endswith(signed_text(round(power.power_factor, 2)))
        assert math.isclose(float(row[6].replace("−", "-")), math.degrees(phase.displacement.value) * 60, rel_tol=0.02)
        assert row[5] == row[9] == "pass"


def test_the_worst_of_power_is_of_the_worst_verdict_and_without_a_claim_the_largest() -> None:
    (found, *_) = ran().ranges
    largest = max(found.power, key=lambda p: abs(p.power_error.value))
    smallest = min(found.power, key=lambda p: abs(p.power_error.value))
    failed = tuple(
        dataclasses.replace(p, power_error=rejudged(p.power_error, verdict="fail" if p is smallest else "pass"))
        for p in found.power
    )
    assert worst(failed).name == smallest.name
    free = [dataclasses.replace(p, power_error=rejudged(p.power_error, limit=None)) for p in found.power]
    assert worst(free).name == largest.name
    angles = [dataclasses.replace(p, displacement=rejudged(p.displacement, limit=None)) for p in found.phase]
    assert worst(angles).displacement == max((p.displacement for p in angles), key=lambda d: abs(d.value))
    unclaimed = tuple(dataclasses.replace(r, power=tuple(free), phase=tuple(angles)) for r in (found,))
    text = " ".join(_text(dataclasses.replace(ran(), ranges=unclaimed)).split())
    assert "the largest |error| where nothing is claimed" in text


@pytest.mark.parametrize("factor", [None, 1.0])
def test_a_run_of_currents_has_neither_column_nor_row(factor: float | None) -> None:
    """A load that was asked for a power factor of 1 throughout has told nothing by a column of ones."""
    results = ran()
    plain = tuple(
        dataclasses.replace(
            r,
            power=(),
            phase=(),
            points=tuple(dataclasses.replace(p, nominal_power_factor=factor) for p in r.points),
        )
        for r in results.ranges
    )
    text = _text(dataclasses.replace(results, ranges=plain))
    assert "Worst phase" not in text
    assert "Power\nfactor" not in text
