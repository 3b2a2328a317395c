"""Serial numbers: running numbers met with bands, and numbers that carry a date in code.

Bands are rows of a table (first and last number, and the period in which they were used); codes are layouts.
Both are data: a maker is added with a CSV and a few lines of TOML. Numbers compare inside one prefix and one
width only. Each series has a tolerance in months before and after, and a kind of date (stamped, registered,
shipped, model year ...). Sources stand with each row; many are grade M and say so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

from decoder.marking import BIT, Marking
from decoder.scheme.engine import (
    YEAR_TYPES,
    Index,
    Match,
    Scheme,
    any_between,
    build_index,
    compile_scheme,
    date_problem,
    dated_readings,
    field_values,
    index_of,
    matches,
    number_span,
    up_to,
    years_of,
)
from decoder.scheme.family import Context
from decoder.scheme.layout import Slot
from decoder.scheme.nearmiss import near_misses
from decoder.scheme.reading import FieldValue, NearMiss, Precision, Reading, Strength, Timing
from decoder.tables import Citation, Row, Tables
from decoder.window import EVERY, Window, WindowSet, parse_edtf

KINDS: Final = frozenset(
    "serial label neck-plate neck-heel bridge body body-cavity headstock-logo decal hangtag other".split()
)
BANDS_NAMED: Final = 4
NO_LAST: Final = 10**12  # a band that runs on


@dataclass(frozen=True, slots=True)
class Band:
    """A run of numbers and the period in which it was used; `last` None runs to the next band or on."""

    first: int
    last: int
    layout: str
    window: Window
    row: Row
    citations: tuple[Citation, ...]


@dataclass(frozen=True, slots=True)
class Caveat:
    """A known overlap, reuse or reissue of numbers of one maker: some schemes, or some numbers, or all of them."""

    schemes: tuple[str, ...]
    prefix: str
    first: int | None
    last: int | None
    text: str


@dataclass(frozen=True, slots=True)
class Register:
    """The compiled serial schemes, the bands of each scheme, the makers by every name, and the caveats."""

    index: Index
    bands: Mapping[str, tuple[Band, ...]]
    makers: Mapping[str, frozenset[str]]
    caveats: Mapping[str, tuple[Caveat, ...]]

    def makers_called(self, name: str | None) -> frozenset[str] | None:
        """The makers meant by a name (with those works that belong to it); None when no name is given."""
        if name is None:
            return None
        return self.makers.get(_plain(name), frozenset((name,)))


def _plain(name: str) -> str:
    return "".join(c for c in name.lower() if c.isalnum())


def _register(tables: Tables) -> Register:
    plain = build_index(tables, "serial", KINDS)
    words = {name: tuple(entries) for name, entries in plain.letters.items()}
    bands: dict[str, tuple[Band, ...]] = {}
    schemes = [replace(s, timing=Timing.INSTRUMENT) for s in plain.schemes if "bands" not in s.data]
    for row in tables.schemes("serial"):
        if "bands" in row:
            bands[row["id"]] = _bands(tables, row)
            layouts = row.get("layouts") or list(dict.fromkeys(b.layout for b in bands[row["id"]]))
            schemes.append(compile_scheme(tables, {**row, "layouts": layouts}, words, None))
    index = index_of(tuple(schemes), plain.letters, KINDS)
    return Register(index, bands, _makers(tables), _caveats(tables))


def _bands(tables: Tables, scheme: Row) -> tuple[Band, ...]:
    """The bands of a scheme. A band without a last number runs to the next of its prefix and width, or on."""
    table = tables.table(f"{scheme['package']}/{scheme['bands']}")
    rows = [row for row in table.rows if row["scheme"] == scheme["id"]]
    firsts: dict[str, list[int]] = {}
    for row in rows:
        firsts.setdefault(_layout(row), []).append(row["first"])
    bands = []
    for row in rows:
        last = row["last"]
        if last is None:
            last = min((f for f in firsts[_layout(row)] if f > row["first"]), default=NO_LAST + 1) - 1
        bands.append(Band(row["first"], last, _layout(row), _period(row), row, table.cite(row)))
    return tuple(bands)


def _layout(row: Row) -> str:
    prefix = "~".join((row["prefix"] or "").upper().replace("-", " ").split())
    suffix = "~".join((row["suffix"] or "").upper().replace("-", " ").split())
    widths = row["digits"] or f"{len(str(row['first']))}-{len(str(row['last'] or row['first']))}"
    return f"{prefix}~{{number:{widths}}}~{suffix}".strip("~")


def _period(row: Row) -> Window:
    start = parse_edtf(row["from"]).window if row["from"] else None
    end = parse_edtf(row["to"]).window if row["to"] else None
    return Window(start.earliest if start else None, end.latest if end else None)


def _makers(tables: Tables) -> dict[str, frozenset[str]]:
    rows = [row for name in tables.ids() if name.endswith("/makers") for row in tables.table(name).rows]
    children: dict[str, set[str]] = {}
    for row in rows:
        if row.get("parent"):
            children.setdefault(row["parent"], set()).add(row["name"])
    made: dict[str, frozenset[str]] = {}
    for row in rows:
        group = frozenset({row["name"], *children.get(row["id"], ()), *children.get(row["name"], ())})
        for name in (row["id"], row["name"], *(row["aliases"] or ())):
            made[_plain(name)] = group | made.get(_plain(name), frozenset())
    return made


def _caveats(tables: Tables) -> dict[str, tuple[Caveat, ...]]:
    made: dict[str, tuple[Caveat, ...]] = {}
    for name in tables.ids():
        if not name.endswith("/overlaps"):
            continue
        for row in tables.table(name).rows:
            caveat = Caveat(
                row["scheme"], (row["prefix"] or "").upper(), row["first"], row["last"], row["warning"]
            )
            made[row["maker"]] = (*made.get(row["maker"], ()), caveat)
    return made


@dataclass(frozen=True, slots=True)
class Serial:
    """The family of serial numbers."""

    id: str = "serial"
    kinds: frozenset[str] = KINDS
    long_text: bool = False

    def read(self, marking: Marking, context: Context) -> list[Reading]:
        """Every series whose pattern fits: of the maker given, or of all makers, each named."""
        register = context.tables.derived("serial.register", _register)
        wanted = register.makers_called(context.maker)
        made: list[Reading] = []
        for match in matches(register.index, context.part, marking, 0, len(marking.cells), context.seen):
            if wanted is not None and match.scheme.maker not in wanted:
                continue
            made += _readings(match, register, context)
        return made

    def near_misses(self, marking: Marking, context: Context) -> list[NearMiss]:
        """Numbers of the maker given that lie in no band, or whose date can't be; of all makers: none.

        With no maker every number almost fits somebody's series, which tells nothing.
        """
        register = context.tables.derived("serial.register", _register)
        wanted = register.makers_called(context.maker)
        if wanted is None:
            return []

        def explain(match: Match) -> tuple[Slot, str] | None:
            if match.scheme.maker not in wanted:
                slot = match.variant.slots[0] if match.variant.slots else Slot("serial", "any", "", 0, 0)
                return slot, "another maker's series"
            return _problem(match, register)

        found = near_misses(
            register.index, context.tables, context.part, marking, 0, len(marking.cells), explain
        )
        ours = {scheme.id for scheme in register.index.schemes if scheme.maker in wanted}
        return [miss for miss in found if miss.scheme in ours]


FAMILY: Final = Serial()


def _strength(scheme: Scheme, context: Context) -> Strength:
    """With no maker given every fitting series is a guess among makers: fair at best."""
    return scheme.strength if context.maker is not None else min(scheme.strength, Strength.FAIR)


def _readings(match: Match, register: Register, context: Context) -> list[Reading]:
    scheme = match.scheme
    strength = _strength(scheme, context)
    notes: tuple[str, ...] = _warned(match, register, context)
    if context.maker is None:
        notes = (f"the maker is not given: read as a number of {scheme.maker}", *notes)
    if "bands" in scheme.data:
        return _in_bands(match, register, strength, notes)
    if scheme.data.get("undated"):
        return _undated(match, register, strength, notes)
    limits = up_to(scheme.limits, context.last_year)
    return dated_readings(match, register.index.letters, limits=limits, strength=strength, notes=notes)


def _met(match: Match, register: Register) -> list[Band]:
    """The bands in which the number may lie; a year digit beside it keeps only those of its years."""
    slot = match.slot("number")
    if slot is None:
        return []
    cells = match.cells(slot)
    span = number_span(cells)
    derived = not match.scheme.data.get("layouts")
    met = [
        band
        for band in register.bands[match.scheme.id]
        if any_between(cells, band.first, band.last, span) and (not derived or band.layout == match.variant.layout)
    ]
    if match.slot(*YEAR_TYPES) is None:
        return met
    years = years_of(match, register.index.letters, match.scheme.limits)
    return [band for band in met if any(band.window.overlaps(Window.year(year)) for year in years)]


def _window(match: Match, register: Register, met: list[Band]) -> WindowSet:
    """The days of the bands met; of the years that a year digit allows, where one stands in the number."""
    days = WindowSet.from_iter(band.window for band in met)
    if match.slot(*YEAR_TYPES) is None:
        return days
    years = years_of(match, register.index.letters, match.scheme.limits)
    return days & WindowSet.from_iter(Window.year(year) for year in years)


def _in_bands(match: Match, register: Register, strength: Strength, notes: tuple[str, ...]) -> list[Reading]:
    met = _met(match, register)
    if not met:
        return []
    scheme = match.scheme
    slot = match.slot("number")
    assert slot is not None
    shown = "; ".join(_band_words(band) for band in met[:BANDS_NAMED])
    if len(met) > BANDS_NAMED:
        shown += f"; and {len(met) - BANDS_NAMED} more bands"
    fields = tuple(
        FieldValue(f.name, f.text, shown, f.at) if f.name == slot.name else f
        for f in field_values(match, register.index.letters)
    )
    if len(met) > 1:
        notes = (*notes, f"the number lies in {len(met)} bands: every one of them is allowed")
    notes = (*notes, *dict.fromkeys(b.row["note"] for b in met[:BANDS_NAMED] if b.row["note"]))
    estimate = _estimate(match, slot, met)
    kinds = {b.row["date_kind"] for b in met if b.row["date_kind"]}
    kind = scheme.data.get("date_kind") or " or ".join(sorted(kinds))
    extra = (f"the dates of this series are {_DATE_KINDS[kind]}",) if kind in _DATE_KINDS else ()
    return [
        Reading(
            scheme=scheme.id,
            title=scheme.title,
            family="serial",
            strength=strength,
            window=_window(match, register, met),
            precision=Precision.BAND,
            fields=fields,
            notes=(*notes, *estimate, *extra, *scheme.notes),
            sources=tuple(dict.fromkeys(c for band in met for c in band.citations)),
            revision=scheme.revision,
            timing=Timing.INSTRUMENT,
            maker=scheme.maker,
            before=int(scheme.data.get("before", 0)),
            after=int(scheme.data.get("after", 0)),
        )
    ]


_DATE_KINDS: Final = {
    "stamped": "days of stamping, before completion",
    "registered": "days of entry in the maker's register",
    "shipped": "days of shipping, after completion",
    "invoiced": "days of invoice, after completion",
    "model-year": "model years, which may begin in the calendar year before",
    "ledger": "ledger entries",
}


def _band_words(band: Band) -> str:
    last = "on" if band.last >= NO_LAST else f"to {band.last}"
    return f"{band.first} {last}: {band.row['from'] or '..'} to {band.row['to'] or '..'}"


def _estimate(match: Match, slot: Slot, met: list[Band]) -> tuple[str, ...]:
    """A date by even spacing inside one band: an estimate in words, never a window."""
    cells = match.cells(slot)
    if len(met) != 1 or any(cell & (cell - 1) for cell in cells):
        return ()
    band = met[0]
    start, end = band.window.earliest, band.window.latest
    if start is None or end is None or band.last >= NO_LAST or band.last == band.first:
        return ()
    number = int("".join(str(cell.bit_length() - 1) for cell in cells))
    day = date.fromordinal(start + round((end - start) * (number - band.first) / (band.last - band.first)))
    return (f"about {day:%B %Y} if the numbers of this band were used evenly: an estimate, not a window",)


def _undated(match: Match, register: Register, strength: Strength, notes: tuple[str, ...]) -> list[Reading]:
    """A number that fits a series without a date in it: the series' own years, if known, are all that it tells."""
    scheme = match.scheme
    return [
        Reading(
            scheme=scheme.id,
            title=scheme.title,
            family="serial",
            strength=strength,
            window=WindowSet.of(scheme.years or EVERY),
            precision=Precision.BOUND,
            fields=field_values(match, register.index.letters),
            notes=(*notes, "no date stands in this number: only the years of the series bound it", *scheme.notes),
            sources=scheme.sources,
            revision=scheme.revision,
            timing=Timing.INSTRUMENT,
            maker=scheme.maker,
            before=int(scheme.data.get("before", 0)),
            after=int(scheme.data.get("after", 0)),
        )
    ]


