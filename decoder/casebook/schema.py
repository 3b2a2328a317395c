"""The tables of the casebook, as SQLAlchemy Core knows them; the migrations make them in the database.

Text that is compared or ordered is compared byte by byte on every database (collation "C" on PostgreSQL; SQLite
does so by itself), so that a search gives the same rows on both.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    Column,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
)

HEAD: Final = "0001"  # the revision of the newest migration
APPLICATION_ID: Final = 0x50444342  # "PDCB": by this a SQLite file is known for a casebook
APPEND_ONLY: Final = ("versions", "assessments", "history", "photos", "facts", "table_contents")

metadata = MetaData()
Key = String().with_variant(String(collation="C"), "postgresql")

# One row a sheet: what stands in its newest version, for lists and searches.
sheets = Table(
    "sheets",
    metadata,
    Column("id", Key, primary_key=True),
    Column("version", Integer, nullable=False),
    Column("etag", Key, nullable=False),
    Column("maker", Text),
    Column("maker_key", Key),
    Column("model", Text),
    Column("claim", Text),
    Column("trusted", Text),
    Column("outcome", Key, nullable=False),
    Column("facts", Key, nullable=False),  # the digest of the tables by which it was last assessed
    Column("created_at", Key, nullable=False),
    Column("saved_at", Key, nullable=False),
    Column("saved_by", Text, nullable=False),
    Index("sheets_maker", "maker_key", "id"),
    Index("sheets_outcome", "outcome", "id"),
    Index("sheets_facts", "facts", "id"),
)

# One row a part of the newest version.
parts = Table(
    "parts",
    metadata,
    Column("sheet_id", Key, ForeignKey("sheets.id"), primary_key=True),
    Column("part_id", Key, primary_key=True),
    Column("kind", Key, nullable=False),
    Column("marking_key", Key),
    Column("verdict", Key, nullable=False),
    Index("parts_marking", "marking_key", "sheet_id", "kind"),
    Index("parts_verdict", "verdict", "sheet_id"),
)

versions = Table(
    "versions",
    metadata,
    Column("sheet_id", Key, ForeignKey("sheets.id"), primary_key=True),
    Column("version", Integer, primary_key=True),
    Column("body", Text, nullable=False),  # canonical JSON of the record
    Column("sha256", Key, nullable=False),
    Column("saved_at", Key, nullable=False),
    Column("saved_by", Text, nullable=False),
)

assessments = Table(
    "assessments",
    metadata,
    Column("sheet_id", Key, primary_key=True),
    Column("seq", Integer, primary_key=True),
    Column("version", Integer, nullable=False),
    Column("made_at", Key, nullable=False),
    Column("reason", Key, nullable=False),  # saved, restored, imported, rechecked
    Column("outcome", Key, nullable=False),
    Column("facts", Key, ForeignKey("facts.digest"), nullable=False),
    Column("body", LargeBinary, nullable=False),  # zlib of the canonical JSON
    Column("sha256", Key, nullable=False),  # of the JSON
    ForeignKeyConstraint(["sheet_id", "version"], ["versions.sheet_id", "versions.version"]),
)

# Which revision of every table made up the tables that were in force, and the contents of each revision once.
facts = Table(
    "facts",
    metadata,
    Column("digest", Key, primary_key=True),
    Column("manifest", Text, nullable=False),  # JSON: name of the table -> SHA-256 of its contents
    Column("first_used", Key, nullable=False),
)
table_contents = Table(
    "table_contents",
    metadata,
    Column("sha256", Key, primary_key=True),
    Column("body", LargeBinary, nullable=False),  # zlib of the canonical JSON
)

photos = Table(
    "photos",
    metadata,
    Column("sha256", Key, primary_key=True),
    Column("mediatype", Key, nullable=False),
    Column("size", Integer, nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("added_at", Key, nullable=False),
)

history = Table(
    "history",
    metadata,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("at", Key, nullable=False),
    Column("who", Text, nullable=False),
    Column("what", Key, nullable=False),
    Column("sheet_id", Key),
    Column("version", Integer),
    Column("digest", Key, nullable=False),  # SHA-256 of what was kept
    Column("detail", Text, nullable=False),
    Column("hash", Key, nullable=False),  # over all of the above and the hash of the row before
    Index("history_sheet", "sheet_id", "seq"),
)

# The end of the chain, one row. Writers take it first, so that they come one after the other.
chain = Table(
    "chain",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("seq", Integer, nullable=False),
    Column("hash", Key, nullable=False),
)
