"""The tables that were in force at an assessment: their digest, a copy of their contents, and these put back.

`snapshot` gives the contents of every table and of the schemes by name; the casebook keeps each of them once.
`with_old` puts an old revision of some tables in the place of today's, which is how a recheck finds the table, and
the row, that changed a verdict.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final

from decoder.casebook.record import canonical, sha256_of
from decoder.tables import Row, Source, Table, Tables

SCHEMES: Final = "schemes of family "
DAY: Final = "day:"


def digest_of(tables: Tables) -> str:
    """The SHA-256, to 16 digits, over all files of all packages in force, lowest layer first; worked out once."""
    return tables.derived("casebook digest", _digest_of)


def _digest_of(tables: Tables) -> str:
    made = hashlib.sha256()
    for package in tables.packages():
        for path in sorted(package.folder.iterdir()):
            if path.suffix in (".csv", ".json", ".toml"):
                raw = path.read_bytes()
                made.update(f"{package.name}/{path.name}:{len(raw)}:".encode())
                made.update(raw)
    return made.hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Content:
    """The contents of one table, or of the schemes of one family, as they are kept: canonical JSON."""

    name: str
    body: bytes

    @property
    def sha256(self) -> str:
        """The SHA-256 of the contents."""
        return sha256_of(self.body)


def snapshot(tables: Tables) -> dict[str, Content]:
    """The contents of every table in force and of the schemes of every family, by name; worked out once."""
    return tables.derived("casebook snapshot", _snapshot)


def _snapshot(tables: Tables) -> dict[str, Content]:
    # Read through a second view: what is read here must not appear among the tables that an answer rests on.
    view = Tables(tables.layers)
    made = {name: Content(name, _table_body(view.table(name))) for name in view.ids()}
    for family in sorted(
        {str(scheme.get("family")) for package in view.packages() for scheme in package.schemes()}
    ):
        name = SCHEMES + family
        made[name] = Content(name, canonical({"schemes": _plain(view.schemes(family))}))
    return made


def _table_body(table: Table) -> bytes:
    return canonical(
        {
            "title": table.title,
            "description": table.description,
            "columns": list(table.columns),
            "revision": table.revision,
            "rows": [[_plain(row[name]) for name in table.columns] for row in table.rows],
            "sources": {name: [s.title, s.address] for name, s in sorted(table.sources.items())},
        }
    )


def _plain(value: Any) -> Any:
    if isinstance(value, date):
        return DAY + value.isoformat()
    if isinstance(value, Mapping):
        return {str(name): _plain(inner) for name, inner in value.items()}
    return [_plain(inner) for inner in value] if isinstance(value, (list, tuple)) else value


def _typed(value: Any) -> Any:
    if isinstance(value, str) and value.startswith(DAY):
        return date.fromisoformat(value.removeprefix(DAY))
    return tuple(_typed(inner) for inner in value) if isinstance(value, list) else value


def table_of(name: str, kept: Mapping[str, Any]) -> Table:
    """The table whose contents were kept."""
    columns = tuple(kept["columns"])
    return Table(
        name,
        kept["title"],
        kept["description"],
        columns,
        tuple(dict(zip(columns, map(_typed, row), strict=True)) for row in kept["rows"]),
        kept["revision"],
        {source: Source(source, *texts) for source, texts in kept["sources"].items()},
    )


def _scheme_rows(kept: Mapping[str, Any]) -> tuple[Row, ...]:
    """Schemes as TOML gives them: lists stay lists, days become days again."""
    return tuple(_days(row) for row in kept["schemes"])


def _days(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {name: _days(inner) for name, inner in value.items()}
    if isinstance(value, list):
        return [_days(inner) for inner in value]
    return _typed(value) if isinstance(value, str) else value


def with_old(tables: Tables, old: Mapping[str, Mapping[str, Any]]) -> Tables:
    """These tables with the kept contents of some of them in place of their own.

    A table that isn't there any more can't be put back by itself: its package would be missing.
    """
    known = set(tables.ids())
    contents = {name: table_of(name, kept) for name, kept in old.items() if name in known}
    schemes = {
        name.removeprefix(SCHEMES): _scheme_rows(kept)
        for name, kept in old.items()
        if name.startswith(SCHEMES)
    }
    return Tables(tables.layers, contents, schemes)


@dataclass(frozen=True, slots=True)
class RowChange:
    """A row that one revision of a table has and another has not, or has otherwise.

    `key` says which row it is; `before` or `after` is None where the row is new or gone.
    """

    table: str
    key: str
    before: tuple[Any, ...] | None
    after: tuple[Any, ...] | None

    def as_dict(self) -> dict[str, Any]:
        """The change as it stands in JSON."""
        return {
            "table": self.table,
            "row": self.key,
            "before": _plain(self.before),
            "after": _plain(self.after),
        }


def row_changes(
    name: str, before: Mapping[str, Any] | None, after: Mapping[str, Any] | None
) -> list[RowChange]:
    """The rows in which two kept contents of one table differ; rows are paired by their first cells.

    A row is named by the fewest leading cells that tell all rows of both revisions apart.
    """
    old, new = _rows(before), _rows(after)
    held, came = set(old), set(new)
    gone = [row for row in old if row not in came]
    come = [row for row in new if row not in held]
    width = _key_width(old, new)
    paired: dict[tuple[Any, ...], list[tuple[Any, ...] | None]] = {}
    for side, rows in ((0, gone), (1, come)):
        for row in rows:
            both = paired.setdefault(row[:width], [None, None])
            both[side] = row
    return [RowChange(name, _words(key), b, a) for key, (b, a) in paired.items()]


def _key_width(old: list[tuple[Any, ...]], new: list[tuple[Any, ...]]) -> int:
    longest = max((len(row) for row in (*old, *new)), default=0)
    for width in range(1, longest + 1):
        if all(len({row[:width] for row in rows}) == len(set(rows)) for rows in (old, new)):
            return width
    return longest


def _rows(kept: Mapping[str, Any] | None) -> list[tuple[Any, ...]]:
    if kept is None:
        return []
    if "schemes" in kept:
        return [(row["id"], canonical(row).decode()) for row in kept["schemes"]]
    return [tuple(_typed(row)) for row in kept["rows"]]


def _words(key: Iterable[Any]) -> str:
    shown = (
        "; ".join(cell) if isinstance(cell, tuple) else str(cell) for cell in key if cell not in (None, ())
    )
    return ", ".join(shown)


def with_rows_back(table: Table, changes: Sequence[RowChange]) -> Table:
    """A table as it would be without these changes of rows, for the question which of them mattered."""
    back = {change.after: change.before for change in changes if change.after is not None}
    gone = [change.before for change in changes if change.after is None and change.before is not None]
    rows = [tuple(row[name] for name in table.columns) for row in table.rows]
    put_back = [back.get(row, row) for row in rows]
    kept = [row for row in put_back if row is not None] + gone
    return replace(table, rows=tuple(dict(zip(table.columns, row, strict=True)) for row in kept))
