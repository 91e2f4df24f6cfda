"""The shipped profiles in their roles on one bench, and what profiles refuse."""

from collections.abc import Callable
from pathlib import Path

import pytest

from harness.core.clock import RealClock
from instruments.drivers.over_links import RegisterMeter, ScpiLoad, ScpiReference, ScpiSwitch
from instruments.drivers.scpi import ScpiInstrument
from instruments.errors import IdentityError, InstrumentError, LinkError, QueuedError, ReplyError, reason_of
from instruments.links.link import LinkSettings
from instruments.links.modbus_link import ModbusLink, exception_text
from instruments.links.visa_link import VisaLink
from instruments.profile import SHIPPED, Profile, ProfileError, load_profile
from simulated.description import (
    BenchDescription,
    InstrumentDescription,
    MeterDescription,
    RangeDescription,
    ScaleDescription,
)
from simulated.serve import serve
from simulated.simulated_bench import SimulatedBench

METER = MeterDescription(
    serial="77",
    secondary_turns=1000,
    rated_secondary_current=0.1,
    maximum_secondary_current=0.12,
    secondary_fuse=None,
    burden=5.0,
    winding_resistance=20.0,
    frequency=50.0,
    resolution=0.001,
    smallest_readable_current=0.02,
    refresh_interval=0.02,
    ranges=(
        RangeDescription("one", 1, "independent", 1.0, 0.1, 50.0),
        RangeDescription("ten", 10, "series", 0.1, 0.01, 5.0),
    ),
)


def described(
    load: str = "scpi_load", reference: str = "scpi_multimeter", meter_address: str = "modbus-tcp://127.0.0.1:0"
) -> BenchDescription:
    def entry(
        name: str, role: str, profile: str, serial: str, address: str = "TCPIP::127.0.0.1::0::SOCKET", **more: object
    ) -> InstrumentDescription:
        return InstrumentDescription(
            name=name, role=role, profile=load_profile(profile), address=address, serial=serial, **more
        )  # type: ignore[arg-type]

    return BenchDescription(
        METER,
        (
            entry("load", "load", load, "L1", maximum_current=60.0),
            entry(
                "reference",
                "reference",
                reference,
                "M1",
                scales=(ScaleDescription(10.0, 1e-3, 1e-4, 1e-5), ScaleDescription(100.0, 1e-3, 1e-4, 1e-4)),
            ),
            entry("meter", "meter", "modbus_meter", "77", meter_address),
            entry("switch", "switch", "scpi_relay", "R1", positions={"one": "101", "ten": "102"}),
        ),
        reference_factor=1.0,
        seed=3,
    )


def opener(name: str, address: str, profile: Profile) -> Callable[[], VisaLink]:
    return lambda: VisaLink(
        name,
        address,
        LinkSettings(timeout=2, read_termination=profile.read_termination, write_termination=profile.write_termination),
    )


def registers(address: str) -> Callable[[bool], ModbusLink]:
    return lambda drain: ModbusLink("meter", address, LinkSettings(timeout=1), drain=drain)


def test_a_bench_of_shipped_profiles_on_tcp() -> None:
    """The drivers in their roles: identified, safe and confirmed, driven, read, refused beyond the limit, safe again."""
    bench = SimulatedBench(described(), RealClock())
    with serve(bench) as addresses:
        load = ScpiLoad(
            "load",
            addresses["load"],
            load_profile("scpi_load"),
            opener("load", addresses["load"], load_profile("scpi_load")),
            RealClock().now,
        )
        reference = ScpiReference(
            "reference",
            addresses["reference"],
            load_profile("scpi_multimeter"),
            opener("reference", addresses["reference"], load_profile("scpi_multimeter")),
            RealClock().now,
        )
        switch = ScpiSwitch(
            "switch",
            addresses["switch"],
            load_profile("scpi_relay"),
            opener("switch", addresses["switch"], load_profile("scpi_relay")),
            RealClock().now,
            positions={"one": "101", "ten": "102"},
        )
        meter = RegisterMeter(
            "meter", addresses["meter"], load_profile("modbus_meter"), registers(addresses["meter"]), RealClock().now
        )
        for instrument, serial in ((load, "L1"), (reference, "M1"), (switch, "R1"), (meter, "77")):
            instrument.open()
            assert instrument.identify().serial == serial
            instrument.start()
            instrument.make_safe()
            assert instrument.confirm_safe()[0]
        assert "101" in switch.select("one")
        load.protect(20.0)
        reference.configure(10.0)
        load.drive(5.0)
        assert load.confirm_safe()[0] is False
        clock = RealClock()
        clock.sleep(0.5)
        reading = reference.read()
        assert reading.value == pytest.approx(5.0, rel=0.01)
        assert reading.unit == "A"
        assert reading.started <= reading.finished
        assert float(reading.raw) == reading.value
        assert meter.read().value == pytest.approx(5.0, rel=0.01)
        reference.check()
        with pytest.raises(QueuedError, match="SOURce:CURRent 25"):
            load.drive(25.0)
        load.make_safe()
        assert load.confirm_safe() == (True, "OUTPut? -> 0")
        for instrument in (load, reference, switch, meter):
            instrument.close()
        with pytest.raises(InstrumentError, match="not open"):
            load.ask("*IDN?")


def test_a_meter_on_a_serial_line(tmp_path: Path) -> None:
    """Modbus RTU over a pty: serial number, reading, and again after reopening."""
    address = f"modbus-rtu:{tmp_path / 'port'}"
    bench = SimulatedBench(described(meter_address=address), RealClock())
    with serve(bench):
        meter = RegisterMeter("meter", address, load_profile("modbus_meter"), registers(address), RealClock().now)
        meter.open()
        assert meter.identify().serial == "77"
        meter.open()
        assert meter.read().value == 0.0
        meter.close()


