"""The VISA link against real sockets that misbehave."""

import socket
import statistics
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import pytest

from instruments.errors import LinkError, ReplyError
from instruments.links.link import LinkSettings
from instruments.links.visa_link import VisaLink


@contextmanager
def peer(serve: Callable[[socket.socket], None]) -> Iterator[str]:
    """A listening socket whose every connection is handed to `serve`; the VISA address of it."""
    listener = socket.create_server(("127.0.0.1", 0))
    connections: list[socket.socket] = []

    def accept() -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            connections.append(connection)
            threading.Thread(target=quietly, args=(connection,), daemon=True).start()

    def quietly(connection: socket.socket) -> None:
        with suppress(OSError):
            serve(connection)

    thread = threading.Thread(target=accept, daemon=True)
    thread.start()
    try:
        yield f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(2)
        for connection in connections:
            connection.close()


def lines(connection: socket.socket) -> Iterator[str]:
    with connection.makefile("r", encoding="ascii") as stream:
        for line in stream:
            yield line.strip()


def test_a_late_reply_never_becomes_a_reading() -> None:
    """After a timeout the link is closed: the late answer to the first question cannot answer the second one."""

    given_up, answered = threading.Event(), threading.Event()

    def late(connection: socket.socket) -> None:
        for number, _ in enumerate(lines(connection)):
            given_up.wait(10)
            connection.sendall(f"{number}\n".encode())
            answered.set()

    with peer(late) as address:
        link = VisaLink("meter", address, LinkSettings(timeout=0.2))
        with pytest.raises(LinkError, match="no reply within the timeout") as caught:
            link.query("READ?")
        assert caught.value.instrument == "meter"
        assert caught.value.command == "READ?"
        assert caught.value.elapsed is not None
        assert 0.15 < caught.value.elapsed < 2
        given_up.set()
        assert answered.wait(10)
        with pytest.raises(LinkError, match="link is closed"):
            link.query("READ?")


@pytest.mark.parametrize("ask", [VisaLink.query, VisaLink.write])
def test_an_unasked_for_reply_is_refused(ask: Callable[[VisaLink, str], str | None]) -> None:
    """Bytes that wait before a question is asked belong to no question of ours."""

    def twice(connection: socket.socket) -> None:
        for _ in lines(connection):
            connection.sendall(b"1\n2\n")

    with peer(twice) as address:
        link = VisaLink("meter", address, LinkSettings(timeout=1))
        assert link.query("READ?") == "1"
        with pytest.raises(LinkError, match="an unexpected reply is waiting"):
            ask(link, "READ?")


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_both_line_ends_are_taken(ending: str) -> None:
    """Replies may end in line feed alone or after a carriage return."""

    def reply(connection: socket.socket) -> None:
        for line in lines(connection):
            connection.sendall(f"{line}{ending}".encode())

    with peer(reply) as address:
        link = VisaLink("meter", address, LinkSettings(timeout=1))
        assert link.query("abc") == "abc"
        link.close()


def test_a_dead_port_a_cut_reply_and_garbage_are_errors_with_context() -> None:
    """Each failure names instrument, address and command."""
    with socket.create_server(("127.0.0.1", 0)) as unused:
        port = unused.getsockname()[1]
    with pytest.raises(LinkError, match=rf"load at TCPIP::127.0.0.1::{port}::SOCKET"):
        VisaLink("load", f"TCPIP::127.0.0.1::{port}::SOCKET", LinkSettings(timeout=0.3)).query("*IDN?")

    def cut(connection: socket.socket) -> None:
        next(lines(connection))
        connection.sendall(b"1.2")
        connection.shutdown(socket.SHUT_RDWR)

    with peer(cut) as address, pytest.raises(LinkError) as caught:
        VisaLink("load", address, LinkSettings(timeout=0.3)).query("READ?")
    assert caught.value.command == "READ?"

    def garbage(connection: socket.socket) -> None:
        next(lines(connection))
        connection.sendall(b"\xff\xfe1.2\n")

    with peer(garbage) as address, pytest.raises(ReplyError, match="garbled reply"):
        VisaLink("load", address, LinkSettings(timeout=0.3)).query("READ?")


def test_an_endless_reply_ends() -> None:
    """A reply that never stops is given up, bounded in bytes and time."""

    def endless(connection: socket.socket) -> None:
        next(lines(connection))
        while True:
            connection.sendall(b"9" * 4096)

    with peer(endless) as address:
        link = VisaLink("load", address, LinkSettings(timeout=0.5))
        started = time.monotonic()
        with pytest.raises(LinkError, match="reply"):
            link.query("READ?")
        assert time.monotonic() - started < 5


def test_two_threads_do_not_mix_replies() -> None:
    """One link used by two threads gives each its own answer."""

    def echo(connection: socket.socket) -> None:
        for line in lines(connection):
            time.sleep(0.001)
            connection.sendall(f"{line}\n".encode())

    wrong: list[str] = []
    with peer(echo) as address:
        link = VisaLink("meter", address, LinkSettings(timeout=2))

        def ask(name: str) -> None:
            for number in range(50):
                if link.query(f"{name}{number}") != f"{name}{number}":
                    wrong.append(name)

        threads = [threading.Thread(target=ask, args=(name,)) for name in "ab"]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        link.close()
    assert not wrong


def test_write_then_query_is_not_held_back() -> None:
    """With TCP_NODELAY a write followed by a query does not wait for a delayed acknowledge (40 ms on Linux)."""

    def answer_queries(connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for line in lines(connection):
            if line.endswith("?"):
                connection.sendall(b"1\n")

    with peer(answer_queries) as address:
        link = VisaLink("meter", address, LinkSettings(timeout=1))
        link.query("A?")
        took = []
        for _ in range(21):
            started = time.monotonic()
            link.write("B 1")
            link.query("A?")
            took.append(time.monotonic() - started)
        assert statistics.median(took) < 0.02
        link.close()


def test_opening_ends_too_where_nobody_answers() -> None:
    """PyVISA-py 0.8.1 gives each of HiSLIP's two connections 5 s, whatever timeout was asked for."""

    def silent(connection: socket.socket) -> None:
        for _ in lines(connection):
            pass

    with peer(silent) as address:
        port = address.split("::")[2]
        with pytest.raises(LinkError, match="the library did not return") as caught:
            VisaLink("meter", f"TCPIP::127.0.0.1::hislip0,{port}::INSTR", LinkSettings(timeout=0.2))
        assert caught.value.elapsed is not None
        assert caught.value.elapsed < 3.0
