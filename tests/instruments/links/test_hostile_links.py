"""Every fault on every transport it applies to, through the real links: the true answer or an error, never a wrong number."""

from __future__ import annotations

import importlib.util
import itertools
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from pathlib import Path
from threading import Barrier
from typing import Any, TypeVar

import pytest

from instruments.drivers.scpi import ScpiInstrument
from instruments.errors import IdentityError, InstrumentError, LinkError, QueuedError, ReplyError
from instruments.links.link import LinkSettings
from instruments.links.modbus_link import ModbusLink
from instruments.links.visa_link import VisaLink
from instruments.profile import load_profile
from instruments.reading import Identity
from simulated.transports.hislip import HislipServer
from simulated.transports.link_faults import FAULTS, UNSEEN, Hostile, Schedule
from simulated.transports.listeners import Conversation, TcpListener
from simulated.transports.modbus import RtuConversation, TcpConversation
from simulated.transports.scpi_conversation import Command, Reply, ScpiConversation, ScpiTerminal
from simulated.transports.serial_line import SerialLine
from simulated.transports.vxi11 import Vxi11Server

SETTINGS = LinkSettings(timeout=0.4)
PATIENT = LinkSettings(timeout=1.0)
"""Where a fault tells itself at once, a timeout would only strike on a busy machine."""
SAY_SO = ("refuse", "reset", "vanish", "come-back-as-another", "queued-error", "over-range", "stale", "wrong-digit")
"""Faults after which nobody has to wait for a timeout: an answer came, or the connection ended."""
LATENESS, AWAY = 0.6, 0.25
STRUCK = 4
"""The exchange that is struck: identification, error queue, reading, error queue, and then this reading."""

PATIENCE = 60.0
"""Seconds within which an instrument answers again: it was gone for a moment, or talked until it had said all, which takes as long as the machine lets it."""

T = TypeVar("T")


def persistently(attempt: Callable[[], T]) -> T:
    """What `attempt` returns, tried until it does. Raises its LinkError or ReplyError when it never does."""
    until = time.monotonic() + PATIENCE
    while True:
        try:
            return attempt()
        except (LinkError, ReplyError):
            if time.monotonic() > until:
                raise
            time.sleep(0.1)


TEXT_TRANSPORTS = ("socket", "hislip", "vxi11", "serial")
TEXT_FAULTS = [f for f, framings in FAULTS.items() if "text" in framings]


class Multimeter:
    """It reads another value every time, and remembers the last; `meanwhile` goes on until it has it."""

    def __init__(self, form: str = "{:+.8E}", meanwhile: Callable[[], object] = lambda: None) -> None:
        self.true = 0.0
        numbers = itertools.count(1)

        def read(_: str) -> Reply:
            meanwhile()
            self.true = 1.1 * next(numbers)
            return Reply(form.format(self.true), 0.0)

        self.terminal = ScpiTerminal("Simulated,multimeter,M-1,1.0", [Command("READ?", read)], "", lambda: None)


@contextmanager
def served(transport: str, multimeter: Multimeter, schedule: Schedule, folder: Path) -> Iterator[str]:
    """`multimeter` on a transport, struck as `schedule` says; its address."""

    def absent() -> bool:
        return schedule.absent(time.monotonic())

    def converse() -> Conversation:
        plain = ScpiConversation(multimeter.terminal)
        queue = multimeter.terminal.queue_error
        return Hostile(plain, schedule, "text", time.monotonic, end=b"\n", queue_error=queue)

    with ExitStack() as open_now:
        if transport == "serial":
            line = SerialLine(folder / "port", converse(), absent=absent)
            open_now.callback(line.close)
            yield f"ASRL{folder / 'port'}::INSTR"
            return
        servers = {"hislip": HislipServer(converse, "\n", "\n"), "vxi11": Vxi11Server(converse, "\n", "\n")}
        server = servers.get(transport)
        connection = converse if server is None else server.connection
        listener = TcpListener("127.0.0.1", 0, connection, absent, lambda ended: server and server.ended(ended))
        open_now.callback(listener.close)
        yield {
            "socket": f"TCPIP::127.0.0.1::{listener.port}::SOCKET",
            "hislip": f"TCPIP::127.0.0.1::hislip0,{listener.port}::INSTR",
            "vxi11": f"TCPIP::127.0.0.1,{listener.port}::inst0::INSTR",
        }[transport]


