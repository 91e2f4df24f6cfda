"""What several tests look at and none changes is made once, by whichever of the processes that share the tests comes first."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest


def shared_folder(factory: pytest.TempPathFactory, name: str) -> Path:
    """A folder `name` that all processes of this run of the tests have in common."""
    base = factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / name
    folder.mkdir(exist_ok=True)
    return folder


def once(folder: Path, make: Callable[[Path], object]) -> Path:
    """`folder` as `make` has filled it; whoever comes meanwhile waits. Where `make` fails, the next one tries."""
    taken, unfinished = folder.with_suffix(".taken"), folder.with_suffix(".unfinished")
    while not folder.is_dir():
        try:
            taken.mkdir()
        except FileExistsError:
            time.sleep(0.02)
            continue
        try:
            if not folder.is_dir():
                shutil.rmtree(unfinished, ignore_errors=True)
                unfinished.mkdir()
                make(unfinished)
                unfinished.rename(folder)
        finally:
            taken.rmdir()
    return folder
