"""Assesses kept sheets again by the tables in force, and says which verdicts changed and which rows changed them.

A sheet is assessed as of the day of its last assessment, so that nothing but the tables can change the answer. The
new assessment is kept beside the old one. What changed a verdict is found by putting things back: with the old
revision of one table in place of today's, and then with single rows of it put back, the old verdict returns or not.
"""

from __future__ import annotations

import json
import os
import re
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, func, select, update

from decoder.casebook import facts as of_tables
from decoder.casebook.chain import Entry
from decoder.casebook.facts import SCHEMES, RowChange, row_changes, with_old, with_rows_back
from decoder.casebook.record import Record, canonical, load_record, sha256_of
from decoder.casebook.schema import assessments, parts, sheets, versions
from decoder.casebook.store import (
    RECHECKED,
    Casebook,
    add_assessment,
    append,
    assessment_words,
    pack,
    unpack,
    verdicts_of,
)
from decoder.crosscheck import check
from decoder.crosscheck.sheet import SheetError
from decoder.tables import Tables, shipped, shipped_folder

BLOCK: Final = 50
ROWS_NAMED: Final = 8  # rows that are named for one verdict
VIEWS_KEPT: Final = 40  # tables with something put back that are held for the next sheet
_REVISIONS: Final = re.compile(rb'(?<=[{,])"(?:revision":"[0-9a-f]*"|tables":\{[^{}]*\})')

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Cause:
    """A table without whose new revision the old verdict would stand, and the rows of it that do it by themselves.

    `before` and `after` are SHA-256s of the contents, None where the table is new or gone. `rows_changed` counts all
    rows in which the two revisions differ.
    """

    table: str
    before: str | None
    after: str | None
    rows: tuple[RowChange, ...]
    rows_changed: int

    def as_dict(self) -> dict[str, Any]:
        """The cause as it stands in JSON."""
        return {
            "table": self.table,
            "before": self.before,
            "after": self.after,
            "rows": [row.as_dict() for row in self.rows],
            "rows_changed": self.rows_changed,
        }


@dataclass(frozen=True, slots=True)
class VerdictChange:
    """A verdict (of a part, or the outcome, whose `part` is None) that is not what it was, and why.

    No cause: no single table brings the old verdict back; several have to be put back together.
    """

    part: str | None
    before: str
    after: str
    causes: tuple[Cause, ...]

    def as_dict(self) -> dict[str, Any]:
        """The change as it stands in JSON."""
        return {
            "part": self.part,
            "before": self.before,
            "after": self.after,
            "causes": [cause.as_dict() for cause in self.causes],
        }


@dataclass(frozen=True, slots=True)
class SheetChange:
    """What a recheck found of one sheet."""

    id: str
    version: int
    changes: tuple[VerdictChange, ...]

    def as_dict(self) -> dict[str, Any]:
        """The sheet as it stands in JSON."""
        return {
            "id": self.id,
            "version": self.version,
            "changes": [change.as_dict() for change in self.changes],
        }


@dataclass(slots=True)
class Rechecked:
    """What a recheck came to, in sheets.

    `unchanged` say the same as before, `reworded` say something else with the same verdicts, `changed` have other
    verdicts, `refused` can't be assessed by these tables any more, with the reason.
    """

    looked_at: int = 0
    up_to_date: int = 0
    unchanged: int = 0
    reworded: int = 0
    changed: list[SheetChange] = field(default_factory=list)
    refused: list[tuple[str, str]] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """The whole recheck as it stands in JSON."""
        return {
            "looked_at": self.looked_at,
            "up_to_date": self.up_to_date,
            "unchanged": self.unchanged,
            "reworded": self.reworded,
            "changed": [sheet.as_dict() for sheet in self.changed],
            "refused": [{"id": name, "reason": reason} for name, reason in self.refused],
        }


