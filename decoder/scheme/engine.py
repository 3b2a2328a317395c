"""The one engine that matches layouts on markings and turns their fields into days.

Every field works on sets of characters: the values that a worn field may take are a list, the days that a
layout allows are a union over fields, and nothing multiplies the characters out.
"""

from __future__ import annotations

import calendar
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache, partial
from itertools import accumulate
from operator import itemgetter
from typing import Any, Final, NamedTuple, TypeVar

from decoder.kept import Kept
from decoder.marking import ALPHABET, BIT, CHARACTER, DIGITS, STARS, Form, Marking, MarkingError
from decoder.scheme.layout import (
    DAY_TYPES,
    FREE_WIDTH,
    MONTH_TYPES,
    YEAR_FIELDS,
    YEAR_TYPES,
    Slot,
    Variant,
    Words,
    compile_layout,
)
from decoder.scheme.reading import About, FieldValue, Precision, Reading, Strength, Timing, Wording
from decoder.tables import Citation, Problem, Row, TableError, Tables
from decoder.window import EMPTY, EdtfError, Window, WindowSet, parse_edtf, week_window

T = TypeVar("T")

READINGS_A_SCHEME: Final = 24  # above this the years of one scheme are one reading with a set of windows
RUNS_A_YEAR: Final = 12  # above this the runs of days in a year, or in each of its months, are taken as one
READINGS_WHEN_GONE: Final = 4
MOSTLY_GONE: Final = 5  # unknown characters
SPILL: Final = 6  # days of a first or last week that can lie in the year beside it
LEAP_CYCLE: Final = 40  # among so many years every day and every week number stands in some
FIRST_YEAR, LAST_YEAR = 1850, 2099
FIRST_TO_LAST: Final = "many days are possible: all from the first to the last of a year are taken"
WINDOWS_MOST: Final = 200  # of one reading: a set of more is too long to be read back as EDTF
PLANS_KEPT: Final = 32768  # ways to read forms, each on a kind of part, that one index remembers at one time
FORM_WEIGHS: Final = 8  # as much as so many ways, even where it has none
NOTHING_KNOWN: Final[Mapping[str, str]] = {}
DATES_KEPT: Final = 65536  # windows of the dates that one index remembers at one time
WRITTEN_YEARS_KEPT: Final = 32768  # years that one index remembers by the characters that wrote them
WRITTEN_PARTS_KEPT: Final = 16384  # months, weeks and days likewise
DATE_WEIGHS: Final = 4  # as much as so many windows, even where it has none


class Letter(NamedTuple):
    """What a character of a letter table stands for: its values (none for a plain code), its meaning, and the
    period in which it was in use (open where the table gives none)."""

    values: tuple[int, ...]
    meaning: str
    period: WindowSet


Parts = Mapping[str, tuple[int, ...]]  # 'month', 'day', 'week' ... -> the values that it may have
Letters = Mapping[str, Mapping[str, Letter]]  # 'table/position' -> character(s) -> what they stand for
NO_LETTERS: Final[Mapping[str, Letter]] = {}
NO_PARTS: Final[Parts] = {"": ()}  # of what can be no date


@dataclass(frozen=True, slots=True)
class Scheme:
    """One documented way of writing a date, compiled. `years` are its documented years of use, `limits` the
    years beyond which it can't be read at all."""

    id: str
    title: str
    family: str
    kinds: frozenset[str]
    maker: str | None
    years: Window | None
    limits: Window | None
    notes: tuple[str, ...]
    sources: tuple[Citation, ...]
    revision: str
    strength: Strength
    timing: Timing
    variants: tuple[Variant, ...]
    data: Row = field(hash=False, compare=False)


@dataclass(frozen=True, slots=True)
class Match:
    """A variant of a scheme laid on the cells of a marking from `start`; `of` makes the marking whole again."""

    scheme: Scheme
    variant: Variant
    marking: Marking
    start: int

    def cells(self, slot: Slot) -> tuple[int, ...]:
        """The masks that stand in a field."""
        return self.marking.cells[self.start + slot.start : self.start + slot.end]

    def text(self, slot: Slot) -> str:
        """The characters that stand in a field, as sent."""
        return self.marking.shown(self.start + slot.start, self.start + slot.end)

    def at(self, slot: Slot) -> tuple[int, int]:
        """The place of a field in the text as sent."""
        return self.marking.at(self.start + slot.start, self.start + slot.end)

    def slot(self, *types: str) -> Slot | None:
        """The first field of one of these types, or None."""
        for slot in self.variant.slots:
            if slot.type in types:
                return slot
        return None


@dataclass(frozen=True, eq=False, slots=True)
class Entry:
    """A variant of a scheme as an index files it, with what its readings share, and its first field of each type.

    `writes` is the same for variants whose dates are written alike; `years` are the first and the last documented
    year, None where no years are stated; `bare` says that nothing but digits stands in it. `picks` keeps what picks the
    cells of its date, by the cell that it begins at.
    """

    scheme: Scheme
    variant: Variant
    about: About
    slots: Mapping[str, Slot]
    writes: object
    years: tuple[int, int] | None
    bare: bool
    picks: dict[int, Picks] = field(default_factory=dict)

    def documents(self, dated: Dated) -> bool:
        """Whether some of the years of a date are documented ones."""
        if self.years is None or not dated.years:
            return True
        first, last = self.years
        if len(dated.years) == 1:
            return first <= dated.years[0] <= last
        return any(first <= year <= last for year in dated.years)

    def notes_on(self, dated: Dated) -> tuple[str, ...]:
        """The notes on a date, with the one that its years are no documented ones."""
        if self.documents(dated):
            return dated.notes
        which = f"{dated.years[0]} is" if len(dated.years) == 1 else "all are"
        outside = f"{which} outside the documented years of this layout ({self.scheme.data['years']})"
        return (*dated.notes, outside)


class Dated(NamedTuple):
    """The days of one of its years, or of many taken together, that a match may mean, and notes on these days."""

    window: WindowSet
    precision: Precision
    notes: tuple[str, ...] = ()
    years: tuple[int, ...] = ()


class Picks(NamedTuple):
    """What picks, out of a marking's cells, those that a date stands in: all, those of its year, and the others."""

    dated: Callable[[tuple[int, ...]], object]
    years: Callable[[tuple[int, ...]], object]
    days: Callable[[tuple[int, ...]], object]


