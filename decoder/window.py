"""Windows: what a mark, a claim or a lag says about days, as exact interval algebra, with EDTF in and out.

`Window` is one run of days, `WindowSet` any number of them, `week_window` what a printed week number can
mean, `parse_edtf` reads the dates that people write in claims and tables.

Days are proleptic Gregorian ordinals (`date.toordinal()`), so comparing two windows compares integers. Both
ends belong to the window; an open end is None and reaches beyond the calendar (years 1 to 9999).

The EDTF reader is our own because the `edtf` package takes milliseconds a date and can't say which character
is wrong; it serves the tests as an oracle instead.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from functools import lru_cache, reduce
from typing import NoReturn

from dateutil.relativedelta import relativedelta

__all__ = [
    "ALL",
    "CLAIM_LIMIT",
    "EMPTY",
    "EVERY",
    "SET_LIMIT",
    "Claim",
    "EdtfError",
    "Window",
    "WindowSet",
    "iso_day",
    "iso_week",
    "parse_edtf",
    "plain_week",
    "sunday_weeks",
    "week_window",
]

_FIRST_DAY = 1
_LAST_DAY = date.max.toordinal()
_BEFORE = _FIRST_DAY - 1  # stands for everything before the calendar
_AFTER = _LAST_DAY + 1  # stands for everything after it


# ----------------------------------------------------------------------------------------------------
# One window


@dataclass(frozen=True, slots=True)
class Window:
    """A run of days from `earliest` to `latest`, both included; None is an open end.

    >>> Window.between(date(1966, 3, 1), date(1966, 3, 31)).edtf()
    '1966-03-01/1966-03-31'

    Raises ValueError when the ends are the wrong way round or outside the years 1 to 9999.
    """

    earliest: int | None
    latest: int | None

    def __post_init__(self) -> None:
        earliest, latest = self.earliest, self.latest
        if earliest is None:
            if latest is None or _FIRST_DAY <= latest <= _LAST_DAY:
                return
        elif latest is None:
            if _FIRST_DAY <= earliest <= _LAST_DAY:
                return
        elif _FIRST_DAY <= earliest <= latest <= _LAST_DAY:
            return
        raise ValueError(_why_not_a_window(earliest, latest))

    @classmethod
    def between(cls, earliest: date | None, latest: date | None) -> Window:
        """The window between two calendar days, both included; None leaves that end open."""
        return cls(
            None if earliest is None else earliest.toordinal(),
            None if latest is None else latest.toordinal(),
        )

    @classmethod
    def day(cls, d: date) -> Window:
        """The one day `d`."""
        ordinal = d.toordinal()
        return cls(ordinal, ordinal)

    @classmethod
    def month(cls, year: int, month: int) -> Window:
        """The whole of a calendar month (1 to 12)."""
        first = date(year, month, 1).toordinal()
        following = _new_year(year + 1) if month == 12 else date(year, month + 1, 1).toordinal()
        return cls(first, following - 1)

    @classmethod
    def year(cls, year: int) -> Window:
        """The whole of a calendar year (1 to 9999)."""
        return cls.years(year, year)

    @classmethod
    def years(cls, first: int, last: int) -> Window:
        """The whole of the calendar years from `first` to `last`, both included."""
        return _whole_years(first, last)

    @property
    def earliest_date(self) -> date | None:
        """The earliest day as a date; None when that end is open."""
        return None if self.earliest is None else date.fromordinal(self.earliest)

    @property
    def latest_date(self) -> date | None:
        """The latest day as a date; None when that end is open."""
        return None if self.latest is None else date.fromordinal(self.latest)

    @property
    def width_days(self) -> int | None:
        """How many days the window holds; None when an end is open."""
        if self.earliest is None or self.latest is None:
            return None
        return self.latest - self.earliest + 1

    def contains(self, day: int) -> bool:
        """Whether the day (an ordinal) lies in the window."""
        return (self.earliest is None or self.earliest <= day) and (self.latest is None or day <= self.latest)

    def overlaps(self, other: Window) -> bool:
        """Whether the two windows share at least one day."""
        return (self.latest is None or other.earliest is None or other.earliest <= self.latest) and (
            other.latest is None or self.earliest is None or self.earliest <= other.latest
        )

    def touches(self, other: Window) -> bool:
        """Whether the two windows overlap, or one begins the day after the other ends."""
        return (self.latest is None or other.earliest is None or other.earliest <= self.latest + 1) and (
            other.latest is None or self.earliest is None or self.earliest <= other.latest + 1
        )

    def gap_days(self, other: Window) -> int:
        """The days that lie strictly between the two windows; 0 when they overlap or touch."""
        if self.touches(other):
            return 0
        first, second = (self, other) if _low(self) < _low(other) else (other, self)
        return _low(second) - _high(first) - 1

    def intersect(self, other: Window) -> Window | None:
        """The days in both windows; None when they share none."""
        earliest, latest = self.earliest, self.latest
        if other.earliest is not None and (earliest is None or earliest < other.earliest):
            earliest = other.earliest
        if other.latest is not None and (latest is None or latest > other.latest):
            latest = other.latest
        if earliest is not None and latest is not None and earliest > latest:
            return None
        if earliest == self.earliest and latest == self.latest:
            return self
        return Window(earliest, latest)

    def hull(self, other: Window) -> Window:
        """The smallest window that holds both, with the days between them."""
        earliest, latest = self.earliest, self.latest
        if earliest is not None and (other.earliest is None or other.earliest < earliest):
            earliest = other.earliest
        if latest is not None and (other.latest is None or other.latest > latest):
            latest = other.latest
        if earliest == self.earliest and latest == self.latest:
            return self
        return Window(earliest, latest)

    def shift(self, *, years: int = 0, months: int = 0, days: int = 0) -> Window:
        """The window moved by calendar years and months, then by days; each end apart from the other.

        A day that its new month lacks becomes the last of that month (31 January and one month: 28 or 29
        February). An end moved out of the years 1 to 9999 on its own side becomes open; a window moved out
        altogether keeps the first or last day of the calendar as its near end.
        """
        months += 12 * years
        earliest = None if self.earliest is None else _moved(self.earliest, months, days)
        latest = None if self.latest is None else _moved(self.latest, months, days)
        return Window(
            None if earliest is None or earliest == _BEFORE else min(earliest, _LAST_DAY),
            None if latest is None or latest == _AFTER else max(latest, _FIRST_DAY),
        )

    def widen(self, *, months_before: int = 0, months_after: int = 0) -> Window:
        """The window with its earliest end moved back and its latest end moved on, in calendar months.

        Raises ValueError for a negative number of months: narrowing is no widening.
        """
        if months_before < 0 or months_after < 0:
            raise ValueError(
                f"A window can't be widened by a negative number of months ({months_before} before, "
                f"{months_after} after); use shift to move it."
            )
        return Window(
            self.shift(months=-months_before).earliest if months_before else self.earliest,
            self.shift(months=months_after).latest if months_after else self.latest,
        )

    def edtf(self) -> str:
        """The window as an EDTF interval of ISO days: `A/B`, `A/..`, `../B` or `../..`."""
        return f"{_iso(self.earliest)}/{_iso(self.latest)}"


@lru_cache(maxsize=4096)
def _whole_years(first: int, last: int) -> Window:
    return Window.between(date(first, 1, 1), date(last, 12, 31))


EVERY = Window(None, None)
"""Every day there is: nothing is known."""


def _why_not_a_window(earliest: int | None, latest: int | None) -> str:
    for name, day in (("earliest", earliest), ("latest", latest)):
        if day is not None and not _FIRST_DAY <= day <= _LAST_DAY:
            return f"The {name} day {day} is outside the calendar (years 1 to 9999, days 1 to {_LAST_DAY})."
    return f"The earliest day {_iso(earliest)} is later than the latest {_iso(latest)}; exchange the ends."


def _low(window: Window) -> int:
    return _BEFORE if window.earliest is None else window.earliest


def _high(window: Window) -> int:
    return _AFTER if window.latest is None else window.latest


def _iso(day: int | None) -> str:
    return ".." if day is None else iso_day(day)


@lru_cache(maxsize=16384)
def iso_day(day: int) -> str:
    """A day as ISO 8601 writes it. A code's day is written several times in an answer, so the text is kept."""
    return date.fromordinal(day).isoformat()


