"""How often the diagnosis names what is wrong, admits that it cannot, and accuses the innocent.

`python tests/benchmarks/diagnosis.py [SEEDS [FIRST_SEED]]` puts every fault of the catalogue, every pair of them and faults that are
in no catalogue into the physics of the simulated bench, and prints a line for each. Seeds below 1,000,000 were used while
priors and limits were chosen, so figures are reported from 1,000,000 on.
"""

from __future__ import annotations

import itertools
import os
import random
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

# Two processes share two processors; more threads in each only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[2]))

from harness.evaluation.diagnosis.causes import shipped_causes
from harness.evaluation.diagnosis.diagnosis import ConsideredCauses, Diagnosis, diagnose
from harness.evaluation.diagnosis.evidence import FurtherEvidence
from simulated.bench_faults import parse_fault
from tests.direct_physics import DirectBench, Distortion, demo_inputs, undistorted

REPORTED_FROM = 1_000_000

CURRENT_FAULTS = (
    "turn-missing:x1",
    "turn-missing:x4",
    "turn-missing:x20",
    "turn-extra:x1",
    "turn-extra:x4",
    "turn-extra:x20",
    "section-reversed:x4",
    "both-windings-in-circuit:x20",
    "switch-left-in-another-position:x1",
    "switch-left-in-another-position:x4",
    "switch-left-in-another-position:x20",
    "module-supply-behind-sensor",
    "display-factor-forgotten:x4",
    "display-factor-forgotten:x20",
    "ratio-setting",
    "high-resistance-fuse",
    "saturating-core",
    "closed-turn",
    "secondary-open",
    "drifted-gain",
    "bent-gain",
    "display-offset",
    "reference-wrong",
    "reference-ratio",
    "core-gap",
    "burden-capacitance",
    "half-wave-lost",
)
"""Every fault that currents show."""

OTHER_FAULTS = (
    "winding-reversed:x1",
    "winding-reversed:x20",
    "voltage-reversed",
    "phase-shifted",
    "high-threshold",
    "frequency-other",
)
"""Faults that only power or the smallest readable current shows."""

Truth = frozenset[tuple[str, str | None]]


@dataclass(frozen=True)
class Case:
    """Faults of the bench or a distortion by name, and what else is read beside currents."""

    faults: tuple[str, ...] = ()
    distortion: str = ""
    everything: bool = False
    secondary: bool = False

    @property
    def name(self) -> str:
        """As it is printed, with what was read beside currents."""
        read = " (power too)" if self.everything else " (secondary too)" if self.secondary else ""
        return (" + ".join(self.faults) or self.distortion or "healthy") + read


def _parallel_path(draw: random.Random) -> Distortion:
    """A path beside one range's winding takes part of the current: 7 to 40 % of it."""
    where, part = draw.choice(["x1", "x4", "x20"]), draw.uniform(0.07, 0.4)
    return lambda place: 1 - part if place.range == where else 1.0


def _bad_contact(draw: random.Random) -> Distortion:
    """A contact that comes and goes: at three points in ten, 3 to 30 % is lost."""
    lost = {n: draw.uniform(0.03, 0.3) for n in range(100) if draw.random() < 0.3}
    return lambda place: 1 - lost.get(place.number, 0.0)


def _drift_in_the_run(draw: random.Random) -> Distortion:
    """The gain drifts by 1.5 to 4 % from the first point to the last, up or down."""
    drift = draw.choice([-1, 1]) * draw.uniform(0.015, 0.04)
    return lambda place: 1 + drift * place.number / 45


def _noise(draw: random.Random) -> Distortion:
    """The module's gain jumps from point to point by 1.5 %."""
    jumps = [draw.gauss(0, 0.015) for _ in range(100)]
    return lambda place: 1 + jumps[place.number]


def _hump(draw: random.Random) -> Distortion:
    """Two gain steps of the module's input do not meet: 2 to 5 % more between two currents in the middle of the scale."""
    low, height = draw.uniform(0.05, 0.1), draw.uniform(0.02, 0.05)
    return lambda place: 1 + height if low < place.load < 4 * low else 1.0


def _hot_range(draw: random.Random) -> Distortion:
    """One range alone loses 3 to 10 % towards its top, with the square of the current."""
    where, part = draw.choice(["x1", "x4", "x20"]), draw.uniform(0.03, 0.1)
    return lambda place: 1 - part * place.load**2 if place.range == where else 1.0


def _one_way(draw: random.Random) -> Distortion:
    """What is read going down is 1.5 to 5 % more, or less, than going up."""
    part = draw.choice([-1, 1]) * draw.uniform(0.015, 0.05)
    return lambda place: 1 + part * (place.direction == "down")


def _closed_turn(draw: random.Random) -> Distortion:
    """A turn closed around the core takes 2 to 10 % at every current alike."""
    part = draw.uniform(0.02, 0.1)
    return lambda place: 1 - part


def _bent_gain(draw: random.Random) -> Distortion:
    """The module's gain rises or falls by 2 to 5 % towards the top, in proportion to the current."""
    bend = draw.choice([-1, 1]) * draw.uniform(0.02, 0.05)
    return lambda place: 1 + bend * place.load


UNLISTED: dict[str, Callable[[random.Random], Distortion]] = {
    "parallel path on one range": _parallel_path,
    "contact that comes and goes": _bad_contact,
    "drift during the run": _drift_in_the_run,
    "gain that jumps": _noise,
    "hump between two gain steps": _hump,
    "one range droops alone": _hot_range,
    "going down reads otherwise than going up": _one_way,
}
"""Faults in no catalogue."""

