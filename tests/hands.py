"""Somebody at a terminal beside a simulated bench: what tests of a bench without interfaces begin with."""

from __future__ import annotations

from collections.abc import Callable

from harness.core.progress import Progress
from harness.preparation.run_files import RunInputs
from instruments.operator.person import ConsolePerson
from tests.on_twin import TwinRun


class Hands:
    """Somebody who does what the terminal says on a simulated bench, and types what its displays show.

    `slip` may answer a prompt otherwise than right: it gets the prompt, its number and the right answer.
    """

    def __init__(self, slip: Callable[[str, int, str], str | None] = lambda *_: None) -> None:
        self.twin: TwinRun | None = None
        self.prompts: list[str] = []
        self.shown: list[str] = []
        self._slip = slip

    def ask(self, text: str) -> str:
        self.prompts.append(text)
        right = self._right(text)
        slipped = self._slip(text, len(self.prompts), right)
        return right if slipped is None else slipped

    def _right(self, text: str) -> str:
        assert self.twin is not None
        if "Type done" in text:
            self.twin.clock.sleep(10)
            return "done"
        if "unplugged / cannot" in text:
            return "unplugged"
        if "undo / keep" in text:
            return "keep"
        if "Look at the switch" in text or "Two ranges read nothing" in text:
            return "go on"
        if "Let the load cool down" in text:
            return "leave out"
        self.twin.clock.sleep(3)
        if ", voltage [V]" in text:
            return f"{self.twin.bench.measure('reference').voltage:.1f}"
        if "multimeter shows, power" in text:
            return f"{self.twin.bench.measure('reference').power:.2f}"
        if "multimeter shows" in text:
            return f"{self.twin.bench.read_reference() * 1000:.2f} mA".replace(".", ",")
        if "monitor shows, power factor" in text:
            return f"{self.twin.bench.shown().power_factor:.3f}"
        if "monitor shows, power" in text:
            return f"{self.twin.bench.shown().power:.1f}"
        assert "monitor shows" in text, text
        return f"{self.twin.bench.shown().current:.3f}"


class Notes(Progress):
    """What the runner notes goes to the same terminal."""

    def __init__(self, shown: list[str]) -> None:
        self._shown = shown

    def note(self, text: str) -> None:
        """Shown."""
        self._shown.append(text)


def by(hands: Hands, inputs: RunInputs, *faults: str) -> TwinRun:
    """A run of `inputs` worked by `hands`."""
    person = ConsolePerson(hands.ask, hands.shown.append, hands.ask)
    twin = TwinRun(inputs, faults, person=person, progress=Notes(hands.shown))
    hands.twin = twin
    return twin
