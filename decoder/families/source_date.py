"""Source-and-date codes: a holder's number from the code register, then year and week.

    137-6612    source 137, week 12 of 1966
    137-612     the same source with a one-digit year: week 12 of 1946, 1956, 1966 or 1976

The register is `eia/source-codes`, the layouts are in `eia/schemes.toml`. Sources: EIA-476 abstracts and the
page of the registrar's successor; each row names its own. Weeks are those of `decoder.window.week_window`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

from decoder.marking import BIT, DIGITS, LETTERS, Marking
from decoder.scheme.engine import (
    Index,
    Match,
    build_index,
    date_problem,
    dated_readings,
    field_values,
    matches,
)
from decoder.scheme.family import Context
from decoder.scheme.layout import Slot
from decoder.scheme.nearmiss import near_misses
from decoder.scheme.reading import FieldValue, NearMiss, Reading, Strength
from decoder.tables import Citation, Row, Tables
from decoder.window import Window

KINDS: Final = frozenset(
    "potentiometer capacitor resistor switch speaker transformer tube amplifier-capacitor circuit-breaker motor "
    "semiconductor relay jack wiring circuit-board pickup chassis other".split()
)


@dataclass(frozen=True, slots=True)
class Register:
    """The code register: its rows by code, the words that may stand beside a code, and the years of the system."""

    rows: Mapping[str, tuple[Row, ...]]
    beginnings: frozenset[str]
    citations: Mapping[str, tuple[Citation, ...]]
    revision: str
    beside: frozenset[str]
    in_use: tuple[int, int]
    decades: tuple[int, int]

    def codes(self, cells: tuple[int, ...]) -> list[str]:
        """The registered codes that these characters may be."""
        grown = [""]
        for cell in cells:  # only beginnings that some code has are grown
            grown = [
                begun
                for text in grown
                for digit in "0123456789"
                if cell & BIT[digit] and (begun := text + digit) in self.beginnings
            ]
        return [code for code in grown if code in self.rows]


def _index(tables: Tables) -> Index:
    return build_index(tables, "source_date", KINDS)


def _register(tables: Tables) -> Register:
    table = tables.table("eia/source-codes")
    rows: dict[str, tuple[Row, ...]] = {}
    for row in table.rows:
        rows[row["code"]] = (*rows.get(row["code"], ()), row)
    citations = {
        code: tuple(dict.fromkeys(c for row in found for c in table.cite(row)))
        for code, found in rows.items()
    }
    beside = frozenset(row["word"].upper() for row in tables.table("eia/words").rows)
    setting = tables.setting
    return Register(
        rows,
        frozenset(code[:end] for code in rows for end in range(1, len(code) + 1)),
        citations,
        table.revision,
        beside,
        (setting("in_use_from"), setting("in_use_to")),
        (setting("decade_from"), setting("decade_to")),
    )


@dataclass(frozen=True, slots=True)
class SourceDate:
    """The family of source-and-date codes."""

    id: str = "source_date"
    kinds: frozenset[str] = KINDS
    long_text: bool = False

    def read(self, marking: Marking, context: Context) -> list[Reading]:
        """Every reading of a marking as source and date, or as a bare date where a layout has no source."""
        index = context.tables.derived("source_date.index", _index)
        register = context.tables.derived("source_date.register", _register)
        made: list[Reading] = []
        for start, end, beside in _runs(marking, register):
            for match in matches(index, context.part, marking, start, end, context.seen):
                made += _readings(match, index, register, context, beside)
        return _once(made, index, context.part)

    def near_misses(self, marking: Marking, context: Context) -> list[NearMiss]:
        """Codes with one field that can't be: week 60, a year before the system, a source not in the register."""
        index = context.tables.derived("source_date.index", _index)
        register = context.tables.derived("source_date.register", _register)

        def explain(match: Match) -> tuple[Slot, str] | None:
            return _problem(match, index, register, context)

        found: list[NearMiss] = []
        for start, end, _ in _runs(marking, register):
            found += near_misses(index, context.tables, context.part, marking, start, end, explain)
        return found + _cut_short(marking, register, context)


FAMILY: Final = SourceDate()


def _once(readings: list[Reading], index: Index, part: str | None) -> list[Reading]:
    """The same digits read the same way by several schemes are one reading, which cites them all.

    The scheme that names the kind of part speaks; with no kind given, the one for any part.
    """
    kinds = index.kinds_named
    groups: dict[tuple[object, ...], list[Reading]] = {}
    for reading in readings:
        source = next((f.at for f in reading.fields if f.name == "source"), None)
        groups.setdefault((source, reading.strength, reading.window), []).append(reading)
    made = []
    for group in groups.values():
        group.sort(key=lambda r: (bool(kinds[r.scheme]) is (part is None), not r.documented))
        speaks = group[0]
        if len(group) > 1:
            sources = tuple(dict.fromkeys(c for r in group for c in r.sources))
            documented = [r for r in group if r.documented]
            if documented and not speaks.documented:
                notes = tuple(n for n in speaks.notes if "outside the documented years" not in n or part)
                speaks = replace(speaks, notes=notes, documented=part is None)
            speaks = replace(speaks, sources=sources)
        made.append(speaks)
    return made


def _cut_short(marking: Marking, register: Register, context: Context) -> list[NearMiss]:
    """A registered source with too few digits after it: say how many a code needs."""
    count = len(marking.cells)
    if not 3 < count < 6 or any(cell & DIGITS == 0 for cell in marking.cells):
        return []
    codes = register.codes(marking.cells[:3])
    if len(codes) != 1:
        return []
    problem = (
        f"starts like source {codes[0]}, but a code has 3 digits more (year and week) or 4 (two for the year): "
        "put ? for each digit that is worn away"
    )
    longer = [marking.text + "?" * (width - count) for width in (6, 7)]
    mended = tuple(text for text in longer if FAMILY.read(Marking.read(text, limit=len(text)), context))
    return [NearMiss("source_date", problem, marking.at(0, count), mended, 0.9)]


