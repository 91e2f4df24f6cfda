"""A `Link` over PyVISA: plain socket, HiSLIP, VXI-11, serial line, and what another VISA library offers.

What was found by measuring (PyVISA 1.16.2, PyVISA-py 0.8.1) and is dealt with here:
- after a timeout the next query returns the previous answer, and `clear()` does not cure it: a link that failed is closed,
  a question is not asked while a reply waits, and a reopened serial line is listened to until it is quiet;
- opening a socket to a dead port succeeds: callers must identify before they trust;
- replies trickle or go on past every timeout, and a closed connection spins: see `watched_socket`;
- a broken VXI-11 link takes 5 s to close: its socket is shut first;
- access_mode is ignored: `_lock` locks by what each interface has;
- bad links raise VisaIOError, OSError, RuntimeError, AssertionError, UnicodeDecodeError and, at open, ValueError and a
  bare Exception: all become LinkError;
- a write followed by a query costs 44 ms on a socket (Nagle with delayed acknowledge): TCP_NODELAY is set.

Of other libraries nothing is believed: some return a status where others raise, some return nothing at all for ever, some
do not come back. So every status is looked at, an exchange has one deadline for all of it, and where no watched socket
ends a call by that deadline it is made in a thread that can be given up (`bounded_calls`).
"""

from __future__ import annotations

import contextlib
import socket
import time
import traceback
from collections.abc import Callable
from threading import Lock
from typing import Any, TypeVar

from instruments.errors import LinkError, ReplyError, reason_of
from instruments.links.bounded_calls import BoundedCalls, NotReturned
from instruments.links.link import DEFAULT, LinkSettings
from instruments.links.quiet_line import LONGEST
from instruments.links.quiet_line import drain as drain_line
from instruments.links.serial_port import visa_address, visa_port, windows_port
from instruments.links.watched_socket import WatchedSocket

LONGEST_REPLY = 65536
"""Bytes after which a reply is taken to have no end."""

OPENING = 3
"""Connecting, with a lock, may take this many timeouts: some interfaces open two connections, one after the other."""

LOADING = 20.0
"""Seconds a VISA library may take to be loaded, on the slowest of machines."""

_GRACE = 0.5
"""Seconds a library may take beyond its own timeout before it is given up."""

_TO_LOOK = 0.001
"""Seconds a library is given to hand out what it has already received."""

_MESSAGE_AVAILABLE = 0x10
"""IEEE 488.2, status byte: the output queue is not empty."""

_T = TypeVar("_T")

_MORE_TO_COME = 0x3FFF0006
"""VI_SUCCESS_MAX_CNT: a read filled its buffer. PyVISA would warn of it; here the reply is bounded anyway."""

_TIMEOUT = -1073807339
"""VI_ERROR_TMO."""

_PACKAGES = {
    "USB": "the Python package pyusb and the system library libusb",
    "GPIB": "the Python package gpib-ctypes, or linux-gpib with its Python package gpib",
    "ASRL": "the Python package pyserial",
}
"""What PyVISA-py needs for each kind of address beyond itself."""


