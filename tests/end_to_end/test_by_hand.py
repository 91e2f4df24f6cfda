"""A bench without interfaces, worked through a real terminal from the first prompt to the certificate."""

import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.commands.new import BENCH_BY_HAND, new
from harness.preparation.run_files import load_inputs
from harness.preparation.twin import describe
from harness.record.journal import read_record
from harness.steps import Options
from instruments.numbers import parse_typed
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench

PROMPT = re.compile(r"(Type done when it is: |\[A\]: |: )$")


class Worker:
    """A terminal with `ratioproof run` in it, or `resume`, and the simulated bench that whoever sits at it looks at."""

    def __init__(self, folder: Path, resumed: bool = False, again: str = "") -> None:
        device, bench = folder / "device.toml", folder / "bench.toml"
        if not resumed and not again:
            new(folder, BENCH_BY_HAND)
        inputs = load_inputs(device, bench, "turns_check", Options())
        self.bench = SimulatedBench(describe(inputs.device, inputs.bench, bench, inputs.folders, ()), VirtualClock())
        self.names = {load.name: load.current for load in inputs.bench.entry("load").shelf}
        self.folder = folder
        near, far = pty.openpty()
        self._near = near
        asked = ["run", str(device), str(bench), "--procedure", "turns_check", "--readings", "2", "--out"]
        words = (
            ["resume", str(folder / "out" / "record.jsonl")] if resumed else [*asked, str(folder / (again or "out"))]
        )
        self.process = subprocess.Popen(
            [sys.executable, "-m", "harness", *words, "--operator", "test"],
            stdin=far,
            stdout=far,
            stderr=far,
            start_new_session=True,
            env={**os.environ, "TERM": "dumb", "COLUMNS": "100"},
        )
        os.close(far)
        self.said = ""
        self._answered = 0

    def close(self) -> None:
        """Leave nothing running."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)
        os.close(self._near)

    def prompt(self) -> str:
        """What was said since the last answer, up to the next prompt; empty when the program has ended."""
        until = time.monotonic() + 30
        while time.monotonic() < until:
            if select.select([self._near], [], [], 0.05)[0]:
                try:
                    self.said += os.read(self._near, 4096).decode()
                except OSError:
                    return ""
            elif PROMPT.search(said := self.said[self._answered :]):
                return said
        raise AssertionError(f"no prompt came after: {self.said[-400:]}")

    def type(self, text: str) -> None:
        """Type a line."""
        self._answered = len(self.said)
        os.write(self._near, (text + "\n").encode())

    def answer(self, said: str) -> str:
        """Do what was asked, and what is to be typed then."""
        last = said.replace("\r", "")
        self.bench.clock.sleep(5.0)
        if "ready?" in last:
            return "yes"
        if "Fetch: " in last:
            return "done"
        if plugged := re.search(r"Plug in: (.*) \(about", last):
            self.bench.plug(self.names[plugged.group(1)])
            self.bench.clock.sleep(5.0)
            return "done"
        if turned := re.search(r"range switch to (x\d+)", last):
            self.bench.turn_switch(turned.group(1))
            return "done"
        if ranged := re.search(r"AC current, range ([\d.]+ m?A)\.", last):
            self.bench.configure("reference", parse_typed(ranged.group(1), 1e-3))
            return "done"
        if "unplugged / cannot" in last:
            self.bench.plug(0.0)
            return "unplugged"
        if "keep" in last:
            return "keep"
        if "multimeter shows" in last:
            return f"{self.bench.read_reference():.3f}".replace(".", ",")
        if "monitor shows" in last:
            return f"{self.bench.shown().current:.3f} A"
        raise AssertionError(f"unknown prompt: {last}")


@pytest.fixture
def worker(tmp_path: Path) -> Iterator[Worker]:
    working = Worker(tmp_path)
    yield working
    working.close()


def test_from_the_first_prompt_to_the_certificate_with_mistakes_on_the_way(worker: Worker) -> None:
    """Words, a missing decimal point, an undo and a "=": mended, and the certificate is there."""
    slips = {"monitor": ["plenty", "undo"], "multimeter": ["33"], "keep": ["undo"]}
    repeated = False
    while said := worker.prompt():
        kind = next((k for k in slips if slips[k] and k in said.splitlines()[-1]), "")
        if kind:
            worker.type(slips[kind].pop(0))
        elif "reading 2" in said and "multimeter" in said and not repeated:
            repeated = True
            worker.type("=")
        else:
            worker.type(worker.answer(said))
    assert worker.process.wait(20) == 0, worker.said
    assert repeated
    assert not any(slips.values())
    assert "is not a current" in worker.said
    assert "far from the" in worker.said
    assert (worker.folder / "out" / "certificate.pdf").stat().st_size > 10000
    record = read_record(worker.folder / "out" / "record.jsonl")
    assert record.lines[-1]["outcome"] == "complete"
    assert any("," in line["reference"]["raw"] for line in record.of_kind("reading"))
    assert list(record.of_kind("undo"))
    assert record.start["cautions"] == "confirmed"


def test_what_is_typed_during_the_rehearsal_answers_no_prompt(worker: Worker) -> None:
    """Cautions, "unplugged", switch, range and "plug in" are each asked, and each waits to be answered."""
    time.sleep(0.3)
    os.write(worker._near, b"yes\nunplugged\ndone\ndone\ndone\n\n\n")
    answers = {
        "ready?": "yes",
        "Switch off and unplug every load": "unplugged",
        "range switch to": "done",
        "AC current, range": "done",
        "Fetch:": "done",
        "Plug in:": "done",
    }
    for awaited, answer in answers.items():
        assert awaited in worker.prompt()
        assert not select.select([worker._near], [], [], 0.3)[0]
        worker.type(answer)


def test_a_second_run_by_hand_is_refused_and_a_record_being_written_is_no_interrupted_one(worker: Worker) -> None:
    """Two runs would have one person plug in for both; whoever certifies too early is told to wait."""
    while "range switch to" not in (said := worker.prompt()):
        worker.type(worker.answer(said))
    record = worker.folder / "out" / "record.jsonl"
    second = Worker(worker.folder, again="second")
    try:
        while second.prompt():
            pass
        assert second.process.wait(20) == 2, second.said
        told = " ".join(second.said.split())
        assert f"in use by the run of {record} (process {worker.process.pid}, since " in told
        assert "CAUTIONS" not in told
    finally:
        second.close()
    certify = [sys.executable, "-m", "harness", "certify", str(record), "--out", str(worker.folder / "early")]
    done = subprocess.run(certify, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 2, done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert "a run is writing it" in done.stderr
    assert "resume" not in done.stderr
    assert not (worker.folder / "early").exists()


def test_ctrl_c_with_a_load_plugged_in_asks_for_it_to_be_unplugged(worker: Worker) -> None:
    """At a live prompt: the terminal asks until the load is off, a second Ctrl-C changes nothing; exit status 3.

    The last line says how to go on, and so does that of the resumption, ended by a reference that reads nothing.
    """
    while "Plug in" not in (said := worker.prompt()):
        worker.type(worker.answer(said))
    worker.type(worker.answer(said))
    assert "multimeter shows" in worker.prompt()
    worker.process.send_signal(signal.SIGINT)
    worker._answered = len(worker.said)
    assert "unplug" in worker.prompt()
    worker.process.send_signal(signal.SIGINT)
    worker.type("unplugged")
    while worker.prompt():
        pass
    assert worker.process.wait(20) == 3, worker.said
    assert "stopped by SIGINT" in worker.said
    assert read_record(worker.folder / "out" / "record.jsonl").lines[-1]["outcome"] == "aborted"
    _names_the_way_on(worker)
    resumed = Worker(worker.folder, resumed=True)
    try:
        while said := resumed.prompt():
            # Typed twice it is believed.
            resumed.type("0" if "multimeter shows" in said.splitlines()[-1] else resumed.answer(said))
        assert resumed.process.wait(20) == 3, resumed.said
        assert "look at the wiring" in resumed.said
        _names_the_way_on(resumed)
    finally:
        resumed.close()


def _names_the_way_on(at: Worker) -> None:
    # An error is broken between words where the terminal ends.
    assert " ".join(at.said.split()).endswith(f"to go on: ratioproof resume {at.folder / 'out' / 'record.jsonl'}")
