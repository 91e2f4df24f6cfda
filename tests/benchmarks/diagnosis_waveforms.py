"""How often the diagnosis names what is wrong with currents that are no sines, and accuses sound meters.

`python tests/benchmarks/diagnosis_waveforms.py [SEEDS [FIRST_SEED]]` reads a shelf of sines and of eleven other loads on the physics of the simulated
bench, each fault in the size of the catalogue and in sizes drawn, and prints a line for each. Seeds below 1,000,000 were used while priors were chosen.
"""

from __future__ import annotations

import os
import random
import sys
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[2]))

from harness.evaluation.diagnosis.diagnosis import Diagnosis, diagnose
from harness.preparation.twin import describe
from simulated.description import MeterDescription
from simulated.physics.assembly import healthy_transformer, input_stage_with
from simulated.physics.input_stage import InputStage, peak_of_sine
from simulated.physics.transformer import TransformerModel
from tests.benchmarks.diagnosis import REPORTED_FROM, UNLISTED
from tests.direct_waveforms import ShapedBench, hand_inputs


@dataclass(frozen=True)
class Made:
    """What takes the place of sound parts: a transformer, the input of the module."""

    transformer: TransformerModel | None = None
    stage: InputStage | None = None


@cache
def meter() -> MeterDescription:
    """The meter of the project's own pair."""
    inputs = hand_inputs()
    return describe(inputs.device, inputs.bench, inputs.bench_file, inputs.folders, ()).meter


def _drawn(draw: random.Random, low: float, high: float) -> float:
    """Even in the logarithm, one of sixteen, so that what was solved for one seed serves others."""
    return low * (high / low) ** (draw.randrange(16) / 15)


def _bandwidth(draw: random.Random) -> Made:
    """1.5 to 10 times the mains frequency."""
    sound = input_stage_with(set(), meter().frequency, meter())
    return Made(stage=replace(sound, bandwidth=draw.uniform(1.5, 10.0) * meter().frequency))


def _clips(draw: random.Random) -> Made:
    """At the peak of a sine of 0.25 to 1.2 times the rated current."""
    sound = input_stage_with(set(), meter().frequency, meter())
    level = peak_of_sine(draw.uniform(0.25, 1.2) * meter().rated_secondary_current)
    return Made(stage=replace(sound, largest_peak=level, clips_sines=True))


def _gap(draw: random.Random) -> Made:
    """0.1 to 0.45 mm."""
    return Made(replace(healthy_transformer(meter()), air_gap=_drawn(draw, 1e-4, 4.5e-4)))


def _small_core(draw: random.Random) -> Made:
    """Flux density at rated current 0.5 to 1 times that of saturation: a sine is withstood, a direct part is not."""
    sound = healthy_transformer(meter())
    at_rated = sound.flux_density(meter().rated_secondary_current * sound.secondary_impedance.real)
    saturation = at_rated / _drawn(draw, 0.5, 1.0)
    return Made(replace(sound, core=replace(sound.core, saturation_flux_density=saturation)))


DRAWN: dict[str, Callable[[random.Random], Made]] = {
    "narrow-bandwidth": _bandwidth,
    "clipping": _clips,
    "core-gap": _gap,
    "half-wave-saturation": _small_core,
}


@dataclass(frozen=True)
class ShapedCase:
    """A fault of the bench, as it is or `drawn` in size, one of no catalogue (`unlisted`), or none; read with sines alone, or with half waves too."""

    fault: str = ""
    drawn: bool = False
    unlisted: str = ""
    sines_alone: bool = False
    half_waves: bool = False

    @property
    def name(self) -> str:
        """As it is printed."""
        read = " (sines alone)" if self.sines_alone else " (half waves too)" if self.half_waves else ""
        return (self.fault or self.unlisted or "healthy") + (", size drawn" if self.drawn else "") + read


def diagnosed(case: ShapedCase, seed: int) -> Diagnosis:
    """The diagnosis of `case` on the bench drawn from `seed`."""
    inputs, draw = hand_inputs(case.half_waves, case.sines_alone), random.Random(f"{seed} {case.fault}")
    made = DRAWN[case.fault](draw) if case.drawn else Made()
    faults = (case.fault,) if case.fault and not case.drawn else ()
    extra = {} if not case.unlisted else {"distortion": UNLISTED[case.unlisted](draw)}
    bench = ShapedBench(inputs, faults, seed, transformer=made.transformer, stage=made.stage, **extra)
    return diagnose(inputs.device, bench.points())


def judged(case: ShapedCase, found: Diagnosis) -> str:
    """`first`, `together` (said not to be told apart), `same readings`, `hidden` (said not to show), or what was said instead."""
    first, details = found.causes[0], found.details
    truth = "none-of-these" if case.unlisted else case.fault or "none"
    if first.label == truth:
        return "first"
    for kind, labels in (("together", details.together), ("same readings", details.same_readings)):
        if truth in labels:
            return kind
    return "hidden" if first.fault == "none" and truth in details.not_shown else first.label


def cases() -> list[ShapedCase]:
    """The whole campaign."""
    shown = ("average-responding", "average-responding-reference", "narrow-bandwidth", "clipping", "core-gap")
    return [
        ShapedCase(sines_alone=True),
        ShapedCase(),
        ShapedCase(half_waves=True),
        *(ShapedCase(fault) for fault in shown),
        *(ShapedCase(fault, half_waves=True) for fault in (*shown, "half-wave-saturation")),
        *(ShapedCase(fault, drawn=True, half_waves=fault == "half-wave-saturation") for fault in DRAWN),
        *(ShapedCase(unlisted=name) for name in UNLISTED if "down" not in name),
    ]


def _told(job: tuple[ShapedCase, range]) -> tuple[ShapedCase, Counter[str]]:
    case, seeds = job
    return case, Counter(judged(case, diagnosed(case, seed)) for seed in seeds)


def main(count: int, first: int) -> None:
    """Print a line for every case."""
    with ProcessPoolExecutor(2) as pool:
        for case, told in pool.map(_told, [(case, range(first, first + count)) for case in cases()]):
            right = sum(told[kind] for kind in ("first", "together", "same readings", "hidden")) / told.total()
            print(f"{case.name:<60} {right:7.1%} {dict(told.most_common(6))}", flush=True)


if __name__ == "__main__":
    arguments = [int(a) for a in sys.argv[1:]]
    main(*(arguments + [200, REPORTED_FROM][len(arguments) :]))
