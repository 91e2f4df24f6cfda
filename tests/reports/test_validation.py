"""What a certificate says of the Monte Carlo trials."""

import dataclasses

from harness.results import Results, ValidatedQuantity, Validation
from tests.reports import sample_results
from tests.reports.paper_text import pages_of, squeezed


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
