"""A second command at the instruments of a run that goes on: refused in one line, and the first does not notice."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

from harness.record.journal import read_record
from tests.served import SHORT, served, wait_for

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX only")


def test_the_second_run_is_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    """run, resume, try and instruments: exit 2 naming the first; the first run meets no trouble at all."""
    with served(tmp_path) as bench:
        before = bench.start("run", "device.toml", "bench.toml", *SHORT[:-1], "earlier", "--procedure", "turns_check")
        wait_for(bench.on, process=before)
        before.terminate()
        before.communicate(timeout=30)
        # Its own words: the files stand elsewhere and call the instruments otherwise.
        other = tmp_path / "other"
        other.mkdir()
        shutil.copy(tmp_path / "device.toml", other)
        text = (
            (tmp_path / "bench.toml")
            .read_text(encoding="utf-8")
            .replace("source", "supply")
            .replace("127.0.0.1", "localhost")
        )
        (other / "bench.toml").write_text(text.replace("modbus-rtu:monitor", "modbus-rtu:../monitor"), encoding="utf-8")

        # Many minutes of readings: it cannot end before the last of the commands, however busy the machine is.
        first = bench.run("--readings", "100")
        bench.energised(first)
        commands = [
            ("run", "other/device.toml", "other/bench.toml", *SHORT[:-1], "second"),
            ("resume", "earlier/record.jsonl", "--cautions-read", "--operator", "test"),
            ("try", "supply", "other/bench.toml"),
            ("instruments", "bench.toml"),
        ]
        started = [bench.start(*command) for command in commands]
        for command, second in zip(commands, started, strict=True):
            output, errors = second.communicate(timeout=100)
            assert second.returncode == 2, output + errors
            told = [line for line in errors.splitlines() if "in use by" in line]
            if command[0] == "instruments":
                told = [output]
                assert " ".join(output.split()).count("It is in use by the run of") == 4
            else:
                assert len(errors.splitlines()) == 1, errors
            assert f"the run of {bench.record.resolve()} (process {first.pid}, since " in " ".join(
                told[0].split()
            ).replace("- ", "-")
        assert not (tmp_path / "second" / "record.jsonl").exists()
        bench.energised(first, bench.record.read_text(encoding="utf-8").count('"reading"') + 3)
        first.terminate()
        output, errors = first.communicate(timeout=100)
    assert first.returncode == 3, output + errors
    assert not list(read_record(bench.record).of_kind("trouble"))
