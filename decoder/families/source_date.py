"""Source-and-date codes: a holder's number from the code register, then year and week.

    137-6612    source 137, week 12 of 1966
    137-612     the same source with a one-digit year: week 12 of 1946, 1956, 1966 or 1976

The register is `eia/source-codes`, the layouts are in `eia/schemes.toml`. Sources: EIA-476 abstracts and the
page of the registrar's successor; each row names its own. Weeks are those of `decoder.window.week_window`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from itertools import compress
from typing import Final, NamedTuple

from decoder.kept import Kept
from decoder.marking import BIT, DIGITS, LETTERS, TEXT_LIMIT, Form, Marking
from decoder.scheme.engine import (
    Candidate,
    Dated,
    Index,
    Match,
    Scheme,
    build_index,
    date_problem,
    field_values,
    in_words,
    is_new,
)
from decoder.scheme.family import Context
from decoder.scheme.layout import Slot
from decoder.scheme.nearmiss import near_misses
from decoder.scheme.reading import NearMiss, Reading, Strength, Wording
from decoder.tables import Citation, Row, Tables
from decoder.window import Window

KINDS: Final = frozenset(
    "potentiometer capacitor resistor switch speaker transformer tube amplifier-capacitor circuit-breaker motor "
    "semiconductor relay jack wiring circuit-board pickup chassis other".split()
)


UNREGISTERED: Final = 3  # the width of a source that may be read though it is not in the register
BARE: Final = 9  # the rank of a date without a source
NO_SOURCE: Final = "a date with no source: a bare number of this length is weak evidence by itself"
SOURCES_KEPT: Final = 4096
WORDS_OF_A_CODE: Final = 12  # a text of more is no code with words beside it
_FOUR_DIGITS: Final = (DIGITS,) * 4
_MULTIPLES: Final = BIT["K"] | BIT["M"]  # of ohms


class Source(NamedTuple):
    """What the register says of the characters that name a source: its codes, whose they are, and the years that it
    can mean. `told` keeps the notes on it for each kind of part."""

    codes: tuple[str, ...]
    holders: str
    citations: tuple[Citation, ...]
    years: tuple[int, int]
    years_of_one_digit: tuple[int, int]
    told: dict[str | None, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Register:
    """The code register: its rows by code, the words that may stand beside a code, and the years of the system.

    `beside_outlines` are these words with digits and letters alike; `known` keeps what was looked up.
    """

    rows: Mapping[str, tuple[Row, ...]]
    beginnings: frozenset[str]
    citations: Mapping[str, tuple[Citation, ...]]
    revision: str
    beside: frozenset[str]
    beside_outlines: frozenset[tuple[int, ...]]
    in_use: tuple[int, int]
    decades: tuple[int, int]
    known: Kept[tuple[int, ...], Source] = field(default_factory=lambda: Kept(SOURCES_KEPT))

    def plan(self, form: Form, index: Index, part: str | None) -> Iterator[Way]:
        """The ways in which a marking of this form may be a code."""
        ways = list(_ways(form, index, self, part))
        sources = [way.source for way in ways]
        return (way._replace(shared=sources.count(way.source) > 1) for way in ways)

    def source(self, cells: tuple[int, ...]) -> Source:
        """The source or sources that these characters may name."""
        found = self.known.get(cells)
        if found is None:
            codes = tuple(self.codes(cells))
            found = self.known.keep(cells, self._source(codes), 1 + len(codes))
        return found

    def _source(self, codes: tuple[str, ...]) -> Source:
        """The codes with the sources' own limits of use, else those of the system."""
        first, last = self.in_use
        if codes:
            rows = [row for code in codes for row in self.rows[code]]
            first = min(row["in_use_from"] or first for row in rows)
            last = max(row["in_use_to"] or last for row in rows)
        low, high = max(first, self.decades[0]), min(last, self.decades[1])
        citations = tuple(dict.fromkeys(c for code in codes for c in self.citations[code]))
        return Source(
            codes, _holders(codes, self), citations, (first, max(first, last)), (low, max(low, high)), {}
        )

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
        frozenset(tuple(DIGITS if c.isdigit() else LETTERS for c in word) for word in beside),
        (setting("in_use_from"), setting("in_use_to")),
        (setting("decade_from"), setting("decade_to")),
    )