@lru_cache(maxsize=16384)
def _moved(day: int, months: int, days: int) -> int:
    """The day moved by calendar months, then days; `_BEFORE` or `_AFTER` when it leaves the calendar."""
    if months:
        try:
            day = (date.fromordinal(day) + relativedelta(months=months)).toordinal()
        except (ValueError, OverflowError):
            return _BEFORE if months < 0 else _AFTER
    return min(max(day + days, _BEFORE), _AFTER)


# ----------------------------------------------------------------------------------------------------
# Sets of windows


@dataclass(frozen=True, slots=True)
class WindowSet:
    """Any number of windows in normal form: in order of time, none overlapping or touching the next.

    Equal sets of days are therefore equal objects. Make one with `of` or `from_iter`, which sort and merge;
    the plain constructor raises ValueError for windows that aren't in normal form.

    >>> WindowSet.of(Window.year(1976), Window.year(1966), Window.year(1967)).edtf()
    '[1966-01-01..1967-12-31,1976-01-01..1976-12-31]'
    """

    windows: tuple[Window, ...]

    def __post_init__(self) -> None:
        windows = self.windows
        for i in range(1, len(windows)):
            earlier, later = windows[i - 1], windows[i]
            if _low(earlier) > _low(later) or earlier.touches(later):
                raise ValueError(
                    f"Windows {earlier.edtf()} and {later.edtf()} are out of order, overlap or touch; "
                    "make the set with WindowSet.of, which sorts and merges."
                )

    @classmethod
    def of(cls, *windows: Window) -> WindowSet:
        """The set of all days in any of the windows."""
        return cls.from_iter(windows)

    @classmethod
    def from_iter(cls, windows: Iterable[Window]) -> WindowSet:
        """The set of all days in any of the windows, which may come in any order and overlap."""
        return _merged(sorted(windows, key=_low))

    def __or__(self, other: WindowSet) -> WindowSet:
        """The days in either set."""
        return _merged(_in_order(self.windows, other.windows))

    def __and__(self, other: WindowSet) -> WindowSet:
        """The days in both sets."""
        ours, theirs = self.windows, other.windows
        common: list[Window] = []
        i = j = 0
        while i < len(ours) and j < len(theirs):
            shared = ours[i].intersect(theirs[j])
            if shared is not None:
                common.append(shared)
            if _high(ours[i]) < _high(theirs[j]):
                i += 1
            else:
                j += 1
        return WindowSet(tuple(common))

    def __sub__(self, other: WindowSet) -> WindowSet:
        """The days in this set and not in the other; what is left only beyond the calendar is dropped."""
        left: list[Window] = []
        theirs = other.windows
        j = 0
        for window in self.windows:
            low, high = _low(window), _high(window)
            while j < len(theirs) and _high(theirs[j]) < low:
                j += 1
            k = j
            while k < len(theirs) and _low(theirs[k]) <= high:
                _keep(left, low, _low(theirs[k]) - 1)
                low = _high(theirs[k]) + 1
                k += 1
            _keep(left, low, high)
            j = max(j, k - 1)
        return WindowSet(tuple(left))

    def __bool__(self) -> bool:
        return bool(self.windows)

    def __iter__(self) -> Iterator[Window]:
        return iter(self.windows)

    def __len__(self) -> int:
        return len(self.windows)

    @property
    def earliest(self) -> int | None:
        """The earliest day of the first window; None when open or when the set is empty."""
        return self.windows[0].earliest if self.windows else None

    @property
    def latest(self) -> int | None:
        """The latest day of the last window; None when open or when the set is empty."""
        return self.windows[-1].latest if self.windows else None

    @property
    def width_days(self) -> int | None:
        """How many days the set holds (0 when empty); None when an end is open."""
        total = 0
        for window in self.windows:
            width = window.width_days
            if width is None:
                return None
            total += width
        return total

    def contains(self, day: int) -> bool:
        """Whether the day (an ordinal) lies in any of the windows."""
        return any(window.contains(day) for window in self.windows)

    def hull(self) -> Window | None:
        """The one window from the earliest day to the latest; None when the set is empty."""
        return Window(self.earliest, self.latest) if self.windows else None

    def issubset(self, other: WindowSet) -> bool:
        """Whether every day of this set lies in the other."""
        return self & other == self

    def shift(self, *, years: int = 0, months: int = 0, days: int = 0) -> WindowSet:
        """Each window moved as `Window.shift` does."""
        return _merged(window.shift(years=years, months=months, days=days) for window in self.windows)

    def widen(self, *, months_before: int = 0, months_after: int = 0) -> WindowSet:
        """Each window widened as `Window.widen` does; windows that then meet become one."""
        return _merged(
            window.widen(months_before=months_before, months_after=months_after) for window in self.windows
        )

    def edtf(self) -> str | None:
        """One window: as `Window.edtf`. Several: `[A..B,C..D]`, open ends `[..B,C..]`. Empty: None."""
        if not self.windows:
            return None
        if len(self.windows) == 1:
            return self.windows[0].edtf()
        return "[" + ",".join(_set_member(window) for window in self.windows) + "]"


