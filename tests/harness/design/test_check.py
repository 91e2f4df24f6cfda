"""The check on paper of the demo device, and which findings keep a run from its beginning."""

from __future__ import annotations

import pytest

from harness.design.check import check
from tests.harness.design.demo_device import device


def test_nothing_is_in_the_way_of_the_demo_device() -> None:
    sheet = check(device())
    assert sheet.count("in the way") == 0
    # 80 A x 1, 20 A x 4 and 4 A x 20 are 80 ampere-turns each: 32 mA in 2500 turns.
    assert [r.secondary_current for r in sheet.ranges] == pytest.approx([0.032] * 3)
    assert [r.smallest_readable for r in sheet.ranges] == pytest.approx([0.02, 0.005, 0.001])
    # 4 A in 20 turns of 80 mm, 0.75 mm2: 26.0 ohm/km at 20 degC, factor 0.833 at 70 degC (IEC 60228).
    assert sheet.ranges[2].winding_heat == pytest.approx(16 * 26.0e-3 / 0.833 * 1.6, rel=1e-3)


def test_what_is_named_and_not_in_the_way_of_a_run() -> None:
    """All but what is worth knowing, unless it stops a run: a switch below its claim does, a fuse below it does not."""
    findings = check(device(switch_contacts="", secondary_fuse='"15 mA"', supply_tapped="", switch='"30 A"')).findings
    assert all((f.open is not None) == (f.grade != "worth knowing" and not f.stops_a_run) for f in findings)
    told = {f.text[:12]: f.stops_a_run for f in findings if f.grade == "in the way"}
    assert told == {"secondary fu": False, "range switch": True}
