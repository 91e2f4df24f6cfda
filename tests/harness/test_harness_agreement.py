"""One changed digit in a well-formed answer of the reference never stays in a finished point, whatever the point is for."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.bench import InstrumentEntry
from harness.commands.inputs import load_inputs
from harness.commands.new import new
from harness.commands.twin import TwinLinks
from harness.steps import Options
from instruments.link import Link
from instruments.profile import Profile
from simulated.bench import SimulatedBench
from tests.on_twin import TwinRun


class Changing(TwinLinks):
    """Links whose `number`th number read from the reference is 0.9 % too large."""

    def __init__(self, bench: SimulatedBench, number: int) -> None:
        super().__init__(bench)
        self.left, self.changed = number, 0

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        link = super().text(name, entry, profile)
        return Changed(link, self) if name == "multimeter" else link


class Changed:
    def __init__(self, link: Link, owner: Changing) -> None:
        self._link, self._owner = link, owner

    def write(self, text: str) -> None:
        self._link.write(text)

    def read(self) -> str:
        return self._link.read()

    def query(self, text: str) -> str:
        reply = self._link.query(text)
        if text != "READ?" or float(reply) == 0:
            return reply
        self._owner.left -= 1
        if self._owner.left:
            return reply
        self._owner.changed += 1
        return f"{1.009 * float(reply):.6E}"

    def close(self) -> None:
        self._link.close()


@pytest.mark.parametrize("procedure", ["turns_check", "smallest_current"])
@pytest.mark.parametrize("number", [2, 12, 26, 37, 53])
def test_a_changed_digit_stays_in_no_point(tmp_path: Path, procedure: str, number: int) -> None:
    """The reference's readings of a point are within 0.6 % of each other, in a search as in a point that is evaluated."""
    device_file, bench_file = new(tmp_path / "pair")
    twin = TwinRun(load_inputs(device_file, bench_file, procedure, Options()))
    links = Changing(twin.bench, number)
    twin.links = links
    twin.run()
    assert links.changed == 1
    read: dict[tuple[int, int], list[float]] = {}
    for line in twin.record.of_kind("reading"):
        read.setdefault((line["point"], line["attempt"]), []).append(float(line["reference"]["value"]))
    finished = [read[line["point"], line["attempt"]] for line in twin.record.of_kind("point")]
    assert len(finished) > 2
    assert all(max(values) < 1.006 * min(values) for values in finished if min(values) > 0)
