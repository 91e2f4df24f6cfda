"""Links in program memory to a simulated bench: the bytes of a real link, in the time of the bench's own clock."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Iterable, Iterator

from simulated.bench import SimulatedBench
from simulated.physics.clock import BenchTime
from simulated.transports.link_faults import Hostile, Schedule
from simulated.transports.listeners import Conversation, Ending, Piece
from simulated.transports.modbus import ILLEGAL_ADDRESS, IllegalAddress, RtuConversation
from simulated.transports.scpi import ScpiConversation, ScpiTerminal

MESSAGE_TIME = 1e-3
"""Seconds one message takes, so that a client that polls sees time pass."""
LONGEST_REPLY, LONGEST_ANSWERS = 65536, 600
"""Bytes of text, and of register frames, after which no end is expected."""
_BITS_PER_CHARACTER = 11
_FRAMING_BYTES = 5
"""Bytes of an answer besides its registers, MODBUS over Serial Line V1.02: unit, function, count, check."""


class _Arriving:
    """Pieces on their way, each with its time of arrival."""

    def __init__(self) -> None:
        self._sources: deque[tuple[float, Iterator[Piece]]] = deque()
        self._last = 0.0
        self._next: tuple[float, bytes | Ending] | None = None

    def add(self, now: float, pieces: Iterable[Piece]) -> None:
        """Send `pieces` after `now`."""
        self._sources.append((now, iter(pieces)))

    def ready(self) -> float:
        """Arrival time of the next piece; infinite when there is none."""
        while self._next is None and self._sources:
            sent, source = self._sources[0]
            found = next(source, None)
            if found is None:
                self._sources.popleft()
            else:
                self._last = max(self._last, sent) + found[1]
                self._next = (self._last, found[0])
        return float("inf") if self._next is None else self._next[0]

    def take(self) -> bytes | Ending:
        """Remove and return the next piece; `ready` has said there is one."""
        assert self._next is not None
        piece, self._next = self._next[1], None
        return piece


class TextLink:
    """A SCPI connection in program memory. `timeout` in seconds of the bench's clock."""

    def __init__(
        self,
        conversation: Conversation,
        write_termination: str,
        read_termination: str,
        clock: BenchTime,
        timeout: float,
    ) -> None:
        self._conversation = conversation
        self._write_termination = write_termination or "\n"
        self._end = read_termination.encode("latin-1")
        self._clock = clock
        self._timeout = timeout
        self._arriving = _Arriving()
        self._received = b""

    def write(self, text: str) -> None:
        """Send one message; its termination is added."""
        self._clock.sleep(MESSAGE_TIME)
        data = (text + self._write_termination).encode("latin-1", "replace")
        pieces = self._conversation.receive(data)
        self._arriving.add(self._clock.now(), pieces)

    def read(self) -> str:
        """The oldest reply that has not been read, without its termination.

        Raises TimeoutError after the timeout; a reply that comes later stays for the next read, as on a real link. Raises
        ConnectionError when the connection ends, or the reply does not.
        """
        until = self._clock.now() + self._timeout
        while self._end not in self._received:
            ready = self._arriving.ready()
            self._clock.sleep(min(ready, until) - self._clock.now())
            if ready > until:
                raise TimeoutError(f"no reply within {self._timeout:g} s")
            piece = self._arriving.take()
            if isinstance(piece, Ending):
                raise ConnectionError(f"{piece.value} by the other side")
            self._received += piece
            if len(self._received) > LONGEST_REPLY:
                raise ConnectionError("reply without end")
        reply, _, self._received = self._received.partition(self._end)
        return reply.decode("latin-1").rstrip("\r\n")

    def query(self, text: str) -> str:
        """Send `text` and read a reply. Raises TimeoutError or ConnectionError."""
        self.write(text)
        return self.read()

    def waiting(self) -> bool:
        """Whether there are unread bytes."""
        return bool(self._received) or self._arriving.ready() <= self._clock.now()

    def close(self) -> None:
        self._arriving, self._received = _Arriving(), b""


