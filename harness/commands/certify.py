"""`ratioproof certify`, and the end of every run: from a finished record to results, certificate and verdict."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from harness.audit import check_lines, check_points
from harness.commands.additional_lines import beyond_lines, check_line
from harness.core.errors import RecordError, UserError
from harness.core.joint_files import write_together
from harness.core.output import as_typed
from harness.evaluation.diagnosis.contradiction import OVERRIDE
from harness.evaluation.run_evaluation import OwnCauses, evaluate
from harness.files.loading import read_text
from harness.preparation.run_files import find_procedure
from harness.record.journal import Record, read_record, refuse_being_written
from harness.results import EffectiveTurns, RangeResult, Results, Validation, accepted, odds_text, to_json
from harness.steps import Procedure, words_hash

if TYPE_CHECKING:
    from rich.console import Console

RECORD, RESULTS, CERTIFICATE = "record.jsonl", "results.json", "certificate.pdf"


def certify(
    record_file: Path,
    out: Path | None,
    console: Console,
    *,
    trials: int = 0,
    causes: Path | None = None,
    overrides: Sequence[str] = (),
    procedure: str | None = None,
) -> int:
    """Evaluate a finished record again and write results and certificate; `causes` replaces those in the record.

    `overrides` names what is set aside. `procedure` is the user's own that the run was made by: what the record itself holds of
    one is never run, since anybody may have written it. 0 when the verdict is pass or conditional pass, 1 otherwise.
    Raises RecordError, UserError.
    """
    own = None if causes is None else OwnCauses(read_text(causes), str(causes))
    made_by = None if procedure is None else find_procedure(procedure)
    folder = out if out is not None else record_file.parent
    results = conclude(record_file, folder, trials=trials, causes=own, overrides=overrides, procedure=made_by)
    return _told(results, folder, console)


def finish(
    record_file: Path, out: Path, console: Console, *, trials: int = 0, procedure: Procedure | None = None
) -> int:
    """Evaluate, certify and tell; 0 when the verdict is pass or conditional pass, 1 otherwise. Raises RecordError."""
    results = conclude(record_file, out, trials=trials, procedure=procedure)
    return _told(results, out, console)


def _told(results: Results, out: Path, console: Console) -> int:
    tell(console, summary_lines(results, out))
    return 0 if accepted(results.verdict) else 1


def tell(console: Console, lines: Sequence[str]) -> None:
    """Print `lines`, on a terminal broken between words and indented as they begin."""
    for line in lines:
        if console.is_terminal and len(line) > console.width:
            indent = " " * (len(line) - len(line.lstrip()) + 2)
            line = textwrap.fill(
                line, console.width, subsequent_indent=indent, break_on_hyphens=False, break_long_words=False
            )
        console.print(line, highlight=False, soft_wrap=True)


def conclude(
    record_file: Path,
    out: Path,
    *,
    trials: int = 0,
    causes: OwnCauses | None = None,
    overrides: Sequence[str] = (),
    procedure: Procedure | None = None,
) -> Results:
    """Check and evaluate a record and leave results.json and certificate.pdf in `out`, both or neither; `trials` validate it.

    Raises RecordError, and UserError where they cannot be written.
    """
    from reports.certificate import certificate

    record = read_record(record_file)
    if not record.complete:
        refuse_being_written(record_file)
    compared = checked(record, str(record_file), procedure)
    results = evaluate(record, record_file.name, trials=trials, causes=causes, overrides=overrides, compared=compared)
    contents = {RESULTS: to_json(results).encode(), CERTIFICATE: certificate(results)}
    prepare_folder(out)
    try:
        write_together(out, contents)
    except OSError as failure:
        raise UserError(
            f"{failure.filename}: cannot be written: {failure.strerror}; the record is whole. To finish elsewhere: "
            f"ratioproof certify {as_typed(record_file)} --out ANOTHER_FOLDER"
        ) from failure
    return results


def checked(record: Record, name: str, procedure: Procedure | None) -> bool:
    """Check `record`, called `name`, in every way there is; whether its points were compared with a procedure.

    With `procedure`, or else the shipped one, where its text is the one the run was made by. Raises RecordError.
    """
    from procedures import shipped

    check_lines(record, name)
    kept = record.start["procedure"]
    made_by = procedure or shipped().get(kept["asked"])
    if made_by is None:
        return False
    if (made_by.text_hash, words_hash()) != (kept["text_hash"], kept["words_hash"]):
        if procedure is not None:
            raise RecordError(
                f"{name}: line 1: the run was made by another text of procedure {kept['name']} than the one given"
            )
        return False
    check_points(record, name, made_by)
    return True


def prepare_folder(folder: Path) -> None:
    """Make `folder` unless it is there. Raises UserError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as failure:
        raise UserError(f"{folder}: cannot be made a folder: {failure.strerror}") from None


