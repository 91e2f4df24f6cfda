"""Recovery from a failed link: the instrument is reopened, identified again, and the whole action repeated."""

from collections.abc import Callable
from typing import TypeVar

from harness.core.errors import Abandoned
from harness.core.quantities import format_quantity
from harness.run.auxiliary_readings import secondary_scale
from harness.run.run_context import BenchState, RunContext
from instruments.errors import IdentityError, LinkError, QueuedError, ReplyError

LINK_ATTEMPTS = 6
"""Attempts at an exchange or a whole point, each on a fresh link, before the run is abandoned."""

_T = TypeVar("_T")


class LinkRecovery:
    """Repeats actions that fail on a link, each time on a fresh one."""

    def __init__(self, run: RunContext, state: BenchState) -> None:
        self._run, self._state = run, state

    def redoing(self, what: str, action: Callable[[int], _T]) -> _T:
        """Do `action`, which receives the number of the attempt. Raises InstrumentError after the last one, and Abandoned."""
        for attempt in range(1, LINK_ATTEMPTS + 1):
            try:
                return action(attempt)
            except (LinkError, ReplyError, QueuedError) as failure:
                self._run.writer.write(
                    "trouble", what=what, attempt=attempt, instrument=failure.instrument, message=str(failure)
                )
                if attempt == LINK_ATTEMPTS:
                    raise
                self._run.progress.note(f"{failure}; repeating on a new link")
                self._reopen(failure.instrument)
        raise AssertionError("unreachable")

    def _reopen(self, name: str) -> None:
        station, identities = self._run.station, self._run.identities
        self._state.steady = False
        instrument, secondary = station.instruments[name], station.secondary
        if secondary is not None and name == secondary.name and self._state.current:
            # It may have restarted on another function, and the loop it stands in would be open.
            raise Abandoned(
                f"{name}, the meter in the secondary, was lost while {format_quantity(self._state.current, 'A')} flowed"
            )
        for attempt in range(1, LINK_ATTEMPTS + 1):
            self._run.stop.check()
            try:
                instrument.open()
                identity = instrument.identify()
                instrument.start()
                if secondary is not None and name == secondary.name:
                    secondary.configure(secondary_scale(self._run.device, self._run.bench))
                break
            except (LinkError, ReplyError, QueuedError):
                if attempt == LINK_ATTEMPTS:
                    raise
                self._run.pause(0.1 * 2**attempt)
        if identity != identities[name]:
            raise IdentityError(
                f"answers as {identity.shown!r} after reopening, was {identities[name].shown!r}",
                instrument=name,
                address=instrument.address,
            )
        if name == station.load.name and not station.load.by_person:
            self._state.load_restarted = True
        if name == station.reference.name:
            self._state.full_scale = None
