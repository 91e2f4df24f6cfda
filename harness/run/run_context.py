"""The context of a run: its files, station, record, clock, stop signal and display."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from harness.core.clock import Clock
from harness.core.progress import Progress
from harness.core.stop import StopSignal
from harness.current_limits.ratings import CurrentLimit
from harness.files.bench import Bench
from harness.files.device import Device
from harness.record.journal import RecordWriter
from harness.run.expected_power import Applied
from harness.station.station import Station
from instruments.operator.person import NOTHING_BEFORE, UndoLast
from instruments.reading import Identity

_T = TypeVar("_T")


@dataclass(frozen=True)
class RunContext:
    """Constants of a run. `identities`: how every instrument identified itself at its beginning."""

    device: Device
    bench: Bench
    station: Station
    identities: Mapping[str, Identity]
    writer: RecordWriter
    clock: Clock
    stop: StopSignal
    progress: Progress

    def pause(self, seconds: float) -> None:
        """Wait on the run's clock. Raises Stopped."""
        self.stop.pause(self.clock, seconds)

    def until_read(self, read: Callable[[], _T]) -> _T:
        """What `read` gives, begun anew when a person wants to undo and there is nothing before it."""
        while True:
            try:
                return read()
            except UndoLast:
                self.progress.note(NOTHING_BEFORE)


@dataclass
class BenchState:
    """Present state of the bench: kept here and nowhere else.

    `current`: primary current applied, in amperes. `withstood`: the most its path withstands, None before anything was applied.
    `full_scale`: of the reference's range, None when not known. `load_restarted`: the load's link was lost, so its settings may be too.
    `may_flow`: something was applied since the reference last read zero; a person's word that it is unplugged does not clear it.
    `steady`: the current was shown to be settled, and nothing but an approach's pair came after.
    `driven_at`: when the load was last told what to draw, in seconds of the run's clock.
    """

    current: float = 0.0
    withstood: CurrentLimit | None = None
    power_factor: float | None = None
    full_scale: float | None = None
    load_restarted: bool = False
    may_flow: bool = False
    steady: bool = False
    driven_at: float = float("-inf")

    @property
    def applied(self) -> Applied:
        return Applied(self.current, self.power_factor, self.full_scale)
