"""The runner's end of the guard, against guards that start, beat, act, die and stand still; the real one is in `tests/end_to_end/test_guard.py`."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.commands.new import template
from harness.core.activity import STANDSTILL
from harness.core.errors import AbortedSafe
from harness.core.stop import StopSignal
from harness.files.bench import Bench
from harness.files.loading import parse_bench
from harness.safety import guard as module
from harness.safety.guard import Guard
from instruments.profile import SHIPPED
from tests.line_server import line_server

BEATS = """
import sys, threading, time
def listen():
    for line in sys.stdin:
        print(line.strip(), file=heard, flush=True)
        if line.strip() == "stand down":
            break
    alive.set()
heard, alive = open("heard", "w", encoding="utf-8"), threading.Event()
threading.Thread(target=listen, daemon=True).start()
print("ready", flush=True)
while not alive.wait(0.1):
    print("beat", flush=True)
"""

ACTS = BEATS.replace(
    'print("ready", flush=True)', 'print("ready\\nacting  nothing was heard of the run for 2 s", flush=True)'
)
MUTE = 'import time; print("ready", flush=True); time.sleep(60)'
DEAF = 'import time; print("ready", flush=True)\nwhile True: print("beat", flush=True); time.sleep(0.1)'
DIES = 'print("ready", flush=True)'
NEVER_READY = "import time; time.sleep(60)"
NEVER_BEGINS = "pass"


@pytest.fixture
def bench() -> Bench:
    return parse_bench(template("bench.toml"), "bench.toml")


@pytest.fixture
def stop() -> StopSignal:
    return StopSignal()


@pytest.fixture
def guarded(
    bench: Bench, stop: StopSignal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Callable[[str], Guard]]:
    """Starts a guard whose process runs the program given."""
    popen, started = subprocess.Popen, []

    def start(program: str) -> Guard:
        def instead(command: list[str], **how: Any) -> subprocess.Popen[str]:
            assert how["start_new_session"] is True
            started.append(popen([sys.executable, "-S", "-c", program], cwd=tmp_path, **how))
            return started[-1]

        monkeypatch.setattr(module.subprocess, "Popen", instead)
        try:
            return Guard(bench, [tmp_path], tmp_path / "guard.json", stop)
        finally:
            monkeypatch.setattr(module.subprocess, "Popen", popen)

    yield start
    left = [process for process in started if process.poll() is None]
    for process in left:
        process.kill()
        process.wait()
    assert not left, "a guard was left behind"


def trouble_within(guard: Guard, seconds: float) -> str:
    """What the guard says is wrong, as soon as it does."""
    end = time.monotonic() + seconds
    while time.monotonic() < end and not guard.trouble():
        time.sleep(0.02)
    return guard.trouble()


def heard(folder: Path) -> list[str]:
    return (folder / "heard").read_text(encoding="utf-8").splitlines()


def test_a_guard_is_told_whom_to_watch_and_beaten_to_until_it_is_stood_down(
    guarded: Callable[[str], Guard], stop: StopSignal, tmp_path: Path, bench: Bench
) -> None:
    guard = guarded(BEATS)
    end = time.monotonic() + 1
    while time.monotonic() < end:
        stop.check()
        assert guard.trouble() == ""
        time.sleep(0.05)
    guard.stand_down()
    order, *rest = heard(tmp_path)
    told = json.loads(order)
    assert (told["runner"], told["report"], told["folders"]) == (
        os.getpid(),
        str(tmp_path / "guard.json"),
        [str(tmp_path)],
    )
    assert told["instruments"][0]["name"] == bench.roles.load
    assert rest[-1] == "stand down"
    # Ten in a second; a busy machine loses some.
    assert set(rest[:-1]) == {"beat"}
    assert 4 <= len(rest[:-1]) <= 11
    assert stop.reason == ""


def test_a_run_that_ends_is_not_kept_alive_to_beat(guarded: Callable[[str], Guard]) -> None:
    """However it ends, its pipe closes then: the program waits for no daemon thread (Python's library reference, threading)."""
    guard = guarded(BEATS)
    own = [thread for thread in threading.enumerate() if thread.name in ("heartbeat", "guard heard")]
    guard.stand_down()
    assert sorted((thread.name, thread.daemon) for thread in own) == [("guard heard", True), ("heartbeat", True)]


def test_a_guard_that_is_slow_to_start_is_no_run_that_stands_still(guarded: Callable[[str], Guard]) -> None:
    """On a busy machine it takes seconds; the run begins when it is ready, and so does its time."""
    guard = guarded(BEATS.replace('print("ready"', f'import time; time.sleep({STANDSTILL + 0.3}); print("ready"'))
    assert trouble_within(guard, 0.5) == ""
    guard.stand_down()


def test_a_guard_that_takes_over_is_told_nothing_more(guarded: Callable[[str], Guard], tmp_path: Path) -> None:
    """Its pipe closes without a farewell: that is when it makes one more attempt."""
    guarded(BEATS).take_over()
    assert "stand down" not in heard(tmp_path)


@pytest.mark.parametrize("program", [NEVER_READY, NEVER_BEGINS])
def test_nothing_is_energised_without_a_guard(
    guarded: Callable[[str], Guard], monkeypatch: pytest.MonkeyPatch, program: str
) -> None:
    monkeypatch.setattr(module, "READY_WITHIN", 0.5)
    began = time.monotonic()
    with pytest.raises(AbortedSafe, match=r"^the guard process did not start; nothing was energised$"):
        guarded(program)
    assert time.monotonic() - began < 30


def test_a_guard_that_beats_and_does_not_end_is_ended(
    guarded: Callable[[str], Guard], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It may hang in a link; whoever ran the procedure gets the prompt back, and no process is left behind."""
    guard = guarded(DEAF)
    monkeypatch.setattr(module, "READY_WITHIN", 0.5)
    guard.take_over()
    assert guard._process.poll() is not None


def test_a_guard_that_ends_before_it_is_ready_is_not_waited_for(
    guarded: Callable[[str], Guard], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where it cannot start, nobody waits for it to become ready."""
    monkeypatch.setattr(module, "READY_WITHIN", 60.0)
    began = time.monotonic()
    with pytest.raises(AbortedSafe, match="did not start"):
        guarded(NEVER_BEGINS)
    assert time.monotonic() - began < 30


def test_a_guard_that_died_stops_the_run(guarded: Callable[[str], Guard], monkeypatch: pytest.MonkeyPatch) -> None:
    """With nobody there to switch off, the run must not go on (docs/decisions/safe-state.md); its silence is not waited for."""
    monkeypatch.setattr(module, "SILENT", 60.0)
    guard = guarded(DIES)
    began = time.monotonic()
    assert trouble_within(guard, 10) == "the guard process has ended: the load would stay on if the run were killed"
    assert time.monotonic() - began < STANDSTILL
    guard.take_over()


def test_a_guard_that_stands_still_stops_the_run_within_a_second_and_keeps_nobody_waiting(
    guarded: Callable[[str], Guard], stop: StopSignal
) -> None:
    """It hears no farewell: it is ended, not waited for."""
    guard = guarded(MUTE)
    began = time.monotonic()
    told = "the guard process does not respond: the load would stay on if the run were killed"
    assert trouble_within(guard, 10) == told
    assert 0.6 < time.monotonic() - began < 1.5
    end = time.monotonic() + 5
    while not stop.reason and time.monotonic() < end:
        time.sleep(0.02)
    # Also a run that waits for a person is told.
    assert stop.reason == told
    began = time.monotonic()
    guard.stand_down()
    assert time.monotonic() - began < 5


def test_a_run_is_told_that_the_guard_switched_off_and_why(guarded: Callable[[str], Guard]) -> None:
    guard = guarded(ACTS)
    assert trouble_within(guard, 5) == "the guard switched the load off: nothing was heard of the run for 2 s"
    guard.take_over()


def test_a_loop_that_stands_still_is_told_once_on_one_line_and_no_longer_beaten_for(
    guarded: Callable[[str], Guard], stop: StopSignal, tmp_path: Path
) -> None:
    """The thread that beats lives; it must not keep the guard from acting for a loop that does not."""
    guard = guarded(BEATS)
    with stop.activity.bounded(-STANDSTILL, "Plug in: lamp.\nType done"):
        assert (
            trouble_within(guard, 5)
            == "the run did not respond (Plug in: lamp.\nType done); the guard switches the load off"
        )
        time.sleep(0.35)
    time.sleep(0.35)
    guard.take_over()
    told = heard(tmp_path)[1:]
    (at,) = [n for n, line in enumerate(told) if line == "stands still Plug in: lamp. Type done"]
    # Silence while it stands still, and beating again once it goes on, for the guard to know.
    assert set(told[at + 1 :]) == {"beat"}
    assert len(told[at + 1 :]) <= 5
    assert "did not respond" in stop.reason


@pytest.mark.skipif(sys.platform == "win32", reason="a stopped process is something of POSIX")
def test_a_run_that_wakes_up_does_not_go_on(guarded: Callable[[str], Guard]) -> None:
    """Stopped for longer than a standstill the guard has switched off, whether its word has come through yet or not."""
    guard = guarded(BEATS)
    guard._beaten -= STANDSTILL + 0.5
    found = guard.trouble()
    assert found.startswith("the run did not respond for 2.")
    assert found.endswith(" s; the guard switches the load off")
    guard.take_over()


def with_entry(bench: Bench, name: str, **changes: object) -> Bench:
    entries = dict(bench.instruments)
    entries[name] = entries[name].model_copy(update=changes)
    return bench.model_copy(update={"instruments": entries})


@pytest.fixture
def moving(bench: Bench, tmp_path: Path) -> Bench:
    """A bench whose relay lets go when it is made safe, by a profile of the user's own."""
    text = (SHIPPED / "scpi_relay.toml").read_text(encoding="utf-8")
    assert "[safe]" not in text
    (tmp_path / "letting_go.toml").write_text(text + '\n[safe]\ncommands = ["ROUTe:OPEN:ALL"]\n', encoding="utf-8")
    return with_entry(bench, bench.roles.switch, profile="letting_go")


def test_the_guard_reaches_what_drives_or_moves_the_load_first_and_waits_for_nobody(
    moving: Bench, tmp_path: Path
) -> None:
    """A multimeter or a display has nothing to be told; a lock or a long timeout of the run must not hold up the guard."""
    load, relay = moving.roles.load, moving.roles.switch
    slow = with_entry(moving, load, timeout=10.0, lock=True)
    slow = with_entry(slow, relay, timeout=0.4).model_copy(update={"safe_order": (relay, load)})
    told = module._with_safe_commands(slow, [tmp_path])
    assert [entry["name"] for entry in told] == [load, relay]
    assert [(entry["settings"]["timeout"], entry["settings"]["lock"]) for entry in told] == [(1.0, False), (0.4, False)]
    assert [entry["address"] for entry in told] == [moving.instruments[name].address for name in (load, relay)]
    assert [entry["profile"] for entry in told] == ["scpi_load", "letting_go"]
    json.dumps(told)


def test_the_guard_ends_its_messages_as_the_profile_of_the_load_says(moving: Bench, tmp_path: Path) -> None:
    """A load that waits for another end of a message would never be switched off."""
    text = (SHIPPED / "scpi_load.toml").read_text(encoding="utf-8")
    ends = 'read_termination = "\\r"\nwrite_termination = "\\r\\n"\n'
    (tmp_path / "other_ends.toml").write_text(ends + text, encoding="utf-8")
    bench = with_entry(moving, moving.roles.load, profile="other_ends")
    told = module._with_safe_commands(bench.model_copy(update={"visa": "@other"}), [tmp_path])
    ends_told = [(entry["settings"]["read_termination"], entry["settings"]["write_termination"]) for entry in told]
    assert ends_told == [("\r", "\r\n"), ("\n", "\n")]
    assert {entry["settings"]["library"] for entry in told} == {"@other"}


def test_the_guard_is_not_told_of_what_it_cannot_reach(moving: Bench, tmp_path: Path) -> None:
    """A transcript drives nothing, and a person cannot be asked by two programs."""
    load, relay = moving.roles.load, moving.roles.switch
    replayed = with_entry(moving, load, address="transcript:load.jsonl")
    assert [entry["name"] for entry in module._with_safe_commands(replayed, [tmp_path])] == [relay]
    by_hand = with_entry(moving, relay, profile="person", address="")
    assert [entry["name"] for entry in module._with_safe_commands(by_hand, [tmp_path])] == [load]


def test_the_guard_of_a_run_that_is_killed_switches_the_load_off(
    bench: Bench, stop: StopSignal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The guard itself, over a real link: its pipe closes and nothing was said of a safe state."""
    # Where this is set, what the guard says comes through whether it sends it off or not.
    monkeypatch.delenv("PYTHONUNBUFFERED", raising=False)

    def answer(line: str) -> str | None:
        return "0" if line.endswith("?") else None

    with line_server(answer) as load:
        reached = with_entry(bench, bench.roles.load, address=load.address)
        guard = Guard(reached, [tmp_path], tmp_path / "guard.json", stop)
        if sys.platform != "win32":
            # Whoever ends the session, or types Ctrl-C, ends the run and not what switches it off.
            for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
                guard._process.send_signal(number)
        time.sleep(0.2)
        assert guard.trouble() == ""
        assert load.received == []
        guard.take_over()
    assert load.received[:2] == ["OUTPut OFF", "SOURce:CURRent 0"]
    acts = json.loads((tmp_path / "guard.json").read_text(encoding="utf-8"))
    assert (acts[0]["instrument"], acts[0]["confirmed"]) == (bench.roles.load, True)
    assert acts[0]["reason"] == "the run ended without confirming that everything is off"
