"""Links to a simulated bench without a wire: the same messages, in the time of the bench's own clock."""

from __future__ import annotations

from collections import deque

from simulated.bench import SimulatedBench
from simulated.clock import Clock
from simulated.modbus import RegisterMap
from simulated.scpi import ScpiConversation, ScpiInstrument

MESSAGE_TIME = 1e-3
"""Seconds one message takes, so that a client that polls sees time pass."""
_BITS_PER_CHARACTER = 11
_FRAMING_BYTES = 13
"""A read request and the framing of its response, MODBUS over Serial Line V1.02."""


class TextLink:
    """A SCPI connection in program memory. `timeout` in seconds of the bench's clock."""

    def __init__(self, conversation: ScpiConversation, write_termination: str, clock: Clock, timeout: float) -> None:
        self._conversation = conversation
        self._write_termination = write_termination or "\n"
        self._clock = clock
        self._timeout = timeout
        self._replies: deque[tuple[float, str]] = deque()

    def write(self, text: str) -> None:
        """Send one message; its termination is added."""
        self._clock.sleep(MESSAGE_TIME)
        data = (text + self._write_termination).encode("latin-1", "replace")
        for reply, delay in self._conversation.receive(data):
            self._replies.append((self._clock.now() + delay, reply.decode("latin-1").rstrip("\r\n")))

    def read(self) -> str:
        """The oldest reply that has not been read, without its termination.

        Raises TimeoutError after the timeout; a reply that comes later stays for the next read, as on a wire.
        """
        now = self._clock.now()
        if not self._replies or self._replies[0][0] > now + self._timeout:
            self._clock.sleep(self._timeout)
            raise TimeoutError(f"no reply within {self._timeout:g} s")
        ready, text = self._replies.popleft()
        self._clock.sleep(ready - now)
        return text

    def query(self, text: str) -> str:
        """Send `text` and read a reply. Raises TimeoutError."""
        self.write(text)
        return self.read()

    def close(self) -> None:
        """Drop what has not been read."""
        self._replies.clear()


class RegisterLink:
    """A Modbus connection in program memory; a request takes as long as its characters do at `baud_rate`."""

    def __init__(self, registers: RegisterMap, clock: Clock, baud_rate: int) -> None:
        self._registers = registers
        self._clock = clock
        self._baud_rate = baud_rate

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        """`count` words from `address`. Raises modbus.IllegalAddress when one does not exist."""
        words = self._registers.words(function, address, count)
        self._clock.sleep((_FRAMING_BYTES + 2 * count) * _BITS_PER_CHARACTER / self._baud_rate)
        return words

    def close(self) -> None:
        """Nothing is held."""


def open_link(bench: SimulatedBench, instrument_name: str, timeout: float = 3.0) -> TextLink | RegisterLink:
    """A link to the instrument called `instrument_name`. `timeout` in seconds.

    Raises KeyError when there is none, terminals.UnsupportedInstrument when it has no terminal.
    """
    terminal, instrument = bench.terminal(instrument_name), bench.instrument(instrument_name)
    if isinstance(terminal, ScpiInstrument):
        profile = instrument.profile
        assert profile is not None  # only a profile makes a terminal
        conversation = ScpiConversation(terminal, profile.write_termination, profile.read_termination)
        return TextLink(conversation, profile.write_termination, bench.clock, timeout)
    return RegisterLink(terminal, bench.clock, instrument.baud_rate)
