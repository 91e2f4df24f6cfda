"""Names of instruments and profiles, which files are called by."""

import re
from typing import Annotated

from pydantic import AfterValidator

from harness.core.quantities import shortened

_PLAIN_NAME = re.compile(r"\w[\w .-]{0,59}")
_DEVICE_OF_WINDOWS = re.compile(r"(CON|PRN|AUX|NUL|(COM|LPT)[0-9¹²³])(\..*)?", re.IGNORECASE)
"""Names of devices, with an extension too ("Naming Files, Paths, and Namespaces", learn.microsoft.com)."""


def _plain_name(name: str) -> str:
    if not _PLAIN_NAME.fullmatch(name):
        raise ValueError(
            f"found {shortened(name)}, expected a name of up to 60 letters, digits, blanks, points and hyphens: files are named after it"
        )
    if _DEVICE_OF_WINDOWS.fullmatch(name):
        raise ValueError(
            f"found {name!r}, expected another name: files are named after it, and under Windows it is a device"
        )
    return name


PlainName = Annotated[str, AfterValidator(_plain_name)]
"""A name that files are called by, so that no file is looked for or written anywhere else than where it belongs."""
