"""Transcript of the runner's clock and stops, written and replayed."""

from __future__ import annotations

import datetime as dt
from collections import deque
from typing import Any

from harness.core.clock import Clock
from harness.core.stop import StopSignal
from instruments.links.transcript import TranscriptReader, TranscriptWriter


class TranscribedClock:
    def __init__(self, clock: Clock, writer: TranscriptWriter) -> None:
        self._clock, self._writer = clock, writer

    def now(self) -> float:
        value = self._clock.now()
        self._writer.write("now", received=value)
        return value

    def wall(self) -> dt.datetime:
        value = self._clock.wall()
        self._writer.write("wall", received=value.isoformat())
        return value

    def sleep(self, seconds: float) -> None:
        """Wait; only the times asked for afterwards are recorded."""
        self._clock.sleep(seconds)


class ReplayedClock:
    """A clock that repeats the recorded times and never waits.

    A `now` more or less than recorded is an error. Times of day stand in the record and decide little, so the last one is repeated when
    they run out.
    """

    def __init__(self, reader: TranscriptReader) -> None:
        self._reader = reader
        self._times: deque[dict[str, Any]] = deque()
        self._walls: deque[str] = deque()
        self.stops: list[dict[str, Any]] = []
        self._end = 2
        for line in reader.rest():
            self._end = line["line"] + 1
            if line["did"] == "now":
                self._times.append(line)
            elif line["did"] == "wall":
                self._walls.append(line["received"])
            elif line["did"] == "stop":
                self.stops.append(line)

    def now(self) -> float:
        """The next recorded time. Raises TranscriptError when there is none."""
        if self._reader.failures:
            raise self._reader.failures[0]
        if not self._times:
            raise self._reader.failed(self._end, "no further time", "now")
        value: float = self._times.popleft()["received"]
        return value

    def wall(self) -> dt.datetime:
        if not self._walls:
            raise self._reader.failed(self._end, "a time of day", "wall")
        return dt.datetime.fromisoformat(self._walls.popleft() if len(self._walls) > 1 else self._walls[0])

    def sleep(self, seconds: float) -> None:
        """Return at once."""

    def check_used_up(self) -> None:
        """Raise TranscriptError when the session has failed, or times are left."""
        if self._times and not self._reader.failures:
            left = f"now ({len(self._times)} times left)"
            self._reader.failed(self._times[0]["line"], left, "the end of the session")
        self._reader.check_used_up()


class Checks:
    """Counts the runner's looks for a stop since the person's last answer: the place where a stop took effect.

    Looks while a person is asked are not replayed, so counting begins anew after each answer.
    """

    def __init__(self) -> None:
        self._asked = 0
        self._looked = 0

    def person_answered(self) -> None:
        self._asked += 1
        self._looked = 0

    def looked(self) -> tuple[int, int]:
        """Count one more look; answers before it, and looks since."""
        self._looked += 1
        return self._asked, self._looked


def transcribe_stops(stop: StopSignal, checks: Checks, writer: TranscriptWriter) -> None:
    """Record at which look a stop took effect, and why."""
    written = False

    def look() -> str:
        nonlocal written
        answers, looks = checks.looked()
        if stop.reason and not written:
            writer.write("stop", answers=answers, looks=looks, reason=stop.reason)
            written = True
        return ""

    stop.watch(look)


def replay_stops(stop: StopSignal, checks: Checks, lines: list[dict[str, Any]]) -> None:
    """Stop at the recorded look and for the recorded reason; `lines` are the replayed clock's `stops`."""
    reasons = {(line["answers"], line["looks"]): line["reason"] for line in lines}
    stop.watch(lambda: str(reasons.get(checks.looked(), "")))
