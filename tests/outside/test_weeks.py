"""Week numbers against published weeks, and against calendars labelled day by day.

Published sources, named beside each check:
- Electronic Components Industry Association (ECIA), page on the former EIA source codes: the registrar's own anchor.
- Modern Guitar Tech blog, account of a 1965 solid-body guitar: an ISO span for week 32 of 1965.
- A technical-topics diary (author not named): an ISO span for week 36 of 1973.
- ISO 8601 weeks, as Python's `datetime` implements them.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import date, timedelta

import pytest

from decoder.window import Window, WindowSet, iso_week, plain_week, sunday_weeks, week_window

YEARS = range(1945, 2002)  # the code system ran from 1945 to the register's 2001 edition (ECIA page)

Calendar = dict[tuple[int, int], set[int]]


def days_about_the_years() -> list[date]:
    first, last = date(YEARS[0] - 1, 12, 1), date(YEARS[-1] + 1, 1, 31)
    return [first + timedelta(n) for n in range((last - first).days + 1)]


def sunday_before(day: date) -> date:
    return day - timedelta((day.weekday() + 1) % 7)


def labelled() -> dict[str, Calendar]:
    """Each rule's weeks as the days that carry its label, found by asking every day which week it belongs to."""
    rules: dict[str, Calendar] = {name: defaultdict(set) for name in ("iso", "full", "four", "plain")}
    seen: dict[tuple[str, int], list[date]] = defaultdict(list)
    for day in days_about_the_years():
        ordinal = day.toordinal()
        iso = day.isocalendar()
        rules["iso"][iso.year, iso.week].add(ordinal)

        # %U numbers Sunday weeks from the year's first Sunday; days before it are in the last week of the year before.
        sunday = sunday_before(day)
        rules["full"][sunday.year, int(sunday.strftime("%U"))].add(ordinal)

        # A Sunday week has at least four days in the year of its Wednesday; its number is its rank among them.
        year = (sunday + timedelta(3)).year
        sundays = seen["four", year]
        if sunday not in sundays:
            sundays.append(sunday)
        rules["four"][year, len(sundays)].add(ordinal)

        rules["plain"][day.year, min((day.timetuple().tm_yday + 6) // 7, 52)].add(ordinal)
    return rules


RULES = labelled()


def days_in(*windows: Window | None) -> set[int]:
    held: set[int] = set()
    for window in windows:
        if window is not None:
            assert window.earliest is not None and window.latest is not None
            held.update(range(window.earliest, window.latest + 1))
    return held


def test_the_registrars_printed_week_is_read() -> None:
    """9910 = production week of 7-13 March 1999: ECIA page on the former EIA source codes."""
    printed = Window.between(date(1999, 3, 7), date(1999, 3, 13))
    assert sunday_weeks(1999, 10) == (printed,)
    found = week_window(1999, 10)
    assert found is not None and found.intersect(printed) == printed


def test_the_registrars_week_is_not_the_iso_week() -> None:
    """The same ECIA anchor starts on a Sunday; the ISO week of that number starts a day later."""
    assert iso_week(1999, 10) == Window.between(date(1999, 3, 8), date(1999, 3, 14))


@pytest.mark.parametrize(
    ("year", "week", "first", "last"),
    [
        # 304-6532 = 32nd week of 1965, 9-15 August 1965: Modern Guitar Tech blog
        (1965, 32, date(1965, 8, 9), date(1965, 8, 15)),
        # 1377336 = 36th week of 1973, 3-9 September 1973: a technical-topics diary, author not named
        (1973, 36, date(1973, 9, 3), date(1973, 9, 9)),
    ],
)
def test_published_iso_spans_are_read(year: int, week: int, first: date, last: date) -> None:
    printed = Window.between(first, last)
    assert iso_week(year, week) == printed
    found = week_window(year, week)
    assert found is not None and found.intersect(printed) == printed


@pytest.mark.parametrize("year", YEARS)
def test_each_iso_week_lies_in_the_window_of_its_number(year: int) -> None:
    """ISO 8601: `date.fromisocalendar`."""
    for week in range(1, date(year, 12, 28).isocalendar().week + 1):
        monday = date.fromisocalendar(year, week, 1)
        iso = Window.between(monday, monday + timedelta(6))
        assert iso_week(year, week) == iso
        found = week_window(year, week)
        assert found is not None and found.intersect(iso) == iso


@pytest.mark.parametrize("year", YEARS)
def test_a_week_is_the_union_of_the_four_calendars(year: int) -> None:
    """All four calendars labelled day by day, above: each rule by itself, then their union, day for day."""
    for week in range(56):
        label = (year, week)
        by_rule = [RULES[name].get(label, set()) for name in ("iso", "full", "four", "plain")]
        assert days_in(iso_week(*label)) == by_rule[0]
        assert days_in(*sunday_weeks(*label)) == by_rule[1] | by_rule[2]
        assert days_in(plain_week(*label)) == by_rule[3]
        assert days_in(week_window(*label)) == set().union(*by_rule)


def test_every_week_from_1_to_52_takes_8_to_14_days() -> None:
    widths = {week_window(year, week).width_days for year in YEARS for week in range(1, 53)}  # type: ignore[union-attr]
    assert min(widths) == 8 and max(widths) == 14  # type: ignore[type-var]


def test_week_numbers_follow_each_other_without_a_hole() -> None:
    for year in YEARS:
        numbered = WindowSet.from_iter(w for week in range(1, 53) if (w := week_window(year, week)))
        assert WindowSet.of(Window.year(year)).issubset(numbered)


# Years with a week 53: ISO years whose 28 December lies in week 53; Sunday weeks counted from the days labelled above.
ISO_53 = {1948, 1953, 1959, 1964, 1970, 1976, 1981, 1987, 1992, 1998}
FULL_SUNDAY_53 = {1950, 1956, 1961, 1967, 1972, 1978, 1984, 1989, 1995, 2000}
FOUR_DAYS_53 = {1947, 1952, 1958, 1964, 1969, 1975, 1980, 1986, 1992, 1997}


def test_the_years_with_a_53rd_week_are_those_of_the_calendars() -> None:
    assert {year for year in YEARS if date(year, 12, 28).isocalendar().week == 53} == ISO_53
    assert {
        year for year in YEARS if sum(1 for d in days_of_year(year) if d.weekday() == 6) == 53
    } == FULL_SUNDAY_53
    assert {
        year for year in YEARS if sum(1 for d in days_of_year(year) if d.weekday() == 2) == 53
    } == FOUR_DAYS_53


def test_week_53_is_read_only_in_years_that_have_one() -> None:
    read = {year for year in YEARS if week_window(year, 53) is not None}
    assert read == ISO_53 | FULL_SUNDAY_53 | FOUR_DAYS_53
    assert {year for year in YEARS if iso_week(year, 53) is not None} == ISO_53
    assert {year for year in YEARS if sunday_weeks(year, 53)} == FULL_SUNDAY_53 | FOUR_DAYS_53


def test_week_53_reaches_the_end_of_december_and_takes_7_or_8_days() -> None:
    for year in ISO_53 | FULL_SUNDAY_53 | FOUR_DAYS_53:
        last = week_window(year, 53)
        assert last is not None and last.width_days in (7, 8)
        assert last.contains(date(year, 12, 31).toordinal())


def days_of_year(year: int) -> list[date]:
    return [
        date(year, 1, 1) + timedelta(n) for n in range(365 + (date(year, 12, 31).timetuple().tm_yday == 366))
    ]