def _merged(in_order: Iterable[Window]) -> WindowSet:
    """The set of windows that come sorted by their earliest day."""
    merged: list[Window] = []
    for window in in_order:
        if merged and merged[-1].touches(window):
            merged[-1] = merged[-1].hull(window)
        else:
            merged.append(window)
    return WindowSet(tuple(merged))


def _in_order(ours: tuple[Window, ...], theirs: tuple[Window, ...]) -> Iterator[Window]:
    i = j = 0
    while i < len(ours) and j < len(theirs):
        if _low(ours[i]) <= _low(theirs[j]):
            yield ours[i]
            i += 1
        else:
            yield theirs[j]
            j += 1
    yield from ours[i:]
    yield from theirs[j:]


def _keep(left: list[Window], low: int, high: int) -> None:
    """Add the days from low to high, either of which may be beyond it, if they hold a day of the calendar."""
    if low <= high and high >= _FIRST_DAY and low <= _LAST_DAY:
        left.append(Window(None if low < _FIRST_DAY else low, None if high > _LAST_DAY else high))


def _set_member(window: Window) -> str:
    earliest = "" if window.earliest is None else _iso(window.earliest)
    latest = "" if window.latest is None else _iso(window.latest)
    return f"{earliest}..{latest}"


EMPTY = WindowSet(())
"""No day at all."""

