"""How answers are laid out on a page: kinds in sections, fields over the characters, readings side by side.

Everything here takes what `as_dict()` of the core gives and puts it in order; nothing is worked out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any, Final

from decoder.catalog import UnknownKindError, families, kind_of, kinds_of
from decoder.tables import Row, Tables

# Where a section of the list of kinds begins, from head to tail; the words for each stand in the template.
SECTIONS: Final = {
    "headstock-logo": "head",
    "nut": "neck",
    "body": "body",
    "pickup": "electrics",
    "bridge": "hardware",
    "case": "papers",
    "speaker": "amplifier",
    "other": "other",
}
READINGS_SHOWN: Final = 6  # groups of readings; the rest can be opened
NOTES_SHOWN: Final = 3  # notes of a group, likewise


def known_kind(tables: Tables, name: str) -> str | None:
    """The id of a kind of part given by id or trade name; None for an unknown one, and for nothing."""
    try:
        return kind_of(tables, name) if name else None
    except UnknownKindError:
        return None


@dataclass(frozen=True, slots=True)
class Section:
    """A section of the list of kinds, with its kinds from head to tail."""

    id: str
    kinds: tuple[Row, ...]


def sections(tables: Tables) -> tuple[Section, ...]:
    """All kinds of part, head to tail, in sections; a kind without a section of its own stays with the one before."""
    return tables.derived("sections of kinds", _sections)


def _sections(tables: Tables) -> tuple[Section, ...]:
    found: dict[str, list[Row]] = {}
    current = "head"
    for kind, row in kinds_of(tables).items():
        current = SECTIONS.get(kind, current)
        found.setdefault(current, []).append(row)
    return tuple(Section(name, tuple(rows)) for name, rows in found.items())


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution of the bench; `head` is its first sentence, which is always in sight."""

    id: str
    head: str
    rest: str
    topics: tuple[str, ...] = ()


def cautions(tables: Tables, kind: str | None = None) -> tuple[Caution, ...]:
    """The cautions for a kind of part, or all of them."""
    by_id = tables.derived("cautions of the page", _cautions)
    return (
        tuple(by_id.values())
        if kind is None
        else tuple(by_id[name] for name in kinds_of(tables)[kind]["caution"] if name in by_id)
    )


def cautions_about(tables: Tables, act: str) -> tuple[Caution, ...]:
    """The cautions that name an act or a feature among their topics: a look at a finish under UV, a heated test."""
    name = "-".join(act.casefold().replace("_", " ").replace("-", " ").split())
    return tuple(one for one in cautions(tables) if name and name in one.topics)


def acts(tables: Tables) -> tuple[str, ...]:
    """The topics of all cautions, in their order."""
    return tuple(dict.fromkeys(topic for one in cautions(tables) for topic in one.topics))


def _cautions(tables: Tables) -> dict[str, Caution]:
    return {row["id"]: caution_of(row) for row in tables.table("parts/cautions").rows}


def caution_of(row: Mapping[str, Any]) -> Caution:
    """A caution as it stands in JSON or in the table, with its first sentence apart."""
    head, dot, rest = str(row["text"]).partition(". ")
    return Caution(row["id"], head + dot.strip(), rest, tuple(row.get("topics") or ()))


@dataclass(frozen=True, slots=True)
class Segment:
    """A run of characters of a marking, with the fields that a reading sees in it (none for what it passes over)."""

    text: str
    fields: tuple[Mapping[str, Any], ...] = ()


def segments(
    marking: str, fields: Iterable[Mapping[str, Any]]
) -> tuple[list[Segment], list[Mapping[str, Any]]]:
    """The marking cut at the fields of a reading, and the fields that have no characters of their own.

    Fields of the very same characters share a segment. A field that overlaps one before it is given back with
    those without characters.

    >>> cut, _ = segments("137-612", [{"name": "week", "at": [5, 7]}, {"name": "source", "at": [0, 3]}])
    >>> [(s.text, len(s.fields)) for s in cut]
    [('137', 1), ('-6', 0), ('12', 1)]
    """
    made: list[Segment] = []
    apart: list[Mapping[str, Any]] = []
    done = 0
    ordered = sorted(fields, key=lambda one: tuple(one["at"]))
    for (first, last), group in groupby(ordered, key=lambda one: tuple(one["at"])):
        shared = tuple(group)
        if first < done or first >= last:
            apart += shared
            continue
        if first > done:
            made.append(Segment(marking[done:first]))
        made.append(Segment(marking[first:last], shared))
        done = last
    if done < len(marking):
        made.append(Segment(marking[done:]))
    return made, apart


