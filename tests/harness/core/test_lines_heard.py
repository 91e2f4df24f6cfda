"""Lines out of pipes and terminals, without `select`."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from harness.core.lines_heard import lines_heard

ROOT = Path(__file__).parents[3]
ENDS_WHILE_LISTENING = """
import sys
from harness.core.lines_heard import lines_heard
heard = lines_heard(sys.stdin.fileno())
print(heard.get(), flush=True)
"""


def test_whole_lines_whatever_pieces_they_come_in() -> None:
    """Either end of line, bytes of one character apart, a last line without end; then None."""
    reads, writes = os.pipe()
    heard = lines_heard(reads)
    text = "beat\r\nstands still 5 µA\nlast".encode()
    for byte in text:
        os.write(writes, bytes([byte]))
    os.close(writes)
    assert [heard.get(timeout=10) for _ in range(4)] == ["beat", "stands still 5 µA", "last", None]
    os.close(reads)


def test_what_is_no_text_is_a_line_all_the_same() -> None:
    """Nothing that comes ends the listening."""
    reads, writes = os.pipe()
    heard = lines_heard(reads)
    os.write(writes, b"\xff\xfe\nbeat\n")
    assert heard.get(timeout=10) is not None
    assert heard.get(timeout=10) == "beat"
    os.close(writes)
    assert heard.get(timeout=10) is None
    os.close(reads)


def test_a_program_ends_while_it_still_listens() -> None:
    """A thread in a buffered read of standard input makes CPython die at its end (``_enter_buffered_busy``); this one does not."""
    for _ in range(3):
        with subprocess.Popen(
            [sys.executable, "-c", ENDS_WHILE_LISTENING],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        ) as process:
            assert process.stdin is not None
            process.stdin.write(b"quit\n")
            process.stdin.flush()
            assert process.wait(30) == 0
            assert process.stderr is not None
            assert process.stderr.read() == b""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no background of a terminal")
def test_in_the_background_of_a_terminal_it_is_not_stopped() -> None:
    """`ratioproof simulate bench.toml &` serves on: reading there would stop it by SIGTTIN."""
    import pty

    near, far = pty.openpty()
    program = (
        "import os, sys; from harness.core.lines_heard import lines_heard\n"
        "child = os.fork()\n"
        "if child == 0:\n"
        "    os.setpgid(0, 0)\n"
        "    print('heard', lines_heard(0).get(timeout=20), file=sys.stderr, flush=True); os._exit(0)\n"
        "os._exit(os.waitstatus_to_exitcode(os.waitpid(child, os.WUNTRACED)[1]) if True else 0)\n"
    )
    begun = time.monotonic()
    # A session whose terminal is the pseudo-terminal: its leader stays in the foreground, its child is put behind.
    setting = f"import os, fcntl, termios; os.setsid(); fcntl.ioctl(0, termios.TIOCSCTTY, 0)\n{program}"
    with subprocess.Popen(
        [sys.executable, "-c", setting], cwd=ROOT, stdin=far, stderr=subprocess.PIPE, start_new_session=False
    ) as process:
        os.close(far)
        assert process.stderr is not None
        assert process.stderr.read().strip() == b"heard None"
        assert process.wait(30) == 0
    assert time.monotonic() - begun < 20
    os.close(near)