@dataclass(frozen=True, eq=False, slots=True)
class Candidate:
    """A variant that markings of one form fit, from the cell `start` on, where their digits are those of `checks`.

    `picks` finds the cells of its date.
    """

    entry: Entry
    start: int
    checks: tuple[tuple[int, int], ...]
    picks: Picks

    def fits(self, marking: Marking | Form) -> bool:
        """True when every cell may be what the variant wants there."""
        cells = marking.cells
        for place, mask in self.checks:  # noqa: SIM110  (all() with a generator takes three times as long)
            if not cells[place] & mask:
                return False
        return True

    def on(self, marking: Marking) -> Match:
        """The variant laid on a marking that fits it."""
        return Match(self.entry.scheme, self.entry.variant, marking, self.start)


@dataclass(frozen=True, eq=False, slots=True)
class Index:
    """The compiled schemes of one family, by the kind of part and the number of characters.

    What a form of marking can hold is worked out at its first marking and kept in `plans`. The years and the other
    parts of a date, once worked out, are kept in `years` and `parts` by the characters that wrote them, and its days in
    `known` where it writes no single day: there are so many days that one is seldom met again.
    """

    schemes: tuple[Scheme, ...]
    letters: Letters
    by_length: Mapping[tuple[str | None, int], tuple[Entry, ...]]
    longest: int
    known: Kept[object, tuple[Dated, ...]] = field(default_factory=lambda: Kept(DATES_KEPT), repr=False)
    plans: Kept[object, tuple[Any, ...]] = field(default_factory=lambda: Kept(PLANS_KEPT), repr=False)
    years: Kept[object, list[int]] = field(default_factory=lambda: Kept(WRITTEN_YEARS_KEPT), repr=False)
    parts: Kept[object, Parts] = field(default_factory=lambda: Kept(WRITTEN_PARTS_KEPT), repr=False)

    @property
    def kinds_named(self) -> Mapping[str, frozenset[str]]:
        """The kinds that each scheme names, by its id; empty for a scheme of any kind."""
        return {scheme.id: scheme.kinds for scheme in self.schemes}

    def candidates(self, kind: str | None, length: int) -> tuple[Entry, ...]:
        """The variants of this length that a kind of part may carry; None is any kind."""
        return self.by_length.get((kind, length), ())

    def of_makers(self, makers: frozenset[str]) -> Index:
        """The schemes of some makers alone; what is worked out for either is kept in one place."""
        filed = {
            key: tuple(entry for entry in entries if entry.scheme.maker in makers)
            for key, entries in self.by_length.items()
        }
        by_length = {key: entries for key, entries in filed.items() if entries}
        schemes = tuple(scheme for scheme in self.schemes if scheme.maker in makers)
        longest = max((length for _, length in by_length), default=0)
        return replace(self, schemes=schemes, by_length=by_length, longest=longest)

    def fitting(self, kind: str | None, form: Form, start: int, end: int) -> tuple[Candidate, ...]:
        """The variants that the cells of a form from start to end can hold, separators included."""
        seps = form.seps[start:end]
        held = self._holding(kind, form, start, end)
        return tuple([one for one in held if separators_fit(one.entry.variant, seps)])

    def _holding(self, kind: str | None, form: Form, start: int, end: int) -> tuple[Candidate, ...]:
        """The variants that such cells can hold, however they are separated; many forms have the same cells.

        They are among those of the form's outline, which many forms share.
        """
        cells = form.cells[start:end]
        key = (self, kind, cells, start)
        found = self.plans.get(key)
        if found is None:
            entries: Iterable[Entry] = self.candidates(kind, len(cells))
            if form.outline is not None:
                entries = [one.entry for one in self._holding(kind, form.outline, start, end)]
            found = tuple(
                _candidate(entry, cells, start)
                for entry in entries
                if all(map(int.__and__, cells, entry.variant.masks))
            )
            if form.shared:
                self.plans.keep(key, found, FORM_WEIGHS + len(found))
        return found

    def plan(
        self, form: Form, kind: str | None, make: Callable[[Form, Index, str | None], Iterable[T]]
    ) -> tuple[T, ...]:
        """What a family makes of a form on a kind of part, made once; `make` looks at no digit of a marking."""
        key = (self, form, kind)
        found = self.plans.get(key)
        if found is None:
            found = tuple(make(form, self, kind))
            if form.shared:
                self.plans.keep(key, found, FORM_WEIGHS + len(found))
        return found

    def dates(self, candidate: Candidate, marking: Marking, low: int, high: int) -> tuple[Dated, ...]:
        """The days from the year `low` to `high` that a marking means by a variant which it fits.

        Those that are kept are of whole decades, since every source and series has limits of its own; of a worn date
        those within these limits, as its years may be taken together.
        """
        if marking.form.clear is None:
            return self._dates(candidate, marking, low, high)
        if candidate.entry.variant.dating.daily:
            return self._of_parts(candidate, marking, low, high)
        early, late = low - low % 10, high - high % 10 + 9
        found = self._dates(candidate, marking, early, late)
        if not found or (low <= found[0].years[0] and found[-1].years[-1] <= high):
            return found
        if len(found[0].years) > 1:  # very many years, taken together
            return self._dates(candidate, marking, low, high)
        return tuple([one for one in found if low <= one.years[0] <= high])

    def _dates(self, candidate: Candidate, marking: Marking, low: int, high: int) -> tuple[Dated, ...]:
        key: tuple[object, ...] = (candidate.entry.writes, candidate.picks.dated(marking.cells), low, high)
        worn = marking.form.clear is None
        if worn:
            key = (*key, *_gone(marking))
        found = self.known.get(key)
        if found is None:
            if worn:
                found = dates_of(candidate.on(marking), self.letters, low, high)
            else:
                found = self._of_parts(candidate, marking, low, high)
            if found or worn:
                self.known.keep(key, found, DATE_WEIGHS + sum([len(dated.window) for dated in found]))
        return found

    def _of_parts(self, candidate: Candidate, marking: Marking, low: int, high: int) -> tuple[Dated, ...]:
        """The days of a clear marking: new dates are mostly made of years and days that were met before."""
        writes, cells = candidate.entry.writes, marking.cells
        written = (writes, candidate.picks.days(cells))
        parts = self.parts.get(written)
        if parts is None:
            parts = self.parts.keep(written, date_parts(candidate.on(marking), self.letters))
        if parts is NO_PARTS:
            return ()
        year = (writes, candidate.picks.years(cells), low, high)
        years = self.years.get(year)
        if years is None:
            years = _years(candidate.on(marking), self.letters, low, high)
            self.years.keep(year, years, 1 + len(years))
        return _dated(years, parts, READINGS_A_SCHEME, False)


