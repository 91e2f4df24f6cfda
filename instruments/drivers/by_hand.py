"""The parts of a bench that a person plays: loads plugged in off a shelf, displays read, a switch turned.

`act` in the drivers lets a simulated person really do it on a simulated bench; at a real one it does nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from instruments.drivers.on_for import OnFor
from instruments.errors import InstrumentError
from instruments.links.link import Now
from instruments.numbers import format_current
from instruments.operator.person import Expected, Person, Question
from instruments.reading import Identity, Reading

SHOWN_UNITS = {"power": "W", "power_factor": "", "voltage": "V"}
"""What a person can be asked to read beside a current, and the unit it is typed in."""

MAINS_VOLTAGE = 230.0
"""Volts the first typed voltage is expected near, the nominal voltage of IEC 60038; each further one near the one before."""

UNPLUGGED, CANNOT = "unplugged", "cannot"
"""What a person answers when asked to make the load safe."""


FETCHED_FIRST = 600.0
"""What may be on for less than so many seconds is fetched before it is asked to be plugged in, when its time begins."""


@dataclass(frozen=True)
class ShelfLoad:
    """A lamp, a heater or whatever else can be plugged in; `current` is what it draws, roughly, in amperes."""

    name: str
    current: float


def changed_wiring(what: str, touched: str, change: str) -> str:
    """How somebody is asked to change wiring: an unplugged load leaves jacks and probes at mains potential."""
    return (
        f"Change of wiring: {what}. The load is off; that is not enough.\n"
        "  1. Disconnect the bench's supply and lock it off.\n"
        f"  2. Prove dead everything you will touch, including {touched}.\n"
        f"  3. {change}\n"
        "  4. Check that nothing is left bare. Then restore the supply, with the load still off."
    )


class _ByPerson:
    """What is common to instruments that a person reads or moves: no link, nothing to make safe."""

    by_person = True

    def __init__(self, name: str, person: Person, serial: str) -> None:
        self.name, self.address = name, "a person"
        self._person, self._serial = person, serial

    def open(self) -> None:
        """Nothing to open."""

    def identify(self) -> Identity:
        """The serial number as the bench file states it; the operator vouches for it."""
        return Identity(f"read by a person, serial {self._serial or 'not stated'}", self._serial)

    def start(self) -> None:
        """Nothing to start."""

    def make_safe(self) -> None:
        """Drives nothing."""

    def confirm_safe(self) -> tuple[bool, str]:
        """Drives nothing."""
        return True, ""

    def close(self) -> None:
        """Nothing to close."""


class PersonLoad(_ByPerson):
    """Loads on a shelf, plugged in by a person. It is safe when the person says that nothing is plugged in."""

    def __init__(
        self, name: str, person: Person, serial: str, shelf: Sequence[ShelfLoad], act: Callable[[float], None]
    ) -> None:
        """`act` is told the current in amperes that is now plugged in, 0 for nothing."""
        super().__init__(name, person, serial)
        self._shelf, self._act = tuple(shelf), act
        self._plugged: ShelfLoad | None = None
        self._answer = ""

    def identify(self) -> Identity:
        """What is on the shelf."""
        return Identity(f"plugged in by a person: {', '.join(load.name for load in self._shelf)}", self._serial)

    def protect(self, limit: float) -> None:
        """A lamp has no protection of its own."""

    @property
    def least_current(self) -> float:
        """What is on the shelf says it."""
        return 0.0

    def takes_power_factor(self, power_factor: float) -> bool:
        """A lamp is what it is."""
        return False

    def set_power_factor(self, power_factor: float) -> None:
        """A lamp is what it is. Raises InstrumentError."""
        raise InstrumentError(
            "the power factor of a load off a shelf cannot be set", instrument=self.name, address=self.address
        )

    def drive(self, current: float, ready: Callable[[], None] = lambda: None, on_for: OnFor | None = None) -> None:
        """Have the load of this current plugged in; the circuit must be dead.

        Raises InstrumentError for none such, Overdue, or what `ready` does.
        """
        chosen = next((load for load in self._shelf if load.current == current), None)
        if chosen is None:
            raise InstrumentError(
                f"no load of {format_current(current)} on the shelf", instrument=self.name, address=self.address
            )
        asked = (
            f"{chosen.name} (about {format_current(current)}), cooled down, its own switch off, set as its name says."
        )
        if on_for is not None and on_for.seconds < FETCHED_FIRST:
            self._person.confirm(
                "Nothing is plugged in. Do not plug in anything yet.\n"
                f"  Fetch: {asked}\n  The permitted time begins with the next question: {on_for}."
            )
        ready()
        # It counts as plugged in before the person has answered: they may be interrupted in the middle.
        self._plugged, self._answer = chosen, ""
        until = "" if on_for is None else f": {on_for.from_now}"
        self._person.confirm(
            f"Nothing is plugged in.\n  Plug in: {asked}\n  Then switch it on, keep your hands off the wiring, and stay there{until}."
        )
        self._act(chosen.current)

    def make_safe(self) -> None:
        """Have everything unplugged and be told so; not asked again while nothing has been plugged in since."""
        if self._answer == UNPLUGGED:
            return
        what = self._plugged.name if self._plugged is not None else "every load"
        text = f"Switch off and unplug {what}. Type {UNPLUGGED} when nothing is plugged in behind the meter."
        if self._answer == CANNOT:
            # Cut off is not unplugged: it would be on again as soon as somebody restores the supply for what comes next.
            text = (
                "Then cut its supply by hand, now, at the switch or breaker that feeds it, and lock it off. Leave it off until "
                f"{what} is out. Type {UNPLUGGED} when nothing is plugged in behind the meter."
            )
        self._answer = self._person.insist(text, [UNPLUGGED, CANNOT])
        if self._answer == UNPLUGGED:
            self._plugged = None
            self._act(0.0)

    def confirm_safe(self) -> tuple[bool, str]:
        """Whether the person said that nothing is plugged in."""
        return self._answer == UNPLUGGED, f"unplugged? -> {self._answer or 'nobody answered'}"


class _AlsoShown:
    """What else a person reads off the same instrument: `steps` gives its resolution by quantity, in SI units."""

    def __init__(self, name: str, part: str, person: Person, now: Now, steps: Mapping[str, float]) -> None:
        self._of, self._part, self._asked, self._time = name, part, person, now
        self._steps = dict(steps)
        # What a typed quantity is held against where nothing else is known of it.
        self._of_itself = {"voltage": Expected(MAINS_VOLTAGE), "power_factor": Expected(largest=1.0)}

    def can_read_beside_current(self, name: str) -> bool:
        """Whether the instrument shows `name`."""
        return name in self._steps

    def read_beside(self, names: Sequence[str], expected: Expected | None = None) -> dict[str, Reading]:
        """Ask for each of `names`, held against `expected` where it is told. Raises UndoLast."""
        found = {}
        for name in names:
            started, unit = self._time(), SHOWN_UNITS[name]
            held = expected or self._of_itself.get(name, Expected())
            question = Question(
                f"  {self._of} shows, {name.replace('_', ' ')}",
                f"{self._part} {name}",
                self._steps[name],
                held.value,
                held.tolerance,
                unit,
                held.largest,
                held.limit,
            )
            value, typed = self._asked.read_value(question)
            found[name] = Reading(value, unit or "1", typed, started, self._time())
            if name == "voltage" and value:
                self._of_itself[name] = Expected(abs(value))
        return found


class PersonReference(_AlsoShown, _ByPerson):
    """A reference without interface, read and ranged by a person; `resolutions` by full scale, in its `unit`.

    `part` is the part it plays; `beside` the resolution of what else it shows, by quantity.
    """

    def __init__(
        self,
        name: str,
        person: Person,
        serial: str,
        resolutions: dict[float, float],
        tolerance: float,
        now: Now,
        act: Callable[[float], None],
        beside: Mapping[str, float] | None = None,
        part: str = "reference",
        unit: str = "A",
    ) -> None:
        """`act` is told the full scale the person turned to; `tolerance` as in a Question."""
        _ByPerson.__init__(self, name, person, serial)
        _AlsoShown.__init__(self, name, part, person, now, beside or {})
        self._part, self._unit = part, unit
        self._resolutions, self._tolerance, self._now, self._act = resolutions, tolerance, now, act
        self._scale = max(resolutions)

    def configure(self, full_scale: float) -> None:
        """Have it turned to the range with this full scale; the circuit must be dead, since a lead may have to be moved."""
        quantity = "current" if self._unit == "A" else "voltage"
        closed = " Then check that the secondary loop is closed through it." if self._part == "secondary" else ""
        if len(self._resolutions) > 1:
            self._person.confirm(
                changed_wiring(
                    f"{self.name} to another range",
                    f"the jacks of {self.name}",
                    f"Set {self.name} to AC {quantity}, range {format_current(full_scale, self._unit)}. "
                    f"Move its lead if that range has a separate jack.{closed}",
                )
            )
        self._scale = full_scale
        self._act(full_scale)

    def read(self, expected: float | None = None) -> Reading:
        """Ask for what it shows, in its own unit. Raises UndoLast."""
        started = self._now()
        value, typed = self._person.read_value(
            Question(
                f"  {self.name} shows",
                self._part,
                self._resolutions[self._scale],
                expected,
                self._tolerance,
                self._unit,
            )
        )
        return Reading(value, self._unit, typed, started, self._now())

    def check(self) -> None:
        """Nothing is queued behind what a person types."""


class PersonMeter(_AlsoShown, _ByPerson):
    """A display read by a person; `resolution` is its step in amperes, `beside` that of what else it shows."""

    def __init__(
        self,
        name: str,
        person: Person,
        serial: str,
        resolution: float,
        now: Now,
        beside: Mapping[str, float] | None = None,
        part: str = "meter",
    ) -> None:
        _ByPerson.__init__(self, name, person, serial)
        _AlsoShown.__init__(self, name, part, person, now, beside or {})
        self._resolution, self._now, self._part = resolution, now, part

    def read(self, expected: float | None = None) -> Reading:
        """Ask for what the display shows. Raises UndoLast."""
        started = self._now()
        value, typed = self._person.read_value(Question(f"  {self.name} shows", self._part, self._resolution, expected))
        return Reading(value, "A", typed, started, self._now())


class PersonVoltmeter(_ByPerson):
    """A voltmeter read by a person; `resolution` in volts."""

    def __init__(self, name: str, person: Person, serial: str, resolution: float, now: Now) -> None:
        super().__init__(name, person, serial)
        self._resolution, self._now, self._expected = resolution, now, MAINS_VOLTAGE

    def read(self) -> Reading:
        """Ask for what it shows. Raises UndoLast."""
        started = self._now()
        question = Question(f"  {self.name} shows, voltage", "voltage", self._resolution, self._expected, unit="V")
        value, typed = self._person.read_value(question)
        self._expected = abs(value) or self._expected
        return Reading(value, "V", typed, started, self._now())


class PersonSwitch(_ByPerson):
    """A range switch turned by a person."""

    def __init__(self, name: str, person: Person, serial: str, act: Callable[[str], None]) -> None:
        """`act` is told the range the switch was turned to."""
        super().__init__(name, person, serial)
        self._act = act

    def select(self, range_name: str) -> str:
        """Ask for the switch to be turned."""
        answer = self._person.confirm(f"The load is off. Turn the range switch to {range_name}.")
        self._act(range_name)
        return f"turned by a person: {answer or 'done'}"
