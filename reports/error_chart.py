"""Chart of one range: ratio error against reference current, with uncertainty bars inside the allowed band."""

import math
from collections.abc import Sequence
from itertools import groupby
from typing import Literal

from reportlab.graphics.shapes import Drawing, Group, Line, Path, Polygon, PolyLine, Shape, String
from reportlab.lib.colors import Color
from reportlab.pdfbase.pdfmetrics import stringWidth

from harness.core.rounding import MINUS, current_exponent, current_unit, exact, trimmed
from harness.results import Point
from reports.fonts import REGULAR
from reports.page_style import ACCENT, INK, MEASURE, QUIET, RULE, TINT, WHITE

HEIGHT = 196.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 30.0, 6.0, 20.0, 28.0
_DODGE = 3.4  # points up and down share a current: they are drawn this far beside it, in points
_DASHES = (3, 2)
_CLIPPED_FROM = 4.0  # limits this many times beyond what the points need leave the picture


def error_chart(points: Sequence[Point]) -> Drawing | None:
    """Chart of `points` at the full measure; None where all share one reference current: it would show nothing."""
    points = [p for p in points if p.reference_current > 0]
    currents = [p.reference_current for p in points]
    if len({p.nominal_current for p in points}) < 2 or max(currents) < 1.01 * min(currents):
        return None
    drawing = Drawing(MEASURE, HEIGHT, initialFontName=REGULAR)
    scale = _Scale(points)
    band = _limits(points)
    guarded = any(allowed < limit for _, limit, allowed in band)
    curves = Group(scale.clip())
    for sign in (1, -1):
        curves.add(_curve(scale, [(x, sign * limit) for x, limit, _ in band], 0.9))
        if guarded:
            curves.add(_curve(scale, [(x, sign * max(allowed, 0.0)) for x, _, allowed in band], 0.7, dashed=True))
    if band:
        drawing.add(Group(scale.clip(), _band(scale, band)))
    for shape in (*_axes(scale), curves, *(_marked(scale, p) for p in points), *_legend(points, guarded)):
        drawing.add(shape)
    return drawing


class _Scale:
    """Converts reference currents (A, log) and errors (fraction, linear) to points on the drawing."""

    def __init__(self, points: Sequence[Point]) -> None:
        currents = [p.reference_current for p in points]
        self.exponent = current_exponent(max(currents))
        margin = (max(currents) / min(currents)) ** 0.04
        self.low, self.high = min(currents) / margin, max(currents) * margin
        limits = [limit for p in points if (limit := p.ratio_error.limit) is not None]
        tightest = 1.25 * min(limits, default=0.0)
        top = max(tightest, *(p.ratio_error.value + p.ratio_error.expanded_uncertainty for p in points))
        bottom = min(-tightest, *(p.ratio_error.value - p.ratio_error.expanded_uncertainty for p in points))
        widest = 1.1 * max(limits, default=0.0)
        if widest <= _CLIPPED_FROM * max(top, -bottom):
            top, bottom = max(top, widest), min(bottom, -widest)
        self.step = _nice((top - bottom) / 6)
        room = 0.05 * (top - bottom)
        self.top, self.bottom = top + room, bottom - room
        self.frame = (_LEFT, _BOTTOM, MEASURE - _LEFT - _RIGHT, HEIGHT - _TOP - _BOTTOM)

    def x(self, current: float) -> float:
        left, _, width, _ = self.frame
        return left + width * math.log(current / self.low) / math.log(self.high / self.low)

    def y(self, error: float) -> float:
        _, bottom, _, height = self.frame
        return bottom + height * (error - self.bottom) / (self.top - self.bottom)

    def clip(self) -> Path:
        left, bottom, width, height = self.frame
        path = Path(isClipPath=1, fillColor=None, strokeColor=None)
        path.moveTo(left, bottom)
        for x, y in ((left + width, bottom), (left + width, bottom + height), (left, bottom + height)):
            path.lineTo(x, y)
        path.closePath()
        return path


