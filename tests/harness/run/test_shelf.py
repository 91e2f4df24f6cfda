"""Loads on the shelf that must not be plugged in."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.commands.new import BENCH_BY_HAND, new
from harness.core.errors import UserError
from harness.core.stop import StopSignal
from harness.preparation.rehearsal import rehearsal_of
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from tests.harness.run.shelf import hand, worked

OWN = '''
from harness.steps import Apply, Device, Observe, Options, Select, Steps, procedure


@procedure(title="Two loads", revision="1")
def two_loads(device: Device, options: Options) -> Steps:
    """Read two loads of the shelf."""
    yield Select(device.ranges[0])
    for current in (1.7, 4.7):
        yield Apply(current)
        yield Observe(f"{current:g} A", options.readings, "up")
'''


def test_a_load_that_must_not_be_plugged_in_is_named_and_stops_nothing(tmp_path: Path) -> None:
    """Above the maximum test current (9.09 A of a 10 A range) or above every claim: both alike, and never asked for."""
    oven = (
        '{ name = "kettle", current = "8.7 A"',
        '{ name = "oven", current = "90 A" },\n  { name = "kettle", current = "9.6 A"',
    )
    inputs = hand(tmp_path, "current_ratio", Options(readings=1), oven)
    told = rehearsal_of(inputs, StopSignal())
    assert told.problems == ()
    named = [note for note in told.notes if note.startswith("DO NOT PLUG IN ")]
    assert [note.split(": ")[0] for note in named] == ["DO NOT PLUG IN oven", "DO NOT PLUG IN kettle"]
    assert (
        "9.6 A is above the maximum test current of 9.091 A on range x1, set by largest range of the reference"
        in named[1]
    )
    assert "not used: small lamp (12 mA): below the smallest current of every range" in told.notes
    _, links = worked(inputs)
    assert {9.6, 90.0}.isdisjoint(current for current, _ in links.plugged_in)


def test_no_procedure_gets_a_load_that_must_not_be_plugged_in(tmp_path: Path) -> None:
    """5 A are claimed on x20, which may carry 4.55 A: a procedure that asks for the 4.7 A on x1 does not get them there either."""
    device, bench = new(tmp_path, BENCH_BY_HAND)
    own = tmp_path / "own.py"
    own.write_text(OWN, encoding="utf-8")
    bench.write_text(bench.read_text(encoding="utf-8").replace('"5.9 A"', '"4.7 A"'), encoding="utf-8")
    claimed = device.read_text(encoding="utf-8").replace('maximum_current = "4 A"', 'maximum_current = "5 A"')
    device.write_text(claimed, encoding="utf-8")
    twin, links = worked(load_inputs(device, bench, str(own), Options(readings=1)))
    assert 4.7 not in {current for current, _ in links.plugged_in}
    (left_out,) = twin.record.of_kind("skip")
    assert left_out["reason"].startswith("4.7 A is above the maximum test current of 4.545 A on range x20")
    assert [point.name for point in twin.results().ranges[0].points] == ["1.7 A"]


def test_a_shelf_with_nothing_to_plug_in_is_refused(tmp_path: Path) -> None:
    inputs = hand(tmp_path, "current_ratio", Options(), ('full_scale = "10 A"', 'full_scale = "0.5 A"'))
    shelf = [load.model_copy(update={"current": 1.0 + load.current}) for load in inputs.bench.entry("load").shelf]
    entries = dict(inputs.bench.instruments)
    entries["shelf"] = entries["shelf"].model_copy(update={"shelf": tuple(shelf)})
    inputs = replace(inputs, bench=inputs.bench.model_copy(update={"instruments": entries}))
    with pytest.raises(
        UserError, match=r"no load on the shelf may be plugged in: 1\.012 A is above the maximum test current"
    ):
        rehearsal_of(inputs, StopSignal())
