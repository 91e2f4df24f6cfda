"""Instruments that a person reads and a range switch that a person turns. Loads are in `shelf_load`.

`act` in the drivers changes a simulated bench as the person would; at a real one it does nothing.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from instruments.links.link import Now
from instruments.numbers import format_current
from instruments.operator.person import Person
from instruments.operator.plausibility import Expected, Question
from instruments.reading import Identity, Reading

SHOWN_UNITS = {"power": "W", "power_factor": "", "voltage": "V"}
"""Quantities a person can be asked to read beside a current, and the unit each is typed in."""

MAINS_VOLTAGE = 230.0
"""Volts, the nominal voltage of IEC 60038: a voltmeter's range is chosen for it, and the first typed voltage is expected near it."""


def changed_wiring(what: str, touched: str, change: str) -> str:
    """The request to change wiring: an unplugged load leaves jacks and probes at mains potential."""
    return (
        f"Change of wiring: {what}. The load is off; that is not enough.\n"
        "  1. Disconnect the bench's supply and lock it off.\n"
        f"  2. Prove dead everything you will touch, including {touched}.\n"
        f"  3. {change}\n"
        "  4. Check that nothing is left bare. Then restore the supply, with the load still off."
    )


class ByPerson:
    """Common part of the drivers of instruments that a person reads or moves: no link, nothing to make safe."""

    by_person = True

    def __init__(self, name: str, person: Person, serial: str) -> None:
        self.name, self.address = name, "a person"
        self._person, self._serial = person, serial

    def open(self) -> None: ...

    def identify(self) -> Identity:
        """The serial number as the bench file states it; the operator vouches for it."""
        return Identity(f"read by a person, serial {self._serial or 'not stated'}", self._serial)

    def start(self) -> None: ...

    def make_safe(self) -> None: ...

    def confirm_safe(self) -> tuple[bool, str]:
        return True, ""

    def close(self) -> None: ...


@dataclass(frozen=True)
class ReadByEye:
    """Display of an instrument without interface, and its function on the bench (`part`).

    `steps`: its resolution by full scale, in `unit`; `beside`: the resolution of its other quantities, in SI units;
    `tolerance` and `check_first` as in a Question.
    """

    name: str
    part: str
    serial: str
    steps: Mapping[float, float]
    unit: str = "A"
    beside: Mapping[str, float] = field(default_factory=dict)
    tolerance: float = 0.2
    check_first: str = Question.check_first


class PersonMeter(ByPerson):
    """A display read by a person."""

    def __init__(self, shown: ReadByEye, person: Person, now: Now) -> None:
        super().__init__(shown.name, person, shown.serial)
        self._shown, self._now = shown, now
        self._scale = max(shown.steps, default=0.0)
        # What a typed quantity is held against where nothing else is known of it.
        self._of_itself = {"voltage": Expected(MAINS_VOLTAGE), "power_factor": Expected(largest=1.0)}

    def read(self, expected: float | None = None) -> Reading:
        """Ask for the value shown, in the instrument's own unit. Raises UndoLast."""
        shown, step = self._shown, self._shown.steps[self._scale]
        asked = f"  {self.name} shows"
        return self._typed(
            Question(asked, shown.part, step, expected, shown.tolerance, shown.unit, check_first=shown.check_first)
        )

    def can_read_beside_current(self, name: str) -> bool:
        return name in self._shown.beside

    def read_beside(self, names: Sequence[str], expected: Expected | None = None) -> dict[str, Reading]:
        """Ask for each of `names`; values are checked against `expected`. Raises UndoLast."""
        found = {}
        for name in names:
            held = expected or self._of_itself.get(name, Expected())
            question = Question(
                f"  {self.name} shows, {name.replace('_', ' ')}",
                f"{self._shown.part} {name}".strip(),
                self._shown.beside[name],
                held.value,
                held.tolerance,
                SHOWN_UNITS[name],
                held.largest,
                held.limit,
            )
            reading = found[name] = self._typed(question)
            if name == "voltage" and reading.value:
                self._of_itself[name] = Expected(abs(reading.value))
        return found

    def _typed(self, question: Question) -> Reading:
        started = self._now()
        value, typed = self._person.read_value(question)
        return Reading(value, question.unit or "1", typed, started, self._now())


class PersonReference(PersonMeter):
    """A reference without interface, read and ranged by a person."""

    def __init__(self, shown: ReadByEye, person: Person, now: Now, act: Callable[[float], None]) -> None:
        """`act` is called with the full scale the person turned to."""
        super().__init__(shown, person, now)
        self._act = act

    def configure(self, full_scale: float) -> None:
        """Ask for the range with this full scale; the circuit must be dead, since a lead may have to be moved."""
        quantity = "current" if self._shown.unit == "A" else "voltage"
        closed = " Then check that the secondary loop is closed through it." if self._shown.part == "secondary" else ""
        if len(self._shown.steps) > 1:
            self._person.confirm(
                changed_wiring(
                    f"{self.name} to another range",
                    f"the jacks of {self.name}",
                    f"Set {self.name} to AC {quantity}, range {format_current(full_scale, self._shown.unit)}. Hold it on that range. "
                    f"Move its lead if that range has a separate jack.{closed}",
                )
            )
        self._scale = full_scale
        self._act(full_scale)

    def check(self) -> None: ...


class PersonVoltmeter(PersonMeter):
    """A voltmeter read by a person."""

    def __init__(self, name: str, person: Person, serial: str, resolution: float, now: Now) -> None:
        """`resolution` in volts."""
        super().__init__(ReadByEye(name, "", serial, {}, "V", {"voltage": resolution}), person, now)

    def read(self, expected: float | None = None) -> Reading:
        """Ask for the voltage shown. Raises UndoLast."""
        return self.read_beside(["voltage"])["voltage"]


class PersonSwitch(ByPerson):
    """A range switch turned by a person."""

    def __init__(self, name: str, person: Person, serial: str, act: Callable[[str], None], leads_move: bool) -> None:
        """`act` is called with the range the switch was turned to. `leads_move`: a range may have terminals of its own."""
        super().__init__(name, person, serial)
        self._act, self._leads_move = act, leads_move

    def select(self, range_name: str) -> str:
        answer = self._person.confirm(
            f"The load is off; the switch is at line potential all the same. Turn the range switch to {range_name}, by its insulated knob only."
            + " If a lead has to be moved for it, first disconnect the bench's supply, lock it off and prove it dead."
            * self._leads_move
        )
        self._act(range_name)
        return f"turned by a person: {answer or 'done'}"