def _candidate(entry: Entry, cells: tuple[int, ...], start: int) -> Candidate:
    masks = entry.variant.masks
    places = range(start, start + len(cells))
    checks = tuple([(place, m) for place, cell, m in zip(places, cells, masks, strict=True) if cell & ~m])
    picks = entry.picks.get(start)
    if picks is None:
        picks = entry.picks.setdefault(start, _picks(entry.variant, start))
    return Candidate(entry, start, checks, picks)


def _picks(variant: Variant, start: int) -> Picks:
    dated = [slot for slot in variant.slots if _is_dated(slot)]
    years = [slot for slot in dated if slot.type in YEAR_FIELDS]
    days = [slot for slot in dated if slot not in years]
    return Picks(_picked(dated, start), _picked(years, start), _picked(days, start))


def _picked(slots: list[Slot], start: int) -> Callable[[tuple[int, ...]], object]:
    """What picks the cells in which these fields of a variant from `start` on stand."""
    places = [place for slot in slots for place in range(start + slot.start, start + slot.end)]
    return itemgetter(*places) if places else _nothing


def _nothing(cells: tuple[int, ...]) -> object:
    return ()


def build_index(tables: Tables, family: str, kinds: Iterable[str], *, limits: Window | None = None) -> Index:
    """Compile the schemes of a family. `limits` bounds those that state no years of their own."""
    letters = letter_tables(tables, family)
    words: Words = {name: tuple(entries) for name, entries in letters.items()}
    schemes = tuple(compile_scheme(tables, row, words, limits) for row in tables.schemes(family))
    return index_of(schemes, letters, kinds)


def index_of(schemes: tuple[Scheme, ...], letters: Letters, kinds: Iterable[str]) -> Index:
    """Compiled schemes filed by kind of part and number of characters."""
    every = frozenset(kinds)
    by_length: dict[tuple[str | None, int], list[Entry]] = {}
    ways: dict[object, int] = {}
    for scheme in schemes:
        about = _about(scheme)
        for variant in scheme.variants:
            writes = _writes(scheme, variant)
            entry = _entry(scheme, variant, about, ways.setdefault(writes, len(ways)))
            for kind in (None, *sorted(scheme.kinds or every)):
                by_length.setdefault((kind, variant.length), []).append(entry)
    longest = max((v.length for s in schemes for v in s.variants), default=0)
    return Index(schemes, letters, {key: tuple(found) for key, found in by_length.items()}, longest)


def _entry(scheme: Scheme, variant: Variant, about: About, writes: object) -> Entry:
    years = span_of(scheme.years) if scheme.years is not None else None
    slots = {slot.type: slot for slot in reversed(variant.slots)}
    bare = all(mask & DIGITS == mask for mask in variant.masks)
    return Entry(scheme, variant, about, slots, writes, years, bare)


def _writes(scheme: Scheme, variant: Variant) -> object:
    """How a variant writes its date: its dated fields in order. One without a year depends on its scheme besides."""
    slots = tuple((slot.type, slot.table, slot.end - slot.start) for slot in variant.slots if _is_dated(slot))
    whole = any(kind in YEAR_TYPES or kind == "era_year" for kind, _, _ in slots)
    return slots, None if whole else scheme.years is None


def _is_dated(slot: Slot) -> bool:
    return slot.type not in FREE_WIDTH


def _about(scheme: Scheme) -> About:
    return About(
        scheme.id,
        scheme.title,
        scheme.family,
        scheme.revision,
        scheme.timing,
        scheme.maker,
        int(scheme.data.get("before", 0)),
        int(scheme.data.get("after", 0)),
    )


def letter_tables(tables: Tables, family: str) -> dict[str, dict[str, Letter]]:
    """Every table of letters and names in the packages that hold schemes of this family.

    Raises TableError for a period of a letter that is no date.
    """
    packages = {row["package"] for row in tables.schemes(family)}
    found: dict[str, dict[str, Letter]] = {}
    for name in tables.ids():
        if name.partition("/")[0] in packages:
            for number, row in enumerate(
                tables.table(name).rows if name.endswith(LETTER_RESOURCES) else (), 2
            ):
                try:
                    _add_letter(found, row)
                except EdtfError as error:
                    column = "from" if row.get("from") == error.text else "to"
                    fault = Problem(name, number, column, error.text, error.problem)
                    raise TableError((fault,)) from error
    return found


LETTER_RESOURCES: Final = ("/letters", "/month-names", "/roman-months", "/eras")


def _add_letter(found: dict[str, dict[str, Letter]], row: Row) -> None:
    if {"table", "position", "character", "value"} <= row.keys():
        key, characters, value = f"{row['table']}/{row['position']}", row["character"], row["value"]
    elif {"letter", "offset", "start", "end"} <= row.keys():
        key, characters, value = "era/era", row["letter"], row["offset"]
    elif {"roman", "month"} <= row.keys():
        key, characters, value = "month_roman", row["roman"], row["month"]
    elif {"name", "month"} <= row.keys():
        key, characters, value = "month_name", row["name"], row["month"]
    else:
        return  # a shop's table of another shape: a layout that names it is told that there is none
    folded = _folded(str(characters))
    if not folded:
        return
    entries = found.setdefault(key, {})
    known = entries.get(folded, Letter((), "", EMPTY))
    meaning = row.get("meaning") or row.get("name") or row.get("era") or ""
    meanings = dict.fromkeys(m for m in (known.meaning, meaning) if m)
    entries[folded] = Letter(
        tuple(dict.fromkeys((*known.values, *_numbers(value)))),
        " or ".join(meanings),
        known.period | WindowSet.of(_period(row)),
    )


def _folded(text: str) -> str:
    """The characters of a table as a marking would have them: März is MARZ, a mark outside the alphabet is nothing."""
    if text.isascii():
        return "".join(c for c in text.upper() if c in BIT)
    try:
        return Marking.read(text).certain or ""
    except MarkingError:
        return ""


