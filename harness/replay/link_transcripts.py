"""Transcripts of the links of a bench, written and replayed: one for each instrument."""

import re
from collections.abc import Sequence
from pathlib import Path

from harness.files.instrument_entry import InstrumentEntry
from harness.station.wires import LinkSource, PassedOn
from instruments.links.link import Link, Now, RegisterLink
from instruments.links.transcribed_links import ReplayedRegisters, ReplayedText, TranscribedRegisters, TranscribedText
from instruments.links.transcript import TranscriptError, TranscriptReader, TranscriptWriter, transcript_of
from instruments.profile import Profile, load_profile


class TranscribedLinks(PassedOn):
    """Links of another source, every exchange written to `folder`/NAME.jsonl; `folders` hold the profiles."""

    def __init__(self, links: LinkSource, folder: Path, now: Now, folders: Sequence[Path]) -> None:
        super().__init__(links)
        self._folder, self._now, self._folders = folder, now, tuple(folders)
        self._writers: dict[str, TranscriptWriter] = {}

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        return TranscribedText(
            lambda: self._links.text(name, entry, profile), self._writer(name, entry, profile), self._now
        )

    def registers(self, name: str, entry: InstrumentEntry, drain: bool) -> RegisterLink:
        writer = self._writer(name, entry, load_profile(entry.profile, self._folders))
        return TranscribedRegisters(lambda: self._links.registers(name, entry, drain), writer, self._now, drain)

    def close(self) -> list[str]:
        """Close the files; write errors, one line each."""
        for writer in self._writers.values():
            writer.close()
        return [writer.trouble for writer in self._writers.values() if writer.trouble]

    def _writer(self, name: str, entry: InstrumentEntry, profile: Profile) -> TranscriptWriter:
        if name not in self._writers:
            self._writers[name] = transcript_of(self._folder / f"{file_name(name)}.jsonl", name, entry.address, profile)
        return self._writers[name]


def file_name(name: str) -> str:
    """File name part from an instrument's name, or from an address that stands for it."""
    return re.sub(r"[^\w.-]+", "_", name)


class ReplayedLinks(LinkSource):
    """Links that answer from the transcripts in `folder`; `folders` hold the profiles."""

    def __init__(self, folder: Path, folders: Sequence[Path], failures: list[TranscriptError]) -> None:
        self._folder, self._folders, self._failures = folder, tuple(folders), failures
        self._readers: dict[str, TranscriptReader] = {}

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        """A link as recorded. Raises TranscriptError, or the recorded InstrumentError."""
        return ReplayedText(self._reader(name, profile))

    def registers(self, name: str, entry: InstrumentEntry, drain: bool) -> RegisterLink:
        """A link as recorded. Raises TranscriptError, or the recorded InstrumentError."""
        return ReplayedRegisters(self._reader(name, load_profile(entry.profile, self._folders)), drain)

    def check_used_up(self) -> None:
        """Raise TranscriptError when the session has failed, or exchanges are left."""
        for reader in self._readers.values():
            reader.check_used_up()

    def _reader(self, name: str, profile: Profile) -> TranscriptReader:
        if name not in self._readers:
            reader = TranscriptReader(self._folder / f"{file_name(name)}.jsonl", name, self._failures)
            reader.check_profile(profile)
            self._readers[name] = reader
        return self._readers[name]
