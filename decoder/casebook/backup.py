"""A copy of a whole casebook, taken while others write to it, into a new file or an empty database.

The copy holds the same rows and so the same chain; it is verified before it takes its name. From PostgreSQL it gives
an SQLite file, and back: a backup is restored by backing it up into the place that was lost.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, func, insert, select, update

from decoder.casebook.engine import Database, is_url, open_database
from decoder.casebook.errors import Refused
from decoder.casebook.files import take_name
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
from decoder.casebook.verify import Verified, verify

COPIED: Final = (sheets, parts, versions, facts, table_contents, assessments, photos, history)
BLOCK: Final = 200

Progress = Callable[[int, int], None]


def backup(database: Database, target: str, *, progress: Progress | None = None) -> Verified:
    """Copy everything into `target`, a file that isn't there or the URL of an empty casebook, and verify the copy.

    Raises Refused for a target that holds something, and for a casebook or copy that does not verify.
    """
    if is_url(target):
        return _copied(database, open_database(target), progress)
    path = Path(target)
    if path.exists():
        raise Refused(f"{target} is there already: a backup overwrites nothing. Give another name")
    making = path.with_name(f"{path.name}.part")
    _remove(making)
    made = open_database(making)
    try:
        found = _copied(database, made, progress)
        made.write(lambda connection, _: None)
    except BaseException:
        made.close()
        _remove(making)
        raise
    with made.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    made.close()
    for ending in ("-wal", "-shm"):
        Path(f"{making}{ending}").unlink(missing_ok=True)
    take_name(making, path)
    return found


def _copied(database: Database, target: Database, progress: Progress | None) -> Verified:
    if target.read(lambda c: c.execute(select(func.count()).select_from(history)).scalar_one()):
        raise Refused(
            f"{target.name} holds a casebook already: a backup overwrites nothing. Give an empty one"
        )

    def from_source(source: Connection) -> None:
        total = sum(int(source.execute(select(func.count()).select_from(one)).scalar_one()) for one in COPIED)
        end = source.execute(select(chain)).one()

        def to_target(connection: Connection, _: Any) -> None:
            done = 0
            for table in COPIED:
                order = [table.c[column.name] for column in table.primary_key.columns]
                size = 1 if table is photos else BLOCK  # photos are large: one at a time
                query = select(table).order_by(*order)
                rows = source.execute(query, execution_options={"yield_per": size})
                for block in rows.mappings().partitions(size):
                    connection.execute(insert(table), [dict(row) for row in block])
                    done += len(block)
                    if progress is not None:
                        progress(done, total)
            connection.execute(update(chain).where(chain.c.id == 1).values(seq=end.seq, hash=end.hash))

        target.write(to_target)

    database.read(from_source)
    found = verify(target)
    if not found.whole:
        raise Refused(
            f"the copy does not verify, so it was not kept. What is wrong with {database.name}:\n  "
            + "\n  ".join(found.faults)
        )
    return found


def _remove(path: Path) -> None:
    for ending in ("", "-wal", "-shm"):
        Path(f"{path}{ending}").unlink(missing_ok=True)
