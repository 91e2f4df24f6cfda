"""Runner and guard listen to each other: real processes, stopped, hung and slow, on real transports."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from harness.commands.new import template
from harness.record.journal import read_record
from instruments.profile import SHIPPED
from simulated.transports.link_faults import Schedule
from tests.served import COMMAND, SHORT, Served, served, wait_for

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGSTOP and pseudo-terminals are POSIX only")

SWITCHED_OFF_WITHIN = 3.0
"""Seconds: two of silence, and what the guard takes to open its link and to be answered."""

SOURCE = '"TCPIP::127.0.0.1::15025::SOCKET"\nserial = "L-2203"'


def guard_of(process: subprocess.Popen[str]) -> int:
    """The guard's process."""
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text(encoding="ascii").split()
    return int(children[0])


def last_line(served: Served) -> dict[str, str]:
    """How the run ended."""
    return read_record(served.record).lines[-1]


def never_on_until_ended(bench: Served, process: subprocess.Popen[str]) -> str:
    """What the process said last; the load stays off as long as it lives."""
    while process.poll() is None:
        assert not bench.on()
        time.sleep(0.002)
    return process.communicate()[1]


def test_a_stopped_run_is_switched_off_and_does_not_energise_again(tmp_path: Path) -> None:
    """SIGSTOP: off within 2 s and the guard's own exchange. SIGCONT: exit 3, recorded, and nothing flows any more."""
    with served(tmp_path) as bench:
        process = bench.run()
        bench.energised(process)
        process.send_signal(signal.SIGSTOP)
        took = wait_for(lambda: not bench.on(), within=10)
        assert took < SWITCHED_OFF_WITHIN
        wait_for((tmp_path / "out" / "guard.json").exists)
        process.send_signal(signal.SIGCONT)
        errors = never_on_until_ended(bench, process)
    assert process.returncode == 3, errors
    assert "the guard acted (nothing was heard of the run for 2 s): everything it can reach is off" in errors
    end = last_line(bench)
    assert (end["kind"], end["outcome"]) == ("stop", "aborted")
    assert "did not respond for" in end["reason"] or "the guard switched the load off" in end["reason"]
    (told,) = [t for t in json.loads((tmp_path / "out" / "guard.json").read_text()) if t["instrument"] == "source"]
    assert told["confirmed"] is True


def test_a_stopped_run_goes_on_with_resume(tmp_path: Path) -> None:
    """What the guard cut short is an interrupted record like any other, and says who ended it."""
    with served(tmp_path) as bench:
        process = bench.run()
        bench.energised(process, 6)
        process.send_signal(signal.SIGSTOP)
        wait_for(lambda: not bench.on(), within=10)
        process.send_signal(signal.SIGCONT)
        process.communicate(timeout=30)
        resumed = bench.start("resume", "out/record.jsonl", "--cautions-read", "--operator", "test")
        output, errors = resumed.communicate(timeout=100)
    assert resumed.returncode == 0, output + errors
    (line,) = read_record(bench.record).of_kind("resume")
    assert json.loads(line["guard"])[0]["reason"] == "nothing was heard of the run for 2 s"


PROCEDURE = '''
import ctypes, pathlib, time
from harness.steps import Apply, Observe, Release, Select, procedure


@procedure(title="Hangs", revision="1")
def hangs(device, options):
    """Hang with the load on, once."""
    rng = device.ranges[0]
    yield Select(rng)
    yield Apply(rng.maximum_current / 2)
    yield Observe("before", 2, "single")
    # Not while it is rehearsed, which nobody guards.
    if pathlib.Path("out/record.jsonl").exists():
        {hang}
    yield Observe("after", 2, "single")
    yield Release()
'''


@pytest.mark.parametrize(
    ("hang", "why"),
    [
        ("time.sleep(6)", "the run did not respond: the run's own work"),
        # A call that keeps Python's global lock, as a driver in C may: not even the thread that beats can run.
        ("ctypes.PyDLL(None).usleep(6_000_000)", "nothing was heard of the run for 2 s"),
    ],
)
def test_a_hung_run_is_switched_off(tmp_path: Path, hang: str, why: str) -> None:
    """The loop hangs and the process lives: the load is off after 2 s, and the run ends when it comes back."""
    (tmp_path / "hangs.py").write_text(PROCEDURE.replace("{hang}", hang), encoding="utf-8")
    with served(tmp_path) as bench:
        process = bench.run("--procedure", "hangs.py")
        wait_for(lambda: bench.record.exists() and '"point"' in bench.record.read_text(), process=process)
        assert bench.on()
        took = wait_for(lambda: not bench.on(), within=10)
        assert took < SWITCHED_OFF_WITHIN
        errors = never_on_until_ended(bench, process)
    assert process.returncode == 3, errors
    assert f"the guard acted ({why})" in errors
    assert "after" not in [line.get("name") for line in read_record(bench.record).of_kind("point")]
    assert last_line(bench)["outcome"] == "aborted"


