"""A family that its layouts describe in full: nothing but tables, read by the engine.

Codes of electronic parts and dates stamped or pencilled on parts are such families. A bare number or pair of
letters is read only when it is the whole marking; a layout with more to it may have plain lettering beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

from decoder.marking import LETTERS, Marking
from decoder.scheme.engine import (
    Index,
    Match,
    Scheme,
    build_index,
    date_problem,
    dated_readings,
    field_values,
    lettered,
    matches,
    up_to,
)
from decoder.scheme.family import Context
from decoder.scheme.layout import Slot, Variant, compile_layout
from decoder.scheme.nearmiss import near_misses
from decoder.scheme.reading import NearMiss, Precision, Reading, Strength, union_of
from decoder.tables import Row, Tables
from decoder.window import EVERY, WindowSet

UNREADABLE: Final = "unreadable"  # resource: marks that exist while their tables are not published
NO_MENDING: Final = 5.0  # after every near miss that can be mended


@dataclass(frozen=True, slots=True)
class PlainFamily:
    """A family of layouts. `package` is the data package with its schemes and letters."""

    id: str
    kinds: frozenset[str]
    package: str
    long_text: bool = False

    def read(self, marking: Marking, context: Context) -> list[Reading]:
        """Every reading of the marking, or of the part of it that is no plain lettering."""
        index = self._index(context.tables)
        form = latin(marking, context.tables, self.package)
        made: list[Reading] = []
        for start, end in _runs(form):
            whole = end - start == len(form.cells)
            for match in matches(index, context.part, form, start, end, context.seen):
                if whole or match.scheme.strength > Strength.WEAK:
                    made += self._readings(match, index, context)
        return made

    def near_misses(self, marking: Marking, context: Context) -> list[NearMiss]:
        """Layouts in which one field can't be, and marks of this look whose tables are not published here."""
        index = self._index(context.tables)
        form = latin(marking, context.tables, self.package)

        def explain(match: Match) -> tuple[Slot, str] | None:
            limits = up_to(match.scheme.limits, context.last_year)
            return date_problem(match, index.letters, limits)

        found = near_misses(index, context.tables, context.part, form, 0, len(form.cells), explain)
        return found + self._unreadable(marking, context)

    def _index(self, tables: Tables) -> Index:
        return tables.derived(f"{self.id}.index", lambda t: build_index(t, self.id, self.kinds))

    def _readings(self, match: Match, index: Index, context: Context) -> list[Reading]:
        scheme = match.scheme
        rank = country_rank(scheme, context.country)
        if scheme.data.get("undated"):
            return [self._undated(match, index, rank)]
        limits = up_to(scheme.limits, context.last_year)
        made = dated_readings(match, index.letters, limits=limits, rank=rank)
        era = match.slot("era")
        if era is None:
            return made
        days = union_of(letter.period for letter in lettered(era, match.cells(era), index.letters))
        return [replace(r, window=inside) for r in made if (inside := r.window & days)]

    def _undated(self, match: Match, index: Index, rank: int) -> Reading:
        """A mark that dates only by the span in which its letters were in use."""
        scheme = match.scheme
        days = WindowSet.of(scheme.years or EVERY)
        for slot in match.variant.slots:
            if slot.type == "code":
                periods = [letter.period for letter in lettered(slot, match.cells(slot), index.letters)]
                spans = [window for period in periods for window in period]
                days = days & WindowSet.from_iter(spans) if spans else days
        return Reading(
            scheme=scheme.id,
            title=scheme.title,
            family=self.id,
            strength=scheme.strength,
            window=days or WindowSet.of(scheme.years or EVERY),
            precision=Precision.BOUND,
            fields=field_values(match, index.letters),
            notes=scheme.notes,
            sources=scheme.sources,
            revision=scheme.revision,
            timing=scheme.timing,
            rank=rank,
        )

    def _unreadable(self, marking: Marking, context: Context) -> list[NearMiss]:
        rows = context.tables.derived(f"{self.id}.unreadable", self._unreadable_rows)
        return [
            NearMiss(row["id"], f"{row['title']}: {row['reason']}", marking.at(0, len(marking.cells)), (), NO_MENDING)
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
    read = Marking.read(made, limit=max(len(made), len(marking.text)))
    spans = tuple((places[first][0], places[last - 1][1]) for first, last in read.spans)
    return replace(read, text=marking.text, spans=spans)


def _runs(marking: Marking) -> Iterator[tuple[int, int]]:
    """The whole marking, and the runs of whole words that have only plain lettering beside them."""
    words = marking.words
    if not words:
        return
    yield 0, len(marking.cells)
    plain = [last - first > 1 and all(c & LETTERS == c for c in marking.cells[first:last]) for first, last in words]
    for i in range(len(words)):
        for j in range(len(words), i, -1):
            if (i, j) != (0, len(words)) and all(plain[j:]) and not all(plain[i:j]):
                yield words[i][0], words[j - 1][1]
        if not plain[i]:
            return


def _looks_like(marking: Marking, variant: Variant) -> bool:
    return variant.length == len(marking.cells) and all(
        cell & mask for cell, mask in zip(marking.cells, variant.masks, strict=True)
    )
