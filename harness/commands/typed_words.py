"""What is typed to the simulated bench, and its answers."""

from __future__ import annotations

import contextlib
import sys
import time
from queue import Empty, SimpleQueue

from harness.commands.bench_words import BenchWords
from harness.core.lines_heard import lines_heard
from harness.core.output import wrapped
from harness.core.stop import StopSignal

LOOK_EVERY = 0.2
"""Seconds between two looks whether to stop."""


def attend(words: BenchWords, stop: StopSignal) -> None:
    """Do what is typed; without a terminal just serve."""
    typed = _typed()
    while not stop.reason:
        try:
            line = typed.get(timeout=LOOK_EVERY)
        except Empty:
            continue
        if line is None:
            while not stop.reason:
                time.sleep(LOOK_EVERY)
        elif line.strip() == "quit":
            return
        elif line.strip():
            print(wrapped(words.answer(line)), flush=True)


def _typed() -> SimpleQueue[str | None]:
    # A program without a terminal (pythonw) has no standard input at all, and some stand-ins for one have no descriptor.
    with contextlib.suppress(AttributeError, OSError, ValueError):
        return lines_heard(sys.stdin.fileno())
    nothing: SimpleQueue[str | None] = SimpleQueue()
    nothing.put(None)
    return nothing