ALL = WindowSet((EVERY,))
"""Every day there is."""


# ----------------------------------------------------------------------------------------------------
# Weeks as printed in date codes


@dataclass(frozen=True, slots=True)
class _WeekRule:
    """Week 1 begins on the first such weekday on or after 1 January plus `offset` days."""

    offset: int
    weekday: int  # ordinals modulo 7: 0 is Sunday, 1 is Monday

    def week_one(self, year: int) -> int:
        day = _new_year(year) + self.offset
        return day + (self.weekday - day) % 7


_ISO = _WeekRule(offset=-3, weekday=1)  # ISO 8601: the Monday week with at least four January days
_FIRST_FULL_SUNDAY_WEEK = _WeekRule(offset=0, weekday=0)
_FOUR_JANUARY_DAYS = _WeekRule(offset=-3, weekday=0)


def week_window(year: int, week: int) -> Window | None:
    """The days that week number `week` of `year` can mean in a date code; None when no rule has that week.

    The code system's registrar used Sunday-to-Saturday weeks; the one printed anchor (9910 is 7 to 13 March
    1999, in the ECIA page on the former EIA source codes) fits two rules for week 1, and makers didn't all
    follow it. So the window is the union of the ISO week, the Sunday week under either rule, and the plain
    count of sevens from 1 January, whose week 52 runs to 31 December: 8 to 14 days for weeks 1 to 52.

    Week 53 is the union of the weeks of those rules that give the year 53 (7 or 8 days), and None where none
    does. Week 0, weeks past 53, and years outside 1 to 9999 are None.

    >>> week_window(1999, 10).edtf()
    '1999-03-05/1999-03-14'
    """
    return _week_window(year, week)


