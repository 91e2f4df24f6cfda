"""Links into a simulated bench one of which answers otherwise than the instrument does."""

from __future__ import annotations

from collections.abc import Callable

from harness.files.instrument_entry import InstrumentEntry
from harness.preparation.twin import TwinLinks
from instruments.links.link import Link
from instruments.profile import Profile
from simulated.simulated_bench import SimulatedBench


class AlteredLinks(TwinLinks):
    """The queries to the instrument `name` are answered by `answer`, which gets the link and the query."""

    def __init__(self, bench: SimulatedBench, name: str, answer: Callable[[Link, str], str]) -> None:
        super().__init__(bench)
        self._name, self._answer = name, answer

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        link = super().text(name, entry, profile)
        return Altered(link, self._answer) if name == self._name else link


class Altered:
    """A link whose queries `answer` answers."""

    def __init__(self, link: Link, answer: Callable[[Link, str], str]) -> None:
        self._link, self._answer = link, answer
        self._asked = ""

    def write(self, text: str) -> None:
        self._asked = text if "?" in text else ""
        if not self._asked:
            self._link.write(text)

    def read(self) -> str:
        return self._answer(self._link, self._asked) if self._asked else self._link.read()

    def query(self, text: str) -> str:
        return self._answer(self._link, text)

    def close(self) -> None:
        self._link.close()
