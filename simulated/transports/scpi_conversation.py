"""One SCPI core for every instrument: program messages in, response messages out.

Follows IEEE 488.2 and SCPI-1999 as far as a bench needs: short and long forms, any case, the common commands, an
error queue with the standard numbers, one response message per program message. Compound headers that continue a
path after a semicolon are not supported: each part starts at the root.
"""

import itertools
import re
import threading
from collections import defaultdict, deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

from simulated.physics.load import Refused

ERRORS = {
    0: "No error",
    -100: "Command error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -211: "Trigger ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}
QUEUE_LENGTH = 20
LONGEST_MESSAGE = 4096
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(E[+-]?\d+)?", re.IGNORECASE)
_BOOLEAN = {"ON": "1", "OFF": "0"}


@dataclass(frozen=True)
class Reply:
    """A response message, and how many seconds late it leaves the instrument."""

    text: str
    delay: float = 0.0


@dataclass(frozen=True)
class Command:
    """A command an instrument understands.

    `template` is the profile's text, with `{value}` where a number goes or `{position}` where other text goes;
    `action` gets what stood there (empty when nothing did) and gives the reply of a query, None otherwise. It raises
    Refused to queue an error.
    """

    template: str
    action: Callable[[str], Reply | None]

    @cached_property
    def header(self) -> str:
        """The words before the first blank."""
        return self.template.split(maxsplit=1)[0]

    @cached_property
    def parameter(self) -> str:
        """The text after the header; empty when there is none."""
        return (*self.template.split(maxsplit=1), "", "")[1].strip()


def header_forms(template: str) -> set[str]:
    """Every way to write `template`, each word in short or long form: in capitals, without a leading colon."""
    query = "?" if template.endswith("?") else ""
    words = template.rstrip("?").lstrip(":").split(":")
    forms = ({word.upper(), re.sub(r"[a-z]", "", word) or word.upper()} for word in words)
    return {":".join(form) + query for form in itertools.product(*forms)}


class ScpiTerminal:
    """An instrument that answers program messages. One error queue for all its connections; thread-safe."""

    def __init__(self, identity: str, commands: Sequence[Command], error_query: str, reset: Callable[[], None]) -> None:
        self._lock = threading.Lock()
        self._errors: deque[int] = deque()
        self._event_status = 0
        common = (
            Command("*IDN?", lambda _: Reply(identity)),
            Command("*CLS", lambda _: self._clear()),
            Command("*RST", lambda _: reset()),
            Command("*OPC?", lambda _: Reply("1")),
            Command("*OPC", lambda _: self._set_event_status(1)),
            Command("*WAI", lambda _: None),
            Command("*ESR?", lambda _: Reply(str(self._take_event_status()))),
        )
        queue = tuple(
            Command(q, lambda _: Reply(self._next_error()))
            for q in dict.fromkeys((error_query, "SYSTem:ERRor?", "SYSTem:ERRor:NEXT?"))
            if q
        )
        self._commands: defaultdict[str, list[Command]] = defaultdict(list)
        for command in (*commands, *common, *queue):
            for form in header_forms(command.header):
                self._commands[form].append(command)

    def execute(self, message: str) -> Reply | None:
        """Execute one program message; return the response message, when it asked for one. Never raises."""
        replies = [r for unit in message.split(";") if unit.strip() and (r := self._unit(unit.strip())) is not None]
        if not replies:
            return None
        return Reply(";".join(r.text for r in replies), max(r.delay for r in replies))

    def queue_error(self, number: int) -> None:
        """Put an error into the queue; when it is full the last entry becomes -350."""
        with self._lock:
            # IEEE 488.2 event status bits: command, execution, device-dependent and query error.
            bit = {1: 32, 2: 16, 3: 8, 4: 4}.get(-number // 100, 8)
            self._event_status |= bit
            if len(self._errors) < QUEUE_LENGTH:
                self._errors.append(number)
            else:
                self._errors[-1] = -350

    def _unit(self, unit: str) -> Reply | None:
        header, _, rest = unit.partition(" ")
        known = self._commands.get(header.upper().lstrip(":"))
        try:
            if not known:
                raise Refused(-113)
            return self._carry_out(known, header, rest.strip())
        except Refused as refusal:
            self.queue_error(refusal.number)
            return None

    def _carry_out(self, known: Sequence[Command], header: str, given: str) -> Reply | None:
        for command in known:
            found = _parameter(command.parameter, given)
            if found is not None:
                return command.action(found)
        templates = [c.parameter for c in known]
        if not given:
            raise Refused(-109)
        if any("{value}" in t for t in templates):
            raise Refused(-104)
        if any(templates):
            raise Refused(-224)
        if not header.endswith("?"):
            raise Refused(-108)
        # Many instruments answer a query despite a parameter it does not take.
        self.queue_error(-108)
        return known[0].action("")

    def _clear(self) -> None:
        with self._lock:
            self._errors.clear()
            self._event_status = 0

    def _set_event_status(self, bit: int) -> None:
        with self._lock:
            self._event_status |= bit

    def _take_event_status(self) -> int:
        with self._lock:
            status, self._event_status = self._event_status, 0
            return status

    def _next_error(self) -> str:
        with self._lock:
            number = self._errors.popleft() if self._errors else 0
        return f'{number},"{ERRORS.get(number, "Device-specific error")}"'


def _parameter(template: str, given: str) -> str | None:
    """The text in `given` at the placeholder of `template`; None when they do not match."""
    before, placeholder, after = template.partition("{value}")
    if placeholder:
        middle = _between(before, after, given)
        return middle if middle is not None and _NUMBER.fullmatch(middle) else None
    before, placeholder, after = template.partition("{position}")
    if placeholder:
        return _between(before, after, given) or None
    template, given = template.upper(), given.upper()
    return "" if _BOOLEAN.get(template, template) == _BOOLEAN.get(given, given) else None


def _between(before: str, after: str, given: str) -> str | None:
    if len(given) < len(before) + len(after):
        return None
    if not (given.upper().startswith(before.upper()) and given.upper().endswith(after.upper())):
        return None
    return given[len(before) : len(given) - len(after)].strip()


class ScpiConversation:
    """One connection to an instrument: bytes in, replies out, as they come off the wire."""

    def __init__(self, instrument: ScpiTerminal, termination: str = "\n", reply_termination: str = "\n") -> None:
        self._instrument = instrument
        self._end = (termination or "\n")[-1].encode("latin-1")
        self._reply_end = reply_termination.encode("latin-1")
        self._pending = b""

    def receive(self, data: bytes) -> list[tuple[bytes, float]]:
        """Process `data`; return the response messages it completed, each with its delay in seconds. Never raises."""
        *messages, self._pending = (self._pending + data).split(self._end)
        if len(self._pending) > LONGEST_MESSAGE:
            self._pending = b""
            self._instrument.queue_error(-363)
        replies = (self._instrument.execute(m.decode("latin-1").strip()) for m in messages)
        return [(r.text.encode("latin-1") + self._reply_end, r.delay) for r in replies if r is not None]
