"""The runner on a simulated twin: stops anywhere, loads that lie, procedures that ask for nonsense, people who mistype."""

import io
import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.commands.new import new
from harness.core.errors import AbortedSafe, NotSafe
from harness.core.progress import Progress
from harness.files.bench import InstrumentEntry
from harness.preparation.run_files import RunInputs, load_inputs
from harness.preparation.twin import TwinLinks
from harness.steps import (
    Apply,
    Device,
    Observe,
    Options,
    Procedure,
    Release,
    Select,
    Steps,
    Wait,
    procedure,
)
from instruments.errors import LinkError
from instruments.links.link import Link
from instruments.operator.person import ConsolePerson, Question
from instruments.profile import Profile
from simulated.bench import SimulatedBench
from tests.altered_links import Altered, AlteredLinks
from tests.on_twin import TwinRun


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> RunInputs:
    device, bench = new(tmp_path_factory.mktemp("pair"))
    return load_inputs(device, bench, "current_ratio", Options(readings=2, per_decade=1))


class StopAfter(Progress):
    """Asks to stop once so many things have been reported."""

    def __init__(self, count: int) -> None:
        self.left = count
        self.request: Callable[[str], None] = lambda reason: None

    def doing(self, text: str) -> None:
        """Count, and ask twice, as somebody in a hurry does."""
        self.left -= 1
        if self.left == 0:
            self.request("stopped by SIGINT")
            self.request("stopped by SIGINT")


@pytest.mark.parametrize("count", [1, 2, 3, 5, 8, 13, 21])
def test_a_stop_at_any_step_is_safe_and_recorded(inputs: RunInputs, count: int) -> None:
    """Whatever was being done: everything off, seen off by the reference, a stop line, AbortedSafe."""
    watcher = StopAfter(count)
    twin = TwinRun(inputs, progress=watcher)
    watcher.request = twin.stop.request
    with pytest.raises(AbortedSafe, match="stopped by SIGINT; everything is off and confirmed"):
        twin.run()
    assert not twin.bench.truth().load_on
    assert twin.record.lines[-1]["outcome"] == "aborted"
    assert twin.record.lines[-2]["kind"] == "safe"


class LyingLinks(TwinLinks):
    """Links to a load that, once it has been on, swallows what would take its current away and still says it is off."""

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        link = super().text(name, entry, profile)
        return Lying(link) if name == "source" else link


class Lying:
    def __init__(self, link: Link) -> None:
        self._link, self._armed = link, False

    def write(self, text: str) -> None:
        self._armed |= text == "OUTPut ON"
        if not (self._armed and text in ("OUTPut OFF", "SOURce:CURRent 0")):
            self._link.write(text)

    def read(self) -> str:
        return self._link.read()

    def query(self, text: str) -> str:
        return "0" if text == "OUTPut?" else self._link.query(text)

    def close(self) -> None:
        self._link.close()


@pytest.mark.parametrize("count", [4, 10_000])
def test_a_load_that_says_off_and_still_drives_is_not_safe(inputs: RunInputs, count: int) -> None:
    """Off means off twice: the reference still reads current, at a range change and after a stop alike."""
    watcher = StopAfter(count)
    twin = TwinRun(inputs, progress=watcher)
    twin.links = LyingLinks(twin.bench)
    watcher.request = twin.stop.request
    with pytest.raises(NotSafe, match="still flows"):
        twin.run()
    assert twin.record.lines[-1]["outcome"] == "not safe"


class Stubborn(Lying):
    """Does not switch off either, and says so."""

    refused = False

    def write(self, text: str) -> None:
        self.refused |= self._armed and text == "OUTPut OFF"
        super().write(text)

    def query(self, text: str) -> str:
        return self._link.query(text)