class VisaLink:
    """One VISA session, locked so that two threads cannot mix replies."""

    def __init__(self, instrument: str, address: str, settings: LinkSettings = DEFAULT, *, drain: bool = False) -> None:
        """Open `address`; with `drain` a serial line must first have been quiet for a whole timeout. Raises LinkError."""
        self._instrument, self._address, self._settings = instrument, address, settings
        device = visa_port(address)
        self._opens = visa_address(device) if windows_port(device) else address
        self._end = settings.read_termination.encode("ascii")
        self._tail = settings.write_termination.encode("ascii")
        self._serial = address.upper().startswith("ASRL")
        # Everything but a serial line and a plain socket says itself where a message ends.
        self._says_end = not self._serial and not address.upper().endswith("::SOCKET")
        self._lock = Lock()
        self._until = 0.0
        self._calls = BoundedCalls(f"VISA {instrument}")
        self._tells_status, self._hangs = True, False
        self._resource: Any = None
        self._session: Any = None
        self._socket: WatchedSocket | None = None
        started = time.monotonic()
        try:
            manager = self._calls.call(self._library, LOADING)
            opening = OPENING * settings.timeout + _GRACE
            self._use(self._calls.call(lambda: self._opened_anew(manager), opening, _close_late))
            if drain and self._serial:
                self._calls.call(
                    lambda: drain_line(self._discard_waiting, settings.timeout),
                    (LONGEST + 1) * settings.timeout + _GRACE,
                )
        except Exception as failure:  # pyvisa-py raises a bare Exception when it cannot connect
            self._drop()
            _close_what_was_left_open(failure)
            raise self._failure(self._why_not_open(failure), "open", started) from failure

    def write(self, text: str) -> None:
        """Send one message. Raises LinkError."""
        with self._lock:
            self._begin()
            self._write(text)

    def read(self) -> str:
        """The next reply. Raises LinkError or ReplyError."""
        with self._lock:
            self._begin()
            return self._read("read")

    def query(self, text: str) -> str:
        """Send one message and return its reply. Raises LinkError, also when a reply nobody asked for was waiting."""
        with self._lock:
            self._begin()
            self._refuse_waiting_bytes(text)
            self._write(text)
            return self._read(text)

    def close(self) -> None:
        """Close the session; never raises."""
        self._begin()
        resource, watched = self._resource, self._socket
        self._resource, self._session, self._socket = None, None, None
        if resource is not None and watched is not None:
            _close_quietly(resource)
        elif resource is not None:
            # Where it did not come back before, nobody waits for it to close either.
            with contextlib.suppress(NotReturned):
                self._calls.call(lambda: _close_quietly(resource), 0.0 if self._hangs else _GRACE)
        self._calls.end()

    def _library(self) -> Any:
        import pyvisa

        return pyvisa.ResourceManager(self._settings.library)

    def _opened_anew(self, manager: Any) -> Any:
        """An open session, locked if that is asked for."""

        settings, milliseconds = self._settings, int(self._settings.timeout * 1000)
        options: dict[str, Any] = {"open_timeout": milliseconds}
        if settings.lock and settings.library != "@py":
            from pyvisa.constants import AccessModes

            options["access_mode"] = AccessModes.exclusive_lock
        resource: Any = manager.open_resource(self._opens, **options)
        try:
            resource.timeout = milliseconds
            if not self._says_end:
                resource.read_termination = settings.read_termination
            if self._serial:
                _set_line(resource, settings)
            if settings.lock and settings.library == "@py":
                self._lock_exclusively(resource)
        except BaseException:
            _close_quietly(resource)
            raise
        return resource

    def _use(self, resource: Any) -> None:
        self._resource = resource
        # Entered once and for good: around every read it would cost more than the read.
        self._ignoring = contextlib.ExitStack()
        self._ignoring.enter_context(resource.ignore_warning(_MORE_TO_COME))
        self._session = _session(resource) if self._settings.library == "@py" else None
        self._socket = _watch(self._session)

    def _lock_exclusively(self, resource: Any) -> None:
        interface = _session(resource).interface
        if self._serial:
            interface.exclusive = True
        elif hasattr(interface, "async_lock_request"):
            # Half the time, so that the answer "no" is still in time.
            if interface.async_lock_request(self._settings.timeout / 2) != "success":
                raise RuntimeError("another program has locked it")
        elif self._says_end:
            resource.lock_excl()
        else:
            raise RuntimeError(
                "a plain socket has no lock; leave lock out, or use the instrument's HiSLIP or VXI-11 address"
            )

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
            self._drop()
            raise self._failure(f"write failed: {reason_of(failure)}", text, started, 0) from failure

    def _read(self, command: str) -> str:
        started = time.monotonic()
        self._opened(command)
        received = bytearray()
        try:
            if self._says_end:
                status = self._take(received)
                if status == _MORE_TO_COME:
                    raise RuntimeError("reply without end")
                if not received:
                    raise RuntimeError("empty reply")
            while not self._says_end and not received.endswith(self._end):
                if len(received) > LONGEST_REPLY:
                    raise RuntimeError("reply without end")
                if time.monotonic() > self._until:
                    raise TimeoutError
                self._take(received)
            text = (received if self._says_end else received[: -len(self._end)]).decode("ascii").rstrip("\r\n")
        except UnicodeDecodeError as failure:
            self._drop()
            raise self._garbled(received, command, started) from failure
        except Exception as failure:
            watched = self._socket
            count = max(len(received), watched.received if watched is not None else 0)
            late = watched is not None and watched.expired() and isinstance(failure, _visa_error())
            self._drop()
            raise self._failure(_reason(failure, late, count), command, started, count) from failure
        if not text.isprintable():
            self._drop()
            raise self._garbled(received, command, started)
        return text

    def _take(self, received: bytearray) -> int:
        """Add one piece of a reply to `received`; the status it came with."""
        resource, session = self._resource, self._session

        def read() -> tuple[bytes, int]:
            self._tell_deadline(resource)
            # PyVISA-py's own function would throw away what came before a timeout; how much that was tells much.
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
            time.sleep(_TO_LOOK)
        return self._checked(status)

    def _checked(self, status: int) -> int:
        """`status`, where it is no error; a library may raise it, or return it."""
        if status < 0:
            raise _visa_error()(status)
        return int(status)

    def _bounded(self, call: Callable[[], _T]) -> _T:
        """`call` made by the deadline of this exchange. Raises TimeoutError where the library does not come back by then."""
        if self._socket is not None:
            return call()
        try:
            return self._calls.call(call, max(0.0, self._until - time.monotonic()) + _GRACE)
        except NotReturned:
            self._hangs = True
            raise

    def _tell_deadline(self, resource: Any) -> None:
        """The library's own timeout is what is left of this exchange; a watched socket knows that already."""
        if self._socket is None:
            resource.timeout = max(1, int((self._until - time.monotonic()) * 1000))

    def _begin(self) -> None:
        """An exchange, with one deadline for all of it."""
        self._until = time.monotonic() + self._settings.timeout
        if self._socket is not None:
            self._socket.begin(self._settings.timeout)

    def _refuse_waiting_bytes(self, command: str) -> None:
        """A reply nobody asked for belongs to an earlier request; believing it would be believing a stale reading."""
        started = time.monotonic()
        resource = self._opened(command)
        try:
            watched = self._socket
            waiting = (
                bool(getattr(self._session, "_pending_buffer", b""))
                or (watched is not None and watched.waiting())
                or (watched is None and self._bounded(lambda: self._waits_in(resource)))
            )
        except Exception as failure:
            self._drop()
            raise self._failure(reason_of(failure), command, started, 0) from failure
        if waiting:
            self._drop()
            raise self._failure("a reply nobody asked for is waiting", command, started)

    def _waits_in(self, resource: Any) -> bool:
        """Whether the library, or the instrument behind it, holds a reply."""
        if self._serial:
            return bool(resource.bytes_in_buffer > 0)
        if not self._says_end:
            resource.timeout = int(_TO_LOOK * 1000)
            try:
                chunk, _ = resource.visalib.read(resource.session, 1)
            except _visa_error() as nothing:
                if getattr(nothing, "error_code", None) == _TIMEOUT:
                    return False
                raise
            return bool(chunk)
        # A read that nobody asked for is an error to such an instrument; its status byte may always be read.
        if self._tells_status:
            try:
                byte, status = resource.visalib.read_stb(resource.session)
            except (_visa_error(), NotImplementedError):
                status = -1
            self._tells_status = status >= 0
            return status >= 0 and bool(byte & _MESSAGE_AVAILABLE)
        return False

    def _discard_waiting(self) -> bool:
        waiting = self._resource.bytes_in_buffer
        if waiting:
            self._resource.visalib.read(self._resource.session, waiting)
        return bool(waiting)

    def _drop(self) -> None:
        """Close after a failure: nothing is said to the other side any more."""
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)
        self.close()

    def _opened(self, command: str) -> Any:
        if self._resource is None:
            raise LinkError("link is closed", instrument=self._instrument, address=self._address, command=command)
        return self._resource

    def _why_not_open(self, failure: Exception) -> str:
        kind = next((k for k in _PACKAGES if self._address.upper().startswith(k)), "")
        text = reason_of(failure)
        if kind and self._settings.library == "@py" and ("install" in text or "backend" in text.lower()):
            return f"cannot be opened: PyVISA-py needs {_PACKAGES[kind]} for it, or name another VISA library in the bench file"
        return f"cannot be opened: {text}"

    def _garbled(self, received: bytearray, command: str, started: float) -> ReplyError:
        return ReplyError(
            f"garbled reply {bytes(received[:60])!r}",
            instrument=self._instrument,
            address=self._address,
            command=command,
            elapsed=time.monotonic() - started,
            received=len(received),
        )

    def _failure(self, reason: str, command: str, started: float, received: int | None = None) -> LinkError:
        return LinkError(
            reason,
            instrument=self._instrument,
            address=self._address,
            command=command,
            elapsed=time.monotonic() - started,
            received=received,
        )


