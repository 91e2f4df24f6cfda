"""The Modbus link on a serial line whose other side answers late."""

import errno
import os
import pty
import re
import socket
import termios
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial
from pymodbus.framer import FramerRTU
from serial import SerialException

from instruments.errors import LinkError
from instruments.links.link import LinkSettings, Parity
from instruments.links.modbus_link import ModbusLink, exception_text
from instruments.links.quiet_line import drain
from instruments.profile_tables import Register
from simulated.transports.modbus import RegisterMap, RtuConversation
from simulated.transports.serial_line import SerialLine


@pytest.mark.parametrize("parity", ["none", "even", "odd"])
def test_a_simulated_line_takes_every_parity(tmp_path: Path, parity: Parity) -> None:
    """As often as it is opened: a pseudo-terminal refuses parity (EINVAL) when nothing else changes (Linux, tcsetattr of glibc)."""
    register = Register.model_validate({"unit": "A", "address": 0, "function": "input", "type": "uint16"})
    registers = RegisterMap({"current": register}, lambda _: 7.0, None, "")
    line = SerialLine(tmp_path / "port", conversation := RtuConversation(registers, 1), conversation.pause)
    try:
        for _ in range(2):
            link = ModbusLink("meter", f"modbus-rtu:{tmp_path / 'port'}", LinkSettings(timeout=5, parity=parity))
            assert link.read_registers("input", 0, 1) == [7]
            link.close()
    finally:
        line.close()


@pytest.mark.parametrize(
    ("failure", "reason"),
    [
        (termios.error(errno.EINVAL, "Invalid argument"), "Invalid argument"),
        (
            SerialException(errno.ENOENT, "could not open port x: [Errno 2] No such file"),
            "could not open port x: No such file",
        ),
        (ValueError("Not a valid baudrate: 0"), "Not a valid baudrate: 0"),
    ],
)
def test_the_reason_of_the_system_is_told(monkeypatch: pytest.MonkeyPatch, failure: Exception, reason: str) -> None:
    """pymodbus logs it and returns False (`ModbusSerialClient.connect`)."""

    def refuse(*_: object, **__: object) -> None:
        raise failure

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(LinkError, match=f"cannot be opened: {re.escape(reason)} \\(command 'open'"):
        ModbusLink("meter", "modbus-rtu:/dev/ttyS0")


def test_a_connection_that_is_refused_says_so() -> None:
    """Over TCP too."""
    with socket.create_server(("127.0.0.1", 0)) as gone:
        port = gone.getsockname()[1]
    with pytest.raises(LinkError, match="cannot be opened: Connection refused"):
        ModbusLink("meter", f"modbus-tcp://127.0.0.1:{port}")


class LateUnit:
    """Unit 1 on a pty: it answers the n-th request with n in both registers, the first one not before it is let go."""

    def __init__(self) -> None:
        self._let_go, self._answered = threading.Event(), threading.Event()
        self.master, slave = pty.openpty()
        tty.setraw(self.master)
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        self._slave = slave
        self.requests = 0
        self._threads: list[threading.Thread] = []
        self._reader = threading.Thread(target=self._serve, daemon=True)
        self._reader.start()

    def _serve(self) -> None:
        pending = b""
        while True:
            try:
                pending += os.read(self.master, 256)
            except OSError:
                return
            while len(pending) >= 8:
                pending = pending[8:]
                self.requests += 1
                answer = threading.Thread(target=self._answer, args=[self.requests])
                answer.start()
                self._threads.append(answer)

    def let_go(self) -> None:
        """Have the first answer sent now."""
        self._let_go.set()
        assert self._answered.wait(10)

    def _answer(self, number: int) -> None:
        if number == 1:
            self._let_go.wait()
        body = bytes([1, 4, 4, 0, number, 0, number])
        crc = FramerRTU.compute_CRC(body)
        os.write(self.master, body + crc.to_bytes(2, "big"))
        if number == 1:
            self._answered.set()

    def close(self) -> None:
        self._let_go.set()
        for thread in self._threads:
            thread.join()
        os.close(self._slave)
        os.close(self.master)


@pytest.fixture
def unit() -> Iterator[LateUnit]:
    made = LateUnit()
    yield made
    made.close()


def test_a_late_answer_is_drained_and_never_answers_the_next_request(
    unit: LateUnit, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first request times out; its answer comes while the reopened link listens; the next request gets its own."""
    address, settings = f"modbus-rtu:{unit.path}", LinkSettings(timeout=0.2)
    link = ModbusLink("meter", address, settings)
    with pytest.raises(LinkError, match="read input registers"):
        link.read_registers("input", 0, 2)

    def drain_while_it_comes(discard: Callable[[], bool], quiet: float) -> None:
        unit.let_go()
        drain(discard, quiet)

    monkeypatch.setattr("instruments.links.modbus_link.drain_line", drain_while_it_comes)
    again = ModbusLink("meter", address, settings, drain=True)
    assert again.read_registers("input", 0, 2) == [2, 2]
    again.close()


@pytest.mark.parametrize(
    ("code", "text"),
    [(1, "illegal function"), (6, "server device busy"), (11, "gateway target device failed to respond")],
)
def test_modbus_exceptions_have_their_names(code: int, text: str) -> None:
    """MODBUS Application Protocol Specification V1.1b3, section 7."""
    assert exception_text(code) == f"Modbus exception {code:02d} ({text})"
