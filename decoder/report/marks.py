"""The marks of verdicts in drawings: words, colours, shapes and hatchings, each by itself enough to tell them apart.

The colours stay apart for eyes that see no red, no green or no blue, and differ in lightness; the hatchings and shapes
are what is left of them in black and white. Classes of the same names let a page put colours of its own in their
place.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final
from xml.etree import ElementTree as ET

from decoder.crosscheck.assessment import Outcome
from decoder.crosscheck.verdict import Verdict

SVG: Final = "http://www.w3.org/2000/svg"
INK: Final = "#17211d"
QUIET: Final = "#4c5a54"
RULE: Final = "#c3cbc4"
PAPER: Final = "#ffffff"
# What XML can't hold, direction marks, and halves of characters.
_UNPRINTABLE: Final = re.compile(
    "[\x00-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff\u200e\u200f\u061c\u2028-\u202e\u2066-\u2069]"
)

Shape = tuple[
    tuple[str, Mapping[str, str]], ...
]  # elements in a square of 24 by 24; `v` stands for the colour


@dataclass(frozen=True, slots=True)
class Mark:
    """How one verdict is drawn: `word` for people, `colour`, `shape`, and the strokes of `hatching` (none: solid)."""

    word: str
    colour: str
    shape: Shape
    hatching: Shape = ()
    outlined: bool = field(default=False)


def _dot(radius: str, **more: str) -> tuple[str, Mapping[str, str]]:
    return "circle", {"cx": "12", "cy": "12", "r": radius, **more}


def _ring(**more: str) -> tuple[str, Mapping[str, str]]:
    return _dot("9.5", fill="none", stroke="v", **{"stroke-width": "2.4", **more})


def _stroke(d: str, colour: str = "v", width: str = "3") -> tuple[str, Mapping[str, str]]:
    return "path", {"d": d, "fill": "none", "stroke": colour, "stroke-width": width}


def _solid(d: str) -> tuple[str, Mapping[str, str]]:
    return "path", {"d": d, "fill": "v"}


# Hatchings repeat in a square of 8 by 8.
MARKS: Final[Mapping[Verdict, Mark]] = {
    Verdict.FITS: Mark(
        "fits", "#005c4b", (_dot("11", fill="v"), _stroke("M6 12.5l4.2 4.2L18 8.6", "paper"))
    ),
    Verdict.OLD_STOCK: Mark(
        "old stock",
        "#1c6cc4",
        (_ring(), _solid("M12 2.5a9.5 9.5 0 0 0 0 19z")),
        (_stroke("M0 2h8M0 6h8", width="1.8"),),
    ),
    Verdict.TOO_NEW: Mark(
        "too new",
        "#b8420a",
        (_solid("M3 1.5L22.5 12 3 22.5z"),),
        (_stroke("M0 -4l8 8M0 4l8 8", width="2.4"),),
    ),
    Verdict.TOO_OLD: Mark(
        "too old",
        "#4d2069",
        (_solid("M21 1.5L1.5 12 21 22.5z"),),
        (_stroke("M8 -4l-8 8M8 4l-8 8", width="2.4"),),
    ),
    Verdict.MISFIT: Mark(
        "misfit",
        "#8f1d14",
        (
            ("rect", {"x": "1.5", "y": "1.5", "width": "21", "height": "21", "fill": "v"}),
            _stroke("M7 7l10 10M17 7L7 17", "paper"),
        ),
        (_stroke("M0 0l8 8M8 0l-8 8", width="1.8"),),
    ),
    Verdict.NEVER: Mark(
        "never on originals",
        "#17211d",
        (_ring(**{"stroke-width": "3"}), _stroke("M5.5 18.5L18.5 5.5")),
    ),
    Verdict.UNDECIDED: Mark(
        "can’t tell",
        "#6a6e6c",
        (
            ("path", {"d": "M12 2l10 10-10 10L2 12z", "fill": "none", "stroke": "v", "stroke-width": "2.4"}),
            _dot("2.6", fill="v"),
        ),
        tuple(("circle", {"cx": at, "cy": at, "r": "1.3", "fill": "v"}) for at in ("2", "6")),
    ),
    Verdict.UNREAD: Mark("not read", "#6a6e6c", (_ring(**{"stroke-dasharray": "4 3"}),)),
}  # fmt: skip
OUTCOMES: Final[Mapping[Outcome, tuple[str, Verdict]]] = {
    Outcome.AGREES: ("Agrees", Verdict.FITS),
    Outcome.CONTRADICTED: ("Contradicted", Verdict.MISFIT),
    Outcome.UNDECIDED: ("Can’t tell", Verdict.UNDECIDED),
}


def plain(text: str) -> str:
    """Text as it may stand in a drawing: what can't be printed, and marks that turn the direction, become U+FFFD."""
    return _UNPRINTABLE.sub("\ufffd", text)


def number(value: float) -> str:
    """A coordinate, to a hundredth, in the fewest characters."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def element(parent: ET.Element | None, tag: str, **attributes: str | float) -> ET.Element:
    """A new element of a drawing; `_` in a name is `-`, a `_` at its end is dropped (`class_`)."""
    named = {
        name.rstrip("_").replace("_", "-"): value if isinstance(value, str) else number(value)
        for name, value in attributes.items()
    }
    return ET.Element(tag, named) if parent is None else ET.SubElement(parent, tag, named)


def drawn(parent: ET.Element, shape: Shape, colour: str) -> None:
    """Put the elements of a shape into a group, with their colour, and the classes by which a page recolours them."""
    for tag, attributes in shape:
        made = dict(attributes)
        for name in ("fill", "stroke"):
            if made.get(name) == "v":
                made[name] = colour
                made["class"] = f"t-{name}"
            elif made.get(name) == "paper":
                made[name] = PAPER
                made["class"] = "t-cut"
        ET.SubElement(parent, tag, made)


def glyph(parent: ET.Element, verdict: Verdict, x: float, y: float, size: float) -> ET.Element:
    """The shape of a verdict, `size` wide, with its upper left corner at x and y."""
    group = element(
        parent,
        "g",
        class_=f"t-glyph v-{verdict.value}",
        transform=f"translate({number(x)} {number(y)}) scale({size / 24:.4g})",
    )
    drawn(group, MARKS[verdict].shape, MARKS[verdict].colour)
    return group


def glyph_alone(verdict: Verdict) -> str:
    """The shape of a verdict as a drawing of its own, to stand in a line of text beside the word."""
    root = element(None, "svg", class_=f"glyph v-{verdict.value}", viewBox="0 0 24 24", width=14, height=14)
    root.set("aria-hidden", "true")
    drawn(root, MARKS[verdict].shape, MARKS[verdict].colour)
    return ET.tostring(root, encoding="unicode")
