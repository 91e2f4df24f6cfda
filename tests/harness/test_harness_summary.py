"""What the terminal says at the end of a run."""

from __future__ import annotations

import functools
import re
import tempfile
from pathlib import Path

from harness.commands.certify import summary_lines
from harness.commands.inputs import load_inputs
from harness.commands.new import BENCH_POWER, new
from harness.results import Results
from harness.steps import Options
from tests.on_twin import TwinRun


@functools.cache
def _ran(procedure: str, *faults: str) -> Results:
    with tempfile.TemporaryDirectory() as folder:
        inputs = load_inputs(*new(Path(folder), BENCH_POWER), procedure, Options(readings=2, per_decade=1, hold=60.0))
        twin = TwinRun(inputs, faults)
        twin.run()
        return twin.results()


def _lines(procedure: str, *faults: str) -> list[str]:
    return summary_lines(_ran(procedure, *faults), Path("nowhere"))


def test_turns_say_what_they_are_found_against() -> None:
    """The base range has nothing but the reference to be compared with; a gain of the meter is in its turns and not in the others'."""
    x1, x4, x20 = (line for line in _lines("turns_check") if line.startswith("  x"))
    assert x1.endswith("against the reference alone")
    assert x4.endswith("against x1")
    assert x20.endswith("against x1")


def test_with_a_base_range_far_off_all_turns_are_found_against_the_reference() -> None:
    """A meter set for four fifths of its turns reads every range a quarter too high or a fifth too low."""
    lines = [line for line in _lines("turns_check", "ratio-setting") if line.startswith("  x") and "found" in line]
    assert len(lines) == 3
    assert all(line.endswith("against the reference alone") for line in lines)


def test_creep_tells_an_estimate_and_what_it_surely_lies_below() -> None:
    """No energy counted leaves less than one step of the register: 0.1 Wh in a minute or a little less are some 6 W."""
    (line, *_) = (line for line in _lines("no_load") if "surely" in line)
    told = re.search(
        r"creep 0 ± ([\d.]+) W, surely below ([\d.]+) W \(counted 0 Wh in 6\d s, and less than one step more\)", line
    )
    assert told is not None
    assert float(told[1]) < float(told[2])
    assert 0.1 * 3600 / 62 < float(told[2]) < 0.1 * 3600 / 58
