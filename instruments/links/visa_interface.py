"""VISA sessions opened and closed: one line or socket, its settings, its lock, and a watched socket below it where possible."""

import contextlib
import socket
import traceback
from typing import Any

from instruments.errors import reason_of
from instruments.links.link import LinkSettings
from instruments.links.serial_port import taken_by, visa_address, visa_port, windows_port
from instruments.links.watched_socket import WatchedSocket

TO_LOOK = 0.001
"""Seconds a library is given to return what it has already received."""

_MESSAGE_AVAILABLE = 0x10
"""IEEE 488.2, status byte: the output queue is not empty."""

TIMED_OUT = -1073807339
"""VI_ERROR_TMO."""

LONGEST_REPLY = 65536
"""Bytes after which a reply is taken to be endless."""

_PACKAGES = {
    "USB": "the Python package pyusb and the system library libusb",
    "GPIB": "the Python package gpib-ctypes, or linux-gpib with its Python package gpib",
    "ASRL": "the Python package pyserial",
}
"""Packages PyVISA-py needs for each kind of address."""


class VisaInterface:
    """The interface of an address. `says_end`: it marks the end of a message itself; a serial line and a plain socket do not."""

    def __init__(self, address: str) -> None:
        self.text = address
        device = visa_port(address)
        self._opens = visa_address(device) if windows_port(device) else address
        self.serial = address.upper().startswith("ASRL")
        self.says_end = not self.serial and not address.upper().endswith("::SOCKET")
        self._tells_status = True

    def open(self, manager: Any, settings: LinkSettings) -> Any:
        """An open session of the library's `manager`, locked if asked for. Raises whatever the library does."""
        milliseconds = int(settings.timeout * 1000)
        options: dict[str, Any] = {"open_timeout": milliseconds}
        if settings.lock and settings.library != "@py":
            from pyvisa.constants import AccessModes

            options["access_mode"] = AccessModes.exclusive_lock
        resource: Any = manager.open_resource(self._opens, **options)
        try:
            resource.timeout = milliseconds
            if not self.says_end:
                resource.read_termination = settings.read_termination
            if self.serial:
                _set_line(resource, taken_by(visa_port(self.text), settings))
            if settings.lock and settings.library == "@py":
                self._lock_exclusively(resource, settings.timeout)
        except BaseException:
            close_quietly(resource)
            raise
        return resource

    def why_not_open(self, failure: Exception, library: str) -> str:
        """A hint for a person who may lack a package."""
        kind = next((k for k in _PACKAGES if self.text.upper().startswith(k)), "")
        text = reason_of(failure)
        if kind and library == "@py" and ("install" in text or "backend" in text.lower()):
            return f"cannot be opened: PyVISA-py needs {_PACKAGES[kind]} for it, or name another VISA library in the bench file"
        return f"cannot be opened: {text}"

    def reply_waits(self, resource: Any) -> bool:
        """Whether the library, or the instrument behind it, holds a reply."""
        if self.serial:
            return bool(resource.bytes_in_buffer > 0)
        if not self.says_end:
            resource.timeout = int(TO_LOOK * 1000)
            try:
                chunk, _ = resource.visalib.read(resource.session, 1)
            except visa_error() as nothing:
                if getattr(nothing, "error_code", None) == TIMED_OUT:
                    return False
                raise
            return bool(chunk)
        # A read that nobody asked for is an error to such an instrument; its status byte may always be read.
        if self._tells_status:
            try:
                byte, status = resource.visalib.read_stb(resource.session)
            except (visa_error(), NotImplementedError):
                status = -1
            self._tells_status = status >= 0
            return status >= 0 and bool(byte & _MESSAGE_AVAILABLE)
        return False

    def discard_waiting(self, resource: Any) -> bool:
        """Discard what a serial line has received; return whether there was any."""
        waiting = resource.bytes_in_buffer
        if waiting:
            resource.visalib.read(resource.session, waiting)
        return bool(waiting)

    def _lock_exclusively(self, resource: Any, timeout: float) -> None:
        interface = pyvisa_py_session(resource).interface
        if self.serial:
            interface.exclusive = True
        elif hasattr(interface, "async_lock_request"):
            # Half the time, so that the answer "no" is still in time.
            if interface.async_lock_request(timeout / 2) != "success":
                raise RuntimeError("another program has locked it")
        elif self.says_end:
            resource.lock_excl()
        else:
            raise RuntimeError(
                "a plain socket has no lock; leave lock out, or use the instrument's HiSLIP or VXI-11 address"
            )


def _set_line(resource: Any, settings: LinkSettings) -> None:
    from pyvisa.constants import ControlFlow, Parity, StopBits

    resource.baud_rate = settings.baud_rate
    resource.data_bits = settings.data_bits
    resource.parity = Parity[settings.parity]
    resource.stop_bits = {1: StopBits.one, 2: StopBits.two}[settings.stop_bits]
    resource.flow_control = ControlFlow(0) if settings.flow_control == "none" else ControlFlow[settings.flow_control]


def watch_socket(session: Any) -> WatchedSocket | None:
    """Put a watched socket below a PyVISA-py session on TCP; None for other libraries and interfaces."""
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


def pyvisa_py_session(resource: Any) -> Any:
    """PyVISA-py's own session below a resource."""
    return resource.visalib.sessions.get(resource.session)


def close_quietly(resource: Any) -> None:
    """Close; a dead session may fail in any way, and there is nothing left to lose."""
    with contextlib.suppress(Exception):
        resource.close()


def close_late(resource: Any, failure: BaseException | None) -> None:
    """Close a session that was opened, or failed to open, after the wait for it had ended."""
    if failure is None:
        close_quietly(resource)
    else:
        close_what_was_left_open(failure)


def close_what_was_left_open(failure: BaseException | None) -> None:
    """Close the sockets of a session that could not be opened: PyVISA-py forgets them, the failure's own frames still hold them."""
    while failure is not None:
        for frame, _ in traceback.walk_tb(failure.__traceback__):
            owner = frame.f_locals.get("self")
            for name in ("sock", "_sync", "_async"):
                left = getattr(owner, name, None)
                if isinstance(left, socket.socket):
                    left.close()
        failure = failure.__cause__ or failure.__context__


def visa_error() -> type[Exception]:
    from pyvisa.errors import VisaIOError

    return VisaIOError
