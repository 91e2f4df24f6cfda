"""The lowest versions that are tested are those that pyproject.toml admits."""

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[3]


def test_what_is_admitted_is_what_is_tested() -> None:
    """Bounds of which nobody knows whether they work are no bounds; the pinned set of every day has newer versions."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    admitted = dict(
        re.match(r"([\w.-]+)>=([\w.]+)", need.lower()).groups()
        for need in [*project["dependencies"], *project["optional-dependencies"]["test"]]
    )
    lines = (ROOT / "constraints-lowest.txt").read_text(encoding="utf-8").splitlines()
    tested = dict(line.split("==") for line in lines if not line.startswith("#"))
    for name, lowest in admitted.items():
        padded = [re.sub(r"(\.0)+$", "", version) for version in (lowest, tested[name])]
        assert padded[0] == padded[1], name
