"""A person as an instrument: asked to turn a switch, to read a display, to confirm, to choose."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from instruments.numbers import parse_typed_current


class Person(Protocol):
    """Whoever stands at the bench. Every method returns what was answered, as it goes into the record."""

    def confirm(self, text: str) -> str:
        """Show `text` and wait until it is done."""

    def choose(self, text: str, options: Sequence[str]) -> str:
        """Show `text` and return one of `options`."""

    def read_current(self, text: str, resolution: float, expected: float | None) -> tuple[float, str]:
        """Amperes read off a display and the text typed; one far from `expected` is asked for once more."""


class ConsolePerson:
    """A person at a terminal."""

    def __init__(self, ask: Callable[[str], str] = input, show: Callable[[str], None] = print) -> None:
        self._ask, self._show = ask, show

    def confirm(self, text: str) -> str:
        """Show `text` and wait for Enter."""
        return self._ask(f"{text}\n  Enter when done: ")

    def choose(self, text: str, options: Sequence[str]) -> str:
        """Ask until the answer is one of `options` (or an unmistakable beginning of one)."""
        while True:
            answer = self._ask(f"{text}\n  {' / '.join(options)}: ").strip().lower()
            matches = [o for o in options if answer and o.lower().startswith(answer)]
            if len(matches) == 1:
                return matches[0]
            self._show(f"  Please answer {' or '.join(options)}.")

    def read_current(self, text: str, resolution: float, expected: float | None) -> tuple[float, str]:
        """Ask until a current is typed that the display can show; a surprising one must be typed twice."""
        doubted: float | None = None
        while True:
            typed = self._ask(f"{text} [A]: ")
            try:
                value = parse_typed_current(typed, resolution)
            except ValueError as problem:
                self._show(f"  {problem}")
                continue
            if (
                expected is None
                or abs(value - expected) <= max(0.2 * abs(expected), 3 * resolution)
                or value == doubted
            ):
                return value, typed.strip()
            doubted = value
            self._show(f"  {value:g} A is far from the {expected:.3g} A expected. Look again and type it once more.")


class ScriptedPerson:
    """A person whose answers are known beforehand: for tests, and for runs nobody attends.

    `move` is called with every switch instruction, `display` gives what the display shows.
    """

    def __init__(
        self, answers: Sequence[str] = (), *, display: Callable[[], float] | None = None, default: str = ""
    ) -> None:
        self._answers, self._display, self._default = list(answers), display, default
        self.asked: list[str] = []

    def confirm(self, text: str) -> str:
        """Note `text` and go on."""
        self.asked.append(text)
        return "confirmed"

    def choose(self, text: str, options: Sequence[str]) -> str:
        """The next scripted answer, else the default, else the last option."""
        self.asked.append(text)
        answer = self._answers.pop(0) if self._answers else self._default
        return answer if answer in options else options[-1]

    def read_current(self, text: str, resolution: float, expected: float | None) -> tuple[float, str]:
        """What the display shows, or the next scripted answer."""
        self.asked.append(text)
        if self._display is not None:
            value = self._display()
            return value, f"{value:.9g}"
        typed = self._answers.pop(0)
        return parse_typed_current(typed, resolution), typed
