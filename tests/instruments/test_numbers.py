"""Numbers as instruments and people write them."""

import contextlib

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from instruments.numbers import format_current, parse_number, parse_typed, plain


@pytest.mark.parametrize(
    ("reply", "value"),
    [
        ("12", 12.0),
        ("-12", -12.0),
        ("+1.25", 1.25),
        (".5", 0.5),
        ("5.", 5.0),
        ("1.2E+1", 12.0),
        ("1.2e-03", 0.0012),
        (" 7\r", 7.0),
    ],
)
def test_nr1_nr2_nr3_are_all_legal(reply: str, value: float) -> None:
    """IEEE 488.2-1992, 8.7.2 to 8.7.4: NR1, NR2 and NR3 numeric response data."""
    assert parse_number(reply) == value


@pytest.mark.parametrize("reply", ["9.91E37", "9.9E37", "-9.9E+37", "+9.91000000E+37"])
def test_sentinels_are_refused(reply: str) -> None:
    """SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 is infinity and 9.91E37 not-a-number; `float` would take both."""
    with pytest.raises(ValueError, match="overload"):
        parse_number(reply)


@pytest.mark.parametrize(
    "reply", ["", "nan", "inf", "1,2", "0x10", "1.2.3", "1_000", "1e", "12 A", "+-1", "١٢", "1.0,2.0"]
)
def test_anything_else_is_refused(reply: str) -> None:
    """Text that Python's `float` may take but IEEE 488.2 does not know."""
    with pytest.raises(ValueError, match=r"not a number|overload"):
        parse_number(reply)


@given(st.floats(-1e30, 1e30))
def test_every_number_an_instrument_can_send_reads_back(value: float) -> None:
    """NR3 of any value is read exactly."""
    assert parse_number(f"{value:.17E}") == value


@given(st.text(max_size=20))
def test_any_text_is_a_number_or_a_value_error(text: str) -> None:
    """Garbage never becomes anything but ValueError."""
    with contextlib.suppress(ValueError):
        assert abs(parse_number(text)) < 9.9e37


@pytest.mark.parametrize(
    ("typed", "value"),
    [("1.234", 1.234), ("1,234", 1.234), ("340 mA", 0.34), ("340mA", 0.34), ("0", 0.0), ("12 A", 12.0)],
)
def test_people_type_commas_prefixes_and_units(typed: str, value: float) -> None:
    """Decimal comma or point, prefix and unit optional."""
    assert parse_typed(typed, 0.001) == pytest.approx(value)


@pytest.mark.parametrize("typed", ["", "A", "1.2345", "one", "1.2.3", "1 V", "0.5 mA"])
def test_what_the_display_cannot_show_is_refused(typed: str) -> None:
    """No number, or finer than a display step of 1 mA."""
    with pytest.raises(ValueError, match=r"is not a current|more digits"):
        parse_typed(typed, 0.001)


@pytest.mark.parametrize(
    ("current", "label"),
    [(10.0, "10 A"), (1.0, "1 A"), (0.4, "400 mA"), (0.012, "12 mA"), (1e-3, "1 mA"), (6e-4, "600 uA"), (0.0, "0 uA")],
)
def test_a_range_is_named_as_it_is_labelled(current: float, label: str) -> None:
    """SI Brochure (9th edition), 3: the prefix is chosen so that the number is from 1 to below 1000."""
    assert format_current(current) == label


@given(current=st.floats(1e-6, 1000.0))
def test_a_label_typed_back_is_the_current(current: float) -> None:
    assert parse_typed(format_current(current), 1e-12) == pytest.approx(current, rel=5e-4)


@given(st.integers(-(10**6), 10**6), st.sampled_from([1e-6, 1e-5, 1e-3, 1.0]))
@example(4, 1e-5)
def test_what_is_shown_can_be_typed(steps: int, step: float) -> None:
    """A display shows no exponent, and nobody can type one."""
    shown = plain(steps * step)
    assert "e" not in shown
    assert parse_typed(shown, step) == pytest.approx(steps * step)
