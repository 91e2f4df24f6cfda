"""The certificate as its reader meets it: the text and fonts of the finished PDF."""

import dataclasses
import hashlib
import io
import math
import re
from collections.abc import Callable
from typing import Any, Protocol

import pytest
from pypdf import PdfReader

from harness.results import Condition, Point, Reason, Results, ValidatedQuantity, Validation, Verdict
from harness.safety.cautions import CAUTIONS, NOT_VERIFIED
from harness.wording.reasons import decision_statement, reason_line, reason_text
from harness.wording.results_file import to_json
from reports.certificate import SIMULATED, certificate
from reports.first_page import certificate_number
from reports.fonts import printable
from tests.rejudged import rejudged
from tests.reports import sample_results
from tests.reports.paper_text import body_of, pages_of, printed, squeezed
from tests.results_read import from_json


class Maker(Protocol):
    """What makes results once; `__wrapped__` makes them anew."""

    __wrapped__: Callable[[], Results]

    def __call__(self) -> Results: ...


MAKERS = [sample_results.passing, sample_results.failing, sample_results.turns_check, sample_results.stressed]


def _two_digits(value: float, uncertainty: float) -> tuple[str, str]:
    """Value and U in percent by Python's own formatting: another way than the one under test (ties aside)."""
    digits = f"{uncertainty * 100:.1e}"
    decimals = max(0, 1 - int(digits.split("e")[1]))
    shown = f"{value * 100:.{decimals}f}"
    if float(shown) == 0:
        shown = shown.lstrip("-")
    return shown.replace("-", "−"), f"{float(digits):.{decimals}f}"


def _texts(results: Results) -> list[str]:
    """Every text of the results that a reader must find, word for word."""
    run, device = results.run, results.device
    texts = [
        run.laboratory,
        run.laboratory_address,
        run.laboratory_statement,
        run.operator,
        run.procedure_title,
        f"revision {run.procedure_revision}",
        run.procedure_description,
        run.procedure_hash,
        run.reference_path,
        run.record_file,
        str(run.record_lines),
        run.record_hash,
        run.software,
        run.evaluated_by,
        *run.overrides,
        *(reason_line(reason) for reason in results.reasons),
        device.maker,
        device.type,
        device.serial,
        device.owner,
        device.modified_by,
        device.modification,
        device.claim,
        decision_statement(results.decision),
        *(text for pair in device.path_ratings.items() for text in pair),
        *(text for r in results.ranges for text in (r.name, r.ceiling_set_by, *map(reason_text, r.remarks))),
    ]
    for i in results.instruments:
        texts += [i.name, i.identity, i.serial, i.certificate, i.calibrated, i.due, i.laboratory, *i.accuracy]
    for link in results.reference_chain:
        texts += [
            link.part,
            link.name,
            link.serial,
            link.certificate,
            link.calibrated,
            link.due,
            link.laboratory,
            link.known,
        ]
    return [text for text in texts if text]


@pytest.mark.parametrize("make", MAKERS)
def test_every_text_of_the_results_is_on_the_certificate(make: Maker) -> None:
    results = make()
    body = body_of(results).lower()
    missing = [
        text
        for text in _texts(results)
        if squeezed(printable(text)).replace("-", "−").lower() not in body.replace("-", "−")
    ]
    assert missing == []


@pytest.mark.parametrize(
    ("verdict", "word"),
    [("conditional pass", "The error is within the limit"), ("conditional fail", "The error exceeds the limit")],
)
def test_a_conditional_verdict_is_explained(verdict: Verdict, word: str) -> None:
    """ISO/IEC 17025:2017, 7.8.6.2: the statement of conformity names the rule; a conditional one leaves conformity open."""
    text = body_of(dataclasses.replace(sample_results.passing(), verdict=verdict))
    assert squeezed(word) in text
    assert squeezed("The measurement cannot decide whether the meter under test meets its claim") in text


def test_global_risks_and_tables_from_memory_are_told() -> None:
    good = sample_results.passing()
    rule = dataclasses.replace(
        good.decision, global_consumer_risk=0.0123, global_producer_risk=0.0456, memory=("IEC 62053-21:2003",)
    )
    text = body_of(dataclasses.replace(good, decision=rule))
    assert squeezed("largest global consumer's risk is 1.23 %") in text
    assert squeezed("producer's risk 4.56 %") in text
    assert squeezed("IEC 62053-21:2003 were written from memory") in text


