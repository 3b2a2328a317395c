"""A small plot as SVG that is read in black and white: lines told apart by dashes and marks, and named beside."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

WIDTH, HEIGHT = 720, 420
LEFT, RIGHT, TOP, BOTTOM = 78, 232, 44, 56
DASHES = ("", "7 3", "2 3", "9 3 2 3", "14 4", "1 5", "5 2 1 2 1 2")
STEPS = (1, 2, 5)


@dataclass(frozen=True, slots=True)
class Axis:
    """What an axis shows, with its unit, and whether its scale is logarithmic."""

    label: str
    log: bool = False


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its name and its points."""

    name: str
    points: Sequence[tuple[float, float]]


def svg(title: str, across: Axis, up: Axis, lines: Sequence[Line]) -> str:
    """The plot. Raises ValueError without a point, and for a point that a logarithmic axis can't show."""
    points = [point for line in lines for point in line.points]
    if not points:
        raise ValueError("a plot needs at least one point")
    x_ticks = ticks([x for x, _ in points], across.log)
    y_ticks = ticks([y for _, y in points], up.log, from_zero=not up.log)
    right, bottom = WIDTH - RIGHT, HEIGHT - BOTTOM

    def x_of(value: float) -> float:
        return LEFT + (right - LEFT) * _share(value, x_ticks[0], x_ticks[-1], across.log)

    def y_of(value: float) -> float:
        return bottom - (bottom - TOP) * _share(value, y_ticks[0], y_ticks[-1], up.log)

    made = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        'font-family="sans-serif" font-size="12" role="img">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>',
        f'<text x="{LEFT}" y="24" font-size="15" font-weight="bold">{escape(title)}</text>',
    ]
    for value in x_ticks:
        x = x_of(value)
        made.append(_stroke(x, TOP, x, bottom, "0.3"))
        made.append(f'<text x="{x:.1f}" y="{bottom + 18}" text-anchor="middle">{number(value)}</text>')
    for value in y_ticks:
        y = y_of(value)
        made.append(_stroke(LEFT, y, right, y, "0.3"))
        made.append(f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{number(value)}</text>')
    made.append(_stroke(LEFT, bottom, right, bottom, "1"))
    made.append(_stroke(LEFT, TOP, LEFT, bottom, "1"))
    made.append(
        f'<text x="{(LEFT + right) / 2:.0f}" y="{HEIGHT - 14}" text-anchor="middle">{escape(across.label)}</text>'
    )
    middle = (TOP + bottom) / 2
    made.append(
        f'<text x="18" y="{middle:.0f}" text-anchor="middle" transform="rotate(-90 18 {middle:.0f})">'
        f"{escape(up.label)}</text>"
    )
    for place, line in enumerate(lines):
        placed = [(x_of(x), y_of(y)) for x, y in line.points]
        made.append(_path(placed, place))
        made += [_mark(x, y, place) for x, y in placed]
        level = TOP + 12 + 20 * place
        made.append(_path([(right + 12, level), (right + 42, level)], place))
        made.append(_mark(right + 27, level, place))
        made.append(f'<text x="{right + 50}" y="{level + 4}">{escape(line.name)}</text>')
    return "\n".join([*made, "</svg>", ""])


def ticks(values: Sequence[float], log: bool, from_zero: bool = False) -> list[float]:
    """Round values that span these: powers of ten, with 2 and 5 between where there are few; else even steps.

    Raises ValueError for a value that isn't above 0 on a logarithmic scale.
    """
    low, high = min(values), max(values)
    if log:
        if low <= 0:
            raise ValueError(f"{low:g} can't stand on a logarithmic axis")
        decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
        every = [step * 10.0**n for n in decades for step in (STEPS if len(decades) < 4 else (1,))]
        first = max((t for t in every if t <= low * 1.0001), default=every[0])
        last = min((t for t in every if t >= high * 0.9999), default=every[-1])
        chosen = [t for t in every if first <= t <= last]
        return chosen if len(chosen) > 1 else [chosen[0], chosen[0] * 10]
    low = min(low, 0.0) if from_zero else low
    span = (high - low) or abs(high) or 1.0
    size = 10.0 ** math.floor(math.log10(span / 4))
    step = next(s * size for s in (1, 2, 5, 10) if span / (s * size) <= 6)
    first, last = math.floor(low / step), math.ceil(high / step)
    return [n * step for n in range(first, max(last, first + 1) + 1)]


def number(value: float) -> str:
    """A tick's label."""
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.9f}".rstrip("0").rstrip(".")


def _share(value: float, low: float, high: float, log: bool) -> float:
    if log:
        return math.log(value / low) / math.log(high / low)
    return (value - low) / (high - low)


def _stroke(x1: float, y1: float, x2: float, y2: float, width: str) -> str:
    return f'<path d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}" stroke="black" stroke-width="{width}"/>'


def _path(points: Sequence[tuple[float, float]], place: int) -> str:
    d = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    dash = f' stroke-dasharray="{DASHES[place % len(DASHES)]}"' if DASHES[place % len(DASHES)] else ""
    return f'<path class="line" d="{d}" fill="none" stroke="black" stroke-width="1.5"{dash}/>'


def _mark(x: float, y: float, place: int) -> str:
    """A circle, square, triangle or diamond: filled in the first round of names, hollow in the second."""
    fill = "black" if place // 4 % 2 == 0 else "white"
    shapes = (
        f"M{x - 3.5:.1f} {y:.1f}a3.5 3.5 0 1 0 7 0a3.5 3.5 0 1 0 -7 0",
        f"M{x - 3.2:.1f} {y - 3.2:.1f}h6.4v6.4h-6.4z",
        f"M{x:.1f} {y - 4.2:.1f}l4 7h-8z",
        f"M{x:.1f} {y - 4.6:.1f}l4.6 4.6l-4.6 4.6l-4.6 -4.6z",
    )
    return f'<path d="{shapes[place % 4]}" fill="{fill}" stroke="black"/>'
