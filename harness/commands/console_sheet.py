"""Lines for a terminal of 80 columns or fewer: headings, exchanges with an instrument, and how they went."""

import textwrap

from rich.console import Console
from rich.text import Text

from harness.core.output import wrapped

WIDEST = 80

BELOW_MARK = " " * 9
"""Indentation of what stands below a marked line's text."""


class ConsoleSheet:
    """Prints to `console`, never wider than it or than 80 columns."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._width = min(console.width, WIDEST)

    def title(self, text: str) -> None:
        """A line that everything after it belongs to."""
        self._wrapped(text, "", "bold")

    def heading(self, text: str, right: str = "") -> None:
        """What comes now; `right` (such as the key of a profile) stands at the end of the line."""
        self._console.print()
        self._sides(text, right, "bold", "")

    def sent(self, text: str) -> None:
        """A message that went out."""
        self._sides(f"> {escaped(text)}", "", "cyan")

    def received(self, text: str, seconds: float) -> None:
        """A reply, and how long it took."""
        self._sides(f"< {escaped(text)}", duration(seconds), "")

    def good(self, text: str, mark: str = "ok") -> None:
        """It went well."""
        self._marked(mark, text, "green")

    def bad(self, text: str, mark: str = "wrong") -> None:
        """It did not, and why."""
        self._marked(mark, text, "bold red")

    def below(self, text: str, style: str = "") -> None:
        """More on the marked line before."""
        self._print(f"{BELOW_MARK}{text}", BELOW_MARK, style)

    def note(self, text: str, indent: str = "  ") -> None:
        """Something worth knowing."""
        self._wrapped(text, indent, "")

    def dim(self, text: str, indent: str = "  ") -> None:
        """Something worth knowing for whoever looks for it."""
        self._wrapped(text, indent, "dim")

    def gap(self) -> None:
        self._console.print()

    def _marked(self, mark: str, text: str, style: str) -> None:
        self._print(f"  {mark:<6} {text}", BELOW_MARK, style, 2 + len(mark))

    def _wrapped(self, text: str, indent: str, style: str) -> None:
        self._print(f"{indent}{text}", f"{indent}  ", style)

    def _print(self, line: str, indent: str, style: str, styled: int | None = None) -> None:
        text = Text(wrapped(line, indent, self._width))
        text.stylize(style, 0, styled)
        self._console.print(text, soft_wrap=True)

    def _sides(self, left: str, right: str, style: str, indent: str = "  ") -> None:
        lines = textwrap.wrap(
            left, self._width - len(indent) - len(right) - 2, subsequent_indent="  ", break_on_hyphens=False
        ) or [""]
        for i, line in enumerate(lines):
            text = Text(indent).append(line, style)
            if i == len(lines) - 1 and right:
                text.pad_right(self._width - len(text) - len(right))
                text.append(right, "dim")
            self._console.print(text, soft_wrap=True)


def escaped(text: str) -> str:
    """`text` with what a terminal would act on written as escapes."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def duration(seconds: float) -> str:
    """Seconds as a person reads them: ``0.4 ms``, ``102 ms``, ``3.0 s``."""
    if seconds >= 1.0:
        return f"{seconds:.1f} s"
    return f"{seconds * 1e3:.1f} ms" if seconds < 0.01 else f"{seconds * 1e3:.0f} ms"