def _nice(rough: float) -> float:
    """The step of 1, 2 or 5 times a power of ten nearest above `rough`."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= rough * (1 - 1e-9))


def _limits(points: Sequence[Point]) -> list[tuple[float, float, float]]:
    """Reference current, smallest limit and smallest acceptance limit at each nominal current that is claimed, rising."""
    ordered = sorted(points, key=lambda p: p.nominal_current)
    joined = []
    for _, same in groupby(ordered, key=lambda p: p.nominal_current):
        group = list(same)
        claimed = [c for p in group if (c := p.ratio_error.conformity) is not None]
        if claimed:
            current = sum(p.reference_current for p in group) / len(group)
            joined.append((current, min(c.limit for c in claimed), min(c.acceptance_limit for c in claimed)))
    return joined


def _band(scale: _Scale, band: Sequence[tuple[float, float, float]]) -> Polygon:
    upper = [(x, limit) for x, limit, _ in band]
    outline = [*upper, *((x, -limit) for x, limit in reversed(upper))]
    flat = [v for x, e in outline for v in (scale.x(x), scale.y(e))]
    return Polygon(flat, fillColor=TINT, strokeColor=None)


def _curve(scale: _Scale, line: Sequence[tuple[float, float]], width: float, dashed: bool = False) -> PolyLine:
    flat = [v for x, e in line for v in (scale.x(x), scale.y(e))]
    curve = PolyLine(flat, strokeColor=ACCENT, strokeWidth=width)
    if dashed:
        curve.strokeDashArray = _DASHES
    return curve


def _axes(scale: _Scale) -> list[Shape]:
    left, bottom, width, height = scale.frame
    shapes: list[Shape] = [_rule(left, bottom, left + width, bottom, INK, 0.7)]
    decimals = max(0, -math.floor(math.log10(scale.step * 100) + 1e-9))
    for i in range(math.ceil(scale.bottom / scale.step), math.floor(scale.top / scale.step) + 1):
        zero = i == 0
        y = scale.y(i * scale.step)
        shapes.append(_rule(left, y, left + width, y, QUIET if zero else RULE, 0.6 if zero else 0.3))
        text = f"{i * scale.step * 100:.{decimals}f}".replace("-", MINUS)
        shapes.append(_text(left - 5, y - 2.6, text, "end"))
    spacious = math.log10(scale.high / scale.low) < 3.5
    for decade in range(math.floor(math.log10(scale.low)), math.ceil(math.log10(scale.high)) + 1):
        for digit in range(1, 10):
            current = digit * 10.0**decade
            if not scale.low <= current <= scale.high:
                continue
            x = scale.x(current)
            shapes.append(_rule(x, bottom, x, bottom - (4.5 if digit == 1 else 2.5), INK, 0.6 if digit == 1 else 0.4))
            if digit == 1:
                shapes.append(_rule(x, bottom, x, bottom + height, RULE, 0.3))
            if digit == 1 or (spacious and digit in (2, 5)):
                shapes.append(_text(x, bottom - 13, trimmed(exact(float(f"{current:.0e}"), -scale.exponent)), "middle"))
    shapes.append(_text(left + width, 2, f"Reference current in {current_unit(scale.exponent)}", "end"))
    shapes.append(_text(0, HEIGHT - 9, "Ratio error in %", "start"))
    return shapes


def _marked(scale: _Scale, p: Point) -> Group:
    x = scale.x(p.reference_current) + {"up": -_DODGE, "down": _DODGE}.get(p.direction, 0.0)
    error = p.ratio_error
    y = scale.y(error.value)
    low, high = (scale.y(error.value + s * error.expanded_uncertainty) for s in (-1, 1))
    return Group(*_bar(x, low, high), _marker(x, y, p.direction))


def _bar(x: float, low: float, high: float) -> list[Line]:
    """The bar of an uncertainty, with its ends."""
    return [_rule(x, low, x, high, INK, 0.7), *(_rule(x - 1.6, end, x + 1.6, end, INK, 0.7) for end in (low, high))]


def _marker(x: float, y: float, direction: str) -> Polygon:
    """Solid triangle pointing up, open triangle pointing down, solid diamond otherwise: told apart without colour."""
    if direction in ("up", "down"):
        s = 1 if direction == "up" else -1
        corners = [x - 3, y - 2.2 * s, x + 3, y - 2.2 * s, x, y + 3.2 * s]
    else:
        corners = [x - 3, y, x, y - 3.4, x + 3, y, x, y + 3.4]
    return Polygon(corners, fillColor=WHITE if direction == "down" else ACCENT, strokeColor=ACCENT, strokeWidth=0.9)


def _legend(points: Sequence[Point], guarded: bool) -> list[Group]:
    """The meaning of the signs, set from the right edge leftwards."""
    entries = ["limit", *(["acceptance limit"] if guarded else []), "expanded uncertainty U"]
    entries += [d for d in ("single", "down", "up") if any(p.direction == d for p in points)]
    groups = []
    x, y = MEASURE - _RIGHT, HEIGHT - 9
    words = {"up": "rising", "down": "falling", "single": "single"}
    for entry in entries:
        label = words.get(entry, entry)
        x -= stringWidth(label, REGULAR, 8)
        group = Group(_text(x, y, label, "start"))
        middle = y + 2.6
        if entry in words:
            group.add(_marker(x - 8, middle, entry))
        elif entry.endswith("limit"):
            limit = Line(x - 17, middle, x - 4, middle, strokeColor=ACCENT, strokeWidth=0.9)
            if entry != "limit":
                limit.strokeDashArray = _DASHES
            group.add(limit)
        else:
            for line in _bar(x - 8, middle - 4, middle + 4):
                group.add(line)
        groups.append(group)
        x -= 27 if entry.endswith("limit") else 19
    return groups


def _rule(x1: float, y1: float, x2: float, y2: float, colour: Color, width: float) -> Line:
    return Line(x1, y1, x2, y2, strokeColor=colour, strokeWidth=width)


def _text(x: float, y: float, text: str, anchor: Literal["start", "middle", "end"]) -> String:
    return String(x, y, text, fontName=REGULAR, fontSize=8, fillColor=QUIET, textAnchor=anchor)
