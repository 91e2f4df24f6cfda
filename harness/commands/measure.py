"""`ratioproof measure`: what a load draws, read off a verified meter by a person who is told how to begin safely."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.commands.arguments import add_command, add_out, quantity

if TYPE_CHECKING:
    from harness.results import Results

MOST_OF_VOLTAGE = 0.1
"""Part of the voltage that its error may be: no mains that is fit for use changes by more (EN 50160:2010, 4.2.2.2, value from memory)."""

JSON, SHEET, READINGS = "load.json", "load.pdf", "load-readings.csv"

STATUS = """exit status:
  0  the load was measured, and is unplugged
  2  error in a file or on the command line, or not verified at this current
  3  stopped, and the load is unplugged
  4  NOT SAFE: the load was not said to be unplugged
  5  defect of the program or of its installation
(1 cannot occur: nothing is judged)"""


@dataclass(frozen=True)
class MeasureOptions:
    """`voltage` and the bound of its error with their units; `drift` as of a reading; `crest_factor` of the load, empty: not known; `bench`: a bench
    file whose meter is read by wire every `interval`; `cycles` of a load that comes and goes; `out`: where the result goes.
    """

    results: Path
    load: str
    voltage: str | None = None
    voltage_error: str | None = None
    readings: int = 5
    drift: str | None = None
    crest_factor: float | None = None
    cycles: int | None = None
    bench: Path | None = None
    interval: str = "1 s"
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
            'ratioproof measure results.json --load "fridge" --voltage "231.4 V" --voltage-error "5 V" --cycles 3',
            'ratioproof measure results.json --load "router" --bench bench.toml --readings 900',
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
    parser.add_argument(
        "--crest-factor",
        type=float,
        metavar="NUMBER",
        help="peak of the load's current over its effective value, where you know it: what IEC 62301 permits of the uncertainty depends on it",
    )
    parser.add_argument(
        "--cycles",
        type=int,
        metavar="N",
        help="of a load that comes and goes: read the energy register over so many whole cycles",
    )
    parser.add_argument(
        "--bench",
        type=Path,
        metavar="FILE",
        help="bench file whose meter is read by wire; switch and plugs stay yours (default: you type what it shows)",
    )
    parser.add_argument(
        "--interval",
        default="1 s",
        metavar="TIME",
        help="time between readings by wire, no shorter than the meter refreshes its values (default: %(default)s)",
    )
    parser.add_argument("--operator", default="", metavar="NAME", help="printed on the result")
    add_out(parser, "the result (default: the folder of RESULTS)")


def measure(options: MeasureOptions) -> int:
    """Have the load measured and write the result; 0. Raises UserError, AbortedSafe, NotSafe."""
    import datetime as dt
    import json

    from harness.commands.load_session import read_at_the_bench
    from harness.commands.reading import date_of, finished, per_year, what_is_not_included
    from harness.core.atomic_files import write_together
    from harness.core.errors import UserError
    from harness.core.output import STANDARD_OUTPUT, tell
    from harness.core.rounding import for_terminal
    from harness.files.loading import read_text
    from harness.verified_meter.measured_load import MeasuredAs, measured_load
    from harness.wording.results_file import from_json, plain_values
    from reports.first_page import certificate_number
    from reports.load_sheet import load_sheet, quantities, remarks

    text = read_text(options.results)
    results = from_json(text, str(options.results))
    if results.contradictions:
        raise UserError("the readings of this verification contradict each other: no range is chosen by it")
    verified = finished(results.run.finished, options.results)
    voltage = _voltage(options)
    now = dt.datetime.now(dt.UTC)
    drift = 0.0 if options.drift is None else per_year(options.drift) * (now - verified).days / 365.25
    folder = options.out or options.results.parent
    _check(options, results, folder)
    # Before anybody plugs anything in for a result that cannot be kept.
    folder.mkdir(parents=True, exist_ok=True)
    readings, counted, unchecked = read_at_the_bench(options, results, folder / READINGS)
    about = MeasuredAs(
        load=options.load,
        operator=options.operator,
        certificate=certificate_number(text),
        verified=str(date_of(results.run.finished)),
        measured=now.astimezone().strftime("%Y-%m-%d %H:%M"),
        voltage=voltage,
        drift=drift,
        crest_factor=options.crest_factor,
    )
    not_included = [*unchecked, *what_is_not_included(results, options.drift is None)]
    found = measured_load(results, readings, about, not_included, counted)
    # Told first: a disk that is full takes no reading away.
    lines = [f"  {name:<36}{for_terminal(value)}" for name, _, value in quantities(found)]
    tell(STANDARD_OUTPUT, [*lines, *map(for_terminal, remarks(found)), *found.not_included])
    content = json.dumps(plain_values(found), indent=1, ensure_ascii=False) + "\n"
    write_together(folder, {JSON: content.encode(), SHEET: load_sheet(found)})
    tell(STANDARD_OUTPUT, [f"{folder / JSON}, {SHEET} and {READINGS}"])
    return 0


def _check(options: MeasureOptions, results: "Results", folder: Path) -> None:
    """Raise UserError where an option cannot be, or a file is there already."""
    from harness.core.errors import UserError

    if options.readings < 2:
        raise UserError(f"--readings: found {options.readings}, expected 2 or more")
    if options.crest_factor is not None and not 1 <= options.crest_factor < 1000:
        raise UserError(f"--crest-factor: found {options.crest_factor:g}, expected 1 or more, as 3.1")
    if options.cycles is not None and options.cycles < 1:
        raise UserError(f"--cycles: found {options.cycles}, expected 1 or more")
    if options.cycles is not None and results.device.energy_resolution is None:
        raise UserError("--cycles: expected a meter with an energy register, and these results tell of none")
    for name in (JSON, SHEET, READINGS):
        if (folder / name).exists():
            raise UserError(f"{folder / name}: exists; give another folder (--out)")
    for option, name in (("--load", options.load), ("--operator", options.operator)):
        if not name.isprintable():
            raise UserError(f"{option}: found {name!r}, expected text that can be printed")


def _voltage(options: MeasureOptions) -> tuple[float, float] | None:
    from harness.core.errors import UserError

    if (options.voltage is None) != (options.voltage_error is None):
        raise UserError("--voltage, --voltage-error: found one of them, expected both or neither")
    if options.voltage is None or options.voltage_error is None:
        return None
    voltage, error = (
        quantity(name, text, "V", lambda volts: volts > 0, "a voltage above zero")
        for name, text in (("--voltage", options.voltage), ("--voltage-error", options.voltage_error))
    )
    if error > MOST_OF_VOLTAGE * voltage:
        raise UserError(
            f"--voltage-error: found {options.voltage_error!r}, expected no more than a tenth of the voltage, {options.voltage!r}"
        )
    return voltage, error
