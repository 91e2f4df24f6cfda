"""Inputs of a run, from the user's files or from the record of an interrupted one: checked, and the procedure found."""

import importlib.util
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.core.errors import RecordError, UserError
from harness.evaluation.diagnosis.causes import extended
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.loading import parse_bench, parse_device, read_text
from harness.preparation.compatibility import claims_below_display, profile_problems, shared_places
from harness.record.history import device_and_bench
from harness.record.journal import Record
from harness.steps import Options, Procedure, words_hash
from instruments.profile import load_profile
from procedures.shipped_procedures import shipped_procedures

MOST_READINGS = 1000
MOST_PER_DECADE = 20
LONGEST_HOLD = 3600.0


@dataclass(frozen=True)
class RunInputs:
    device_file: str
    bench_file: Path
    device_text: str
    bench_text: str
    asked: str
    device: Device
    bench: Bench
    procedure: Procedure
    options: Options
    causes_file: str = ""
    causes_text: str = ""

    @property
    def folders(self) -> tuple[Path, ...]:
        """Folders searched for the bench's own profiles."""
        return profile_folders(self.bench_file)


def load_inputs(
    device_file: Path, bench_file: Path, procedure: str, options: Options, causes_file: Path | None = None
) -> RunInputs:
    """Read and check the files and find the procedure. Raises one UserError with all problems."""
    problems: list[str] = []
    texts: list[str] = []
    device = bench = found = None
    try:
        texts.append(read_text(device_file))
        device = parse_device(texts[-1], str(device_file))
        problems += claims_below_display(device, device_file)
    except UserError as error:
        problems += error.problems
    try:
        texts.append(read_text(bench_file))
        bench = parse_bench(texts[-1], str(bench_file))
        problems += profile_problems(bench, bench_file, profile_folders(bench_file))
        problems += shared_places(bench, bench_file)
    except UserError as error:
        problems += error.problems
    try:
        found = find_procedure(procedure)
    except UserError as error:
        problems += error.problems
    causes_text = ""
    try:
        causes_text = read_causes(causes_file)
    except UserError as error:
        problems += error.problems
    if not (1 <= options.readings <= MOST_READINGS and 1 <= options.per_decade <= MOST_PER_DECADE):
        problems.append(
            f"found --readings {options.readings} and --per-decade {options.per_decade}, "
            f"expected 1 to {MOST_READINGS} and 1 to {MOST_PER_DECADE}"
        )
    if not 0 < options.hold <= LONGEST_HOLD:
        problems.append(f"found --hold {options.hold:g}, expected above 0 and at most {LONGEST_HOLD:g} s")
    if problems or device is None or bench is None or found is None:
        raise UserError(problems)
    return RunInputs(
        device_file=str(device_file),
        bench_file=bench_file,
        device_text=texts[0],
        bench_text=texts[1],
        asked=_asked(procedure),
        device=device,
        bench=bench,
        procedure=found,
        options=options,
        causes_file="" if causes_file is None else str(causes_file),
        causes_text=causes_text,
    )


def read_causes(file: Path | None) -> str:
    """The checked text of a user's causes file; empty without one. Raises UserError."""
    if file is None:
        return ""
    text = read_text(file)
    extended(text, str(file))
    return text


def profile_folders(bench_file: Path) -> tuple[Path, ...]:
    """Folders searched for a bench's own profiles: `profiles` beside the bench file, and the bench file's folder."""
    folder = bench_file.resolve().parent
    return (folder / "profiles", folder)


def find_procedure(name: str) -> Procedure:
    """A shipped procedure by name, or ``FILE.py`` holding one of the user's own. Raises UserError."""
    if name.endswith(".py"):
        return _from_file(Path(name))
    procedures = shipped_procedures()
    if name not in procedures:
        raise UserError(f"--procedure {name}: expected {', '.join(procedures)} or a file ending in .py")
    return procedures[name]


def _asked(procedure: str) -> str:
    """The name under which a procedure can be found later: a file by its full path."""
    return str(Path(procedure).resolve()) if procedure.endswith(".py") else procedure


def _from_file(file: Path) -> Procedure:
    if not file.is_file():
        raise UserError(f"--procedure {file}: no such file")
    specification = importlib.util.spec_from_file_location(file.stem, file)
    if specification is None or specification.loader is None:
        raise UserError(f"--procedure {file}: not a Python file")
    module = importlib.util.module_from_spec(specification)
    try:
        specification.loader.exec_module(module)
    except (Exception, SystemExit) as failure:  # whatever the user's own file raises is theirs to mend
        raise UserError(f"--procedure {file}: {type(failure).__name__}: {failure}") from failure
    found = [value for value in vars(module).values() if isinstance(value, Procedure)]
    if len(found) != 1:
        raise UserError(f"--procedure {file}: found {len(found)} procedures in it, expected one")
    return found[0]


def inputs_of(record: Record, record_file: Path) -> RunInputs:
    """Inputs of an interrupted run. Raises RecordError when the procedure's text has changed since."""
    start = record.start
    device, bench = device_and_bench(record)
    name = start["procedure"]["asked"]
    procedure = find_procedure(name)
    if (procedure.text_hash, words_hash()) != (start["procedure"]["text_hash"], start["procedure"]["words_hash"]):
        raise RecordError(f"{record_file}: procedure {name} has changed since the run began; start a new run")
    inputs = RunInputs(
        start["device_file"],
        Path(start["bench_file"]),
        start["device_text"],
        start["bench_text"],
        name,
        device,
        bench,
        procedure,
        Options(**start["options"]),
        start.get("causes_file", ""),
        start.get("causes_text", ""),
    )
    changed = [n for n, profile in profiles_kept(inputs).items() if start["profiles"].get(n) != profile]
    if changed:
        raise RecordError(
            f"{record_file}: the profile of {', '.join(changed)} has changed since the run began; start a new run"
        )
    return inputs


def profiles_kept(inputs: RunInputs) -> dict[str, dict[str, Any]]:
    """Profile data by instrument name: used to read raw replies again and to resume a run."""
    entries = inputs.bench.instruments.items()
    profiles = {name: load_profile(entry.profile, inputs.folders) for name, entry in entries if not entry.by_person}
    return {name: profile.model_dump(mode="json", exclude_defaults=True) for name, profile in profiles.items()}
