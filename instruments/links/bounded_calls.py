"""Calls into a library that may never return: made in a separate thread and waited for only so long."""

import threading
from collections.abc import Callable
from queue import Empty, SimpleQueue
from typing import Any, TypeVar

_T = TypeVar("_T")


class NotReturned(TimeoutError):
    """A call did not return in its time."""


class BoundedCalls:
    """One thread that makes one call after the other; a thread that does not return is given up and replaced."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._thread: _Calls | None = None

    def call(
        self,
        function: Callable[[], _T],
        seconds: float,
        late: Callable[[Any, BaseException | None], object] = lambda _, __: None,
    ) -> _T:
        """Call `function`. Raises what it raises, or NotReturned after `seconds`; `late` then gets a result or exception that comes later."""
        thread = self._thread = self._thread or _Calls(self._name)
        outcome: SimpleQueue[tuple[Any, BaseException | None]] = SimpleQueue()
        given_up = threading.Event()
        thread.calls.put((function, outcome, given_up, late))
        try:
            value, failure = outcome.get(timeout=seconds)
        except Empty:
            given_up.set()
            self.end()
            raise NotReturned(f"the library did not return within {seconds:.1f} s") from None
        if failure is not None:
            # Raised in this thread it would lose its traceback there.
            raise failure from failure.__cause__ or failure.__context__
        result: _T = value
        return result

    def end(self) -> None:
        """Accept no more calls: the thread ends when it returns."""
        if self._thread is not None:
            self._thread.calls.put(None)
            self._thread = None


class _Calls:
    def __init__(self, name: str) -> None:
        self.calls: SimpleQueue[Any] = SimpleQueue()
        # A daemon, because nothing can end a library that hangs.
        threading.Thread(target=self._run, name=name, daemon=True).start()

    def _run(self) -> None:
        while (asked := self.calls.get()) is not None:
            function, outcome, given_up, late = asked
            try:
                value, failure = function(), None
            except BaseException as raised:  # noqa: BLE001  raised again by `call`
                value, failure = None, raised
            outcome.put((value, failure))
            if given_up.is_set():
                late(value, failure)
