"""A person measures a load with a verified meter: what they are asked to do, on which range, and what they read."""

import math
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass

from harness.core.errors import Abandoned
from harness.core.quantities import format_quantity
from harness.results import RangeResult, Results
from harness.verified_meter.corrected_power import power_was_verified
from harness.verified_meter.known_error import verified_span
from harness.verified_meter.load_display import LoadDisplay, withstood_by
from instruments.operator.person import Person, UndoLast
from instruments.operator.plausibility import Question

SURGE = 15.0
"""Times the current shown, or that of the rating plate where it is larger, that a range must withstand before a load is put on it: what filament lamps,
motors, transformers and power supplies draw when they are switched on (common practice, no published source). Of every load: who takes
a lamp for a heater is not to pay for it."""

UNPLUGGED, CANNOT = "unplugged", "cannot"
"""Answers of a person asked to make the load safe."""

ALIVE = (
    "The display shows none, which says nothing of what flows: a fuse may have melted. Does {range} show a load that you know, of {least} or more? "
    "Try it now, and put {load} back afterwards."
)

PLATE = (
    "  Before it is plugged in: the rating plate of {load}, or its fuse, says, at most (of watts alone: divided by the voltage and by the power "
    "factor, which is 1 of what only heats and 0.3 where you do not know it; 0 where neither says anything)"
)

TOO_MUCH = "\n  Does the display go above {most}? Switch it off and unplug it at once, then press Ctrl-C."


@dataclass(frozen=True)
class LoadReading:
    """One reading, as displayed: amperes, watts (None where power was not read), and when, in seconds from the first."""

    range_name: str
    current: float
    power: float | None
    seconds: float


@dataclass(frozen=True)
class WithoutLoad:
    """What the display shows on a range with nothing plugged in: amperes, and watts where power is read."""

    current: float
    power: float | None


@dataclass(frozen=True)
class LoadReadings:
    """What was read on the last range; `without_load`: what is not the load's."""

    range: RangeResult
    taken: tuple[LoadReading, ...]
    without_load: WithoutLoad

    @property
    def currents(self) -> tuple[float, ...]:
        """Displayed, in amperes."""
        return tuple(one.current for one in self.taken)

    @property
    def powers(self) -> tuple[float, ...]:
        """Displayed, in watts; empty where power was not read at all of them: its error was found at some of these currents only."""
        powers = tuple(one.power for one in self.taken if one.power is not None)
        return powers if len(powers) == len(self.taken) else ()

    @property
    def seconds(self) -> float:
        """From the first reading to the last."""
        return self.taken[-1].seconds


@dataclass(frozen=True)
class Asked:
    """A person measures `load` with the meter that `results` are of, by its `display`; `with_power`: whether power is read too.

    `keep` gets all the readings whenever there is one more, or one fewer.
    """

    results: Results
    person: Person
    load: str
    display: LoadDisplay
    with_power: bool
    keep: Callable[[Sequence[LoadReading]], None] = lambda _: None

    def reads_power(self, rng: RangeResult, current: float) -> bool:
        """Whether power is read on `rng` at so many amperes."""
        return self.with_power and power_was_verified(rng, current) and self.display.reads("power")


def first_range(results: Results) -> RangeResult:
    """The range an unknown load begins on: that of the fewest turns. Raises Abandoned where it was not verified as conforming."""
    first = min(results.ranges, key=lambda r: r.expected_turns)
    if verified_span(first) is None:
        raise Abandoned(
            f"range {first.name}, on which an unknown load must begin, was not verified as conforming: its reading may not be relied on"
        )
    return first


def range_for(results: Results, current: float, needed: float, reads: bool = True) -> RangeResult | None:
    """The range of the most turns for a load of `current` amperes that withstands `needed` amperes; None where there is none.

    With `reads` it must have been verified at that current.
    """
    fitting = []
    for rng in results.ranges:
        span = verified_span(rng)
        if span is not None and (span.holds(current) or not reads) and needed <= withstood_by(rng):
            fitting.append(rng)
    return max(fitting, key=lambda r: r.expected_turns, default=None)


