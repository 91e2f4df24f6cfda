"""Do the stated intervals hold the truth as often as they say? `python tests/benchmarks/coverage.py [VERIFICATIONS [DEPARTING]]`.

Every verification has a meter, a transformer and a reference of its own. The meter is the simulated one (core, burden, module with
its noise, rounding). The reference is wrong anywhere inside its whole claim: rectangular over each bound, normal for what the certificate of
its path states, and between two calibrated currents too, where the certificate says nothing; the simulated bench uses only a part of it.
The readings are taken from the physics directly, and are a twentieth of the work: every meter has a burden and a winding of its own, so
none can follow the course of another. With DEPARTING, a part of the current such as 0.0002, the meter departs from its own curve by so
much (one standard deviation) at every current of every range.

The truth. Of a ratio error: the means of the current that flowed and of what the meter measured of it, before noise and rounding.
Of a reading factor: the sum of what was measured over the sum of what flowed, at the same points. Of effective turns: the turns of the
winding, which is what the reader wants to know. A meter's curve has no one slope and no one intercept: theirs are those of the same
line, its weights as the evaluation chose them, through what truly flowed and was truly measured at the same points. Told beside it are
those of the line through the meter's curve over the whole range: what the few points leave of it is what U has the departure for.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
import math
import random
import sys
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
if __name__ == "__main__":
    # In place of this folder: a module called coverage must not hide the package of that name.
    sys.path[0] = str(ROOT)

from harness.commands.new import template  # noqa: E402
from harness.core.interpolation import Node, interpolate  # noqa: E402
from harness.evaluation.range_evaluation import EvaluationOptions, RangesOutcome, evaluate_ranges  # noqa: E402
from harness.evaluation.ratio.point_errors import point_values  # noqa: E402
from harness.evaluation.ratio.straight_line import line_of, propagated  # noqa: E402
from harness.evaluation.uncertainty.repeatability import run_scatter  # noqa: E402
from harness.evaluation.uncertainty.uncertainty_budget import (  # noqa: E402
    DAYS_PER_YEAR,
    InputQuantities,
)
from harness.files.bench import Bench  # noqa: E402
from harness.files.device import Device, Range  # noqa: E402
from harness.files.loading import parse_bench, parse_device  # noqa: E402
from harness.record.observations import ObservedPoint, ReadingPair  # noqa: E402
from simulated.description import MeterDescription, RangeDescription  # noqa: E402
from simulated.physics.assembly import healthy_transformer, module_with  # noqa: E402
from simulated.physics.module import Module  # noqa: E402
from simulated.physics.transformer import TransformerModel  # noqa: E402

Curve = Callable[[Range, float], float]
"""What the meter measures, before noise and rounding, of a current in amperes on a range."""

PROBABILITY = 0.95
PAIRS = 4
RUN_DATE = dt.date(2026, 7, 2)
RUNGS = (0.0, 0.22, 0.45, 0.67, 0.89, 1.0)
"""Parts of the claimed span on a logarithmic scale: about three points a decade."""

LOAD_ERROR, LOAD_WANDER = 3e-3, 1e-4
REFERENCE_NOISE = 2e-5

MOST_LABELS = 3
CURVE_POINTS = 60


@functools.cache
def described(pooled: bool = False) -> tuple[Device, Bench]:
    """The demo's own device and bench, five kelvin away from the calibration, the lead's position bounded."""
    text = template("bench.toml").replace("loops = 1 ", 'position = "0.02 %"\nloops = 1 ')
    text = text.replace('rule = "guarded"', f'rule = "guarded"\ncoverage_probability = {PROBABILITY}')
    text = text.replace('temperature = "23 degC"', 'temperature = "28 degC"')
    text = text.replace(
        'drift_per_year = "0.01 %/year"', 'drift_per_year = "0.02 %/year"\ntemperature_coefficient = "0.002 %/K"'
    )
    if pooled:
        text = text.replace("[decision]", "[evaluation]\npooled_repeatability = true\n\n[decision]")
    bench = parse_bench(text, "bench.toml")
    entry = bench.entry("reference")
    assert entry.calibration is not None
    calibration = entry.calibration.model_copy(update={"date": dt.date(2026, 1, 1), "due": dt.date(2027, 1, 1)})
    instruments = {**bench.instruments, bench.roles.reference: entry.model_copy(update={"calibration": calibration})}
    return parse_device(template("device.toml"), "device.toml"), bench.model_copy(update={"instruments": instruments})


@dataclasses.dataclass(frozen=True)
class ClaimedPath:
    """A part before the reference that uses all of its claim.

    Every calibrated current is off by a normal deviation. Between two of them their uncertainty is the linear interpolation of
    theirs, and the curve may bow: by a part of the largest bow, drawn evenly, for every interval. `shared` is the same at every
    current, `burden` by the full scale of the reference's range.
    """

    factor: float
    loops: int
    nodes: tuple[Node, ...]
    deviations: tuple[float, ...]
    bows: tuple[float, ...]
    shared: float
    burden: dict[float, float]

    def output(self, current: float, scale: float) -> float:
        """What arrives at the reference of `current` amperes in the load lead, read on the range `scale`."""
        error = claimed_error(self.nodes, self.deviations, self.bows, current * self.loops)
        return current / self.factor * (1 + error + self.shared + self.burden[scale])


def claimed_error(nodes: Sequence[Node], deviations: Sequence[float], bows: Sequence[float], current: float) -> float:
    """The true error at `current`, with the calibrated ones off by `deviations` and every curve between two bowed by its part of `bows`."""
    found = interpolate(nodes, current)
    off = sum(share * deviations[place] for place, share in found.shares)
    return found.error + off + found.bow * bows[found.interval[0]]


@dataclasses.dataclass(frozen=True)
class Reference:
    """A reference as its budget takes it: gains, offsets and what both add in one sign, by full scale, and what all its ranges share (relative).

    The three are drawn one by one, as the budget has them; a reference that keeps to its data sheet's bound is held more often.
    """

    gain: dict[float, float]
    offset: dict[float, float]
    both: dict[float, float]
    shared: float
    path: ClaimedPath

    def reading(self, current: float, scale: float, resolution: float, draw: random.Random) -> float:
        """What it reads of a primary `current`, noise and rounding included."""
        arrives = self.path.output(current, scale)
        both = self.both[scale] * math.sqrt(scale / arrives)
        read = (arrives - self.offset[scale]) * (1 + self.gain[scale] + both + self.shared)
        read += draw.gauss(0, REFERENCE_NOISE * read + 0.5 * resolution)
        return round(read / resolution) * resolution


@dataclasses.dataclass(frozen=True)
class Verification:
    """One simulated verification: what was read, what was found, and what there truly was at every point (amperes, means)."""

    device: Device
    bench: Bench
    points: tuple[ObservedPoint, ...]
    outcome: RangesOutcome
    curve: Curve
    flowed: dict[str, float]
    measured: dict[str, float]

    @functools.cached_property
    def lines(self) -> dict[str, JudgedLine]:
        """Every range's line."""
        return {rng.name: _line(self, rng) for rng in self.device.ranges}


