"""Why an instrument does not answer, in a sentence, and the next thing to try, in another."""

import os
import re
import socket
from pathlib import Path
from urllib.parse import urlsplit

from harness.station.wires import HISLIP_PORT, serial_port
from instruments.errors import InstrumentError, ReplyError
from instruments.links.serial_port import SOCKET, host_and_port, leads_to, windows_port

LOOK_FOR = 0.5
"""Seconds to find out whether anybody listens on a port."""

_SOCKET = re.compile(r"TCPIP\d*::([^:]+)::(\d+)::SOCKET", re.IGNORECASE)
_HISLIP = re.compile(r"TCPIP\d*::([^:,]+)::hislip\d+(?:,(\d+))?(?:::INSTR)?", re.IGNORECASE)
_VXI11 = re.compile(r"TCPIP\d*::([^:,]+)(?:,(\d+))?(?:::inst\d+)?(?:::INSTR)?", re.IGNORECASE)
PORT_MAPPER = 111
"""Where VXI-11 is asked for its port (RFC 1833)."""


def network_place(address: str) -> tuple[str, int] | None:
    """Host and port of a network address; None for other addresses."""
    if (line := leads_to(address.removeprefix("modbus-rtu:"))).startswith(SOCKET):
        return host_and_port(line)
    if address.startswith("modbus-tcp://"):
        parts = urlsplit(address)
        return (parts.hostname or "", parts.port or 502)
    if found := _SOCKET.fullmatch(address):
        return found[1], int(found[2])
    if found := _HISLIP.fullmatch(address):
        return found[1], int(found[2] or HISLIP_PORT)
    if found := _VXI11.fullmatch(address):
        return found[1], int(found[2] or PORT_MAPPER)
    return None


def advice(address: str, failure: InstrumentError, query: str) -> tuple[str, str]:
    """What is wrong at `address` (serial paths spelled out) and what to try next; `query` is what was asked."""
    if isinstance(failure, ReplyError):
        return (
            f"It answers, but not as an identification: {_reason(failure)}.",
            "Look at identification.query and serial_field in its profile, and at its terminations.",
        )
    if "PyVISA-py needs" in failure.reason:
        return _missing_package(address)
    if place := network_place(address):
        return _network(*place, address, failure, query)
    if port := serial_port(address):
        return _serial(port, address, failure, query)
    return f"It cannot be reached: {_reason(failure)}.", "Compare its address with those listed above."


def _reason(failure: InstrumentError) -> str:
    return failure.reason.rstrip(".")


def _missing_package(address: str) -> tuple[str, str]:
    packages = {"USB": "pyusb", "GPIB": "gpib-ctypes", "ASRL": "pyserial"}
    package = next((p for prefix, p in packages.items() if address.upper().startswith(prefix)), "")
    wanted = f"pip install {package}" if package else "the package its interface needs"
    return (
        "The package for this kind of address is not installed.",
        f"Install it ({wanted}), or choose another VISA library in the bench file.",
    )


def _serial(port: str, address: str, failure: InstrumentError, query: str) -> tuple[str, str]:
    windows = windows_port(port)
    if not (_is_there(windows) if windows else Path(port).exists()):
        return (
            f"There is no serial port {port}.",
            "Plug its adapter in, and compare the address with the ports listed above.",
        )
    if windows:
        # No file that could be looked at; Windows gives a port to one program only and calls that access denied.
        if failure.command == "open":
            return f"{port} exists and {_reason(failure)}.", "End the program that has it open."
        return _silent(f"{port} opens", address, failure, query)
    if not os.access(port, os.R_OK | os.W_OK) or "denied" in failure.reason:
        return (
            f"No permission to open {port}.",
            f"Join the group that owns it (ls -l {port} shows which, often dialout) and log in again.",
        )
    if "busy" in failure.reason.lower() or "lock" in failure.reason.lower():
        return f"Another program has {port} open.", "End that program."
    if failure.command == "open":
        return (
            f"{port} exists and {_reason(failure)}.",
            "Compare baud_rate, data_bits, parity, stop_bits and flow_control in the bench file with what this port can do.",
        )
    return _silent(f"{port} opens", address, failure, query)


def _is_there(windows: str) -> bool:
    from serial.tools.list_ports import comports

    return any(port.device.upper() == windows for port in comports())


def _network(host: str, port: int, address: str, failure: InstrumentError, query: str) -> tuple[str, str]:
    try:
        socket.create_connection((host, port), LOOK_FOR).close()
    except ConnectionRefusedError:
        return (
            f"Nothing listens on port {port} of {host}.",
            "Switch it on, allow remote control over the network in its menu, and check the port number.",
        )
    except socket.gaierror:
        return f"The host name {host} is not known.", "Check the name, or give its number instead."
    except OSError:
        return (
            f"{host} does not answer on the network.",
            "Check its cable and whether its address is in the same network as this computer.",
        )
    return _silent(f"Port {port} of {host} accepts connections", address, failure, query)


def _silent(opening: str, address: str, failure: InstrumentError, query: str) -> tuple[str, str]:
    if address.startswith("modbus"):
        if "exception" in failure.reason.lower():
            return (
                f"{opening} and the unit refuses its serial registers: {_reason(failure)}.",
                "Compare serial_registers in its profile with its register map.",
            )
        return (
            f"{opening}, but the unit does not answer: {_reason(failure)}.",
            "Check unit_id, baud_rate and parity in the bench file, and that A and B are not exchanged.",
        )
    speed = ", baud_rate and parity in the bench file" if serial_port(address) else ""
    return (
        f"{opening}, but does not answer {query}: {_reason(failure)}.",
        f"Check that this is its remote control port{speed}, and the terminations in its profile.",
    )
