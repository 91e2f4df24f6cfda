"""What stands at the bottom of the terminal, and what a prompt cut short leaves of it."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from harness.errors import Stopped
from harness.progress import TerminalProgress


def test_a_prompt_cut_short_keeps_its_line_to_itself() -> None:
    """Ctrl-C leaves the cursor behind the prompt: the display begins on a line below, and so does all that follows."""
    screen = io.StringIO()
    console = Console(file=screen, force_terminal=True, width=80, _environ={"TERM": "xterm"})
    prompt = "  Type done when it is: ^C"

    def interrupted(progress: TerminalProgress) -> None:
        with progress.paused():
            screen.write(prompt)
            raise Stopped("stopped by SIGINT")

    with TerminalProgress(console, [10.0, 60.0]) as progress, pytest.raises(Stopped):
        interrupted(progress)
    after = screen.getvalue().partition(prompt)[2]
    assert after.partition("point")[0].startswith("\n")
    assert "about 1 min 0 s left" in after


def test_an_answered_prompt_leaves_no_empty_line() -> None:
    screen = io.StringIO()
    console = Console(file=screen, force_terminal=True, width=80, _environ={"TERM": "xterm"})
    with TerminalProgress(console, [10.0]) as progress, progress.paused():
        screen.write("yes / no: yes\n")
    assert not screen.getvalue().partition("yes / no: yes\n")[2].startswith("\n")
