"""What HiSLIP and VXI-11 have in common: PyVISA-py, an independent client of both, its links, and the lock of a session."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
import pyvisa

from harness.core.clock import RealClock
from instruments.errors import LinkError
from instruments.links.link import LinkSettings
from instruments.links.visa_link import VisaLink
from simulated.serve import serve
from simulated.simulated_bench import SimulatedBench
from tests.served import wait_for

ADDRESSES = {"hislip": "TCPIP::127.0.0.1::hislip0,0::INSTR", "vxi11": "TCPIP::127.0.0.1,0::inst0::INSTR"}
REFUSED = {"hislip": ("another program has locked it", "no reply"), "vxi11": ("LOCKED", "write failed")}
"""What is said of a lock that another holds, and of a message to an instrument that another has locked."""
SILENCE = {"hislip": ("no reply within the timeout", 0), "vxi11": ("no complete reply within the timeout", 36)}
"""What is said when nothing comes, and the bytes received: the answer of VXI-11 that tells of the timeout is a reply without data."""
QUICK = LinkSettings(timeout=0.4)
"""Where nothing is to come."""
PATIENT, LOCKED = LinkSettings(timeout=20.0), LinkSettings(timeout=20.0, lock=True)
"""Where an answer comes, however busy the machine is."""


@pytest.fixture(params=ADDRESSES)
def protocol(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def address(protocol: str, make_description: Callable[..., Any]) -> Iterator[str]:
    bench = SimulatedBench(make_description(addresses={"source": ADDRESSES[protocol]}), RealClock())
    with serve(bench) as at:
        before, after = ADDRESSES[protocol].split(",0")
        assert at["source"].startswith(f"{before},")
        assert at["source"].endswith(after)
        yield at["source"]


def test_pyvisa_py_talks_to_it(address: str) -> None:
    """PyVISA-py is an independent client of IVI-6.1 and VXI-11: identify, set, read back, clear, status byte."""
    visa = pyvisa.ResourceManager("@py")
    source: Any = visa.open_resource(address, timeout=20_000)
    assert source.query("*IDN?").split(",")[2] == "S-100"
    source.write("SOUR:CURR 1.5")
    assert float(source.query("SOUR:CURR?")) == 1.5
    assert source.read_stb() == 0
    source.clear()
    assert source.query("*OPC?").strip() == "1"
    source.close()
    visa.close()


def test_a_link_over_it_and_what_it_says_when_nothing_comes(protocol: str, address: str) -> None:
    """Replies come without their terminators; a question nobody understands times out, with context, and closes the link."""
    link = VisaLink("source", address, PATIENT)
    assert link.query("*IDN?") == "Simulated,SCPI AC current source or load,S-100,1.0"
    link.close()
    link = VisaLink("source", address, QUICK)
    with pytest.raises(LinkError, match=SILENCE[protocol][0]) as caught:
        link.query("NONSENSE?")
    assert (caught.value.instrument, caught.value.address, caught.value.command) == ("source", address, "NONSENSE?")
    assert caught.value.received == SILENCE[protocol][1]
    assert caught.value.elapsed is not None
    assert 0.3 < caught.value.elapsed < 5.0
    with pytest.raises(LinkError, match="link is closed"):
        link.query("*IDN?")
    again = VisaLink("source", address, PATIENT)
    assert again.query("SYST:ERR?") == '-113,"Undefined header"'
    again.close()


def test_a_lock_keeps_others_out_until_its_session_ends(protocol: str, address: str) -> None:
    """IVI-6.1, lock: a second request fails after its timeout; messages of the other session wait.

    VXI-11, device_lock of the core channel: error 11, device locked by another link, at once.
    """
    quick = protocol == "hislip"
    lock_refused, message_refused = REFUSED[protocol]
    holder = VisaLink("source", address, LOCKED)
    assert holder.query("*OPC?") == "1"
    with pytest.raises(LinkError, match=lock_refused):
        VisaLink("source", address, LinkSettings(timeout=0.4, lock=True) if quick else LOCKED)
    other = VisaLink("source", address, QUICK if quick else PATIENT)
    with pytest.raises(LinkError, match=message_refused):
        other.query("*OPC?")
    holder.close()
    opened: list[VisaLink] = []

    def free() -> bool:
        """Once the instrument has seen that the session before has ended."""
        try:
            opened.append(VisaLink("source", address, LOCKED))
        except LinkError:
            return False
        return True

    wait_for(free)
    assert opened[0].query("*OPC?") == "1"
    opened[0].close()
