"""The record: clean prefixes, located alterations, one writer at a time."""

import io
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.clock import RealClock
from harness.core.errors import RecordError
from harness.record.journal import (
    FORMAT,
    Record,
    RecordWriter,
    continue_record,
    create_record,
    parse_record,
    read_record,
)
from simulated.physics.virtual_clock import VirtualClock

TEXTS = st.text(max_size=20)


def written(texts: list[str], outcome: str | None = "complete") -> bytes:
    """A record of `texts`, in bytes."""
    stream = io.BytesIO()
    writer = RecordWriter(stream, VirtualClock(), sync=False)
    writer.write("start", format=FORMAT)
    for text in texts:
        writer.write("note", text=text, value=1.25)
    if outcome:
        writer.write("stop", outcome=outcome)
    return stream.getvalue()


@given(st.lists(TEXTS, max_size=6), st.data())
def test_cut_at_any_byte_reads_as_a_clean_prefix(texts: list[str], data: st.DataObject) -> None:
    """Whatever byte the power failed at, what is read is the whole lines before it."""
    whole = written(texts)
    cut = data.draw(st.integers(0, len(whole)))
    record = parse_record(whole[:cut], "r")
    assert list(record.lines) == list(parse_record(whole, "r").lines[: len(record.lines)])
    assert len(record.lines) == whole[:cut].count(b"\n")
    assert record.complete == (cut == len(whole))


@settings(max_examples=400)
@given(st.lists(TEXTS, min_size=1, max_size=4), st.data())
def test_one_byte_changed_is_found_at_its_line(texts: list[str], data: st.DataObject) -> None:
    """Any other value in any one byte is reported, with the number of the line that byte stands in."""
    whole = bytearray(written(texts))
    place = data.draw(st.integers(0, len(whole) - 1))
    value = data.draw(st.integers(0, 255).filter(lambda v: v != whole[place]))
    line = whole[:place].count(b"\n") + 1
    whole[place] = value
    with pytest.raises(RecordError, match=rf"r: line {line} was altered"):
        parse_record(bytes(whole), "r")


def test_lines_swapped_or_taken_out_are_found() -> None:
    """Lines that are each whole, but not in their place, are alterations too."""
    lines = written(["a", "b", "c"]).splitlines(keepends=True)
    with pytest.raises(RecordError, match="line 2 was altered"):
        parse_record(b"".join([lines[0], lines[2], lines[1], *lines[3:]]), "r")
    with pytest.raises(RecordError, match="line 2 was altered"):
        parse_record(b"".join([lines[0], *lines[2:]]), "r")


def test_continuing_cuts_the_torn_line_and_keeps_the_chain(tmp_path: Path) -> None:
    """A torn last line is handed back, cut off the file, and the chain goes on from the last whole line."""
    file = tmp_path / "record.jsonl"
    file.write_bytes(written(["a", "b"], outcome=None) + b'{"line":3,"kind":"rea')
    before = file.read_bytes()
    record, stream = continue_record(file)
    writer = RecordWriter(stream, RealClock(), sync=True, after=record)
    assert record.torn == b'{"line":3,"kind":"rea'
    assert file.read_bytes() == before, "nothing is changed before there is something to go on with"
    writer.write("resume")
    writer.write("stop", outcome="complete")
    writer.close()
    again = read_record(file)
    assert [line["kind"] for line in again.lines] == ["start", "note", "note", "resume", "stop"]
    assert again.complete


def test_a_record_is_never_overwritten_nor_written_by_two(tmp_path: Path) -> None:
    """A second run on the same file is refused, whether it would start or go on; a complete run is not resumed."""
    file = tmp_path / "record.jsonl"
    writer = create_record(file, RealClock())
    writer.write("start", format=FORMAT)
    with pytest.raises(RecordError, match="exists already"):
        create_record(file, RealClock())
    with pytest.raises(RecordError, match="being written by another run"):
        continue_record(file)
    writer.write("stop", outcome="complete")
    writer.close()
    with pytest.raises(RecordError, match="run is complete"):
        continue_record(file)


@pytest.mark.parametrize("content", [b"", b"hello\n", b'{"a":1}\n'])
def test_other_files_are_refused(tmp_path: Path, content: bytes) -> None:
    """An empty file or another kind of file is no record."""
    file = tmp_path / "record.jsonl"
    file.write_bytes(content)
    with pytest.raises(RecordError):
        read_record(file)


def test_hash_chain_can_be_recomputed_with_nothing_but_sha256() -> None:
    """The chain as documented: anyone can follow it with a hash function from elsewhere."""
    import hashlib
    import json

    previous = "0" * 64
    for raw in written(["ä", "b"]).splitlines():
        text, _, tail = raw.rpartition(b',"hash":"')
        line = json.loads(raw)
        assert tail == f'{line["hash"]}"}}'.encode()
        assert hashlib.sha256(text).hexdigest() == line["hash"]
        assert line["previous"] == previous
        previous = line["hash"]
    assert Record((), b"", previous).complete is False