Judged = tuple[str, float, float, float]
"""What is judged, its value, its expanded uncertainty, the truth."""


def ratio_errors(verification: Verification) -> Iterator[Judged]:
    """Every point's."""
    for result in verification.outcome.ranges:
        for p in result.points:
            truth = verification.measured[p.name] / verification.flowed[p.name] - 1
            yield p.name, p.ratio_error.value, p.ratio_error.expanded_uncertainty, truth


def reading_factors(verification: Verification) -> Iterator[Judged]:
    """Every range's, against the sums of what was measured and of what flowed."""
    for result in verification.outcome.ranges:
        factor, names = result.reading_factor, [p.name for p in result.points]
        assert factor is not None
        truth = sum(verification.measured[n] for n in names) / sum(verification.flowed[n] for n in names)
        yield result.name, factor.value, factor.expanded_uncertainty, truth


def turns(verification: Verification) -> Iterator[Judged]:
    """Of the ranges that are compared with the base range, against the turns that are there."""
    for result in verification.outcome.ranges[1:]:
        found = result.effective_turns
        assert found is not None
        yield result.name, found.value, found.expanded_uncertainty, float(result.expected_turns)


def slopes(verification: Verification) -> Iterator[Judged]:
    """Every range's, against that of the same line through the truth."""
    for name, line in verification.lines.items():
        yield name, *line.slope, line.of_points[0]


