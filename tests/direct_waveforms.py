"""Readings of loads off a shelf, of any waveform, straight from the physics of the simulated bench, without runner, links or time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from harness.commands.new import BENCH_BY_HAND, new
from harness.current_limits.maximum_test_current import maximum_test_current
from harness.evaluation.ratio.point_errors import PointValues, point_values
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.device import Range
from harness.files.shelf_entry import ShelfEntry
from harness.preparation.run_files import RunInputs, load_inputs
from harness.record.observations import ObservedPoint
from harness.steps import Options
from instruments.waveform_names import Waveform
from instruments.waveforms import unit_samples
from simulated.physics.assembly import input_stage_with
from simulated.physics.input_stage import InputStage
from simulated.physics.shaped_secondary import ShapedSecondary
from simulated.physics.transformer import TransformerModel
from tests.direct_physics import RUN_DATE, DirectBench, Distortion, undistorted

SINES = (0.05, 0.12, 0.3, 0.8, 2.0, 3.5, 8.5)
SHAPES = (
    (0.25, "phase_cut 90 deg"),
    (0.95, "phase_cut 90 deg"),
    (2.3, "phase_cut 90 deg"),
    (0.11, "rectifier 60 deg"),
    (1.1, "rectifier 60 deg"),
    (0.42, "rectifier 30 deg"),
    (1.5, "rectifier 30 deg"),
    (5.5, "rectifier 30 deg"),
    (0.07, "capacitor_dropper"),
    (0.7, "switched_supply"),
    (6.5, "phase_cut 60 deg"),
)
HALF_WAVES = ((0.35, "half_wave"), (1.3, "half_wave"), (2.8, "half_wave"), (6.0, "half_wave"))


@cache
def hand_inputs(half_waves: bool = False, sines_alone: bool = False) -> RunInputs:
    """The project's bench by hand, its shelf of sines and other waveforms; the reference reads direct parts too."""
    with TemporaryDirectory() as folder:
        inputs = load_inputs(*new(Path(folder) / "pair", BENCH_BY_HAND), "current_ratio", Options())
    loads = [(current, "sine") for current in SINES] + list(() if sines_alone else SHAPES)
    loads += list(HALF_WAVES if half_waves else ())
    shelf = tuple(
        ShelfEntry(name=f"{waveform} {current} A", current=f"{current} A", waveform=waveform)  # type: ignore[arg-type]
        for current, waveform in loads
    )
    entries = dict(inputs.bench.instruments)
    entries["shelf"] = entries["shelf"].model_copy(update={"shelf": shelf})
    scales = tuple(scale.model_copy(update={"coupling": "AC+DC"}) for scale in entries["multimeter"].ranges)
    entries["multimeter"] = entries["multimeter"].model_copy(update={"ranges": scales})
    return replace(inputs, bench=inputs.bench.model_copy(update={"instruments": entries}))


@cache
def solved(transformer: TransformerModel) -> ShapedSecondary:
    """The same for every seed: what was solved once is kept."""
    return ShapedSecondary(transformer)


class ShapedBench(DirectBench):
    """The bench with `faults`, drawn from `seed`. `transformer` and `stage` may take the place of those of the faults."""

    def __init__(
        self,
        inputs: RunInputs,
        faults: Sequence[str] = (),
        seed: int = 7,
        *,
        transformer: TransformerModel | None = None,
        stage: InputStage | None = None,
        distortion: Distortion = undistorted,
    ) -> None:
        super().__init__(inputs, faults, seed, distortion)
        self._transformer = transformer or self._transformer
        self._stage = stage or input_stage_with(set(faults), self._transformer.frequency, self._meter)
        self._shaped = solved(self._transformer)
        response = "average" if "average-responding-reference" in faults else "true rms"
        self._of_reference = InputStage(self._transformer.frequency, response=response)
        self._waveform = Waveform("sine")

    def points(self) -> list[PointValues]:
        """Every load on every range that may carry it, the largest the claim invites."""
        uncertain = InputQuantities(self.bench, RUN_DATE)
        return [point_values(self.device, uncertain, p) for rng in self.device.ranges for p in self._loads(rng)]

    def _loads(self, rng: Range) -> Iterator[ObservedPoint]:
        for load in sorted(self.bench.entry("load").shelf, key=lambda load: load.current):
            limit = maximum_test_current(self.device, self.bench, rng, None, load.current).current
            if rng.minimum_current <= load.current <= limit:
                assert load.shape is not None
                self._waveform = load.shape
                self._seen_by_reference = self._of_reference.reads(unit_samples(load.shape))
                yield self._point(rng, load.current, "up")

    def _read_by_reference(self, current: float) -> float:
        return super()._read_by_reference(current) * self._seen_by_reference

    def _measured(self, rng: Range, current: float, distorted: float) -> float:
        if self._waveform.sinusoidal:
            return self._module.measured(self._stage.reads_sine(abs(self._phasor(rng, current)) * distorted))
        ampere_turns = self._turns[self._position(rng)] * current
        return self._module.measured(
            self._stage.reads(self._shaped.current(self._waveform, ampere_turns, 0.0) * distorted)
        )
