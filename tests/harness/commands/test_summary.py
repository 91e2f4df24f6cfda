"""What the terminal says at the end of a run."""

from __future__ import annotations

import functools
import re
import tempfile
from pathlib import Path

from harness.commands.new import BENCH_POWER, new
from harness.commands.summary_lines import summary_lines
from harness.preparation.run_files import load_inputs
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
    """The base range has nothing but the reference to be compared with: its turns and the meter's gain cannot be told apart."""
    x1, x4, x20 = (line for line in _lines("turns_check") if line.startswith("  x"))
    assert re.search(r"x1 +pass +expected 1 turn, not determined; reading factor 0\.99\d\d ± 0\.00\d\d$", x1)
    assert x4.endswith("against x1; nearest integer: 4, probability above 99.9 %")
    assert x20.endswith("against x1; nearest integer: 20, probability above 99.9 %")


def test_with_a_base_range_far_off_no_turns_are_found() -> None:
    """A meter set for four fifths of its turns reads every range a fifth too low: with turns, or with its gain, nobody knows."""
    lines = [line for line in _lines("turns_check", "ratio-setting") if line.startswith("  x") and "turn" in line]
    assert len(lines) == 3
    assert all(
        re.search(r"expected \d+ turns?, not determined; reading factor 0\.(79|80)\d\d ± ", line) for line in lines
    )


def test_creep_tells_an_estimate_and_what_it_surely_lies_below() -> None:
    """No energy counted leaves less than one step of the register: 0.1 Wh in a minute or a little less are some 6 W."""
    (line, *_) = (line for line in _lines("no_load") if "upper bound" in line)
    told = re.search(
        r"creep \(0\.0 ± ([\d.]+)\) W, upper bound ([\d.]+) W \(0 Wh registered in 6\d s, and less than one step more\)",
        line,
    )
    assert told is not None
    assert float(told[1]) < float(told[2])
    assert 0.1 * 3600 / 62 < float(told[2]) < 0.1 * 3600 / 58
