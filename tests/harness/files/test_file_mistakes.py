"""What people write by mistake into device and bench files, and what no instrument of this kind can have."""

import re
import time
from collections.abc import Callable
from functools import partial

import pytest

from harness.commands.new import template
from harness.core.errors import UserError
from harness.evaluation.diagnosis.cause_schema import OwnCauses
from harness.files.loading import CAUSES_KEYS, parse_bench, parse_device, parse_file

DEVICE, BENCH = template("device.toml"), template("bench.toml")
DATED = re.findall(r"date = [0-9-]+", BENCH)[0]

parse_causes = partial(parse_file, OwnCauses)


def told(parse: Callable[[str, str], object], text: str) -> tuple[str, ...]:
    """The problem lines for a text."""
    with pytest.raises(UserError) as caught:
        parse(text, "some.toml")
    return caught.value.problems


def changed(text: str, old: str, new: str) -> str:
    """`text` with `old`, which must be in it, once replaced."""
    assert old in text
    return text.replace(old, new, 1)


@pytest.mark.parametrize("bare", ["1", "0.01", "0", "1e-2"])
def test_a_relative_quantity_needs_its_unit(bare: str) -> None:
    """A claim of ``of_reading = 1``, meant as one percent, would be certified as a hundred."""
    (line,) = told(parse_device, changed(DEVICE, 'of_reading = "1 %"', f"of_reading = {bare}"))
    assert line.startswith("some.toml: claim.of_reading: found ")
    assert 'without a unit, expected a text with its unit, such as "0.10 %"' in line


@pytest.mark.parametrize(
    ("parse", "text", "old", "new", "plausible"),
    [
        (parse_device, DEVICE, 'of_reading = "1 %"', 'of_reading = "50 %"', "0 % to 20 %"),
        (parse_device, DEVICE, 'burden = "10 ohm"', 'burden = "10 Mohm"', "1 uohm to 10 kohm"),
        (parse_device, DEVICE, 'frequency = "50 Hz"', 'frequency = "50 kHz"', "10 Hz to 1 kHz"),
        (parse_device, DEVICE, 'resolution = "1 mA"', 'resolution = "1e-30 A"', "1 pA to 100 kA"),
        (parse_bench, BENCH, 'relative_humidity = "45 %"', 'relative_humidity = "5000 %"', "0 % to 100 %"),
        (parse_bench, BENCH, 'temperature = "23 degC"', 'temperature = "296 degC"', "-40 degC to 70 degC"),
        (parse_bench, BENCH, 'uncertainty = "0.060 %"', 'uncertainty = "50 %"', "0 % to 20 %"),
        (parse_bench, BENCH, '"0.01 %/year"', '"100 %/year"', "0 %/year to 20 %/year"),
        (parse_bench, BENCH, 'of_reading = "0.06 %"', 'of_reading = "60 %"', "0 % to 20 %"),
    ],
)
def test_what_cannot_be_is_doubted_by_name(
    parse: Callable[[str, str], object], text: str, old: str, new: str, plausible: str
) -> None:
    """Bounds: common practice, no published source."""
    (line,) = told(parse, changed(text, old, new))
    assert new.partition('"')[2].rstrip('"') in line
    assert f"expected a plausible value: {plausible}" in line


@pytest.mark.parametrize(
    ("parse", "text", "old", "new", "part"),
    [
        (parse_device, DEVICE, "counts = 2", "counts = 0,5", "a number has a decimal point, no comma"),
        (parse_device, DEVICE, "counts = 2", 'counts = "0,5"', "a number with a decimal point instead of the comma"),
        (parse_device, DEVICE, '"20 mA"', '"0,02 A"', "a decimal point instead of the comma, such as"),
        (parse_device, DEVICE, "counts = 2", "counts = inf", "claim.counts: found inf, expected a finite number"),
        (parse_device, DEVICE, "counts = 2", "counts = nan", "claim.counts: found nan, expected a finite number"),
        (parse_device, DEVICE, 'serial = "40117"', "serial = 40117", "found 40117, expected a text in quotes"),
        (parse_device, DEVICE, "secondary_turns = 2500", "secondary_turns = 2500.5", "expected a whole number"),
        (parse_device, DEVICE, "secondary_turns = 2500", "secondary_turns = " + "9" * 5000, "in line"),
        (parse_device, DEVICE, "secondary_turns = 2500", f"secondary_turns = 0x{'f' * 3000}", "more than 64 bits"),
        (parse_device, DEVICE, "secondary_turns = 2500", "secondary_turns = " + "9" * 3900, "more than 64 bits"),
        (parse_device, DEVICE, "counts = 2", f"counts = {'[' * 500}{']' * 500}", "nested too deep"),
        (parse_device, DEVICE, "counts = 2", f"counts = {'[' * 50}{']' * 50}", "nested too deep"),
        (parse_device, DEVICE, "counts = 2", f"{'a.' * 30_000}a = 2", "characters in line"),
        (parse_device, DEVICE, "counts = 2", "\n".join(f"{'a.' * 1900}a{n} = 2" for n in range(100)), "too many parts"),
        (parse_device, DEVICE, "counts = 2", '"a".' * 700 + "a = 2", "a key of too many parts in line"),
        (parse_device, DEVICE, "[claim]", "[cla1m]", "cla1m: unknown key (is claim meant?)"),
        (parse_device, DEVICE, "counts = 2", 'counts = 2\nresolution = "1 mA"', "belongs to another table"),
        (parse_bench, BENCH, DATED, "date = 2027-13-29", "a day of the calendar, such as 2027-03-29"),
        (parse_bench, BENCH, DATED, 'date = "2027-13-29"', "a day of the calendar, such as 2027-03-29"),
        (
            parse_device,
            DEVICE,
            'name = "x4"',
            r'name = "x4\u001b[2J"',
            "ranges[2].name: found 'x4\\x1b[2J', expected a text without",
        ),
        (
            parse_device,
            DEVICE,
            'name = "x4"',
            r'name = "x4\n"',
            "ranges[2].name: found 'x4\\n', expected a text without",
        ),
        (parse_device, DEVICE, 'name = "x4"', r'name = "x\u202e4"', "expected a text without control characters"),
        (parse_bench, BENCH, "[environment]", '["new\\nline"]\n[environment]', "'new\\nline': unknown key"),
    ],
)
def test_a_mistake_is_told_at_once_in_a_line(
    parse: Callable[[str, str], object], text: str, old: str, new: str, part: str
) -> None:
    began = time.process_time()
    lines = told(parse, changed(text, old, new))
    assert time.process_time() - began < 2
    assert part in "\n".join(lines)
    assert len(lines) <= 2
    assert all(len(line) < 300 and line.isprintable() for line in lines)


