"""Whole runs written down and replayed in virtual time: the same record, to the letter, without a bench."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from harness.commands.new import BENCH, BENCH_BY_HAND, new
from harness.core.clock import RealClock
from harness.core.errors import AbortedSafe, RatioproofError, Stopped, UserError
from harness.core.stop import StopSignal
from harness.preparation.run_files import RunInputs, load_inputs
from harness.preparation.twin import TwinLinks
from harness.replay.kept_run import KeptRequest, keep, kept
from harness.replay.run_environment import Surroundings, replayed, transcribed
from harness.replay.run_transcripts import (
    Checks,
    ReplayedClock,
    ReplayedPerson,
    TranscribedClock,
    TranscribedPerson,
    replay_stops,
    transcribe_stops,
)
from harness.steps import Options
from instruments.links.transcript import TranscriptError, TranscriptReader, TranscriptWriter
from instruments.operator.person import ConsolePerson, Overdue, ScriptedPerson, UndoLast
from instruments.operator.plausibility import Question
from simulated.physics.virtual_clock import VirtualClock
from tests.on_twin import TwinRun


def run_in(twin: TwinRun, around: Surroundings) -> str:
    """The run of `twin` in other surroundings; how it ended early, if it did."""
    twin.clock, twin.links, twin.person = around.clock, around.links, around.person  # type: ignore[assignment]
    around.watch(twin.stop)
    ended = ""
    try:
        twin.run()
    except (RatioproofError, Stopped) as failure:
        ended = f"{type(failure).__name__}: {failure}"
    around.close()
    return ended


def kept_run(inputs: RunInputs, folder: Path, faults: Sequence[str] = (), **more: Any) -> tuple[TwinRun, str]:
    """A run on the simulated bench whose transcripts are in `folder`, and how it ended."""
    twin = TwinRun(inputs, faults, **more)
    person = twin.person or ScriptedPerson(
        displays={"meter": lambda: twin.bench.shown().current, "reference": twin.bench.read_reference}, default="go on"
    )
    bench = Surroundings(twin.clock, TwinLinks(twin.bench), person, False, lambda _: None, list, lambda: None)
    folder.mkdir()
    return twin, run_in(twin, transcribed(bench, inputs, folder, folder / "none"))


def pair(folder: Path, procedure: str = "current_ratio", *, by_hand: bool = False) -> RunInputs:
    device, bench = new(folder, BENCH_BY_HAND if by_hand else BENCH)
    return load_inputs(device, bench, procedure, Options(readings=2, per_decade=1))


@pytest.mark.parametrize("faults", [(), ("late-reply",), ("garbled-reply",), ("switch-left-in-another-position",)])
def test_a_whole_run_is_replayed_to_the_letter(tmp_path: Path, faults: tuple[str, ...]) -> None:
    """Every line of the record with its times and hashes, troubles included; the values do not come from a bench."""
    inputs = pair(tmp_path / "pair")
    twin, ended = kept_run(inputs, tmp_path / "kept", faults)
    if "late-reply" in faults:
        assert any(twin.record.of_kind("trouble")), "this run must have had its troubles"
    again = TwinRun(inputs)
    around = replayed(inputs, tmp_path / "kept")
    assert run_in(again, around) == ended
    around.check()
    assert again.record == twin.record
    assert again.bench.truth().peak_secondary_current == 0, "the simulated bench was not touched"


def test_a_run_by_hand_is_replayed_from_the_answers(tmp_path: Path) -> None:
    """Loads plugged in, displays read, a switch turned: all by the person."""
    inputs = pair(tmp_path / "pair", "turns_check", by_hand=True)
    twin, ended = kept_run(inputs, tmp_path / "kept")
    assert (tmp_path / "kept" / "person.jsonl").read_text(encoding="utf-8").count("read_value") > 5
    again, around = TwinRun(inputs), replayed(inputs, tmp_path / "kept")
    assert run_in(again, around) == ended
    around.check()
    assert again.record == twin.record


class StopAtLook:
    """A stop that comes when it is looked for the n-th time."""

    def __init__(self, look: int) -> None:
        self.stop, self._left = StopSignal(), look
        self.stop.watch(self._look)

    def _look(self) -> str:
        self._left -= 1
        return "stopped by SIGINT" if self._left == 0 else ""


@pytest.mark.parametrize("look", [1, 40, 200])
def test_a_stop_is_replayed_where_it_took_hold(tmp_path: Path, look: int) -> None:
    """The same lines up to the stop, the same end."""
    inputs = pair(tmp_path / "pair")
    twin, ended = kept_run(inputs, tmp_path / "kept", stop=StopAtLook(look).stop)
    assert "stopped by SIGINT" in ended
    assert ended.startswith(AbortedSafe.__name__)
    again, around = TwinRun(inputs), replayed(inputs, tmp_path / "kept")
    assert run_in(again, around) == ended
    around.check()
    assert again.record == twin.record


def test_a_run_that_goes_otherwise_is_found_out(tmp_path: Path) -> None:
    """One more reading at each point: the first exchange too many is named."""
    inputs = pair(tmp_path / "pair", "turns_check")
    kept_run(inputs, tmp_path / "kept")
    more = load_inputs(
        tmp_path / "pair" / "device.toml", tmp_path / "pair" / "bench.toml", "turns_check", Options(readings=3)
    )
    around = replayed(more, tmp_path / "kept")
    run_in(TwinRun(more), around)
    with pytest.raises(
        TranscriptError, match=r"(multimeter|monitor|clock) at transcript:.*: line \d+: expected .*, got "
    ):
        around.check()


def test_fewer_questions_than_then_are_found_out(tmp_path: Path) -> None:
    """A session that ends early leaves lines."""
    inputs = pair(tmp_path / "pair", "turns_check")
    kept_run(inputs, tmp_path / "kept")
    around = replayed(inputs, tmp_path / "kept")
    around.clock.now()
    with pytest.raises(TranscriptError, match=r"clock .* line \d+: expected now \(\d+ times left\), got the end"):
        around.check()


def test_a_folder_is_not_used_twice(tmp_path: Path) -> None:
    """The clock's file is there already."""
    inputs = pair(tmp_path / "pair", "turns_check")
    twin, _ = kept_run(inputs, tmp_path / "kept")
    bench = Surroundings(twin.clock, TwinLinks(twin.bench), ScriptedPerson(), False, lambda _: None, list, lambda: None)
    with pytest.raises(UserError, match=r"clock\.jsonl: exists already"):
        transcribed(bench, inputs, tmp_path / "kept", tmp_path / "none")


