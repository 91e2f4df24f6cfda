"""`ratioproof try`: good and broken profiles, dead addresses, and what is left energised (nothing, ever)."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.command_line import main
from instruments.profile import SHIPPED
from tests.harness.commands.served_bench import served_bench
from tests.in_process import ratioproof
from tests.line_server import line_server

ROOT = Path(__file__).parents[3]
LOAD = """
kind = "scpi"
role = "load"
title = "A load nobody has seen before"
start = ["*CLS"]
on = ["OUTPut ON"]
errors = { query = "SYSTem:ERRor?" }
[safe]
commands = ["OUTPut OFF"]
confirm = [{ query = "OUTPut?", expect = ["0"] }]
[quantities.current]
unit = "A"
set = ["CURRent {value}"]
get = "CURRent?"
minimum = 0.5
"""


def bench_file(folder: Path, address: str, profile: str = "mine", serial: str = "7") -> Path:
    """The template's bench with an instrument `it` more."""
    from harness.commands.new import template

    text = template("bench.toml")
    entry = (
        f'\n[instruments.it]\nprofile = "{profile}"\naddress = "{address}"\nserial = "{serial}"\ntimeout = "300 ms"\n'
    )
    file = folder / "bench.toml"
    file.write_text(text + entry, encoding="utf-8")
    return file


def load(**replies: str) -> Callable[[str], str | None]:
    """A load in eleven lines: it takes a current and tells it."""
    state = {"current": "0"}

    def answer(line: str) -> str | None:
        if line in replies:
            return replies[line]
        if line.startswith("CURRent "):
            state["current"] = line.split()[1]
        known = {"*IDN?": "A,B,7,1", "SYSTem:ERRor?": '0,"No error"', "OUTPut?": "0", "CURRent?": state["current"]}
        return known.get(line)

    return answer


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[int, str]]:
    """Exit status and output of `try` for every instrument of the template's bench; for the load as a process of its own."""
    found = {}
    with served_bench(tmp_path_factory.mktemp("bench")) as (file, simulated):
        process = subprocess.run(
            [sys.executable, "-m", "harness", "try", "source", str(file)],
            capture_output=True,
            text=True,
            cwd=ROOT,
            timeout=60,
            check=False,
        )
        found["source"] = (process.returncode, process.stdout + process.stderr)
        for name in ("multimeter", "monitor", "relay"):
            ended = ratioproof(ROOT, "try", name, str(file))
            found[name] = (ended.status, ended.output + ended.errors)
        assert not simulated.truth().load_on
        assert simulated.truth().peak_secondary_current == 0.0
        assert simulated.truth().switch_position == "x1"
    return found


@pytest.mark.parametrize("name", ["source", "multimeter", "monitor", "relay"])
def test_shipped_profiles_are_right(walked: dict[str, tuple[int, str]], name: str) -> None:
    """Over TCP and a serial line: exit 0, no line longer than 80 columns, nothing said to be wrong."""
    status, output = walked[name]
    assert status == 0, output
    assert "wrong" not in output
    assert max(len(line) for line in output.splitlines()) <= 80
    assert f"{name}: all " in output


def test_every_exchange_is_shown_with_value_and_time(walked: dict[str, tuple[int, str]]) -> None:
    """Sent, received, the value with its unit, the time it took."""
    output = walked["multimeter"][1]
    assert "> CONFigure:VOLTage:AC 750\n" in output
    volts = re.search(r"^  < \+(2\.\d{8})E\+02 +\S+ ms$", output, re.MULTILINE)
    assert volts is not None
    # IEC 60038: 230 V
    assert float(volts.group(1)) == pytest.approx(2.30, rel=0.005)
    assert f"ok     {float(volts.group(1)) * 100:.8g} V" in output
    assert "> read 2 input registers from 0\n" in walked["monitor"][1]


