"""What almost fitted a layout: the one field that failed, why, and the one-character changes that mend it.

Lookalike characters (0 and O, 6 and 8 ...) come from a table with costs. They order the corrections offered
here and are used nowhere else: no reading is ever made from a character that was not on the part.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Final

from decoder.marking import BIT, CHARACTER, DIGITS, DOT, HYPHEN, SLASH, SPACE, Marking, chars_of
from decoder.scheme.engine import Index, Match, Scheme, separators_fit
from decoder.scheme.layout import Slot, Variant
from decoder.scheme.reading import NearMiss, Strength
from decoder.tables import Tables

CORRECTIONS_SHOWN: Final = 6
SEPARATOR_COST: Final = 0.5  # between a likely misreading and an unlikely one
UNLIKE: Final = 1.0  # the cost of taking one character for another that doesn't look like it
_SIGNS: Final = {HYPHEN: "-", DOT: ".", SLASH: "/", SPACE: " "}

Explain = Callable[[Match], tuple[Slot, str] | None]


def lookalikes(tables: Tables) -> Mapping[tuple[str, str], float]:
    """The cost of taking one character for another, both ways, from `parts/lookalikes`."""
    return tables.derived("lookalikes", _lookalikes)


def _lookalikes(tables: Tables) -> dict[tuple[str, str], float]:
    costs: dict[tuple[str, str], float] = {}
    for row in tables.table("parts/lookalikes").rows:
        for pair in ((row["a"], row["b"]), (row["b"], row["a"])):
            costs[pair] = min(row["cost"], costs.get(pair, UNLIKE))
    return costs


def near_misses(
    index: Index, tables: Tables, kind: str | None, marking: Marking, start: int, end: int, explain: Explain
) -> list[NearMiss]:
    """The variants of the right length in which exactly one field, or one fixed character, fails.

    `explain` says of a match which field's value can't be and why (week 60, month 13), or None when all is well.
    """
    costs = lookalikes(tables)
    found: list[NearMiss] = []
    for entry in index.candidates(kind, end - start):
        miss = _miss(entry.scheme, entry.variant, marking, start, end, explain, costs)
        if miss is not None:
            found.append(miss)
    return sorted(found, key=lambda miss: (miss.cost, miss.scheme))


def _miss(
    scheme: Scheme,
    variant: Variant,
    marking: Marking,
    start: int,
    end: int,
    explain: Explain,
    costs: Mapping[tuple[str, str], float],
) -> NearMiss | None:
    cells = marking.cells[start:end]
    common = tuple(map(int.__and__, cells, variant.masks))
    wrong = common.count(0)
    if wrong > 1:
        return None
    if not separators_fit(variant, marking.seps[start:end]):
        return None if wrong else _separator_miss(scheme, variant, marking, start, end, explain)
    match = Match(scheme, variant, marking, start)
    if wrong:
        place = common.index(0)
        slot = _slot_at(variant, place)
        shown = marking.shown(start + place, start + place + 1)
        name = slot.name.replace("_", " ") if slot else "fixed character"
        wanted = chars_of(variant.masks[place])
        problem = f"{shown!r} can't stand in the {name}: {_wanted(wanted)} is needed there"
        at = marking.at(start + place, start + place + 1)
        tries = _tries(match, [place], explain, costs)
    else:
        reason = explain(match)
        if reason is None:
            return None
        failed, problem = reason
        at = match.at(failed)
        tries = _tries(match, list(range(failed.start, failed.end)), explain, costs)
        if not tries:  # a date can fail as a whole: 31 February is mended in the day or in the month
            others = [p for s in variant.slots if s is not failed for p in range(s.start, s.end)]
            tries = _tries(match, others, explain, costs)
    if not tries:
        return None
    corrections = tuple(text for _, text in tries[:CORRECTIONS_SHOWN])
    return NearMiss(scheme.id, problem, at, corrections, tries[0][0] + _doubt(scheme))


def _wanted(characters: str) -> str:
    if characters == chars_of(DIGITS):
        return "a digit"
    if len(characters) == 26:
        return "a letter"
    return " or ".join(characters) if len(characters) <= 4 else f"one of {characters}"


def _slot_at(variant: Variant, place: int) -> Slot | None:
    for slot in variant.slots:
        if slot.start <= place < slot.end:
            return slot
    return None


def _separator_miss(
    scheme: Scheme, variant: Variant, marking: Marking, start: int, end: int, explain: Explain
) -> NearMiss | None:
    """A separator inside a field, mended by leaving it out, or one of the wrong kind, mended by the right one."""
    places = zip(range(start + 1, end), variant.allowed[1:], variant.required[1:], strict=True)
    faults = [
        (place, required)
        for place, allowed, required in places
        if marking.seps[place] & ~allowed or (required and not marking.seps[place] & required)
    ]
    (place, required), *others = faults
    if others or not marking.seps[place] or explain(Match(scheme, variant, marking, start)) is not None:
        return None
    first, last = marking.spans[place - 1][1], marking.spans[place][0]
    wanted = _SIGNS.get(required, "")
    mended = marking.text[:first] + wanted + marking.text[last:]
    slot = _slot_at(variant, place - start)
    name = slot.name.replace("_", " ") if slot else "code"
    problem = f"a separator stands inside the {name}"
    if wanted:
        problem = f"{marking.text[first:last]!r} stands before the {name}, where {wanted!r} is needed"
    return NearMiss(scheme.id, problem, (first, last), (mended,), SEPARATOR_COST + _doubt(scheme))


def _doubt(scheme: Scheme) -> float:
    """A near miss of a scheme that is weak evidence even when it fits comes after the others."""
    return UNLIKE * (Strength.STRONG - scheme.strength)


def _tries(
    match: Match, places: list[int], explain: Explain, costs: Mapping[tuple[str, str], float]
) -> list[tuple[float, str]]:
    """The first texts that one changed character would mend, cheapest misreading first."""
    marking = match.marking
    found: list[tuple[float, str]] = []
    for cost, place, character in sorted(_changes(match, places, costs)):
        at = match.start + place
        changed = _changed(marking, at, BIT[character])
        if explain(Match(match.scheme, match.variant, changed, match.start)) is None:
            first, last = marking.spans[at]
            found.append((cost, marking.text[:first] + character + marking.text[last:]))
            if len(found) == CORRECTIONS_SHOWN:
                break
    return found


def _changes(
    match: Match, places: list[int], costs: Mapping[tuple[str, str], float]
) -> Iterator[tuple[float, int, str]]:
    """Every change of one clear character to another that the layout allows there, with its cost."""
    marking = match.marking
    for place in places:
        at = match.start + place
        cell = marking.cells[at]
        if cell not in CHARACTER:
            continue  # a worn character is a set already; another choice of it is no correction
        if marking.spans.count(marking.spans[at]) > 1:
            continue  # one sign that stands for several characters, such as a roman numeral, changes as a whole
        stands = CHARACTER[cell]
        for character in chars_of(match.variant.masks[place]):
            if character != stands:
                yield costs.get((stands, character), UNLIKE), place, character


def _changed(marking: Marking, at: int, mask: int) -> Marking:
    cells = (*marking.cells[:at], mask, *marking.cells[at + 1 :])
    return Marking(marking.text, cells, marking.form)
