"""Check of an address without opening anything."""

from urllib.parse import urlsplit

from instruments.links.serial_port import SOCKET, host_and_port

MODBUS = "modbus-tcp://HOST:PORT or modbus-rtu:PORT"
VISA = "a VISA address such as TCPIP::HOST::PORT::SOCKET"
REPLAYED = "transcript:"
"""Prefix of the address of an instrument whose transcript answers instead of it."""
LARGEST_PORT = 65535


def address_problem(address: str, *, registers: bool, library: str = "@py") -> str:
    """The mistake in the form of `address`, empty when there is none. `registers`: it leads to a Modbus unit.

    `library` is the VISA library as PyVISA names it; only another one may have its own names for addresses.
    """
    if registers:
        return _modbus(address)
    if address.startswith("modbus-"):
        return f"found {address!r} with a profile for text, expected {VISA}"
    if "::" not in address and library != "@py":
        return ""
    from pyvisa import rname

    try:
        parsed = rname.ResourceName.from_string(address)
    except rname.InvalidResourceName:
        return f"found {address!r}, expected {VISA}"
    port = getattr(parsed, "port", None) if address.upper().endswith("::SOCKET") else None
    if port is not None and not _is_port(str(port)):
        return f"found {address!r} with port {port!r}, expected 1 to {LARGEST_PORT}"
    return ""


def _modbus(address: str) -> str:
    if address.startswith("modbus-rtu:"):
        line = address.removeprefix("modbus-rtu:").strip()
        if line.startswith(SOCKET):
            return _socket(line)
        return "" if line else f"found {address!r} without a port, expected {MODBUS}"
    if not address.startswith("modbus-tcp://"):
        return f"found {address!r}, expected {MODBUS}"
    parts = urlsplit(address)
    try:
        port = parts.port
    except ValueError:
        port = 0
    if not parts.hostname:
        return f"found {address!r} without a host, expected {MODBUS}"
    if port == 0 or parts.path.strip("/"):
        return f"found {address!r}, expected {MODBUS} with a port from 1 to {LARGEST_PORT}"
    return ""


def _socket(url: str) -> str:
    try:
        host_and_port(url)
    except ValueError as problem:
        return str(problem) if str(problem).startswith("found") else f"found {url!r}, expected {SOCKET}HOST:PORT"
    return ""


def _is_port(text: str) -> bool:
    return (
        text.isascii() and text.isdecimal() and len(text) <= len(str(LARGEST_PORT)) and 1 <= int(text) <= LARGEST_PORT
    )
