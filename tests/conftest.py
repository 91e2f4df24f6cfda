"""What holds for all tests."""

from collections.abc import Iterator

import pytest
from hypothesis import settings

# How long an example takes depends on what else the machine does; that is measured in tests/benchmarks, not here.
settings.register_profile("ratioproof", deadline=None)
settings.load_profile("ratioproof")


@pytest.fixture(scope="session", autouse=True)
def _reservations_of_their_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Tests reserve their instruments apart from whoever uses the program on this machine."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield
