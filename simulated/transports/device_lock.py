"""What the sessions of HiSLIP and VXI-11 on one port share, such as an exclusive lock on the instrument."""

import itertools
import threading
from collections.abc import Callable

from simulated.transports.listeners import Conversation


class DeviceLock:
    """At most one holder at a time; holders are any hashable things. Thread-safe."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._holder: object = None

    def take(self, who: object) -> bool:
        """Take the lock for `who` unless another holds it; return whether `who` has it."""
        with self._guard:
            if self._holder is None:
                self._holder = who
            return self._holder == who

    def give_back(self, who: object) -> bool:
        """Release the lock if `who` has it; return whether it had."""
        with self._guard:
            had = self._holder == who
            if had:
                self._holder = None
            return had

    def keeps_out(self, who: object) -> bool:
        with self._guard:
            return self._holder is not None and self._holder != who

    def taken(self) -> bool:
        with self._guard:
            return self._holder is not None


class SessionServer:
    """State shared by the connections to one port. `termination` ends program messages, `reply_termination` replies."""

    def __init__(self, converse: Callable[[], Conversation], termination: str, reply_termination: str) -> None:
        self.converse = converse
        self.message_end = (termination or "\n").encode("latin-1")
        self.reply_end = reply_termination.encode("latin-1")
        self.lock = DeviceLock()
        self.numbers = itertools.count(1)
