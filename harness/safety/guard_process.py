"""The guard's own process: it hears the runner's heartbeats, and makes the bench safe when they stop.

It acts when the runner is gone (its pipe closes without "stand down"), when nothing is heard for `STANDSTILL`, and when
the runner's own thread says that its loop stands still. It reaches the instruments over links of its own. Where the
runner still holds the only link (a plain socket for one client, a lock, a serial port), that fails: then a runner that
still says nothing is ended, which frees the link, and the guard tries again.
"""

import contextlib
import datetime as dt
import json
import os
import signal
import sys
import time
from functools import partial
from io import TextIOWrapper
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from harness.core.activity import STANDSTILL
from harness.core.lines_heard import lines_heard
from harness.core.output import complain
from harness.safety.safing import SAFING_ATTEMPTS, SafeState, make_all_safe, not_safe_message
from instruments.drivers.roles import Instrument
from instruments.drivers.scpi import ScpiInstrument
from instruments.links.link import LinkSettings
from instruments.links.visa_link import VisaLink
from instruments.profile import load_profile

READY, BEAT, STANDS_STILL, STAND_DOWN, ACTING = "ready", "beat", "stands still", "stand down", "acting"
"""Messages between the two, one a line; `STANDS_STILL` and `ACTING` are followed by a blank and the reason."""

EVERY = 0.1
"""Seconds between two heartbeats."""

WHILE_HELD = 2
"""Attempts at each instrument while the runner may hold its link."""

GONE_WITHIN = 2.0
"""Seconds within which a runner that is ended is gone."""


class Silence:
    """Seconds without a message, by the listener's own count: time in which the listener itself did not run is left out."""

    def __init__(self) -> None:
        self._before, self._seconds = time.monotonic(), 0.0

    def heard(self) -> None:
        self._before, self._seconds = time.monotonic(), 0.0

    def listened(self) -> float:
        """Update the count; seconds of silence."""
        now = time.monotonic()
        self._seconds += min(now - self._before, 2 * EVERY)
        self._before = now
        return self._seconds


class _Watch:
    """Watches the runner, and makes the bench safe when it fails."""

    def __init__(self, order: dict[str, Any], heard: SimpleQueue[str | None]) -> None:
        folders = tuple(Path(f) for f in order["folders"])
        self._instruments = {entry["name"]: _instrument(entry, folders) for entry in order["instruments"]}
        self._report, self._runner = Path(order["report"]), int(order["runner"])
        self._acts: list[dict[str, Any]] = []
        self._heard = heard

    def run(self) -> None:
        """Watch until the runner stands the guard down, or is gone."""
        silence, acted = Silence(), False
        while True:
            try:
                line = self._heard.get(timeout=EVERY)
            except Empty:
                line = ""
            if line is None:
                self._act("the run ended without confirming that everything is off", there=False)
                return
            if line == STAND_DOWN:
                return
            if line == BEAT:
                silence.heard()
                acted = False
            told = line.removeprefix(STANDS_STILL).strip() if line.startswith(STANDS_STILL) else ""
            silent = silence.listened() > STANDSTILL
            if (told or silent) and not acted:
                acted = True
                why = (
                    f"the run did not respond: {told}" if told else f"nothing was heard of the run for {STANDSTILL:g} s"
                )
                if self._act(why, there=True):
                    return
            if not acted:
                # A runner that hears nothing must not find its pipe full of this one day.
                _say(BEAT)

    def _act(self, why: str, *, there: bool) -> bool:
        """Make everything safe, record the answers, and release the links; whether the runner was ended for it. `there`: the runner may hold the links."""
        _say(f"{ACTING} {why}")
        names = list(self._instruments)
        # Nothing is open yet: the first attempt on each opens it, so that no instrument waits for another to answer.
        states = make_all_safe(self._instruments, names, attempts=WHILE_HELD if there else SAFING_ATTEMPTS)
        ended = there and not all(s.confirmed for s in states) and self._end_runner()
        if ended:
            states = make_all_safe(self._instruments, names)
        for instrument in self._instruments.values():
            instrument.close()
        self._write(states, f"{why}; the run held the link and was ended" if ended else why)
        return ended

    def _end_runner(self) -> bool:
        """End the runner unless it was heard or ended itself meanwhile; whether its links are free for that now."""
        heard = []
        while not self._heard.empty():
            heard.append(self._heard.get())
        if {BEAT, STAND_DOWN, None} & set(heard):
            for line in heard:
                self._heard.put(line)
            return False
        with contextlib.suppress(OSError):
            os.kill(self._runner, getattr(signal, "SIGKILL", signal.SIGTERM))
        until = time.monotonic() + GONE_WITHIN
        while time.monotonic() < until:
            with contextlib.suppress(Empty):
                if self._heard.get(timeout=EVERY) is None:
                    self._heard.put(None)
                    return True
        return False

    def _write(self, states: list[SafeState], why: str) -> None:
        now = dt.datetime.now(dt.UTC).isoformat()
        self._acts += [
            {"instrument": s.instrument, "confirmed": s.confirmed, "answer": s.answer, "at": now, "reason": why}
            for s in states
        ]
        sure = all(s.confirmed for s in states)
        said = "everything it can reach is off and confirmed" if sure else f"NOT SAFE\n{not_safe_message(states)}"
        # Whoever stopped or killed the run, and whoever looks at a run that hangs, is told by the guard alone.
        with contextlib.suppress(OSError, ValueError):
            complain(f"the guard acted ({why}): {said}")
        with contextlib.suppress(OSError):
            self._report.write_text(json.dumps(self._acts), encoding="utf-8", newline="\n")


def watch() -> None:
    """Run the guard process: take the order, listen, act unless told to stand down."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        if (number := getattr(signal, name, None)) is not None:
            signal.signal(number, signal.SIG_IGN)
    if isinstance(sys.stdout, TextIOWrapper):
        # As the runner reads it, whatever the terminals here are set to.
        sys.stdout.reconfigure(encoding="utf-8", newline="\n")
    heard = lines_heard(sys.stdin.fileno())
    order = heard.get()
    if order is None:
        return
    watching = _Watch(json.loads(order), heard)
    import pyvisa_py  # noqa: F401  loaded now, so that no time is lost when it is needed

    _say(READY)
    watching.run()


def _say(line: str) -> None:
    # A runner that is gone cannot be told anything; the closed pipe says so.
    with contextlib.suppress(OSError):
        print(line, flush=True)


def _instrument(entry: dict[str, Any], folders: tuple[Path, ...]) -> Instrument:
    name, address, profile = entry["name"], entry["address"], load_profile(entry["profile"], folders)
    open_link = partial(VisaLink, name, address, LinkSettings(**entry["settings"]))
    return ScpiInstrument(name, address, profile, open_link, lambda: 0.0)
