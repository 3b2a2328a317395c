"""Serial numbers: running numbers met with bands, and numbers that carry a date in code.

Bands are rows of a table (first and last number, and the period in which they were used); codes are layouts.
Both are data: a maker is added with a CSV and a few lines of TOML. Numbers compare inside one prefix and one
width only. Each series has a tolerance in months before and after, and a kind of date (stamped, registered,
shipped, model year ...). Sources stand with each row; many are grade M and say so.
"""

from __future__ import annotations

import difflib
import unicodedata
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import accumulate
from typing import Final, NamedTuple

from decoder.kept import Kept
from decoder.marking import BIT, DIGITS, Form, Marking
from decoder.scheme.engine import (
    IGNORED,
    Candidate,
    Dated,
    Entry,
    Index,
    Match,
    Scheme,
    any_between,
    build_index,
    compile_scheme,
    date_problem,
    field_values,
    in_words,
    index_of,
    least_from,
    matches,
    number_span,
    span_of,
    up_to,
    years_of,
    years_up_to,
)
from decoder.scheme.family import Context
from decoder.scheme.layout import YEAR_TYPES, LayoutError, Slot, Variant, compile_layout
from decoder.scheme.nearmiss import near_misses
from decoder.scheme.reading import NearMiss, Precision, Reading, Strength, Timing, Wording
from decoder.tables import Citation, Problem, Row, TableError, Tables
from decoder.window import EMPTY, EVERY, EdtfError, Window, WindowSet, parse_edtf

KINDS: Final = frozenset(
    "serial label neck-plate neck-heel bridge body body-cavity headstock-logo decal hangtag other".split()
)
BANDS_NAMED: Final = 4
BANDS_KEPT: Final = 16  # that one number lies in; kept without a limit, they could grow as a square
YEARS_KEPT: Final = 32768  # what years leave of bands, and whether years are any, remembered at one time
NAMES_KEPT: Final = 1024  # names of makers, as given, whose schemes are remembered at one time
NO_LAST: Final = 10**12  # a band that runs on
NAME_SHOWN: Final = 60  # characters of a maker's name in a message
SHORTEST_NAME: Final = 4  # letters of a known maker that are looked for inside a longer name


@dataclass(frozen=True, slots=True)
class Band:
    """A run of numbers, first to last, and the period in which it was used.

    `layouts` are the forms in which its numbers are written, one for each width; `widths` are these widths.
    """

    first: int
    last: int
    layouts: frozenset[str]
    widths: range
    window: Window
    row: Row
    citations: tuple[Citation, ...]
    days: WindowSet

    @property
    def whole(self) -> bool:
        """Whether it takes every number that can be written: then the prefix alone tells something."""
        return self.first <= 1 and self.last >= 10 ** max(self.widths) - 1


@dataclass(frozen=True, eq=False, slots=True)
class Met:
    """The bands in which a number lies or may lie, and the days that they allow."""

    bands: tuple[Band, ...]
    days: WindowSet

    @classmethod
    def of(cls, bands: Iterable[Band]) -> Met:
        """The bands, with the days of all of them."""
        met = tuple(bands)
        return cls(met, met[0].days if len(met) == 1 else WindowSet.from_iter(band.window for band in met))


NO_BANDS: Final = Met((), EMPTY)


class Bands(NamedTuple):
    """Bands in order of their first numbers, which `firsts` holds; `reach` is the greatest last number so far.

    Between two neighbours of `edges`, where bands begin or have ended, every number lies in the same bands: `between`
    keeps them, once asked for.
    """

    bands: tuple[Band, ...]
    firsts: tuple[int, ...]
    reach: tuple[int, ...]
    edges: tuple[int, ...]
    between: list[Met | None]

    @classmethod
    def of(cls, bands: Iterable[Band]) -> Bands:
        """The bands, put in order."""
        ordered = tuple(sorted(bands, key=lambda band: band.first))
        firsts, lasts = tuple(band.first for band in ordered), [band.last for band in ordered]
        edges = tuple(sorted({*firsts, *(last + 1 for last in lasts)}))
        return cls(ordered, firsts, tuple(accumulate(lasts, max)), edges, [None] * (len(edges) + 1))

    def holding(self, number: int) -> Met:
        """The bands in which a number lies."""
        place = bisect_right(self.edges, number)
        found = self.between[place]
        if found is None:
            inside = self.bands[bisect_left(self.reach, number) : bisect_right(self.firsts, number)]
            found = Met.of(band for band in inside if band.last >= number)
            if len(found.bands) <= BANDS_KEPT:
                self.between[place] = found
        return found

    def met(self, cells: tuple[int, ...], span: tuple[int, int]) -> Met:
        """The bands in which a number of these digits may lie; `span` is their `number_span`."""
        if span[0] == span[1]:
            return self.holding(span[0])
        least, greatest = span
        found = []
        for band in self.bands[bisect_left(self.reach, least) : bisect_right(self.firsts, greatest)]:
            if (
                band.last < greatest and least < band.first
            ):  # of the numbers written, the least from this band on
                least = least_from(cells, band.first) or greatest
            if least <= band.last:
                found.append(band)
        return Met.of(found)


