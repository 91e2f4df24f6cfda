"""Do all turns fit through the window: against the best known packings of equal circles in a circle."""

from __future__ import annotations

import pytest

from harness.commands.new import template
from harness.design.window import turns_fit, window_filled
from harness.files.device import Device
from harness.files.loading import parse_device

PACKED = {
    1: 1.0, 2: 2.0, 3: 2.1547, 4: 2.4142, 5: 2.7013, 6: 3.0, 7: 3.0, 8: 3.3048, 9: 3.6131, 10: 3.8130,
    12: 4.0296, 14: 4.3284, 19: 4.8637, 37: 6.7588,
}  # fmt: skip
"""Diameter of the smallest circle that holds so many of diameter 1 (Graham, Lubachevsky, Nurmela and Ostergard, Dense packings of
congruent circles in a circle, 1998; values from memory)."""


def one_range(turns: int, window: float, wire: float) -> Device:
    """The demo device with its base range alone, of `turns` turns; diameters in millimetres."""
    text = template("device.toml").split("[[ranges]]")
    base = text[1].replace("primary_turns = 1", f"primary_turns = {turns}").replace('"8 mm"', f'"{wire!r} mm"')
    return parse_device(text[0].replace('"22 mm"', f'"{window!r} mm"') + "[[ranges]]" + base, "device.toml")


@pytest.mark.parametrize(("count", "ratio"), PACKED.items())
def test_what_is_known_to_fit_is_never_said_not_to(count: int, ratio: float) -> None:
    (finding,) = turns_fit(one_range(count, ratio * 3 * 1.0001, 3.0))
    assert finding.grade in ("worth knowing", "not known")


@pytest.mark.parametrize(("count", "ratio"), PACKED.items())
def test_what_is_known_not_to_fit_is_never_said_to(count: int, ratio: float) -> None:
    (finding,) = turns_fit(one_range(count, ratio * 3 * 0.999, 3.0))
    assert finding.grade in ("in the way", "not known")


def test_two_wires_are_the_worst_case() -> None:
    """Two equal circles fill exactly half of the smallest circle around them, the critical density of the theorem."""
    filled = window_filled(one_range(2, 6.0, 3.0))
    assert filled == pytest.approx(0.5)


def test_turns_in_series_are_counted_once() -> None:
    """1 of 8 mm, 3 more of 3.6 mm, 20 of 2.3 mm: 64 + 38.88 + 105.8 = 208.68 of 484 mm2 (squares of diameters)."""
    device = parse_device(template("device.toml"), "device.toml")
    assert window_filled(device) == pytest.approx(208.68 / 484)
    (finding,) = turns_fit(device)
    assert (finding.grade, "24 passes" in finding.text) == ("worth knowing", True)


def test_wires_that_do_not_fit_are_in_the_way() -> None:
    small = template("device.toml").replace('"22 mm"', '"14 mm"')
    (finding,) = turns_fit(parse_device(small, "device.toml"))
    assert (finding.grade, "more than equal round wires ever can" in finding.text) == ("in the way", True)


def test_a_wire_nobody_measured_is_asked_for() -> None:
    without = template("device.toml").replace('wire_diameter = "2.3 mm"\n', "")
    (finding,) = turns_fit(parse_device(without, "device.toml"))
    assert (finding.grade, "wire_diameter of x20" in finding.text) == ("not known", True)
