"""Killing, stopping and resuming real runs, in processes of their own."""

import json
import os
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.core.stop import SIGNALS
from harness.record.history import device_and_bench, observed_points
from harness.record.journal import read_record
from procedures import turns_check
from tests.in_process import ratioproof
from tests.served import Served, served, wait_for


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Served]:
    with served(tmp_path) as serving:
        yield serving


def energised_readings(file: Path) -> int:
    """How many readings with current the record holds so far."""
    if not file.exists():
        return 0
    return (
        sum(
            '"kind":"reading"' in line and '"nominal' not in line
            for line in file.read_text(encoding="utf-8").splitlines()
        )
        - 2
    )


def test_killed_in_mid_point_the_load_goes_off_and_the_run_can_be_finished(bench: Served) -> None:
    """kill -9: off within 2 s by the guard; `resume` takes the open point again; none lost, none doubled."""
    record_file = bench.folder / "out" / "record.jsonl"
    process = bench.run()
    wait_for(lambda: energised_readings(record_file) >= 4 and bench.on())
    process.kill()
    assert wait_for(lambda: not bench.on(), within=5) < 2.0
    process.communicate()
    wait_for((bench.folder / "out" / "guard.json").exists)
    before = read_record(record_file)
    assert not before.complete

    asked = ["--cautions-read", "--operator", "test", "--monte-carlo", "200000"]
    resumed = bench.start("resume", "out/record.jsonl", *asked)
    output, errors = resumed.communicate(timeout=90)
    assert resumed.returncode == 0, output + errors
    record = read_record(record_file)
    assert record.complete
    assert record.lines[: len(before.lines)] == before.lines
    (line,) = record.of_kind("resume")
    assert json.loads(line["guard"])[0]["confirmed"] is True

    points = [line["point"] for line in record.of_kind("point")]
    assert points == sorted(set(points)), "every point finished exactly once, in order"
    observed = observed_points(record)
    device, _ = device_and_bench(record)
    assert {p.range for p in observed} == {r.name for r in device.ranges}
    times = [pair.reference_times for point in observed for pair in point.pairs]
    assert len(set(times)) == len(times) == 2 * len(points), "no reading is used twice"
    finished_before = {line["point"] for line in before.of_kind("point")}
    taken_after = {line["point"] for line in record.lines[len(before.lines) :] if line["kind"] == "reading"}
    assert not finished_before & taken_after, "finished points are not repeated"
    assert (bench.folder / "out" / "certificate.pdf").stat().st_size > 10000
    assert "validated by 200,000 trials (JCGM 101)" in output
    results = json.loads((bench.folder / "out" / "results.json").read_text(encoding="utf-8"))
    assert results["validation"]["trials"] == 200_000


@pytest.mark.parametrize("after", [0.0, 0.7, 2.0, 4.5])
def test_ctrl_c_twice_is_safe_recorded_and_exit_3(tmp_path: Path, after: float) -> None:
    """Two interrupts in a row, at whatever step: everything off, a stop line, exit status 3, and the trials asked for are named."""
    with served(tmp_path) as bench:
        process = bench.run("--monte-carlo", "200000")
        wait_for(bench.record.exists)
        time.sleep(after)
        process.send_signal(signal.SIGINT)
        time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=20)
        assert process.returncode == 3, errors
        assert "stopped by SIGINT" in errors
        assert errors.rstrip().endswith("record.jsonl --monte-carlo 200000")
        assert not bench.on()
        record = read_record(bench.record)
        assert record.lines[-1]["kind"] == "stop"
        assert record.lines[-1]["outcome"] == "aborted"
        assert [line["confirmed"] for line in record.of_kind("safe")][-1] is True


def loaded(process: subprocess.Popen[str], extension: str) -> bool:
    """Whether the program has come as far as loading an extension module that has this in its path."""
    return extension in Path(f"/proc/{process.pid}/maps").read_text(encoding="utf-8")


@pytest.mark.parametrize("after", [0.0, 0.2, 0.4, 0.6])
def test_any_number_of_ctrl_c_before_anything_is_open_is_exit_3_too(tmp_path: Path, after: float) -> None:
    """While files are read, the run is rehearsed or instruments are opened: exit status 3 and one plain line.

    The signals go on until the process has ended, so that one falls into every part of its end.
    """
    with served(tmp_path) as bench:
        process = bench.run()
        # What files are read with.
        wait_for(lambda: loaded(process, "pydantic_core"))
        time.sleep(after)
        while process.poll() is None:
            process.send_signal(signal.SIGINT)
            time.sleep(0.005)
        _, errors = process.communicate(timeout=20)
        assert process.returncode == 3, errors
        assert "Traceback" not in errors
        assert not bench.on()