# ISO/IEC 17025:2017, 7.8.2.1 a) to p), 7.8.4.1, 7.8.6.2 (content from memory, wording ours)
REQUIRED = (
    "Verification certificate",
    "Location",
    "Certificate number",
    "End of certificate",
    "Customer or owner",
    "Procedure",
    "Serial number",
    "as presented",
    "Started",
    "Finished",
    "Date of issue",
    "relate only to the meter under test",
    "shall not be reproduced except in full without approval of the laboratory",
    "Approved by",
    "Verified by",
    "Temperature",
    "Relative humidity",
    "coverage probability of approximately 95.45 %",
    "JCGM 100:2008",
    "Metrological traceability",
    "Calibration certificate",
    "Decision rule",
    "The specification is the claim of the meter under test",
    "not an accredited certificate unless the laboratory states otherwise",
    *CAUTIONS,
    NOT_VERIFIED,
)


@pytest.mark.parametrize("make", MAKERS)
def test_what_the_standard_asks_for_is_said(make: Maker) -> None:
    body = body_of(make())
    assert [phrase for phrase in REQUIRED if squeezed(phrase) not in body] == []


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


@pytest.mark.parametrize("make", MAKERS)
def test_pages_are_counted_and_carry_number_and_stamp(make: Maker) -> None:
    results = make()
    pages = pages_of(results)
    digits = hashlib.sha256(to_json(results).encode()).hexdigest()[:12].upper()
    number = f"{digits[:4]}-{digits[4:8]}-{digits[8:]}"
    for n, page in enumerate(pages, 1):
        assert re.findall(r"page (\d+) of (\d+)", page) == [(str(n), str(len(pages)))]
        assert f"Verification certificate {number}" in page
        assert (SIMULATED in page) == results.run.simulated
    assert f"End of certificate {number}" in pages[-1]


@pytest.mark.parametrize("make", MAKERS)
def test_same_results_give_the_same_bytes(make: Maker) -> None:
    """Made anew from results made anew."""
    assert certificate(make.__wrapped__()) == printed(make())


def test_results_read_back_from_json_give_the_same_certificate() -> None:
    """Infinite degrees of freedom are null in the file."""
    results = sample_results.failing()
    assert certificate(from_json(to_json(results))) == printed(results)


@pytest.mark.parametrize("make", MAKERS)
def test_every_font_is_embedded_and_of_the_one_family(make: Maker) -> None:
    content = printed(make())
    assert b"Helvetica" not in content
    names = set()
    for page in PdfReader(io.BytesIO(content)).pages:
        for reference in page["/Resources"]["/Font"].values():
            font = reference.get_object()
            names.add(font["/BaseFont"].split("+")[1])
            assert "/FontFile2" in font["/FontDescriptor"]
    assert names <= {"SourceSansPro-Regular", "SourceSansPro-Semibold", "SourceSansPro-Bold"}
    assert "SourceSansPro-Regular" in names


def test_pages_are_a4() -> None:
    """ISO 216: 210 mm by 297 mm."""
    for page in PdfReader(io.BytesIO(printed(sample_results.passing()))).pages:
        assert float(page.mediabox.width) / 72 * 25.4 == pytest.approx(210, abs=0.1)
        assert float(page.mediabox.height) / 72 * 25.4 == pytest.approx(297, abs=0.1)


@pytest.mark.parametrize("make", MAKERS)
def test_the_head_of_a_table_is_repeated_and_no_range_is_parted_from_its_table(make: Maker) -> None:
    for page in pages_of(make()):
        rows = re.search(r"^(rising|falling|single)\s", page, re.MULTILINE)
        headed = re.search(r"Direction\s+Reference", page)
        assert bool(rows) == bool(headed)


def test_a_long_table_goes_over_pages_under_a_repeated_head() -> None:
    results = sample_results.passing()
    long = dataclasses.replace(results.ranges[0], points=results.ranges[0].points * 9)
    pages = pages_of(dataclasses.replace(results, ranges=(long,)))
    reached = [page for page in pages if re.search(r"^(rising|falling)\s", page, re.MULTILINE)]
    assert len(reached) >= 3
    assert all(re.search(r"Direction\s+Reference", page) for page in reached)


