"""Conversations in bytes: their protocol, answers on their way, and a TCP listener."""

import contextlib
import enum
import socket
import struct
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Protocol

LOOK_UP_EVERY = 0.05
"""Seconds between checks of the request to stop."""
GIVE_UP_WRITING = 0.2
"""Seconds after which a serial client that takes no more bytes is given up."""
HOLDS_PORT = sys.platform == "linux"
"""Only Linux lets two sockets have one port while neither listens, so that one keeps it for the other."""


class Ending(enum.Enum):
    """Replacements of bytes in an answer. A serial line cannot be closed: only `RESET` is seen there, as an unplugged adapter."""

    CLOSE = "closed in good order"
    RESET = "reset"


Piece = tuple[bytes | Ending, float]
"""Bytes sent, and the seconds they leave after the piece before them."""


class Conversation(Protocol):
    def receive(self, data: bytes) -> Iterable[Piece]:
        """Process `data`; return the answer, which may be endless."""


def nothing(_: Conversation) -> None:
    return None


class TcpListener:
    """Serves a new conversation to every client of a TCP port. Port 0 takes a free one; `port` tells which.

    While `absent` returns true, connections are refused. `ended` is called with every conversation whose connection has
    ended. With `clients`, so many are served at a time and the others wait. Raises OSError when the port cannot be taken.
    """

    def __init__(
        self,
        host: str,
        port: int,
        converse: Callable[[], Conversation],
        absent: Callable[[], bool] = lambda: False,
        ended: Callable[[Conversation], None] = nothing,
        clients: int | None = None,
    ) -> None:
        self._clients = clients
        self._host, self._converse, self._absent, self._ended = host, converse, absent, ended
        self._stop = threading.Event()
        with contextlib.ExitStack() as undo:
            self._holder = self._held(port) if HOLDS_PORT else None
            if self._holder is not None:
                undo.callback(self._holder.close)
                port = self._holder.getsockname()[1]
            listener = self._listening(port)
            undo.pop_all()
        self.port: int = listener.getsockname()[1]
        self._talking: list[threading.Thread] = []
        self._accepting = threading.Thread(
            target=self._accept, args=(listener,), name=f"simulated port {self.port}", daemon=True
        )
        self._accepting.start()

    def close(self) -> None:
        """Close the port and every connection, and wait for their threads."""
        self._stop.set()
        self._accepting.join()  # from here on the list below grows no more
        for thread in self._talking:
            thread.join()
        if self._holder is not None:
            self._holder.close()

    def _held(self, port: int) -> socket.socket:
        """A socket bound but not listening: it keeps the port for us while connections to it are refused."""
        holder = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            holder.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            holder.bind((self._host, port))
        except OSError:
            holder.close()
            raise
        return holder

    def _listening(self, port: int) -> socket.socket:
        listener = socket.create_server((self._host, port), backlog=8)
        listener.settimeout(LOOK_UP_EVERY)
        return listener

    def _listening_again(self) -> socket.socket | None:
        """A listening socket on the same port; None when this is closed before the port is available again."""
        while not self._stop.is_set():
            try:
                return self._listening(self.port)
            except OSError:
                self._stop.wait(LOOK_UP_EVERY)
        return None

    def _accept(self, listener: socket.socket) -> None:
        while not self._stop.is_set():
            if self._absent():
                listener.close()
                while self._absent() and not self._stop.wait(LOOK_UP_EVERY / 5):
                    pass
                again = self._listening_again()
                if again is None:
                    return
                listener = again
            if self._clients is not None and sum(t.is_alive() for t in self._talking) >= self._clients:
                self._stop.wait(LOOK_UP_EVERY / 5)
                continue
            with contextlib.suppress(TimeoutError):
                connection, _ = listener.accept()
                thread = threading.Thread(target=self._talk, args=(connection,), daemon=True)
                thread.start()
                self._talking = [*(t for t in self._talking if t.is_alive()), thread]
        listener.close()

    def _talk(self, connection: socket.socket) -> None:
        conversation = self._converse()
        with connection, contextlib.suppress(OSError):
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            connection.settimeout(LOOK_UP_EVERY)
            while not self._stop.is_set():
                try:
                    data = connection.recv(4096)
                except TimeoutError:
                    continue
                if not data or not self._answer(connection, conversation.receive(data)):
                    break
        self._ended(conversation)

    def _answer(self, connection: socket.socket, pieces: Iterable[Piece]) -> bool:
        """Send `pieces`; return whether the connection is still open."""
        for piece, delay in pieces:
            if delay and self._stop.wait(delay):
                return False
            if self._stop.is_set():
                return False
            if isinstance(piece, bytes):
                connection.sendall(piece)
                continue
            if piece is Ending.RESET:
                # Closing with a linger time of zero sends a reset instead of a farewell.
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            return False
        return True


class Arriving:
    """Pieces on their way, by the clock `now` in seconds."""

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._sources: deque[tuple[float, Iterator[Piece]]] = deque()
        self._last = 0.0
        self._next: bytes | Ending | None = None

    def add(self, pieces: Iterable[Piece]) -> None:
        """Send `pieces` from now on."""
        self._sources.append((self._now(), iter(pieces)))

    def ready(self) -> float:
        """Arrival time of the next piece; infinite when there is none."""
        while self._next is None and self._sources:
            sent, source = self._sources[0]
            found = next(source, None)
            if found is None:
                self._sources.popleft()
            else:
                self._next, self._last = found[0], max(self._last, sent) + found[1]
        return float("inf") if self._next is None else self._last

    def take(self) -> bytes | Ending:
        """Remove and return the next piece; `ready` has said there is one."""
        assert self._next is not None
        piece, self._next = self._next, None
        return piece
