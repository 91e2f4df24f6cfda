"""The secondary fuse: whether it lasts at the rated current, and whether it, or a primary fuse, protects the meter's input."""

import math
from collections.abc import Iterator

from harness.core.quantities import format_seconds
from harness.design.check_result import (
    DesignFinding,
    amperes,
    in_the_way,
    not_known,
    not_protected,
    secondary_of,
    worth_knowing,
)
from harness.design.fuse_melting_times import AGES_ABOVE, SURELY_MELTS, melting_window
from harness.design.supply import SLACK, Supply, lets_flow, supply_of
from harness.files.device import Device, Range
from harness.results import Reason


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