def test_verdict_is_plain_and_a_pass_needs_no_causes() -> None:
    passed, failed = pages_of(sample_results.passing()), pages_of(sample_results.failing())
    assert re.search(r"^Pass$", passed[0], re.MULTILINE)
    assert re.search(r"^Fail$", failed[0], re.MULTILINE)
    assert "Likely causes" not in "".join(passed)
    assert "Likely causes" in failed[0]
    assert "93.1 %" in failed[0]
    assert "below 0.1 %" in failed[0]
    assert "This run cannot separate an error common to all ranges" in failed[0]


def test_a_suspected_fault_is_shown_even_when_the_verdict_is_pass() -> None:
    results = sample_results.passing()
    causes = tuple(dataclasses.replace(h, fault="gain") for h in results.diagnosis)
    assert "Likely causes" in pages_of(dataclasses.replace(results, diagnosis=causes))[0]


def test_overrides_and_interruptions_are_told_on_both_kinds_of_run() -> None:
    clean, set_aside = "".join(pages_of(sample_results.passing())), "".join(pages_of(sample_results.failing()))
    assert "None: the operator overrode no check." in clean
    assert "Interruptions none" in " ".join(clean.split())
    assert "Overrides: 1 check overridden by the operator" in set_aside
    assert "Interruptions resumed 2 times" in " ".join(set_aside.split())


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


def _validated(*outcomes: tuple[str, float]) -> Results:
    """Results with a turn or two validated: outcome, and how far the trials' upper end lies above the law's (turns)."""
    quantities = tuple(
        ValidatedQuantity(f"effective turns, x{n}", "turns", 3.9947, 4.0053, 3.9947, 4.0053 + off, 2e-5, 5e-5, outcome)  # type: ignore[arg-type]
        for n, (outcome, off) in enumerate(outcomes)
    )
    validation = Validation(1_000_000, 101, 0.9545, quantities)
    return dataclasses.replace(sample_results.passing(), validation=validation)


def test_what_the_trials_do_not_bear_out_is_named() -> None:
    """JCGM 101:2008, 8.1.3 (value from memory): where the comparison is unfavourable, the trials' interval is to be used."""
    text = "".join(pages_of(_validated(("agrees", 0.0), ("differs", 6e-4))))
    assert "1,000,000 trials" in text
    assert "1 of 2 results agree" in text
    assert "prefer the Monte Carlo interval" in text
    assert "effectiveturns,x1turns3.994704.005303.994704.005900.00005differs" in squeezed(text)


def test_validation_without_objection_or_not_asked_for() -> None:
    agreed = "".join(pages_of(_validated(("agrees", 0.0), ("agrees", 2e-5))))
    assert "2 of 2 results agree" in agreed
    assert "prefer the Monte Carlo interval" not in agreed
    assert "Monte Carlo, JCGM" not in "".join(pages_of(sample_results.passing()))


def test_a_number_that_is_not_finite_is_not_printed() -> None:
    results = sample_results.passing()
    point = results.ranges[0].points[0]
    bad = dataclasses.replace(point, ratio_error=rejudged(point.ratio_error, value=math.nan))
    broken = dataclasses.replace(results, ranges=(dataclasses.replace(results.ranges[0], points=(bad,)),))
    with pytest.raises(ValueError, match="found nan to print"):
        certificate(broken)


@pytest.mark.parametrize(
    "change",
    [
        {"decision": dataclasses.replace(sample_results.passing().decision, guard_factor=0.5)},
        {"reasons": (Reason.of("no-point", "x4"),)},
        {"run": dataclasses.replace(sample_results.passing().run, evaluated_by="ratioproof 9.9")},
    ],
)
def test_what_says_something_else_has_another_number(change: dict[str, Any]) -> None:
    """One record can be evaluated by other causes, trials or versions; two certificates of one number must not differ."""
    results = sample_results.passing()
    assert certificate_number(dataclasses.replace(results, **change)) != certificate_number(results)
    assert certificate_number(sample_results.passing()) == certificate_number(results)


def test_the_results_are_written_out_once_for_their_number(monkeypatch: pytest.MonkeyPatch) -> None:
    """It stands in four places of a certificate; writing a run's results out takes longer than a page."""
    written: list[Results] = []
    monkeypatch.setattr("reports.first_page.to_json", lambda results: written.append(results) or to_json(results))
    certificate(sample_results.passing())
    assert len(written) == 1


