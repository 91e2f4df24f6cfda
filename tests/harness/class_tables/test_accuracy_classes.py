"""Class limits against the published table, and what happens outside it."""

import csv
from collections import defaultdict
from pathlib import Path

import pytest

from harness.claims.limits_of_error import limit_of_error
from harness.class_tables.accuracy_classes import LIMITS, limit_currents, ratio_error_limit
from harness.commands.new import template
from harness.core.errors import UserError
from harness.files.loading import parse_device

TABLE = Path(__file__).parents[2] / "reference" / "iec61869_2_ct_limits.csv"


def test_every_published_limit() -> None:
    """IEC 61869-2:2012, tables 201 to 203 (source of the copy in tests/reference/README.md)."""
    lowest: dict[str, float] = defaultdict(lambda: 9.0)
    with TABLE.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        part = float(row["pct_In"]) / 100
        assert ratio_error_limit(row["class"], part) == pytest.approx(float(row["ratio_error_pct"]) / 100)
        lowest[row["class"]] = min(lowest[row["class"]], part)
    assert {name: limit_currents(name)[0] for name in LIMITS} == pytest.approx(dict(lowest))


def test_between_the_currents_the_limit_is_a_straight_line() -> None:
    """common practice, no published source: class 1 halfway from 5 % (3 %) to 20 % (1.5 %) of rated current is 2.25 %."""
    assert ratio_error_limit("1", 0.125) == pytest.approx(0.0225)


@pytest.mark.parametrize("part", [0.04, 1.3, 0.0])
def test_no_claim_outside_the_table(part: float) -> None:
    """IEC 61869-2: classes 0.1 to 1 hold from 5 % to 120 % of the rated current."""
    with pytest.raises(ValueError, match="makes no claim"):
        ratio_error_limit("1", part)


def _device_text(name: str) -> str:
    text = template("device.toml").replace('of_reading = "1 %"', f'accuracy_class = "{name}"')
    return text.replace("counts = 2 ", "# counts = 2 ")


def test_a_range_below_its_class_is_refused_before_a_run() -> None:
    """A range from 1 % of its maximum cannot be of class 1, which claims nothing below 5 %; class 0.5S reaches down to 1 %."""
    with pytest.raises(UserError, match=r"range x1 .* nothing below 5 %"):
        parse_device(_device_text("1"), "device.toml")
    device = parse_device(_device_text("0.5S"), "device.toml")
    assert limit_of_error(device, device.ranges[0], 0.8) == pytest.approx(0.015)
    assert limit_of_error(device, device.ranges[0], 80.0) == pytest.approx(0.005)
