"""What holds for all tests."""

import os
import sys
from collections.abc import Iterator

import pytest
from hypothesis import settings

if sys.platform == "win32":
    # They type at pseudo-terminals, or stop and look into processes as only POSIX lets them.
    collect_ignore = [
        "end_to_end/test_by_hand.py",
        "end_to_end/test_interruptions.py",
        "harness/safety/test_cautions.py",
        "instruments/operator/test_keyboard.py",
        "instruments/links/test_modbus_link.py",
    ]

# Several workers fill the processors; matrices of a few hundred rows gain nothing from threads, which wait for each other by spinning.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# How long an example takes depends on what else the machine does; that is measured in tests/benchmarks, not here.
settings.register_profile("ratioproof", deadline=None)
settings.load_profile("ratioproof")


def pytest_configure() -> None:
    """What tests, their workers and the programs they start compile is kept, also where Python was told to keep none.

    Each of some 250 processes would otherwise compile hundreds of modules anew, which takes longer than what it is started for. It is kept
    where Python keeps it (`__pycache__`), since elsewhere what pip has compiled would not be found.
    """
    sys.dont_write_bytecode = False
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int | None:
    """With `-n auto` five workers more than processors: most of the time of the long tests is waiting, for instruments and for processes."""
    return None if "PYTEST_XDIST_AUTO_NUM_WORKERS" in os.environ else (os.cpu_count() or 1) + 5


@pytest.fixture(scope="session", autouse=True)
def _reservations_of_their_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Tests reserve their instruments apart from whoever uses the program on this machine."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield
