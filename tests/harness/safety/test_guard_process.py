"""What the guard's process does, turn by turn, on a clock of its own; with real processes it is in `tests/end_to_end/test_guard.py`."""

from __future__ import annotations

import io
import json
import os
import signal
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from queue import Empty
from types import SimpleNamespace
from typing import Any

import pytest

from harness.safety import guard_process
from harness.safety.guard_process import Silence
from harness.safety.safing import make_all_safe
from instruments.profile import SHIPPED

RUNNER = 999_999_999
"""No process: whatever is done to it is done to `Runner` here."""


class Pipe:
    """What comes from the runner and when, by `script`; time passes only while it is listened to."""

    def __init__(self, script: Sequence[tuple[float, str | None]]) -> None:
        self.now, self._script, self._back = 0.0, list(script), []

    def get(self, timeout: float = 0.0) -> str | None:
        if not self.empty():
            return self._back.pop(0) if self._back else self._script.pop(0)[1]
        self.now += timeout
        if self.now > 60:
            raise AssertionError("it listens for ever")
        raise Empty

    def empty(self) -> bool:
        return not self._back and not (self._script and self._script[0][0] <= self.now)

    def put(self, line: str | None) -> None:
        self._back.append(line)

    def sleep(self, seconds: float) -> None:
        self.now += seconds

    def later(self, line: str | None, seconds: float) -> None:
        self._script.insert(0, (self.now + seconds, line))


@dataclass
class Load:
    """A load whose link is `free` or held by the runner; when it was switched off by this clock."""

    pipe: Pipe
    free: bool = True
    closed: int = 0
    off_at: list[float] = field(default_factory=list)
    tried_at: list[float] = field(default_factory=list)

    name, address = "load", "h:1"

    def open(self) -> None: ...

    def make_safe(self) -> None:
        self.tried_at.append(self.pipe.now)
        if not self.free:
            raise OSError("the link is held")
        self.off_at.append(self.pipe.now)

    def confirm_safe(self) -> tuple[bool, str]:
        return True, "OUTPut? -> 0"

    def close(self) -> None:
        self.closed += 1


@dataclass
class Scene:
    """One guard with one load."""

    pipe: Pipe
    load: Load
    report: Path
    killed: list[int] = field(default_factory=list)
    frees: bool = True

    def kill(self, process: int, number: int) -> None:
        assert process == RUNNER
        self.killed.append(number)
        if self.frees:
            self.load.free = True
            self.pipe.later(None, 0.3)
        else:
            raise ProcessLookupError

    def acts(self) -> list[dict[str, Any]]:
        return json.loads(self.report.read_text(encoding="utf-8"))


