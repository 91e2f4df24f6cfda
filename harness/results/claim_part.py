"""One error that a device file claims, and whether a run verified it."""

from dataclasses import dataclass
from typing import Literal

ClaimedError = Literal["ratio error", "phase displacement", "power error", "influence of the waveform"]
"""What a claim can be of."""


@dataclass(frozen=True)
class ClaimPart:
    """One part of the claim: of which `error`, its `limit` in words, and whether any range has readings of it (`verified`)."""

    error: ClaimedError
    limit: str
    verified: bool