def test_what_a_run_was_made_of_is_kept_once_and_found_again(tmp_path: Path) -> None:
    """Files, own profile and options; an instrument whose name is taken is refused before anything is opened."""
    inputs = pair(tmp_path / "pair", "turns_check")
    was = KeptRequest("turns_check", inputs.options, "Ω", ("due:multimeter",), ("too wide",), True, "confirmed")
    (before := tmp_path / "before.jsonl").write_bytes(b"before")
    keep(tmp_path / "kept", inputs, was, before, "guard")
    asked, again = kept(tmp_path / "kept")
    assert asked == was
    assert (again.device, again.bench, again.options) == (inputs.device, inputs.bench, inputs.options)
    with pytest.raises(UserError, match=r"run\.json: exists already"):
        keep(tmp_path / "kept", inputs, was)
    renamed = inputs.bench_text.replace("multimeter]", "clock]").replace('= "multimeter"', '= "clock"')
    (tmp_path / "bench.toml").write_text(renamed, encoding="utf-8")
    other = load_inputs(tmp_path / "pair" / "device.toml", tmp_path / "bench.toml", "turns_check", Options())
    with pytest.raises(UserError, match="cannot name a transcript"):
        keep(tmp_path / "other", other, was)
    assert not (tmp_path / "other").exists()
    outside = inputs.bench_text.replace("multimeter]", '"../elsewhere"]').replace('= "multimeter"', '= "../elsewhere"')
    (tmp_path / "bench.toml").write_text(outside, encoding="utf-8")
    with pytest.raises(UserError, match=r"found '\.\./elsewhere', expected a name"):
        load_inputs(tmp_path / "pair" / "device.toml", tmp_path / "bench.toml", "turns_check", Options())


def test_a_name_with_blanks_is_found_again(tmp_path: Path) -> None:
    """Its file has another name than it; the run is replayed all the same."""
    inputs = pair(tmp_path / "pair", "turns_check")
    text = inputs.bench_text.replace("multimeter]", '"my good meter"]').replace('= "multimeter"', '= "my good meter"')
    (tmp_path / "pair" / "bench.toml").write_text(text, encoding="utf-8")
    device, bench = tmp_path / "pair" / "device.toml", tmp_path / "pair" / "bench.toml"
    inputs = load_inputs(device, bench, "turns_check", inputs.options)
    first, ended = kept_run(inputs, tmp_path / "kept")
    assert not ended
    again = TwinRun(inputs)
    assert not run_in(again, replayed(inputs, tmp_path / "kept"))
    assert again.content == first.content


