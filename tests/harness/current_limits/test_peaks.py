"""What clips or breaks down sees the peak of a current: no load may drive one past the input, whatever its waveform."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.commands.new import template
from harness.current_limits.maximum_test_current import (
    CLIP,
    approach_current,
    maximum_test_current,
    safe_anywhere,
    too_large,
    withstood,
)
from harness.files.bench import Bench
from harness.files.loading import parse_bench, parse_device
from harness.files.shelf_entry import UNKNOWN_CREST_FACTOR, ShelfEntry
from harness.steps import Options
from instruments.waveform_names import DESCRIBED, parse_waveform
from instruments.waveforms import unit_samples
from tests.harness.run.shelf import hand
from tests.on_twin import TwinRun

DEVICE = parse_device(template("device.toml"), "device.toml")
BY_HAND = parse_bench(template("bench_by_hand.toml"), "bench_by_hand.toml")


def with_shelf(*loads: ShelfEntry, crest_factor: float | None = None) -> Bench:
    """The bench by hand with these loads, its reference following `crest_factor` at full scale."""
    entries = dict(BY_HAND.instruments)
    entries["shelf"] = entries["shelf"].model_copy(update={"shelf": loads})
    scales = tuple(r.model_copy(update={"crest_factor": crest_factor}) for r in entries["multimeter"].ranges)
    entries["multimeter"] = entries["multimeter"].model_copy(update={"ranges": scales})
    return BY_HAND.model_copy(update={"instruments": entries})


def load(current: float, **stated: object) -> ShelfEntry:
    return ShelfEntry(name="load", current=f"{current!r} A", **stated)  # type: ignore[arg-type]


waveforms = st.sampled_from(sorted(DESCRIBED)) | st.builds(
    lambda name, angle: f"{name} {angle} deg",
    st.sampled_from(["phase_cut", "rectifier", "rectangular"]),
    st.integers(10, 170),
)
stated = st.one_of(
    waveforms.map(lambda w: {"waveform": w}),
    st.floats(1.0, 20.0).map(lambda c: {"crest_factor": c}),
    st.floats(1.0, 20.0).map(lambda c: {"crest_factor": c, "waveform": "other"}),
    st.sampled_from([{}, {"crest_factor": "unknown"}, {"waveform": "other"}, {"sinusoidal": False}]),
)


def true_crest_factor(said: dict[str, object]) -> float:
    """Of what is stated, from the samples themselves; what is not known is taken as 6."""
    crest = [said["crest_factor"]] if isinstance(said.get("crest_factor"), float) else []
    if (name := said.get("waveform")) not in (None, "other"):
        samples = unit_samples(parse_waveform(str(name)))
        crest.append(max(abs(samples)) / math.sqrt(sum(samples**2) / len(samples)))
    return max([float(c) for c in crest], default=6.0)  # type: ignore[arg-type]


@settings(max_examples=300)
@given(stated, st.floats(0.01, 60.0), st.integers(0, 2), st.none() | st.floats(0.2, 40.0))
def test_no_peak_reaches_past_the_input(
    said: dict[str, object], current: float, place: int, turns: float | None
) -> None:
    """The largest current permitted, times the crest factor and the turns, over those of the secondary: at most the peak of
    the sine that the input withstands."""
    rng, bench = DEVICE.ranges[place], with_shelf(load(current, **said))
    limit = withstood(DEVICE, bench, rng, turns, current).current
    through, transformer = max(turns or 0.0, rng.primary_turns), DEVICE.transformer
    secondary = limit * through / transformer.secondary_turns
    assert secondary * true_crest_factor(said) <= math.sqrt(2) * transformer.maximum_secondary_current * (1 + 5e-5) or (
        true_crest_factor(said) < math.sqrt(2)
    )
    assert secondary <= transformer.maximum_secondary_current * (1 + 1e-9)
    assert maximum_test_current(DEVICE, bench, rng, turns, current).current <= limit


@settings(max_examples=100)
@given(stated, st.floats(0.01, 60.0))
def test_before_anything_was_read_no_peak_reaches_past_the_input_with_all_windings(
    said: dict[str, object], current: float
) -> None:
    bench, transformer = with_shelf(load(current, **said)), DEVICE.transformer
    turns = sum(r.primary_turns for r in DEVICE.ranges)
    for rng in DEVICE.ranges:
        tried = approach_current(DEVICE, bench, rng)
        assert tried in (0.0, current)
        peak = tried * turns / transformer.secondary_turns * max(math.sqrt(2), true_crest_factor(said))
        assert peak <= math.sqrt(2) * transformer.maximum_secondary_current * (1 + 5e-5)
        assert tried <= safe_anywhere(DEVICE, bench, current)


@given(st.floats(1.0, 20.0), st.floats(1.0, 20.0), st.integers(0, 2))
def test_a_steeper_current_is_never_permitted_more(one: float, other: float, place: int) -> None:
    rng, (flat, steep) = DEVICE.ranges[place], sorted((one, other))
    limits = [withstood(DEVICE, with_shelf(load(1.0, crest_factor=c)), rng, None, 1.0).current for c in (flat, steep)]
    assert limits[1] <= limits[0] <= withstood(DEVICE, BY_HAND, rng).current


@pytest.mark.parametrize("said", [{}, {"crest_factor": "unknown"}, {"waveform": "other"}, {"sinusoidal": False}])
def test_what_is_not_known_counts_with_the_worst_value_stated(said: dict[str, object]) -> None:
    """40 mA in 2500 turns are 4 A through 25; as a peak with a crest factor of 6 instead of 1.414 they are 0.943 A."""
    rng = DEVICE.ranges[-1]
    found = withstood(DEVICE, with_shelf(load(2.0, **said)), rng, None, 2.0)
    assert found.current == pytest.approx(40e-3 * 2500 / rng.primary_turns * math.sqrt(2) / 6)
    assert "for a crest factor that is not known, counted as 6" in found.set_by
    assert UNKNOWN_CREST_FACTOR == 6.0


def test_what_warms_sees_the_effective_value_alone() -> None:
    """A switch of 3 A carries 3 A of any waveform, as long as no peak is in the way."""
    weak = parse_device(template("device.toml").replace('switch = "100 A"', 'switch = "3 A"'), "device.toml")
    for said in ({"waveform": "sine"}, {"crest_factor": 3.0}):
        found = withstood(weak, with_shelf(load(1.0, **said)), weak.ranges[0], None, 1.0)
        assert (found.current, found.set_by) == (3.0, "range switch")


def test_a_flat_current_gains_nothing() -> None:
    rng = DEVICE.ranges[-1]
    square = withstood(DEVICE, with_shelf(load(1.0, waveform="rectangular 180 deg")), rng, None, 1.0)
    assert square == withstood(DEVICE, with_shelf(load(1.0, waveform="sine")), rng, None, 1.0)


def test_the_peak_that_the_reference_follows_counts_too() -> None:
    """10 A with a crest factor of 2 at full scale are peaks of 20 A: 5 A effective of a load with a crest factor of 4."""
    bench = with_shelf(load(1.0, crest_factor=4.0), crest_factor=2.0)
    found = withstood(DEVICE, bench, DEVICE.ranges[0], None, 1.0)
    assert found.current == pytest.approx(5.0)
    assert "peak that the reference follows" in found.set_by


def test_a_load_whose_peak_is_too_large_is_never_to_be_plugged_in() -> None:
    """1.5 A on 25 turns are 15 mA effective; pulses of 30 degrees have a crest factor of 3.46, and 52 mA of peak are below the input's 56.6 mA,
    2 A are not."""
    loads = [load(0.1), load(1.4, waveform="rectifier 30 deg"), load(2.0, waveform="rectifier 30 deg")]
    never = too_large(DEVICE, with_shelf(*loads))
    assert list(never) == [2.0]
    assert "for a crest factor of 3.46" in never[2.0]
    sines = [load(c, waveform="sine") for c in (0.1, 1.4, 2.0)]
    assert too_large(DEVICE, with_shelf(*sines)) == {}


@pytest.mark.parametrize("steep", ["rectifier 20 deg", "switched_supply", "phase_cut 150 deg"])
def test_a_whole_run_never_drives_a_peak_past_the_input(tmp_path: Path, steep: str) -> None:
    """The simulated bench knows what really flowed. With the windings of two ranges in circuit at once the approach must see it."""
    for fault in ([], ["both-windings-in-circuit"]):
        inputs = hand(
            tmp_path / str(len(fault)),
            "current_ratio",
            Options(readings=1),
            ('name = "two lamps", current = "0.46 A"', f'name = "two lamps", waveform = "{steep}", current = "0.46 A"'),
            ('current = "0.85 A", longest_on = "2 h", waveform = "sine"', f'current = "0.85 A", waveform = "{steep}"'),
            ("power_factor = 0.85, crest_factor = 1.6", f'waveform = "{steep}"'),
            ('longest_on = "2 h", waveform = "sine"', f'longest_on = "2 h", waveform = "{steep}"'),
        )
        run = TwinRun(inputs, fault)
        run.run()
        truth = run.bench.truth()
        assert not truth.input_overdriven
        # Counted as a sine of the same peak, with the load's own error of a few per cent and what a point may be above.
        assert truth.peak_secondary_current <= DEVICE.transformer.maximum_secondary_current * (1 + CLIP)


@pytest.mark.parametrize("small_sine", [True, False])
def test_pulses_read_low_do_not_let_the_next_load_past_the_input(tmp_path: Path, small_sine: bool) -> None:
    """A module that responds to the mean shows half the turns of such pulses; the switch stands at 20 turns whatever is selected.

    A kettle of 7.6 A, a sine, is within the input's limit at the 11 turns that are shown and drives it to 1.5 times its rating at 20.
    """
    dimmed = 'waveform = "phase_cut 120 deg"'
    changes = [(f"{{ name = {name}", f"{{ {dimmed}, name = {name}") for name in ('"lamp"', '"two')]
    changes.append((", power_factor = 0.85, crest_factor = 1.6 }", f", {dimmed} }}"))
    changes.append(('3.3 A", longest_on = "2 h", waveform = "sine"', f'1.9 A", longest_on = "2 h", {dimmed}'))
    changes.append(('"8.7 A"', '"7.6 A"'))
    if not small_sine:
        changes.append(('0.85 A", longest_on = "2 h", waveform = "sine"', f'0.85 A", {dimmed}'))
    run = TwinRun(
        hand(tmp_path, "current_ratio", Options(readings=1), *changes),
        ["average-responding", "switch-left-in-another-position:x20"],
    )
    run.run()
    truth = run.bench.truth()
    assert not truth.input_overdriven
    assert truth.peak_secondary_current <= DEVICE.transformer.maximum_secondary_current * (1 + CLIP)
