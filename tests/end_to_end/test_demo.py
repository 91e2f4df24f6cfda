"""The demo with every fault: verdict, diagnosis, and a path that was never overdriven.

The faults of winding, wiring and scaling are put into the physics of the simulated bench; the evaluation sees nothing
but the record. Short runs in virtual time, over the whole data path, keep this quick; one demo runs as a user runs it.
"""

import json
import re
import subprocess
import sys
from pathlib import Path

import pypdf
import pytest

from harness.commands.demo_bench import free_ports, write_files
from harness.commands.demo_loads import LOADS
from harness.commands.new import new
from harness.core.errors import AbortedSafe
from harness.preparation.run_files import load_inputs
from harness.results import Results
from harness.steps import Options
from harness.wording.results_file import from_json
from harness.wording.waveforms import NOTHING_OF_OTHERS, waveform_text
from simulated.bench_physics import Truth
from tests.in_process import ratioproof
from tests.in_words import in_words
from tests.on_twin import TwinRun


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return new(tmp_path_factory.mktemp("pair"))


def verify(files: list[Path], *faults: str, procedure: str = "current_ratio") -> tuple[Results, Truth]:
    """A whole run on a simulated bench with `faults`, in virtual time."""
    twin = TwinRun(load_inputs(files[0], files[1], procedure, Options()), faults)
    twin.run()
    return twin.results(), twin.bench.truth()


def test_a_healthy_meter_passes_and_is_not_accused(files: list[Path]) -> None:
    """No fault: pass, right turns, `none` ranked first."""
    results, truth = verify(files)
    assert results.verdict == "pass", results.reasons
    assert results.diagnosis[0].fault == "none"
    assert [r.effective_turns.nearest for r in results.ranges if r.effective_turns] == [4, 20]
    assert truth.secondary_fuse_intact
    assert not truth.input_overdriven
    assert not truth.switched_under_load


FAULTS = [
    ("turn-missing", "x4"),
    ("turn-missing:x20", "x20"),
    ("turn-missing:x1", "x1"),
    ("turn-extra", "x4"),
    ("turn-extra:x20", "x20"),
    ("section-reversed", "x4"),
    ("both-windings-in-circuit", "x20"),
    ("switch-left-in-another-position", None),
    ("switch-left-in-another-position:x1", None),
    ("switch-left-in-another-position:x4", None),
    ("display-factor-forgotten", "x20"),
    ("display-factor-forgotten:x4", "x4"),
    ("high-resistance-fuse", None),
    ("saturating-core", None),
    ("closed-turn", None),
    ("bent-gain", None),
    ("drifted-gain", None),
    ("module-supply-behind-sensor", None),
    ("ratio-setting", None),
    ("secondary-open", None),
    ("display-offset", None),
    ("half-wave-lost", None),
]


@pytest.mark.parametrize(("fault", "where"), FAULTS, ids=[f for f, _ in FAULTS])
def test_every_fault_fails_is_named_first_and_overdrives_nothing(
    files: list[Path], fault: str, where: str | None
) -> None:
    """Verdict fail, the right fault ranked first (and on the right range), fuse and input never exceeded."""
    results, truth = verify(files, fault)
    assert truth.secondary_fuse_intact
    assert not truth.input_overdriven
    assert not truth.switched_under_load
    assert results.verdict == "fail"
    first = results.diagnosis[0]
    assert first.fault == fault.partition(":")[0]
    if where is not None:
        assert first.range == where


@pytest.mark.parametrize("fault", ["reference-wrong", "core-gap", "burden-capacitance"])
def test_what_currents_leave_open_is_told_beside_the_likeliest(files: list[Path], fault: str) -> None:
    """Verdict fail, and the fault is among those said not to be told apart, the reference in the same breath."""
    results, truth = verify(files, fault)
    assert truth.secondary_fuse_intact
    assert not truth.input_overdriven
    assert results.verdict == "fail"
    assert fault in results.diagnosis_details.together
    assert any("the bench check" in note for note in in_words(results.diagnosis_notes))


