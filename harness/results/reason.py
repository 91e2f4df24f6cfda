"""The reason why something is no plain pass, or a remark for the reader: a code with numbers."""

from __future__ import annotations

from dataclasses import dataclass

Value = float | str | tuple[float, ...] | tuple[str, ...]


@dataclass(frozen=True)
class Reason:
    """A reason or remark: its `code` in `harness/wording/sentences.toml`, `values` (SI units, fractions, names) and `range`, empty for the whole run."""

    code: str
    range: str
    values: dict[str, Value]

    @classmethod
    def of(cls, code: str, on: str = "", /, **values: Value | None) -> Reason:
        """A reason without the `values` that are None (not known)."""
        return cls(code, on, {name: value for name, value in values.items() if value is not None})
