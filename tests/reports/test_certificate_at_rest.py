"""What a certificate says of a run at no load and of the bench itself, and of files written before."""

import dataclasses
import re

from harness import results as contract
from harness.results import Reason, Results, ValidatedQuantity, Validation
from tests.reports import sample_results
from tests.reports.paper_text import body_of, pages_of, squeezed


def _stated(value: float, expanded: float) -> contract.Stated:
    return contract.Stated(value, expanded / 2, expanded, 2.0, None)


def _judged(found: contract.Stated, conformity: contract.Conformity) -> contract.Judged:
    return contract.Judged.of(found, "t-distribution", conformity)


def _resting() -> Results:
    rest = contract.NoLoad(
        seconds=600.4,
        current=_judged(_stated(0.0011, 0.00048), contract.Conformity(0.002, 0.00152, 0.0009, 4.17, "pass")),
        voltage=230.1,
        power=_judged(_stated(0.2, 0.048), contract.Conformity(0.46, 0.412, 0.0, 9.58, "pass")),
        energy=3600.0,
        energy_resolution=3600.0,
        verdict="pass",
        creep=_stated(6.0, 4.7),
        creep_below=12.03,
        creep_period=1565.2,
    )
    results = sample_results.passing()
    return dataclasses.replace(results, ranges=(dataclasses.replace(results.ranges[0], no_load=rest),))


def test_no_load_tells_limit_risk_and_creep_in_watts() -> None:
    text = squeezed("".join(pages_of(_resting())))
    assert squeezed("(1.10 ± 0.48) mA 2 mA 4.17 0.09 0.200 ± 0.048 W 0.46 W pass") in text
    assert squeezed("600 s 1 Wh 1 Wh 6.0 ± 4.7 W 12 W 1566 s") in text


def test_the_bench_check_says_what_it_is_judged_by() -> None:
    check = contract.BenchCheck(
        "standard", 10.0, _stated(1.0, 0.002), _stated(1.003, 0.001), _stated(0.003, 0.0023), 1.30, "fail"
    )
    results = dataclasses.replace(sample_results.passing(), bench_check=check, verdict="fail")
    text = squeezed("".join(pages_of(results)))
    assert squeezed("|En| ≤ 1 (ISO/IEC 17043), not by the decision rule") in text
    # It is the bench that is in doubt, not the item.
    assert squeezed("does not meet its claim") not in text
    assert squeezed("Conformity with the claim") not in text


def test_a_run_for_the_bench_alone_speaks_of_no_decision_rule_and_no_ratio_error() -> None:
    check = contract.BenchCheck(
        "standard", 10.0, _stated(1.0, 0.002), _stated(1.0009, 0.001), _stated(0.0009, 0.0023), 0.391, "pass"
    )
    good = sample_results.passing()
    visited, *others = (dataclasses.replace(r, points=(), zero=None, line=None) for r in good.ranges)
    not_visited = tuple(dataclasses.replace(r, ceiling=0.0, ceiling_set_by=contract.NOT_VISITED) for r in others)
    results = dataclasses.replace(good, bench_check=check, ranges=(visited, *not_visited))
    text = body_of(results)
    assert (
        squeezed("Criterion of the bench check: |En| ≤ 1 (ISO/IEC 17043), not by the decision rule; En = 0.39.") in text
    )
    assert squeezed("En = |deviation| / U") in text
    for absent in (
        "guarded acceptance",
        "Guard band",
        "ratio error multiplied",
        "to the points listed",
        "0 A not",
    ):
        assert squeezed(absent) not in text
    assert text.count(squeezed("not visited")) == 2


def test_numbers_and_names_are_not_broken_nor_written_with_exponents() -> None:
    good = sample_results.failing()
    line = good.ranges[0].line
    assert line is not None
    first = dataclasses.replace(good.ranges[0], line=dataclasses.replace(line, chi_squared=1274.6))
    cause = dataclasses.replace(good.diagnosis[0], fault="module-supply-behind-sensor")
    angle = ValidatedQuantity(
        "phase displacement, x1 8 A", "minutes", 14.528, 18.507, 14.527, 18.516, 0.001, 0.005, "agrees"
    )
    results = dataclasses.replace(
        good,
        ranges=(first, *good.ranges[1:]),
        diagnosis=(cause, *good.diagnosis[1:]),
        diagnosis_notes=(Reason.of("not-separated", causes=("the one", "the other")),),
        validation=Validation(1_000_000, 101, 0.9545, (angle,)),
    )
    text = "\n".join(pages_of(results))
    assert "χ² = 1270 with" in text
    for whole in ("module-supply-behind-sensor", "minutes"):
        assert re.search(rf"^\s*{whole}$", text, re.MULTILINE)
    assert "This run cannot separate these causes: the one; or the other." in text
