"""The check that our five packages are ours.

Their names are plain words that other distributions use too; in a shared environment the later installation wins.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

from harness.core.errors import UserError

PACKAGES = ("harness", "instruments", "procedures", "reports", "simulated")
ADVICE = "install Ratioproof into an environment of its own, as README says"


def check_packages() -> None:
    """Raise UserError when one of our packages is missing or comes from somewhere else than this one."""
    home = Path(__file__).resolve().parents[2]
    problems = []
    for name in PACKAGES:
        specification = importlib.util.find_spec(name)
        origin = specification.origin if specification is not None else None
        if origin is None:
            problems.append(f"package {name!r} is missing from {home}: {ADVICE}")
        elif Path(origin).resolve().parent.parent != home:
            problems.append(f"package {name!r} comes from {Path(origin).parent}, expected {home / name}: {ADVICE}")
        elif not _ours(Path(origin)):
            problems.append(
                f"package {name!r} in {Path(origin).parent} was overwritten by another distribution: {ADVICE}"
            )
    if problems:
        raise UserError(problems)


def _ours(init: Path) -> bool:
    """Whether an `__init__` is one of ours: each begins with the docstring listed here."""
    return init.read_text(encoding="utf-8", errors="replace").startswith(f'"""{_FIRST_WORDS[init.parent.name]}')


_FIRST_WORDS = {
    "harness": "Describing bench and device,",
    "instruments": "Links to instruments,",
    "procedures": "The procedures shipped",
    "reports": "The certificate a technician hands over,",
    "simulated": "A bench simulated by its physics,",
}