class Client:
    """What the runner does: identify, read, look into the error queue; after a failure a fresh link, identified again."""

    def __init__(self, address: str, settings: LinkSettings = SETTINGS) -> None:
        self.links = 0
        self.identity: Identity | None = None

        def open_link() -> VisaLink:
            self.links += 1
            return VisaLink("multimeter", address, settings, drain=self.links > 1)

        self.driver = ScpiInstrument("multimeter", address, load_profile("scpi_multimeter"), open_link, time.monotonic)

    def open(self) -> None:
        """Raises IdentityError when another one answers, InstrumentError when none does for a while."""
        identity = persistently(self._identified)
        if identity != (self.identity or identity):
            raise IdentityError("another one answers", instrument="multimeter", address=self.driver.address)
        self.identity = identity

    def _identified(self) -> Identity:
        self.driver.open()
        identity = self.driver.identify()
        self.driver.drain_errors()
        return identity

    def read(self) -> float:
        """A reading behind which no error is queued."""
        value = self.driver.read_quantity("current").value
        self.driver.check_errors("READ?")
        return value


@pytest.mark.parametrize("transport", TEXT_TRANSPORTS)
@pytest.mark.parametrize("fault", TEXT_FAULTS)
def test_text(transport: str, fault: str, tmp_path: Path) -> None:
    """A number is the one the instrument meant, whatever happened; an error says where; the next answer is right again."""
    schedule, multimeter = Schedule({STRUCK: fault}, lateness=LATENESS, away=AWAY), Multimeter()
    failures: list[InstrumentError] = []
    wrong = 0
    with served(transport, multimeter, schedule, tmp_path) as address:
        client = Client(address, PATIENT if fault in SAY_SO else SETTINGS)
        client.open()
        for _ in range(4):
            try:
                wrong += client.read() != pytest.approx(multimeter.true, rel=1e-8)
            except InstrumentError as failure:
                failures.append(failure)
                try:
                    client.open()
                except IdentityError as other:
                    failures.append(other)
                    break
        client.driver.close()
    assert schedule.injected == [(STRUCK, fault)]
    assert wrong == (fault in UNSEEN)
    for failure in failures:
        assert (failure.instrument, failure.address) == ("multimeter", address)
        assert failure.command or isinstance(failure, IdentityError)
        if isinstance(failure, LinkError):
            assert failure.elapsed is not None
            # Opening may take three timeouts, and what a library is given beyond them.
            assert failure.elapsed < 4.0
    assert len(failures) <= 1 + (fault == "come-back-as-another")
    if fault == "come-back-as-another":
        assert isinstance(failures[-1], IdentityError)
    elif fault == "queued-error":
        assert isinstance(failures[0], QueuedError)
    elif fault == "over-range":
        assert isinstance(failures[0], ReplyError)
    elif fault in ("mute", "late", "cut", "endless", "garbage", "wrong-terminator", "reset", "vanish"):
        assert isinstance(failures[0], LinkError | ReplyError)
        assert failures[0].command == "READ?"
        assert failures[0].received is not None


@contextmanager
def served_registers(framing: str, schedule: Schedule, folder: Path) -> Iterator[tuple[str, list[list[int]]]]:
    """A unit whose two registers count how often they were asked for; its address, and what they truly held."""
    held: list[list[int]] = []

    class Registers:
        def words(self, function: str, address: int, count: int) -> list[int]:
            held.append([0x3F80, len(held)])
            return held[-1]

    def absent() -> bool:
        return schedule.absent(time.monotonic())

    units: Any = Registers()
    if framing == "rtu":
        line = RtuConversation(units, 1)
        hostile = Hostile(line, schedule, "rtu", time.monotonic)
        on_line = SerialLine(folder / "port", hostile, hostile.pause, absent)
        try:
            yield f"modbus-rtu:{folder / 'port'}", held
        finally:
            on_line.close()
        return

    def converse() -> Conversation:
        return Hostile(TcpConversation(units, 1), schedule, "tcp", time.monotonic)

    listener = TcpListener("127.0.0.1", 0, converse, absent)
    try:
        yield f"modbus-tcp://127.0.0.1:{listener.port}", held
    finally:
        listener.close()


