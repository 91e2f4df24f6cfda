"""Sphinx's configuration of the manual: `python -m sphinx -W docs docs/built`, then open docs/built/index.html; no server is needed.

The reference pages are made from the code, and the pictures from real runs, before anything is read.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from docs.generate import write_all  # noqa: E402
from docs.pictures import take_all  # noqa: E402

project = "Ratioproof"
author = "The Ratioproof contributors"
language = "en"

extensions = ["myst_parser"]
myst_enable_extensions = ["colon_fence"]
myst_heading_anchors = 3
exclude_patterns = ["built", "generated"]

html_theme = "furo"
html_title = "Ratioproof manual"
html_static_path = ["style"]
html_css_files = ["wide.css"]
html_copy_source = False
html_show_sourcelink = False
html_show_copyright = False
html_show_sphinx = False


def setup(app: Any) -> None:
    app.connect("builder-inited", _make)


def _make(_: Any) -> None:
    write_all(HERE / "generated")
    take_all(HERE / "generated" / "pictures")