@pytest.mark.parametrize("name", ["aux", "CON", "com3", "nul.1"])
def test_a_name_that_is_a_device_under_windows_is_refused(tmp_path: Path, name: str) -> None:
    """A file called by it would be that device: "avoid these names followed immediately by an extension" (Windows, "Naming Files")."""
    inputs = pair(tmp_path / "pair", "turns_check")
    text = inputs.bench_text.replace("multimeter]", f'"{name}"]').replace('= "multimeter"', f'= "{name}"')
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    with pytest.raises(UserError, match=f"found '{name}', expected another name"):
        load_inputs(tmp_path / "pair" / "device.toml", tmp_path / "bench.toml", "turns_check", inputs.options)


def test_the_persons_answers_come_back_undone_and_interrupted_ones_too(tmp_path: Path) -> None:
    """Confirmed, chosen, insisted on, read, taken back, and stopped at the prompt."""
    typed = iter(["done", "g", "yes", "4,1", "undo"])
    stop = StopSignal()

    def ask(text: str) -> str:
        try:
            return next(typed)
        except StopIteration:
            stop.request("stopped by SIGINT")
            raise Stopped(stop.reason) from None

    writer, checks = TranscriptWriter(tmp_path / "person.jsonl", "person"), Checks()
    question = Question("shows", "meter", 0.1, 4.0)

    def talk(person: Any) -> list[Any]:
        said: list[Any] = [
            person.confirm("Turn it."),
            person.choose("Which?", ["again", "go on"]),
            person.insist("Off?", ["yes", "cannot"]),
            person.read_value(question),
        ]
        for ending in (UndoLast, Stopped):
            with pytest.raises(ending) as found:
                person.read_value(question)
            said.append(str(found.value))
        return said

    then = talk(TranscribedPerson(ConsolePerson(ask, print, ask), writer, checks))
    writer.close()
    assert then == ["done", "go on", "yes", (4.1, "4,1"), "", "stopped by SIGINT"]
    reader = TranscriptReader(tmp_path / "person.jsonl", "person")
    assert talk(ReplayedPerson(reader, Checks())) == then
    reader.check_used_up()
    other = ReplayedPerson(TranscriptReader(tmp_path / "person.jsonl", "person"), Checks())
    with pytest.raises(
        TranscriptError, match=r"person .* line 2: expected confirm .*Turn it\..* got confirm .*Turn that"
    ):
        other.confirm("Turn that.")


def test_a_load_that_was_on_for_too_long_comes_back_as_one(tmp_path: Path) -> None:
    person, question = ConsolePerson(lambda _: ""), Question("shows", "meter", 0.1, 4.0)
    person._warn("NOW: unplug it.")
    writer = TranscriptWriter(tmp_path / "person.jsonl", "person")
    with pytest.raises(Overdue):
        TranscribedPerson(person, writer, Checks()).read_value(question)
    writer.close()
    with pytest.raises(Overdue):
        ReplayedPerson(TranscriptReader(tmp_path / "person.jsonl", "person"), Checks()).read_value(question)


def test_a_stop_is_counted_from_the_last_answer(tmp_path: Path) -> None:
    """While a person is asked it is looked too; a replay, which asks nobody, must not count that."""
    stop, checks = StopSignal(), Checks()
    writer = TranscriptWriter(tmp_path / "clock.jsonl", "clock")
    transcribe_stops(stop, checks, writer)
    answers = TranscriptWriter(tmp_path / "person.jsonl", "person")
    stop.check()
    TranscribedPerson(ConsolePerson(lambda text: stop.ask(text, lambda _: "done")), answers, checks).confirm("?")
    answers.close()
    stop.check()
    stop.request("enough")
    with pytest.raises(Stopped):
        stop.check()
    writer.close()

    again, counted = StopSignal(), Checks()
    clock = ReplayedClock(TranscriptReader(tmp_path / "clock.jsonl", "clock"))
    replay_stops(again, counted, clock.stops)
    again.check()
    counted.person_answered()
    again.check()
    with pytest.raises(Stopped, match="enough"):
        again.check()


def test_nothing_is_waited_for(tmp_path: Path) -> None:
    """An hour's sleep is none."""
    writer = TranscriptWriter(tmp_path / "clock.jsonl", "clock")
    TranscribedClock(VirtualClock(), writer).sleep(3600)
    writer.close()
    clock = ReplayedClock(TranscriptReader(tmp_path / "clock.jsonl", "clock"))
    started = RealClock().now()
    clock.sleep(3600)
    assert RealClock().now() - started < 1