def summary_lines(results: Results, out: Path) -> list[str]:
    """What is said when a run has been evaluated: verdict, ranges, diagnosis, paths."""
    in_part = accepted(results.verdict) and any(r.stands_for for r in results.ranges)
    lines = [f"verdict: {results.verdict.upper()}{', for a part of what is claimed only' if in_part else ''}"]
    wide = max(5, *(len(r.told) for r in results.ranges))
    for rng in results.ranges:
        beyond = list(beyond_lines(rng))
        if rng.points or beyond or not accepted(rng.verdict) or results.bench_check is None:
            lines.append(f"  {rng.name:<6} {rng.told:<{wide}} {_turns_text(rng, results.ranges[0].name)}".rstrip())
        lines += [f"         {line}" for line in beyond]
        lines += [f"         {remark}" for remark in rng.remarks]
    if results.bench_check is not None:
        lines.append(f"  {check_line(results.bench_check)}")
    lines += [f"  {reason}" for reason in results.reasons]
    if results.contradictions and set(results.contradictions) <= set(results.reasons):
        lines.append(
            f"  readings that contradict each other are no evidence; take the run again (to certify it all the same: --override {OVERRIDE})"
        )
    lines += [validation_text(results.validation)] if results.validation is not None else []
    shown = [h for h in results.diagnosis if h.probability >= 0.01][:3]
    if shown and (not accepted(results.verdict) or shown[0].fault != "none"):
        lines.append("most likely cause")
        lines += [f"  {_probability(h.probability)}  {h.label}: {h.description}" for h in shown]
        lines += [f"  {line}" for line in (odds_text(shown[0]), results.diagnosis_note) if line]
        if results.diagnosis_details.extra_measurement:
            lines.append(f"  {results.diagnosis_details.extra_measurement}")
        look = results.diagnosis_details.look
        lines += [f"  {look}"] if look and look not in results.diagnosis_details.extra_measurement else []
    return [*lines, *(f"{out / name}" for name in (RECORD, RESULTS, CERTIFICATE) if (out / name).exists())]


def validation_text(validation: Validation) -> str:
    """What the Monte Carlo trials say of the evaluation, in a line."""
    by_outcome: dict[str, list[str]] = {"agrees": [], "differs": [], "undecided": []}
    for quantity in validation.quantities:
        by_outcome[quantity.outcome].append(quantity.name)
    text = f"validated by {validation.trials:,} trials (JCGM 101): {len(by_outcome['agrees'])} of {len(validation.quantities)} agree"
    for outcome, names in (("differ", by_outcome["differs"]), ("undecided", by_outcome["undecided"])):
        if names:
            text += f"; {outcome}: {'; '.join(names[:3])}{f' and {len(names) - 3} more' if len(names) > 3 else ''}"
    return text


def _probability(probability: float) -> str:
    """Never 100 %: what is not in the catalogue was not weighed against it."""
    return "> 99.9 %" if probability > 0.999 else f"{probability * 100:6.1f} %"


def _turns_text(rng: RangeResult, base: str) -> str:
    turns = f"{rng.expected_turns} turn{'s' if rng.expected_turns > 1 else ''}"
    found, factor = rng.effective_turns, rng.reading_factor
    if found is None:
        if factor is None:
            return ""
        return (
            f"expected {turns}, not determined; reading factor {factor.value:.4f} ± {factor.expanded_uncertainty:.4f}"
        )
    return (
        f"expected {turns}, found {found.value:.4f} ± {found.expanded_uncertainty:.4f} against {base}; {_whole(found)}"
    )


def _whole(turns: EffectiveTurns) -> str:
    """The nearest whole number of turns with its probability, or that there is none."""
    if not turns.holds_whole_number:
        return f"no whole number within U (nearest {turns.nearest})"
    return f"{turns.nearest} with probability {_probability(turns.probability).strip()}"
