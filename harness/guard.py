"""The guard: a small process that makes the bench safe when the runner is killed outright.

It holds the reading end of a pipe whose writing end only the runner has. A runner that ends in good order says
"stand down"; when the pipe closes without that word, the runner is gone and the guard sends the safe commands itself.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import select
import signal
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from harness.bench import ROLES, Bench
from harness.errors import AbortedSafe
from harness.safing import make_all_safe
from harness.station import REPLAYED, link_settings
from instruments.link import LinkSettings
from instruments.profile import load_profile
from instruments.roles import Instrument
from instruments.scpi import ScpiInstrument
from instruments.visa_link import VisaLink

STAND_DOWN = "stand down"
READY_WITHIN = 20.0


class Guard:
    """The runner's end of the pipe."""

    def __init__(self, bench: Bench, folders: Sequence[Path], report: Path) -> None:
        """Start the guard and wait until it is ready. Raises AbortedSafe when it does not start."""
        order = {
            "instruments": _with_safe_commands(bench, folders),
            "folders": [str(f) for f in folders],
            "report": str(report),
        }
        home = str(Path(__file__).resolve().parent.parent)
        # -P and the path spelled out: a file of the user's own in the working directory must not stand in for a module.
        program = f"import sys; sys.path.append({home!r}); from harness.guard import watch; watch()"
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", program],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        self._tell(json.dumps(order))
        if not self._ready():
            self._process.kill()
            self._end()
            raise AbortedSafe("the guard process did not start; nothing was energised")

    def trouble(self) -> str:
        """Why the guard no longer stands by; empty while it does."""
        return (
            ""
            if self._process.poll() is None
            else "the guard process has died, and nothing would switch off if the run were killed"
        )

    def stand_down(self) -> None:
        """Tell the guard that the bench is safe; it ends."""
        self._tell(STAND_DOWN)
        self._end()

    def take_over(self) -> None:
        """Let the guard make one more attempt: close the pipe without standing it down."""
        self._end()

    def _ready(self) -> bool:
        output = self._process.stdout
        return (
            output is not None
            and bool(select.select([output], [], [], READY_WITHIN)[0])
            and output.readline().strip() == "ready"
        )

    def _tell(self, text: str) -> None:
        if self._process.stdin is not None:
            # A guard that has died cannot be told anything; `trouble` says so.
            with contextlib.suppress(OSError):
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
        if self._process.stdout is not None:
            self._process.stdout.close()


def _with_safe_commands(bench: Bench, folders: Sequence[Path]) -> list[dict[str, Any]]:
    """The instruments that can drive something, in the bench's order: what the guard needs to reach them."""
    load = bench.roles.load
    names = [load, *(n for n in bench.safe_order if n != load), *(bench.player(r) for r in ROLES if r != "load")]
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
            found.append({"name": name, "address": entry.address, "profile": entry.profile, "settings": asdict(quick)})
    return found


def watch() -> None:
    """The guard process itself: take the order, wait for the pipe to close, act unless told to stand down."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    order = json.loads(sys.stdin.readline())
    instruments = {
        entry["name"]: _instrument(entry, tuple(Path(f) for f in order["folders"])) for entry in order["instruments"]
    }
    import pyvisa_py  # noqa: F401  loaded now, so that no time is lost when it is needed

    print("ready", flush=True)
    if any(line.strip() == STAND_DOWN for line in sys.stdin):
        return
    # Nothing is open yet: the first attempt on each opens it, so that no instrument waits for another to answer.
    states = make_all_safe(instruments, list(instruments))
    report = [
        {
            "instrument": s.instrument,
            "confirmed": s.confirmed,
            "answer": s.answer,
            "at": dt.datetime.now(dt.UTC).isoformat(),
        }
        for s in states
    ]
    Path(order["report"]).write_text(json.dumps(report), encoding="utf-8")


def _instrument(entry: dict[str, Any], folders: tuple[Path, ...]) -> Instrument:
    profile = load_profile(entry["profile"], folders)

    def open_link() -> VisaLink:
        return VisaLink(entry["name"], entry["address"], LinkSettings(**entry["settings"]))

    return ScpiInstrument(entry["name"], entry["address"], profile, open_link, lambda: 0.0)


if __name__ == "__main__":
    watch()
