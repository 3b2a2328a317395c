"""What one patent mark says of days: a number by its series, a date, a pending mark, words of a law.

A number without a country is taken as of each country whose series can hold it; how strong each is depends on how
the number is written. Nothing here puts several marks together.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import reduce
from typing import Final, NamedTuple

from decoder.families.patent_marks import Found, Mark, find_marks, marks_of_form
from decoder.families.patent_numbers import (
    COUNTRIES,
    DATES,
    DIGITS_MOST,
    MEANINGS,
    US_SERIES,
    Cells,
    Dated,
    Register,
    Series,
    certain_number,
    dated_from,
    estimate,
    meet,
    register,
    shown_number,
    terms_of,
)
from decoder.families.patent_text import NAMES, Lexicon, lexicon, may_hold
from decoder.kept import Kept
from decoder.marking import DIGITS_ALIKE, MARKING_LIMIT, Marking, MarkingError
from decoder.scheme.family import Context
from decoder.scheme.reading import About, Strength, Timing
from decoder.tables import Citation, Row, Tables
from decoder.window import ALL, Window, WindowSet

RIVALS: Final = ("US", "GB", "DE", "CA", "FR")  # whose numbers a mark without a country may be, in this order
GRADES: Final = "ABCPM"
SMALL: Final = 5  # a number of fewer digits, with no country named, is weaker evidence
LONG: Final = 7  # a number of as many digits after PAT is written the US way
MARKS_READ: Final = 24  # a text that names more is a list, and no marking of a part
PLANS_KEPT: Final = 16384  # marks of forms that are remembered at one time
PLAN_WEIGHS: Final = 4  # as much as so many marks, even where it has none
SCALES_KEPT: Final = 2048  # countries and wordings whose numbers are remembered at one time
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


@dataclass(frozen=True, eq=False, slots=True)
class Says:
    """What is said of a mark that is taken as of one country: the days it leaves, and all that is told of it.

    Of every number between two edges of a series the same is said: `dated` is one of them, and `value` is left to the
    number.
    """

    about: About
    windows: WindowSet
    value: str = ""
    notes: tuple[str, ...] = ()
    cites: tuple[Citation, ...] = ()
    grade: str = "M"
    granted: Window | None = None
    dated: Dated | None = None


class Meaning(NamedTuple):
    """One mark with what is said of it and how much it counts; a number is `low`, or worn from `low` to `high`."""

    mark: Mark
    says: Says
    strength: Strength
    low: int = 0
    high: int = 0

    @property
    def dated(self) -> Dated | None:
        """The number met with its series."""
        found = self.says.dated
        if found is None or (found.low == self.low and found.high == self.high):
            return found
        return replace(found, low=self.low, high=self.high)

    @property
    def value(self) -> str:
        """What the mark means, in words."""
        dated = self.dated
        return self.says.value if dated is None or self.says.value else _told(dated)


class Asked(NamedTuple):
    """What a number is asked as: the countries that it may be of, and what tells how much it counts.

    `fixed` is its strength where that doesn't depend on the country; `small` and `us_way` say how it is written.
    """

    scales: tuple[Scale, ...]
    fixed: Strength | None
    small: bool
    us_way: bool


@dataclass(frozen=True, eq=False, slots=True)
class Plan:
    """The marks of a marking with what their numbers are asked as; None is asked of a mark that is no number.

    `together` are the places of marks that are companions: clear ones, and apart from them, since they are weaker,
    numbers without words and words that stand for other things too. `form` says that every marking of the form has
    these marks: their digits are then those of the marking. `said` holds what words and pending marks say, by their
    place among the marks and the country they are taken of.
    """

    found: Found
    asked: tuple[Asked | None, ...]
    together: tuple[tuple[int, ...], ...]
    form: bool
    said: dict[tuple[int, str | None], Meaning] = field(default_factory=dict)


@dataclass(eq=False, slots=True)
class Case:
    """One marking with all that its reading needs."""

    marking: Marking
    context: Context
    book: Register
    words: Lexicon
    plan: Plan
    home: str | None
    named: Meaning | None = None  # the patent that is given beside the marking

    @classmethod
    def of(cls, marking: Marking, context: Context) -> Case:
        """The marks of a marking, found, with its own digits."""
        tables = context.tables
        book, words, home = register(tables), lexicon(tables), country_called(context.country)
        case = cls(marking, context, book, words, NOTHING_FOUND, home)
        case.plan = plan_of(case, find_marks(marking, words, book.days, book.date_form), False)
        case.name_patent()
        return case

    @classmethod
    def kept(cls, marking: Marking, context: Context) -> Case | None:
        """The marks of a marking, found once for all markings of its form where they are the same; None for a text
        that can hold none."""
        tables = context.tables
        book, words, home = register(tables), lexicon(tables), country_called(context.country)
        plans = tables.derived("patent.plans", _plans)
        key = (marking.text.translate(DIGITS_ALIKE), home)
        plan = plans.get(key) if marking.form.clear is not None else None
        case = cls(marking, context, book, words, plan or NOTHING_FOUND, home)
        if plan is None:
            if not may_hold(marking, words):
                return None
            found = find_marks(marking, words, book.days, book.date_form)
            same = marks_of_form(marking, words, found)
            case.plan = plan_of(case, same or found, same is not None)
            if same is not None:
                plans.keep(key, case.plan, PLAN_WEIGHS + len(same.marks))
        if context.patent is not None:
            case.name_patent()
        return case

    @property
    def found(self) -> Found:
        """The marks, and what almost was one."""
        return self.plan.found

    def name_patent(self) -> None:
        """Date the patent that is given beside a pending mark."""
        patent = self.context.patent
        if patent is not None and any(mark.kind == "pending" for mark in self.found.marks):
            self.named = _named_patent(self, patent)

    @property
    def revision(self) -> str:
        """The revision of the wordings."""
        return self.context.tables.table("patents/wordings").revision

    def cite(self, rows: Iterable[Row]) -> tuple[Citation, ...]:
        """The sources of some wordings, each once."""
        table = self.context.tables.table("patents/wordings")
        return tuple(dict.fromkeys(c for row in rows if "source" in row for c in table.cite(row)))


NOTHING_FOUND: Final = Plan(Found((), ()), (), (), False)


def _plans(tables: Tables) -> Kept[tuple[str, str | None], Plan]:
    return Kept(PLANS_KEPT)


def plan_of(case: Case, found: Found, form: bool) -> Plan:
    """Some marks, with what their numbers are asked as and which are companions."""
    marks = found.marks[:MARKS_READ]
    asked = tuple([asked_as(case, mark) if mark.kind == "number" else None for mark in marks])
    doubtful = [mark.slight or not mark.named for mark in marks]
    groups = [tuple([place for place, doubt in enumerate(doubtful) if doubt is one]) for one in (False, True)]
    return Plan(
        Found(marks, found.faults[:MARKS_READ]), asked, tuple([group for group in groups if group]), form
    )


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


def asked_as(case: Case, mark: Mark) -> Asked:
    """The countries that a number may be of, and how much it counts as one of theirs.

    Strong are words with a country named, the country given beside the marking, the US way of writing, and one
    country's series alone. Words that stand for other things too, and small numbers, are fair at best; a number
    without words is weak.
    """
    countries = candidates(case, mark)
    fixed = Strength.STRONG if len(countries) == 1 else None
    if not mark.named:
        fixed = Strength.FAIR if mark.prefixed and not mark.slight else Strength.WEAK
    elif mark.slight:
        fixed = Strength.FAIR if mark.comma or mark.numbered else Strength.WEAK
    german = any(row["wording"].split()[-1] in ("NR", "N") for row in mark.rows)
    us_way = not german and (mark.comma or mark.length >= LONG)
    return Asked(tuple([scale_of(case, mark, c) for c in countries]), fixed, mark.length < SMALL, us_way)


def numbers_say(case: Case, mark: Mark, asked: Asked) -> dict[str, Meaning]:
    """What a number says, by country; no country whose series can't hold it."""
    number = _number(case, mark)
    if number is not None:
        met = [(scale, says, number, number) for scale in asked.scales if (says := scale.of(number))]
    else:
        every = [(scale, *_met(case, scale, mark)) for scale in asked.scales]
        met = [(scale, says, low, high) for scale, says, low, high in every if says]
    if asked.fixed is not None:
        return {scale.country: Meaning(mark, says, asked.fixed, low, high) for scale, says, low, high in met}
    dated = sum([says.granted is not None for _, says, _, _ in met])
    made = {}
    for scale, says, low, high in met:
        country, own = scale.country, says.granted is not None
        if country == case.home and own:
            strength = Strength.STRONG
        elif asked.small:
            strength = Strength.FAIR
        elif (country == "US" and asked.us_way) or (own and dated == 1):
            strength = Strength.STRONG
        else:
            strength = Strength.FAIR
        made[country] = Meaning(mark, says, strength, low, high)
    return made