def intercepts(verification: Verification) -> Iterator[Judged]:
    """Every range's, against that of the same line through the truth."""
    for name, line in verification.lines.items():
        yield name, *line.intercept, line.of_points[1]


def slopes_of_curve(verification: Verification) -> Iterator[Judged]:
    """Every range's, against that of the line through the whole curve."""
    for name, line in verification.lines.items():
        yield name, *line.slope, line.of_curve[0]


def intercepts_of_curve(verification: Verification) -> Iterator[Judged]:
    """Every range's, against that of the line through the whole curve."""
    for name, line in verification.lines.items():
        yield name, *line.intercept, line.of_curve[1]


QUANTITIES: dict[str, Callable[[Verification], Iterator[Judged]]] = {
    "ratio error": ratio_errors,
    "reading factor": reading_factors,
    "effective turns": turns,
    "slope": slopes,
    "intercept": intercepts,
    "slope, whole curve": slopes_of_curve,
    "intercept, likewise": intercepts_of_curve,
}
"""What is judged. A further quantity is one more function here."""


def verify(seed: int, *, pooled: bool = False, departing: float = 0.0) -> Verification:
    """One verification, all its errors drawn from `seed`.

    At every current of every range the meter departs from its own curve by a normal deviation of `departing`, a part of the current.
    """
    points, curve, flowed, measured = simulated(seed, pooled=pooled, departing=departing)
    device, bench = described(pooled)
    # Causes are looked for in results that are there already.
    outcome = evaluate_ranges(device, bench, points, [], RUN_DATE, EvaluationOptions(diagnosed=False))
    return Verification(device, bench, points, outcome, curve, flowed, measured)


def simulated(
    seed: int, *, pooled: bool = False, departing: float = 0.0
) -> tuple[tuple[ObservedPoint, ...], Curve, dict[str, float], dict[str, float]]:
    """The points of one verification, the meter's curve, and what flowed and was measured at every point."""
    device, bench = described(pooled)
    draw, departures = random.Random(f"{seed} coverage"), random.Random(f"{seed} departures")
    meter = _meter(device, draw)
    transformer, module = healthy_transformer(meter), module_with(set(), meter, seed)
    reference = _reference(bench, draw)
    points: list[ObservedPoint] = []
    flowed, measured = {}, {}
    for rng in device.ranges:
        span = rng.maximum_current / rng.minimum_current
        rungs = [rng.minimum_current * span**part for part in RUNGS]
        departed = {nominal: 1 + departures.gauss(0, departing) for nominal in rungs}
        for direction, currents in (("up", rungs), ("down", rungs[-2::-1])):
            for nominal in currents:
                name = f"{rng.name} {direction} {nominal:.3g} A"
                slot = len(points) * PAIRS
                pairs, flowed[name], measured[name] = _read(
                    nominal, rng, transformer, module, reference, bench, draw, slot, departed[nominal]
                )
                scale = _scale(bench, nominal)
                points.append(ObservedPoint(rng.name, name, direction, nominal, scale[0], pairs))

    def curve(rng: Range, current: float) -> float:
        return module.measured(abs(transformer.secondary_current(rng.primary_turns * current))) * rng.display_factor

    return tuple(points), curve, flowed, measured


def tally(verifications: Iterable[Verification]) -> dict[str, dict[str, list[bool]]]:
    """Quantity -> label -> whether the interval held the truth, one entry a verification."""
    held: dict[str, dict[str, list[bool]]] = {name: defaultdict(list) for name in QUANTITIES}
    for verification in verifications:
        for name, judge in QUANTITIES.items():
            for label, value, uncertainty, truth in judge(verification):
                held[name][label].append(abs(value - truth) <= uncertainty)
    return held


