"""Patent numbers as days: what the order of the numbers in a table says about one number, and no more.

A `Series` is a run of numbers that were given out in order of time. Each row of a table is a `Fact`: numbers from
`high` on are dated `since` or later, numbers below `low` are dated `until` or earlier. The first number of a year is
such a fact, and so is a single dated grant. `Series.granted` gives the days between the nearest facts; nothing is
interpolated. A worn number is met at its least and its greatest number, digit by digit: order is time, so the days
of every number between lie between theirs.

US: USPTO, Table of Issue Years and Patent Numbers. Other countries: each row names its own source.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import reduce
from itertools import pairwise
from typing import Final

from decoder.marking import BIT, DIGITS
from decoder.scheme.engine import known_number, least_from
from decoder.tables import Citation, Row, Table, Tables
from decoder.window import EVERY, Window, parse_edtf

Cells = tuple[int, ...]

PLAUSIBLE_TO: Final = 2040  # a number that no office can have reached by this year is misread
OVERRUN_YEARS: Final = 3  # how long a series went on beside the one that followed it
GROWTH_ROWS: Final = 10  # the last rows of a table tell how fast its numbers grow
DIGITS_MOST: Final = 8
WEEKDAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
DATES: Final = {
    "grant": "granted",
    "publication": "published",
    "filing": "filed",
    "registration": "registered",
}
COUNTRIES: Final = {
    "US": "US",
    "GB": "British",
    "DE": "German",
    "DD": "East German",
    "CA": "Canadian",
    "FR": "French",
    "BE": "Belgian",
    "IT": "Italian",
    "JP": "Japanese",
}
MEANINGS: Final = {
    "number": "patent",
    "design": "design patent",
    "reissue": "reissue patent",
    "registered-design": "registered design",
    "utility-model": "utility model",
}


@dataclass(frozen=True, slots=True)
class Fact:
    """One row's say on a series: from `high` on `since` or later; below `low` `until` or earlier (days as ordinals)."""

    high: int
    since: int | None
    low: int
    until: int | None
    said: str
    dates: str
    grade: str
    memory: bool = False
    cites: tuple[Citation, ...] = ()


@dataclass(frozen=True, slots=True)
class Series:
    """Numbers given out in order of time. `least` and `most` are the plausible ones; `block` is how many numbers
    a year has where the number itself tells the year (0 elsewhere).

    `floor_at` and `ceiling_at` are sorted; `floors[i]` is the latest `since` of all facts up to there, `ceilings[i]`
    the earliest `until` of all facts from there, so that the days never run backwards.
    """

    country: str
    meaning: str
    name: str
    least: int
    most: int
    block: int
    floor_at: tuple[int, ...]
    floors: tuple[Fact, ...]
    ceiling_at: tuple[int, ...]
    ceilings: tuple[Fact, ...]
    revision: str

    @property
    def title(self) -> str:
        """The series in words: 'US design patent'."""
        return f"{COUNTRIES[self.country]} {MEANINGS[self.meaning]}"

    def facts(self, number: int) -> tuple[Fact | None, Fact | None]:
        """The two facts that bound a number, from below and from above."""
        floor = bisect_right(self.floor_at, number) - 1
        ceiling = bisect_right(self.ceiling_at, number)
        return (
            self.floors[floor] if floor >= 0 else None,
            self.ceilings[ceiling] if ceiling < len(self.ceilings) else None,
        )

    def granted(self, number: int) -> Window:
        """The days on which a number can have been given, from number order alone.

        The earliest never falls and the latest never falls as numbers rise.
        """
        floor, ceiling = self.facts(number)
        since = floor.since if floor else None
        until = ceiling.until if ceiling and not (floor and floor.dates == "filing") else None
        if since is not None and until is not None and since > until:
            return Window(until, since)  # facts of a shop's own table that contradict ours: all days between
        return Window(since, until)

    def edges(self) -> set[int]:
        """The numbers at which something else begins to hold: from one to the next nothing that is said changes."""
        blocks = {fact.high + self.block for fact in self.floors} if self.block else set()
        return {self.least, self.most + 1, *self.floor_at, *self.ceiling_at, *blocks}

    def holds(self, number: int) -> bool:
        """Whether the series can have reached the number."""
        if not self.least <= number <= self.most:
            return False
        floor, _ = self.facts(number)
        if floor is None or not self.block or floor.dates != "filing" or floor is self.floors[-1]:
            return True
        return number - floor.high < self.block


