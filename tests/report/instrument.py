"""An instrument of Harrow & Vale, an invented maker, that shows every verdict; and how the tests read a drawing."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any
from xml.etree import ElementTree as ET

from decoder.crosscheck import check, load_sheet
from decoder.crosscheck.assessment import Assessment
from decoder.crosscheck.sheet import Instrument
from decoder.tables import shipped

TODAY = date(2026, 11, 25)
NS = "{http://www.w3.org/2000/svg}"
MARKUP = "\"'><script>alert(1)</script>&amp;"

SHEET: dict[str, Any] = {
    "instrument": {
        "maker": "Harrow & Vale", "model": "Estuary", "country": "US", "claim": "1965", "second_claim": "1967/1968",
    },
    "parts": [
        {"id": "serial", "part": "serial", "marking": "34?10", "position": "neck plate"},
        {"id": "neck date", "part": "neck-heel", "marking": "3-12-66", "position": "heel, pencil"},
        {"id": "tuners", "part": "tuner", "marking": "PAT. NO. 3,290,980", "position": "gear covers"},
        {"id": "volume pot", "part": "potentiometer", "marking": "137-6512", "group": "harness"},
        {"id": "tone pot", "part": "potentiometer", "marking": "137-612", "group": "harness"},
        {
            "id": "third pot of the harness with a long name", "part": "potentiometer",
            "marking": "304-5912", "group": "harness",
        },
        {"id": "can capacitor", "part": "capacitor", "marking": "235-6218"},
        {
            "id": "bridge pickup", "part": "pickup",
            "feature": "covered-pickup-screw-spacing", "value": 1.81, "unit": "in",
        },
        {
            "id": "neck pickup", "part": "pickup",
            "feature": "covered-pickup-screw-spacing", "value": 1.935, "unit": "in",
        },
        {"id": "pickguard", "part": "pickguard", "feature": "pickguard-layers", "value": 3},
        {
            "id": "pickguard thickness", "part": "pickguard",
            "feature": "pickguard-thickness", "value": 0.097, "unit": "in", "uncertainty": 0.006,
        },
        {"id": "bridge", "part": "bridge", "feature": "bridge-casting-wall", "value": 0.048, "unit": "in"},
        {"id": "nut width", "part": "neck", "feature": "nut-width", "value": 1.69, "unit": "in"},
        {"id": "frets", "part": "fret", "feature": "fret-width", "value": 0.1, "unit": "in"},
        {"id": "knobs", "part": "knob", "feature": "knob-figures", "value": "figures 0 to 10"},
        {"id": "tailpiece", "part": "tailpiece", "feature": "tailpiece-weight", "value": 31, "unit": "g"},
        {"id": "binding", "part": "binding", "feature": "binding-material", "value": "ABS"},
        {"id": "speaker", "part": "speaker", "marking": "220-7549"},
        {"id": "second speaker", "part": "speaker", "marking": "220-6449", "flags": ["disclosed-replacement"]},
        {"id": "label", "part": "label", "marking": "MADE IN WEST GERMANY", "position": "inside the case"},
        {"id": "switch", "part": "switch", "state": "not-looked"},
        {"id": "jack", "part": "jack", "state": "no-mark"},
        {"id": "strap button", "part": "strap-button", "state": "illegible"},
        {
            "id": "transformer", "part": "transformer", "marking": "606-4?3", "flags": ["refinished"],
            "override": {"window": "1964-05", "name": "A. Bench", "reason": "ink seen under UV"},
        },
    ],
}  # fmt: skip
VERDICTS = {"fits", "old-stock", "too-new", "too-old", "misfit", "never", "undecided", "unread"}


def instrument(**about: Any) -> dict[str, Any]:
    """The sheet, for a test to change."""
    sheet = copy.deepcopy(SHEET)
    sheet["instrument"] |= about
    return sheet


def stated(
    *windows: str, claim: str | None = None, lag: tuple[int, int, int] = (0, 0, 0), estimate: bool = True
) -> dict[str, Any]:
    """A sheet whose parts are dated by a technician, so that a test knows each day without any table."""
    months = dict(zip(("lead", "usual", "longest"), lag, strict=True))
    said = {"name": "A. Bench", "reason": "seen"}
    return {
        "instrument": {"claim": claim},
        "parts": [
            {"id": f"pot {place}", "part": "potentiometer", "override": {"window": window, **said}}
            for place, window in enumerate(windows)
        ],
        "options": {"lags": {"potentiometer": months}, "estimate": estimate},
    }


def assessed(sheet: Mapping[str, Any], today: date | None = TODAY) -> Assessment:
    """The assessment of a sheet with the shipped tables."""
    return check(sheet, today=today, tables=shipped())


def about(sheet: Mapping[str, Any]) -> Instrument:
    """The instrument of a sheet."""
    return load_sheet(sheet, shipped()).instrument


class Drawing:
    """A timeline as a test reads it: rows by part, and where a day must stand by the printed years alone."""

    def __init__(self, svg: str) -> None:
        self.svg = svg
        self.root = ET.fromstring(svg)
        years = [
            (int(one.text or ""), float(one.attrib["x"]))
            for one in self.root.iter(f"{NS}text")
            if "t-year" in one.attrib.get("class", "").split()
        ]
        self.years = years
        assert len(years) > 1, "two years are needed to know the scale"

    def at(self, day: date) -> float:
        """Where a day begins, worked out from the first and the last year that is printed."""
        (first, left), (last, right) = self.years[0], self.years[-1]
        begin, end = date(first, 1, 1), date(last, 1, 1)
        return left + (day - begin).days / (end - begin).days * (right - left)

    def rows(self) -> dict[str, ET.Element]:
        """The group of each part."""
        return {one.attrib["data-part"]: one for one in self.root.iter(f"{NS}g") if "data-part" in one.attrib}

    def row(self, part: str) -> ET.Element:
        return self.rows()[part]

    def has(self, element: ET.Element, name: str) -> bool:
        return any(True for _ in with_class(element, name))


def with_class(element: ET.Element, name: str) -> Iterator[ET.Element]:
    """The elements below this one that have a class."""
    return (one for one in element.iter() if name in one.attrib.get("class", "").split())


def edges(rectangle: ET.Element) -> tuple[float, float]:
    """The left and the right edge of a rectangle."""
    left = float(rectangle.attrib["x"])
    return left, left + float(rectangle.attrib["width"])


def words_of(element: ET.Element) -> str:
    """All text that is seen in an element; titles and descriptions are not."""
    return " ".join(text for one in element.iter(f"{NS}text") for text in one.itertext())


def plain_text(html: str) -> str:
    """The text of a page in one line, as a reader sees it."""
    from html.parser import HTMLParser

    class Reader(HTMLParser):
        def __init__(self) -> None:
            super().__init__(convert_charrefs=True)
            self.said: list[str] = []
            self.hidden = 0

        def handle_starttag(self, tag: str, attrs: Any) -> None:
            self.hidden += tag == "style"

        def handle_endtag(self, tag: str) -> None:
            self.hidden -= tag == "style"

        def handle_data(self, data: str) -> None:
            if not self.hidden:
                self.said.append(data)

    reader = Reader()
    reader.feed(html)
    reader.close()
    return re.sub(r"\s+", " ", " ".join(reader.said))