def _period(row: Row) -> Window:
    """The outer days of a letter's use, from its columns from and to; an era's own days."""
    if "start" in row:
        return Window.between(row["start"], row["end"])
    start, end = row.get("from"), row.get("to")
    return Window(
        parse_edtf(str(start)).window.earliest if start else None,
        parse_edtf(str(end)).window.latest if end else None,
    )


def _numbers(value: Any) -> tuple[int, ...]:
    """The integers of a letter's value: '1970;1990', '1985/1987', '7'; none for a plain word."""
    made: list[int] = []
    for part in str(value or "").replace(" ", "").split(";"):
        first, _, last = part.partition("/")
        if first.lstrip("-").isdigit():
            made += range(int(first), int(last if last.isdigit() else first) + 1)
    return tuple(made)


def compile_scheme(tables: Tables, row: Row, words: Words, limits: Window | None) -> Scheme:
    """One scheme description compiled. Raises LayoutError for a layout that can't be."""
    years = parse_edtf(row["years"]).window if row.get("years") else None
    decades = parse_edtf(row["decades"]).window if row.get("decades") else None
    variants = tuple(v for layout in row.get("layouts", ()) for v in compile_layout(layout, words))
    weak = row.get("weak") or row.get("undated")
    stated = row.get("strength", "weak" if weak else "strong")
    return Scheme(
        id=row["id"],
        title=row["title"],
        family=row["family"],
        kinds=frozenset(row.get("kinds", ())),
        maker=row.get("maker"),
        years=years,
        limits=decades or limits or years,
        notes=tuple(row.get("notes", ())),
        sources=tuple(dict.fromkeys(tables.cite(row))),
        revision=row["revision"],
        strength=Strength[stated.upper()],
        timing=Timing(row.get("timing", "part")),
        variants=variants,
        data=row,
    )


def scheme_faults(tables: Tables, family: str) -> list[str]:
    """What is wrong with each scheme of a family when it is compiled: every scheme, not the first alone."""
    try:
        letters = letter_tables(tables, family)
    except TableError as error:
        return [str(problem) for problem in error.problems]
    words: Words = {name: tuple(entries) for name, entries in letters.items()}
    faults = []
    for row in tables.schemes(family):
        where = f"{row['package']}/schemes.toml, scheme {row['id']}"
        if not row.get("layouts") and not row.get("bands"):
            faults.append(f"{where}: a scheme needs layouts or bands")
        try:
            faults += [
                f"{where}: {fault}"
                for fault in _date_faults(compile_scheme(tables, row, words, None), letters)
            ]
        except ValueError as error:
            faults.append(f"{where}: {error}")
        except KeyError as error:
            faults.append(f"{where}: {error.args[0]!r} is not one of the words allowed there")
    return faults


def _date_faults(scheme: Scheme, letters: Letters) -> Iterator[str]:
    """Layouts that would never be read, and letters that stand for what their field can't be."""
    slots = {slot for variant in scheme.variants for slot in variant.slots}
    for table, kind in sorted({(s.table, s.type) for s in slots if s.table and s.type in _LETTER_RANGES}):
        low, high = _LETTER_RANGES[kind]
        for text, letter in letters[table].items():
            wrong = [value for value in letter.values if not low <= value <= high]
            if wrong:
                yield f"{text!r} of the letters {table} stands for {wrong[0]}: {kind} goes from {low} to {high}"
    for variant in scheme.variants:
        types = {slot.type for slot in variant.slots}
        if scheme.years is None and types & PART_TYPES and not types & {*YEAR_TYPES, "era_year"}:
            yield f"layout {variant.layout!r} has no year: state the years of use"
            return


def matches(index: Index, kind: str | None, marking: Marking, start: int, end: int) -> Iterator[Match]:
    """Every variant that fits the cells from start to end exactly, separators included."""
    for candidate in index.fitting(kind, marking.form, start, end):
        if candidate.fits(marking):
            yield candidate.on(marking)


def is_new(match: Match, seen: set[object]) -> bool:
    """Whether a longer form of a `*` meets other dated characters by this scheme than the shorter ones did."""
    dated = tuple((s.type, s.table, match.cells(s)) for s in match.variant.slots if s.type not in IGNORED)
    key = (match.scheme.id, dated)
    if key in seen:
        return False
    seen.add(key)
    return True


IGNORED: Final = frozenset(("digits", "letters", "any"))


def separators_fit(variant: Variant, seps: tuple[int, ...]) -> bool:
    """True when separators stand where the variant needs them and nowhere that it forbids them."""
    return not any(map(int.__and__, seps, variant.forbidden)) and all(
        seps[place] & mask for place, mask in variant.wanted
    )


def numbers(cells: tuple[int, ...], low: int, high: int) -> list[int]:
    """The numbers of these digits between low and high. Costs a sum: only prefixes that can reach are grown."""
    count = len(cells)
    if all(mask & DIGITS == DIGITS for mask in cells):
        return list(range(max(low, 0), min(high, 10**count - 1) + 1))
    grown = [0]
    for place, mask in enumerate(cells):
        scale = 10 ** (count - place - 1)
        kept = []
        for prefix in grown:
            for digit in range(10):
                if mask >> digit & 1:
                    value = prefix * 10 + digit
                    if value * scale <= high and (value + 1) * scale > low:
                        kept.append(value)
        grown = kept
    return grown


def known_number(cells: tuple[int, ...]) -> int | None:
    """The number of these digits when each is known; None when some are not, or there are none."""
    try:
        text = "".join(map(CHARACTER.__getitem__, cells))
    except KeyError:
        return None
    return int(text) if text.isdecimal() else None


def number_span(cells: tuple[int, ...]) -> tuple[int, int] | None:
    """The least and the greatest number of these digits; None when some cell can be no digit."""
    number = known_number(cells)
    if number is not None:
        return number, number
    low = high = 0
    for mask in cells:
        digits = mask & DIGITS
        if not digits:
            return None
        low = low * 10 + _LEAST[digits]
        high = high * 10 + _GREATEST[digits]
    return low, high


_LEAST: Final = tuple((d & -d).bit_length() - 1 for d in range(DIGITS + 1))
_GREATEST: Final = tuple(d.bit_length() - 1 for d in range(DIGITS + 1))


