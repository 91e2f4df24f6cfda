"""Faults a link can cause in an answer, on every transport and in the time of any clock.

A `Hostile` conversation stands between an instrument and its transport. It lets the instrument answer, then asks the
instrument's `Schedule` whether this exchange gets a fault, and which.
"""

import random
import re
import threading
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Literal

from simulated.transports.listeners import Conversation, Ending, Piece
from simulated.transports.modbus import crc

Framing = Literal["text", "rtu", "tcp"]
"""SCPI text on any transport; Modbus RTU; Modbus TCP."""

FAULTS: dict[str, tuple[Framing, ...]] = {
    "refuse": ("text", "rtu", "tcp"),
    "mute": ("text", "rtu", "tcp"),
    "late": ("text", "rtu", "tcp"),
    "cut": ("text", "rtu", "tcp"),
    "trickle": ("text", "rtu", "tcp"),
    "endless": ("text", "rtu", "tcp"),
    "garbage": ("text", "rtu", "tcp"),
    "wrong-terminator": ("text",),
    "reset": ("text", "rtu", "tcp"),
    "vanish": ("text", "rtu", "tcp"),
    "come-back-as-another": ("text",),
    "queued-error": ("text",),
    "over-range": ("text",),
    "stale": ("text", "rtu", "tcp"),
    "wrong-digit": ("text", "tcp"),
    "duplicate": ("text", "rtu", "tcp"),
    "crc-error": ("rtu",),
    "exception-reply": ("rtu", "tcp"),
    "late-rtu": ("rtu",),
}
"""Every fault, and the framings it applies to.

refuse: answers, closes in good order, refuses connections for a while. mute: no answer. late: an answer after
`lateness`. cut: half an answer, then closed. trickle: byte by byte. endless: 200 kB without an end. garbage: bytes that are no text
and no frame. wrong-terminator: an answer that does not end as agreed. reset: reset instead of an answer. vanish: reset,
and gone for a while. come-back-as-another: the same, and another serial number from then on. queued-error: a good
answer and an error in the queue. over-range: 9.91E37, SCPI-99's not-a-number. stale: the answer to the same question
before. wrong-digit: one digit (one bit of a register) changed and nothing else. duplicate: the answer twice. crc-error: a
bit changed under the check. exception-reply: Modbus exception 4, server device failure. late-rtu: the answer to an earlier
request just before this one's.
"""

UNSEEN = ("stale", "wrong-digit")
"""Faults no link can detect: the answer is well formed and answers the question. Only a comparison of readings can."""

_READING = re.compile(rb"[+-]?\d+\.\d+(E[+-]?\d+)?", re.IGNORECASE)
_SERVER_DEVICE_FAILURE = 4
_DEVICE_SPECIFIC = -310
_TRICKLING = 8
"""Bytes that trickle in during `lateness`."""
_PIECE, _PIECES = 512, 400
"""Size and number of the pieces of an endless reply; it ends there, so that the instrument can be used again."""


class Schedule:
    """The schedule of faults of one instrument, and their counts. Thread-safe; shared by all its connections.

    `at`: faults by the number of the exchange, counted from 0; an exchange is a request that gets an answer. Besides,
    each is struck with probability `rate` by one of `faults` (all that apply when there are none), the same ones for
    the same `seed`. `lateness` and `away` in seconds: how late late answers are, how long the instrument is gone. Faults of
    readings wait for the next reading. Raises ValueError for an unknown fault.
    """

    def __init__(
        self,
        at: Mapping[int, str] | None = None,
        *,
        seed: int = 0,
        rate: float = 0.0,
        faults: Sequence[str] = (),
        lateness: float = 1.0,
        away: float = 0.3,
    ) -> None:
        self._at, self._seed, self._rate, self._faults = dict(at or {}), seed, rate, tuple(faults)
        self.lateness, self.away = lateness, away
        unknown = sorted({*self._at.values(), *faults} - FAULTS.keys())
        if unknown:
            raise ValueError(f"found faults {', '.join(unknown)}, expected some of {', '.join(FAULTS)}")
        self._lock = threading.Lock()
        self.exchanges = 0
        self.injected: list[tuple[int, str]] = []
        self.answers: dict[bytes, bytes] = {}
        self.last = b""
        self.another = False
        self._waiting: list[str] = []
        self._away_until = float("-inf")

    @property
    def counts(self) -> Counter[str]:
        """Number of times each fault was injected."""
        with self._lock:
            return Counter(fault for _, fault in self.injected)

    def strike(self, framing: Framing, possible: Callable[[str], bool]) -> str:
        """The fault of this exchange; empty for none. Faults that are not `possible` now wait for an exchange where they are."""
        with self._lock:
            number, self.exchanges = self.exchanges, self.exchanges + 1
            drawn = self._at.get(number) or self._draw(number, framing)
            if drawn and framing in FAULTS[drawn]:
                self._waiting.append(drawn)
            fault = next((f for f in self._waiting if possible(f)), "")
            if fault:
                self._waiting.remove(fault)
                self.injected.append((number, fault))
            return fault

    def leave(self, now: float) -> None:
        """Be gone for `away` seconds from `now`."""
        self._away_until = now + self.away

    def absent(self, now: float) -> bool:
        return now < self._away_until

    def _draw(self, number: int, framing: Framing) -> str:
        chance = random.Random(f"{self._seed} {number}")
        if chance.random() >= self._rate:
            return ""
        candidates = self._faults or tuple(FAULTS)
        return chance.choice([f for f in candidates if framing in FAULTS[f]] or [""])


