"""The catalogue of causes: what a user's file may say, what becomes of it, and that the simulated bench can have every shipped one."""

from __future__ import annotations

import io
import json
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from harness.commands.certify import CertifyOptions, certify
from harness.commands.new import new
from harness.core.errors import UserError
from harness.evaluation.diagnosis.altered_circuit import circuit_described
from harness.evaluation.diagnosis.causes import extended, shipped_causes
from harness.evaluation.diagnosis.diagnosis import ConsideredCauses, diagnose
from harness.evaluation.diagnosis.hypotheses import Hypotheses, LocatedFault, hypotheses
from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.device import Device
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from harness.wording.sentences import reason_text
from simulated.bench_faults import CATALOGUE, ActiveFault, Fault
from simulated.description import RangeDescription
from simulated.physics.range_switch import signed_turns
from tests.direct_physics import demo_inputs
from tests.harness.evaluation.conftest import RUN_DATE, sweep
from tests.on_twin import TwinRun

OWN = """
[[causes]]
name = "filter-across-input"
text = "a filter across the winding of range {range} takes part of its current"
each_range = true
readings.gain = { mean = "-8 %", deviation = "1 %" }
"""


@pytest.mark.parametrize(
    ("text", "key", "found"),
    [
        ('name = "a"\ntext = "b {place}"\neach_range = true\nsection_turns = 1', "causes[1]", "{place} in text"),
        ('name = "a"\ntext = "b {"\neach_range = true\nsection_turns = 1', "causes[1]", "found text"),
        ('name = "a"\ntext = "b"', "causes[1]", "changes nothing"),
        ('name = "a"\ntext = "b"\nsection = "reversed"', "causes[1]", "section without each_range"),
        ('name = "a"\ntext = "b"\neach_range = true\nsection = "cut"', "causes[1].section", "'cut'"),
        ('name = "A b"\ntext = "b"\npower = "reversed"', "causes[1].name", "'A b'"),
        ('text = "b"\npower = "reversed"', "causes[1].name", "found nothing"),
        ('name = "a"\ntext = "b"\nreadings.gain = { mean = "3 A" }', "causes[1].readings.gain.mean", "'3 A'"),
        ('name = "a"\ntext = "b"\nreadings.phase = { deviation = 2 }', "causes[1].readings.phase.deviation", "2"),
        ('name = "a"\ntext = "b"\nreadings.kink = { mean = "1 %" }', "causes[1].readings.kink", "unknown key"),
        ('name = "a"\ntext = "b"\nreadings.gain = { deviation = "-1 %" }', "causes[1].readings.gain.deviation", "-1"),
        ('name = "a"\ntext = "b"\npower = "reversed"\nweight = 0', "causes[1].weight", "0"),
    ],
)
def test_a_mistake_is_one_line_with_file_key_and_what_was_found(text: str, key: str, found: str) -> None:
    with pytest.raises(UserError) as caught:
        extended(f"[[causes]]\n{text}\n", "mine.toml")
    (line,) = caught.value.problems
    assert line.startswith(f"mine.toml: {key}: ")
    assert found in line
    assert found == "unknown key" or "expected" in line


def test_own_causes_are_added_replace_and_leave_out() -> None:
    assert {c.name for c in extended(OWN, "").causes} - {c.name for c in shipped_causes().causes} == {
        "filter-across-input"
    }
    replaced = extended(OWN.replace("filter-across-input", "drifted-gain"), "").causes
    assert [c.text for c in replaced if c.name == "drifted-gain"] == [
        "a filter across the winding of range {range} takes part of its current"
    ]
    assert "drifted-gain" not in {c.name for c in extended('without = ["drifted-gain"]', "").causes}


def test_own_ordinary_replaces_what_it_names_and_nothing_else() -> None:
    """A meter of a steadier gain is still allowed the slope and the phase of any other."""
    own = extended('[ordinary]\ngain = { deviation = "0.1 %" }', "").ordinary
    assert own.gain.deviation == pytest.approx(1e-3)
    assert own.model_copy(update={"gain": shipped_causes().ordinary.gain}) == shipped_causes().ordinary


