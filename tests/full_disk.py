"""A file system of a few pages that can really be full, where this machine lets a test mount one."""

from __future__ import annotations

import contextlib
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest


@contextlib.contextmanager
def small_disk(place: Path, kilobytes: int) -> Iterator[Path]:
    """A folder on a file system of so many kilobytes. Skips the test where mounting is not allowed."""
    folder = place / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(folder)]
    try:
        made = subprocess.run(mount, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("this system has no mount command")
    if made.returncode:
        pytest.skip(f"a file system cannot be mounted here: {made.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)
