"""Which pairs are remarked: one that the others do not bear out, and none that only saw the current wander."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.commands.new import BENCH_BY_HAND, new
from harness.evaluation.ratio.outlier_pairs import apart
from harness.files.bench import Bench
from harness.preparation.run_files import load_inputs
from harness.record.observations import ObservedPoint, ReadingPair
from harness.steps import Options
from harness.wording.sentences import reason_text


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return load_inputs(*new(tmp_path, BENCH_BY_HAND), "turns_check", Options()).bench


def point(*pairs: tuple[float, float]) -> ObservedPoint:
    return ObservedPoint(
        "x1", "x1 top", "single", 3.3, 10.0, tuple(ReadingPair(r, d, (0, 1), (0, 1)) for r, d in pairs)
    )


def test_a_pair_far_from_the_others_is_named_with_both_its_readings(bench: Bench) -> None:
    (remark,) = apart([point((3.3, 13.2), (3.3, 13.2), (3.301, 1.32), (3.3, 13.21))], bench, 0.001)
    told = reason_text(remark)
    assert told.startswith("at 3.3 A one of the 4 pairs")
    assert "the reference read 3.301 and the meter under test 1.32;" in told


@pytest.mark.parametrize("by", [0.9, 1.1])
def test_a_current_that_wanders_is_no_remark_and_an_unseen_wander_is(bench: Bench, by: float) -> None:
    """A tenth of mains seen by both, and by one of them alone."""
    steady = [(3.3, 3.3)] * 3
    assert apart([point(*steady, (3.3 * by, 3.3 * by))], bench, 0.001) == []
    assert len(apart([point(*steady, (3.3 * by, 3.3))], bench, 0.001)) == 1


def test_steps_of_a_coarse_display_are_no_remark(bench: Bench) -> None:
    """Five steps of the display are allowed beside half a percent; a point that nothing flowed at is passed over."""
    assert apart([point((0.02, 0.02), (0.02, 0.021), (0.02, 0.019), (0.02, 0.022))], bench, 0.001) == []
    assert apart([point((0.0, 0.0), (0.0, 0.0), (0.0, 1.0))], bench, 0.001) == []


@pytest.mark.parametrize("count", [3, 4, 6, 12])
def test_a_device_that_scatters_has_no_odd_pair(bench: Bench, count: int) -> None:
    """Normal scatter of 2 %, far more than half a percent: hardly a point in a hundred is remarked, a slip among it is."""
    draw = np.random.default_rng(11)
    scattered = [3.3 * (1 + 0.02 * draw.standard_normal(count)) for _ in range(1000)]
    assert sum(bool(apart([point(*((3.3, x) for x in values))], bench, 0.001)) for values in scattered) < 10
    slip = [*(3.3, 3.31, 3.29, 3.3)[: count - 1], 33.0]
    assert len(apart([point(*((3.3, x) for x in slip))], bench, 0.001)) == 1
