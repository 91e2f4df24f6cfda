"""What a certificate says of each range: every point, turns, line and zero, the worst point and its budget."""

import dataclasses
import math
import re

import pytest

from harness.results import Point
from reports.range_sections import compared_at
from tests.reports import sample_results
from tests.reports.paper_text import pages_of
from tests.reports.sample_results import MAKERS, Maker


def _two_digits(value: float, uncertainty: float) -> tuple[str, str]:
    """Value and U in percent by Python's own formatting: another way than the one under test (ties aside)."""
    digits = f"{uncertainty * 100:.1e}"
    decimals = max(0, 1 - int(digits.split("e")[1]))
    shown = f"{value * 100:.{decimals}f}"
    if float(shown) == 0:
        shown = shown.lstrip("-")
    return shown.replace("-", "−"), f"{float(digits):.{decimals}f}"


def _risk(p: Point) -> str:
    """Both tails of the normal distribution beyond the limits, or what lies between them where the point failed."""
    beyond = (
        math.erfc((p.ratio_error.limit - p.ratio_error.value) / p.ratio_error.standard_uncertainty / math.sqrt(2)) / 2
    )
    beyond += (
        math.erfc((p.ratio_error.limit + p.ratio_error.value) / p.ratio_error.standard_uncertainty / math.sqrt(2)) / 2
    )
    risk = beyond if p.ratio_error.verdict == "pass" else 1 - beyond
    return "< 0.01" if risk < 5e-5 else f"{risk * 100:.2f}"


@pytest.mark.parametrize("make", MAKERS)
def test_every_point_stands_in_one_row_rounded_to_its_uncertainty(make: Maker) -> None:
    results = make()
    text = "\n".join(pages_of(results))
    words = {"up": "rising", "down": "falling"}
    points = [p for r in results.ranges for p in r.points]
    assert points
    for p in points:
        error, uncertainty = _two_digits(p.ratio_error.value, p.ratio_error.expanded_uncertainty)
        row = rf"{words.get(p.direction, p.direction)}\s+([\d.]+)\s+([\d.]+)\s+{re.escape(error)}\s+"
        row += rf"{re.escape(uncertainty)}\s+"
        row += rf"{p.ratio_error.coverage_factor:.2f}( [a-z])?\s+{p.ratio_error.limit * 100:#.4g}\s+"
        row += rf"{p.ratio_error.conformity.test_uncertainty_ratio:.2f}\s+{_risk(p)}\s+{p.pairs}\s+{p.ratio_error.verdict}\b"
        found = [(float(m[1]), float(m[2])) for m in re.finditer(row, text)]
        shown = [1.0, 1e3]  # amperes or milliamperes
        assert any(
            math.isclose(reference, p.reference_current * unit, rel_tol=p.ratio_error.expanded_uncertainty)
            and math.isclose(indicated, p.indicated_current * unit, rel_tol=p.ratio_error.expanded_uncertainty)
            for reference, indicated in found
            for unit in shown
        ), p.name


def test_effective_turns_line_and_zero_are_summed_up_for_each_range() -> None:
    text = " ".join("".join(pages_of(sample_results.failing())).split())
    # fixture: 2.0 turns, U = 0.0028; slope 0.5, u = 0.00021; intercept -0.1 mA, u = 0.075 mA; zero 75 uA, U = 200 uA
    assert "2.0000 ± 0.0028 (k = 2.00)" in text
    assert "0.50000, u = 0.00021" in text
    assert "−100 µA, u = 75 µA" in text
    assert "(80 ± 200) µA (k = 1.73), not significant" in text
    assert "independent 0.011 %" in text


def test_a_departure_from_a_straight_line_is_explained_in_one_sentence() -> None:
    good = sample_results.passing()
    line = good.ranges[1].line
    assert line is not None
    bent = dataclasses.replace(line, chi_squared=2640.0, departure=4.2e-4, departs=True)
    ranges = (good.ranges[0], dataclasses.replace(good.ranges[1], line=bent), *good.ranges[2:])
    words = "depart from a straight line by more than their scatter"
    text = " ".join("".join(pages_of(dataclasses.replace(good, ranges=ranges))).split())
    assert text.count(words) == 1
    assert "(standard deviation 0.042 %); slope and intercept include this." in text
    assert words not in "".join(pages_of(good))


