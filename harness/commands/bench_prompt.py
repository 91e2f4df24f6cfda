"""What a person types at the simulated bench, and what it answers: what hands and eyes do at a real one."""

import contextlib
import math
import sys
import time
from collections.abc import Callable
from decimal import Decimal
from queue import Empty, SimpleQueue

from harness.core.lines_heard import lines_heard
from harness.core.output import wrapped
from harness.core.quantities import format_quantity, parse_quantity
from harness.core.stop import StopSignal
from harness.files.shelf_entry import ShelfEntry
from harness.preparation.run_files import RunInputs
from harness.preparation.twin import displays
from instruments.numbers import plain
from simulated.physics.multimeter import OVERLOAD
from simulated.simulated_bench import SimulatedBench

UNITS = {"power": "W", "voltage": "V", "power_factor": ""}

LOOK_EVERY = 0.2
"""Seconds between two looks whether to stop."""


class BenchPrompt:
    """Does what is typed on `simulated`, the bench of `inputs`; only what a person plays there can be typed."""

    def __init__(self, simulated: SimulatedBench, inputs: RunInputs) -> None:
        self._simulated, self._inputs = simulated, inputs
        self._ranges = [r.name for r in inputs.device.ranges]
        self._shelf = inputs.bench.entry("load").shelf
        self._reference_by_hand = inputs.bench.entry("reference").by_person

    @property
    def told(self) -> str:
        """What can be typed, in one line."""
        words = [f"turn {'|'.join(self._ranges)}"]
        words += ["plug LOAD (its name or current)", "unplug"] if self._shelf else []
        words += ["range CURRENT (of the reference)"] if self._reference_by_hand else []
        return f"type {', '.join(words)}, read (what the displays show), show (the truth), quit"

    def answer(self, line: str) -> str:
        """Do what `line` says; what is to be printed."""
        word, _, rest = line.strip().partition(" ")
        rest = rest.strip()
        match word:
            case "turn" if rest in self._ranges:
                self._simulated.turn_switch(rest)
                return f"switch at {rest}"
            case "plug" if rest and self._shelf:
                return self._plug(rest)
            case "unplug" if self._shelf and not rest:
                self._simulated.plug(0.0)
                return "nothing is plugged in"
            case "range" if rest and self._reference_by_hand:
                return self._turn_reference(rest)
            case "read" if not rest:
                return self._read()
            case "show" if not rest:
                return self._truth()
        return f"not understood; {self.told}"

    def _plug(self, asked: str) -> str:
        if self._simulated.truth().load_on:
            return "something is plugged in already; unplug it first"
        load = self._load(asked)
        if load is None:
            known = ", ".join(f"{s.name} ({format_quantity(s.current, 'A')})" for s in self._shelf)
            return f"names no single load of the shelf; expected {known}"
        self._simulated.plug(load.current)
        return f"{load.name} is plugged in"

    def _load(self, asked: str) -> ShelfEntry | None:
        """By its name, by its current, or by an unmistakable part of its name."""
        current = _typed(asked, "A")
        by_name = [s for s in self._shelf if s.name == asked]
        by_current = [s for s in self._shelf if current is not None and math.isclose(s.current, current)]
        by_part = [s for s in self._shelf if asked in s.name]
        return next((found[0] for found in (by_name, by_current, by_part) if len(found) == 1), None)

    def _turn_reference(self, asked: str) -> str:
        if self._shelf and self._simulated.truth().load_on:
            return "something is plugged in: unplug it first, and at a real bench disconnect the supply too"
        ranges, name = self._inputs.bench.entry("reference").ranges, self._inputs.bench.roles.reference
        scales, unit = [r.full_scale for r in ranges], ranges[0].unit
        wanted = _typed(asked, unit)
        scale = next((s for s in scales if wanted is not None and math.isclose(s, wanted)), None)
        if scale is None:
            return f"no range of {name}; expected {', '.join(format_quantity(s, unit) for s in scales)}"
        self._simulated.configure("reference", scale)
        return f"{name} at {format_quantity(scale, unit)}"

    def _read(self) -> str:
        shown, unit = displays(self._simulated), self._inputs.bench.entry("reference").ranges[0].unit
        step = self._inputs.device.display.resolution
        return "; ".join(
            f"{name} shows "
            + ", ".join(
                _as_shown(key, shown[key], unit if key == "reference" else "A", step if key == "meter" else None)
                for key in keys
            )
            for name, keys in self._seen().items()
        )

    def _seen(self) -> dict[str, list[str]]:
        """What can be read off each instrument, by the keys of `twin.displays`."""
        display, reference = self._inputs.device.display, self._inputs.bench.entry("reference")
        also = {
            "meter power": display.power_resolution,
            "meter power_factor": display.power_factor_resolution,
            "reference voltage": reference.voltage,
            "reference power": reference.power,
        }
        there = [key for key, what in also.items() if what is not None]
        return {
            instrument.name: [instrument.role, *(key for key in there if key.startswith(f"{instrument.role} "))]
            for instrument in self._simulated.description.instruments
            if instrument.role in displays(self._simulated)
        }

    def _truth(self) -> str:
        truth = self._simulated.truth()
        return (
            f"display {plain(self._simulated.shown().current)} A; switch at {truth.switch_position}; load {'on' if truth.load_on else 'off'}, "
            f"{format_quantity(truth.primary_current, 'A')}; largest secondary current {format_quantity(truth.peak_secondary_current, 'A')}, "
            f"fuse {'intact' if truth.secondary_fuse_intact else 'melted'}"
        )


def attend(prompt: BenchPrompt, stop: StopSignal) -> None:
    """Do what is typed; without a terminal just serve."""
    typed = _lines_typed()
    while not stop.reason:
        try:
            line = typed.get(timeout=LOOK_EVERY)
        except Empty:
            continue
        if line is None:
            while not stop.reason:
                time.sleep(LOOK_EVERY)
        elif line.strip() == "quit":
            return
        elif line.strip():
            print(wrapped(prompt.answer(line)), flush=True)


def _lines_typed() -> SimpleQueue[str | None]:
    # A program without a terminal (pythonw) has no standard input at all, and some stand-ins for one have no descriptor.
    with contextlib.suppress(AttributeError, OSError, ValueError):
        return lines_heard(sys.stdin.fileno())
    nothing: SimpleQueue[str | None] = SimpleQueue()
    nothing.put(None)
    return nothing


def _typed(text: str, unit: str) -> float | None:
    """A quantity typed with its unit or in `unit`; None when it is none."""
    for typed in (text, f"{text} {unit}"):
        try:
            return parse_quantity(typed, unit)
        except ValueError:
            continue
    return None


def _as_shown(key: str, value: Callable[[], float], unit: str, step: float | None = None) -> str:
    """What is shown; `unit` is that of what stands for the current, `step` that of a display that shows all its digits."""
    quantity = key.partition(" ")[2] or ("voltage" if key == "voltage" else "")
    shown = value()
    if shown == OVERLOAD:
        return "overload"
    # As the display has it: its zeros behind the point tell whoever types them how finely it was read.
    digits = plain(shown) if step is None else f"{Decimal(repr(shown)).quantize(Decimal(repr(step))):f}"
    return f"{quantity.replace('_', ' ')} {digits} {UNITS.get(quantity, unit)}".strip()
