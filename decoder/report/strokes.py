"""What a timeline is drawn with: words, lines, bars, and how a bar ends on a day, open, or beyond the drawing."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final
from xml.etree import ElementTree as ET

from decoder.report.marks import INK, PAPER, QUIET, RULE, element, number
from decoder.report.scale import Edge, Scale, Span
from decoder.window import Window, WindowSet

LEAST_BAR: Final = 3.0  # width: a week is seen in a drawing of fifty years too
TOGETHER: Final = 1.0  # pixels: windows nearer to each other are one bar
FADE: Final = 30.0  # over which an open bar breaks up
FADES: Final = ((0.0, 9.0), (12.0, 6.0), (21.0, 3.0))  # its pieces: from, width
POINT: Final = 6.0  # length of the point of an arrow
CUT: Final = 9.0  # room for the two strokes of an end that lies beyond the drawing


@dataclass(frozen=True, slots=True)
class Paint:
    """How a bar is filled and outlined, and the classes by which a page recolours it."""

    names: str
    fill: str
    stroke: str
    stroke_width: float = 1
    dashes: str = ""


ALL_TOGETHER: Final = Paint("t-bar t-all", INK, INK)
NOT_IN_FORCE: Final = Paint("t-other", PAPER, QUIET, 0.9, "2 1.5")


def words(
    group: ET.Element,
    x: float,
    y: float,
    text: str,
    *,
    names: str = "t-ink",
    size: float = 12,
    **more: str | float,
) -> ET.Element:
    """A line of text, in ink; or quiet, if a class says so."""
    quiet = "t-quiet" in names.split()
    made = element(
        group, "text", x=x, y=y, class_=names, font_size=size, fill=QUIET if quiet else INK, **more
    )
    made.text = text
    return made


def stroke(group: ET.Element, names: str, d: str, colour: str, width: float, dashes: str = "") -> ET.Element:
    """A line that fills nothing."""
    made = element(group, "path", class_=names, d=d, stroke=colour, stroke_width=width, fill="none")
    if dashes:
        made.set("stroke-dasharray", dashes)
    return made


def rule(group: ET.Element, y: float, left: float, right: float, width: float = 0.6) -> None:
    """A line between two rows."""
    stroke(group, "t-rule", f"M{number(left)} {number(y)}H{number(right)}", RULE, width)


def bar(group: ET.Element, span: Span, middle: float, height: float, paint: Paint) -> None:
    """The bar of a span: whole between its days, broken up towards an open end, short of strokes beyond it."""
    left, right, y = span.left, span.right, middle - height / 2
    open_left, open_right = span.begins is Edge.OPEN, span.ends is Edge.OPEN
    room = (right - left) / (2 if open_left and open_right else 1)
    fade = min(FADE, max(0.0, room - LEAST_BAR))
    # The point of an arrow stays clear of the pieces, and the strokes of what goes on stay clear of the bar.
    solid_left = (
        left + (fade + POINT if open_left and fade else 0) + (CUT if span.begins is Edge.BEYOND else 0)
    )
    solid_right = (
        right - (fade + POINT if open_right and fade else 0) - (CUT if span.ends is Edge.BEYOND else 0)
    )
    if solid_right - solid_left < LEAST_BAR:
        centre = (left + right) / 2
        if open_right:
            centre = left + LEAST_BAR / 2
        elif open_left:
            centre = right - LEAST_BAR / 2
        solid_left, solid_right = centre - LEAST_BAR / 2, centre + LEAST_BAR / 2
    _piece(group, "t-solid", solid_left, solid_right - solid_left, y, height, paint)
    if fade < FADE:
        return
    for start, width in FADES:
        if open_right:
            _piece(group, "t-fade", solid_right + 3 + start, width, y, height, paint)
        if open_left:
            _piece(group, "t-fade", solid_left - 3 - start - width, width, y, height, paint)


def _piece(
    group: ET.Element, name: str, x: float, width: float, y: float, height: float, paint: Paint
) -> None:
    made = element(
        group,
        "rect",
        class_=f"{paint.names} {name}",
        x=x,
        y=y,
        width=width,
        height=height,
        fill=paint.fill,
        stroke=paint.stroke,
        stroke_width=paint.stroke_width,
    )
    if paint.dashes:
        made.set("stroke-dasharray", paint.dashes)


def ends(group: ET.Element, span: Span, middle: float, size: float, colour: str) -> None:
    """The arrow of an end that is open, the strokes of one that lies beyond the drawing."""
    for at, edge, out in ((span.left, span.begins, -1), (span.right, span.ends, 1)):
        if edge is Edge.OPEN:
            arrow(group, at, middle, size, out, colour)
        elif edge is Edge.BEYOND:
            cut_off(group, at, middle, out, colour)


def arrow(group: ET.Element, x: float, middle: float, size: float, out: int, colour: str = INK) -> None:
    """The point of an arrow at the edge: time goes on, and nothing ends it."""
    d = f"M{number(x)} {number(middle)}l{number(-out * size)} {number(-size)}v{number(2 * size)}z"
    element(group, "path", class_="t-arrow", d=d, fill=colour)


def cut_off(group: ET.Element, x: float, middle: float, out: int, colour: str = INK) -> None:
    """Two slanting strokes at the edge: it ends on a day beyond the drawing."""
    for aside in (2.5, 6):
        stroke(group, "t-beyond", f"M{number(x - out * aside - 1.5)} {number(middle + 8)}l3 -16", colour, 1.6)


def beyond(group: ET.Element, window: Window, scale: Scale, middle: float, below: float, colour: str) -> None:
    """A window that lies wholly outside: strokes at the edge where it is, and below them its nearest year."""
    before = scale.is_before(window)
    at, out = (scale.left, -1) if before else (scale.right, 1)
    one = element(group, "g", class_="t-outside")
    one.set("data-days", window.edtf())
    cut_off(one, at, middle, out, colour)
    day = window.latest_date if before else window.earliest_date
    if day is not None:
        text = f"‹ {day.year}" if before else f"{day.year} ›"
        words(one, at - out * 4, below + 4, text, size=10.5, text_anchor="start" if before else "end")


def stop(group: ET.Element, span: Span, middle: float) -> None:
    """A small stroke where the first or the last day that a part allows is reached."""
    for at, edge in ((span.left, span.begins), (span.right, span.ends)):
        if edge is Edge.DAY:
            stroke(group, "t-stop", f"M{number(at)} {number(middle - 5)}v10", QUIET, 1.2)


def room(edge: Edge) -> float:
    """How far from an edge nothing but its own sign is drawn."""
    return {Edge.DAY: 0.0, Edge.OPEN: FADE + POINT, Edge.BEYOND: CUT}[edge]


def joined(windows: WindowSet, scale: Scale) -> Iterator[Window]:
    """The windows, those as one that no eye could tell apart on this scale."""
    held: Window | None = None
    for window in windows:
        if held is not None and held.latest is not None and window.earliest is not None:
            if scale.x(window.earliest) - scale.x(held.latest + 1) < TOGETHER:
                held = held.hull(window)
                continue
            yield held
        held = window
    if held is not None:
        yield held


def shortened(text: str, columns: int) -> str:
    """A text that takes at most so many columns, cut with an ellipsis; a wide character takes two.

    >>> shortened("can capacitor", 20), shortened("a very long name of a part", 12)
    ('can capacitor', 'a very long…')
    """
    if _columns(text) <= columns:
        return text
    used = 0
    for place, character in enumerate(text):
        used += _columns(character)
        if used > columns - 1:
            return text[:place].rstrip() + "…"
    return text


def _columns(text: Iterable[str]) -> int:
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text
    )
