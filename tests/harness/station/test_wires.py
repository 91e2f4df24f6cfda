"""What an address leads to, and how it is talked to."""

from __future__ import annotations

import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from harness.files.instrument_entry import InstrumentEntry
from harness.station import wires
from harness.station.wires import Wires, link_settings, place, resolved_address, serial_port
from instruments.links.link import LinkSettings
from instruments.profile import SHIPPED, load_profile

SCPI, METER = load_profile("scpi_load"), load_profile("modbus_meter")


def entry(**more: Any) -> InstrumentEntry:
    return InstrumentEntry(**{"profile": "scpi_load", "address": "TCPIP::h::1::SOCKET", **more})


@pytest.mark.parametrize(
    ("address", "port"),
    [
        ("modbus-rtu:/dev/ttyUSB0", "/dev/ttyUSB0"),
        ("modbus-rtu:socket://h:1", ""),
        ("modbus-tcp://h:502", ""),
        ("ASRL/dev/ttyUSB0::INSTR", "/dev/ttyUSB0"),
        ("TCPIP::h::1::SOCKET", ""),
    ],
)
def test_only_a_serial_address_names_a_port(address: str, port: str) -> None:
    assert serial_port(address) == port


def test_a_relative_port_stands_beside_the_bench_file(tmp_path: Path) -> None:
    assert resolved_address("modbus-rtu:port", tmp_path) == f"modbus-rtu:{tmp_path / 'port'}"
    assert resolved_address("modbus-rtu:/dev/ttyS0", tmp_path) == "modbus-rtu:/dev/ttyS0"
    assert resolved_address("modbus-tcp://h:502", tmp_path) == "modbus-tcp://h:502"


def test_two_ways_to_one_instrument_are_one_place_and_two_instruments_are_two(tmp_path: Path) -> None:
    """A port by another name is that port; the words of an address may be written large or small (VPP-4.3, 4.3.1.1, value from memory)."""
    (tmp_path / "port").touch()
    (tmp_path / "second").touch()
    one = place("modbus-rtu:port", tmp_path)
    if sys.platform != "win32":
        # Names under /dev/serial/by-id are links. Windows has no such names, and makes no links for everybody.
        (tmp_path / "other name").symlink_to(tmp_path / "port")
        assert place("modbus-rtu:other name", tmp_path) == one
    assert place(f"ASRL{tmp_path / 'port'}::INSTR", tmp_path) == one
    assert place("modbus-rtu:second", tmp_path) != one
    assert place("tcpip::h::1::socket", tmp_path) == place("TCPIP0::H::1::SOCKET", tmp_path)
    assert place("TCPIP::localhost::1::SOCKET", tmp_path) == place("TCPIP::127.0.0.1::1::SOCKET", tmp_path)
    assert place("TCPIP::h::1::SOCKET", tmp_path) != place("TCPIP::h::2::SOCKET", tmp_path)
    assert place("modbus-tcp://h:502", tmp_path) == place("modbus-tcp://H:502", tmp_path)


@pytest.mark.parametrize(
    "ways",
    [
        ("GPIB0::5::INSTR", "GPIB::5::INSTR", "gpib0::5", "GPIB::05::INSTR"),
        ("ASRL3::INSTR", "ASRL3", "asrlCOM3::INSTR", r"modbus-rtu:\\.\COM3", "modbus-rtu:com3"),
        ("TCPIP::Bench.lan::5025::SOCKET", "TCPIP0::bench.LAN.::05025::SOCKET", "modbus-rtu:socket://BENCH.lan:5025"),
        ("TCPIP::localhost::hislip0", "tcpip0::127.0.0.1::hislip0,4880::INSTR"),
        ("TCPIP::h::INSTR", "TCPIP0::H::inst0::INSTR"),
        (
            "modbus-tcp://localhost",
            "modbus-tcp://127.0.0.1:502/",
            "modbus-tcp://[::1]:502",
            "modbus-rtu:socket://localhost:502",
        ),
    ],
)
def test_every_way_to_write_an_address_is_one_place(ways: tuple[str, ...], tmp_path: Path) -> None:
    """Optional parts and defaults of resource names: VPP-4.3, table 4.3.1 (value from memory); ports 502 and 4880: the registry of IANA."""
    assert len({place(way, tmp_path) for way in ways}) == 1


def test_hosts_boards_and_devices_that_differ_are_places_of_their_own(tmp_path: Path) -> None:
    others = (
        *("GPIB::5::INSTR", "GPIB1::5::INSTR", "GPIB::50::INSTR", "GPIB::5::1::INSTR", "ASRL3::INSTR", "ASRL30::INSTR"),
        *("TCPIP::h::INSTR", "TCPIP::h::inst1::INSTR", "TCPIP::h::hislip0::INSTR", "TCPIP::h::hislip0,4881::INSTR"),
        *("TCPIP::mylocalhost::1::SOCKET", "TCPIP::my127.0.0.1::1::SOCKET", "modbus-tcp://h:1", "modbus-tcp://h:10"),
    )
    assert len({place(other, tmp_path) for other in others}) == len(others)


def test_a_relative_serial_port_of_text_stands_beside_the_bench_file_too(tmp_path: Path) -> None:
    """Wherever the program is started. Numbers and names of Windows are no paths."""
    assert resolved_address("ASRLport::INSTR", tmp_path) == f"ASRL{tmp_path / 'port'}::INSTR"
    assert resolved_address("ASRLA::INSTR", tmp_path) == f"ASRL{tmp_path / 'A'}::INSTR"
    assert place("ASRL./port::INSTR", tmp_path) == place("modbus-rtu:port", tmp_path)
    for kept in ("ASRL/dev/ttyUSB0::INSTR", "ASRL3::INSTR", "ASRLCOM3::INSTR"):
        assert resolved_address(kept, tmp_path) == kept


