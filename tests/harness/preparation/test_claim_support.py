"""What a rehearsal says of a bench that cannot support the claim, told before anything is energised."""

import re
from functools import cache
from pathlib import Path

import pytest

from harness.commands.new import template
from harness.core.stop import StopSignal
from harness.files.loading import parse_bench, parse_device
from harness.preparation.rehearsal import Rehearsal, rehearsal_of
from harness.preparation.run_files import RunInputs, find_procedure
from harness.steps import Options


@cache
def _rehearsed(procedure: str, bench: str, claim: str, decision: str) -> Rehearsal:
    device_text = template("device.toml").replace('of_reading = "1 %"\ncounts = 2', claim)
    bench_text = template(bench).replace('rule = "guarded"', decision)
    assert claim in device_text
    assert decision in bench_text
    inputs = RunInputs(
        "device.toml",
        Path("bench.toml"),
        device_text,
        bench_text,
        procedure,
        parse_device(device_text, "device.toml"),
        parse_bench(bench_text, "bench.toml"),
        find_procedure(procedure),
        Options(readings=2, per_decade=1),
    )
    return rehearsal_of(inputs, StopSignal())


def test_a_bench_that_is_good_enough_says_nothing() -> None:
    rehearsal = _rehearsed("current_ratio", "bench.toml", 'of_reading = "1 %"\ncounts = 2', 'rule = "guarded"')
    assert rehearsal.problems == ()


def test_uncertainty_beyond_the_limit_is_one_line_a_range() -> None:
    """JCGM 106:2012, 8.3.2: a guard band of U leaves no interval of acceptance where U exceeds the limit."""
    rehearsal = _rehearsed("current_ratio", "bench.toml", 'of_reading = "0.02 %"', 'rule = "guarded"')
    told = [p for p in rehearsal.problems if "cannot support" in p]
    assert [line.partition(",")[0] for line in told] == [r.name for r in rehearsal.results.ranges]
    for line in told:
        # One sentence compares the two, so both end at one place.
        shown = re.search(r"U is \d+\.(\d+) %, the limit 0\.(0200) %\. Take ", line)
        assert shown is not None
        assert len(shown[1]) == len(shown[2])
    assert not any("no result can pass" in p for p in rehearsal.problems)


def test_a_rule_that_lets_nothing_pass() -> None:
    """ILAC-G8:09/2019: a guard band of r U shuts the interval of acceptance at a ratio below r, though U is within the limit."""
    decision = 'rule = "guarded"\nguard_factor = 9'
    rehearsal = _rehearsed("current_ratio", "bench.toml", 'of_reading = "1 %"\ncounts = 2', decision)
    shut = [p for p in rehearsal.problems if "no result can pass" in p]
    assert shut
    assert len(shut) == len({line.partition(",")[0] for line in shut})
    assert rehearsal.smallest_test_uncertainty_ratio < 9


def test_a_ratio_that_is_asked_for_and_missed() -> None:
    """ANSI/NCSL Z540.3, 5.3 (value from memory): 4:1 is the ratio to fall back upon; here far more is asked for."""
    decision = 'rule = "guarded"\nleast_test_uncertainty_ratio = 1000'
    rehearsal = _rehearsed("current_ratio", "bench.toml", 'of_reading = "1 %"\ncounts = 2', decision)
    assert len(rehearsal.problems) == len(rehearsal.results.ranges)
    assert all("less than the required 1000" in p for p in rehearsal.problems)


@pytest.mark.parametrize("quantity", ["power", "phase displacement"])
def test_power_and_phase_are_looked_at_too(quantity: str) -> None:
    """Of a power claim of 0.01 % and of 0.1 minutes of phase displacement this bench can show neither."""
    claim = 'of_reading = "1 %"\ncounts = 2\npower_of_reading = "0.01 %"\nphase_displacement = "0.0017 deg"'
    rehearsal = _rehearsed("power_and_phase", "bench_power.toml", claim, 'rule = "guarded"')
    told = [p for p in rehearsal.problems if f", {quantity}: the bench's uncertainty cannot support" in p]
    assert len(told) == len(rehearsal.results.ranges)


