"""Every hypothesis about a device: nothing wrong, each cause of the catalogue where it can be, and two causes at once."""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.core.arrays import Array, Indices
from harness.evaluation.diagnosis.altered_circuit import Circuit, Edit, circuit_described, edits, stacked
from harness.evaluation.diagnosis.cause_schema import SPREAD, Catalogue, Cause, Priors
from harness.files.device import Device, Range

NONE = "none"
OTHER = "none-of-these"

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
    effects: tuple[tuple[Priors, str | None], ...]

    @property
    def common(self) -> bool:
        """Whether it makes every range err by the same part, beside what else it does."""
        return any(
            place is None and _acts(priors, FLAT) and not _acts(priors, BENDING) for priors, place in self.effects
        )

    @property
    def label(self) -> str:
        """A name such as ``turn-missing on x4 with drifted-gain``."""
        return " with ".join(f"{name} on {rng}" if rng else name for name, rng in self.faults)


SOUND = Candidate(((NONE, None),), "no fault: turns, scaling and secondary are as described", (), 1.0, ())
NO_KNOWN = Candidate(((OTHER, None),), "no known cause fits", (), 1.0, ())


@dataclass(frozen=True)
class Hypotheses:
    """h hypotheses, each `singles` at `first` and at `second` (h,) together.

    The singles come first, each with the sound meter (0), which adds nothing; then the pairs. `priors` (h,) and `circuit` of all.
    `variant_of`: a number for each single, the same for variants of one cause in one place.
    """

    singles: tuple[Candidate, ...]
    variant_of: Indices
    first: Indices
    second: Indices
    priors: Array
    circuit: Circuit

    def candidate(self, index: int) -> Candidate:
        """The hypothesis at `index`, in words."""
        if index < len(self.singles):
            return self.singles[index]
        a, b = self.singles[int(self.first[index])], self.singles[int(self.second[index])]
        faults, text = (*a.faults, *b.faults), f"{a.text}; and {b.text}"
        return Candidate(faults, text, (*a.looks, *b.looks), float(self.priors[index]), (*a.effects, *b.effects))


def _acts(priors: Priors, keys: tuple[str, ...]) -> bool:
    plain = Priors()
    return any(getattr(priors, key) != getattr(plain, key) for key in keys)


def sound_meter(device: Device) -> Hypotheses:
    """The one hypothesis that nothing is wrong."""
    itself = np.zeros(1, dtype=np.int64)
    return Hypotheses((SOUND,), itself, itself, itself, np.ones(1), circuit_described(device))


def beside_a_sound_circuit(device: Device, singles: Sequence[Candidate]) -> Hypotheses:
    """Those of `singles` alone, whose turns, switch and display are as described."""
    each, count = (SOUND, *singles), len(singles)
    first, second = np.arange(1, count + 1), np.zeros(count, dtype=np.int64)
    circuit = circuit_described(device)[second]
    return Hypotheses(each, np.arange(count + 1), first, second, np.full(count, 1 / count), circuit)


def hypotheses(device: Device, catalogue: Catalogue) -> Hypotheses:
    """All there are; their priors sum to one together with `catalogue.weights.none_of_these`."""
    weights, found, plain = catalogue.weights, _singles(device, catalogue), circuit_described(device)
    left = 1 - weights.healthy - weights.none_of_these - weights.pairs
    singles = (replace(SOUND, prior=weights.healthy), *(replace(c, prior=left * c.prior) for c, _ in found))
    numbers = {faults: n for n, faults in enumerate(dict.fromkeys(c.faults for c in singles))}
    variant_of = np.array([numbers[c.faults] for c in singles])
    first, second = np.triu_indices(len(singles), k=1)
    kept = (first > 0) & (variant_of[first] != variant_of[second])
    first, second = first[kept], second[kept]
    alone = np.array([c.prior for c in singles])
    together = alone[first] * alone[second]
    circuits = stacked([plain, *(edit(plain) for _, edit in found)])
    # The second cause changes the circuits of all its firsts at once; then the pairs go back into their order.
    of_pairs = [edit(circuits[first[second == n]]) for n, (_, edit) in enumerate(found, start=1)]
    order = np.argsort(np.lexsort((first, second)))
    itself = np.arange(len(singles))
    return Hypotheses(
        singles,
        variant_of,
        np.concatenate([itself, first]),
        np.concatenate([np.zeros_like(itself), second]),
        np.concatenate([alone, weights.pairs * together / together.sum()]),
        stacked([circuits, *of_pairs])[np.concatenate([itself, len(singles) + order])],
    )


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
            place = rng.name if rng is not None else None
            words = _words(device, rng, edit(plain), other) if rng is not None else {}
            looks = (cause.look.format(**words),) if cause.look else ()
            for readings in _narrow(cause.readings):
                effects = () if readings == Priors() else ((readings, place),)
                yield Candidate(((cause.name, place),), cause.text.format(**words), looks, 0.0, effects), edit


def _narrow(readings: Priors) -> Iterator[Priors]:
    """The same priors, one for each part of what is spread."""
    spread = {key: getattr(readings, key).parts() for key in SPREAD}
    for parts in itertools.product(*spread.values()):
        yield readings.model_copy(update=dict(zip(SPREAD, parts, strict=True)))


def _words(device: Device, rng: Range, circuit: Circuit, other: str) -> dict[str, str]:
    index = device.ranges.index(rng)
    return {
        "range": rng.name,
        "turns": f"{abs(circuit.turns()[0, index]):g}",
        "expected": str(rng.primary_turns),
        "other": other,
        "before": device.ranges[index - 1].name if index else "",
        "factor": f"{circuit.display()[0, index]:g}",
    }
