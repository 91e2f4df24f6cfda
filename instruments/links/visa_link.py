"""A `Link` over PyVISA: plain socket, HiSLIP, VXI-11, serial line, and what another VISA library offers.

What was found by measuring (PyVISA 1.16.2, PyVISA-py 0.8.1) and is dealt with here:
- after a timeout the next query returns the previous answer, and `clear()` does not cure it: a link that failed is closed,
  a question is not asked while a reply waits, and a reopened serial line is listened to until it is quiet;
- opening a socket to a dead port succeeds: callers must identify before they trust;
- replies trickle or go on past every timeout, and a closed connection spins: see `watched_socket`;
- a broken VXI-11 link takes 5 s to close: its socket is shut first;
- access_mode is ignored: `VisaInterface` locks by what each interface has;
- bad links raise VisaIOError, OSError, RuntimeError, AssertionError, UnicodeDecodeError and, at open, ValueError and a
  bare Exception: all become LinkError;
- a write followed by a query costs 44 ms on a socket (Nagle with delayed acknowledge): TCP_NODELAY is set.

Of other libraries nothing is believed: some return a status where others raise, some return nothing at all for ever, some
do not come back. So every status is looked at, an exchange has one deadline for all of it, and where no watched socket
ends a call by that deadline it is made in a thread that can be given up (`bounded_calls`).
"""

import contextlib
import socket
import time
from collections.abc import Callable
from threading import Lock
from typing import Any, TypeVar

from instruments.errors import InstrumentError, LinkError, ReplyError, reason_of
from instruments.links.bounded_calls import BoundedCalls, NotReturned
from instruments.links.link import DEFAULT, LinkSettings
from instruments.links.quiet_line import MOST_QUIET_TIMES
from instruments.links.quiet_line import drain as drain_line
from instruments.links.visa_interface import (
    LONGEST_REPLY,
    TIMED_OUT,
    TO_LOOK,
    VisaInterface,
    close_late,
    close_quietly,
    close_what_was_left_open,
    pyvisa_py_session,
    visa_error,
    watch_socket,
)
from instruments.links.watched_socket import WatchedSocket

OPENING = 3
"""Connecting, with a lock, may take this many timeouts: some interfaces open two connections, one after the other."""

LOADING = 20.0
"""Seconds a VISA library may take to be loaded, on the slowest of machines."""

_GRACE = 0.5
"""Seconds a library may take beyond its own timeout before it is given up."""

_T = TypeVar("_T")

_MORE_TO_COME = 0x3FFF0006
"""VI_SUCCESS_MAX_CNT: a read filled its buffer. PyVISA would warn of it; here the reply is bounded anyway."""


