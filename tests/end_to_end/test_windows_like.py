"""The product's ways for Windows, forced here: see `tests/windows_like/sitecustomize.py` for what that shows and what not.

Every program started here, and every guard it starts, has those branches; the terminals are code pages 437 and 1252, and the
folders have spaces, other letters and long names.
"""

from __future__ import annotations

import ast
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from harness.commands.new import BENCH, new, template
from harness.record.journal import read_record
from harness.wording.results_file import read_results
from tests.served import COMMAND, free_ports, served, wait_for

ROOT = Path(__file__).parents[2]
PRODUCT = ("harness", "instruments", "procedures", "simulated", "reports")
POSIX_ONLY = {"fcntl", "pty", "tty", "termios", "resource", "pwd", "grp", "posix", "syslog", "curses", "readline"}

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="locks and open files are modelled by what Linux has")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """As somebody may have it under Windows: "C:\\Users\\Jörg\\My Documents\\...", longer than 260 characters."""
    found = tmp_path / "Prüfstand of the rack" / ("long name " * 12).strip() / ("another " * 12).strip()
    found.mkdir(parents=True)
    return found


def surroundings(folder: Path, encoding: str) -> dict[str, str]:
    """What a program is started with; what it writes is listed in `written`."""
    return {
        **os.environ,
        "PYTHONPATH": f"{ROOT / 'tests' / 'windows_like'}{os.pathsep}{ROOT}",
        "PYTHONIOENCODING": encoding,
        "PYTHONDONTWRITEBYTECODE": "1",
        "XDG_STATE_HOME": str(folder / "state"),
        "WRITTEN": str(folder / "written"),
    }


def start(folder: Path, *words: str, encoding: str = "cp437") -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "harness", *words],
        cwd=folder,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding=encoding,
        env=surroundings(folder, encoding),
    )


def nothing_was_written_outside(folder: Path, *allowed: Path) -> None:
    """Only below `allowed` and the user's own folder for this program."""
    known = [*allowed, folder / "state" / "ratioproof"]
    written = [Path(line) for line in (folder / "written").read_text(encoding="utf-8").splitlines()]
    assert written
    # The user's own folder may itself have to be made.
    outside = {p for p in written if not any(p.is_relative_to(k) or k.is_relative_to(p) for k in known)}
    assert outside <= {Path(os.devnull)}


@pytest.mark.parametrize(("encoding", "sign"), [("cp437", "±"), ("cp1252", "±"), ("ascii", "+/-")])
def test_the_demo(folder: Path, encoding: str, sign: str) -> None:
    """The meter's serial line is a socket that a file names; records end their lines as their hashes say."""
    process = start(folder, "demo", "--procedure", "turns_check", "--out", "the demo", encoding=encoding)
    said, errors = process.communicate(timeout=110)
    assert process.returncode == 0, said + errors
    assert errors == ""
    assert "verdict: PASS" in said
    assert sign in said
    out = folder / "the demo"
    assert read_record(out / "record.jsonl").complete
    assert read_results(out / "results.json").verdict == "pass"
    for name in ("record.jsonl", "results.json", "device.toml", "bench.toml"):
        assert b"\r" not in (out / name).read_bytes()
    assert sorted(f.name for f in out.iterdir()) == [
        "bench.toml",
        "certificate.pdf",
        "device.toml",
        "record.jsonl",
        "results.json",
    ]
    nothing_was_written_outside(folder, out)


@pytest.fixture
def bench(folder: Path) -> Iterator[subprocess.Popen[str]]:
    """`ratioproof simulate` on the files that `new` writes, in `folder`."""
    new(folder, BENCH)
    text = (folder / "bench.toml").read_text(encoding="utf-8")
    for fixed, free in zip((15025, 15026, 15027), free_ports(3), strict=True):
        text = text.replace(str(fixed), str(free))
    (folder / "bench.toml").write_text(text, encoding="utf-8")
    simulating = start(folder, "simulate", "bench.toml")
    assert simulating.stdout is not None
    while (line := simulating.stdout.readline()) and "quit" not in line:
        pass
    yield simulating
    simulating.kill()
    simulating.communicate(timeout=20)


def say(bench: subprocess.Popen[str], word: str) -> str:
    """Type `word` at the simulated bench; its answer, to the end of a sentence."""
    assert bench.stdin is not None
    assert bench.stdout is not None
    bench.stdin.write(f"{word}\n")
    bench.stdin.flush()
    said = ""
    while "fuse" not in said:
        said += bench.stdout.readline()
    return " ".join(said.split())


