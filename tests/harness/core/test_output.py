"""What is printed never ends a command: closed streams, terminals without a character, and names that look like markup."""

import contextlib
import io
import os
import re
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

import pytest
from rich.console import Console

from harness.command_line import main
from harness.commands import design
from harness.commands.new import BENCH_POWER, new, template
from harness.core import output
from harness.core.errors import Stopped
from harness.core.progress import TerminalProgress
from harness.core.stop import StopSignal
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from tests.in_process import ratioproof
from tests.on_twin import TwinRun

ROOT = Path(__file__).parents[3]
NAME = "x1 [bold]:smile:[/bold]"


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run of a meter whose first range and whose type have odd names."""
    folder = tmp_path_factory.mktemp("run")
    device = template("device.toml").replace('name = "x1"', f'name = "{NAME}"')
    bench = template("bench.toml").replace("x1 =", f'"{NAME}" =')
    (folder / "device.toml").write_text(device, encoding="utf-8")
    (folder / "bench.toml").write_text(bench, encoding="utf-8")
    run = TwinRun(load_inputs(folder / "device.toml", folder / "bench.toml", "turns_check", Options()))
    run.run()
    (folder / "record.jsonl").write_bytes(run.content)
    return folder / "record.jsonl"


def certify(record: Path, out: Path, encoding: str = "utf-8", **streams: object) -> subprocess.CompletedProcess[bytes]:
    """`ratioproof certify` in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "harness", "certify", str(record), "--out", str(out)],
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": f"{encoding}:strict"},
        timeout=60,
        check=False,
        **({"capture_output": True} | streams),
    )


@pytest.mark.parametrize(("encoding", "sign"), [("ascii", b"+/-"), ("cp1252", b"\xb1"), ("utf-8", "±".encode())])
def test_a_terminal_without_a_character_gets_another(record: Path, tmp_path: Path, encoding: str, sign: bytes) -> None:
    ended = ratioproof(tmp_path, "certify", str(record), "--out", "out", encoding=encoding)
    assert (ended.status, ended.errors) == (0, "")
    assert sign in ended.output.encode(encoding)
    assert (tmp_path / "out" / "certificate.pdf").exists()


def test_so_does_a_process_whose_terminal_knows_ascii_alone(record: Path, tmp_path: Path) -> None:
    process = certify(record, tmp_path / "out", "ascii")
    assert (process.returncode, process.stderr) == (0, b"")
    assert b"+/-" in process.stdout
    assert (tmp_path / "out" / "certificate.pdf").exists()


def test_what_stands_in_brackets_is_no_markup(record: Path, tmp_path: Path) -> None:
    out = tmp_path / "[red]:smile:[/red]"
    ended = ratioproof(tmp_path, "certify", str(record), "--out", str(out))
    assert ended.status == 0
    assert f"  {NAME} " in ended.output
    assert str(out / "results.json") in ended.output


def test_a_reader_that_has_gone_takes_nothing_with_it(record: Path, tmp_path: Path) -> None:
    """As behind ``| head``: the results are written and the exit status is that of the verdict."""
    reading, writing = os.pipe()
    os.close(reading)
    process = certify(record, tmp_path / "out", capture_output=False, stdout=writing, stderr=subprocess.PIPE)
    os.close(writing)
    assert (process.returncode, process.stderr) == (0, b"")
    assert (tmp_path / "out" / "certificate.pdf").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device here that is always full")
def test_a_disk_that_is_full_is_told(record: Path, tmp_path: Path) -> None:
    with Path("/dev/full").open("wb") as full:
        process = certify(record, tmp_path / "out", capture_output=False, stdout=full, stderr=subprocess.PIPE)
    assert process.returncode == 2
    assert process.stderr == b"ratioproof: standard output: No space left on device; not everything was printed\n"
    assert (tmp_path / "out" / "certificate.pdf").exists()


