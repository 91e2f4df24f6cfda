"""What stands at the bottom of the terminal, and what a prompt cut short leaves of it."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from pathlib import Path

import pytest
from rich.console import Console

from harness.commands.new import new
from harness.core.errors import Stopped
from harness.core.progress import RehearsalProgress, TerminalProgress
from tests.in_process import ratioproof
from tests.served import wait_for


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


@pytest.mark.parametrize("width", [32, 80])
def test_the_display_stays_within_an_old_console(width: int) -> None:
    """Code page 437 has no heavy lines and a narrow window no room: every line fits, and the bar is plain ASCII."""
    buffer = io.BytesIO()
    screen = io.TextIOWrapper(buffer, encoding="cp437")
    console = Console(file=screen, force_terminal=True, width=width, color_system=None, _environ={"TERM": "xterm"})
    with TerminalProgress(console, [10.0, 60.0]) as progress:
        progress.finished_point(0, "x1 at 20 A", 0.001, 0.01)
    screen.flush()
    shown = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", buffer.getvalue().decode("cp437"))
    lines = [line for line in re.split(r"[\r\n]+", shown) if line]
    assert max(map(len, lines)) <= width
    assert shown.isascii()
    assert "about 50 s" in " ".join(shown.split())
    assert "---" in shown


def test_a_rehearsal_in_a_pipe_begins_with_a_line_at_once(tmp_path: Path) -> None:
    """Before anything slow is loaded: the line is there while the rest has not even been asked for, and is written out."""
    program = (
        "import sys; from harness.command_line import main; sys.meta_path.insert(0, type('F', (), {'find_spec': lambda s, n, *r: "
        "(n == 'harness.commands.rehearsal_sheet' and sys.exit(7)) or None})()); main(['rehearse', 'd', 'b'])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, cwd=tmp_path, check=False)
    assert done.returncode == 7
    assert done.stdout == "rehearsal on a simulated bench; nothing is energised\n"


def test_a_rehearsal_in_a_pipe_has_no_control_characters(tmp_path: Path) -> None:
    device, bench = new(tmp_path / "pair")
    ended = ratioproof(tmp_path, "rehearse", str(device), str(bench), "--procedure", "turns_check")
    assert (ended.status, ended.errors) == (0, "")
    assert ended.output.startswith("rehearsal on a simulated bench; nothing is energised\n")
    assert ended.output.endswith("\nnothing is in the way of this run\n")
    assert ended.output.replace("\n", "").isprintable()


def test_a_long_rehearsal_in_a_pipe_tells_now_and_then(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sixty points of a second each: a line every five seconds, none of them twice."""
    out, now = io.StringIO(), [100.0]
    monkeypatch.setattr("time.monotonic", lambda: now[0])
    with RehearsalProgress(Console(file=out, width=80)) as progress:
        for index in range(60):
            now[0] += 1.0
            progress.finished_point(index, f"x1 {index}", None, None)
    lines = out.getvalue().splitlines()
    assert len(lines) == len(set(lines)) == 12
    assert lines[0].strip() == "5 points rehearsed, 5 s: starting"


def test_a_rehearsal_on_a_terminal_is_one_line_that_goes_away() -> None:
    """80 columns: a long text is cut off, so that the line can be taken back."""
    screen = io.StringIO()
    console = Console(file=screen, force_terminal=True, width=80, _environ={"TERM": "xterm"})
    with RehearsalProgress(console) as progress:
        assert "rehearsing: 0 points rehearsed" in screen.getvalue()
        progress.doing("very long " * 20)
        progress.finished_point(0, "x1", None, None)
        wait_for(lambda: "1 point rehearsed" in screen.getvalue())
    shown = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", screen.getvalue()).replace("\r", "\n").splitlines()
    assert max(map(len, shown)) <= 80


def test_a_load_is_called_off_only_once_it_was_asked() -> None:
    """Before that somebody else may have switched it on."""
    screen = io.StringIO()
    console = Console(file=screen, force_terminal=True, width=80, _environ={"TERM": "xterm"})
    with TerminalProgress(console, [10.0]) as progress:
        assert "load off, confirmed" not in screen.getvalue()
        progress.energised(0.0)
        with progress.paused():
            assert "load off, confirmed" in screen.getvalue()
