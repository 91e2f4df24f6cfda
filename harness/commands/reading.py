"""`ratioproof reading`: what the display of a verified meter stands for."""

from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.commands.arguments import add_command, quantity

if TYPE_CHECKING:
    from harness.results import Results
    from harness.verified_meter.measured_quantity import MeasuredReading

STATUS = """exit status:
  0  a measured value was stated
  2  error in a file or on the command line, or not verified at this reading
  5  defect of the program or of its installation
(1, 3 and 4, NOT SAFE, cannot occur: nothing is judged and nothing is energised)"""


@dataclass(frozen=True)
class ReadingOptions:
    """`shows`: displayed values, each with its unit (a power factor has none); `over`: the time of an energy; `batch`: a table of ranges and
    displayed values in place of one reading; `drift`: a change per year with its unit, None where it is not known.
    """

    results: Path
    range: str | None = None
    shows: tuple[str, ...] = ()
    over: str | None = None
    batch: Path | None = None
    drift: str | None = None
    json: bool = False


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "reading",
        "state the measured value, with its uncertainty, that a reading of the verified meter stands for",
        (ReadingOptions, reading),
        [
            'ratioproof reading results.json --range x20 --shows "0.120 A"',
            'ratioproof reading results.json --range x4 --shows "2.51 A" --drift "1 %/year"',
            'ratioproof reading results.json --range x20 --shows "2.40 A" "214.0 W" "0.388"',
            'ratioproof reading results.json --range x20 --shows "2.40 A" "0.388" "428 Wh" --over "2.000 h"',
            "ratioproof reading results.json --batch readings.csv",
        ],
        STATUS,
    )
    parser.add_argument("results", type=Path, metavar="RESULTS", help="results.json of the verification")
    parser.add_argument("--range", metavar="RANGE", help="position of the range switch")
    parser.add_argument(
        "--shows",
        default=(),
        nargs="+",
        metavar="VALUE",
        help="what the display shows of one load, with all its digits and the unit, by which a current (A), an active power (W) and an energy (Wh) "
        "are told apart; a number alone is a power factor; several readings of one steady load give their mean",
    )
    parser.add_argument(
        "--over",
        metavar="TIME",
        help='time in which the energy register rose by what --shows tells, with all the digits you know, as "2.000 h"',
    )
    parser.add_argument(
        "--batch",
        type=Path,
        metavar="FILE",
        help="table of readings (CSV) with the columns range and shows, load where several rows are of one, and over; prints a table",
    )
    parser.add_argument(
        "--drift",
        metavar="CHANGE",
        help='largest change of the error in a year, as "0.2 %%/year"; without it no drift is included',
    )
    parser.add_argument("--json", action="store_true", help="print the value as JSON, in SI units")


def reading(options: ReadingOptions) -> int:
    """State what a reading means; 0. Raises UserError."""
    import json
    import sys

    from harness.commands.shown_values import shown_together
    from harness.core.errors import UserError
    from harness.core.output import STANDARD_OUTPUT, tell
    from harness.verified_meter.corrected_readings import corrected_readings
    from harness.wording.results_file import plain_values, read_results

    one = bool(options.range and options.shows)
    any_of_one = bool(options.range or options.shows or options.json or options.over)
    if (options.batch is None and not one) or (options.batch is not None and any_of_one):
        raise UserError("reading: expected --range and --shows, or --batch alone, which prints a table")
    results = read_results(options.results)
    verified = finished(results.run.finished, options.results)
    years = (datetime.now(UTC) - verified).days / 365.25
    drift = 0.0 if options.drift is None else per_year(options.drift) * years
    not_included = what_is_not_included(results, options.drift is None)
    if options.batch is not None:
        from harness.commands.reading_batch import measured_table, read_table

        rows, unread = read_table(options.batch)
        table, notes, problems = measured_table(results, rows, drift, str(options.batch))
        print(table, end="")
        print(*unread, *notes, *not_included, sep="\n", file=sys.stderr)
        if problems:
            raise UserError(problems)
        return 0
    assert options.range is not None
    shown = shown_together(options.shows, options.over)
    found, notes = corrected_readings(results, options.range, shown, drift)
    if options.json:
        values = {one.quantity.replace(" ", "_"): plain_values(one) for one in found}
        print(json.dumps({**values, "not_included": [*notes, *not_included]}, indent=2))
    else:
        lines = [line for one in found for line in _lines(one)]
        tell(STANDARD_OUTPUT, [*lines, *notes, *not_included])
    return 0


