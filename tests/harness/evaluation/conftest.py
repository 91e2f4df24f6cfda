"""A meter with two ranges on a plain bench, and points as a run would have left them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pytest

from harness.core.arrays import Array
from harness.evaluation.uncertainty.shared_inputs import SharedCovariance
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.loading import parse_bench, parse_device
from harness.files.reference_part import CalibratedAt
from harness.record.observations import ObservedPoint, ReadingPair

RUN_DATE = dt.date(2026, 7, 2)

SCALES = (0.01, 0.1, 1.0, 10.0)
"""Full scales of the bench's reference, amperes."""

DEVICE = """
[identity]
maker = "Ostrel"
type = "PM-13 panel meter"
serial = "5521"
[transformer]
secondary_turns = 1000
rated_secondary_current = "100 mA"
maximum_secondary_current = "100 mA"
burden = "10 ohm"
[display]
resolution = "1 mA"
smallest_readable_current = "20 mA"
[path]
switch = "1 kA"
conductor = "1 kA"
[claim]
of_reading = "1 %"
counts = 2
[[ranges]]
name = "x1"
primary_turns = 1
display_factor = 1.0
minimum_current = "1 A"
maximum_current = "100 A"
[[ranges]]
name = "x10"
primary_turns = 10
wiring = "series"
display_factor = 0.1
minimum_current = "100 mA"
maximum_current = "10 A"
"""

BENCH = """
[laboratory]
name = "Quillmoor Bench"
[roles]
load = "source"
reference = "multimeter"
meter = "monitor"
switch = "hand"
[environment]
temperature = "23 degC"
[reference_path]
kind = "transformer"
[reference_path.part]
serial = "T-0415"
calibration = { certificate = "Q-2", date = 2026-01-01, due = 2027-01-01 }
ratio = 20
rated_current = "100 A"
burden = "0.1 ohm"
calibrated = [
  { current = "1 mA", frequency = "50 Hz", ratio_error = "0 %", uncertainty = "0.05 %", phase_uncertainty = "0 deg" },
  { current = "100 A", frequency = "50 Hz", ratio_error = "0 %", uncertainty = "0.05 %", phase_uncertainty = "0 deg" },
]
[instruments.source]
profile = "scpi_load"
address = "TCPIP::127.0.0.1::1::SOCKET"
[instruments.multimeter]
profile = "scpi_multimeter"
address = "TCPIP::127.0.0.1::2::SOCKET"
drift_per_year = "0.02 %/year"
temperature_coefficient = "0.001 %/K"
calibration = { certificate = "Q-1", date = 2026-01-01, due = 2027-01-01 }
ranges = [
  { full_scale = "10 mA", of_reading = "0.06 %", of_range = "0.02 %", resolution = "10 nA", burden = "0.1 ohm" },
  { full_scale = "100 mA", of_reading = "0.06 %", of_range = "0.02 %", resolution = "100 nA", burden = "0.1 ohm" },
  { full_scale = "1 A", of_reading = "0.08 %", of_range = "0.02 %", resolution = "1 uA", burden = "0.1 ohm" },
  { full_scale = "10 A", of_reading = "0.10 %", of_range = "0.02 %", resolution = "10 uA", burden = "0.1 ohm" },
]
[instruments.monitor]
profile = "person"
[instruments.hand]
profile = "person"
"""


@pytest.fixture
def device() -> Device:
    """One turn, and nine more in series: ten."""
    return parse_device(DEVICE, "device.toml")


@pytest.fixture
def independent_device() -> Device:
    """The same with a ten-turn winding of its own."""
    return parse_device(DEVICE.replace('"series"', '"independent"'), "device.toml")


@pytest.fixture
def bench() -> Bench:
    return parse_bench(BENCH, "bench.toml")


ANALYSER = """voltage = { of_reading = "0.05 %", resolution = "10 mV" }
power = { of_reading = "0.1 %", phase = "0.02 deg", resolution = "1 mW" }
drift_per_year = "0.02 %/year\""""


@pytest.fixture
def power_device() -> Device:
    """Its display shows power and power factor too."""
    shown = 'resolution = "1 mA"\npower_resolution = "0.1 W"\npower_factor_resolution = 0.01\n'
    return parse_device(DEVICE.replace('resolution = "1 mA"\n', shown), "device.toml")


@pytest.fixture
def power_bench() -> Bench:
    """The reference is an analyser: it reads voltage and power too."""
    return parse_bench(BENCH.replace('drift_per_year = "0.02 %/year"', ANALYSER), "bench.toml")


def recalibrated(bench: Bench, rows: Sequence[Mapping[str, str]], **path: object) -> Bench:
    """`bench` with these rows of the certificate of its reference transformer, at 50 Hz and 0.05 % unless they say otherwise."""
    part = bench.reference_path.part
    assert part is not None
    stated = {"frequency": "50 Hz", "ratio_error": "0 %", "uncertainty": "0.05 %"}
    calibrated = tuple(CalibratedAt.model_validate({**stated, **row}) for row in rows)
    changed = {"part": part.model_copy(update={"calibrated": calibrated}), **path}
    return bench.model_copy(update={"reference_path": bench.reference_path.model_copy(update=changed)})


@pytest.fixture
def simple_bench() -> Bench:
    """Acceptance without a guard band."""
    return parse_bench(BENCH + '[decision]\nrule = "simple"\n', "bench.toml")


def observed(
    rng: str,
    current: float,
    displayed: Sequence[float],
    *,
    direction: str = "up",
    references: Sequence[float] | None = None,
    nominal: float | None = None,
    power_factor: float | None = None,
    also: Mapping[str, float] | None = None,
    name: str = "",
) -> ObservedPoint:
    """A point at `current` amperes with one pair per displayed value, read by a reference behind 20:1.

    `also` was read beside every pair.
    """
    readings = references if references is not None else [current / 20] * len(displayed)
    return ObservedPoint(
        range=rng,
        name=name or f"{rng} {direction} {current:.4g} A",
        direction=direction,
        nominal_current=current if nominal is None else nominal,
        reference_scale=next(s for s in SCALES if 20 * s >= 1.05 * current),
        pairs=tuple(
            ReadingPair(r, d, (i, i + 0.1), (i, i + 0.1), also or {})
            for i, (r, d) in enumerate(zip(readings, displayed, strict=True))
        ),
        power_factor=power_factor,
    )


def sweep(device: Device, shown: Callable[[str, float], float], pairs: int = 4) -> list[ObservedPoint]:
    """Every range up and down over its claimed span; `shown(range, current)` is what the display shows, then rounded."""
    points = []
    for rng in device.ranges:
        rungs = [rng.minimum_current * (rng.maximum_current / rng.minimum_current) ** (i / 4) for i in range(5)]
        for direction, currents in (("up", rungs), ("down", rungs[-2::-1])):
            for current in currents:
                value = round(shown(rng.name, current) / device.display.resolution) * device.display.resolution
                points.append(observed(rng.name, current, [value] * pairs, direction=direction))
    return points


def as_matrix(covariance: SharedCovariance) -> Array:
    """The whole matrix (n, n), which the program never makes."""
    found: Array = np.diag(covariance.own) + covariance.shared @ covariance.shared.T
    return found
