"""Pictures of the manual, taken of real runs on the simulated bench: terminals as SVG, pages of certificates as PNG.

Commands run as a reader runs them, in a folder that is thrown away. Nothing is drawn by hand and nothing is committed.
"""

from __future__ import annotations

import io
import os
import random
import re
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

COLUMNS = 100
PLACES = range(15025, 15030)
"""Ports in the files that `new` writes. Free ones take their place, since such a bench may be served already."""

SECONDS_AT_MOST = 300.0
"""Seconds after which a command hangs."""

TERMINALS = {
    "run": (
        "ratioproof run shelf-7/device.toml shelf-7/bench.toml --per-decade 1 "
        '--operator "A. Bench" --out shelf-7/run --cautions-read',
        0,
    ),
    "fail": ("ratioproof demo --fault turn-missing:x20 --procedure turns_check --out missing", 1),
    "design": ("ratioproof design shelf-7/device.toml", 0),
    "mistakes": ("ratioproof rehearse wrong.toml shelf-7/bench.toml", 2),
    "rehearse": ("ratioproof rehearse shelf-7/device.toml shelf-7/bench.toml --per-decade 1", 0),
    "rehearse-by-hand": ("ratioproof rehearse hand/device.toml hand/bench.toml", 0),
}
"""Pictures of terminals: the command in each, and its exit status."""

PAGES = {"front": "verification certificate", "range": "range x1:", "budgets": "uncertainty budgets"}
"""Pages of a certificate that are shown, by a text in small letters that the first of their kind has."""


def take_all(folder: Path) -> None:
    """Take every picture into `folder`, several at a time: most of a run is waiting. Raises RuntimeError when a command fails."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as there, ThreadPoolExecutor(3) as several:
        work = Path(there)
        for kind, name in (("", "shelf-7"), (" --by-hand", "hand"), (" --power", "mains")):
            typed(f"ratioproof new {name}{kind}", work)
            move_ports(work / name / "bench.toml")
        wrong = (work / "shelf-7" / "device.toml").read_text(encoding="utf-8")
        for right, slip in (
            ('"1 mA"', '"1"'),
            ("primary_turns = 20", 'primary_turns = "2O"'),
            ("display_factor = 0.25", "display_facter = 0.25"),
        ):
            wrong = wrong.replace(right, slip)
        (work / "wrong.toml").write_text(wrong, encoding="utf-8")
        for job in [several.submit(taken, work, folder) for taken in (_first_run, _fail, _sheets)]:
            job.result()


def _first_run(work: Path, folder: Path) -> None:
    with serving("shelf-7/bench.toml", work):
        # The cautions stand in the manual as text.
        _terminal("run", work, folder, begins=r"^ *1 of ")
    pages(work / "shelf-7" / "run" / "certificate.pdf", folder, "certificate")


def _fail(work: Path, folder: Path) -> None:
    _terminal("fail", work, folder)
    pages(work / "missing" / "certificate.pdf", folder, "fail")


def _sheets(work: Path, folder: Path) -> None:
    for name in ("design", "mistakes", "rehearse", "rehearse-by-hand"):
        _terminal(name, work, folder)


def _terminal(name: str, work: Path, folder: Path, begins: str = "") -> None:
    command, expected = TERMINALS[name]
    said = typed(command, work, expected).partition("\nCautions")[0]
    terminal(folder / f"{name}.svg", command, said[re.search(begins, said, re.MULTILINE).start() :])


def typed(command: str, work: Path, expected: int = 0) -> str:
    """The output of `ratioproof ...` run in the folder `work`. Raises RuntimeError unless it ends with the `expected` exit status."""
    done = subprocess.run(
        words(command), cwd=work, stdin=subprocess.DEVNULL, timeout=SECONDS_AT_MOST, check=False, **_as_one_text()
    )
    if done.returncode != expected:
        raise RuntimeError(f"{command}: exit status {done.returncode}, expected {expected}\n{done.stdout}")
    return done.stdout


def _as_one_text() -> dict[str, Any]:
    """How a command is started so that all it says is one text."""
    return {"env": surroundings(), "stdout": subprocess.PIPE, "stderr": subprocess.STDOUT, "encoding": "utf-8"}


def words(command: str) -> list[str]:
    """The arguments that start `ratioproof ...` with the Python of this build."""
    parts = re.findall(r'"([^"]*)"|(\S+)', command.removeprefix("ratioproof "))
    return [sys.executable, "-m", "harness", *(quoted or plain for quoted, plain in parts)]


def surroundings() -> dict[str, str]:
    """The environment of a command: terminal width, this clone's packages, Unicode."""
    here = str(Path(__file__).parents[1])
    return {**os.environ, "COLUMNS": str(COLUMNS), "PYTHONPATH": here, "PYTHONIOENCODING": "utf-8"}


@contextmanager
def serving(bench: str, work: Path, *options: str) -> Iterator[subprocess.Popen[str]]:
    """Run `ratioproof simulate` for the block, and end it by its command."""
    command = words(" ".join(("ratioproof simulate", bench, *options)))
    with subprocess.Popen(command, cwd=work, stdin=subprocess.PIPE, **_as_one_text()) as process:
        assert process.stdout is not None
        said = []
        try:
            for line in process.stdout:
                said.append(line)
                if line.startswith("faults:"):
                    break
            else:
                raise RuntimeError(f"ratioproof simulate {bench} did not begin to serve: {''.join(said)}")
            yield process
            process.communicate("quit\n", timeout=SECONDS_AT_MOST)
        finally:
            process.kill()


def move_ports(bench: Path) -> None:
    """Put free ports into a bench file in place of `PLACES`."""
    text = bench.read_text(encoding="utf-8")
    for port, free in zip(PLACES, _free_ports(), strict=False):
        text = text.replace(str(port), str(free))
    bench.write_text(text, encoding="utf-8")


def _free_ports() -> Iterator[int]:
    """Ports that nothing listens at, below those that connections of other programs are given meanwhile (Linux: 32768 and above)."""
    for port in random.sample(range(20000, 32768), 1000):
        with suppress(OSError), socket.socket() as listener:
            listener.bind(("127.0.0.1", port))
            yield port


def terminal(file: Path, command: str, said: str) -> None:
    """Save a picture of a terminal in which `command` has printed `said`."""
    from rich._export_format import CONSOLE_SVG_FORMAT
    from rich.console import Console
    from rich.terminal_theme import DEFAULT_TERMINAL_THEME
    from rich.text import Text

    console = Console(record=True, file=io.StringIO(), width=COLUMNS, legacy_windows=False)
    console.print(Text(f"$ {command}", style="bold"), soft_wrap=False)
    console.print(Text(said.rstrip()))
    # The default fonts would be fetched from the network.
    form = re.sub(r"@font-face\s*{{.*?}}", "", CONSOLE_SVG_FORMAT, flags=re.DOTALL)
    file.write_text(
        console.export_svg(title="", theme=DEFAULT_TERMINAL_THEME, code_format=form), encoding="utf-8", newline="\n"
    )


def pages(certificate: Path, folder: Path, name: str) -> None:
    """Save pictures of the pages of a certificate that `PAGES` names. Raises StopIteration when no page holds such a text."""
    import pypdfium2

    document = pypdfium2.PdfDocument(certificate)
    texts = [page.get_textpage().get_text_range().lower() for page in document]
    for part, said in PAGES.items():
        number = next(n for n, text in enumerate(texts) if said in text)
        document[number].render(scale=1.6).to_pil().save(folder / f"{name}-{part}.png", optimize=True)
    document.close()
