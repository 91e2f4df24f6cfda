"""`ratioproof certify`: a finished record evaluated again."""

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.commands.arguments import add_causes, add_command, add_out, add_repeated, add_trials
from harness.core.output import STANDARD_OUTPUT, LineOutput, tell


@dataclass(frozen=True)
class CertifyOptions:
    """Which record, and what is to be done otherwise than at the end of its run.

    `causes` replaces those in the record. `procedure` is the user's own that the run was made by: what the record itself holds
    of one is never run, since anybody may have written it. `overrides` names what is set aside. `trials` validate the results.
    `table` is a file for the points, as CSV.
    """

    record: Path
    out: Path | None = None
    causes: Path | None = None
    procedure: str | None = None
    overrides: tuple[str, ...] = ()
    trials: int = 0
    table: Path | None = None


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "certify",
        "evaluate a record and write its certificate",
        (CertifyOptions, certify),
        [
            "ratioproof certify run/record.jsonl",
            "ratioproof certify run/record.jsonl --out copy",
            "ratioproof certify run/record.jsonl --out checked --monte-carlo",
            "ratioproof certify run/record.jsonl --causes my_causes.toml --out copy",
            "ratioproof certify run/record.jsonl --override contradiction",
            "ratioproof certify run/record.jsonl --procedure my_procedure.py --out copy",
            "ratioproof certify run/record.jsonl --table points.csv",
        ],
    )
    parser.add_argument("record", type=Path, metavar="RECORD", help="the record of a complete run")
    add_causes(parser, "causes of your own instead of those in the record; the certificate says so")
    add_out(parser, "results and certificate (default: the record's folder)")
    parser.add_argument(
        "--procedure",
        metavar="FILE",
        help="a procedure of your own that the run was made by, to compare its points with",
    )
    add_trials(parser)
    summary = "certify despite contradictory readings; printed on the certificate"
    add_repeated(parser, "--override", "WHAT", summary, choices=["contradiction"])
    parser.add_argument(
        "--table",
        type=_table,
        metavar="FILE",
        help="write the points into FILE as well, a table for spreadsheets (.csv)",
    )


def _table(text: str) -> Path:
    if not text.endswith(".csv"):
        raise argparse.ArgumentTypeError(f"found {text!r}, expected a name ending in .csv")
    return Path(text)


def certify(options: CertifyOptions, console: LineOutput = STANDARD_OUTPUT) -> int:
    """Evaluate a finished record again; 0 for pass or conditional pass, 1 otherwise. Raises UserError, AbortedSafe."""
    from harness.core.errors import AbortedSafe, Stopped
    from harness.core.stop import StopSignal

    stop, holds = StopSignal(), "no certificate was written"
    try:
        with stop.listening(), stop.at_once():
            from harness.commands.finished_run import conclude, show_verdict, write_table
            from harness.evaluation.run_evaluation import ReplacementCauses
            from harness.files.loading import read_text

            causes, folder, table = options.causes, options.out or options.record.parent, options.table
            procedure = None
            if options.procedure is not None:
                from harness.preparation.run_files import find_procedure

                procedure = find_procedure(options.procedure)
            results = conclude(
                options.record,
                folder,
                trials=options.trials,
                causes=None if causes is None else ReplacementCauses(read_text(causes), str(causes)),
                overrides=options.overrides,
                procedure=procedure,
            )
            holds = f"results and certificate are in {folder}{'' if table is None else f'; {table} was not written'}"
            status = show_verdict(results, folder, console)
            if table is not None:
                write_table(results, table)
                tell(console, [str(table)])
            return status
    except Stopped as stopped:
        raise AbortedSafe(f"{stopped}; {holds}, and the record is as it was") from stopped