def any_between(cells: tuple[int, ...], low: int, high: int, span: tuple[int, int] | None = None) -> bool:
    """True when some number of these digits lies between low and high, both included: digit by digit.

    `span` is `number_span(cells)`, for callers that ask about many bands.
    """
    span = span or number_span(cells)
    if span is None or span[1] < low or span[0] > high:
        return False
    if low <= span[0] or span[1] <= high:
        return True
    smallest = least_from(cells, low)
    return smallest is not None and smallest <= high


def least_from(cells: tuple[int, ...], low: int) -> int | None:
    """The least number of these digits that is low or more; None when all are less."""
    width = len(cells)
    if low >= 10**width:
        return None
    tails = [0] * (width + 1)  # the least number of the cells from each place on
    for place in range(width - 1, -1, -1):
        digits = cells[place] & DIGITS
        if not digits:
            return None
        tails[place] = _LEAST[digits] * 10 ** (width - place - 1) + tails[place + 1]
    if low <= tails[0]:
        return tails[0]
    best: int | None = None
    prefix = 0
    for place, mask in enumerate(cells):
        scale = 10 ** (width - place - 1)
        digit = low // scale % 10
        above = mask & DIGITS & (-2 << digit)
        if above:  # a greater digit here: everything after it may be least
            best = (prefix * 10 + _LEAST[above]) * scale + tails[place + 1]
        if not mask >> digit & 1:
            return best
        prefix = prefix * 10 + digit
    return prefix


def values(slot: Slot, cells: tuple[int, ...], letters: Letters) -> tuple[int, ...]:
    """The values that a field may have: months 1-12, weeks 1-53, days, whole years for letters and year4."""
    kind = slot.type
    if not slot.table:
        return _plain_values(kind, cells)
    meant = lettered(slot, cells, letters)
    found = meant[0].values if len(meant) == 1 else {v for letter in meant for v in letter.values}
    low, high = _LETTER_RANGES.get(kind, _ANY_VALUE)
    return tuple(sorted([v for v in found if low <= v <= high]))


@lru_cache(maxsize=4096)
def _plain_values(kind: str, cells: tuple[int, ...]) -> tuple[int, ...]:
    low, high = _RANGES.get(kind, (0, 10 ** len(cells) - 1))
    return tuple(numbers(cells, low, high))


def lettered(slot: Slot, cells: tuple[int, ...], letters: Letters) -> list[Letter]:
    """The entries of a field's letter table that these characters may be."""
    table = letters.get(slot.table, NO_LETTERS)
    try:
        letter = table.get("".join([CHARACTER[cell] for cell in cells]))
    except KeyError:  # a worn character
        pass
    else:
        return [] if letter is None else [letter]
    return [
        letter
        for text, letter in table.items()
        if len(text) == len(cells) and all(BIT[c] & m for c, m in zip(text, cells, strict=True))
    ]


_RANGES: Final = {
    "week": (1, 53),
    "month_number": (1, 12),
    "month2": (1, 12),
    "day": (1, 31),
    "day2": (1, 31),
    "day_of_year": (1, 366),
    "weekday": (1, 7),
    "week_of_month": (1, 5),
    "year4": (FIRST_YEAR, LAST_YEAR),
}
PART_TYPES: Final = frozenset((*MONTH_TYPES, "quarter_letter", "week", "digit_letter", "day_of_year"))
_LETTER_RANGES: Final = {
    **dict.fromkeys(MONTH_TYPES, (1, 12)),
    "quarter_letter": (1, 4),
    "week_letter": (1, 5),
    "digit_letter": (0, 9),
}
_ANY_VALUE: Final = (-LAST_YEAR, LAST_YEAR)


def years_of(match: Match, letters: Letters, limits: Window | None) -> list[int]:
    """Every year that the match's year field may mean, within the limits."""
    return _years(match, letters, *span_of(limits))


def _years(match: Match, letters: Letters, low: int, high: int) -> list[int]:
    dating = match.variant.dating
    if dating.era_year is not None:
        era, era_year = dating.era, dating.era_year
        # without an era letter the year is read in every era, as far as the scheme's years allow
        eras = lettered(era, match.cells(era), letters) if era else letters.get("era/era", {}).values()
        inside = values(era_year, match.cells(era_year), letters)
        meant = {(o + y, letter) for letter in eras for o in letter.values for y in inside if y > 0}
        return sorted(
            {y for y, named in meant if low <= y <= high and named.period & WindowSet.of(Window.year(y))}
        )
    slots = dating.years
    if not slots:
        # a code without a year: any year in which it was in use
        dated = any(s.type in PART_TYPES for s in match.variant.slots)
        return list(range(low, high + 1)) if dated and match.scheme.years is not None else []
    if len(slots) == 1:
        return _years_meant(slots[0], match, letters, low, high)
    if len(slots) == 2 and slots[0].type == slots[1].type == "year1":
        # two single digits that stand apart are the last two digits of one year
        pairs = set(numbers(match.cells(slots[0]) + match.cells(slots[1]), 0, 99))
        return [y for y in range(low, high + 1) if y % 100 in pairs]
    years = set(_years_meant(slots[0], match, letters, low, high))
    for slot in slots[1:]:
        years.intersection_update(_years_meant(slot, match, letters, low, high))
    return sorted(years)


def _years_meant(slot: Slot, match: Match, letters: Letters, low: int, high: int) -> list[int]:
    """The years from low to high that one year field may mean, in order."""
    found = values(slot, match.cells(slot), letters)
    if slot.type == "year2":
        turn = 100
    elif slot.type == "year1" or (slot.type == "year_letter" and max(found, default=10) < 10):
        turn = 10
    else:
        return [y for y in found if low <= y <= high]
    if len(found) == 1:
        return list(range(low + (found[0] - low) % turn, high + 1, turn))
    return sorted({year for v in found for year in range(low + (v - low) % turn, high + 1, turn)})


def up_to(limits: Window | None, last_year: int) -> Window:
    """Limits that end, at the latest, with the last year in which a part can have been made."""
    return Window.years(*years_up_to(span_of(limits), last_year))


def years_up_to(years: tuple[int, int], last_year: int) -> tuple[int, int]:
    """The first and the last of some years that end, at the latest, with this one; the first of them at least."""
    first, last = years
    return first, max(first, min(last, last_year))


