"""How long the load waits for others that have fallen silent, over real sockets, by what passed on the links."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack

import pytest

from harness.safety.safing import make_all_safe
from instruments.drivers.over_links import ScpiLoad, ScpiMeter, ScpiReference
from instruments.drivers.scpi import ScpiInstrument
from instruments.errors import LinkError
from instruments.links.link import LinkSettings
from instruments.links.visa_link import VisaLink
from instruments.profile import load_profile
from simulated.transports.listeners import TcpListener
from simulated.transports.scpi_conversation import Command, Reply, ScpiConversation, ScpiTerminal

SETTINGS = LinkSettings(timeout=0.4)


class Telling(VisaLink):
    """A real link that notes what is done on it."""

    def __init__(self, name: str, address: str, passed: list[str]) -> None:
        self._name, self._passed = name, passed
        super().__init__(name, address, SETTINGS)

    def write(self, text: str) -> None:
        self._passed.append(f"{self._name}: {text}")
        super().write(text)

    def read(self) -> str:
        self._passed.append(f"{self._name} waited for")
        return super().read()

    def query(self, text: str) -> str:
        self._passed.append(f"{self._name}: {text}")
        return super().query(text)


@pytest.fixture
def load_at() -> Iterator[int]:
    """The port of a load that is on until it is told OUTPut OFF."""
    on = ["1"]

    def put(text: str) -> None:
        on[0] = "0" if text == "OFF" else "1"

    commands = [Command("OUTPut {position}", put), Command("OUTPut?", lambda _: Reply(on[0]))]
    terminal = ScpiTerminal("Simulated,load,L-1,1.0", commands, "", lambda: None)
    listener = TcpListener("127.0.0.1", 0, lambda: ScpiConversation(terminal), lambda: False, lambda _: None)
    yield listener.port
    listener.close()


def _read_together(instruments: Sequence[ScpiInstrument]) -> None:
    """As readings beside a pair are taken: all are asked, then each is read. Raises LinkError."""
    with ExitStack() as measuring:
        for instrument in instruments:
            measuring.enter_context(instrument.measuring("current"))
        for instrument in instruments:
            instrument.fetch_quantity("current")


def test_the_load_waits_for_one_silent_instrument_and_not_for_all_that_were_asked(load_at: int) -> None:
    """Three were asked and none answers. What failed first is waited for; then nothing passes on any link before the load's."""
    passed: list[str] = []
    with ExitStack() as open_now:

        def mute() -> int:
            return int(open_now.enter_context(socket.create_server(("127.0.0.1", 0))).getsockname()[1])

        def driver(kind: type[ScpiInstrument], name: str, profile: str, port: int) -> ScpiInstrument:
            address = f"TCPIP::127.0.0.1::{port}::SOCKET"
            made = kind(name, address, load_profile(profile), lambda: Telling(name, address, passed), time.monotonic)
            open_now.callback(made.close)
            made.open()
            return made

        load = driver(ScpiLoad, "load", "scpi_load", load_at)
        silent = [
            driver(ScpiReference, "reference", "scpi_multimeter", mute()),
            driver(ScpiMeter, "meter", "scpi_multimeter", mute()),
            driver(ScpiMeter, "secondary", "scpi_multimeter", mute()),
        ]
        with pytest.raises(LinkError, match="no reply"):
            _read_together(silent)
        instruments = {i.name: i for i in (*silent, load)}
        states = make_all_safe(instruments, ["load"], pause=lambda _: None, attempts=1)
        asked = passed.index("reference waited for")
        assert passed[asked + 1].startswith("load: OUTP")
        assert states[0].confirmed
        assert states[0].instrument == "load"
        assert not {"meter waited for", "secondary waited for"} & set(passed)
        # Found out when it is spoken to again.
        with pytest.raises(LinkError, match="no reply"):
            silent[1].identify()
