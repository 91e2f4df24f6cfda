"""What an instrument makes of the shape of its input current: it clips at a peak, passes a bandwidth, and responds to an effective or a mean value."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np

from instruments.waveform_names import SINE, SINE_CREST_FACTOR
from instruments.waveforms import SAMPLES_PER_PERIOD, Instants, effective_value, rectified_mean, unit_samples
from simulated.description import Response


@dataclass(frozen=True)
class InputStage:
    """An input that has been adjusted with a sine of `frequency` (Hz): one that is not clipped reads right.

    `largest_peak` in amperes of its input; `bandwidth` in hertz, where a first-order low pass has lost 3 dB. Where it clips below what the module
    itself follows of a sine it `clips_sines`.
    """

    frequency: float
    largest_peak: float = math.inf
    bandwidth: float = math.inf
    response: Response = "true rms"
    clips_sines: bool = False

    def reads_sine(self, effective: float) -> float:
        """The reading of a sine of that effective value."""
        if not self.clips_sines or peak_of_sine(effective) <= self.largest_peak:
            return effective
        return self.reads(unit_samples(SINE) * effective)

    def reads(self, current: Instants) -> float:
        """The reading in amperes of `current` (n,), through whole periods of the mains in parts of `SAMPLES_PER_PERIOD`."""
        return self._responds(self._passes(np.clip(current, -self.largest_peak, self.largest_peak))) / self._of_a_sine

    @cached_property
    def _of_a_sine(self) -> float:
        return self._responds(self._passes(unit_samples(SINE)))

    def _responds(self, current: Instants) -> float:
        return effective_value(current) if self.response == "true rms" else rectified_mean(current)

    def _passes(self, current: Instants) -> Instants:
        if math.isinf(self.bandwidth):
            return current
        gains = _low_pass(self.bandwidth / self.frequency, len(current))
        found: Instants = np.fft.irfft(np.fft.rfft(current) * gains, len(current))
        return found


@cache
def _low_pass(bandwidth: float, count: int) -> np.ndarray:
    """Gains of a first-order low pass for each part of the spectrum of `count` samples; `bandwidth` in multiples of the mains frequency."""
    order = np.arange(count // 2 + 1) * (SAMPLES_PER_PERIOD / count)
    found: np.ndarray = 1.0 / (1.0 + 1j * order / bandwidth)
    return found


def peak_of_sine(effective: float) -> float:
    """Peak of a sine of that effective value."""
    return SINE_CREST_FACTOR * effective