@lru_cache(maxsize=16384)
def _week_window(year: int, week: int) -> Window | None:
    parts = [iso_week(year, week), *sunday_weeks(year, week), plain_week(year, week)]
    weeks = [part for part in parts if part is not None]
    return reduce(Window.hull, weeks) if weeks else None  # the parts always touch: their hull is their union


def iso_week(year: int, week: int) -> Window | None:
    """The ISO 8601 week, Monday to Sunday; None when that ISO year has no such week."""
    return _week_under(_ISO, year, week)


def sunday_weeks(year: int, week: int) -> tuple[Window, ...]:
    """The Sunday-to-Saturday weeks that bear the number under the two rules known for week 1.

    First where week 1 is the first full week, then where it's the first with at least four January days: one
    window where the rules agree, two where they differ, none where neither gives the year that week.
    """
    weeks = (_week_under(rule, year, week) for rule in (_FIRST_FULL_SUNDAY_WEEK, _FOUR_JANUARY_DAYS))
    return tuple(dict.fromkeys(found for found in weeks if found is not None))


def plain_week(year: int, week: int) -> Window | None:
    """The week counted in sevens from 1 January; week 52 runs to 31 December and there is no week 53."""
    if not (1 <= week <= 52 and 1 <= year <= 9999):
        return None
    first = _new_year(year) + 7 * (week - 1)
    return Window(first, _new_year(year + 1) - 1 if week == 52 else first + 6)


def _week_under(rule: _WeekRule, year: int, week: int) -> Window | None:
    if week < 1 or not 1 <= year <= 9999:
        return None
    first = rule.week_one(year) + 7 * (week - 1)
    if first >= rule.week_one(year + 1):
        return None
    return Window(max(first, _FIRST_DAY), min(first + 6, _LAST_DAY))


def _new_year(year: int) -> int:
    """The ordinal of 1 January, also of the year 10000, which `date` doesn't reach."""
    past = year - 1
    return 365 * past + past // 4 - past // 100 + past // 400 + 1


# ----------------------------------------------------------------------------------------------------
# EDTF in

CLAIM_LIMIT = 64
"""The most characters of a date or interval."""

SET_LIMIT = 5000
"""The most characters of a set in brackets: 200 windows as `WindowSet.edtf` writes them."""

_DIGITS = frozenset("0123456789")
_QUALIFIERS = {"~": "approximate", "?": "uncertain", "%": "uncertain and approximate"}
_SEASONS = {21: ("spring", 3), 22: ("summer", 6), 23: ("autumn", 9), 24: ("winter", 12)}


@dataclass(frozen=True, slots=True)
class Claim:
    """A date as somebody wrote it in EDTF, and the days that it covers.

    `notes` say in words what the reader did beyond the plain calendar: widened ends, seasons, unknown ends.
    """

    text: str
    windows: WindowSet
    notes: tuple[str, ...]

    @property
    def window(self) -> Window:
        """The one window from the claim's earliest day to its latest."""
        return Window(self.windows.earliest, self.windows.latest)


