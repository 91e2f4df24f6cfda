"""Quantities with units at the boundary."""

import contextlib
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.commands.new import BENCH, BENCH_BY_HAND, BENCH_POWER, new
from harness.core import quantities
from harness.core.quantities import format_duration, format_quantity, parse_quantity
from harness.preparation.run_files import load_inputs
from harness.steps import Options


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("20 mA", "A", 0.02),
        ("20mA", "A", 0.02),
        ("1.5e-3 A", "A", 1.5e-3),
        ("1e-3A", "A", 1e-3),
        ("0.10 %", "", 0.001),
        ("500 ppm", "", 5e-4),
        ("23 °C", "degC", 23.0),
        ("296.15 K", "degC", 23.0),
        ("4.7 kΩ", "ohm", 4700.0),
        ("50 Hz", "Hz", 50.0),
        ("0.005 %/K", "1/K", 5e-5),
    ],
)
def test_text_with_unit_becomes_si(text: object, unit: str, value: float) -> None:
    """Multiples and conversions of the SI (the SI Brochure, 9th edition, tables 2 and 7)."""
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "part"),
    [
        (20, "A", "without a unit"),
        ("20", "A", "without a unit"),
        ("20 V", "A", "wrong kind of unit"),
        ("20 furlongs", "A", "wrong kind of unit"),
        ("20 blah", "A", "unknown unit"),
        ("many mA", "A", "expected a text with its unit"),
        (True, "", "expected"),
        ([1], "A", "expected"),
        ("nan A", "A", "expected"),
        ("1e999 A", "A", "finite"),
        ("", "A", "expected"),
        # One percent with its sign forgotten would be a hundred.
        ("1", "", "without a unit"),
        (1, "", "without a unit"),
        (0.01, "", "without a unit"),
        ("1 %", "rad", "without a unit"),
        ("0,5 %", "", "a decimal point instead of the comma"),
        # pint would work this out for ever.
        ("1 9**9**9**9**9*A", "A", "unknown unit"),
    ],
)
def test_what_is_wrong_is_said(text: object, unit: str, part: str) -> None:
    """What was found and what is expected are both in the message."""
    with pytest.raises(ValueError, match=part) as caught:
        parse_quantity(text, unit)
    assert "found" in str(caught.value)


@given(st.text(max_size=30))
def test_any_text_is_a_value_or_a_value_error(text: str) -> None:
    """Whatever is typed into a file, nothing but ValueError comes out."""
    with contextlib.suppress(ValueError):
        assert math.isfinite(parse_quantity(text, "A"))


@given(st.floats(1e-8, 1e7))
def test_formatted_quantities_read_back(value: float) -> None:
    """What is printed for people is what the parser understands, to the digits printed."""
    assert parse_quantity(format_quantity(value, "A", 9), "A") == pytest.approx(value, rel=1e-8)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.2, "0 s"), (50, "50 s"), (59.6, "1 min 0 s"), (393, "6 min 33 s"), (3599.7, "1 h 0 min"), (7385, "2 h 3 min")],
)
def test_a_duration_says_no_more_than_it_has_to(seconds: float, text: str) -> None:
    assert format_duration(seconds) == text


@pytest.mark.parametrize(("unit_text", "unit"), quantities._FACTORS)
def test_the_factor_of_a_usual_unit_is_that_of_pint(unit_text: str, unit: str) -> None:
    """pint is the reference: who measured in milliamperes gets the same number by either way; versions of pint differ in the last bits."""
    for magnitude in (1.0, -1.0, 0.1, 1 / 3, 7.3e-9, 40117.0, 2.999999999e8):
        by_table = parse_quantity(f"{magnitude!r} {unit_text}", unit)
        assert by_table == pytest.approx(quantities._by_pint(magnitude, unit_text, unit), rel=5e-16, abs=0)


@pytest.mark.parametrize("kind", [BENCH, BENCH_POWER, BENCH_BY_HAND])
def test_the_files_of_new_need_no_start_of_pint(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    monkeypatch.setattr(
        quantities, "_registry", lambda: pytest.fail("a unit of these files is not among the usual ones")
    )
    device, bench = new(tmp_path, kind)
    load_inputs(device, bench, "current_ratio", Options())
