"""A `Link` over PyVISA.

What was found by measuring (PyVISA 1.16.2, PyVISA-py 0.8.1) and is dealt with here:
- after a timeout the next query returns the previous answer, and `clear()` does not cure it: a link that failed is closed;
- opening a socket to a dead port succeeds: callers must identify before they trust;
- an endless reply without terminator never times out: replies are bounded in bytes and in time;
- bad links raise VisaIOError, OSError, RuntimeError, UnicodeDecodeError and, at open, a bare Exception: all become LinkError;
- a write followed by a query costs 44 ms on a socket (Nagle with delayed acknowledge): TCP_NODELAY is set.
"""

from __future__ import annotations

import contextlib
import select
import socket
import time
from functools import cache
from threading import Lock
from typing import Any

from instruments.errors import LinkError, ReplyError

LONGEST_REPLY = 65536
"""Bytes after which a reply is taken to have no end."""

_MORE_TO_COME = 0x3FFF0006
"""VI_SUCCESS_MAX_CNT: a read filled its buffer. PyVISA would warn of it; here the reply is bounded anyway."""


@cache
def _resource_manager(library: str) -> Any:
    import pyvisa

    return pyvisa.ResourceManager(library)


class VisaLink:
    """One VISA session, locked so that two threads cannot mix replies."""

    def __init__(
        self,
        instrument: str,
        address: str,
        *,
        timeout: float = 3.0,
        read_termination: str = "\n",
        write_termination: str = "\n",
        baud_rate: int = 19200,
        library: str = "@py",
    ) -> None:
        """Open `address`; `timeout` in seconds. Raises LinkError."""
        self._instrument, self._address, self._timeout = instrument, address, timeout
        self._end = read_termination.encode("ascii")
        self._tail = write_termination.encode("ascii")
        self._lock = Lock()
        self._resource: Any = None
        started = time.monotonic()
        try:
            resource = _resource_manager(library).open_resource(address, open_timeout=int(timeout * 1000))
        except Exception as failure:  # pyvisa-py raises a bare Exception when it cannot connect
            raise self._failure(f"cannot be opened: {_one_line(failure)}", "open", started) from failure
        self._resource = resource
        resource.timeout = int(timeout * 1000)
        # Entered once and for good: around every read it would cost more than the read.
        self._ignoring = contextlib.ExitStack()
        self._ignoring.enter_context(resource.ignore_warning(_MORE_TO_COME))
        resource.read_termination = read_termination
        if address.upper().startswith("ASRL"):
            resource.baud_rate = baud_rate
        self._socket = _socket_of(resource)
        if self._socket is not None:
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def write(self, text: str) -> None:
        """Send one message. Raises LinkError."""
        with self._lock:
            self._write(text)

    def read(self) -> str:
        """The next reply. Raises LinkError or ReplyError."""
        with self._lock:
            return self._read("read")

    def query(self, text: str) -> str:
        """Send one message and return its reply. Raises LinkError, also when a reply nobody asked for was waiting."""
        with self._lock:
            self._refuse_waiting_bytes(text)
            self._write(text)
            return self._read(text)

    def close(self) -> None:
        """Close the session; never raises."""
        resource, self._resource, self._socket = self._resource, None, None
        if resource is not None:
            # A dead session may fail in any way, and there is nothing left to lose.
            with contextlib.suppress(Exception):
                resource.close()

    def _write(self, text: str) -> None:
        started = time.monotonic()
        resource = self._opened(text)
        try:
            resource.write_raw(text.encode("ascii") + self._tail)
        except Exception as failure:
            self.close()
            raise self._failure(f"write failed: {_one_line(failure)}", text, started, 0) from failure

    def _read(self, command: str) -> str:
        started = time.monotonic()
        resource = self._opened(command)
        received = b""
        try:
            while not received.endswith(self._end):
                if len(received) > LONGEST_REPLY:
                    raise RuntimeError("reply without end")
                if received and time.monotonic() - started > self._timeout:
                    raise RuntimeError("reply never finished")
                chunk, _ = resource.visalib.read(resource.session, LONGEST_REPLY + 1)
                received += chunk
            return received[: -len(self._end)].decode("ascii").rstrip("\r")
        except UnicodeDecodeError as failure:
            self.close()
            raise ReplyError(
                f"garbled reply {received[:60]!r}",
                instrument=self._instrument,
                address=self._address,
                command=command,
                elapsed=time.monotonic() - started,
                received=len(received),
            ) from failure
        except Exception as failure:
            self.close()
            raise self._failure(_reason(failure), command, started, len(received)) from failure

    def _refuse_waiting_bytes(self, command: str) -> None:
        """A reply nobody asked for belongs to an earlier request; believing it would be believing a stale reading."""
        if self._socket is None:
            return
        pending = getattr(self._resource.visalib.sessions[self._resource.session], "_pending_buffer", b"")
        if not pending and not select.select([self._socket], [], [], 0)[0]:
            return
        try:
            waiting = pending or self._socket.recv(1, socket.MSG_PEEK)
            reason = "a reply nobody asked for is waiting" if waiting else "closed by the other side"
        except OSError as failure:
            reason = failure.strerror or str(failure)
        self.close()
        raise LinkError(reason, instrument=self._instrument, address=self._address, command=command)

    def _opened(self, command: str) -> Any:
        if self._resource is None:
            raise LinkError("link is closed", instrument=self._instrument, address=self._address, command=command)
        return self._resource

    def _failure(self, reason: str, command: str, started: float, received: int | None = None) -> LinkError:
        return LinkError(
            reason,
            instrument=self._instrument,
            address=self._address,
            command=command,
            elapsed=time.monotonic() - started,
            received=received,
        )


def _socket_of(resource: Any) -> socket.socket | None:
    """The socket below a PyVISA-py SOCKET session; other libraries and interfaces have none to show."""
    sessions = getattr(resource.visalib, "sessions", {})
    interface = getattr(sessions.get(resource.session), "interface", None)
    return interface if isinstance(interface, socket.socket) else None


def _reason(failure: Exception) -> str:
    return "no reply within the timeout" if "VI_ERROR_TMO" in str(failure) else _one_line(failure)


def _one_line(failure: Exception) -> str:
    return " ".join(str(failure).split()) or type(failure).__name__
