"""The check that our five packages are ours.

Their names are plain words that other distributions use too; in a shared environment the later installation wins.
"""

import importlib.util
from pathlib import Path

from harness.core.errors import UserError

PACKAGES = {
    "harness": "Describing bench and device,",
    "instruments": "Links to instruments,",
    "procedures": "The procedures shipped",
    "reports": "The certificate a technician hands over,",
    "simulated": "A bench simulated by its physics,",
}
"""Every package, and what the docstring of its `__init__` begins with."""

ADVICE = "install Ratioproof into an environment of its own, as README says"


def check_packages() -> None:
    """Raise UserError when one of our packages is missing or comes from somewhere else than this one."""
    home = Path(__file__).resolve().parents[2]
    problems = []
    for name, first_words in PACKAGES.items():
        specification = importlib.util.find_spec(name)
        origin = specification.origin if specification is not None else None
        if origin is None:
            problems.append(f"package {name!r} is missing from {home}: {ADVICE}")
        elif Path(origin).resolve().parent.parent != home:
            problems.append(f"package {name!r} comes from {Path(origin).parent}, expected {home / name}: {ADVICE}")
        elif not Path(origin).read_text(encoding="utf-8", errors="replace").startswith(f'"""{first_words}'):
            problems.append(
                f"package {name!r} in {Path(origin).parent} was overwritten by another distribution: {ADVICE}"
            )
    if problems:
        raise UserError(problems)