@dataclass(frozen=True, slots=True)
class Task:
    """One sheet to be assessed again: its record and its newest assessment as they are kept."""

    id: str
    version: int
    facts: str
    record: str
    assessment: bytes


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a task: the new assessment as it is kept, or that it says the same, or why there is none.

    `changes` are the outcome (part None) and the verdicts that differ: part, before, after.
    """

    task: Task
    outcome: str = ""
    packed: bytes = b""
    sha256: str = ""
    same: bool = False
    changes: tuple[tuple[str | None, str, str], ...] = ()
    reason: str = ""


def recheck(
    casebook: Casebook,
    *,
    who: str,
    jobs: int | None = None,
    progress: Progress | None = None,
    every: bool = False,
) -> Rechecked:
    """Assess again every sheet whose last assessment was by other tables than those in force (or `every` sheet).

    `jobs` is the number of processes (all cores by default; 1 works in this one). Sheets that others save meanwhile
    are left to them: they are assessed by the tables in force anyway.
    """
    digest = casebook._facts_kept(casebook.now())
    found = Rechecked()
    total = casebook.database.read(lambda c: _count(c, None if every else digest))
    everything = casebook.database.read(lambda c: _count(c, None))
    found.up_to_date = everything - total
    finder = CauseFinder(casebook)
    for answers in _answered(
        _tasks(casebook, digest, every=every), casebook.tables, jobs or os.cpu_count() or 1
    ):
        _keep(casebook, answers, digest, who, found, finder)
        found.looked_at += len(answers)
        if progress is not None:
            progress(found.looked_at, max(total, found.looked_at))
    return found


def _count(connection: Connection, digest: str | None) -> int:
    query = select(func.count()).select_from(sheets)
    return int(
        connection.execute(query if digest is None else query.where(sheets.c.facts != digest)).scalar_one()
    )


def _tasks(casebook: Casebook, digest: str, *, every: bool) -> Iterator[list[Task]]:
    """The sheets to be assessed again, block by block, in the order of their ids."""
    after = ""
    while True:
        block = casebook.database.read(lambda c, after=after: _block(c, after, digest, every=every))  # type: ignore[misc]
        if not block:
            return
        after = block[-1].id
        yield block


def _block(connection: Connection, after: str, digest: str, *, every: bool) -> list[Task]:
    query = (
        select(sheets.c.id, sheets.c.version).where(sheets.c.id > after).order_by(sheets.c.id).limit(BLOCK)
    )
    wanted = connection.execute(query if every else query.where(sheets.c.facts != digest)).all()
    ids = [row.id for row in wanted]
    last = (
        select(assessments.c.sheet_id, func.max(assessments.c.seq).label("seq"))
        .where(assessments.c.sheet_id.in_(ids))
        .group_by(assessments.c.sheet_id)
        .subquery()
    )
    rows = connection.execute(
        select(
            assessments.c.sheet_id, assessments.c.facts, assessments.c.body, versions.c.body.label("record")
        )
        .join(last, (assessments.c.sheet_id == last.c.sheet_id) & (assessments.c.seq == last.c.seq))
        .join(sheets, sheets.c.id == assessments.c.sheet_id)
        .join(versions, (versions.c.sheet_id == sheets.c.id) & (versions.c.version == sheets.c.version))
    ).all()
    by_id = {row.sheet_id: row for row in rows}
    return [
        Task(row.id, row.version, by_id[row.id].facts, by_id[row.id].record, bytes(by_id[row.id].body))
        for row in wanted
        if row.id in by_id
    ]


# ---------------------------------------------------------------------------------------------------------------
# The work, here or in other processes


def _answered(blocks: Iterable[list[Task]], tables: Tables, jobs: int) -> Iterator[list[Answer]]:
    if jobs == 1:
        for block in blocks:
            yield [answer(task, tables) for task in block]
        return
    folders = folders_of(tables)
    with ProcessPoolExecutor(jobs) as pool:
        waiting: deque[Future[list[Answer]]] = deque()
        for block in blocks:
            waiting.append(pool.submit(_answer_block, block, folders))
            if len(waiting) > 2 * jobs:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


Folders = tuple[str, tuple[str, ...]]


def folders_of(tables: Tables) -> Folders:
    """Where tables were read from, for another process to read them: the base folder, and every overlay's package.

    The base is empty for the tables that partdate ships: another machine has its own copy of them.
    """
    base = next((package.folder.parent for package in tables.packages() if package.shipped), None)
    overlays = [str(package.folder) for package in tables.packages() if not package.shipped]
    return "" if base in (None, shipped_folder()) else str(base), tuple(overlays)


@lru_cache(maxsize=2)
def tables_from(folders: Folders) -> Tables:
    """The tables read from these folders, once a process."""
    base, overlays = folders
    if not base and not overlays:
        return shipped()
    return Tables.open(*map(Path, overlays), base=Path(base) if base else None)


def _answer_block(block: list[Task], folders: Folders) -> list[Answer]:
    tables = tables_from(folders)
    return [answer(task, tables) for task in block]


def answer(task: Task, tables: Tables) -> Answer:
    """The assessment of a kept sheet by these tables, as of the day of its last one, beside that one."""
    raw = unpack(task.assessment)
    before = json.loads(raw)
    try:
        after = assessed(load_record(json.loads(task.record), tables), before["today"], tables)
    except SheetError as error:
        return Answer(task, reason="; ".join(str(problem) for problem in error.problems))
    body = canonical(after)
    if what_is_said(raw) == what_is_said(body):
        return Answer(task, after["outcome"], same=True)
    return Answer(
        task, after["outcome"], pack(body), sha256_of(body), changes=tuple(verdict_changes(before, after))
    )


def assessed(record: Record, today: str | None, tables: Tables) -> dict[str, Any]:
    """The assessment of a record as of a day."""
    day = date.fromisoformat(today) if today else None
    return check(record.loaded, today=day, tables=tables).as_dict()


# ---------------------------------------------------------------------------------------------------------------
# What is kept of it


def _keep(
    casebook: Casebook, answers: list[Answer], digest: str, who: str, found: Rechecked, finder: CauseFinder
) -> None:
    new: list[Answer] = []
    same: list[Answer] = []
    for one in answers:
        if one.reason:
            found.refused.append((one.task.id, one.reason))
        elif one.same:
            same.append(one)
            found.unchanged += 1
        else:
            new.append(one)
            if one.changes:
                found.changed.append(finder.explained(one))
            else:
                found.reworded += 1
    now = casebook.now()

    def work(connection: Connection, end: Any) -> None:
        entries = []
        for one in new:
            if not _still(connection, one.task):
                continue
            id, version = one.task.id, one.task.version
            seq = add_assessment(
                connection, id, version, one.outcome, one.packed, one.sha256, now, digest, RECHECKED
            )
            connection.execute(
                update(sheets).where(sheets.c.id == id).values(outcome=one.outcome, facts=digest)
            )
            for part, _, verdict in one.changes:
                if part is not None:
                    mine = (parts.c.sheet_id == id) & (parts.c.part_id == part)
                    connection.execute(update(parts).where(mine).values(verdict=verdict))
            said = assessment_words(seq, RECHECKED, digest)
            entries.append(Entry(0, now, who, RECHECKED, id, version, one.sha256, said))
        for one in same:
            connection.execute(
                update(sheets)
                .where(sheets.c.id == one.task.id, sheets.c.version == one.task.version)
                .values(facts=digest)
            )
        append(connection, end, entries)

    if new or same:
        casebook.database.write(work)


def _still(connection: Connection, task: Task) -> bool:
    found = connection.execute(select(sheets.c.version).where(sheets.c.id == task.id)).scalar_one_or_none()
    return found == task.version


def what_is_said(assessment: bytes) -> bytes:
    """An assessment (canonical JSON) without the revisions of tables: what it says, however it came to say so.

    Inside a text of the JSON every quotation mark has a backslash before it, so no text is cut.
    """
    return _REVISIONS.sub(b"", assessment)


def verdict_changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[tuple[str | None, str, str]]:
    """The outcome and the verdicts that differ: part (None for the outcome), before, after."""
    old, new = verdicts_of(before), verdicts_of(after)
    changed: list[tuple[str | None, str, str]] = [
        (part, old.get(part, "-"), verdict) for part, verdict in new.items() if old.get(part) != verdict
    ]
    if before["outcome"] != after["outcome"]:
        changed.insert(0, (None, before["outcome"], after["outcome"]))
    return changed


class CauseFinder:
    """Finds which table, and which of its rows, changed a verdict. Tables with things put back are kept for reuse."""

    def __init__(self, casebook: Casebook) -> None:
        self.casebook = casebook
        self._contents: dict[str, dict[str, Any]] = {}
        self._rows: dict[tuple[str, str | None], list[RowChange]] = {}
        self._views: OrderedDict[tuple[str, str | None, range | None], Tables | None] = OrderedDict()
        self._differing: dict[str, list[tuple[str, str | None, str | None]]] = {}

    def explained(self, answer: Answer) -> SheetChange:
        """The changes of one sheet, each with its causes."""
        task, changes = answer.task, answer.changes
        raw, after = json.loads(task.record), json.loads(unpack(answer.packed))
        today = after["today"]
        causes: dict[str | None, list[Cause]] = {part: [] for part, _, _ in changes}
        for name, old, new in self._tables_of(task.facts):
            back = self._answers(raw, today, self._view(name, old))
            moved = [part for part, _, now in changes if _said(back, part) not in (None, now)]
            rows = self._changed_rows(name, old, new) if moved else []
            for part in moved:
                seen = partial(self._still, raw, today, name, old, part, _said(after, part))
                single = rows[:ROWS_NAMED] if name.startswith(SCHEMES) else _found(rows, seen)
                causes[part].append(Cause(name, old, new, tuple(single), len(rows)))
        return SheetChange(
            task.id,
            task.version,
            tuple(VerdictChange(part, was, now, tuple(causes[part])) for part, was, now in changes),
        )

    def _still(
        self,
        raw: Any,
        today: str | None,
        name: str,
        old: str | None,
        part: str | None,
        now: str | None,
        rows: range,
    ) -> bool:
        """Whether the new verdict still stands with these rows of a table put back."""
        return _said(self._answers(raw, today, self._view(name, old, rows)), part) in (None, now)

    def _changed_rows(self, name: str, old: str | None, new: str | None) -> list[RowChange]:
        if (name, old) not in self._rows:
            self._rows[(name, old)] = row_changes(name, self._content(old), self._content(new))
        return self._rows[(name, old)]

    def _tables_of(self, digest: str) -> list[tuple[str, str | None, str | None]]:
        """The tables whose contents differ between an earlier digest and the tables in force."""
        if digest not in self._differing:
            old = self.casebook.manifest(digest)
            new = {name: one.sha256 for name, one in of_tables.snapshot(self.casebook.tables).items()}
            self._differing[digest] = [
                (name, old.get(name), new.get(name))
                for name in sorted(old.keys() | new.keys())
                if old.get(name) != new.get(name)
            ]
        return self._differing[digest]

    def _content(self, sha256: str | None) -> dict[str, Any] | None:
        if sha256 is None:
            return None
        if sha256 not in self._contents:
            self._contents[sha256] = self.casebook.content(sha256)
        return self._contents[sha256]

    def _view(self, name: str, old: str | None, rows: range | None = None) -> Tables | None:
        """Today's tables with one table, or some rows of it, as it was; None where that can't be put together."""
        key = (name, old, rows)
        if key not in self._views:
            self._views[key] = self._made(name, old, rows)
            while len(self._views) > VIEWS_KEPT:
                self._views.popitem(last=False)
        self._views.move_to_end(key)
        return self._views[key]

    def _made(self, name: str, old: str | None, rows: range | None) -> Tables | None:
        tables = self.casebook.tables
        if rows is not None:
            changes = self._rows[(name, old)][rows.start : rows.stop]
            return Tables(tables.layers, {name: with_rows_back(Tables(tables.layers).table(name), changes)})
        kept = self._content(old)
        if kept is not None:
            return with_old(tables, {name: kept})
        if name.startswith(SCHEMES):
            return Tables(tables.layers, {}, {name.removeprefix(SCHEMES): ()})
        if name not in tables.ids():
            return None
        return Tables(tables.layers, {name: replace(Tables(tables.layers).table(name), rows=())})

    def _answers(self, raw: Any, today: str | None, tables: Tables | None) -> dict[str, Any] | None:
        """The assessment by these tables; None where the sheet can't be assessed by them."""
        if tables is None:
            return None
        try:
            return assessed(load_record(raw, tables), today, tables)
        except (SheetError, LookupError, ValueError, TypeError):
            return None


def _found(rows: list[RowChange], still: Callable[[range], bool]) -> list[RowChange]:
    """The rows that by themselves change the verdict back, found by halves: at most `ROWS_NAMED` of them."""
    found: list[RowChange] = []
    waiting = [range(len(rows))]
    while waiting and len(found) < ROWS_NAMED:
        some = waiting.pop()
        if not some or (len(some) < len(rows) and still(some)):
            continue  # of all rows together it is known already
        if len(some) == 1:
            found.append(rows[some.start])
            continue
        middle = some.start + len(some) // 2
        waiting += [range(middle, some.stop), range(some.start, middle)]
    return found


def _said(assessment: Mapping[str, Any] | None, part: str | None) -> str | None:
    if assessment is None:
        return None
    if part is None:
        return str(assessment["outcome"])
    return verdicts_of(assessment).get(part)
