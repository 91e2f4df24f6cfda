"""The command line as README and the manual describe it, and the check that our packages are ours."""

import argparse
import contextlib
import os
import re
import shlex
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from harness import command_line
from harness.commands import package_check
from harness.core.errors import Stopped, UserError
from harness.core.stop import StopSignal
from tests.in_process import ratioproof

ROOT = Path(__file__).parents[2]
MANUAL = "\n".join(
    page.read_text(encoding="utf-8")
    for page in (ROOT / "README.md", *(ROOT / "docs").glob("*.md"), *(ROOT / "docs").glob("[ehr]*/*.md"))
)
"""What is written by hand; the reference of commands is made from their parsers."""


def commands() -> dict[str, argparse.ArgumentParser]:
    """Every command with its parser."""
    (choices,) = (a.choices for a in command_line.parser()._actions if isinstance(a, argparse._SubParsersAction))
    return dict(choices)


def test_every_command_and_option_is_told_of_in_readme_or_manual() -> None:
    """Docs say the same as the code."""
    missing = []
    for name, parser in commands().items():
        if f"ratioproof {name}" not in MANUAL:
            missing.append(name)
        options = [o for a in parser._actions for o in a.option_strings if o.startswith("--") and o != "--help"]
        missing += [f"{name} {o}" for o in options if o not in MANUAL]
    assert not missing


def test_every_command_shows_examples_and_exit_statuses() -> None:
    """Help says how the command is used and what its exit status means."""
    for name, parser in commands().items():
        text = parser.format_help()
        assert f"  ratioproof {name}" in text.split("examples:")[1]
        assert "NOT SAFE" in text


def test_every_example_in_help_is_understood() -> None:
    """Words and options; the files they name are the reader's own."""
    for name, parser in commands().items():
        shown = parser.format_help().split("examples:\n")[1].split("\n\n")[0].splitlines()
        for example in shown:
            assert command_line.parser().parse_args(shlex.split(example)[1:]).command, f"{name}: {example}"


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["rehearse", "nowhere.toml", "nothing.toml"], "nowhere.toml: No such file"),
        (["certify", "nowhere.jsonl"], "nowhere.jsonl: no such record"),
        (["resume", "nowhere.jsonl"], "nowhere.jsonl: no such record"),
        (["demo", "--fault", "gremlins"], "gremlins: unknown"),
        (["certify", "nowhere.jsonl", "--monte-carlo", "12"], "found '12', expected a number of trials of at least"),
        (["demo", "--hold", "abc"], "--hold: found 'abc', expected a number of seconds"),
        (["rehearse", "a", "b", "--readings", "x"], "--readings: found 'x', expected a whole number"),
        (["demo", "--nonsense"], "unrecognized arguments: --nonsense (see ratioproof --help)"),
        (["resume", "nowhere.jsonl", "--monte-carlo", "12"], "found '12', expected a number of trials of at least"),
    ],
)
def test_mistakes_are_one_line_and_exit_2(tmp_path: Path, arguments: list[str], part: str) -> None:
    """Rendered once, on standard error, without a traceback."""
    ended = ratioproof(tmp_path, *arguments)
    assert ended.status == 2
    assert part in ended.errors
    assert len(ended.errors.splitlines()) == (2 if "nothing.toml" in arguments else 1)
    assert "Traceback" not in ended.errors
    assert not list(tmp_path.iterdir()), "nothing is left behind"


def test_a_mistake_is_the_exit_status_of_the_process(tmp_path: Path) -> None:
    """The same as from within, without a search path for programs."""
    process = subprocess.run(
        [sys.executable, "-m", "harness", "certify", "nowhere.jsonl"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PATH": ""},
    )
    ended = ratioproof(tmp_path, "certify", "nowhere.jsonl")
    assert (process.returncode, process.stdout, process.stderr) == (2, ended.output, ended.errors)


@pytest.mark.parametrize("name", package_check.PACKAGES)
def test_an_overwritten_package_is_told_plainly(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each of ours is looked at: another distribution's package of the same name begins otherwise. Nothing else is told."""
    monkeypatch.setitem(package_check.PACKAGES, name, "Somebody else's")
    with pytest.raises(UserError) as caught:
        package_check.check_packages()
    (problem,) = str(caught.value).splitlines()
    assert re.match(rf"package '{name}' in .* was overwritten by another distribution", problem)


def test_a_package_from_elsewhere_is_told_plainly(tmp_path: Path) -> None:
    """One that comes first on the path, in a program of its own."""
    (tmp_path / "reports").mkdir()
    (tmp_path / "reports" / "__init__.py").touch()
    program = f"import sys; sys.path.insert(1, {str(ROOT)!r}); from harness.commands import package_check; package_check.check_packages()"
    told = subprocess.run(
        [sys.executable, "-c", program], cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False
    ).stderr
    assert f"package 'reports' comes from {tmp_path / 'reports'}, expected {ROOT / 'reports'}" in told


def _status_of(command: Callable[[argparse.Namespace], int], monkeypatch: pytest.MonkeyPatch) -> int:
    """The exit status of a command line that consists of `command`."""
    given = argparse.Namespace(parse_args=lambda _: argparse.Namespace(command=command))
    monkeypatch.setattr(command_line, "parser", lambda: given)
    before = signal.getsignal(signal.SIGINT)
    try:
        return command_line.main([])
    finally:
        signal.signal(signal.SIGINT, before)


def test_a_stop_that_a_module_turned_into_an_error_of_its_own_is_a_stop(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As an extension in Rust does with what is raised while it loads: no Exception, and not what was raised."""

    class Panic(BaseException):
        pass

    def loading(_: argparse.Namespace) -> int:
        with contextlib.suppress(Stopped):
            signal.raise_signal(signal.SIGINT)
        raise Panic

    assert _status_of(loading, monkeypatch) == 3
    assert capsys.readouterr().err == "ratioproof: aborted: stopped by SIGINT; nothing was energised\n"


def test_a_defect_after_a_run_was_stopped_is_a_defect(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The run heard the Ctrl-C and has driven current: nothing may say that nothing was energised."""

    def stopped(_: argparse.Namespace) -> int:
        stop = StopSignal()
        with stop.listening():
            signal.raise_signal(signal.SIGINT)
        assert stop.reason
        raise NameError("a defect in what comes after")

    assert _status_of(stopped, monkeypatch) == 5
    assert "this is a defect of the program" in (told := capsys.readouterr().err)
    assert "energised" not in told
