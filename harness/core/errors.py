"""Everything that can go wrong, as the command line tells it apart.

    RatioproofError
    ├── UserError          exit 2   something the user wrote or asked for is wrong; one line per problem
    │   └── RecordError             a record is altered, cut in a way that matters, or of another kind
    ├── AbortedSafe        exit 3   the run ended early and every instrument confirmed its safe state
    ├── NotSafe            exit 4   the run ended and at least one instrument did not confirm
    ├── Abandoned                   the run cannot go on; once all is safe it is an AbortedSafe
    └── LoadStaysOn                 the load did not switch off; it is a NotSafe unless it does in the end

Anything else that reaches the command line is a defect of the program, exit 5.

Links and instruments raise `instruments.errors.InstrumentError`, which carries instrument, address and command;
the runner turns what it cannot mend into `AbortedSafe` or `NotSafe` after safing.
`Stopped` is a BaseException on purpose: `except Exception` on the way up cannot swallow a stop.
"""

from collections.abc import Sequence


class RatioproofError(Exception):
    """Base of all errors a command ends with."""


class UserError(RatioproofError):
    """Something the user wrote or asked for is wrong; `problems` holds one line for each."""

    def __init__(self, problems: str | Sequence[str]) -> None:
        self.problems = (problems,) if isinstance(problems, str) else tuple(problems)
        super().__init__("\n".join(self.problems))


class RecordError(UserError):
    """A record file cannot be used; the message names file and line."""


class AbortedSafe(RatioproofError):
    """The run ended early; every instrument confirmed its safe state."""


class NotSafe(RatioproofError):
    """The run ended and at least one instrument did not confirm its safe state."""


class Abandoned(RatioproofError):
    """The run cannot go on; the message says why."""


class LoadStaysOn(RatioproofError):
    """The load was commanded off and did not confirm, or current still flows."""


class Stopped(BaseException):
    """A stop was asked for: by a signal, an answer to a prompt, or the guard."""