def _number(case: Case, mark: Mark) -> int | None:
    """The number where every digit is known and it stands alone."""
    if mark.years:
        return None
    if mark.forms:
        return certain_number(mark.forms[0]) if len(mark.forms) == 1 and mark.length <= DIGITS_MOST else None
    if mark.length > DIGITS_MOST:
        return None
    first = mark.start + mark.prefixed
    return certain_number(case.marking.cells[first : first + mark.length])


def _forms(case: Case, mark: Mark) -> tuple[Cells, ...]:
    """The characters of a number, in every form that it may have."""
    first = mark.start + mark.prefixed
    return mark.forms or (case.marking.cells[first : first + mark.length],)


def _met(case: Case, scale: Scale, mark: Mark) -> tuple[Says | None, int, int]:
    """What a worn number says, or one with its year, as one of a country's, and from where to where it is."""
    if mark.years:
        return _yearly(case, mark) if scale.country == "GB" else None, 0, 0
    if not scale.series:
        return scale.of(0), 0, 0
    forms = _forms(case, mark)
    says = scale.said([d for one in scale.series if (d := meet(one, forms)) is not None])
    dated = says.dated if says is not None else None
    return (None, 0, 0) if dated is None else (says, dated.low, dated.high)


def number_as(case: Case, mark: Mark, country: str) -> Meaning | None:
    """What a number says as one of a country's; None where that country's series can't hold it."""
    says, low, high = _met(case, scale_of(case, mark, country), mark)
    return None if says is None else Meaning(mark, says, Strength.STRONG, low, high)


