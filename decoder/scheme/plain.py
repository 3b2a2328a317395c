"""A family that its layouts describe in full: nothing but tables, read by the engine.

Codes of electronic parts and dates stamped or pencilled on parts are such families. A bare number or pair of
letters is read only when it is the whole marking; a layout with more to it may have plain lettering beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from typing import Final, NamedTuple

from decoder.marking import BIT, LETTERS, STARS, TEXT_LIMIT, Form, Marking, chars_of
from decoder.scheme.engine import (
    Candidate,
    Dated,
    Index,
    Letters,
    Match,
    Scheme,
    build_index,
    date_problem,
    dated_readings,
    dates_of,
    field_values,
    in_words,
    is_new,
    lettered,
    readings_of,
    span_of,
    up_to,
    years_of,
    years_up_to,
)
from decoder.scheme.family import Context
from decoder.scheme.layout import DAY_TYPES, MONTH_TYPES, Slot, Variant, compile_layout
from decoder.scheme.nearmiss import near_misses
from decoder.scheme.reading import NearMiss, Precision, Reading, Strength, Wording
from decoder.tables import Row, Tables
from decoder.window import EVERY, Window, WindowSet

UNREADABLE: Final = "unreadable"  # resource: marks that exist while their tables are not published
NO_MENDING: Final = 5.0  # after every near miss that can be mended


class Way(NamedTuple):
    """A layout that fits a form on some kind of part, how strong its readings are there, and why.

    `limits` are the first and the last year that it can mean, whatever today is.
    """

    candidate: Candidate
    strength: Strength
    notes: tuple[str, ...]
    limits: tuple[int, int]


@dataclass(frozen=True, slots=True)
class PlainFamily:
    """A family of layouts. `package` is the data package with its schemes and letters."""

    id: str
    kinds: frozenset[str]
    package: str
    long_text: bool = False

    def read(self, marking: Marking, context: Context) -> list[Reading]:
        """Every reading of the marking, or of the part of it that is no plain lettering."""
        form = latin(marking, context.tables, self.package)
        index = self._index(context.tables)
        made: list[Reading] = []
        for way in index.plan(form.form.outline or form.form, context.part, self._plan):
            if way.candidate.fits(form):
                made += self._readings(way, form, index, context)
        if len(made) < 2:
            return made
        # initials beside a date may be a field of the layout or plain lettering: that is one reading, not two
        return list({(r.scheme, r.window): r for r in reversed(made)}.values())[::-1]

    def may_read(self, marking: Marking, context: Context) -> bool:
        """Whether a marking of this form can be read at all."""
        if not marking.text.isascii():
            return True
        form = marking.form.outline or marking.form
        return bool(self._index(context.tables).plan(form, context.part, self._plan))

    def near_misses(self, marking: Marking, context: Context) -> list[NearMiss]:
        """Layouts in which one field can't be, and marks of this look whose tables are not published here."""
        index = self._index(context.tables)
        form = latin(marking, context.tables, self.package)

        def explain(match: Match) -> tuple[Slot, str] | None:
            limits = up_to(match.scheme.limits, context.last_year)
            return _era_problem(match, index.letters, limits) or date_problem(match, index.letters, limits)

        found = near_misses(index, context.tables, context.part, form, 0, len(form.cells), explain)
        return found + self._unreadable(marking, context)

    def _index(self, tables: Tables) -> Index:
        return tables.derived(f"{self.id}.index", lambda t: build_index(t, self.id, self.kinds))

    def _plan(self, form: Form, index: Index, part: str | None) -> Iterator[Way]:
        """The ways to read a form on a kind of part: layouts of the whole, and stronger ones of a part of it."""
        for start, end in _runs(form, index.longest):
            whole = end - start == len(form.cells)
            for candidate in index.fitting(part, form, start, end):
                scheme = candidate.entry.scheme
                if whole or scheme.strength > Strength.WEAK:
                    yield Way(candidate, *self._strength(scheme, part), span_of(scheme.limits))

    def _readings(self, way: Way, marking: Marking, index: Index, context: Context) -> list[Reading]:
        candidate = way.candidate
        entry = candidate.entry
        scheme = entry.scheme
        if context.seen is not None and not is_new(candidate.on(marking), context.seen):
            return []
        rank = country_rank(scheme, context.country)
        if scheme.data.get("undated"):
            return [_undated(way, marking, index, rank)]
        low, high = years_up_to(way.limits, context.last_year)
        if "era" in entry.slots:
            return [
                reading.within(inside, reading.documented)
                for one, days in _eras(candidate.on(marking), index.letters)
                for reading in readings_of(
                    entry,
                    dates_of(one, index.letters, low, high),
                    way.strength,
                    rank,
                    partial(_told, way, one, index),
                )
                if (inside := reading.window & days)
            ]
        dates = index.dates(candidate, marking, low, high)
        if not dates:
            return []
        return readings_of(entry, dates, way.strength, rank, partial(_tell, way, marking, index))

    def _strength(self, scheme: Scheme, part: str | None) -> tuple[Strength, tuple[str, ...]]:
        """With no kind given, a code of a few kinds of part is a guess among kinds: one step weaker, and said."""
        if part is not None or not scheme.kinds or 2 * len(scheme.kinds) >= len(self.kinds):
            return scheme.strength, ()
        if scheme.strength is Strength.WEAK:
            return Strength.WEAK, ()
        kinds = " or ".join(sorted(scheme.kinds)).replace("-", " ")
        return Strength(scheme.strength - 1), (f"the kind of part is not given: read as a code of a {kinds}",)

    def _unreadable(self, marking: Marking, context: Context) -> list[NearMiss]:
        rows = context.tables.derived(f"{self.id}.unreadable", self._unreadable_rows)
        return [
            NearMiss(
                row["id"],
                f"{row['title']}: {row['reason']}",
                marking.at(0, len(marking.cells)),
                (),
                NO_MENDING,
            )
            for row, variants in rows
            if context.part in row["kinds"] and any(_looks_like(marking, variant) for variant in variants)
        ]

    def _unreadable_rows(self, tables: Tables) -> tuple[tuple[Row, tuple[Variant, ...]], ...]:
        name = f"{self.package}/{UNREADABLE}"
        if name not in tables.ids():
            return ()
        return tuple(
            (row, tuple(v for layout in row["layouts"] for v in compile_layout(layout, {})))
            for row in tables.table(name).rows
        )


