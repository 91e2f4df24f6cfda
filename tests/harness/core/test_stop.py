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
