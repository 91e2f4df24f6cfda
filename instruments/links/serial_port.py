r"""Names of serial ports: a device, or a socket on which its bytes are passed on.

A socket is written ``socket://HOST:PORT``, as pySerial writes it (a device server, say). It may stand in a file that the
name leads to: simulated serial lines are found this way on systems without pseudo-terminals.
"""

import contextlib
import re
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlsplit

from instruments.links.link import LinkSettings

SOCKET = "socket://"
BYTES_OF_SOCKET_NAME = 200
"""Bytes of a file that may hold the name of a socket."""

_WINDOWS = re.compile(r"(?:\\\\\.\\)?(COM\d+)", re.IGNORECASE)
_VISA = re.compile(r"ASRL(.+?)(?:::INSTR)?", re.IGNORECASE)
_PSEUDO_TERMINAL = re.compile(r"/dev/(?:pts/\d+|ttys\d{3})")
"""Names of pseudo-terminals on Linux and macOS. Serial devices have other names, of which ``/dev/ttyS0`` is the nearest."""


def windows_port(port: str) -> str:
    r"""The device ``COM3`` that `port` names on Windows (also as ``\\.\COM3``); empty when it is no such name."""
    found = _WINDOWS.fullmatch(port)
    return found[1].upper() if found else ""


def visa_port(address: str) -> str:
    """The device of a VISA address of a serial line, a bare number being that of Windows; empty for other addresses."""
    found = _VISA.fullmatch(address)
    if found is None:
        return ""
    return f"COM{found[1]}" if found[1].isdecimal() else found[1]


def visa_address(device: str) -> str:
    """The VISA address of a serial `device`: PyVISA-py puts COM before it on Windows."""
    return f"ASRL{windows_port(device).removeprefix('COM') or device}::INSTR"


def taken_by(port: str, settings: LinkSettings) -> LinkSettings:
    """The part of `settings` that `port` accepts: a pseudo-terminal refuses any form of a byte but eight bits without parity."""
    if _PSEUDO_TERMINAL.fullmatch(str(Path(port).resolve())):
        return replace(settings, data_bits=8, parity="none")
    return settings


def leads_to(port: str) -> str:
    """`port` itself, or the socket written in the file it names."""
    if port.startswith(SOCKET) or windows_port(port):
        return port
    with contextlib.suppress(OSError, ValueError):
        file = Path(port)
        # Nothing may be read from a serial device here.
        if file.is_file() and file.stat().st_size <= BYTES_OF_SOCKET_NAME:
            text = file.read_text(encoding="ascii").strip()
            return text if text.startswith(SOCKET) else port
    return port


def host_and_port(url: str) -> tuple[str, int]:
    """Host and port of ``socket://HOST:PORT``. Raises ValueError."""
    parts = urlsplit(url)
    if not parts.hostname or not parts.port or parts.path.strip("/"):
        raise ValueError(f"found {url!r}, expected {SOCKET}HOST:PORT with a port from 1 to 65535")
    return parts.hostname, parts.port
