"""How days, gaps and windows are written in a sentence for people."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from typing import Final

from dateutil.relativedelta import relativedelta

from decoder.window import Window, WindowSet

MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day_text(day: int) -> str:
    """A day (ordinal) as `1 Mar 1966`."""
    d = date.fromordinal(day)
    return f"{d.day} {MONTHS[d.month - 1]} {d.year}"


def gap_text(earlier: int, later: int) -> str:
    """How long from one day to a later one: days up to two months, then whole months, then years and months."""
    apart = relativedelta(date.fromordinal(later), date.fromordinal(earlier))
    months = 12 * apart.years + apart.months
    if months < 2:
        return counted(later - earlier, "day")
    if months < 36:
        return f"{months} months"
    rest = f" {counted(apart.months, 'month')}" if apart.months else ""
    return f"{apart.years} years{rest}"


def counted(number: int, noun: str) -> str:
    """A number with its noun: `1 day`, `2 days`."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def window_text(window: Window) -> str:
    """A window in the coarsest words that are exact: `1966`, `Oct 1965 to Mar 1966`, `21 Mar 1966 to 4 Apr 1966`."""
    first, last = window.earliest_date, window.latest_date
    if first is None and last is None:
        return "any day"
    if first is None or last is None:
        day = window.earliest if window.latest is None else window.latest
        assert day is not None
        return f"{day_text(day)} or later" if last is None else f"{day_text(day)} or earlier"
    if first.day == 1 and _is_month_end(last):
        if (first.month, last.month) == (1, 12):
            return _joined_ends(str(first.year), str(last.year))
        return _joined_ends(_month_text(first), _month_text(last))
    return _joined_ends(day_text(first.toordinal()), day_text(last.toordinal()))


def months_text(window: Window) -> str:
    """A window to the whole months that it touches: `Oct 1965 to Mar 1966`, `Mar 1966`."""
    first, last = window.earliest_date, window.latest_date
    if first is None or last is None:
        return window_text(window)
    return _joined_ends(_month_text(first), _month_text(last))


def windows_text(windows: WindowSet) -> str:
    """A set of windows in words, at most six of them: `1956, 1966 or 1976`."""
    texts = [window_text(w) for w in windows]
    if not texts:
        return "no day"
    if len(texts) > 6:
        texts = [*texts[:5], f"{len(texts) - 5} more windows"]
    return listed(texts, "or")


def years_text(windows: WindowSet) -> str:
    """The years that a set of windows touches: `1946, 1956 and 1976`, `1958 or later`."""
    texts: list[str] = []
    for window in windows:
        first, last = window.earliest_date, window.latest_date
        if first is None or last is None:
            texts.append(window_text(window))
        else:
            texts.append(_joined_ends(str(first.year), str(last.year)))
    texts = list(dict.fromkeys(texts))
    if len(texts) > 8:
        texts = [*texts[:7], f"{len(texts) - 7} more"]
    return listed(texts)


def listed(items: Iterable[str], word: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`."""
    texts = list(items)
    if len(texts) < 2:
        return "".join(texts)
    return f"{', '.join(texts[:-1])} {word} {texts[-1]}"


def _joined_ends(first: str, last: str) -> str:
    return first if first == last else f"{first} to {last}"


def _month_text(d: date) -> str:
    return f"{MONTHS[d.month - 1]} {d.year}"


def _is_month_end(d: date) -> bool:
    return d == date.max or (d + timedelta(days=1)).day == 1
