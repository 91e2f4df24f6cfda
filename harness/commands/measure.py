"""`ratioproof measure`: what a load draws, read off a verified meter by a person who is told how to begin safely."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.commands.arguments import add_command, add_out

if TYPE_CHECKING:
    from harness.results import MeasuredLoad

JSON, SHEET = "load.json", "load.pdf"

STATUS = """exit status:
  0  the load was measured, and is unplugged
  2  error in a file or on the command line, or not verified at this current
  3  stopped, and the load is unplugged
  4  NOT SAFE: the load was not said to be unplugged
  5  defect of the program or of its installation
(1 cannot occur: nothing is judged)"""


@dataclass(frozen=True)
class MeasureOptions:
    """`voltage` and the bound of its error with their units; `drift` as of a reading; `out`: where the result goes."""

    results: Path
    load: str
    voltage: str | None = None
    voltage_error: str | None = None
    readings: int = 5
    drift: str | None = None
    operator: str = ""
    out: Path | None = None


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "measure",
        "measure what a load draws with the verified meter, read by a person",
        (MeasureOptions, measure),
        [
            'ratioproof measure results.json --load "desk lamp"',
            'ratioproof measure results.json --load "router" --voltage "231.4 V" --voltage-error "0.5 V" --out router',
        ],
        STATUS,
    )
    parser.add_argument("results", type=Path, metavar="RESULTS", help="results.json of the verification")
    parser.add_argument("--load", required=True, metavar="NAME", help="what you call the load")
    parser.add_argument(
        "--voltage", metavar="VOLTAGE", help="mains voltage read beside it; without it only the current is stated"
    )
    parser.add_argument(
        "--voltage-error",
        metavar="BOUND",
        help="largest error of that voltage, what it changes by meanwhile included",
    )
    parser.add_argument("--readings", type=int, default=5, metavar="N", help="readings (default: %(default)s)")
    parser.add_argument("--drift", metavar="CHANGE", help='largest change of the error in a year, as "0.2 %%/year"')
    parser.add_argument("--operator", default="", metavar="NAME", help="printed on the result")
    add_out(parser, "the result (default: the folder of RESULTS)")


def measure(options: MeasureOptions) -> int:
    """Have the load measured and write the result; 0. Raises UserError, AbortedSafe, NotSafe."""
    import datetime as dt
    import json

    from harness.commands.reading import date_of, finished, per_year, what_is_not_included
    from harness.core.atomic_files import write_together
    from harness.core.errors import UserError
    from harness.core.output import STANDARD_OUTPUT, tell
    from harness.core.rounding import for_terminal
    from harness.files.loading import read_text
    from harness.verified_meter.measured_load import MeasuredAs, measured_load
    from harness.wording.results_file import from_json, plain_values
    from reports.first_page import certificate_number
    from reports.load_sheet import load_sheet, quantities

    if options.readings < 2:
        raise UserError(f"--readings: found {options.readings}, expected 2 or more")
    text = read_text(options.results)
    results = from_json(text, str(options.results))
    if results.contradictions:
        raise UserError("the readings of this verification contradict each other: no range is chosen by it")
    verified = finished(results.run.finished, options.results)
    voltage = _voltage(options)
    now = dt.datetime.now(dt.UTC)
    drift = 0.0 if options.drift is None else per_year(options.drift) * (now - verified).days / 365.25
    folder = options.out or options.results.parent
    for name in (JSON, SHEET):
        if (folder / name).exists():
            raise UserError(f"{folder / name}: exists; give another folder (--out)")
    for option, name in (("--load", options.load), ("--operator", options.operator)):
        if not name.isprintable():
            raise UserError(f"{option}: found {name!r}, expected text that can be printed")
    # Before anybody plugs anything in for a result that cannot be kept.
    folder.mkdir(parents=True, exist_ok=True)
    readings = _read(options, results, with_power=voltage is not None)
    about = MeasuredAs(
        load=options.load,
        operator=options.operator,
        certificate=certificate_number(text),
        verified=str(date_of(results.run.finished)),
        measured=now.astimezone().strftime("%Y-%m-%d %H:%M"),
        voltage=voltage,
        drift=drift,
    )
    found = measured_load(results, readings, about, what_is_not_included(results, options.drift is None))
    # Told first: a disk that is full takes no reading away.
    lines = [f"  {name:<36}{for_terminal(value)}" for name, _, value in quantities(found)]
    tell(STANDARD_OUTPUT, [*lines, *_remarks(found)])
    content = json.dumps(plain_values(found), indent=1, ensure_ascii=False) + "\n"
    write_together(folder, {JSON: content.encode(), SHEET: load_sheet(found)})
    tell(STANDARD_OUTPUT, [f"{folder / JSON} and {SHEET}"])
    return 0


def _remarks(found: "MeasuredLoad") -> list[str]:
    steady = [] if found.steady else ["the load was not steady: these are means of the readings, not of its use"]
    return [*steady, *(f"not stated: {text}" for text in found.not_stated), *found.not_included]


def _read(options: MeasureOptions, results: Any, with_power: bool) -> Any:
    """The readings, with the load unplugged again, whatever happens."""
    from harness.core.errors import Abandoned, AbortedSafe, NotSafe, Stopped, UserError
    from harness.core.output import STANDARD_OUTPUT, tell, wrapped
    from harness.core.stop import StopSignal
    from harness.safety.cautions import CAUTIONS, NOT_VERIFIED, READY
    from harness.verified_meter.load_dialogue import Asked, first_range, make_safe, read_load
    from harness.verified_meter.measured_power import power_was_verified
    from instruments.operator.person import ConsolePerson

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
    with stop.listening():
        if results.run.simulated:
            tell(
                STANDARD_OUTPUT,
                ["SIMULATED: THIS VERIFICATION IS OF NO REAL METER. Plug nothing in; this shows the questions alone."],
            )
        tell(STANDARD_OUTPUT, ["CAUTIONS", *(f"  - {caution}" for caution in (*CAUTIONS, NOT_VERIFIED))])
        if person.choose(READY, ["yes", "no"]) != "yes":
            raise UserError("the cautions were not confirmed; nothing was energised by this command")
        ended: BaseException | None = None
        readings = None
        try:
            asked = Asked(
                results, person, options.load, lambda rng, current: with_power and power_was_verified(rng, current)
            )
            readings = read_load(asked, options.readings)
        except BaseException as failure:  # noqa: BLE001  whatever it was, the load comes out first
            ended = failure
        unplugged = make_safe(person, options.load)
    if not unplugged:
        raise NotSafe(f"{options.load} was not said to be unplugged: cut its supply by hand and lock it off")
    if isinstance(ended, Abandoned | Stopped):
        raise AbortedSafe(f"{ended}; {options.load} is unplugged") from ended
    if ended is not None:
        raise ended
    return readings


def _voltage(options: MeasureOptions) -> tuple[float, float] | None:
    from harness.core.errors import UserError
    from harness.core.quantities import parse_quantity

    if (options.voltage is None) != (options.voltage_error is None):
        raise UserError("--voltage, --voltage-error: found one of them, expected both or neither")
    if options.voltage is None or options.voltage_error is None:
        return None
    found = []
    for name, text in (("--voltage", options.voltage), ("--voltage-error", options.voltage_error)):
        try:
            value = parse_quantity(text, "V")
        except ValueError as failure:
            raise UserError(f"{name}: {failure}") from None
        if value <= 0:
            raise UserError(f"{name}: found {text!r}, expected a voltage above zero")
        found.append(value)
    return found[0], found[1]