def _set_line(resource: Any, settings: LinkSettings) -> None:
    from pyvisa.constants import ControlFlow, Parity, StopBits

    resource.baud_rate = settings.baud_rate
    resource.data_bits = settings.data_bits
    resource.parity = Parity[settings.parity]
    resource.stop_bits = {1: StopBits.one, 2: StopBits.two}[settings.stop_bits]
    resource.flow_control = ControlFlow(0) if settings.flow_control == "none" else ControlFlow[settings.flow_control]


def _watch(session: Any) -> WatchedSocket | None:
    """Put a watched socket below a PyVISA-py session on TCP; other libraries and interfaces have none to watch."""
    interface = getattr(session, "interface", None)
    if isinstance(interface, socket.socket):
        holder, name = session, "interface"
    else:
        holder = interface
        name = next((n for n in ("_sync", "sock") if isinstance(getattr(interface, n, None), socket.socket)), "")
    if not name:
        return None
    inner = getattr(holder, name)
    inner.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    watched = WatchedSocket(inner, 2 * LONGEST_REPLY)
    setattr(holder, name, watched)
    return watched


def _session(resource: Any) -> Any:
    """PyVISA-py's own session below a resource."""
    return resource.visalib.sessions.get(resource.session)


def _close_quietly(resource: Any) -> None:
    """A dead session may fail in any way, and there is nothing left to lose."""
    with contextlib.suppress(Exception):
        resource.close()


def _close_late(resource: Any, failure: BaseException | None) -> None:
    """What was opened, or failed to, when nobody waited for it any more."""
    if failure is None:
        _close_quietly(resource)
    else:
        _close_what_was_left_open(failure)


def _close_what_was_left_open(failure: BaseException | None) -> None:
    """PyVISA-py forgets the sockets of a session that could not be opened; the failure's own frames still know them."""
    while failure is not None:
        for frame, _ in traceback.walk_tb(failure.__traceback__):
            owner = frame.f_locals.get("self")
            for name in ("sock", "_sync", "_async"):
                left = getattr(owner, name, None)
                if isinstance(left, socket.socket):
                    left.close()
        failure = failure.__cause__ or failure.__context__


def _visa_error() -> type[Exception]:
    from pyvisa.errors import VisaIOError

    return VisaIOError


def _reason(failure: Exception, late: bool, received: int) -> str:
    if isinstance(failure, NotReturned):
        return str(failure)
    if late or isinstance(failure, TimeoutError) or getattr(failure, "error_code", None) == _TIMEOUT:
        return "no complete reply within the timeout" if received else "no reply within the timeout"
    return reason_of(failure)
