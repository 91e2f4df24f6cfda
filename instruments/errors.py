"""Errors of links and instruments, always with instrument, address and command.

InstrumentError
├── LinkError        the exchange itself failed (refused, timed out, cut, reset): the link is closed and must be reopened
├── ReplyError       the answer cannot be used (garbled, over range, unasked for): likewise
├── QueuedError      the instrument put an error in its queue
└── IdentityError    another instrument answers than the bench file names
"""

import re


def reason_of(failure: Exception) -> str:
    """The reason of a failed exchange as the failure states it, on one line and without its error number."""
    match failure.args:
        case (int(), str(text)):  # an OSError, or termios.error, which is none
            pass
        case _:
            text = str(failure)
    return " ".join(re.sub(r"\[Errno -?\d+\] ?", "", text).split()) or type(failure).__name__


class InstrumentError(Exception):
    """Base of all; `reason` says what happened, the other fields where."""

    def __init__(
        self,
        reason: str,
        *,
        instrument: str,
        address: str,
        command: str = "",
        elapsed: float | None = None,
        received: int | None = None,
    ) -> None:
        self.reason = reason
        self.instrument = instrument
        self.address = address
        self.command = command
        self.elapsed = elapsed
        self.received = received
        details = [f"command {command!r}"] if command else []
        if elapsed is not None:
            details.append(f"after {elapsed:.2f} s")
        if received is not None:
            details.append(f"{received} bytes received")
        tail = f" ({', '.join(details)})" if details else ""
        super().__init__(f"{instrument} at {address}: {reason}{tail}")


class LinkError(InstrumentError):
    """The exchange failed; nothing that arrives on this link later may be believed."""


class ReplyError(InstrumentError):
    """The answer cannot be used; nothing that arrives on this link later may be believed."""


class QueuedError(InstrumentError):
    """The instrument reported an error of its own."""


class IdentityError(InstrumentError):
    """The instrument that answers is not the one the bench file names."""