def opened_registers(address: str, drain: bool) -> ModbusLink:
    return persistently(lambda: ModbusLink("meter", address, SETTINGS, drain=drain))


def read_once_it_is_back(address: str, held: list[list[int]]) -> tuple[list[int], list[int]]:
    """What is read next and what was truly held, over a fresh link as often as the unit is still gone. Raises LinkError when it does not come back."""

    def attempt() -> tuple[list[int], list[int]]:
        link = opened_registers(address, drain=True)
        read = link.read_registers("input", 0, 2)
        link.close()
        return read, held[-1]

    return persistently(attempt)


@pytest.mark.parametrize(
    ("framing", "fault"), [(framing, f) for framing in ("rtu", "tcp") for f in FAULTS if framing in FAULTS[f]]
)
def test_registers(framing: str, fault: str, tmp_path: Path) -> None:
    """The same over Modbus: on a serial line the check and the one-frame rule, on TCP the transaction number."""
    schedule = Schedule({1: fault}, lateness=LATENESS, away=AWAY)
    failures: list[LinkError] = []
    wrong = 0
    with served_registers(framing, schedule, tmp_path) as (address, held):
        link = opened_registers(address, drain=False)
        for _ in range(4):
            try:
                wrong += link.read_registers("input", 0, 2) != held[-1]
            except LinkError as failure:
                failures.append(failure)
                link = opened_registers(address, drain=True)
        link.close()
        read, truly = read_once_it_is_back(address, held)
    assert read == truly
    assert schedule.injected == [(1, fault)]
    assert wrong == (fault in UNSEEN)
    for failure in failures:
        assert (failure.instrument, failure.address) == ("meter", address)
        assert failure.command == "read input registers 0..1"
        assert failure.elapsed is not None
        assert failure.elapsed < 2.0
        assert failure.received is not None
    sure = {"mute", "late", "cut", "endless", "garbage", "reset", "vanish", "crc-error", "exception-reply", "late-rtu"}
    assert failures or fault not in sure
    # While it is gone, and while noise goes on, a fresh link may fail as well.
    assert len(failures) <= (3 if fault in ("refuse", "vanish", "endless") else 1)


@pytest.mark.parametrize("pair", [("socket", "hislip"), ("vxi11", "serial")])
def test_two_slow_instruments_are_read_in_the_time_of_one(pair: tuple[str, str], tmp_path: Path) -> None:
    """On two transports, from two threads: neither answers before both were asked."""
    both = Barrier(2)
    with ExitStack() as stack:
        links = []
        for transport in pair:
            address = stack.enter_context(
                served(transport, Multimeter(meanwhile=lambda: both.wait(10)), Schedule(), tmp_path)
            )
            links.append(VisaLink(transport, address, LinkSettings(timeout=20.0)))
        with ThreadPoolExecutor(2) as threads:
            answers = list(threads.map(lambda link: link.query("READ?"), links))
        for link in links:
            link.close()
    assert [float(a) for a in answers] == [1.1, 1.1]


@pytest.mark.parametrize("transport", TEXT_TRANSPORTS)
@pytest.mark.parametrize("form", ["{:.0f}", "{:+.1f}", "{:+.8E}"])
def test_every_form_of_number_on_every_transport(transport: str, form: str, tmp_path: Path) -> None:
    """IEEE 488.2, decimal numeric response data: NR1 (digits), NR2 (with a point), NR3 (with an exponent)."""
    multimeter = Multimeter(form=form)
    with served(transport, multimeter, Schedule(), tmp_path) as address:
        client = Client(address)
        client.open()
        assert client.read() == pytest.approx(1.0 if form == "{:.0f}" else 1.1)
        client.driver.close()


@pytest.mark.parametrize("transport", TEXT_TRANSPORTS)
@pytest.mark.parametrize("value", ["9.91E37", "9.9E37", "-9.9E37", "+9.91000000E+37"])
def test_not_a_number_is_no_reading(transport: str, value: str, tmp_path: Path) -> None:
    """SCPI-99, section 7.2.1.5: 9.91E37 is not-a-number, 9.9E37 and -9.9E37 are the infinities."""
    with served(transport, Multimeter(form=value), Schedule(), tmp_path) as address:
        client = Client(address)
        client.open()
        with pytest.raises(ReplyError, match="overload or not-a-number"):
            client.read()
        client.driver.close()


