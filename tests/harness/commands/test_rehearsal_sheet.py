"""The table of a rehearsal: what stands under one another is rounded alike, and as on the certificate."""

from __future__ import annotations

import io
import re
from decimal import Decimal
from pathlib import Path

from rich.console import Console

from harness.commands.new import BENCH_BY_HAND, new
from harness.commands.rehearsal_sheet import show_points, show_rehearsal
from harness.core.stop import StopSignal
from harness.preparation.rehearsal import rehearsal_of
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from tests.waveform_shelf import BRIDGE, HEATER, waveform_bench


def test_every_uncertainty_has_two_significant_digits_and_every_limit_four(tmp_path: Path) -> None:
    """GUM 7.2.6: two significant digits, so that 0.2 % beside 0.49 % is 0.20 %. Limits as in the certificate's table of points."""
    inputs = load_inputs(*new(tmp_path, BENCH_BY_HAND), "current_ratio", Options(readings=2))
    console = Console(file=io.StringIO(), width=120)
    show_points(rehearsal_of(inputs, StopSignal()), console)
    assert isinstance(console.file, io.StringIO)
    shown = re.findall(r"A +(\S+) % +(\S+) %", console.file.getvalue())
    assert len(shown) > 20
    for uncertainty, limit in shown:
        assert len(Decimal(uncertainty).as_tuple().digits) == 2
        assert len(Decimal(limit).as_tuple().digits) == 4
    assert any(uncertainty.endswith("0") for uncertainty, _ in shown)


def test_what_the_check_on_paper_leaves_open_is_named_a_line_each(tmp_path: Path) -> None:
    inputs = load_inputs(*new(tmp_path), "turns_check", Options())
    console = Console(file=io.StringIO(), width=200)
    show_rehearsal(inputs, rehearsal_of(inputs, StopSignal()), console)
    assert isinstance(console.file, io.StringIO)
    told = console.file.getvalue().partition("not protected in daily use")[2].splitlines()[1:]
    assert (
        told[0]
        == "  nothing stated protects any part from what the supply can drive (not stated: fuse or supply_socket)"
    )
    assert told[1].startswith("  ratio error from burden and fuse (not stated: magnetising_inductance, ")
    assert len(told) == 2


def test_waveforms_stand_in_the_table_and_those_not_compared_below(tmp_path: Path) -> None:
    half = '{ name = "diode", current = "1.85 A", waveform = "half_wave" }'
    inputs = waveform_bench(tmp_path, HEATER, BRIDGE, half)
    console = Console(file=io.StringIO(), width=250)
    rehearsal = rehearsal_of(inputs, StopSignal())
    show_points(rehearsal, console)
    show_rehearsal(inputs, rehearsal, console)
    assert isinstance(console.file, io.StringIO)
    told = console.file.getvalue()
    assert re.search(r"x20 +rectifier 60 deg +1\.9 A +0\.\d+ % +0\.8000 % +\d+\.\d", told)
    assert (
        "diode (1.85 A) not compared with a sine: the reference on its 10 A range is not stated to read a direct part"
        in told
    )
    # What a twin shows of an influence is none of the meter's.
    assert "the largest is" not in told
