"""A socket with a deadline, a bound, and an end.

PyVISA-py (0.8.1) gives every piece of a reply the whole timeout anew, reads without bound, and spins at full load
when the other side has closed. Put below its sessions, this socket ends all three.
"""

import select
import socket
import time
from typing import Any

SHORTEST_WAIT = 1e-3
"""Seconds: a socket timeout of zero would mean "do not block"."""


class WatchedSocket:
    """Passes everything on to `inner`; received bytes count against the latest exchange."""

    def __init__(self, inner: socket.socket, longest: int) -> None:
        """`longest`: bytes one exchange may receive."""
        self._inner, self._longest = inner, longest
        self._until = float("inf")
        self.received = 0

    def begin(self, timeout: float) -> None:
        """Start an exchange: `timeout` seconds for all of it."""
        self._until = time.monotonic() + timeout
        self.received = 0

    def expired(self) -> bool:
        return time.monotonic() >= self._until

    def recv(self, size: int) -> bytes:
        """Some bytes. Raises TimeoutError, ConnectionError at the end of the connection, ValueError past the bound."""
        self._wait_no_longer()
        data = self._inner.recv(size)
        self._count(len(data), size)
        return data

    def recv_into(self, buffer: memoryview, size: int = 0) -> int:
        self._wait_no_longer()
        count = self._inner.recv_into(buffer, size)
        self._count(count, size or len(buffer))
        return count

    def send(self, data: bytes) -> int:
        """Send some of `data`. Raises TimeoutError."""
        self._wait_no_longer()
        return self._inner.send(data)

    def sendall(self, data: bytes) -> None:
        """Send `data`. Raises TimeoutError."""
        self._wait_no_longer()
        self._inner.sendall(data)

    def waiting(self) -> bool:
        """Whether there is something to receive. Raises ConnectionError when the other side has closed or reset."""
        if not select.select([self._inner], [], [], 0)[0]:
            return False
        if not self._inner.recv(1, socket.MSG_PEEK):
            raise ConnectionError("closed by the other side")
        return True

    def fileno(self) -> int:
        return self._inner.fileno()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)

    def _wait_no_longer(self) -> None:
        left = self._until - time.monotonic()
        if left <= 0:
            raise TimeoutError(
                "no complete reply within the timeout" if self.received else "no reply within the timeout"
            )
        if left < float("inf"):
            self._inner.settimeout(max(left, SHORTEST_WAIT))

    def _count(self, count: int, wanted: int) -> None:
        if not count and wanted:
            raise ConnectionError("closed by the other side")
        self.received += count
        if self.received > self._longest:
            raise ValueError(f"reply without end: more than {self._longest} bytes")
