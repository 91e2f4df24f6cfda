"""The files that `ratioproof new` writes: what stands there as an example can be taken out of its comment, or says that it is refused."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from harness.commands.new import BENCH, BENCH_BY_HAND, BENCH_POWER, DEVICE, new, template
from harness.core.errors import UserError
from harness.core.stop import StopSignal
from harness.preparation.rehearsal import rehearsal_of
from harness.preparation.run_files import load_inputs
from harness.steps import Options

COMMENTED = re.compile(r"# (\w+ = \S.*)")
"""A key to be taken out of its comment; those of other circuits stand indented, to be read."""


def examples() -> Iterator[tuple[str, int]]:
    """Every commented key: the template it is in, and the number of its line."""
    for name in (DEVICE, BENCH, BENCH_POWER, BENCH_BY_HAND):
        for number, line in enumerate(template(name).splitlines()):
            if COMMENTED.fullmatch(line):
                yield name, number


def belonging(lines: Sequence[str], number: int) -> list[int]:
    """The line of a key, of the key without which it cannot stand, and of the table that it is in where that is commented too."""
    found = [number]
    if needed := re.search(r"only with (\w+)", lines[number]):
        found.append(next(n for n in range(number, 0, -1) if lines[n].startswith(f"# {needed[1]} = ")))
    return [*found, number - 1] if lines[number - 1].startswith("# [") else found


def objections(folder: Path, name: str, text: str) -> list[str]:
    """What a rehearsal has against the pair whose file of this name has this text."""
    files = new(folder, BENCH if name == DEVICE else name)
    changed = files[0] if name == DEVICE else files[1]
    written = changed.read_text(encoding="utf-8").splitlines()
    # The dates of the calibration are filled in where the file is written.
    dated = {line: was for line, was in zip(template(name).splitlines(), written, strict=True) if "@" in line}
    changed.write_text("\n".join(dated.get(line, line) for line in text.splitlines()), encoding="utf-8")
    try:
        return list(rehearsal_of(load_inputs(*files, "current_ratio", Options(readings=3)), StopSignal()).problems)
    except UserError as refused:
        return list(refused.problems)


@pytest.mark.parametrize("name", [DEVICE, BENCH_POWER, BENCH_BY_HAND])
def test_as_they_are_nothing_is_in_the_way(tmp_path: Path, name: str) -> None:
    assert objections(tmp_path, name, template(name)) == []


@pytest.mark.parametrize(("name", "number"), [*examples()])
def test_an_example_passes_unless_it_says_that_it_is_refused(tmp_path: Path, name: str, number: int) -> None:
    lines = template(name).splitlines()
    taken = belonging(lines, number)
    found = objections(
        tmp_path, name, "\n".join(line.removeprefix("# ") if n in taken else line for n, line in enumerate(lines))
    )
    assert bool(found) == any("refused" in lines[n] for n in taken), (lines[number], found)
