"""Links that write every exchange into a transcript, and links that answer from one."""

import contextlib
from collections.abc import Callable
from typing import Any, Generic, TypeVar

from instruments.errors import IdentityError, InstrumentError, LinkError, QueuedError, ReplyError
from instruments.links.link import Link, Now, RegisterLink
from instruments.links.transcript import TranscriptError, TranscriptReader, TranscriptWriter

_ERRORS = {kind.__name__: kind for kind in (InstrumentError, LinkError, ReplyError, QueuedError, IdentityError)}
_L = TypeVar("_L", bound=Link | RegisterLink)
_T = TypeVar("_T")


class _Transcribed(Generic[_L]):
    """A link whose exchanges are written to a transcript; opening it is the first."""

    def __init__(self, open_link: Callable[[], _L], writer: TranscriptWriter, now: Now, **asked: Any) -> None:
        self._writer, self._now = writer, now
        self._link = self._written_down("open", open_link, keep=lambda _: None, **asked)

    def close(self) -> None:
        self._written_down("close", self._link.close)

    def _written_down(
        self, did: str, action: Callable[[], _T], *, keep: Callable[[_T], Any] = lambda outcome: outcome, **asked: Any
    ) -> _T:
        started = self._now()
        try:
            outcome = action()
        except TranscriptError:
            raise
        except InstrumentError as failure:
            self._write(did, started, **asked, error=_described(failure))
            raise
        self._write(did, started, **asked, received=keep(outcome))
        return outcome

    def _write(self, did: str, started: float, **said: Any) -> None:
        self._writer.write(did, **said, started=round(started, 6), finished=round(self._now(), 6))


class TranscribedText(_Transcribed[Link]):
    def write(self, text: str) -> None:
        self._written_down("write", lambda: self._link.write(text), sent=text)

    def read(self) -> str:
        return self._written_down("read", self._link.read)

    def query(self, text: str) -> str:
        return self._written_down("query", lambda: self._link.query(text), sent=text)


class TranscribedRegisters(_Transcribed[RegisterLink]):
    """A link for registers; its opening is written with whether it was to drain its line."""

    def __init__(self, open_link: Callable[[], RegisterLink], writer: TranscriptWriter, now: Now, drain: bool) -> None:
        super().__init__(open_link, writer, now, drain=drain)

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        return self._written_down(
            "read_registers",
            lambda: self._link.read_registers(function, address, count),
            function=function,
            address=address,
            count=count,
        )


class _Replayed:
    """A link that answers from a transcript. Raises TranscriptError where something else is asked."""

    def __init__(self, reader: TranscriptReader, **asked: Any) -> None:
        """Open the link; fails as it failed in the transcript."""
        self._reader = reader
        self._given_back("open", **asked)

    def close(self) -> None:
        """Close the link, as in the transcript; never raises: a session that has failed is known to have."""
        with contextlib.suppress(TranscriptError):
            self._reader.answer("close")

    def _given_back(self, did: str, **asked: Any) -> Any:
        """The recorded answer. Raises the recorded error, in the name of the present instrument."""
        line = self._reader.answer(did, **asked)
        error = line.get("error")
        if error is None:
            return line.get("received")
        said = {key: value for key, value in error.items() if key != "type"}
        raise _ERRORS[error["type"]](instrument=self._reader.whose, **said)


class ReplayedText(_Replayed):
    def write(self, text: str) -> None:
        self._given_back("write", sent=text)

    def read(self) -> str:
        return str(self._given_back("read"))

    def query(self, text: str) -> str:
        return str(self._given_back("query", sent=text))


class ReplayedRegisters(_Replayed):
    def __init__(self, reader: TranscriptReader, drain: bool) -> None:
        super().__init__(reader, drain=drain)

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        return list(self._given_back("read_registers", function=function, address=address, count=count))


def _described(failure: InstrumentError) -> dict[str, Any]:
    said = {key: getattr(failure, key) for key in ("reason", "address", "command", "elapsed", "received")}
    return {"type": type(failure).__name__} | {key: value for key, value in said.items() if value is not None}
