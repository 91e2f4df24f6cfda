"""Transcripts of the runner's clock and stops, and of the questions to the person at the bench with their answers, written and replayed."""

import datetime as dt
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import asdict
from typing import Any, TypeVar

from harness.core.clock import Clock
from harness.core.errors import Stopped
from harness.core.stop import StopSignal
from instruments.links.transcript import TranscriptReader, TranscriptWriter
from instruments.operator.person import Overdue, Person, UndoLast
from instruments.operator.plausibility import Question


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


_T = TypeVar("_T")

_INSTEAD = {kind.__name__: kind for kind in (UndoLast, Overdue, Stopped)}
"""What may come instead of an answer."""


class TranscribedPerson:
    def __init__(self, person: Person, writer: TranscriptWriter, checks: Checks) -> None:
        self._person, self._writer, self._checks = person, writer, checks

    def confirm(self, text: str) -> str:
        return self._asked("confirm", lambda: self._person.confirm(text), text=text)

    def choose(self, text: str, options: Sequence[str], guarding: bool = True) -> str:
        return self._asked(
            "choose", lambda: self._person.choose(text, options, guarding), text=text, options=list(options)
        )

    def insist(self, text: str, options: Sequence[str]) -> str:
        return self._asked("insist", lambda: self._person.insist(text, options), text=text, options=list(options))

    def read_value(self, question: Question) -> tuple[float, str]:
        return self._asked("read_value", lambda: self._person.read_value(question), **asdict(question))

    def warn_after(self, seconds: float, text: str, over: Callable[[], None] | None = None) -> None:
        """Not recorded: a warning has no answer."""
        self._person.warn_after(seconds, text, over)

    def _asked(self, did: str, ask: Callable[[], _T], **asked: Any) -> _T:
        try:
            answer = ask()
        except (UndoLast, Overdue, Stopped) as instead:
            self._writer.write(did, **asked, error={type(instead).__name__: str(instead)})
            raise
        finally:
            self._checks.person_answered()
        self._writer.write(did, **asked, received=answer)
        return answer


class ReplayedPerson:
    """A person who gives the recorded answers. Raises TranscriptError when asked something else."""

    def __init__(self, reader: TranscriptReader, checks: Checks) -> None:
        self._reader, self._checks = reader, checks

    def confirm(self, text: str) -> str:
        return str(self._answer("confirm", text=text))

    def choose(self, text: str, options: Sequence[str], guarding: bool = True) -> str:
        return str(self._answer("choose", text=text, options=list(options)))

    def insist(self, text: str, options: Sequence[str]) -> str:
        return str(self._answer("insist", text=text, options=list(options)))

    def read_value(self, question: Question) -> tuple[float, str]:
        value, typed = self._answer("read_value", **asdict(question))
        return float(value), str(typed)

    def warn_after(self, seconds: float, text: str, over: Callable[[], None] | None = None) -> None:
        """Nobody reads it."""

    def _answer(self, did: str, **asked: Any) -> Any:
        line = self._reader.answer(did, **asked)
        self._checks.person_answered()
        for name, said in line.get("error", {}).items():
            raise _INSTEAD[name](said)
        return line["received"]
