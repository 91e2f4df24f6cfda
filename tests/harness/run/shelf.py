"""The hand bench with its shelf of loads: its files changed, its person scripted, and who notes for how long what was on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from harness.commands.new import BENCH_BY_HAND, new
from harness.preparation.run_files import RunInputs, load_inputs
from harness.preparation.twin import TwinLinks
from harness.steps import Options
from simulated.simulated_bench import SimulatedBench
from tests.hands import Hands, by
from tests.on_twin import TwinRun

OF_THE_RANGE = ', longest_on = "2 min" }'
"""How long the multimeter's largest range may carry its current, as the hand bench is shipped."""


def hand(folder: Path, asked: str, options: Options, *changes: tuple[str, str]) -> RunInputs:
    """The hand bench as it is shipped but for the limit of a range of its multimeter, with parts of its text changed."""
    device, bench = new(folder, BENCH_BY_HAND)
    text = bench.read_text(encoding="utf-8")
    for was, becomes in ((OF_THE_RANGE, " }"), *changes):
        assert was in text
        text = text.replace(was, becomes)
    bench.write_text(text, encoding="utf-8")
    return load_inputs(device, bench, asked, options)


class Watched(TwinLinks):
    """Notes for how long every load was on, and on which range the reference stood when it was plugged in."""

    def __init__(self, bench: SimulatedBench, draws: Callable[[float], float] = lambda current: current) -> None:
        super().__init__(bench)
        self._bench, self._draws = bench, draws
        self._plugged: tuple[float, float] | None = None
        self.full_scale = 0.0
        self.on: list[tuple[float, float]] = []
        self.plugged_in: list[tuple[float, float]] = []

    def plug(self, current: float) -> None:
        now = self._bench.clock.now()
        if current:
            self.plugged_in.append((current, self.full_scale))
            self._plugged = current, now
        elif self._plugged is not None:
            self.on.append((self._plugged[0], now - self._plugged[1]))
            self._plugged = None
        super().plug(self._draws(current))

    def on_for(self) -> float:
        return 0.0 if self._plugged is None else self._bench.clock.now() - self._plugged[1]

    def turn_reference(self, full_scale: float) -> None:
        self.full_scale = full_scale
        super().turn_reference(full_scale)


def wired(inputs: RunInputs, *others: str) -> RunInputs:
    """The same bench with its multimeter, and `others`, on a link: whoever plugs the loads in types nothing."""
    entries, profiles = dict(inputs.bench.instruments), {"multimeter": "scpi_multimeter", "monitor": "modbus_meter"}
    for port, name in enumerate(("multimeter", *others), 15026):
        profile = profiles[name]
        address = f"{'modbus-tcp://127.0.0.1:' if profile.startswith('modbus') else 'TCPIP::127.0.0.1::'}{port}"
        address += "" if profile.startswith("modbus") else "::SOCKET"
        entries[name] = entries[name].model_copy(update={"profile": profile, "address": address})
    return replace(inputs, bench=inputs.bench.model_copy(update={"instruments": entries}))


def longest(links: Watched) -> dict[float, float]:
    return {current: max(seconds for c, seconds in links.on if c == current) for current, _ in links.on}


def may_be_on(inputs: RunInputs) -> dict[float, float]:
    return {load.current: load.longest_on for load in inputs.bench.entry("load").shelf}


def worked(inputs: RunInputs, hands: Hands | None = None, *faults: str) -> tuple[TwinRun, Watched]:
    twin = by(hands or Hands(), inputs, *faults)
    links = Watched(twin.bench)
    twin.links = links
    twin.run()
    return twin, links