@dataclass(frozen=True, slots=True)
class Dated:
    """A number, or a worn one from `low` to `high`, met with its series.

    The earliest day rests on `floor`, the latest on `ceiling`."""

    series: Series
    low: int
    high: int
    granted: Window
    floor: Fact | None
    ceiling: Fact | None


def shown_number(number: int) -> str:
    """A number with its thousands set off."""
    return f"{number:,}"


def meet(series: Series, forms: Iterable[Cells]) -> Dated | None:
    """The days of a number whose characters are `forms` (several where a `*` stands for some); None if it fits not."""
    lows, highs = [], []
    for cells in forms:
        if len(cells) > DIGITS_MOST:
            continue
        certain = certain_number(cells)
        if certain is not None:
            if series.least <= certain <= series.most:
                lows.append(certain)
                highs.append(certain)
            continue
        digits = (cells[0] & DIGITS & ~1, *(cell & DIGITS for cell in cells[1:]))  # no number begins with 0
        low, high = least_from(digits, series.least), _greatest_to(digits, series.most)
        if low is not None and high is not None and low <= high:
            lows.append(low)
            highs.append(high)
    if not lows:
        return None
    return dated_from(series, min(lows), max(highs))


def dated_from(series: Series, low: int, high: int) -> Dated | None:
    """The days of a number, or of a worn one from `low` to `high`; None where the series can't hold it."""
    if low == high and not series.holds(low):
        return None
    granted = series.granted(low)
    if high != low:
        granted = Window(granted.earliest, series.granted(high).latest)
    return Dated(series, low, high, granted, series.facts(low)[0], series.facts(high)[1])


def certain_number(cells: Cells) -> int | None:
    """The number when every digit is known; none begins with 0."""
    number = known_number(cells)
    return None if number is None or cells[0] == BIT["0"] else number


_COMPLEMENTS: Final = tuple(sum(1 << (9 - d) for d in range(10) if mask >> d & 1) for mask in range(1024))


def _greatest_to(cells: Cells, high: int) -> int | None:
    """The greatest number of these digits that is high or less: the least of the nines' complements."""
    nines = 10 ** len(cells) - 1
    found = least_from(tuple([_COMPLEMENTS[cell] for cell in cells]), max(nines - high, 0))
    return None if found is None else nines - found


# ---------------------------------------------------------------------------------------------------------------
# From tables to series


@dataclass(frozen=True, slots=True)
class IssueDays:
    """On which weekday US patents issue since when, and the single extra issues."""

    weekday: int
    since: int
    extra: frozenset[int]

    def is_one(self, day: int) -> bool | None:
        """Whether patents issued on this day; None before the first year whose weekday is known."""
        if day in self.extra:
            return True
        return None if day < self.since else date.fromordinal(day).weekday() == self.weekday

    def last_of(self, year: int) -> int:
        """The last day of a year that can have been an issue day."""
        day = date(year, 12, 31).toordinal()
        while self.is_one(day) is False:
            day -= 1
        return day


def issue_days(tables: Tables) -> IssueDays:
    """The issue days of `patents/issue-days`."""
    rows = tables.table("patents/issue-days").rows
    steady = min((r for r in rows if r["rule"] == "weekday"), key=lambda r: str(r["from"]))
    extra = {day for r in rows if r["rule"] == "extra" for day in _days(parse_edtf(r["from"]).window)}
    return IssueDays(WEEKDAYS.index(steady["weekday"]), _start(steady["from"]), frozenset(extra))


def _days(window: Window) -> range:
    assert window.earliest is not None and window.latest is not None
    return range(window.earliest, window.latest + 1)


def _start(edtf: str) -> int:
    earliest = parse_edtf(edtf).window.earliest
    assert earliest is not None
    return earliest


