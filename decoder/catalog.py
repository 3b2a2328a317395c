"""Finds the decoder families and puts every one of them to a marking: `decode()`.

Families are the built-in modules and the entry points of the group `partdate.decoders`. Nothing here reads a
clock: today is passed in.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date
from functools import lru_cache, partial
from importlib import import_module
from typing import Final

from decoder.kept import Kept
from decoder.marking import ANY, MARKING_LIMIT, TEXT_LIMIT, Marking, MarkingError
from decoder.scheme.engine import scheme_faults
from decoder.scheme.family import Context, Family
from decoder.scheme.reading import Decoding, NearMiss, Reading, Strength, Timing, union_of
from decoder.tables import Row, Tables, shipped
from decoder.window import Claim, parse_edtf

BUILT_IN: Final = ("source_date", "component_date", "patent", "serial", "stamped_date", "era_mark", "feature")
ENTRY_POINTS: Final = "partdate.decoders"
LONGEST_CODE: Final = 16  # a `*` is filled up to this many characters in all
NEAR_MISSES_SHOWN: Final = 8
NEAR_MISSES_TRIED: Final = 16
CHARACTERS_TRIED: Final = 1_000  # of texts of several words, read again with a change that may mend them
READINGS_OF_STAR: Final = 40  # more are one for each scheme, since every length of the `*` gives readings
READERS_KEPT: Final = 4096  # forms, each on a kind of part, whose readers are remembered at one time
LEGIBLE_BESIDE_STAR: Final = 3  # with fewer, nearly every code of every length fits
TOO_LITTLE_LEGIBLE: Final = (
    "beside a *, or before the first and after the last of several, at least 3 characters must be known: put ? for "
    "each worn one where their number is known"
)
NOTHING_LEGIBLE: Final = "no character of this marking is known: say of the part that its mark is illegible"


class PluginError(TypeError, ValueError):
    """A plug-in that can't be used as a family; the message says which one, and why."""


class UnknownKindError(ValueError):
    """A kind of part that the tables don't know; the message suggests the nearest ones."""


@lru_cache(maxsize=1)
def families() -> tuple[Family, ...]:
    """Every family, built in ones first, then plug-ins in order of their names.

    Raises PluginError for a plug-in that can't be loaded or isn't a family, and for two families of one id.
    """
    found: list[Family] = [import_module(f"decoder.families.{name}").FAMILY for name in BUILT_IN]
    from importlib.metadata import entry_points

    for point in sorted(entry_points(group=ENTRY_POINTS), key=lambda p: p.name):
        try:
            plugged = point.load()
        except (
            Exception
        ) as error:  # whatever its import does: one message that names it, for whoever installed it
            raise PluginError(
                f"plug-in {point.name!r} can't be loaded from {point.value}: {error}"
            ) from error
        missing = [a for a in ("id", "kinds", "long_text", "read", "near_misses") if not hasattr(plugged, a)]
        if missing:
            raise PluginError(f"plug-in {point.name!r} is no family: it lacks {', '.join(missing)}")
        found.append(plugged)
    ids = [family.id for family in found]
    twice = {name for name in ids if ids.count(name) > 1}
    if twice:
        raise PluginError(f"two families are called {', '.join(sorted(twice))}")
    return tuple(found)


def kinds_of(tables: Tables) -> dict[str, Row]:
    """Every kind of part by its id, head to tail."""
    return tables.derived(
        "kinds",
        lambda t: {row["id"]: row for row in sorted(t.table("parts/kinds").rows, key=lambda r: r["place"])},
    )


def kind_of(tables: Tables, name: str) -> str:
    """The id of a kind of part given by id or by a name of the trade, in any case.

    Raises UnknownKindError with the nearest known names.
    """
    names = tables.derived("kind names", _kind_names)
    found = names.get(name) or names.get(_folded(name))
    if found is None:
        near = difflib.get_close_matches(_folded(name), names, n=3, cutoff=0.6)
        meant = " or ".join(dict.fromkeys(repr(names[n]) for n in near))
        hint = f"did you mean {meant}?" if near else "'partdate tables show parts/kinds' lists them all"
        raise UnknownKindError(f"no kind of part is called {name[:60]!r}: {hint}")
    return found


