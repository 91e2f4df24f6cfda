"""The files of most tests of a run."""

import pytest

from harness.commands.new import new
from harness.preparation.run_files import RunInputs, load_inputs
from harness.steps import Options


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> RunInputs:
    device, bench = new(tmp_path_factory.mktemp("pair"))
    return load_inputs(device, bench, "current_ratio", Options(readings=2, per_decade=1))