@dataclass(frozen=True, slots=True)
class Register:
    """What the tables hold: every series by country and meaning, British numbers that restarted each year, filing
    days, grants known from memory alone, terms of protection, issue days, and when a date stood for a number."""

    series: Mapping[tuple[str, str], tuple[Series, ...]]
    yearly: tuple[Series, Window]
    filed: Mapping[tuple[str, str, int], tuple[int, tuple[Citation, ...]]]
    remembered: Mapping[tuple[str, str, int], date]
    terms: tuple[tuple[str, str, Window, str], ...]
    days: IssueDays
    date_form: Window


def register(tables: Tables) -> Register:
    """The register of these tables, built once."""
    return tables.derived("patent.register", build_register)


def us_series(tables: Tables, name: str, leave_out: int | None = None) -> Series:
    """The US series utility, design or reissue. `leave_out` is a known grant that narrows nothing, so that a check
    can ask what the tables say of a number without being told the answer."""
    return _us(tables, name, issue_days(tables), _edge_days(tables), leave_out)


def _edge_days(tables: Tables) -> int:
    return 7 * int(tables.setting("memory_edge_weeks"))


def build_register(tables: Tables) -> Register:
    """Every series of the tables, and what else they say of patents."""
    days, pad = issue_days(tables), _edge_days(tables)
    found: list[Series] = [_us(tables, name, days, pad, None) for name in US_SERIES.values()]
    designs = tables.table("patents/gb-registered-designs")
    found += _listed(tables, "GB", "registered-design", designs, pad)
    for country in ("GB", "DE", "DD", "CA", "FR"):
        found += _listed(tables, country, "number", tables.table(f"patents/{country.lower()}-patents"), pad)
    grouped: dict[tuple[str, str], tuple[Series, ...]] = {}
    for series in found:
        key = (series.country, series.meaning)
        grouped[key] = (*grouped.get(key, ()), series)
    filings = tables.table("patents/pendency")
    filed = {
        ("US", MEANING_OF[row["series"]], row["number"]): (row["filed"].toordinal(), filings.cite(row))
        for row in filings.rows
    }
    remembered = {
        ("US", MEANING_OF[row["series"]], row["number"]): row["granted"]
        for row in tables.table("patents/known-grants").rows
        if row["grade"] == "M"
    }
    rules = tables.table("patents/rules").rows
    return Register(
        grouped, _yearly(tables), filed, remembered, tuple(_terms(rules)), days, _date_form(rules)
    )


US_SERIES: Final = {"number": "utility", "design": "design", "reissue": "reissue"}
MEANING_OF: Final = {name: meaning for meaning, name in US_SERIES.items()}


def _us(tables: Tables, name: str, days: IssueDays, pad: int, leave_out: int | None) -> Series:
    table = tables.table("patents/us-issue-years")
    rows = sorted((r for r in table.rows if r[f"first_{name}"] is not None), key=lambda r: int(r["year"]))
    copies = {
        row["year"]: int(row["stated"])
        for row in tables.table("patents/us-grant-conflicts").rows
        if row["series"] == name and row["year"] is not None and row["number"] is None
    }
    facts = []
    for row in rows:
        year, first, grade = row["year"], row[f"first_{name}"], row[f"grade_{name}"] or "M"
        other = copies.get(year, first)  # two copies of the table differ: a number between is of either year
        wide = pad if grade == "M" else 0
        starts = (row["first_issue_date"] or date(year, 1, 1)).toordinal()
        cites = tuple(c._replace(grade=grade) for c in table.cite(row))
        said = f"the first number of {year} is {shown_number(first)}"
        facts.append(
            Fact(
                max(first, other), starts - wide, min(first, other), days.last_of(year - 1) + wide,
                said, "grant", grade, grade == "M", cites,
            )
        )  # fmt: skip
    anchors = [(int(r["year"]), int(r[f"first_{name}"])) for r in rows]
    most = _reach(anchors, PLAUSIBLE_TO)
    facts += _known(tables, name, leave_out)
    return _series("US", MEANING_OF[name], name, facts, anchors[0][1], most, 0, table.revision)