class StubbornLinks(TwinLinks):
    """A load that stays on; where it is `defective`, the driver of the reference breaks from then on."""

    def __init__(self, bench: SimulatedBench, defective: bool) -> None:
        super().__init__(bench)
        self._defective = defective
        self._loads: list[Stubborn] = []

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        link = super().text(name, entry, profile)
        if name == "source":
            self._loads.append(Stubborn(link))
            return self._loads[-1]
        return Altered(link, self._answer) if name == "multimeter" else link

    def _answer(self, link: Link, text: str) -> str:
        if self._defective and text == "READ?" and any(load.refused for load in self._loads):
            raise ZeroDivisionError("a defect")
        return link.query(text)


class Unwritable(io.BytesIO):
    """Takes everything but the last line of a run."""

    def write(self, data: Any) -> int:
        if b'"kind":"stop"' in bytes(data):
            raise ValueError("cannot be written")
        return super().write(data)


@pytest.mark.parametrize("defect", ["reference", "record"])
def test_not_safe_is_told_whatever_else_is_defective(inputs: RunInputs, defect: str) -> None:
    """The load does not switch off, and what would look at it or write it down breaks: the person must still be told."""
    twin = TwinRun(inputs, stream=Unwritable() if defect == "record" else io.BytesIO())
    twin.links = StubbornLinks(twin.bench, defect == "reference")
    with pytest.raises(NotSafe, match="by hand now"):
        twin.run()


def with_steps(inputs: RunInputs, steps: Callable[[Device, Options], Steps]) -> RunInputs:
    return replace(inputs, procedure=procedure(title="t", revision="1")(steps))


def nonsense(step: Any) -> Callable[[Device, Options], Steps]:
    def steps(device: Device, options: Options) -> Steps:
        """Asks for one thing nobody may ask for."""
        yield Select(device.ranges[2])
        yield Observe("before", 1, "zero")
        yield step

    return steps


NONSENSE: list[tuple[Any, str]] = [
    ("hello", "expected Select, Apply, Observe, Release or Wait"),
    (Apply(0.0), "found current 0.0, expected amperes above zero"),
    (Apply(-1.0), "found current -1.0, expected amperes above zero"),
    (Apply(float("inf")), "found current inf, expected amperes above zero"),
    (Apply("3 A"), "found current '3 A', expected amperes above zero"),  # type: ignore[arg-type]
    (Apply(1.0, 0.0), "found power_factor 0.0, expected -1 to 1 but not 0, or None"),
    (Apply(1.0, "1"), "found power_factor '1', expected -1 to 1 but not 0, or None"),  # type: ignore[arg-type]
    (Observe("p", 0, "up"), "found count 0, expected at least 1"),
    (
        Observe("p", 1, "sideways"),  # type: ignore[arg-type]
        "found direction 'sideways', expected one of zero, up, down, single, hold, search, check",
    ),
    (Observe("before", 1, "up"), "found the name 'before' a second time, expected a name of its own for each point"),
    (Wait(7200), "found seconds 7200, expected above 0 and at most 3600"),
    (
        Observe("p", 1, "up"),
        "found direction 'up' with no current applied, expected Apply before it, or direction 'zero'",
    ),
]


@pytest.mark.parametrize(("step", "rule"), NONSENSE)
def test_a_procedure_that_asks_for_nonsense_is_stopped_safe_and_the_rule_is_named(
    inputs: RunInputs, step: Any, rule: str
) -> None:
    """The one that is broken, with what is allowed."""
    twin = TwinRun(with_steps(inputs, nonsense(step)))
    with pytest.raises(AbortedSafe) as caught:
        twin.run()
    assert str(caught.value).startswith(f"the procedure asks for {step!r}: {rule}; ")
    assert twin.bench.truth().peak_secondary_current < 0.04


def test_a_range_with_lifted_limits_is_no_range_of_the_file(inputs: RunInputs) -> None:
    lifted = inputs.device.ranges[2].model_copy(update={"primary_turns": 1, "maximum_current": 80.0})
    twin = TwinRun(with_steps(inputs, nonsense(Select(lifted))))
    with pytest.raises(AbortedSafe, match="expected one of the device file, unchanged: x1, x4, x20"):
        twin.run()


