"""A sequence of readings, some of them typed, that a person can undo value by value."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from instruments.reading import Reading


@dataclass(frozen=True)
class Entry:
    """One exchange with an instrument or a person: `read` maps the earlier readings to new ones, both by name. A `typed` one gives one value."""

    read: Callable[[Mapping[str, Reading]], Mapping[str, Reading]]
    typed: bool = False


class Entries:
    """A sequence of entries, and how far it has come."""

    def __init__(self, entries: Sequence[Entry]) -> None:
        self._entries = tuple(entries)
        self._found: list[Mapping[str, Reading]] = []

    @property
    def complete(self) -> bool:
        return len(self._found) == len(self._entries)

    @property
    def typed(self) -> int:
        return sum(entry.typed for entry in self._entries[: len(self._found)])

    def finish(self) -> dict[str, Reading]:
        """Read the rest; all readings by name. Raises what the entries raise, and keeps the earlier readings."""
        while not self.complete:
            self._found.append(self._entries[len(self._found)].read(self._by_name(self._found)))
        return self._by_name(self._found)

    def take_back(self) -> dict[str, Reading]:
        """Undo the value typed last, and the readings over links since the typed one before it: they have grown old.

        Returns the undone readings; no typed one among them, and nothing left, when no value had been typed.
        """
        typed = [number for number, entry in enumerate(self._entries[: len(self._found)]) if entry.typed]
        since = typed[-2] + 1 if len(typed) > 1 else 0
        forgotten = self._by_name(self._found[since:])
        del self._found[since:]
        return forgotten if typed else {}

    @staticmethod
    def _by_name(found: Sequence[Mapping[str, Reading]]) -> dict[str, Reading]:
        return {name: reading for readings in found for name, reading in readings.items()}
