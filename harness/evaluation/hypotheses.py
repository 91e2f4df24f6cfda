"""What could be wrong with a modified meter, as patterns a run can be compared with.

A hypothesis says by what factor each range would read (turns in circuit over turns described), and how freely the
rest of the meter may behave: its gain, the change of its error with current, a droop near the rated current, a
constant current added. All spreads are priors, stated here and nowhere else; they are a judgement about meters of
this kind, not published values.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field

from harness.device import Device, Range

NONE = "none"
OTHER = "none-of-these"

PRIOR_HEALTHY = 0.5
PRIOR_OTHER = 0.02
"""The named faults share what is left equally; the variants of a fault share its part equally."""


@dataclass(frozen=True)
class Behaviour:
    """Mean and standard deviation of what a hypothesis lets the meter do, all as fractions unless said otherwise.

    `gain`: flat. `slope`: change of the error per decade of ampere-turns. `droop`: error at the rated ampere-turns
    from saturation. `added`: a constant primary current in amperes. `free`: a factor of its own for every range.
    """

    gain: tuple[float, float] = (0.0, 0.003)
    slope: tuple[float, float] = (0.001, 0.0012)
    droop: tuple[float, float] = (0.0, 0.001)
    added: tuple[float, float] = (0.0, 0.0)
    free: float = 0.0


@dataclass(frozen=True)
class Candidate:
    """One hypothesis or one variant of it: `factors` holds what each range's reading is multiplied by."""

    fault: str
    range: str | None
    text: str
    prior: float
    factors: dict[str, float]
    behaviour: Behaviour = field(default_factory=Behaviour)


def candidates(device: Device) -> list[Candidate]:
    """Every hypothesis about `device`, priors summing to one."""
    families = [
        list(_single_turns(device, -1)),
        list(_single_turns(device, +1)),
        list(_reversed(device)),
        list(_both_windings(device)),
        list(_other_position(device)),
        list(_supply(device)),
        list(_display_factor(device)),
        [_secondary("high-resistance-fuse", "the secondary loop has far more resistance than it should: a fuse, a joint or a contact", device,
                    Behaviour(gain=(-0.004, 0.006), slope=(0.009, 0.004)))],
        [_secondary("saturating-core", "the core saturates: every range droops near its top", device, Behaviour(droop=(-0.04, 0.03)))],
        [_secondary("drifted-gain", "the meter's own gain has drifted: every range is off by the same part at every current", device,
                    Behaviour(gain=(0.0, 0.03)))],
    ]  # fmt: skip
    present = [f for f in families if f]
    share = (1 - PRIOR_HEALTHY - PRIOR_OTHER) / len(present)
    found = [
        Candidate(c.fault, c.range, c.text, share / len(family), c.factors, c.behaviour)
        for family in present
        for c in family
    ]
    right = {r.name: 1.0 for r in device.ranges}
    found.append(
        Candidate(NONE, None, "nothing is wrong: turns, scaling and secondary are as described", PRIOR_HEALTHY, right)
    )
    found.append(
        Candidate(
            OTHER,
            None,
            "none of the causes known here fits well",
            PRIOR_OTHER,
            right,
            Behaviour(
                gain=(0.0, 0.1),
                slope=(0.0, 0.03),
                droop=(0.0, 0.05),
                added=(0.0, device.ranges[-1].minimum_current),
                free=0.5,
            ),
        )
    )
    return found


def sections(device: Device) -> dict[str, list[int]]:
    """Per range the turns of each section in circuit: a series range adds one to those of the range before."""
    found: dict[str, list[int]] = {}
    before: list[int] = []
    for rng in device.ranges:
        before = [*before, rng.primary_turns - sum(before)] if rng.wiring == "series" else [rng.primary_turns]
        found[rng.name] = before
    return found


def _factors(device: Device, turns: dict[str, float]) -> dict[str, float]:
    return {r.name: abs(turns.get(r.name, r.primary_turns)) / r.primary_turns for r in device.ranges}


def _dependants(device: Device, rng: Range) -> list[Range]:
    """`rng` and the ranges wired in series onto it, which share its last section."""
    index = device.ranges.index(rng)
    found = [rng]
    for later in device.ranges[index + 1 :]:
        if later.wiring != "series":
            break
        found.append(later)
    return found