def _runs(marking: Marking, register: Register) -> Iterator[tuple[int, int, bool]]:
    """The cell ranges that may be a code: whole words, with only known words, values or plain text beside them.

    The third item says that a further number stands after the code, which needs a registered source before it.
    """
    words = marking.words
    if not words:
        return
    plain = [_stands_beside(marking, first, last, register) for first, last in words]
    further = [_further_number(marking, first, last) for first, last in words]
    for i, (start, _) in enumerate(words):
        if i and not plain[i - 1]:
            break
        for j in range(len(words), i, -1):
            tail = range(j, len(words))
            if all(plain[k] for k in tail):
                yield start, words[j - 1][1], False
            elif all(plain[k] or further[k] for k in tail):
                yield start, words[j - 1][1], True


def _stands_beside(marking: Marking, first: int, last: int, register: Register) -> bool:
    """True for a word that may stand beside a code: a taper, a resistance, EIA, or plain lettering."""
    cells = marking.cells[first:last]
    if len(cells) > 1 and all(cell & LETTERS == cell for cell in cells):
        return True
    if marking.certain is None:
        return False
    word = marking.certain[first:last]
    return word in register.beside or (word[-1] in "KM" and word[:-1].isdigit())


def _further_number(marking: Marking, first: int, last: int) -> bool:
    return last - first == 4 and all(cell & DIGITS == cell for cell in marking.cells[first:last])


def _limits(match: Match, register: Register, codes: list[str], context: Context) -> Window:
    """The years that the code can mean: the sources' own limits of use, else those of the system.

    A bare date belongs to no register, so the register's end does not bind it.
    """
    first, last = register.in_use
    if match.slot("source") is None:
        return Window.years(first, max(first, context.last_year))
    if codes:
        rows = [row for code in codes for row in register.rows[code]]
        first = min(row["in_use_from"] or first for row in rows)
        last = max(row["in_use_to"] or last for row in rows)
    if match.slot("year1") is not None:
        first, last = max(first, register.decades[0]), min(last, register.decades[1])
    return Window.years(first, max(first, last))


def _readings(
    match: Match, index: Index, register: Register, context: Context, further: bool
) -> list[Reading]:
    slot = match.slot("source")
    if slot is None:
        if further:
            return []
        note = "a date with no source: a bare number of this length is weak evidence by itself"
        limits = _limits(match, register, [], context)
        return dated_readings(
            match, index.letters, limits=limits, strength=Strength.WEAK, notes=(note,), rank=9
        )
    cells = match.cells(slot)
    codes = register.codes(cells)
    if further and not codes:
        return []
    strength = _strength(len(cells), bool(codes), match.slot("digits") is None)
    citations = tuple(dict.fromkeys(c for code in codes for c in register.citations[code]))
    fields = tuple(
        FieldValue(f.name, f.text, _holders(codes, register), f.at) if f.name == slot.name else f
        for f in field_values(match, index.letters)
    )
    return dated_readings(
        match,
        index.letters,
        limits=_limits(match, register, codes, context),
        strength=strength,
        notes=_notes(match.text(slot), codes, register, context.part),
        fields=fields,
        sources=citations,
        rank=int(strength is not Strength.STRONG),
    )


def _strength(width: int, registered: bool, plain: bool) -> Strength:
    """A source of two or four digits must be in the register; an unknown one of three digits is fair.

    Where further digits stand in the layout (not `plain`) any long number fits, so there too the register decides.
    """
    if registered:
        return Strength.STRONG
    return Strength.FAIR if width == 3 and plain else Strength.WEAK


def _holders(codes: list[str], register: Register) -> str:
    if not codes:
        return "not in the register"
    shown = []
    for code in codes[:6]:
        for row in register.rows[code]:
            holder = row["holder"] or row["holder_note"] or "holder not found"
            shown.append(f"{code} {holder}" if len(codes) > 1 else holder)
    more = f" and {len(codes) - 6} more" if len(codes) > 6 else ""
    return "; or ".join(shown) + more


def _notes(text: str, codes: list[str], register: Register, part: str | None) -> tuple[str, ...]:
    if not codes:
        return (f"source {text} is not in the register held here: read by its layout alone",)
    notes = []
    rows = [row for code in codes for row in register.rows[code]]
    if len(codes) == 1:
        notes += [row["holder_note"] for row in rows if row["holder"] and row["holder_note"]]
        if len(rows) > 1:
            notes.append("sources disagree on the holder: both are shown")
    if all(row["grade"] == "M" for row in rows):
        notes.append("holder from memory, unconfirmed: the maker is not identified by this code alone")
    made = {kind for row in rows for kind in row["made"]}
    if part and made and "other" not in made and part not in made:
        notes.append(
            f"the register lists this holder for {' and '.join(sorted(made))}, not for this kind of part"
        )
    return tuple(notes)


def _problem(match: Match, index: Index, register: Register, context: Context) -> tuple[Slot, str] | None:
    slot = match.slot("source")
    if slot is None:
        return date_problem(match, index.letters, _limits(match, register, [], context))
    cells = match.cells(slot)
    codes = register.codes(cells)
    problem = date_problem(match, index.letters, _limits(match, register, codes, context))
    if problem is None and not codes and len(cells) != 3:
        return slot, f"source {match.text(slot)} is not in the register"
    return problem
