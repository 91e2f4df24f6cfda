"""The blocks of commands and files in README and the manual, with what a comment before a block says of it.

<!-- file: NAME -->                  the block is the file NAME
<!-- exit: 1 -->                     exit status of its commands ("0 or 1": either)
<!-- beside: COMMAND -->             COMMAND serves while they run
<!-- add: OPTIONS -->                options that take the place of a person
<!-- typed: LINE; LINE -->           what is typed into them
<!-- change: FILE: OLD -> NEW -->    before it, FILE is changed so
<!-- interrupted: FOLDER -->         before it, a run of the two files in FOLDER was interrupted
<!-- interactive: TEST -->           not run here: TEST drives it at a terminal
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from markdown_it import MarkdownIt

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md")), *sorted((ROOT / "docs").glob("[dehr]*/*.md"))]
"""README and every page of the manual that is written by hand."""

_COMMENT = re.compile(r"<!-- (\w+): (.*?) -->")


@dataclass(frozen=True)
class Block:
    """A fenced block: its language, its text, and what the comments before it say."""

    language: str
    text: str
    said: dict[str, str]

    @property
    def commands(self) -> list[str]:
        """What is typed after the `$`."""
        return [line.removeprefix("$ ") for line in self.text.splitlines() if line.startswith("$ ")]


def blocks(page: Path) -> list[Block]:
    """Every fenced block of `page` that is no directive of the manual."""
    found: list[Block] = []
    said: dict[str, str] = {}
    for token in MarkdownIt().parse(page.read_text(encoding="utf-8")):
        if token.type == "html_block":
            said.update(_COMMENT.findall(token.content))
        elif token.type == "fence" and not token.info.startswith("{"):
            found.append(Block(token.info.strip(), token.content, said))
            said = {}
    return found