def _warned(match: Match, register: Register, context: Context) -> tuple[str, ...]:
    """The known overlaps, reuses and reissues that this number may belong to.

    A caveat about the whole of a maker's numbering is said only where that maker is given.
    """
    found = []
    slot = match.slot("number", "digits")
    for caveat in register.caveats.get(match.scheme.maker or "", ()):
        if caveat.schemes and match.scheme.id not in caveat.schemes:
            continue
        if caveat.first is None or caveat.last is None:
            if caveat.schemes or context.maker is not None:
                found.append(caveat.text)
        elif slot is not None and _prefixed(match, slot, caveat.prefix):
            if any_between(match.cells(slot), caveat.first, caveat.last):
                found.append(caveat.text)
    return tuple(dict.fromkeys(found))


def _prefixed(match: Match, slot: Slot, prefix: str) -> bool:
    """True when the characters before the running number may be this prefix, and nothing else."""
    before = match.marking.cells[match.start : match.start + slot.start]
    wanted = [BIT[c] for c in prefix if c in BIT]
    return len(before) == len(wanted) and all(cell & bit for cell, bit in zip(before, wanted, strict=True))


def _problem(match: Match, register: Register) -> tuple[Slot, str] | None:
    if "bands" not in match.scheme.data:
        return date_problem(match, register.index.letters) if "undated" not in match.scheme.data else None
    slot = match.slot("number")
    if slot is None or _met(match, register):
        return None
    return slot, f"number {match.text(slot)} lies in no published band of {match.scheme.title}"
