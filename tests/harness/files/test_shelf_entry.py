"""The waveform of a load in the bench file: old files stay readable, and what cannot be is refused in a line."""

import math

import pytest
from pydantic import ValidationError

from harness.files.shelf_entry import UNKNOWN_CREST_FACTOR, ShelfEntry


def load(**said: object) -> ShelfEntry:
    return ShelfEntry(name="lamp", current="1 A", **said)  # type: ignore[arg-type]


@pytest.mark.parametrize(("before", "now"), [(True, "sine"), (False, "other"), (None, None)])
def test_files_that_say_sinusoidal_are_read_as_before(before: bool | None, now: str | None) -> None:
    found = load(sinusoidal=before)
    assert (found.waveform, found.sinusoidal) == (now, before)
    assert found == load(waveform=now)


@pytest.mark.parametrize(
    ("said", "crest_factor"),
    [
        ({"waveform": "sine"}, math.sqrt(2)),
        ({"waveform": "rectangular 180 deg"}, 1.0),
        ({"waveform": "rectifier 60 deg"}, math.sqrt(6)),
        ({"waveform": "rectifier 60 deg", "crest_factor": 2.0}, math.sqrt(6)),
        ({"waveform": "rectifier 60 deg", "crest_factor": 4.0}, 4.0),
        ({"waveform": "other", "crest_factor": 3.0}, 3.0),
        ({"crest_factor": "unknown", "waveform": "phase_cut"}, 2.0),
        ({"waveform": "other"}, UNKNOWN_CREST_FACTOR),
        ({"crest_factor": "unknown"}, UNKNOWN_CREST_FACTOR),
        ({}, UNKNOWN_CREST_FACTOR),
    ],
)
def test_the_larger_of_shape_and_statement_counts_and_the_unknown_with_its_worst(
    said: dict[str, object], crest_factor: float
) -> None:
    """Crest factors in closed form: half-sine pulses of 60 degrees sqrt(6), a sine cut at 90 degrees 2 (elementary)."""
    assert load(**said).largest_crest_factor == pytest.approx(crest_factor, rel=1e-4)


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"waveform": "square"}, "found waveform 'square', expected one of sine, phase_cut"),
        ({"waveform": "phase_cut 200 deg"}, "an angle from 1 deg to 170 deg, or other"),
        ({"waveform": "sine", "sinusoidal": True}, "found sinusoidal and waveform"),
        ({"sinusoidal": "yes"}, "found sinusoidal = 'yes'"),
        ({"crest_factor": 0.9}, "a peak is no less than the effective value"),
        ({"crest_factor": 1e3}, "expected 1 to 100"),
        ({"crest_factor": "high"}, "unknown"),
        ({"waveform": "sine", "crest_factor": 3.0}, "found a sine with a crest_factor of 3"),
        ({"inrush": 30}, "found 30 without a unit"),
        ({"inrush": "much"}, "found 'much', expected a text with its unit"),
        ({"inrush": "0.5 A"}, r"found an inrush of 0.5 A below its peak while it is on, 1 A \(current times a crest"),
        ({"inrush": "1.2 A", "waveform": "sine"}, "below its peak while it is on, 1.41 A"),
        ({"inrush": "2.8 A", "crest_factor": 3.0}, "below its peak while it is on, 3 A"),
        # 6^2 x 0.1 A2s are 3.6 A2s, of which a triangle has a third (elementary).
        (
            {"inrush": "6 A", "inrush_duration": "100 ms", "inrush_i2t": "0.000001 A^2 s"},
            r"found an inrush_i2t of 1e-06 A\^2 s, below that of a triangle of 6 A for 0.1 s, 1.2 A\^2 s",
        ),
        ({"inrush": "6 A", "inrush_duration": "100 ms", "inrush_i2t": "1.19 A^2 s"}, "below that of a triangle"),
        ({"inrush": "unknown", "inrush_duration": "1 ms"}, "without its peak, expected inrush too"),
        ({"inrush_i2t": "1 A^2 s"}, "without its peak, expected inrush too"),
        ({"inrush": "3 A", "inrush_i2t": "1 A s"}, "expected a text with its unit"),
    ],
)
def test_what_cannot_be_is_refused(said: dict[str, object], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        load(**said)


@pytest.mark.parametrize(
    ("said", "peak", "i2t"),
    [
        ({}, None, None),
        ({"inrush": "unknown"}, None, None),
        ({"inrush": "20 A"}, 20.0, None),
        ({"inrush": "1.4 A", "waveform": "sine"}, 1.4, None),
        ({"inrush": "6 A", "inrush_duration": "100 ms", "inrush_i2t": "1.21 A^2 s"}, 6.0, 1.21),
        # A pulse of 20 A that lasts 2 ms has at most 20 x 20 x 0.002 A2s, whatever its shape.
        ({"inrush": "20 A", "inrush_duration": "2 ms"}, 20.0, 0.8),
        ({"inrush": "20 A", "inrush_duration": "2 ms", "inrush_i2t": "0.3 A2s"}, 20.0, 0.3),
    ],
)
def test_an_inrush_is_a_peak_and_what_it_heats(said: dict[str, object], peak: float | None, i2t: float | None) -> None:
    found = load(**said)
    assert found.inrush_peak == peak
    assert found.largest_i2t == (None if i2t is None else pytest.approx(i2t))
