"""HiSLIP for SCPI conversations: the messages of IVI-6.1 (revision 1.0) in synchronous mode.

Every session has two connections to the same port, one for messages and one for everything about them. The end of a
message is said by its frame (DataEnd), which a reply gets only when it ends as the instrument ends its replies.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Callable, Iterable, Iterator

from simulated.transports.device_lock import SessionServer
from simulated.transports.listeners import Conversation, Ending, Piece

_HEADER = struct.Struct("!2sBBIQ")
"""Prologue "HS", message type, control code, message parameter, payload length."""
(
    _INITIALIZE,
    _INITIALIZE_RESPONSE,
    _FATAL_ERROR,
    _ERROR,
    _ASYNC_LOCK,
    _ASYNC_LOCK_RESPONSE,
    _DATA,
    _DATA_END,
    _DEVICE_CLEAR_COMPLETE,
    _DEVICE_CLEAR_ACKNOWLEDGE,
    _ASYNC_REMOTE_LOCAL_CONTROL,
    _ASYNC_REMOTE_LOCAL_RESPONSE,
    _TRIGGER,
) = range(13)
_ASYNC_MAXIMUM_MESSAGE_SIZE, _ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE = 15, 16
_ASYNC_INITIALIZE, _ASYNC_INITIALIZE_RESPONSE, _ASYNC_DEVICE_CLEAR = 17, 18, 19
_ASYNC_STATUS_QUERY, _ASYNC_STATUS_RESPONSE, _ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 21, 22, 23
_ASYNC_LOCK_INFO, _ASYNC_LOCK_INFO_RESPONSE = 24, 25

_POORLY_FORMED_HEADER, _BOTH_CHANNELS_NEEDED, _INVALID_INITIALIZATION = 1, 2, 3
_UNRECOGNIZED_MESSAGE_TYPE, _MESSAGE_TOO_LARGE = 1, 4
_VERSION = 0x0100
_VENDOR = 0x5858
"""Vendor identifier of the server, two letters; "XX" belongs to nobody."""
LARGEST_MESSAGE = 1 << 20
_TRY_AGAIN = 0.01
"""Seconds between checks of a lock that somebody else has."""


def message(kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> bytes:
    return _HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload


class HislipServer(SessionServer):
    """The instrument behind one port, and the sessions whose second connection stands."""

    def __init__(self, converse: Callable[[], Conversation], termination: str, reply_termination: str) -> None:
        super().__init__(converse, termination, reply_termination)
        self.established: set[int] = set()

    def connection(self) -> HislipConversation:
        return HislipConversation(self)

    def ended(self, conversation: object) -> None:
        """End the session of a closed connection; it is over with its first one."""
        if isinstance(conversation, HislipConversation):
            self.established.discard(conversation.session)
            self.lock.give_back(conversation.session)


class HislipConversation:
    """One connection; the first message makes it a session's synchronous or asynchronous one."""

    def __init__(self, server: HislipServer) -> None:
        self._server = server
        self._pending = b""
        self._synchronous: Conversation | None = None
        self.session = 0

    def receive(self, data: bytes) -> Iterator[Piece]:
        self._pending += data
        while len(self._pending) >= _HEADER.size:
            prologue, kind, control, parameter, length = _HEADER.unpack(self._pending[: _HEADER.size])
            if prologue != b"HS":
                yield from _fatal(_POORLY_FORMED_HEADER, b"poorly formed message header")
                return
            if length > LARGEST_MESSAGE:
                yield message(_ERROR, _MESSAGE_TOO_LARGE), 0.0
                yield Ending.CLOSE, 0.0
                return
            if len(self._pending) < _HEADER.size + length:
                return
            payload = self._pending[_HEADER.size : _HEADER.size + length]
            self._pending = self._pending[_HEADER.size + length :]
            yield from self._answer(kind, control, parameter, payload)

    def _answer(self, kind: int, control: int, parameter: int, payload: bytes) -> Iterable[Piece]:
        if not self.session:
            return self._begin(kind, parameter)
        if self._synchronous is None:
            return self._asynchronous(kind, control, parameter, payload)
        if kind in (_DATA, _DATA_END):
            return self._data(self._synchronous, kind, parameter, payload)
        if kind == _DEVICE_CLEAR_COMPLETE:
            self._synchronous = self._server.converse()
            return [(message(_DEVICE_CLEAR_ACKNOWLEDGE), 0.0)]
        return [] if kind == _TRIGGER else _unrecognized(kind)

    def _begin(self, kind: int, parameter: int) -> Iterable[Piece]:
        if kind == _INITIALIZE:
            self.session = next(self._server.numbers)
            self._synchronous = self._server.converse()
            return [(message(_INITIALIZE_RESPONSE, 0, _VERSION << 16 | self.session), 0.0)]
        if kind == _ASYNC_INITIALIZE:
            self.session = parameter
            self._server.established.add(parameter)
            return [(message(_ASYNC_INITIALIZE_RESPONSE, 0, _VENDOR), 0.0)]
        return _fatal(_INVALID_INITIALIZATION, b"invalid initialization sequence")

    def _data(self, conversation: Conversation, kind: int, number: int, payload: bytes) -> Iterator[Piece]:
        if self.session not in self._server.established:
            yield from _fatal(_BOTH_CHANNELS_NEEDED, b"both channels must be established")
            return
        while self._server.lock.keeps_out(self.session):
            yield b"", _TRY_AGAIN
        if kind == _DATA_END and not payload.endswith(self._server.message_end):
            payload += self._server.message_end
        for piece, delay in conversation.receive(payload):
            if isinstance(piece, Ending):
                yield piece, delay
            else:
                whole = piece.endswith(self._server.reply_end)
                yield message(_DATA_END if whole else _DATA, 0, number, piece), delay

    def _asynchronous(self, kind: int, control: int, parameter: int, payload: bytes) -> Iterable[Piece]:
        lock = self._server.lock
        if kind == _ASYNC_LOCK:
            if control:
                return self._taking(parameter / 1000)
            # Control code 1: an exclusive lock was released; 3: there was none.
            return [(message(_ASYNC_LOCK_RESPONSE, 1 if lock.give_back(self.session) else 3), 0.0)]
        if kind == _ASYNC_LOCK_INFO:
            return [(message(_ASYNC_LOCK_INFO_RESPONSE, int(lock.taken()), int(lock.taken())), 0.0)]
        if kind == _ASYNC_MAXIMUM_MESSAGE_SIZE:
            return [(message(_ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE, 0, 0, struct.pack("!Q", LARGEST_MESSAGE)), 0.0)]
        simple = {
            _ASYNC_STATUS_QUERY: _ASYNC_STATUS_RESPONSE,
            _ASYNC_DEVICE_CLEAR: _ASYNC_DEVICE_CLEAR_ACKNOWLEDGE,
            _ASYNC_REMOTE_LOCAL_CONTROL: _ASYNC_REMOTE_LOCAL_RESPONSE,
        }
        return [(message(simple[kind]), 0.0)] if kind in simple else _unrecognized(kind)

    def _taking(self, timeout: float) -> Iterator[Piece]:
        until = time.monotonic() + timeout
        while not (taken := self._server.lock.take(self.session)) and time.monotonic() < until:
            yield b"", _TRY_AGAIN
        yield message(_ASYNC_LOCK_RESPONSE, int(taken)), 0.0


def _unrecognized(kind: int) -> Iterable[Piece]:
    text = f"message type {kind} is not known".encode()
    return [(message(_ERROR, _UNRECOGNIZED_MESSAGE_TYPE, 0, text), 0.0)]


def _fatal(code: int, text: bytes) -> Iterable[Piece]:
    return [(message(_FATAL_ERROR, code, 0, text), 0.0), (Ending.CLOSE, 0.0)]