def test_a_zero_is_not_read_under_current(inputs: RunInputs) -> None:
    """It would be taken for the offset of the range."""

    def steps(device: Device, options: Options) -> Steps:
        """Forgets to release."""
        yield Select(device.ranges[2])
        yield Apply(1.0)
        yield Observe("zero", 1, "zero")

    with pytest.raises(AbortedSafe, match="direction 'zero' with 1 A applied, expected Release or Select before it"):
        TwinRun(with_steps(inputs, steps)).run()


def test_a_procedure_that_raises_is_stopped_safe_and_named(inputs: RunInputs) -> None:
    """An error in a user's own procedure, with the load on, ends with the load off."""

    def steps(device: Device, options: Options) -> Steps:
        """Fails in the middle."""
        yield Select(device.ranges[0])
        yield Apply(1.0)
        yield Observe("first", 1, "single")
        raise ZeroDivisionError("own mistake")

    twin = TwinRun(with_steps(inputs, steps))
    with pytest.raises(AbortedSafe, match="procedure steps failed: ZeroDivisionError: own mistake"):
        twin.run()
    assert not twin.bench.truth().load_on


def test_no_procedure_can_pass_a_ceiling(inputs: RunInputs) -> None:
    """A current above the range's ceiling is left out, whatever the procedure thinks of it."""
    got: list[str] = []

    def steps(device: Device, options: Options) -> Steps:
        """Asks for far too much."""
        yield Select(device.ranges[2])
        yield Apply(80.0)
        reading = yield Observe("too much", 1, "single")
        assert reading is not None
        got.append(reading.skipped)
        yield Release()

    twin = TwinRun(with_steps(inputs, steps))
    twin.run()
    assert "above the maximum test current of 4 A" in got[0]
    assert twin.bench.truth().peak_secondary_current < 0.04


def cutting(bench: SimulatedBench, number: int) -> AlteredLinks:
    """Links whose `number`th query to the reference fails, as a cut cable makes it fail."""
    queries = itertools.count(1)

    def answer(link: Link, text: str) -> str:
        if next(queries) == number:
            link.close()
            raise LinkError("cut", instrument="multimeter", address="here", command=text)
        return link.query(text)

    return AlteredLinks(bench, "multimeter", answer)


@pytest.mark.parametrize("number", range(3, 90, 7))
def test_one_cut_anywhere_costs_a_point_taken_again_and_nothing_else(inputs: RunInputs, number: int) -> None:
    """The run completes; every point is finished once, from readings of one whole attempt."""
    twin = TwinRun(inputs)
    twin.links = cutting(twin.bench, number)
    twin.run()
    assert sum(1 for _ in twin.record.of_kind("trouble")) == 1
    points = [line["point"] for line in twin.record.of_kind("point")]
    assert points == sorted(set(points))
    assert twin.results().verdict == "pass"


def by_person(inputs: RunInputs, *roles: str) -> RunInputs:
    """The same bench with some instruments read or moved by a person."""
    instruments = {
        name: (entry.model_copy(update={"profile": "person", "address": ""}) if name in roles else entry)
        for name, entry in inputs.bench.instruments.items()
    }
    return replace(inputs, bench=inputs.bench.model_copy(update={"instruments": instruments}))


class Typist:
    """Somebody at a keyboard who reads the simulated display, and mistypes now and then."""

    def __init__(self) -> None:
        self.twin: TwinRun | None = None
        self.asked = 0
        self.shown: list[str] = []
        self._pending: list[str] = []

    def ask(self, text: str) -> str:
        if "Type done" in text:
            return "done"
        if "undo / keep" in text:
            return "keep"
        if "/" in text and "Look at the switch" in text:
            return "go on"
        assert self.twin is not None
        if self._pending:
            return self._pending.pop(0)
        self.asked += 1
        right = f"{self.twin.bench.shown().current:.3f}"
        if self.asked % 5 == 0:
            self._pending = [right.replace(".", ",")]
            return "lots"
        if self.asked % 7 == 0 and float(right) > 0.1:
            self._pending = [right]
            return f"{float(right) * 10:.3f}"
        return right