def span_of(limits: Window | None) -> tuple[int, int]:
    """The first and the last year of some limits; those of the whole system where there are none."""
    if limits is None:
        return FIRST_YEAR, LAST_YEAR
    first, last = limits.earliest_date, limits.latest_date
    return (first.year if first else FIRST_YEAR, last.year if last else LAST_YEAR)


def days_in(match: Match, year: int, letters: Letters) -> tuple[WindowSet, Precision, tuple[str, ...]]:
    """The days of one year that the match's other date fields allow; empty when none can be."""
    return _days(_parts(match, letters), year)


def date_parts(match: Match, letters: Letters) -> Parts:
    """What the date fields other than the year may be; NO_PARTS where they leave no day of any year, or the letters
    beside them are none that the layout knows."""
    for slot in match.variant.dating.beside:
        if not _beside(slot, match.cells(slot), letters):
            return NO_PARTS
    parts = _parts(match, letters)
    return parts if _may_be_days(parts) else NO_PARTS


def _parts(match: Match, letters: Letters) -> Parts:
    found: dict[str, tuple[int, ...]] = {}
    digits: list[tuple[int, ...]] = []
    for said, slot in match.variant.dating.parts:
        meant = values(slot, match.cells(slot), letters)
        if slot.type == "digit_letter":
            digits.append(meant)
            meant = tuple(sorted([w for w in _combine(digits) if 1 <= w <= 53]))
        found[said] = meant
    return found


def _may_be_days(found: Parts) -> bool:
    """Whether the parts that `_days` goes by may be something in some year: it looks at no others."""
    for said in ("week", "day_of_year", "month", "quarter_letter"):
        if said in found:
            return bool(found[said]) and (said != "month" or _days_of_month(found) != ())
    return True


def _days(found: Parts, year: int) -> tuple[WindowSet, Precision, tuple[str, ...]]:
    if "week" in found:
        return _weeks(year, found["week"])
    if "day_of_year" in found:
        return _days_of_year(year, found["day_of_year"])
    if "month" in found:
        return _month_days(year, found)
    if "quarter_letter" in found:
        spans = [
            Window.month(year, 3 * q - 2).hull(Window.month(year, 3 * q)) for q in found["quarter_letter"]
        ]
        return WindowSet.of(*spans), Precision.MONTH, ()
    return WindowSet.of(Window.year(year)), Precision.YEAR, ()


def _combine(digits: list[tuple[int, ...]]) -> list[int]:
    made = [0]
    for options in digits:
        made = [value * 10 + digit for value in made for digit in options]
    return made


@lru_cache(maxsize=8192)
def _weeks(year: int, weeks: tuple[int, ...]) -> tuple[WindowSet, Precision, tuple[str, ...]]:
    """The days of some weeks (in order). Neighbouring weeks leave no day between them, so a run is one window."""
    windows: list[Window] = []
    for first, last in _runs(weeks):
        start, end = week_window(year, first), week_window(year, last) or week_window(year, last - 1)
        if start is not None and end is not None:
            windows.append(start.hull(end))
    notes: tuple[str, ...] = ()
    if weeks == (53,) and windows:
        notes = (f"week 53: {year} has one under some week rules only; check the digits",)
    return WindowSet.from_iter(windows), Precision.WEEK, notes


def _runs(numbers_in_order: tuple[int, ...]) -> list[tuple[int, int]]:
    """The runs of consecutive numbers: (1, 2, 3, 7) is (1, 3) and (7, 7)."""
    runs: list[tuple[int, int]] = []
    for number in numbers_in_order:
        if runs and runs[-1][1] == number - 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return runs


def _days_of_year(year: int, days: tuple[int, ...]) -> tuple[WindowSet, Precision, tuple[str, ...]]:
    length = 366 if calendar.isleap(year) else 365
    if len(days) == 1:
        (day,) = days
        found = _one_day(date(year, 1, 1).toordinal() - 1 + day) if day <= length else EMPTY
        return found, Precision.DAY, ()
    windows, notes = _spans([(date(year, 1, 1).toordinal() - 1, length, days)])
    return windows, Precision.DAY, notes


def _month_days(year: int, found: Parts) -> tuple[WindowSet, Precision, tuple[str, ...]]:
    days = _days_of_month(found)
    if days is None:
        return _months(year, found["month"]), Precision.MONTH, ()
    windows, notes = _days_of_months(year, found["month"], days)
    return windows, Precision.DAY if "day" in found else Precision.WEEK, notes


def _days_of_month(found: Parts) -> tuple[int, ...] | None:
    """The days of the month that are written, or those of the first to the fifth seven days; None for no day."""
    if "day" in found:
        return found["day"]
    if "week_of_month" in found:
        return tuple(day for week in found["week_of_month"] for day in range(7 * week - 6, 7 * week + 1))
    return None


def _day(year: int, month: int, day: int) -> WindowSet:
    """One day; none where the month has no such day."""
    starts = _MONTH_STARTS[calendar.isleap(year)]
    if not 1 <= day <= starts[month] - starts[month - 1]:
        return EMPTY
    return _one_day(date(year, month, day).toordinal())


@lru_cache(maxsize=16384)
def _one_day(ordinal: int) -> WindowSet:
    return WindowSet((Window(ordinal, ordinal),))


@lru_cache(maxsize=2048)
def _months(year: int, months: tuple[int, ...]) -> WindowSet:
    return WindowSet.from_iter(Window.month(year, month) for month in months)


@lru_cache(maxsize=2048)  # the layouts of a worn date ask for the same months of the same years
def _days_of_months(
    year: int, months: tuple[int, ...], days: tuple[int, ...]
) -> tuple[WindowSet, tuple[str, ...]]:
    new_year = date(year, 1, 1).toordinal() - 1
    starts = _MONTH_STARTS[calendar.isleap(year)]
    return _spans(
        [(new_year + starts[month - 1], starts[month] - starts[month - 1], days) for month in months]
    )


_MONTH_STARTS: Final = tuple(  # days of the year before each month, in plain and in leap years
    tuple(accumulate((0, 31, february, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31))) for february in (28, 29)
)


