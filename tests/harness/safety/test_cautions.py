"""One text of cautions: in README, before a run, on paper and on the certificate; and what confirms it."""

from __future__ import annotations

import io
import os
import pty
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from harness.commands.arguments import Attended
from harness.commands.attendance import Attendance, attending, check_somebody_is_there, confirm_cautions, left_not_safe
from harness.commands.design import DesignOptions, design
from harness.commands.new import BENCH_BY_HAND, new
from harness.core.errors import UserError
from harness.core.output import wrapped
from harness.core.progress import Progress
from harness.core.stop import StopSignal
from harness.preparation.run_files import load_inputs
from harness.record.journal import Record
from harness.safety.cautions import CAUTIONS, CONFIRMED_BEFOREHAND, NOT_VERIFIED
from harness.steps import Options
from instruments.operator.person import ScriptedPerson

ROOT = Path(__file__).parents[3]
README = (ROOT / "README.md").read_text(encoding="utf-8")
MANUAL = sorted((ROOT / "docs").glob("[a-z]*/*.md"))


def plain(text: str) -> str:
    """`text` on one line, without what begins one."""
    return " ".join(text.replace("\n- ", "\n").split())


def shown_width(width: int = 80) -> tuple[Console, io.StringIO]:
    stream = io.StringIO()
    return Console(file=stream, width=width, markup=False, emoji=False, highlight=False), stream


def test_readme_says_the_cautions_of_the_program_and_no_others() -> None:
    section = README.partition("## Cautions\n")[2].partition("\n## ")[0]
    bullets = [plain(bullet) for bullet in section.strip().removeprefix("- ").partition("\n\n")[0].split("\n- ")]
    assert bullets == [*CAUTIONS, NOT_VERIFIED]


def test_the_manual_says_what_the_option_confirms() -> None:
    """Word for word, its parts as a list."""
    said = plain((ROOT / "docs" / "how-to" / "own-meter.md").read_text(encoding="utf-8")).replace(";", "")
    for part in CONFIRMED_BEFOREHAND.removeprefix("Confirmed by --cautions-read: ").rstrip(".").split("; "):
        assert part in said, part
    assert "nobody attends" not in said


@pytest.mark.parametrize(
    "told",
    [
        "both processes are killed at once",
        "the computer loses its power",
        "its own current and voltage limits",
        "its own watchdog",
        "emergency stop for its supply",
    ],
)
def test_the_manual_says_what_no_guard_can_do_and_what_to_set_instead(told: str) -> None:
    """On the load itself. Common practice, no published source."""
    page = (ROOT / "docs" / "explanation" / "safety.md").read_text(encoding="utf-8")
    assert told in plain(page.partition("## What no guard can do")[2])


@pytest.mark.parametrize(
    "told",
    [
        "prove it dead",
        "lock it off",
        "residual-current protection",
        "Half-wave and direct currents can blind some types",
        "measuring category",
        "fused leads",
        "multimeter in series",
        "line potential",
        "keep their charge",
        "second person",
        "Never open the secondary",
        "Follow the electrical rules of your place; where they reserve this work to qualified or licensed persons, have them do "
        "it; where this program and local code differ, the code prevails.",
    ],
)
def test_what_the_cautions_must_tell(told: str) -> None:
    """Common practice, no published source."""
    assert told in " ".join(CAUTIONS)


def test_a_sheet_on_paper_ends_with_the_cautions(tmp_path: Path) -> None:
    device, _ = new(tmp_path)
    console, stream = shown_width()
    design(DesignOptions(device), console)
    said = plain(stream.getvalue().replace("  -  ", " "))
    assert all(text in said for text in (*CAUTIONS, NOT_VERIFIED))
    # The first line is the path, however long it is.
    assert max(map(len, stream.getvalue().splitlines()[1:])) <= 80


def at_the_terminal(answer: str, beforehand: bool = False) -> Attendance:
    person = ScriptedPerson([answer])
    return replace(attending(Attended(cautions_read=beforehand), Progress(), StopSignal(), ()), person=person)


