"""A person as an instrument: asked to turn a switch, to read a display, to confirm, to choose."""

import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from instruments.numbers import parse_typed, plain
from instruments.operator import keyboard
from instruments.operator.alarm import Alarm
from instruments.operator.plausibility import Question, doubt

SECONDS_TO_ACT, SECONDS_TO_READ = 15.0, 4.0
"""Seconds a person needs to plug something in or turn something, and to read and type a value: common practice, no published source."""

_ASKED_IN = {"": "a number", "J": "Wh or kWh"}

DONE = "done"
"""The word that confirms that something has been done."""

UNDO = "undo"
"""The word that takes a value back. The value before it is then no longer repeated by ``=``: it may be the wrong one."""

NOTHING_BEFORE = "There is no earlier value to undo. To take another way, press Ctrl-C: everything is made safe, and the run can be resumed."


class UndoLast(Exception): ...


class Overdue(Exception):
    """A load or a range of the reference has been on for its longest time, or would be if this went on: nothing more is read there."""


class Person(Protocol):
    """The person at the bench. Every method returns the answer as it goes into the record; input before a question is no answer."""

    def confirm(self, text: str) -> str:
        """Show `text` and wait until it is done. Raises Overdue after a warning."""

    def choose(self, text: str, options: Sequence[str], guarding: bool = True) -> str:
        """Show `text` and return one of `options`; unless it is `guarding` somebody, a pipe may answer too."""

    def insist(self, text: str, options: Sequence[str]) -> str:
        """As `choose`, but also while the run is being stopped; empty when nobody answers."""

    def read_value(self, question: Question) -> tuple[float, str]:
        """The value read off a display and the text typed. Raises UndoLast, and Overdue after a warning."""

    def warn_after(self, seconds: float, text: str, over: Callable[[], None] | None = None) -> None:
        """Show `text` after `seconds`, also during a question, in place of the text set before; values may be refused from then on. 0: only cancel.

        `over` is called, from another thread, `SECONDS_TO_ACT` later, unless it was cancelled by then.
        """


class ConsolePerson:
    """A person at a terminal.

    `ask_always` goes on asking when a stop was requested, `ask_for_value` where no answer can hurt anybody (as `ask`, unless
    given). EOFError means nobody is there.
    """

    def __init__(
        self,
        ask: Callable[[str], str] = keyboard.ask_somebody,
        show: Callable[[str], None] = print,
        ask_always: Callable[[str], str] = keyboard.ask_somebody,
        ask_for_value: Callable[[str], str] | None = None,
    ) -> None:
        self._ask, self._show, self._ask_always = ask, show, ask_always
        self._ask_for_value = ask_for_value or ask
        self._last: dict[str, tuple[float, str]] = {}
        self._alarms: list[Alarm] = []
        self._warned = threading.Event()

    def confirm(self, text: str) -> str:
        """Show `text` and wait until `done` is typed: an Enter alone, from a key held down or tapped twice, says nothing."""
        return self._choose(self._ask, text, [DONE], f"Type {DONE} when it is", whole=True)

    def choose(self, text: str, options: Sequence[str], guarding: bool = True) -> str:
        """Ask until the answer is one of `options` or an unambiguous beginning of one."""
        return self._choose(self._ask if guarding else self._ask_for_value, text, options)

    def insist(self, text: str, options: Sequence[str]) -> str:
        """As `choose`, but by a whole word, so that a slip of a finger is no answer about a load. Empty when the terminal is gone."""
        try:
            return self._choose(self._ask_always, text, options, whole=True)
        except (EOFError, OSError):
            return ""

    def read_value(self, question: Question) -> tuple[float, str]:
        """Ask until a value is typed that the display can show; a surprising one must be typed twice.

        ``=`` repeats the last value read off the same instrument, ``undo`` takes it back.
        """
        doubted: float | None = None
        while True:
            typed = self._ask_for_value(f"{question.text} [{_ASKED_IN.get(question.unit, question.unit)}]: ").strip()
            if not typed and self._warned.is_set():
                raise Overdue
            if not typed:
                self._show("  Type the displayed value, such as 1.234 or 340 mA.")
                continue
            if typed.lower() == UNDO:
                self._last.clear()
                raise UndoLast
            if typed == "=" and question.of not in self._last:
                self._show("  There is no earlier value to repeat.")
                continue
            try:
                value, text = (
                    self._last[question.of]
                    if typed == "="
                    else (parse_typed(typed, question.resolution, question.unit), typed)
                )
            except ValueError as problem:
                self._show(f"  {problem}")
                continue
            reason = doubt(value, question)
            if not reason or value == doubted:
                self._last[question.of] = value, text
                return value, text
            doubted = value
            self._show(f"  {reason} Type the same value again to confirm it.")

    def warn_after(self, seconds: float, text: str, over: Callable[[], None] | None = None) -> None:
        """Show `text`, with the terminal's bell, from a separate thread: an open question goes on waiting for its answer."""
        while self._alarms:
            self._alarms.pop().cancel()
        self._warned.clear()
        if seconds > 0:
            self._alarms.append(Alarm(seconds, lambda: self._warn(text)))
            if over is not None:
                self._alarms.append(Alarm(seconds + SECONDS_TO_ACT, over))

    def _warn(self, text: str) -> None:
        self._warned.set()
        self._show(f"\a\n  {text}")

    def _choose(
        self, ask: Callable[[str], str], text: str, options: Sequence[str], asked: str = "", whole: bool = False
    ) -> str:
        while True:
            answer = ask(f"{text}\n  {asked or ' / '.join(options)}: ").strip().lower()
            if not answer and options == [DONE] and self._warned.is_set():
                raise Overdue
            matches = [
                o for o in options if answer == o.lower() or (answer and not whole and o.lower().startswith(answer))
            ]
            if len(matches) == 1:
                if matches[0] == UNDO:
                    self._last.clear()
                return matches[0]
            self._show(f"  Please answer {' or '.join(options)}.")


class ScriptedPerson:
    """A person whose answers are known beforehand: for tests and unattended runs.

    `displays` gives what the instrument playing a part ("meter", "reference") shows now; `wait` lets the seconds pass
    that a person needs.
    """

    def __init__(
        self,
        answers: Sequence[str] = (),
        *,
        displays: Mapping[str, Callable[[], float]] | None = None,
        default: str = "",
        wait: Callable[[float], None] = lambda _: None,
    ) -> None:
        self._wait = wait
        self._answers, self._displays, self._default = list(answers), displays or {}, default
        self.asked: list[str] = []

    def confirm(self, text: str) -> str:
        self.asked.append(text)
        self._wait(SECONDS_TO_ACT)
        return "confirmed"

    def choose(self, text: str, options: Sequence[str], guarding: bool = True) -> str:
        """The next scripted answer, else the default, else the last option."""
        self.asked.append(text)
        answer = self._answers.pop(0) if self._answers else self._default
        return answer if answer in options else options[-1]

    def insist(self, text: str, options: Sequence[str]) -> str:
        """The first option: the request has been fulfilled."""
        self.asked.append(text)
        self._wait(SECONDS_TO_ACT)
        return options[0]

    def read_value(self, question: Question) -> tuple[float, str]:
        """The value the instrument shows, or the next scripted answer."""
        self.asked.append(question.text)
        self._wait(SECONDS_TO_READ)
        if question.of in self._displays:
            typed = plain(self._displays[question.of]())
            return float(typed), typed
        typed = self._answers.pop(0)
        return parse_typed(typed, question.resolution, question.unit), typed

    def warn_after(self, seconds: float, text: str, over: Callable[[], None] | None = None) -> None: ...