@dataclass(slots=True)
class Group:
    """Readings that differ in their windows alone: one drawing, then a line for each window."""

    reading: Mapping[str, Any]
    windows: list[Mapping[str, Any]] = field(default_factory=list)


def groups(readings: Sequence[Mapping[str, Any]]) -> list[Group]:
    """The readings in their order; neighbours that differ in window, grant and notes alone stand together.

    The notes of a group's first reading that all share are the group's; each line keeps those of its own.
    """
    made: list[Group] = []
    for _, same in groupby(readings, key=_likeness):
        together = list(same)
        shared = [note for note in together[0]["notes"] if all(note in one["notes"] for one in together)]
        lines: list[Mapping[str, Any]] = [
            {**one, "notes": [note for note in one["notes"] if note not in shared]} for one in together
        ]
        made.append(Group({**together[0], "notes": shared}, lines))
    return made


def _likeness(reading: Mapping[str, Any]) -> tuple[Any, ...]:
    fields = [(f["name"], f["text"], f["value"], tuple(f["at"])) for f in reading["fields"]]
    return (reading["scheme"], reading["strength"], reading.get("maker"), fields)


def by_strength(decoding: Mapping[str, Any]) -> list[tuple[str, list[Group]]]:
    """The groups of readings under their strengths, strongest first, as the decoding ranks them."""
    return [
        (strength, groups(list(same)))
        for strength, same in groupby(decoding["readings"], key=lambda reading: str(reading["strength"]))
    ]


def sources(reading: Mapping[str, Any]) -> list[Mapping[str, str]]:
    """The sources of a reading, each title and grade once, in their order."""
    return list({(source["title"], source["grade"]): source for source in reading["sources"]}.values())


GUESSES_SHOWN: Final = 4


def guesses(tables: Tables, decoding: Mapping[str, Any]) -> tuple[Row, ...]:
    """The few kinds of part that a marking may stand on by its strongest readings; none where the mark leaves it open.

    A scheme names the kinds that it is for, and the register of sources what each holder made. One kind alone is a
    guess made plain by the answer; it is offered, and bends no reading.
    """
    best = next(iter(decoding["readings"]), None)
    if best is None:
        return ()
    found: set[str] = set()
    for reading in decoding["readings"]:
        if reading["strength"] == best["strength"]:
            found |= _may_stand_on(tables, reading)
    known = kinds_of(tables)
    chosen = tuple(row for kind, row in known.items() if kind in found)
    return chosen if len(chosen) <= GUESSES_SHOWN else ()


def _may_stand_on(tables: Tables, reading: Mapping[str, Any]) -> set[str]:
    """The kinds of one reading; every kind where nothing is known."""
    kinds, made = tables.derived("kinds of schemes and sources", _scheme_kinds)
    found = kinds.get(reading["scheme"]) or set(kinds_of(tables))
    for one in reading["fields"]:
        if one["name"] == "source" and made.get(one["text"]):
            found = found & made[one["text"]] or found
    return found


def _scheme_kinds(tables: Tables) -> tuple[dict[str, set[str]], dict[str, set[str]]]:
    kinds = {
        scheme["id"]: set(scheme.get("kinds", ()))
        for family in families()
        for scheme in tables.schemes(family.id)
    }
    made: dict[str, set[str]] = {}
    if "eia/source-codes" in tables.ids():
        for row in tables.table("eia/source-codes").rows:
            made.setdefault(row["code"], set()).update(row["made"] or ())
    return kinds, made