def _tell(way: Way, marking: Marking, index: Index, dated: Dated) -> Wording:
    return _told(way, way.candidate.on(marking), index, dated)


def _told(way: Way, match: Match, index: Index, dated: Dated) -> Wording:
    notes = (*way.notes, *way.candidate.entry.notes_on(dated))
    return in_words(match.scheme, field_values(match, index.letters), notes)


def _undated(way: Way, marking: Marking, index: Index, rank: int) -> Reading:
    """A mark that dates only by the span in which its letters were in use."""
    entry, match = way.candidate.entry, way.candidate.on(marking)
    days = whole = WindowSet.of(entry.scheme.years or EVERY)
    for slot in entry.variant.slots:
        if slot.type == "code":
            periods = [letter.period for letter in lettered(slot, match.cells(slot), index.letters)]
            spans = [window for period in periods for window in period]
            days = days & WindowSet.from_iter(spans) if spans else days
    dated = Dated(days or whole, Precision.BOUND)
    (reading,) = readings_of(entry, (dated,), way.strength, rank, partial(_told, way, match, index))
    return reading


def _eras(match: Match, letters: Letters) -> Iterator[tuple[Match, WindowSet]]:
    """The match with each era that its era letter may be, and the days of that era."""
    slot = match.slot("era")
    if slot is None:
        return
    place = match.start + slot.start
    marking = match.marking
    for character in chars_of(marking.cells[place]):
        cells = (*marking.cells[:place], BIT[character], *marking.cells[place + 1 :])
        one = replace(match, marking=replace(marking, cells=cells))
        for letter in lettered(slot, one.cells(slot), letters):
            yield one, letter.period


