"""A load at the bench: the display by hand or by wire, every reading kept as it comes, and the load unplugged again whatever happens."""

import contextlib
import csv
import io
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from harness.commands.measure import MeasureOptions
from harness.core.atomic_files import write_together
from harness.core.clock import RealClock
from harness.core.errors import Abandoned, AbortedSafe, NotSafe, Stopped, UserError
from harness.core.output import STANDARD_OUTPUT, tell, wrapped
from harness.core.quantities import parse_quantity
from harness.core.stop import StopSignal
from harness.results import DeviceSummary, Results
from harness.safety.cautions import CAUTIONS, NOT_VERIFIED, READY
from harness.verified_meter.load_cycles import CountedCycles, count_cycles
from harness.verified_meter.load_dialogue import Asked, LoadReading, LoadReadings, first_range, make_safe, read_load
from harness.verified_meter.load_display import LoadDisplay, TypedDisplay, WiredDisplay
from instruments.drivers.roles import Meter
from instruments.errors import InstrumentError
from instruments.numbers import plain
from instruments.operator.person import ConsolePerson, Person

LONGEST_INTERVAL = 3600.0


def read_at_the_bench(
    options: MeasureOptions, results: Results, file: Path
) -> tuple[LoadReadings, CountedCycles | None, list[str]]:
    """The readings, kept in `file` as they come, with the load unplugged again, and what was not checked of the meter.

    Raises UserError, AbortedSafe, NotSafe.
    """
    stop = StopSignal()
    person = ConsolePerson(
        lambda text: stop.ask(wrapped(text)),
        lambda text: tell(STANDARD_OUTPUT, [text]),
        lambda text: stop.ask_always(wrapped(text)),
    )
    try:
        first_range(results)
    except Abandoned as failure:
        raise UserError(str(failure)) from None
    with stop.listening(), _display(options, results, person, stop) as display:
        if options.cycles is not None and not display.reads("energy"):
            raise UserError("--cycles: the meter's profile has no energy register")
        if results.run.simulated:
            tell(
                STANDARD_OUTPUT,
                ["SIMULATED: THIS VERIFICATION IS OF NO REAL METER. Plug nothing in; this shows the questions alone."],
            )
        tell(STANDARD_OUTPUT, ["CAUTIONS", *(f"  - {caution}" for caution in (*CAUTIONS, NOT_VERIFIED))])
        if person.choose(READY, ["yes", "no"]) != "yes":
            raise UserError("the cautions were not confirmed; nothing was energised by this command")
        kept = _keeper(file, options.load, results.device)
        asked = Asked(results, person, options.load, display, options.voltage is not None, kept)
        unchecked = not_checked(display.serial, results) if isinstance(display, WiredDisplay) else []
        return *_unplugged_after(asked, options), unchecked


def _unplugged_after(asked: Asked, options: MeasureOptions) -> tuple[LoadReadings, CountedCycles | None]:
    ended: BaseException | None = None
    readings = counted = None
    try:
        readings = read_load(asked, options.readings)
        counted = None if options.cycles is None else count_cycles(asked, options.cycles)
    except BaseException as failure:  # noqa: BLE001  whatever it was, the load comes out first
        ended = failure
    if not make_safe(asked.person, options.load):
        raise NotSafe(f"{options.load} was not said to be unplugged: cut its supply by hand and lock it off")
    if isinstance(ended, Abandoned | Stopped):
        raise AbortedSafe(f"{ended}; {options.load} is unplugged") from ended
    if ended is not None:
        raise ended
    assert readings is not None
    return readings, counted


