"""A power typed by a person: slips are seen against voltage, current and load; what a device really shows is taken."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from harness.commands.new import BENCH_BY_HAND, new
from harness.preparation.run_files import RunInputs, load_inputs
from harness.steps import Options
from tests.hands import Hands, by

DOUBTS = ("type it again", "far from")


def _files(folder: Path) -> tuple[Path, Path]:
    """The bench by hand with a reference that shows voltage and power as well."""
    device, bench = new(folder, BENCH_BY_HAND)
    shows = 'voltage = { of_reading = "0.2 %", resolution = "0.1 V" }\npower = { of_reading = "0.5 %", resolution = "10 mW" }'
    text = bench.read_text(encoding="utf-8")
    text = text.replace('serial = "M-0871"', f'serial = "M-0871"\n{shows}')
    bench.write_text(text, encoding="utf-8")
    return device, bench


@pytest.fixture
def power_by_hand(tmp_path: Path) -> RunInputs:
    return load_inputs(*_files(tmp_path), "power_and_phase", Options(readings=1))


def _doubted(hands: Hands) -> list[str]:
    return [line for line in hands.shown if any(doubt in line for doubt in DOUBTS)]


def test_nothing_typed_right_is_doubted(power_by_hand: RunInputs) -> None:
    """Over the whole shelf, a lamp with a leading current and one near the display's end included."""
    hands = Hands()
    twin = by(hands, power_by_hand)
    twin.run()
    assert _doubted(hands) == []
    assert sum("multimeter shows, power" in prompt for prompt in hands.prompts) > 6
    assert twin.results().verdict == "pass", twin.results().reasons


def _slipping(at: str, wrong: Callable[[str], str], times: int = 1) -> tuple[Hands, list[str]]:
    """Hands that type `wrong` of the first right answer to `at`, so many times."""
    slipped: list[str] = []

    def slip(text: str, _: int, right: str) -> str | None:
        if at not in text or len(slipped) == times:
            return None
        slipped.append(wrong(right) if not slipped else slipped[0])
        return slipped[-1]

    return Hands(slip), slipped


def test_a_reference_power_above_voltage_times_current_is_asked_for_again(power_by_hand: RunInputs) -> None:
    """Watts read as kilowatts. |P| <= U I: active and apparent power of IEC 80000-6 (value from memory)."""
    hands, slipped = _slipping("multimeter shows, power", lambda right: f"{right.rstrip('0').rstrip('.')} kW")
    twin = by(hands, power_by_hand)
    twin.run()
    assert len(slipped) == 1
    (line,) = _doubted(hands)
    assert "W is more than voltage x current = 2" in line
    assert "VA; type it again" in line
    for reading in twin.record.of_kind("reading"):
        also = reading["also"]
        apparent = also["reference_voltage"]["value"] * reading["reference"]["value"]
        assert also["reference_power"]["value"] < 1.05 * apparent
    assert twin.results().verdict == "pass"


def test_who_insists_is_believed_and_written_down(power_by_hand: RunInputs) -> None:
    """The reference's display may really show it; the power error then says that something is wrong."""
    hands, slipped = _slipping("multimeter shows, power", lambda right: f"{float(right) * 10:.1f}", times=2)
    twin = by(hands, power_by_hand)
    twin.run()
    assert len(slipped) == 2
    assert len(_doubted(hands)) == 1
    first = next(twin.record.of_kind("reading"))["also"]["reference_power"]
    assert (first["raw"], first["value"]) == (slipped[0], float(slipped[0]))
    assert twin.results().ranges[0].power[0].power_error.value == pytest.approx(-0.9, abs=0.02)


@pytest.mark.parametrize(("factor", "asked_again"), [(0.1, 1), (0.7, 0), (1.4, 0), (10.0, 1), (1000.0, 1)])
def test_a_displayed_power_is_asked_about_only_beyond_what_an_error_makes(
    power_by_hand: RunInputs, factor: float, asked_again: int
) -> None:
    """A device may be wrong, and that is what is found out: only slips of a decimal place or a unit are asked about."""
    times = 1 + asked_again
    hands, slipped = _slipping("monitor shows, power [W]", lambda right: f"{float(right) * factor:.1f}", times)
    twin = by(hands, power_by_hand)
    twin.run()
    assert len(slipped) == times
    assert len(_doubted(hands)) == asked_again
    first = next(twin.record.of_kind("reading"))["also"]["displayed_power"]
    assert first["raw"] == slipped[0]
