"""Transcripts: written and replayed to the letter, refused when altered, and one for every shipped driver."""

import json
import shutil
import struct
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.replay.link_transcripts import ReplayedLinks
from harness.station.station import Station
from instruments.errors import InstrumentError, LinkError, ReplyError
from instruments.links.transcribed_links import ReplayedRegisters, ReplayedText, TranscribedRegisters, TranscribedText
from instruments.links.transcript import TranscriptError, TranscriptReader, transcript_of
from instruments.profile import SHIPPED, load_profile
from simulated.physics.virtual_clock import VirtualClock
from tests.instruments.walks import NAMES, TRANSCRIPTS, WALKS, inputs_in, station_of

PROFILE = load_profile("scpi_multimeter")


class Answers:
    """A link for text and registers that gives prepared answers in turn, errors among them."""

    def __init__(self, *answers: Any) -> None:
        self._answers = list(answers)

    def _next(self) -> Any:
        answer = self._answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer

    def write(self, text: str) -> None:
        self._next()

    def read(self) -> str:
        return str(self._next())

    def query(self, text: str) -> str:
        return str(self._next())

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        return list(self._next())

    def close(self) -> None:
        pass


def garbled() -> ReplyError:
    return ReplyError(
        "garbled reply b'\\xff'", instrument="meter", address="x", command="READ?", elapsed=0.125, received=7
    )


def session(link: Any) -> list[str]:
    """A conversation with everything in it, errors by their class and text."""
    said = []
    for call in (
        lambda: link.query("*IDN?"),
        lambda: link.write("*CLS"),
        link.read,
        lambda: link.query("READ?"),
    ):
        try:
            said.append(repr(call()))
        except InstrumentError as failure:
            said.append(f"{type(failure).__name__}: {failure} {vars(failure)}")
    link.close()
    return said


@pytest.fixture
def kept(tmp_path: Path) -> tuple[Path, list[str]]:
    """A transcript of `session`, and what was said in it."""
    file = tmp_path / "meter.jsonl"
    writer = transcript_of(file, "meter", "x", PROFILE)
    link = TranscribedText(lambda: Answers("A,B,1,2", None, "+1E0\tΩ", garbled()), writer, lambda: 1.5)
    said = session(link)
    writer.close()
    return file, said


def test_what_was_said_is_said_again_errors_included(kept: tuple[Path, list[str]]) -> None:
    """The same replies, and an error of the same class with every detail."""
    file, said = kept
    reader = TranscriptReader(file, "meter")
    assert session(ReplayedText(reader)) == said
    reader.check_used_up()


def test_a_link_refused_at_open_is_refused_again(tmp_path: Path) -> None:
    """The next opening is the next line."""
    refused = LinkError("cannot be opened: refused", instrument="meter", address="x", command="open", elapsed=0.01)
    writer = transcript_of(tmp_path / "meter.jsonl", "meter", "x", PROFILE)

    def fail() -> Answers:
        raise refused

    with pytest.raises(LinkError):
        TranscribedText(fail, writer, lambda: 0.0)
    TranscribedText(Answers, writer, lambda: 0.0)
    writer.close()
    reader = TranscriptReader(tmp_path / "meter.jsonl", "meter")
    with pytest.raises(LinkError) as found:
        ReplayedText(reader)
    assert str(found.value) == str(refused)
    ReplayedText(reader)
    reader.check_used_up()


def test_another_question_fails_at_once_and_for_good(kept: tuple[Path, list[str]]) -> None:
    """Instrument, file, line, expected and got; afterwards nothing is answered any more."""
    file, _ = kept
    link = ReplayedText(TranscriptReader(file, "multimeter"))
    with pytest.raises(TranscriptError) as found:
        link.query("*IDN? 1")
    for part in ("multimeter", str(file), "line 3", "expected query (sent '*IDN?')", "got query (sent '*IDN? 1')"):
        assert part in str(found.value)
    with pytest.raises(TranscriptError, match="line 3"):
        link.query("*IDN?")
    link.close()