DRAWN: dict[str, tuple[str, Callable[[random.Random], Distortion]]] = {
    "closed turn of any size": ("closed-turn", _closed_turn),
    "bent gain of any size": ("bent-gain", _bent_gain),
}
"""Faults of the catalogue, their size drawn."""


def diagnosed(case: Case, seed: int) -> Diagnosis:
    """The diagnosis of `case` on the bench drawn from `seed`."""
    inputs = demo_inputs()
    made = DRAWN[case.distortion][1] if case.distortion in DRAWN else UNLISTED.get(case.distortion)
    distortion = made(random.Random(f"{seed} {case.distortion}")) if made else undistorted
    bench, typed = DirectBench(inputs, case.faults, seed, distortion), ConsideredCauses(ratio_typed=True)
    points = bench.points()
    if case.secondary:
        return diagnose(inputs.device, points, FurtherEvidence(secondaries=bench.secondaries(points)), typed)
    if not case.everything:
        return diagnose(inputs.device, points, compared=typed)
    return diagnose(inputs.device, points, FurtherEvidence(bench.powers(), bench.smallest()), typed)


def places(faults: Sequence[str]) -> Truth:
    """Causes and their ranges, as the diagnosis names them."""
    inputs = demo_inputs()
    from harness.preparation.twin import describe

    meter = describe(inputs.device, inputs.bench, inputs.bench_file, inputs.folders, ()).meter
    active = [parse_fault(text, meter) for text in faults]
    return frozenset((fault.name, fault.range or None) for fault in active)


def as_places(label: str) -> Truth:
    """The causes in a label of the diagnosis."""
    parts = [part.partition(" on ") for part in label.split(" with ")]
    return frozenset((name, rng or None) for name, _, rng in parts)


def judged(case: Case, found: Diagnosis) -> str:
    """`first`; `together` (the truth is among what is said not to be told apart); `same readings` (it is named as reading exactly like a
    simpler one); `hidden` (one of a pair is first, and the other is said not to show beside it); or what was said instead.
    """
    first = found.causes[0]
    if case.distortion in UNLISTED:
        return "first" if first.fault == "none-of-these" else first.label
    truth = places(case.faults) or frozenset({("none", None)})
    if case.distortion:
        truth = frozenset({(DRAWN[case.distortion][0], None)})
    if as_places(first.label) == truth:
        return "first"
    if truth in {as_places(label) for label in found.details.together}:
        return "together"
    if truth in {as_places(label) for label in found.details.same_readings}:
        return "same readings"
    silent = frozenset().union(*(as_places(label) for label in found.details.not_shown))
    if (first.fault == "none" or as_places(first.label) < truth) and truth - as_places(first.label) <= silent:
        return "hidden"
    return first.label


def campaign(case: Case, seeds: Sequence[int]) -> Counter[str]:
    """How often what was said."""
    return Counter(judged(case, diagnosed(case, seed)) for seed in seeds)


def possible(faults: Sequence[str]) -> bool:
    """Whether it is a pair: a name comes once, and a turn more does not make up for a turn fewer."""
    names, where = [f.partition(":")[0] for f in faults], [f.partition(":")[2] for f in faults]
    return len(set(names)) == len(names) and not (set(names) == {"turn-missing", "turn-extra"} and len(set(where)) == 1)


def cases(pairs: bool = True) -> list[Case]:
    """The whole campaign."""
    found = [Case(), Case(everything=True), Case(secondary=True)]
    found += [Case((f,)) for f in (*CURRENT_FAULTS, *OTHER_FAULTS)]
    found += [Case((f,), everything=True) for f in (*CURRENT_FAULTS, *OTHER_FAULTS)]
    found += [Case((f,), secondary=True) for f in CURRENT_FAULTS]
    # Each makes up for the other: currents see a sound meter.
    found.append(Case(("closed-turn", "drifted-gain"), secondary=True))
    found += [Case(distortion=name) for name in (*UNLISTED, *DRAWN)]
    if pairs:
        found += [Case(p) for p in itertools.combinations(CURRENT_FAULTS, 2) if possible(p)]
    return found


def _told(job: tuple[Case, range]) -> tuple[Case, Counter[str]]:
    return job[0], campaign(*job)


def main(count: int, first: int) -> None:
    """Print a line for every case and what is summed up from them."""
    print(f"catalogue revision {shipped_causes().revision}, {count} seeds from {first}")
    sums: dict[str, Counter[str]] = {}
    with ProcessPoolExecutor(2) as pool:
        jobs = [(c, range(first, first + count * (5 if not c.faults and not c.distortion else 1))) for c in cases()]
        for case, told in pool.map(_told, jobs):
            right = told["first"] + told["together"] + told["hidden"] + told["same readings"]
            part = right / told.total()
            kind = f"{len(case.faults)} faults, distortion {bool(case.distortion)}, power {case.everything}, secondary {case.secondary}"
            sums.setdefault(kind, Counter()).update(
                first=told["first"], together=told["together"], hidden=told["hidden"], same=told["same readings"], all=told.total(), right=right,
                cases=1, met=int(part >= 0.95),
            )  # fmt: skip
            print(
                f"{case.name:<75} {part:7.1%} {dict(told.most_common(5))}",
                flush=True,
            )
    for kind, total in sums.items():
        print(kind, dict(total))


if __name__ == "__main__":
    arguments = [int(a) for a in sys.argv[1:]]
    main(*(arguments + [200, REPORTED_FROM][len(arguments) :]))