def test_a_person_reads_the_display_and_turns_the_switch(inputs: RunInputs) -> None:
    """Slips of the keyboard are asked for again; the run passes, its raw entries as typed."""
    typist = Typist()
    person = ConsolePerson(typist.ask, typist.shown.append)
    twin = TwinRun(by_person(inputs, "monitor", "relay"), person=person)
    typist.twin = twin
    twin.run()
    results = twin.results()
    assert results.verdict == "pass", results.reasons
    assert any("is not a current" in line for line in typist.shown)
    assert any("far from" in line for line in typist.shown)
    raws = [line["displayed"]["raw"] for line in twin.record.of_kind("reading")]
    assert any("," in raw for raw in raws)
    assert [line["answer"] for line in twin.record.of_kind("step") if line["step"] == "select"] == [
        "turned by a person: done"
    ] * 3


class Scripted:
    """Answers prompts about the switch from a list."""

    def __init__(self, answers: Sequence[str]) -> None:
        self.answers = list(answers)

    def confirm(self, text: str) -> str:
        return "ok"

    def choose(self, text: str, options: Sequence[str], guarding: bool = True) -> str:
        return self.answers.pop(0)

    def insist(self, text: str, options: Sequence[str]) -> str:
        raise AssertionError("nothing to make safe by hand")

    def read_value(self, question: Question) -> tuple[float, str]:
        raise AssertionError("nothing to read")

    def warn_after(self, seconds: float, text: str) -> None:
        assert not seconds


def test_a_switch_elsewhere_is_asked_about_and_stop_stops(inputs: RunInputs) -> None:
    """ "again" selects and approaches anew with the load off between; "stop" ends the run safe."""
    twin = TwinRun(inputs, ["switch-left-in-another-position"], person=Scripted(["again", "stop"]))
    with pytest.raises(AbortedSafe, match="stopped by the operator"):
        twin.run()
    prompts = [line["answer"] for line in twin.record.of_kind("prompt")]
    assert prompts == ["again", "stop"]
    truth = twin.bench.truth()
    assert not truth.switched_under_load
    assert not truth.input_overdriven


def test_procedure_text_hash_covers_the_whole_file(tmp_path: Path) -> None:
    """A constant changed beside the generator is a change of the procedure."""
    text = (
        'from harness.steps import *\nF = 2.0\n\n\n@procedure(title="t", revision="1")\n'
        'def p(device, options):\n    """Doc."""\n    yield Select(device.ranges[0])\n'
    )
    from harness.preparation.run_files import find_procedure

    file = tmp_path / "own.py"
    hashes = []
    for content in (text, text.replace("2.0", "40.0")):
        file.write_text(content, encoding="utf-8")
        found: Procedure = find_procedure(str(file))
        hashes.append(found.text_hash)
    assert hashes[0] != hashes[1]


def test_a_power_factor_beyond_one_and_a_voltage_far_off_are_doubted() -> None:
    """A power factor is a cosine; mains are near their nominal voltage (IEC 60038)."""
    typed = ["195.5", "-2", "0.98"]
    shown: list[str] = []
    person = ConsolePerson(lambda _: typed.pop(0), shown.append)
    question = Question("monitor", "meter power_factor", 0.01, unit="", largest=1.0)
    assert person.read_value(question) == (0.98, "0.98")
    assert len([line for line in shown if "is not possible" in line]) == 2
    # A display under verification may really show it.
    typed[:] = ["1.02", "1.02"]
    assert person.read_value(question) == (1.02, "1.02")
    typed[:] = ["2", "230.1"]
    volts = Question("voltmeter", "voltage", 0.1, 230.0, unit="V")
    assert person.read_value(volts) == (230.1, "230.1")
    assert "far from" in shown[-1]
