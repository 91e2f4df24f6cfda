"""The record of a run: an append-only file of JSON lines, each carrying the hash of the one before and its own.

Every line is on the disk before the next thing happens. A record cut at any byte reads as the whole lines before the
cut. An accident or a careless edit is found out at the line where it happened; somebody who computes the hashes anew is
not: they are no signature. What such an edit must still agree with is checked in `audit`.

A line is ``{"line":n,"kind":"...","at":"...","elapsed":s, ... ,"previous":"<hash>","hash":"<hash>"}`` in UTF-8, its hash being
the SHA-256 of everything before ``,"hash"``. `at` is the time of day, `elapsed` seconds since the record began, on a clock that
nobody sets; the times of readings are on that clock too.
"""

from __future__ import annotations

import datetime as dt
import errno
import hashlib
import io
import json
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from harness.core.errors import RecordError
from harness.core.file_lock import lock
from harness.record.long_lines import AT_ONCE, LongLines, chain_keys, json_value

if TYPE_CHECKING:
    from harness.core.clock import Clock

FORMAT = "ratioproof-record-2"
RECORD = "record.jsonl"
"""Name of the record in its folder."""
HASH_BEFORE_FIRST_LINE = "0" * 64
SYNC_WITHIN = 10.0
"""Seconds a slow disk may take to make a line durable."""
LONG = 2**25
"""Bytes beyond which the lines of a record are read from its file whenever they are asked for, instead of kept in memory."""
_TAIL = len(',"hash":""}') + 64


@dataclass(frozen=True)
class Record:
    """The whole lines of a record, and the bytes of a last line that was cut."""

    lines: Sequence[dict[str, Any]]
    torn: bytes
    last_hash: str

    @property
    def start(self) -> dict[str, Any]:
        """The first line: files as read, versions, procedure, operator."""
        return self.lines[0]

    @property
    def complete(self) -> bool:
        """Whether the run was finished."""
        return bool(self.lines) and self.lines[-1].get("kind") == "stop" and self.lines[-1].get("outcome") == "complete"

    def of_kind(self, *kinds: str) -> Iterator[dict[str, Any]]:
        if isinstance(self.lines, LongLines):
            return self.lines.of_kind(*kinds)
        return (line for line in self.lines if line.get("kind") in kinds)


class RecordWriter:
    """Appends lines to a stream; `sync` makes each one durable before the run goes on.

    `announce` receives the seconds that may take, and a description. With `after` that record is continued: its torn last line is cut off
    when the first line is written. `time_zero` is the start of the record on `clock`; time while a run was interrupted is taken from the
    time of day.
    """

    def __init__(self, stream: IO[bytes], clock: Clock, *, sync: bool, after: Record | None = None) -> None:
        self._stream, self._clock, self._sync = stream, clock, sync
        self._count = len(after.lines) if after else 0
        self._previous = after.last_hash if after else HASH_BEFORE_FIRST_LINE
        self.announce: Callable[[float, str], AbstractContextManager[None]] = lambda _, __: nullcontext()
        self._length = stream.seek(0, os.SEEK_END) - (len(after.torn) if after else 0)
        self._torn = bool(after and after.torn)
        self.time_zero = clock.now()
        if after is not None:
            since_start = (clock.wall() - dt.datetime.fromisoformat(after.start["at"])).total_seconds()
            self.time_zero -= max(since_start, after.lines[-1]["elapsed"])

    def write(self, kind: str, **fields: Any) -> None:
        """Append one line of `kind` with JSON-able `fields`. Raises OSError naming the file; then nothing was appended."""
        body = {
            "line": self._count,
            "kind": kind,
            "at": self._clock.wall().isoformat(timespec="milliseconds"),
            "elapsed": round(self._clock.now() - self.time_zero, 6),
            **fields,
            "previous": self._previous,
        }
        text = json.dumps(body, ensure_ascii=False, separators=(",", ":"))[:-1].encode()
        digest = hashlib.sha256(text).hexdigest()
        self._append(text + f',"hash":"{digest}"}}\n'.encode())
        self._count += 1
        self._previous = digest

    def _append(self, line: bytes) -> None:
        """Write all of `line` or nothing of it: a full disk may take a part."""
        if self._torn:
            self._cut()
        try:
            left = memoryview(line)
            while left:
                left = left[self._stream.write(left) :]
            self._stream.flush()
            if self._sync:
                with self.announce(SYNC_WITHIN, "writing the record"):
                    os.fsync(self._stream.fileno())
        except OSError as failure:
            self._torn = True
            self._cut()
            raise self._of_file(failure) from failure
        self._length += len(line)

    def _cut(self) -> None:
        """Remove everything after the last whole line. Raises OSError."""
        try:
            self._stream.seek(self._length)
            self._stream.truncate()
        except OSError as failure:
            raise self._of_file(failure) from failure
        self._torn = False

    def _of_file(self, failure: OSError) -> OSError:
        return OSError(failure.errno or errno.EIO, failure.strerror, str(getattr(self._stream, "name", "the record")))

    def close(self) -> None:
        self._stream.close()


