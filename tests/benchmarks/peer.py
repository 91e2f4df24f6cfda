"""An instrument that answers at once (or after the seconds given), in a process of its own: what is left to time is the exchange."""

import socket
import sys
import threading
import time

DELAY = float(sys.argv[1]) if len(sys.argv) > 1 else 0.0
REPLIES = {b"*IDN?": b"Peer,instant,1,1.0\n", b"SYSTem:ERRor?": b'0,"No error"\n'}


def answer(connection: socket.socket) -> None:
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    pending = b""
    while data := connection.recv(4096):
        *messages, pending = (pending + data).split(b"\n")
        for message in messages:
            if message.endswith(b"?"):
                if DELAY:
                    time.sleep(DELAY)
                connection.sendall(REPLIES.get(message, b"+1.23456789E+00\n"))


if __name__ == "__main__":
    listener = socket.create_server(("127.0.0.1", 0))
    print(listener.getsockname()[1], flush=True)
    while True:
        threading.Thread(target=answer, args=(listener.accept()[0],), daemon=True).start()
