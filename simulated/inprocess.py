"""Links in program memory to a simulated bench: the bytes of a real link, in the time of the bench's own clock."""

import logging

from simulated.physics.virtual_clock import BenchTime
from simulated.simulated_bench import SimulatedBench
from simulated.transports.listeners import Arriving, Conversation, Ending
from simulated.transports.modbus import ILLEGAL_ADDRESS, IllegalAddress, RegisterMap

MESSAGE_TIME = 1e-3
"""Seconds one message takes, so that a client that polls sees time pass."""
LONGEST_REPLY, LONGEST_ANSWERS = 65536, 600
"""Bytes of text, and of register frames, after which no end is expected."""
_BITS_PER_CHARACTER = 11
_FRAMING_BYTES = 5
"""Bytes of an answer besides its registers, MODBUS over Serial Line V1.02: unit, function, count, check."""


def _next_bytes(arriving: Arriving, clock: BenchTime, until: float) -> bytes | None:
    """The bytes that arrive next; None when nothing has by `until`. Raises ConnectionError at the end of the connection."""
    ready = arriving.ready()
    clock.sleep(min(ready, until) - clock.now())
    if ready > until:
        return None
    piece = arriving.take()
    if isinstance(piece, Ending):
        raise ConnectionError(f"{piece.value} by the other side")
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
        self._arriving = Arriving(clock.now)
        self._received = b""

    def write(self, text: str) -> None:
        """Send one message; its termination is added."""
        self._clock.sleep(MESSAGE_TIME)
        data = (text + self._write_termination).encode("latin-1", "replace")
        self._arriving.add(self._conversation.receive(data))

    def read(self) -> str:
        """The oldest reply that has not been read, without its termination.

        Raises TimeoutError after the timeout; a reply that comes later stays for the next read, as on a real link. Raises
        ConnectionError when the connection ends, or the reply does not.
        """
        until = self._clock.now() + self._timeout
        while self._end not in self._received:
            if (piece := _next_bytes(self._arriving, self._clock, until)) is None:
                raise TimeoutError(f"no reply within {self._timeout:g} s")
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
        self._arriving, self._received = Arriving(self._clock.now), b""


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
        self._arriving = Arriving(clock.now)

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
        self._arriving.add(self._conversation.receive(request))
        received = b""
        while True:
            piece = _next_bytes(self._arriving, self._clock, until)
            if piece is None or len(received) > LONGEST_ANSWERS:
                raise TimeoutError(f"no good frame within {self._timeout:g} s, {len(received)} bytes received")
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
        self._arriving = Arriving(self._clock.now)


def open_link(bench: SimulatedBench, name: str, timeout: float = 3.0) -> TextLink | InProcessRegisters:
    """A link to the instrument called `name`. `timeout` in seconds.

    Raises KeyError when there is none, terminals.UnsupportedInstrument when it has no terminal, ConnectionRefusedError
    while it is gone.
    """
    terminal, instrument, clock = bench.terminal(name), bench.instrument(name), bench.clock
    if bench.absent(name):
        raise ConnectionRefusedError("connection refused")
    if isinstance(terminal, RegisterMap):
        line = bench.conversation(name, "rtu")
        return InProcessRegisters(line, instrument.unit_id, clock, instrument.baud_rate, timeout)
    profile = instrument.profile
    assert profile is not None  # only a profile makes a terminal
    text = bench.conversation(name, "text")
    return TextLink(text, profile.write_termination, profile.read_termination, clock, timeout)