class VisaLink:
    """One VISA session, locked so that two threads cannot mix replies."""

    def __init__(self, instrument: str, address: str, settings: LinkSettings = DEFAULT, *, drain: bool = False) -> None:
        """Open `address`; with `drain` a serial line must first have been quiet for a whole timeout. Raises LinkError."""
        self._instrument, self._interface, self._settings = instrument, VisaInterface(address), settings
        self._end = settings.read_termination.encode("ascii")
        self._tail = settings.write_termination.encode("ascii")
        self._lock = Lock()
        self._until = 0.0
        self._calls = BoundedCalls(f"VISA {instrument}")
        self._hangs = False
        self._question = "read"
        self._resource: Any = None
        self._session: Any = None
        self._socket: WatchedSocket | None = None
        started = time.monotonic()
        try:
            manager = self._calls.call(self._library, LOADING)
            opening = OPENING * settings.timeout + _GRACE
            self._use(self._calls.call(lambda: self._interface.open(manager, settings), opening, close_late))
            if drain and self._interface.serial:
                self._calls.call(
                    lambda: drain_line(lambda: self._interface.discard_waiting(self._resource), settings.timeout),
                    (MOST_QUIET_TIMES + 1) * settings.timeout + _GRACE,
                )
        except Exception as failure:  # pyvisa-py raises a bare Exception when it cannot connect
            failed = self._failed(self._interface.why_not_open(failure, settings.library), "open", started)
            close_what_was_left_open(failure)
            raise failed from failure

    def write(self, text: str) -> None:
        """Send one message; a question fails when a reply that nobody asked for is waiting."""
        with self._lock:
            self._begin()
            if "?" in text:
                self._refuse_waiting_bytes(text)
                self._question = text
            self._write(text)

    def read(self) -> str:
        with self._lock:
            self._begin()
            return self._read(self._question)

    def query(self, text: str) -> str:
        """Send one message and return its reply; fails also when a reply that nobody asked for is waiting."""
        with self._lock:
            self._begin()
            self._refuse_waiting_bytes(text)
            self._write(text)
            return self._read(text)

    def close(self) -> None:
        self._begin()
        resource, watched = self._resource, self._socket
        self._resource, self._session, self._socket = None, None, None
        if resource is not None and watched is not None:
            close_quietly(resource)
        elif resource is not None:
            # A library that did not return before is not waited for to close either.
            with contextlib.suppress(NotReturned):
                self._calls.call(lambda: close_quietly(resource), 0.0 if self._hangs else _GRACE)
        self._calls.end()

    def _library(self) -> Any:
        import pyvisa

        return pyvisa.ResourceManager(self._settings.library)

    def _use(self, resource: Any) -> None:
        self._resource = resource
        # Entered once and for good: around every read it would cost more than the read.
        self._ignoring = contextlib.ExitStack()
        self._ignoring.enter_context(resource.ignore_warning(_MORE_TO_COME))
        self._session = pyvisa_py_session(resource) if self._settings.library == "@py" else None
        self._socket = watch_socket(self._session)

    def _write(self, text: str) -> None:
        started = time.monotonic()
        resource = self._opened(text)
        message = text.encode("ascii") + self._tail

        def write() -> tuple[int, int]:
            self._tell_deadline(resource)
            done: tuple[int, int] = resource.visalib.write(resource.session, message)
            return done

        try:
            self._checked(self._bounded(write)[1])
        except Exception as failure:
            raise self._failed(f"write failed: {reason_of(failure)}", text, started, 0) from failure

    def _read(self, command: str) -> str:
        started = time.monotonic()
        self._opened(command)
        received = bytearray()
        try:
            if self._interface.says_end:
                status = self._take(received)
                if status == _MORE_TO_COME:
                    raise RuntimeError("reply without end")
                if not received:
                    raise RuntimeError("empty reply")
            while not self._interface.says_end and not received.endswith(self._end):
                if len(received) > LONGEST_REPLY:
                    raise RuntimeError("reply without end")
                if time.monotonic() > self._until:
                    raise TimeoutError
                self._take(received)
            text = (
                (received if self._interface.says_end else received[: -len(self._end)]).decode("ascii").rstrip("\r\n")
            )
        except UnicodeDecodeError as failure:
            raise self._garbled(received, command, started) from failure
        except Exception as failure:
            watched = self._socket
            count = max(len(received), watched.received if watched is not None else 0)
            late = watched is not None and watched.expired() and isinstance(failure, visa_error())
            raise self._failed(_reason(failure, late, count), command, started, count) from failure
        if not text.isprintable():
            raise self._garbled(received, command, started)
        return text

    def _take(self, received: bytearray) -> int:
        """Add one piece of a reply to `received`; return its status."""
        resource, session = self._resource, self._session

        def read() -> tuple[bytes, int]:
            self._tell_deadline(resource)
            # PyVISA-py's own function would discard what came before a timeout, and its amount is informative.
            found: tuple[bytes, int] = (
                resource.visalib.read(resource.session, LONGEST_REPLY + 1)
                if session is None
                else session.read(LONGEST_REPLY + 1)
            )
            return found

        chunk, status = self._bounded(read)
        received += chunk
        if not chunk:
            # A library that returns at once with nothing is not asked without a pause.
            time.sleep(TO_LOOK)
        return self._checked(status)

    def _checked(self, status: int) -> int:
        """Return `status` unless it is an error; a library may raise it, or return it."""
        if status < 0:
            raise visa_error()(status)
        return int(status)

    def _bounded(self, call: Callable[[], _T]) -> _T:
        """Make `call` by the deadline of this exchange. Raises TimeoutError where the library does not return by then."""
        if self._socket is not None:
            return call()
        try:
            return self._calls.call(call, max(0.0, self._until - time.monotonic()) + _GRACE)
        except NotReturned:
            self._hangs = True
            raise

    def _tell_deadline(self, resource: Any) -> None:
        """Set the library's own timeout to what is left of this exchange; a watched socket knows that already."""
        if self._socket is None:
            resource.timeout = max(1, int((self._until - time.monotonic()) * 1000))

    def _begin(self) -> None:
        """Start an exchange, with one deadline for all of it."""
        self._until = time.monotonic() + self._settings.timeout
        if self._socket is not None:
            self._socket.begin(self._settings.timeout)

    def _refuse_waiting_bytes(self, command: str) -> None:
        """Refuse a waiting reply: it belongs to an earlier request, and its reading would be stale."""
        started = time.monotonic()
        resource = self._opened(command)
        try:
            watched = self._socket
            waiting = (
                bool(getattr(self._session, "_pending_buffer", b""))
                or (watched is not None and watched.waiting())
                or (watched is None and self._bounded(lambda: self._interface.reply_waits(resource)))
            )
        except Exception as failure:
            raise self._failed(reason_of(failure), command, started, 0) from failure
        if waiting:
            raise self._failed("an unexpected reply is waiting", command, started)

    def _opened(self, command: str) -> Any:
        if self._resource is None:
            raise LinkError(
                "link is closed", instrument=self._instrument, address=self._interface.text, command=command
            )
        return self._resource

    def _garbled(self, received: bytearray, command: str, started: float) -> InstrumentError:
        return self._failed(f"garbled reply {bytes(received[:60])!r}", command, started, len(received), ReplyError)

    def _failed(
        self,
        reason: str,
        command: str,
        started: float,
        received: int | None = None,
        kind: type[InstrumentError] = LinkError,
    ) -> InstrumentError:
        """The error of a failed exchange, once the link is closed; nothing more is sent."""
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)
        self.close()
        return kind(
            reason,
            instrument=self._instrument,
            address=self._interface.text,
            command=command,
            elapsed=time.monotonic() - started,
            received=received,
        )


def _reason(failure: Exception, late: bool, received: int) -> str:
    if isinstance(failure, NotReturned):
        return str(failure)
    if late or isinstance(failure, TimeoutError) or getattr(failure, "error_code", None) == TIMED_OUT:
        return "no complete reply within the timeout" if received else "no reply within the timeout"
    return reason_of(failure)
