"""A command run in the tests' own process, for what needs none of its own: a process's start costs more than most commands do."""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import pytest

from harness.command_line import main
from harness.core.stop import SIGNALS


@dataclass(frozen=True)
class Ended:
    """Exit status, and what went to standard output and to standard error."""

    status: int
    output: str
    errors: str


def ratioproof(
    folder: Path,
    *arguments: str,
    typed: str = "",
    encoding: str = "utf-8",
    environment: Mapping[str, str] | None = None,
    streams: tuple[TextIO, TextIO] | None = None,
) -> Ended:
    """Run a command in `folder`; its streams have `encoding` and take nothing that this lacks. `typed` is its standard input.

    `streams` stand in for standard output and error; what is written there is not told.
    """
    kept = [io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors="strict") for _ in range(2)]
    output, errors = streams or kept
    with (
        contextlib.chdir(folder),
        pytest.MonkeyPatch.context() as patch,
        _signals_as_before(),
        _standard_input(typed) as keyboard,
        contextlib.redirect_stdout(output),
        contextlib.redirect_stderr(errors),
    ):
        for name, value in (environment or {}).items():
            patch.setenv(name, value)
        patch.setattr(sys, "stdin", keyboard)
        try:
            status = main(arguments)
        except SystemExit as ended:
            status = int(ended.code or 0)
    said = []
    for stream in kept:
        stream.seek(0)
        said.append(stream.read())
    return Ended(status, *said)


@contextlib.contextmanager
def _signals_as_before() -> Iterator[None]:
    before = {number: signal.getsignal(number) for number in SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextlib.contextmanager
def _standard_input(typed: str) -> Iterator[io.TextIOWrapper]:
    """A pipe, since some read its descriptor."""
    reading, writing = os.pipe()
    os.write(writing, typed.encode())
    os.close(writing)
    with os.fdopen(reading, encoding="utf-8") as stream:
        yield stream
