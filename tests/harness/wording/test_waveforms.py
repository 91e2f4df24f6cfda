"""Every load is told of with what is stated, and nothing is said of other waveforms."""

from harness.results import LoadWaveform
from harness.wording.waveforms import NOTHING_OF_OTHERS, waveform_text


def test_what_is_stated_alike_is_told_together_and_silence_is_told_too() -> None:
    loads = (
        LoadWaveform("heater", True),
        LoadWaveform("lamp", None),
        LoadWaveform("iron", True),
        LoadWaveform("dimmer", False),
        LoadWaveform("source", True, 0.005),
        LoadWaveform("small lamp", False, waveform="capacitor_dropper"),
    )
    assert waveform_text(loads) == (
        "heater, iron: sinusoidal, as stated; source: sinusoidal, total harmonic distortion at most 0.5 %, as stated; "
        f"dimmer: not sinusoidal, as stated; small lamp: capacitor_dropper, as stated; lamp: waveform not stated; {NOTHING_OF_OTHERS}"
    )
    assert waveform_text(()) == NOTHING_OF_OTHERS
