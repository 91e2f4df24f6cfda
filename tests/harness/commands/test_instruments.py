"""`ratioproof instruments`: everything that does not answer is reported with its reason, and nothing is sent but a question."""

from __future__ import annotations

import importlib.util
import os
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from harness.command_line import main
from harness.commands import discovery
from harness.commands.advice import advice
from harness.commands.discovery import Offer
from harness.commands.new import template
from instruments.errors import LinkError
from tests.harness.commands.served_bench import served_bench
from tests.line_server import line_server

ROOT = Path(__file__).parents[3]


@pytest.fixture
def _nothing_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    """What this computer has plugged in is no part of these tests."""
    monkeypatch.setattr(discovery, "offered", lambda library: ([], []))


def words(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().out.split())


def entry(name: str, address: str, serial: str = "", profile: str = "scpi_multimeter") -> str:
    return f'\n[instruments.{name}]\nprofile = "{profile}"\naddress = "{address}"\nserial = "{serial}"\ntimeout = "300 ms"\n'


def test_a_sound_bench_answers_as_itself(tmp_path: Path) -> None:
    """A process of its own with real discovery: exit 0, every entry with its identification, in bounded time."""
    with served_bench(tmp_path) as (file, simulated):
        started = time.monotonic()
        process = subprocess.run(
            [sys.executable, "-m", "harness", "instruments", str(file)],
            capture_output=True,
            text=True,
            cwd=ROOT,
            timeout=60,
            check=False,
        )
        assert time.monotonic() - started < 15.0
        assert simulated.truth().primary_current == 0.0
    assert process.returncode == 0, process.stdout + process.stderr
    assert process.stderr == ""
    for name, serial in (("source", "L-2203"), ("multimeter", "M-0871"), ("monitor", "40117"), ("relay", "R-0045")):
        assert f"  ok     {name}: " in process.stdout
        assert serial in process.stdout
    assert max(len(line) for line in process.stdout.splitlines() if "::" not in line) <= 80


