"""What one patent mark says of days: a number by its series, a date, a pending mark, words of a law.

A number without a country is taken as of each country whose series can hold it; how strong each is depends on how
the number is written. Nothing here puts several marks together.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import reduce
from typing import Final

from decoder.families.patent_marks import Found, Mark, find_marks
from decoder.families.patent_numbers import (
    COUNTRIES,
    DATES,
    MEANINGS,
    US_SERIES,
    Dated,
    Register,
    estimate,
    meet,
    register,
    shown_number,
    terms_of,
)
from decoder.families.patent_text import NAMES, Lexicon, lexicon
from decoder.marking import MARKING_LIMIT, Marking, MarkingError
from decoder.scheme.family import Context
from decoder.scheme.reading import Strength, Timing
from decoder.tables import Citation, Row
from decoder.window import ALL, Window, WindowSet

RIVALS: Final = ("US", "GB", "DE", "CA", "FR")  # whose numbers a mark without a country may be, in this order
GRADES: Final = "ABCPM"
SMALL: Final = 5  # a number of fewer digits, with no country named, is weaker evidence
LONG: Final = 7  # a number of as many digits after PAT is written the US way
MARKS_READ: Final = 24  # a text that names more is a list, and no marking of a part
WORDS_ALONE: Final = "says that something was patented or protected, and no number or date with it"


def country_called(name: str | None) -> str | None:
    """The two letters of a country given by them or by a name; None for one whose patents are not known here."""
    if name is None:
        return None
    folded = " ".join(name.upper().replace(".", " ").replace("-", " ").split())
    return COUNTRY_NAMES.get(folded)


COUNTRY_NAMES: Final = {
    **{code: code for code in COUNTRIES},
    **{name: code for code, names in NAMES.items() for name in names},
    "UNITED STATES OF AMERICA": "US",
    "UNITED KINGDOM": "GB",
    "SCOTLAND": "GB",
    "WALES": "GB",
    "WEST GERMANY": "DE",
    "EAST GERMANY": "DD",
    "GDR": "DD",
    "DDR": "DD",
}


def scheme_id(country: str | None, meaning: str) -> str:
    """The id under which a mark is read: us-utility, gb-registered-design, patent-pending."""
    if meaning == "pending":
        return "patent-pending"
    kind = (
        US_SERIES.get(meaning, meaning) if country == "US" else "patent" if meaning == "number" else meaning
    )
    return f"{country.lower()}-{kind}" if country else kind


@dataclass(frozen=True, slots=True)
class Meaning:
    """What one mark says when it is taken as of one country: the days it leaves, and all that is told of it."""

    mark: Mark
    scheme: str
    title: str
    windows: WindowSet
    strength: Strength
    value: str
    notes: tuple[str, ...] = ()
    cites: tuple[Citation, ...] = ()
    grade: str = "M"
    revision: str = ""
    granted: Window | None = None
    timing: Timing = Timing.PART
    dated: Dated | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """One marking with all that its reading needs."""

    marking: Marking
    context: Context
    book: Register
    words: Lexicon
    found: Found
    home: str | None
    named: Meaning | None = None  # the patent that is given beside the marking

    @classmethod
    def of(cls, marking: Marking, context: Context) -> Case:
        """The marks of a marking, found."""
        book, words = register(context.tables), lexicon(context.tables)
        found = find_marks(marking, words, book.days, book.date_form)
        found = Found(found.marks[:MARKS_READ], found.faults[:MARKS_READ])
        case = cls(marking, context, book, words, found, country_called(context.country))
        if context.patent is not None and any(mark.kind == "pending" for mark in found.marks):
            case = replace(case, named=_named_patent(case, context.patent))
        return case

    @property
    def revision(self) -> str:
        """The revision of the wordings."""
        return self.context.tables.table("patents/wordings").revision

    def cite(self, rows: Iterable[Row]) -> tuple[Citation, ...]:
        """The sources of some wordings, each once."""
        table = self.context.tables.table("patents/wordings")
        return tuple(dict.fromkeys(c for row in rows if "source" in row for c in table.cite(row)))


# ---------------------------------------------------------------------------------------------------------------
# What one mark says


def candidates(case: Case, mark: Mark) -> tuple[str, ...]:
    """The countries whose mark it may be; none for a mark that needs no country."""
    if mark.country:
        return (mark.country,)
    stated = tuple(dict.fromkeys(row["jurisdiction"] for row in mark.rows if row["jurisdiction"]))
    if stated:
        return stated
    if mark.kind != "number" or mark.meaning != "number":
        return ()
    more = (case.home,) if case.home and case.home not in RIVALS else ()
    return (*RIVALS, *more)


def numbers_say(case: Case, mark: Mark) -> dict[str, Meaning]:
    """What a number says, by country; no country whose series can't hold it."""
    wanted = candidates(case, mark)
    taken = {country: m for country in wanted if (m := number_as(case, mark, country)) is not None}
    dated = [country for country, m in taken.items() if m.granted is not None]
    return {
        country: replace(m, strength=_strength(case, mark, country, len(wanted) == 1, dated))
        for country, m in taken.items()
    }


