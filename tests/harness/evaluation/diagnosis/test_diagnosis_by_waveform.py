"""The diagnosis of a run with loads of named waveforms: what each cause reads, what a sound meter is not accused of, and what a run of sines keeps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from pydantic import ValidationError

from harness.core.stop import StopSignal
from harness.evaluation.diagnosis.cause_schema import Cause, SpreadPrior
from harness.evaluation.diagnosis.causes import shipped_causes, without
from harness.evaluation.diagnosis.diagnosis import ConsideredCauses, diagnose
from harness.steps import Options
from harness.wording.sentences import measurement_text, reason_text
from tests.benchmarks.diagnosis_waveforms import DRAWN, ShapedCase, diagnosed, judged
from tests.direct_waveforms import ShapedBench, hand_inputs
from tests.harness.run.shelf import hand
from tests.on_twin import TwinRun

HALF_WAVE = "no transformer passes the direct part of a half_wave current: every such meter reads it at least 22.9 % low, which is no fault of this one"
SHOWN = ("average-responding", "average-responding-reference", "narrow-bandwidth", "clipping", "core-gap")


@pytest.mark.parametrize("fault", [*SHOWN, "half-wave-saturation"])
def test_each_is_named_whatever_the_seed(fault: str) -> None:
    case = ShapedCase(fault, half_waves=fault == "half-wave-saturation")
    assert [judged(case, diagnosed(case, seed)) for seed in (3, 4)] == ["first"] * 2


@pytest.mark.parametrize("fault", sorted(DRAWN))
def test_one_of_any_size_is_named_or_said_not_to_show(fault: str) -> None:
    case = ShapedCase(fault, drawn=True, half_waves=fault == "half-wave-saturation")
    assert {judged(case, diagnosed(case, seed)) for seed in (3, 4)} <= {"first", "together", "hidden"}


@pytest.mark.parametrize("case", [ShapedCase(), ShapedCase(half_waves=True)], ids=lambda case: case.name)
def test_a_sound_meter_is_not_accused_of_what_its_loads_do(case: ShapedCase) -> None:
    """With half waves it reads 23 % low, as every transformer must: that is no fault."""
    for seed in (5, 6):
        found = diagnosed(case, seed)
        assert found.causes[0].fault == "none"
        notes = [reason_text(note) for note in found.notes]
        assert notes == [HALF_WAVE] * case.half_waves


def test_bandwidth_and_clipping_level_are_estimated_with_their_uncertainty() -> None:
    """Of sizes drawn: the interval holds the true one (k = 2; eight at a time, of which one may be missed)."""
    for fault, unit in (("narrow-bandwidth", "Hz"), ("clipping", "mA")):
        held = []
        for seed in range(8):
            found, made = diagnosed(ShapedCase(fault, drawn=True), seed), _made(fault, seed)
            told = [note for note in found.notes if note.code in ("effective-bandwidth", "clipping-level")]
            assert len(told) == (found.causes[0].label == fault)
            for note in told:
                assert unit in reason_text(note)
                value, wide = note.values["value"], note.values["expanded_uncertainty"]
                assert isinstance(value, float)
                assert isinstance(wide, float)
                assert wide < 0.05 * value
                held.append(abs(value - made) <= wide)
        assert len(held) >= 4
        assert sum(held) >= len(held) - 1


def _made(fault: str, seed: int) -> float:
    import random

    stage = DRAWN[fault](random.Random(f"{seed} {fault}")).stage
    assert stage is not None
    return stage.bandwidth if fault == "narrow-bandwidth" else stage.largest_peak


@pytest.mark.parametrize("fault", ["narrow-bandwidth", "clipping"])
def test_one_load_leaves_them_open_and_the_measurement_proposed_tells_them_apart(fault: str) -> None:
    """One steep load, and sines of smaller peaks: lost harmonics and cut peaks read alike. Another current or waveform does not."""
    inputs = hand_inputs()
    points = [
        p
        for p in ShapedBench(inputs, (fault,), 3).points()
        if p.observed.nominal_current in (0.05, 0.3, 0.8)
        or (p.observed.range, p.observed.nominal_current) == ("x20", 1.5)
    ]
    found = diagnose(inputs.device, points)
    assert {"narrow-bandwidth", "clipping"} <= set(found.details.together)
    assert {note.code for note in found.notes} >= {"not-separated"}
    measurement = found.details.extra_measurement
    assert measurement is not None
    told = measurement_text(measurement)
    assert told.startswith("to separate these causes: read ")
    assert "if narrow-bandwidth" in told
    assert "if clipping" in told
    (expected, other) = measurement.expected[:2]
    apart = abs(expected.values["error"] - other.values["error"])  # type: ignore[operator]
    assert apart > expected.values["width"] + other.values["width"]  # type: ignore[operator]


def test_a_run_of_sines_keeps_its_diagnosis() -> None:
    """What only other waveforms show is neither weighed nor takes a part of the prior: the same as by a catalogue that has none of it."""
    inputs = hand_inputs(sines_alone=True)
    for faults in ((), ("turn-missing:x4",), ("clipping",)):
        points = ShapedBench(inputs, faults, 3).points()
        plain = without(shipped_causes(), "waveforms", "reference-ratio")
        assert {cause.name for cause in shipped_causes().causes} - {cause.name for cause in plain.causes} == {
            "average-responding",
            "average-responding-reference",
            "narrow-bandwidth",
            "clipping",
            "half-wave-saturation",
            "reference-ratio",
        }
        assert diagnose(inputs.device, points) == diagnose(inputs.device, points, compared=ConsideredCauses(plain))


def test_a_load_of_no_known_waveform_says_nothing_beside_named_ones() -> None:
    """Read far off, it changes nothing where another waveform is named; a run of sines takes it as it always did."""
    inputs = hand_inputs()
    points = ShapedBench(inputs, (), 3).points()
    odd = [replace(p, waveform=None, ratio_error=p.ratio_error - 0.3) if n == 4 else p for n, p in enumerate(points)]  # type: ignore[operator]
    assert diagnose(inputs.device, odd).causes == diagnose(inputs.device, [*points[:4], *points[5:]]).causes
    sines = [p for p in odd if p.waveform is None or p.waveform.sinusoidal]
    assert diagnose(inputs.device, sines).causes[0].fault != "none"


def test_a_whole_run_by_hand_names_a_meter_that_responds_to_the_mean(tmp_path: Path) -> None:
    inputs = hand(
        tmp_path,
        "current_ratio",
        Options(readings=2, per_decade=3),
        ('"two lamps", current', '"two lamps", waveform = "phase_cut 90 deg", current'),
        ("power_factor = 0.85, crest_factor = 1.6", 'waveform = "rectifier 60 deg"'),
        (
            'longest_on = "2 h", waveform = "sine" },\n  { name = "dehum',
            'longest_on = "2 h", waveform = "rectifier 90 deg" },\n  { name = "dehum',
        ),
    )
    for faults, first in (((), "none"), (("average-responding",), "average-responding")):
        twin = TwinRun(inputs, faults, stop=StopSignal())
        twin.run()
        results = twin.results()
        assert results.diagnosis[0].fault == first
        assert results.verdict == ("pass" if first == "none" else "fail")


@pytest.mark.parametrize(("least", "most"), [("0 %", "10 %"), ("20 %", "10 %"), ("5 %", "0 %")])
def test_a_spread_is_a_span(least: str, most: str) -> None:
    with pytest.raises(ValidationError, match="expected both above zero, least first"):
        SpreadPrior.model_validate({"least": least, "most": most})


def test_a_spread_is_split_evenly_in_its_logarithm() -> None:
    parts = SpreadPrior.model_validate({"least": "10 %", "most": "100 %"}).parts()
    assert (parts[0].least, parts[-1].most) == (pytest.approx(0.1), pytest.approx(1.0))
    assert all(p.most / p.least == pytest.approx(10 ** (1 / len(parts))) and p.most / p.least <= 1.3 for p in parts)


def test_waveforms_act_on_the_whole_meter() -> None:
    entry = {"name": "odd", "text": "odd", "each_range": True, "readings": {"mean_response": {"mean": "100 %"}}}
    with pytest.raises(ValidationError, match="found a key of waveforms with each_range"):
        Cause.model_validate(entry)