def test_turns_say_how_they_were_found_and_how_probable_the_whole_number_is() -> None:
    good = sample_results.passing()
    text = " ".join("".join(pages_of(good)).split())
    assert "against the base range at 6 equal ampere-turns" in text
    assert "4, probability above 99.9 %" in text
    assert text.count("this range alone cannot separate turns and gain of the meter") == 1
    assert text.count("Reading factor") == 3
    turns = good.ranges[1].effective_turns
    assert turns is not None
    far = dataclasses.replace(turns, value=4.0189, expanded_uncertainty=0.0076, holds_whole_number=False)
    ranges = (good.ranges[0], dataclasses.replace(good.ranges[1], effective_turns=far), *good.ranges[2:])
    text = " ".join("".join(pages_of(dataclasses.replace(good, ranges=ranges))).split())
    assert "none within ± U; the nearest is 4" in text


def test_what_a_turns_check_does_not_measure_is_called_not_measured() -> None:
    text = "".join(pages_of(sample_results.turns_check()))
    assert text.count("not measured by this procedure") == 6
    assert "Relative humidity\nnot measured" in text


def test_a_range_without_points_is_said_to_be_uncertified() -> None:
    assert "Nothing is certified about it" in "".join(pages_of(sample_results.stressed()))


def _part_of_limit(p: Point) -> float:
    return abs(p.ratio_error.value) / p.ratio_error.limit


def test_one_point_of_a_range_is_called_worst_at_a_glance_and_in_the_budgets() -> None:
    """Also in a range all of whose points fail, where the largest error of all stands at a current with more claimed."""
    results = sample_results.failing()
    front = "\n".join(pages_of(results)[:2])
    for found in results.ranges:
        worst = max(found.points, key=_part_of_limit)
        error, uncertainty = _two_digits(worst.ratio_error.value, worst.ratio_error.expanded_uncertainty)
        row = rf"^{found.name}\s.*?\s{len(found.points)}\s+{error}\s+{uncertainty}\s+{worst.ratio_error.limit * 100:#.4g}\s+{found.verdict}"
        assert re.search(row, front, re.MULTILINE | re.DOTALL)
        assert f"Budget of the worst point on range {found.name}: {worst.name}" in "".join(pages_of(results))
    assert "Worst error: the error with the largest |error| / limit among the points with the worst verdict" in front


def test_every_range_has_the_budget_of_its_worst_point_and_it_adds_up() -> None:
    """JCGM 100:2008, 5.1.2: the contributions add in squares to the combined standard uncertainty."""
    results = sample_results.passing()
    text = "".join(pages_of(results))
    parts = text.split("Budget of the worst point on range ")[1:]
    assert len(parts) == len(results.ranges)
    for found, part in zip(results.ranges, parts, strict=True):
        worst = max(found.points, key=_part_of_limit)
        part = part[: part.index("limit ")]
        assert worst.name in part
        rows = re.findall(r"([\d.]+)\s+(∞|[\d.]+)\s+(?:yes|no)", part)
        assert len(rows) == len(worst.budget)
        combined = math.sqrt(sum(float(row[0]) ** 2 for row in rows))
        assert combined == pytest.approx(worst.ratio_error.standard_uncertainty * 100, rel=0.05)
        assert [row[1] for row in rows].count("∞") == len(rows) - 1


def test_a_comparison_between_ampere_turns_tells_a_number_of_places_and_no_ampere_turns() -> None:
    turns = sample_results.passing().ranges[1].effective_turns
    assert turns is not None
    between = dataclasses.replace(turns, method="between ampere-turns", compared=2)
    assert "interpolated to this range's, at 2 numbers of ampere-turns" in compared_at(between)
    assert "at one number of ampere-turns" in compared_at(dataclasses.replace(between, compared=1))


def test_a_zero_that_a_display_shows_is_told_no_finer_than_its_step() -> None:
    good = sample_results.failing()
    words = "does not tell an offset smaller than its step"
    assert words not in " ".join("".join(pages_of(good)).split())
    ranges = tuple(dataclasses.replace(r, zero=r.zero and dataclasses.replace(r.zero, value=0.0)) for r in good.ranges)
    text = " ".join("".join(pages_of(dataclasses.replace(good, ranges=ranges))).split())
    assert words in text


def test_the_certificate_tells_which_readings_the_operator_took_and_what_indicated_is() -> None:
    good = sample_results.passing()  # its meter and switch are a person's, its reference has a link
    text = " ".join("".join(pages_of(good)).split())
    assert "Read by the operator meter" in text
    assert "Read over a link reference" in text
    assert "set by hand, as the operator confirmed" in text
    assert "what the meter displays times the display factor of the range" in text
    linked = tuple(dataclasses.replace(i, profile="made") for i in good.instruments)
    text = " ".join("".join(pages_of(dataclasses.replace(good, instruments=linked))).split())
    assert "Read by the operator" not in text
    assert "as the operator confirmed" not in text
