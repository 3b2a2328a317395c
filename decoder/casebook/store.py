"""The casebook itself: sheets saved version by version, each with its assessment, found again and never overwritten.

Every write is one short transaction: the version, its assessment, the search rows and the history stand or fall
together. Two who save the same sheet are told of each other (`Conflict`); none of them loses anything.
"""

from __future__ import annotations

import json
import secrets
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, Row, Select, and_, func, insert, select, update
from sqlalchemy import delete as delete_rows

from decoder.casebook import facts as facts_of_tables
from decoder.casebook.chain import Entry, hash_of
from decoder.casebook.engine import Database, open_database
from decoder.casebook.errors import CasebookError, Conflict, NoSuchPhoto, NoSuchSheet, Refused
from decoder.casebook.limits import ID_LIMIT, PAGE, PAGE_LIMIT, PHOTO_LIMIT, WHO_LIMIT
from decoder.casebook.record import Record, canonical, load_record, search_key, sha256_of
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
from decoder.crosscheck import check
from decoder.tables import Tables, shipped

Clock = Callable[[], datetime]

LAST_CHARACTER: Final = "\U0010ffff"
RARE: Final = 2_000  # matches up to which a search collects and sorts them all
MEDIA: Final = (
    (b"\xff\xd8\xff", "image/jpeg"),
    (b"\x89PNG\r\n\x1a\n", "image/png"),
    (b"GIF87a", "image/gif"),
    (b"GIF89a", "image/gif"),
    (b"II*\0", "image/tiff"),
    (b"MM\0*", "image/tiff"),
)
SAVED: Final = "saved"
RESTORED: Final = "restored"
IMPORTED: Final = "imported"
RECHECKED: Final = "rechecked"
ASSESSED: Final = "assessed"
PHOTO: Final = "photo"
TABLES: Final = "tables"
PROGRAM: Final = "partdate"


@dataclass(frozen=True, slots=True)
class Stored:
    """One version of a sheet as it is kept; `etag` names exactly this version. `record` is the JSON that was kept."""

    id: str
    version: int
    etag: str
    saved_at: str
    saved_by: str
    record: Mapping[str, Any]

    def as_dict(self) -> dict[str, Any]:
        """The version as it stands in JSON."""
        head = {"id": self.id, "version": self.version, "etag": self.etag}
        return {**head, "saved_at": self.saved_at, "saved_by": self.saved_by, **self.record}


@dataclass(frozen=True, slots=True)
class Summary:
    """A sheet as a list shows it."""

    id: str
    version: int
    etag: str
    maker: str | None
    model: str | None
    claim: str | None
    trusted: str | None
    outcome: str
    saved_at: str
    saved_by: str

    def as_dict(self) -> dict[str, Any]:
        """The summary as it stands in JSON."""
        return {name: getattr(self, name) for name in _SUMMARY}


_SUMMARY: Final = tuple(Summary.__dataclass_fields__)


@dataclass(frozen=True, slots=True)
class Kept:
    """An assessment as it is kept, with why and when it was made, and the digest of the tables in force."""

    sheet_id: str
    seq: int
    version: int
    made_at: str
    reason: str
    outcome: str
    facts: str
    assessment: Mapping[str, Any]

    def as_dict(self, *, full: bool = True) -> dict[str, Any]:
        """The assessment as it stands in JSON; without `full` its verdicts and table revisions alone."""
        made = {
            "sheet": self.sheet_id,
            "seq": self.seq,
            "version": self.version,
            "made_at": self.made_at,
            "reason": self.reason,
            "outcome": self.outcome,
            "today": self.assessment["today"],
            "verdicts": verdicts_of(self.assessment),
            "tables": self.assessment["tables"],
            "facts": self.facts,
        }
        return {**made, "assessment": self.assessment} if full else made


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a list is asked for; None asks nothing. Names and markings are compared by `search_key`.

    `maker` is the whole name, `serial` and `marking` the beginning of one, `verdict` that of any part.
    """

    maker: str | None = None
    serial: str | None = None
    marking: str | None = None
    outcome: str | None = None
    verdict: str | None = None
    trusted: bool | None = None


@dataclass(frozen=True, slots=True)
class Found:
    """One page of a list, newest sheet first, and the id after which the next page begins (None at the end)."""

    sheets: tuple[Summary, ...]
    after: str | None


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo: its bytes, their SHA-256 and media type."""

    sha256: str
    mediatype: str
    body: bytes