def _strength(case: Case, mark: Mark, country: str, stated: bool, dated: Sequence[str]) -> Strength:
    """How much a number counts as one of a country's.

    Strong are words with a country named, the country given beside the marking, the US way of writing, and one
    country's series alone. Words that stand for other things too, and small numbers, are fair at best; a number
    without words is weak.
    """
    length = max((len(form) for form in mark.forms), default=0)
    if not mark.named:
        return Strength.FAIR if mark.prefixed and not mark.slight else Strength.WEAK
    if mark.slight:
        return Strength.FAIR if mark.comma or mark.numbered else Strength.WEAK
    if stated or (country == case.home and country in dated):
        return Strength.STRONG
    if length < SMALL:
        return Strength.FAIR
    german = any(row["wording"].split()[-1] in ("NR", "N") for row in mark.rows)
    if country == "US" and not german and (mark.comma or length >= LONG):
        return Strength.STRONG
    return Strength.STRONG if dated == [country] else Strength.FAIR


def _lawful(rows: Iterable[Row], country: str | None) -> WindowSet:
    """The days in which a wording was lawful or in use: of any of the wordings that worn letters allow."""
    periods = [row["lawful"] for row in rows if country is None or row["jurisdiction"] in (None, country)]
    return WindowSet.from_iter(periods) if periods else ALL


def number_as(case: Case, mark: Mark, country: str) -> Meaning | None:
    """What a number says as one of a country's; None where that country's series can't hold it."""
    rows = [row for row in mark.rows if row.get("source") and row["jurisdiction"] in (None, country)]
    lawful = _lawful(rows, country)
    series = case.book.series.get((country, mark.meaning), ())
    if mark.years:
        return _yearly(case, mark) if country == "GB" else None
    if not series:
        return _untabled(case, mark, country, rows, lawful)
    met = []
    for one in series:
        dated = meet(one, mark.forms)
        if dated and WindowSet.of(Window(dated.granted.earliest, None)) & lawful:
            met.append(dated)
    if not met:
        return None
    dated = min(met, key=lambda d: d.granted.earliest or 0)
    if len(met) > 1:
        granted = reduce(Window.hull, (d.granted for d in met))
        ceiling = None if granted.latest is None else max(met, key=lambda d: d.granted.latest or 0).ceiling
        dated = replace(dated, high=max(d.high for d in met), granted=granted, ceiling=ceiling)
    windows = WindowSet.of(Window(dated.granted.earliest, None)) & lawful
    floor, ceiling = dated.floor, dated.ceiling
    rests_on = floor or ceiling
    grade = rests_on.grade if rests_on else "M"
    cites = (*(floor.cites if floor else ()), *(ceiling.cites if ceiling else ()))
    bounded = windows.latest is not None
    return Meaning(
        mark=mark,
        scheme=scheme_id(country, mark.meaning),
        title=f"{dated.series.title} number",
        windows=windows,
        strength=Strength.STRONG,
        value=_told(dated),
        cites=(*cites, *(case.cite(rows) if bounded or not cites else ())),
        grade=grade,
        revision=dated.series.revision,
        granted=dated.granted,
        timing=Timing.ERA if bounded else Timing.PART,
        dated=dated,
    )


def _told(dated: Dated) -> str:
    """A number in words: which one, and when it was granted."""
    title = dated.series.title
    which = shown_number(dated.low)
    if dated.low != dated.high:
        which = f"between {which} and {shown_number(dated.high)}"
    floor = dated.floor
    return f"{title} {which}, {DATES[floor.dates if floor else 'grant']} {_span(dated.granted)}"