def _kind_names(tables: Tables) -> dict[str, str]:
    made: dict[str, str] = {}
    for row in tables.table("parts/kinds").rows:
        for name in (row["id"], row["title"], *row["aliases"]):
            made.setdefault(_folded(name), row["id"])
    return made | {row["id"]: row["id"] for row in tables.table("parts/kinds").rows}


def _folded(name: str) -> str:
    return " ".join(name.lower().replace("-", " ").replace("_", " ").split())


def text_limit(tables: Tables, kind: str | None) -> int:
    """How many characters a marking of this kind may have: 64, or more for kinds that carry running text."""
    return tables.derived("text limits", _text_limits)[kind] if kind else MARKING_LIMIT


def _text_limits(tables: Tables) -> dict[str, int]:
    return {kind: int(row["text_limit"]) for kind, row in kinds_of(tables).items()}


def decode(
    marking: str,
    *,
    part: str | None = None,
    maker: str | None = None,
    claim: str | Claim | None = None,
    country: str | None = None,
    patent: str | None = None,
    today: date | str | None = None,
    tables: Tables | None = None,
) -> Decoding:
    """Every reading of a marking, ranked, or what almost fitted.

    `part` is a kind of part (id or trade name), `maker` the instrument's maker, `claim` an EDTF period that
    ranks readings and hides none, `country` where the instrument was made, `patent` a patent number that a
    pending mark is known to speak of, `today` the day up to which parts may have been made.

    Raises MarkingError for a marking that can't be taken at all, UnknownKindError for an unknown kind,
    EdtfError for a claim that is no EDTF. A marking that no scheme reads is an answer, not an error.
    """
    facts = tables if tables is not None else shipped()
    kind = kind_of(facts, part) if part else None
    period = parse_claim(facts, claim)
    day = date.fromisoformat(today) if isinstance(today, str) else today
    read = Marking.read(marking, limit=text_limit(facts, kind))
    context = Context(facts, kind, maker, period, country, patent, day)
    return decode_marking(read, context)


def parse_claim(tables: Tables, claim: str | Claim | None) -> Claim | None:
    """A claim given as EDTF text, widened for `~ ? %` by the years that the settings table says."""
    if claim is None or isinstance(claim, Claim):
        return claim
    return parse_edtf(claim, approximate_years=tables.setting("approximate_years"))


def decode_marking(marking: Marking, context: Context) -> Decoding:
    """The decoding of a marking that is read already."""
    if marking.form.stars:
        return _decode_starred(marking, context)
    if marking.form.clear is None and marking.unknown == len(marking.cells):
        return Decoding(marking, (), (), _cautions(context), (NOTHING_LEGIBLE,))
    readings: list[Reading] = []
    running: set[str] = set()
    for family in _readers(marking, context):
        found = family.read(marking, context)
        if found:
            readings += found
            if family.long_text:
                running.add(family.id)
    if len(running) > 1:
        readings = _together(readings, running)
    ranked, notes = _ranked(readings, context)
    if not _almost_tells(ranked, context):
        return Decoding(marking, ranked, (), _cautions(context), notes)
    misses = partial(_near_misses, _families_of(context.part), marking, context)
    return Decoding(marking, ranked, misses, _cautions(context), notes)


def _decode_starred(marking: Marking, context: Context) -> Decoding:
    """The decoding of a marking with a `*`: every family reads it with every number of characters there."""
    if _legible(marking) < LEGIBLE_BESIDE_STAR:
        note = TOO_LITTLE_LEGIBLE if marking.unknown < len(marking.cells) else NOTHING_LEGIBLE
        return Decoding(marking, (), (), _cautions(context), (note,))
    chosen = _families_of(context.part)
    readings: list[Reading] = []
    for family in chosen:
        around = context._replace(seen=set())
        for form in _forms(marking, family):
            readings += family.read(form, around)
    # Where the `*` is longer or shorter, a scheme may say the same once more.
    readings = list({(r.about, r.strength, r.window): r for r in reversed(readings)}.values())[::-1]
    readings = _together(readings, {family.id for family in chosen if family.long_text})
    ranked, notes = _ranked(readings, context, READINGS_OF_STAR)
    return Decoding(marking, ranked, (), _cautions(context), notes)


