"""A simulated serial line on what each kind of system has for it: a pseudo-terminal, or a socket named in a file."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest
from pymodbus import FramerType
from pymodbus.client import ModbusTcpClient

from instruments.errors import LinkError
from instruments.links.link import LinkSettings
from instruments.links.modbus_link import ModbusLink
from instruments.links.serial_port import leads_to
from instruments.profile_tables import Register
from simulated.transports.link_faults import Hostile, Schedule
from simulated.transports.listeners import Piece
from simulated.transports.loopback_line import LoopbackLine
from simulated.transports.modbus import RegisterMap, RtuConversation
from simulated.transports.serial_line import LineEnd, SerialLine

KINDS: dict[str, type] = {"socket": LoopbackLine}
if sys.platform != "win32":
    from simulated.transports.pseudo_terminal import PseudoTerminal

    KINDS["pseudo-terminal"] = PseudoTerminal

QUICK = LinkSettings(timeout=0.4)
REGISTER = Register.model_validate({"unit": "A", "address": 0, "function": "input", "type": "uint16"})


def unit() -> RtuConversation:
    """One input register that holds 42."""
    return RtuConversation(RegisterMap({"current": REGISTER}, lambda _: 42.0, None, ""), 1)


@pytest.fixture(params=sorted(KINDS))
def plug_in(request: pytest.FixtureRequest) -> type[LineEnd]:
    return KINDS[request.param]


@pytest.fixture
def line(plug_in: type[LineEnd], tmp_path: Path) -> Iterator[Path]:
    path = tmp_path / "a port with spaces µ"
    conversation = unit()
    served = SerialLine(path, conversation, conversation.pause, plug_in=plug_in)
    yield path
    served.close()
    assert not os.path.lexists(path)


def read(path: Path) -> list[int]:
    link = ModbusLink("meter", f"modbus-rtu:{path}", QUICK)
    try:
        return link.read_registers("input", 0, 1)
    finally:
        link.close()


def test_clients_one_after_the_other(line: Path) -> None:
    """Opened, closed and opened again, drained as after a failure: the same conversation goes on."""
    assert read(line) == [42]
    link = ModbusLink("meter", f"modbus-rtu:{line}", QUICK, drain=True)
    assert [link.read_registers("input", 0, 1) for _ in range(3)] == [[42]] * 3
    with pytest.raises(LinkError, match="02"):
        link.read_registers("input", 7, 1)
    assert read(line) == [42]


PAUSE = 1.0
"""Seconds of silence, of which a busy machine may show the line a small part only."""


def test_half_a_request_is_dropped_at_the_pause(line: Path) -> None:
    """MODBUS over Serial Line V1.02, 2.5.1.1: silence ends a frame; what came before it never spoils the next request."""
    if leads_to(str(line)) == str(line):
        descriptor = os.open(line, os.O_RDWR | os.O_NOCTTY)
        os.write(descriptor, b"\x01\x04\x00")
        time.sleep(PAUSE)
        os.close(descriptor)
    else:
        client = ModbusTcpClient("127.0.0.1", port=int(leads_to(str(line)).rpartition(":")[2]), framer=FramerType.RTU)
        assert client.connect()
        client.send(b"\x01\x04\x00")
        time.sleep(PAUSE)
        client.close()
    assert read(line) == [42]


@pytest.mark.parametrize(
    "fault", ["mute", "late", "duplicate", "crc-error", "late-rtu", "vanish", "trickle", "endless"]
)
def test_what_goes_wrong_on_a_line_is_an_error_and_never_a_value(
    plug_in: type[LineEnd], tmp_path: Path, fault: str
) -> None:
    """The exchange that is struck fails or gives the true value; a link opened anew reads the true one."""
    path = tmp_path / "port"
    schedule = Schedule({1: fault}, lateness=0.6)
    plain = unit()
    hostile = Hostile(plain, schedule, "rtu", time.monotonic)

    def absent() -> bool:
        return schedule.absent(time.monotonic())

    def pause() -> Iterable[Piece]:
        return hostile.pause()

    served = SerialLine(path, hostile, pause, absent, plug_in=plug_in)
    try:
        assert read(path) == [42]
        try:
            assert read(path) == [42]
        except LinkError:
            pass
        else:
            assert fault in ("trickle", "late"), "this fault leaves no answer that may be believed"
        until = time.monotonic() + 20.0
        while True:
            # Noise may outlast the time for which a link opened anew listens for quiet.
            try:
                link = ModbusLink("meter", f"modbus-rtu:{path}", QUICK, drain=True)
                found = link.read_registers("input", 0, 1)
                break
            except LinkError:
                assert time.monotonic() < until, "the line does not come back"
        assert found == [42]
        link.close()
    finally:
        served.close()


def test_a_path_is_taken_over_from_the_dead_alone(plug_in: type[LineEnd], tmp_path: Path) -> None:
    """Not from another line that is served, not from a file of the user's; from a server that was killed."""
    path = tmp_path / "port"
    path.write_text("mine")
    with pytest.raises(FileExistsError):
        plug_in(path)  # type: ignore[call-arg]
    assert path.read_text() == "mine"
    path.unlink()
    first = plug_in(path)  # type: ignore[call-arg]
    with pytest.raises(FileExistsError):
        plug_in(path)  # type: ignore[call-arg]
    if path.is_symlink():
        path.unlink()
        path.symlink_to(tmp_path / "gone")
    else:
        dead = path.read_text()
        first.close()
        path.write_text(dead)
    second = plug_in(path)  # type: ignore[call-arg]
    second.close()
    assert not os.path.lexists(path)
