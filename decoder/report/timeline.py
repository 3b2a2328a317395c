"""The timeline: one drawing (SVG) of an assessment, a row for each part, time from left to right.

A bar is a window of the readings in force, drawn as its own verdict is; its tail are the days on which the instrument
can have been completed by that part: thick for the usual lag, thin for the longest. Other readings stand below as
outlines. The claim is a band through all rows. A bar that is open breaks up and ends in an arrow; one that goes on
beyond the drawing ends in two strokes. Each verdict has a word, a shape and a hatching beside its colour.

The drawing carries presentation attributes and classes alone, so that it may stand in a page whose policy allows no
styles of its own; the same text is the file that `partdate check --svg` writes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final
from xml.etree import ElementTree as ET

from decoder.crosscheck.agreement import Explanation
from decoder.crosscheck.assessment import Assessment, PartAssessment
from decoder.crosscheck.verdict import Evidence, Verdict
from decoder.crosscheck.wording import counted, listed, windows_text
from decoder.report.marks import (
    INK,
    MARKS,
    OUTCOMES,
    PAPER,
    QUIET,
    RULE,
    SVG,
    drawn,
    element,
    glyph,
    number,
    plain,
)
from decoder.report.rowwords import others_of, remark_of, row_of, text_of
from decoder.report.scale import Edge, Scale, Span, scale_of
from decoder.report.strokes import (
    ALL_TOGETHER,
    NOT_IN_FORCE,
    Paint,
    arrow,
    bar,
    beyond,
    ends,
    joined,
    room,
    rule,
    shortened,
    stop,
    stroke,
    words,
)
from decoder.scheme.reading import union_of
from decoder.window import ALL, Claim, Window, WindowSet

WIDTH: Final = 800
LEFT: Final = 176  # where the drawing of days begins; the names of parts stand before it
RIGHT: Final = 156  # what the verdicts take at the right
SIDE: Final = WIDTH - RIGHT + 12  # where they begin
ROW: Final = 38
BAR: Final = 13  # heights
JOINT: Final = 8
USUAL: Final = 6
LONGEST: Final = 1.6
OTHER: Final = 5
MIDDLE: Final = 15  # of a bar, from the top of its row
BELOW: Final = 28  # of other readings, likewise
NAME_COLUMNS: Final = 20
MARK_COLUMNS: Final = 25
SIDE_COLUMNS: Final = 24
CLAIM_COLUMNS: Final = 40
TITLE_COLUMNS: Final = 84
SANS: Final = "Seravek, 'Gill Sans Nova', Ubuntu, Calibri, 'DejaVu Sans', source-sans-pro, sans-serif"
STAMP: Final = (
    "ui-monospace, 'Cascadia Code', 'Source Code Pro', Menlo, Consolas, 'DejaVu Sans Mono', monospace"
)
CLAIM_FILL: Final = "#e4e0d0"


def timeline(assessment: Assessment, *, name: str = "") -> str:
    """The whole assessment as one drawing. `name` says what the instrument is, such as its maker and model."""
    return _drawing(assessment, assessment.parts, name, "tl", is_last=True)


def timeline_in_pieces(assessment: Assessment, most: int, *, name: str = "") -> list[str]:
    """The same as several drawings of at most `most` parts each, about as long as each other, on one scale."""
    parts = assessment.parts
    count = max(1, -(-len(parts) // most))
    cuts = [round(place * len(parts) / count) for place in range(count + 1)]
    return [
        _drawing(
            assessment, parts[start:end], name if not start else "", f"tl{place}", is_last=end == len(parts)
        )
        for place, (start, end) in enumerate(pairwise(cuts))
    ]


def _drawing(
    assessment: Assessment, parts: Sequence[PartAssessment], name: str, prefix: str, *, is_last: bool
) -> str:
    scale = scale_of(assessment, LEFT, WIDTH - LEFT - RIGHT)
    root = element(None, "svg", xmlns=SVG, class_="timeline", role="img")
    root.set("aria-labelledby", f"{prefix}-title {prefix}-desc")
    shown = plain(name) if name else "the instrument"
    element(root, "title", id=f"{prefix}-title").text = f"Timeline of {shown}: {counted(len(parts), 'part')}"
    element(root, "desc", id=f"{prefix}-desc").text = " ".join(_description(assessment, parts))
    _patterns(root, prefix)
    ground = element(root, "rect", class_="t-ground", width=WIDTH, fill=PAPER)
    behind = element(root, "g")
    top = _head(root, assessment, name) if name else 6.0
    top = _claim_names(root, assessment, scale, top)
    top = bottom = _years(root, scale, top)
    for part in parts:
        _part(root, part, scale, bottom, prefix)
        bottom += ROW
    if is_last:
        bottom = _together(root, assessment, scale, bottom)
    _background(behind, assessment, scale, top, bottom)
    if is_last:
        bottom = _legend(root, bottom)
    height = number(bottom + 6)
    ground.set("height", height)
    root.attrib |= {"viewBox": f"0 0 {WIDTH} {height}", "width": str(WIDTH), "height": height}
    root.attrib |= {"font-family": SANS, "font-size": "12", "fill": INK}
    return ET.tostring(root, encoding="unicode")


def _description(assessment: Assessment, parts: Sequence[PartAssessment]) -> Iterator[str]:
    """The drawing in words, for those who hear it."""
    yield f"{OUTCOMES[assessment.outcome][0]}."
    yield f"Claim {plain(assessment.claim.text)}." if assessment.claim is not None else "No claim."
    if assessment.second_claim is not None:
        yield f"Second claim {plain(assessment.second_claim.claim.text)}."
    for row in map(row_of, parts):
        said = [f"{row.part}, {row.title}: {row.verdict}"]
        said += [f"reads {row.reads}"] if row.reads else []
        said += [f"allows completion {row.allows}"] if row.allows else []
        said += [f"other readings, not in force, {row.others}"] if row.others else []
        said += [row.remark] if row.remark else []
        yield "; ".join(said) + "."
    yield f"All parts allow {windows_text(assessment.joint_windows)}."
    aside = _explanation(assessment)
    if aside is not None:
        yield f"With {plain(listed(aside.set_aside))} set aside: {windows_text(aside.windows)}."
    if assessment.estimate is not None:
        even, nine = assessment.estimate.interval_50, assessment.estimate.interval_90
        yield f"Estimate: even chance {windows_text(even)}, nine in ten {windows_text(nine)}."


def _patterns(root: ET.Element, prefix: str) -> None:
    """The hatchings of the verdicts that have one."""
    held = element(root, "defs")
    for verdict, mark in MARKS.items():
        if mark.hatching:
            made = element(
                held,
                "pattern",
                id=f"{prefix}-{verdict.value}",
                class_=f"v-{verdict.value}",
                width=8,
                height=8,
                patternUnits="userSpaceOnUse",
            )
            element(made, "rect", class_="t-cut-fill", width=8, height=8, fill=PAPER)
            drawn(made, mark.hatching, mark.colour)


# ---------------------------------------------------------------------------------------------------------------
# Above the rows and behind them


def _head(root: ET.Element, assessment: Assessment, name: str) -> float:
    """The outcome and what the instrument is; each of these gives back where the next one begins."""
    word, verdict = OUTCOMES[assessment.outcome]
    group = element(root, "g", class_=f"t-head v-{assessment.outcome.value}")
    glyph(group, verdict, 8, 7, 18)
    line = words(group, 32, 21, "", size=15)
    element(line, "tspan", font_weight=700).text = word
    rest = element(line, "tspan", dx=8, class_="t-quiet", fill=QUIET, font_size=13)
    rest.text = shortened(plain(name), TITLE_COLUMNS - len(word))
    return 36.0


def _claims(assessment: Assessment) -> Iterator[tuple[str, Claim]]:
    if assessment.claim is not None:
        yield "claim", assessment.claim
    if assessment.second_claim is not None:
        yield "second claim", assessment.second_claim.claim


def _claim_names(root: ET.Element, assessment: Assessment, scale: Scale, top: float) -> float:
    """The names of the claims above their bands; the bands themselves are drawn once the height is known."""
    for label, claim in _claims(assessment):
        found = [span for span in map(scale.span, claim.windows) if span is not None]
        if found:
            text = shortened(f"{label} {plain(claim.text)}", CLAIM_COLUMNS)
            half = len(text) * 3.4
            at = min(max((found[0].left + found[0].right) / 2, half + 4), WIDTH - half - 4)
            words(root, at, top + 12, text, text_anchor="middle", font_weight=600)
        top += 16
    return top


def _years(root: ET.Element, scale: Scale, top: float) -> float:
    for tick in scale.ticks():
        if tick.label:
            names, size = ("t-year", 11) if tick.is_year else ("t-quiet", 10)
            words(root, tick.x, top + 12, tick.label, names=names, size=size, text_anchor="middle")
    return top + 18


def _background(behind: ET.Element, assessment: Assessment, scale: Scale, top: float, bottom: float) -> None:
    """The bands of the claims, the lines of the scale over them, and the ends of the claims over those."""
    bands = [
        (span, window, label == "claim")
        for label, claim in _claims(assessment)
        for window in claim.windows
        if (span := scale.span(window)) is not None
    ]
    for span, window, is_first in bands:
        group = element(behind, "g", class_="t-claim" if is_first else "t-second")
        group.set("data-days", window.edtf())
        element(
            group,
            "rect",
            class_="t-band",
            x=span.left,
            y=top,
            width=max(span.right - span.left, 1.0),
            height=bottom - top,
            fill=CLAIM_FILL if is_first else "none",
        )
    for tick in scale.ticks():
        names = "t-rule t-tick" if tick.is_year else "t-rule"
        d = f"M{number(tick.x)} {number(top)}V{number(bottom)}"
        stroke(behind, names, d, RULE, 1 if tick.label else 0.5)
    for span, _, is_first in bands:
        group = element(behind, "g", class_="t-claim" if is_first else "t-second")
        for at, edge, out in ((span.left, span.begins, -1), (span.right, span.ends, 1)):
            if edge is Edge.DAY:
                d = f"M{number(at)} {number(top - 4)}V{number(bottom)}"
                stroke(group, "t-edge", d, INK, 1.2, "" if is_first else "5 3")
            else:
                arrow(group, at, top - 1, 5, out)


# ---------------------------------------------------------------------------------------------------------------
# A row


def _part(root: ET.Element, part: PartAssessment, scale: Scale, top: float, prefix: str) -> None:
    evidence = part.evidence
    mark = MARKS[evidence.verdict]
    group = element(root, "g", class_=f"t-row v-{evidence.verdict.value}")
    group.set("data-part", plain(evidence.part.id))
    tip = f"{plain(evidence.part.id)} ({evidence.title}): {mark.word}. {plain(part.reason)}"
    element(group, "title").text = tip
    _names(group, evidence.part.id, text_of(part), top)
    if evidence.takes_part:
        _tails(group, evidence, scale, top + MIDDLE)
    for verdict, windows in _windows(evidence):
        _bars(group, verdict, windows, scale, top, prefix, is_faint=evidence.part.disclosed)
    if evidence.verdict is Verdict.NEVER:
        _never(group, scale, top + MIDDLE)
    for window in joined(others_of(evidence), scale):
        _other(group, window, scale, top + BELOW)
    glyph(group, evidence.verdict, SIDE, top + 7, 15)
    words(group, SIDE + 21, top + 19, mark.word, names="t-ink t-word")
    remark = shortened(remark_of(evidence), SIDE_COLUMNS)
    if remark:
        words(group, SIDE + 21, top + 32, remark, names="t-quiet", size=10)


def _names(group: ET.Element, name: str, below: str, top: float, width: float = 0.6) -> None:
    """The line above a row, its name, and under that what was read."""
    rule(group, top, 4, WIDTH - 4, width)
    words(group, 8, top + 17, shortened(plain(name), NAME_COLUMNS), names="t-ink t-name", font_weight=600)
    if below:
        text = shortened(below, MARK_COLUMNS)
        words(group, 8, top + 31, text, names="t-quiet", size=10.5, font_family=STAMP)


def _windows(evidence: Evidence) -> Iterator[tuple[Verdict, WindowSet]]:
    """The windows of the readings in force under their own verdicts, those of the part's verdict last, on top."""
    found: dict[Verdict, list[WindowSet]] = {}
    for one in evidence.weighed:
        if one.reading.never:
            continue
        if not one.pieces:
            found.setdefault(one.verdict, []).append(one.reading.window)
        for piece in one.pieces:
            found.setdefault(piece.verdict, []).append(WindowSet((piece.window,)))
    for verdict in sorted(found, key=lambda v: (v is evidence.verdict, v.value)):
        yield verdict, union_of(found[verdict])