def read_load(asked: Asked, count: int, now: Callable[[], float] = time.monotonic) -> LoadReadings:
    """Have the load measured with `count` readings; it is plugged in afterwards, and `make_safe` ends that.

    Raises Abandoned, also where it draws more than a range withstands.
    """
    load, rng = asked.load, first_range(asked.results)
    rated = _rated(asked, rng)
    _turn(asked.person, rng, f"Leave {load} unplugged, its own switch off.")
    rest = _without_load(asked, rng)
    _plug_in(asked, rng, f"Plug {load} in behind the meter. Then switch it on, and keep your hands off the wiring.")
    seen, finer = _finer(asked, rng, rated)
    if finer is not None and finer.expected_turns > rng.expected_turns:
        rng = finer
        _turn(asked.person, rng, f"Switch {load} off and unplug it first.")
        rest = _without_load(asked, rng)
        _plug_in(asked, rng, f"Plug {load} in behind the meter again, and switch it on.")
    return LoadReadings(rng, _repeated(asked, rng, count, seen, now), rest)


def _plug_in(asked: Asked, rng: RangeResult, text: str) -> None:
    most = format_quantity(withstood_by(rng) / rng.display_factor, "A")
    asked.person.confirm(text + TOO_MUCH.format(most=most))


def _without_load(asked: Asked, rng: RangeResult) -> WithoutLoad:
    """What the meter shows of itself, where its supply is behind its sensor."""
    while True:
        with suppress(UndoLast):
            shown = _checked(asked, rng, asked.display.current(rng, "with nothing plugged in behind it"))
            power = asked.with_power and asked.display.reads("power") and shown > 0
            return WithoutLoad(
                shown, abs(asked.display.power(rng, "with nothing plugged in behind it")) if power else None
            )


def _rated(asked: Asked, rng: RangeResult) -> float:
    """The most amperes the load may draw by its rating plate, 0 where nothing is known. Raises Abandoned where `rng` does not withstand them."""
    question = Question(PLATE.format(load=asked.load), "plate", 1e-6)
    while True:
        with suppress(UndoLast):
            rated = abs(asked.person.read_value(question)[0])
            if rated > withstood_by(rng):
                may, withstands = (format_quantity(value, "A") for value in (rated, withstood_by(rng)))
                raise Abandoned(f"{asked.load} may draw {may}, and range {rng.name} withstands {withstands}")
            return rated


def _finer(asked: Asked, rng: RangeResult, rated: float) -> tuple[float, RangeResult | None]:
    """The largest current seen on `rng`, in amperes, and the range to go on with, None for `rng` itself.

    It withstands what the load draws when it is switched on, by what is seen and by what it is `rated` for: it may come on again later. Raises Abandoned.
    """
    while True:
        with suppress(UndoLast):
            seen = max(_checked(asked, rng, shown) for shown in asked.display.watched(rng)) * rng.display_factor
            if seen:
                return seen, _verified_at(asked, rng, seen, rated)
            if not rated:
                raise Abandoned(
                    f"range {rng.name} shows nothing of {asked.load}, and nothing is known of what it may draw"
                )
            _check_alive(asked, rng)
            return 0.0, range_for(asked.results, rated, SURGE * rated, reads=False)


def _check_alive(asked: Asked, rng: RangeResult) -> None:
    """Raise Abandoned unless the meter shows a load that is known to draw enough."""
    device = asked.results.device
    least = 2 * max(device.smallest_readable_current, device.resolution) * rng.display_factor
    text = ALIVE.format(range=rng.name, least=format_quantity(least, "A"), load=asked.load)
    if asked.person.choose(text, ["no", "yes"]) != "yes":
        raise Abandoned(
            f"range {rng.name} shows nothing: unplug, disconnect the supply, lock it off, prove it dead and look at the fuses"
        )