class Way(NamedTuple):
    """Layouts of the same fields at the same places of a form, first the ones that speak for all of them.

    `front` of the candidates name the kind of part, or stand for any part where no kind is given. `source` are the
    cells of the source code; `plain` says that nothing but source and date stands there, `one_digit` that the year
    has one digit. `words` are the first word of the code and the one after its last. `shared` says that other layouts
    of the form have their source at the same place: they may read the same days.
    """

    candidates: tuple[Candidate, ...]
    front: int
    source: tuple[int, int] | None
    plain: bool
    one_digit: bool
    words: tuple[int, int]
    shared: bool = False


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
        shared = context.seen is not None
        for way in index.plan(marking.form.outline or marking.form, context.part, register.plan):
            if way.candidates[0].fits(marking):
                found = _readings(way, marking, index, register, context)
                shared = shared or way.shared
                made += found
        return _once(made, index, context.part) if shared else made

    def may_read(self, marking: Marking, context: Context) -> bool:
        """Whether a marking of this form can be read at all."""
        index = context.tables.derived("source_date.index", _index)
        register = context.tables.derived("source_date.register", _register)
        return bool(index.plan(marking.form.outline or marking.form, context.part, register.plan))

    def near_misses(self, marking: Marking, context: Context) -> list[NearMiss]:
        """Codes with one field that can't be: week 60, a year before the system, a source not in the register."""
        index = context.tables.derived("source_date.index", _index)
        register = context.tables.derived("source_date.register", _register)

        def explain(match: Match) -> tuple[Slot, str] | None:
            return _problem(match, index, register, context)

        found: list[NearMiss] = []
        if len(marking.words) > WORDS_OF_A_CODE:
            return found
        stands = _standing(marking, register)
        for start, end, words, _ in _runs(marking.form, register, index.longest):
            if _further(words, stands, marking) is not None:
                found += near_misses(index, context.tables, context.part, marking, start, end, explain)
        return found + _cut_short(marking, register, context)


FAMILY: Final = SourceDate()


def _once(readings: list[Reading], index: Index, part: str | None) -> list[Reading]:
    """The same digits read the same way by several schemes are one reading, which cites them all.

    The scheme that names the kind of part speaks; with no kind given, the one for any part.
    """
    groups: dict[tuple[object, ...], list[Reading]] = {}
    for reading in readings:
        source = next((f.at for f in reading.fields if f.name == "source"), None)
        groups.setdefault((source, reading.strength, reading.window), []).append(reading)
    if len(groups) == len(readings):
        return readings
    kinds = index.kinds_named
    made = []
    for group in groups.values():
        group.sort(key=lambda r: (bool(kinds[r.scheme]) is (part is None), not r.documented))
        speaks = group[0]
        if len(group) > 1:
            sources = tuple(dict.fromkeys(c for r in group for c in r.sources))
            if not speaks.documented and any(r.documented for r in group):
                notes = tuple(n for n in speaks.notes if "outside the documented years" not in n or part)
                speaks = speaks.changed(notes=notes, documented=part is None)
            speaks = speaks.changed(sources=sources)
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
    longer = [marking.text.rstrip() + "?" * (width - count) for width in (6, 7)]
    # on a label the digits may stand on several lines
    texts = [(text, Marking.read(text, limit=max(len(text), TEXT_LIMIT))) for text in longer]
    mended = tuple(text for text, read in texts if FAMILY.read(read, context))
    return [NearMiss("source_date", problem, marking.at(0, count), mended, 0.9)]


