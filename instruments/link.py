"""The seam between drivers and wires: four methods for text, one for registers.

Everything that carries SCPI text (a VISA session, a simulated instrument in this process) looks like `Link`; every
register map looks like `RegisterLink`. A link that raised is closed: callers open a new one, they never retry on it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol


class Link(Protocol):
    """Text to an instrument and back, without terminators."""

    def write(self, text: str) -> None:
        """Send one message."""

    def read(self) -> str:
        """The next reply."""

    def query(self, text: str) -> str:
        """Send one message and return its reply."""

    def close(self) -> None:
        """Let go of the instrument; never raises."""


class RegisterLink(Protocol):
    """Modbus registers of one unit."""

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        """`count` 16-bit registers from `address`; `function` is ``"input"`` or ``"holding"``."""

    def close(self) -> None:
        """Let go of the instrument; never raises."""


Now = Callable[[], float]
"""Seconds on the clock of the run."""
