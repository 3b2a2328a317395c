"""The scale of a timeline: which days it spans, where a day stands, and where the ticks are.

The claim, the days on which parts agree and the estimate are always in the drawing. Other ends widen it as long as it
stays readable; what lies farther out is drawn as lying beyond its edge.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from enum import Enum
from typing import Final

from decoder.crosscheck.assessment import Assessment
from decoder.crosscheck.wording import MONTHS
from decoder.window import Window, WindowSet

YEAR: Final = 365.2425  # days
# Years that a drawing may span with everything in it; in a wider one, ends farther than AROUND years from the days that
# matter lie beyond its edge.
READABLE: Final = 40
AROUND: Final = 15
MARGIN: Final = 0.03  # of the span, at either side
LEAST_MARGIN: Final = 90  # days
LABEL: Final = 44  # pixels that a label needs
STEPS: Final = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)
# Pixels to a year from which on every year has its line, every quarter has, and quarters are named.
MINOR: Final = 12
QUARTERS: Final = 88
QUARTER_LABELS: Final = 170
FALLBACK: Final = (date(1900, 1, 1).toordinal(), date(2000, 12, 31).toordinal())


class Edge(Enum):
    """How a bar ends: on its day, open, or beyond the edge of the drawing."""

    DAY = "day"
    OPEN = "open"
    BEYOND = "beyond"


@dataclass(frozen=True, slots=True)
class Span:
    """Where a window stands across a drawing, in pixels, and how it ends at either side."""

    left: float
    right: float
    begins: Edge
    ends: Edge


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark of the scale: where it is, what stands beside it (nothing for a minor one), and whether a year begins."""

    x: float
    label: str
    is_year: bool


@dataclass(frozen=True, slots=True)
class Scale:
    """Days `first` to `last`, both drawn in full, over `width` pixels from `left` on."""

    first: int
    last: int
    left: float
    width: float

    @property
    def right(self) -> float:
        """The right edge in pixels."""
        return self.left + self.width

    def x(self, day: int) -> float:
        """Where a day begins; a day outside stands outside."""
        return self.left + (day - self.first) / (self.last + 1 - self.first) * self.width

    def span(self, window: Window) -> Span | None:
        """Where a window stands; None for one that lies wholly outside the drawing."""
        first, last = window.earliest, window.latest
        if (first is not None and first > self.last) or (last is not None and last < self.first):
            return None
        left, begins = self.left, Edge.OPEN
        if first is not None:
            left, begins = (self.x(first), Edge.DAY) if first >= self.first else (self.left, Edge.BEYOND)
        right, ends = self.right, Edge.OPEN
        if last is not None:
            right, ends = (self.x(last + 1), Edge.DAY) if last <= self.last else (self.right, Edge.BEYOND)
        return Span(left, right, begins, ends)

    def is_before(self, window: Window) -> bool:
        """Whether a window lies wholly before the drawing."""
        return window.latest is not None and window.latest < self.first

    def ticks(self) -> Iterator[Tick]:
        """The ticks from left to right: years, with the quarters between them where there is room."""
        per_year = self.width / (self.last + 1 - self.first) * YEAR
        step = next((step for step in STEPS if step * per_year >= LABEL), STEPS[-1])
        first, last = date.fromordinal(self.first), date.fromordinal(self.last)
        for year in range(first.year, last.year + 1):
            day = date(year, 1, 1).toordinal()
            if day >= self.first and (year % step == 0 or per_year >= MINOR):
                yield Tick(self.x(day), str(year) if year % step == 0 else "", True)
            if per_year < QUARTERS:
                continue
            for month in (4, 7, 10):
                day = date(year, month, 1).toordinal()
                if self.first <= day <= self.last:
                    label = MONTHS[month - 1] if per_year >= QUARTER_LABELS else ""
                    yield Tick(self.x(day), label, False)


def scale_of(assessment: Assessment, left: float, width: float) -> Scale:
    """The scale on which an assessment is drawn."""
    first, last = _days(assessment)
    margin = max(LEAST_MARGIN, round((last - first) * MARGIN))
    return Scale(*_whole_years(first - margin, last + margin), left, width)


def _days(assessment: Assessment) -> tuple[int, int]:
    """The first and the last day that ought to be seen."""
    needed = list(_ends(_central(assessment)))
    wanted = list(_ends(_of_parts(assessment)))
    ends = needed + wanted
    if not ends:
        return _of_today(assessment)
    if max(ends) - min(ends) > READABLE * YEAR:
        about = needed or [sorted(wanted)[len(wanted) // 2]]
        room = AROUND * YEAR
        ends = needed + [day for day in wanted if min(about) - room <= day <= max(about) + room]
    return min(ends), max(ends)


def _central(assessment: Assessment) -> Iterator[WindowSet]:
    """What a timeline is about: the claims, the days of agreement, the estimate."""
    if assessment.claim is not None:
        yield assessment.claim.windows
    if assessment.second_claim is not None:
        yield assessment.second_claim.claim.windows
    yield assessment.joint_windows
    for found in (assessment.claim_explanations, assessment.explanations):
        if found.shown:
            yield found.shown[0].windows
            break
    if assessment.estimate is not None:
        # Few parts leave it so wide that nothing else could be seen on its scale.
        width = assessment.estimate.interval_50.width_days
        if width is not None and width <= AROUND * YEAR:
            yield assessment.estimate.interval_50


def _of_parts(assessment: Assessment) -> Iterator[WindowSet]:
    for part in assessment.parts:
        yield part.evidence.windows
        if part.evidence.takes_part:
            yield part.evidence.allowed


def _ends(sets: Iterable[WindowSet]) -> Iterator[int]:
    for windows in sets:
        for window in windows:
            yield from (day for day in (window.earliest, window.latest) if day is not None)


def _of_today(assessment: Assessment) -> tuple[int, int]:
    """Where nothing at all is dated: the hundred years up to the day of the check."""
    if assessment.today is None:
        return FALLBACK
    day = assessment.today.toordinal()
    return max(1, day - round(100 * YEAR)), day


def _whole_years(first: int, last: int) -> tuple[int, int]:
    """The days widened to whole years, within the calendar."""
    least, most = 1, date.max.toordinal()
    begins = date.fromordinal(min(max(first, least), most))
    ends = date.fromordinal(min(max(last, least), most))
    return date(begins.year, 1, 1).toordinal(), date(ends.year, 12, 31).toordinal()
