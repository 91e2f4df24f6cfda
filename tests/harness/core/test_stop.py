"""A stop request: what it cuts short, and what it must not."""

import contextlib
import signal
import sys
import time
import traceback
from importlib.machinery import ExtensionFileLoader, ModuleSpec
from types import FrameType

import pytest

import harness.core.stop
from harness.command_line import _first_interrupt
from harness.core.errors import Stopped
from harness.core.stop import StopSignal


def test_a_second_signal_cuts_nothing_short_that_the_first_set_going() -> None:
    """Ctrl-C twice at a prompt: the second comes while the first is still on its way out of the question."""
    stop, tidied = StopSignal(), []

    def read(text: str) -> str:
        try:
            signal.raise_signal(signal.SIGINT)
        finally:
            signal.raise_signal(signal.SIGINT)
            tidied.append(text)
        raise AssertionError("the first did not end the question")

    with stop.listening(), pytest.raises(Stopped):
        stop.ask("Is it so?", read)
    assert tidied == ["Is it so?"]


def test_what_speaks_to_no_instrument_ends_at_once_whatever_a_module_makes_of_the_stop() -> None:
    """As an extension in Rust does with what is raised while it works: an error of its own, and not what was raised."""
    stop = StopSignal()

    def panicking() -> None:
        try:
            signal.raise_signal(signal.SIGINT)
        except Stopped:
            raise RuntimeError("panicked") from None

    with stop.listening(), pytest.raises(Stopped, match="SIGINT"), stop.at_once():
        panicking()


def _load() -> None:
    """Loads as a module in C does that loads others: an error of theirs is cleared and does not come out."""
    with contextlib.suppress(BaseException):
        signal.raise_signal(signal.SIGINT)


def _work() -> None:
    _load()
    until = time.monotonic() + 10
    while time.monotonic() < until:
        time.sleep(0.01)


@pytest.mark.parametrize("who", ["a run", "a command"])
def test_a_stop_while_a_module_of_another_language_loads_comes_again(monkeypatch: pytest.MonkeyPatch, who: str) -> None:
    monkeypatch.setattr(harness.core.stop, "_LOADERS", {_load.__code__})
    stop = StopSignal()
    before = signal.getsignal(signal.SIGINT)
    try:
        signal.signal(signal.SIGINT, _first_interrupt)
        with contextlib.ExitStack() as around:
            around.enter_context(pytest.raises(Stopped, match="SIGINT"))
            if who == "a run":
                around.enter_context(stop.listening())
                around.enter_context(stop.at_once())
            _work()
    finally:
        signal.signal(signal.SIGINT, before)


def test_a_loader_of_extensions_is_seen_further_out() -> None:
    """The loader's own code stands on the stack while a module loads: here a file that is none, which it refuses."""
    seen: list[bool] = []
    loader = ExtensionFileLoader("none", "none")

    def look(frame: FrameType, event: str, argument: object) -> None:
        seen.append(any(f.f_code in harness.core.stop._LOADERS for f, _ in traceback.walk_stack(frame)))

    before = sys.getprofile()
    sys.setprofile(look)
    try:
        with contextlib.suppress(Exception):
            loader.create_module(ModuleSpec("none", loader, origin="none"))
    finally:
        sys.setprofile(before)
    assert True in seen


def test_a_stop_that_came_too_late_for_a_run_does_not_colour_an_error_after_it() -> None:
    stop = StopSignal()
    stop.request("stopped by SIGINT")
    with pytest.raises(RuntimeError, match="of its own"), stop.at_once():
        raise RuntimeError("of its own")
