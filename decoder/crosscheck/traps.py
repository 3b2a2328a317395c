"""Traps: marks that suit a claim and say nothing for it. Reissues, copies, shared numbers, digits of several decades.

Each trap is a row of `traps/traps`: what sets it off (one of `Trigger`), what is said and why, source and grade.
A trap is a warning and never a verdict. Of the rows on undocumented years the first that speaks of a part holds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any, Final

from decoder.crosscheck.verdict import Evidence, Verdict, Weighed
from decoder.crosscheck.wording import listed
from decoder.tables import Citation, Row, Table, Tables
from decoder.window import EMPTY, EVERY, Claim, Window, WindowSet, parse_edtf

TABLE: Final = "traps/traps"
OVERLAPS: Final = "/overlaps"  # tables of numbers that lines of one maker share
SHARED: Final = frozenset({"reissue", "reuse"})
SUITS: Final = frozenset({Verdict.FITS, Verdict.OLD_STOCK})
NAMED: Final = 6
WORN: Final = frozenset("?[*")


class Trigger(Enum):
    """What sets off a trap."""

    UNDOCUMENTED_YEARS = "undocumented-years"
    SHARED_NUMBER = "shared-number"
    COPIED_SCHEME = "copied-scheme"
    PATENT_AFTER_CLAIM = "patent-after-claim"
    CODES_TOO_GOOD = "codes-too-good"
    SAME_WEAR = "same-wear"


@dataclass(frozen=True, slots=True)
class Trap:
    """A trap that was set off: the row's id and title, the parts, what is said and why, and the sources."""

    id: str
    title: str
    parts: tuple[str, ...]
    text: str
    why: str
    sources: tuple[Citation, ...]

    @property
    def warning(self) -> str:
        """The trap as a warning, with its sources and their grades."""
        cited = "; ".join(f"{source.title} [{source.grade}]" for source in self.sources)
        return f"{self.title}. {self.text} {self.why} Source: {cited}."

    def as_dict(self) -> dict[str, Any]:
        """The trap as it stands in JSON."""
        return {
            "trap": self.id,
            "title": self.title,
            "parts": list(self.parts),
            "text": self.text,
            "why": self.why,
            "sources": [source.as_dict() for source in self.sources],
        }


@dataclass(frozen=True, slots=True)
class Sprung:
    """What sets off a row: the parts, the other words of its text, and sources besides the row's own."""

    parts: tuple[Evidence, ...]
    later: tuple[Evidence, ...] = ()
    said: str = ""
    sources: tuple[Citation, ...] = ()


@dataclass(frozen=True, slots=True)
class Scene:
    """What a trap is looked for in: the parts that count as evidence, the claim, and the tables."""

    parts: tuple[Evidence, ...]
    claim: Claim | None
    tables: Tables


def traps_of(evidence: Iterable[Evidence], claim: Claim | None, tables: Tables) -> tuple[Trap, ...]:
    """The traps that the parts of a sheet set off, in the order of the table."""
    parts = tuple(sorted((one for one in evidence if not one.part.disclosed), key=lambda one: one.part.id))
    scene = Scene(parts, claim, tables)
    table = tables.table(TABLE)
    spoken: set[tuple[Trigger, str]] = set()
    found = []
    for row in table.rows:
        trigger = Trigger(row["trigger"])
        for sprung in _FINDERS[trigger](row, scene):
            fresh = tuple(one for one in sprung.parts if (trigger, one.part.id) not in spoken)
            if len(fresh) < (row["least"] or 1):
                continue
            found.append(_trap(row, table, sprung, fresh, claim))
            if trigger is Trigger.UNDOCUMENTED_YEARS:  # the rows go from the narrow to the wide
                spoken |= {(trigger, one.part.id) for one in fresh}
    return tuple(found)


def _trap(row: Row, table: Table, sprung: Sprung, parts: Sequence[Evidence], claim: Claim | None) -> Trap:
    text = row["text"]
    words = {
        "{parts}": _ids(parts),
        "{later}": _ids(sprung.later),
        "{claim}": claim.text if claim is not None else "",
        "{said}": sprung.said,
    }
    for name, word in words.items():
        text = text.replace(name, word)
    sources = tuple(dict.fromkeys((*sprung.sources, *table.cite(row))))
    return Trap(row["id"], row["title"], tuple(one.part.id for one in parts), text, row["why"], sources)


Finder = Callable[[Row, Scene], Iterator[Sprung]]


def _undocumented_years(row: Row, scene: Scene) -> Iterator[Sprung]:
    """Parts that suit the claim only by readings outside the documented years of their layouts."""
    parts = []
    for one in _of_kinds(row, scene):
        suiting = [weighed for weighed in one.weighed if weighed.verdict in SUITS]
        if suiting and all(not each.reading.documented and _has_field(row, each) for each in suiting):
            parts.append(one)
    if parts:
        yield Sprung(tuple(parts))


