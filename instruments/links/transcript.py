"""Transcripts: every exchange with an instrument as one line of a file, written and read again.

A transcript is a file of JSON lines. The first one says of what it is; each further one is one exchange::

    {"line":3,"did":"query","sent":"OUTPut?","received":"0","started":12.31,"finished":12.32,"check":"5b0c3c11a3f0"}

`line` counts from 1. What was asked must be asked again, word for word, when the file is replayed; what came of it
(`received` or `error`) is then given back. `started` and `finished` are seconds on the clock of the run, for whoever
reads the file. `check` is the beginning of the SHA-256 of everything before ``,"check"``, so that a changed line is
found. A last line that was cut off is not there.
"""

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from threading import Lock
from typing import Any

from instruments.errors import InstrumentError
from instruments.profile import Profile

FORMAT = "ratioproof-transcript-1"
OUTCOME = ("received", "error", "started", "finished")
"""Keys of a line that describe the answer; all others were asked."""

_CHECK = 12
_TAIL = len(',"check":""}') + _CHECK


class TranscriptError(InstrumentError):
    """A transcript cannot be used, or differs from what happens; the message names instrument, file and line."""

    def __init__(self, whose: str, file: Path, reason: str) -> None:
        super().__init__(reason, instrument=whose, address=f"transcript:{file}")


class TranscriptWriter:
    """Appends to a new transcript. A disk that fails never fails the exchange: `trouble` then says what is missing."""

    def __init__(self, file: Path, instrument: str, **header: Any) -> None:
        """Begin `file`, of `instrument`. Raises TranscriptError when it exists or cannot be made."""
        self.trouble = ""
        self._file, self._count, self._lock = file, 0, Lock()
        try:
            self._stream = file.open("xb", buffering=0)
        except FileExistsError:
            raise TranscriptError(instrument, file, "exists already; a transcript is never overwritten") from None
        except OSError as failure:
            raise TranscriptError(instrument, file, f"cannot be written: {failure.strerror}") from None
        self.write("header", format=FORMAT, instrument=instrument, **header)

    def write(self, did: str, **fields: Any) -> None:
        """Append one line; fields that are None are left out."""
        with self._lock:
            if self.trouble or self._stream.closed:
                return
            self._count += 1
            line = {"line": self._count, "did": did, **{k: v for k, v in fields.items() if v is not None}}
            text = json.dumps(line, separators=(",", ":"))[:-1].encode()
            try:
                self._stream.write(text + f',"check":"{_check(text)}"}}\n'.encode())
            except OSError as failure:
                self.trouble = f"{self._file}: ends before line {self._count}: {failure.strerror}"

    def close(self) -> None:
        with self._lock:
            self._stream.close()


class TranscriptReader:
    """Gives back the lines of a transcript, one by one, to a caller that asks exactly what was asked then."""

    def __init__(self, file: Path, whose: str, failures: list[TranscriptError] | None = None) -> None:
        """Read `file`; `whose` is named in errors. Raises TranscriptError.

        Readers of one session share `failures`: after its first entry nothing is given back any more, by any of them.
        """
        self.file, self.whose = file, whose
        self.failures = [] if failures is None else failures
        self._next = 0
        try:
            self.header, *self._lines = _read_lines(file, whose)
        except TranscriptError as failure:
            self.failures.append(failure)
            raise

    def answer(self, did: str, **asked: Any) -> dict[str, Any]:
        """The recorded outcome of the next exchange. Raises TranscriptError when another one is asked for."""
        got = {"did": did, **{k: v for k, v in asked.items() if v is not None}}
        if self.failures:
            raise self.failures[0]
        if self._next == len(self._lines):
            raise self.failed(len(self._lines) + 2, "nothing more", _shown(got))
        line = self._lines[self._next]
        if _asked(line) != got:
            raise self.failed(line["line"], _shown(_asked(line)), _shown(got))
        self._next += 1
        return line

    def rest(self) -> list[dict[str, Any]]:
        """All lines not yet given back; they then count as given back."""
        lines, self._next = self._lines[self._next :], len(self._lines)
        return lines

    def failed(self, line: int, expected: str, got: str) -> TranscriptError:
        """Note the error that ends the session; the caller raises it."""
        self.failures.append(TranscriptError(self.whose, self.file, f"line {line}: expected {expected}, got {got}"))
        return self.failures[0]

    def check_used_up(self) -> None:
        """Raise TranscriptError when the session has failed, or ends with exchanges left."""
        if self.failures:
            raise self.failures[0]
        left = self._lines[self._next :]
        if left:
            raise self.failed(
                left[0]["line"], f"{_shown(_asked(left[0]))} ({len(left)} lines left)", "the end of the session"
            )

    def check_profile(self, profile: Profile) -> None:
        """Raise TranscriptError when the transcript was made with a profile of other content."""
        made_with = self.header.get("profile_hash")
        if made_with != profile_hash(profile):
            raise self.failed(
                1,
                f"the profile {profile.title!r} as it is now (hash {profile_hash(profile)[:_CHECK]})",
                f"{self.header.get('profile')!r} as it was then (hash {str(made_with)[:_CHECK]})",
            )


def profile_hash(profile: Profile) -> str:
    """SHA-256 of the content of a profile; neither comments nor keys left to their defaults change it."""
    return hashlib.sha256(profile.model_dump_json(exclude_defaults=True).encode()).hexdigest()


def transcript_of(file: Path, instrument: str, address: str, profile: Profile) -> TranscriptWriter:
    """A new transcript of an instrument. Raises TranscriptError."""
    return TranscriptWriter(
        file, instrument, address=address, profile=profile.title, profile_hash=profile_hash(profile)
    )


def _read_lines(file: Path, whose: str) -> list[dict[str, Any]]:
    try:
        *whole, _ = file.read_bytes().split(b"\n")
    except FileNotFoundError:
        raise TranscriptError(whose, file, "no such transcript") from None
    except OSError as failure:
        raise TranscriptError(whose, file, f"cannot be read: {failure.strerror}") from None
    found = _format(whole[0]) if whole else ""
    if found != FORMAT:
        raise TranscriptError(whose, file, f"line 1: found format {found!r}, expected {FORMAT!r}")
    lines = []
    for number, raw in enumerate(whole, start=1):
        text, tail = raw[:-_TAIL], raw[-_TAIL:]
        if tail != f',"check":"{_check(text)}"}}'.encode() or json.loads(raw)["line"] != number:
            raise TranscriptError(whose, file, f"line {number} was altered, or one before it is missing")
        lines.append(json.loads(raw))
    return lines


def _format(raw: bytes) -> str:
    try:
        header = json.loads(raw)
    except ValueError:
        return ""
    return str(header.get("format", "")) if isinstance(header, dict) else ""


def _check(text: bytes) -> str:
    return hashlib.sha256(text).hexdigest()[:_CHECK]


def _asked(line: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in line.items() if key not in (*OUTCOME, "line", "check")}


def _shown(asked: Mapping[str, Any]) -> str:
    details = ", ".join(f"{key} {value!r}" for key, value in asked.items() if key != "did")
    return f"{asked['did']} ({details})" if details else str(asked["did"])
