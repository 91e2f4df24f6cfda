"""What developers read names modules that exist, and every decision is a dated record that can be found."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.docs.blocks import ROOT

DEVELOPERS = ROOT / "DEVELOPERS.md"
INDEX = ROOT / "docs" / "decisions" / "index.md"
DECISIONS = sorted(set(INDEX.parent.glob("*.md")) - {INDEX})
PAGES = [DEVELOPERS, ROOT / "docs" / "developers" / "where.md", *DECISIONS]
ROOMS = ("docs", "harness", "instruments", "procedures", "reports", "simulated", "tests")
PATHS = [
    p.relative_to(ROOT)
    for room in ROOMS
    for p in (ROOT / room).rglob("*")
    if p.is_file() and "__pycache__" not in p.parts
]
FILES = {f"/{path.as_posix()}" for path in (*PATHS, *(Path(p.name) for p in ROOT.glob("*.*")))}
FOLDERS = {f"/{parent.as_posix()}/" for path in PATHS for parent in path.parents}
ONE_SCREEN = 95


def named_in(page: Path) -> set[str]:
    """The files and folders of this project that a page names between backticks."""
    named = set(re.findall(r"`([\w./-]+)`", page.read_text(encoding="utf-8")))
    return {name for name in named if re.search(r"\w/$|\.(py|toml|md|txt)$", name)}


def is_there(name: str) -> bool:
    """Whether a file or folder has this name, or a path that ends in it."""
    return any(path.endswith(f"/{name}") for path in (FOLDERS if name.endswith("/") else FILES))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_file_that_is_named_is_there(page: Path) -> None:
    assert [name for name in sorted(named_in(page)) if not is_there(name)] == []


def test_every_function_that_decides_something_is_where_the_page_says() -> None:
    rows = re.findall(r"^\| [^|]+ \| `([\w/.]+)` \| (.+) \|$", PAGES[1].read_text(encoding="utf-8"), re.MULTILINE)
    assert len(rows) > 20
    for module, functions in rows:
        file = next(ROOT / above / module for above in (".", "harness") if (ROOT / above / module).is_file())
        defined = set(re.findall(r"^ *(?:def|class) (\w+)", file.read_text(encoding="utf-8"), re.MULTILINE))
        assert set(re.findall(r"`(\w+)`", functions)) <= defined, module


def test_names_are_found_where_there_are_many() -> None:
    assert {"evaluation/", "run/runner.py", "wording/sentences.toml"} <= named_in(PAGES[1])
    assert not is_there("run/gone.py")
    assert not is_there("gone/")


@pytest.mark.parametrize("page", DECISIONS, ids=lambda page: page.stem)
def test_a_decision_has_a_date_and_three_parts(page: Path) -> None:
    title, date, *parts = re.split(r"\n\n(?=## |\d{4}-)", page.read_text(encoding="utf-8"))
    assert title.startswith("# ")
    assert re.match(r"20\d\d-\d\d-\d\d", date)
    assert [part.splitlines()[0] for part in parts] == ["## Context", "## Decision", "## Consequence"]
    assert all(len(part.split("\n\n", 1)[1].strip()) > 20 for part in parts)


def test_every_decision_is_listed_once_for_developers_and_in_the_manual() -> None:
    names = [page.stem for page in DECISIONS]
    linked = re.findall(r"\[[\w -]+\]\(docs/decisions/([\w-]+)\.md\)[,.]", DEVELOPERS.read_text(encoding="utf-8"))
    assert sorted(linked) == names
    assert sorted(re.findall(r"^([a-z-]+)$", INDEX.read_text(encoding="utf-8"), re.MULTILINE)) == names


def test_what_a_newcomer_reads_first_is_one_screen_with_links_that_lead_somewhere() -> None:
    text = DEVELOPERS.read_text(encoding="utf-8")
    assert text.count("\n") <= ONE_SCREEN
    assert [link for link in re.findall(r"\]\(([^)]+)\)", text) if not (ROOT / link).exists()] == []