@dataclass(frozen=True, slots=True)
class New:
    """What one save writes: the record's bytes, and its assessment already made. `expected` None makes a sheet."""

    id: str
    record: Record
    assessment: Mapping[str, Any]
    expected: str | int | None = None
    what: str = SAVED
    detail: str = ""


def assessment_words(seq: int, reason: str, digest: str) -> str:
    """What the history says of an assessment beside its hash."""
    return f"assessment {seq} ({reason}), tables {digest}"


def verdicts_of(assessment: Mapping[str, Any]) -> dict[str, str]:
    """The verdict of every part by its id."""
    return {part["id"]: part["verdict"] for part in assessment["parts"]}


def etag_of(sheet_id: str, version: int, sha256: str) -> str:
    """The ETag of one version of a sheet."""
    return sha256_of(f"{sheet_id}\0{version}\0{sha256}".encode())[:20]


def pack(raw: bytes) -> bytes:
    """Bytes as they are kept in the database."""
    return zlib.compress(raw, 6)


def unpack(raw: bytes) -> bytes:
    """Bytes that were kept. Raises Refused when they are not what `pack` wrote."""
    try:
        return zlib.decompress(raw)
    except zlib.error as error:
        raise Refused(f"what is kept there can't be unpacked: {error}") from error


class Casebook:
    """The casebook at one place. It may be used by several threads; other processes open their own.

    `clock` gives the time (with its zone) that is written beside what is saved, `day` the day up to which parts may
    have been made (else the clock's), `ids` the ids of new sheets.
    """

    def __init__(
        self,
        database: Database,
        clock: Clock,
        tables: Tables,
        ids: Callable[[], str] | None = None,
        day: Callable[[], date] | None = None,
    ) -> None:
        self.database = database
        self.clock = clock
        self.tables = tables
        self._ids = ids
        self._day = day
        self._known_facts: set[str] = set()

    @classmethod
    def open(
        cls,
        where: str | Path,
        *,
        clock: Clock,
        tables: Tables | None = None,
        create: bool = True,
        ids: Callable[[], str] | None = None,
    ) -> Casebook:
        """The casebook in a file or at a PostgreSQL URL; a file that isn't there is made, unless `create` is False.

        Raises CasebookError.
        """
        facts_in_force = tables if tables is not None else shipped()
        return cls(open_database(where, create=create), clock, facts_in_force, ids)

    def close(self) -> None:
        """Give all connections back."""
        self.database.close()

    def __enter__(self) -> Casebook:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def now(self) -> str:
        """The clock's time in UTC, to the microsecond."""
        return self.clock().astimezone(UTC).isoformat(timespec="microseconds")

    def today(self) -> date:
        """The day up to which parts may have been made: the clock's, in its own zone, unless told otherwise."""
        return self._day() if self._day is not None else self.clock().date()

    def by(self, tables: Tables, day: Callable[[], date]) -> Casebook:
        """The same casebook with other tables and another day, on the same connections."""
        made = Casebook(self.database, self.clock, tables, self._ids, day)
        made._known_facts = self._known_facts
        return made

    def new_id(self) -> str:
        """An id for a new sheet; ids sort by the time at which they were made."""
        if self._ids is not None:
            return self._ids()
        return f"{int(self.clock().timestamp() * 1000):012x}{secrets.token_hex(4)}"

    # -----------------------------------------------------------------------------------------------------------
    # Saving

    def create(self, record: Record | Any, *, who: str, id: str | None = None, what: str = SAVED) -> Stored:
        """Keep a new sheet, assessed by the tables in force. `record` is a Record or the JSON of one.

        Raises SheetError, and Conflict when `id` is taken.
        """
        made = self._record(record)
        name = id if id is not None else self.new_id()
        _check_id(name)
        return self._save([New(name, made, self.assess(made), None, what)], who)[0]

    def save(self, id: str, record: Record | Any, *, expected: str | int, who: str) -> Stored:
        """Keep a new version of a sheet over the version, or the ETag, that the writer had seen.

        `"*"` saves over whichever stands there. Raises NoSuchSheet, SheetError, and Conflict with both versions.
        """
        made = self._record(record)
        return self._save([New(id, made, self.assess(made), expected)], who)[0]

    def restore(self, id: str, version: int, *, expected: str | int, who: str) -> Stored:
        """Keep the record of an earlier version as a new version. Raises NoSuchSheet, Conflict."""
        old = self.get(id, version)
        made = self._record(old.record)
        detail = f"version {version}"
        return self._save([New(id, made, self.assess(made), expected, RESTORED, detail)], who)[0]

    def save_many(self, new: Sequence[New], *, who: str) -> list[Stored]:
        """Keep several versions whose assessments are made already, all in one transaction."""
        return self._save(new, who)

    def assess(self, record: Record, *, day: date | None = None) -> dict[str, Any]:
        """The assessment of a record by the tables in force, as JSON; the day is the clock's unless given."""
        return check(record.loaded, today=day or self.today(), tables=self.tables).as_dict()

    def _record(self, record: Record | Any) -> Record:
        return record if isinstance(record, Record) else load_record(record, self.tables)

    def _save(self, new: Sequence[New], who: str) -> list[Stored]:
        _check_who(who)
        for one in new:
            _may_be(one.id)
        now = self.now()
        digest = self._facts_kept(now)
        # All of this before the transaction: while it is open, others wait.
        prepared = []
        for one in new:
            assessed = canonical(one.assessment)
            prepared.append((one, one.record.body, pack(assessed), sha256_of(assessed)))

        def work(connection: Connection, end: Any) -> list[Stored]:
            made, entries = [], []
            for one, body, packed, sha256 in prepared:
                stored = self._put(connection, one, body, now, who, digest)
                version, outcome = stored.version, one.assessment["outcome"]
                seq = add_assessment(
                    connection, one.id, version, outcome, packed, sha256, now, digest, one.what
                )
                made.append(stored)
                said = assessment_words(seq, one.what, digest)
                entries += [
                    Entry(0, now, who, one.what, one.id, version, sha256_of(body), one.detail),
                    Entry(0, now, who, ASSESSED, one.id, version, sha256, said),
                ]
            append(connection, end, entries)
            return made

        return self.database.write(work)

    def _put(self, connection: Connection, new: New, body: bytes, now: str, who: str, digest: str) -> Stored:
        current = connection.execute(select(sheets).where(sheets.c.id == new.id)).one_or_none()
        if current is None and new.expected is not None:
            raise _no_sheet(new.id)
        if current is not None and not _is_expected(current, new.expected):
            raise Conflict(_stored(connection, current), new.record.as_dict(), new.expected)
        self._photos_must_be_here(connection, new.record)
        version = 1 if current is None else current.version + 1
        sha256 = sha256_of(body)
        etag = etag_of(new.id, version, sha256)
        instrument = new.record.sheet.get("instrument") or {}
        row = {
            "version": version,
            "etag": etag,
            "maker": instrument.get("maker"),
            "maker_key": search_key(instrument["maker"]) if instrument.get("maker") else None,
            "model": instrument.get("model"),
            "claim": instrument.get("claim"),
            "trusted": new.record.trusted.date if new.record.trusted is not None else None,
            "outcome": new.assessment["outcome"],
            "facts": digest,
            "saved_at": now,
            "saved_by": who,
        }
        if current is None:
            connection.execute(insert(sheets).values(id=new.id, created_at=now, **row))
        else:
            connection.execute(update(sheets).where(sheets.c.id == new.id).values(**row))
        connection.execute(
            insert(versions).values(
                sheet_id=new.id,
                version=version,
                body=body.decode(),
                sha256=sha256,
                saved_at=now,
                saved_by=who,
            )
        )
        connection.execute(delete_rows(parts).where(parts.c.sheet_id == new.id))
        rows = part_rows(new.id, new.record, new.assessment)
        if rows:
            connection.execute(insert(parts), rows)
        return Stored(new.id, version, etag, now, who, new.record.as_dict())

    def _photos_must_be_here(self, connection: Connection, record: Record) -> None:
        wanted = {photo.sha256 for photo in record.photos}
        if wanted:
            held = set(
                connection.execute(select(photos.c.sha256).where(photos.c.sha256.in_(wanted))).scalars()
            )
            if wanted - held:
                raise NoSuchPhoto(
                    f"the casebook holds no photo {min(wanted - held)}: add the photo first, then save the sheet"
                )

    # -----------------------------------------------------------------------------------------------------------
    # The tables in force

    def _facts_kept(self, now: str) -> str:
        """The digest of the tables in force, of whose contents the casebook holds a copy."""
        digest = facts_of_tables.digest_of(self.tables)
        if digest in self._known_facts:
            return digest
        held = self.database.read(
            lambda c: c.execute(select(facts.c.digest).where(facts.c.digest == digest)).one_or_none()
        )
        if held is None:
            contents = facts_of_tables.snapshot(self.tables)
            self.database.write(lambda c, end: _keep_facts(c, end, digest, contents, now))
        self._known_facts.add(digest)
        return digest

    def manifest(self, digest: str) -> dict[str, str]:
        """The SHA-256 of the contents of every table that was in force under a digest, by name."""
        row = self.database.read(
            lambda c: c.execute(select(facts.c.manifest).where(facts.c.digest == digest)).scalar_one_or_none()
        )
        if row is None:
            raise Refused(f"the casebook holds no tables of the digest {digest}")
        made: dict[str, str] = json.loads(row)
        return made

    def content(self, sha256: str) -> dict[str, Any]:
        """The contents of one revision of a table, as `facts.snapshot` gives them."""
        raw = self.database.read(
            lambda c: c.execute(
                select(table_contents.c.body).where(table_contents.c.sha256 == sha256)
            ).scalar_one_or_none()
        )
        if raw is None:
            raise Refused(f"the casebook holds no contents of the SHA-256 {sha256}")
        made: dict[str, Any] = json.loads(unpack(raw))
        return made

    # -----------------------------------------------------------------------------------------------------------
    # Reading

    def get(self, id: str, version: int | None = None) -> Stored:
        """A sheet as it stands, or an earlier version of it. Raises NoSuchSheet."""

        _may_be(id)

        def work(connection: Connection) -> Stored:
            current = connection.execute(select(sheets).where(sheets.c.id == id)).one_or_none()
            if current is None:
                raise _no_sheet(id)
            return _stored(connection, current, version)

        return self.database.read(work)

    def assessments(self, id: str) -> list[Kept]:
        """All assessments of a sheet, oldest first. Raises NoSuchSheet."""
        self._must_be(id)
        query = select(assessments).where(assessments.c.sheet_id == id).order_by(assessments.c.seq)
        return [_kept(row) for row in self.database.read(lambda c: c.execute(query).all())]

    def newest_assessment(self, id: str) -> Kept:
        """The newest assessment of a sheet. Raises NoSuchSheet."""
        _may_be(id)
        query = (
            select(assessments)
            .where(assessments.c.sheet_id == id)
            .order_by(assessments.c.seq.desc())
            .limit(1)
        )
        row = self.database.read(lambda c: c.execute(query).one_or_none())
        if row is None:
            raise _no_sheet(id)
        return _kept(row)

    def history(self, id: str | None = None) -> list[Entry]:
        """What was done to a sheet, or to all of them, oldest first. Raises NoSuchSheet."""
        if id is not None:
            self._must_be(id)
        query = select(history).order_by(history.c.seq)
        if id is not None:
            query = query.where(history.c.sheet_id == id)
        return [Entry(**row._mapping) for row in self.database.read(lambda c: c.execute(query).all())]

    def _must_be(self, id: str) -> None:
        _may_be(id)
        found = self.database.read(
            lambda c: c.execute(select(sheets.c.id).where(sheets.c.id == id)).one_or_none()
        )
        if found is None:
            raise _no_sheet(id)

    def find(self, wanted: Wanted | None = None, *, after: str | None = None, limit: int = PAGE) -> Found:
        """The sheets that are wanted, newest first, at most `limit` of them, below the id `after`.

        Raises Refused for an `after` that can be no id.
        """
        if after is not None:
            _check_id(after)
        most = max(1, min(limit, PAGE_LIMIT))
        asked = wanted or Wanted()

        def work(connection: Connection) -> Found:
            query = _query(connection, asked, after)
            if query is None:
                return Found((), None)
            rows = connection.execute(query.order_by(sheets.c.id.desc()).limit(most + 1)).all()
            found = tuple(Summary(**{name: row._mapping[name] for name in _SUMMARY}) for row in rows[:most])
            return Found(found, found[-1].id if len(rows) > most else None)

        return self.database.read(work)

    def every(self, wanted: Wanted | None = None, *, block: int = 200) -> Iterator[Stored]:
        """Every sheet that is wanted as it stands, newest first, read block by block."""
        after: str | None = None
        while True:
            page = self.find(wanted, after=after, limit=block)
            for summary in page.sheets:
                yield self.get(summary.id)
            if page.after is None:
                return
            after = page.after

    def head(self) -> str:
        """The end of the chain of history: what to keep elsewhere, and to give to `verify` later."""
        query = select(chain.c.hash).where(chain.c.id == 1)
        return str(self.database.read(lambda c: c.execute(query).scalar_one()))

    def count(self) -> int:
        """How many sheets there are."""
        return int(
            self.database.read(lambda c: c.execute(select(func.count()).select_from(sheets)).scalar_one())
        )

    # -----------------------------------------------------------------------------------------------------------
    # Photos

    def add_photo(self, body: bytes, *, who: str) -> str:
        """Keep a photo and give the SHA-256 by which records name it; a photo that is here already is kept once.

        Raises Refused for bytes that are no JPEG, PNG, GIF, TIFF or WebP.
        """
        _check_who(who)
        mediatype = media_of(body)
        sha256 = sha256_of(body)
        now = self.now()

        def work(connection: Connection, end: Any) -> None:
            held = connection.execute(select(photos.c.sha256).where(photos.c.sha256 == sha256)).one_or_none()
            if held is not None:
                return
            row = {"sha256": sha256, "mediatype": mediatype, "size": len(body), "body": body, "added_at": now}
            connection.execute(insert(photos).values(**row))
            append(connection, end, [Entry(0, now, who, PHOTO, None, None, sha256, mediatype)])

        self.database.write(work)
        return sha256

    def photo(self, sha256: str) -> Photo:
        """A photo by its SHA-256. Raises NoSuchPhoto."""
        if not sha256.isalnum():
            raise NoSuchPhoto("the casebook holds no photo of this name")
        row = self.database.read(
            lambda c: c.execute(select(photos).where(photos.c.sha256 == sha256)).one_or_none()
        )
        if row is None:
            raise NoSuchPhoto(f"the casebook holds no photo {sha256[:64]}")
        return Photo(row.sha256, row.mediatype, bytes(row.body))


