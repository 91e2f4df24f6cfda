"""The Modbus link on a serial line whose other side answers late."""

import os
import pty
import threading
import tty
from collections.abc import Iterator

import pytest
from pymodbus.framer import FramerRTU

from instruments.errors import LinkError
from instruments.link import LinkSettings
from instruments.modbus_link import ModbusLink


class LateUnit:
    """Unit 1 on a pty: it answers the n-th request with n in both registers, the first one after `delay` seconds."""

    def __init__(self, delay: float) -> None:
        self.delay = delay
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
                late = threading.Timer(self.delay if self.requests == 1 else 0.0, self._answer, [self.requests])
                late.start()
                self._threads.append(late)

    def _answer(self, number: int) -> None:
        body = bytes([1, 4, 4, 0, number, 0, number])
        crc = FramerRTU.compute_CRC(body)
        os.write(self.master, body + crc.to_bytes(2, "big"))

    def close(self) -> None:
        for thread in self._threads:
            thread.join()
        os.close(self._slave)
        os.close(self.master)


@pytest.fixture
def unit() -> Iterator[LateUnit]:
    made = LateUnit(delay=0.45)
    yield made
    made.close()


def test_crc_of_the_published_example() -> None:
    """MODBUS over Serial Line V1.02, appendix B: the frame 02 07 carries the CRC 41 12 (value from memory)."""
    assert FramerRTU.compute_CRC(b"\x02\x07").to_bytes(2, "big") == b"\x41\x12"


def test_a_late_answer_is_drained_and_never_answers_the_next_request(unit: LateUnit) -> None:
    """The first request times out; its answer comes while the reopened link listens; the next request gets its own."""
    address = f"modbus-rtu:{unit.path}"
    link = ModbusLink("meter", address, LinkSettings(timeout=0.3))
    with pytest.raises(LinkError, match="read input registers"):
        link.read_registers("input", 0, 2)
    again = ModbusLink("meter", address, LinkSettings(timeout=0.3), drain=True)
    assert again.read_registers("input", 0, 2) == [2, 2]
    again.close()
