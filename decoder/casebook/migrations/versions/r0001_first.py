"""The first casebook: sheets, versions, assessments, photos, history; what is append-only refuses all else."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

KEY = sa.String().with_variant(sa.String(collation="C"), "postgresql")
APPEND_ONLY = ("versions", "assessments", "history", "photos", "facts", "table_contents")
START = "0" * 64


def upgrade() -> None:
    """Make every table, the triggers of those that are append-only, and the start of the chain."""
    _sheets()
    _contents()
    op.create_table(
        "history",
        sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
        _key("at"),
        _text("who"),
        _key("what"),
        sa.Column("sheet_id", KEY),
        sa.Column("version", sa.Integer),
        _key("digest"),
        _text("detail"),
        _key("hash"),
    )
    op.create_index("history_sheet", "history", ["sheet_id", "seq"])
    chain = op.create_table(
        "chain",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("seq", sa.Integer, nullable=False),
        _key("hash"),
    )
    op.bulk_insert(chain, [{"id": 1, "seq": 0, "hash": START}])
    for name in APPEND_ONLY:
        _append_only(name)


def _sheets() -> None:
    op.create_table(
        "sheets",
        sa.Column("id", KEY, primary_key=True),
        sa.Column("version", sa.Integer, nullable=False),
        _key("etag"),
        sa.Column("maker", sa.Text),
        sa.Column("maker_key", KEY),
        sa.Column("model", sa.Text),
        sa.Column("claim", sa.Text),
        sa.Column("trusted", sa.Text),
        _key("outcome"),
        _key("facts"),
        _key("created_at"),
        _key("saved_at"),
        _text("saved_by"),
    )
    for name, columns in (
        ("sheets_maker", ["maker_key", "id"]),
        ("sheets_outcome", ["outcome", "id"]),
        ("sheets_facts", ["facts", "id"]),
    ):
        op.create_index(name, "sheets", columns)
    op.create_table(
        "parts",
        sa.Column("sheet_id", KEY, sa.ForeignKey("sheets.id"), primary_key=True),
        sa.Column("part_id", KEY, primary_key=True),
        _key("kind"),
        sa.Column("marking_key", KEY),
        _key("verdict"),
    )
    op.create_index("parts_marking", "parts", ["marking_key", "sheet_id", "kind"])
    op.create_index("parts_verdict", "parts", ["verdict", "sheet_id"])
    op.create_table(
        "versions",
        sa.Column("sheet_id", KEY, sa.ForeignKey("sheets.id"), primary_key=True),
        sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
        _text("body"),
        _key("sha256"),
        _key("saved_at"),
        _text("saved_by"),
    )


def _contents() -> None:
    op.create_table(
        "facts",
        sa.Column("digest", KEY, primary_key=True),
        _text("manifest"),
        _key("first_used"),
    )
    op.create_table(
        "table_contents",
        sa.Column("sha256", KEY, primary_key=True),
        sa.Column("body", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "photos",
        sa.Column("sha256", KEY, primary_key=True),
        _key("mediatype"),
        sa.Column("size", sa.Integer, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        _key("added_at"),
    )
    op.create_table(
        "assessments",
        sa.Column("sheet_id", KEY, primary_key=True),
        sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("version", sa.Integer, nullable=False),
        _key("made_at"),
        _key("reason"),
        _key("outcome"),
        sa.Column("facts", KEY, sa.ForeignKey("facts.digest"), nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        _key("sha256"),
        sa.ForeignKeyConstraint(["sheet_id", "version"], ["versions.sheet_id", "versions.version"]),
    )


def _key(name: str) -> sa.Column[str]:
    return sa.Column(name, KEY, nullable=False)


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _append_only(name: str) -> None:
    said = f"{name} is append-only"
    if op.get_bind().dialect.name == "sqlite":
        for action in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {name}_no_{action.lower()} BEFORE {action} ON {name} "
                f"BEGIN SELECT RAISE(ABORT, '{said}'); END"
            )
        return
    op.execute(
        f"CREATE FUNCTION {name}_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{said}'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {name}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {name} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {name}_append_only()"
    )