def _tails(group: ET.Element, evidence: Evidence, scale: Scale, middle: float) -> None:
    """The days of completion that a part allows: with the longest lag a line, with the usual one a thicker one."""
    for days, is_longest in ((evidence.allowed, True), (evidence.allowed_usual, False)):
        for window in joined(days, scale):
            span = scale.span(window)
            if span is None or days == ALL:
                continue
            # No tail runs through the pieces of an open end, or the strokes of one that lies beyond.
            left, right = span.left + room(span.begins), span.right - room(span.ends)
            if right > left:
                _tail(group, left, right, middle, is_longest).set("data-days", window.edtf())
                if is_longest:
                    stop(group, span, middle)


def _tail(group: ET.Element, left: float, right: float, middle: float, is_longest: bool) -> ET.Element:
    height = LONGEST if is_longest else USUAL
    return element(
        group,
        "rect",
        class_=f"t-tail {'t-longest' if is_longest else 't-usual'}",
        x=left,
        y=middle - height / 2,
        width=max(right - left, 0.5),
        height=height,
        fill=QUIET,
        fill_opacity=1 if is_longest else 0.45,
    )


def _bars(
    group: ET.Element,
    verdict: Verdict,
    windows: WindowSet,
    scale: Scale,
    top: float,
    prefix: str,
    *,
    is_faint: bool,
) -> None:
    mark = MARKS[verdict]
    held = element(group, "g", class_=f"t-bars v-{verdict.value}")
    if is_faint:
        paint = Paint("t-bar t-faint", PAPER, mark.colour, dashes="3 2")
    elif mark.hatching:
        paint = Paint("t-bar t-hatched", f"url(#{prefix}-{verdict.value})", mark.colour)
    else:
        paint = Paint("t-bar", mark.colour, mark.colour)
    for window in joined(windows, scale):
        span = scale.span(window)
        if span is None:
            beyond(held, window, scale, top + MIDDLE, top + BELOW, mark.colour)
            continue
        one = element(held, "g")
        one.set("data-days", window.edtf())
        bar(one, span, top + MIDDLE, BAR, paint)
        ends(one, span, top + MIDDLE, 6, mark.colour)


