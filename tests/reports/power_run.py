"""Results of whole runs that compare powers too, made once for all tests that look at them."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path

from harness.commands.new import BENCH_POWER, new
from harness.preparation.run_files import load_inputs
from harness.results import Results
from harness.steps import Options
from tests.on_twin import TwinRun


@functools.cache
def ran(procedure: str = "power_and_phase") -> Results:
    """The evaluated run of a sound meter on the template's bench for power."""
    with tempfile.TemporaryDirectory() as folder:
        twin = TwinRun(load_inputs(*new(Path(folder), BENCH_POWER), procedure, Options()))
        twin.run()
        return twin.results()
