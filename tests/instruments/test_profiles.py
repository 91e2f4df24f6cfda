"""The shipped profiles in their roles on one bench, and what profiles refuse."""

from collections.abc import Callable
from pathlib import Path

import pytest

from harness.core.clock import RealClock
from instruments.drivers.over_links import RegisterMeter, ScpiLoad, ScpiReference, ScpiSwitch
from instruments.errors import InstrumentError, LinkError, QueuedError
from instruments.links.link import LinkSettings
from instruments.links.modbus_link import ModbusLink
from instruments.links.visa_link import VisaLink
from instruments.profile import Profile, load_profile
from simulated.description import (
    BenchDescription,
    InstrumentDescription,
)
from simulated.serve import serve
from simulated.simulated_bench import SimulatedBench
from tests.instruments.meter_and_scales import METER, SCALES


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
                scales=SCALES,
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
