"""The bench put together: who is opened, in what order it is made safe, and what is told of those that do not answer."""

from __future__ import annotations

import io
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from harness.commands.new import template
from harness.core.clock import RealClock
from harness.core.errors import UserError
from harness.files.loading import parse_bench, parse_device
from harness.record.journal import RecordWriter, parse_record
from harness.station.station import Station, assemble, open_all, open_each
from harness.station.wires import LinkSource
from instruments.errors import LinkError
from instruments.operator.person import ScriptedPerson
from instruments.reading import Identity

VOLTS = "voltage = { of_reading = '0.2 %', resolution = '0.1 V' }\n"
BESIDE = {
    "environment": "[instruments.room]\nprofile = 'scpi_environment'\naddress = 'TCPIP::127.0.0.1::1::SOCKET'\n",
    "secondary": "[instruments.loop]\nprofile = 'scpi_multimeter'\naddress = 'TCPIP::127.0.0.1::2::SOCKET'\n"
    "ranges = [{ full_scale = '50 mA', of_reading = '0.1 %', resolution = '1 uA' }]\n",
    "voltage": f"[instruments.volts]\nprofile = 'scpi_multimeter'\naddress = 'TCPIP::127.0.0.1::3::SOCKET'\n{VOLTS}",
    "check_standard": "[instruments.known]\nprofile = 'scpi_multimeter'\naddress = 'TCPIP::127.0.0.1::4::SOCKET'\n"
    "[check_standard]\ncurrent = '1 A'\nuncertainty = '0.1 %'\n",
}


class Nowhere(LinkSource):
    """Nothing is opened."""


def bench_with(roles: str = "", tables: str = "", above: str = "") -> Station:
    """The template's bench with more in it, put together."""
    text = f"{above}\n" + template("bench.toml").replace("[roles]\n", f"[roles]\n{roles}") + tables
    if "'multimeter'" in roles:
        text = text.replace('serial = "M-0871"\n', f'serial = "M-0871"\n{VOLTS}')
    device = parse_device(template("device.toml"), "device.toml")
    bench = parse_bench(text, "bench.toml")
    return assemble(
        device, bench, person=ScriptedPerson(), clock=RealClock(), links=Nowhere(), folders=[Path("nowhere")]
    )


def test_the_four_parts_and_nothing_else() -> None:
    station = bench_with()
    assert list(station.instruments) == ["source", "multimeter", "monitor", "relay"]
    assert [part.name for part in (station.load, station.reference, station.meter, station.switch)] == list(
        station.instruments
    )
    assert (station.environment, station.secondary, station.voltmeter, station.check_standard) == (None,) * 4
    assert station.safe_order == ("source",)


def test_all_a_bench_may_have_beside() -> None:
    roles = "environment = 'room'\nsecondary = 'loop'\nvoltage = 'volts'\ncheck_standard = 'known'\n"
    station = bench_with(roles, "".join(BESIDE.values()))
    assert list(station.instruments)[4:] == ["room", "loop", "volts", "known"]
    beside = (station.environment, station.secondary, station.voltmeter, station.check_standard)
    assert [part is not None and part.name for part in beside] == ["room", "loop", "volts", "known"]
    for part in beside:
        assert part is not None
        assert station.instruments[part.name] is part


def test_a_reference_that_reads_the_voltage_too_is_one_instrument() -> None:
    """Opened twice, each would read the other's replies."""
    station = bench_with("voltage = 'multimeter'\n")
    assert station.voltmeter is None
    assert len(station.instruments) == 4


def test_the_load_is_made_safe_first_whatever_the_bench_file_says() -> None:
    """docs/decisions/safe-state.md: no other instrument may move while current flows."""
    station = bench_with(above="safe_order = ['relay', 'source', 'monitor']")
    assert station.safe_order == ("source", "relay", "monitor")


class Part:
    """Answers, or breaks off at `fails`."""

    def __init__(self, name: str, fails: str = "") -> None:
        self.name, self.address, self._fails, self.course = name, "h:1", fails, []

    def _do(self, what: str) -> None:
        self.course.append(what)
        if what == self._fails:
            raise LinkError(f"could not {what}", instrument=self.name, address=self.address)

    def open(self) -> None:
        self._do("open")

    def identify(self) -> Identity:
        self._do("identify")
        return Identity(f"I am {self.name}", "7")

    def start(self) -> None:
        self._do("start")

    def close(self) -> None:
        self._do("close")


def station_of(*parts: Part) -> Any:
    return SimpleNamespace(load=parts[0], instruments={part.name: part for part in parts})


def test_every_instrument_is_opened_asked_who_it_is_and_started() -> None:
    parts = Part("load"), Part("meter")
    assert open_all(station_of(*parts)) == {name: Identity(f"I am {name}", "7") for name in ("load", "meter")}
    assert [part.course for part in parts] == [["open", "identify", "start"]] * 2


@pytest.mark.parametrize("fails", ["open", "identify", "start"])
def test_all_that_do_not_answer_are_told_at_once(fails: str) -> None:
    parts = Part("load"), Part("meter", fails), Part("relay", fails), Part("room")
    with pytest.raises(UserError) as refused:
        open_all(station_of(*parts))
    assert refused.value.problems == (
        f"meter at h:1: could not {fails}",
        f"relay at h:1: could not {fails}",
    )
    assert parts[3].course == ["open", "identify", "start"]


@pytest.mark.parametrize(("fails", "reached"), [("open", False), ("identify", False), ("start", True)])
def test_a_load_that_was_not_reached_may_be_on_and_that_is_told(fails: str, reached: bool) -> None:
    """Nobody goes near the circuit because the program could not begin."""
    identities, problems = open_each(station_of(Part("load", fails), Part("meter")))
    assert ("load" in identities) is reached
    assert "meter" in identities
    told = ["load was not reached: whether it drives current is not known"]
    assert problems == [f"load at h:1: could not {fails}", *([] if reached else told)]


def test_every_link_is_let_go() -> None:
    station = bench_with()
    parts = {name: Part(name) for name in station.instruments}
    station.instruments.update(parts)
    station.close()
    assert [part.course for part in parts.values()] == [["close"]] * 4


def test_whoever_is_at_the_bench_is_asked_and_it_is_written_down_and_the_bench_is_told() -> None:
    """docs/decisions/confirmations.md: every question that guards somebody is in the record with its answer."""
    done: list[str] = []

    class Bench(Nowhere):
        def turn_switch(self, range_name: str) -> None:
            done.append(range_name)

    device = parse_device(template("device.toml"), "device.toml")
    bench = parse_bench(template("bench_by_hand.toml"), "bench.toml")
    person, stream = ScriptedPerson(), io.BytesIO()
    station = assemble(device, bench, person=person, clock=RealClock(), links=Bench(), folders=[])
    station.person.record_in(RecordWriter(stream, RealClock(), sync=False))
    station.switch.select("x4")
    station.load.make_safe()
    assert done == ["x4"]
    prompts = [line["text"] for line in parse_record(stream.getvalue(), "test").of_kind("prompt")]
    assert prompts == person.asked
    assert len(prompts) == 2