@pytest.fixture
def scene(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Scene:
    """Set `pipe` of it by `watched`."""
    pipe = Pipe([])
    made = Scene(pipe, Load(pipe), tmp_path / "guard.json")
    monkeypatch.setattr(guard_process, "time", SimpleNamespace(monotonic=lambda: made.pipe.now))
    monkeypatch.setattr(guard_process, "make_all_safe", partial(make_all_safe, pause=lambda s: made.pipe.sleep(s)))

    def instrument(entry: dict[str, str], folders: tuple[Path, ...]) -> Load:
        assert (entry, folders) == ({"name": "load"}, (Path("mine"),))
        return made.load

    monkeypatch.setattr(guard_process, "_instrument", instrument)
    monkeypatch.setattr(guard_process, "os", SimpleNamespace(kill=made.kill))
    return made


def watched(scene: Scene, *script: tuple[float, str | None]) -> None:
    """Run a guard to its end against `script`."""
    scene.pipe = scene.load.pipe = Pipe(script)
    order = {"instruments": [{"name": "load"}], "folders": ["mine"], "report": str(scene.report), "runner": RUNNER}
    guard_process._Watch(order, scene.pipe).run()


def beats(start: float, end: float) -> list[tuple[float, str | None]]:
    """A heartbeat each tenth of a second."""
    return [(start + 0.1 * n, "beat") for n in range(round((end - start) * 10))]


def test_silence_counts_only_while_it_is_listened_to(scene: Scene) -> None:
    """A guard that was stopped itself, or a laptop that slept, does not take its own absence for the runner's."""
    silence = Silence()
    for _ in range(3):
        scene.pipe.sleep(0.1)
        said = silence.listened()
    assert said == pytest.approx(0.3)
    scene.pipe.sleep(3600)
    assert silence.listened() == pytest.approx(0.5)
    silence.heard()
    scene.pipe.sleep(0.1)
    assert silence.listened() == pytest.approx(0.1)


def test_what_was_heard_after_a_long_absence_is_no_silence(scene: Scene) -> None:
    silence = Silence()
    scene.pipe.sleep(3600)
    silence.heard()
    assert silence.listened() == 0


def test_a_run_that_beats_and_says_that_it_is_safe_is_left_alone(
    scene: Scene, capsys: pytest.CaptureFixture[str]
) -> None:
    """The guard beats back in every turn, so that the runner hears it."""
    watched(scene, *beats(0, 30), (30, "stand down"))
    assert scene.load.tried_at == []
    assert not scene.report.exists()
    said = capsys.readouterr()
    assert set(said.out.split()) == {"beat"}
    assert len(said.out.split()) >= 300
    assert said.err == ""


@pytest.mark.parametrize("again", [[], beats(15, 16)])
def test_two_seconds_without_a_heartbeat_switch_off_once(
    scene: Scene, capsys: pytest.CaptureFixture[str], again: list[tuple[float, str | None]]
) -> None:
    """STANDSTILL; a run that comes back lives and ends its record itself. The guard is silent from the act to its next heartbeat."""
    watched(scene, *beats(0, 5), *again, (16, "stand down"))
    (off,) = scene.load.off_at
    assert 4.9 + 2.0 <= off <= 4.9 + 2.4
    assert scene.killed == []
    assert scene.load.closed == 1
    said = capsys.readouterr()
    lines = said.out.splitlines()
    assert lines.count("acting nothing was heard of the run for 2 s") == 1
    after = lines[lines.index("acting nothing was heard of the run for 2 s") + 1 :]
    assert ("beat" in after) is bool(again)
    assert said.err == (
        "ratioproof: the guard acted (nothing was heard of the run for 2 s): everything it can reach is off and confirmed\n"
    )
    (act,) = scene.acts()
    assert {key: act[key] for key in ("instrument", "confirmed", "answer", "reason")} == {
        "instrument": "load",
        "confirmed": True,
        "answer": "OUTPut? -> 0",
        "reason": "nothing was heard of the run for 2 s",
    }
    assert act["at"].endswith("+00:00")


def test_one_heartbeat_missed_now_and_then_is_no_standstill(scene: Scene) -> None:
    watched(scene, *((1.8 * n, "beat") for n in range(15)), (27, "stand down"))
    assert scene.load.tried_at == []


def test_a_run_that_goes_on_is_watched_again_and_every_act_is_kept(scene: Scene) -> None:
    watched(scene, *beats(0, 1), *beats(10, 11), (20, "stand down"))
    assert len(scene.load.off_at) == 2
    assert len(scene.acts()) == 2


def test_a_loop_that_stands_still_is_switched_off_at_once_though_its_process_lives(scene: Scene) -> None:
    """The runner's own thread says so: nothing has to be waited for. Said on, it is one act."""
    watched(scene, *beats(0, 5), (5, "stands still reading M-1"), (5.1, "stands still reading M-1"), (6, "stand down"))
    (off,) = scene.load.off_at
    assert off == pytest.approx(5.0, abs=0.15)
    assert scene.acts()[0]["reason"] == "the run did not respond: reading M-1"


def test_a_run_that_is_gone_is_made_safe_with_all_attempts(scene: Scene, capsys: pytest.CaptureFixture[str]) -> None:
    """Killed without a word; nobody holds the link, so there is nobody to end either."""
    scene.load.free = False
    watched(scene, *beats(0, 5), (5, None))
    assert len(scene.load.tried_at) == 6
    assert scene.killed == []
    (act,) = scene.acts()
    assert (act["confirmed"], act["answer"]) == (False, "the link is held")
    assert act["reason"] == "the run ended without confirming that everything is off"
    said = capsys.readouterr().err
    assert said.startswith(
        "ratioproof: the guard acted (the run ended without confirming that everything is off): NOT SAFE\n"
    )
    assert "load at h:1 did not confirm" in said
    assert "Disconnect the supply of the load by hand now" in said


def test_a_silent_run_that_holds_the_link_is_ended_and_the_load_reached(scene: Scene) -> None:
    scene.load.free = False
    watched(scene, *beats(0, 5))
    assert scene.killed == [getattr(signal, "SIGKILL", signal.SIGTERM)]
    (off,) = scene.load.off_at
    # 2 s of silence, two tries with 0.1 s between, 0.3 s until the process is gone.
    assert 6.9 <= off <= 7.9
    assert scene.acts()[0]["reason"] == "nothing was heard of the run for 2 s; the run held the link and was ended"
    assert scene.load.closed == 1


def test_what_a_killed_run_had_still_said_is_not_its_end(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """Until its pipe closes its link is not free, and no attempt would get through."""
    scene.load.free = False
    ended: list[float] = []

    def killed(process: int, number: int) -> None:
        scene.kill(process, number)
        scene.pipe.later("stands still reading the meter", 0.1)
        ended.append(scene.pipe.now + 0.3)

    monkeypatch.setattr(guard_process.os, "kill", killed)
    watched(scene)
    # Two attempts while it lived; the third finds the link free.
    assert scene.load.tried_at[2] >= ended[0]
    assert len(scene.load.off_at) == 1


@pytest.mark.parametrize("line", ["beat", "stand down"])
def test_a_run_heard_while_its_link_is_tried_is_not_ended(scene: Scene, line: str) -> None:
    """It lives, and will switch off itself; what it said is not lost."""
    scene.load.free = False
    # Between the two attempts, which take 0.1 s.
    scene.load.open = lambda: scene.pipe.put(line)
    watched(scene, (5, "stand down"))
    assert scene.killed == []
    assert scene.load.off_at == []
    assert scene.pipe.now == pytest.approx(5 if line == "beat" else 2.2, abs=0.3)


def test_a_run_that_ends_while_its_link_is_tried_has_left_it_free_and_is_not_said_to_have_been_ended(
    scene: Scene,
) -> None:
    """Nobody ended it: the guard says what it found both times, and is through at once."""
    scene.load.free = False

    def ends() -> None:
        if len(scene.load.tried_at) == 1:
            scene.pipe.put(None)
        scene.load.free = len(scene.load.tried_at) > 2

    scene.load.open = ends
    watched(scene)
    assert scene.killed == []
    (off,) = scene.load.off_at
    assert off < 3
    assert [(act["confirmed"], act["reason"]) for act in scene.acts()] == [
        (False, "nothing was heard of the run for 2 s"),
        (True, "the run ended without confirming that everything is off"),
    ]


def test_where_a_process_cannot_be_killed_it_is_terminated(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows has no SIGKILL, and `os.kill` ends a process there by any signal (Python's library reference, os.kill)."""
    monkeypatch.setattr(guard_process, "signal", SimpleNamespace(SIGTERM=15))
    scene.load.free = False
    watched(scene)
    assert scene.killed == [15]


class Closed(io.StringIO):
    """A pipe or terminal that is gone."""

    def write(self, text: str) -> int:
        raise BrokenPipeError

    def flush(self) -> None:
        raise BrokenPipeError


def closed() -> io.StringIO:
    """A file that this process has closed itself: writing is a ValueError."""
    file = io.StringIO()
    file.close()
    return file


@pytest.mark.parametrize(("gone", "instead"), [("stdout", Closed), ("stderr", Closed), ("stderr", closed)])
def test_nobody_who_hears_it_keeps_the_guard_from_acting_and_writing_it_down(
    scene: Scene, monkeypatch: pytest.MonkeyPatch, gone: str, instead: Callable[[], io.StringIO]
) -> None:
    """The runner's pipe is closed when it was killed; the terminal with the window."""
    monkeypatch.setattr(sys, gone, instead())
    watched(scene, *beats(0, 1), (1, None))
    assert len(scene.load.off_at) == 1
    assert scene.acts()[0]["confirmed"] is True


def test_a_run_that_cannot_be_ended_is_told_as_not_safe_and_still_watched(scene: Scene) -> None:
    """Another user's, or stuck in the system: the guard goes on listening, and does not say that it ended it."""
    scene.load.free = scene.frees = False
    watched(scene, (20, None))
    assert len(scene.killed) == 1
    first, last = scene.acts()
    assert (first["confirmed"], first["reason"]) == (False, "nothing was heard of the run for 2 s")
    assert last["reason"] == "the run ended without confirming that everything is off"
    # Two attempts, 2 s for the process to be gone, and six when its pipe closed.
    assert len(scene.load.tried_at) == 2 + 6


def test_a_report_that_cannot_be_written_keeps_nothing_from_being_switched_off(
    scene: Scene, capsys: pytest.CaptureFixture[str]
) -> None:
    scene.report = scene.report / "no folder" / "guard.json"
    watched(scene, (1, None))
    assert len(scene.load.off_at) == 1
    assert "everything it can reach is off and confirmed" in capsys.readouterr().err


def test_the_guard_reaches_an_instrument_as_it_was_told_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The settings of the order are those of its link, and a profile of the user's own says how it is made safe."""
    opened: list[tuple[str, str, Any]] = []

    def link(name: str, address: str, settings: Any) -> Any:
        opened.append((name, address, settings))
        return SimpleNamespace(close=lambda: None)

    monkeypatch.setattr(guard_process, "VisaLink", link)
    text = (SHIPPED / "scpi_load.toml").read_text(encoding="utf-8").replace("OUTPut OFF", "OUTPut 0")
    (tmp_path / "my_load.toml").write_text(text, encoding="utf-8")
    entry = {"name": "load", "address": "h:1", "profile": "my_load", "settings": {"timeout": 0.5, "baud_rate": 9600}}
    made = guard_process._instrument(entry, (tmp_path,))
    assert (made.name, made.address, made.profile.safe.commands[0]) == ("load", "h:1", "OUTPut 0")
    made.open()
    ((name, address, settings),) = opened
    assert (name, address, settings.timeout, settings.baud_rate) == ("load", "h:1", 0.5, 9600)


@pytest.fixture
def spoken(monkeypatch: pytest.MonkeyPatch) -> Callable[[bytes], tuple[list[bytes], dict[int, Any]]]:
    """Runs the guard's process in this one on what the runner says; what it says back, and what becomes of each signal."""

    def speak(said: bytes) -> tuple[list[bytes], dict[int, Any]]:
        near, far = os.pipe()
        os.write(far, said)
        os.close(far)
        back, handlers = io.BytesIO(), {}
        with monkeypatch.context() as patch, os.fdopen(near, "rb") as pipe:
            patch.setattr(sys, "stdin", pipe)
            patch.setattr(sys, "stdout", io.TextIOWrapper(back, encoding="ascii", newline="\r\n"))
            patch.setattr(signal, "signal", handlers.__setitem__)
            guard_process.watch()
            sys.stdout.flush()
            said_back = back.getvalue()
        return said_back.split(b"\n")[:-1], handlers

    return speak


def test_the_guard_is_ready_when_it_has_its_order_and_outlives_what_ends_the_run(
    spoken: Callable[[bytes], tuple[list[bytes], dict[int, Any]]], tmp_path: Path
) -> None:
    """Ctrl-C, a request to end and a closed terminal are the run's; both ends speak UTF-8 in lines, whatever the terminals are set to."""
    order = {"instruments": [], "folders": [], "report": str(tmp_path / "guard.json"), "runner": RUNNER}
    said, handlers = spoken(json.dumps(order).encode() + "\nstands still Bügeleisen\nstand down\n".encode())
    assert said[0] == b"ready"
    assert "acting the run did not respond: Bügeleisen".encode() in said
    assert (tmp_path / "guard.json").exists()
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        assert not hasattr(signal, name) or handlers[getattr(signal, name)] == signal.SIG_IGN


def test_a_runner_that_was_gone_before_its_order_leaves_nothing_to_guard(
    spoken: Callable[[bytes], tuple[list[bytes], dict[int, Any]]],
) -> None:
    assert spoken(b"")[0] == []
