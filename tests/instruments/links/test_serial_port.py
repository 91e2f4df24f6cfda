r"""What names of serial ports lead to, on every system: ``COM3``, ``\\.\COM12``, devices, sockets, files that name one.

The names of Windows: "Naming Files, Paths, and Namespaces" (learn.microsoft.com/windows/win32/fileio/naming-a-file), which says
that ``\\.\COM56`` opens a port above COM9. ``socket://HOST:PORT``: pySerial's "URL Handlers".
"""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.commands.advice import network_place
from harness.station.wires import place, resolved_address
from instruments.links.address import address_problem
from instruments.links.serial_port import leads_to, visa_address, windows_port


@pytest.mark.parametrize("port", ["COM3", "com3", r"\\.\COM3", r"\\.\com3"])
def test_the_ways_to_write_a_port_of_windows_are_one_place(port: str, tmp_path: Path) -> None:
    """Two runs that write it differently must not both have it; no folder is put before it."""
    assert resolved_address(f"modbus-rtu:{port}", tmp_path) == f"modbus-rtu:{port}"
    for other in ("modbus-rtu:COM3", "ASRL3::INSTR", "ASRLCOM3::INSTR", r"asrl\\.\com3::instr"):
        assert place(f"modbus-rtu:{port}", tmp_path) == place(other, tmp_path)
    assert place(f"modbus-rtu:{port}", tmp_path) != place("modbus-rtu:COM12", tmp_path)


def test_a_port_above_nine_keeps_its_number() -> None:
    r"""``\\.\COM12`` is COM12, and PyVISA-py puts COM before what stands in an address on Windows (pyvisa_py/serial.py)."""
    assert windows_port(r"\\.\COM12") == "COM12"
    assert visa_address(r"\\.\COM12") == visa_address("COM12") == "ASRL12::INSTR"
    assert visa_address("/dev/ttyUSB0") == "ASRL/dev/ttyUSB0::INSTR"
    assert windows_port("COM") == windows_port("/dev/COM3") == windows_port("COM3x") == ""


def test_a_socket_is_no_path(tmp_path: Path) -> None:
    """A device server that passes frames on: the folder of the bench file stays out of it."""
    address = "modbus-rtu:socket://localhost:4001"
    assert resolved_address(address, tmp_path) == address
    assert address_problem(address, registers=True) == ""
    assert place(address, tmp_path) == place("modbus-rtu:socket://127.0.0.1:4001", tmp_path)
    assert network_place(address) == ("localhost", 4001)


@pytest.mark.parametrize("wrong", ["socket://", "socket://h", "socket://h:0", "socket://h:70000", "socket://h:1/x"])
def test_a_malformed_socket_is_a_mistake_in_the_file(wrong: str) -> None:
    """Told in the rehearsal, before anything is opened."""
    assert "expected socket://HOST:PORT" in address_problem(f"modbus-rtu:{wrong}", registers=True)


@pytest.mark.parametrize("held", ["socket://127.0.0.1:5\n", "socket://127.0.0.1:5\r\n"])
def test_a_file_may_name_a_socket(tmp_path: Path, held: str) -> None:
    """With either end of line, under a name with spaces and letters of other languages; any other file is a device that will not open."""
    file = tmp_path / "monitor port ü"
    file.write_bytes(held.encode())
    assert leads_to(str(file)) == "socket://127.0.0.1:5"
    for other in (b"", b"mine", b"\xff\xfe", b"socket://" + bytes(300)):
        file.write_bytes(other)
        assert leads_to(str(file)) == str(file)
    assert leads_to(str(tmp_path / "absent")) == str(tmp_path / "absent")
    assert leads_to("/dev/null") == "/dev/null"
