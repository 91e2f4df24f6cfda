"""The inputs of an interrupted run, from its record."""

from __future__ import annotations

from pathlib import Path

from harness.core.errors import RecordError
from harness.preparation.rehearsal import profiles_kept
from harness.preparation.run_files import RunInputs, find_procedure
from harness.record.history import device_and_bench
from harness.record.journal import Record
from harness.steps import Options, words_hash


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
