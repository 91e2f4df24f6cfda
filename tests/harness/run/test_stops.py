"""A run that is stopped, and loads that lie: everything off and confirmed, or the person is told that it is not."""

import io
from typing import Any

import pytest

from harness.core.errors import AbortedSafe, NotSafe
from harness.files.instrument_entry import InstrumentEntry
from harness.preparation.run_files import RunInputs
from harness.preparation.twin import TwinLinks
from instruments.links.link import Link
from instruments.profile import Profile
from simulated.simulated_bench import SimulatedBench
from tests.altered_links import Altered
from tests.harness.run.stop_after import StopAfter
from tests.on_twin import TwinRun


@pytest.mark.parametrize("count", [1, 2, 3, 5, 8, 13, 21])
def test_a_stop_at_any_step_is_safe_and_recorded(inputs: RunInputs, count: int) -> None:
    """Whatever was being done: everything off, seen off by the reference, a stop line, AbortedSafe."""
    watcher = StopAfter(count)
    twin = TwinRun(inputs, progress=watcher)
    watcher.request = twin.stop.request
    with pytest.raises(AbortedSafe, match="stopped by SIGINT; everything is off and confirmed"):
        twin.run()
    assert not twin.bench.truth().load_on
    assert twin.record.lines[-1]["outcome"] == "aborted"
    assert twin.record.lines[-2]["kind"] == "safe"


class LyingLinks(TwinLinks):
    """Links to a load that, once it has been on, swallows what would take its current away and still says it is off."""

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        link = super().text(name, entry, profile)
        return Lying(link) if name == "source" else link


class Lying:
    def __init__(self, link: Link) -> None:
        self._link, self._armed = link, False

    def write(self, text: str) -> None:
        self._armed |= text == "OUTPut ON"
        if not (self._armed and text in ("OUTPut OFF", "SOURce:CURRent 0")):
            self._link.write(text)

    def read(self) -> str:
        return self._link.read()

    def query(self, text: str) -> str:
        return "0" if text == "OUTPut?" else self._link.query(text)

    def close(self) -> None:
        self._link.close()


@pytest.mark.parametrize("count", [4, 10_000])
def test_a_load_that_says_off_and_still_drives_is_not_safe(inputs: RunInputs, count: int) -> None:
    """Off means off twice: the reference still reads current, at a range change and after a stop alike."""
    watcher = StopAfter(count)
    twin = TwinRun(inputs, progress=watcher)
    twin.links = LyingLinks(twin.bench)
    watcher.request = twin.stop.request
    with pytest.raises(NotSafe, match="still flows"):
        twin.run()
    assert twin.record.lines[-1]["outcome"] == "not safe"


class Stubborn(Lying):
    """Does not switch off either, and says so."""

    refused = False

    def write(self, text: str) -> None:
        self.refused |= self._armed and text == "OUTPut OFF"
        super().write(text)

    def query(self, text: str) -> str:
        return self._link.query(text)


class StubbornLinks(TwinLinks):
    """A load that stays on; where it is `defective`, the driver of the reference breaks from then on."""

    def __init__(self, bench: SimulatedBench, defective: bool) -> None:
        super().__init__(bench)
        self._defective = defective
        self._loads: list[Stubborn] = []

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        link = super().text(name, entry, profile)
        if name == "source":
            self._loads.append(Stubborn(link))
            return self._loads[-1]
        return Altered(link, self._answer) if name == "multimeter" else link

    def _answer(self, link: Link, text: str) -> str:
        if self._defective and text == "READ?" and any(load.refused for load in self._loads):
            raise ZeroDivisionError("a defect")
        return link.query(text)


class Unwritable(io.BytesIO):
    """Takes everything but the last line of a run."""

    def write(self, data: Any) -> int:
        if b'"kind":"stop"' in bytes(data):
            raise ValueError("cannot be written")
        return super().write(data)


@pytest.mark.parametrize("defect", ["reference", "record"])
def test_not_safe_is_told_whatever_else_is_defective(inputs: RunInputs, defect: str) -> None:
    """The load does not switch off, and what would look at it or write it down breaks: the person must still be told."""
    twin = TwinRun(inputs, stream=Unwritable() if defect == "record" else io.BytesIO())
    twin.links = StubbornLinks(twin.bench, defect == "reference")
    with pytest.raises(NotSafe, match="by hand now"):
        twin.run()