def _single_turns(device: Device, change: int) -> Iterator[Candidate]:
    """One turn more or fewer in the section a range adds; ranges wired onto it share the mistake, or only the range itself has it."""
    fault, word = ("turn-extra", "more") if change > 0 else ("turn-missing", "fewer")
    for rng in device.ranges:
        text = (
            f"range {rng.name} has one primary turn {word}: {rng.primary_turns + change} instead of {rng.primary_turns}"
        )
        affected = _dependants(device, rng)
        for touched in ([rng], affected) if len(affected) > 1 else ([rng],):
            yield Candidate(
                fault, rng.name, text, 0.0, _factors(device, {r.name: r.primary_turns + change for r in touched})
            )


def _reversed(device: Device) -> Iterator[Candidate]:
    """The section a series range adds counts against the others."""
    made = sections(device)
    for rng in device.ranges:
        if rng.wiring != "series":
            continue
        turns = {r.name: float(sum(made[r.name]) - 2 * made[rng.name][-1]) for r in _dependants(device, rng)}
        text = (
            f"the section that range {rng.name} adds is wound or connected the wrong way round: "
            f"{abs(turns[rng.name]):g} effective turns instead of {rng.primary_turns}"
        )
        yield Candidate("section-reversed", rng.name, text, 0.0, _factors(device, turns))


def _both_windings(device: Device) -> Iterator[Candidate]:
    """On a range with a winding of its own, the winding of the range before carries the current too."""
    for before, rng in itertools.pairwise(device.ranges):
        if rng.wiring == "independent":
            turns = before.primary_turns + rng.primary_turns
            text = f"on range {rng.name} the winding of {before.name} is in circuit too: {turns} turns instead of {rng.primary_turns}"
            yield Candidate("both-windings-in-circuit", rng.name, text, 0.0, _factors(device, {rng.name: turns}))


def _other_position(device: Device) -> Iterator[Candidate]:
    """The switch stood elsewhere: in one position during the whole run, or on one range only."""
    if len(device.ranges) < 2:
        return
    for stuck in device.ranges:
        text = f"the switch stayed in position {stuck.name} on every range"
        yield Candidate(
            "switch-left-in-another-position",
            stuck.name,
            text,
            0.0,
            _factors(device, {r.name: stuck.primary_turns for r in device.ranges}),
        )
    if len(device.ranges) == 2:
        return
    for rng in device.ranges:
        for stood in device.ranges:
            if stood != rng:
                text = f"range {rng.name} was read with the switch in position {stood.name}"
                yield Candidate(
                    "switch-left-in-another-position",
                    rng.name,
                    text,
                    0.0,
                    _factors(device, {rng.name: stood.primary_turns}),
                )


def _supply(device: Device) -> Iterator[Candidate]:
    """The module's own supply current passes its sensor: the same amperes added on every range.

    A quarter of a decade to a decade around what the most sensitive range would just notice.
    """
    noticed = device.ranges[-1].minimum_current
    for spread in (0.05, 0.2, 0.8):
        text = "the module's supply is tapped behind its own sensor: a constant current is added on every range"
        yield Candidate(
            "module-supply-behind-sensor",
            None,
            text,
            0.0,
            _factors(device, {}),
            Behaviour(added=(0.0, spread * noticed)),
        )


def _display_factor(device: Device) -> Iterator[Candidate]:
    """A display factor left out: on a range whose display is scaled already, or should have been."""
    for rng in device.ranges:
        if rng.display_factor == 1:
            continue
        for factor, words in (
            (rng.display_factor, "its display shows amperes already, and the factor is applied once too often"),
            (1 / rng.display_factor, "its display should have been scaled and was not"),
        ):
            right = {r.name: 1.0 for r in device.ranges}
            yield Candidate(
                "display-factor-forgotten",
                rng.name,
                f"range {rng.name}: {words} ({factor:g} times)",
                0.0,
                {**right, rng.name: factor},
            )


def _secondary(fault: str, text: str, device: Device, behaviour: Behaviour) -> Candidate:
    return Candidate(fault, None, text, 0.0, {r.name: 1.0 for r in device.ranges}, behaviour)