def create_record(file: Path, clock: Clock) -> RecordWriter:
    """A writer on a new file. Raises RecordError when the file exists: a record is never overwritten."""
    file.parent.mkdir(parents=True, exist_ok=True)
    try:
        stream = file.open("xb", buffering=0)
    except FileExistsError:
        raise RecordError(
            f"{file}: exists already; a record is never overwritten (resume it, or choose another --out)"
        ) from None
    _claim(stream, file)
    return RecordWriter(stream, clock, sync=True)


def continue_record(file: Path) -> tuple[Record, IO[bytes]]:
    """The record in `file` and the open file for a `RecordWriter` to go on in; nothing in it is changed.

    Raises RecordError when it is altered, complete, or being written by another run.
    """
    stream = _existing(file).open("r+b", buffering=0)
    _claim(stream, file)
    try:
        record = _parsed(file)
        refuse_complete(record, file)
    except RecordError:
        stream.close()
        raise
    return record, stream


def refuse_complete(record: Record, file: Path) -> None:
    """Raise RecordError when the record is complete."""
    if record.complete:
        raise RecordError(f"{file}: the run is complete; certify it, or start a new run")


def _existing(file: Path) -> Path:
    if not file.is_file():
        raise RecordError(f"{file}: no such record")
    return file


def _claim(stream: IO[bytes], file: Path) -> None:
    if not lock(stream.fileno()):
        stream.close()
        raise RecordError(f"{file}: is being written by another run")


def refuse_being_written(file: Path) -> None:
    """Raise RecordError while a run is writing the record in `file`."""
    with file.open("rb") as stream:
        if not lock(stream.fileno()):
            raise RecordError(f"{file}: a run is writing it; only a complete run is evaluated, so wait for its end")


def read_record(file: Path) -> Record:
    """The record in `file`. Raises RecordError when it is missing, empty, of another kind, or altered (naming the line)."""
    record = _parsed(file)
    found = record.start.get("format") if record.lines else None
    if found != FORMAT:
        raise RecordError(f"{file}: found format {str(found)[:40]!r}, expected {FORMAT!r}")
    return record


def _parsed(file: Path) -> Record:
    with _existing(file).open("rb", buffering=AT_ONCE) as stream:
        if os.fstat(stream.fileno()).st_size <= LONG:
            return parse_record(stream.read(), str(file))
        lines = LongLines(file)
        return _whole(lines, stream, str(file), lines.append, chain_keys)


def parse_record(data: bytes, name: str) -> Record:
    """The record in `data`; `name` is used in messages. Raises RecordError when a line was altered."""
    lines: list[dict[str, Any]] = []
    record = _whole(lines, io.BytesIO(data), name, lambda line, _: lines.append(line))
    return replace(record, lines=tuple(lines))


def _whole(
    lines: Sequence[dict[str, Any]],
    stream: IO[bytes],
    name: str,
    append: Callable[[dict[str, Any], bytes], None],
    read: Callable[[bytes], Any] = json_value,
) -> Record:
    """The record in `stream`, every line of which is handed to `append` as `read` and in bytes, to be found in `lines`. Raises RecordError."""
    previous, torn = HASH_BEFORE_FIRST_LINE, b""
    for number, raw in enumerate(stream):
        if not raw.endswith(b"\n"):
            torn = raw
            break
        line = _checked(raw[:-1], number, previous, read)
        if line is None:
            raise RecordError(f"{name}: line {number + 1} was altered after it was written")
        append(line, raw)
        previous = line["hash"]
    record = Record(lines, torn, previous)
    if torn and _whole_within(torn):
        raise RecordError(f"{name}: line {len(lines) + 1} was altered after it was written (its end)")
    if torn and record.complete:
        raise RecordError(
            f"{name}: line {len(lines) + 1}: found {len(torn)} bytes after the end of the run, expected none"
        )
    return record


def _checked(raw: bytes, number: int, previous: str, read: Callable[[bytes], Any]) -> dict[str, Any] | None:
    """The line in `raw` as `read`, or None when it was altered."""
    text, tail = raw[:-_TAIL], raw[-_TAIL:]
    if tail != f',"hash":"{hashlib.sha256(text).hexdigest()}"}}'.encode():
        return None
    try:
        line: Any = read(raw)
    except (ValueError, RecursionError):
        return None
    if not isinstance(line, dict) or line.get("line") != number or line.get("previous") != previous:
        return None
    return line


def _whole_within(torn: bytes) -> bool:
    """Whether a last line without newline holds a whole line and something more: then it was altered, not cut."""
    text, found, rest = torn.rpartition(b',"hash":"')
    return bool(found) and len(rest) > 66 and hashlib.sha256(text).hexdigest().encode() == rest[:64]
