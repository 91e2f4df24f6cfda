"""Ratings of the parts and conductors against the current that a range claims, and the largest current they allow."""

from collections.abc import Iterator

from harness.current_limits.ratings import CurrentLimit, claimed, device_parts, ranges_in_the_path
from harness.design.check_result import DesignFinding, amperes, in_the_way, not_protected, worth_knowing, wrong
from harness.design.conductors import SQUARE_MILLIMETRE, cord_for, cord_rating
from harness.design.supply import SLACK, supply_of
from harness.files.device import Device, Range
from harness.results import Reason


def maximum_current_on_paper(device: Device, rng: Range) -> CurrentLimit:
    """The least of the claim and the ratings of the device's own parts."""
    return min([claimed(rng), *_parts_counted(device, rng)], key=lambda part: part.current)


def _parts_counted(device: Device, rng: Range) -> list[CurrentLimit]:
    """The parts that count in a run once `rng` reads as its turns."""
    turns = float(rng.primary_turns)
    return device_parts(device, turns, ranges_in_the_path(device, rng, turns))


def conductor_rating(device: Device, rng: Range) -> float | None:
    """Usual rating in amperes of the weakest conductor in position `rng`; None when no rating is known."""
    sizes = [r.cross_section for r in device.in_circuit(rng) if r.cross_section is not None]
    return min((rating for s in sizes if (rating := cord_rating(s)) is not None), default=None)


def weak_parts(device: Device, rng: Range) -> Iterator[DesignFinding]:
    """Parts rated below the current the range claims."""
    needed = amperes(rng.maximum_current)
    of_its_own = device_parts(device, float(rng.primary_turns), [rng])
    for part in _parts_counted(device, rng):
        stands = amperes(part.current)
        if part.current * SLACK >= rng.maximum_current:
            continue
        if part.set_by.startswith(("fuse", "supply socket")):
            text = f"{part.set_by}: rated {stands}, the claim extends to {needed}; a run does not exceed the rating"
            yield worth_knowing(text, rng.name)
        else:
            optional = part.set_by.startswith(("secondary fuse", "conductor of range"))
            yield (wrong if optional else in_the_way)(
                f"{part.set_by}: rated {stands}, the claim needs {needed}; lower maximum_current to {stands} or fit a part "
                "with a higher rating"
                + ("" if part in of_its_own else "; wired wrong, this range may read right through it"),
                rng.name,
            )
    yield from _weak_conductor(device, rng)


def _weak_conductor(device: Device, rng: Range) -> Iterator[DesignFinding]:
    carries, supply = conductor_rating(device, rng), supply_of(device, rng)
    needed, why = rng.maximum_current, "the claim needs"
    if supply is not None and supply.rating > needed:
        needed, why = supply.rating, f"the {supply.name} can drive"
    if carries is None or carries * SLACK >= needed:
        return
    size = cord_for(needed)
    wanted = "a larger conductor" if size is None else f"{size / SQUARE_MILLIMETRE:g} mm2"
    text = f"conductor: a cord of its size usually carries {amperes(carries)}, {why} {amperes(needed)}; wind {wanted}"
    if carries * SLACK < rng.maximum_current or supply is None:
        yield in_the_way(text, rng.name)
        return
    yield not_protected(
        f"{text} or give {rng.name} a fuse of its own, `fuse` in its table, of at most {amperes(carries)}",
        Reason.of("unprotected-part", rng.name, part="conductor", rated=carries, supply=supply.name, current=needed),
    )