# ---------------------------------------------------------------------------------------------------------------
# Rows


def append(connection: Connection, end: Any, entries: Iterable[Entry]) -> None:
    """Add entries to the history, each hashed onto the one before it, and move the end of the chain."""
    seq, last = int(end.seq), str(end.hash)
    rows = []
    for entry in entries:
        seq += 1
        row = {**entry.as_dict(), "seq": seq}
        last = row["hash"] = hash_of(last, row)
        rows.append(row)
    if rows:
        connection.execute(insert(history), rows)
        connection.execute(update(chain).where(chain.c.id == 1).values(seq=seq, hash=last))


def add_assessment(
    connection: Connection,
    id: str,
    version: int,
    outcome: str,
    packed: bytes,
    sha256: str,
    now: str,
    digest: str,
    reason: str,
) -> int:
    """Keep a packed assessment under the next number of its sheet, and give that number."""
    last = connection.execute(
        select(assessments.c.seq)
        .where(assessments.c.sheet_id == id)
        .order_by(assessments.c.seq.desc())
        .limit(1)
    ).scalar_one_or_none()
    seq = 1 if last is None else int(last) + 1
    connection.execute(
        insert(assessments).values(
            sheet_id=id,
            seq=seq,
            version=version,
            made_at=now,
            reason=reason,
            outcome=outcome,
            facts=digest,
            body=packed,
            sha256=sha256,
        )
    )
    return seq


