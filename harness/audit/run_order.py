"""Check of the order of a run: parts, identification, confirmations, times and safe states."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from harness.files.bench import Bench
from harness.station.identification import identity_problems
from instruments.reading import Identity

ROUNDED = 1e-5
"""Tolerance in seconds between times of one line, which are written to the microsecond."""

IDENTIFYING = dt.timedelta(minutes=15)
"""Longest time between the run's date check and its first line: instruments are identified in between."""

_BEHIND = ("reading", "undo")
"""Kinds that may be written later than what they report, once a person has accepted it."""


@dataclass
class _RunPart:
    """One part of a run, from its start or resume line, as far as it has been read."""

    begun: dict[str, Any]
    identified: dict[str, Identity] = field(default_factory=dict)
    safe: set[str] = field(default_factory=set)
    energised: bool = False


def run_order(lines: Iterable[dict[str, Any]], bench: Bench) -> Iterator[list[str]]:
    """For each line, the start first: what is impossible in the order of a run, a sentence each."""
    playing = [name for name in dict.fromkeys(bench.roles.model_dump().values()) if name is not None]
    part = _RunPart({})
    ended: dict[str, Any] | None = None
    for number, line in enumerate(lines):
        kind, wrong = line["kind"], list[str]()
        if (kind == "start") != (number == 0):
            wrong.append(f"found kind '{kind}', expected the one start line first")
        if ended is not None and kind != "resume":
            expected = "nothing" if ended["outcome"] == "complete" else "resume"
            wrong.append(f"found kind '{kind}' after the stop at line {ended['line'] + 1}, expected {expected}")
        if kind == "resume" and ended is not None and ended["outcome"] == "complete":
            wrong.append("found a complete run resumed, expected nothing after its end")
        if kind in ("start", "resume"):
            part, ended = _RunPart(line), None
        elif kind == "identity":
            part.identified[line["instrument"]] = Identity(line["identity"], line["serial"])
        elif kind == "safe":
            part.safe = part.safe | {line["instrument"]} if line["confirmed"] else part.safe - {line["instrument"]}
        elif line.get("step") == "apply":
            if not part.energised:
                wrong += _before_current(part, playing, bench)
            part.energised, part.safe = True, set()
        elif kind == "stop":
            ended = line
            if line["outcome"] == "complete":
                wrong += _unsafe(part, playing)
        yield wrong


def _before_current(part: _RunPart, playing: Sequence[str], bench: Bench) -> Iterator[str]:
    """Steps missing before current flows for the first time."""
    begun = part.begun
    for name in playing:
        if name not in part.identified:
            yield f"found current before {name} was identified, expected it after"
    yield from (f"before current flows: {wrong}" for wrong in _unsafe(part, playing))
    simulated = any(identity.text.startswith("Simulated,") for identity in part.identified.values())
    if begun["cautions"] == "simulated" and not simulated:
        yield f"found current, and the cautions not confirmed at line {begun['line'] + 1}, expected them confirmed"
    accepted = {override["name"] for override in begun["overrides"]}
    known = {name: identity for name, identity in part.identified.items() if name in bench.instruments}
    written = dt.datetime.fromisoformat(begun["at"])
    earlier = identity_problems(bench, known, (written - IDENTIFYING).date())
    for name, problem in identity_problems(bench, known, written.date()).items():
        if name not in accepted and name in earlier:
            yield f"found current despite '{problem}', expected it set aside at line {begun['line'] + 1} ({name})"


def _unsafe(part: _RunPart, playing: Sequence[str]) -> Iterator[str]:
    missing = [name for name in playing if name not in part.safe]
    if missing:
        yield f"found no confirmed safe state of {', '.join(missing)}, expected every instrument's"


def times(lines: Iterable[dict[str, Any]]) -> Iterator[list[str]]:
    """For each line: times that decrease, and readings dated before their predecessor or after they were written."""
    before, begun, latest = 0.0, 0.0, 0.0
    # A reading that showed that the current had settled may be the reference's of the pair that follows.
    settling = 0.0
    for line in lines:
        now, kind, wrong = line["elapsed"], line["kind"], list[str]()
        if now < before:
            wrong.append(f"elapsed: found {now:g} s after {before:g} s, expected it not less")
        if kind in ("reading", "approach"):
            read = {"reference": line["reference"], "displayed": line["displayed"], **line.get("also", {})}
            for key, reading in read.items():
                earliest = settling if key == "reference" else begun
                wrong += (f"{key}: {text}" for text in _reading_times(reading, earliest, now))
            first = line["reference"]["started"]
            if first < latest - ROUNDED:
                wrong.append(
                    f"found a reading that began at {first:g} s after one that began at {latest:g} s, expected it later"
                )
            latest = first
        if kind not in _BEHIND:
            settling = begun if kind == "settled" else now
            begun, latest = now, 0.0
        before = max(before, now)
        yield wrong


def _reading_times(reading: dict[str, Any], begun: float, written: float) -> Iterator[str]:
    started, finished = reading["started"], reading["finished"]
    if not begun - ROUNDED <= started <= finished + ROUNDED <= written + 2 * ROUNDED:
        yield (
            f"found it read from {started:g} to {finished:g} s, expected that between {begun:g} s (the line before) "
            f"and {written:g} s (this line)"
        )
