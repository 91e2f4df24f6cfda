"""The bench's own end of a simulated serial line where the system has no pseudo-terminals: a socket of this machine.

A file stands where the serial device would be, and holds where the socket is, ``socket://127.0.0.1:PORT``.
"""

import contextlib
import select
import socket
from pathlib import Path

URL = "socket://"
LOOPBACK = "127.0.0.1"


class LoopbackLine:
    """A line for one client at a time, as a serial port has. Raises OSError when the path is taken."""

    def __init__(self, path: Path) -> None:
        _forget_dead(path)
        self._path = path
        self._listener = socket.create_server((LOOPBACK, 0), backlog=8)
        self._client: socket.socket | None = None
        try:
            with path.open("x", encoding="ascii", newline="\n") as file:
                file.write(f"{URL}{LOOPBACK}:{self._listener.getsockname()[1]}\n")
        except OSError:
            self._listener.close()
            raise

    def read(self, seconds: float) -> bytes:
        if not select.select([self._client or self._listener], [], [], seconds)[0]:
            return b""
        if self._client is None:
            self._client, _ = self._listener.accept()
            self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            return b""
        try:
            data = self._client.recv(4096)
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def write(self, data: bytes, seconds: float) -> bool:
        """Send `data`; False when the other side takes nothing for `seconds`. Data that nobody listens to is lost."""
        if self._client is None:
            return True
        self._client.settimeout(seconds)
        try:
            self._client.sendall(data)
        except TimeoutError:
            return False
        except OSError:
            self._hang_up()
        return True

    def close(self) -> None:
        self._path.unlink(missing_ok=True)
        self._hang_up()
        self._listener.close()

    def _hang_up(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None


def _forget_dead(path: Path) -> None:
    """Remove a file that a killed server left behind; any other is left alone."""
    with contextlib.suppress(OSError, ValueError):
        text = path.read_text(encoding="ascii").strip()
        host, _, port = text.removeprefix(URL).partition(":")
        if text.startswith(URL) and host == LOOPBACK:
            try:
                socket.create_connection((host, int(port)), timeout=1.0).close()
            except ConnectionRefusedError:
                path.unlink()