@pytest.mark.usefixtures("_nothing_offered")
def test_all_that_do_not_answer_are_told_with_what_to_try(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One run, every kind of failure, none of them hides another; exit 2."""
    silent = socket.create_server(("127.0.0.1", 0))
    port = silent.getsockname()[1]
    with served_bench(tmp_path) as (file, _), line_server(lambda _: "hello") as talker, silent:
        text = file.read_text(encoding="utf-8")
        source = text.split('"scpi_load"\naddress = "')[1].split('"')[0]
        text = text.replace(source, "TCPIP::127.0.0.1::1::SOCKET").replace("R-0045", "R-0046")
        text += entry("moved", "TCPIP::127.0.0.1::2::SOCKET", "M-0871")
        text += entry("off", "TCPIP::127.0.0.1::4::SOCKET")
        text += entry("elsewhere", source, "L-9999")
        text += entry("mute", f"TCPIP::127.0.0.1::{port}::SOCKET")
        text += entry("talker", talker.address)
        text += entry("unplugged", f"ASRL{tmp_path}/no-port::INSTR")
        text += entry("lost", "modbus-rtu:no-adapter", "1", "modbus_meter")
        text += entry("unprofiled", "TCPIP::127.0.0.1::3::SOCKET", profile="mine")
        file.write_text(text, encoding="utf-8")
        started = time.monotonic()
        assert main(["instruments", str(file)]) == 2
        assert time.monotonic() - started < 10.0
    told = words(capsys)
    for part in (
        f"NO source: TCPIP::127.0.0.1::1::SOCKET Nothing listens on port 1 of 127.0.0.1. Serial L-2203 answers at {source}:",
        "NO off: TCPIP::127.0.0.1::4::SOCKET Nothing listens on port 4 of 127.0.0.1. Switch it on,",
        "Serial R-0045 answers there, expected R-0046. Correct the address, or the serial",
        "NO moved: TCPIP::127.0.0.1::2::SOCKET Nothing listens on port 2 of 127.0.0.1. Serial M-0871 answers at TCPIP",
        "Serial L-2203 answers there, expected L-9999.",
        f"Port {port} of 127.0.0.1 accepts connections, but does not answer *IDN?: no reply within the timeout.",
        "It answers, but not as an identification: identification 'hello' has no field 3",
        f"There is no serial port {tmp_path}/no-port.",
        "no-adapter. Plug its adapter in,",
        "Its profile is wrong: profile 'mine' not found",
        "NO 10 of 12 do not answer as the bench file says.",
    ):
        assert part in told, told
    assert "ok multimeter: " in told
    assert "ok monitor: " in told


@pytest.mark.usefixtures("_nothing_offered")
def test_nothing_is_sent_but_the_identification_query(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every line an instrument gets; and not one byte to a Modbus unit whose profile has no serial registers."""
    (tmp_path / "mute.toml").write_text(
        'kind = "modbus"\nrole = "meter"\ntitle = "t"\n[registers.current]\nunit = "A"\naddress = 0\n', encoding="utf-8"
    )
    with line_server(lambda _: "A,B,7,1") as talker, line_server(lambda _: None) as unit:
        file = tmp_path / "bench.toml"
        text = template("bench.toml") + entry("talker", talker.address, "7")
        file.write_text(text + entry("unit", f"modbus-tcp://127.0.0.1:{unit.port}", profile="mute"), encoding="utf-8")
        main(["instruments", str(file)])
    assert talker.received == ["*IDN?"]
    assert unit.received == []
    assert "- unit: " in words(capsys)


def test_what_is_offered_is_identified_and_compared(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An address nobody wrote down is asked; by its serial number it is the instrument that was looked for."""
    with line_server(lambda _: "A,B,S-1,1") as peer, line_server(lambda _: "A,B,S-2,1") as stranger:
        offers = [Offer(peer.address, "a socket"), Offer(stranger.address), Offer("ASRL/no/port::INSTR")]
        monkeypatch.setattr(discovery, "offered", lambda library: (offers, ["something was not looked for"]))
        file = tmp_path / "bench.toml"
        text = template("bench.toml").replace("L-2203", "S-1").replace("15025", "1")
        file.write_text(text.replace("modbus-rtu:monitor-port", "modbus-rtu:/no/port"), encoding="utf-8")
        assert main(["instruments", str(file)]) == 2
        told = words(capsys)
        assert main(["instruments"]) == 0
        alone = words(capsys)
    assert f"{peer.address} (a socket) A,B,S-1,1 by its serial number this is source of the bench file" in told
    assert f"{stranger.address} A,B,S-2,1 not in the bench file" in told
    assert f"Serial S-1 answers at {peer.address}: put that address into the bench file." in told
    assert "ASRL/no/port::INSTR monitor in the bench file, see below" in told
    assert "something was not looked for" in told
    assert f"{stranger.address} A,B,S-2,1 serial S-2" in alone
    assert "Instruments of" not in alone


def test_units_on_one_line_are_asked_one_after_the_other() -> None:
    """Two units on one serial port never at the same time; different places at the same time; answers in their order."""
    busy: dict[str, int] = {}
    most: dict[str, int] = {"a": 0, "b": 0, "all": 0}
    lock, both = threading.Lock(), threading.Barrier(2)

    def asked(place: str, number: int) -> discovery.Answer:
        with lock:
            busy[place] = busy.get(place, 0) + 1
            most[place] = max(most[place], busy[place])
            most["all"] = max(most["all"], sum(busy.values()))
        both.wait(10)
        with lock:
            busy[place] -= 1
        return discovery.Answer(reason=str(number))

    probes = [(p, lambda p=p, i=i: asked(p, i)) for i, p in enumerate("abab")]
    assert [a.reason for a in discovery._in_parallel(probes)] == ["0", "1", "2", "3"]
    assert most == {"a": 1, "b": 1, "all": 2}


def test_two_ways_of_writing_one_place_are_one_place(tmp_path: Path) -> None:
    """A link to a serial port is that port (udev makes such links), and VISA's board number 0 may be left out."""
    port = tmp_path / "port"
    port.touch()
    (tmp_path / "by-name").symlink_to(port)
    assert discovery.place("modbus-rtu:by-name", tmp_path) == discovery.place(f"ASRL{port}::INSTR", tmp_path)
    assert discovery.place("TCPIP::h::5::SOCKET", tmp_path) == discovery.place("TCPIP0::h::5::SOCKET", tmp_path)
    assert discovery.place("TCPIP::h::5::SOCKET", tmp_path) != discovery.place("TCPIP::h::6::SOCKET", tmp_path)


@pytest.mark.parametrize(
    ("address", "module", "package"),
    [("GPIB0::5::INSTR", "gpib_ctypes", "gpib-ctypes"), ("USB0::1::2::3::INSTR", "usb", "pyusb")],
)
@pytest.mark.usefixtures("_nothing_offered")
def test_a_missing_package_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], address: str, module: str, package: str
) -> None:
    """PyVISA-py needs one package for USB and another for GPIB; `pip install` of which one is said."""
    if importlib.util.find_spec(module) is not None:
        pytest.skip(f"{package} is installed here")
    file = tmp_path / "bench.toml"
    file.write_text(template("bench.toml") + entry("it", address), encoding="utf-8")
    assert main(["instruments", str(file)]) == 2
    assert f"is not installed. Install it (pip install {package})" in words(capsys)


