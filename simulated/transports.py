"""Real transports for conversations in bytes: a TCP listener and a serial line on a pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

_LOOK_UP_EVERY = 0.05
"""Seconds between looks at the request to stop."""
_LINE_PAUSE = 0.03
"""Seconds of silence that end a frame on the serial line."""


class Conversation(Protocol):
    """Bytes in, replies out, each with the seconds it leaves late."""

    def receive(self, data: bytes) -> list[tuple[bytes, float]]:
        """Take `data` in; the replies it completed."""


class TcpListener:
    """Serves a new conversation to every client of a TCP port. Port 0 takes a free one; `port` tells which.

    Raises OSError when the port cannot be taken.
    """

    def __init__(self, host: str, port: int, converse: Callable[[], Conversation]) -> None:
        self._converse = converse
        self._stop = threading.Event()
        self._listener = socket.create_server((host, port), backlog=8)
        self._listener.settimeout(_LOOK_UP_EVERY)
        self.port: int = self._listener.getsockname()[1]
        self._talking: list[threading.Thread] = []
        self._accepting = threading.Thread(target=self._accept, name=f"simulated port {self.port}", daemon=True)
        self._accepting.start()

    def close(self) -> None:
        """Close the port and every connection, and wait for their threads."""
        self._stop.set()
        self._accepting.join()  # from here on the list below grows no more
        for thread in self._talking:
            thread.join()

    def _accept(self) -> None:
        with self._listener:
            while not self._stop.is_set():
                with contextlib.suppress(TimeoutError):
                    connection, _ = self._listener.accept()
                    thread = threading.Thread(target=self._talk, args=(connection,), daemon=True)
                    thread.start()
                    self._talking = [*(t for t in self._talking if t.is_alive()), thread]

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
                if not data:
                    return
                for reply, delay in conversation.receive(data):
                    if delay and self._stop.wait(delay):
                        return
                    connection.sendall(reply)


class SerialLine:
    """Serves one conversation on a pseudo-terminal; `path` is made a link to the client's end.

    `on_pause` is called when the line has been silent after data. Raises OSError when the path is taken.
    """

    def __init__(
        self,
        path: Path,
        conversation: Conversation,
        on_pause: Callable[[], list[tuple[bytes, float]]] = list,
    ) -> None:
        import pty  # POSIX only, so not at the top
        import tty

        # A link whose terminal is gone was left behind by a server that was killed.
        if path.is_symlink() and not path.exists():
            path.unlink()
        self._near, self._far = pty.openpty()
        try:
            tty.setraw(self._far)
            path.symlink_to(os.ttyname(self._far))
        except OSError:
            os.close(self._near)
            os.close(self._far)
            raise
        self._path = path
        self._conversation = conversation
        self._on_pause = on_pause
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._talk, name=f"simulated line {path}", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Remove the path and end the line."""
        self._stop.set()
        self._thread.join()
        self._path.unlink(missing_ok=True)
        os.close(self._near)
        os.close(self._far)

    def _talk(self) -> None:
        silent = True
        while not self._stop.is_set():
            ready, _, _ = select.select([self._near], [], [], _LOOK_UP_EVERY if silent else _LINE_PAUSE)
            replies: list[tuple[bytes, float]] = []
            if ready:
                replies = self._conversation.receive(os.read(self._near, 4096))
            elif not silent:
                replies = self._on_pause()
            silent = not ready
            for reply, delay in replies:
                if delay and self._stop.wait(delay):
                    return
                os.write(self._near, reply)
