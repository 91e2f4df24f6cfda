"""Runs on a meter whose ranges have parts of their own: none is overdriven when the switch stands elsewhere, and the certificate shows them."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from pypdf import PdfReader

from harness.commands.new import BENCH, BENCH_BY_HAND, new
from harness.core.progress import Progress
from harness.preparation.run_files import RunInputs, load_inputs
from harness.steps import Options
from reports.certificate import certificate
from tests.hands import Hands, by
from tests.on_twin import TwinRun
from tests.own_parts import own_parts

STANDS = {"x1": 80.0, "x4": 20.0, "x20": 4.0}
"""Amperes that the parts and the claim of each range of tests/own_parts.py permit: 90 A and a claim of 80 A; a fuse of 20 A; a claim of 4 A."""


def inputs(folder: Path, pair: str, device_text: str) -> RunInputs:
    device, bench = new(folder, pair)
    device.write_text(device_text, encoding="utf-8")
    return load_inputs(device, bench, "current_ratio", Options(readings=2, per_decade=2))


class Watching(Progress):
    """The most amperes that really flowed, by the position in which the switch really stood."""

    def __init__(self) -> None:
        self.twin: TwinRun | None = None
        self.most: dict[str, float] = {}

    def look(self) -> None:
        """Look at the bench's true state."""
        assert self.twin is not None
        truth = self.twin.bench.truth()
        self.most[truth.switch_position] = max(self.most.get(truth.switch_position, 0.0), truth.primary_current)

    def finished_point(self, index: int, name: str, ratio_error: float | None, limit: float | None) -> None:
        """Look while the current of the point still flows."""
        self.look()

    def doing(self, text: str) -> None:
        """Look at every other step too."""
        if self.twin is not None:
            self.look()


def watched(asked: RunInputs, *faults: str) -> tuple[TwinRun, dict[str, float]]:
    watching = Watching()
    twin = TwinRun(asked, faults, progress=watching)
    watching.twin = twin
    twin.run()
    return twin, watching.most


def test_each_range_goes_as_far_as_its_own_parts(tmp_path: Path) -> None:
    """x1 goes to 80 A past a switch of 25 A, since the file says that it bypasses it and one turn is read."""
    twin, most = watched(inputs(tmp_path, BENCH, own_parts()))
    assert most == {name: pytest.approx(stands, rel=0.01) for name, stands in STANDS.items()}
    results = twin.results()
    assert results.verdict == "pass", results.reasons
    stated = results.device.path_ratings
    assert stated["range switch"] == "25 A, bypassed on x1"
    assert stated["fuse of range x4"] == "20 A"
    assert stated["conductor of range x20"] == "5 A"
    text = " ".join("".join(page.extract_text() for page in PdfReader(io.BytesIO(certificate(results))).pages).split())
    assert "25 A, bypassed on x1" in text
    assert "Fuse of range x4" in text


@pytest.mark.parametrize(("really", "stands"), [("x1", 90.0), ("x4", 20.0), ("x20", 2.0)])
def test_a_switch_that_never_moves_overdrives_nothing(tmp_path: Path, really: str, stands: float) -> None:
    """Whatever the person answers (here always: go on): no more flows than the range stands whose winding carries it."""
    weak = own_parts(x20='conductor = "2 A"')
    twin, most = watched(inputs(tmp_path, BENCH, weak), f"switch-left-in-another-position:{really}")
    assert list(most) == [really]
    assert 0.0 < most[really] <= stands * 1.001
    assert not twin.bench.truth().input_overdriven
    for line in twin.record.of_kind("ceiling"):
        # Not the position selected: everything counts, and the weakest is the conductor of x20.
        assert (line["ceiling"], line["ceiling_set_by"]) == (2.0, "conductor of range x20")
    assert twin.results().verdict == "fail"


def test_a_section_reversed_is_not_taken_for_the_base_range(tmp_path: Path) -> None:
    """1 + 2 in series read as one turn when the section is reversed: with the switch stuck there, x1 stays within the section's 10 A."""
    three = own_parts(x1='conductor = "90 A"', x4='conductor = "10 A"', x20="", switch="100 A")
    three = three.replace('primary_turns = 4\nwiring = "independent"', 'primary_turns = 3\nwiring = "series"')
    three = three.replace("display_factor = 0.25", "display_factor = 0.333333").replace('"20 A"', '"10 A"')
    twin, most = watched(inputs(tmp_path, BENCH, three), "switch-left-in-another-position:x4", "section-reversed:x4")
    assert max(line["current"] for line in twin.record.of_kind("step") if "current" in line) <= 10.0
    assert most["x4"] == pytest.approx(10.0, rel=0.01)


def test_who_moves_a_lead_for_a_range_is_told_to_disconnect_first(tmp_path: Path) -> None:
    """A winding that bypasses the switch may have terminals of its own; without one there is nothing to move."""
    for text, told in ((own_parts(), True), (own_parts(x1=""), False)):
        folder = tmp_path / str(told)
        hands = Hands()
        by(hands, inputs(folder, BENCH_BY_HAND, text)).run()
        turned = [p for p in hands.prompts if "Turn the range switch" in p]
        assert turned
        assert all(("first disconnect the bench's supply, lock it off and prove it dead" in p) is told for p in turned)


def test_until_a_range_has_been_read_the_load_is_limited_as_if_the_switch_stood_anywhere(tmp_path: Path) -> None:
    """A load that runs away before the position is known meets its own limit; found: 80.8 A, with parts of 4.5 A in another position."""
    asked = inputs(tmp_path, BENCH, own_parts())

    class Limits(Progress):
        """The load's own limit whenever current is about to flow."""

        def __init__(self) -> None:
            self.found: list[float] = []

        def energised(self, current: float) -> None:
            """Look at it."""
            self.found.append(twin.bench.load.protection)

    limits = Limits()
    twin = TwinRun(asked, progress=limits)
    twin.run()
    # 40 mA x 2500 / 25 turns with all windings in circuit, and 1 % more.
    first = next(limit for limit in limits.found if limit < 100.0)
    assert first == pytest.approx(4.04)
    assert max(limit for limit in limits.found if limit < 100.0) == pytest.approx(80.8)
