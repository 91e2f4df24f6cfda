"""The form of addresses: examples of the VISA library specification (VPP-4.3, table of address strings), and what is none."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.links.address import address_problem


@pytest.mark.parametrize(
    "address",
    [
        # VPP-4.3, examples of address strings (values from memory), and those the README names.
        "ASRL1::INSTR",
        "GPIB::1::0::INSTR",
        "GPIB0::9::INSTR",
        "TCPIP0::1.2.3.4::999::SOCKET",
        "TCPIP::dev.company.com::INSTR",
        "USB::0x1234::125::A22-5::INSTR",
        "TCPIP::127.0.0.1::15025::SOCKET",
        "TCPIP::host::hislip0,4880::INSTR",
        "TCPIP::host,1000::inst0::INSTR",
        "ASRL/dev/ttyUSB0::INSTR",
    ],
)
def test_visa_addresses(address: str) -> None:
    assert address_problem(address, registers=False) == ""


@pytest.mark.parametrize(
    "address",
    [
        "192.168.1.4",
        "TCPIP:host:15025:SOCKET",
        "TCPIP::::15::SOCKET",
        "TCPIP::host::port::SOCKET",
        "TCPIP::host::99999::SOCKET",
        "USB::0x1234",
        "modbus-tcp://host:502",
        "",
    ],
)
def test_what_is_no_visa_address(address: str) -> None:
    assert "expected" in address_problem(address, registers=False)


@pytest.mark.parametrize(
    "address", ["modbus-rtu:/dev/ttyUSB0", "modbus-rtu:COM3", "modbus-tcp://10.0.0.7:502", "modbus-tcp://host"]
)
def test_modbus_addresses(address: str) -> None:
    assert address_problem(address, registers=True) == ""


@pytest.mark.parametrize(
    "address",
    [
        "modbus-rtu:",
        "modbus-tcp://",
        "modbus-tcp://host:port",
        "modbus-tcp://host:70000",
        "modbus-tcp://host:0",
        "modbus-tcp://host/unit",
        "TCPIP::host::502::SOCKET",
        "modbus-tcp:host",
    ],
)
def test_what_is_no_modbus_address(address: str) -> None:
    assert "expected" in address_problem(address, registers=True)


def test_another_library_may_have_names_of_its_own() -> None:
    assert address_problem("left multimeter", registers=False, library="@ivi") == ""
    assert address_problem("left multimeter", registers=False) != ""


@given(st.text(max_size=60), st.booleans())
def test_any_text_is_told_of_in_a_line(address: str, registers: bool) -> None:
    assert len(address_problem(address, registers=registers).splitlines()) <= 1
