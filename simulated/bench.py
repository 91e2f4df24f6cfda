"""The simulated bench: its physics, with a terminal for every instrument."""

from __future__ import annotations

from functools import cached_property

from simulated.bench_physics import BenchPhysics
from simulated.terminals.profile_terminals import Terminal, terminal_of


class SimulatedBench(BenchPhysics):
    """The bench described by `description`, in the time of `clock`; its methods and units are those of `BenchPhysics`."""

    @cached_property
    def _terminals(self) -> dict[str, Terminal]:
        return {}

    def terminal(self, name: str) -> Terminal:
        """The terminal of the instrument called `name`, the same for all its connections.

        Raises KeyError when there is no such instrument, terminals.UnsupportedInstrument when it has no terminal.
        """
        with self._lock:
            if name not in self._terminals:
                self._terminals[name] = terminal_of(self, self.instrument(name))
            return self._terminals[name]
