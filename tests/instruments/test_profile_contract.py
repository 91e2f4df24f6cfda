"""One contract over every profile: whatever lies in the folder is found, served by the simulated bench and walked through."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.core.clock import Clock, RealClock
from harness.files.instrument_entry import InstrumentEntry
from harness.preparation.twin import TwinLinks
from harness.station.wires import LinkSource, Wires
from instruments.drivers.over_links import (
    RegisterEnvironmentSensor,
    RegisterMeter,
    ScpiEnvironmentSensor,
    ScpiLoad,
    ScpiMeter,
    ScpiReference,
)
from instruments.drivers.registers import RegisterInstrument
from instruments.drivers.scpi import ScpiInstrument
from instruments.errors import InstrumentError, LinkError
from instruments.profile import SHIPPED, Profile, load_profile
from instruments.profile_tables import UNITS
from simulated.description import (
    BenchDescription,
    InstrumentDescription,
)
from simulated.physics.virtual_clock import VirtualClock
from simulated.serve import serve
from simulated.simulated_bench import SimulatedBench
from tests.instruments.meter_and_scales import METER, SCALES

SOCKET, REGISTERS = "TCPIP::127.0.0.1::0::SOCKET", "modbus-tcp://127.0.0.1:0"

# Every part of a profile that the shipped ones leave out: each must be answered by the twin just so.
WORKSHOP: dict[str, dict[str, Any]] = {
    "no-error-queue": {
        "kind": "scpi",
        "role": "reference",
        "title": "No error queue",
        "write_termination": "\r\n",
        "read_termination": "\r\n",
        "quantities": {"current": {"unit": "A", "get": "MEASure:CURRent:AC?"}},
    },
    "fires-alone": {
        "kind": "scpi",
        "role": "reference",
        "title": "Fires without arming",
        "trigger": {"fire": ["INITiate"]},
        "errors": {},
        "quantities": {
            "current": {"unit": "A", "get": "FETC?", "configure": ["CONFigure:CURRent:AC"]},
            "voltage": {"unit": "V", "get": "FETC?", "configure": ["CONFigure:VOLTage:AC"]},
        },
    },
    "load-with-everything": {
        "kind": "scpi",
        "role": "load",
        "title": "Load with frequency, voltage and measured power",
        "start": ["*CLS", "SYSTem:REMote"],
        "errors": {"query": "SYSTem:ERRor:NEXT?"},
        "on": ["OUTPut:STATe 1"],
        "safe": {"commands": ["OUTPut:STATe 0"], "confirm": [{"query": "OUTPut:STATe?", "expect": ["0"]}]},
        "quantities": {
            "current": {"unit": "A", "set": ["CURRent {value}"], "get": "CURRent?", "minimum": 0.05},
            "frequency": {
                "unit": "Hz",
                "set": ["FREQuency {value}"],
                "get": "FREQuency?",
                "minimum": 45,
                "maximum": 65,
            },
            "power": {"unit": "W", "get": "MEASure:POWer?"},
        },
    },
    "swapped-registers": {
        "kind": "modbus",
        "role": "meter",
        "title": "Wide registers, bytes swapped",
        "registers": {
            "current": {"unit": "A", "address": 8, "type": "float64", "byte_order": "little", "word_order": "little"},
            "power": {"unit": "W", "address": 30, "type": "int64", "scale": 0.001, "byte_order": "little"},
            "phase": {"unit": "deg", "address": 40, "function": "holding", "type": "int16", "scale": 0.1},
        },
        "serial_registers": {"address": 0, "function": "input", "type": "uint64", "word_order": "little"},
    },
}


def profiles() -> Iterator[tuple[str, Profile, str]]:
    """Every shipped profile and every one above, in each role it can play."""
    found = {file.stem: load_profile(file.stem) for file in sorted(SHIPPED.glob("*.toml"))}
    found |= {name: Profile.model_validate(text) for name, text in WORKSHOP.items()}
    for name, profile in found.items():
        for role in (profile.role, *profile.also):
            yield name, profile, role


def described(profile: Profile, role: str) -> tuple[InstrumentDescription, ...]:
    """A bench on which the instrument under test is called `it`; the other parts are played by shipped profiles."""
    others = {"load": "scpi_load", "reference": "scpi_multimeter", "meter": "modbus_meter", "switch": "scpi_relay"}
    serials = {"load": "1001", "reference": "1002", "meter": METER.serial, "switch": "1004", "environment": "1005"}

    def entry(name: str, part: str, played_by: Profile) -> InstrumentDescription:
        return InstrumentDescription(
            name=name,
            role=part,  # type: ignore[arg-type]
            profile=played_by,
            address=SOCKET if played_by.kind == "scpi" else REGISTERS,
            serial=serials[part],
            scales=SCALES,
            positions={"one": "101"},
            maximum_current=60.0,
        )

    kept = [entry(part, part, load_profile(name)) for part, name in others.items() if part != role]
    return (entry("it", role, profile), *kept)


@contextlib.contextmanager
def on_bench(
    profile: Profile, role: str, transport: str, tmp_path: Path
) -> Iterator[tuple[SimulatedBench, LinkSource, dict[str, InstrumentEntry], Clock]]:
    """The bench served over `transport`, or in this process, and where its links come from."""
    instruments = described(profile, role)
    if transport == "serial":
        port = tmp_path / "port"
        address = f"ASRL{port}::INSTR" if profile.kind == "scpi" else f"modbus-rtu:{port}"
        instruments = (replace(instruments[0], address=address), *instruments[1:])
    clock: Clock = VirtualClock() if transport == "in process" else RealClock()
    bench = SimulatedBench(BenchDescription(METER, instruments, 1.0, seed=3), clock)
    with contextlib.ExitStack() as stack:
        served = {} if transport == "in process" else stack.enter_context(serve(bench))
        links: LinkSource = TwinLinks(bench) if transport == "in process" else Wires(tmp_path)
        entries = {
            i.name: InstrumentEntry(profile="any", address=served.get(i.name, i.address), timeout="2 s")  # type: ignore[arg-type]
            for i in instruments
        }
        yield bench, links, entries, clock


def scpi(kind: type[Any], name: str, profile: Profile, links: LinkSource, entry: InstrumentEntry, clock: Clock) -> Any:
    return kind(name, entry.address, profile, lambda: links.text(name, entry, profile), clock.now)


@pytest.mark.parametrize("transport", ["tcp", "serial", "in process"])
@pytest.mark.parametrize(("name", "profile", "role"), [pytest.param(*p, id=f"{p[0]}-as-{p[2]}") for p in profiles()])
def test_contract(name: str, profile: Profile, role: str, transport: str, tmp_path: Path) -> None:
    """Identified by serial number, started, safe and confirmed; settings read back; readings finite; no error queued."""
    with on_bench(profile, role, transport, tmp_path) as (bench, links, entries, clock):
        serial = bench.instrument("it").serial
        if profile.kind == "modbus":
            meter = RegisterInstrument(
                "it",
                entries["it"].address,
                profile,
                lambda drain: links.registers("it", entries["it"], drain),
                clock.now,
            )
            meter.open()
            assert meter.identify().serial == (serial if profile.serial_registers else "")
            meter.start()
            meter.make_safe()
            assert meter.confirm_safe()[0]
            for quantity in profile.registers:
                reading = meter.read_quantity(quantity)
                assert math.isfinite(reading.value)
                assert reading.unit == UNITS[quantity]
                assert reading.finished >= reading.started
            meter.close()
            return
        instrument: ScpiInstrument = scpi(ScpiInstrument, "it", profile, links, entries["it"], clock)
        instrument.open()
        assert instrument.identify().serial == serial
        instrument.tell(profile.start)
        assert instrument.drain_errors() == [], "the twin knows every start command"
        instrument.make_safe()
        assert instrument.confirm_safe()[0]
        for key, quantity in profile.quantities.items():
            if quantity.set:
                instrument.set_quantity(key, quantity.minimum)
                if quantity.get:
                    assert instrument.read_quantity(key).value == pytest.approx(quantity.minimum)
            instrument.protect_quantity(key, max(quantity.minimum, 1.0))
        for key, quantity in profile.quantities.items():
            if quantity.get:
                instrument.configure_quantity(key, 10.0)
                reading = instrument.read_quantity(key)
                assert math.isfinite(reading.value)
                assert reading.unit == UNITS[key]
                assert float(reading.raw) == reading.value
        if profile.switching is not None:
            instrument.tell(profile.switching.select, position="101")
            assert instrument.ask(profile.switching.query, position="101") in profile.switching.selected
        assert instrument.drain_errors() == []
        instrument.make_safe()
        assert instrument.confirm_safe()[0]
        instrument.check_errors("the end")
        instrument.close()


@pytest.mark.parametrize(
    ("name", "profile", "role"),
    [pytest.param(*p, id=f"{p[0]}-as-{p[2]}") for p in profiles() if p[2] in ("reference", "meter")],
)
def test_every_reader_reads_the_current_that_flows(name: str, profile: Profile, role: str, tmp_path: Path) -> None:
    """5 A from the load is 5 A for a reference and for a meter within 1 %, power is voltage times current times power factor."""
    with on_bench(profile, role, "in process", tmp_path) as (bench, links, entries, clock):
        bench.turn_switch("one")
        load: ScpiLoad = scpi(ScpiLoad, "load", load_profile("scpi_load"), links, entries["load"], clock)
        load.open()
        load.set_power_factor(0.5)
        load.protect_quantity("voltage", 250.0)
        load.drive(5.0)
        clock.sleep(1.0)
        if profile.kind == "modbus":
            meter = RegisterMeter(
                "it", "it", profile, lambda drain: links.registers("it", entries["it"], drain), clock.now
            )
            meter.open()
            assert meter.read().value == pytest.approx(5.0, rel=0.01)
            values = {q: meter.read_quantity(q).value for q in profile.registers}
        else:
            reader: Any = scpi(
                ScpiMeter if role == "meter" else ScpiReference, "it", profile, links, entries["it"], clock
            )
            reader.open()
            reader.start()
            if role == "reference":
                reader.configure(10.0)
            assert reader.read().value == pytest.approx(5.0, rel=0.01)
            values = {}
            for quantity in profile.quantities:
                reader.configure_quantity(quantity, 10.0)
                values[quantity] = reader.read_quantity(quantity).value
            reader.check_errors("readings")
        if "power" in values:
            assert values["power"] == pytest.approx(values.get("voltage", 230.0) * 5.0 * 0.5, rel=0.01)
        if "phase" in values:
            # cos 60 degrees = 0.5; a device sees the phase displacement of its own transformer besides.
            assert values["phase"] == pytest.approx(60.0, abs=0.5 if role == "meter" else 0.05)


def test_a_trigger_is_armed_and_fired_for_every_reading(tmp_path: Path) -> None:
    """`read` alone is fresh; fetched without a trigger there is nothing, and no old value is repeated."""
    profile = load_profile("scpi_power_analyser")
    with on_bench(profile, "reference", "in process", tmp_path) as (bench, links, entries, clock):
        bench.turn_switch("one")
        load: ScpiLoad = scpi(ScpiLoad, "load", load_profile("scpi_load"), links, entries["load"], clock)
        reference: ScpiReference = scpi(ScpiReference, "it", profile, links, entries["it"], clock)
        for instrument in (load, reference):
            instrument.open()
            instrument.start()
        load.drive(5.0)
        clock.sleep(1.0)
        reference.configure(10.0)
        assert reference.read().value == pytest.approx(5.0, rel=0.01)
        load.drive(2.0)
        clock.sleep(1.0)
        assert reference.read().value == pytest.approx(2.0, rel=0.01)
        reference.arm()
        reference.fire()
        clock.sleep(0.2)
        load.drive(8.0)
        clock.sleep(1.0)
        assert reference.fetch().value == pytest.approx(2.0, rel=0.01), "what it was when fired"
        reference.arm()
        with pytest.raises(LinkError):
            reference.fetch()
        reference.open()
        assert reference.drain_errors() == ['-230,"Data corrupt or stale"']
        reference.fire()
        reference.fire()
        assert reference.drain_errors() == ['-211,"Trigger ignored"']


def test_a_query_shared_by_two_quantities_reads_only_the_one_configured(tmp_path: Path) -> None:
    """Volts are never taken for amperes: READ? gives what CONFigure chose last."""
    with on_bench(load_profile("scpi_multimeter"), "reference", "in process", tmp_path) as (_, links, entries, clock):
        reference: ScpiReference = scpi(
            ScpiReference, "it", load_profile("scpi_multimeter"), links, entries["it"], clock
        )
        reference.open()
        with pytest.raises(InstrumentError, match="not configured for voltage"):
            reference.read_quantity("voltage")
        reference.configure_quantity("voltage", 300.0)
        # IEC 60038: the nominal voltage between phase and neutral is 230 V
        assert reference.read_quantity("voltage").value == pytest.approx(230.0, rel=0.005)
        with pytest.raises(InstrumentError, match="not configured for current"):
            reference.read()
        reference.configure(10.0)
        assert reference.read().unit == "A"


@pytest.mark.parametrize(
    ("profile", "kind"), [("scpi_environment", ScpiEnvironmentSensor), ("modbus_environment", None)]
)
def test_environment_sensors_read_temperature_and_humidity(profile: str, kind: Any, tmp_path: Path) -> None:
    """Over SCPI and over registers; a laboratory's air is between 15 and 30 degC (common practice, no published source)."""
    with on_bench(load_profile(profile), "environment", "tcp", tmp_path) as (_, links, entries, clock):
        it = entries["it"]
        sensor = (
            scpi(kind, "it", load_profile(profile), links, it, clock)
            if kind
            else RegisterEnvironmentSensor(
                "it", it.address, load_profile(profile), lambda drain: links.registers("it", it, drain), clock.now
            )
        )
        sensor.open()
        readings = sensor.read()
        assert {name: r.unit for name, r in readings.items()} == {"temperature": "degC", "relative_humidity": "%"}
        assert 15.0 < readings["temperature"].value < 30.0
        assert 0.0 < readings["relative_humidity"].value < 100.0
        sensor.close()
