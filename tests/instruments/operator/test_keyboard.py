"""What was typed before a question is no answer to it, and a pipe confirms nothing: at a real terminal and through real pipes."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import subprocess
import sys
import time
from collections.abc import Iterator

import pytest

from instruments.operator import keyboard
from instruments.operator.person import ConsolePerson
from instruments.operator.plausibility import Question

ASKS = """
import sys, time
from instruments.operator import keyboard
from instruments.operator.person import ConsolePerson
from instruments.operator.plausibility import Question
person = ConsolePerson(ask_for_value=keyboard.ask)

def busy(answer=None):
    if answer is not None:
        print("answered", answer, flush=True)
    print("busy", flush=True)
    time.sleep(float(sys.argv[1]))

try:
    busy()
    busy(person.choose("Are the cautions heeded?", ["yes", "no"]))
    busy(person.insist("Unplug it.", ["unplugged", "cannot"]) or "nobody")
    busy(person.confirm("Plug in: kettle."))
    busy(person.read_value(Question("meter shows", "meter", 0.001))[1])
except EOFError as nobody:
    print(nobody, flush=True)
"""

AHEAD = b"y\nunplugged\n\n\n\ndone\n1.234\n"


class Asked:
    """A program that asks, and both ends of what it is answered through."""

    def __init__(self) -> None:
        self.answers, far = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-c", ASKS, "1"],
            stdin=far,
            stdout=subprocess.PIPE,
            start_new_session=True,
            env={**os.environ, "TERM": "dumb"},
        )
        os.close(far)
        assert self.process.stdout is not None
        self._shown = self.process.stdout.fileno()
        self._said = ""

    def until(self, text: str, seconds: float = 30.0) -> str:
        """What is said up to the end of `text`, or all that is said in so many seconds."""
        end = time.monotonic() + seconds
        while text not in self._said and (left := end - time.monotonic()) > 0:
            if select.select([self._shown], [], [], left)[0]:
                read = os.read(self._shown, 4096)
                if not read:
                    break
                self._said += read.decode()
        said = self._said[: self._said.find(text) + len(text)] if text in self._said else self._said
        self._said = self._said[len(said) :]
        return said


@pytest.fixture
def asked() -> Iterator[Asked]:
    program = Asked()
    yield program
    program.process.kill()
    program.process.wait(10)
    assert program.process.stdout is not None
    program.process.stdout.close()
    os.close(program.answers)


def test_what_is_typed_ahead_confirms_nothing(asked: Asked) -> None:
    """Answers to every question, typed while none is shown: each of them is asked all the same, and waits."""
    for question, answer in (
        ("heeded?\n  yes / no: ", "yes"),
        ("Unplug it.\n  unplugged / cannot: ", "unplugged"),
        ("Plug in: kettle.\n  Type done when it is: ", "done"),
        ("meter shows [A]: ", "0.5"),
    ):
        assert asked.until("busy")
        os.write(asked.answers, AHEAD)
        assert question in asked.until(question)
        assert asked.until("answered", 0.3) == ""
        os.write(asked.answers, f"{answer}\n".encode())
        assert f"answered {answer}" in asked.until(f"answered {answer}\n")
    assert asked.process.wait(10) == 0


@pytest.mark.parametrize("written", ["before", "after"])
def test_a_pipe_confirms_nothing(written: str) -> None:
    """`printf 'y\\n...' | program`, and a program that answers every question: neither of them stands at the bench."""
    with subprocess.Popen(
        [sys.executable, "-c", ASKS, "0.3"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        if written == "after":
            assert process.stdout.readline() == b"busy\n"
            assert select.select([process.stdout], [], [], 10)[0], "asked, or ended"
        with contextlib.suppress(BrokenPipeError):
            process.stdin.write(AHEAD)
            process.stdin.close()
        said = process.stdout.read()
    assert b"answered" not in said
    assert b"standard input is no terminal" in said


def test_a_pipe_may_say_what_a_display_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    """A script that reads a display: values and `keep` can hurt nobody."""
    reads, writes = os.pipe()
    os.write(writes, b"1.234\nkeep\n")
    os.close(writes)
    with os.fdopen(reads, encoding="utf-8") as piped:
        monkeypatch.setattr(sys, "stdin", piped)
        person = ConsolePerson(ask_for_value=keyboard.ask)
        assert person.read_value(Question("meter shows", "meter", 0.001)) == (1.234, "1.234")
        assert person.choose("Keep them?", ["undo", "keep"], guarding=False) == "keep"
        assert person.insist("Unplug it.", ["unplugged", "cannot"]) == ""


@pytest.mark.parametrize("beginning", ["u", "unplug", "n", ""])
def test_that_everything_is_unplugged_is_said_by_the_whole_word(beginning: str) -> None:
    """One letter and Enter are a slip of the hand."""
    answers = iter([beginning, "unplugged"])
    person = ConsolePerson(print, lambda _: None, lambda _: next(answers))
    assert person.insist("Is everything unplugged?", ["unplugged", "no"]) == "unplugged"
    assert next(answers, "none left") == "none left"


def test_an_enter_alone_confirms_nothing() -> None:
    """A key held down or tapped twice: `done` has to be typed."""
    typed = iter(["", "", "yes", "done"])
    shown: list[str] = []
    person = ConsolePerson(lambda _: next(typed), shown.append)
    assert person.confirm("Plug in: kettle.") == "done"
    assert len(shown) == 3