def test_what_is_left_at_the_end_fails_and_so_does_what_is_too_much(kept: tuple[Path, list[str]]) -> None:
    """A session must be as long as it was."""
    file, _ = kept
    reader = TranscriptReader(file, "meter")
    link = ReplayedText(reader)
    link.query("*IDN?")
    with pytest.raises(TranscriptError, match=r"line 4: expected write \(sent '\*CLS'\) \(4 lines left\), got the end"):
        reader.check_used_up()
    reader = TranscriptReader(file, "meter")
    session(ReplayedText(reader))
    with pytest.raises(TranscriptError, match="line 8: expected nothing more, got open"):
        ReplayedText(reader)


def test_a_file_that_cannot_be_used_is_refused_in_one_line(kept: tuple[Path, list[str]], tmp_path: Path) -> None:
    """Missing, of another format version, altered at any byte, a line taken out, made with another profile."""
    file, _ = kept
    data = file.read_bytes()

    def refused(changed: bytes | None, part: str) -> None:
        other = tmp_path / "changed.jsonl"
        other.unlink(missing_ok=True)
        if changed is not None:
            other.write_bytes(changed)
        with pytest.raises(TranscriptError) as found:
            TranscriptReader(other, "meter").check_profile(PROFILE)
        assert part in str(found.value)
        assert "\n" not in str(found.value)

    refused(None, "no such transcript")
    refused(b"", "line 1: found format ''")
    refused(b"no transcript\n", "line 1: found format ''")
    refused(data.replace(b"transcript-1", b"transcript-2"), "found format 'ratioproof-transcript-2'")
    refused(data.replace(b"A,B,1,2", b"A,B,1,3"), "line 3 was altered")
    refused(b"".join(data.splitlines(keepends=True)[:3] + data.splitlines(keepends=True)[4:]), "line 4 was altered")
    with pytest.raises(TranscriptError, match=r"line 1: expected the profile .*relay.*, got .*multimeter"):
        TranscriptReader(file, "meter").check_profile(load_profile("scpi_relay"))


def test_a_transcript_is_never_overwritten(kept: tuple[Path, list[str]]) -> None:
    """Another one is refused, the first stays."""
    file, _ = kept
    before = file.read_bytes()
    with pytest.raises(TranscriptError, match="never overwritten"):
        transcript_of(file, "meter", "x", PROFILE)
    assert file.read_bytes() == before


def test_a_full_disk_costs_the_transcript_and_not_the_exchange() -> None:
    """/dev/full refuses every write: the instrument is still spoken to, and what is missing is known."""

    class Full(type(Path())):  # type: ignore[misc]
        def open(self, *arguments: Any, **options: Any) -> Any:
            return Path("/dev/full").open("wb", buffering=0)

    writer = transcript_of(Full("meter.jsonl"), "meter", "x", PROFILE)
    assert TranscribedText(lambda: Answers("1"), writer, lambda: 0.0).query("READ?") == "1"
    writer.close()
    assert "ends before line 1" in writer.trouble


@given(st.lists(st.tuples(st.text(), st.text()), max_size=5), st.lists(st.integers(0, 65535), max_size=5))
def test_any_text_and_any_registers_come_back(exchanges: list[tuple[str, str]], words: list[int]) -> None:
    """Whatever an instrument says, quotes, newlines and half surrogates included."""
    with tempfile.TemporaryDirectory() as temporary:
        file = Path(temporary) / "meter.jsonl"
        writer = transcript_of(file, "meter", "x", PROFILE)
        text = TranscribedText(lambda: Answers(*(reply for _, reply in exchanges)), writer, lambda: 0.0)
        for sent, reply in exchanges:
            assert text.query(sent) == reply
        registers = TranscribedRegisters(lambda: Answers(words), writer, lambda: 0.0, False)
        registers.read_registers("input", 0, len(words))
        writer.close()
        assert len(file.read_bytes().splitlines()) == 4 + len(exchanges)
        reader = TranscriptReader(file, "meter")
        replayed = ReplayedText(reader)
        assert [replayed.query(sent) for sent, _ in exchanges] == [reply for _, reply in exchanges]
        assert ReplayedRegisters(reader, False).read_registers("input", 0, len(words)) == words
        reader.check_used_up()