def test_a_run_goes_on_when_its_reader_has_gone(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    process = subprocess.run(
        [sys.executable, "-m", "harness", "demo", "--procedure", "turns_check", "--out", str(tmp_path / "out")],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=writing,
        stderr=subprocess.PIPE,
        timeout=100,
        check=False,
    )
    os.close(writing)
    assert (process.returncode, process.stderr) == (0, b"")
    assert (tmp_path / "out" / "certificate.pdf").exists()


def test_a_person_who_sees_no_question_is_not_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither answers given blindly nor a wait for ever."""
    monkeypatch.setattr("harness.core.stop.lost", lambda: True)
    stop = StopSignal()
    with pytest.raises(Stopped, match="no question can be seen"):
        stop.ask("Is it unplugged?", lambda _: "yes")
    with pytest.raises(EOFError):
        stop.ask_always("Is it unplugged?", lambda _: "yes")


@pytest.mark.parametrize(
    ("failure", "said"),
    [
        (RuntimeError("two\nlines"), "this is a defect of the program: RuntimeError: two lines"),
        (
            ModuleNotFoundError("No module named 'pint'"),
            "a part of the installation is missing or damaged: ModuleNotFoundError",
        ),
    ],
)
def test_a_defect_has_a_status_of_its_own(
    failure: Exception, said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 3 says that a run was aborted and all is off: nothing else may say so."""

    def broken(*_: object) -> int:
        raise failure

    monkeypatch.setattr(design, "design", broken)
    assert main(["design", "device.toml"]) == 5
    told = capsys.readouterr().err
    assert told.startswith(f"ratioproof: {said}")
    assert told.count("\n") == 1


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert capsys.readouterr().out.startswith("Ratioproof")


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX only")
@pytest.mark.parametrize(
    "arguments",
    [
        ["demo", "--fault", "gremlins"],
        ["demo", "--hold", "10000"],
        ["certify", "nowhere.jsonl", "--monte-carlo", "12"],
        ["rehearse", "a", "b", "--readings", "five"],
    ],
)
def test_errors_are_broken_between_words_on_a_narrow_terminal(tmp_path: Path, arguments: list[str]) -> None:
    """At 60 columns; in a pipe they stay one line each."""
    status, text = at_a_terminal(tmp_path, 60, arguments, errors_alone=True)
    lines = text.splitlines()
    assert status == 2
    assert max(map(len, lines)) < 60 < len(" ".join(lines))
    (line,) = ratioproof(tmp_path, *arguments).errors.splitlines()
    assert " ".join(lines).split() == line.split()


@pytest.mark.parametrize("width", [60, 80, 100])
def test_what_a_run_notes_is_broken_between_words_and_a_command_stays_whole(width: int) -> None:
    """What the runner and a person's answers leave on the screen, and the latest point of a terminal without a live display."""
    command = "ratioproof resume 'a folder with blanks/record.jsonl' --monte-carlo"
    said = f"{'the display of the meter under test was read again ' * 4}and to go on: {command}"
    screen = io.StringIO()
    TerminalProgress(Console(file=screen, force_terminal=True, width=width, _environ={}), []).note(said)
    lines = screen.getvalue().splitlines()
    assert lines[-1].endswith(command)
    assert max(map(len, lines[:-1])) <= width
    assert all(line.startswith("    ") for line in lines[1:])
    assert " ".join(" ".join(lines).split()) == said


@pytest.mark.parametrize(
    "text", ["[bold]no markup[/bold] :smile:", "a bell\a, a return\rand a\bstep back", "2 ± 1 Ω", ""]
)
def test_lines_without_rich_are_those_of_its_console(text: str, capsys: pytest.CaptureFixture[str]) -> None:
    output.tell(output.STANDARD_OUTPUT, [text, f"  {text}"])
    plain = capsys.readouterr().out
    output.tell(output.console(), [text, f"  {text}"])
    assert plain == capsys.readouterr().out


def test_what_tells_lines_alone_loads_nothing_for_tables(record: Path, tmp_path: Path) -> None:
    """Nor what checks files, where nothing is checked: both take longer to load than the list to print."""
    certify, listed = (["certify", str(record), "--out", str(tmp_path)], ["demo", "--list-faults"])
    assert "rich" not in loaded_by(certify)
    assert not {"rich", "pydantic", "numpy"} & loaded_by(listed)


def loaded_by(arguments: list[str]) -> set[str]:
    """Packages in the memory of a process that performed a command."""
    code = f"import sys; from harness.command_line import main; main({arguments}); print(*{{m.partition('.')[0] for m in sys.modules}})"
    told = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60, check=True
    )
    return set(told.stdout.splitlines()[-1].split())


def printed(folder: Path, width: int, *arguments: str) -> list[str]:
    """What a command prints on a terminal so wide, but for the paths at its end."""
    status, text = at_a_terminal(folder, width, arguments)
    assert status in (0, 1), text
    shown = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text).splitlines()
    return [line for line in shown if not line.endswith((".jsonl", ".json", ".pdf"))]


@pytest.mark.parametrize(
    ("width", "arguments"), [(60, ["demo", "--list-faults"]), (60, ["design", "--help"]), (80, ["run", "--help"])]
)
def test_what_a_command_prints_is_broken_between_words(tmp_path: Path, width: int, arguments: list[str]) -> None:
    """Nothing that a terminal of this width would break in a word, but for commands to copy."""
    lines = [line for line in printed(tmp_path, width, *arguments) if not line.startswith("  ratioproof ")]
    assert len(lines) > 10
    assert max(map(len, lines)) <= width


