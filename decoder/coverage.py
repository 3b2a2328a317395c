"""What the tables cover: for each family and kind of part, the years, the number of rows, and their grades.

Counted from the tables in force, a shop's own included; nothing here is written down a second time.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from fnmatch import fnmatchcase
from typing import Any, Final

from decoder.catalog import families, kinds_of
from decoder.scheme.family import Family
from decoder.tables import Row, Tables
from decoder.window import Window, parse_edtf

# The tables whose rows date marks, by family. Letter tables and bands are found through the schemes that name them.
RESTS_ON: Final[Mapping[str, tuple[str, ...]]] = {
    "source_date": ("*/source-codes",),
    "stamped_date": ("stamped/eras", "stamped/month-names", "stamped/roman-months"),
    "patent": ("patents/*",),
    "era_mark": ("era/marks",),
    "feature": ("*/features", "*/material-eras"),
}
KIND_COLUMNS: Final = ("kinds", "part", "made")
# A row with one of these speaks of that time.
DAY_COLUMNS: Final = ("granted", "filed", "date", "year", "window")
FIRST_COLUMNS: Final = ("from", "not_before", "start")
LAST_COLUMNS: Final = ("to", "not_after", "end", "year_to")
# An empty one of these is the limit of the system, not an open end.
USE_COLUMNS: Final = ("in_use_from", "in_use_to")
_TABLE_NAMED: Final = re.compile(r":([a-z][a-z0-9-]*)\}")


@dataclass(frozen=True, slots=True)
class Covered:
    """What one family holds for some kinds of part; kinds of which the same is true stand together.

    `years` runs from the first day that a row names to the last, open at the end where some row goes on; None
    where no row names any. `schemes` counts layouts and series, `rows` the table rows behind the readings (schemes
    included), `grades` these rows by grade, with `own` for a shop's own observations.
    """

    family: str
    kinds: tuple[str, ...]
    years: Window | None
    schemes: int
    rows: int
    grades: tuple[tuple[str, int], ...]

    def as_dict(self) -> dict[str, Any]:
        """The row as it stands in JSON: years as EDTF, None where no row names any."""
        return {
            "family": self.family,
            "kinds": list(self.kinds),
            "years": self.years.edtf() if self.years is not None else None,
            "schemes": self.schemes,
            "rows": self.rows,
            "grades": dict(self.grades),
        }


@dataclass(frozen=True, slots=True)
class _Fact:
    """One row that counts: the kinds it serves, its first and last day, its grade, whether it is a scheme."""

    kinds: frozenset[str]
    first: int | None
    last: int | None
    grade: str
    scheme: bool = False


def coverage_matrix(tables: Tables) -> list[Covered]:
    """What the tables in force cover: families in their order, in each the kinds of part from head to tail."""
    return [row for family in families() for row in _by_kinds(tables, family)]


def coverage_of_families(tables: Tables) -> list[Covered]:
    """What each family covers, all its kinds of part together."""
    return [_covered(f.id, _in_order(tables, f.kinds), _facts(tables, f)) for f in families()]


def _by_kinds(tables: Tables, family: Family) -> Iterator[Covered]:
    facts = _facts(tables, family)
    alike: dict[Covered, list[str]] = {}
    for kind in _in_order(tables, family.kinds):
        same = _covered(family.id, (), [fact for fact in facts if kind in fact.kinds])
        alike.setdefault(same, []).append(kind)
    for row, kinds in alike.items():
        yield Covered(row.family, tuple(kinds), row.years, row.schemes, row.rows, row.grades)


def _in_order(tables: Tables, kinds: Iterable[str]) -> tuple[str, ...]:
    places = {kind: place for place, kind in enumerate(kinds_of(tables))}
    return tuple(sorted(kinds, key=lambda kind: (places.get(kind, len(places)), kind)))


def _covered(family: str, kinds: tuple[str, ...], facts: list[_Fact]) -> Covered:
    grades = tuple(sorted(Counter(fact.grade for fact in facts).items()))
    return Covered(family, kinds, _hull(facts), sum(fact.scheme for fact in facts), len(facts), grades)


def _hull(facts: list[_Fact]) -> Window | None:
    starts = [fact.first for fact in facts if fact.first is not None]
    ends = [fact.last for fact in facts if fact.last is not None]
    if not starts and not ends:
        return None
    goes_on = not ends or any(fact.first is not None and fact.last is None for fact in facts)
    return Window(min(starts, default=None), None if goes_on else max(ends))


def _facts(tables: Tables, family: Family) -> list[_Fact]:
    """Every row that the family's readings rest on, each once for all the kinds that it serves."""
    found: list[_Fact] = []
    served: frozenset[str] = frozenset()
    lettered: dict[tuple[str, str], frozenset[str]] = {}
    for scheme in tables.schemes(family.id):
        kinds = frozenset(scheme.get("kinds", ())) & family.kinds or family.kinds
        served |= kinds
        found.append(_Fact(kinds, *_scheme_ends(scheme, tables.edition), _grade(scheme), True))
        if "bands" in scheme:
            rows = tables.table(f"{scheme['package']}/{scheme['bands']}").rows
            found += [_fact(row, kinds) for row in rows if row["scheme"] == scheme["id"]]
        for layout in scheme.get("layouts", ()):
            for name in _TABLE_NAMED.findall(layout):
                named = (scheme["package"], name)
                lettered[named] = lettered.get(named, frozenset()) | kinds
    for table in tables.ids():
        if any(fnmatchcase(table, pattern) for pattern in RESTS_ON.get(family.id, ())):
            found += [_fact(row, served or family.kinds) for row in tables.table(table).rows]
    return [*found, *_letters(tables, lettered)]


