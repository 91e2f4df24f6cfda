"""Results and certificate appear together or not at all."""

from __future__ import annotations

import contextlib
import io
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from harness.commands.certify import CertifyOptions, certify
from harness.commands.new import BENCH, new
from harness.core.atomic_files import write_together
from harness.core.errors import UserError
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from tests.full_disk import small_disk
from tests.on_twin import TwinRun

OLD = {"first": b"old first", "second": b"old second"}
NEW = {"first": b"new first", "second": b"new second"}


class Killed(BaseException):
    """Stands for the end of the process: nothing catches it."""


def _found(folder: Path) -> dict[str, bytes]:
    return {f.name: f.read_bytes() for f in folder.iterdir() if not f.name.startswith(".")}


@pytest.mark.parametrize("step", range(6))
@pytest.mark.parametrize("kind", [Killed, PermissionError])
def test_whatever_step_is_the_last_no_file_stands_beside_one_that_is_not_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int, kind: type[BaseException]
) -> None:
    """Every removal and every replacement may be the last thing that happens, by a kill or by a file held open elsewhere."""
    write_together(tmp_path, OLD)
    left, replace = step, os.replace

    def counted(action: Callable[..., Any]) -> Callable[..., Any]:
        def counting(*arguments: Any, **options: Any) -> Any:
            nonlocal left
            if action is replace or not Path(arguments[0]).name.startswith("."):
                left -= 1
                if left < 0:
                    raise kind(13, "held open", str(arguments[0])) if kind is PermissionError else kind()
            return action(*arguments, **options)

        return counting

    monkeypatch.setattr(os, "unlink", counted(os.unlink))
    monkeypatch.setattr(os, "replace", counted(os.replace))
    if step < 3:
        with pytest.raises(kind):
            write_together(tmp_path, NEW)
    else:
        write_together(tmp_path, NEW)
    found = _found(tmp_path)
    assert found in (OLD, {"first": b"old first"}, {"first": b"new first"}, NEW)
    assert (found == OLD) == (step == 0), "the file a viewer holds open is tried first: nothing was changed"
    assert not list(tmp_path.glob(".*"))


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    device, bench = new(tmp_path_factory.mktemp("files"), BENCH)
    twin = TwinRun(load_inputs(device, bench, "turns_check", Options(readings=2)))
    twin.run()
    return twin.content


def test_a_full_disk_leaves_nothing_half_and_the_line_says_how_to_finish_elsewhere(
    tmp_path: Path, record: bytes
) -> None:
    """A real file system with room for results.json and not for the certificate, which an earlier pair stands on."""
    with small_disk(tmp_path, 256) as disk:
        file, out = disk / "record.jsonl", disk / "out"
        file.write_bytes(record)
        out.mkdir()
        write_together(out, {"results.json": b"{}", "certificate.pdf": b"%PDF"})
        filling = (disk / "filling").open("wb", buffering=0)
        with contextlib.suppress(OSError):
            while True:
                filling.write(bytes(4096))
        filling.truncate(filling.tell() - 64 * 1024)
        filling.close()
        with pytest.raises(UserError) as refused:
            certify(CertifyOptions(file, out), Console(file=io.StringIO()))
        (line,) = refused.value.problems
        assert re.match(
            rf"{re.escape(str(out))}/(results.json|certificate.pdf): cannot be written: No space left", line
        )
        assert line.endswith(f"ratioproof certify {file} --out ANOTHER_FOLDER")
        assert _found(out) == {"results.json": b"{}", "certificate.pdf": b"%PDF"}
        assert certify(CertifyOptions(file, tmp_path / "elsewhere"), Console(file=io.StringIO())) == 0
    assert {f.name for f in (tmp_path / "elsewhere").iterdir()} == {"results.json", "certificate.pdf"}