def _spans(spans: list[tuple[int, int, tuple[int, ...]]]) -> tuple[WindowSet, tuple[str, ...]]:
    """Days counted from the eve of a month or year of some length.

    Where a worn day leaves too many runs of days, each month or year gets the days from its first to its last.
    """
    runs = [[(eve + a, eve + b) for a, b in _runs_to(days, length)] for eve, length, days in spans]
    notes: tuple[str, ...] = ()
    if sum(map(len, runs)) > RUNS_A_YEAR:
        runs = [[(each[0][0], each[-1][1])] for each in runs if each]
        notes = ("many days are possible: all from the first to the last are taken",)
    return WindowSet.from_iter(Window(first, last) for each in runs for first, last in each), notes


@lru_cache(maxsize=256)
def _runs_to(days: tuple[int, ...], length: int) -> tuple[tuple[int, int], ...]:
    """The runs of the days that a month or year of this length has."""
    return tuple(_runs(tuple(day for day in days if day <= length)))


def field_values(
    match: Match, letters: Letters, known: Mapping[str, str] = NOTHING_KNOWN
) -> tuple[FieldValue, ...]:
    """The fields of a match in words, each with its characters; `known` are the words of fields of some names."""
    marking, start = match.marking, match.start
    text, spans, cells = marking.text, marking.form.spans, marking.cells
    made = []
    for slot in match.variant.slots:
        first, last = start + slot.start, start + slot.end
        at = (spans[first][0], spans[last - 1][1])
        meaning = known.get(slot.name)
        if meaning is None:
            stands = cells[first:last]
            meaning = _meaning(slot, stands, letters) if slot.table else _plain_meaning(slot.type, stands)
        made.append(FieldValue(slot.name, text[at[0] : at[1]], meaning, at))
    return tuple(made)


def _meaning(slot: Slot, cells: tuple[int, ...], letters: Letters) -> str:
    """What the characters of a field with a table of letters mean."""
    found = values(slot, cells, letters)
    if slot.type == "era" or not found:
        return _listed([letter.meaning for letter in lettered(slot, cells, letters)])
    return _in_words(slot.type, found)


@lru_cache(maxsize=4096)
def _plain_meaning(kind: str, cells: tuple[int, ...]) -> str:
    """What the characters of a field without a table mean."""
    if kind in FREE_WIDTH:
        return "".join(
            ALPHABET[m.bit_length() - 1] if m & (m - 1) == 0 and m >> 36 == 0 else "?" for m in cells
        )
    return _in_words(kind, _plain_values(kind, cells))


def _in_words(kind: str, found: tuple[int, ...]) -> str:
    if kind in MONTH_TYPES:
        return _listed([calendar.month_name[m] for m in found if 1 <= m <= 12])
    if kind == "week":
        return _listed([f"week {w}" for w in found])
    if kind == "year1":
        return _listed([f"year ending in {y}" for y in found])
    return _listed([str(v) for v in found])


def _listed(shown: list[str]) -> str:
    if len(shown) > 6:
        return f"{len(shown)} possibilities, {shown[0]} to {shown[-1]}"
    return " or ".join(shown) or "-"


def dated_readings(
    match: Match,
    letters: Letters,
    *,
    limits: Window | None = None,
    strength: Strength | None = None,
    notes: tuple[str, ...] = (),
    fields: tuple[FieldValue, ...] | None = None,
    sources: tuple[Citation, ...] = (),
    rank: int = 0,
) -> list[Reading]:
    """One reading for each year that a match may mean, or one for all years when they are very many."""
    scheme = match.scheme
    dates = dates_of(match, letters, *span_of(limits or scheme.limits))
    entry = _entry(scheme, match.variant, _about(scheme), None)
    tell = partial(_worded, entry, match, letters, notes, fields, sources)
    return readings_of(entry, dates, scheme.strength if strength is None else strength, rank, tell)


def readings_of(
    entry: Entry,
    dates: Iterable[Dated],
    strength: Strength,
    rank: int,
    tell: Callable[[Dated], Wording],
) -> list[Reading]:
    """A reading for each of some dates, put into words by `tell`."""
    about, years, documents = entry.about, entry.years, entry.documents
    return [
        Reading.of(
            about, strength, one.window, one.precision, years is None or documents(one), rank, (tell, one)
        )
        for one in dates
    ]


def _worded(
    entry: Entry,
    match: Match,
    letters: Letters,
    notes: tuple[str, ...],
    fields: tuple[FieldValue, ...] | None,
    sources: tuple[Citation, ...],
    dated: Dated,
) -> Wording:
    shown = fields if fields is not None else field_values(match, letters)
    return in_words(match.scheme, shown, (*notes, *entry.notes_on(dated)), sources)


def in_words(
    scheme: Scheme,
    fields: tuple[FieldValue, ...],
    notes: Iterable[str] = (),
    sources: tuple[Citation, ...] = (),
) -> Wording:
    """The words of a reading by a scheme: the scheme's own notes come last, its sources first."""
    cited = tuple(dict.fromkeys((*scheme.sources, *sources))) if sources else scheme.sources
    return Wording(fields, (*notes, *scheme.notes), cited)


def dates_of(match: Match, letters: Letters, low: int, high: int) -> tuple[Dated, ...]:
    """The days from the year `low` to `high` that a match may mean: for each year, or for all when very many."""
    parts = date_parts(match, letters)
    if parts is NO_PARTS:
        return ()
    return _dated(_years(match, letters, low, high), parts, *_gone(match.marking))


def _dated(years: list[int], parts: Parts, most: int, coarse: bool) -> tuple[Dated, ...]:
    """The days of each year that the parts of a date allow; of more than `most` years those of all."""
    if len(years) > most:
        days, precision, count, notes = _merged_years(parts, years, coarse)
        if not days:
            return ()
        said = [f"{count} years are possible: the windows are merged into one reading"]
        said += notes
        if coarse:
            said.append("how many characters are missing is not known: whole years are given")
        if parts.get("week") == (53,):
            said.append("week 53: years have one under some week rules only; check the digits")
        return (Dated(days, precision, tuple(said), tuple(years)),)
    if len(parts) == 2 and len(parts.get("month", ())) == len(parts.get("day", ())) == 1:
        (month,), (day,) = parts["month"], parts["day"]
        found = [(_day(year, month, day), year) for year in years]
        return tuple([Dated(days, Precision.DAY, (), (year,)) for days, year in found if days is not EMPTY])
    made = []
    for year in years:
        days, precision, notes = _days(parts, year)
        if days:
            made.append(Dated(days, precision, notes, (year,)))
    return tuple(made)