def _never(group: ET.Element, scale: Scale, middle: float) -> None:
    """A feature that originals never have bounds no day: dots over all of them."""
    d = f"M{number(scale.left + 6)} {number(middle)}H{number(scale.right - 6)}"
    stroke(group, "t-never t-stroke", d, MARKS[Verdict.NEVER].colour, 2, "2 6")


def _other(group: ET.Element, window: Window, scale: Scale, middle: float) -> None:
    """A reading that is not in force: a thin outline."""
    span = scale.span(window)
    if span is not None:
        one = element(group, "g", class_="t-others")
        one.set("data-days", window.edtf())
        bar(one, span, middle, OTHER, NOT_IN_FORCE)
        for at, edge, out in ((span.left, span.begins, -1), (span.right, span.ends, 1)):
            if edge is Edge.OPEN:
                arrow(one, at, middle, 3, out, QUIET)


# ---------------------------------------------------------------------------------------------------------------
# What all parts say together


def _together(root: ET.Element, assessment: Assessment, scale: Scale, top: float) -> float:
    """The days that all parts allow, those left when the fewest are set aside, and the estimate."""
    group = element(root, "g", class_="t-joint")
    _names(group, "All parts together", "", top, 2)
    if not assessment.joint_windows:
        words(group, SIDE, top + MIDDLE + 4, "no common day", names="t-ink t-none")
    _joint(group, assessment.joint_windows, scale, top)
    top += ROW - 8
    aside = _explanation(assessment)
    if aside is not None:
        group = element(root, "g", class_="t-aside")
        _names(group, f"With {len(aside.set_aside)} set aside", "", top)
        named = shortened(plain(listed(aside.set_aside)), MARK_COLUMNS + 2)
        words(group, 8, top + 31, named, names="t-quiet", size=10.5)
        _joint(group, aside.windows, scale, top)
        top += ROW
    if assessment.estimate is not None:
        group = element(root, "g", class_="t-estimate")
        _names(group, "Estimate", "", top)
        _estimate(group, assessment.estimate.interval_50, assessment.estimate.interval_90, scale, top)
        top += ROW
    return top


