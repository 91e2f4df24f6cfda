"""Records too long for memory: the same lines, points and refusals as from memory."""

from __future__ import annotations

import json
import math
import os
import random
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.audit.forged_lines import check_lines
from harness.commands.new import BENCH_POWER, new
from harness.core.clock import RealClock
from harness.core.errors import RecordError
from harness.evaluation.run_evaluation import evaluate
from harness.preparation.run_files import load_inputs
from harness.record import journal
from harness.record.journal import RecordWriter, continue_record, read_record
from harness.record.long_lines import CHAIN_KEYS, LongLines, chain_keys, json_value
from harness.record.observations import ReadingPair, packed
from harness.steps import Options
from tests.benchmarks.mutated_records import rehashed
from tests.on_twin import TwinRun


@pytest.fixture(scope="module")
def content(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The record of a run with power, for which much is read beside the pairs."""
    files = new(tmp_path_factory.mktemp("power"), BENCH_POWER)
    twin = TwinRun(load_inputs(*files, "power_and_phase", Options(readings=3, per_decade=1)))
    twin.run()
    return twin.content


def read_both_ways(file: Path, monkeypatch: pytest.MonkeyPatch) -> list[journal.Record]:
    """The record from memory, and from its file as a long one is read."""
    kept = read_record(file)
    monkeypatch.setattr(journal, "LONG", 0)
    long = read_record(file)
    assert isinstance(long.lines, LongLines)
    return [kept, long]


def test_long_record_is_the_record(content: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines, each alone, in slices and by kind, and what is made of them."""
    file = tmp_path / "record.jsonl"
    file.write_bytes(content)
    kept, long = read_both_ways(file, monkeypatch)
    assert tuple(long.lines) == kept.lines
    assert [long.lines[n] for n in range(-len(kept.lines), len(kept.lines))] == [*kept.lines] * 2
    assert long.lines[5:90:7] == kept.lines[5:90:7]
    with pytest.raises(IndexError):
        long.lines[len(kept.lines)]
    assert list(long.of_kind("reading", "point", "no such")) == list(kept.of_kind("reading", "point"))
    assert (long.start, long.complete, long.torn, long.last_hash) == (
        kept.start,
        kept.complete,
        kept.torn,
        kept.last_hash,
    )
    check_lines(long, "long")
    assert evaluate(long, "r") == evaluate(kept, "r")


@pytest.mark.parametrize("end", [1, 100, 20_000])
def test_long_record_is_cut_and_refused_alike(
    content: bytes, end: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cut end is handed back; bytes after the end, and one altered, are refused in the same words."""
    file = tmp_path / "record.jsonl"
    file.write_bytes(content[:-end])
    kept, long = read_both_ways(file, monkeypatch)
    assert (tuple(long.lines), long.torn) == (kept.lines, kept.torn)
    altered = bytearray(content)
    altered[-end - 200] ^= 1
    for wrong in (content + b"more", bytes(altered)):
        file.write_bytes(wrong)
        said = []
        for size in (2**40, 0):
            monkeypatch.setattr(journal, "LONG", size)
            with pytest.raises(RecordError) as refused:
                read_record(file)
            said.append(str(refused.value))
        assert said[0] == said[1]


def test_long_forgery_is_refused_in_the_same_words(
    content: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wrong shape far behind is told before wrong values and times, which are told all together without it."""
    lines = [json.loads(raw) for raw in content.splitlines()]
    readings = [line for line in lines if line["kind"] == "reading"]
    readings[1]["displayed"]["value"] *= 1.001
    readings[2]["elapsed"] = 0.0
    readings[4]["pair"] = 7
    for misshapen in (False, True):
        if misshapen:
            readings[-1]["reference"]["value"] = "much"
        file = tmp_path / f"{misshapen}.jsonl"
        file.write_bytes(rehashed(lines))
        said = []
        for record in read_both_ways(file, monkeypatch):
            with pytest.raises(RecordError) as refused:
                check_lines(record, "r")
            said.append(str(refused.value))
        monkeypatch.undo()
        assert said[0] == said[1]
        assert ("found 'much'" in said[0]) == misshapen
        assert ("elapsed: found 0 s" in said[0]) != misshapen


@pytest.mark.parametrize("place", [3, -3])
def test_line_changed_meanwhile_is_refused(
    content: bytes, place: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is read again is what was checked, or nothing: also where neither size nor times of the file tell, and the line's own hash is right."""
    file = tmp_path / "record.jsonl"
    file.write_bytes(content)
    _, long = read_both_ways(file, monkeypatch)
    times = file.stat()
    lines = [json.loads(raw) for raw in content.splitlines()]
    lines[place]["elapsed"] = float(str(lines[place]["elapsed"]).translate(str.maketrans("12345678", "23456781")))
    changed = rehashed(lines)
    assert len(changed) == len(content)
    file.write_bytes(changed)
    os.utime(file, ns=(times.st_atime_ns, times.st_mtime_ns))
    number = range(len(lines))[place]
    with pytest.raises(RecordError, match=f"line {number + 1} was changed while it was read"):
        list(long.lines)


def test_lines_of_a_record_that_is_continued_are_read_meanwhile(
    content: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A long record is continued from its file, never whole in memory; its torn end goes and new lines come while it is read."""
    *whole, last = content.splitlines(keepends=True)
    file = tmp_path / "record.jsonl"
    file.write_bytes(b"".join(whole) + last[:20])
    monkeypatch.setattr(journal, "LONG", 0)
    record, stream = continue_record(file)
    assert isinstance(record.lines, LongLines)
    assert record.torn == last[:20]
    reading = iter(record.lines)
    first = next(reading)
    writer = RecordWriter(stream, RealClock(), sync=False, after=record)
    writer.write("resume")
    assert [first, *reading] == [json.loads(line) for line in whole]
    writer.close()
    assert len(read_record(file).lines) == len(whole) + 1


@pytest.mark.parametrize("also", [[{}, {}], [{"a": 1.0, "b": 2.0}, {"b": 4.0, "a": 3.0}], [{"a": 1.0}, {}]])
def test_packed_pairs_are_the_pairs(also: list[dict[str, float]]) -> None:
    """One by one, from the end, and in slices."""
    pairs = tuple(ReadingPair(i + 0.1, i + 0.2, (i, i + 0.3), (i, i + 0.4), read) for i, read in enumerate(also))
    small = packed(pairs)
    assert tuple(small) == pairs == small[:]
    assert [small[0], small[-1]] == [pairs[0], pairs[-1]]
    assert len(small) == 2
    assert small == pairs


CASES = [
    b'{"a":NaN,"b":Infinity,"c":-Infinity}',
    b'{"a":1,"b":2,"a":3}',
    b'{"a":9223372036854775808,"b":-9223372036854775809,"c":12345678901234567890123}',
    b'{"a":-0,"b":-0.0,"c":1e400,"d":0.1e-400}',
    b'{"a":2.2250738585072011e-308,"b":9007199254740993.0,"c":123456789012345678901234567890.5}',
    b'{"a":"\xed\xa0\x80"}',
    b'{"a":"\\ud800","b":"\\ud83d\\ude00","c":"\\u0000\\u00e4"}',
    b'\xef\xbb\xbf{"a":1}',
    '{"a":1}'.encode("utf-16"),
    b'{"a":' + b"[" * 300 + b"]" * 300 + b"}",
    b'{"a":"\xff"}',
    b'{"a":' + b"1" * 5000 + b"}",
    b'{"a":' + b"[" * 100_000 + b"]" * 100_000 + b"}",
    *(b'{"a":%s}' % text for text in (b"01", b"1.", b".5", b"+1", b"1e", b"nan", b"-NaN", b"1_0", b'"\x01"', b'"\\x"')),
    b'{"a":1}x',
    b'{"a":1,}',
    b"",
]


def outcome(read: Callable[[bytes], object], raw: bytes) -> str:
    try:
        return repr(read(raw))
    except (ValueError, RecursionError):
        return "refused"


def sorted_outcome(read: Callable[[bytes], object], raw: bytes) -> str:
    """`outcome`, whatever the order of an object's keys."""

    def in_order(raw: bytes) -> object:
        value = read(raw)
        return sorted(value.items()) if isinstance(value, dict) else value

    return outcome(in_order, raw)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(codec="utf-8")),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(st.characters(codec="utf-8")), inner),
    max_leaves=6,
)


@pytest.mark.parametrize("raw", CASES, ids=lambda raw: repr(raw[:24]))
def test_json_is_read_as_the_standard_library_reads_it(raw: bytes) -> None:
    """The same value, or refused by both (repr tells -0.0 from 0.0, and 1 from 1.0)."""
    assert outcome(json_value, raw) == outcome(json.loads, raw)


def plain_chain_keys(raw: bytes) -> object:
    """What `chain_keys` does, by the standard library."""
    value = json.loads(raw)
    return {key: value[key] for key in CHAIN_KEYS if key in value} if isinstance(value, dict) else value


def with_chain_keys(raw: bytes) -> bytes:
    """`raw` with keys of a line instead of those of the cases."""
    for short, key in zip((b"a", b"b", b"c"), CHAIN_KEYS, strict=False):
        raw = raw.replace(b'"%b":' % short, b'"%b":' % key.encode())
    return raw


@pytest.mark.parametrize("of_chain", [False, True])
@pytest.mark.parametrize("raw", [*CASES, b"[1,2]", b'"text"', b"null"], ids=lambda raw: repr(raw[:24]))
def test_keys_of_the_chain_are_read_as_the_standard_library_reads_them(raw: bytes, of_chain: bool) -> None:
    """The same values, or refused by both, where what is odd is in keys of the chain and where it is in others."""
    if of_chain:
        raw = with_chain_keys(raw)
    assert sorted_outcome(chain_keys, raw) == sorted_outcome(plain_chain_keys, raw)


@given(st.dictionaries(st.sampled_from([*CHAIN_KEYS, "more"]), VALUES), st.data())
def test_keys_of_the_chain_are_those_of_any_object(value: dict[str, Any], data: st.DataObject) -> None:
    """Of any object, cut or with a byte changed anywhere: the same values, or refused by both."""
    raw = bytearray(json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode())
    assert sorted_outcome(chain_keys, bytes(raw)) == sorted_outcome(plain_chain_keys, bytes(raw))
    raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.sampled_from(b'{}[]",:\\019.eE+-u \n\x00\xff'))
    assert sorted_outcome(chain_keys, bytes(raw)) == sorted_outcome(plain_chain_keys, bytes(raw))


def test_numbers_are_read_to_their_last_bit() -> None:
    """Any double as Python writes it comes back, and decimals of any length are rounded as the standard library does."""
    some = random.Random(7)
    for _ in range(20_000):
        (value,) = struct.unpack("d", some.randbytes(8))
        if math.isfinite(value):
            assert struct.pack("d", json_value(b"%a" % value)) == struct.pack("d", value)
        digits = (some.getrandbits(some.randint(1, 80)), some.getrandbits(120), some.randint(-330, 300))
        text = b"%d.%de%d" % digits
        assert json_value(text) == json.loads(text)
