"""The step vocabulary: ladders, procedures as data."""

import csv
import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.commands.new import template
from harness.files.device import Claim, Range
from harness.files.loading import parse_device
from harness.steps import Apply, Observe, Options, PointReading, Procedure, Release, Select, Wait, both_ways, ladder
from procedures.shipped_procedures import shipped_procedures


def a_range(low: float, high: float, turns: int = 1) -> Range:
    currents = {"minimum_current": f"{low!r} A", "maximum_current": f"{high!r} A"}
    return Range.model_validate({"name": "r", "primary_turns": turns, "display_factor": 1.0, **currents})


@given(st.floats(1e-3, 1.0), st.floats(1.5, 5000.0), st.integers(1, 10))
def test_ladders_span_the_range_and_leave_no_wide_gap(low: float, ratio: float, per_decade: int) -> None:
    """Both ends are in, currents rise, and no step is wider than a decade shared by `per_decade` (and rounding)."""
    currents = ladder(a_range(low, low * ratio), per_decade)
    assert currents[0] == low
    assert currents[-1] == pytest.approx(low * ratio)
    steps = [b / a for a, b in itertools.pairwise(currents)]
    assert all(step > 1 for step in steps)
    assert max(steps) <= 10 ** (1 / per_decade) * 1.02


@given(st.floats(1e-3, 1.0), st.floats(1.5, 5000.0), st.integers(1, 10), st.lists(st.floats(1e-3, 5000.0), max_size=6))
def test_currents_asked_for_are_in_the_ladder(
    low: float, ratio: float, per_decade: int, asked_for: list[float]
) -> None:
    """Each of those inside the range exactly, or the end nearer to it than 0.5 %; the ends stay, and no gap widens by more than a tenth."""
    rng = a_range(low, low * ratio)
    currents = ladder(rng, per_decade, asked_for=asked_for)
    assert (currents[0], currents[-1]) == (rng.minimum_current, rng.maximum_current)
    for current in asked_for:
        if rng.minimum_current <= current <= rng.maximum_current:
            assert current in currents or min(current / currents[0], currents[-1] / current) < 1.0051
    steps = [b / a for a, b in itertools.pairwise(currents)]
    assert all(step > 1 for step in steps)
    assert max(steps) <= 10 ** (1.1 / per_decade) * 1.02


def _currents(
    procedure: str, claim: Claim, lowest: float, power_factors: tuple[float, ...] = ()
) -> dict[str, list[float]]:
    """Range -> the currents asked for, when every range begins at the part `lowest` of its maximum."""
    device = parse_device(template("device.toml"), "device.toml")
    ranges = tuple(r.model_copy(update={"minimum_current": lowest * r.maximum_current}) for r in device.ranges)
    found: dict[str, list[float]] = {r.name: [] for r in ranges}
    name = ""
    device = device.model_copy(update={"claim": claim, "ranges": ranges})
    for step in shipped_procedures()[procedure].steps(device, Options(power_factors=power_factors)):
        if isinstance(step, Select):
            name = step.range.name
        elif isinstance(step, Apply):
            found[name].append(step.current)
    return found


def _claim(**keys: str) -> Claim:
    return Claim.model_validate(keys)


LARGEST = {"x1": 80.0, "x4": 20.0, "x20": 4.0}


def _published(file: str) -> list[dict[str, str]]:
    with (Path(__file__).parents[1] / "reference" / file).open(encoding="utf-8") as text:
        return list(csv.DictReader(text))


@pytest.mark.parametrize("name", ["0.1", "0.2", "0.5", "1", "0.2S", "0.5S", "3", "5"])
def test_every_current_of_a_claimed_class_is_visited_both_ways(name: str) -> None:
    """IEC 61869-2:2012, tables 201 to 203: 1 (S classes), 5, 20 and 100 %, or 50 and 100 %, of the rated current.

    The range's largest current is the rated one, so that 120 % lies outside.
    """
    stated = [float(row["pct_In"]) / 100 for row in _published("iec61869_2_ct_limits.csv") if row["class"] == name]
    for rng, currents in _currents("current_ratio", _claim(accuracy_class=name), min(stated)).items():
        for part in stated:
            visits = [c for c in currents if c == pytest.approx(part * LARGEST[rng])]
            assert len(visits) == (0 if part > 1 else 1 if part == 1 else 2)


