"""The points and waits that the lines of a record describe: numbering, approach, settling and applied current."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from harness.current_limits.maximum_test_current import maximum_test_current
from harness.files.bench import Bench
from harness.files.device import Device
from harness.run.reference_rules import AGREEMENT, AGREEMENT_WITH_SHELF, WANDER, WANDER_OF_MAINS, largest_difference

SAME = 1e-9
"""Relative tolerance between a number computed again and the recorded one: floating-point rounding."""
OVER_RANGE = 1.25
"""Largest reading relative to the full scale it was taken on: instruments overrange by 20 % and shelf loads by 15 %."""


@dataclass(frozen=True)
class RecordedState:
    """Bench state at one place in the record; currents in amperes. `settled`: current of the last settling, until anything
    could have changed it.

    `silent`: the range selected read nothing when it was approached.
    """

    flowing: float = 0.0
    selected: str = ""
    power_factor: float | None = None
    approached: bool = False
    settled: float | None = None
    maximum_test_current: float = 0.0
    silent: bool = False

    def after(self, line: Mapping[str, Any]) -> RecordedState:
        match line["kind"], line.get("step"):
            case ("start" | "resume", _):
                return RecordedState()
            case (_, "select"):
                return RecordedState(
                    selected=line["range"], maximum_test_current=line["ceiling"], power_factor=self.power_factor
                )
            case ("ceiling", _):
                return replace(self, maximum_test_current=line["ceiling"])
            case (_, "apply"):
                return replace(self, flowing=line["current"], settled=None)
            case (_, "release"):
                return replace(self, flowing=0.0, settled=None)
            case (_, "power factor"):
                return replace(self, power_factor=line["power_factor"])
            case ("approach", _):
                return replace(self, approached=line["range"] == self.selected, silent=line["turns"] <= 0)
            case ("settled", _):
                return replace(self, settled=line["current"])
            case ("point" | "wait" | "trouble", _):
                return replace(self, settled=None)
        return self


@dataclass
class Done:
    """Points and skipped points by number, waits by number, and the current applied at each point."""

    points: dict[int, dict[str, Any]] = field(default_factory=dict)
    waits: dict[int, dict[str, Any]] = field(default_factory=dict)
    applied: dict[int, RecordedState] = field(default_factory=dict)


def followed(lines: Iterable[dict[str, Any]], device: Device, bench: Bench, found: Done) -> Iterator[list[str]]:
    """For each line: what contradicts the lines before it. Fills `found`."""
    applied, before = RecordedState(), 0.0
    names = {rng.name: rng for rng in device.ranges}
    taken: list[dict[str, Any]] = []
    for line in lines:
        kind = line["kind"]
        wrong: list[str] = []
        if "range" in line and line["range"] not in names:
            wrong.append(f"range: found {line['range'][:60]!r}, expected one of {', '.join(names)}")
        elif "ceiling_set_by" in line:
            wrong += _limit(line, device, bench)
        if kind == "reading":
            taken = [] if line["pair"] == 0 else taken
            wrong += [] if line["pair"] == len(taken) else [f"pair: found {line['pair']}, expected {len(taken)}"]
            taken.append(line)
        elif kind in ("point", "skip"):
            wrong += _numbered(line, found)
            wrong += _closed(line, taken, applied, bench) if kind == "point" else []
            found.points.setdefault(line["point"], line)
            found.applied[line["point"]] = applied
            taken = []
        elif kind == "wait":
            waited = line["elapsed"] - before
            if not line.get("cut") and waited < line["seconds"] * (1 - 1e-3) - 1e-3:
                wrong.append(f"found {waited:g} s since the line before, expected the {line['seconds']:g} s waited for")
            found.waits.setdefault(line["wait"], line)
        applied, before = applied.after(line), line["elapsed"]
        yield wrong


def _limit(line: Mapping[str, Any], device: Device, bench: Bench) -> Iterator[str]:
    known = maximum_test_current(device, bench, device.range_named(line["range"]), line.get("observed_turns"))
    if not math.isclose(known.current, line["ceiling"], rel_tol=SAME) or known.set_by != line["ceiling_set_by"]:
        yield (
            f"ceiling: found {line['ceiling']:g} A by {line['ceiling_set_by'][:60]}, expected {known.current:g} A by {known.set_by}"
        )


def _numbered(line: Mapping[str, Any], found: Done) -> Iterator[str]:
    if line["point"] in found.points:
        yield f"point: found {line['point']} once more, expected every point once"
    elif line["point"] != len(found.points):
        yield f"point: found {line['point']}, expected {len(found.points)}, the next"


def _closed(
    line: Mapping[str, Any], taken: Sequence[dict[str, Any]], applied: RecordedState, bench: Bench
) -> Iterator[str]:
    """Errors in the end of a point, whose attempt's readings are among `taken`."""
    own = [r for r in taken if r["point"] == line["point"] and r["attempt"] == line["attempt"]]
    if len(own) != line["count"] or len(taken) != len(own):
        yield f"count: found {line['count']}, expected {len(own)}, the readings of this point before it"
    scale = next(
        (r for r in bench.entry("reference").ranges if math.isclose(r.full_scale, line["reference_scale"])), None
    )
    if scale is None:
        shown = ", ".join(f"{r.full_scale:g}" for r in bench.entry("reference").ranges)
        yield f"reference_scale: found {line['reference_scale']:g}, expected one of {shown}"
        return
    if applied.selected != line["range"]:
        yield f"range: found {line['range'][:60]!r}, expected {applied.selected!r}, which was selected"
    if line.get("power_factor") != applied.power_factor:
        yield f"power_factor: found {line.get('power_factor')}, expected {applied.power_factor}, which was set"
    if applied.flowing and not applied.approached:
        yield "found current in a range that was not approached since it was selected, expected an approach line before"
    by_person = bench.entry("reference").by_person
    if applied.flowing and not by_person and applied.settled != applied.flowing:
        yield f"found no settled line of {applied.flowing:g} A since the point before, expected one"
    wander, agreement = (WANDER_OF_MAINS, AGREEMENT_WITH_SHELF) if bench.shelf_currents else (WANDER, AGREEMENT)
    factor = bench.reference_path.factor
    allowed = (agreement + 2 * wander) * applied.flowing + 2 * largest_difference(scale) * factor
    for reading in own if applied.flowing else []:
        value = reading["reference"]["value"]
        if abs(value * factor - applied.flowing) > allowed:
            yield f"found the reference at {value * factor:g} A in a reading, expected about the {applied.flowing:g} A applied"
            break
        if abs(value) > OVER_RANGE * scale.full_scale and scale is not bench.entry("reference").ranges[-1]:
            yield f"found a reading of {value:g} on a range of {scale.full_scale:g}, expected it within"
            break
