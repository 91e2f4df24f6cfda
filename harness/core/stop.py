"""Stopping on request: a flag that SIGINT, SIGTERM, a terminal that is closed, or the guard sets, honoured between messages.

A second Ctrl-C only sets the flag again, so it cannot cut the safing short. While a person is being asked the
request is honoured at once, because nothing is in the middle of being said to an instrument.
"""

import _thread
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.machinery import ExtensionFileLoader
from types import FrameType

from harness.core.activity import UNTIL_ANSWERED, Activity
from harness.core.clock import Clock
from harness.core.errors import Stopped
from harness.core.output import lost
from instruments.operator import keyboard

SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name))
"""Signals that end a run: Ctrl-C, a request, a terminal or session that is gone (SIGHUP; on Windows SIGBREAK, Ctrl-Break)."""

SLICE = 0.1
"""Seconds a wait may go on without looking whether to stop."""

_LOADERS = {ExtensionFileLoader.create_module.__code__, ExtensionFileLoader.exec_module.__code__}


def put_off(number: int, frame: FrameType | None) -> bool:
    """Whether the signal is to come again in a moment: a module of another language that is being loaded may lose what is raised now."""
    while frame is not None and frame.f_code not in _LOADERS:
        frame = frame.f_back
    if frame is None:
        return False
    later = threading.Timer(SLICE, _thread.interrupt_main, [number])
    later.daemon = True
    later.start()
    return True


class StopSignal:
    """Whether somebody asked to stop, and who. `activity` is told of every look, and of every question to a person."""

    def __init__(self) -> None:
        self.reason = ""
        self.activity = Activity()
        self._listening = False
        self._asking = False
        self._signalled = False
        self._must_answer = ""
        self._watches: list[Callable[[], str]] = []

    def request(self, reason: str) -> None:
        """Ask to stop; the first reason is kept."""
        self.reason = self.reason or reason

    def watch(self, trouble: Callable[[], str]) -> None:
        """Stop also when `trouble` returns a reason; it is asked at every check."""
        self._watches.append(trouble)

    def pause(self, clock: Clock, seconds: float) -> None:
        """Wait `seconds` on `clock`, in slices short enough that a stop is not kept waiting. Raises Stopped."""
        end = clock.now() + seconds
        while (left := end - clock.now()) > 0:
            self.check()
            clock.sleep(min(left, SLICE))

    def check(self) -> None:
        """Raise Stopped when a stop was asked for."""
        self.activity.progress()
        for trouble in self._watches:
            if found := trouble():
                self.request(found)
        if self.reason:
            raise Stopped(self.reason)

    def interrupt(self, reason: str) -> None:
        """Ask to stop, from another thread, and end the wait for a person's answer."""
        self.request(reason)
        kill = getattr(signal, "pthread_kill", None)
        if self._asking and self._listening and kill is not None:
            kill(threading.main_thread().ident, signal.SIGINT)

    def ask(self, text: str, read: Callable[[str], str] = keyboard.ask_somebody) -> str:
        """Read an answer from a person; a stop request or the end of input raises Stopped."""
        if lost():
            self.request("the output was closed, so that no question can be seen")
        self.check()
        self._asking = True
        try:
            with self.activity.bounded(UNTIL_ANSWERED, text), keyboard.given_up_when(lambda: bool(self.reason)):
                return read(text)
        except EOFError as nobody:
            self.request(str(nobody) or "end of input at a prompt")
            raise Stopped(self.reason) from None
        finally:
            self._asking = False

    def ask_always(self, text: str, read: Callable[[str], str] = keyboard.ask_somebody) -> str:
        """Read an answer that making safe waits for: a stop request only says so. Raises EOFError at the end of input."""
        if lost():
            raise EOFError
        self._must_answer = text
        try:
            with self.activity.bounded(UNTIL_ANSWERED, text):
                return read(text)
        finally:
            self._must_answer = ""

    @contextmanager
    def at_once(self) -> Iterator[None]:
        """Let a stop end the block at once, as a question does: nothing is on and no instrument is spoken to. Raises Stopped.

        Also where a module of another language turns a stop that comes through it into an error of its own.
        """
        before, self.reason = self.reason, ""
        self._asking = True
        try:
            yield
        except BaseException as error:
            if self.reason and not isinstance(error, Stopped):
                raise Stopped(self.reason) from error
            raise
        finally:
            self._asking = False
            self.reason = before or self.reason

    @contextmanager
    def listening(self) -> Iterator[None]:
        """Let `SIGNALS` set the flag; outside the main thread signals cannot be caught and nothing changes.

        Once one has come, further ones are ignored also after the block: the rest of the process is an orderly end,
        and a late second Ctrl-C must not turn its exit status into a death by signal.
        """
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        before = {number: signal.signal(number, self._caught) for number in SIGNALS}
        self._listening = True
        try:
            yield
        finally:
            self._listening = False
            for number, handler in before.items():
                signal.signal(number, signal.SIG_IGN if self._signalled else handler)

    def _caught(self, number: int, frame: FrameType | None) -> None:
        self._signalled = True
        self.request(f"stopped by {signal.Signals(number).name}")
        if self._must_answer:
            print(f"\n  Stopping; this must be answered first.\n{self._must_answer}", end="", flush=True)
        if self._asking and not put_off(number, frame):
            # Once: a further signal must not cut short what this one sets going.
            self._asking = False
            raise Stopped(self.reason)
