"""Every hypothesis about a device: nothing wrong, each cause of the catalogue where it can be, and two causes at once."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

from harness.causes import Catalogue, Cause, Priors
from harness.evaluation.diagnosis.circuit import Circuit, Edit, circuit_described, edits
from harness.files.device import Device, Range

NONE = "none"
OTHER = "none-of-these"
HEALTHY_TEXT = "no fault: turns, scaling and secondary are as described"
OTHER_TEXT = "no known cause fits"

FLAT = ("gain", "transformer_gain", "reference", "closed_turn")
"""Keys of priors that act alike at every current."""

BENDING = ("slope", "droop_at_top", "droop_at_bottom", "bend")
"""Keys of priors that change with current."""

LocatedFault = tuple[str, str | None]
"""A cause and the range it is on, None for the whole device."""


@dataclass(frozen=True)
class Candidate:
    """One hypothesis or one variant of it. `effects` holds the priors it adds to what is ordinary, and the range they act on."""

    faults: tuple[LocatedFault, ...]
    text: str
    looks: tuple[str, ...]
    prior: float
    circuit: Circuit
    effects: tuple[tuple[Priors, str | None], ...]

    @property
    def common(self) -> bool:
        """Whether it makes every range err by the same part, beside what else it does."""
        return any(
            place is None and _acts(priors, FLAT) and not _acts(priors, BENDING) for priors, place in self.effects
        )

    @property
    def label(self) -> str:
        """Its name in a sentence."""
        return label(self.faults)


@dataclass(frozen=True)
class CausePair:
    """The positions, among the candidates, of a pair and of the two single causes it is made of."""

    index: int
    first: int
    second: int


def _acts(priors: Priors, keys: tuple[str, ...]) -> bool:
    plain = Priors()
    return any(getattr(priors, key) != getattr(plain, key) for key in keys)


def label(faults: tuple[LocatedFault, ...]) -> str:
    """A name such as ``turn-missing on x4 with drifted-gain``."""
    return " with ".join(f"{name} on {rng}" if rng else name for name, rng in faults)


@lru_cache(maxsize=8)
def hypotheses(device: Device, catalogue: Catalogue) -> tuple[tuple[Candidate, ...], tuple[CausePair, ...]]:
    """All candidates, the healthy one first, and the pairs; priors sum to one together with `catalogue.weights.none_of_these`."""
    weights = catalogue.weights
    plain = circuit_described(device)
    found = [Candidate(((NONE, None),), HEALTHY_TEXT, (), weights.healthy, plain, ())]
    singles = _singles(device, catalogue)
    left = 1 - weights.healthy - weights.none_of_these - weights.pairs
    found += [replace(c, prior=left * c.prior) for c, _ in singles]
    numbered = list(enumerate(singles, start=1))
    both = [(a, b) for a, b in itertools.combinations(numbered, 2) if a[1][0].faults != b[1][0].faults]
    total = sum(a[1][0].prior * b[1][0].prior for a, b in both)
    pairs = []
    for (first, (a, edit_a)), (second, (b, edit_b)) in both:
        pairs.append(CausePair(len(found), first, second))
        found.append(
            Candidate(
                (*a.faults, *b.faults),
                f"{a.text}; and {b.text}",
                (*a.looks, *b.looks),
                weights.pairs * a.prior * b.prior / total,
                edit_b(edit_a(plain)),
                (*a.effects, *b.effects),
            )
        )
    return tuple(found), tuple(pairs)


def _singles(device: Device, catalogue: Catalogue) -> list[tuple[Candidate, Edit]]:
    """Single causes, priors summing to one: each name by its weight, its variants and places equally."""
    families: dict[str, list[tuple[Candidate, Edit]]] = {}
    weights: dict[str, float] = {}
    for cause in catalogue.causes:
        made = list(_expanded(cause, device))
        if made:
            families.setdefault(cause.name, []).extend(made)
            weights[cause.name] = max(cause.weight, weights.get(cause.name, 0.0))
    total = sum(weights.values())
    return [
        (replace(c, prior=weights[name] / total / len(family)), edit)
        for name, family in families.items()
        for c, edit in family
    ]


def _expanded(cause: Cause, device: Device) -> Iterator[tuple[Candidate, Edit]]:
    plain = circuit_described(device)
    for rng in device.ranges if cause.each_range else (None,):
        for edit, other in edits(cause, device, rng):
            circuit = edit(plain)
            place = rng.name if rng is not None else None
            words = _words(device, rng, circuit, other) if rng is not None else {}
            effects = () if cause.readings == Priors() else ((cause.readings, place),)
            looks = (cause.look.format(**words),) if cause.look else ()
            yield Candidate(((cause.name, place),), cause.text.format(**words), looks, 0.0, circuit, effects), edit


def _words(device: Device, rng: Range, circuit: Circuit, other: str) -> dict[str, str]:
    index = device.ranges.index(rng)
    return {
        "range": rng.name,
        "turns": f"{abs(circuit.turns(rng.name)):g}",
        "expected": str(rng.primary_turns),
        "other": other,
        "before": device.ranges[index - 1].name if index else "",
        "factor": f"{circuit.multiplied[circuit.position[rng.name]]:g}",
    }