def _near_misses(families: Iterable[Family], marking: Marking, context: Context) -> tuple[NearMiss, ...]:
    """What the families almost read, the likeliest; two schemes that are mended alike at one place are one.

    Of several words only changes after which something is read are offered: a code that is mended may still not stand
    beside the others. In a long text so few can be tried that later faults are told without a change.
    """
    found = [(miss, family) for family in families for miss in family.near_misses(marking, context)]
    found.sort(key=lambda pair: (pair[0].cost, pair[0].scheme))
    once: dict[object, tuple[NearMiss, Family]] = {}
    for miss, family in found:
        once.setdefault((miss.at, miss.corrections or miss.scheme), (miss, family))
    shown: list[NearMiss] = []
    tries_left = CHARACTERS_TRIED // len(marking.text)
    for miss, family in list(once.values())[:NEAR_MISSES_TRIED]:
        offered: tuple[str, ...] = miss.corrections
        untried: tuple[str, ...] = ()
        if len(marking.words) > 1:
            tried, untried = offered[:tries_left], offered[tries_left:]
            tries_left -= len(tried)
            offered = tuple(text for text in tried if _is_read(text, family, context))
        if offered or untried or not miss.corrections:
            shown.append(replace(miss, corrections=offered))
        if len(shown) == NEAR_MISSES_SHOWN:
            break
    return tuple(shown)


def _is_read(text: str, family: Family, context: Context) -> bool:
    try:
        return bool(family.read(Marking.read(text, limit=max(len(text), TEXT_LIMIT)), context))
    except MarkingError:
        return False


def _legible(marking: Marking) -> int:
    """How many characters beside a `*` are known, whole or in part.

    Those between two `*` don't count, since nobody knows where they stand.
    """
    first, last = marking.stars[0], marking.stars[-1]
    return sum(cell != ANY for cell in (*marking.cells[:first], *marking.cells[last:]))


def _families_of(part: str | None) -> list[Family]:
    return [family for family in families() if part is None or part in family.kinds]


def _readers(marking: Marking, context: Context) -> list[Family]:
    """The families of the kind of part that may read a marking of this form, found once for each form.

    A family without `may_read` is always asked.
    """
    known: Kept[object, tuple[object, list[Family]]] = context.tables.derived(
        "readers", lambda _: Kept(READERS_KEPT)
    )
    key = (marking.form, context.part)
    every = families()
    found = known.get(key)
    if found is None or found[0] is not every:
        asked = [
            family
            for family in _families_of(context.part)
            if not hasattr(family, "may_read") or family.may_read(marking, context)
        ]
        found = (every, asked)
        if marking.form.shared:
            known.keep(key, found)
    return found[1]


def _almost_tells(readings: Sequence[Reading], context: Context) -> bool:
    """Whether near misses say anything: where nothing is read, or weakly alone on a known kind of part; readings come
    strongest first.

    With no kind given, whatever is read weakly almost fits some layout of some other kind.
    """
    if context.part is None:
        return not readings
    return not readings or readings[0].strength is Strength.WEAK


def _forms(marking: Marking, family: Family) -> Iterable[Marking]:
    return (marking,) if family.long_text or not marking.stars else marking.expansions(LONGEST_CODE)


def _together(readings: list[Reading], running: set[str]) -> list[Reading]:
    """Marks of several families in one running text stand together: a patent and a postcode are companions.

    Each reading of one is narrowed by the readings of the others that are as strong and share no character with
    it. Where no day is left the marks can't be of one time: they stay apart, and say so.
    """
    present = sorted({reading.family for reading in readings if reading.family in running})
    if len(present) < 2:
        return readings
    made = [reading for reading in readings if reading.family not in running]
    kept = [[r for r in readings if r.family == family] for family in present]
    joined = kept[0]
    for others in kept[1:]:
        pairs = [(one, other) for one in joined for other in others]
        both = [_companions(one, other) for one, other in pairs if _may_join(one, other)]
        alone = [r for r in (*joined, *others) if not any(r in pair for pair in pairs if _may_join(*pair))]
        joined = [r for each in both for r in each] + alone
    return made + list(dict.fromkeys(joined))


def _may_join(one: Reading, other: Reading) -> bool:
    apart = all(a.at[1] <= b.at[0] or b.at[1] <= a.at[0] for a in one.fields for b in other.fields)
    return apart and one.strength is other.strength and one.strength > Strength.WEAK


