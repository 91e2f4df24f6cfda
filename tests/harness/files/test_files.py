"""The user's files: every problem at once, one line each, naming file, key, found and expected."""

from collections.abc import Callable

import pytest

from harness.commands.new import BENCH_POWER, device_template, template
from harness.core.errors import UserError
from harness.files.loading import parse_bench, parse_device


def problems(parse: Callable[[str, str], object], text: str) -> tuple[str, ...]:
    """The problem lines for a text."""
    with pytest.raises(UserError) as caught:
        parse(text, "some.toml")
    return caught.value.problems


def test_the_templates_are_valid() -> None:
    """What `new` writes is accepted as it is."""
    assert [r.name for r in parse_device(template("device.toml"), "d").ranges] == ["x1", "x4", "x20"]
    assert parse_bench(template("bench.toml"), "b").roles.reference == "multimeter"


@pytest.mark.parametrize(
    ("old", "new", "key", "found", "expected"),
    [
        ('resolution = "1 mA"', 'resolution = "1 mV"', "display.resolution", "'1 mV'", '"20 mA"'),
        ('resolution = "1 mA"', "resolution = 0.001", "display.resolution", "0.001 without a unit", '"20 mA"'),
        ("secondary_turns = 2500", "secondary_turns = 0", "transformer.secondary_turns", "0", "greater than 0"),
        (
            "secondary_turns = 2500",
            "secondary_turn = 2500",
            "transformer.secondary_turn",
            "unknown key (is secondary_turns meant?)",
            "",
        ),
        ("counts = 2", 'accuracy_class = "7"', "claim.accuracy_class", "'7'", "'0.1'"),
        ('name = "x4"', 'name = "x1"', "", "range names", "every name once"),
        ("primary_turns = 4", "primary_turns = 40", "", "rising order", "rising order"),
        ('maximum_current = "4 A"', 'maximum_current = "4 mA"', "ranges[3]", "minimum_current not below", "a span"),
        ('serial = "40117"', "", "identity.serial", "nothing", "this key"),
    ],
)
def test_device_problems(old: str, new: str, key: str, found: str, expected: str) -> None:
    """Each mistake gives one line with file, key, what was found and what is expected."""
    (line,) = (
        p
        for p in problems(parse_device, template("device.toml").replace(old, new, 1))
        if f": {key}: " in p or (not key)
    )
    assert line.startswith("some.toml: ")
    assert "\n" not in line
    assert found in line
    assert expected in line


@pytest.mark.parametrize(
    ("old", "new", "part"),
    [
        ('load = "source"', 'load = "sauce"', "roles.load = 'sauce'"),
        ('kind = "transformer"', 'kind = "direct"', 'found kind = "direct" with [reference_path.part]'),
        ("\n[reference_path.part]", "\n[reference_path.parts]", "reference_path.parts: "),
        (
            "loops = 1 ",
            'ratio = 20\nuncertainty = "0.05 %" #',
            "found ratio, uncertainty in [reference_path], expected in [reference_path.part]: ",
        ),
        ('serial = "T-0415"', "", "reference_path.part.serial: "),
        ('burden = "6 ohm" ', "#", "found no part.burden"),
        (', burden = "5 ohm"', "", "without burden"),
        ('{ current = "2 mA", freq', '{ current = "2 A", freq', "calibrated at currents"),
        ('{ full_scale = "10 mA"', '{ full_scale = "10 mV"', "ranges"),
        ("# [evaluation]", "[evaluation]\npooled = true", "evaluation.pooled"),
        ('rule = "guarded"', 'rule = "lenient"', "decision.rule: found 'lenient'"),
        ('temperature = "23 degC"', 'temperature = "warm"', "environment.temperature: found 'warm'"),
    ],
)
def test_bench_problems(old: str, new: str, part: str) -> None:
    assert any(part in p for p in problems(parse_bench, template("bench.toml").replace(old, new, 1)))


def test_all_problems_come_at_once() -> None:
    """Three mistakes, three lines."""
    text = template("device.toml").replace('"1 mA"', '"1"').replace('"10 ohm"', '"10 A"').replace('"50 Hz"', '"50"')
    assert len(problems(parse_device, text)) == 3


def test_a_class_in_place_of_the_terms_is_told_all_that_goes_with_it_at_once() -> None:
    """IEC 61869-2 states the limits of class 1 from 5 % of the rated current, with a phase displacement of its own."""
    text = device_template(BENCH_POWER)
    for old, new in (
        ('of_reading = "1 %"\ncounts = 2', 'accuracy_class = "1"'),
        ('power_of_reading = "1.5 %"\npower_counts = 2', 'power_class = "IEC 62053-21 1"'),
    ):
        assert old in text
        text = text.replace(old, new)
    claim, *ranges = problems(parse_device, text)
    assert claim.startswith("some.toml: claim: found phase_displacement and accuracy_class 1")
    assert [line.split(": ")[1] for line in ranges] == ["ranges[1]", "ranges[2]", "ranges[3]"]
    assert [line.rpartition("expected at least ")[2] for line in ranges] == ["4 A", "1 A", "0.2 A"]
    # What the template says of it is enough to mend them.
    mended = text.replace("phase_displacement =", "# phase_displacement =")
    for low, to in (("0.8 A", "4 A"), ("0.2 A", "1 A"), ("40 mA", "0.2 A")):
        mended = mended.replace(f'minimum_current = "{low}"', f'minimum_current = "{to}"')
    assert parse_device(mended, "some.toml").claim.accuracy_class == "1"


def test_what_contradicts_itself_in_several_tables_comes_at_once() -> None:
    text = template("device.toml")
    for old, new in (
        ('"100 ms"', '"2 min"'),
        ("counts = 2", 'accuracy_class = "5" #'),
        ("primary_turns = 4", "primary_turns = 40"),
        ('maximum_current = "4 A"', 'maximum_current = "4 mA"'),
    ):
        text = text.replace(old, new, 1)
    told = problems(parse_device, text)
    keys = [line.split(": ")[1] for line in told]
    assert keys[:2] == ["display", "claim"]
    assert keys[2].startswith("found ranges with turns")
    assert keys[3:] == ["ranges[1]", "ranges[2]", "ranges[3]"]
    assert all("expected" in line and "\n" not in line for line in told)


def test_a_file_that_is_not_toml_is_one_line() -> None:
    """A syntax error names file and place."""
    (line,) = problems(parse_device, "a = = 1")
    assert "not TOML" in line
    assert "line 1" in line
