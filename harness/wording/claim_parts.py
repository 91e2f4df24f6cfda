"""The parts of a claim in words: nothing of a class may stand beside a verdict that no reading bears."""

from collections.abc import Iterable

from harness.results import ClaimPart, MeterCard

ENERGY_REGISTER = (
    "The energy register counts what the display shows: on one range its rise times the display factor, and once the range was changed in between "
    "its count means nothing."
)
"""Said of a meter that has one."""


def claim_text(parts: Iterable[ClaimPart]) -> str:
    """What is claimed of each error."""
    return "; ".join(f"{part.error} {part.limit}" for part in parts)


def errors_text(parts: Iterable[ClaimPart]) -> str:
    """The errors alone: `ratio error and phase displacement`."""
    return " and ".join(part.error for part in parts)


def not_verified(card: MeterCard) -> str:
    """What of power and energy was not verified, in a sentence; empty where all was."""
    everywhere = {rng.name for rng in card.ranges if rng.verified}
    if not card.power_on:
        return "Power and energy are not verified."
    power = "" if everywhere <= set(card.power_on) else f"Power is verified on {', '.join(card.power_on)} alone. "
    if not card.energy_on:
        return f"{power}Energy is not verified."
    energy = "" if everywhere <= set(card.energy_on) else f"Energy is verified on {', '.join(card.energy_on)} alone."
    return (power + energy).strip()
