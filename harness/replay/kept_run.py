"""The folder of a run kept for replaying: its files and its request.

Beside the transcripts stand `device.toml`, `bench.toml`, `causes.toml` if there is one, the profiles, the user's own procedure, `run.json`,
the final record, and for a resumed run the record and the guard's report as they were before.
"""

import json
import shutil
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from harness.core.errors import UserError
from harness.preparation.run_files import RunInputs, load_inputs
from harness.record.journal import RECORD
from harness.safety.cautions import Cautions
from harness.steps import Options
from instruments.profile import SHIPPED

FORMAT = "ratioproof-kept-run-4"
RUN, DEVICE, BENCH, PROCEDURE = "run.json", "device.toml", "bench.toml", "procedure.py"
CAUSES = "causes.toml"
CLOCK, PERSON, BEFORE, GUARD_BEFORE = "clock.jsonl", "person.jsonl", "before.jsonl", "guard_before.json"


@dataclass(frozen=True)
class KeptRequest:
    """The request of a run, beyond its files. `resumed`: it continued an earlier record; `cautions`: how they were confirmed."""

    procedure: str
    options: Options
    operator: str
    overrides: tuple[str, ...]
    rehearsal_problems: tuple[str, ...]
    resumed: bool
    cautions: Cautions


def keep(
    folder: Path, inputs: RunInputs, asked: KeptRequest, before: Path | None = None, guard_before: str = ""
) -> None:
    """Put the inputs of a run into `folder`; `before` is the record a resumed one continues. Raises UserError."""
    taken = {Path(name).stem for name in (CLOCK, PERSON, RECORD, BEFORE)}
    wrong = sorted(taken & inputs.bench.instruments.keys())
    if wrong:
        raise UserError(
            [f"--transcript: an instrument called {n!r} cannot name a transcript; rename it" for n in wrong]
        )
    if (folder / RUN).exists():
        raise UserError(
            f"{folder / RUN}: exists already; a transcript is never overwritten (choose another --transcript)"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / DEVICE).write_text(inputs.device_text, encoding="utf-8", newline="\n")
        (folder / BENCH).write_text(inputs.bench_text, encoding="utf-8", newline="\n")
        if inputs.causes_text:
            (folder / CAUSES).write_text(inputs.causes_text, encoding="utf-8", newline="\n")
        for entry in inputs.bench.instruments.values():
            if not entry.by_person:
                _keep_profile(entry.profile, inputs.folders, folder / "profiles")
        if inputs.asked.endswith(".py"):
            shutil.copyfile(inputs.asked, folder / PROCEDURE)
        if before is not None:
            shutil.copyfile(before, folder / BEFORE)
            (folder / GUARD_BEFORE).write_text(guard_before, encoding="utf-8", newline="\n")
        (folder / RUN).write_text(
            json.dumps({"format": FORMAT, **asdict(asked)}, indent=1), encoding="utf-8", newline="\n"
        )
    except OSError as failure:
        raise UserError(f"{failure.filename or folder}: {failure.strerror}") from None


def keep_record(record_file: Path, folder: Path) -> list[str]:
    """Copy the final record, if there is one; errors, one line each."""
    try:
        if record_file.exists():
            shutil.copyfile(record_file, folder / RECORD)
    except OSError as failure:
        return [f"{folder / RECORD}: {failure.strerror}"]
    return []


def kept(folder: Path) -> tuple[KeptRequest, RunInputs]:
    """The request and the inputs of the run kept in `folder`. Raises UserError."""
    file = folder / RUN
    try:
        found = json.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise UserError(f"{file}: no such file; expected the folder that --transcript wrote") from None
    except (OSError, ValueError) as failure:
        raise UserError(f"{file}: cannot be read: {failure}") from None
    form = found.pop("format", "") if isinstance(found, dict) else ""
    if form != FORMAT:
        raise UserError(f"{file}: found format {form!r}, expected {FORMAT!r}")
    try:
        asked = KeptRequest(**_plain(found) | {"options": Options(**_plain(found["options"]))})
    except (AttributeError, KeyError, TypeError, ValueError) as failure:
        raise UserError(f"{file}: was altered: {type(failure).__name__}: {failure}") from None
    procedure = str(folder / PROCEDURE) if asked.procedure.endswith(".py") else asked.procedure
    causes = folder / CAUSES if (folder / CAUSES).exists() else None
    return asked, load_inputs(folder / DEVICE, folder / BENCH, procedure, asked.options, causes)


def _plain(found: dict[str, Any]) -> dict[str, Any]:
    """Fields with the tuples that JSON turned into lists."""
    return {k: tuple(v) if isinstance(v, list) else v for k, v in found.items()}


def _keep_profile(name: str, folders: tuple[Path, ...], into: Path) -> None:
    file = next(f for f in (folder / f"{name}.toml" for folder in (*folders, SHIPPED)) if f.is_file())
    target = into / f"{name}.toml"
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(file, target)
