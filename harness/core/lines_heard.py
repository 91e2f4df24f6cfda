"""Lines as they come from a pipe or a terminal, read by a thread of their own: Windows has no `select` for either."""

import contextlib
import signal
import threading
from queue import SimpleQueue


def lines_heard(descriptor: int) -> SimpleQueue[str | None]:
    """The lines of `descriptor` without their ends, then None; its bytes are UTF-8.

    Nothing else may read there. Where that is a terminal whose foreground another program has, None comes at once.
    """
    if threading.current_thread() is threading.main_thread() and hasattr(signal, "SIGTTIN"):
        # A program in the background (`simulate &`) would be stopped for reading.
        signal.signal(signal.SIGTTIN, signal.SIG_IGN)
    heard: SimpleQueue[str | None] = SimpleQueue()
    threading.Thread(target=_read, args=(descriptor, heard), name="lines heard", daemon=True).start()
    return heard


def _read(descriptor: int, heard: SimpleQueue[str | None]) -> None:
    # Unbuffered: Python's end needs the lock of a buffered stream, which a thread that still waits there would hold.
    with contextlib.suppress(OSError), open(descriptor, "rb", buffering=0, closefd=False) as stream:
        rest = b""
        while data := stream.read(4096):
            *whole, rest = (rest + data).split(b"\n")
            for line in whole:
                heard.put(_text(line))
        if rest:
            heard.put(_text(rest))
    heard.put(None)


def _text(line: bytes) -> str:
    return line.decode("utf-8", "replace").removesuffix("\r")
