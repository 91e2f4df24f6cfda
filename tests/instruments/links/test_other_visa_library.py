"""Another VISA library than PyVISA-py, with the habits such libraries have; the transport below it is real.

PyVISA finds a library called ``@odd`` as the module ``pyvisa_odd`` (PyVISA, "Architecture": a backend provides WRAPPER_CLASS).
"""

from __future__ import annotations

import sys
import threading
import time
import types
from collections.abc import Callable, Iterator
from typing import Any, ClassVar

import pytest
from pyvisa.constants import AccessModes, StatusCode
from pyvisa_py.highlevel import PyVisaLibrary

from instruments.errors import LinkError
from instruments.links.link import LinkSettings
from instruments.links.visa_link import VisaLink
from tests.line_server import line_server

SETTINGS = LinkSettings(timeout=0.3, library="@odd")
BOUND = 3.0
"""Seconds: the timeout, what a library is given beyond it, and a busy machine."""


class OddLibrary(PyVisaLibrary):  # type: ignore[misc]
    """PyVISA-py behind another name; `habits` take the place of single functions."""

    habits: ClassVar[dict[str, Callable[..., Any]]] = {}

    def open(self, *arguments: Any, **options: Any) -> Any:
        return self._habit("open", super().open)(*arguments, **options)

    def read(self, *arguments: Any) -> Any:
        return self._habit("read", super().read)(*arguments)

    def write(self, *arguments: Any) -> Any:
        return self._habit("write", super().write)(*arguments)

    def read_stb(self, *arguments: Any) -> Any:
        return self._habit("read_stb", super().read_stb)(*arguments)

    def close(self, *arguments: Any) -> Any:
        return self._habit("close", super().close)(*arguments)

    def _habit(self, name: str, otherwise: Callable[..., Any]) -> Callable[..., Any]:
        return self.habits.get(name, otherwise)


@pytest.fixture(autouse=True)
def _odd_library(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    module = types.ModuleType("pyvisa_odd")
    module.WRAPPER_CLASS = OddLibrary  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "pyvisa_odd", module)
    OddLibrary.habits = {}
    yield
    OddLibrary.habits = {}


def test_with_good_habits_it_is_like_any_other() -> None:
    """The stand-in itself: questions are answered, and a late reply is a timeout."""
    with line_server(lambda line: line if line != "LATE?" else None) as peer:
        link = VisaLink("meter", peer.address, SETTINGS)
        assert link.query("READ?") == "READ?"
        with pytest.raises(LinkError, match="no reply within the timeout"):
            link.query("LATE?")


@pytest.mark.parametrize(
    ("habit", "told"),
    [
        (lambda *_: (b"", StatusCode.error_connection_lost), "connection"),
        (lambda *_: (b"", StatusCode.error_timeout), "no reply within the timeout"),
        # Success, and nothing: for ever.
        (lambda *_: (b"", StatusCode.success), "no reply within the timeout"),
        (lambda *_: threading.Event().wait(8) or (b"", StatusCode.success), "the library did not return"),
    ],
    ids=["an error as a status", "a timeout as a status", "nothing again and again", "does not return"],
)
def test_a_read_ends_by_its_deadline_whatever_the_library_does(habit: Callable[..., Any], told: str) -> None:
    """It is a failure of the link within the timeout, at next to no processor time."""
    with line_server(lambda line: line) as peer:
        link = VisaLink("meter", peer.address, SETTINGS)
        OddLibrary.habits = {"read": habit}
        started, processor = time.monotonic(), time.process_time()
        with pytest.raises(LinkError, match=told):
            link.read()
        assert time.monotonic() - started < BOUND
        assert time.process_time() - processor < 0.2
        with pytest.raises(LinkError, match="link is closed"):
            link.read()