def test_an_instrument_is_talked_to_as_the_bench_file_says_else_as_its_profile_does() -> None:
    spoken = {
        "timeout": "0.7 s",
        "baud_rate": 9600,
        "data_bits": 7,
        "parity": "even",
        "stop_bits": 2,
        "flow_control": "rts_cts",
        "lock": True,
    }
    assert link_settings(entry(**spoken), library="@other") == LinkSettings(
        timeout=0.7,
        baud_rate=9600,
        data_bits=7,
        parity="even",
        stop_bits=2,
        flow_control="rts_cts",
        lock=True,
        library="@other",
    )
    assert link_settings(entry()).library == "@py"
    of_profile = SCPI.model_copy(update={"read_termination": "\r", "write_termination": "\r\n"})
    for ends, expected in (
        ({}, ("\r", "\r\n")),
        ({"read_termination": "\n"}, ("\n", "\r\n")),
        # An empty one is one: nothing ends a message there.
        ({"write_termination": ""}, ("\r", "")),
    ):
        settings = link_settings(entry(**ends), of_profile)
        assert (settings.read_termination, settings.write_termination) == expected
        assert settings.timeout == entry().timeout


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, dict[str, Any]]]:
    """The links that were made, with all they were told."""
    made: list[tuple[Any, dict[str, Any]]] = []

    def link(*what: Any, **how: Any) -> Any:
        made.append((what, how))
        return SimpleNamespace()

    monkeypatch.setattr(wires, "VisaLink", link)
    monkeypatch.setattr(wires, "ModbusLink", link)
    return made


def test_a_line_opened_again_is_drained_first_by_instrument(opened: list[Any], tmp_path: Path) -> None:
    """What came too late before must not be taken for an answer; the first time nothing was asked yet."""
    source, of_profile = Wires(tmp_path, "@other"), SCPI.model_copy(update={"read_termination": "\r"})
    for name in ("load", "relay", "load", "load"):
        source.text(name, entry(timeout="0.7 s"), of_profile)
    assert [how["drain"] for _, how in opened] == [False, False, True, True]
    assert opened[0][0] == ("load", "TCPIP::h::1::SOCKET", LinkSettings(0.7, "\r", library="@other"))
    Wires(tmp_path).text("load", entry(), SCPI)
    assert opened[-1][0][2].library == "@py"


def test_a_modbus_unit_is_reached_by_its_number_on_its_port(opened: list[Any], tmp_path: Path) -> None:
    meter = entry(profile="modbus_meter", address="modbus-rtu:port", unit_id=9, baud_rate=9600, parity="even")
    source = Wires(tmp_path)
    source.registers("monitor", meter, True)
    assert opened == [
        (("monitor", f"modbus-rtu:{tmp_path / 'port'}", link_settings(meter)), {"unit_id": 9, "drain": True})
    ]
    assert (opened[0][0][2].baud_rate, opened[0][0][2].parity) == (9600, "even")


def test_a_transcript_answers_in_place_of_its_instrument(
    opened: list[Any], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """It is read once, checked against the profile, and goes on where it stood when the link is opened again."""
    read: list[Any] = []

    class Reader:
        def __init__(self, path: Path, name: str) -> None:
            read.append((path, name))

        def check_profile(self, profile: Any) -> None:
            read.append(profile)

        def check_used_up(self) -> None:
            read.append("used up?")

    monkeypatch.setattr(wires, "TranscriptReader", Reader)
    monkeypatch.setattr(wires, "ReplayedText", lambda transcript: ("text", transcript))
    monkeypatch.setattr(wires, "ReplayedRegisters", lambda transcript, drain: ("registers", transcript, drain))
    source = Wires(tmp_path)
    kept = entry(address="transcript:kept/load.jsonl")
    kind, transcript = source.text("load", kept, SCPI)
    assert (kind, source.text("load", kept, SCPI)) == ("text", ("text", transcript))
    assert read == [(tmp_path / "kept/load.jsonl", "load"), SCPI]
    meter = entry(profile="modbus_meter", address="transcript:meter.jsonl")
    kind, other, drained = source.registers("monitor", meter, True)
    assert (kind, drained, other is transcript) == ("registers", True, False)
    assert read[2:] == [(tmp_path / "meter.jsonl", "monitor"), METER]
    source.check_used_up()
    assert read[4:] == ["used up?"] * 2
    assert opened == []


def test_the_profile_of_a_replayed_unit_is_looked_for_beside_the_bench_file(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A profile of the user's own, in `profiles` there or beside it."""
    seen: list[str] = []
    monkeypatch.setattr(
        wires, "TranscriptReader", lambda *_: SimpleNamespace(check_profile=lambda profile: seen.append(profile.title))
    )
    monkeypatch.setattr(wires, "ReplayedRegisters", lambda *_: None)
    text = (SHIPPED / "modbus_meter.toml").read_text(encoding="utf-8")
    (tmp_path / "profiles").mkdir()
    for folder, name in ((tmp_path / "profiles", "one"), (tmp_path, "two")):
        (folder / f"{name}.toml").write_text(text.replace(METER.title, f"my {name}"), encoding="utf-8")
        Wires(tmp_path).registers(name, entry(profile=name, address=f"transcript:{name}.jsonl"), False)
    assert seen == ["my one", "my two"]


def test_addresses_that_no_standard_knows_are_places_of_their_own(tmp_path: Path) -> None:
    """No VISA resource name (VPP-4.3: an interface type and its parts), as an address of a transcript is: two files, two instruments."""
    one, other = (place(f"transcript:{name}.jsonl", tmp_path) for name in ("one", "other"))
    assert one
    assert other
    assert one != other
