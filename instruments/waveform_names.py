"""Waveforms of a current by name, as files and the simulated bench write them: `sine`, `phase_cut 90 deg`, `burst 1/3`."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

WaveformName = Literal[
    "sine",
    "phase_cut",
    "half_wave",
    "burst",
    "rectifier",
    "capacitor_dropper",
    "rectangular",
    "triangle",
    "switched_supply",
]

ANGLES: Mapping[WaveformName, tuple[float, float, float]] = {
    "phase_cut": (1.0, 170.0, 90.0),
    "rectifier": (10.0, 180.0, 60.0),
    "rectangular": (10.0, 180.0, 120.0),
}
"""Smallest, largest and usual angle in degrees: where a cut sine begins in each half-period, and for how long a pulse lasts in it."""

MOST_PERIODS = 10
"""Mains periods after which a burst repeats, at most."""
USUAL_BURST = (1, 2)

DESCRIBED: Mapping[WaveformName, str] = {
    "sine": "a sine, as of a heater",
    "phase_cut": "a sine that begins late in each half-period, as of a dimmer; the angle is where it begins",
    "half_wave": "every other half of a sine, as of a diode in series; it has a direct part",
    "burst": "whole periods of a sine and pauses, `1/3`: one period of three, as of a burst-fire controller",
    "rectifier": "a half-sine pulse at each crest, as of a rectifier with capacitor; the angle is how long it lasts",
    "capacitor_dropper": "a supply by a series capacitor, clamped at a quarter of the crest of the mains",
    "rectangular": "a rectangular pulse in each half-period; the angle is how long it lasts, 180 deg is a square wave",
    "triangle": "a triangle",
    "switched_supply": "an ideal bridge with capacitor: a pulse that rises steeply and falls slowly",
}
"""What each is, for the reference of files."""

_NAMES: Mapping[str, WaveformName] = {name: name for name in DESCRIBED}


@dataclass(frozen=True)
class Waveform:
    """A waveform. `angle` in degrees where the shape has one; of `periods` of the mains, after which it repeats, it flows in `periods_on`."""

    name: WaveformName
    angle: float = 0.0
    periods_on: int = 1
    periods: int = 1

    @property
    def text(self) -> str:
        """The waveform as it is written in a file."""
        if self.name == "burst":
            return f"burst {self.periods_on}/{self.periods}"
        return f"{self.name} {self.angle:g} deg" if self.name in ANGLES else self.name

    @property
    def sinusoidal(self) -> bool:
        return self.name == "sine"

    @property
    def symmetrical(self) -> bool:
        """Whether both half-periods are alike, without a direct part."""
        return self.name != "half_wave"

    @property
    def magnetises(self) -> bool:
        """Whether it drives a core to one side: by a direct part, or by pauses after which it begins with the flux left over."""
        return self.name in ("half_wave", "burst")


SINE = Waveform("sine")
SINE_CREST_FACTOR = math.sqrt(2)


def parse_waveform(text: str) -> Waveform:
    """The waveform that `text` names; what is left out is the usual. Raises ValueError."""
    name, _, parameter = (part.strip() for part in text.strip().partition(" "))
    known = _NAMES.get(name)
    if known is None:
        raise ValueError(f"found waveform {text!r}, expected one of {', '.join(_NAMES)}")
    if known == "burst":
        return _burst(parameter)
    if known in ANGLES:
        least, most, usual = ANGLES[known]
        angle = _degrees(parameter) if parameter else usual
        if angle is None or not least <= angle <= most:
            raise ValueError(
                f"found waveform {text!r}, expected {known} with an angle from {least:g} deg to {most:g} deg"
            )
        return Waveform(known, angle)
    if parameter:
        raise ValueError(f"found waveform {text!r}, expected nothing after {known}")
    return Waveform(known)


def _degrees(text: str) -> float | None:
    found = re.fullmatch(r"(\d+(?:\.\d+)?) ?deg", text)
    return float(found.group(1)) if found else None


def _burst(text: str) -> Waveform:
    found = re.fullmatch(r"(\d{1,2})/(\d{1,2})", text) if text else None
    on, of = (int(found.group(1)), int(found.group(2))) if found else USUAL_BURST
    if (text and not found) or not 1 <= on < of <= MOST_PERIODS:
        raise ValueError(
            f"found waveform {'burst ' + text!r}, expected fewer periods on than in all, at most {MOST_PERIODS}, such as burst 1/3"
        )
    return Waveform("burst", periods_on=on, periods=of)
