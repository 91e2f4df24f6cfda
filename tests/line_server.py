"""A peer on a TCP port that answers lines as a test tells it to, and remembers what it was sent."""

from __future__ import annotations

import contextlib
import socketserver
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field


@dataclass
class Peer:
    """`received` are the lines so far, of all connections."""

    port: int = 0
    received: list[str] = field(default_factory=list)

    @property
    def address(self) -> str:
        """As VISA writes it."""
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"


@contextlib.contextmanager
def line_server(answer: Callable[[str], str | None]) -> Iterator[Peer]:
    """Serve `answer` on a free port: a reply to a line, or None for silence."""
    peer = Peer()

    class Handler(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            for line in self.rfile:
                text = line.decode("latin-1").rstrip("\r\n")
                peer.received.append(text)
                reply = answer(text)
                if reply is not None:
                    self.wfile.write(f"{reply}\n".encode())

    class Server(socketserver.ThreadingTCPServer):
        daemon_threads = True
        block_on_close = False

    with Server(("127.0.0.1", 0), Handler) as server:
        peer.port = server.server_address[1]
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield peer
        finally:
            server.shutdown()
            thread.join()
