"""The text of a finished certificate, as its reader meets it."""

from __future__ import annotations

import functools
import io
import re

from pypdf import PdfReader

from harness.results import Results
from reports.certificate import certificate


@functools.cache
def _extracted(content: bytes) -> tuple[str, ...]:
    return tuple(
        page.extract_text().replace("\N{NO-BREAK SPACE}", " ") for page in PdfReader(io.BytesIO(content)).pages
    )


_PRINTED: dict[int, tuple[Results, bytes]] = {}
"""Certificates by the identity of their results, which live as long; a dictionary in them has no hash."""


def printed(results: Results) -> bytes:
    """The certificate of `results`, made once for all tests that look at it."""
    if id(results) not in _PRINTED:
        _PRINTED[id(results)] = results, certificate(results)
    return _PRINTED[id(results)][1]


def pages_of(results: Results) -> tuple[str, ...]:
    return _extracted(printed(results))


def squeezed(text: str) -> str:
    """Without white space, which line breaks and justification may add or take."""
    return re.sub(r"\s+", "", text)


def body_of(results: Results) -> str:
    """All pages as one text without white space, their heads and feet removed, so that text running on is whole."""
    text = ""
    for page in pages_of(results):
        lines = [
            line
            for line in page.splitlines()
            if not re.match(r"Verification certificate \w{4}-|page \d+ of|Simulated bench: not", line)
        ]
        text += "\n".join(lines)
    return squeezed(text)