class Hostile:
    """`conversation` with faults. `end` terminates replies (text); `now` is the time of the bench's clock in seconds."""

    def __init__(
        self,
        conversation: Conversation,
        schedule: Schedule,
        framing: Framing,
        now: Callable[[], float],
        *,
        end: bytes = b"",
        queue_error: Callable[[int], None] = lambda _: None,
    ) -> None:
        self._conversation, self._schedule, self._framing, self._now = conversation, schedule, framing, now
        self._end, self._queue_error = end, queue_error
        # Only a conversation that receives frames on a serial line is told of silence.
        self._pause: Callable[[], Iterable[Piece]] = getattr(conversation, "pause", tuple)

    def receive(self, data: bytes) -> Iterable[Piece]:
        """Process `data`; return the answer, changed by a fault if there is one."""
        if self._schedule.absent(self._now()):
            return [(Ending.RESET, 0.0)]
        # A Modbus TCP request is identified by the bytes after its transaction number.
        return self._answer(data[6:] if self._framing == "tcp" else data, list(self._conversation.receive(data)))

    def pause(self) -> Iterable[Piece]:
        return self._answer(b"", list(self._pause()))

    def _answer(self, request: bytes, pieces: list[Piece]) -> Iterable[Piece]:
        frame = b"".join(piece for piece, _ in pieces if isinstance(piece, bytes))
        if not frame:
            return pieces
        schedule = self._schedule
        if schedule.another and self._framing == "text" and b"*IDN?" in request.upper():
            frame = b",".join(field + b"0" for field in frame[: -len(self._end)].split(b",")) + self._end
            pieces = [(frame, 0.0)]
        fault = schedule.strike(self._framing, lambda f: self._possible(f, request, frame))
        before, last = schedule.answers.get(request, b""), schedule.last
        schedule.answers[request] = schedule.last = frame
        return self._struck(fault, frame, before, last) if fault else pieces

    def _possible(self, fault: str, request: bytes, frame: bytes) -> bool:
        if fault == "stale":
            return request in self._schedule.answers and self._is_reading(frame)
        return fault not in ("over-range", "wrong-digit") or self._is_reading(frame)

    def _is_reading(self, frame: bytes) -> bool:
        return self._framing != "text" or bool(_READING.fullmatch(frame[: -len(self._end)]))

    def _struck(self, fault: str, frame: bytes, before: bytes, last: bytes) -> Iterable[Piece]:
        schedule = self._schedule
        if fault in ("refuse", "vanish", "come-back-as-another"):
            schedule.leave(self._now())
            schedule.another = schedule.another or fault == "come-back-as-another"
        if fault == "queued-error":
            self._queue_error(_DEVICE_SPECIFIC)
        chance = random.Random(f"{schedule.exchanges} {fault}")
        reset: list[Piece] = [(Ending.RESET, 0.0)]
        pieces: dict[str, Callable[[], Iterable[Piece]]] = {
            "refuse": lambda: [(frame, 0.0), (Ending.CLOSE, 0.0)],
            "mute": list,
            "late": lambda: [(frame, schedule.lateness)],
            "cut": lambda: [(frame[: len(frame) // 2], 0.0), (Ending.CLOSE, 0.0)],
            "trickle": lambda: [(frame[i : i + 1], schedule.lateness / _TRICKLING) for i in range(len(frame))],
            "endless": lambda: _endless(b"9" if self._framing == "text" else b"\x55"),
            "garbage": lambda: [(bytes(chance.randrange(128, 256) for _ in frame[len(self._end) :]) + self._end, 0.0)],
            "wrong-terminator": lambda: [(frame[: -len(self._end)] + (b"\r" if self._end != b"\r" else b"\n"), 0.0)],
            "reset": lambda: reset,
            "vanish": lambda: reset,
            "come-back-as-another": lambda: reset,
            "over-range": lambda: [(b"9.91E37" + self._end, 0.0)],
            "stale": lambda: [(frame[:2] + before[2:] if self._framing == "tcp" else before, 0.0)],
            "wrong-digit": lambda: [(self._changed(frame, chance), 0.0)],
            "duplicate": lambda: [(frame + frame, 0.0)],
            "crc-error": lambda: [(frame[:3] + bytes([frame[3] ^ 1 << chance.randrange(8)]) + frame[4:], 0.0)],
            "exception-reply": lambda: [(self._exception(frame), 0.0)],
            "late-rtu": lambda: [(last + frame, 0.0)] if last else [(frame, schedule.lateness)],
            "queued-error": lambda: [(frame, 0.0)],
        }
        return pieces[fault]()

    def _changed(self, frame: bytes, chance: random.Random) -> bytes:
        if self._framing == "tcp":
            place = chance.randrange(9, len(frame))
            return frame[:place] + bytes([frame[place] ^ 1 << chance.randrange(8)]) + frame[place + 1 :]
        mantissa = re.split(rb"[Ee]", frame)[0]
        place = chance.choice([i for i, c in enumerate(mantissa) if c in b"0123456789"])
        other = chance.choice([c for c in b"0123456789" if c != frame[place]])
        return frame[:place] + bytes([other]) + frame[place + 1 :]

    def _exception(self, frame: bytes) -> bytes:
        if self._framing == "tcp":
            return frame[:4] + b"\0\3" + frame[6:7] + bytes([frame[7] | 0x80, _SERVER_DEVICE_FAILURE])
        body = frame[:1] + bytes([frame[1] | 0x80, _SERVER_DEVICE_FAILURE])
        return body + crc(body)


def _endless(filler: bytes) -> Iterator[Piece]:
    for _ in range(_PIECES):
        yield filler * _PIECE, 0.001