def test_a_profile_is_the_same_whatever_its_comments(kept: tuple[Path, list[str]], tmp_path: Path) -> None:
    """Only what it says counts: a comment and a default spelled out change nothing, another word does."""
    text = (SHIPPED / "scpi_multimeter.toml").read_text(encoding="utf-8")
    (tmp_path / "remarked.toml").write_text(
        f"# mine\nread_termination = '\\n'\n{text}".replace("'", '"'), encoding="utf-8"
    )
    (tmp_path / "another.toml").write_text(text.replace("READ?", "MEASure:CURRent:AC?"), encoding="utf-8")
    reader = TranscriptReader(kept[0], "meter")
    reader.check_profile(load_profile("remarked", (tmp_path,)))
    with pytest.raises(TranscriptError, match="expected the profile"):
        reader.check_profile(load_profile("another", (tmp_path,)))


@pytest.fixture
def replayed_station(tmp_path: Path) -> tuple[Station, ReplayedLinks]:
    """The drivers of the shipped profiles on the transcripts kept beside this test."""
    inputs = inputs_in(tmp_path)
    links = ReplayedLinks(TRANSCRIPTS, inputs.folders, [])
    return station_of(inputs, links, VirtualClock()), links


def received(name: str, sent: str) -> list[str]:
    """All replies to `sent`, read from the file as a person would."""
    lines = [json.loads(line) for line in (TRANSCRIPTS / f"{name}.jsonl").read_text(encoding="utf-8").splitlines()]
    return [line["received"] for line in lines if line.get("sent") == sent]


def test_every_shipped_driver_says_what_its_transcript_says(
    replayed_station: tuple[Station, ReplayedLinks],
) -> None:
    """Word for word what was sent, and the values that the replies mean."""
    station, links = replayed_station
    got = {role: list(walk(getattr(station, role))) for role, walk in WALKS.items()}
    links.check_used_up()

    identity, off, on, off_again = got["load"]
    assert identity.serial == "L-2203"
    assert off == off_again == (True, "OUTPut? -> 0")
    assert on == (False, "OUTPut? -> 1")

    identity, reading = got["reference"]
    assert identity.serial == "M-0871"
    (raw,) = received("multimeter", "READ?")
    # IEEE 488.2, 8.7.4: an NR3 number is what Python's float() reads.
    assert (reading.value, reading.unit, reading.raw) == (float(raw), "A", raw)
    assert reading.value == pytest.approx(4.0 / 20, rel=0.005), "4 A through the 20:1 reference transformer"

    identity, reading = got["meter"]
    assert identity.serial == "40117"
    # Modbus sends high byte and, here, high word first; the number is IEEE 754 single precision.
    (value,) = struct.unpack(">f", bytes.fromhex(reading.raw.replace(" ", "")))
    assert (reading.value, reading.unit) == (value, "A")
    assert reading.value == pytest.approx(4.0, rel=0.01), "one turn through the core"

    identity, there, back = got["switch"]
    assert identity.serial == "R-0045"
    assert (there, back) == ("ROUTe:CLOSe? (@102) -> 1", "ROUTe:CLOSe? (@101) -> 1")


@pytest.mark.parametrize("role", NAMES)
def test_a_driver_that_says_anything_else_is_found_out(role: str, tmp_path: Path) -> None:
    """A walk with its first exchange repeated does not fit the transcript."""
    folder = tmp_path / "transcripts"
    shutil.copytree(TRANSCRIPTS, folder)
    inputs = inputs_in(tmp_path / "pair")
    station = station_of(inputs, ReplayedLinks(folder, inputs.folders, []), VirtualClock())
    driver = getattr(station, role)
    driver.open()
    driver.identify()
    with pytest.raises(TranscriptError, match=r"line 4: expected .*, got "):
        driver.identify()
