"""One changed digit in a well-formed answer of the reference never stays in a finished point, whatever the point is for."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.commands.new import new
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from instruments.links.link import Link
from tests.altered_links import AlteredLinks
from tests.on_twin import TwinRun


class Changing:
    """Answers as the reference does, but for the `number`th number read from it, which is 0.9 % too large."""

    def __init__(self, number: int) -> None:
        self.left, self.changed = number, 0

    def __call__(self, link: Link, text: str) -> str:
        reply = link.query(text)
        if text != "READ?" or float(reply) == 0:
            return reply
        self.left -= 1
        if self.left:
            return reply
        self.changed += 1
        return f"{1.009 * float(reply):.6E}"


@pytest.mark.parametrize("procedure", ["turns_check", "smallest_current"])
@pytest.mark.parametrize("number", [2, 12, 26, 37, 44])
def test_a_changed_digit_stays_in_no_point(tmp_path: Path, procedure: str, number: int) -> None:
    """The reference's readings of a point are within 0.6 % of each other, in a search as in a point that is evaluated."""
    device_file, bench_file = new(tmp_path / "pair")
    twin = TwinRun(load_inputs(device_file, bench_file, procedure, Options()))
    changing = Changing(number)
    twin.links = AlteredLinks(twin.bench, "multimeter", changing)
    twin.run()
    assert changing.changed == 1
    read: dict[tuple[int, int], list[float]] = {}
    for line in twin.record.of_kind("reading"):
        read.setdefault((line["point"], line["attempt"]), []).append(float(line["reference"]["value"]))
    finished = [read[line["point"], line["attempt"]] for line in twin.record.of_kind("point")]
    assert len(finished) > 2
    assert all(max(values) < 1.006 * min(values) for values in finished if min(values) > 0)