def _meter(device: Device, draw: random.Random) -> MeterDescription:
    """The device's meter; its copper warms and its burden is not known better than a tenth."""
    transformer, display = device.transformer, device.display
    return MeterDescription(
        serial="",
        secondary_turns=transformer.secondary_turns,
        rated_secondary_current=transformer.rated_secondary_current,
        maximum_secondary_current=transformer.maximum_secondary_current,
        secondary_fuse=device.path.secondary_fuse,
        burden=transformer.burden * draw.uniform(0.9, 1.1),
        winding_resistance=(transformer.winding_resistance or 60.0) * draw.uniform(0.9, 1.1),
        frequency=transformer.frequency,
        resolution=display.resolution,
        smallest_readable_current=display.smallest_readable_current,
        refresh_interval=display.refresh_interval,
        ranges=tuple(
            RangeDescription(r.name, r.primary_turns, r.wiring, r.display_factor, r.minimum_current, r.maximum_current)
            for r in device.ranges
        ),
    )


def _reference(bench: Bench, draw: random.Random) -> Reference:
    entry = bench.entry("reference")
    assert entry.calibration is not None
    drift = entry.drift_per_year * (RUN_DATE - entry.calibration.date).days / DAYS_PER_YEAR
    warmth = entry.temperature_coefficient * abs(bench.environment.temperature - entry.calibration_temperature)
    return Reference(
        {r.full_scale: draw.uniform(-1, 1) * r.of_reading for r in entry.ranges},
        {r.full_scale: draw.uniform(-1, 1) * r.of_range * r.full_scale for r in entry.ranges},
        {r.full_scale: draw.uniform(-1, 1) * math.sqrt(2 * r.of_reading * r.of_range) for r in entry.ranges},
        draw.uniform(-1, 1) * drift + draw.uniform(-1, 1) * warmth,
        claimed_path(bench, draw),
    )


def claimed_path(bench: Bench, draw: random.Random) -> ClaimedPath:
    """The part before the reference, wrong by all that its certificate and the interpolation leave, and by what all share."""
    path = bench.reference_path
    part = path.part
    assert part is not None
    assert part.burden is not None
    assert part.calibration is not None
    drift = part.drift_per_year * (RUN_DATE - part.calibration.date).days / DAYS_PER_YEAR
    shared = draw.uniform(-1, 1) * drift + draw.uniform(-1, 1) * (path.position or 0.0)
    nodes = part.nodes(50.0)
    scales = [r.full_scale for r in bench.entry("reference").ranges]
    connected = {scale: bench.connected_burden(scale) for scale in scales}
    effect = draw.uniform(-1, 1) * (part.burden_effect or 0.0)
    return ClaimedPath(
        path.factor,
        path.loops,
        nodes,
        tuple(draw.gauss(0, n.standard_uncertainty) for n in nodes),
        tuple(draw.uniform(-1, 1) for _ in nodes[1:]),
        shared,
        {s: effect * abs(ohms / part.burden - 1) for s, ohms in connected.items() if ohms is not None},
    )


def _scale(bench: Bench, nominal: float) -> tuple[float, float]:
    """Full scale and resolution of the reference's range for `nominal` primary amperes."""
    entry = next(
        r for r in bench.entry("reference").ranges if r.full_scale * bench.reference_path.factor >= 1.05 * nominal
    )
    return entry.full_scale, entry.resolution


def _read(
    nominal: float,
    rng: Range,
    transformer: TransformerModel,
    module: Module,
    reference: Reference,
    bench: Bench,
    draw: random.Random,
    slot: int,
    departed: float,
) -> tuple[tuple[ReadingPair, ...], float, float]:
    """The pairs of one point, with the means of what flowed and of what was measured before noise and rounding."""
    scale, resolution = _scale(bench, nominal)
    level = nominal * (1 + draw.uniform(-LOAD_ERROR, LOAD_ERROR))
    pairs, flowed, measured = [], [], []
    for j in range(PAIRS):
        current = level * (1 + draw.gauss(0, LOAD_WANDER))
        seen = departed * module.measured(abs(transformer.secondary_current(rng.primary_turns * current)))
        flowed.append(current)
        measured.append(seen * rng.display_factor)
        read = reference.reading(current, scale, resolution, draw)
        pairs.append(ReadingPair(read, module.shown(seen, slot + j), (j, j + 0.1), (j, j + 0.1)))
    return tuple(pairs), sum(flowed) / PAIRS, sum(measured) / PAIRS


