"""The interface between drivers and links: four methods for text, one for registers.

All links that carry SCPI text (a VISA session, a simulated instrument in this process) follow `Link`; all register maps
`RegisterLink`. An exchange that fails raises LinkError, one whose answer cannot be used ReplyError. A link that raised
is closed: callers open a new one, they never retry on it.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

Parity = Literal["none", "even", "odd"]
FlowControl = Literal["none", "xon_xoff", "rts_cts", "dtr_dsr"]
StopBits = Literal[1, 2]


@dataclass(frozen=True)
class LinkSettings:
    """Settings of a link. `timeout` in seconds, for a whole exchange; `baud_rate` in bits per second.

    The terminations end a message where nothing else does (a plain socket, a serial line). The baud rate and the fields
    after it are for serial lines. `lock`: no other program may use the instrument meanwhile. `library`: the VISA library, as
    PyVISA names it.
    """

    timeout: float = 3.0
    read_termination: str = "\n"
    write_termination: str = "\n"
    baud_rate: int = 19200
    data_bits: int = 8
    parity: Parity = "none"
    stop_bits: StopBits = 1
    flow_control: FlowControl = "none"
    lock: bool = False
    library: str = "@py"


DEFAULT = LinkSettings()


class Link(Protocol):
    """Text to an instrument and back, without terminators."""

    def write(self, text: str) -> None:
        """Send one message. The reply to a question is then waiting to be read, however long others are spoken to first."""

    def read(self) -> str: ...

    def query(self, text: str) -> str:
        """Send one message and return its reply."""

    def close(self) -> None:
        """Close the link; never raises."""


class RegisterLink(Protocol):
    """Modbus registers of one unit."""

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        """`count` 16-bit registers from `address`; `function` is ``"input"`` or ``"holding"``."""

    def close(self) -> None:
        """Close the link; never raises."""


Now = Callable[[], float]
"""Seconds on the clock of the run."""