class EdtfError(ValueError):
    """A date that can't be read.

    `text` is the date as sent, `at` the 0-based character where it fails (the length of the text when
    something is missing after its end), `problem` what is wrong and what to write.
    """

    def __init__(self, text: str, at: int, problem: str) -> None:
        super().__init__(text, at, problem)
        self.text = text
        self.at = at
        self.problem = problem

    def __str__(self) -> str:
        shown = self.text if len(self.text) <= CLAIM_LIMIT else self.text[:CLAIM_LIMIT] + "..."
        sign = self.text[self.at : self.at + 1]
        place = f"character {self.at + 1} ({sign!r})" if sign else "at the end"
        return f"Date {shown!r}, {place}: {self.problem}"


def parse_edtf(text: str, *, approximate_years: int = 1) -> Claim:
    """Read a date, interval or set in EDTF (ISO 8601-2): levels 0 and 1, and sets as `WindowSet.edtf` writes.

    Read are `1966`, `196X`, `19XX`, `1966-03`, `1966-03-05`, `1966-XX`, `1966-03-XX`, the seasons `1966-21`
    to `1966-24` (northern; winter is December to February of the next year), `1965/1967`, `../1966`,
    `1966/..`, and `[1965..1966,1970]`. A `~`, `?` or `%` at the end of a date widens that date by
    `approximate_years` at both its ends; in an interval this moves the end that the date stands for.

    >>> parse_edtf("1966-24").window.edtf()
    '1966-12-01/1967-02-28'

    Raises EdtfError, which names the character, for anything else.
    """
    return _claim(text, approximate_years)


@lru_cache(maxsize=2048)
def _claim(text: str, approximate_years: int) -> Claim:
    start, end = _trimmed(text, 0, len(text))
    if start == end:
        raise EdtfError(text, 0, "nothing is written here; write a date such as 1966, 196X or 1965/1967.")
    limit = SET_LIMIT if text[start] == "[" else CLAIM_LIMIT
    if end - start > limit:
        raise EdtfError(text, start + limit, f"a date has at most {limit} characters, this {end - start}.")
    if text[start] == "[":
        return _set(text, start, end)
    slash = text.find("/", start, end)
    if slash >= 0:
        return _interval(text, start, slash, end, approximate_years)
    dated = _dated(text, start, end, approximate_years)
    return Claim(text, WindowSet((dated.widened,)), dated.notes)


def _trimmed(text: str, start: int, end: int) -> tuple[int, int]:
    """The text from start to end without the spaces around it; empty at `start` when all is space."""
    inner = text[start:end].strip(" ")
    start = start + text[start:end].index(inner) if inner else start
    return start, start + len(inner)


@dataclass(frozen=True, slots=True)
class _Dated:
    """One date of a claim: the days that it names, those after widening, and what to say of it."""

    plain: Window
    widened: Window
    notes: tuple[str, ...]


_NO_NOTES: tuple[str, ...] = ()
_OPEN = _Dated(EVERY, EVERY, _NO_NOTES)


def _interval(text: str, start: int, slash: int, end: int, approximate_years: int) -> Claim:
    second = text.find("/", slash + 1, end)
    if second >= 0:
        raise EdtfError(text, second, "an interval has one '/' between its two ends.")
    if text[start:end] != "../.." and not (_DIGITS & set(text[start:end])):
        raise EdtfError(text, start, "neither end is a date; write 1966/.. or ../1966, or ../.. for any day.")
    first = _interval_end(text, start, slash, approximate_years, "start")
    last = _interval_end(text, slash + 1, end, approximate_years, "end")
    if _low(first.plain) > _high(last.plain):
        raise EdtfError(text, slash + 1, "the interval ends before it starts; exchange the two dates.")
    window = Window(first.widened.earliest, last.widened.latest)
    return Claim(text, WindowSet((window,)), first.notes + last.notes)


def _interval_end(text: str, start: int, end: int, approximate_years: int, which: str) -> _Dated:
    if start == end:
        return _Dated(EVERY, EVERY, (f"The {which} of the interval is unknown; it's taken as open.",))
    if text[start:end] == "..":
        return _OPEN
    return _dated(text, start, end, approximate_years)


