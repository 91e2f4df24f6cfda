"""Safing: every instrument is brought to its safe state and asked to confirm it, whatever has happened before."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from harness.record.journal import RecordWriter
from instruments.drivers.roles import Instrument
from instruments.drivers.scpi import ScpiInstrument

SAFING_ATTEMPTS = 6
PAUSE = 0.1
"""Seconds before the second attempt at an instrument; each further pause is twice as long, so that a link may come back."""


LEFT = "left as it is, since current may flow"
"""Recorded in place of the answer of an instrument that was not sent its safe commands."""


@dataclass(frozen=True)
class SafeState:
    instrument: str
    address: str
    confirmed: bool
    answer: str


def make_all_safe(
    instruments: Mapping[str, Instrument],
    order: Sequence[str],
    writer: RecordWriter | None = None,
    pause: Callable[[float], None] = time.sleep,
    attempts: int = SAFING_ATTEMPTS,
) -> list[SafeState]:
    """Make every instrument safe, those named in `order` first, each one even when another fails, and record it.

    The load is the first of all. While it is not confirmed current may flow, and no other is sent its safe commands: moving a switch or a
    range could open the secondary. An instrument whose link fails is reopened and tried again after a `pause` of so many seconds,
    `attempts` times in all.
    """
    names = [*order, *(name for name in instruments if name not in order)]
    states: list[SafeState] = []
    for name in names:
        if states and not states[0].confirmed and _moves(instruments[name]):
            state = SafeState(name, instruments[name].address, False, LEFT)
        else:
            state = _make_safe(instruments[name], pause, attempts)
        states.append(state)
        if writer is not None:
            try:
                writer.write("safe", instrument=state.instrument, confirmed=state.confirmed, answer=state.answer)
            except Exception:  # noqa: BLE001  neither a full disk nor a text that cannot be written keeps the others from their turn
                writer = None
    return states


def _moves(instrument: Instrument) -> bool:
    """Whether making it safe sends any command."""
    return isinstance(instrument, ScpiInstrument) and bool(instrument.profile.safe.commands)


def _make_safe(instrument: Instrument, pause: Callable[[float], None], attempts: int) -> SafeState:
    answer = ""
    for attempt in range(attempts):
        try:
            if attempt:
                pause(PAUSE * 2 ** (attempt - 1))
                instrument.open()
            instrument.make_safe()
            confirmed, answer = instrument.confirm_safe()
        except Exception as failure:  # noqa: BLE001  whatever it is, the instruments after this one must have their turn
            answer = str(failure) or type(failure).__name__
            continue
        if confirmed:
            return SafeState(instrument.name, instrument.address, True, answer)
    return SafeState(instrument.name, instrument.address, False, answer)


def not_safe_message(states: Sequence[SafeState]) -> str:
    """Message to the operator when an instrument did not confirm."""
    lines = [
        f"{s.instrument} at {s.address} did not confirm its safe state: {s.answer or 'no answer'}"
        for s in states
        if not s.confirmed
    ]
    return "\n".join(
        [*lines, "Disconnect the supply of the load by hand now, before touching anything in the circuit."]
    )