def _known(tables: Tables, name: str, leave_out: int | None) -> Iterator[Fact]:
    """Single dated grants: a greater number is granted on that day or later, a lesser one on it or earlier."""
    table = tables.table("patents/known-grants")
    for row in table.rows:
        number = row["number"]
        if row["series"] == name and row["grade"] != "M" and number != leave_out:
            day = row["granted"].toordinal()
            said = f"{shown_number(number)} was granted on {row['granted']}"
            yield Fact(number, day, number + 1, day, said, "grant", row["grade"], False, table.cite(row))


def _listed(tables: Tables, country: str, meaning: str, table: Table, pad: int) -> list[Series]:
    """The series of one country's table, each ending soon after the next began."""
    grouped: dict[str, list[Row]] = {}
    for row in table.rows:
        if row.get("first_number") != 1 or row.get("year_to") is None:
            grouped.setdefault(row["series"], []).append(row)
    ordered = sorted(
        ((_anchors(rows), name, rows) for name, rows in grouped.items()), key=lambda item: item[0][0][1]
    )
    made = []
    for place, (anchors, name, rows) in enumerate(ordered):
        following = ordered[place + 1][0][0] if place + 1 < len(ordered) else None
        filing = sorted(
            int(r["first_number"]) for r in rows if r.get("dates") == "filing" and r["first_number"]
        )
        block = min((b - a for a, b in pairwise(filing)), default=0)
        if following is None:
            most = _reach(anchors, PLAUSIBLE_TO, block)
        else:
            most = min(following[1] - 1, _reach(anchors, following[0] + OVERRUN_YEARS, block))
        facts = [fact for row in rows for fact in _row_facts(table, row, rows, pad)]
        least = min(int(r["first_number"]) for r in rows if r["first_number"])
        made.append(_series(country, meaning, name, facts, least, most, block, table.revision))
    return made


def _when(row: Row) -> Window:
    return parse_edtf(str(row.get("date") or row["year"])).window


def _year(row: Row) -> int:
    start = _when(row).earliest_date
    assert start is not None
    return start.year


def _anchors(rows: Sequence[Row]) -> list[tuple[int, int]]:
    found = []
    for row in rows:
        if row["first_number"] is not None:
            found.append((_year(row), int(row["first_number"])))
        if row.get("last_number") is not None:
            found.append((_year(row) + 1, int(row["last_number"]) + int(row["tolerance_numbers"] or 0)))
    return sorted(found)


def _reach(anchors: list[tuple[int, int]], year: int, block: int = 0) -> int:
    """The greatest number that a series can have reached by a year, at the fastest growth of its last rows."""
    recent = anchors[-GROWTH_ROWS:]
    growth = block or max(
        ((n2 - n1) / (y2 - y1) for (y1, n1), (y2, n2) in pairwise(recent) if y2 > y1), default=0.0
    )
    last_year, last = anchors[-1]
    greatest = max(number for _, number in anchors)
    if growth <= 0:
        return 2 * greatest  # one row alone tells no growth
    return max(greatest, last + int(growth * max(year - last_year, 1)))


def _row_facts(table: Table, row: Row, rows: list[Row], pad: int) -> Iterator[Fact]:
    when, dates = _when(row), row.get("dates") or "registration"
    assert when.earliest is not None and when.latest is not None
    stated = row.get("tolerance_numbers")
    tolerance = int(stated or 0)
    memory = row["grade"] == "M"
    unsure = ("tolerance_numbers" in row and stated is None) or (memory and not tolerance)
    wide = pad if unsure else 0
    label = str(row.get("date") or row["year"])
    first, last = row["first_number"], row.get("last_number")
    if first is not None:
        other = int(row.get("other_first_number") or first)
        # Only beside a row of the year before is it sure that the number is the first of its year.
        whole = _year(row) - 1 in {_year(r) for r in rows} and (when.width_days or 0) > 31
        until = when.earliest - 1 if whole else when.latest
        about = f" (give or take {shown_number(tolerance)})" if tolerance else ""
        said = f"the table has {shown_number(first)}{about} at {label}"
        yield Fact(
            max(first, other) + tolerance, when.earliest - wide, min(first, other) - tolerance, until + wide,
            said, dates, row["grade"], memory, table.cite(row),
        )  # fmt: skip
    # The last number of a series' last row may have come later: it bounds the numbers and not the days.
    final = max(_year(r) for r in rows)
    if last is not None and not (first is not None and _year(row) == final):
        said = f"the table has {shown_number(last)} as the last of {label}"
        yield Fact(
            last + tolerance + 1, when.latest + 1 - wide, last - tolerance + 1, when.latest + wide,
            said, dates, row["grade"], memory, table.cite(row),
        )  # fmt: skip


