"""What no cell shows by itself: rows that name a kind of part that isn't known, or that contradict themselves.

The tables module checks each cell against its column. Here stands what takes two cells, or two tables, to see.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from difflib import get_close_matches
from typing import Final

from decoder.families.measure import UNITS
from decoder.tables import Package, Problem, Row, Tables, read_table, row_numbers

Fault = tuple[str, str, str]  # column, value, what is wrong

KINDS: Final = "parts/kinds"
PENDING_MARK: Final = "pending-mark"  # of the lag table: no part, the tail of pending marks
KIND_COLUMNS: Final = ("part", "kinds", "made")
# Tables whose column `kind` is a kind of part; elsewhere it says of what sort a row is.
KIND_TABLES: Final[Mapping[str, frozenset[str]]] = {
    "parts/lag": frozenset((PENDING_MARK,)),
    "advice/checklist": frozenset(),
}
FEATURE_COLUMNS: Final = (
    "id", "maker", "model", "part", "feature", "how", "value", "low", "high", "unit", "tolerance", "window",
    "instrument", "never", "reproductions", "note",
)  # fmt: skip


def row_faults(tables: Tables) -> list[Problem]:
    """Every row that can't be meant, with its file, row and column: a shop's own rows, or else the shipped ones."""
    known = frozenset(row["id"] for row in tables.table(KINDS).rows)
    own = [package for package in tables.packages() if not package.shipped]
    return [
        problem
        for package in own or tables.packages()
        for resource in package.descriptor["resources"]
        if resource["name"] != "sources"
        for problem in _resource_faults(package, resource, known)
    ]


def _resource_faults(package: Package, resource: Row, known: frozenset[str]) -> Iterator[Problem]:
    file = f"{package.folder.resolve().name}/{resource['path']}"
    name = resource.get("extends", f"{package.name}/{resource['name']}")
    table = read_table(package, resource)
    is_features = name.endswith("/features")
    missing = [column for column in FEATURE_COLUMNS if is_features and column not in table.columns]
    for column in missing:
        yield Problem(file, 1, column, "", "a table of features needs this column")
    if missing:
        return
    checks: list[Callable[[Row], Iterator[Fault]]] = [lambda row: _kind_faults(row, name, known)]
    if is_features:
        checks.append(_feature_faults)
    if name == "parts/lag":
        checks.append(_lag_faults)
    for number, row in zip(row_numbers(package, resource), table.rows, strict=True):
        for check in checks:
            for fault in check(row):
                yield Problem(file, number, *fault)


def _kind_faults(row: Row, table: str, known: frozenset[str]) -> Iterator[Fault]:
    """Kinds of part that no table knows, each with the nearest one that is."""
    for column in (*KIND_COLUMNS, *(("kind",) if table in KIND_TABLES else ())):
        named = row.get(column) or ()
        for kind in (named,) if isinstance(named, str) else named:
            if kind not in known and kind not in KIND_TABLES.get(table, ()):
                near = get_close_matches(kind, known, n=1)
                hint = (
                    f"did you mean {near[0]}?"
                    if near
                    else "'partdate tables show parts/kinds' lists them all"
                )
                yield column, kind, f"no kind of part is called so: {hint}"


def _lag_faults(row: Row) -> Iterator[Fault]:
    if row["usual"] > row["longest"]:
        yield (
            "longest",
            str(row["longest"]),
            f"the longest lag is shorter than the usual one ({row['usual']} months)",
        )
    if row["made_to"] is not None and row["made_to"] < row["made_from"]:
        yield (
            "made_to",
            str(row["made_to"]),
            f"the kind was no longer made before it was first made ({row['made_from']})",
        )


def _feature_faults(row: Row) -> Iterator[Fault]:
    low, high, unit = row["low"], row["high"], row["unit"]
    if (row["value"] is None) == (low is None):
        yield "value", row["value"] or "", "a feature has either a value in words or a range from low to high"
    elif low is not None and high is None:
        yield "high", "", "a range needs both its ends: write the one number twice for a single value"
    elif low is not None and high < low:
        yield "high", f"{high:g}", f"the range ends below its start ({low:g})"
    if unit is not None and unit not in UNITS:
        known = dict.fromkeys(each.name for each in UNITS.values())
        yield "unit", unit, f"no unit that is known; known are {', '.join(known)}"
    if row["how"] == "count" and unit is not None:
        yield "unit", unit, "a count has no unit"
    if row["window"] is None and not row["never"]:
        yield "window", "", "the years in which it is found are needed, or never is true"
