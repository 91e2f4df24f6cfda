"""Files that belong to each other appear together or not at all."""

import os
import sys
import time
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

HELD_FOR = 2.0
"""Seconds that are waited for a program to close a file under Windows; who reads it keeps it longer, and is told of."""


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
            _patiently(partial((folder / name).unlink, missing_ok=True))
        for name in contents:
            _patiently(partial(unfinished[name].replace, folder / name))
    finally:
        for part in unfinished.values():
            part.unlink(missing_ok=True)


def _patiently(change: Callable[[], object]) -> None:
    """Under Windows nobody may replace a file that another program has open; what looks for viruses has it for a moment."""
    until = time.monotonic() + HELD_FOR
    while True:
        try:
            change()
        except PermissionError:
            if sys.platform != "win32" or time.monotonic() > until:
                raise
            time.sleep(0.05)
        else:
            return


def _write(file: Path, content: bytes, wanted: Path) -> None:
    """Write what is to become `wanted`, onto the disk: on some file systems only that tells that it is full."""
    try:
        with file.open("wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as failure:
        raise OSError(failure.errno, failure.strerror, str(wanted)) from failure
