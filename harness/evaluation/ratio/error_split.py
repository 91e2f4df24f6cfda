"""Split of a ratio error into the transformer's part and the metering module's, when the secondary current was read too.

With I the reference current, N1 and N2 the turns described, I2 the secondary current and X the indicated current:

    e_T = I2 N2 / (N1 I) - 1      the transformer with its turns (ratio error of IEC 61869-2 of the transformer alone)
    e_M = X N1 / (I2 N2) - 1      the metering module behind it
    1 + e = (1 + e_T) (1 + e_M)
"""

from dataclasses import dataclass
from typing import Any

from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.ratio.reference_errors import reading_error
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.device import Device


@dataclass(frozen=True)
class Split:
    """The two parts of a point's ratio error, fractions; `secondary` in amperes."""

    point: PointValues
    secondary: Any
    transformer_error: Any
    module_error: Any


def split(device: Device, inputs: InputQuantities, point: PointValues) -> Split | None:
    """The parts of a point's error; None where no current was read in the secondary."""
    role, observed = inputs.bench.roles.secondary, point.observed
    if role is None or point.ratio_error is None or not observed.shows("secondary_current"):
        return None
    mean = observed.mean("secondary_current")
    if mean <= 0:
        return None
    entry, transformer = inputs.bench.instruments[role], device.transformer
    # It stands on one range for the whole run (`harness.run.auxiliary_readings`).
    largest = transformer.maximum_secondary_current
    scale = next((r for r in entry.ranges if r.full_scale >= largest), entry.ranges[-1])
    off, offset = reading_error(inputs, "meter in the secondary", entry, scale, mean, transformer.frequency)
    resolution = inputs.own_bound("resolution of the meter in the secondary", scale.resolution / 2, "A")
    secondary = mean / (1 + off.uncertain) + offset + resolution
    turns = device.range_named(observed.range).primary_turns
    ampere_turns = secondary * transformer.secondary_turns
    return Split(
        point=point,
        secondary=secondary,
        transformer_error=ampere_turns / (turns * point.reference) - 1,
        module_error=point.indicated * turns / ampere_turns - 1,
    )
