"""Why something is no plain pass, or what a reader must know of it: a code with numbers."""

from __future__ import annotations

from dataclasses import dataclass

Value = float | str | tuple[float, ...] | tuple[str, ...]


@dataclass(frozen=True)
class Reason:
    """`code` says what; `values` with what numbers (SI units, fractions) and names; `range` on which range, empty for the whole run.

    `harness/wording/reasons.toml` has the sentence of every code.
    """

    code: str
    range: str
    values: dict[str, Value]

    @classmethod
    def of(cls, code: str, on: str = "", /, **values: Value | None) -> Reason:
        """What is None is not known, and left out."""
        return cls(code, on, {name: value for name, value in values.items() if value is not None})
