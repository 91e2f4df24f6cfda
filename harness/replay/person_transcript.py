"""Transcript of the questions to the person at the bench and the answers, written and replayed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from typing import Any, TypeVar

from harness.core.errors import Stopped
from harness.replay.clock_transcript import Checks
from instruments.links.transcript import TranscriptReader, TranscriptWriter
from instruments.operator.person import Overdue, Person, Question, UndoLast

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

    def warn_after(self, seconds: float, text: str) -> None:
        """Not recorded: a warning has no answer."""
        self._person.warn_after(seconds, text)

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

    def warn_after(self, seconds: float, text: str) -> None:
        """Nobody reads it."""

    def _answer(self, did: str, **asked: Any) -> Any:
        line = self._reader.answer(did, **asked)
        self._checks.person_answered()
        for name, said in line.get("error", {}).items():
            raise _INSTEAD[name](said)
        return line["received"]