def _span(window: Window) -> str:
    first, last = window.earliest_date, window.latest_date
    if first and last:
        return f"on {first}" if first == last else f"between {first} and {last}"
    return f"on {first} or later" if first else f"on {last} or earlier" if last else "at an unknown date"


def number_notes(case: Case, dated: Dated) -> Iterator[str]:
    """What is to be said of a number that a reading rests on: its edges, an estimate, the term of its law."""
    series, floor, ceiling = dated.series, dated.floor, dated.ceiling
    dates = floor.dates if floor else "grant"
    if dates == "filing":
        yield "the number tells when the application was filed; the mark can't be older"
    elif dated.granted.latest is None and floor is not None and dated.low == dated.high:
        yield f"past the last edge that the table holds ({floor.said}): {DATES[dates]} then or later"
    if dates == "publication":
        yield "the number tells when the specification was published, months or years after filing"
    if any(fact is not None and fact.memory for fact in (floor, ceiling)):
        yield "an edge of its year is from memory, and is widened for that"
    key = (series.country, series.meaning, dated.low)
    if dated.low == dated.high and key in case.book.remembered:
        yield f"from memory, unconfirmed: granted on {case.book.remembered[key]}; the window doesn't rest on it"
    told = estimate(dated)
    if told:
        yield told
    terms = terms_of(case.book, series.country, series.meaning, dated.granted)
    if terms:
        yield f"term: {' or '.join(terms)}"


def _yearly(case: Case, mark: Mark) -> Meaning | None:
    """A British number with its year, of the time when the numbers began anew each year."""
    series, years = case.book.yearly
    found = [w for year in mark.years if (w := years.intersect(Window.year(year)))]
    if not found or meet(series, mark.forms) is None:
        return None
    first, last = found[0].earliest_date, found[-1].earliest_date
    assert first and last
    which = str(first.year) if first.year == last.year else f"{first.year} to {last.year}"
    fact = series.floors[0]
    return Meaning(
        mark,
        "gb-patent",
        f"{series.title} number of a year",
        WindowSet.of(Window(found[0].earliest, None)),
        Strength.STRONG,
        f"British patent of {which}, the year of its application",
        ("numbers began at 1 each year and were given at application",),
        fact.cites,
        fact.grade,
        series.revision,
        reduce(Window.hull, found),
    )


def _untabled(case: Case, mark: Mark, country: str, rows: Sequence[Row], lawful: WindowSet) -> Meaning:
    """A number of a country or kind for which no table of numbers is held: the words alone speak."""
    name = f"{COUNTRIES[country]} {MEANINGS.get(mark.meaning, 'patent')}"
    why = f"no table of {name} numbers is held: only the words bound it"
    if country == "JP":
        why = "Japanese numbers begin anew with each emperor year: without the year a number gives no date"
    elif mark.meaning == "utility-model" and lawful.latest is None:
        why += ", and they bound little"
    bounded = lawful.latest is not None
    cites = case.cite(rows or mark.rows)
    grade = min((c.grade for c in cites), key=GRADES.find, default="M")
    return Meaning(
        mark, scheme_id(country, mark.meaning), f"{name} number",
        lawful, Strength.STRONG, f"{name} number, not dated by its number", (why, *_row_notes(rows)), cites, grade,
        case.revision, None, Timing.ERA if bounded else Timing.PART,
    )  # fmt: skip


def _row_notes(rows: Iterable[Row]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(row["note"] for row in rows if row.get("note") and row["jurisdiction"]))


def words_say(case: Case, mark: Mark, country: str | None) -> Meaning:
    """Words with no number: the days of their law or custom, which may be open."""
    rows = [row for row in mark.rows if country is None or row["jurisdiction"] in (None, country)]
    lawful = _lawful(rows, country)
    closed = lawful.earliest is not None and lawful.latest is not None
    strength = Strength.FAIR if closed or lawful.earliest is not None else Strength.WEAK
    if closed and len(candidates(case, mark)) == 1:
        strength = Strength.STRONG
    cites = case.cite(rows)
    whose = f"{COUNTRIES[country]} " if country else ""
    said = MEANINGS.get(mark.meaning, "protection")
    notes = _row_notes(rows) if lawful != ALL else (WORDS_ALONE, *_row_notes(rows))
    return Meaning(
        mark, "patent-words", f"{whose}{said} named in words", lawful, strength,
        f"{whose}{said}, {_in_force(lawful)}", notes, cites,
        min((c.grade for c in cites), key=GRADES.find, default="M"), case.revision, None, Timing.ERA,
    )  # fmt: skip