def test_a_host_nobody_knows() -> None:
    """RFC 2606 keeps .invalid free of names. Not through a link: PyVISA-py leaves its socket open when a name fails."""
    failure = LinkError("could not connect", instrument="it", address="x")
    reason, next_step = advice("TCPIP::no-such-host.invalid::5025::SOCKET", failure, "*IDN?")
    assert reason == "The host name no-such-host.invalid is not known."
    assert "Check the name" in next_step


def test_a_port_without_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A serial port belongs to a group (dialout on many systems; common practice, no published source)."""
    port = tmp_path / "port"
    port.touch()
    failure = LinkError("could not open port: [Errno 13] Permission denied", instrument="it", address="x")
    reason, next_step = advice(f"ASRL{port}::INSTR", failure, "*IDN?")
    assert reason == f"No permission to open {port}."
    assert "dialout" in next_step
    monkeypatch.setattr(os, "access", lambda *_: False)
    silent = LinkError("cannot be opened", instrument="it", address="x")
    assert advice(f"modbus-rtu:{port}", silent, "*IDN?")[0] == reason


def test_a_port_that_refuses_its_settings(tmp_path: Path) -> None:
    """The system's reason, and the keys that may be wrong."""
    port = tmp_path / "port"
    port.touch()
    failure = LinkError("cannot be opened: Invalid argument", instrument="it", address="x", command="open")
    reason, next_step = advice(f"modbus-rtu:{port}", failure, "")
    assert reason == f"{port} exists and cannot be opened: Invalid argument."
    assert "parity" in next_step
    assert "data_bits" in next_step


def test_ports_of_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """They are no files: what is plugged in is looked up, and one that is there and will not open is open elsewhere.

    A list as pySerial gives it ("list_ports", attribute `device`); the addresses are those that PyVISA-py opens there.
    """
    from serial.tools import list_ports
    from serial.tools.list_ports_common import ListPortInfo

    monkeypatch.setattr(list_ports, "comports", lambda: [ListPortInfo("COM3"), ListPortInfo("COM12")])
    listed, _ = discovery.offered("@py")
    assert {"ASRL3::INSTR", "ASRL12::INSTR"} <= {offer.address for offer in listed}
    shut = LinkError("cannot be opened", instrument="it", address="x", command="open")
    mute = LinkError("no reply within the timeout", instrument="it", address="x", command="*IDN?")
    for address in ("ASRL3::INSTR", "ASRLCOM3::INSTR", "modbus-rtu:com3", r"modbus-rtu:\\.\COM12"):
        assert "exists and cannot be opened" in advice(address, shut, "*IDN?")[0]
        assert "program that has it open" in advice(address, shut, "*IDN?")[1]
        assert "opens, but" in advice(address, mute, "*IDN?")[0]
    assert advice("modbus-rtu:COM4", shut, "*IDN?")[0] == "There is no serial port COM4."


def test_what_a_file_leads_to_is_looked_at_in_the_network(tmp_path: Path) -> None:
    """A simulated line whose server has gone: nobody listens there; the file itself opens all the same."""
    with socket.create_server(("127.0.0.1", 0)) as gone:
        port = gone.getsockname()[1]
    (tmp_path / "monitor-port").write_text(f"socket://127.0.0.1:{port}\n", encoding="ascii")
    silent = LinkError("cannot be opened", instrument="it", address="x", command="open")
    for address in (f"modbus-rtu:{tmp_path / 'monitor-port'}", f"modbus-rtu:socket://127.0.0.1:{port}"):
        assert advice(address, silent, "")[0] == f"Nothing listens on port {port} of 127.0.0.1."


def test_a_transcript_keeps_what_each_was_asked(tmp_path: Path) -> None:
    """One file for each instrument of the bench, and none is overwritten."""
    with served_bench(tmp_path) as (file, _):
        assert main(["instruments", str(file), "--transcript", str(tmp_path / "kept")]) == 0
        assert main(["instruments", str(file), "--transcript", str(tmp_path / "kept")]) == 2
    kept = {f.stem: f.read_text(encoding="utf-8") for f in (tmp_path / "kept").iterdir()}
    assert {"source", "multimeter", "monitor", "relay"} <= set(kept)
    assert "*IDN?" in kept["source"]
    assert "registers" in kept["monitor"]