def _companions(one: Reading, other: Reading) -> tuple[Reading, ...]:
    days = one.window & other.window
    if not days:
        note = "the marks of this text can't be of one time: they are read apart"
        return one.changed(notes=(note, *one.notes)), other.changed(notes=(note, *other.notes))
    narrower = other if days == other.window else one
    return (
        one.changed(
            title=f"{one.title}; {other.title}",
            window=days,
            fields=(*one.fields, *other.fields),
            notes=(*one.notes, *other.notes),
            sources=tuple(dict.fromkeys((*narrower.sources, *one.sources, *other.sources))),
            granted=one.granted or other.granted,
            timing=Timing.ERA if Timing.ERA in (one.timing, other.timing) else one.timing,
        ),
    )


def _ranked(
    readings: Sequence[Reading], context: Context, most: int | None = None
) -> tuple[tuple[Reading, ...], tuple[str, ...]]:
    """The readings, each once, strongest first; where there are more than `most` (or than the cap of the tables), those
    of one scheme are merged, and a note says so."""
    if len(readings) < 2:
        return tuple(readings), ()
    cap: int = context.tables.setting("readings_cap")
    unique = readings
    notes: tuple[str, ...] = ()
    if len(unique) > cap:
        unique = list(dict.fromkeys(readings))
    if len(unique) > (cap if most is None else min(most, cap)):
        merged = _merged(unique)
        notes = (f"{len(unique)} readings were merged into {len(merged)}, one for each scheme",)
        if len(merged) > cap:
            notes = (f"{notes[0]}; the {cap} strongest are shown",)
        unique = merged
    keyed = _in_order(unique, context.claim)
    if len({order for order, _, _ in keyed}) < len(keyed):  # the same reading twice, perhaps
        keyed = _in_order(list(dict.fromkeys(unique)), context.claim)
    return tuple([reading for _, _, reading in keyed[:cap]]), notes


def _merged(readings: Sequence[Reading]) -> list[Reading]:
    groups: dict[tuple[str, Strength, str | None], list[Reading]] = {}
    for reading in readings:
        groups.setdefault((reading.scheme, reading.strength, reading.maker), []).append(reading)
    return [
        group[0]
        if len(group) == 1
        else group[0].within(union_of([r.window for r in group]), any(r.documented for r in group))
        for group in groups.values()
    ]


Order = tuple[int, int, bool, int, int, str]


def _in_order(readings: Sequence[Reading], claim: Claim | None) -> list[tuple[Order, int, Reading]]:
    """Strongest first; then what the claim allows; then documented years; then the scheme's rank; then time, and last
    the scheme's id; with each its order and its place before."""
    return sorted(
        [
            (
                (
                    -reading.strength,
                    0 if claim is None or reading.window & claim.windows else 1,
                    not reading.documented,
                    reading.rank,
                    reading.window.windows[0].earliest or 0,
                    reading.about.scheme,
                ),
                place,
                reading,
            )
            for place, reading in enumerate(readings)
        ]
    )


def _cautions(context: Context) -> tuple[tuple[str, str], ...]:
    return context.tables.derived("cautions", _cautions_by_kind)[context.part] if context.part else ()


def _cautions_by_kind(tables: Tables) -> dict[str, tuple[tuple[str, str], ...]]:
    rows = tables.table("parts/cautions").rows
    return {
        kind: tuple((row["id"], row["text"]) for row in rows if row["id"] in about["caution"])
        for kind, about in kinds_of(tables).items()
    }


def compile_all(tables: Tables) -> list[str]:
    """Every fault that shows only when schemes are compiled and rows are compared: unknown families, kinds, fields."""
    from decoder.soundness import row_faults

    known = {family.id for family in families()}
    kinds = kinds_of(tables)
    faults = []
    for package in tables.packages():
        for scheme in package.schemes():
            where = f"{package.name}/schemes.toml, scheme {scheme.get('id')}"
            if scheme.get("family") not in known:
                faults.append(
                    f"{where}: no family is called {scheme.get('family')!r}; there are {', '.join(sorted(known))}"
                )
            faults += [
                f"{where}: no kind of part is called {k!r}" for k in scheme.get("kinds", ()) if k not in kinds
            ]
    for name in sorted(known):
        faults += scheme_faults(tables, name)
    return faults + [str(problem) for problem in row_faults(tables)]
