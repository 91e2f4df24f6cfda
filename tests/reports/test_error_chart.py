"""The chart as geometry: what is read off it must be what was measured."""

import math
import random
from collections.abc import Iterator

import pytest
from reportlab.graphics.shapes import Drawing, Group, Polygon, Shape, String

from harness.results import Point
from reports import fonts
from reports.error_chart import HEIGHT, error_chart
from reports.page_style import MEASURE
from tests.reports import sample_results


@pytest.fixture(autouse=True)
def _registered() -> None:
    fonts.register()


def _shapes(group: Drawing | Group) -> Iterator[Shape]:
    for shape in group.contents:
        if isinstance(shape, Group):
            yield from _shapes(shape)
        else:
            yield shape


def _markers(points: list[Point]) -> list[tuple[float, float, Polygon]]:
    """Centre and outline of each point's marker, in the order of the points; legend and band left out."""
    drawing = error_chart(points)
    assert drawing is not None
    groups = [g for g in drawing.contents if isinstance(g, Group) and isinstance(g.contents[-1], Polygon)]
    outlines = [g.contents[-1] for g in groups if not isinstance(g.contents[0], String)]
    middles = []
    for outline in outlines[-len(points) :]:
        xs, ys = outline.points[::2], outline.points[1::2]
        middles.append(((min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2, outline))
    return middles


def _points(
    errors: list[float], direction: str = "single", limit: float | None = None, rule: str = "guarded"
) -> list[Point]:
    rng = random.Random(5)
    return [
        sample_results.point("x1", direction, 0.1 * 10**i, 100.0, error, rng, limit, rule)
        for i, error in enumerate(errors)
    ]


def test_equal_ratios_of_current_are_equally_far_apart() -> None:
    points = _points([0.0] * 4)
    xs = [x for x, _, _ in _markers(points)]
    per_decade = [
        (b - a) / math.log10(q.reference_current / p.reference_current)
        for a, b, p, q in zip(xs, xs[1:], points, points[1:], strict=False)
    ]
    assert per_decade == pytest.approx([per_decade[0]] * 3, rel=1e-9)


@pytest.mark.parametrize("errors", [[0.001, 0.004, -0.003, 0.0], [-0.5, -0.51, -0.49, -0.5], [3.0, 0.0, -0.9, 0.1]])
def test_height_is_linear_in_the_error_and_inside_the_picture(errors: list[float]) -> None:
    points = _points(errors)
    ys = [y for _, y, _ in _markers(points)]
    lowest, highest = (f(points, key=lambda p: p.ratio_error.value) for f in (min, max))
    low, high = ys[points.index(lowest)], ys[points.index(highest)]
    for y, p in zip(ys, points, strict=True):
        share = (p.ratio_error.value - lowest.ratio_error.value) / (
            highest.ratio_error.value - lowest.ratio_error.value
        )
        assert y == pytest.approx(low + share * (high - low), abs=0.05)
        assert 28.0 < y < HEIGHT - 20.0


def test_rising_and_falling_points_differ_in_outline_and_in_filling() -> None:
    rising = _markers(_points([0.0, 0.0], "up"))[0][2]
    falling = _markers(_points([0.0, 0.0], "down"))[0][2]
    peaks = [max(o.points[1::2]) - sorted(o.points[1::2])[1] for o in (rising, falling)]
    assert peaks[0] > 3 > peaks[1]
    assert rising.fillColor != falling.fillColor


def test_points_taken_up_and_down_at_one_current_do_not_cover_each_other() -> None:
    both = [*_points([0.0, 0.0], "up"), *_points([0.0, 0.0], "down")]
    (up, _, _), _, (down, _, _), _ = _markers(both)
    assert down - up > 6


def test_nothing_lies_outside_the_drawing() -> None:
    drawing = error_chart(_points([-0.5, -0.5, 0.2, 0.001]))
    assert drawing is not None
    left, bottom, right, top = drawing.getBounds()
    assert left >= -0.1
    assert bottom >= -0.1
    assert right <= MEASURE + 0.1
    assert top <= HEIGHT + 0.1


def test_axes_name_quantity_and_unit_and_mark_every_decade() -> None:
    drawing = error_chart(_points([0.0, 0.001, 0.002], rule="simple"))
    assert drawing is not None
    texts = [s.text for s in _shapes(drawing) if isinstance(s, String)]
    assert {"Ratio error in %", "Reference current in A", "1", "0"} <= set(texts)
    assert "limit" in texts
    assert "acceptance limit" not in texts


def test_a_guard_band_shows_its_acceptance_limit() -> None:
    drawing = error_chart(_points([0.0, 0.001, 0.002]))
    assert drawing is not None
    assert "acceptance limit" in [s.text for s in _shapes(drawing) if isinstance(s, String)]


def test_milliamperes_are_used_where_the_whole_range_lies_below_one_ampere() -> None:
    rng = random.Random(6)
    points = [sample_results.point("x20", "up", i, 0.4, 0.0, rng) for i in (0.004, 0.04, 0.4)]
    drawing = error_chart(points)
    assert drawing is not None
    texts = {s.text for s in _shapes(drawing) if isinstance(s, String)}
    assert {"Reference current in mA", "10", "100"} <= texts


def test_one_current_makes_no_chart() -> None:
    assert error_chart(_points([0.001])) is None
    assert error_chart([]) is None