def _verified_at(asked: Asked, rng: RangeResult, current: float, rated: float) -> RangeResult | None:
    """The range for `current` amperes, None for `rng` itself, also of a load that nothing is known of (`rated` 0).

    A load that comes and goes is switched on again on the range chosen, and draws then
    `SURGE` times what it is rated for, not what was seen. Raises Abandoned where neither was verified at that current.
    """
    needed = SURGE * max(current, rated)
    found, span = range_for(asked.results, current, needed) if rated else None, verified_span(rng)
    if found is None and (span is None or not span.holds(current)):
        why = (
            f"withstands {format_quantity(needed, 'A')}" if rated else "may be taken for a load without a rating plate"
        )
        raise Abandoned(
            f"no range that {why} was verified at {format_quantity(current, 'A')}: nothing could be stated of it"
        )
    return found


def _repeated(
    asked: Asked, rng: RangeResult, count: int, seen: float, now: Callable[[], float]
) -> tuple[LoadReading, ...]:
    """`seen`: the current in amperes that another range showed, 0 where none did."""
    taken: list[LoadReading] = []
    began = 0.0
    while len(taken) < count:
        place = f"reading {len(taken) + 1} of {count}"
        try:
            shown = _checked(asked, rng, asked.display.current(rng, place))
        except UndoLast:
            del taken[-1:]
            asked.keep(taken)
            continue
        _check_reading(asked, rng, shown * rng.display_factor, seen)
        with suppress(UndoLast):
            power = asked.display.power(rng, place) if asked.reads_power(rng, shown * rng.display_factor) else None
            began = now() if not taken else began
            taken.append(LoadReading(rng.name, shown, power, now() - began))
            asked.keep(taken)
    return tuple(taken)


def _check_reading(asked: Asked, rng: RangeResult, current: float, seen: float) -> None:
    """Raise Abandoned where `current` amperes on `rng` cannot be used, or are not what was `seen` on the range before."""
    shown, before = format_quantity(current, "A"), format_quantity(seen, "A")
    if not current:
        raise Abandoned(f"range {rng.name} shows nothing")
    step = asked.results.device.resolution * first_range(asked.results).display_factor
    times = _halfway(asked.results, rng)
    if seen and not (seen - step) / times <= current <= (seen + step) * times:
        raise Abandoned(
            f"{shown} by the display on range {rng.name}, where {before} flowed before: the switch does not stand on {rng.name}, or the load "
            "draws something else now"
        )
    span = verified_span(rng)
    if span is None or not span.holds(current):
        raise Abandoned(f"{shown} flows on range {rng.name}, which was not verified at that current")


def _halfway(results: Results, rng: RangeResult) -> float:
    """The factor from `rng` halfway, in the logarithm of the turns, to the range that is nearest to it: a current further off is of that one."""
    apart = [r.expected_turns / rng.expected_turns for r in results.ranges if r.name != rng.name]
    return math.sqrt(min((max(ratio, 1 / ratio) for ratio in apart), default=math.inf))


def make_safe(person: Person, load: str) -> bool:
    """Ask for the load to be unplugged, also while the program is being stopped; whether it was."""
    text = f"{load}: switch it off and unplug it. Type {UNPLUGGED} when nothing is plugged in behind the meter."
    answer = person.insist(text, [UNPLUGGED, CANNOT])
    if answer == CANNOT:
        answer = person.insist(
            f"Then cut its supply by hand, now, at the switch or breaker that feeds it, and lock it off. Leave it off until {load} is out. "
            f"Type {UNPLUGGED} when nothing is plugged in behind the meter.",
            [UNPLUGGED, CANNOT],
        )
    return answer == UNPLUGGED


def _turn(person: Person, rng: RangeResult, before: str) -> None:
    person.confirm(
        f"{before} The switch is at line potential all the same. Turn the range switch to {rng.name}, by its insulated knob only."
    )


def _checked(asked: Asked, rng: RangeResult, shown: float) -> float:
    """A displayed current. Raises Abandoned where it is more than `rng` withstands."""
    largest = withstood_by(rng)
    if shown * rng.display_factor > largest:
        flows, withstands = (format_quantity(value, "A") for value in (shown * rng.display_factor, largest))
        raise Abandoned(f"{flows} flows on range {rng.name}, which withstands {withstands}")
    return shown