def test_a_load_that_is_set_shows_a_ratio_typed_wrong_at_once(files: list[Path]) -> None:
    """What it was set to and what the reference reads are a fifth apart: nothing is read that could count."""
    with pytest.raises(AbortedSafe, match="the reference path in the bench file"):
        verify(files, "reference-ratio")


def test_another_frequency_is_no_fault_of_a_meter(files: list[Path]) -> None:
    results, _ = verify(files, "frequency-other")
    assert results.verdict == "pass", results.reasons
    assert "frequency-other" in results.diagnosis_details.not_shown


@pytest.mark.parametrize(
    "fault",
    ["turn-missing", "turn-extra", "section-reversed", "both-windings-in-circuit", "switch-left-in-another-position"],
)
def test_the_quick_check_finds_winding_faults(files: list[Path], fault: str) -> None:
    """One common current on every range is enough to tell the turns."""
    results, truth = verify(files, fault, procedure="turns_check")
    assert results.verdict == "fail"
    assert results.diagnosis[0].fault == fault
    assert not truth.input_overdriven


def test_a_small_supply_current_is_harmless_to_the_claim_but_reported(files: list[Path]) -> None:
    """common practice, no published source: a module taking 1.7 mA from behind its own sensor adds an offset of that size."""
    results, _ = verify(files, "module-supply-behind-sensor:0.0017")
    offsets = [r.line.intercept for r in results.ranges if r.line is not None]
    assert offsets[-1] == pytest.approx(1.7e-3, rel=0.25)
    assert results.diagnosis[0].fault == "module-supply-behind-sensor"


@pytest.mark.parametrize(
    "fault", ["average-responding", "narrow-bandwidth", "average-responding-reference", "half-wave-saturation"]
)
def test_what_shows_with_no_sine_passes_with_sines_and_nothing_is_said_of_others(files: list[Path], fault: str) -> None:
    results, _ = verify(files, fault)
    assert results.verdict == "pass", results.reasons
    assert waveform_text(results.waveforms).endswith(NOTHING_OF_OTHERS)


def test_an_input_that_clips_fails(files: list[Path]) -> None:
    results, truth = verify(files, "clipping")
    assert results.verdict == "fail"
    assert not truth.input_overdriven


@pytest.mark.parametrize("fault", ["late-reply", "garbled-reply"])
def test_misbehaving_replies_never_become_readings(files: list[Path], fault: str) -> None:
    """The point is taken again on a fresh link: the run completes and passes, or it stops safe; it never reads wrong."""
    try:
        results, _ = verify(files, fault)
    except AbortedSafe:
        return
    assert results.verdict == "pass", results.reasons