@pytest.mark.parametrize("beforehand", [True, False])
def test_the_cautions_are_shown_and_confirmed(beforehand: bool) -> None:
    """Whole words within 80 columns; what was confirmed, and how, goes into the record."""
    stream = io.StringIO()
    console = Console(file=stream, width=80, force_terminal=True, _environ={})
    attendance = at_the_terminal("" if beforehand else "yes", beforehand)
    confirm_cautions(attendance, console)
    assert attendance.cautions == ("confirmed beforehand" if beforehand else "confirmed")
    said = plain(stream.getvalue().replace("\n  - ", "\n"))
    assert all(text in said for text in (*CAUTIONS, NOT_VERIFIED))
    assert (CONFIRMED_BEFOREHAND in said) == beforehand
    assert max(map(len, stream.getvalue().splitlines())) <= 80


def test_the_answer_no_ends_it() -> None:
    with pytest.raises(UserError, match="not confirmed; nothing was energised"):
        confirm_cautions(at_the_terminal("no"), shown_width()[0])


def test_who_goes_on_is_told_that_the_last_run_ended_not_safe() -> None:
    """Before the cautions, and again to who will not go on: a load may still be on."""
    record = Record(({"kind": "stop", "outcome": "not safe", "reason": "shelf did not switch off"},), b"", "")
    left = left_not_safe(record)
    console, stream = shown_width()
    with pytest.raises(UserError, match="may still be on: shelf did not switch off"):
        confirm_cautions(at_the_terminal("no"), console, left)
    said = plain(stream.getvalue())
    assert said.index("ENDED NOT SAFE") < said.index("CAUTIONS")
    for last in ({"kind": "stop", "outcome": "aborted", "reason": "stop"}, {"kind": "reading"}):
        assert left_not_safe(Record((last,), b"", "")) == ""


def test_what_the_rehearsal_says_and_was_set_aside_is_listed_before_the_cautions() -> None:
    """One word sets all of it aside: who confirms the cautions reads every finding once more."""
    console, stream = shown_width()
    findings = ("on paper, x4: range switch: rated 16 A", "on paper, all ranges: conductor: rated 10 A")
    confirm_cautions(replace(at_the_terminal("yes"), rehearsal_problems=findings), console)
    said = plain(stream.getvalue())
    assert all(
        said.index("SET ASIDE by --override rehearsal") < said.index(f) < said.index("CAUTIONS") for f in findings
    )


def test_a_numbered_step_is_broken_below_its_text(monkeypatch: pytest.MonkeyPatch) -> None:
    """And a prompt keeps the blank at its end."""
    monkeypatch.setenv("COLUMNS", "40")
    assert wrapped("Do:\n  1. Disconnect the bench's supply and lock it off.\n  Type done: ") == (
        "Do:\n  1. Disconnect the bench's supply and\n     lock it off.\n  Type done: "
    )


def test_every_look_at_wiring_says_that_it_is_proved_dead() -> None:
    """Whatever the causes send somebody to look at."""
    written = [ROOT / "harness/evaluation/diagnosis/causes.toml", ROOT / "harness/wording/sentences.toml"]
    for file in (*written, *MANUAL):
        said = " ".join(file.read_text(encoding="utf-8").replace('"', "").split())
        assert said.count("locked off") == said.count("locked off and proved dead")
        assert "locked off" in said or file not in written
    assert any("locked off" in file.read_text(encoding="utf-8") for file in MANUAL)


@pytest.fixture
def piped(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    reads, writes = os.pipe()
    os.close(writes)
    with os.fdopen(reads, encoding="utf-8") as stream:
        monkeypatch.setattr("sys.stdin", stream)
        yield


@pytest.mark.usefixtures("piped")
def test_without_a_terminal_it_is_told_before_anything_else(tmp_path: Path) -> None:
    """A bench of instruments needs the option; one that a person moves needs the person."""
    wired = load_inputs(*new(tmp_path / "wired"), "turns_check", Options()).bench
    by_hand = load_inputs(*new(tmp_path / "hand", BENCH_BY_HAND), "turns_check", Options()).bench
    with pytest.raises(UserError, match="emergency stop for the load's supply is within reach"):
        check_somebody_is_there(wired, cautions_read=False)
    check_somebody_is_there(wired, cautions_read=True)
    for read in (False, True):
        with pytest.raises(UserError, match="shelf, knob, multimeter: what a person does there"):
            check_somebody_is_there(by_hand, cautions_read=read)


def test_at_a_terminal_everybody_can_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    near, far = pty.openpty()
    with os.fdopen(far, encoding="utf-8") as terminal:
        monkeypatch.setattr("sys.stdin", terminal)
        check_somebody_is_there(
            load_inputs(*new(tmp_path, BENCH_BY_HAND), "turns_check", Options()).bench, cautions_read=False
        )
    os.close(near)
