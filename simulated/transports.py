"""Real transports for conversations in bytes: a TCP listener and a serial line on a pseudo-terminal."""

from __future__ import annotations

import contextlib
import enum
import os
import select
import socket
import struct
import threading
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Protocol

_LOOK_UP_EVERY = 0.05
"""Seconds between looks at the request to stop."""
_LINE_PAUSE = 0.03
"""Seconds of silence that end a frame on the serial line."""
_GIVE_UP_WRITING = 0.2
"""Seconds after which a client that takes no more bytes is written off."""


class Ending(enum.Enum):
    """What may come in place of bytes. A serial line cannot be closed: there only `RESET` is seen, as an unplugged adapter."""

    CLOSE = "closed in good order"
    RESET = "reset"


Piece = tuple[bytes | Ending, float]
"""What goes out, and the seconds it leaves after the piece before it."""


class Conversation(Protocol):
    """Bytes in, pieces of replies out."""

    def receive(self, data: bytes) -> Iterable[Piece]:
        """Take `data` in; what it is answered with, which may go on for ever."""


def _never() -> bool:
    return False


def _nothing(_: Conversation) -> None:
    return None


class TcpListener:
    """Serves a new conversation to every client of a TCP port. Port 0 takes a free one; `port` tells which.

    While `absent` says so, connections are refused. `ended` is told of every conversation whose connection has ended.
    With `clients`, so many are served at a time and the others wait. Raises OSError when the port cannot be taken.
    """

    def __init__(
        self,
        host: str,
        port: int,
        converse: Callable[[], Conversation],
        absent: Callable[[], bool] = _never,
        ended: Callable[[Conversation], None] = _nothing,
        clients: int | None = None,
    ) -> None:
        self._clients = clients
        self._host, self._converse, self._absent, self._ended = host, converse, absent, ended
        self._stop = threading.Event()
        # Bound but not listening: it keeps the port for us while connections to it are refused.
        self._holder = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            self._holder.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self._holder.bind((host, port))
            self.port: int = self._holder.getsockname()[1]
            listener = self._listening()
        except OSError:
            self._holder.close()
            raise
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
        self._holder.close()

    def _listening(self) -> socket.socket:
        listener = socket.create_server((self._host, self.port), backlog=8)
        listener.settimeout(_LOOK_UP_EVERY)
        return listener

    def _accept(self, listener: socket.socket) -> None:
        while not self._stop.is_set():
            if self._absent():
                listener.close()
                while self._absent() and not self._stop.wait(_LOOK_UP_EVERY / 5):
                    pass
                listener = self._listening()
            if self._clients is not None and sum(t.is_alive() for t in self._talking) >= self._clients:
                self._stop.wait(_LOOK_UP_EVERY / 5)
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
            connection.settimeout(_LOOK_UP_EVERY)
            while not self._stop.is_set():
                try:
                    data = connection.recv(4096)
                except TimeoutError:
                    continue
                if not data or not self._answer(connection, conversation.receive(data)):
                    break
        self._ended(conversation)

    def _answer(self, connection: socket.socket, pieces: Iterable[Piece]) -> bool:
        """Send `pieces`; whether the connection is still there afterwards."""
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


class SerialLine:
    """Serves one conversation on a pseudo-terminal; `path` is made a link to the client's end.

    `on_pause` is called when the line has been silent after data; while `absent` says so, the path is gone. Raises
    OSError when the path is taken.
    """

    def __init__(
        self,
        path: Path,
        conversation: Conversation,
        on_pause: Callable[[], Iterable[Piece]] = tuple,
        absent: Callable[[], bool] = _never,
    ) -> None:
        # A link whose terminal is gone was left behind by a server that was killed.
        if path.is_symlink() and not path.exists():
            path.unlink()
        self._path, self._conversation, self._on_pause, self._absent = path, conversation, on_pause, absent
        self._near, self._far = self._plugged()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._talk, name=f"simulated line {path}", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Remove the path and end the line."""
        self._stop.set()
        self._thread.join()
        self._unplug()

    def _plugged(self) -> tuple[int, int]:
        import pty  # POSIX only, so not at the top
        import tty

        near, far = pty.openpty()
        try:
            tty.setraw(far)
            os.set_blocking(near, False)
            self._path.symlink_to(os.ttyname(far))
        except OSError:
            os.close(near)
            os.close(far)
            raise
        return near, far

    def _unplug(self) -> None:
        self._path.unlink(missing_ok=True)
        os.close(self._near)
        os.close(self._far)

    def _replug(self) -> None:
        self._unplug()
        while self._absent() and not self._stop.wait(_LOOK_UP_EVERY / 5):
            pass
        self._near, self._far = self._plugged()

    def _talk(self) -> None:
        silent = True
        while not self._stop.is_set():
            if self._absent():
                self._replug()
            ready, _, _ = select.select([self._near], [], [], _LOOK_UP_EVERY if silent else _LINE_PAUSE)
            pieces: Iterable[Piece] = ()
            if ready:
                pieces = self._conversation.receive(os.read(self._near, 4096))
            elif not silent:
                pieces = self._on_pause()
            silent = not ready
            self._answer(pieces)

    def _answer(self, pieces: Iterable[Piece]) -> None:
        for piece, delay in pieces:
            if (delay and self._stop.wait(delay)) or self._stop.is_set():
                return
            if piece is Ending.RESET:
                self._replug()
            if not isinstance(piece, bytes) or not self._written(piece):
                return

    def _written(self, data: bytes) -> bool:
        while data:
            if not select.select([], [self._near], [], _GIVE_UP_WRITING)[1]:
                return False
            data = data[os.write(self._near, data) :]
        return True