def _in_force(lawful: WindowSet) -> str:
    hull = lawful.hull()
    first, last = (hull.earliest_date, hull.latest_date) if hull else (None, None)
    if first and last:
        return f"words in use from {first} to {last}"
    return f"words in use from {first}" if first else "words of no known date"


def pending_says(case: Case, mark: Mark, country: str | None) -> Meaning:
    """A pending mark: bounded by its words' law, and by the patent that is named for it."""
    rows = [row for row in mark.rows if country is None or row["jurisdiction"] in (None, country)]
    lawful = _lawful(rows, country)
    cites = case.cite(rows)
    strength = Strength.WEAK if mark.slight else Strength.FAIR
    made = Meaning(
        mark, "patent-pending", "patent pending", lawful, strength, "an application is pending",
        _row_notes(rows), cites, min((c.grade for c in cites), key=GRADES.find, default="P"), case.revision,
        None, Timing.PENDING if lawful.latest is None else Timing.ERA,
    )  # fmt: skip
    if case.context.patent is None:
        return made
    named = case.named
    if named is None or named.granted is None:
        return replace(
            made, notes=(*made.notes, f"the patent named, {case.context.patent[:40]!r}, can't be dated")
        )
    dated, notes = named.dated, ["the pending mark is read as of the patent named"]
    filed: int | None = None
    filing_cites: tuple[Citation, ...] = ()
    if dated and dated.low == dated.high:
        key = (dated.series.country, dated.series.meaning, dated.low)
        filed, filing_cites = case.book.filed.get(key, (None, ()))
    if dated and dated.floor and dated.floor.dates == "filing":
        filed = dated.granted.earliest
    notes.append(
        f"filed on {date.fromordinal(filed)}: the mark is not older"
        if filed
        else "the filing day of the patent named is not known here, so nothing bounds the mark from below"
    )
    told = f"pending until {named.value}"
    ceiling = dated.ceiling if dated else None
    window = WindowSet.of(Window(filed, named.granted.latest)) & lawful
    if not window:
        return replace(made, notes=(*made.notes, "the patent named is of another time than these words"))
    return replace(
        made, windows=window, strength=Strength.STRONG, value=told, notes=tuple(notes),
        cites=(*(ceiling.cites if ceiling else named.cites), *filing_cites),
        grade=ceiling.grade if ceiling else named.grade, revision=named.revision, granted=named.granted,
        timing=Timing.PENDING,
    )  # fmt: skip


def _named_patent(case: Case, text: str) -> Meaning | None:
    """The patent given beside a marking, as of the US where it may be of several countries."""
    for form in (text, f"PAT. NO. {text}"):
        try:
            marking = Marking.read(form.strip(), limit=MARKING_LIMIT)
        except MarkingError:
            continue
        found = find_marks(marking, case.words, case.book.days, case.book.date_form)
        for mark in found.marks:
            if mark.kind == "number":
                meanings = numbers_say(case, mark)
                if meanings:
                    return next(iter(meanings.values()))
    return None


def date_says(case: Case, mark: Mark, country: str | None) -> Meaning:
    """A date in place of a number: the day of the patent."""
    assert mark.days is not None
    windows = WindowSet.of(Window(mark.days.earliest, None)) & _lawful(mark.rows, country)
    notes = []
    if mark.issue_day is False:
        day = date.fromordinal(mark.days.earliest or 1)
        notes.append(
            f"{day} was a {day:%A}, and US patents issue on Tuesdays: check the date, or it is of another country"
        )
    if mark.unit == "year":
        notes.append("the year of a patent, as Canada's law asked for it, or a year that the maker gave")
    rows = [row for row in mark.rows if row.get("source")]
    cites = case.cite(rows)
    whose = f"{COUNTRIES[country]} " if country else ""
    return Meaning(
        mark, "patent-date", f"{whose}patent date", windows or WindowSet.of(Window(mark.days.earliest, None)),
        Strength.FAIR if mark.slight else Strength.STRONG, f"{whose}patent of {_span(mark.days)[3:]}"
        if mark.days.width_days == 1 else f"{whose}patent granted {_span(mark.days)}",
        tuple(notes), cites, min((c.grade for c in cites), key=GRADES.find, default="M"), case.revision, mark.days,
    )  # fmt: skip