@dataclasses.dataclass(frozen=True)
class JudgedLine:
    """Slope and intercept of a range with expanded uncertainty, and the truth: of the same points, and of the whole curve."""

    slope: tuple[float, float]
    intercept: tuple[float, float]
    of_points: tuple[float, float]
    of_curve: tuple[float, float]


def _line(verification: Verification, rng: Range) -> JudgedLine:
    bench = verification.bench
    own = [p for p in verification.points if p.range == rng.name]
    inputs = InputQuantities(bench, RUN_DATE, run_scatter(verification.device, bench, verification.points))
    found = line_of(inputs, [point_values(verification.device, inputs, p) for p in own])
    assert found is not None
    slope, intercept = propagated(
        found.line, [verification.flowed[p.name] for p in own], [verification.measured[p.name] for p in own]
    )
    told = inputs.stated(found.slope), inputs.stated(found.intercept)
    return JudgedLine(
        (told[0].value, told[0].expanded_uncertainty),
        (told[1].value, told[1].expanded_uncertainty),
        (float(slope), float(intercept)),
        _through_the_curve(verification, rng, [p.nominal_current for p in own], found.line.weights),
    )


def _through_the_curve(
    verification: Verification, rng: Range, currents: Sequence[float], weights: Sequence[float] | np.ndarray
) -> tuple[float, float]:
    """Slope and intercept of the line through the meter's curve over the whole range, evenly over the logarithm of the current.

    The weight at a current is that of the evaluation, interpolated over logarithms between the points (there the mean of both directions).
    """
    log_weights: dict[float, list[float]] = defaultdict(list)
    for current, weight in zip(currents, weights, strict=True):
        log_weights[current].append(math.log(weight))
    rising = sorted(log_weights)
    x = np.geomspace(rng.minimum_current, rng.maximum_current, CURVE_POINTS)
    log_weight = np.interp(np.log(x), np.log(rising), [np.mean(log_weights[current]) for current in rising])
    y = [verification.curve(rng, float(current)) for current in x]
    # numpy squares the weights it is given.
    slope, intercept = np.polyfit(x, y, 1, w=np.exp(log_weight / 2))
    return float(slope), float(intercept)


def report(held: dict[str, dict[str, list[bool]]]) -> Iterator[str]:
    """A line for each quantity: the part of the intervals that held the truth, over all and of each label, or the worst and best of many."""
    for name, by_label in held.items():
        parts = {label: sum(hits) / len(hits) for label, hits in by_label.items()}
        whole = sum(sum(hits) for hits in by_label.values()) / sum(len(hits) for hits in by_label.values())
        told = sorted(parts, key=lambda k: parts[k])
        if len(told) > MOST_LABELS:
            told = [told[0], told[-1]]
        labels = ", ".join(f"{label} {100 * parts[label]:.2f} %" for label in told)
        yield f"{name:<20} {100 * whole:6.2f} %   {labels}"


def turns_error(verifications: Sequence[Verification]) -> Iterator[str]:
    """Root mean square error of the turns, as a part of them."""
    squares: dict[str, list[float]] = defaultdict(list)
    for verification in verifications:
        for label, value, _, truth in turns(verification):
            squares[label].append((value / truth - 1) ** 2)
    for label, own in squares.items():
        yield f"root mean square error of the turns of {label}: {100 * (sum(own) / len(own)) ** 0.5:.4f} %"


def main() -> None:
    """Print what tests/benchmarks/README.md states."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    departing = float(sys.argv[2]) if len(sys.argv) > 2 else 0.0
    for pooled in (False, True):
        print(
            f"{count} verifications, stated {100 * PROBABILITY:g} %, repeatability {'pooled' if pooled else 'of each point'}"
        )
        made = [verify(seed, pooled=pooled, departing=departing) for seed in range(count)]
        for line in (*report(tally(made)), *turns_error(made)):
            print(f"  {line}")


if __name__ == "__main__":
    main()
