"""Ratings of the parts against the current, the protection against more, and the voltage of an open secondary."""

import math
from collections.abc import Iterator

from harness.core.quantities import format_quantity, format_seconds
from harness.current_limits.ratings import CurrentLimit, claimed, device_parts, ranges_in_the_path
from harness.design.check_result import (
    DesignFinding,
    in_the_way,
    not_known,
    not_protected,
    secondary_of,
    worth_knowing,
    wrong,
)
from harness.design.conductors import SQUARE_MILLIMETRE, cord_for, cord_rating
from harness.design.fuses import AGES_ABOVE, SURELY_MELTS, melting_window
from harness.design.supply import SLACK, Supply, lets_flow, supply_of
from harness.files.device import Device, Range
from harness.results import Reason

EXTRA_LOW = 50.0 * math.sqrt(2)
"""Peak volts of 50 V AC, the limit of extra-low voltage (IEC 61140 band I; value from memory)."""


def amperes(value: float) -> str:
    return format_quantity(value, "A", 3)


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


def input_protected(device: Device, rng: Range) -> Iterator[DesignFinding]:
    """Checks that protection keeps currents above the input's rating, which the supply can sustain, from the meter's input."""
    supply, stands = supply_of(device, rng), device.transformer.maximum_secondary_current
    worst = 0.0 if supply is None else secondary_of(device, rng, supply.operates)
    if supply is None or worst <= stands * SLACK:
        return
    what = f"{lets_flow(supply)}: {amperes(worst)} into an input rated {amperes(stands)}"
    remedy = _remedy(device, rng, supply)
    unprotected = Reason.of("unprotected-input", rng.name, current=worst, rated=stands, supply=supply.name)
    fuse = device.path.secondary_fuse
    if fuse is None:
        none_can = SURELY_MELTS * device.transformer.rated_secondary_current / AGES_ABOVE > stands * SLACK
        between = "with no fuse between" + (
            ", and none in the secondary can protect it: one that lasts melts too late" if none_can else ""
        )
        yield not_protected(f"meter input: {what}, {between}; {remedy}", unprotected)
        return
    # The longest melting time is at the least current that is too much, not at the most that can flow.
    longest = melting_window(fuse, device.path.secondary_fuse_type, stands)[1]
    if math.isinf(longest):
        need_not = min(worst, SURELY_MELTS * fuse)
        text = (
            f"secondary fuse cannot protect: {what}; {amperes(fuse)} need not melt up to {amperes(need_not)}; {remedy}"
        )
        yield not_protected(text, unprotected)
    else:
        held = f"for up to {format_seconds(longest)} before it melts; find out whether the input withstands that"
        yield not_known(
            f"secondary fuse: {what} {held}, or {remedy}",
            Reason.of("open-input", rng.name, current=worst, seconds=longest),
        )


def _remedy(device: Device, rng: Range, supply: Supply) -> str:
    """A primary fuse that surely protects the input and, where there can be one, also carries the claim."""
    primary = device.transformer.maximum_secondary_current * device.transformer.secondary_turns / rng.primary_turns
    rating = primary / supply.multiple
    if rating * SLACK < rng.maximum_current:
        return (
            f"a primary fuse that protects the input melts below the claim: claim no more than {amperes(rating)} and give {rng.name} "
            f"a fuse of its own of that, or feed this range from a source that cannot drive more than {amperes(primary)} (no key of the device file states one)"
        )
    return f"give {rng.name} a fuse of its own, `fuse` in its table, of no more than {amperes(rating)}"


def secondary_fuse_findings(device: Device) -> Iterator[DesignFinding]:
    """Checks that the secondary fuse carries the rated current permanently, and from which current it protects the input."""
    fuse, transformer = device.path.secondary_fuse, device.transformer
    if fuse is None:
        return
    rated, stands = transformer.rated_secondary_current, transformer.maximum_secondary_current
    if rated > fuse * AGES_ABOVE * SLACK:
        overloaded = rated > fuse * SLACK
        yield (in_the_way if overloaded else worth_knowing)(
            f"secondary fuse: {amperes(fuse)} {'is overloaded' if overloaded else 'ages'} at the rated {amperes(rated)}; "
            f"one of {amperes(rated / AGES_ABOVE)} or more lasts (common practice: no more than 75 % for good)"
        )
    surely = SURELY_MELTS * fuse
    if surely > stands * SLACK:
        yield worth_knowing(
            f"secondary fuse: {amperes(fuse)} is guaranteed to operate only from {amperes(surely)} ({SURELY_MELTS:g} In), the "
            f"input is rated {amperes(stands)}: no protection between, so limit the primary"
        )
    if device.path.secondary_fuse_type is None:
        yield not_known(
            "secondary fuse: F or T is not given; read the letter on its cap and give secondary_fuse_type",
            Reason.of("open-secondary-fuse-type"),
        )


def clamp(device: Device) -> Iterator[DesignFinding]:
    """Checks that the voltage of an open secondary is limited, wherever it opens."""
    fused = device.path.secondary_fuse is not None
    opens = "a melted fuse or a loose wire" if fused else "a loose wire"
    if device.path.secondary_clamp == "across winding":
        yield from _limited(device)
    elif device.path.secondary_clamp == "behind fuse":
        yield in_the_way(
            "clamp: behind the fuse it limits nothing once the fuse has melted, and the voltage of the open secondary is "
            "DANGEROUS; put it across the winding, ahead of the fuse"
        )
    elif device.path.secondary_clamp is None:
        text = (
            f"clamp: secondary_clamp is not given; {opens} leaves the secondary open under current, and the voltage there is "
            'DANGEROUS. Look for a voltage limiter or shorting device across the winding, ahead of any fuse; "none" if there is none'
        )
        yield in_the_way(text) if fused else not_known(text, Reason.of("open-clamp"))
    else:
        text = f"clamp: there is none; {opens} leaves the secondary open under current, and the voltage there is DANGEROUS; fit one "
        yield (
            in_the_way(f"{text}across the winding, ahead of the fuse")
            if fused
            else worth_knowing(f"{text}across the winding")
        )


def _limited(device: Device) -> Iterator[DesignFinding]:
    limit = device.path.secondary_clamp_voltage
    if limit is None:
        yield not_known(
            "clamp: secondary_clamp_voltage is not given; look for the peak voltage it limits to, and that it stands the "
            "secondary current for as long as a fault lasts",
            Reason.of("open-clamp-voltage"),
        )
        return
    loop = device.transformer.burden + (device.path.secondary_fuse_resistance or 0.0)
    usual = math.sqrt(2) * device.transformer.maximum_secondary_current * loop
    limited, shown = format_quantity(limit, "V", 3), format_quantity(usual, "V", 3)
    if limit <= usual:
        yield in_the_way(
            f"clamp: limits to {limited}, burden and fuse need {shown} at the largest secondary current; fit one above it"
        )
        return
    text = f"clamp: limits an open secondary to {limited} peak; burden and fuse need {shown} at most"
    if limit > EXTRA_LOW:
        text += f"; that is above extra-low voltage ({format_quantity(EXTRA_LOW, 'V', 2)} peak), do not touch it"
    yield worth_knowing(text)
