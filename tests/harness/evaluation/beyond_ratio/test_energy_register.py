"""The register of a meter against power and time: what it counts right, wrong, or not at all."""

from __future__ import annotations

import io
from pathlib import Path

import pypdf
import pytest

from harness.commands.new import BENCH, BENCH_POWER, new
from harness.preparation.run_files import load_inputs
from harness.results import RangeResult, Results
from harness.steps import Options
from reports.certificate import certificate
from tests.in_words import in_words
from tests.on_twin import TwinRun


def ran(folder: Path, times: float = 1.0, hold: float = 600.0, bench: str = BENCH_POWER) -> TwinRun:
    """A run whose register counts `times` what it should."""
    run = TwinRun(load_inputs(*new(folder, bench), "energy_register", Options(readings=1, hold=hold)))
    energy = run.bench.displayed_energy
    run.bench.displayed_energy = lambda: energy() * times  # type: ignore[method-assign]
    run.run()
    return run


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Results:
    return ran(tmp_path_factory.mktemp("right")).results()


def own_part(rng: RangeResult) -> float:
    """Of the expanded uncertainty of the register what its own steps make, over the energy counted."""
    assert rng.register is not None
    return rng.register.energy_resolution / rng.register.energy


def test_a_register_that_adds_the_power_displayed_has_its_error(results: Results) -> None:
    """Energy is power times time (elementary), so over ten minutes both err alike, but for two steps of the register."""
    for rng in results.ranges:
        assert rng.register is not None
        assert rng.register.seconds == pytest.approx(600, abs=30)
        mean = sum(p.power_error.value for p in rng.power) / len(rng.power)
        assert abs(rng.register.error.value - mean) < own_part(rng) + 6e-4
        # At most what is stated: everything the power's error is uncertain by, and the steps.
        assert (
            rng.register.error.expanded_uncertainty
            < rng.power[0].power_error.expanded_uncertainty + own_part(rng) + 1e-3
        )
        # At 230 V and the largest claimed current: 80 A x 230 V x 600 s = 3.07 kWh on x1.
    first = results.ranges[0].register
    assert first is not None
    assert first.energy / 3.6e6 == pytest.approx(80 * 230 * 600 / 3.6e6, rel=0.1)
    assert [r.register.verdict for r in results.ranges if r.register] == ["pass"] * 3


def test_a_register_that_counts_five_in_a_hundred_too_much_is_found_out(tmp_path: Path, results: Results) -> None:
    wrong = ran(tmp_path, 1.05).results()
    for rng, right in zip(wrong.ranges, results.ranges, strict=True):
        assert rng.register is not None
        assert right.register is not None
        assert rng.register.error.value - right.register.error.value == pytest.approx(0.05, abs=2e-3)
        assert rng.register.verdict == "fail"
    assert wrong.verdict == "fail"
    assert any(
        "counts energy with an error of (+5." in text or "counts energy with an error of (+4.9" in text
        for text in in_words(wrong.reasons)
    )


def test_a_register_that_stands_still_fails_whatever_is_claimed(tmp_path: Path) -> None:
    found = ran(tmp_path, 0.0).results()
    assert all(
        "the energy register did not count while a current was held" in " ".join(in_words(found.reasons)) for _ in (1,)
    )
    assert {r.register.verdict for r in found.ranges if r.register} == {"fail"}


def test_where_nothing_reads_power_it_is_said_that_nothing_was_compared(tmp_path: Path) -> None:
    found = ran(tmp_path, bench=BENCH, hold=60.0).results()
    assert all(r.register is None for r in found.ranges)
    assert found.verdict == "fail"
    assert any("the energy register was not compared" in text for text in in_words(found.reasons))


def test_it_stands_on_the_certificate(results: Results) -> None:
    pages = pypdf.PdfReader(io.BytesIO(certificate(results))).pages
    text = " ".join(" ".join(page.extract_text() for page in pages).split())
    assert "Energy register" in text
    assert "Energy registered while a current was held" in text