def test_a_killed_run_is_made_safe_by_its_guard_and_goes_on(folder: Path, bench: subprocess.Popen[str]) -> None:
    """Simulated bench, run, guard and resumed run are programs of their own, each with the branches for Windows."""
    assert (folder / "monitor-port").read_bytes().startswith(b"socket://127.0.0.1:")
    asked = ("--procedure", "turns_check", "--readings", "12", "--cautions-read", "--operator", "Jörg")
    run = start(folder, "run", "device.toml", "bench.toml", *asked, "--out", "the run")
    record = folder / "the run" / "record.jsonl"
    wait_for(lambda: record.exists() and record.read_text("utf-8").count('"reading"') >= 2, process=run)
    assert "load on" in say(bench, "show")
    run.send_signal(signal.SIGKILL)
    wait_for((folder / "the run" / "guard.json").exists)
    assert "load off" in say(bench, "show")
    assert run.communicate(timeout=20)[1].count("everything it can reach is off and confirmed") == 1
    assert not read_record(record).complete
    resumed = start(folder, "resume", str(record), "--cautions-read", "--operator", "Jörg", encoding="cp1252")
    said, errors = resumed.communicate(timeout=110)
    assert resumed.returncode == 0, said + errors
    assert read_record(record).start["operator"] == "Jörg"
    assert b"\r" not in record.read_bytes()
    assert bench.stdin is not None
    bench.stdin.write("quit\n")
    bench.stdin.flush()
    assert bench.wait(20) == 0
    assert not (folder / "monitor-port").exists()
    nothing_was_written_outside(folder, folder / "the run", folder / "monitor-port")


def test_a_request_to_end_is_obeyed(folder: Path, bench: subprocess.Popen[str]) -> None:
    """Ctrl-C while the run drives current: everything off, exit status 3. Ctrl-C ends the simulated bench too."""
    run = start(folder, "run", "device.toml", "bench.toml", "--cautions-read", "--operator", "o", "--out", "the run")
    record = folder / "the run" / "record.jsonl"
    wait_for(lambda: record.exists() and record.read_text("utf-8").count('"reading"') >= 1, process=run)
    run.send_signal(signal.SIGINT)
    said, errors = run.communicate(timeout=30)
    assert run.returncode == 3, said + errors
    assert f'to go on: ratioproof resume "{Path("the run") / "record.jsonl"}"' in " ".join(errors.split())
    assert "load off" in say(bench, "show")
    bench.send_signal(signal.SIGINT)
    assert bench.wait(20) == 0


def test_a_guard_that_dies_while_somebody_reads_a_display_ends_the_question(tmp_path: Path) -> None:
    """No signal can end that wait under Windows: the load is off within a second all the same, exit status 3."""
    text = template(BENCH)
    by_modbus = text[text.index("[instruments.monitor]") : text.index("# The relay that moves the range switch")]
    by_eye = '[instruments.monitor]\nprofile = "person"\nserial = "40117"\n\n'
    near, far = os.openpty()
    with served(tmp_path, {by_modbus: by_eye}) as bench:
        process = subprocess.Popen(
            [
                *COMMAND,
                "run",
                "device.toml",
                "bench.toml",
                "--cautions-read",
                "--procedure",
                "turns_check",
                "--out",
                "out",
            ],
            cwd=tmp_path,
            stdin=far,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=surroundings(tmp_path, "utf-8"),
        )
        os.close(far)
        while not bench.on():
            # Whatever is asked before anything flows; what is typed before a question is thrown away.
            assert process.poll() is None, process.communicate()
            os.write(near, b"yes\n")
            time.sleep(0.5)
        time.sleep(3)
        assert bench.on(), "a person may take long"
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text(encoding="ascii").split()
        os.kill(int(children[0]), signal.SIGKILL)
        assert wait_for(lambda: not bench.on(), within=10) < 1.0
        _, errors = process.communicate(timeout=20)
    os.close(near)
    assert process.returncode == 3, errors
    assert "guard process has ended" in errors


def test_a_bench_without_interfaces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Worked at a terminal, with the keyboard of Windows (a fake of its module) between."""
    from tests.end_to_end.test_by_hand import Worker

    monkeypatch.setenv("PYTHONPATH", surroundings(tmp_path, "utf-8")["PYTHONPATH"])
    monkeypatch.setenv("PYTHONIOENCODING", "utf-8")
    worker = Worker(tmp_path)
    try:
        while said := worker.prompt():
            worker.type(worker.answer(said))
        assert worker.process.wait(20) == 0, worker.said
    finally:
        worker.close()
    assert (tmp_path / "out" / "certificate.pdf").stat().st_size > 10000


KEYBOARD_AND_LOCK = r"""
import os, sys, tempfile
import fake_msvcrt
from harness.core.file_lock import lock
from instruments.operator import keyboard

assert lock.__module__ == "harness.core.file_lock" and "fcntl" not in lock.__globals__
assert keyboard._discard.__globals__["msvcrt"] is fake_msvcrt

# An arrow key is two keypresses (library/msvcrt, getwch), Enter is "\r"; all of it was typed before the question.
fake_msvcrt.pressed[:] = list("\xe0Hyes\r\x00;")
near, far = os.openpty()
os.dup2(far, 0)
keyboard._discard(0)
assert not fake_msvcrt.pressed