@pytest.mark.parametrize(
    ("standard", "name"), [("62053-21", "1"), ("62053-21", "2"), ("62053-22", "0.2S"), ("62053-22", "0.5S")]
)
def test_every_current_of_a_claimed_power_class_is_visited_at_every_power_factor(standard: str, name: str) -> None:
    """IEC 62053-21 and -22:2003, transformer operated, balanced load (values from memory)."""
    rows = [
        r for r in _published("iec62053_21_22_limits.csv") if r["standard"].startswith(standard) and r["class"] == name
    ]
    stated = {float(r["I_from"]) for r in rows if r["ref"] == "In" and r["load"] == "balanced"}
    assert len(stated) >= 3
    claim = _claim(of_reading="1 %", power_class=f"IEC {standard} {name}")
    for rng, currents in _currents("power_and_phase", claim, min(stated), (1.0, 0.5, -0.8)).items():
        for part in (*stated, 1.0):
            assert len([c for c in currents if c == pytest.approx(part * LARGEST[rng])]) == 3


def test_the_phase_displacement_of_a_class_is_looked_at_where_it_is_stated() -> None:
    """IEC 61869-2:2012, table 202: class 0.5S states 1, 5, 20 and 100 %; a ladder of one per decade adds 10 %."""
    currents = _currents("power_and_phase", _claim(accuracy_class="0.5S"), 0.01, (1.0, 0.5))["x1"]
    assert currents == pytest.approx([0.8, 4.0, 8.0, 16.0, 80.0] * 2)


def test_currents_of_a_class_take_the_place_of_their_neighbours() -> None:
    """From 1 % at three per decade: 5 and 20 % of the rated current (IEC 61869-2) instead of 4.64 and 21.5 %."""
    currents = _currents("current_ratio", _claim(accuracy_class="0.2S"), 0.01)["x4"]
    assert currents[:7] == pytest.approx([0.2, 0.431, 1.0, 2.0, 4.0, 9.28, 20.0])


def test_without_a_class_the_steps_are_even() -> None:
    """The same points as numpy's geometric progression, but for the rounding to three figures."""
    currents = _currents("current_ratio", _claim(of_reading="1 %"), 0.01)["x1"]
    assert currents[:7] == pytest.approx(list(np.geomspace(0.8, 80, 7)), rel=5e-3)
    assert len(currents) == 13


def test_a_shelf_gives_the_load_nearest_to_a_current_of_a_class() -> None:
    """Between 1 and 100 A, 5 A is asked for; of loads of 4.2, 4.9 and 6 A the second is nearest."""
    assert ladder(a_range(1.0, 100.0), 1, (1.1, 4.2, 4.9, 6.0, 9.0, 90.0), (5.0,)) == [1.1, 4.9, 9.0, 90.0]


SPANS = st.tuples(st.floats(1e-2, 5.0), st.floats(1.5, 300.0), st.integers(1, 30))


@given(st.lists(SPANS, min_size=2, max_size=4), st.integers(1, 5))
def test_ranges_compared_share_their_ampere_turns(spans: list[tuple[float, float, int]], per_decade: int) -> None:
    """Where two ranges reach, each point of the one has one of the other at its ampere-turns, but for the ends' neighbours.

    Equal ampere-turns magnetise the core equally, so the meter's own curve is the same there (IEC 61869-2: ratio error is a function
    of the part of rated current); three figures of a current leave half a percent.
    """
    ranges = [a_range(low, low * ratio, turns) for low, ratio, turns in spans]
    step = 10 ** (1 / per_decade)
    for rng in ranges:
        own = ladder(rng, per_decade, compared=ranges)
        assert (own[0], own[-1]) == (rng.minimum_current, rng.maximum_current)
        gaps = [b / a for a, b in itertools.pairwise(own)]
        assert all(gap > 1 for gap in gaps)
        assert max(gaps) <= step**1.2 * 1.02
        for other in ranges:
            theirs = [c * other.primary_turns for c in ladder(other, per_decade, compared=ranges)]
            for current in own:
                here = current * rng.primary_turns
                if theirs[0] * step**0.11 < here < theirs[-1] / step**0.11:
                    assert min(abs(np.log(here / there)) for there in theirs) < max(0.011, 0.21 * np.log(step))


