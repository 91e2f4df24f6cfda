"""Somebody who measures a load with the meter of a simulated bench: does what is asked, and types what the display shows."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence

from instruments.numbers import parse_typed, plain
from instruments.operator.plausibility import Question
from instruments.waveform_names import SINE, Waveform
from simulated.physics.load import CurrentSource
from simulated.simulated_bench import SimulatedBench


class Measurer:
    """Plugs in a load of `current` amperes and `power_factor` (negative: leading) on `bench`, in its virtual time.

    `slip` may answer otherwise: it gets the question and the right answer. `asked`: every question, in order.
    """

    def __init__(
        self,
        bench: SimulatedBench,
        current: float,
        power_factor: float = 1.0,
        slip: Callable[[str, str], str | None] = lambda *_: None,
        waveform: Waveform = SINE,
    ) -> None:
        self.bench, self.current, self.power_factor = bench, current, power_factor
        self._slip, self._waveform = slip, waveform
        self.asked: list[str] = []
        self.switched: list[str] = []

    def _on(self, on: bool) -> None:
        def change(load: CurrentSource, time: float) -> None:
            load.set_protection(load.maximum_current)
            load.set_power_factor(self.power_factor, time)
            load.set_waveform(self._waveform, time)
            load.set_current(self.current if on else 0.0, time)
            load.set_output(on, time)

        self.bench.change_load(change)
        self.bench.clock.sleep(5)

    def confirm(self, text: str) -> str:
        self.asked.append(text)
        if "unplugged" in text or "unplug it first" in text:
            self._on(False)
        if turned := re.search(r"range switch to (\S+),", text):
            self.switched.append(turned[1])
            self.bench.turn_switch(turned[1])
        if text.startswith("Plug"):
            self._on(True)
        self.bench.clock.sleep(5)
        return "done"

    def choose(self, text: str, options: Sequence[str], guarding: bool = True) -> str:
        self.asked.append(text)
        return "yes"

    def insist(self, text: str, options: Sequence[str]) -> str:
        self.asked.append(text)
        self._on(False)
        return options[0]

    def read_value(self, question: Question) -> tuple[float, str]:
        self.asked.append(question.text)
        self.bench.clock.sleep(4)
        shown = self.bench.shown()
        shows = {"plate": float(f"{1.2 * self.current:.2g}"), "meter power": shown.power}
        right = plain(shows.get(question.of, shown.current))
        if question.of == "meter energy":
            right = f"{plain(self.bench.displayed_energy() / 3600)} Wh"
        typed = self._slip(question.text, right) or right
        return parse_typed(typed, question.resolution, question.unit), typed

    def warn_after(self, seconds: float, text: str, over: Callable[[], None] | None = None) -> None: ...

    @property
    def true_power(self) -> float:
        """Watts, at the voltage that the mains have now."""
        voltage = self.bench.measure("meter").voltage
        return voltage * self.current * math.fabs(self.power_factor)
