"""The simulated bench: its physics, with a terminal for every instrument."""

from __future__ import annotations

import threading
from collections.abc import Mapping

from simulated.bench_physics import BenchPhysics
from simulated.description import BenchDescription
from simulated.physics.clock import BenchTime
from simulated.terminals.profile_terminals import Terminal, terminal_of
from simulated.transports.link_faults import Schedule


class SimulatedBench(BenchPhysics):
    """The bench described by `description`, in the time of `clock`; its methods and units are those of `BenchPhysics`."""

    def __init__(
        self,
        description: BenchDescription,
        clock: BenchTime,
        late_reply_delay: float = 4.0,
        schedules: Mapping[str, Schedule] | None = None,
    ) -> None:
        super().__init__(description, clock, late_reply_delay, schedules)
        self._terminals: dict[str, Terminal] = {}
        self._making = threading.Lock()

    def terminal(self, name: str) -> Terminal:
        """The terminal of the instrument called `name`, the same for all its connections.

        Raises KeyError when there is no such instrument, terminals.UnsupportedInstrument when it has no terminal.
        """
        with self._making:
            if name not in self._terminals:
                self._terminals[name] = terminal_of(self, self.instrument(name))
            return self._terminals[name]
