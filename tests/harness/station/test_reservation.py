"""One instrument, one command: locks between real processes."""

from __future__ import annotations

import datetime as dt
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from harness.core.errors import UserError
from harness.station.reservation import Reservations, reserved, reserved_folder

OTHER = """
import sys
from harness.station.reservation import Reservations
with Reservations("the run of elsewhere/record.jsonl") as there:
    print(repr(there.take("h:1")), flush=True)
    sys.stdin.readline()
"""


def other_process() -> subprocess.Popen[str]:
    """A process that holds h:1 until it is told to end."""
    process = subprocess.Popen(
        [sys.executable, "-c", OTHER],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[3],
    )
    assert process.stdout is not None
    assert process.stdout.readline().strip() == "''"
    return process


def test_the_second_is_told_who_has_it_and_a_dead_one_has_nothing() -> None:
    """Held by a living process: refused by name. Killed: free at once, without anybody tidying up."""
    process = other_process()
    with Reservations("mine") as mine:
        told = mine.take("h:1")
        assert told.startswith("the run of elsewhere/record.jsonl (process ")
        assert str(process.pid) in told
        assert mine.take("h:2") == ""
        process.kill()
        process.communicate()
        assert mine.take("h:1") == ""
        assert mine.take("h:1") == ""


def test_what_was_left_is_held_no_longer() -> None:
    """Entered again, it must ask the lock again: another may have it by now."""
    mine = Reservations("mine")
    with mine:
        assert mine.take("h:1") == ""
    process = other_process()
    with mine:
        assert mine.take("h:1").startswith("the run of elsewhere/record.jsonl (process ")
    process.kill()
    process.communicate()


def test_one_line_for_all_that_another_command_has(tmp_path: Path) -> None:
    """Two ways to write one address are one instrument; what was taken in vain is given back."""
    first = {"source": "TCPIP::localhost::5025::SOCKET", "meter": "modbus-rtu:port", "kept": "transcript:x.jsonl"}
    second = {
        "load": "TCPIP0::127.0.0.1::5025::socket",
        "display": f"ASRL{tmp_path}/port::INSTR",
        "other": "TCPIP::127.0.0.1::5026::SOCKET",
        "kept": "transcript:x.jsonl",
    }
    with reserved(first, tmp_path, "the first"):
        with pytest.raises(UserError) as refused, reserved(second, tmp_path, "the second"):
            raise AssertionError("unreachable")
        (line,) = refused.value.problems
        assert line.startswith(
            f"load at TCPIP0::127.0.0.1::5025::socket, display at ASRL{tmp_path}/port::INSTR: in use by the first ("
        )
        with reserved({"other": second["other"]}, tmp_path, "the third"):
            pass
    with reserved(second, tmp_path, "the second"):
        pass


def test_a_bench_without_addresses_is_reserved_by_its_files(tmp_path: Path) -> None:
    """However they are written, and by the device file alone; where there is an address, it is what counts."""
    bench, device, other = (tmp_path / name for name in ("bench.toml", "device.toml", "other.toml"))
    same = tmp_path / "sub" / ".." / "bench.toml"
    (tmp_path / "sub").mkdir()
    with reserved({"shelf": ""}, tmp_path, "the first", [bench, device]):
        with pytest.raises(UserError) as refused, reserved({}, tmp_path, "the second", [same, device]):
            raise AssertionError("unreachable")
        (line,) = refused.value.problems
        assert line.startswith(f"{same}, {device}: in use by the first (")
        with (
            pytest.raises(UserError, match=r"device\.toml: in use by"),
            reserved({}, tmp_path, "the third", [other, device]),
        ):
            raise AssertionError("unreachable")
        with reserved({"load": "TCPIP::127.0.0.1::5026::SOCKET"}, tmp_path, "the fourth", [bench, device]):
            pass


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is used that could not be reserved."""
    (tmp_path / "ratioproof").write_text("a file", encoding="utf-8")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    with pytest.raises(UserError, match="instruments are reserved there"), Reservations("mine") as mine:
        mine.take("h:1")


def test_what_a_dead_process_left_unfinished_does_not_hide_who_it_was() -> None:
    """The note of a holder may be torn; the lock is what counts."""
    with Reservations("mine") as mine, Reservations("yours") as yours:
        assert mine.take("h:9") == ""
        for file in reserved_folder().iterdir():
            file.write_text("{", encoding="utf-8")
        assert yours.take("h:9") == "another run"


def test_each_holder_says_of_itself_since_when_and_a_former_one_is_forgotten() -> None:
    """The note of whoever had it before is written over, however long it was."""
    before = dt.datetime.now().astimezone().replace(microsecond=0)
    for command in ("a run with a long name, in a folder of its own", "demo ü"):
        with Reservations(command) as mine, Reservations("yours") as yours:
            assert mine.take("h:7") == ""
            told = re.fullmatch(r"(.+) \(process (\d+), since (.+)\)", yours.take("h:7"))
            assert told is not None
            assert (told[1], int(told[2])) == (command, os.getpid())
            assert before <= dt.datetime.fromisoformat(told[3]) <= dt.datetime.now().astimezone()


def test_two_places_are_two_files_of_the_users_own_in_a_folder_of_the_programs_own() -> None:
    """XDG Base Directory Specification: state stays under XDG_STATE_HOME."""
    assert reserved_folder().parts[-2:] == ("ratioproof", "instruments") or sys.platform != "linux"
    with Reservations("mine") as mine:
        assert [mine.take(f"h:{n}") for n in range(20)] == [""] * 20
