"""Every command and every file shown in README and the manual does what its page says, in a folder of its own."""

from __future__ import annotations

import contextlib
import itertools
import os
import re
import shutil
import signal
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from docs.pictures import TERMINALS, move_ports, serving, surroundings, words
from harness.evaluation.diagnosis.causes import extended
from tests.docs.blocks import PAGES, ROOT, Block, blocks
from tests.in_process import ratioproof
from tests.shared import once, shared_folder

SECONDS_AT_MOST = 300.0
"""Seconds for one command on a busy machine."""


@pytest.fixture(scope="session")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What demos have left, for pages that show the same demo."""
    return shared_folder(tmp_path_factory, "demos")


@pytest.mark.timeout(900)
@pytest.mark.parametrize(
    "page", [p for p in PAGES if any(b.commands for b in blocks(p))], ids=lambda p: str(p.relative_to(ROOT))
)
def test_what_a_page_shows_works(page: Path, tmp_path: Path, kept: Path) -> None:
    for block in blocks(page):
        prepare(block, tmp_path)
        if "interactive" in block.said:
            assert (ROOT / block.said["interactive"]).is_file()
            continue
        with beside(block, tmp_path):
            for command in block.commands:
                run(command, block, tmp_path, kept)


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_every_block_is_a_command_or_a_file_that_is_tried(page: Path) -> None:
    for block in blocks(page):
        if block.language == "console":
            assert block.commands
            assert all(command.startswith("ratioproof ") for command in block.commands)
        elif block.language in ("toml", "python", "text"):
            assert {"file", "replace"} & block.said.keys(), block.text
        else:
            assert block.language in ("sh", "powershell"), block.language


def test_what_installs_is_what_ci_runs_and_the_same_for_both_shells() -> None:
    """The commands with which everything begins need the network, so a test cannot run them: CI does, as they stand."""
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    shown = [block for page in PAGES for block in blocks(page)]
    lines = [line for block in shown if block.language == "sh" for line in block.text.splitlines()]
    assert len(lines) >= 6
    assert [line for line in lines if line not in ci] == [". .venv/bin/activate"]
    assert any(block.language == "powershell" for block in shown)
    for before, block in itertools.pairwise(shown):
        if block.language == "powershell":
            assert block.text == in_powershell(before.text)


def test_pictures_show_what_their_page_has_typed() -> None:
    """All but the mistakes, which are of a file that only the build has."""
    for page in PAGES:
        typed = [command for block in blocks(page) for command in block.commands]
        for name in re.findall(r"/pictures/([\w-]+)\.svg", page.read_text(encoding="utf-8")):
            assert TERMINALS[name][0] in typed or name == "mistakes", f"{page.name}: {name}"


def in_powershell(text: str) -> str:
    """Commands for a POSIX shell as PowerShell takes them."""
    for old, new in (
        (". .venv/bin/activate", r".venv\Scripts\Activate.ps1"),
        ("python3 ", "py "),
        (".venv/bin/", ".venv\\Scripts\\"),
        (" && ", "; "),
    ):
        text = text.replace(old, new)
    return text


def prepare(block: Block, folder: Path) -> None:
    """Write the file a block is, put it into a file, or leave an interrupted run, as its comments say."""
    if "file" in block.said:
        target = folder / block.said["file"]
        target.write_text(block.text, encoding="utf-8")
        if target.suffix == ".toml":
            tomllib.loads(block.text)
        if target.stem == "my_causes":
            extended(block.text, target.name)
    if "replace" in block.said:
        file, _, beginning = block.said["replace"].partition(": ")
        lines = (folder / file).read_text(encoding="utf-8").splitlines(keepends=True)
        (place,) = (number for number, line in enumerate(lines) if line.startswith(beginning))
        (folder / file).write_text("".join([*lines[:place], block.text, *lines[place + 1 :]]), encoding="utf-8")
    if "interrupted" in block.said:
        interrupt(folder, block.said["interrupted"])


def interrupt(folder: Path, name: str) -> None:
    """A run in `folder` / `name` that was stopped at its second point."""
    run(f"ratioproof new {name}", Block("", "", {}), folder, folder)
    command = (
        f"ratioproof run {name}/device.toml {name}/bench.toml --procedure turns_check --cautions-read --out {name}/run"
    )
    how = {"cwd": folder, "env": surroundings(), "stdout": subprocess.PIPE, "text": True, "encoding": "utf-8"}
    with serving(f"{name}/bench.toml", folder), subprocess.Popen(words(command), **how) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if "1 of 3" in line:
                process.send_signal(signal.SIGINT)
        assert process.wait(SECONDS_AT_MOST) == 3


@contextlib.contextmanager
def beside(block: Block, folder: Path) -> Iterator[None]:
    """What serves while the commands of a block run."""
    if "beside" not in block.said:
        yield
        return
    bench = block.said["beside"].removeprefix("ratioproof simulate ")
    with serving(bench, folder):
        yield


def run(command: str, block: Block, folder: Path, kept: Path) -> None:
    """Run one command in `folder` and look at its exit status; a demo that several pages show is run once."""
    typed = words(f"{command} {block.said.get('add', '')}")
    if typed[3] == "demo" and "--out" in typed and not any("my_" in word for word in typed):
        made = once(kept / re.sub(r"\W+", "-", command), lambda there: _run(command, typed, block, there))
        shutil.copytree(made, folder, dirs_exist_ok=True)
        return
    _run(command, typed, block, folder)
    if typed[3] == "new":
        move_ports(folder / typed[4] / "bench.toml")


def _run(command: str, typed: list[str], block: Block, folder: Path) -> None:
    entered = block.said.get("typed", "quit" if typed[3] == "simulate" else "").replace("; ", "\n") + "\n"
    ours = {name: value for name, value in surroundings().items() if os.environ.get(name) != value}
    ended = ratioproof(folder, *typed[3:], typed=entered, environment=ours)
    said = ended.output + ended.errors
    allowed = [int(number) for number in block.said.get("exit", "0").split(" or ")]
    assert ended.status in allowed, f"{command}: {ended.status}\n{said}"
    assert "Traceback" not in said
    assert typed[3] != "simulate" or "not understood" not in said
