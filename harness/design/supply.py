"""The supply of the current path, and the overcurrent it lets flow for long.

No fuse and no circuit-breaker limits at its rating. Up to its conventional non-fusing (non-tripping) current it must hold for the
conventional time, and only from its conventional fusing (tripping) current must it have ended the current by then.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from harness.core.quantities import format_quantity, format_seconds
from harness.current_limits.ratings import own
from harness.design.check_result import DesignFinding, not_known, not_protected, worth_knowing
from harness.design.fuse_melting_times import HOUR, MINUTE, SURELY_MELTS
from harness.files.device import Device, Path, PrimaryFuse, Range
from harness.results import Reason

SLACK = 1 + 1e-9
"""Ratings this close are the same: floating-point rounding."""


@dataclass(frozen=True)
class Conventional:
    """Conventional currents of one kind of device for ratings from above `above` up to `up_to` amperes.

    At `carries` times its rating it must hold for the conventional time, at `operates` times it has operated within `seconds`.
    """

    kind: PrimaryFuse
    above: float
    up_to: float
    carries: float
    operates: float
    seconds: float
    source: str


_PLUG = "BS 1362: 1.9 In read on a page of a seller, 1.6 In a value from memory"
_GENERAL = "IEC 60269-1, values from memory"
_BREAKER = "IEC 60898-1, values from memory"
_MINIATURE = "IEC 60127-2"

TABLE = (
    Conventional("plug-top", 0.0, 13.0, 1.6, 1.9, 30 * MINUTE, _PLUG),
    Conventional("gG", 0.0, 4.0, 1.5, 2.1, HOUR, _GENERAL),
    Conventional("gG", 4.0, 15.99, 1.5, 1.9, HOUR, _GENERAL),
    Conventional("gG", 15.99, 63.0, 1.25, 1.6, HOUR, _GENERAL),
    Conventional("gG", 63.0, 160.0, 1.25, 1.6, 2 * HOUR, _GENERAL),
    Conventional("gG", 160.0, 400.0, 1.25, 1.6, 3 * HOUR, _GENERAL),
    Conventional("breaker", 0.0, 63.0, 1.13, 1.45, HOUR, _BREAKER),
    Conventional("breaker", 63.0, 125.0, 1.13, 1.45, 2 * HOUR, _BREAKER),
    Conventional("F", 0.0, 10.0, 1.5, SURELY_MELTS, 30 * MINUTE, _MINIATURE),
    Conventional("T", 0.0, 20.0, 1.5, SURELY_MELTS, 2 * MINUTE, _MINIATURE),
)


@dataclass(frozen=True)
class Supply:
    """The supply of the current path, `name`, rated `rating` amperes.

    It must hold `carries` amperes for the conventional time, and is guaranteed to operate only from `operates` amperes, within `seconds`.
    """

    name: str
    rating: float
    carries: float
    operates: float
    seconds: float

    @property
    def multiple(self) -> float:
        """Multiple of its rating from which it is guaranteed to operate."""
        return self.operates / self.rating


def supply_of(device: Device, rng: Range) -> Supply | None:
    """The supply of `rng` that lets the least current flow for long; None when the file names neither fuse nor supply socket.

    Of a socket only the rating is known: the protection ahead of it may be of any kind. A fuse of the range before it, in series,
    may sit in the lead of its tap, so it protects that range only.
    """
    path = device.path
    named = [
        _supply(name, where.fuse, where.fuse_type)
        for name, where in (("fuse", path), (own("fuse", rng), rng))
        if where.fuse is not None
    ]
    if path.supply_socket is not None:
        named.append(_supply("supply socket", path.supply_socket, None))
    return min(named, key=lambda s: s.operates, default=None)


def _supply(name: str, rating: float, kind: PrimaryFuse | None) -> Supply:
    """The protection of a supply called `name`, rated `rating` amperes: of `kind`, or the worst of all kinds at that rating where None.

    A rating beyond its kind's table counts as the last one there.
    """
    kinds = [c for c in TABLE if kind in (None, c.kind)]
    fits = [c for c in kinds if c.above * SLACK < rating <= c.up_to * SLACK] or [max(kinds, key=lambda c: c.up_to)]
    carries, operates = rating * min(c.carries for c in fits), rating * max(c.operates for c in fits)
    return Supply(name, rating, carries, operates, max(c.seconds for c in fits))


def lets_flow(supply: Supply) -> str:
    """The current that `supply` lets flow, as text."""
    amount, rating = format_quantity(supply.operates, "A", 3), format_quantity(supply.rating, "A", 3)
    return f"the {supply.name} ({rating}) is guaranteed to operate only from {amount}, within {format_seconds(supply.seconds)}"


def supplied(device: Device) -> Iterator[DesignFinding]:
    """Checks the current each supply can push through switch and conductors, whatever the ranges claim."""
    supplies: dict[Supply | None, list[Range]] = {}
    for rng in device.ranges:
        supplies.setdefault(supply_of(device, rng), []).append(rng)
    for supply, ranges in supplies.items():
        if supply is not None:
            yield from _pushed(supply, _parts(device, ranges))
            continue
        names = None if len(ranges) == len(device.ranges) else tuple(rng.name for rng in ranges)
        of = "" if names is None else f" of {', '.join(names)}"
        yield not_protected(
            f"supply{of}: neither fuse nor supply_socket is given in [path], so whatever can flow in a fault counts as too much. "
            "Give the rating of what it is plugged into",
            Reason.of("open-supply", ranges=names),
        )
    fuses: list[tuple[str, Path | Range]] = [("fuse", device.path), *((own("fuse", rng), rng) for rng in device.ranges)]
    for name, where in fuses:
        if where.fuse is not None and where.fuse_type is None:
            yield not_known(
                f'{name}: fuse_type is not given; read what is printed on it ("plug-top", "gG", "breaker", "F" or "T"). Until then '
                "the worst of them is taken",
                Reason.of("open-fuse-type", fuse=name),
            )


def _parts(device: Device, ranges: Collection[Range]) -> Iterator[tuple[float, str]]:
    """Switch and conductors that carry the current of any of `ranges`: rating in amperes, and name."""
    if not all(rng.bypasses_switch for rng in ranges):
        yield device.path.switch, "range switch"
    yield device.path.conductor, "conductor"
    for section in dict.fromkeys(section for rng in ranges for section in device.in_circuit(rng)):
        if section.conductor is not None:
            yield section.conductor, own("conductor", section)


def _pushed(supply: Supply, parts: Iterator[tuple[float, str]]) -> Iterator[DesignFinding]:
    rating, held = format_quantity(supply.rating, "A", 3), format_quantity(supply.carries, "A", 3)
    warm = []
    for stands, name in parts:
        least = format_quantity(stands, "A", 3)
        if stands * SLACK < supply.rating:
            yield not_protected(
                f"{name}: rated {least}, the {supply.name} lets {rating} flow; fit one for {rating} or a fuse of at most {least}",
                Reason.of("unprotected-part", part=name, rated=stands, supply=supply.name, current=supply.rating),
            )
        elif stands * SLACK < supply.operates:
            warm.append(f"{name} ({least})")
    text = f"no limit at its rating: it must hold {held} for long, and {lets_flow(supply)}"
    yield worth_knowing(f"{text}; until then more than the rating may flow in {' and '.join(warm)}" if warm else text)
