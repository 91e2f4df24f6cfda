"""The guard as the runner sees it: a small process that makes the bench safe when the runner cannot.

Runner and guard listen to each other's heartbeats (`guard_process`). A thread sends the runner's, but only while the runner's loop keeps
the times it announced (`activity`): a loop that hangs is as silent as a process that was stopped.
"""

import contextlib
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from harness.core.activity import STANDSTILL
from harness.core.errors import AbortedSafe
from harness.core.stop import StopSignal
from harness.files.bench import Bench
from harness.safety.guard_process import ACTING, BEAT, EVERY, READY, STAND_DOWN, STANDS_STILL, Silence
from harness.station.wires import link_settings, resolved_address
from instruments.links.address import REPLAYED
from instruments.profile import load_profile

READY_WITHIN = 20.0

SILENT = 0.7
"""Seconds without a heartbeat after which the guard counts as hung: below one second with the time the runner's loop takes to look."""


class Guard:
    """The runner's end. From its making to `stand_down` or `take_over`, lost contact or an acting guard stops the run (`trouble`)."""

    def __init__(self, bench: Bench, folders: Sequence[Path], report: Path, stop: StopSignal) -> None:
        """Start the guard and wait until it is ready. Raises AbortedSafe when it does not start."""
        order = {
            "instruments": _with_safe_commands(bench, folders),
            "folders": [str(f) for f in folders],
            "report": str(report),
            "runner": os.getpid(),
        }
        home = str(Path(__file__).resolve().parents[2])
        # -P and the path spelled out: a file of the user's own in the working directory must not stand in for a module.
        program = f"import sys; sys.path.append({home!r}); from harness.safety.guard_process import watch; watch()"
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", program],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            # As the guard's process reads and writes it, whatever this terminal is set to.
            encoding="utf-8",
            # Neither the terminal's Ctrl-C nor its end may reach the guard.
            start_new_session=True,
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
        self._stop, self._activity = stop, stop.activity
        self._ready: SimpleQueue[bool] = SimpleQueue()
        self._silence, self._found = Silence(), ""
        self._beaten, self._leaving = time.monotonic(), threading.Event()
        self._tell(json.dumps(order))
        self._listener = threading.Thread(target=self._listen, name="guard heard", daemon=True)
        self._listener.start()
        try:
            started = self._ready.get(timeout=READY_WITHIN)
        except Empty:
            started = False
        if not started:
            self._process.kill()
            self._end()
            raise AbortedSafe("the guard process did not start; nothing was energised")
        self._silence.heard()
        self._beaten = time.monotonic()
        self._activity.progress()
        self._beater = threading.Thread(target=self._beat, name="heartbeat", daemon=True)
        self._beater.start()

    def trouble(self) -> str:
        """Reason why the run must not go on; empty while runner and guard hear each other."""
        stood = time.monotonic() - self._beaten
        if not self._found and stood > STANDSTILL:
            self._found = f"the run did not respond for {stood:.1f} s; the guard switches the load off"
        if not self._found and self._process.poll() is not None:
            self._found = "the guard process has ended: the load would stay on if the run were killed"
        return self._found

    def stand_down(self) -> None:
        """Tell the guard that the bench is safe; it ends."""
        self._leave()
        self._tell(STAND_DOWN)
        self._end()

    def take_over(self) -> None:
        """Let the guard make one more attempt: close the pipe without standing it down."""
        self._leave()
        self._end()

    def _beat(self) -> None:
        """Send heartbeats while the loop keeps its time, and listen for the guard's."""
        told = ""
        while not self._leaving.wait(EVERY):
            if self.trouble():
                self._stop.interrupt(self._found)
            overrun = self._activity.overrun()
            if overrun and not told:
                # A question may have several lines, and a message has one.
                self._tell(f"{STANDS_STILL} {' '.join(overrun.split())}")
                self._found = self._found or f"the run did not respond ({overrun}); the guard switches the load off"
            told = overrun
            if not overrun:
                self._tell(BEAT)
            self._beaten = time.monotonic()
            if self._silence.listened() > SILENT:
                self._found = self._found or (
                    "the guard process does not respond: the load would stay on if the run were killed"
                )

    def _listen(self) -> None:
        assert self._process.stdout is not None
        # A pipe that is closed while it is read ends the listening, whatever it raises.
        with contextlib.suppress(OSError, ValueError):
            for line in self._process.stdout:
                said = line.strip()
                self._silence.heard()
                if said == READY:
                    self._ready.put(True)
                elif said.startswith(ACTING):
                    self._found = f"the guard switched the load off: {said.removeprefix(ACTING).strip()}"
        self._ready.put(False)

    def _leave(self) -> None:
        self._leaving.set()
        self._beater.join(STANDSTILL)
        if self._process.poll() is None and self._silence.listened() > SILENT:
            # A guard that hangs would hear no farewell.
            self._process.kill()

    def _tell(self, text: str) -> None:
        if self._process.stdin is not None:
            # A guard that has died cannot be told anything; `trouble` says so.
            with contextlib.suppress(OSError, ValueError):
                self._process.stdin.write(text + "\n")
                self._process.stdin.flush()

    def _end(self) -> None:
        if self._process.stdin is not None:
            with contextlib.suppress(OSError):
                self._process.stdin.close()
        try:
            self._process.wait(timeout=READY_WITHIN)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._listener.join(STANDSTILL)
        if self._process.stdout is not None:
            self._process.stdout.close()


def _with_safe_commands(bench: Bench, folders: Sequence[Path]) -> list[dict[str, Any]]:
    """Instruments that can drive something, in the bench's order, as the guard needs them. The last of `folders` is that of the bench file."""
    roles = bench.roles
    names = [roles.load, *bench.safe_order, roles.reference, roles.meter, roles.switch]
    found = []
    for name in dict.fromkeys(names):
        entry = bench.instruments[name]
        if entry.by_person or entry.address.startswith(REPLAYED):
            continue
        profile = load_profile(entry.profile, tuple(folders))
        if profile.safe.commands:
            settings = link_settings(entry, profile, bench.visa)
            # A lock left behind must not keep the guard out.
            quick = replace(settings, timeout=min(settings.timeout, 1.0), lock=False)
            address = resolved_address(entry.address, folders[-1])
            found.append({"name": name, "address": address, "profile": entry.profile, "settings": asdict(quick)})
    return found