def _ways(form: Form, index: Index, register: Register, part: str | None) -> Iterator[Way]:
    groups: dict[tuple[int, tuple[Slot, ...], object, tuple[int, int]], list[Candidate]] = {}
    for start, end, words, numbered in _runs(form, register, index.longest):
        for candidate in index.fitting(part, form, start, end):
            if numbered and "source" not in candidate.entry.slots:
                continue
            key = (start, candidate.entry.variant.slots, candidate.checks, words)
            groups.setdefault(key, []).append(candidate)
    for (start, _, _, words), group in groups.items():
        group.sort(key=lambda c: _stands_back(c.entry.scheme, part))
        back = _stands_back(group[0].entry.scheme, part)
        types = group[0].entry.slots
        source = types.get("source")
        yield Way(
            tuple(group),
            sum(_stands_back(c.entry.scheme, part) is back for c in group),
            (start + source.start, start + source.end) if source else None,
            "digits" not in types,
            "year1" in types,
            words,
        )


def _stands_back(scheme: Scheme, part: str | None) -> bool:
    """The scheme that names the kind of part speaks; with no kind given, the one for any part."""
    return bool(scheme.kinds) is (part is None)


def _runs(form: Form, register: Register, longest: int) -> Iterator[tuple[int, int, tuple[int, int], bool]]:
    """The cells that may be a code, and its words: whole ones, with others beside them that may stand there.

    The last item says that a further number stands after the code whichever digits the form has.
    """
    words, count = form.words, len(form.words)
    may = [_may_stand_beside(form, first, last, register) for first, last in words]
    further = [last - first == 4 and form.cells[first:last] == _FOUR_DIGITS for first, last in words]
    least = count  # the words from here on may all stand after a code
    while least and (may[least - 1] or further[least - 1]):
        least -= 1
    for i, (start, _) in enumerate(words):
        if i and not may[i - 1]:
            break
        for j in range(count, max(i, least - 1), -1):
            if words[j - 1][1] - start <= longest:
                yield start, words[j - 1][1], (i, j), not all(may[j:])


def _may_stand_beside(form: Form, first: int, last: int, register: Register) -> bool:
    """Whether some word of this form may stand beside a code: a taper, a resistance, EIA, or plain lettering."""
    cells = form.cells[first:last]
    if len(cells) > 1 and all(cell & LETTERS == cell for cell in cells):
        return True
    if cells[-1] & _MULTIPLES and all(cell == DIGITS for cell in cells[:-1]):
        return True
    return tuple(cell | LETTERS if cell & LETTERS else cell for cell in cells) in register.beside_outlines


def _standing(marking: Marking, register: Register) -> list[bool]:
    """Which words may stand beside a code."""
    certain = marking.certain
    return [_stands_beside(marking, certain, *word, register) for word in marking.words]


def _further(words: tuple[int, int], stands: list[bool], marking: Marking) -> bool | None:
    """None where the words beside a code can't stand there. Else whether one after it is a further number, which
    needs a registered source before it."""
    first, last = words
    if not all(stands[:first]):
        return None
    others = [place for place in range(last, len(stands)) if not stands[place]]
    return bool(others) if all(_is_number(marking, *marking.words[place]) for place in others) else None


def _stands_beside(marking: Marking, certain: str | None, first: int, last: int, register: Register) -> bool:
    """True for a word that may stand beside a code: a taper, a resistance, EIA, or plain lettering."""
    cells = marking.cells[first:last]
    if len(cells) > 1 and all(cell & LETTERS == cell for cell in cells):
        return True
    if certain is None:
        return False
    word = certain[first:last]
    return word in register.beside or (word[-1] in "KM" and word[:-1].isdigit())


def _is_number(marking: Marking, first: int, last: int) -> bool:
    return last - first == 4 and all(cell & DIGITS == cell for cell in marking.cells[first:last])


def _limits(match: Match, register: Register, source: Source | None, context: Context) -> Window:
    """The years that the code can mean."""
    if source is None:
        return Window.years(*_bare_years(register, context))
    return Window.years(*(source.years_of_one_digit if match.slot("year1") else source.years))


def _bare_years(register: Register, context: Context) -> tuple[int, int]:
    """A bare date belongs to no register, so the register's end does not bind it."""
    first = register.in_use[0]
    return first, max(first, context.last_year)


