"""A stop request: what it cuts short, and what it must not."""

import signal

import pytest

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


def test_a_stop_that_came_too_late_for_a_run_does_not_colour_an_error_after_it() -> None:
    stop = StopSignal()
    stop.request("stopped by SIGINT")
    with pytest.raises(RuntimeError, match="of its own"), stop.at_once():
        raise RuntimeError("of its own")
