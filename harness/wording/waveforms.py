"""With which waveforms a meter was verified, in a sentence."""

from collections.abc import Sequence

from harness.core.quantities import format_percent
from harness.results import LoadWaveform

NOTHING_OF_OTHERS = "nothing was verified for a current of another waveform"

_STATED = {True: "sinusoidal, as stated", False: "not sinusoidal, as stated", None: "waveform not stated"}


def waveform_text(loads: Sequence[LoadWaveform]) -> str:
    """Of every load that was used what is stated of its waveform, and that no more is said; of none, that nothing was verified."""
    told = []
    for sinusoidal, words in _STATED.items():
        alike = [load for load in loads if load.sinusoidal is sinusoidal]
        plain = [load.load for load in alike if load.distortion is None and load.waveform is None]
        told += [f"{', '.join(plain)}: {words}"] if plain else []
        told += [
            f"{load.load}: sinusoidal, total harmonic distortion at most {format_percent(load.distortion, '.3g')}, as stated"
            for load in alike
            if load.distortion is not None
        ]
        told += [f"{load.load}: {load.waveform}, as stated" for load in alike if load.waveform is not None]
    return "; ".join([*told, NOTHING_OF_OTHERS])