def _shared_number(row: Row, scene: Scene) -> Iterator[Sprung]:
    """Numbers that suit the claim, and that a line of other years shares by the tables of overlaps.

    The reading itself has the row's warning among its notes, where its number is one of those that are shared.
    """
    shared = scene.tables.derived("crosscheck-shared-numbers", _shared)
    told: dict[str, list[Evidence]] = {}
    for one in _of_kinds(row, scene):
        notes = {note for each in one.weighed if each.verdict in SUITS for note in each.reading.notes}
        for warning in sorted(notes & shared.keys()):
            told.setdefault(warning, []).append(one)
    for warning, parts in sorted(told.items()):
        years, sources = shared[warning]
        if all(_apart(window, scene.claim) for window in years):
            yield Sprung(tuple(parts), said=warning, sources=sources)


def _shared(tables: Tables) -> dict[str, tuple[WindowSet, tuple[Citation, ...]]]:
    """Every warning of numbers that a reissue or another line shares, with the years of the line and the sources."""
    found: dict[str, tuple[WindowSet, tuple[Citation, ...]]] = {}
    for name in tables.ids():
        if not name.endswith(OVERLAPS):
            continue
        table = tables.table(name)
        for row in table.rows:
            if row["kind"] in SHARED:
                years, sources = found.get(row["warning"], (EMPTY, ()))
                years |= WindowSet.of(_span(row["from"], row["to"]))
                found[row["warning"]] = (years, tuple(dict.fromkeys((*sources, *table.cite(row)))))
    return found


def _copied_scheme(row: Row, scene: Scene) -> Iterator[Sprung]:
    """Readings of schemes that another line copies, where they suit a claim that lies outside the copies' years."""
    if not _apart(parse_edtf(row["years"]).window if row["years"] else EVERY, scene.claim):
        return
    parts = tuple(
        one
        for one in _of_kinds(row, scene)
        if any(
            weighed.verdict in SUITS and weighed.reading.scheme in row["schemes"] for weighed in one.weighed
        )
    )
    if parts:
        yield Sprung(parts)


def _patent_after_claim(row: Row, scene: Scene) -> Iterator[Sprung]:
    """Patent numbers of which every reading in force was granted after the claim."""
    last = scene.claim.window.latest if scene.claim is not None else None
    if last is None:
        return
    parts = []
    for one in _of_kinds(row, scene):
        grants = [weighed.reading.granted for weighed in one.weighed]
        if grants and all(g is not None and g.earliest is not None and g.earliest > last for g in grants):
            parts.append(one)
    if parts:
        yield Sprung(tuple(parts))


def _codes_too_good(row: Row, scene: Scene) -> Iterator[Sprung]:
    """Several parts dated closely inside the claim, beside a part whose mark is later than the claim."""
    if scene.claim is None:
        return
    close = tuple(
        one for one in _of_kinds(row, scene) if _inside(one.windows, scene.claim, row["widest"] or 1)
    )
    later = tuple(
        one for one in scene.parts if one.part.kind in row["later"] and one.verdict is Verdict.TOO_NEW
    )
    if close and later:
        yield Sprung(close, later)


def _same_wear(row: Row, scene: Scene) -> Iterator[Sprung]:
    """Parts of one kind that are entered with the same mark, worn in the same places."""
    alike: dict[tuple[str, str], list[Evidence]] = {}
    for one in _of_kinds(row, scene):
        marking = one.part.marking
        if marking is not None and WORN & set(marking):
            alike.setdefault((one.part.kind, " ".join(marking.upper().split())), []).append(one)
    for _, parts in sorted(alike.items()):
        if len(parts) > 1:
            yield Sprung(tuple(parts))


_FINDERS: Final[dict[Trigger, Finder]] = {
    Trigger.UNDOCUMENTED_YEARS: _undocumented_years,
    Trigger.SHARED_NUMBER: _shared_number,
    Trigger.COPIED_SCHEME: _copied_scheme,
    Trigger.PATENT_AFTER_CLAIM: _patent_after_claim,
    Trigger.CODES_TOO_GOOD: _codes_too_good,
    Trigger.SAME_WEAR: _same_wear,
}


def _of_kinds(row: Row, scene: Scene) -> Iterator[Evidence]:
    return (one for one in scene.parts if not row["kinds"] or one.part.kind in row["kinds"])


def _has_field(row: Row, weighed: Weighed) -> bool:
    return row["field"] is None or any(field.name == row["field"] for field in weighed.reading.fields)


def _span(first: str | None, last: str | None) -> Window:
    begins = parse_edtf(first).window.earliest if first else None
    return Window(begins, parse_edtf(last).window.latest if last else None)


def _apart(years: Window, claim: Claim | None) -> bool:
    """Whether the claim leaves out these years altogether; without a claim nothing is apart."""
    return claim is not None and not any(years.overlaps(window) for window in claim.windows)


def _inside(windows: WindowSet, claim: Claim, widest: int) -> bool:
    """Whether one of the windows lies in the claim, and none is wider than so many days."""
    if not all(window.width_days is not None and window.width_days <= widest for window in windows):
        return False
    return any(WindowSet.of(window).issubset(claim.windows) for window in windows)


def _ids(parts: Sequence[Evidence]) -> str:
    names = [one.part.id for one in parts]
    return listed([*names[:NAMED], f"{len(names) - NAMED} more"] if len(names) > NAMED else names)