def test_the_output_is_never_switched_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What a load gets, line by line: safe before anything is set and safe after it."""
    (tmp_path / "mine.toml").write_text(LOAD, encoding="utf-8")
    with line_server(load()) as peer:
        assert main(["try", "it", str(bench_file(tmp_path, peer.address))]) == 0
    said = [line for line in peer.received if line != "SYSTem:ERRor?"]
    assert said == [
        "*IDN?",
        "*CLS",
        "OUTPut OFF",
        "OUTPut?",
        "CURRent?",
        "CURRent 0.5",
        "CURRent?",
        "OUTPut OFF",
        "OUTPut?",
    ]
    assert "0.5 A" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("replies", "key", "told"),
    [
        ({"CURRent?": "9.91E37"}, "quantities.current.get", "means overload or not-a-number"),
        ({"CURRent?": "0.4"}, "quantities.current.set", "set to 0.5 A but says 0.4 A"),
        ({"CURRent?": "CURR 0.5"}, "quantities.current.get", "is not a number"),
        ({"OUTPut?": "OFF"}, "safe.confirm", "found OUTPut? -> OFF, expected OUTPut? -> 0"),
        ({"*IDN?": "nobody"}, "identification.query", "has no field 3 for the serial number"),
        ({"*IDN?": "A,B,8,1"}, "instruments.it.serial", "serial '8' answers, expected '7'"),
        ({"SYSTem:ERRor?": "no error"}, "start", "does not begin with its number"),
    ],
)
def test_the_key_at_fault_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], replies: dict[str, str], key: str, told: str
) -> None:
    """Exit 2, with the key of the profile and what was wrong with the answer."""
    (tmp_path / "mine.toml").write_text(LOAD, encoding="utf-8")
    with line_server(load(**replies)) as peer:
        status = main(["try", "it", str(bench_file(tmp_path, peer.address))])
    output = " ".join(capsys.readouterr().out.split())
    assert status == 2
    assert told in output
    summary = output.split("wrong it: ")[-1]
    assert key in summary or (key == "start" and "errors.query" in summary)


def test_a_watchdog_is_tried_with_the_output_off(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Armed, fed and disarmed, each asked whether it was understood; the output stays off."""
    watchdog = '[watchdog]\nseconds = 3\narm = ["WDOG {value}"]\nfeed = ["KICK"]\ndisarm = ["WDOG OFF"]\n'
    (tmp_path / "mine.toml").write_text(LOAD + watchdog, encoding="utf-8")
    with line_server(load()) as peer:
        assert main(["try", "it", str(bench_file(tmp_path, peer.address))]) == 0
    said = [line for line in peer.received if line != "SYSTem:ERRor?"]
    assert said[-5:] == ["WDOG 3", "KICK", "WDOG OFF", "OUTPut OFF", "OUTPut?"]
    assert "that it switches off can be seen only with the output on" in " ".join(capsys.readouterr().out.split())


def test_another_instrument_is_asked_nothing_more(tmp_path: Path) -> None:
    """A wrong serial number ends it before anything but the identification was sent."""
    (tmp_path / "mine.toml").write_text(LOAD, encoding="utf-8")
    with line_server(load(**{"*IDN?": "A,B,8,1"})) as peer:
        assert main(["try", "it", str(bench_file(tmp_path, peer.address))]) == 2
    assert peer.received == ["*IDN?"]


