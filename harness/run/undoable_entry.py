"""Readings taken one after another, some of them typed, over which a person may go back value by value."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from instruments.reading import Reading


@dataclass(frozen=True)
class Entry:
    """One exchange with an instrument or a person: `read` gets what was found before it, by name, and gives what it found.

    A `typed` one gives one value.
    """

    read: Callable[[Mapping[str, Reading]], Mapping[str, Reading]]
    typed: bool = False


class Entries:
    """What is to be read in order, and how far that has come."""

    def __init__(self, entries: Sequence[Entry]) -> None:
        self._entries = tuple(entries)
        self._found: list[Mapping[str, Reading]] = []

    @property
    def complete(self) -> bool:
        """Whether nothing is left to be read."""
        return len(self._found) == len(self._entries)

    @property
    def typed(self) -> int:
        """How many values have been typed."""
        return sum(entry.typed for entry in self._entries[: len(self._found)])

    def finish(self) -> dict[str, Reading]:
        """Read what is left; everything found, by name. Raises what the entries raise, and keeps what was found before."""
        while not self.complete:
            self._found.append(self._entries[len(self._found)].read(self._by_name(self._found)))
        return self._by_name(self._found)

    def take_back(self) -> dict[str, Reading]:
        """Forget the value typed last, and what was read over links since the one typed before it: that has grown old.

        What was forgotten; nothing typed among it, and nothing left, when no value had been typed.
        """
        typed = [number for number, entry in enumerate(self._entries[: len(self._found)]) if entry.typed]
        since = typed[-2] + 1 if len(typed) > 1 else 0
        forgotten = self._by_name(self._found[since:])
        del self._found[since:]
        return forgotten if typed else {}

    @staticmethod
    def _by_name(found: Sequence[Mapping[str, Reading]]) -> dict[str, Reading]:
        return {name: reading for readings in found for name, reading in readings.items()}