class InProcessRegisters:
    """A Modbus RTU line in program memory: real frames, parsed by pymodbus.

    A request takes as long as its characters do at `baud_rate`; `timeout` in seconds of the bench's clock.
    """

    def __init__(
        self, conversation: Conversation, unit_id: int, clock: BenchTime, baud_rate: int, timeout: float = 3.0
    ) -> None:
        from pymodbus.framer import FramerRTU
        from pymodbus.pdu import DecodePDU

        # What pymodbus would print on its own is raised below.
        logging.getLogger("pymodbus.logging").addHandler(logging.NullHandler())
        self._framer = FramerRTU(DecodePDU(is_server=False))
        self._conversation, self._unit_id, self._clock, self._timeout = conversation, unit_id, clock, timeout
        self._per_byte = _BITS_PER_CHARACTER / baud_rate
        self._arriving = _Arriving()

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        """`count` words from `address`.

        Raises modbus.IllegalAddress when one does not exist, TimeoutError without a good frame, ConnectionError for another
        exception reply, for more than one answer, and at the end of the connection.
        """
        from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

        if self._arriving.ready() <= self._clock.now():
            raise ConnectionError("an unexpected answer is waiting")
        kind = ReadInputRegistersRequest if function == "input" else ReadHoldingRegistersRequest
        request = self._framer.buildFrame(kind(address=address, count=count, dev_id=self._unit_id))
        until = self._clock.now() + self._timeout
        pieces = self._conversation.receive(request)
        self._arriving.add(self._clock.now(), pieces)
        received = b""
        while True:
            ready = self._arriving.ready()
            self._clock.sleep(min(ready, until) - self._clock.now())
            if ready > until or len(received) > LONGEST_ANSWERS:
                raise TimeoutError(f"no good frame within {self._timeout:g} s, {len(received)} bytes received")
            piece = self._arriving.take()
            if isinstance(piece, Ending):
                raise ConnectionError(f"{piece.value} by the other side")
            received += piece
            _, answer = self._framer.handleFrame(received, self._unit_id, 0)
            if answer is not None:
                break
        self._clock.sleep((len(request) + len(received)) * self._per_byte)
        if answer.isError():
            if answer.exception_code == ILLEGAL_ADDRESS:
                raise IllegalAddress(f"no {function} registers {address}..{address + count - 1}")
            raise ConnectionError(f"exception reply {answer.exception_code}")
        if len(received) != _FRAMING_BYTES + 2 * count:
            raise ConnectionError("more than one answer")
        return list(answer.registers)

    def close(self) -> None:
        self._arriving = _Arriving()


def open_link(
    bench: SimulatedBench, instrument_name: str, timeout: float = 3.0, schedule: Schedule | None = None
) -> TextLink | InProcessRegisters:
    """A link to the instrument called `instrument_name`. `timeout` in seconds; `schedule` goes before the bench's own.

    Raises KeyError when there is none, terminals.UnsupportedInstrument when it has no terminal, ConnectionRefusedError
    while it is gone.
    """
    terminal, instrument, clock = bench.terminal(instrument_name), bench.instrument(instrument_name), bench.clock
    schedule = schedule or bench.schedules.get(instrument_name)
    if schedule is not None and schedule.absent(clock.now()):
        raise ConnectionRefusedError("connection refused")
    if isinstance(terminal, ScpiTerminal):
        profile = instrument.profile
        assert profile is not None  # only a profile makes a terminal
        text: Conversation = ScpiConversation(terminal, profile.write_termination, profile.read_termination)
        if schedule is not None:
            end = profile.read_termination.encode("latin-1")
            text = Hostile(text, schedule, "text", clock.now, end=end, queue_error=terminal.queue_error)
        return TextLink(text, profile.write_termination, profile.read_termination, clock, timeout)
    line: Conversation = RtuConversation(terminal, instrument.unit_id)
    if schedule is not None:
        line = Hostile(line, schedule, "rtu", clock.now)
    return InProcessRegisters(line, instrument.unit_id, clock, instrument.baud_rate, timeout)