# Typed with an arrow key, a mistake taken back, and a letter that begins like a function key but stands alone.
sys.stdin = None
fake_msvcrt.pressed[:] = list("1.24\b\b\x00;35 µA\xe0H\r")
assert keyboard._typed("") == "1.35 µA"
asked = []
with keyboard.given_up_when(lambda: len(asked) > 2 or asked.append("looked")):
    try:
        keyboard._typed("")
    except EOFError:
        pass
    else:
        raise AssertionError("nobody typed anything")
fake_msvcrt.pressed[:] = ["\x1a"]
try:
    keyboard._typed("")
except EOFError:
    pass
else:
    raise AssertionError("Ctrl-Z is the end of input")
print()

with tempfile.TemporaryDirectory() as folder:
    file = os.path.join(folder, "record.jsonl")
    with open(file, "xb", buffering=0) as first, open(file, "r+b", buffering=0) as second:
        first.write(b"one line\n")
        assert lock(first.fileno())
        assert first.tell() == 9, "the record goes on where it was"
        second.seek(3)
        assert not lock(second.fileno()), "a second opening in the same process as well"
        assert second.tell() == 3
        assert second.read() == b" line\n", "Windows keeps what is locked from being read"
    with open(file, "r+b", buffering=0) as third:
        assert lock(third.fileno()), "it ends with the closing"
print("all held")
"""


def test_keyboard_and_locks(tmp_path: Path) -> None:
    """What was typed before a question is thrown away; who has a record open keeps others from writing it, not from reading."""
    ended = subprocess.run(
        [sys.executable, "-c", KEYBOARD_AND_LOCK],
        env=surroundings(tmp_path, "utf-8"),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.stdout.endswith("all held\n"), ended.stderr


HELD_OPEN = r"""
import threading, time
from pathlib import Path
from harness.core.atomic_files import write_together

folder = Path()
write_together(folder, {"results.json": b"old", "certificate.pdf": b"old"})
held = open("certificate.pdf", "rb")
try:
    write_together(folder, {"results.json": b"new", "certificate.pdf": b"new"})
except PermissionError as refused:
    assert refused.filename == "certificate.pdf"
assert [Path(f).read_bytes() for f in ("results.json", "certificate.pdf")] == [b"old", b"old"], "a viewer has it open"
threading.Timer(0.5, held.close).start()
write_together(folder, {"results.json": b"new", "certificate.pdf": b"new"})
assert [Path(f).read_bytes() for f in ("results.json", "certificate.pdf")] == [b"new", b"new"], "it was open for a moment"
assert sorted(f.name for f in folder.iterdir()) == ["certificate.pdf", "results.json"]
print("all held")
"""


def test_files_that_somebody_has_open(tmp_path: Path) -> None:
    """Open in a viewer: nothing is changed, and the file is named. Open for a moment: waited for."""
    (tmp_path / "out").mkdir()
    ended = subprocess.run(
        [sys.executable, "-c", HELD_OPEN],
        cwd=tmp_path / "out",
        env=surroundings(tmp_path, "utf-8"),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.stdout == "all held\n", ended.stderr


@cache
def modules() -> dict[Path, ast.Module]:
    """Every module of the product, parsed."""
    files = [file for room in PRODUCT for file in sorted((ROOT / room).rglob("*.py"))]
    return {file: ast.parse(file.read_bytes()) for file in files}


def test_every_module_can_be_loaded(tmp_path: Path) -> None:
    """None of them needs a module, a signal or a function that Windows lacks; the one for pseudo-terminals is never asked for."""
    names = [
        ".".join(file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        for file in modules()
        if file.stem not in ("__main__", "pseudo_terminal")
    ]
    assert {name.partition(".")[0] for name in names} == set(PRODUCT)
    ended = subprocess.run(
        [sys.executable, "-c", f"import importlib\nfor name in {names!r}: importlib.import_module(name)"],
        env=surroundings(tmp_path, "utf-8"),
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr


def test_what_only_posix_has_is_asked_for_in_one_module_per_need() -> None:
    """Locks, the keyboard, pseudo-terminals."""
    asking = set()
    for file, tree in modules().items():
        for node in ast.walk(tree):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            if POSIX_ONLY & {name.partition(".")[0] for name in names}:
                asking.add(file.stem)
    assert asking == {"file_lock", "keyboard", "pseudo_terminal"}


def test_a_text_file_that_is_written_says_how_its_lines_end() -> None:
    """Unless told, Windows ends them otherwise, and what is written here would differ from what is hashed and compared."""
    silent = []
    for file, tree in modules().items():
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call):
                continue
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            modes = [a.value for a in node.args if isinstance(a, ast.Constant) and isinstance(a.value, str)]
            writes = name == "write_text" or (
                name in ("open", "fdopen") and any(re.fullmatch(r"[rwxa]\+?t?", m) and m != "r" for m in modes)
            )
            if writes and not {"newline", "encoding"} <= {k.arg for k in node.keywords}:
                silent.append(f"{file.relative_to(ROOT)}:{node.lineno}")
    assert silent == []
