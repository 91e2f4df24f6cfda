"""Files that belong to each other appear together or not at all."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path


def write_together(folder: Path, contents: Mapping[str, bytes]) -> None:
    """Put every one of `contents` into `folder` under its name, in their order. Raises OSError naming the file.

    What cannot be written leaves what was there before. Of earlier files all but the first are taken away before the first
    is replaced: killed in between, a folder holds the first alone, and never a file beside one that is not its own.
    """
    unfinished = {name: folder / f".{name}.part" for name in contents}
    try:
        for name, content in contents.items():
            _write(unfinished[name], content, folder / name)
        for name in reversed([*contents][1:]):
            (folder / name).unlink(missing_ok=True)
        for name in contents:
            unfinished[name].replace(folder / name)
    finally:
        for part in unfinished.values():
            part.unlink(missing_ok=True)


def _write(file: Path, content: bytes, wanted: Path) -> None:
    """Write what is to become `wanted`, onto the disk: on some file systems only that tells that it is full."""
    try:
        with file.open("wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as failure:
        raise OSError(failure.errno, failure.strerror, str(wanted)) from failure
