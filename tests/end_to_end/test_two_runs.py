"""A second command at the instruments of a run that goes on: refused in one line, and the first does not notice."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

from harness.record.journal import read_record
from tests.served import SHORT, served, wait_for

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX only")


HOLDS = '''
from pathlib import Path
from harness.steps import Apply, Observe, Release, Select, procedure

RECORD, REFUSED, TAKEN = Path("out/record.jsonl"), Path("refused"), Path("taken")


@procedure(title="Holds", revision="1")
def holds(device, options):
    """Take points of the first range until the file `refused` is there, and one of each other.

    The rehearsal takes one of each; evaluated, there are as many again as were taken.
    """
    for rng in device.ranges:
        yield Select(rng)
        yield Apply(rng.minimum_current)
        taken = 0
        while not taken or (rng is device.ranges[0] and _goes_on(taken)):
            yield Observe(f"{rng.name}, point {taken}", options.readings, "single")
            taken += 1
        yield Release()


def _goes_on(taken):
    if not RECORD.exists():
        return False
    if TAKEN.exists():
        return taken < int(TAKEN.read_text())
    if REFUSED.exists():
        TAKEN.write_text(str(taken))
        return False
    return True
'''


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

        # It cannot end before the last of the commands, however busy the machine is.
        (tmp_path / "holds.py").write_text(HOLDS, encoding="utf-8")
        first = bench.run("--procedure", "holds.py")
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
        (tmp_path / "refused").touch()
        output, errors = first.communicate(timeout=100)
    assert first.returncode == 0, output + errors
    record = read_record(bench.record)
    assert record.complete
    assert not list(record.of_kind("trouble"))
