"""Whether a casebook is whole: `verify` holds every row against its hash, and the history against its chain.

It reads one sheet at a time, so a casebook of any size is verified in constant memory.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, func, select

from decoder.casebook.chain import START, breaks
from decoder.casebook.engine import Database
from decoder.casebook.errors import Refused
from decoder.casebook.record import search_key, sha256_of
from decoder.casebook.schema import (
    assessments,
    chain,
    facts,
    history,
    parts,
    photos,
    sheets,
    table_contents,
    versions,
)
from decoder.casebook.store import (
    ASSESSED,
    IMPORTED,
    PHOTO,
    RECHECKED,
    RESTORED,
    SAVED,
    TABLES,
    assessment_words,
    etag_of,
    unpack,
    verdicts_of,
)

SHOWN: Final = 50  # faults that are named; the rest are counted
BLOCK: Final = 500
OF_VERSIONS: Final = frozenset({SAVED, RESTORED, IMPORTED})
OF_ASSESSMENTS: Final = frozenset({ASSESSED, RECHECKED})

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Verified:
    """What was found: the numbers of things that were looked at, the end of the chain, and every fault."""

    sheets: int
    versions: int
    assessments: int
    photos: int
    entries: int
    head: str
    faults: tuple[str, ...]
    more: int = 0

    @property
    def whole(self) -> bool:
        """Whether no fault was found."""
        return not self.faults


def verify(database: Database, *, head: str | None = None, progress: Progress | None = None) -> Verified:
    """Hold everything in the casebook against its hashes. Raises CasebookError when the file itself is damaged.

    `head` is an end of the chain that was kept elsewhere: the history must still contain it.
    """
    return database.read(lambda connection: _verified(connection, database, head, progress))


def _verified(
    connection: Connection, database: Database, head: str | None, progress: Progress | None
) -> Verified:
    named: list[str] = []
    more = 0
    counts = {
        table.name: int(connection.execute(select(func.count()).select_from(table)).scalar_one())
        for table in (sheets, versions, assessments, photos, history)
    }
    end = connection.execute(select(chain.c.hash).where(chain.c.id == 1)).scalar_one_or_none()
    for fault in _faults(connection, database, head, progress, counts["sheets"]):
        if len(named) < SHOWN:
            named.append(fault)
        else:
            more += 1
    return Verified(
        counts["sheets"],
        counts["versions"],
        counts["assessments"],
        counts["photos"],
        counts["history"],
        str(end),
        tuple(named),
        more,
    )


def _faults(
    connection: Connection, database: Database, head: str | None, progress: Progress | None, total: int
) -> Iterator[str]:
    if database.is_sqlite:
        for row in connection.exec_driver_sql("PRAGMA integrity_check(20)").scalars():
            if row != "ok":
                yield f"the file: {row}"
        for broken in connection.exec_driver_sql("PRAGMA foreign_key_check").all():
            yield f"{broken[0]}: row {broken[1]} refers to a row of {broken[2]} that is not there"
    yield from _unreadable("history", _chain_faults(connection, head))
    yield from _unreadable("tables", _facts_faults(connection))
    yield from _unreadable("photos", _photo_faults(connection))
    query = select(sheets).order_by(sheets.c.id)
    rows = connection.execute(query, execution_options={"yield_per": BLOCK}).mappings()
    for done, row in enumerate(rows, 1):
        yield from _unreadable(f"sheet {row['id']}", _sheet_faults(connection, dict(row)))
        if progress is not None:
            progress(done, total)
    orphans = select(versions.c.sheet_id).where(versions.c.sheet_id.not_in(select(sheets.c.id))).distinct()
    for sheet_id in connection.execute(orphans).scalars():
        yield f"sheet {sheet_id}: it has versions and is not there itself"


def _chain_faults(connection: Connection, head: str | None) -> Iterator[str]:
    end = connection.execute(select(chain).where(chain.c.id == 1)).one_or_none()
    seq, last, seen = 0, START, head in (None, START)
    while True:
        query = select(history).where(history.c.seq > seq).order_by(history.c.seq).limit(BLOCK)
        block = [dict(row._mapping) for row in connection.execute(query)]
        if not block:
            break
        yield from breaks(block, seq, last)
        seen = seen or any(entry["hash"] == head for entry in block)
        seq, last = block[-1]["seq"], block[-1]["hash"]
    if end is None:
        yield "history: the end of the chain is not there"
    elif (end.seq, end.hash) != (seq, last):
        yield f"history: it ends with entry {seq}, and the chain with entry {end.seq}"
    if not seen:
        yield f"history: it does not contain the end {head} that was kept elsewhere"


def _facts_faults(connection: Connection) -> Iterator[str]:
    said = {
        entry.detail: entry.digest
        for entry in connection.execute(
            select(history.c.detail, history.c.digest).where(history.c.what == TABLES)
        )
    }
    held = set()
    for sha256 in connection.execute(select(table_contents.c.sha256)).scalars().all():
        held.add(sha256)
        body = connection.execute(
            select(table_contents.c.body).where(table_contents.c.sha256 == sha256)
        ).scalar_one()
        if _sha256_packed(body) != sha256:
            yield f"tables: the contents {sha256[:12]} do not fit their hash"
    for row in connection.execute(select(facts)).all():
        if said.get(row.digest) != sha256_of(row.manifest.encode()):
            yield f"tables: the list of tables {row.digest} is not the one in the history"
        missing = [name for name, sha256 in json.loads(row.manifest).items() if sha256 not in held]
        yield from (f"tables: the contents of {name} under {row.digest} are not there" for name in missing)
    known = set(connection.execute(select(facts.c.digest)).scalars())
    yield from (f"tables: the list of tables {digest} is not there" for digest in said.keys() - known)


def _photo_faults(connection: Connection) -> Iterator[str]:
    entries = select(history.c.digest, history.c.at, history.c.detail).where(history.c.what == PHOTO)
    said = {entry.digest: (entry.at, entry.detail) for entry in connection.execute(entries)}
    held = connection.execute(select(photos.c.sha256)).scalars().all()
    for sha256 in held:
        row = connection.execute(select(photos).where(photos.c.sha256 == sha256)).one()
        if sha256_of(bytes(row.body)) != sha256 or len(row.body) != row.size:
            yield f"photo {sha256[:12]}: its bytes do not fit its hash"
        if said.get(sha256) != (row.added_at, row.mediatype):
            yield f"photo {sha256[:12]}: the history does not know it, or knows it otherwise"
    yield from (
        f"photo {sha256[:12]}: it is in the history, and not there" for sha256 in said.keys() - set(held)
    )


def _sheet_faults(connection: Connection, sheet: Mapping[str, Any]) -> Iterator[str]:
    name = f"sheet {sheet['id']}"
    kept = connection.execute(
        select(versions).where(versions.c.sheet_id == sheet["id"]).order_by(versions.c.version)
    ).all()
    made = connection.execute(
        select(assessments).where(assessments.c.sheet_id == sheet["id"]).order_by(assessments.c.seq)
    ).all()
    said = connection.execute(
        select(
            history.c.what, history.c.digest, history.c.version, history.c.detail, history.c.at, history.c.who
        )
        .where(history.c.sheet_id == sheet["id"])
        .order_by(history.c.seq)
    ).all()
    if [row.version for row in kept] != list(range(1, sheet["version"] + 1)):
        yield f"{name}: it is at version {sheet['version']}, and versions {[row.version for row in kept]} are there"
    for row in kept:
        if sha256_of(row.body.encode()) != row.sha256:
            yield f"{name}: version {row.version} does not fit its hash"
    if [(row.version, row.sha256, row.saved_at, row.saved_by) for row in kept] != [
        (entry.version, entry.digest, entry.at, entry.who) for entry in said if entry.what in OF_VERSIONS
    ]:
        yield f"{name}: its versions are not those of the history"
    bodies = [(row, _unpacked(row.body)) for row in made]
    for row, body in bodies:
        if body is None or sha256_of(body) != row.sha256:
            yield f"{name}: assessment {row.seq} does not fit its hash"
        elif json.loads(body)["outcome"] != row.outcome:
            yield f"{name}: assessment {row.seq} has another outcome than it says"
    if [
        (row.version, row.sha256, row.made_at, assessment_words(row.seq, row.reason, row.facts))
        for row in made
    ] != [
        (entry.version, entry.digest, entry.at, entry.detail)
        for entry in said
        if entry.what in OF_ASSESSMENTS
    ]:
        yield f"{name}: its assessments are not those of the history"
    if kept and bodies and bodies[-1][1] is not None:
        yield from _current_faults(connection, sheet, kept, json.loads(bodies[-1][1]))


def _current_faults(
    connection: Connection, sheet: Mapping[str, Any], kept: Sequence[Any], assessment: Mapping[str, Any]
) -> Iterator[str]:
    """What the lists and searches show of a sheet, against the newest version and assessment."""
    name, newest = f"sheet {sheet['id']}", kept[-1]
    if sheet["etag"] != etag_of(sheet["id"], newest.version, newest.sha256):
        yield f"{name}: its ETag is not that of its newest version"
    record = json.loads(newest.body)
    about = record["sheet"].get("instrument") or {}
    maker = about.get("maker")
    expected_row = {
        "maker": maker,
        "maker_key": None if maker is None else search_key(maker),
        "model": about.get("model"),
        "claim": about.get("claim"),
        "trusted": (record.get("trusted") or {}).get("date"),
        "outcome": assessment["outcome"],
        "created_at": kept[0].saved_at,
        "saved_at": newest.saved_at,
        "saved_by": newest.saved_by,
    }
    if any(sheet[column] != value for column, value in expected_row.items()):
        yield f"{name}: the list shows something else than its newest version and assessment say"
    # The kind of a row is the id that the tables have for the record's own word, so it can't be held against it here.
    rows = connection.execute(
        select(parts.c.part_id, parts.c.marking_key, parts.c.verdict).where(parts.c.sheet_id == sheet["id"])
    ).all()
    markings = {part["id"]: part.get("marking") for part in record["sheet"]["parts"]}
    verdicts = verdicts_of(assessment)
    expected = {
        (part, None if marking is None else search_key(marking), verdicts.get(part))
        for part, marking in markings.items()
    }
    if {tuple(row) for row in rows} != expected:
        yield f"{name}: the search shows other parts than its newest version and assessment have"


def _unreadable(name: str, faults: Iterator[str]) -> Iterator[str]:
    """The faults, or that what is there is of another type or shape than anything that a casebook writes."""
    try:
        yield from faults
    except (TypeError, ValueError, AttributeError, LookupError):
        yield f"{name}: what is kept there can't be read"


def _unpacked(raw: bytes) -> bytes | None:
    try:
        return unpack(bytes(raw))
    except Refused:
        return None


def _sha256_packed(raw: bytes) -> str:
    body = _unpacked(raw)
    return "" if body is None else sha256_of(body)
