"""The end of every run: from a finished record to results, certificate and verdict."""

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path

from harness.audit.forged_lines import check_lines, check_points
from harness.commands.summary_lines import CERTIFICATE, summary_lines
from harness.core.atomic_files import write_together
from harness.core.errors import AbortedSafe, RecordError, Stopped, UserError
from harness.core.output import LineOutput, command_for, tell
from harness.core.stop import StopSignal
from harness.evaluation.run_evaluation import ReplacementCauses, evaluate
from harness.record.journal import Record, read_record, refuse_being_written
from harness.results import Results, accepted
from harness.steps import Procedure, words_hash
from harness.wording.results_file import RESULTS, to_json
from procedures.shipped_procedures import shipped_procedures
from reports.certificate import certificate


def conclude(
    record_file: Path,
    out: Path,
    *,
    trials: int = 0,
    causes: ReplacementCauses | None = None,
    overrides: Sequence[str] = (),
    procedure: Procedure | None = None,
) -> Results:
    """Check and evaluate a record and leave both or neither of its two files in `out`. Raises RecordError, UserError."""
    record = read_record(record_file)
    if not record.complete:
        refuse_being_written(record_file)
    compared = checked(record, str(record_file), procedure)
    results = evaluate(record, record_file.name, trials=trials, causes=causes, overrides=overrides, compared=compared)
    written = to_json(results)
    contents = {RESULTS: written.encode(), CERTIFICATE: certificate(results, written)}
    prepare_folder(out)
    try:
        write_together(out, contents)
    except OSError as failure:
        asked = "" if procedure is None else record.start["procedure"]["asked"]
        raise UserError(
            f"{failure.filename}: cannot be written: {failure.strerror}; the record is whole. To finish elsewhere: "
            f"{command_for('certify', record_file, trials, asked)} --out ANOTHER_FOLDER"
        ) from failure
    return results


def checked(record: Record, name: str, procedure: Procedure | None) -> bool:
    """Check `record`, called `name`, in every way there is; whether its points were compared with a procedure.

    With `procedure`, or else the shipped one, where its text is the one the run was made by. Raises RecordError.
    """
    done = check_lines(record, name)
    kept = record.start["procedure"]
    made_by = procedure or shipped_procedures().get(kept["asked"])
    if made_by is None:
        return False
    if (made_by.text_hash, words_hash()) != (kept["text_hash"], kept["words_hash"]):
        if procedure is not None:
            raise RecordError(
                f"{name}: line 1: the run was made by another text of procedure {kept['name']} than the one given"
            )
        return False
    check_points(record, name, made_by, done)
    return True


@contextlib.contextmanager
def of_finished_run(stop: StopSignal, record_file: Path, trials: int, asked: str = "") -> Iterator[None]:
    """A stop while a finished run is evaluated says what is true of the run, and how to certify it. Raises AbortedSafe."""
    try:
        with stop.at_once():
            yield
    except Stopped as stopped:
        raise AbortedSafe(
            f"{stopped} while the results were made; the run is complete, everything is off and confirmed, and the record "
            f"is whole. To certify it: {command_for('certify', record_file, trials, asked)}"
        ) from stopped


def show_verdict(results: Results, out: Path, console: LineOutput) -> int:
    """Tell what was found; 0 when the verdict is pass or conditional pass, 1 otherwise."""
    tell(console, summary_lines(results, out))
    return 0 if accepted(results.verdict) else 1


def prepare_folder(folder: Path) -> None:
    """Make `folder` unless it is there. Raises UserError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as failure:
        raise UserError(f"{folder}: cannot be made a folder: {failure.strerror}") from None


def write_table(results: Results, file: Path) -> None:
    """Write the points into `file`. Raises UserError."""
    # Here, since pandas takes a second to load and nothing else needs it.
    from reports.points_csv import points_csv

    prepare_folder(file.parent)
    try:
        write_together(file.parent, {file.name: points_csv(results)})
    except OSError as failure:
        raise UserError(
            f"{file}: cannot be written: {failure.strerror}; results and certificate are written"
        ) from failure
