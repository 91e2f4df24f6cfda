"""The procedures shipped with the program, each one readable on a screen."""

from harness.steps import Procedure


def shipped() -> dict[str, Procedure]:
    """Every shipped procedure by its name."""
    from procedures.current_ratio import current_ratio
    from procedures.turns_check import turns_check

    return {p.name: p for p in (current_ratio, turns_check)}