def part_rows(id: str, record: Record, assessment: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The search rows of a record: one a part, with its verdict."""
    verdicts = verdicts_of(assessment)
    return [
        {
            "sheet_id": id,
            "part_id": part.id,
            "kind": part.kind,
            "marking_key": search_key(part.marking) if part.marking is not None else None,
            "verdict": verdicts[part.id],
        }
        for part in record.loaded.parts
    ]


def _keep_facts(
    connection: Connection, end: Any, digest: str, contents: Mapping[str, facts_of_tables.Content], now: str
) -> None:
    if connection.execute(select(facts.c.digest).where(facts.c.digest == digest)).one_or_none() is not None:
        return
    named = {name: content.sha256 for name, content in contents.items()}
    held = set(connection.execute(select(table_contents.c.sha256)).scalars())
    new = {content.sha256: pack(content.body) for content in contents.values() if content.sha256 not in held}
    if new:
        rows = [{"sha256": sha256, "body": body} for sha256, body in new.items()]
        connection.execute(insert(table_contents), rows)
    manifest = canonical(named)
    connection.execute(insert(facts).values(digest=digest, manifest=manifest.decode(), first_used=now))
    append(connection, end, [Entry(0, now, PROGRAM, TABLES, None, None, sha256_of(manifest), digest)])


def _is_expected(current: Row[Any], expected: str | int | None) -> bool:
    if expected == "*":
        return True
    return expected in (current.version, current.etag)


def _stored(connection: Connection, current: Row[Any], version: int | None = None) -> Stored:
    wanted = current.version if version is None else version
    query = select(versions).where(versions.c.sheet_id == current.id, versions.c.version == wanted)
    row = connection.execute(query).one_or_none()
    if row is None:
        raise NoSuchSheet(
            f"sheet {current.id} has no version {wanted}: its versions are 1 to {current.version}"
        )
    etag = etag_of(current.id, row.version, row.sha256)
    return Stored(current.id, row.version, etag, row.saved_at, row.saved_by, json.loads(row.body))


def _kept(row: Row[Any]) -> Kept:
    return Kept(
        row.sheet_id,
        row.seq,
        row.version,
        row.made_at,
        row.reason,
        row.outcome,
        row.facts,
        json.loads(unpack(row.body)),
    )


def _of_parts(wanted: Wanted) -> Iterator[ColumnElement[bool] | None]:
    """The conditions on a part of the sheet; None for one that nothing can meet."""
    if wanted.verdict is not None:
        yield parts.c.verdict == wanted.verdict
    for text, kind in ((wanted.marking, None), (wanted.serial, "serial")):
        if text is not None:
            key = search_key(text)
            begins = and_(parts.c.marking_key >= key, parts.c.marking_key < key + LAST_CHARACTER)
            yield None if not key else begins if kind is None else and_(begins, parts.c.kind == kind)


def _query(connection: Connection, wanted: Wanted, after: str | None) -> Select[Any] | None:
    """The query for a list; None when nothing can match."""
    query: Select[Any] = select(*(sheets.c[name] for name in _SUMMARY))
    if after is not None:
        query = query.where(sheets.c.id < after)
    if wanted.maker is not None:
        query = query.where(sheets.c.maker_key == search_key(wanted.maker))
    if wanted.outcome is not None:
        query = query.where(sheets.c.outcome == wanted.outcome)
    if wanted.trusted is not None:
        query = query.where(sheets.c.trusted.is_not(None) if wanted.trusted else sheets.c.trusted.is_(None))
    for of_a_part in _of_parts(wanted):
        if of_a_part is None:
            return None
        # What is rare is collected; what is common is met soon enough on the way through the newest sheets.
        some = select(parts.c.sheet_id).where(of_a_part).limit(RARE + 1)
        ids = set(connection.execute(some).scalars())
        if not ids:
            return None
        if len(ids) > RARE:
            query = query.where(
                select(parts.c.sheet_id).where(parts.c.sheet_id == sheets.c.id, of_a_part).exists()
            )
        else:
            query = query.where(sheets.c.id.in_(ids))
    return query


# ---------------------------------------------------------------------------------------------------------------
# What is taken


_ID_CHARACTERS: Final = frozenset("abcdefghijklmnopqrstuvwxyz0123456789-")


def _may_be(id: str) -> None:
    """Raise NoSuchSheet for what no sheet can be called, before a database is troubled with it."""
    if not set(id) <= _ID_CHARACTERS:
        raise _no_sheet("".join(c if c in _ID_CHARACTERS else "?" for c in id))


def _no_sheet(id: str) -> NoSuchSheet:
    return NoSuchSheet(f"no sheet has the id {id[:ID_LIMIT]}: 'partdate casebook list' names them")


def _check_id(id: str) -> None:
    if not 1 <= len(id) <= ID_LIMIT or not set(id) <= _ID_CHARACTERS:
        raise Refused(
            f"an id has 1 to {ID_LIMIT} small letters, digits and hyphens, unlike {id[:ID_LIMIT]!r}"
        )


def _check_who(who: str) -> None:
    if not who.strip() or len(who) > WHO_LIMIT or not who.isprintable():
        raise Refused(f"who saves is a name of 1 to {WHO_LIMIT} characters that can be printed")


def media_of(body: bytes) -> str:
    """The media type of a photo, by its first bytes. Raises Refused for what is none, and for too large a one."""
    if len(body) > PHOTO_LIMIT:
        raise Refused(f"a photo has at most {PHOTO_LIMIT // 1_000_000} MB; this one has {len(body):,} bytes")
    for head, mediatype in MEDIA:
        if body.startswith(head):
            return mediatype
    if body[:4] == b"RIFF" and body[8:12] == b"WEBP":
        return "image/webp"
    raise Refused("a photo is a JPEG, PNG, GIF, TIFF or WebP file; this begins like none of them")


__all__ = ["Casebook", "CasebookError", "Found", "Kept", "New", "Photo", "Stored", "Summary", "Wanted"]
