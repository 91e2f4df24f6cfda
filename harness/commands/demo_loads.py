"""A demo with loads off a shelf: a sine and one that is none, on the bench of the demo."""

import re
from collections.abc import Mapping
from typing import NamedTuple

PROCEDURE = "waveform_influence"
FAULTS = ("average-responding",)
"""What is wrong with the meter of such a demo where nothing else is asked for."""


class DemoLoad(NamedTuple):
    """A load beside the sine: what it is called, what it draws and how its waveform is called in a bench file."""

    name: str
    current: str
    waveform: str


LOADS: Mapping[str, DemoLoad] = {"dropper": DemoLoad("panel of small lamps", "0.97 A", "capacitor_dropper")}

_SOURCE = re.compile(r"# The load drives the current.*?(?=\n# The reference\.)", re.DOTALL)
_FOLLOWS = 'response = "true rms", bandwidth = "20 kHz", crest_factor = 3, burden ='
_SHELF = """# The loads that are plugged in by hand; the demo does it itself.
[instruments.shelf]
profile = "person"
shelf = [
  {{ name = "heater", current = "1 A", waveform = "sine", longest_on = "8 h" }},
  {{ name = "{0.name}", current = "{0.current}", waveform = "{0.waveform}", longest_on = "8 h" }},
]
"""


def with_shelf(bench_text: str, load: DemoLoad) -> str:
    """The bench of the demo with a shelf in place of its source, and what the reference's manual says of other waveforms."""
    text = _SOURCE.sub(lambda _: _SHELF.format(load), bench_text).replace('load = "source"', 'load = "shelf"')
    before, head, after = text.partition("[instruments.multimeter]")
    return before + head + after.replace("burden =", _FOLLOWS)


def with_influence(device_text: str) -> str:
    """The device of the demo with a claim for other waveforms too."""
    return device_text.replace("\n# of_range =", '\nwaveform_influence = "0.8 %"\n# of_range =', 1)