def _explanation(assessment: Assessment) -> Explanation | None:
    """The best way to make the rest agree, if one is needed: for the claim to hold, or whatever the claim."""
    for found in (assessment.claim_explanations, assessment.explanations):
        if found.shown:
            return found.shown[0] if found.shown[0].set_aside else None
    return None


def _joint(group: ET.Element, windows: WindowSet, scale: Scale, top: float) -> None:
    middle = top + MIDDLE + 2
    for window in joined(windows, scale):
        span = scale.span(window)
        if span is None:
            beyond(group, window, scale, middle, top + BELOW, INK)
            continue
        one = element(group, "g")
        one.set("data-days", window.edtf())
        bar(one, span, middle, JOINT, ALL_TOGETHER)
        ends(one, span, middle, 5, INK)


def _estimate(group: ET.Element, even: WindowSet, nine_in_ten: WindowSet, scale: Scale, top: float) -> None:
    """The estimate as a hill of two steps: the days that hold half of the chances stand twice as high."""
    ground = top + ROW - 5
    for windows, height, name in ((nine_in_ten, 12, "t-90"), (even, 26, "t-50")):
        for window in joined(windows, scale):
            span = scale.span(window)
            if span is not None:
                element(
                    group,
                    "rect",
                    class_=f"t-step {name}",
                    x=span.left,
                    y=ground - height,
                    width=max(span.right - span.left, 1.0),
                    height=height,
                    fill=QUIET,
                    fill_opacity=0.55 if name == "t-90" else 1,
                ).set("data-days", window.edtf())
    for line, text in ((17, "high step: even chance"), (31, "low step: nine in ten")):
        words(group, SIDE, top + line, text, names="t-quiet", size=10.5)
    stroke(group, "t-rule", f"M{number(scale.left)} {number(ground)}H{number(scale.right)}", QUIET, 0.8)


def _legend(root: ET.Element, top: float) -> float:
    """How bars, tails and ends are to be read; the verdicts are told by the words in their rows."""
    group = element(root, "g", class_="t-legend")
    rule(group, top, 4, WIDTH - 4)
    middle = top + 16
    _tail(group, 30, 54, middle, False)
    _tail(group, 30, 78, middle, True)
    stop(group, Span(78, 78, Edge.BEYOND, Edge.DAY), middle)
    for span, text, at in (
        (Span(8, 30, Edge.DAY, Edge.DAY), "read; usual lag; longest lag", 86),
        (Span(262, 316, Edge.DAY, Edge.OPEN), "no end known", 324),
        (Span(424, 456, Edge.DAY, Edge.BEYOND), "ends farther out", 466),
    ):
        bar(group, span, middle, BAR, ALL_TOGETHER)
        ends(group, span, middle, 6, INK)
        words(group, at, middle + 4, text, names="t-quiet", size=10.5)
    bar(group, Span(586, 616, Edge.DAY, Edge.DAY), middle, OTHER, NOT_IN_FORCE)
    words(group, 624, middle + 4, "read too, but not in force", names="t-quiet", size=10.5)
    return top + 30
