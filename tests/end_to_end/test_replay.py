"""Runs over real sockets kept with `--transcript`, and replayed without the bench: the same records."""

import json
import shutil
import signal
import time
from pathlib import Path
from typing import Any

import pytest

from harness.command_line import main
from harness.record.journal import Record, read_record
from instruments.profile import load_profile
from tests.in_process import ratioproof
from tests.served import served

SHORT = ("--cautions-read", "--readings", "2", "--per-decade", "1", "--operator", "test")


def content(record: Record) -> list[dict[str, Any]]:
    """The lines of a record but for hashes, where its files stood, and that it is a replay."""
    aside = {"replayed", "previous", "hash", "device_file", "bench_file"}
    return [{k: v for k, v in line.items() if k not in aside} for line in record.lines]


def test_a_whole_run_over_sockets_is_replayed_anywhere(
    tmp_path: Path,
    tmp_path_factory: pytest.TempPathFactory,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Record and results come out equal in another folder, with the bench gone; a changed file is refused in one line."""
    with served(tmp_path) as bench:
        process = bench.start("run", "device.toml", "bench.toml", *SHORT, "--out", "out", "--transcript", "kept")
        output, errors = process.communicate(timeout=100)
    assert process.returncode == 0, output + errors
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    shutil.copytree(bench.folder / "kept", elsewhere / "kept")

    monkeypatch.chdir(elsewhere)
    with monkeypatch.context() as no_time_is_waited:
        no_time_is_waited.setattr(time, "sleep", None)
        status = main(["replay", "kept", "--out", "again"])
    told = capsys.readouterr()
    assert status == 0, told.out + told.err
    assert "verdict: PASS" in told.out
    assert content(read_record(elsewhere / "again" / "record.jsonl")) == content(
        read_record(bench.folder / "out" / "record.jsonl")
    )
    results = [json.loads((f / "results.json").read_text()) for f in (elsewhere / "again", bench.folder / "out")]
    assert results[0]["ranges"] == results[1]["ranges"]
    assert results[0]["diagnosis"] == results[1]["diagnosis"]
    assert len(list((elsewhere / "kept").glob("*.jsonl"))) == 7, "four instruments, clock, person, record"

    refuse_bad_input(elsewhere)


def refuse_bad_input(folder: Path) -> None:
    """Each in one line and exit 2: an altered line, another format, another profile, a file missing, one word more."""
    kept = folder / "kept"

    def refused(name: str, before: str, after: str | None, part: str) -> None:
        whole = (kept / name).read_text(encoding="utf-8")
        assert before in whole
        if after is None:
            (kept / name).unlink()
        else:
            (kept / name).write_text(whole.replace(before, after, 1), encoding="utf-8")
        # A profile is read once a process.
        load_profile.cache_clear()
        ended = ratioproof(folder, "replay", "kept")
        (kept / name).write_text(whole, encoding="utf-8")
        assert ended.status == 2, ended.output + ended.errors
        assert part in ended.errors
        assert len(ended.errors.splitlines()) == 1
        assert ended.errors.startswith("ratioproof: ")

    refused("multimeter.jsonl", '"received":"+', '"received":"-', "multimeter.jsonl: line 8 was altered")
    refused("source.jsonl", "transcript-1", "transcript-9", "line 1: found format 'ratioproof-transcript-9'")
    refused("profiles/scpi_relay.toml", "ROUTe:OPEN:ALL", "ROUTe:OPEN", "relay.jsonl: line 1: expected the profile")
    refused("clock.jsonl", "clock", None, "clock.jsonl: no such transcript")
    refused("run.json", '"readings": 2', '"readings": 3', " expected ")
    refused("run.json", "kept-run-4", "kept-run-9", "found format 'ratioproof-kept-run-9'")


def test_a_stopped_run_and_its_resumption_are_both_replayed(tmp_path: Path) -> None:
    """Ctrl-C in the middle, exit 3, replayed as such; then the rest, from the record as it was."""
    quick = (*SHORT, "--procedure", "turns_check")
    with served(tmp_path) as bench:
        process = bench.start("run", "device.toml", "bench.toml", *quick, "--out", "out", "--transcript", "first")
        bench.energised(process)
        process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=30)
        assert process.returncode == 3, errors
        stopped = read_record(bench.record)
        resumed = bench.start(
            "resume", "out/record.jsonl", "--cautions-read", "--operator", "test", "--transcript", "second"
        )
        output, errors = resumed.communicate(timeout=100)
    assert resumed.returncode == 0, output + errors

    first = ratioproof(bench.folder, "replay", "first", "--out", "first-again")
    assert first.status == 3, first.output + first.errors
    assert "the run ended aborted: stopped by SIGINT" in first.output
    assert content(read_record(bench.folder / "first-again" / "record.jsonl")) == content(stopped)
    used = ratioproof(bench.folder, "replay", "first", "--out", "first-again")
    assert used.status == 2
    assert used.errors.rstrip().endswith("a record is never overwritten (choose another --out)")
    second = ratioproof(bench.folder, "replay", "second", "--out", "second-again")
    assert second.status == 0, second.output + second.errors
    assert content(read_record(bench.folder / "second-again" / "record.jsonl")) == content(read_record(bench.record))


def test_every_part_can_be_played_by_a_transcript(tmp_path: Path) -> None:
    """Addresses that lead to files: the run passes with the bench gone, and without its file an instrument is missed."""
    quick = ("--cautions-read", "--readings", "1", "--procedure", "turns_check")
    with served(tmp_path) as bench:
        process = bench.start("run", "device.toml", "bench.toml", *quick, "--out", "out", "--transcript", "kept")
        output, errors = process.communicate(timeout=60)
    assert process.returncode == 0, output + errors
    file = bench.folder / "bench.toml"
    lines = file.read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines):
        if line.startswith("[instruments."):
            name = line.removeprefix("[instruments.").removesuffix("]")
        elif line.startswith("address = ") and ("SOCKET" in line or "modbus-rtu" in line):
            lines[number] = f'address = "transcript:kept/{name}.jsonl"'
    file.write_text("\n".join(lines), encoding="utf-8")

    refused = ratioproof(bench.folder, "run", "device.toml", "bench.toml", *quick, "--out", "again")
    assert refused.status == 2
    assert "not measured now (to continue anyway: --override replayed:multimeter)" in refused.errors
    accepted = [
        word for name in ("source", "multimeter", "monitor", "relay") for word in ("--override", f"replayed:{name}")
    ]
    quick = (*quick, *accepted)
    again = ratioproof(bench.folder, "run", "device.toml", "bench.toml", *quick, "--out", "again")
    assert again.status == 0, again.output + again.errors
    values = [
        [
            line[part]["raw"]
            for line in read_record(bench.folder / out / "record.jsonl").of_kind("reading")
            for part in line
            if part in ("reference", "displayed")
        ]
        for out in ("out", "again")
    ]
    assert values[0] == values[1]
    assert values[0]

    (bench.folder / "kept" / "relay.jsonl").unlink()
    missing = ratioproof(bench.folder, "run", "device.toml", "bench.toml", *quick, "--out", "third")
    assert missing.status == 2
    assert "relay at transcript:" in missing.errors
    assert "kept/relay.jsonl: no such transcript" in missing.errors
