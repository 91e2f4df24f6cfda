"""Reservation of instruments for one command: two that talk to the same instrument would each read the other's replies.

Every place (a host and port, a serial port; of a bench without any, its files) has a file under the user's own folder, locked while the
command runs. Other users and other computers do not see it; for those an interface has a lock of its own (`lock` in the bench file).
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO

import platformdirs

from harness.core.errors import UserError
from harness.core.file_lock import lock
from harness.station.wires import place
from instruments.links.address import REPLAYED


def reserved_folder() -> Path:
    return platformdirs.user_state_path("ratioproof", appauthor=False) / "instruments"


class Reservations:
    """Places reserved until the block is left; `command` names their holder to others."""

    def __init__(self, command: str) -> None:
        self._command = command
        self._held: dict[str, IO[str]] = {}

    def __enter__(self) -> Reservations:
        return self

    def __exit__(self, *failure: object) -> None:
        for file in self._held.values():
            file.close()
        self._held.clear()

    def take(self, where: str) -> str:
        """Reserve a place; empty on success, else its holder. Raises UserError when no lock can be made."""
        if where in self._held:
            return ""
        path = reserved_folder() / f"{hashlib.sha256(where.encode()).hexdigest()[:24]}.json"
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            file = path.open("a+", encoding="utf-8", newline="\n")
        except OSError as failure:
            raise UserError(f"{path}: {failure.strerror}; instruments are reserved there") from None
        if not lock(file.fileno()):
            with file:
                return _told(file)
        file.truncate(0)
        now = dt.datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")
        file.write(json.dumps({"place": where, "command": self._command, "process": os.getpid(), "since": now}))
        file.flush()
        self._held[where] = file
        return ""


@contextlib.contextmanager
def reserved(addresses: Mapping[str, str], folder: Path, command: str, files: Sequence[Path] = ()) -> Iterator[None]:
    """Reserve the instruments at `addresses`, by name; relative ones are taken from `folder`.

    A bench none of whose instruments has an address is reserved by its `files`.

    Raises UserError, one line for each command that has some of them.
    """
    with Reservations(command) as reservations:
        busy: dict[str, list[str]] = {}
        places = {
            f"{name} at {address}": place(address, folder)
            for name, address in addresses.items()
            if address and not address.startswith(REPLAYED)
        }
        for what, where in (places or {str(file): os.path.normcase(file.resolve()) for file in files}).items():
            if holder := reservations.take(where):
                busy.setdefault(holder, []).append(what)
        if busy:
            raise UserError([f"{', '.join(names)}: in use by {holder}" for holder, names in busy.items()])
        yield


def _told(file: IO[str]) -> str:
    """The holder of the lock, as it wrote into the file."""
    file.seek(0)
    try:
        found = json.loads(file.read())
        return f"{found['command']} (process {found['process']}, since {found['since']})"
    except (ValueError, KeyError, TypeError):
        return "another run"
