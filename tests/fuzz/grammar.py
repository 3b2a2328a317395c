"""Markings drawn from what the shipped tables say: layouts with their letter tables, bands, wordings and examples.

A template is a row of choices, one a place, so that a marking costs a few microseconds: the full run draws ten
million. Nothing here asks the decoder what it makes of a marking.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from random import Random
from typing import Any, Final

from decoder.catalog import families, kinds_of
from decoder.marking import COMMA, DOT, HYPHEN, OTHER_SEP, SLASH, SPACE, chars_of
from decoder.scheme.engine import build_index
from decoder.scheme.layout import LayoutError, Variant, compile_layout
from decoder.tables import Tables, shipped

Choices = Sequence[str]
SIGNS: Final = {SPACE: " ", HYPHEN: "-", DOT: ".", SLASH: "/", COMMA: ",", OTHER_SEP: ":"}
VARIANTS_A_SCHEME: Final = 60  # of the many fixed lengths of one layout, evenly drawn
LONG_TEXTS: Final = 1_500  # wordings and examples for label text


@dataclass(frozen=True, slots=True)
class Template:
    """One way of writing: what may stand at each place, and the kinds of part that bear it (none: any)."""

    places: tuple[Choices, ...]
    kinds: tuple[str, ...] = ()

    def drawn(self, rng: Random) -> str:
        random = rng.random
        return "".join([place[int(random() * len(place))] for place in self.places])


@dataclass(frozen=True, slots=True)
class Grammar:
    """Every template, and what else may be given with a marking."""

    templates: tuple[Template, ...]
    kinds: tuple[str, ...]
    makers: tuple[str, ...]

    def drawn(self, rng: Random) -> tuple[str, tuple[str, ...]]:
        """A marking, and the kinds of part that bear such a one."""
        template = self.templates[int(rng.random() * len(self.templates))]
        return template.drawn(rng), template.kinds


@cache
def grammar() -> Grammar:
    tables = shipped()
    return Grammar(
        (*_laid_out(tables), *_banded(tables), *_quoted(tables), *_worded(tables)),
        tuple(kinds_of(tables)),
        tuple(sorted({row["name"] for row in tables.table("serials/makers").rows})),
    )


def _laid_out(tables: Tables) -> Iterator[Template]:
    """The layouts of all schemes; a scheme has the same weight however many forms it has."""
    for family in families():
        for scheme in _schemes(tables, family.id, family.kinds):
            variants = scheme.variants
            step = max(1, len(variants) // VARIANTS_A_SCHEME)
            kinds = tuple(sorted(scheme.kinds or ()))
            for variant in variants[::step]:
                yield Template(tuple(_places(variant)), kinds)


def _schemes(tables: Tables, family: str, kinds: Iterable[str]) -> Iterable[Any]:
    """The compiled schemes of a family; serials compile theirs with words of their own, so theirs are tried alone."""
    try:
        yield from build_index(tables, family, kinds).schemes
    except LayoutError:
        for row in tables.schemes(family):
            for layout in row.get("layouts", ()):
                try:
                    yield _Plain(compile_layout(layout, {}), frozenset(row.get("kinds", ())))
                except LayoutError:
                    continue


@dataclass(frozen=True, slots=True)
class _Plain:
    variants: tuple[Variant, ...]
    kinds: frozenset[str]


def _places(variant: Variant) -> Iterator[Choices]:
    for place, mask in enumerate(variant.masks):
        signs = [sign for bit, sign in SIGNS.items() if variant.allowed[place] & bit]
        if variant.required[place]:
            yield [sign for bit, sign in SIGNS.items() if variant.required[place] & bit]
        elif signs:
            yield ["", "", "", *signs]
        yield chars_of(mask)


def _banded(tables: Tables) -> Iterator[Template]:
    """Serial numbers within each band and a little past its ends."""
    for row in tables.table("serials/bands").rows:
        first, last = row["first"] or 0, row["last"] or (row["first"] or 0) + 5_000
        width = int((row["digits"] or "1").partition("-")[0] or 1)
        step = max(1, (last - first) // 40)
        numbers = [str(n).zfill(width) for n in range(max(0, first - 1), last + 2, step)]
        yield Template(
            ((row["prefix"] or "",), ("", "", "-", " "), numbers, (row["suffix"] or "",)), ("serial",)
        )


def _quoted(tables: Tables) -> Iterator[Template]:
    """Every published example, as it is printed."""
    columns = ("marking", "serial", "example", "counter_example", "written", "text")
    kinds = kinds_of(tables)
    for name in tables.ids():
        table = tables.table(name)
        for column in (column for column in columns if column in table.columns):
            for row in table.rows:
                if row[column] and isinstance(row[column], str):
                    kind = row.get("part")
                    yield Template(
                        ((row[column],),), (kind,) if isinstance(kind, str) and kind in kinds else ()
                    )


def _worded(tables: Tables) -> Iterator[Template]:
    """Patent wordings with numbers and years, names of months, and words printed beside a code."""
    numbers = [f"{n:,}" for n in range(1, 4_400_000, 44_321)] + [
        str(n) for n in range(100_000, 4_000_000, 99_991)
    ]
    label = ("label", "tuner", "pickup", "decal")
    wordings = [row["wording"] for row in tables.table("patents/wordings").rows]
    for wording in wordings[:LONG_TEXTS]:
        yield Template(
            ((wording,), (" ", " NO. ", ". ", "-", ""), numbers, ("", "", " AND ", ", "), numbers), label
        )
    words = [row["word"] for row in tables.table("eia/words").rows]
    yield Template((words, (" ", "-", ""), ("137", "304", "235", "1377"), ("", "-"), _two(), _two()))
    months = [row["name"] for row in tables.table("stamped/month-names").rows]
    yield Template((months, (" ", "-", ". "), _two(), (" ", ", ", "-", " '"), ("", "19"), _two()))
    forms = [row["form"] for row in tables.table("stamped/kanji-forms").rows]
    yield Template((forms, ("", " "), _two(), ("", "年", "."), _two(), ("", "月", ".")))
    towns = (
        "Chicago 14, Ill.",
        "New York 19, N.Y.",
        "Elkhart, Ind. 46514",
        "Nazareth, PA 18064",
        "London W1",
    )
    yield Template(
        (("", "123 Main St., "), towns, ("", " U.S.A.", " Made in USA", " PAT. PEND.")), ("label",)
    )


def _two() -> list[str]:
    return [f"{n:02}" for n in range(100)]