def _lawful(rows: Iterable[Row], country: str | None) -> WindowSet:
    """The days in which a wording was lawful or in use: of any of the wordings that worn letters allow."""
    periods = [row["lawful"] for row in rows if country is None or row["jurisdiction"] in (None, country)]
    return WindowSet.from_iter(periods) if periods else ALL


@dataclass(frozen=True, eq=False, slots=True)
class Scale:
    """The numbers of one country and meaning, beside words that were lawful on some days.

    What is said of the numbers between two `edges` is worked out once, and kept in `known` by the place of the numbers
    among the edges. Where no series is held one thing is said of every number.
    """

    country: str
    series: tuple[Series, ...]
    about: About
    lawful: WindowSet
    cites: tuple[Citation, ...]
    edges: tuple[int, ...]
    known: dict[int, Says | None]

    def of(self, number: int) -> Says | None:
        """What is said of a number; None where no series can hold it."""
        place = bisect_right(self.edges, number)
        try:
            return self.known[place]
        except KeyError:
            met = [dated_from(one, number, number) for one in self.series if one.least <= number <= one.most]
            says = self.known[place] = self.said([dated for dated in met if dated is not None])
            return says

    def said(self, met: Iterable[Dated]) -> Says | None:
        """What the series say that a number, worn or not, was met with; None where the words allow no day of it."""
        met = [d for d in met if WindowSet.of(Window(d.granted.earliest, None)) & self.lawful]
        if not met:
            return None
        dated = min(met, key=lambda d: d.granted.earliest or 0)
        if len(met) > 1:
            granted = reduce(Window.hull, (d.granted for d in met))
            ceiling = (
                None if granted.latest is None else max(met, key=lambda d: d.granted.latest or 0).ceiling
            )
            dated = replace(dated, high=max(d.high for d in met), granted=granted, ceiling=ceiling)
        windows = WindowSet.of(Window(dated.granted.earliest, None)) & self.lawful
        floor, ceiling = dated.floor, dated.ceiling
        rests_on = floor or ceiling
        cites = (*(floor.cites if floor else ()), *(ceiling.cites if ceiling else ()))
        bounded = windows.latest is not None
        about = replace(
            self.about,
            title=f"{dated.series.title} number",
            revision=dated.series.revision,
            timing=Timing.ERA if bounded else Timing.PART,
        )
        return Says(
            about,
            windows,
            cites=(*cites, *(self.cites if bounded or not cites else ())),
            grade=rests_on.grade if rests_on else "M",
            granted=dated.granted,
            dated=dated,
        )


