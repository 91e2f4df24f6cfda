"""Ordinary loads that a person plugs in."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from instruments.drivers.by_hand import ByPerson
from instruments.drivers.roles import OnFor
from instruments.errors import InstrumentError
from instruments.numbers import format_current
from instruments.operator.person import Person
from instruments.reading import Identity
from instruments.waveform_names import Waveform

UNPLUGGED, CANNOT = "unplugged", "cannot"
"""Answers of a person asked to make the load safe."""


IF_ANOTHER = (
    "If another load is plugged in, switch it off and unplug it now, then press Ctrl-C: the run can be resumed. If it is the right one, "
    "read the display again."
)
"""What comes first when a load off a shelf draws another current than is written on it."""

FETCHED_FIRST = 600.0
"""Seconds: a load that may be on for less is fetched before the person is asked to plug it in, when its time begins."""


MAGNETISING = (
    "CAUTION: {load} puts a direct current, or nearly one, into the circuit. A residual-current device of type AC or A may no longer trip: "
    "plug it in only behind one of type B, or not at all. Cores may saturate: what a transformer or clamp reads of it may be far too low."
)
"""Common practice, no published source."""


@dataclass(frozen=True)
class ShelfLoad:
    """A lamp, a heater or anything else that can be plugged in; `current` is about what it draws, in amperes, `waveform` None where not known."""

    name: str
    current: float
    waveform: Waveform | None = None

    @property
    def caution(self) -> str:
        """What is to be heeded before it is plugged in, beside what holds of every load; empty where there is nothing."""
        return MAGNETISING.format(load=self.name) if self.waveform is not None and self.waveform.magnetises else ""


class PersonLoad(ByPerson):
    """The loads on a shelf, plugged in by a person. It is safe when the person says that nothing is plugged in."""

    def __init__(
        self, name: str, person: Person, serial: str, shelf: Sequence[ShelfLoad], act: Callable[[float], None]
    ) -> None:
        """`act` is called with the current in amperes that is now plugged in, 0 for nothing."""
        super().__init__(name, person, serial)
        self._shelf, self._act = tuple(shelf), act
        self._plugged: ShelfLoad | None = None
        self._answer = ""

    def identify(self) -> Identity:
        return Identity(f"plugged in by a person: {', '.join(load.name for load in self._shelf)}", self._serial)

    def protect(self, limit: float) -> None: ...

    @property
    def least_current(self) -> float:
        return 0.0

    def takes_power_factor(self, power_factor: float) -> bool:
        return False

    def set_power_factor(self, power_factor: float) -> None:
        """Refuse: a load on the shelf has a fixed power factor. Raises InstrumentError."""
        raise InstrumentError(
            "the power factor of a load off a shelf cannot be set", instrument=self.name, address=self.address
        )

    def drive(self, current: float, ready: Callable[[], None] = lambda: None, on_for: OnFor | None = None) -> None:
        """Ask for this load to be plugged in; the circuit must be dead. Raises InstrumentError when there is none, Overdue, or what `ready` does."""
        chosen = next((load for load in self._shelf if load.current == current), None)
        if chosen is None:
            raise InstrumentError(
                f"no load of {format_current(current)} on the shelf", instrument=self.name, address=self.address
            )
        asked = (
            f"{chosen.name} (about {format_current(current)}), cooled down, its own switch off, set as its name says."
        )
        caution = f"{chosen.caution}\n  " if chosen.caution else ""
        if on_for is not None and on_for.seconds < FETCHED_FIRST:
            rest = f" Let {on_for.rests} rest first, for as long as its manual asks." if on_for.rests else ""
            self._person.confirm(
                f"{caution}Nothing is plugged in. Do not plug in anything yet.\n"
                f"  Fetch: {asked}\n  The permitted time begins with the next question: {on_for}.{rest}"
            )
        ready()
        # It counts as plugged in before the person has answered: they may be interrupted in the middle.
        self._plugged, self._answer = chosen, ""
        until = "" if on_for is None else f": {on_for.from_now}"
        self._person.confirm(
            f"{caution}Nothing is plugged in.\n  Plug in: {asked}\n  Then switch it on, keep your hands off the wiring, and stay there{until}."
        )
        self._act(chosen.current)

    def make_safe(self) -> None:
        """Ask for everything to be unplugged; not asked again while nothing has been plugged in since."""
        if self._answer == UNPLUGGED:
            return
        what = self._plugged.name if self._plugged is not None else "every load"
        # Its name first: that is what the hand goes to.
        begin = "Switch off and unplug every load"
        if self._plugged is not None:
            begin = f"{what}: switch it off and unplug it, and anything else that is plugged in"
        text = f"{begin}. Type {UNPLUGGED} when nothing is plugged in behind the meter."
        if self._answer == CANNOT:
            # Cut off is not unplugged: it would be on again as soon as somebody restores the supply for what comes next.
            text = (
                "Then cut its supply by hand, now, at the switch or breaker that feeds it, and lock it off. Leave it off until "
                f"{what} is out. Type {UNPLUGGED} when nothing is plugged in behind the meter."
            )
        self._answer = self._person.insist(text, [UNPLUGGED, CANNOT])
        if self._answer == UNPLUGGED:
            self._act(0.0)

    def confirm_safe(self) -> tuple[bool, str]:
        return self._answer == UNPLUGGED, f"unplugged? -> {self._answer or 'no answer'}"
