"""Questions to the person at the bench, each recorded with its answer."""

import contextlib
from collections.abc import Callable, Sequence

from harness.core.stop import StopSignal
from harness.record.journal import RecordWriter
from instruments.operator.person import Person
from instruments.operator.plausibility import Question

AGAIN, GO_ON, STOP, LEAVE_OUT = "again", "go on", "stop", "leave out"

LOOK_AT_THE_SWITCH = "Look at the switch."

SECONDARY = (
    "Two ranges read nothing. If the secondary is open, DANGEROUS voltage stands there while current flows. Before you look at the "
    "secondary, its fuse and its wiring: disconnect the bench's supply, lock it off and prove it dead."
)
"""Warning when two ranges read nothing: they have little in common but the secondary."""


class RecordedPerson:
    """A person whose confirmations and decisions go into a record once one is open."""

    def __init__(self, person: Person) -> None:
        self._person = person
        self._writer: RecordWriter | None = None

    def record_in(self, writer: RecordWriter) -> None:
        """Record every further question with `writer`."""
        self._writer = writer

    def confirm(self, text: str) -> str:
        return self._written(text, self._person.confirm(text))

    def choose(self, text: str, options: Sequence[str], guarding: bool = True) -> str:
        """As Person; recorded where it guards somebody."""
        answer = self._person.choose(text, options, guarding)
        return self._written(text, answer) if guarding else answer

    def insist(self, text: str, options: Sequence[str]) -> str:
        """As Person; recorded, unless the record cannot be written any more: making safe does not wait for it."""
        answer = self._person.insist(text, options)
        with contextlib.suppress(OSError):
            self._written(text, answer)
        return answer

    def read_value(self, question: Question) -> tuple[float, str]:
        """As Person; the value is recorded with its point."""
        return self._person.read_value(question)

    def warn_after(self, seconds: float, text: str, over: Callable[[], None] | None = None) -> None:
        self._person.warn_after(seconds, text, over)

    def _written(self, text: str, answer: str) -> str:
        if self._writer is not None:
            self._writer.write("prompt", text=text, answer=answer)
        return answer


def decision(person: Person, stop: StopSignal, text: str, options: Sequence[str]) -> str:
    """The person's decision; raises Stopped when that is to stop."""
    answer = person.choose(text, options)
    if answer == STOP:
        stop.request("stopped by the operator at a prompt")
        stop.check()
    return answer