def scale_of(case: Case, mark: Mark, country: str) -> Scale:
    """The scale of a number's words, taken as one of a country's."""
    scales = case.context.tables.derived("patent.scales", _scales)
    key = (country, mark.meaning, *map(id, mark.rows))  # the rows of the lexicon live as long as the tables
    found = scales.get(key)
    return found if found is not None else scales.keep(key, _scale(case, mark, country))


def _scales(tables: Tables) -> Kept[object, Scale]:
    return Kept(SCALES_KEPT)


def _scale(case: Case, mark: Mark, country: str) -> Scale:
    rows = [row for row in mark.rows if row.get("source") and row["jurisdiction"] in (None, country)]
    lawful = _lawful(rows, country)
    series = case.book.series.get((country, mark.meaning), ())
    about = About(scheme_id(country, mark.meaning), "", "patent")
    edges = tuple(sorted({edge for one in series for edge in one.edges()}))
    known: dict[int, Says | None] = {} if series else {0: _untabled(case, mark, country, rows, lawful)}
    return Scale(country, series, about, lawful, case.cite(rows), edges, known)


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


def _yearly(case: Case, mark: Mark) -> Says | None:
    """A British number with its year, of the time when the numbers began anew each year."""
    series, years = case.book.yearly
    found = [w for year in mark.years if (w := years.intersect(Window.year(year)))]
    if not found or meet(series, mark.forms) is None:
        return None
    first, last = found[0].earliest_date, found[-1].earliest_date
    assert first and last
    which = str(first.year) if first.year == last.year else f"{first.year} to {last.year}"
    fact = series.floors[0]
    return Says(
        About("gb-patent", f"{series.title} number of a year", "patent", series.revision),
        WindowSet.of(Window(found[0].earliest, None)),
        f"British patent of {which}, the year of its application",
        ("numbers began at 1 each year and were given at application",),
        fact.cites,
        fact.grade,
        reduce(Window.hull, found),
    )


def _untabled(case: Case, mark: Mark, country: str, rows: Sequence[Row], lawful: WindowSet) -> Says:
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
    timing = Timing.ERA if bounded else Timing.PART
    about = About(scheme_id(country, mark.meaning), f"{name} number", "patent", case.revision, timing)
    told = f"{name} number, not dated by its number"
    return Says(about, lawful, told, (why, *_row_notes(rows)), cites, grade)


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
    about = About("patent-words", f"{whose}{said} named in words", "patent", case.revision, Timing.ERA)
    grade = min((c.grade for c in cites), key=GRADES.find, default="M")
    told = f"{whose}{said}, {_in_force(lawful)}"
    return Meaning(mark, Says(about, lawful, told, notes, cites, grade), strength)


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
    timing = Timing.PENDING if lawful.latest is None else Timing.ERA
    about = About("patent-pending", "patent pending", "patent", case.revision, timing)
    grade = min((c.grade for c in cites), key=GRADES.find, default="P")
    alone = Says(about, lawful, "an application is pending", _row_notes(rows), cites, grade)
    if case.context.patent is None:
        return Meaning(mark, alone, strength)
    named = case.named
    if named is None or named.says.granted is None:
        undated = f"the patent named, {case.context.patent[:40]!r}, can't be dated"
        return Meaning(mark, replace(alone, notes=(*alone.notes, undated)), strength)
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
    window = WindowSet.of(Window(filed, named.says.granted.latest)) & lawful
    if not window:
        other = "the patent named is of another time than these words"
        return Meaning(mark, replace(alone, notes=(*alone.notes, other)), strength)
    says = Says(
        replace(about, revision=named.says.about.revision, timing=Timing.PENDING),
        window,
        told,
        tuple(notes),
        (*(ceiling.cites if ceiling else named.says.cites), *filing_cites),
        ceiling.grade if ceiling else named.says.grade,
        named.says.granted,
    )
    return Meaning(mark, says, Strength.STRONG)


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
                meanings = numbers_say(case, mark, asked_as(case, mark))
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
    about = About("patent-date", f"{whose}patent date", "patent", case.revision)
    which = f"of {_span(mark.days)[3:]}" if mark.days.width_days == 1 else f"granted {_span(mark.days)}"
    says = Says(
        about,
        windows or WindowSet.of(Window(mark.days.earliest, None)),
        f"{whose}patent {which}",
        tuple(notes),
        cites,
        min((c.grade for c in cites), key=GRADES.find, default="M"),
        mark.days,
    )
    return Meaning(mark, says, Strength.FAIR if mark.slight else Strength.STRONG)
