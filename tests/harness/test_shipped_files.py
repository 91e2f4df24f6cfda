"""A file of the program that is missing ends a command with exit status 5: nothing a user wrote is wrong."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from harness.commands.package_check import PACKAGES

ROOT = Path(__file__).parents[2]
READ_BY: dict[str, tuple[str, ...]] = {
    "harness/class_tables/accuracy_classes.toml": ("design", "new/device.toml"),
    "harness/class_tables/power_classes.toml": ("design", "new/device.toml"),
    "harness/design/fuse_melting_times.toml": ("design", "new/device.toml"),
    "harness/evaluation/diagnosis/causes.toml": ("rehearse", "new/device.toml", "new/bench.toml"),
    "harness/wording/sentences.toml": ("rehearse", "new/device.toml", "new/bench.toml"),
    "harness/templates/device.toml": ("new", "another"),
    "harness/templates/bench.toml": ("new", "another"),
    "simulated/bench_faults.toml": ("demo", "--list-faults"),
}


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The packages in a folder of their own, and a pair of files beside them."""
    folder = tmp_path_factory.mktemp("installed")
    for package in PACKAGES:
        shutil.copytree(ROOT / package, folder / package, ignore=shutil.ignore_patterns("__pycache__"))
    assert _ratioproof(folder, ("new", "new")).returncode == 0
    return folder


def _ratioproof(folder: Path, arguments: Sequence[str]) -> subprocess.CompletedProcess[str]:
    surroundings = {**os.environ, "PYTHONPATH": str(folder), "PYTHONIOENCODING": "utf-8"}
    command = [sys.executable, "-m", "harness", *arguments]
    return subprocess.run(
        command, cwd=folder, env=surroundings, capture_output=True, encoding="utf-8", timeout=100, check=False
    )


@pytest.mark.parametrize(("file", "arguments"), READ_BY.items(), ids=[Path(file).name for file in READ_BY])
def test_a_missing_file_of_the_program(installed: Path, file: str, arguments: tuple[str, ...]) -> None:
    kept = installed / f"{file}.kept"
    (installed / file).rename(kept)
    try:
        done = _ratioproof(installed, arguments)
    finally:
        kept.rename(installed / file)
    assert done.returncode == 5, done
    assert Path(file).name in done.stderr
    assert "install Ratioproof anew" in done.stderr
    assert len(done.stderr.splitlines()) == 1