def _set(text: str, start: int, end: int) -> Claim:
    if text[end - 1] != "]":
        raise EdtfError(text, end, "the set isn't closed; write ']' after its last date.")
    windows: list[Window] = []
    notes: list[str] = []
    at = start + 1
    while at < end:
        comma = text.find(",", at, end - 1)
        stop = comma if comma >= 0 else end - 1
        window, said = _member(text, at, stop)
        windows.append(window)
        notes.extend(said)
        at = stop + 1
    return Claim(text, WindowSet.from_iter(windows), tuple(notes))


def _member(text: str, start: int, end: int) -> tuple[Window, tuple[str, ...]]:
    """One date or range of a set, with the spaces around it, and the notes on it."""
    start, end = _trimmed(text, start, end)
    if start == end:
        raise EdtfError(text, end, "a date is missing here; write a set as [1965..1966,1970].")
    dots = text.find("..", start, end)
    if dots < 0:
        return _date(text, start, end)
    if end - start == 2:
        raise EdtfError(text, start, "'..' needs a date before or after it inside a set.")
    first, on_first = _date(text, start, dots) if dots > start else (EVERY, _NO_NOTES)
    last, on_last = _date(text, dots + 2, end) if dots + 2 < end else (EVERY, _NO_NOTES)
    if _low(first) > _high(last):
        raise EdtfError(text, dots + 2, "this range ends before it starts; exchange the two dates.")
    return Window(first.earliest, last.latest), on_first + on_last


def _dated(text: str, start: int, end: int, approximate_years: int) -> _Dated:
    mark = text[end - 1]
    if mark not in _QUALIFIERS:
        window, notes = _date(text, start, end)
        return _Dated(window, window, notes)
    window, notes = _date(text, start, end - 1)
    widened = window.widen(months_before=12 * approximate_years, months_after=12 * approximate_years)
    years = "1 year" if approximate_years == 1 else f"{approximate_years} years"
    said = f"'{text[start:end]}' is {_QUALIFIERS[mark]}: widened by {years} before and after."
    return _Dated(window, widened, (*notes, said))


def _date(text: str, start: int, end: int) -> tuple[Window, tuple[str, ...]]:
    """One date without qualifier, and the notes on it."""
    years = _years(text, start, end)
    if end == start + 4:
        return years, ()
    at = start + 4
    if text[at] != "-":
        _refuse_after_year(text, at, end)
    if text[start + 3] in "Xx":
        raise EdtfError(text, at, "no month can follow a year with X; write the year in full.")
    year = int(text[start:at])
    month = _pair(text, at + 1, end, "month")
    window, notes = years, _NO_NOTES
    if month is None:
        pass
    elif month in _SEASONS:
        window, notes = _season(year, month)
    elif 1 <= month <= 12:
        window = Window.month(year, month)
    else:
        _refuse_month(text, at + 1, end)
    if end == start + 7:
        return window, notes
    at = start + 7
    if text[at] != "-":
        _refuse_after_month(text, start, at, end)
    if month in _SEASONS:
        raise EdtfError(text, at, "no day can follow a season; write a month of 01 to 12 before the day.")
    day = _pair(text, at + 1, end, "day")
    if end > start + 10:
        raise EdtfError(text, start + 10, "a date ends with its day; times and further signs aren't read.")
    if day is None:
        return window, notes
    if month is None:
        raise EdtfError(text, at + 1, "no day can follow an unknown month; write XX or leave the day out.")
    days_in_month = window.width_days or 0
    if not 1 <= day <= days_in_month:
        month_written = text[start : start + 7]
        raise EdtfError(
            text, at + 1, f"{month_written} has no day {day:02}; its days are 01 to {days_in_month}."
        )
    return Window.day(date(year, month, day)), notes


