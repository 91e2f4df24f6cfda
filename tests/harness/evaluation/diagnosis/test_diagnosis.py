"""The diagnosis: what a reading that is wrong in a known way must be called."""

import math
from collections.abc import Callable

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.evaluation.range_evaluation import RangesOutcome, evaluate_ranges
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.loading import parse_device
from harness.record.observations import ObservedPoint
from tests.harness.evaluation.conftest import DEVICE, RUN_DATE, observed, sweep
from tests.in_words import in_words


def _outcome(device: Device, bench: Bench, points: list[ObservedPoint]) -> RangesOutcome:
    return evaluate_ranges(device, bench, points, [], RUN_DATE)


def _times(turns: float) -> Callable[[str, float], float]:
    return lambda rng, current: current * (turns if rng == "x10" else 1.0)


@pytest.mark.parametrize(
    ("times", "fault"), [(10, "none"), (8, "section-reversed"), (9, "turn-missing"), (11, "turn-extra")]
)
def test_a_check_load_reads_ten_times_as_much(device: Device, bench: Bench, times: int, fault: str) -> None:
    """common practice, no published source: one turn and a section of nine make ten; eight is the section reversed."""
    quick = [
        observed("x1", 5.0, [5.0] * 4, direction="single"),
        observed("x10", 5.0, [5.0 * times] * 4, direction="single"),
    ]
    for points in (quick, sweep(device, _times(times))):
        outcome = _outcome(device, bench, points)
        first = outcome.diagnosis[0]
        assert first.fault == fault
        # Two points leave a little room beside "nothing is wrong"; for a wrong number of turns they are enough.
        assert first.probability > (0.8 if fault == "none" else 0.9)
        assert outcome.verdict == ("pass" if fault == "none" else "fail")
        assert outcome.diagnosis_notes == ()
        if fault != "none":
            assert first.range == "x10"
            assert f"{times} " in first.description
            assert "10" in first.description


def test_a_base_turn_left_in_circuit_is_an_extra_turn(independent_device: Device, bench: Bench) -> None:
    """common practice, no published source: eleven on an independent ten is one turn too many or the base turn as well."""
    outcome = _outcome(independent_device, bench, sweep(independent_device, _times(11)))
    assert {h.fault for h in outcome.diagnosis[:2]} == {"turn-extra", "both-windings-in-circuit"}
    assert sum(h.probability for h in outcome.diagnosis[:2]) > 0.9
    assert in_words(outcome.diagnosis_notes)[0].startswith("this run cannot separate these causes: ")


def test_one_where_ten_are_due_is_the_switch_or_the_scaling(device: Device, bench: Bench) -> None:
    """common practice, no published source: a tenth is the base position, or a display scaled already: the same readings."""
    outcome = _outcome(device, bench, sweep(device, _times(1)))
    assert {h.fault for h in outcome.diagnosis[:2]} == {"switch-left-in-another-position", "display-factor-forgotten"}
    assert "cannot separate these causes" in in_words(outcome.diagnosis_notes)[0]


def test_the_same_cause_is_not_told_twice(device: Device, bench: Bench) -> None:
    """1.5 % too much at one common current is gain or an added current; each is told once, whatever its size may be."""
    quick = [observed(r, 5.0, [d] * 4, direction="single") for r, d in (("x1", 5.075), ("x10", 50.75))]
    note = in_words(_outcome(device, bench, quick).diagnosis_notes)[0]
    alternatives = note.partition(": ")[2].split("; or ")
    assert len(alternatives) == len(set(alternatives)) >= 2


def _supply(rng: str, current: float) -> float:
    return (current + 0.03) * (10 if rng == "x10" else 1)


def test_a_supply_behind_the_sensor_adds_the_same_amperes_everywhere(device: Device, bench: Bench) -> None:
    """common practice, no published source: the module's own 30 mA appear on every range, in the zero too."""
    points = sweep(device, _supply)
    points += [observed(r, 0.0, [_supply(r, 0.0)] * 4, direction="zero") for r in ("x1", "x10")]
    outcome = _outcome(device, bench, points)
    assert outcome.diagnosis[0].fault == "module-supply-behind-sensor"
    assert outcome.diagnosis[0].probability > 0.9
    assert [r.effective_turns.nearest for r in outcome.ranges if r.effective_turns] == [10]
    assert all(r.zero is not None and r.zero.significant for r in outcome.ranges)
    assert all(r.line is not None and r.line.intercept == pytest.approx(0.03, abs=0.002) for r in outcome.ranges)


def test_a_reading_at_no_current_counts(device: Device, bench: Bench) -> None:
    """Points alone hardly show 3 mA on the base range; a zero reading that shows them on both makes the supply likelier."""

    def small(rng: str, current: float) -> float:
        return (current + 0.003) * (10 if rng == "x10" else 1)

    def likely(points: list[ObservedPoint]) -> float:
        found = _outcome(device, bench, points).diagnosis
        return next((h.probability for h in found if h.fault == "module-supply-behind-sensor"), 0.0)

    quick = [observed(r, 5.0, [small(r, 5.0)] * 4, direction="single") for r in ("x1", "x10")]
    zeros = [observed("x10", 0.0, [small("x10", 0.0)] * 4, direction="zero")]
    assert likely(quick + zeros) > 0.5 > likely(quick)