def test_a_guard_that_stands_still_stops_the_run(tmp_path: Path) -> None:
    """SIGSTOP to the guard: everything is off within 1 s, exit 3, and the run does not wait for the guard to end."""
    with served(tmp_path) as bench:
        process = bench.run()
        bench.energised(process)
        guard = guard_of(process)
        os.kill(guard, signal.SIGSTOP)
        try:
            assert wait_for(lambda: not bench.on(), within=10) < 1.0
            _, errors = process.communicate(timeout=10)
        finally:
            with suppress(ProcessLookupError):
                os.kill(guard, signal.SIGKILL)
    assert process.returncode == 3, errors
    assert "guard process does not respond" in errors
    assert "guard process does not respond" in last_line(bench)["reason"]


HELD = {
    "a socket for one client": (SOURCE, SOURCE, ("source",)),
    "HiSLIP, locked": (
        SOURCE,
        '"TCPIP::127.0.0.1::hislip0,15025::INSTR"\nserial = "L-2203"\nlock = true',
        (),
    ),
    "VXI-11, locked": (SOURCE, '"TCPIP::127.0.0.1,15025::inst0::INSTR"\nserial = "L-2203"\nlock = true', ()),
    "a serial line, locked": (SOURCE, '"ASRL{folder}/source-port::INSTR"\nserial = "L-2203"\nlock = true', ()),
}


@pytest.mark.parametrize("link", HELD)
def test_a_stopped_run_that_holds_the_link(tmp_path: Path, link: str) -> None:
    """Where the stopped process keeps the guard out it is ended, and the record can be gone on with."""
    before, after, one_client = HELD[link]
    with served(tmp_path, {before: after.replace("{folder}", str(tmp_path))}, one_client=one_client) as bench:
        process = bench.run()
        bench.energised(process)
        process.send_signal(signal.SIGSTOP)
        took = wait_for(lambda: not bench.on(), within=20)
        if "serial" in link:
            # A pseudo-terminal, like a serial port under Linux, lets two processes write.
            process.send_signal(signal.SIGCONT)
        _, errors = process.communicate(timeout=30)
    assert took < 5.0
    if "serial" in link:
        assert process.returncode == 3
    else:
        assert process.returncode == -signal.SIGKILL
        assert "the run held the link and was ended" in errors
        assert not read_record(bench.record).complete


def watchdog_of_one_second(folder: Path) -> dict[str, str]:
    """The shipped profile with a watchdog, made quicker; and the bench file's line that takes it."""
    text = (SHIPPED / "scpi_load_watchdog.toml").read_text(encoding="utf-8")
    (folder / "quick.toml").write_text(text.replace("seconds = 5", "seconds = 1"), encoding="utf-8")
    return {'profile = "scpi_load"': 'profile = "quick"'}


def test_the_loads_own_watchdog_acts_where_no_guard_can(tmp_path: Path) -> None:
    """Run and guard killed at once: the load is no longer fed and switches itself off."""
    with served(tmp_path, watchdog_of_one_second(tmp_path)) as bench:
        process = bench.run()
        bench.energised(process)
        for pid in (guard_of(process), process.pid):
            os.kill(pid, signal.SIGKILL)
        assert wait_for(lambda: not bench.on(), within=10) < 2.0
        process.communicate()
    assert not (tmp_path / "out" / "guard.json").exists()


def test_a_watchdog_is_fed_while_the_run_waits_and_disarmed_at_the_end(tmp_path: Path) -> None:
    """Answers of another instrument that take three times as long as the load's watchdog waits."""
    slow = {'serial = "M-0871"\ntimeout = "1 s"': 'serial = "M-0871"\ntimeout = "10 s"'}
    late = Schedule(dict.fromkeys((9, 30), "late"), lateness=3.0)
    changes = {**slow, **watchdog_of_one_second(tmp_path)}
    with served(tmp_path, changes, schedules={"multimeter": late}) as bench:
        process = bench.run("--procedure", "turns_check")
        output, errors = process.communicate(timeout=110)
        assert process.returncode == 0, output + errors
        assert not list(read_record(bench.record).of_kind("trouble"))
        # Disarmed: switched on by hand, the load stays on.
        bench.bench.set_output(True)
        time.sleep(1.5)
        assert bench.on()


@contextmanager
def busy_machine() -> Iterator[None]:
    """Every processor has two programs too many."""
    spinning = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(2 * (os.cpu_count() or 1))]
    try:
        yield
    finally:
        for process in spinning:
            process.kill()
            process.wait()


def test_a_slow_instrument_on_a_busy_machine_is_not_taken_for_standing_still(tmp_path: Path) -> None:
    """Answers that take 2.5 s, longer than a standstill, under a timeout of 10 s; the machine is busy from the second to after the third."""
    slow = 'serial = "M-0871"\ntimeout = "10 s"'
    late = Schedule(dict.fromkeys((6, 9, 30), "late"), lateness=2.5)
    with served(tmp_path, {'serial = "M-0871"\ntimeout = "1 s"': slow}, schedules={"multimeter": late}) as bench:
        process = bench.run("--procedure", "turns_check")
        wait_for(lambda: late.counts["late"] == 2, process=process)
        with busy_machine():
            wait_for(lambda: late.counts["late"] == 3, process=process)
            bench.energised(process, bench.record.read_text().count('"reading"') + 1)
        output, errors = process.communicate(timeout=110)
    assert process.returncode == 0, output + errors
    assert not (tmp_path / "out" / "guard.json").exists()