def test_markup_in_a_users_text_is_printed_as_it_stands() -> None:
    results = sample_results.passing()
    device = dataclasses.replace(results.device, owner="<b>R & D</b> &amp; Sons")
    assert "<b>R & D</b> &amp; Sons" in "".join(pages_of(dataclasses.replace(results, device=device)))


def test_signs_the_family_lacks_are_written_out_and_composed_ones_kept() -> None:
    assert printable("Zähler 漢") == "Z\u00e4hler [U+6F22]"


def _cold() -> Results:
    temperature = Condition("temperature", "degC", -2.5, None, None, None, "")
    return dataclasses.replace(sample_results.passing(), conditions=(temperature,))


def _with_run(**changes: object) -> Results:
    results = sample_results.passing()
    return dataclasses.replace(results, run=dataclasses.replace(results.run, **changes))


def _with_device(**changes: object) -> Results:
    results = sample_results.passing()
    return dataclasses.replace(results, device=dataclasses.replace(results.device, **changes))


@pytest.mark.parametrize(
    ("results", "phrase"),
    [
        (
            dataclasses.replace(sample_results.passing(), instruments=(), reference_chain=()),
            "The record names no reference instrument",
        ),
        (dataclasses.replace(sample_results.passing(), ranges=(), reasons=()), "End of certificate"),
        (_with_device(path_ratings={}), "none stated"),
        (_with_device(owner=""), "Customer or owner not stated"),
        (_with_device(modification="winding " * 1500), "End of certificate"),
        (
            dataclasses.replace(
                sample_results.passing(), reasons=(Reason.of("left-out", what="a reason " * 1500, why="long"),)
            ),
            "End of certificate",
        ),
        (_with_run(overrides=("an override " * 1500,)), "End of certificate"),
        (_with_run(started="unknown"), "unknown"),
        (
            dataclasses.replace(
                sample_results.passing(), conditions=(Condition("temperature", "degC", -2.5, None, None, None, ""),)
            ),
            "−2.5 °C, stated, not measured",
        ),
        (sample_results.passing(), "Frequency 50.01 Hz, 49.97 Hz to 50.04 Hz, measured with reference M-2201"),
        (
            sample_results.passing(),
            "Voltage not measured Waveform not measured Temperature 22.4 °C, measured with sensor E-3",
        ),
        (_with_run(replayed=True), "Nothing was measured during the replay"),
        (_with_run(replayed=True), "replayed from the transcripts of that run"),
        (_with_run(clock_steps=("at line 9 it went 1 h ahead",)), "Time of day at line 9 it went 1 h ahead"),
        (sample_results.passing(), "It is not a signature."),
    ],
)
def test_what_is_missing_or_longer_than_a_page_is_still_printed(results: Results, phrase: str) -> None:
    assert squeezed(phrase) in body_of(results)


def test_a_link_without_a_certificate_is_named_as_not_traceable() -> None:
    """ISO/IEC 17025:2017, 6.5: traceability is a documented unbroken chain; the front of it is only as good as each link."""
    whole = sample_results.passing()
    first, *rest = whole.reference_chain
    loose = dataclasses.replace(first, traceable=False, certificate="", calibrated="", due="", laboratory="")
    broken = dataclasses.replace(whole, reference_chain=(loose, *rest))
    said = squeezed("Not traceable (no calibration certificate): reference shunt SH-88.")
    assert said in squeezed("".join(pages_of(broken)))
    assert squeezed("Not traceable") not in squeezed("".join(pages_of(whole)))


def test_a_cause_that_adds_to_the_likeliest_does_not_repeat_it() -> None:
    """A table of ten lines that begin alike hides what differs."""
    bad = sample_results.failing()
    first, second, *rest = sorted(bad.diagnosis, key=lambda h: -h.probability)
    both = dataclasses.replace(second, description=f"{first.description}; and the mains has another frequency")
    text = " ".join("".join(pages_of(dataclasses.replace(bad, diagnosis=(first, both, *rest)))).split())
    assert text.count(" ".join(first.description.split())) == 1
    assert "as the first cause; and the mains has another frequency" in text