def _series(
    country: str, meaning: str, name: str, facts: list[Fact], least: int, most: int, block: int, revision: str
) -> Series:
    rising = sorted((f for f in facts if f.since is not None), key=lambda f: (f.high, f.since or 0))
    floors: list[Fact] = []
    for fact in rising:
        floors.append(floors[-1] if floors and (floors[-1].since or 0) > (fact.since or 0) else fact)
    falling = sorted((f for f in facts if f.until is not None), key=lambda f: (-f.low, -(f.until or 0)))
    ceilings: list[Fact] = []
    for fact in falling:
        ceilings.append(ceilings[-1] if ceilings and (ceilings[-1].until or 0) < (fact.until or 0) else fact)
    return Series(
        country, meaning, name, least, most, block,
        tuple(f.high for f in rising), tuple(floors),
        tuple(f.low for f in reversed(falling)), tuple(reversed(ceilings)), revision,
    )  # fmt: skip


def _yearly(tables: Tables) -> tuple[Series, Window]:
    """British numbers that restarted each year, as a series without days, and the years in which they did."""
    table = tables.table("patents/gb-patents")
    row = next(r for r in table.rows if r["series"] == "yearly")
    fact = Fact(0, None, 0, None, "", row["dates"], row["grade"], row["grade"] == "M", table.cite(row))
    empty = Series("GB", "number", "yearly", 1, 99_999, 0, (0,), (fact,), (), (), table.revision)
    return empty, Window.years(row["year"], row["year_to"])


DATE_FORM_RULES: Final = ("marking: date of patent", "marking practice lag")
TERM_RULES: Final = {
    "utility term": "number",
    "patent term": "number",
    "patent term (old act)": "number",
    "patent term before 1935": "number",
    "design term": "design",
    "registered design term": "registered-design",
}


def _terms(rules: Iterable[Row]) -> Iterator[tuple[str, str, Window, str]]:
    for row in rules:
        meaning = TERM_RULES.get(row["rule"])
        if meaning:
            yield row["jurisdiction"], meaning, period(row), row["value"]


def period(row: Row) -> Window:
    """The days from a row's `from` to its `to`, either of which may be empty."""
    since = parse_edtf(row["from"]).window.earliest if row["from"] else None
    until = parse_edtf(row["to"]).window.latest if row["to"] else None
    return Window(since, until)


def _date_form(rules: Iterable[Row]) -> Window:
    """When US parts carried the date of the patent: from the law that asked for it until makers gave it up."""
    stated = [period(row) for row in rules if row["rule"].startswith(DATE_FORM_RULES)]
    return reduce(Window.hull, stated) if stated else EVERY


def terms_of(book: Register, country: str, meaning: str, granted: Window) -> list[str]:
    """The terms that the law gave in those days; a reissue runs out with the patent that it replaces."""
    wanted = "number" if meaning == "reissue" else meaning
    return [t for c, m, when, t in book.terms if (c, m) == (country, wanted) and when.overlaps(granted)]


def estimate(dated: Dated) -> str | None:
    """About when in its interval one number stands, by straight proportion between the nearest facts: an estimate."""
    floor, ceiling, granted = dated.floor, dated.ceiling, dated.granted
    if dated.low != dated.high or floor is None or ceiling is None or (granted.width_days or 0) < 62:
        return None
    if floor.since is None or ceiling.until is None or ceiling.low <= floor.high:
        return None
    share = (dated.low - floor.high) / (ceiling.low - floor.high)
    day = date.fromordinal(floor.since + int(max(0.0, share) * (ceiling.until - floor.since)))
    part = ("early", "mid", "late")[(day.month - 1) // 4]
    return f"about {part} {day.year} by its place among the numbers: an estimate, never part of the window"