@pytest.mark.parametrize("function", ["open", "write", "close"])
def test_every_other_call_ends_too(function: str) -> None:
    """Opening, writing and closing in a library that does not come back."""

    def never(*_: Any, **__: Any) -> Any:
        threading.Event().wait(8)
        raise OSError("too late")

    with line_server(lambda line: line) as peer:
        link = VisaLink("meter", peer.address, SETTINGS) if function != "open" else None
        OddLibrary.habits = {function: never}
        started = time.monotonic()
        if function == "close":
            assert link is not None
            link.close()
        else:
            with pytest.raises(LinkError, match="the library did not return"):
                (link or VisaLink("meter", peer.address, SETTINGS)).write("X")
        assert time.monotonic() - started < BOUND


def test_a_write_that_failed_by_its_status_is_not_taken_for_done() -> None:
    """An error status of the library's write."""
    with line_server(lambda line: line) as peer:
        link = VisaLink("load", peer.address, SETTINGS)
        OddLibrary.habits = {"write": lambda *_: (0, StatusCode.error_input_output)}
        with pytest.raises(LinkError, match="write failed"):
            link.write("OUTP OFF")


def test_a_stale_reply_on_a_socket_is_found() -> None:
    """The second half of a double reply answers no question, whatever library carries it."""
    with line_server(lambda line: "1\n2") as peer:
        link = VisaLink("meter", peer.address, SETTINGS)
        assert link.query("READ?") == "1"
        with pytest.raises(LinkError, match="an unexpected reply is waiting"):
            link.query("READ?")


@pytest.mark.parametrize("status_byte", [0x10, 0x00])
def test_a_stale_reply_in_an_instrument_is_found_by_its_status_byte(status_byte: int) -> None:
    """IEEE 488.2, 11.2.1.2: bit 4, message available, says that the output queue holds something; it may always be read."""
    with line_server(lambda line: line) as peer:
        OddLibrary.habits = {"read_stb": lambda *_: (status_byte, StatusCode.success)}
        link = VisaLink("meter", peer.address, SETTINGS)
        # As on an interface that says itself where a message ends.
        link._interface.says_end = True
        if status_byte:
            with pytest.raises(LinkError, match="an unexpected reply is waiting"):
                link.query("READ?")
        else:
            assert link.query("READ?") == "READ?"


def test_a_library_that_cannot_read_a_status_byte_is_used_all_the_same() -> None:
    """Not every interface has one."""
    with line_server(lambda line: line) as peer:
        OddLibrary.habits = {"read_stb": lambda *_: (0, StatusCode.error_nonsupported_operation)}
        link = VisaLink("meter", peer.address, SETTINGS)
        link._interface.says_end = True
        assert link.query("READ?") == "READ?"
        assert link.query("READ?") == "READ?"


@pytest.mark.parametrize("lock", [True, False])
def test_a_library_with_a_lock_of_its_own_is_asked_for_it(lock: bool) -> None:
    """VPP-4.3, viOpen: VI_EXCLUSIVE_LOCK as the access mode; a library that refuses is a link that failed."""
    asked: list[Any] = []

    def refuses(*arguments: Any, **options: Any) -> Any:
        asked.extend([*arguments, *options.values()])
        raise OSError("locked by another")

    OddLibrary.habits = {"open": refuses}
    with line_server(lambda line: line) as peer, pytest.raises(LinkError, match="locked by another"):
        VisaLink("meter", peer.address, LinkSettings(timeout=0.3, library="@odd", lock=lock))
    modes = [argument for argument in asked if isinstance(argument, AccessModes)]
    assert modes == [AccessModes.exclusive_lock if lock else AccessModes.no_lock]


@pytest.mark.parametrize("written", ["ASRLCOM3::INSTR", "asrl3::instr", r"ASRL\\.\COM3::INSTR"])
def test_a_port_of_windows_is_opened_by_its_number(written: str) -> None:
    """``ASRL3::INSTR`` is what the VISA specification (VPP-4.3) writes, and what PyVISA-py puts COM before."""
    opened: list[str] = []

    def refuse(_: object, name: str, *rest: object) -> None:
        opened.append(name)
        raise OSError("not here")

    OddLibrary.habits = {"open": refuse}
    with pytest.raises(LinkError, match="not here"):
        VisaLink("meter", written, SETTINGS)
    assert opened == ["ASRL3::INSTR"]