def _letters(tables: Tables, named: Mapping[tuple[str, str], frozenset[str]]) -> Iterator[_Fact]:
    """The rows of the letter tables that layouts name; their years are those of the schemes."""
    for package in dict.fromkeys(package for package, _ in named):
        if f"{package}/letters" in tables.ids():
            for row in tables.table(f"{package}/letters").rows:
                if (package, row["table"]) in named:
                    yield _Fact(named[package, row["table"]], None, None, _grade(row))


def _fact(row: Row, kinds: frozenset[str]) -> _Fact:
    value = next((row[column] for column in KIND_COLUMNS if row.get(column)), ())
    own = frozenset((value,) if isinstance(value, str) else value)
    return _Fact(own & kinds or kinds, *_row_ends(row), _grade(row))


def _grade(row: Row) -> str:
    grade = str(row["grade"])
    return grade if len(grade) == 1 else "own"


def _scheme_ends(scheme: Row, edition: int) -> tuple[int | None, int | None]:
    """The documented years of a scheme, or the decades that it can mean; one that outlasts the tables goes on."""
    years = scheme.get("years") or scheme.get("decades")
    first, last = _ends(years, years)
    return first, None if last is not None and last > date(edition, 1, 1).toordinal() else last


def _row_ends(row: Row) -> tuple[int | None, int | None]:
    """The first and the last day of which a row speaks; None at an end that it leaves open."""
    limits = [row[column] for column in USE_COLUMNS if row.get(column)]
    if limits:
        return _ends(limits[0], limits[-1])
    for column in DAY_COLUMNS:
        if row.get(column):
            return _ends(row[column], row.get("year_to") or row[column])
    first = next((row[column] for column in FIRST_COLUMNS if row.get(column)), None)
    last = next((row[column] for column in LAST_COLUMNS if row.get(column)), None)
    return _ends(first, last)


def _ends(first: Any, last: Any) -> tuple[int | None, int | None]:
    start, end = _days(first), _days(last)
    return (start.earliest if start else None, end.latest if end else None)


def _days(value: Any) -> Window | None:
    """A day, a year or an EDTF text as the days it spans; None for an empty cell."""
    if value is None:
        return None
    return Window.day(value) if isinstance(value, date) else parse_edtf(str(value)).window
