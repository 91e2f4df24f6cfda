"""Loads on the shelf that must not be plugged in."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.core.errors import UserError
from harness.core.stop import StopSignal
from harness.preparation.rehearsal import rehearsal_of
from harness.steps import Options
from tests.harness.run.shelf import hand, worked


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