def followed(lines: list[str], beginning: str) -> tuple[str, str]:
    """The line that begins so, and the one below."""
    number = next(n for n, line in enumerate(lines) if line.startswith(beginning))
    return lines[number], lines[number + 1]


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX only")
def test_on_a_narrow_terminal_what_follows_stands_below_its_column(record: Path, tmp_path: Path) -> None:
    """A line of several columns goes on below the last of them, not where another range's line would begin."""
    pair = [str(record.parent / "device.toml"), str(record.parent / "bench.toml")]
    rehearsed = printed(tmp_path, 60, "rehearse", *pair, "--procedure", "turns_check")
    first, below = followed(rehearsed, "  x4 ")
    assert len(below) - len(below.lstrip()) == first.index("maximum test current")
    assert below.strip().startswith("limited by")
    certified = printed(tmp_path, 60, "certify", str(record), "--out", "out")
    first, below = followed(certified, "  x4 ")
    assert len(below) - len(below.lstrip()) == first.index("expected 4 turns")
    designed = printed(tmp_path, 60, "design", pair[0])
    first, below = followed(designed, "  x4: maximum test current")
    assert len(below) - len(below.lstrip()) > len(first) - len(first.lstrip())
    assert max(map(len, [*rehearsed, *certified, *designed])) <= 60


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX only")
def test_no_heading_of_a_table_is_cut_on_a_narrow_terminal(tmp_path: Path) -> None:
    new(tmp_path, BENCH_POWER)
    pair = ["device.toml", "bench.toml"]
    lines = printed(tmp_path, 60, "rehearse", *pair, "--procedure", "power_and_phase", "--readings", "2")
    assert max(map(len, lines)) <= 60
    heading = next(n for n, line in enumerate(lines) if line.startswith("range"))
    words = " ".join(lines[heading - 1 : heading + 1]).split()
    assert {"range", "step", "current", "factor", "expected", "limit"} < set(words)


@pytest.mark.parametrize("width", range(24, 90, 3))
def test_a_value_stays_with_its_unit_and_its_uncertainty(width: int) -> None:
    said = "found 19.04 ± 0.30 turns, worst (-4.86 ± 0.14) % at 3.996 A where 1.003 % is allowed, after 41 s; odds 9.2 : 1 over none"
    lines = output.wrapped(said, width=width).splitlines()
    assert " ".join(" ".join(lines).split()) == said
    for whole in ("19.04 ± 0.30", "(-4.86 ± 0.14) %", "3.996 A", "1.003 %", "41 s", "9.2 : 1"):
        assert any(whole in line for line in lines)


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX only")
def test_a_process_at_a_terminal_says_the_same(tmp_path: Path) -> None:
    import pty

    controlling, terminal = pty.openpty()
    command = [sys.executable, "-m", "harness", "demo", "--fault", "gremlins"]
    environment = {"PYTHONPATH": str(ROOT), "PATH": "", "COLUMNS": "60", "TERM": "xterm"}
    process = subprocess.run(
        command, cwd=tmp_path, env=environment, stdout=subprocess.PIPE, stderr=terminal, check=False
    )
    os.close(terminal)
    status, text = at_a_terminal(tmp_path, 60, command[3:], errors_alone=True)
    assert (process.returncode, os.read(controlling, 65536).decode()) == (status, text)
    os.close(controlling)


def at_a_terminal(folder: Path, width: int, arguments: Sequence[str], *, errors_alone: bool = False) -> tuple[int, str]:
    """Exit status of a command and what it writes to a pseudo-terminal of `width` columns."""
    import pty

    controlling, terminal = pty.openpty()
    read: list[bytes] = []

    def drain() -> None:
        with contextlib.suppress(OSError):
            # The end of a pseudo-terminal is an error of its own under Linux.
            while received := os.read(controlling, 65536):
                read.append(received)

    reader = threading.Thread(target=drain)
    reader.start()
    with os.fdopen(terminal, "w", encoding="utf-8") as stream:
        environment = {"COLUMNS": str(width), "TERM": "xterm"}
        streams = (io.StringIO() if errors_alone else stream, stream)
        status = ratioproof(folder, *arguments, environment=environment, streams=streams).status
    reader.join()
    os.close(controlling)
    return status, b"".join(read).decode()


def test_a_command_to_be_copied_stays_whole() -> None:
    """Broken between words it would be two commands when pasted."""
    command = "ratioproof resume 'a folder with blanks/record.jsonl' --monte-carlo"
    lines = output.wrapped(f"stopped, everything is off; to go on: {command}", width=30).splitlines()
    assert lines[-1].strip() == command
    assert len(lines) > 2


@pytest.mark.parametrize("columns", ["0", "1", "2", "3"])
def test_a_terminal_with_no_width_to_speak_of_ends_nothing(monkeypatch: pytest.MonkeyPatch, columns: str) -> None:
    """A guard's words must come out, and its report after them, whatever COLUMNS says."""
    monkeypatch.setenv("COLUMNS", columns)
    assert output.wrapped("everything is off").split() == ["everything", "is", "off"]
