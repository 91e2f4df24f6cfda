"""The simulated bench: its physics, with a terminal for every instrument."""

from functools import cached_property

from simulated.bench_physics import BenchPhysics
from simulated.terminals.profile_terminals import Terminal, terminal_of
from simulated.transports.link_faults import Framing, Hostile
from simulated.transports.listeners import Conversation
from simulated.transports.modbus import RegisterMap, RtuConversation, TcpConversation
from simulated.transports.scpi_conversation import ScpiConversation


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

    def conversation(self, name: str, framing: Framing) -> Conversation:
        """One connection to the instrument called `name`, with the faults scheduled for it. Raises as `terminal`."""
        terminal, instrument, schedule = self.terminal(name), self.instrument(name), self.schedules.get(name)
        if isinstance(terminal, RegisterMap):
            plain = (TcpConversation if framing == "tcp" else RtuConversation)(terminal, instrument.unit_id)
            return plain if schedule is None else Hostile(plain, schedule, framing, self.clock.now)
        profile = instrument.profile
        assert profile is not None  # only a profile makes a terminal
        text = ScpiConversation(terminal, profile.write_termination, profile.read_termination)
        if schedule is None:
            return text
        end = profile.read_termination.encode("latin-1")
        return Hostile(text, schedule, "text", self.clock.now, end=end, queue_error=terminal.queue_error)

    def absent(self, name: str) -> bool:
        """Whether the instrument called `name` is gone from its link for a while, by its schedule."""
        return name in self.schedules and self.schedules[name].absent(self.clock.now())
