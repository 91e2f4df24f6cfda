"""The campaign of link faults, shortened: no wrong reading counts, every run ends complete or safe."""

import pytest

from tests.benchmarks.hostile import Outcome, campaign


def expect_nothing_wrong(outcome: Outcome) -> None:
    assert outcome.wrong == []
    assert outcome.left_on == 0
    assert outcome.not_safe == 0, outcome.reasons
    assert outcome.runs == outcome.complete + outcome.aborted + outcome.not_begun
    assert outcome.complete > 0
    assert outcome.readings > 0


def test_in_virtual_time_on_all_links_at_once() -> None:
    """Every kind of fault, whole runs."""
    expect_nothing_wrong(campaign(150, first_seed=500))


@pytest.mark.timeout(240)
def test_over_tcp_and_a_serial_line_in_real_time() -> None:
    """The same injector on real transports."""
    expect_nothing_wrong(campaign(15, first_seed=700, sockets=True))