def _era_problem(match: Match, letters: Letters, limits: Window | None) -> tuple[Slot, str] | None:
    """The year or the day that lies outside its era, and when the era was; None when all is well."""
    era, year = match.slot("era"), match.slot("era_year")
    if era is None or year is None:
        return None
    failed = year
    if years_of(match, letters, limits):
        failed = match.slot(*DAY_TYPES) or match.slot(*MONTH_TYPES) or year
    for one, days in _eras(match, letters):
        readings = dated_readings(one, letters, limits=limits)
        if any(reading.window & days for reading in readings):
            return None
        if failed is not year and not readings:
            return None  # 30 February: the calendar says why
    eras = " or ".join(
        f"{letter.meaning} ran {_from_to(letter.period)}"
        for letter in lettered(era, match.cells(era), letters)
    )
    unit = "year" if failed is year else "day" if failed.type in DAY_TYPES else "month"
    return failed, f"{unit} {match.text(failed)}: {eras}"


def _from_to(period: WindowSet) -> str:
    first, last = period.earliest, period.latest
    return " ".join((f"from {_day(first)}" if first else "", f"to {_day(last)}" if last else "on")).strip()


def _day(ordinal: int) -> str:
    day = date.fromordinal(ordinal)
    return f"{day.day} {day:%B %Y}"


def country_rank(scheme: Scheme, country: str | None) -> int:
    """Where a scheme ranks by the instrument's country: its own habit first, another country's last."""
    habit = scheme.data.get("countries")
    if not habit or country is None:
        return 1
    return 0 if country.strip().upper() in habit else 2


def latin(marking: Marking, tables: Tables, package: str) -> Marking:
    """The marking with the forms of another script written in letters and digits, each in its own place."""
    if marking.text.isascii() or f"{package}/kanji-forms" not in tables.ids():
        return marking
    forms: Mapping[str, str] = tables.derived(
        f"{package}.forms",
        lambda t: {
            row["form"]: row["latin"] or " "
            for row in sorted(t.table(f"{package}/kanji-forms").rows, key=lambda r: -len(r["form"]))
        },
    )
    made, places = "", []
    at = 0
    while at < len(marking.text):
        form = next((f for f in forms if marking.text.startswith(f, at)), marking.text[at])
        written = forms.get(form, form)
        made += written
        places += [(at, at + len(form))] * len(written)
        at += len(form)
    if made == marking.text or not made.strip():
        return marking
    # whatever the marking may hold, its forms may
    read = Marking.read(made, limit=max(len(made), TEXT_LIMIT))
    if read.stars:
        read = read.filled(sum(marking.text[first] in STARS for first, _ in marking.spans))
    spans = tuple((places[first][0], places[last - 1][1]) for first, last in read.spans)
    return Marking(marking.text, read.cells, replace(read.form, spans=spans, shared=False))


def _runs(form: Form, longest: int) -> Iterator[tuple[int, int]]:
    """The whole form, and the runs of whole words, not too long, that have only plain lettering beside them.

    A worn word that may be lettering is tried as lettering and as part of the date.
    """
    words, count = form.words, len(form.words)
    if not words:
        return
    yield 0, len(form.cells)
    longer = [form.cells[first:last] if last - first > 1 else () for first, last in words]
    plain = [bool(cells) and all(c & LETTERS == c for c in cells) for cells in longer]
    beside = [bool(cells) and all(c & LETTERS for c in cells) for cells in longer]
    least = count  # the words from here on may all stand after a date
    while least and beside[least - 1]:
        least -= 1
    for i in range(count):
        for j in range(count, max(i, least - 1), -1):
            short = words[j - 1][1] - words[i][0] <= longest
            if short and (i, j) != (0, count) and not all(plain[i:j]):
                yield words[i][0], words[j - 1][1]
        if not beside[i]:
            return


def _looks_like(marking: Marking, variant: Variant) -> bool:
    return variant.length == len(marking.cells) and all(
        cell & mask for cell, mask in zip(marking.cells, variant.masks, strict=True)
    )
