"""The simulated bench as it is worked at a terminal."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from harness.commands.new import BENCH_BY_HAND, new
from harness.commands.simulate import SimulateOptions, simulate


def test_what_is_told_is_broken_between_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A terminal of 80 columns breaks a longer line in the middle of a command that is to be typed."""
    monkeypatch.setenv("COLUMNS", "80")
    device, bench = new(tmp_path, BENCH_BY_HAND)
    typed, type_in = os.pipe()
    os.write(type_in, b"show\nquit\n")
    os.close(type_in)
    with os.fdopen(typed, encoding="utf-8") as lines:
        monkeypatch.setattr("sys.stdin", lines)
        assert simulate(SimulateOptions(bench, device)) == 0
    told = capsys.readouterr().out
    assert max(map(len, told.splitlines())) < 80
    assert "range CURRENT (of the reference)" in " ".join(told.split())
    assert "fuse intact" in " ".join(told.split())