@dataclass(frozen=True, slots=True)
class Caveat:
    """A known overlap, reuse or reissue of numbers of one maker: some schemes, or some numbers, or all of them.

    Where `first` and `last` stand, it speaks of the numbers that are written as the prefix and one of `widths`
    digits, and of no others.
    """

    schemes: tuple[str, ...]
    prefix: tuple[int, ...]
    widths: range
    first: int | None
    last: int | None
    kind: str
    text: str

    def speaks_of(self, marking: Marking) -> bool:
        """Whether the number may be one of those meant; True for a caveat about a whole series."""
        if self.first is None or self.last is None:
            return True
        before, digits = marking.cells[: len(self.prefix)], marking.cells[len(self.prefix) :]
        return (
            len(digits) in self.widths
            and all(cell & bit for cell, bit in zip(before, self.prefix, strict=True))
            and any_between(digits, self.first, self.last)
        )


@dataclass(frozen=True, slots=True)
class Register:
    """The compiled serial schemes, the bands of each scheme, the makers by every name, and the caveats.

    `makers` gives the makers meant by a plain name, `names` the proper name of the one that it belongs to, and
    `remarks` what the makers table says of what is held of a maker. Once asked for are kept: in `series` the bands of
    each scheme, layout and width, in `beside` what a year digit leaves of the bands of a number, in `meant` whether
    the year digits of a code mean any year, and in `indexes` the schemes of the makers meant by a name.
    """

    index: Index
    bands: Mapping[str, tuple[Band, ...]]
    makers: Mapping[str, frozenset[str]]
    names: Mapping[str, str]
    remarks: Mapping[str, str]
    caveats: Mapping[str, tuple[Caveat, ...]]
    series: dict[tuple[str, str, int], Bands] = field(default_factory=dict)
    beside: Kept[object, Met] = field(default_factory=lambda: Kept(YEARS_KEPT))
    meant: Kept[object, bool] = field(default_factory=lambda: Kept(YEARS_KEPT))
    indexes: Kept[str, Index] = field(default_factory=lambda: Kept(NAMES_KEPT))

    def plan(self, form: Form, index: Index, part: str | None) -> Iterator[Way]:
        """The series that a form can be a number of. A number in the bands of one series is one reading, whichever
        prefix a worn one has."""
        known = index is not self.index  # a maker's own
        groups: dict[tuple[str, tuple[int, int] | Entry], list[Try]] = {}
        for candidate in index.fitting(part, form, 0, len(form.cells)):
            entry = candidate.entry
            strength = _strength(entry, known, part)
            years = not entry.slots.keys().isdisjoint(YEAR_TYPES)
            if "bands" not in entry.scheme.data:
                groups[entry.scheme.id, entry] = [Try(candidate, strength, known, years, None)]
            elif "number" in entry.slots:
                slot = entry.slots["number"]
                bands = self.numbers(entry.scheme, entry.variant, slot)
                one = Try(candidate, strength, known, years, bands)
                groups.setdefault((entry.scheme.id, (slot.start, slot.end)), []).append(one)
        for (_, place), tries in groups.items():
            yield _way(tuple(tries), place if isinstance(place, tuple) else None)

    def numbers(self, scheme: Scheme, variant: Variant, slot: Slot) -> Bands:
        """The bands of the running number in a field of a variant: those of the same prefix and width."""
        width = slot.end - slot.start
        bands = self.series.get((scheme.id, variant.layout, width))
        if bands is None:
            derived = not scheme.data.get("layouts")
            bands = self.series[scheme.id, variant.layout, width] = Bands.of(
                band
                for band in self.bands[scheme.id]
                if (variant.layout in band.layouts if derived else width in band.widths)
            )
        return bands

    def beside_year(self, one: Try, marking: Marking, met: Met, last_year: int) -> Met:
        """What the year digit of a marking leaves of the bands in which its number lies."""
        candidate = one.candidate
        key = (candidate.entry, candidate.picks.dated(marking.cells), last_year, met)
        found = self.beside.get(key)
        if found is None:
            found = _of_years(met, _years(candidate.on(marking), self, last_year) or [])
            if marking.form.clear is not None and len(met.bands) <= BANDS_KEPT:  # another will meet the same
                self.beside.keep(key, found, 1 + len(found.bands) + len(found.days))
        return found

    def dates(self, way: Way, marking: Marking, last_year: int) -> tuple[Dated, ...]:
        """The days that a number means by a code which it fits. Most numbers that are none have none of its years."""
        candidate = way.first.candidate
        first, last = years_up_to(way.limits, last_year)
        if marking.form.clear is not None:
            key = (candidate.entry, candidate.picks.years(marking.cells), last)
            is_meant = self.meant.get(key)
            if is_meant is None:
                years = years_of(candidate.on(marking), self.index.letters, Window.years(first, last))
                is_meant = self.meant.keep(key, bool(years))
            if not is_meant:
                return ()
        return self.index.dates(candidate, marking, first, last)

    def makers_called(self, name: str | None) -> frozenset[str] | None:
        """The makers meant by a name (with those works that belong to it); None when no name is given.

        Empty for a maker that no table knows.
        """
        plain = _plain(name or "")
        return self.makers.get(plain, frozenset()) if plain else None

    def maker_like(self, name: str) -> str | None:
        """The known maker whose name comes nearest to an unknown one, or stands inside it."""
        plain = _plain(name[: 4 * NAME_SHOWN])
        inside = [known for known in self.makers if len(known) >= SHORTEST_NAME and known in plain]
        near = [max(inside, key=len)] if inside else difflib.get_close_matches(plain, self.makers, 1, 0.75)
        return self.names[near[0]] if near else None