def _lines(found: "MeasuredReading") -> list[str]:
    from harness.core.rounding import for_terminal, signed_percent
    from harness.wording.values import stated_text, with_uncertainty

    corrected, parts = found.corrected, sorted(found.parts, key=lambda p: -p.contribution.standard_uncertainty)
    total = sum(p.contribution.standard_uncertainty**2 for p in parts)
    shares = (
        f"  {p.contribution.standard_uncertainty**2 / total * 100:>8.2g} %  {p.source}{' (a bound, added in full)' * p.in_full}"
        for p in parts
    )
    mean = "" if found.readings == 1 else f", mean of {found.readings} readings"
    correction = for_terminal(signed_percent(1 / (1 + found.error) - 1))
    return [
        f"{found.quantity:<21}{stated_text(corrected, found.unit)}",
        f"                     k = {corrected.coverage_factor:.2f}, coverage probability {found.coverage_probability * 100:g} %",
        f"without correction   {with_uncertainty(*found.uncorrected, found.unit)}",
        f"                     range {found.range_name}, display factor {found.display_factor:g}{mean}",
        f"correction           {correction}: {_CORRECTED_BY.get(found.quantity, _COMMON)}",
        "parts of the variance",
        *shares,
    ]


_COMMON = "the error of power common to all power factors, or that of the register, found in the verification"
_CORRECTED_BY = {
    "current": "the ratio error found in the verification, linear in the logarithm of the current between its points",
    "power factor": "none, since its error depends on whether the current lags or leads",
}


def what_is_not_included(results: "Results", without_drift: bool) -> list[str]:
    """What the stated uncertainty does not hold, and what the verification said that no pass says."""
    from harness.wording.waveforms import waveform_text

    said = [f"verdict of the verification: {results.verdict}"] if results.verdict != "pass" else []
    said += [f"range {rng.name}: {rng.verdict}" for rng in results.ranges if rng.verdict != "pass"]
    said += [
        f"loads of the verification: {waveform_text(results.waveforms)}",
        "another temperature, and what the meter's own position or wiring has changed since, are not included",
    ]
    if without_drift:
        said.append(
            f"no change of the meter since its verification on {date_of(results.run.finished)} is included (--drift)"
        )
    if results.run.simulated:
        said.append("these results are of a simulated bench: they say nothing of a real meter")
    return said


def date_of(finished: str) -> date:
    """The day a verification ended, as its certificate says: by the offset it was written with."""
    return datetime.fromisoformat(finished).date()


def finished(text: object, file: Path) -> datetime:
    """When the verification ended. Raises UserError where that is no time, or one to come: a drift counts from it."""
    from harness.core.errors import UserError

    try:
        written = datetime.fromisoformat(str(text))
        if written.tzinfo is None:
            raise ValueError("no offset")
        finished = written.astimezone(UTC)
    except (ValueError, OverflowError, OSError):
        raise UserError(f"{file}: run.finished: found {text!r}, expected a date and time with its offset") from None
    if finished > datetime.now(UTC):
        raise UserError(f"{file}: run.finished: found {text}, which is yet to come; check the clock of this computer")
    return finished


def per_year(drift: str) -> float:
    return quantity("--drift", drift, "1/year", lambda part: part >= 0, "no less than zero")