def test_an_own_cause_is_found_on_its_range_alone(device: Device, bench: Bench) -> None:
    """Nine per cent less on one range is no whole number of turns: nothing shipped, but what the user described."""
    inputs = InputQuantities(bench, RUN_DATE)
    points = [point_values(device, inputs, p) for p in sweep(device, lambda r, i: i * (9.15 if r == "x10" else 1))]
    assert diagnose(device, points).causes[0].fault == "none-of-these"
    found = diagnose(device, points, compared=ConsideredCauses(extended(OWN, "mine.toml")))
    assert found.causes[0].label == "filter-across-input on x10"
    assert found.causes[0].probability > 0.9


def test_priors_are_a_distribution(device: Device, independent_device: Device) -> None:
    weights = shipped_causes().weights
    for one in (device, independent_device):
        found = hypotheses(one, shipped_causes())
        assert found.priors.sum() == pytest.approx(1 - weights.none_of_these)
        assert found.priors[len(found.singles) :].sum() == pytest.approx(weights.pairs)
        assert [c.prior for c in found.singles] == found.priors[: len(found.singles)].tolist()


def test_the_simulated_bench_can_have_every_cause() -> None:
    """A cause nobody can produce is one nobody has tested."""
    assert {c.name for c in shipped_causes().causes} <= {f.name for f in CATALOGUE}


WINDING = ["turn-missing", "turn-extra", "section-reversed", "winding-reversed", "both-windings-in-circuit"]


@cache
def _demo_hypotheses() -> tuple[Hypotheses, list[tuple[LocatedFault, ...]]]:
    found = hypotheses(demo_inputs().device, shipped_causes())
    return found, [found.candidate(h).faults for h in range(len(found.priors))]


@given(st.lists(st.sampled_from(WINDING), unique=True, max_size=2), st.data())
def test_turns_are_those_of_the_simulated_winding(faults: list[str], data: st.DataObject) -> None:
    """Two descriptions of one winding, written for different ends, agree on every fault and pair: sign, sections and all."""
    device = demo_inputs().device
    found, causes = _demo_hypotheses()
    asked = [(f, data.draw(st.sampled_from([r.name for r in device.ranges]))) for f in faults]
    made = [h for h, c in enumerate(causes) if sorted(c) == sorted(asked) or (not asked and c[0][0] == "none")]
    ranges = [RangeDescription(r.name, r.primary_turns, r.wiring, r.display_factor, 0.1, 1.0) for r in device.ranges]
    active = [ActiveFault(Fault(name=name, kind="winding", summary=""), range=rng) for name, rng in asked]
    turns = signed_turns(ranges, active)
    if made:
        assert [turns[r.name] for r in device.ranges] in found.circuit.turns()[made].tolist()


def test_described_sections_are_what_each_range_adds(device: Device) -> None:
    assert circuit_described(device).sections.tolist() == [[1.0, 9.0]]


def test_the_record_alone_recomputes_and_other_causes_are_said(tmp_path: Path) -> None:
    """The text of the causes travels in the record; what replaces it at certifying is named in the results."""
    own = tmp_path / "mine.toml"
    own.write_text(OWN, encoding="utf-8")
    inputs = load_inputs(*new(tmp_path / "pair"), "turns_check", Options(), own)
    own.unlink()
    twin = TwinRun(inputs, ("turn-missing",))
    twin.run()
    first = twin.results()
    assert twin.record.start["causes_text"] == OWN
    assert first == twin.results()
    causes = first.diagnosis_details.causes
    assert causes is not None
    assert reason_text(causes).endswith("with the causes of mine.toml, kept in the record")
    record = tmp_path / "record.jsonl"
    record.write_bytes(twin.content)
    other = tmp_path / "other.toml"
    other.write_text('without = ["turn-missing"]\n', encoding="utf-8")
    said = io.StringIO()
    assert certify(CertifyOptions(record, tmp_path / "again", causes=other), Console(file=said)) == 1
    results = json.loads((tmp_path / "again" / "results.json").read_text(encoding="utf-8"))
    assert "other.toml, given when it was certified" in results["diagnosis_details"]["causes"]["text"]
    assert all("turn-missing" not in h["fault"] for h in results["diagnosis"])
    assert "odds" in said.getvalue()
    assert "100.0 %" not in said.getvalue()