def _plain(name: str) -> str:
    """A maker's name without case, accents, spaces and points."""
    return "".join(c for c in unicodedata.normalize("NFKD", name).casefold() if c.isalnum())


def _register(tables: Tables) -> Register:
    if any(not package.shipped for package in tables.packages()):
        faults = band_faults(tables)
        if faults:
            raise TableError(tuple(faults))
    plain = build_index(tables, "serial", KINDS)
    words = {name: tuple(entries) for name, entries in plain.letters.items()}
    bands: dict[str, tuple[Band, ...]] = {}
    schemes = [s for s in plain.schemes if "bands" not in s.data]
    for row in tables.schemes("serial"):
        if "bands" in row:
            bands[row["id"]] = _bands(tables, row)
            forms = row.get("layouts") or sorted({form for b in bands[row["id"]] for form in b.layouts})
            schemes.append(replace(compile_scheme(tables, {**row, "layouts": forms}, words, None), data=row))
    dated = tuple(replace(scheme, timing=Timing.INSTRUMENT) for scheme in schemes)
    index = index_of(dated, plain.letters, KINDS)
    makers, names, remarks = _makers(tables, (s.maker for s in schemes if s.maker))
    return Register(index, bands, makers, names, remarks, _caveats(tables))


def _bands(tables: Tables, scheme: Row) -> tuple[Band, ...]:
    """The bands of a scheme. A band without a last number runs to the next of its prefix and width, or on."""
    name = f"{scheme['package']}/{scheme['bands']}"
    table = tables.table(name)
    rows = tables.derived(f"bands of {name}", lambda _: _by_scheme(table.rows)).get(scheme["id"], [])
    firsts: dict[str, list[int]] = {}
    for row in rows:
        for form in _forms(row):
            firsts.setdefault(form, []).append(row["first"])
    for found in firsts.values():
        found.sort()
    bands = []
    for row in rows:
        last, forms = row.get("last"), _forms(row)
        if last is None:
            after = ((firsts[form], bisect_right(firsts[form], row["first"])) for form in forms)
            last = min((found[at] for found, at in after if at < len(found)), default=NO_LAST + 1) - 1
        period = _period(row)
        days = WindowSet.of(period)
        bands.append(Band(row["first"], last, forms, _widths(row), period, row, table.cite(row), days))
    return tuple(bands)