def test_registers_that_are_not_there_are_an_error_with_context() -> None:
    """A Modbus exception reply (illegal data address) closes the link and names registers and address."""
    bench = SimulatedBench(described(), RealClock())
    with serve(bench) as addresses:
        link = ModbusLink("meter", addresses["meter"], LinkSettings(timeout=1))
        with pytest.raises(
            LinkError,
            match=r"meter at .*Modbus exception 02 \(illegal data address\); addresses count from 0, so a manual's input "
            r"register 30001 \(or 1\) is address 0 \(command 'read input registers 4000\.\.4001",
        ):
            link.read_registers("input", 4000, 2)
        with pytest.raises(LinkError, match="link is closed"):
            link.read_registers("input", 0, 2)
        link = ModbusLink("meter", addresses["meter"], LinkSettings(timeout=1))
        with pytest.raises(LinkError, match=r"where 40003 is a manual's number, function is 'holding' and address 2 "):
            link.read_registers("holding", 40003, 2)
    with pytest.raises(LinkError, match="cannot be opened"):
        ModbusLink("meter", addresses["meter"], LinkSettings(timeout=0.3))
    with pytest.raises(LinkError, match="expected modbus-tcp"):
        ModbusLink("meter", "serial:1", LinkSettings(timeout=0.3))


@pytest.mark.parametrize(
    ("text", "part"),
    [
        (
            "kind = 'scpi'\nrole = 'load'\ntitle = 't'\n[quantities.current]\nunit = 'A'\nset = ['X {value}']",
            "safe.commands",
        ),
        (
            "kind = 'scpi'\nrole = 'reference'\ntitle = 't'\n[quantities.current]\nget = 'READ?'",
            "quantities.current.unit",
        ),
        ("kind = 'scpi'\nrole = 'reference'\ntitle = 't'\ncolour = 1\n[quantities.current]\nunit = 'A'", "colour"),
        (
            "kind = 'scpi'\nrole = 'reference'\ntitle = 't'\n[quantities.current]\nunit = 'A'\nset = ['CURR 5']",
            "{value}",
        ),
        ("kind = 'modbus'\nrole = 'meter'\ntitle = 't'", "registers.current"),
        ("kind = 'scpi'\nrole = 'switch'\ntitle = 't'", "switching"),
        ("kind = ", "not TOML"),
    ],
)
def test_malformed_profiles_are_refused_by_file_and_key(tmp_path: Path, text: str, part: str) -> None:
    """Strict: unknown keys, missing units, commands without their number."""
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ProfileError) as caught:
        load_profile("mine", (tmp_path,))
    assert part in str(caught.value)
    assert "mine.toml" in str(caught.value)


def test_a_workshop_profile_comes_before_a_shipped_one_and_a_missing_one_is_named(tmp_path: Path) -> None:
    """Found by name in the given folders first."""
    shipped = (SHIPPED / "modbus_meter.toml").read_text(encoding="utf-8")
    (tmp_path / "modbus_meter.toml").write_text(shipped.replace("address = 0", "address = 18"), encoding="utf-8")
    assert load_profile("modbus_meter", (tmp_path,)).registers["current"].address == 18
    with pytest.raises(ProfileError, match=r"'nothing' not found, expected person, .*modbus_meter, "):
        load_profile("nothing", (tmp_path,))


def test_an_instrument_that_never_empties_its_queue_is_bounded() -> None:
    """Draining the error queue ends."""

    class Endless:
        def write(self, text: str) -> None: ...

        def read(self) -> str:
            return ""

        def query(self, text: str) -> str:
            return '-350,"Queue overflow"'

        def close(self) -> None: ...

    instrument = ScpiInstrument("load", "nowhere", load_profile("scpi_load"), Endless, lambda: 0.0)
    instrument.open()
    with pytest.raises(QueuedError, match="did not empty"):
        instrument.drain_errors()
    assert issubclass(IdentityError, InstrumentError)


@pytest.mark.parametrize("entry", ["9" * 5000 + ',"Strange"', "", "no error", "٣,x"])
def test_an_error_queue_that_answers_anything(entry: str) -> None:
    """Error numbers are from -32768 to 32767 (SCPI-99); Python reads no number of 5000 digits."""

    class Strange:
        def write(self, text: str) -> None: ...

        def read(self) -> str:
            return ""

        def query(self, text: str) -> str:
            return entry

        def close(self) -> None: ...

    instrument = ScpiInstrument("load", "nowhere", load_profile("scpi_load"), Strange, lambda: 0.0)
    instrument.open()
    with pytest.raises(ReplyError, match="does not begin with its number") as caught:
        instrument.drain_errors()
    assert len(str(caught.value)) < 200


@pytest.mark.parametrize(
    ("code", "text"),
    [(1, "illegal function"), (6, "server device busy"), (11, "gateway target device failed to respond")],
)
def test_modbus_exceptions_have_their_names(code: int, text: str) -> None:
    """MODBUS Application Protocol Specification V1.1b3, section 7."""
    assert exception_text(code) == f"Modbus exception {code:02d} ({text})"


def test_an_error_number_of_the_system_is_no_reason() -> None:
    assert reason_of(OSError(9, "Bad file descriptor")) == "Bad file descriptor"
    assert reason_of(ConnectionError("[Errno 9] Bad file descriptor")) == "Bad file descriptor"
    assert reason_of(TimeoutError()) == "TimeoutError"
