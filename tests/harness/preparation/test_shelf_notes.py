"""Notes on what is on the shelf, and on what is not."""

import pytest

from harness.commands.new import template
from harness.files.loading import parse_bench, parse_device
from harness.preparation.shelf_notes import ranges_without_a_sine

DEVICE = parse_device(template("device.toml"), "device.toml")


@pytest.mark.parametrize(
    ("no_longer_sines", "told"),
    [
        ([], []),
        # The heater of 3.3 A is a sine that is safe with all 25 turns in circuit: 4 A, a tenth less off a shelf.
        (['0.85 A", longest_on = "2 h"'], []),
        (
            ['0.85 A", longest_on = "2 h"', '3.3 A", longest_on = "2 h"'],
            ["x1, x4, x20: no load that is stated to be a sine"],
        ),
    ],
)
def test_a_shelf_without_a_small_sine_is_told(no_longer_sines: list[str], told: list[str]) -> None:
    text = template("bench_by_hand.toml")
    for load in no_longer_sines:
        text = text.replace(f'{load}, waveform = "sine"', load)
    notes = list(ranges_without_a_sine(DEVICE, parse_bench(text, "bench.toml")))
    assert [note[: len(begin)] for note, begin in zip(notes, told, strict=True)] == told


def test_a_load_set_by_wire_is_a_sine() -> None:
    assert list(ranges_without_a_sine(DEVICE, parse_bench(template("bench.toml"), "bench.toml"))) == []
