"""A SCPI instrument as its profile describes it: identify, set, get, errors, safe state. Its drivers are in `over_links`."""

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TypeVar

from instruments.errors import InstrumentError, QueuedError, ReplyError
from instruments.links.link import Link, Now
from instruments.numbers import parse_number
from instruments.operator.plausibility import Expected
from instruments.profile import Profile
from instruments.profile_tables import Confirmation, Quantity
from instruments.reading import Identity, Reading, shown

_E = TypeVar("_E", bound=InstrumentError)

_ERROR_NUMBER = re.compile(r"[+-]?\d{1,5}", re.ASCII)
"""SCPI-99, volume 2, SYSTem:ERRor: from -32768 to 32767."""

QUEUE_BOUND = 32
"""Entries after which an instrument is taken to be one that never says "no error"."""


@dataclass(eq=False)
class ScpiInstrument:
    """One instrument on one link. `open_link` makes a fresh link each time it is called."""

    by_person = False

    name: str
    address: str
    profile: Profile
    open_link: Callable[[], Link]
    now: Now
    _link: Link | None = field(default=None, init=False)
    _identity: Identity | None = field(default=None, init=False)
    _configured: dict[str, str] = field(default_factory=dict, init=False)
    _asked: str = field(default="", init=False)
    _left: bool = field(default=False, init=False)
    _begun: float | None = field(default=None, init=False)

    def open(self) -> None:
        self.close()
        self._link, self._asked, self._left, self._begun = self.open_link(), "", False, None

    def close(self) -> None:
        if self._link is not None:
            self._link.close()
            self._link = None

    def identify(self) -> Identity:
        part = self.profile.identification
        reply = self.ask(part.query)
        fields = [f.strip() for f in reply.split(",")]
        if len(fields) <= part.serial_field:
            raise self._unusable(
                f"identification {reply[:60]!r} has no field {part.serial_field + 1} for the serial number",
                part.query,
            )
        self._identity = Identity(reply, fields[part.serial_field])
        return self._identity

    def identify_again(self) -> None:
        """Raise ReplyError unless the same instrument answers as before. Raises LinkError or ReplyError."""
        before = self._identity
        if (now := self.identify()) != before and before is not None:
            raise self._unusable(
                f"answers as {now.text[:60]!r}, was {before.text[:60]!r}", self.profile.identification.query
            )

    def start(self) -> None:
        self.tell(self.profile.start)
        self.drain_errors()

    def tell(self, commands: Sequence[str], **values: object) -> None:
        """Send commands with `{value}`, `{position}` filled in. Raises LinkError."""
        for command in commands:
            self._opened(command).write(command.format(**values))

    def tell_checked(self, commands: Sequence[str], value: float) -> None:
        """Send commands with a number in them and check the error queue. Raises LinkError or QueuedError."""
        self.tell(commands, value=f"{value:.9g}")
        self.check_errors("; ".join(c.format(value=f"{value:.9g}") for c in commands))

    def ask(self, query: str, **values: object) -> str:
        """The stripped reply to one query. Raises LinkError or ReplyError."""
        text = query.format(**values) if values else query
        link = self._opened(text)
        if text != self._asked:
            return link.query(text).strip()
        self._asked = ""
        return link.read().strip()

    def quantity(self, name: str) -> Quantity:
        """The profile's quantity `name`. Raises InstrumentError when there is none."""
        if name not in self.profile.quantities:
            raise self._error(InstrumentError, f"its profile {self.profile.title!r} has no quantity {name!r}", "")
        return self.profile.quantities[name]

    def set_quantity(self, name: str, value: float) -> None:
        """Set a quantity to `value` (profile's unit) and check the error queue. Raises InstrumentError."""
        quantity = self.quantity(name)
        if not quantity.set:
            raise self._error(InstrumentError, f"its profile {self.profile.title!r} cannot set {name!r}", "")
        if not quantity.minimum <= value <= quantity.maximum:
            raise self._error(
                InstrumentError,
                f"{value:g} {quantity.unit} is outside {quantity.minimum:g} to {quantity.maximum:g}",
                quantity.set[0],
            )
        self.tell_checked(quantity.set, value)

    def confirm_quantity(self, name: str, value: float) -> None:
        """Read a setting back; a difference of 1 % is an error. Does nothing without `get`. Raises InstrumentError."""
        quantity = self.quantity(name)
        if quantity.get:
            self._confirm(quantity.get, value, quantity.unit, self.read_quantity(name).value)

    def protect_quantity(self, name: str, limit: float) -> None:
        """Set the instrument's own limit of a quantity and read it back where the profile can. Raises InstrumentError."""
        quantity = self.quantity(name)
        if quantity.protect:
            self.tell_checked(quantity.protect, limit)
            if quantity.protect_get:
                self._confirm(quantity.protect_get, limit, quantity.unit, self.read_number(quantity.protect_get))

    def configure_quantity(self, name: str, full_scale: float) -> None:
        """Configure the instrument to measure `name` on the range with this full scale. Raises InstrumentError."""
        quantity = self.quantity(name)
        if quantity.configure:
            self._configured[quantity.get] = ""
            self.tell_checked(quantity.configure, full_scale)
            self._configured[quantity.get] = name

    @property
    def armable(self) -> bool:
        """Whether its current comes from a measurement that a trigger starts."""
        return "current" in self.profile.quantities and self.profile.quantities["current"].fetches

    def arm(self) -> None:
        """Prepare for the trigger, where the profile has one. Raises LinkError."""
        if self.profile.trigger is not None:
            self.tell(self.profile.trigger.arm)

    def fire(self) -> None:
        """Start the armed measurement, where the profile has a trigger. Raises LinkError."""
        if self.profile.trigger is not None:
            self._begun = self.now()
            self.tell(self.profile.trigger.fire)

    @contextmanager
    def measuring(self, name: str) -> Iterator[None]:
        """Let it measure `name` while others are spoken to; what is fetched of it in the block is that measurement. Raises LinkError.

        A reply that nobody took is read off before the next message, so that it answers no later question. What is fetched is started by `fire`
        instead.
        """
        quantity = self._readable(name)
        if quantity.fetches:
            yield
            return
        self._begun = self.now()
        self._opened(quantity.get).write(quantity.get)
        self._asked = quantity.get
        try:
            yield
        finally:
            # Not read off here: another instrument may have failed, and the load is to be off before this one is waited for.
            self._left, self._asked, self._begun = self._left or bool(self._asked), "", None

    def read_quantity(self, name: str) -> Reading:
        """A fresh reading of a quantity; for one that is fetched a measurement is armed and fired first. Raises LinkError or ReplyError."""
        started = self.now()
        if self.quantity(name).fetches:
            self.arm()
            self.fire()
        return self.fetch_quantity(name)._replace(started=started)

    def fetch_quantity(self, name: str) -> Reading:
        """Read a quantity from the measurement that `fire` or `measuring` started, else afresh; it began when that did.

        Raises LinkError, ReplyError, or InstrumentError when the same query was configured for another quantity.
        """
        quantity = self._readable(name)
        started, self._begun = self.now() if self._begun is None else self._begun, None
        value, reply = self._numeric(quantity.get)
        return Reading(value, quantity.unit, reply, started, self.now())

    def can_read_beside_current(self, name: str) -> bool:
        quantities = self.profile.quantities
        if name not in quantities or not quantities[name].get:
            return False
        return "current" not in quantities or quantities[name].get != quantities["current"].get

    def read_beside(self, names: Sequence[str], expected: Expected | None = None) -> dict[str, Reading]:
        return {
            name: self.fetch_quantity(name) if self.quantity(name).fetches else self.read_quantity(name)
            for name in names
        }

    def read_number(self, query: str) -> float:
        """The number in the reply to a query. Raises LinkError or ReplyError."""
        return self._numeric(query)[0]

    def check_errors(self, command: str) -> None:
        """Empty the error queue. Raises QueuedError naming `command` when there was an entry."""
        found = self.drain_errors()
        if found:
            raise self._error(QueuedError, "; ".join(found), command)

    def drain_errors(self) -> list[str]:
        """Empty the error queue, at most `QUEUE_BOUND` entries, and return the entries."""
        if self.profile.errors is None:
            return []
        found: list[str] = []
        while len(found) < QUEUE_BOUND:
            entry = self.ask(self.profile.errors.query)
            code = re.split(r"[,\s]", entry.strip(), maxsplit=1)[0]
            if not _ERROR_NUMBER.fullmatch(code):
                raise self._unusable(
                    f"error queue entry {entry[:60]!r} does not begin with its number", self.profile.errors.query
                )
            if int(code) == 0:
                return found
            found.append(shown(entry))
        raise self._error(
            QueuedError, f"error queue did not empty after {QUEUE_BOUND} entries", self.profile.errors.query
        )

    def make_safe(self) -> None:
        self.tell(self.profile.safe.commands)

    def confirm_safe(self) -> tuple[bool, str]:
        replies = [(self.ask(c.query), c) for c in self.profile.safe.confirm]
        return all(_matches(r, c) for r, c in replies), ", ".join(f"{c.query} -> {r}" for r, c in replies)

    def _readable(self, name: str) -> Quantity:
        """Refuse another quantity than the one configured last: one query may serve several. Before that it reads the profile's first."""
        quantity = self.quantity(name)
        if not quantity.get:
            raise self._error(InstrumentError, f"its profile {self.profile.title!r} cannot read {name!r}", "")
        sharing = [n for n, q in self.profile.quantities.items() if q.get == quantity.get]
        if len(sharing) > 1 and self._configured.get(quantity.get, sharing[0]) != name:
            raise self._error(
                InstrumentError, f"is not configured for {name}, and this query reads what is configured", quantity.get
            )
        return quantity

    def _numeric(self, query: str) -> tuple[float, str]:
        reply = self.ask(query)
        try:
            return parse_number(reply), reply
        except ValueError as problem:
            raise self._unusable(str(problem), query) from None

    def _confirm(self, query: str, value: float, unit: str, back: float) -> None:
        if abs(back - value) > 0.01 * abs(value) + 1e-6:
            raise self._error(QueuedError, f"set to {value:g} {unit} but says {back:g} {unit}", query)

    def _opened(self, command: str) -> Link:
        if self._link is None:
            raise self._error(InstrumentError, "link is not open", command)
        if self._left:
            self._left = False
            self._link.read()
        return self._link

    def _unusable(self, reason: str, command: str) -> ReplyError:
        self.close()
        return ReplyError(reason, instrument=self.name, address=self.address, command=command)

    def _error(self, kind: type[_E], reason: str, command: str) -> _E:
        return kind(reason, instrument=self.name, address=self.address, command=command)


def _matches(reply: str, confirmation: Confirmation) -> bool:
    """Whether a reply confirms: the same word, or the same number in any legal form."""
    for expected in confirmation.expect:
        if reply.upper() == expected.upper():
            return True
        try:
            if parse_number(reply) == parse_number(expected):
                return True
        except ValueError:
            continue
    return False