def _by_scheme(rows: Iterable[Row]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(row["scheme"], []).append(row)
    return found


def _widths(row: Row) -> range:
    """How many digits the numbers of a row are written with, leading zeros counted."""
    stated = row.get("digits") or f"{len(str(row['first']))}-{len(str(row.get('last') or row['first']))}"
    least, _, most = stated.partition("-")
    return range(int(least), int(most or least) + 1)


def _forms(row: Row) -> frozenset[str]:
    """The layouts of a band's numbers: its prefix, each width, its suffix. Separators between are optional."""
    prefix, suffix = (
        "~".join((row.get(name) or "").upper().replace("-", " ").split()) for name in ("prefix", "suffix")
    )
    return frozenset(f"{prefix}~{{number:{width}}}~{suffix}".strip("~") for width in _widths(row))


def _period(row: Row) -> Window:
    start = parse_edtf(row["from"]).window if row.get("from") else None
    end = parse_edtf(row["to"]).window if row.get("to") else None
    return Window(start.earliest if start else None, end.latest if end else None)


def band_faults(tables: Tables) -> list[Problem]:
    """What a cell by itself doesn't show in the tables of bands: rows that contradict themselves or serve no scheme."""
    schemes: dict[str, set[str]] = {}
    for row in tables.schemes("serial"):
        if "bands" in row:
            schemes.setdefault(f"{row['package']}/{row['bands']}", set()).add(row["id"])
    faults: list[Problem] = []
    for name, known in sorted(schemes.items()):
        table, file = tables.table(name), _file(tables, name)
        missing = [column for column in ("scheme", "first") if column not in table.columns]
        if missing:
            faults.append(Problem(file or name, 1, missing[0], "", "a table of bands needs this column"))
            continue
        for number, row in enumerate(table.rows, 2):
            faults += [
                Problem(file or name, number if file else 0, *each) for each in _row_faults(row, known)
            ]
        unused = known - {row["scheme"] for row in table.rows}
        faults += [
            Problem(file or name, 0, "scheme", each, "no row of this scheme: it can read nothing")
            for each in sorted(unused)
        ]
    return faults


def _file(tables: Tables, name: str) -> str | None:
    """The file of a table; None for one that others extend, whose rows come from several files."""
    package, _, resource = name.partition("/")
    resources = [(p.name, r) for p in tables.packages() for r in p.descriptor["resources"]]
    if any(r.get("extends") == name for _, r in resources):
        return None
    return next(f"{p}/{r['path']}" for p, r in resources if (p, r["name"]) == (package, resource))


def _row_faults(row: Row, known: set[str]) -> Iterator[tuple[str, str, str]]:
    """The faults of one band: column, value, and what is wrong."""
    first, last = row["first"], row.get("last")
    if row["scheme"] not in known:
        yield (
            "scheme",
            str(row["scheme"]),
            f"no scheme of this id reads these bands; there are {', '.join(sorted(known))}",
        )
    if first is None:
        yield "first", "", "a band needs its first number"
        return
    if last is not None and last < first:
        yield "last", str(last), f"the band ends before it begins ({first})"
    try:
        widths = _widths(row)
        for form in _forms(row):
            tuple(compile_layout(form, {}))
    except (ValueError, LayoutError):
        yield (
            "digits",
            str(row.get("digits")),
            "prefix, digits (6, or 4-7) and suffix make no form of a number",
        )
    else:
        highest = first if last is None else last
        if len(str(highest)) > max(widths, default=0):
            yield "digits", str(row.get("digits")), f"{highest} can't be written with so few digits"
    try:
        _period(row)
    except EdtfError as error:
        yield "from", str(row.get("from")), str(error)
    except ValueError:
        yield "to", str(row.get("to")), f"the period ends before it begins ({row.get('from')})"


Groups = dict[str, frozenset[str]]


def _makers(tables: Tables, named: Iterable[str]) -> tuple[Groups, dict[str, str], dict[str, str]]:
    """The makers by every plain name, the proper name behind each, and the remark on each maker.

    A maker that only a scheme names is known by that name.
    """
    rows = [row for name in tables.ids() if name.endswith("/makers") for row in tables.table(name).rows]
    children: dict[str, set[str]] = {}
    for row in rows:
        if row.get("parent"):
            children.setdefault(row["parent"], set()).add(row["name"])
    made: Groups = {}
    names: dict[str, str] = {}
    for row in rows:
        group = frozenset({row["name"], *children.get(row["id"], ()), *children.get(row["name"], ())})
        for name in (row["id"], row["name"], *(row.get("aliases") or ())):
            made[_plain(name)] = group | made.get(_plain(name), frozenset())
            names.setdefault(_plain(name), row["name"])
    for name in sorted(set(named)):
        made.setdefault(_plain(name), frozenset((name,)))
        names.setdefault(_plain(name), name)
    return made, names, {row["name"]: row["note"] for row in rows if row.get("note")}


def _caveats(tables: Tables) -> dict[str, tuple[Caveat, ...]]:
    made: dict[str, tuple[Caveat, ...]] = {}
    for name in tables.ids():
        if not name.endswith("/overlaps"):
            continue
        for row in tables.table(name).rows:
            caveat = Caveat(
                row["scheme"],
                tuple(BIT[c] for c in (row["prefix"] or "").upper() if c in BIT),
                _widths(row) if row["first"] is not None else range(0),
                row["first"],
                row["last"],
                row["kind"],
                row["warning"],
            )
            made[row["maker"]] = (*made.get(row["maker"], ()), caveat)
    return made


class Try(NamedTuple):
    """One layout of a series, how strong its readings are, and the bands of its numbers; none for a code.

    `known` says that the maker is given, `years` that a year digit stands beside the number.
    """

    candidate: Candidate
    strength: Strength
    known: bool
    years: bool
    bands: Bands | None


class Way(NamedTuple):
    """A series that a form can be a number of: one coded layout, or all prefixes of a run of bands.

    `number` are the cells of the running number; None for a code. `plain` are the bands where nothing beside the
    number can be otherwise: there is one prefix without a digit, and no year digit. `undated` are the days of a code
    that tells none, `limits` the first and the last year of one that does.
    """

    first: Try
    tries: tuple[Try, ...]
    number: tuple[int, int] | None
    plain: Bands | None
    undated: tuple[Dated] | None
    limits: tuple[int, int]


def _way(tries: tuple[Try, ...], number: tuple[int, int] | None) -> Way:
    first = tries[0]
    entry = first.candidate.entry
    scheme = entry.scheme
    alone = len(tries) == 1 and not first.candidate.checks and not first.years
    undated = number is None and scheme.data.get("undated")
    whole = (Dated(WindowSet.of(scheme.years or EVERY), Precision.BOUND),) if undated else None
    return Way(first, tries, number, first.bands if alone else None, whole, span_of(scheme.limits))


@dataclass(frozen=True, slots=True)
class Serial:
    """The family of serial numbers."""

    id: str = "serial"
    kinds: frozenset[str] = KINDS
    long_text: bool = False

    def read(self, marking: Marking, context: Context) -> list[Reading]:
        """Every series whose pattern fits: of the maker given, or of all makers, each named."""
        register = context.tables.derived("serial.register", _register)
        index = _index(context, register)
        seen, last_year = context.seen, context.last_year
        spans: dict[tuple[int, int], tuple[int, int] | None] = {}
        made: list[Reading] = []
        for way in index.plan(marking.form, context.part, register.plan):
            one, number = way.first, way.number
            if number is not None:
                if number in spans:
                    span = spans[number]
                else:
                    span = spans[number] = number_span(marking.cells[number[0] : number[1]])
                if span is None:
                    continue
                if way.plain is None or seen is not None or span[0] != span[1]:
                    made += _in_bands(way, marking, span, register, seen, last_year)
                    continue
                met = way.plain.holding(span[0])
                if met.bands:
                    made.append(_banded(one, marking, register, met))
            elif one.candidate.fits(marking) and (seen is None or _is_new(one.candidate.on(marking), seen)):
                dates = way.undated if way.undated is not None else register.dates(way, marking, last_year)
                if dates:
                    made += _coded(one, marking, register, dates)
        return made

    def may_read(self, marking: Marking, context: Context) -> bool:
        """Whether a marking of this form can be read at all, as a number of any maker."""
        register = context.tables.derived("serial.register", _register)
        return bool(register.index.plan(marking.form, context.part, register.plan))

    def near_misses(self, marking: Marking, context: Context) -> list[NearMiss]:
        """Numbers of the maker given that lie in no band, or whose date can't be; of all makers: none.

        With no maker every number almost fits somebody's series, which tells nothing. With a maker whose numbers
        no table holds, that is said.
        """
        register = context.tables.derived("serial.register", _register)
        wanted = register.makers_called(context.maker)
        if wanted is None:
            return []
        index = _index(context, register)
        if not index.schemes:
            return _not_held(marking, context, register, wanted)

        def explain(match: Match) -> tuple[Slot, str] | None:
            return _problem(match, register, context)

        return near_misses(index, context.tables, context.part, marking, 0, len(marking.cells), explain)


FAMILY: Final = Serial()


def _index(context: Context, register: Register) -> Index:
    """The schemes of the maker given, or of all makers."""
    name = context.maker
    if name is None:
        return register.index
    found = register.indexes.get(name)
    if found is None:
        wanted = register.makers_called(name)
        found = register.index
        if wanted is not None:
            found = context.tables.derived(
                f"serial.index of {sorted(wanted)}", lambda _: register.index.of_makers(wanted)
            )
        if len(name) <= NAME_SHOWN:
            register.indexes.keep(name, found)
    return found


def _is_new(match: Match, seen: set[object]) -> bool:
    """Whether a longer form of a `*` says anything that a shorter one did not: another layout, or other digits.

    A band's prefix and width stand in its layout.
    """
    dated = tuple(match.cells(slot) for slot in match.variant.slots if slot.type not in IGNORED)
    key = (match.scheme.id, match.variant.layout, dated)
    if key in seen:
        return False
    seen.add(key)
    return True


def _not_held(
    marking: Marking, context: Context, register: Register, wanted: frozenset[str]
) -> list[NearMiss]:
    """That the maker's numbers are in no table, where this may be a serial number at all.

    That is where the part carries numbers and a digit stands in it, or where some other maker's series fits.
    """
    name = context.maker or ""
    digit = any(cell & DIGITS for cell in marking.cells)
    fits = any(True for _ in matches(register.index, context.part, marking, 0, len(marking.cells)))
    if not fits and not (digit and context.part is not None):
        return []
    if wanted:
        maker = register.names[_plain(name)]
        remark = f" ({register.remarks[maker]})" if maker in register.remarks else ""
        problem = f"as a serial number it can't be dated: no numbers of {maker} are held here{remark}"
    else:
        like = register.maker_like(name)
        hint = (
            f"did you mean {like}?" if like else "'partdate tables show serials/makers' lists those that are"
        )
        shown = name if len(name) <= NAME_SHOWN else f"{name[:NAME_SHOWN]}..."
        problem = f"as a serial number it can't be dated: no maker called {shown!r} is known here; {hint}"
        if fits:
            problem += "; without a maker, every series that fits is shown"
    return [NearMiss("serial", problem, marking.at(0, len(marking.cells)), cost=0.0)]


def _strength(entry: Entry, known: bool, part: str | None) -> Strength:
    """With no maker given every fitting series is a guess among makers: fair at best.

    Bare digits are weak, unless they are said to be a serial number: some series of some maker holds any of them.
    """
    if known:
        return entry.scheme.strength
    return min(entry.scheme.strength, Strength.WEAK if entry.bare and part != "serial" else Strength.FAIR)


def _guess(known: bool, scheme: Scheme) -> tuple[str, ...]:
    return () if known else (f"the maker is not given: read as a number of {scheme.maker}",)


def _coded(one: Try, marking: Marking, register: Register, dates: tuple[Dated, ...]) -> list[Reading]:
    """A number that carries its date in code, or none at all: then the series' own years are all that it tells."""
    entry = one.candidate.entry
    about, strength, documents = entry.about, one.strength, entry.documents
    return [
        Reading.of(
            about,
            strength,
            dated.window,
            dated.precision,
            documents(dated),
            0,
            (_code_told, (one, marking, register, dated)),
        )
        for dated in dates
    ]


def _code_told(of: tuple[Try, Marking, Register, Dated]) -> Wording:
    one, marking, register, dated = of
    match = one.candidate.on(marking)
    scheme = match.scheme
    caveats = _caveats_of(match, register, one.known)
    undated = scheme.data.get("undated")
    notes = (
        *_guess(one.known, scheme),
        *_tolerance(scheme),
        *dict.fromkeys(caveat.text for caveat in caveats),
        *(("no date stands in this number: only the years of the series bound it",) if undated else ()),
        *one.candidate.entry.notes_on(dated),
    )
    return in_words(scheme, field_values(match, register.index.letters), notes)


def _tolerance(scheme: Scheme) -> tuple[str, ...]:
    """The tolerance of a series in words; none where it has none."""
    before, after = _months(scheme)
    if not before and not after:
        return ()
    if before == after:
        return (f"completed up to {before} months before or after these days: the tolerance of this series",)
    said = [f"{months} months {side}" for months, side in ((before, "before"), (after, "after")) if months]
    return (f"completed up to {' or '.join(said)} these days: the tolerance of this series",)


def _months(scheme: Scheme) -> tuple[int, int]:
    """The tolerance of a series: months before and after."""
    return int(scheme.data.get("before", 0)), int(scheme.data.get("after", 0))


def _years(match: Match, register: Register, last_year: int) -> list[int] | None:
    """The years that a year digit beside the running number allows; None where there is none."""
    if match.slot(*YEAR_TYPES) is None:
        return None
    return years_of(match, register.index.letters, up_to(match.scheme.limits, last_year))


def _of_years(met: Met, years: list[int]) -> Met:
    """What a year digit leaves of some bands: those that it allows, and the days of its years in them."""
    left = Met.of(
        band for band in met.bands if any(band.window.overlaps(Window.year(year)) for year in years)
    )
    if not left.bands:
        return left
    return Met(left.bands, left.days & WindowSet.from_iter(Window.year(year) for year in years))


def _in_bands(
    way: Way,
    marking: Marking,
    span: tuple[int, int],
    register: Register,
    seen: set[object] | None,
    last_year: int,
) -> list[Reading]:
    """The bands of a series in which the number lies, as one reading; `span` is its least and greatest value."""
    start, end = way.number or (0, 0)
    cells = marking.cells[start:end]
    found: list[Try] = []
    met = NO_BANDS
    for one in way.tries:
        candidate = one.candidate
        if one.bands is None or not candidate.fits(marking):
            continue
        if seen is not None and not _is_new(candidate.on(marking), seen):
            continue
        here = one.bands.met(cells, span)
        if here.bands and one.years:
            here = register.beside_year(one, marking, here, last_year)
        if here.bands:
            found.append(one)
            met = here if len(found) == 1 else Met(met.bands + here.bands, met.days | here.days)
    return [_banded(found[0], marking, register, met)] if found else []


def _banded(one: Try, marking: Marking, register: Register, met: Met) -> Reading:
    """The reading of a number that lies in some bands."""
    words = (_band_told, (one, marking, register, met))
    return Reading.of(one.candidate.entry.about, one.strength, met.days, Precision.BAND, True, 0, words)


def _band_told(of: tuple[Try, Marking, Register, Met]) -> Wording:
    one, marking, register, found = of
    met, days = found.bands, found.days
    match = one.candidate.on(marking)
    scheme = match.scheme
    slot = match.slot("number")
    assert slot is not None  # a run of bands has a number
    caveats = _caveats_of(match, register, one.known)
    shown = "; ".join(_band_words(band) for band in met[:BANDS_NAMED])
    if len(met) > BANDS_NAMED:
        shown += f"; and {len(met) - BANDS_NAMED} more bands"
    fields = field_values(match, register.index.letters, {slot.name: shown})
    several = f"the number lies in {len(met)} bands: every one of them is allowed"
    notes = (
        *_guess(one.known, scheme),
        *((several,) if len(met) > 1 else ()),
        *_tolerance(scheme),
        *_dates_are(scheme, met),
        *dict.fromkeys(caveat.text for caveat in caveats),
        *dict.fromkeys(b.row["note"] for b in met[:BANDS_NAMED] if b.row.get("note")),
        *_estimate(match, slot, met, days, caveats),
        *scheme.notes,
    )
    return Wording(fields, notes, tuple(dict.fromkeys(c for band in met for c in band.citations)))


_DATE_KINDS: Final = {
    "stamped": "days of stamping, which comes before completion",
    "registered": "days of entry in a register",
    "shipped": "days of shipping, which comes after completion",
    "invoiced": "days of invoice, which comes after completion",
    "model-year": "model years, which may begin in the calendar year before",
    "ledger": "days of a ledger's entries",
}


def _dates_are(scheme: Scheme, met: tuple[Band, ...]) -> tuple[str, ...]:
    """What the dates of a series are dates of, as the scheme says, or else its bands; nothing if unknown."""
    stated = scheme.data.get("date_kind")
    kinds = {stated} if stated in _DATE_KINDS else {band.row.get("date_kind") for band in met}
    said = [_DATE_KINDS[kind] for kind in sorted(kind for kind in kinds if kind in _DATE_KINDS)]
    return (f"the dates of this series are {', or '.join(said)}",) if said else ()


def _band_words(band: Band) -> str:
    start, end = band.row.get("from") or "..", band.row.get("to") or ".."
    last = "and up" if band.last >= NO_LAST else f"to {band.last}"
    if start == end:
        period = start
    elif end == "..":
        period = f"from {start}"
    else:
        period = f"{start} to {end}"
    return f"{band.first} {last}: {period}"


def _estimate(
    match: Match, slot: Slot, met: tuple[Band, ...], days: WindowSet, caveats: list[Caveat]
) -> tuple[str, ...]:
    """A date by even spacing inside one band: an estimate in words, never a window.

    None for a worn number, for a series that is known to run out of order, for a band that takes every number
    of its prefix, and where a year digit says otherwise.
    """
    cells = match.cells(slot)
    if len(met) != 1 or any(cell & (cell - 1) for cell in cells):
        return ()
    band = met[0]
    start, end = band.window.earliest, band.window.latest
    if start is None or end is None or band.last >= NO_LAST or band.last == band.first or band.whole:
        return ()
    if any(caveat.kind == "out-of-sequence" for caveat in caveats):
        return ()
    number = int("".join(str(cell.bit_length() - 1) for cell in cells))
    day = start + round((end - start) * (number - band.first) / (band.last - band.first))
    if not days.contains(day):
        return ()
    return (
        f"about {date.fromordinal(day):%B %Y} if the numbers of this band were used evenly: "
        "an estimate, not a window",
    )


def _caveats_of(match: Match, register: Register, known: bool) -> list[Caveat]:
    """The known overlaps, reuses and reissues that this number may belong to.

    A caveat about the whole of a maker's numbering is said only where that maker is given.
    """
    return [
        caveat
        for caveat in register.caveats.get(match.scheme.maker or "", ())
        if (match.scheme.id in caveat.schemes if caveat.schemes else known or caveat.first is not None)
        and caveat.speaks_of(match.marking)
    ]


def _problem(match: Match, register: Register, context: Context) -> tuple[Slot, str] | None:
    """Why a number of the right form is none of this series; None when it is one."""
    scheme = match.scheme
    if "bands" not in scheme.data:
        if scheme.data.get("undated"):
            return None
        return date_problem(match, register.index.letters, up_to(scheme.limits, context.last_year))
    slot = match.slot("number")
    if slot is None:
        return None
    cells = match.cells(slot)
    span = number_span(cells)
    met = register.numbers(scheme, match.variant, slot).met(cells, span) if span else NO_BANDS
    years = _years(match, register, context.last_year)
    if not met.bands:
        return slot, f"number {match.text(slot)} lies in no published band of {scheme.title}"
    if years is None or _of_years(met, years).bands:
        return None
    digit = match.slot(*YEAR_TYPES)
    assert digit is not None  # without a year digit every band is met
    shown = "; ".join(_band_words(band) for band in met.bands[:BANDS_NAMED])
    return digit, f"year {match.text(digit)} doesn't go with number {match.text(slot)} ({shown})"
