"""Loads that magnetise a core: their caution comes before they are asked for, in every procedure that uses a shelf, and in its rehearsal."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.core.stop import StopSignal
from harness.preparation.rehearsal import rehearsal_of
from harness.preparation.run_files import RunInputs, load_inputs
from harness.steps import Options
from tests.hands import Hands
from tests.harness.run.shelf import hand, worked

LAMPS = ('name = "two lamps", current = "0.46 A"', 'name = "two lamps", waveform = "half_wave", current = "0.46 A"')
KNOWN = ("power_factor = 0.85", 'power_factor = 0.85, inrush = "3 A"')


def shelf(tmp_path: Path, procedure: str) -> RunInputs:
    return hand(tmp_path, procedure, Options(readings=1, per_decade=3), LAMPS, KNOWN)


@pytest.mark.parametrize("procedure", ["current_ratio", "smallest_current", "turns_check"])
def test_no_half_wave_is_plugged_in_before_its_caution_was_shown(tmp_path: Path, procedure: str) -> None:
    """Residual-current devices of type AC and A are not made for it (common practice, no published source)."""
    hands = Hands()
    _, links = worked(shelf(tmp_path, procedure), hands)
    said = [text for text in (*hands.prompts, *hands.shown) if "Plug in: " in text or "Fetch: " in text]
    of_it = [text for text in said if "two lamps (about" in text]
    assert len(of_it) >= (0.46 in [current for current, _ in links.plugged_in])
    assert all("CAUTION: two lamps puts a direct current" in text for text in of_it)
    assert not any("CAUTION" in text for text in said if text not in of_it)


def test_a_rehearsal_tells_the_cautions_and_what_is_not_known_of_the_loads_used(tmp_path: Path) -> None:
    notes = rehearsal_of(shelf(tmp_path, "current_ratio"), StopSignal()).notes
    (caution,) = [note for note in notes if note.startswith("CAUTION")]
    assert "two lamps puts a direct current" in caution
    (unknown,) = [note for note in notes if note.startswith("in-rush not known")]
    assert "two lamps" in unknown
    assert "dehumidifier" not in unknown
    # 40 mA effective are 56.6 mA of peak: 7.07 A through 20 turns on 2500.
    assert "On x20 the meter's input withstands a peak of 7.07 A" in unknown


def rehearsed(folder: Path, inrush: str, path: str) -> list[str]:
    inputs = hand(
        folder,
        "current_ratio",
        Options(readings=1, per_decade=3),
        ("power_factor = 0.85", f"power_factor = 0.85, {inrush}"),
    )
    text = inputs.device_text.replace('secondary_fuse = "50 mA"', path, 1)
    Path(inputs.device_file).write_text(text, encoding="utf-8")
    again = load_inputs(Path(inputs.device_file), inputs.bench_file, "current_ratio", inputs.options)
    return list(rehearsal_of(again, StopSignal()).notes)


STATED = 'secondary_fuse = "50 mA"\nsecondary_fuse_i2t = "4e-4 A^2 s"'


@pytest.mark.parametrize(
    ("inrush", "path", "named"),
    [
        ('inrush = "3 A"', STATED, True),
        ('inrush = "unknown"', STATED, True),
        ('inrush = "3 A"', 'secondary_fuse = "50 mA"', True),
        ('inrush = "3 A", inrush_duration = "1 ms"', STATED, False),
        ('inrush = "3 A", inrush_i2t = "0.01 A^2 s"', STATED, False),
    ],
)
def test_a_load_whose_i2t_is_not_known_is_named_where_a_fuse_is_in_the_path(
    tmp_path: Path, inrush: str, path: str, named: bool
) -> None:
    """Without its duration a peak is held to no fuse: a load left out of the limit must not be passed over in silence."""
    notes = rehearsed(tmp_path, inrush, path)
    (told,) = [note for note in notes if note.startswith("I2t of the in-rush not known")]
    assert ("dehumidifier" in told) == named
    assert "secondary fuse" in told
    assert "inrush_duration or inrush_i2t" in told
    # 0.38 of 4e-4 A2s are, through 20 turns on 2500, 2.375 A2s in the primary.
    assert any(f"the secondary fuse withstands {i2t} A2s" in told for i2t in ("2.37", "2.38")) == (path == STATED)
    assert any("(secondary_fuse_i2t" in note for note in notes) == (path != STATED)


def test_where_no_fuse_is_in_the_path_its_i2t_matters_to_nothing(tmp_path: Path) -> None:
    inputs = shelf(tmp_path, "current_ratio")
    lines = [line for line in inputs.device_text.splitlines() if not line.startswith(("fuse", "secondary_fuse"))]
    Path(inputs.device_file).write_text("\n".join(lines), encoding="utf-8")
    again = load_inputs(Path(inputs.device_file), inputs.bench_file, "current_ratio", inputs.options)
    assert not any("I2t" in note for note in rehearsal_of(again, StopSignal()).notes)


def test_an_inrush_whose_volt_seconds_pass_the_knee_is_told(tmp_path: Path) -> None:
    """3 A for 50 ms through 20 turns on 2500 and 73 ohm are 88 mVs; at a knee of 6 V there are 6 sqrt(2) / (2 pi 50) = 27 mVs, so only x1 and x4 stay below."""
    inputs = hand(
        tmp_path,
        "current_ratio",
        Options(readings=1, per_decade=3),
        ("power_factor = 0.85", 'power_factor = 0.85, inrush = "3 A", inrush_duration = "50 ms"'),
    )
    text = inputs.device_text.replace('burden = "10 ohm"', 'burden = "10 ohm"\nknee_voltage = "6 V"', 1).replace(
        'secondary_fuse = "50 mA"', 'secondary_fuse = "50 mA"\nsecondary_fuse_resistance = "3 ohm"', 1
    )
    Path(inputs.device_file).write_text(text, encoding="utf-8")
    again = load_inputs(Path(inputs.device_file), inputs.bench_file, "current_ratio", inputs.options)
    (told,) = [note for note in rehearsal_of(again, StopSignal()).notes if "saturate the core" in note]
    assert "the in-rush of dehumidifier may saturate the core on x20 and leave flux behind" in told