@pytest.mark.parametrize(
    ("parse", "text", "said"),
    [
        (parse_device, BENCH, "some.toml: this is a bench file, expected a device file"),
        (parse_bench, DEVICE, "some.toml: this is a device file, expected a bench file"),
        (parse_causes, BENCH, "some.toml: this is a bench file, expected a file of causes"),
        (
            parse_bench,
            'kind = "scpi"\nrole = "load"\ntitle = "x"',
            "some.toml: this is an instrument's profile, expected a bench file",
        ),
    ],
)
def test_files_in_each_other_s_place_are_one_line(parse: Callable[[str, str], object], text: str, said: str) -> None:
    assert told(parse, text) == (said,)


def test_the_keys_by_which_a_file_of_causes_is_known_are_those_of_its_model() -> None:
    assert set(OwnCauses.model_fields) == CAUSES_KEYS


def test_a_file_of_nothing_but_mistakes_is_cut_short() -> None:
    lines = told(parse_causes, "".join(f'[[causes]]\nname = "{n}"\n' for n in range(2000)))
    assert len(lines) == 31
    assert lines[-1] == "some.toml: and 1970 more"


@pytest.mark.parametrize(
    ("name", "keys", "changes", "said"),
    [
        (
            "x20",
            "bypasses_switch = true",
            (),
            [
                "ranges[3]: found bypasses_switch and no conductor, expected the lowest rating of what the current goes through"
            ],
        ),
        (
            "x20",
            'bypasses_switch = true\nconductor = "6 A"',
            (('switch_breaks = "primary"', ""),),
            [
                'ranges[3]: found bypasses_switch without switch_breaks = "primary" in [path], expected contacts that were traced'
            ],
        ),
        (
            "x1",
            'bypasses_switch = true\nconductor = "90 A"',
            (),
            ["ranges[1]: found bypasses_switch and turns shared with range x4, expected a winding of its own"],
        ),
        (
            "x4",
            'bypasses_switch = true\nconductor = "20 A"',
            (),
            ["ranges[2]: found bypasses_switch and turns shared with range x1, expected a winding of its own"],
        ),
        ("x4", 'fuse_type = "gG"', (), ["ranges[2]: found fuse_type and no fuse, expected its rating too"]),
        ("x20", 'bypasses_switch = true\nconductor = "6 A"', (), []),
        ("x4", 'conductor = "20 A"\nfuse = "20 A"\nfuse_type = "gG"', (), []),
    ],
)
def test_what_takes_a_rating_out_of_the_path_is_believed_only_where_it_can_be_traced(
    name: str, keys: str, changes: tuple[tuple[str, str], ...], said: list[str]
) -> None:
    """A contact selects the tap of sections in series, whatever is said of it."""
    text = changed(DEVICE, f'name = "{name}"', f'name = "{name}"\n{keys}')
    for old, new in changes:
        text = changed(text, old, new)
    if not said:
        parse_device(text, "some.toml")
        return
    found = told(parse_device, text)
    assert len(found) == len(said)
    assert all(line.startswith(f"some.toml: {start}") for line, start in zip(found, said, strict=True))


def test_what_the_shipped_file_shows_of_a_range_in_comments_can_be_written() -> None:
    """All keys that stand there as comments, together."""
    head, ranges = DEVICE.split("[[ranges]]", 1)
    shown = re.findall(r"^# (?=\w+ = )", ranges, re.MULTILINE)
    written = parse_device(
        f"{head}[[ranges]]{re.sub(r'^# (?=[a-z_]+ = )', '', ranges, flags=re.MULTILINE)}", "some.toml"
    )
    assert len(shown) == 5
    assert [r.conductor for r in written.ranges] == [None, 20.0, 6.0]
    assert written.ranges[2].bypasses_switch
