"""The device file: the modified meter, its transformer, ranges, path ratings and the claim to verify.

What contradicts itself in a file each of whose keys can be read is told all at once, each with its key.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pydantic import Field, model_validator

from harness.class_tables.accuracy_classes import PHASE_MINUTES, limit_currents
from harness.files.device_tables import Claim, Display, Nameplate, Path, PrimaryFuse, Range, Table, Transformer

__all__ = ["Claim", "Device", "Display", "Nameplate", "Path", "PrimaryFuse", "Range", "Table", "Transformer"]

SLOWEST_REFRESH = 60.0
"""Display interval in seconds above which a display is waited for instead of read."""


class Contradictions(ValueError):
    """Several problems of one file: pairs of key (empty for the whole file) and text."""

    def __init__(self, problems: Sequence[tuple[str, str]]) -> None:
        self.problems = tuple(problems)
        super().__init__("; ".join(text for _, text in self.problems))


class Device(Table):
    """The whole device file. The first range, with the fewest turns, is the base range."""

    identity: Nameplate
    """Who made the meter, what it is, and whose it is."""
    transformer: Transformer
    """The current transformer inside it."""
    display: Display
    """What it displays."""
    path: Path
    """Ratings in the primary current path."""
    claim: Claim
    """What is claimed, and verified."""
    ranges: tuple[Range, ...] = Field(min_length=1, max_length=40)
    """The switch positions, fewest turns first."""

    @model_validator(mode="after")
    def _consistent(self) -> Device:
        # Here and not table by table, so that what is wrong in one does not hide what is wrong in the next.
        texts = {
            "display": _of_display(self.display),
            "path": _of_path(self.path),
            "claim": _of_claim(self.claim, self.display),
            "": _of_ranges(self.ranges),
            **{f"ranges[{n}]": _of_range(rng, self) for n, rng in enumerate(self.ranges, 1)},
        }
        if found := [(key, text) for key, several in texts.items() for text in several]:
            raise Contradictions(found)
        return self

    def range_named(self, name: str) -> Range:
        """The range called `name`. Raises KeyError when there is none."""
        return {rng.name: rng for rng in self.ranges}[name]

    def in_circuit(self, rng: Range) -> tuple[Range, ...]:
        """The ranges whose own turns carry the current in position `rng`, itself last."""
        last = first = [r.name for r in self.ranges].index(rng.name)
        while first and self.ranges[first].wiring == "series":
            first -= 1
        return self.ranges[first : last + 1]

    def added_turns(self, rng: Range) -> int:
        """Turns of `rng` alone: in series, those beyond the range before it."""
        before = self.in_circuit(rng)[:-1]
        return rng.primary_turns - (before[-1].primary_turns if before else 0)


def _of_display(display: Display) -> Iterator[str]:
    if display.refresh_interval > SLOWEST_REFRESH:
        yield f"found a refresh_interval of {display.refresh_interval:g} s, expected at most {SLOWEST_REFRESH:g} s"


def _of_path(path: Path) -> Iterator[str]:
    yield from _of_fuse(path)
    if path.secondary_fuse_i2t is not None and path.secondary_fuse is None:
        yield "found secondary_fuse_i2t and no secondary_fuse, expected its rating too"
    if path.secondary_clamp_voltage is not None and path.secondary_clamp in (None, "none"):
        yield "found secondary_clamp_voltage and no secondary_clamp, expected where it sits too"


def _of_fuse(where: Path | Range) -> Iterator[str]:
    if where.fuse_type is not None and where.fuse is None:
        yield "found fuse_type and no fuse, expected its rating too"
    if where.fuse_i2t is not None and (where.fuse is None or where.fuse_type == "breaker"):
        yield "found fuse_i2t without a fuse, expected it of a fuse whose rating is given: a circuit-breaker has none"


def _of_claim(claim: Claim, display: Display) -> Iterator[str]:
    terms = claim.of_reading or claim.of_range or claim.counts
    if claim.accuracy_class is None and not terms:
        yield "found no claim, expected of_reading, of_range, counts or accuracy_class"
    if claim.accuracy_class is not None and terms:
        yield "found a class and other terms, expected either accuracy_class or of_reading/of_range/counts"
    if claim.power_class is not None and (claim.power_of_reading or claim.power_counts):
        yield "found power_class and other terms of power, expected either power_class or power_of_reading/power_counts"
    if claim.power_counts and display.power_resolution is None:
        yield "found power_counts but no display.power_resolution, expected the step of power displayed"
    if claim.accuracy_class in PHASE_MINUTES and claim.phase_displacement is not None:
        yield f"found phase_displacement and accuracy_class {claim.accuracy_class}, which claims one itself, expected one of them"
    if claim.phase_displacement == 0:
        yield "found a phase_displacement of 0, expected an angle above it"
    if claim.waveform_influence == 0:
        yield "found a waveform_influence of 0, expected a part of the current above it"


def _of_ranges(ranges: Sequence[Range]) -> Iterator[str]:
    names, turns = [r.name for r in ranges], [r.primary_turns for r in ranges]
    if len(set(names)) != len(names):
        yield f"found range names {names}, expected every name once"
    if turns != sorted(set(turns)):
        yield f"found ranges with turns {turns}, expected them in rising order of primary_turns"
    if ranges[0].wiring != "independent":
        yield "found the first range wired in series, expected independent (it has no range before it)"


def _of_range(rng: Range, device: Device) -> Iterator[str]:
    yield from _of_fuse(rng)
    yield from _of_span(rng, device.claim)
    if rng.bypasses_switch:
        yield from _of_bypass(rng, device)


def _of_bypass(rng: Range, device: Device) -> Iterator[str]:
    """A bypass takes a rating out of the path, so it is believed only where the file shows that it can be one.

    Sections in series are selected at their taps, which a contact connects: what shares turns cannot be told apart from the contacts.
    """
    shared = [r.name for r in device.ranges if rng in device.in_circuit(r) or r in device.in_circuit(rng)]
    if others := [name for name in shared if name != rng.name]:
        yield (
            f"found bypasses_switch and turns shared with range {' and '.join(others)}, expected a winding of its own: a contact of "
            "the switch selects the section"
        )
    if rng.conductor is None:
        yield "found bypasses_switch and no conductor, expected the lowest rating of what the current goes through instead"
    if device.path.switch_breaks != "primary":
        yield 'found bypasses_switch without switch_breaks = "primary" in [path], expected contacts that were traced'


def _of_span(rng: Range, claim: Claim) -> Iterator[str]:
    """A class claims nothing below its lowest tabulated current, so a range must not reach below it either."""
    if rng.minimum_current >= rng.maximum_current:
        yield "found minimum_current not below maximum_current, expected a span"
    elif claim.accuracy_class is not None:
        lowest = limit_currents(claim.accuracy_class)[0]
        if rng.minimum_current < lowest * rng.maximum_current * (1 - 1e-9):
            yield (
                f"found range {rng.name} with minimum_current {rng.minimum_current:g} A and accuracy_class "
                f"{claim.accuracy_class}, which claims nothing below {lowest * 100:g} % of the range's maximum, "
                f"expected at least {lowest * rng.maximum_current:g} A"
            )