def _readings(
    way: Way, marking: Marking, index: Index, register: Register, context: Context
) -> list[Reading]:
    further: bool | None = False
    if way.words != (0, len(marking.form.words)):
        further = _further(way.words, _standing(marking, register), marking)
        if further is None:
            return []
    if way.source is None:
        if further:
            return []
        source, strength, rank = None, Strength.WEAK, BARE
        low, high = _bare_years(register, context)
    else:
        first, last = way.source
        source = register.source(marking.cells[first:last])
        if further and not source.codes:
            return []
        strength = _strength(last - first, bool(source.codes), way.plain)
        low, high = source.years_of_one_digit if way.one_digit else source.years
        rank = int(strength is not Strength.STRONG)
    if context.seen is not None:
        is_told = [is_new(c.on(marking), context.seen) for c in way.candidates]
        new = tuple(compress(way.candidates, is_told))
        if not new:
            return []
        way = way._replace(candidates=new, front=sum(is_told[: way.front]))
    dates = index.dates(way.candidates[0], marking, low, high)
    if not dates:
        return []
    tell = partial(_told, way, marking, index, register, source, context.part)
    made = []
    for dated in dates:
        speaks, documented = 0, way.candidates[0].entry.documents(dated)
        if not documented and len(way.candidates) > 1:
            known = [turn for turn, c in enumerate(way.candidates) if c.entry.documents(dated)]
            if known:
                speaks = known[0] if known[0] < way.front else 0
                documented = speaks == known[0] or context.part is None
        about = way.candidates[speaks].entry.about
        words = (tell, (dated, speaks))
        made.append(Reading.of(about, strength, dated.window, dated.precision, documented, rank, words))
    return made


def _told(
    way: Way,
    marking: Marking,
    index: Index,
    register: Register,
    source: Source | None,
    part: str | None,
    chosen: tuple[Dated, int],
) -> Wording:
    """The words of the scheme that speaks; it cites all schemes that read the same days."""
    dated, speaks = chosen
    candidate = way.candidates[speaks]
    match = candidate.on(marking)
    notes: tuple[str, ...] = (NO_SOURCE,)
    known = {}
    if source is not None and way.source is not None:
        known[candidate.entry.slots["source"].name] = source.holders
        notes = source.told.get(part) or _notes(marking.shown(*way.source), source, register, part)
    shown = field_values(match, index.letters, known)
    said = candidate.entry.notes_on(dated)
    cited: list[Citation] = []
    if len(way.candidates) > 1:
        others = [c.entry for turn, c in enumerate(way.candidates) if turn != speaks]
        others.sort(key=lambda entry: (_stands_back(entry.scheme, part), not entry.documents(dated)))
        if part is None and any(entry.documents(dated) for entry in others):
            said = dated.notes
        cited = [c for entry in others for c in entry.scheme.sources]
    citations = source.citations if source is not None else ()
    return in_words(candidate.entry.scheme, shown, (*notes, *said), (*citations, *cited))


def _strength(width: int, registered: bool, plain: bool) -> Strength:
    """A source of two or four digits must be in the register; an unknown one of three digits is fair.

    Where further digits stand in the layout (not `plain`) any long number fits, so there too the register decides.
    """
    if registered:
        return Strength.STRONG
    return Strength.FAIR if width == UNREGISTERED and plain else Strength.WEAK


def _holders(codes: tuple[str, ...], register: Register) -> str:
    if not codes:
        return "not in the register"
    shown = []
    for code in codes[:6]:
        for row in register.rows[code]:
            holder = row["holder"] or row["holder_note"] or "holder not found"
            shown.append(f"{code} {holder}" if len(codes) > 1 else holder)
    more = f" and {len(codes) - 6} more" if len(codes) > 6 else ""
    return "; or ".join(shown) + more


def _notes(text: str, source: Source, register: Register, part: str | None) -> tuple[str, ...]:
    codes = source.codes
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
    return source.told.setdefault(part, tuple(notes))


def _problem(match: Match, index: Index, register: Register, context: Context) -> tuple[Slot, str] | None:
    slot = match.slot("source")
    source = register.source(match.cells(slot)) if slot is not None else None
    problem = date_problem(match, index.letters, _limits(match, register, source, context))
    if problem or slot is None or source is None or source.codes or slot.end - slot.start == UNREGISTERED:
        return problem
    return slot, f"source {match.text(slot)} is not in the register"