def test_a_guard_that_dies_stops_the_run(bench: Served) -> None:
    """Without a guard nothing would switch off if the run were killed: the run is stopped, safe, and says why."""
    process = bench.run()
    record_file = bench.folder / "out" / "record.jsonl"
    wait_for(lambda: energised_readings(record_file) >= 2)
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text(encoding="ascii").split()
    os.kill(int(children[0]), signal.SIGKILL)
    _, errors = process.communicate(timeout=20)
    assert process.returncode == 3
    assert "guard process has ended" in errors
    assert not bench.on()


def test_files_of_the_users_own_do_not_stand_in_for_the_guards_modules(bench: Served) -> None:
    """A json.py and a harness folder in the working directory change nothing."""
    (bench.folder / "json.py").write_text("raise SystemExit('not this one')\n", encoding="utf-8")
    (bench.folder / "harness").mkdir()
    program = [
        sys.executable,
        "-P",
        "-c",
        f"import sys; sys.path.append({str(Path(__file__).parents[2])!r}); from harness.command_line import main; sys.exit(main())",
    ]
    process = subprocess.run(
        [
            *program,
            "run",
            "device.toml",
            "bench.toml",
            "--cautions-read",
            "--readings",
            "1",
            "--procedure",
            "turns_check",
            "--out",
            "out",
        ],
        cwd=bench.folder,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    assert process.returncode == 0, process.stderr


def test_a_load_that_ignores_off_ends_with_4_and_a_message_nobody_can_miss(tmp_path: Path) -> None:
    """The load stays on at the end of the first range."""
    with served(tmp_path, faults=["load-ignores-off"]) as bench:
        process = bench.run()
        _, errors = process.communicate(timeout=60)
    assert process.returncode == 4
    assert "NOT SAFE" in errors
    assert "source at TCPIP::127.0.0.1" in errors
    assert "by hand" in errors
    record = read_record(tmp_path / "out" / "record.jsonl")
    assert record.lines[-1]["outcome"] == "not safe"


def test_another_serial_stops_the_run_before_anything_is_energised_unless_overridden(tmp_path: Path) -> None:
    """Exit status 2 with the way to override it; overridden, it stands in the results."""
    with served(tmp_path, faults=["wrong-serial"]) as bench:
        process = bench.run()
        _, errors = process.communicate(timeout=60)
        assert process.returncode == 2
        assert "--override serial:multimeter" in errors
        assert not bench.on()
        assert not bench.record.exists()
        process = bench.run("--procedure", "turns_check", "--override", "serial:multimeter")
        output, errors = process.communicate(timeout=60)
    assert process.returncode == 0, output + errors
    results = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    assert any("multimeter" in text for text in results["run"]["overrides"])


def drawing(process: subprocess.Popen[str]) -> bool:
    """Whether the program has gone on for 0.2 s of processor time since it loaded what draws trials, which nothing loads before."""
    ticks = os.sysconf("SC_CLK_TCK")

    def used() -> int:
        # proc(5): utime is the 14th field, the 12th after the name in brackets.
        return int(Path(f"/proc/{process.pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[11])

    wait_for(lambda: loaded(process, "numpy/random/_generator"), process=process)
    began = used()
    wait_for(lambda: used() >= began + ticks // 5, process=process)
    return process.poll() is None


@pytest.mark.parametrize("by", SIGNALS)
def test_a_stop_while_a_finished_run_is_certified_says_that_the_run_is_complete(
    tmp_path: Path, by: signal.Signals
) -> None:
    """It ends at once, however many trials were asked for, says nothing untrue of the run, and what it advises works.

    It names trials and procedure as they were given; stopped in its turn, `certify` says that it wrote no certificate.
    """
    own = tmp_path / "own turns.py"
    own.write_text(Path(turns_check.__file__).read_text(encoding="utf-8"), encoding="utf-8")
    with served(tmp_path) as bench:
        process = bench.run("--procedure", own.name, "--monte-carlo", "50000000")
        wait_for(lambda: bench.record.exists() and '"outcome":"complete"' in bench.record.read_text(), process=process)
        assert drawing(process)
        process.send_signal(by)
        _, errors = process.communicate(timeout=20)
        assert process.returncode == 3, errors
        assert "the run is complete, everything is off and confirmed" in errors
        assert "nothing was energised" not in errors
        assert not bench.on()
        advised = shlex.split(errors.strip().rpartition("ratioproof ")[2])
        assert advised[2:] == ["--procedure", str(own), "--monte-carlo", "50000000"]
        certifying = bench.start(*advised)
        assert drawing(certifying)
        certifying.send_signal(by)
        _, errors = certifying.communicate(timeout=20)
        assert certifying.returncode == 3, errors
        assert f"stopped by {by.name}; no certificate was written" in errors
        assert not (bench.record.parent / "certificate.pdf").exists()
        certified = ratioproof(tmp_path, *advised[:-2])
        assert certified.status == 0, certified.errors
        assert (bench.record.parent / "certificate.pdf").exists()