def _keeper(file: Path, load: str, device: DeviceSummary) -> Callable[[Sequence[LoadReading]], None]:
    """Writes all readings anew whenever there is one more. A disk that is full ends no measurement: it is told."""

    def keep(taken: Sequence[LoadReading]) -> None:
        text = io.StringIO()
        rows = csv.writer(text, lineterminator="\n")
        rows.writerow(("load", "range", "shows", "power", "seconds"))
        for one in taken:
            current = f"{_as_shown(one.current, device.resolution)} A"
            power = "" if one.power is None else f"{_as_shown(one.power, device.power_resolution or 1.0)} W"
            rows.writerow((load, one.range_name, current, power, f"{one.seconds:.1f}"))
        try:
            write_together(file.parent, {file.name: text.getvalue().encode()})
        except OSError as failure:
            tell(STANDARD_OUTPUT, [f"{file}: {failure.strerror}; this reading is not kept there"])

    return keep


def _as_shown(value: float, step: float) -> str:
    """With the zeros at its end that a display of this step shows, since the last digit says how certain a value is."""
    places = max(len(plain(number).partition(".")[2]) for number in (value, step))
    return f"{value:.{places}f}"


@contextlib.contextmanager
def _display(options: MeasureOptions, results: Results, person: Person, stop: StopSignal) -> Iterator[LoadDisplay]:
    """Raises UserError where the meter of the bench file cannot be read, or is another one."""
    if options.bench is None:
        yield TypedDisplay(results.device, person, options.load)
        return
    try:
        interval = parse_quantity(options.interval, "s")
    except ValueError as failure:
        raise UserError(f"--interval: {failure}") from None
    if not 0 < interval <= LONGEST_INTERVAL:
        raise UserError(f"--interval: found {options.interval!r}, expected above 0 s and at most 1 h")
    from harness.station.reservation import reserved

    meter, folder = _meter(options.bench), options.bench.resolve().parent
    clock = RealClock()
    with reserved({meter.name: meter.address}, folder, "ratioproof measure"):
        try:
            meter.open()
            identity = meter.identify()
            meter.start()
        except InstrumentError as failure:
            meter.close()
            raise UserError(str(failure)) from None
        try:
            _check_identity(identity.serial, options.bench, results)
            yield WiredDisplay(meter, identity.serial, interval, lambda seconds: stop.pause(clock, seconds))
        finally:
            meter.close()


def _meter(file: Path) -> Meter:
    from harness.files.loading import parse_bench, read_text
    from harness.preparation.run_files import profile_folders
    from harness.station.drivers import linked_meter
    from harness.station.wires import Wires
    from instruments.profile import ProfileError, load_profile

    bench = parse_bench(read_text(file), str(file))
    name = bench.roles.meter
    entry = bench.instruments[name]
    if entry.by_person:
        raise UserError(f"{file}: instruments.{name} is read by a person: leave --bench out")
    try:
        profile = load_profile(entry.profile, profile_folders(file))
    except ProfileError as failure:
        raise UserError([f"{file}: instruments.{name}.profile: {line}" for line in str(failure).splitlines()]) from None
    if not profile.plays("meter"):
        raise UserError(f"{file}: instruments.{name}.profile: found {entry.profile!r}, expected one for a meter")
    return linked_meter(name, entry, profile, Wires(file.resolve().parent, bench.visa), time.monotonic)


def _check_identity(serial: str, file: Path, results: Results) -> None:
    """Raise UserError where another meter answers than the one that was verified."""
    known = _verified_serials(results)
    if serial and known and serial not in known:
        raise UserError(f"{file}: the meter with serial {serial} answers, and {', '.join(known)} was verified")


def not_checked(serial: str, results: Results) -> list[str]:
    """What is to be said where the meter tells no `serial` by wire, or the verification read none: then nothing shows that it is the one verified."""
    if serial and _verified_serials(results):
        return []
    where = "the results hold none" if serial else "it tells none by its profile"
    return [
        f"the serial number of the meter read by wire was not checked ({where}): see yourself that it is the one that was verified"
    ]


def _verified_serials(results: Results) -> set[str]:
    return {i.serial for i in results.instruments if i.role == "meter" and i.serial}