def test_spans_that_end_elsewhere_still_meet_at_the_same_ampere_turns() -> None:
    """1 to 50 A on one turn, 0.2 to 8 A on five: 5 to 40 ampere-turns and the ends of both are read on both."""
    one, five = a_range(1.0, 50.0), a_range(0.2, 8.0, 5)
    first, second = (ladder(r, 3, compared=(one, five)) for r in (one, five))
    assert {f"{c:.2g}" for c in first} == {f"{c * 5:.2g}" for c in second} | {"50"}


def test_up_and_down_without_repeating_the_top() -> None:
    """Upscale then downscale readings, as IEC 61298-2 takes them."""
    assert list(both_ways([1.0, 2.0, 3.0])) == [("up", 1.0), ("up", 2.0), ("up", 3.0), ("down", 2.0), ("down", 1.0)]


@pytest.mark.parametrize("procedure", shipped_procedures().values(), ids=lambda p: p.name)
def test_every_shipped_procedure_is_well_formed(procedure: Procedure) -> None:
    """Point names are unique, nothing is applied before a range is selected, ranges change and end with the load off.

    Nothing is applied above what a range claims; only the search for the smallest current goes below.
    """
    device = parse_device(template("device.toml"), "device.toml")
    shelf = (
        {"sines": (2.0,), "crest_factors": {2.0: 1.41, 1.9: 2.4, 2.1: 2.0}}
        if procedure.name == "waveform_influence"
        else {}
    )
    steps = procedure.steps(device, Options(power_factors=(1.0, 0.5, -0.8), check_current=2.0, **shelf))  # type: ignore[arg-type]
    names: list[str] = []
    names_of_ranges: set[str] = set()
    selected, energised = None, False
    answer = None
    while True:
        try:
            step = steps.send(answer)
        except StopIteration:
            break
        answer = None
        match step:
            case Select(range=rng):
                assert not energised
                selected = rng
            case Apply(current=current):
                assert selected is not None
                assert current <= selected.maximum_current
                assert current >= selected.minimum_current or procedure.name == "smallest_current"
                energised = True
            case Wait(seconds=seconds):
                assert 0 < seconds <= Options().hold
            case Release():
                energised = False
            case Observe():
                assert selected is not None
                assert energised == (step.direction != "zero")
                names.append(step.point)
                names_of_ranges.add(selected.name)
                answer = PointReading(step.point, 1.0, 1.0, step.count, reading=step.count)
    assert not energised
    assert len(set(names)) == len(names)
    if procedure.name != "bench_check":
        assert names_of_ranges == {r.name for r in device.ranges}
    assert procedure.description
    assert procedure.title


def test_the_full_verification_reads_its_ranges_at_ampere_turns_they_share() -> None:
    """The procedure itself and not the ladder alone: every point of one range within the span of another has one of it at its ampere-turns.

    Equal ampere-turns magnetise the core equally (IEC 61869-2).
    """
    device = parse_device(template("device.toml"), "device.toml")
    # Spans that do not begin together, so that ladders of their own would miss each other.
    moved = device.ranges[1].model_copy(update={"minimum_current": device.ranges[1].minimum_current * 1.37})
    device = device.model_copy(update={"ranges": (device.ranges[0], moved, *device.ranges[2:])})
    read: dict[str, set[float]] = {}
    steps = shipped_procedures()["current_ratio"].steps(device, Options())
    step, turns, name = next(steps), 1, ""
    try:
        while True:
            answer = None
            match step:
                case Select(range=rng):
                    turns, name = rng.primary_turns, rng.name
                case Apply(current=current):
                    read.setdefault(name, set()).add(current * turns)
                case Observe(point=point):
                    answer = PointReading(point, 1.0, 1.0, 4)
            step = steps.send(answer)
    except StopIteration:
        pass
    base, other = (sorted(read[r.name]) for r in device.ranges[:2])
    inside = [at for at in base if other[0] * 1.1 < at < other[-1] / 1.1]
    assert len(inside) >= 4
    assert all(min(abs(at / t - 1) for t in other) < 0.02 for at in inside)
