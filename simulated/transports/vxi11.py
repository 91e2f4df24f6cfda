"""VXI-11 for SCPI conversations: the core channel of the VXI-11 TCP/IP Instrument Protocol Specification, revision 1.0.

Remote procedure calls (RFC 5531) with their data as XDR (RFC 4506), on a port of its own: no port mapper, no abort and
no interrupt channel. A message's end is said by a flag, which a reply gets only when it ends as the instrument ends
its replies.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Callable, Iterable, Iterator

from simulated.transports.device_lock import SessionServer
from simulated.transports.listeners import Arriving, Ending, Piece

PROGRAM, VERSION = 0x0607AF, 1
_CREATE_LINK, _WRITE, _READ, _READ_STATUS, _TRIGGER, _CLEAR = range(10, 16)
_REMOTE, _LOCAL, _LOCK, _UNLOCK = range(16, 20)
_DESTROY_LINK = 23
_NO_ERROR, _INVALID_LINK, _LOCKED, _NO_LOCK, _TIMEOUT = 0, 4, 11, 12, 15
_FLAG_END, _FLAG_TERMINATION = 8, 128
_REASON_COUNT, _REASON_CHARACTER, _REASON_END = 1, 2, 4
_ACCEPTED, _PROGRAM_UNAVAILABLE, _PROCEDURE_UNAVAILABLE, _GARBAGE_ARGUMENTS = 0, 1, 3, 4
_LAST_FRAGMENT = 0x80000000
LARGEST_WRITE = 16384
_LARGEST_RECORD = 1 << 20


class Vxi11Server(SessionServer):
    """The instrument behind one port."""

    def connection(self) -> Vxi11Conversation:
        return Vxi11Conversation(self)

    def ended(self, conversation: object) -> None:
        """Close the links of a connection that has ended."""
        if isinstance(conversation, Vxi11Conversation):
            for number in conversation.links:
                self.lock.give_back(number)


class Vxi11Conversation:
    """One connection, with any number of links."""

    def __init__(self, server: Vxi11Server) -> None:
        self._server = server
        self._pending = b""
        self._record = b""
        self.links: dict[int, _Link] = {}

    def receive(self, data: bytes) -> Iterator[Piece]:
        self._pending += data
        while len(self._pending) >= 4:
            (mark,) = struct.unpack(">I", self._pending[:4])
            length = mark & ~_LAST_FRAGMENT
            if length + len(self._record) > _LARGEST_RECORD:
                yield Ending.CLOSE, 0.0
                return
            if len(self._pending) < 4 + length:
                return
            self._record += self._pending[4 : 4 + length]
            self._pending = self._pending[4 + length :]
            if mark & _LAST_FRAGMENT:
                record, self._record = self._record, b""
                yield from self._call(record)

    def _call(self, record: bytes) -> Iterator[Piece]:
        arguments = _Arguments(record)
        try:
            number, kind, _, program, version, procedure = (arguments.unsigned() for _ in range(6))
            for _ in ("credentials", "verifier"):
                arguments.unsigned()
                arguments.opaque()
            if kind != 0:
                return
            if (program, version) != (PROGRAM, VERSION):
                yield _reply(number, _PROGRAM_UNAVAILABLE), 0.0
                return
            if procedure == 0:
                yield _reply(number, _ACCEPTED), 0.0
                return
            for result, delay in self._carry_out(procedure, arguments):
                # Nothing with a delay is waiting; later data comes next.
                yield (_reply(number, _ACCEPTED, result) if isinstance(result, bytes) and result else result), delay
        except KeyError:
            yield _reply(number, _PROCEDURE_UNAVAILABLE), 0.0
        except struct.error:
            yield _reply(number, _GARBAGE_ARGUMENTS), 0.0

    def _carry_out(self, procedure: int, arguments: _Arguments) -> Iterable[Piece]:
        """The result of a call. Raises KeyError for an unknown procedure, struct.error for arguments cut short."""
        if procedure == _CREATE_LINK:
            return self._create(arguments)
        known: dict[int, Callable[[int, _Arguments], Iterable[Piece]]] = {
            _WRITE: self._write,
            _READ: self._read,
            _READ_STATUS: lambda _, __: _result(_NO_ERROR, 0),
            **dict.fromkeys((_TRIGGER, _REMOTE, _LOCAL), lambda _, __: _result(_NO_ERROR)),
            _CLEAR: self._clear,
            _LOCK: lambda link, _: _result(_NO_ERROR if self._server.lock.take(link) else _LOCKED),
            _UNLOCK: lambda link, _: _result(_NO_ERROR if self._server.lock.give_back(link) else _NO_LOCK),
            _DESTROY_LINK: self._destroy,
        }
        action, link = known[procedure], arguments.unsigned()
        if link not in self.links:
            return _result(_INVALID_LINK, 0, 0)
        return action(link, arguments)

    def _create(self, arguments: _Arguments) -> Iterable[Piece]:
        arguments.unsigned()
        wants_lock = arguments.unsigned()
        number = next(self._server.numbers)
        if wants_lock and not self._server.lock.take(number):
            return _result(_LOCKED, 0, 0, 0)
        self.links[number] = _Link(self._server)
        return _result(_NO_ERROR, number, 0, LARGEST_WRITE)

    def _destroy(self, link: int, _: _Arguments) -> Iterable[Piece]:
        self._server.lock.give_back(link)
        del self.links[link]
        return _result(_NO_ERROR)

    def _clear(self, link: int, _: _Arguments) -> Iterable[Piece]:
        self.links[link] = _Link(self._server)
        return _result(_NO_ERROR)

    def _write(self, link: int, arguments: _Arguments) -> Iterable[Piece]:
        _timeout, _lock_timeout, flags = (arguments.unsigned() for _ in range(3))
        data = arguments.opaque()
        if self._server.lock.keeps_out(link):
            return _result(_LOCKED, 0)
        self.links[link].take(data, end=bool(flags & _FLAG_END))
        return _result(_NO_ERROR, len(data))

    def _read(self, link: int, arguments: _Arguments) -> Iterable[Piece]:
        size, timeout, _lock_timeout, flags, character = (arguments.unsigned() for _ in range(5))
        if self._server.lock.keeps_out(link):
            return _result(_LOCKED, 0, 0)
        stop_at = bytes([character & 0xFF]) if flags & _FLAG_TERMINATION else b""
        return self.links[link].give(size, timeout / 1000, stop_at)


class _Link:
    """One link: the text written on it, and the replies to read."""

    def __init__(self, server: Vxi11Server) -> None:
        self._conversation = server.converse()
        self._message_end, self._reply_end = server.message_end, server.reply_end
        self._replies = Arriving(time.monotonic)
        self._output = b""

    def take(self, data: bytes, end: bool) -> None:
        if end and not data.endswith(self._message_end):
            data += self._message_end
        # A reply nobody has read is discarded when a new message comes (IEEE 488.2, query interrupted).
        self._output, self._replies = b"", Arriving(time.monotonic)
        self._replies.add(self._conversation.receive(data))

    def give(self, size: int, timeout: float, stop_at: bytes) -> Iterator[Piece]:
        """The result of a read of at most `size` bytes within `timeout` seconds."""
        until = time.monotonic() + timeout
        while not (reason := self._reason(size, stop_at)):
            ready = self._replies.ready()
            if ready > until:
                yield b"", max(0.0, until - time.monotonic())
                yield from _result(_TIMEOUT, 0, 0)
                return
            yield b"", max(0.0, ready - time.monotonic())
            piece = self._replies.take()
            if isinstance(piece, Ending):
                yield piece, 0.0
                return
            self._output += piece
        length = self._output.index(stop_at) + 1 if reason == _REASON_CHARACTER else min(size, len(self._output))
        data, self._output = self._output[:length], self._output[length:]
        yield struct.pack(">iII", _NO_ERROR, reason, len(data)) + data + b"\0" * (-len(data) % 4), 0.0

    def _reason(self, size: int, stop_at: bytes) -> int:
        if stop_at and stop_at in self._output[:size]:
            return _REASON_CHARACTER
        if self._output.endswith(self._reply_end) and len(self._output) <= size:
            return _REASON_END
        return _REASON_COUNT if len(self._output) >= size else 0


class _Arguments:
    """XDR read from the front."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def unsigned(self) -> int:
        (value,) = struct.unpack_from(">I", self._data, self._at)
        self._at += 4
        return int(value)

    def opaque(self) -> bytes:
        length = self.unsigned()
        found = self._data[self._at : self._at + length]
        if len(found) < length:
            raise struct.error("cut short")
        self._at += length + -length % 4
        return found


def _result(*numbers: int) -> list[Piece]:
    return [(struct.pack(f">{len(numbers)}I", *numbers), 0.0)]


def _reply(number: int, status: int, result: bytes = b"") -> bytes:
    """An accepted reply without verifier, as one record."""
    body = struct.pack(">IIIIII", number, 1, 0, 0, 0, status) + result
    return struct.pack(">I", _LAST_FRAGMENT | len(body)) + body
