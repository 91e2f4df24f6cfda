"""`ratioproof rehearse`: the whole procedure on a simulated twin of the bench."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.commands.arguments import add_causes, add_command, add_procedure, number, on_console, status_unpowered

OFTEN = 0.1
"""Probability that a sound meter does not pass from which a run is hardly worth its time (a judgement)."""

if TYPE_CHECKING:
    from rich.console import Console

    from harness.preparation.run_files import RunInputs


@dataclass(frozen=True)
class RehearseOptions:
    """What a run is made of. `hold` in seconds; `causes` is a file of the user's own."""

    device: Path
    bench: Path
    procedure: str = "current_ratio"
    readings: int = 4
    per_decade: int = 3
    hold: float = 600.0
    causes: Path | None = None

    def inputs(self) -> RunInputs:
        """The files, read and checked, also against each other. Raises UserError."""
        from harness.core.errors import UserError
        from harness.preparation.compatibility import contradicting_serials
        from harness.preparation.run_files import load_inputs
        from harness.steps import Options

        options = Options(readings=self.readings, per_decade=self.per_decade, hold=self.hold)
        inputs = load_inputs(self.device, self.bench, self.procedure, options, self.causes)
        if problem := contradicting_serials(inputs.device, self.device, inputs.bench, self.bench, inputs.folders):
            raise UserError(problem)
        return inputs


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "rehearse",
        "dry run on a simulated bench: current limits, expected uncertainty, duration",
        (RehearseOptions, on_console(rehearse)),
        [
            "ratioproof rehearse device.toml bench.toml",
            "ratioproof rehearse device.toml bench.toml --procedure turns_check",
        ],
        status_unpowered(
            "0  nothing in the way of the run",
            "2  something in the way, or an error in a file or on the command line",
        ),
    )
    add_rehearsed(parser)


def add_rehearsed(parser: argparse.ArgumentParser) -> None:
    """The fields of `RehearseOptions`."""
    parser.add_argument("device", type=Path, metavar="DEVICE", help="device file")
    parser.add_argument("bench", type=Path, metavar="BENCH", help="bench file")
    add_procedure(parser)
    for name, default, what in (
        ("--readings", RehearseOptions.readings, "pairs of readings at every point"),
        ("--per-decade", RehearseOptions.per_decade, "points in every decade of current"),
    ):
        parser.add_argument(
            name,
            type=partial(number, int, "a whole number"),
            default=default,
            metavar="N",
            help=f"{what} (default: %(default)s)",
        )
    add_causes(parser)


def begin() -> None:
    """A line at once: what a rehearsal needs takes a moment to load, and longer on a slow machine."""
    print("rehearsal on a simulated bench; nothing is energised", flush=True)


def rehearse(options: RehearseOptions, console: Console) -> int:
    """Rehearse and tell: points, maximum test currents, uncertainty against limit, duration. 2 when something stands in the way."""
    begin()
    from harness.commands.rehearsal_sheet import problems_of_dates, rehearsed, show_points, show_rehearsal
    from harness.core.errors import UserError
    from harness.core.output import tell
    from harness.core.rounding import for_terminal, probability
    from harness.core.stop import StopSignal

    inputs = options.inputs()
    rehearsal = rehearsed(inputs, StopSignal(), console)
    show_points(rehearsal, console)
    show_rehearsal(inputs, rehearsal, console)
    problems = list(rehearsal.problems)
    problems += ["to run anyway: --override rehearsal, printed on the certificate"] if problems else []
    problems += problems_of_dates(inputs, ())
    if problems:
        raise UserError(problems)
    rejected = None if rehearsal.rejection is None else rehearsal.rejection.of_run
    if rejected is not None and rejected > OFTEN:
        told = f"this run would not pass a sound meter with a probability of {for_terminal(probability(rejected))}: widen the claim, or take a better reference"
        tell(console, [told])
    tell(console, ["nothing is in the way of this run"])
    return 0