def test_the_demo_as_a_user_runs_it(tmp_path: Path) -> None:
    """One command over loopback transports leaves record, results and certificate, and the keys others rely on."""
    out = tmp_path / "demo"
    process = subprocess.run(
        [sys.executable, "-m", "harness", "demo", "--procedure", "turns_check", "--out", str(out)],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert process.returncode == 0, process.stdout + process.stderr
    assert "verdict: PASS" in process.stdout
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    assert results["verdict"] == "pass"
    rng = results["ranges"][1]
    assert {"name", "expected_turns", "effective_turns", "points", "linearity"} <= rng.keys()
    assert {"value", "expanded_uncertainty", "coverage_factor"} <= rng["effective_turns"].keys()
    assert {"reference_current", "indicated_current", "ratio_error"} <= rng["points"][0].keys()
    error = rng["points"][0]["ratio_error"]
    assert {"value", "expanded_uncertainty", "coverage_factor", "conformity"} <= error.keys()
    assert {"limit", "verdict"} <= error["conformity"].keys()
    assert {"fault", "probability"} <= results["diagnosis"][0].keys()
    assert (out / "certificate.pdf").read_bytes().startswith(b"%PDF")
    assert str(out / "certificate.pdf") in process.stdout.replace("\n", "")


@pytest.mark.parametrize("procedure", ["current_ratio", "bench_check"])
def test_a_demo_does_not_mind_what_listens_on_the_ports_of_its_files(tmp_path: Path, procedure: str) -> None:
    """Every address of the templates gets a port that is free: a bench simulated in another terminal is left alone."""
    inputs = load_inputs(*write_files(tmp_path / "demo", (), procedure), procedure, Options())
    ports = [int(p) for e in inputs.bench.instruments.values() for p in re.findall(r":(\d{4,5})\b", e.address)]
    assert len(set(ports)) == len(ports) >= 3
    assert not any(15000 <= port < 15100 for port in ports)


def test_no_client_is_given_a_port_of_the_demo() -> None:
    """Between choosing and serving lies a rehearsal, and other programs connect meanwhile. The range is this system's own setting."""
    setting = Path("/proc/sys/net/ipv4/ip_local_port_range")
    if not setting.exists():
        pytest.skip("only Linux says which ports it gives clients")
    ports = free_ports(4)
    assert len(set(ports)) == 4
    assert max(ports) < int(setting.read_text(encoding="ascii").split()[0])


def test_a_demo_with_a_load_fails_a_meter_that_passes_on_a_heater(tmp_path: Path) -> None:
    """Of a capacitor dropper clamped at a quarter of the crest, the closed form is -16.38 % (tests/instruments/test_waveforms.py has its form factor)."""
    ended = ratioproof(tmp_path, "demo", "--load", "dropper", "--out", "lamps", "--transcript", "kept")
    assert ended.status == 1, ended.output + ended.errors
    told = " ".join(ended.output.split())
    assert "panel of small lamps (970 mA, capacitor_dropper)" in told
    assert "simulated faults: average-responding" in told
    assert "input never overdriven" in told
    results = from_json((tmp_path / "lamps" / "results.json").read_text(encoding="utf-8"))
    assert [p.ratio_error.verdict for rng in results.ranges for p in rng.points] == ["pass"] * 3
    influences = [w.influence for rng in results.ranges for w in rng.waveforms]
    assert [i.verdict for i in influences] == ["fail"] * 3
    assert [i.value for i in influences] == pytest.approx([-0.1638] * 3, abs=3e-3)
    assert results.diagnosis[0].fault == "average-responding"
    pages = pypdf.PdfReader(tmp_path / "lamps" / "certificate.pdf").pages
    why = " ".join(pages[0].extract_text().split())
    assert "influence of the waveform: does not meet the claim with 1 of 1 loads, worst (−16." in why
    assert "with panel of small lamps (capacitor_dropper)" in why
    again = ratioproof(tmp_path, "replay", "kept")
    assert again.status == 1, again.output + again.errors
    assert "influence of the waveform: worst (-16." in again.output


def test_a_sound_meter_passes_on_the_lamps_of_the_demo_too(tmp_path: Path) -> None:
    files = write_files(tmp_path / "demo", (), "waveform_influence", LOADS["dropper"])
    twin = TwinRun(load_inputs(*files, "waveform_influence", Options()))
    twin.run()
    assert twin.results().verdict == "pass", in_words(twin.results().reasons)


def test_a_demo_without_a_load_has_the_files_that_new_writes(tmp_path: Path) -> None:
    """But for the ports, and the faults asked for."""
    made = [file.read_text(encoding="utf-8") for file in write_files(tmp_path / "demo", (), "current_ratio")]
    written = [file.read_text(encoding="utf-8") for file in new(tmp_path / "new")]
    assert made[0] == written[0]
    assert re.sub(r":(\d{5})\b", ":PORT", made[1]) == re.sub(r":(\d{5})\b", ":PORT", written[1])