def _years(text: str, start: int, end: int) -> Window:
    """The years that four characters name: digits, of which the last one or two may be X."""
    for at in range(start, start + 4):
        sign = text[at] if at < end else ""
        if sign in _DIGITS and (at == start or text[at - 1] in _DIGITS):
            continue
        if sign and sign in "Xx" and at >= start + 2:
            continue
        _refuse_year(text, start, at, end)
    low = int(text[start : start + 4].upper().replace("X", "0"))
    high = int(text[start : start + 4].upper().replace("X", "9"))
    if high == 0:
        raise EdtfError(text, start, "there is no year 0000; years run from 0001 to 9999.")
    return Window.years(max(low, 1), high)


def _season(year: int, code: int) -> tuple[Window, tuple[str, ...]]:
    name, month = _SEASONS[code]
    opening = Window.day(date(year, month, 1))
    window = Window(opening.earliest, opening.shift(months=3, days=-1).latest)
    return window, (f"'{year:04}-{code}' covers {window.edtf()}: {name}, by northern seasons.",)


def _pair(text: str, at: int, end: int, what: str) -> int | None:
    """The two digits of a month or day as a number; None for XX."""
    pair = text[at : min(at + 2, end)]
    if pair.upper() == "XX":
        return None
    for i in range(2):
        if i < len(pair) and pair[i] in _QUALIFIERS:
            raise EdtfError(text, at + i, _qualifier_inside(pair[i]))
        if i >= len(pair) or pair[i] not in _DIGITS:
            raise EdtfError(text, at + i, f"a {what} is two digits, such as 03, or XX when it's unknown.")
    return int(pair)


def _qualifier_inside(sign: str) -> str:
    return f"'{sign}' is read only at the end of a date and outside a set: 1966{sign}, 1965{sign}/1967."


def _refuse_year(text: str, start: int, at: int, end: int) -> NoReturn:
    sign = text[at] if at < end else ""
    if at == start and sign == "-":
        problem = "years before the year 1 aren't read; years run from 0001 to 9999."
    elif at == start and sign in ("Y", "y"):
        problem = "years of more than four digits aren't read; years run from 0001 to 9999."
    elif at == start and sign == "{":
        problem = "sets of dates that all hold aren't read; write [1965..1966,1970] for one of several."
    elif sign in _QUALIFIERS:
        problem = _qualifier_inside(sign)
    elif sign in ("X", "x") or (at > start and text[at - 1] in "Xx"):
        problem = "X can stand for the last digit or the last two digits of a year only: 196X, 19XX."
    else:
        problem = "a year is four digits, such as 1966; 196X is the whole decade, 1966~ about that year."
    raise EdtfError(text, at, problem)


def _refuse_after_year(text: str, at: int, end: int) -> NoReturn:
    if text[at] in _DIGITS:
        problem = "a year has four digits; write a month as 1966-03."
    elif text[at : at + 2] == "..":
        problem = "'..' joins dates only inside a set in brackets; write an interval as 1965/1967."
    elif text[at] in _QUALIFIERS:
        problem = _qualifier_inside(text[at])
    elif text[at:end] in ("s", "'s", "S"):
        problem = "write a decade with X for its last digit, such as 196X."
    else:
        problem = "after the year comes '-' and a month, '/' and a second date, or nothing."
    raise EdtfError(text, at, problem)


def _refuse_month(text: str, at: int, end: int) -> NoReturn:
    problem = f"there is no month {text[at : at + 2]}; months are 01 to 12, seasons 21 to 24."
    if end - at == 4 and set(text[at:end]) <= _DIGITS:
        problem += " For a span of years write 1965/1967."
    raise EdtfError(text, at, problem)


def _refuse_after_month(text: str, start: int, at: int, end: int) -> NoReturn:
    if text[at] in _QUALIFIERS:
        problem = _qualifier_inside(text[at])
    elif end - start == 9 and set(text[start + 5 : end]) <= _DIGITS:
        problem = "a month has two digits; for a span of years write 1965/1967."
    else:
        problem = "after the month comes '-' and a day, '/' and a second date, or nothing."
    raise EdtfError(text, at, problem)