def test_a_serial_line_refuses_stray_bytes_and_is_drained_when_opened_again(tmp_path: Path) -> None:
    """What came late waits in the line's buffer: it is refused before a question, and thrown away on a fresh link."""
    schedule, multimeter = Schedule({1: "duplicate", 3: "late"}, lateness=LATENESS), Multimeter()
    with served("serial", multimeter, schedule, tmp_path) as address:
        link = VisaLink("multimeter", address, SETTINGS)
        link.query("*IDN?")
        link.query("READ?")
        with pytest.raises(LinkError, match="an unexpected reply is waiting"):
            link.query("READ?")
        link = VisaLink("multimeter", address, SETTINGS, drain=True)
        link.query("READ?")
        with pytest.raises(LinkError, match="no reply within the timeout"):
            link.query("READ?")
        link = VisaLink("multimeter", address, SETTINGS, drain=True)
        assert float(link.query("READ?")) == pytest.approx(multimeter.true)
        link.close()


def test_the_settings_of_a_serial_line_reach_the_port() -> None:
    """As pyserial reports them on its loop-back port (a pseudo-terminal takes eight bits without parity only)."""
    settings = LinkSettings(baud_rate=9600, data_bits=7, parity="even", stop_bits=2, flow_control="xon_xoff")
    link = VisaLink("multimeter", "ASRLloop://::INSTR", settings)
    port = link._session.interface
    assert (port.baudrate, port.bytesize, port.parity, port.stopbits) == (9600, 7, "E", 2)
    assert (port.xonxoff, port.rtscts, port.dsrdtr) == (True, False, False)
    assert link.query("*OPC?") == "*OPC?"
    link.close()


def test_a_simulated_serial_line_takes_every_form_of_a_byte(tmp_path: Path) -> None:
    """A pseudo-terminal refuses parity and seven bits the second time they are set (EINVAL; Linux, tcsetattr of glibc)."""
    settings = LinkSettings(timeout=2, data_bits=7, parity="even", stop_bits=2)
    with served("serial", Multimeter(), Schedule(), tmp_path) as address:
        for _ in range(2):
            link = VisaLink("multimeter", address, settings)
            assert link.query("*IDN?")
            link.close()


def test_a_locked_serial_line_is_not_shared(tmp_path: Path) -> None:
    """A second program that wants the line for itself does not get it, until the first lets go."""
    settings = LinkSettings(timeout=0.3, lock=True)
    with served("serial", Multimeter(), Schedule(), tmp_path) as address:
        link = VisaLink("multimeter", address, settings)
        with pytest.raises(LinkError, match="cannot be opened"):
            VisaLink("multimeter", address, settings)
        link.close()
        VisaLink("multimeter", address, settings).close()


@pytest.mark.parametrize(
    ("address", "module", "package"),
    [
        ("USB0::0x1::0x2::SN::INSTR", "usb", "pyusb and the system library libusb"),
        ("GPIB0::5::INSTR", "gpib_ctypes", "gpib-ctypes, or linux-gpib"),
    ],
)
def test_a_missing_package_is_named_in_one_line(address: str, module: str, package: str) -> None:
    """PyVISA-py 0.8.1 raises ValueError in two lines when the package below an interface is not installed."""
    if importlib.util.find_spec(module) is not None:
        pytest.skip(f"{module} is installed here")
    with pytest.raises(LinkError) as caught:
        VisaLink("multimeter", address, SETTINGS)
    assert f"PyVISA-py needs the Python package {package}" in str(caught.value)
    assert "another VISA library" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("library", ["@nothing", "/nowhere/libvisa.so"])
def test_a_visa_library_that_is_not_there_is_one_line(library: str) -> None:
    """Named in the bench file, missing on the machine."""
    with pytest.raises(LinkError, match="cannot be opened") as caught:
        VisaLink("multimeter", "TCPIP::127.0.0.1::1::SOCKET", LinkSettings(library=library))
    assert "\n" not in str(caught.value)


def test_a_plain_socket_has_no_lock(tmp_path: Path) -> None:
    """Said, rather than quietly left out."""
    with (
        served("socket", Multimeter(), Schedule(), tmp_path) as address,
        pytest.raises(LinkError, match="a plain socket has no lock"),
    ):
        VisaLink("multimeter", address, LinkSettings(lock=True))