def test_what_a_display_cannot_show_at_no_current_is_told() -> None:
    """Of a third of a display step claimed, 95.45 % of the rectangle of one step leave nothing (JCGM 106:2012, 8.3.2)."""
    claim = 'of_reading = "1 %"\ncounts = 0.333'
    rehearsal = _rehearsed("no_load", "bench_power.toml", claim, 'rule = "guarded"')
    told = [p for p in rehearsal.problems if ", indicated with no current: the bench's uncertainty cannot support" in p]
    assert len(told) == len(rehearsal.results.ranges)
    assert "U is 477 uA, the limit 333 uA" in told[0]
    enough = _rehearsed("no_load", "bench_power.toml", 'of_reading = "1 %"\ncounts = 2', 'rule = "guarded"')
    assert enough.problems == ()


def test_what_design_objects_to_is_told() -> None:
    """IEC 60127-2 sheet 2: a melted fuse opens the secondary; without a clamp `design` objects, and so does the rehearsal."""
    device_text = template("device.toml").replace('"across winding"', '"behind fuse"')
    (problem,) = _of_device(device_text).problems
    assert problem.startswith("on paper, all ranges: clamp: behind the fuse")
    assert _of_device(template("device.toml")).problems == ()


def test_what_design_leaves_open_is_in_the_results_and_stops_nothing() -> None:
    text = template("device.toml")
    told = _of_device(text.replace('switch_voltage = "400 V"', ""))
    assert told.problems == ()
    (further,) = [r for r in told.results.open_on_paper if r not in _of_device(text).results.open_on_paper]
    assert (further.code, further.values) == ("open-switch-voltage", {"keys": ("switch_voltage",)})


@pytest.mark.parametrize(
    ("stated", "told"),
    [
        ('switch_breaks = "primary"', "switch_breaks is not given"),
        ('secondary_clamp = "across winding"', "secondary_clamp is not given"),
    ],
)
def test_what_could_kill_and_is_not_stated_stands_in_the_way(stated: str, told: str) -> None:
    """An open secondary under current carries a dangerous voltage: common practice, no published source."""
    text = template("device.toml").replace('secondary_clamp_voltage = "12 V"', "" if "clamp" in stated else "# none")
    (problem,) = _of_device(text.replace(stated, "")).problems
    assert told in problem


def _of_device(device_text: str) -> Rehearsal:
    bench_text = template("bench.toml")
    inputs = RunInputs(
        "device.toml",
        Path("bench.toml"),
        device_text,
        bench_text,
        "turns_check",
        parse_device(device_text, "device.toml"),
        parse_bench(bench_text, "bench.toml"),
        find_procedure("turns_check"),
        Options(readings=2, per_decade=1),
    )
    return rehearsal_of(inputs, StopSignal())


def test_a_sound_meter_fails_the_more_the_tighter_the_claim() -> None:
    """JCGM 106:2012, 8.3: where the guard band leaves nothing, everything is rejected; where it leaves nearly all, little is."""
    tight, wide = (
        _rehearsed("current_ratio", "bench.toml", claim, 'rule = "guarded"').rejection
        for claim in ('of_reading = "0.27 %"', 'of_reading = "3 %"')
    )
    assert tight is not None
    assert wide is not None
    assert tight.of_run is not None
    assert wide.of_run is not None
    assert (tight.of_run > 0.95, wide.of_run < 0.001) == (True, True)


def test_a_conditional_pass_is_no_rejection() -> None:
    """ILAC-G8:09/2019, non-binary statement: between acceptance limit and limit the verdict is a conditional pass."""
    claim = 'of_reading = "0.4 %"'
    two = _rehearsed("current_ratio", "bench.toml", claim, 'rule = "guarded"').rejection
    four = _rehearsed("current_ratio", "bench.toml", claim, 'rule = "guarded"\nverdicts = "four"').rejection
    assert two is not None
    assert four is not None
    assert two.of_run is not None
    assert four.of_run is not None
    assert four.of_run < two.of_run / 2


def test_power_is_judged_too() -> None:
    """A power claim as tight as the bench's own uncertainty fails sound meters that the claim of current does not."""
    claim = 'of_reading = "3 %"\ncounts = 2\npower_of_reading = "{}"'
    told = [
        _rehearsed("power_and_phase", "bench_power.toml", claim.format(p), 'rule = "guarded"').rejection
        for p in ("1.2 %", "6 %")
    ]
    found = [t.of_run for t in told if t is not None and t.of_run is not None]
    assert len(found) == 2
    assert found[0] > 0.3
    assert found[1] < 0.01


def test_a_run_that_judges_no_error_says_nothing_of_sound_meters() -> None:
    assert (
        _rehearsed("no_load", "bench_power.toml", 'of_reading = "1 %"\ncounts = 2', 'rule = "guarded"').rejection
        is None
    )
