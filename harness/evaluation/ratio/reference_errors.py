"""Errors of the reference instrument and of the part in its path: their known values and uncertainties.

With d the error of the reading and e that of the path, both relative, r the reading and F the factor of the path:

    I = F (r / (1 + d) + ...) / (1 + e)

Both are what a certificate says between its currents (`harness.core.interpolation`), and else zero within a claim. Every calibrated
current is one input for all points that lean on it, so what two ranges read at equal currents has it in common; every interval
between two of them has one input for what the interpolation may be wrong by.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from harness.core.interpolation import Node, covers, interpolate
from harness.core.quantities import format_quantity
from harness.evaluation.uncertainty.gum_formulas import Distribution
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.instrument_entry import Accuracy, InstrumentEntry
from harness.files.reference_part import K_OF_CERTIFICATE, SAME_BURDEN, SAME_FREQUENCY


@dataclass(frozen=True)
class Deviation:
    """A relative error, or an angle in rad: its known value, and the inputs it depends on, each with its share."""

    known: float
    terms: tuple[tuple[float, Any], ...] = ()

    @property
    def uncertain(self) -> Any:
        return self.known + sum(share * variable for share, variable in self.terms)

    def drawn(self, draws: Callable[[Any], Any]) -> Any:
        """Its value in every trial; `draws` gives what was drawn for an input."""
        return self.known + sum(share * draws(variable) for share, variable in self.terms)


def path_error(inputs: InputQuantities, current: float, frequency: float, full_scale: float) -> Deviation:
    """Ratio error of the path at `current` amperes of the load lead, on the range of `full_scale`. Raises ValueError where unknown."""
    path = inputs.bench.reference_path
    if path.part is None:
        return Deviation(0.0)
    found = _of_part(inputs, current, frequency, full_scale, phase=False)
    if found is None:
        raise ValueError(path.unknown(current, frequency, inputs.bench.connected_burden(full_scale)))
    return Deviation(found.known, (*found.terms, *_since_calibration(inputs), *_warmth(inputs, current)))


def path_angle(inputs: InputQuantities, current: float, frequency: float, full_scale: float) -> Deviation | None:
    """Phase displacement of the path in rad, positive when its output leads; None where nothing is known of it.

    Drift, temperature and the lead's position are stated of the ratio error alone. Each changes the ratio as a complex number, in a
    direction nobody states, so the same bound holds for the angle in rad, and the name of the input says so. A shunt's resistance changes
    without turning anything.
    """
    path = inputs.bench.reference_path
    if path.part is None:
        return Deviation(0.0)
    found = _of_part(inputs, current, frequency, full_scale, phase=True)
    if found is None or path.kind == "shunt":
        return found
    beside = _since_calibration(inputs, ", phase displacement (not stated: as the ratio error)", "rad")
    return Deviation(found.known, (*found.terms, *beside))


def reading_error(
    inputs: InputQuantities, of: str, entry: InstrumentEntry, scale: Accuracy, reading: float, frequency: float
) -> tuple[Deviation, Any]:
    """Relative error of a `reading` on the range `scale` of an instrument called `of`, and its offset in its own unit.

    A data sheet's parts of reading (a) and of range (b R) are one bound, a r + b R, as a rectangle (JCGM 100:2008, 4.3.7, example 2). Gain and offset as
    inputs of their own would come to (a r)^2 + (b R)^2 where (a r + b R)^2 is meant; an input of its own has the 2 a r b R between. One input alone
    would claim to know how the error at one reading follows from that at another.
    """
    on_range = f"{of}, {format_quantity(scale.full_scale, scale.unit)} range"
    since = tuple((1.0, v) for v in inputs.since_calibration(of, entry))
    rows = [c for c in scale.corrections if abs(c.frequency / frequency - 1) <= SAME_FREQUENCY]
    nodes = [Node(c.reading, c.error, c.uncertainty / K_OF_CERTIFICATE) for c in rows]
    if covers(nodes, reading):
        known = _between(inputs, _Known(on_range, "error", nodes, scale.unit, "normal", "1"), reading)
        return Deviation(known.known, (*known.terms, *since)), 0.0
    gain = inputs.shared_bound(f"{on_range}: gain", scale.of_reading)
    offset = inputs.shared_bound(f"{on_range}: offset", scale.of_range * scale.full_scale, scale.unit)
    both = inputs.shared_bound(
        f"{on_range}: gain and offset of one sign", math.sqrt(2 * scale.of_reading * scale.of_range)
    )
    return Deviation(0.0, ((1.0, gain), (math.sqrt(scale.full_scale / reading), both), *since)), offset


def _of_part(
    inputs: InputQuantities, current: float, frequency: float, full_scale: float, *, phase: bool
) -> Deviation | None:
    path, burden = inputs.bench.reference_path, inputs.bench.connected_burden(full_scale)
    part, through = path.part, current * path.loops
    assert part is not None
    origin, nodes = next(
        ((o, n) for o, n in inputs.known_of_path(frequency, burden, phase=phase) if covers(n, through)), ("", ())
    )
    if not nodes:
        return None
    what, unit = ("phase displacement", "rad") if phase else ("ratio error", "1")
    calibrated = origin == "calibrated"
    named = path.part_name if calibrated else f"{path.part_name}, {origin}"
    distribution: Distribution = "normal" if calibrated else "rectangular"
    found = _between(inputs, _Known(named, what, nodes, "A", distribution, unit), through)
    terms = list(found.terms)
    if calibrated and part.burden_effect is not None and burden is not None and part.burden is not None:
        away = abs(burden / part.burden - 1)
        # How the secondary current turns with its burden is not known, so the same bound holds for size and angle.
        effect = inputs.shared_bound(f"{path.part_name}: burden, {what}", part.burden_effect, unit)
        terms.append((away if away > SAME_BURDEN else 0.0, effect))
    if calibrated and not phase and part.rows(frequency)[0].frequency == 0:
        differs = inputs.shared_bound(f"{path.part_name}: ac-dc difference", part.ac_dc_difference or 0.0)
        terms.append((1.0, differs))
    return Deviation(found.known, tuple((share, v) for share, v in terms if share))


@dataclass(frozen=True)
class _Known:
    """Known errors of `named` at some currents or readings, in the unit `at`: the error `what`, in `unit`, each of this distribution."""

    named: str
    what: str
    nodes: Sequence[Node]
    at: str
    distribution: Distribution
    unit: str


def _between(inputs: InputQuantities, known: _Known, place: float) -> Deviation:
    """The error at `place`, between those that are known."""
    found = interpolate(known.nodes, place)
    terms = []
    for index, share in found.shares:
        node = known.nodes[index]
        name = f"{known.named} at {format_quantity(node.at, known.at)}: {known.what}"
        terms.append((share, inputs.shared(name, node.standard_uncertainty, known.distribution, known.unit)))
    if found.largest_bow:
        low, high = (format_quantity(known.nodes[i].at, known.at) for i in found.interval)
        name = f"{known.named}, {low} to {high}: interpolation of the {known.what}"
        bow = inputs.shared_bound(name, found.largest_bow, known.unit)
        terms.append((found.bow / found.largest_bow, bow))
    return Deviation(found.error, tuple((share, variable) for share, variable in terms if share))


def _since_calibration(inputs: InputQuantities, of: str = "", unit: str = "1") -> list[tuple[float, Any]]:
    """Drift since the calibration, the temperature now, and where the lead lies; `of` goes behind the names of the inputs."""
    path = inputs.bench.reference_path
    assert path.part is not None
    of_part = inputs.since_calibration(path.part_name, path.part, of, unit)
    position = inputs.shared_bound(f"reference path: position of the lead{of}", path.position or 0.0, unit)
    return [(1.0, variable) for variable in (*of_part, position)]


def _warmth(inputs: InputQuantities, current: float) -> list[tuple[float, Any]]:
    """Error from a shunt's own heat: at its rated power the bound, else in proportion to its power."""
    part, named = inputs.bench.reference_path.part, inputs.bench.reference_path.part_name
    if part is None or part.power_rating is None or part.resistance is None:
        return []
    bound = (part.temperature_coefficient or 0.0) * (part.self_heating or 0.0) * part.power_rating
    share = min(1.0, part.resistance * current**2 / part.power_rating) if math.isfinite(current) else 1.0
    return [(share, inputs.shared_bound(f"{named}: self-heating", bound))]