def test_nothing_is_set_without_a_confirmed_safe_state(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong safe.confirm is found before it matters."""
    (tmp_path / "mine.toml").write_text(LOAD, encoding="utf-8")
    with line_server(load(**{"OUTPut?": "1"})) as peer:
        assert main(["try", "it", str(bench_file(tmp_path, peer.address))]) == 2
    assert not any(line.startswith("CURRent ") for line in peer.received)
    assert "Nothing is set" in capsys.readouterr().out


def test_a_load_that_does_not_confirm_after_it_was_set_is_not_safe(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 4, and the operator is told to act by hand."""
    (tmp_path / "mine.toml").write_text(LOAD, encoding="utf-8")
    sound, asked = load(), []

    def answer(line: str) -> str | None:
        asked.append(line)
        return "1" if line == "OUTPut?" and "CURRent 0.5" in asked else sound(line)

    with line_server(answer) as peer:
        assert main(["try", "it", str(bench_file(tmp_path, peer.address))]) == 4
    told = capsys.readouterr().err
    assert "NOT SAFE" in told
    assert "Disconnect the supply" in told


def test_an_unknown_command_is_told_in_the_instruments_own_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No reply within the timeout; the error queue, asked on a fresh link, says why. SCPI-99: -113 is undefined header."""
    with served_bench(tmp_path) as (file, _):
        (tmp_path / "mine.toml").write_text(
            'kind = "scpi"\nrole = "reference"\ntitle = "t"\nerrors = {}\n'
            '[quantities.current]\nunit = "A"\nget = "MEASure:CURENT?"\n',
            encoding="utf-8",
        )
        file.write_text(file.read_text(encoding="utf-8").replace('"scpi_multimeter"', '"mine"'), encoding="utf-8")
        assert main(["try", "multimeter", str(file)]) == 2
    output = capsys.readouterr().out
    assert "no reply within the timeout" in output
    assert 'The instrument says: -113,"Undefined header"' in output
    assert "Look at quantities.current.get in the profile." in output


def test_a_wrong_register_is_told_with_its_key(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Over a serial line: the unit refuses an address that it does not have; the other register is still tried."""
    with served_bench(tmp_path) as (file, _):
        (tmp_path / "mine.toml").write_text(
            'kind = "modbus"\nrole = "meter"\ntitle = "t"\n'
            '[registers.voltage]\nunit = "V"\naddress = 4000\n[registers.current]\nunit = "A"\naddress = 0\n',
            encoding="utf-8",
        )
        file.write_text(
            file.read_text(encoding="utf-8").replace('profile = "modbus_meter"', 'profile = "mine"'), encoding="utf-8"
        )
        # The twin in `served_bench` keeps the map of the shipped profile: it is the user's map that is wrong.
        assert main(["try", "monitor", str(file)]) == 2
    output = capsys.readouterr().out
    assert "Look at registers.voltage in the profile." in output
    assert "ok     0 A" in output


def test_an_instrument_that_plays_no_part_can_be_tried(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A thermometer in the bench file: the value with its unit."""
    replies = {"*IDN?": "A,B,7,1", "SYSTem:ERRor?": "0", "MEASure:TEMPerature?": "21.5", "MEASure:HUMidity?": "4.0E1"}
    with line_server(replies.get) as peer:
        assert main(["try", "it", str(bench_file(tmp_path, peer.address, "scpi_environment"))]) == 0
    output = capsys.readouterr().out
    assert "ok     21.5 degC" in output
    assert "ok     40 %" in output


def test_mistakes_before_anything_is_sent(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A malformed profile, a name that is not there, a port nobody listens on, a person."""
    (tmp_path / "mine.toml").write_text(LOAD.replace("minimum", "smallest"), encoding="utf-8")
    file = bench_file(tmp_path, "TCPIP::127.0.0.1::1::SOCKET")
    assert main(["try", "it", str(file)]) == 2
    assert "mine.toml: quantities.current.smallest: unknown key" in capsys.readouterr().err
    assert main(["try", "that", str(file)]) == 2
    assert "found no instruments.that, expected one of source, multimeter" in capsys.readouterr().err
    (tmp_path / "other.toml").write_text(LOAD, encoding="utf-8")
    assert main(["try", "it", str(bench_file(tmp_path, "TCPIP::127.0.0.1::1::SOCKET", "other"))]) == 2
    assert "Nothing listens on port 1 of 127.0.0.1." in " ".join(capsys.readouterr().out.split())
    assert main(["try", "it", str(bench_file(tmp_path, "", "person"))]) == 0
    assert "nothing to try" in capsys.readouterr().out


def test_ctrl_c_makes_it_safe_and_ends_with_3(tmp_path: Path) -> None:
    """A stop between two messages: safe commands, confirmation, exit status 3."""
    (tmp_path / "mine.toml").write_text(LOAD, encoding="utf-8")
    sound = load()

    def slowly(line: str) -> str | None:
        time.sleep(0.1 if line.endswith("?") else 0.0)
        return sound(line)

    with line_server(slowly) as peer:
        process = subprocess.Popen(
            [sys.executable, "-m", "harness", "try", "it", str(bench_file(tmp_path, peer.address))],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        until = time.monotonic() + 20.0
        while "CURRent 0.5" not in peer.received and time.monotonic() < until:
            time.sleep(0.01)
        process.send_signal(signal.SIGINT)
        _, told = process.communicate(timeout=20)
    assert process.returncode == 3
    assert "aborted: stopped by SIGINT; it is safe" in told
    assert peer.received[-2:] == ["OUTPut OFF", "OUTPut?"]


def test_a_kept_transcript_is_what_was_said_and_replays(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same walk again from the file, with the instrument gone; a transcript is never overwritten."""
    (tmp_path / "mine.toml").write_text(LOAD, encoding="utf-8")
    with line_server(load()) as peer:
        file = bench_file(tmp_path, peer.address)
        assert main(["try", "it", str(file), "--transcript", str(tmp_path / "kept")]) == 0
        assert main(["try", "it", str(file), "--transcript", str(tmp_path / "kept")]) == 2
    assert "never overwritten" in capsys.readouterr().err
    kept = (tmp_path / "kept" / "it.jsonl").read_text(encoding="utf-8")
    assert all(words in kept for words in ("*IDN?", "CURRent 0.5", "OUTPut?"))
    bench_file(tmp_path, "transcript:kept/it.jsonl")
    assert main(["try", "it", str(file)]) == 0


def test_a_meter_in_the_secondary_is_kept_on_its_current_ranges(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Going to voltage would open the loop of the transformer (common practice, no published source)."""
    with served_bench(tmp_path, "bench_power.toml") as (file, _):
        assert main(["try", "loop", str(file)]) == 0
        told = capsys.readouterr().out
    assert "no current flows" in " ".join(told.split())
    assert "CONFigure:CURRent:AC" in told
    assert "VOLTage" not in told


def test_registers_read_in_the_wrong_order_are_doubted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A float whose halves are exchanged, or registers that hold something else, give a number, and no voltage."""
    turned = (SHIPPED / "modbus_meter.toml").read_text(encoding="utf-8")
    # Where the serial number stands: 40117 read as a float is 5.6e-41.
    turned += '\n[registers.voltage]\nunit = "V"\naddress = 256\nfunction = "holding"\n'
    with served_bench(tmp_path) as (file, _):
        (tmp_path / "turned.toml").write_text(turned, encoding="utf-8")
        text = file.read_text(encoding="utf-8").replace('profile = "modbus_meter"', 'profile = "turned"')
        file.write_text(text, encoding="utf-8")
        assert main(["try", "monitor", str(file)]) == 2
    told = " ".join(capsys.readouterr().out.split())
    assert 'which is not a plausible voltage; with word_order = "little" it reads' in told
    assert "registers.voltage" in told.rpartition("failed")[2]
