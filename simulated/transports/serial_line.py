"""A simulated serial line: one conversation behind the path of a serial device."""

import sys
import threading
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Protocol

from simulated.transports.listeners import GIVE_UP_WRITING, LOOK_UP_EVERY, Conversation, Ending, Piece

if sys.platform == "win32":
    from simulated.transports.loopback_line import LoopbackLine as SystemLine
else:
    from simulated.transports.pseudo_terminal import PseudoTerminal as SystemLine

IS_DEVICE = sys.platform != "win32"
"""Whether any program can open the path; otherwise only one that reads the socket's address from the file."""

_LINE_PAUSE = 0.03
"""Seconds of silence that end a frame."""


class LineEnd(Protocol):
    """The bench's own end, made from the path at which clients find the other one."""

    def read(self, seconds: float) -> bytes:
        """Bytes received within `seconds`; empty when there are none."""

    def write(self, data: bytes, seconds: float) -> bool:
        """Send `data`; False when the other side takes nothing for `seconds`."""

    def close(self) -> None:
        """Remove the path and end the line."""


class SerialLine:
    """Serves one conversation at `path`, by the means of the system (`plug_in`).

    `on_pause` is called when the line has been silent after data; while `absent` returns true, the path is gone. Raises
    OSError when the path is taken.
    """

    def __init__(
        self,
        path: Path,
        conversation: Conversation,
        on_pause: Callable[[], Iterable[Piece]] = tuple,
        absent: Callable[[], bool] = lambda: False,
        plug_in: Callable[[Path], LineEnd] = SystemLine,
    ) -> None:
        self._path, self._conversation, self._on_pause, self._absent = path, conversation, on_pause, absent
        self._plug_in = plug_in
        self._end = plug_in(path)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._talk, name=f"simulated line {path}", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._end.close()

    def _replug(self) -> None:
        self._end.close()
        while self._absent() and not self._stop.wait(LOOK_UP_EVERY / 5):
            pass
        self._end = self._plug_in(self._path)

    def _talk(self) -> None:
        silent = True
        while not self._stop.is_set():
            if self._absent():
                self._replug()
            data = self._end.read(LOOK_UP_EVERY if silent else _LINE_PAUSE)
            pieces: Iterable[Piece] = ()
            if data:
                pieces = self._conversation.receive(data)
            elif not silent:
                pieces = self._on_pause()
            silent = not data
            self._answer(pieces)

    def _answer(self, pieces: Iterable[Piece]) -> None:
        for piece, delay in pieces:
            if (delay and self._stop.wait(delay)) or self._stop.is_set():
                return
            if piece is Ending.RESET:
                self._replug()
            if not isinstance(piece, bytes) or not self._end.write(piece, GIVE_UP_WRITING):
                return
