"""How the cautions of a run were confirmed, as recorded."""

from typing import Literal

Cautions = Literal["confirmed", "confirmed beforehand", "simulated"]
"""At a prompt, by an option beforehand, or not at all, since every instrument is a simulated one."""
