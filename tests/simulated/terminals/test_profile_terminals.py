"""The words come from the profile: another profile, other words, the same physics."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from instruments.profile import Profile
from simulated.inprocess import open_link
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench

LOAD = {
    "kind": "scpi",
    "role": "load",
    "title": "Other source",
    "identification": {"query": "SYSTem:IDENtity?", "serial_field": 4},
    "errors": {"query": "SYSTem:ERRor:ALL?"},
    "on": ["OUTPut:STATe 1"],
    "safe": {
        "commands": ["OUTPut:STATe 0"],
        "confirm": [{"query": "OUTPut:STATe?", "expect": ["OFF"]}],
    },
    "quantities": {"current": {"unit": "A", "set": ["CURRent:AC {value} A"], "get": "CURRent:AC?"}},
}
SWITCH = {
    "kind": "scpi",
    "role": "switch",
    "title": "Other relay",
    "switching": {"select": ["INSTrument:SELect {position}"], "query": "INSTrument:SELect?", "selected": ["ON"]},
}
METER = {
    "kind": "scpi",
    "role": "meter",
    "title": "Other meter",
    "quantities": {"current": {"unit": "A", "get": "READ:CURRent?"}},
}
REGISTERS = {
    "kind": "modbus",
    "role": "meter",
    "title": "Other registers",
    "registers": {
        "current": {
            "unit": "A",
            "address": 40,
            "function": "holding",
            "type": "uint32",
            "word_order": "little",
            "scale": 0.001,
        },
        "voltage": {"unit": "V", "address": 50, "function": "holding", "type": "uint16"},
    },
}


def bench_with(make_description: Callable[..., Any], **profiles: dict[str, Any]) -> SimulatedBench:
    described = make_description()
    instruments = tuple(
        replace(i, profile=Profile.model_validate(profiles[i.role])) if i.role in profiles else i
        for i in described.instruments
    )
    return SimulatedBench(replace(described, instruments=instruments), VirtualClock())


def test_another_load(make_description: Callable[..., Any]) -> None:
    """Unit after the number, numbers for on and off, words for the state, serial in the fifth field."""
    bench = bench_with(make_description, load=LOAD)
    source: Any = open_link(bench, "source")
    assert source.query("SYST:IDEN?").split(",")[4] == "S-100"
    assert source.query("OUTP:STAT?") == "OFF"
    source.write("CURR:AC 2.5 A")
    source.write("OUTP:STAT ON")
    bench.clock.sleep(1.0)
    assert source.query("OUTP:STAT?") == "ON"
    assert float(source.query("CURR:AC?")) == 2.5
    assert bench.truth().primary_current == pytest.approx(2.5, rel=0.01)
    source.write("OUTPUT:STATE 0")
    assert source.query("OUTP:STAT?") == "OFF"
    assert source.query("SYST:ERR:ALL?").startswith("0,")


def test_another_switch(make_description: Callable[..., Any]) -> None:
    """A relay that tells its position instead of being asked about one; an unknown position is refused."""
    bench = bench_with(make_description, switch=SWITCH)
    relay: Any = open_link(bench, "relay")
    relay.write("INST:SEL 103")
    assert relay.query("INST:SEL?") == "103"
    assert bench.truth().switch_position == "x20"
    relay.write("INST:SEL 999")
    assert relay.query("SYST:ERR?").startswith("-222")
    assert bench.truth().switch_position == "x20"


def test_another_meter(make_description: Callable[..., Any]) -> None:
    """The display over SCPI, and over scaled integers with the low word first."""
    for profile in (METER, REGISTERS):
        bench = bench_with(make_description, meter=profile)
        source: Any = open_link(bench, "source")
        source.write("SOUR:CURR 70")
        source.write("OUTP ON")
        bench.clock.sleep(1.0)
        meter: Any = open_link(bench, "meter")
        if profile is METER:
            assert float(meter.query("READ:CURR?")) == pytest.approx(70.0, rel=0.01)
        else:
            low, high = meter.read_registers("holding", 40, 2)
            assert high == 1
            assert (high * 65536 + low) * 0.001 == pytest.approx(70.0, rel=0.01)
            assert meter.read_registers("holding", 50, 1) == [230]