def test_a_person_may_take_long_and_a_guard_that_dies_meanwhile_ends_the_question(tmp_path: Path) -> None:
    """A display read by eye with the load on: no alarm after 3 s; without a guard nobody goes on being asked."""
    text = template("bench.toml")
    by_modbus = text[text.index("[instruments.monitor]") : text.index("# The relay that moves the range switch")]
    by_eye = '[instruments.monitor]\nprofile = "person"\nserial = "40117"\n\n'
    near, far = os.openpty()
    with served(tmp_path, {by_modbus: by_eye}) as bench:
        asked = ("--cautions-read", "--procedure", "turns_check", "--out", "out")
        process = bench.start("run", "device.toml", "bench.toml", *asked, stdin=far)
        os.close(far)
        while not bench.on():
            # Whatever is asked before anything flows; what is typed before a question is thrown away.
            assert process.poll() is None, process.communicate()
            os.write(near, b"yes\n")
            time.sleep(0.5)
        time.sleep(3)
        assert bench.on()
        os.kill(guard_of(process), signal.SIGKILL)
        assert wait_for(lambda: not bench.on(), within=10) < 1.0
        _, errors = process.communicate(timeout=20)
    os.close(near)
    assert process.returncode == 3, errors
    assert "guard process has ended" in errors


def test_sighup_ends_a_run_like_sigterm(tmp_path: Path) -> None:
    """Whoever ends the session: off, recorded, exit 3."""
    with served(tmp_path) as bench:
        process = bench.run()
        bench.energised(process)
        process.send_signal(signal.SIGHUP)
        _, errors = process.communicate(timeout=30)
        assert not bench.on()
    assert process.returncode == 3, errors
    assert "stopped by SIGHUP" in errors
    assert last_line(bench)["outcome"] == "aborted"


@pytest.mark.skipif(shutil.which("setsid") is None, reason="setsid of util-linux gives a process its terminal")
def test_a_terminal_that_is_closed_ends_a_run_too(tmp_path: Path) -> None:
    """The window is closed: SIGHUP, and nothing can be shown any more. Off within a second, recorded, exit 3."""
    with served(tmp_path) as bench:
        near, far = os.openpty()
        command = ["setsid", "--ctty", "--wait", *COMMAND, "run", "device.toml", "bench.toml", *SHORT]
        environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "TERM": "xterm"}
        process = subprocess.Popen(
            command, cwd=tmp_path, stdin=far, stdout=far, stderr=far, env=environment, start_new_session=False
        )
        os.close(far)
        drain = threading.Thread(target=_read_all, args=(near,), daemon=True)
        drain.start()
        wait_for(lambda: bench.on() and bench.record.exists() and bench.record.read_text().count('"reading"') > 2)
        run = int(Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text(encoding="ascii").split()[0])
        os.kill(run, signal.SIGHUP)
        os.close(near)
        assert wait_for(lambda: not bench.on(), within=10) < 1.5
        process.wait(30)
    assert last_line(bench)["outcome"] == "aborted"
    assert last_line(bench)["reason"]
    assert process.returncode == 3


def _read_all(descriptor: int) -> None:
    with suppress(OSError):
        while os.read(descriptor, 65536):
            pass


STANDS_STILL_ASKING = """
import time
from pathlib import Path
from harness.preparation.run_files import load_inputs
from harness.safety.guard import Guard
from harness.steps import Options
from harness.core.stop import StopSignal

inputs = load_inputs(Path("device.toml"), Path("bench.toml"), "turns_check", Options())
stop = StopSignal()
guard = Guard(inputs.bench, inputs.folders, Path("guard.json"), stop)
with stop.activity.bounded(0.0, "Plug in: Bügeleisen (about 5 µA).\\nType done when it is: "):
    until = time.monotonic() + 30
    while not Path("guard.json").exists() and time.monotonic() < until:
        time.sleep(0.05)
guard.take_over()
"""


def test_what_stands_still_is_told_in_every_language(tmp_path: Path) -> None:
    """Runner and guard share one encoding, whatever that of the terminals: here the runner's knows ASCII alone."""
    (tmp_path / "asking.py").write_text(STANDS_STILL_ASKING, encoding="utf-8")
    with served(tmp_path):
        ascii_only = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
        ended = subprocess.run(
            [sys.executable, "asking.py"],
            cwd=tmp_path,
            env={**os.environ, **ascii_only, "PYTHONPATH": str(Path(__file__).parents[2])},
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
    assert ended.returncode == 0, ended.stderr
    first = json.loads((tmp_path / "guard.json").read_text(encoding="utf-8"))[0]
    assert first["reason"] == "the run did not respond: Plug in: Bügeleisen (about 5 µA). Type done when it is:"