def _beside(slot: Slot, cells: tuple[int, ...], letters: Letters) -> bool:
    """True when a field that says nothing of the days is one that the layout knows."""
    return bool(lettered(slot, cells, letters) if slot.table else values(slot, cells, letters))


def _gone(marking: Marking) -> tuple[int, bool]:
    """Above how many years they become one reading, fewer where most of the mark is gone; and whether a `*` says
    that nobody knows how much."""
    coarse = not STARS.isdisjoint(marking.text)
    return READINGS_WHEN_GONE if coarse or marking.unknown >= MOSTLY_GONE else READINGS_A_SCHEME, coarse


def _merged_years(
    parts: Parts, years: list[int], coarse: bool
) -> tuple[WindowSet, Precision, int, tuple[str, ...]]:
    """The days of very many years as one set, how many years have any, and notes.

    Where nothing but the year is bounded, and where `coarse` says that no more is wanted, runs of whole years. Where
    a set of too many windows would be left, each year gets the days from its first to its last.
    """
    if coarse:
        return _whole_years(parts, years)
    _, precision, _ = _days(parts, years[0])
    spans: list[WindowSet] = []
    count = len(years)
    leap = next((year for year in years if calendar.isleap(year)), years[0])
    if all(WindowSet.of(Window.year(year)).issubset(_days(parts, year)[0]) for year in {years[0], leap}):
        for start, end in _runs(tuple(years)):
            spans += [_days(parts, start)[0], _days(parts, end)[0], WindowSet.of(Window.years(start, end))]
    else:
        if len(_days(parts, years[0])[0]) * count > 2 * WINDOWS_MOST:
            whole = [hull for year in years if (hull := _first_to_last(parts, year)) is not None]
            return WindowSet.from_iter(whole), precision, len(whole), (FIRST_TO_LAST,)
        spans = [days for year in years if (days := _days(parts, year)[0])]
        count = len(spans)
        if sum(map(len, spans)) > WINDOWS_MOST:
            hulls = [days.hull() for days in spans]
            return WindowSet.from_iter(h for h in hulls if h is not None), precision, count, (FIRST_TO_LAST,)
    return WindowSet.from_iter(window for each in spans for window in each), precision, count, ()


def _first_to_last(parts: Parts, year: int) -> Window | None:
    """The days of a year from its first to its last; None when there are none."""
    days = _days_of_month(parts) if "month" in parts else None
    if days is None:
        return _days(parts, year)[0].hull()
    eve, starts = date(year, 1, 1).toordinal() - 1, _MONTH_STARTS[calendar.isleap(year)]
    ends = [
        (
            eve + starts[month - 1] + days[0],
            eve + starts[month - 1] + max(day for day in days if day <= length),
        )
        for month in parts["month"]
        if days and days[0] <= (length := starts[month] - starts[month - 1])
    ]
    return Window(ends[0][0], ends[-1][1]) if ends else None


def _whole_years(parts: Parts, years: list[int]) -> tuple[WindowSet, Precision, int, tuple[str, ...]]:
    """Runs of whole years, with the days by which a first and a last week reach over their year."""
    if not any(_days(parts, year)[0] for year in years[:LEAP_CYCLE]):
        return EMPTY, Precision.YEAR, 0, ()
    over = SPILL if "week" in parts else 0
    spans = [Window.years(start, end) for start, end in _runs(tuple(years))]
    reaching = [Window((w.earliest or 1) - over, (w.latest or 1) + over) for w in spans]
    return WindowSet.from_iter(reaching), Precision.YEAR, len(years), ()


def date_problem(match: Match, letters: Letters, limits: Window | None = None) -> tuple[Slot, str] | None:
    """The first field of a match that can't be what stands there, and why; None when some day fits."""
    bounds = limits or match.scheme.limits
    dated = None
    for slot in match.variant.slots:
        if slot.type in YEAR_FIELDS:
            dated = slot
        elif slot.type == "code":
            if not lettered(slot, match.cells(slot), letters):
                return slot, _cannot(slot, match)
        elif slot.type in _RANGES or slot.table or slot.type in MONTH_TYPES:
            if not values(slot, match.cells(slot), letters):
                return slot, _cannot(slot, match)
            if slot.type != "weekday":
                dated = dated or slot
    if dated is None:
        return None
    years = years_of(match, letters, bounds)
    year_slot = match.slot(*YEAR_TYPES, "era_year")
    if not years:
        first, last = span_of(bounds)
        return (
            year_slot or dated,
            f"year {match.text(year_slot or dated)}: only {first} to {last} can be meant here",
        )
    parts = _parts(match, letters)
    if not any(_days(parts, year)[0] for year in years):
        slot = match.slot("week", *DAY_TYPES, "day_of_year", "week_of_month", "week_letter") or dated
        if slot.type in DAY_TYPES and parts.get("month"):
            return slot, f"day {match.text(slot)}: {_month_lengths(parts['month'], years)}"
        shown = ", ".join(map(str, years[:6]))
        return slot, f"{slot.name.replace('_', ' ')} {match.text(slot)} does not exist in {shown}"
    return None


def _cannot(slot: Slot, match: Match) -> str:
    text = match.text(slot)
    if slot.type == "week":
        return f"week {text}: weeks run from 01 to 52, and to 53 in some years"
    if slot.type in MONTH_TYPES:
        return f"month {text}: no month is written so in this layout"
    if slot.type in DAY_TYPES:
        return f"day {text}: days run from 1 to 31"
    if slot.type in _COUNTED:
        return f"{slot.name.replace('_', ' ')} {text}: {_COUNTED[slot.type]}"
    return f"{slot.name.replace('_', ' ')} {text}: not a value that this layout knows"


FEBRUARY: Final = 2
_COUNTED: Final = {
    "day_of_year": "days of a year run from 001 to 366",
    "weekday": "days of a week run from 1 to 7",
    "week_of_month": "weeks of a month run from 1 to 5",
}


def _month_lengths(months: tuple[int, ...], years: list[int]) -> str:
    """How many days these months have at most: 'April has 30 days', 'February has 28 days in 1963'."""
    said = []
    for month in months:
        longest = max(calendar.monthrange(year, month)[1] for year in years)
        leap = f" in {', '.join(map(str, years[:6]))}" if month == FEBRUARY else ""
        said.append(f"{calendar.month_name[month]} has {longest} days{leap}")
    return ", ".join(said)