def test_a_flicker_at_no_current_does_not_hide_a_missing_turn(device: Device, bench: Bench) -> None:
    """One display step at zero says nothing of turns: without current a turn more or fewer reads the same."""
    points = [*sweep(device, _times(9)), observed("x10", 0.0, [0.001] * 4, direction="zero")]
    first = _outcome(device, bench, points).diagnosis[0]
    assert (first.fault, first.range) == ("turn-missing", "x10")
    assert first.probability > 0.9


def test_a_zero_that_the_points_do_not_share_accuses_nobody(device: Device, bench: Bench) -> None:
    """Hum at no current that vanishes under load: no supply current, which would be in every reading."""
    points = [*sweep(device, _times(10)), observed("x10", 0.0, [0.5] * 4, direction="zero")]
    outcome = _outcome(device, bench, points)
    assert all(h.fault != "module-supply-behind-sensor" or h.probability < 0.1 for h in outcome.diagnosis)


def test_a_drifted_gain_is_flat(device: Device, bench: Bench) -> None:
    """common practice, no published source: the same 3 % at every current of every range is the module's gain."""
    outcome = _outcome(device, bench, sweep(device, lambda r, i: 1.03 * _times(10)(r, i)))
    assert outcome.diagnosis[0].fault == "drifted-gain"


@pytest.mark.parametrize("sign", [-1, 1])
def test_one_step_of_a_coarse_display_accuses_nobody(bench: Bench, sign: int) -> None:
    """A display one step off (its own offset, its rounding) is off by a part that falls with current: nothing is wrong.

    20 mA at the lowest 1 A is 2 %, as much as a supply current or a loaded secondary would make there.
    """
    device = parse_device(DEVICE.replace('resolution = "1 mA"', 'resolution = "20 mA"', 1), "device.toml")
    outcome = _outcome(device, bench, sweep(device, lambda r, i: _times(10)(r, i) + sign * 0.02))
    assert outcome.diagnosis[0].fault == "none"
    assert outcome.diagnosis[0].probability > 0.9


@pytest.mark.parametrize("power", [2, 3, 4, 8])
def test_droop_at_the_top_is_the_core(device: Device, bench: Bench, power: int) -> None:
    """common practice, no published source: errors that appear only near the rated ampere-turns are saturation.

    How sharp the knee is differs from core to core, so the cause must not hang on it.
    """

    def saturating(rng: str, current: float) -> float:
        turns = 10 if rng == "x10" else 1
        return current * turns * (1 - 0.06 * (current * turns / 100) ** power)

    assert _outcome(device, bench, sweep(device, saturating)).diagnosis[0].fault == "saturating-core"


def test_too_much_burden_errs_most_at_low_ampere_turns(device: Device, bench: Bench) -> None:
    """common practice, no published source: permeability falls at low flux, so a resistive secondary errs most there."""

    def loaded(rng: str, current: float) -> float:
        turns = 10 if rng == "x10" else 1
        return current * turns * (1 - 0.003 - 0.009 * max(0.0, -math.log10(current * turns / 100)))

    assert _outcome(device, bench, sweep(device, loaded)).diagnosis[0].fault == "high-resistance-fuse"


@pytest.mark.parametrize("times", [3.7, 0.0, 13.37])
def test_what_no_cause_explains_is_called_so(device: Device, bench: Bench, times: float) -> None:
    """A named fault is not the answer to readings that none of them makes."""
    assert _outcome(device, bench, sweep(device, _times(times))).diagnosis[0].fault == "none-of-these"


def test_without_points_nothing_is_said(device: Device, bench: Bench) -> None:
    """No point with current: no hypothesis, and a note that says why."""
    outcome = _outcome(device, bench, [observed("x1", 0.0, [0.0] * 4, direction="zero")])
    assert outcome.diagnosis == ()
    assert "no point with current" in in_words(outcome.diagnosis_notes)[0]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40, deadline=None)
@given(st.floats(0, 30), st.floats(0, 3), st.floats(-0.05, 0.05))
def test_probabilities_are_probabilities(device: Device, bench: Bench, ten: float, one: float, added: float) -> None:
    """Whatever is read: between 0 and 1, falling, and one in all but what is too small to show."""
    found = _outcome(
        device, bench, sweep(device, lambda r, i: max(0.0, i + added) * (ten if r == "x10" else one))
    ).diagnosis
    values = [h.probability for h in found]
    assert values == sorted(values, reverse=True)
    assert all(1e-6 <= v <= 1 + 1e-12 for v in values)
    assert sum(values) == pytest.approx(1.0, abs=1e-4)
