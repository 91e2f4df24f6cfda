"""A link that is cut in the middle of a run."""

import itertools

import pytest

from harness.preparation.run_files import RunInputs
from instruments.errors import LinkError
from instruments.links.link import Link
from simulated.simulated_bench import SimulatedBench
from tests.altered_links import AlteredLinks
from tests.on_twin import TwinRun


def cutting(bench: SimulatedBench, number: int) -> AlteredLinks:
    """Links whose `number`th query to the reference fails, as a cut cable makes it fail."""
    queries = itertools.count(1)

    def answer(link: Link, text: str) -> str:
        if next(queries) == number:
            link.close()
            raise LinkError("cut", instrument="multimeter", address="here", command=text)
        return link.query(text)

    return AlteredLinks(bench, "multimeter", answer)


@pytest.mark.parametrize("number", range(3, 90, 7))
def test_one_cut_anywhere_costs_a_point_taken_again_and_nothing_else(inputs: RunInputs, number: int) -> None:
    """The run completes; every point is finished once, from readings of one whole attempt."""
    twin = TwinRun(inputs)
    twin.links = cutting(twin.bench, number)
    twin.run()
    assert sum(1 for _ in twin.record.of_kind("trouble")) == 1
    points = [line["point"] for line in twin.record.of_kind("point")]
    assert points == sorted(set(points))
    assert twin.results().verdict == "pass"
