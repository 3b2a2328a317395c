"""Opens the database of a casebook, SQLite file or PostgreSQL URL, and turns its errors into words.

`open_database` gives a Database whose tables are at the newest migration; `Database.read` and `Database.write` run
one short transaction each. A write takes its lock at its beginning, so it never finds out half way that another was
quicker.
"""

from __future__ import annotations

import logging
import os
import random
import sqlite3
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, InternalError, NoSuchModuleError, OperationalError
from sqlalchemy.exc import DatabaseError as AnyDatabaseError
from sqlalchemy.pool import QueuePool

from decoder.casebook.errors import (
    Busy,
    CasebookError,
    Damaged,
    NewerCasebook,
    NoCasebook,
    NoRoom,
    ReadOnly,
    Unavailable,
)
from decoder.casebook.schema import APPLICATION_ID, HEAD, chain

T = TypeVar("T")

DATABASE_ERRORS: Final = (AnyDatabaseError, sqlite3.Error)
BUSY_SECONDS: Final = 60.0  # how long a write waits for others
SQLITE_WAIT: Final = 10_000  # milliseconds of SQLite's own wait; what is left is waited for here
PRAGMAS: Final = ("foreign_keys=ON", "synchronous=FULL", "cell_size_check=ON", "trusted_schema=OFF")
BACKUP_HINT: Final = (
    "Copy the file and its -wal and -shm neighbours somewhere safe, then go back to the newest backup: copy it "
    "to this place, and run 'partdate casebook verify'. Backups are made with 'partdate casebook backup FILE'"
)
MIGRATION_LOCK: Final = 0x50444342


@dataclass(frozen=True, slots=True)
class Database:
    """An open database: its engine, its name in messages, whether it is only read."""

    engine: Engine
    name: str
    read_only: bool = False

    @property
    def is_sqlite(self) -> bool:
        """Whether it is a file of SQLite."""
        return self.engine.dialect.name == "sqlite"

    def read(self, work: Callable[[Connection], T]) -> T:
        """What `work` reads, all of it as it stood at one moment. Raises CasebookError."""
        try:
            with self.engine.connect() as connection:
                if not self.is_sqlite:
                    connection.execution_options(isolation_level="REPEATABLE READ")
                with connection.begin():
                    return work(connection)
        except DATABASE_ERRORS as error:
            raise in_words(error, self.name) from error

    def write(self, work: Callable[[Connection, Any], T]) -> T:
        """Run one write transaction; `work` gets the connection and the end of the chain (a row: seq, hash).

        Nothing is kept when `work` raises. Raises Busy after a minute behind other writers, and CasebookError.
        """
        if self.read_only:
            raise ReadOnly(_read_only_words(self.name))
        until = time.monotonic() + BUSY_SECONDS
        while True:
            try:
                with self.engine.connect() as connection:
                    connection.execution_options(partdate_begin="BEGIN IMMEDIATE")
                    with connection.begin():
                        # On PostgreSQL this row is the lock that puts writers in a row.
                        end = connection.execute(chain.select().with_for_update()).one()
                        return work(connection, end)
            except DATABASE_ERRORS as error:
                if not _is_busy(error):
                    raise in_words(error, self.name) from error
                if time.monotonic() > until:
                    raise Busy(
                        f"{self.name}: others have been writing for {BUSY_SECONDS:g} seconds without a break; "
                        "nothing was saved. Try again; if nobody else is at work, end the program that holds it"
                    ) from error
                time.sleep(random.uniform(0.002, 0.03))

    def close(self) -> None:
        """Give all connections back."""
        self.engine.dispose()


def is_url(where: str) -> bool:
    """Whether this names a database server rather than a file."""
    return "://" in where


def open_database(where: str | Path, *, create: bool = True) -> Database:
    """The database at a path or URL, brought to the newest migration.

    A file that isn't there is made, unless `create` is False. Raises CasebookError: nothing there, something else
    there, written by a later version, damaged, not to be reached.
    """
    text_of = str(where)
    if is_url(text_of) and not text_of.startswith("sqlite"):
        return _open_server(text_of)
    path = Path(text_of.removeprefix("sqlite:///"))
    return _open_file(path, create=create)


# ---------------------------------------------------------------------------------------------------------------
# SQLite


def _open_file(path: Path, *, create: bool) -> Database:
    name = str(path)
    if path.is_dir():
        raise NoCasebook(
            f"{name} is a folder: give the name of a file in it, such as {path / 'casebook.sqlite'}"
        )
    fresh = not path.exists() or path.stat().st_size == 0
    if fresh and not create:
        raise NoCasebook(
            f"there is no casebook at {name}: look at the name, or make one by saving a sheet to it"
        )
    if fresh and not path.absolute().parent.is_dir():
        raise NoCasebook(f"{name} can't be made: there is no folder {path.absolute().parent}")
    read_only = not fresh and not os.access(path, os.W_OK)
    if not fresh:
        _must_be_sqlite(path)
    database = Database(_sqlite_engine(path, read_only=read_only), name, read_only)
    try:
        _bring_up_to_date(database)
    except BaseException:
        database.close()
        raise
    return database


def _must_be_sqlite(path: Path) -> None:
    try:
        with path.open("rb") as file:
            head = file.read(16)
    except OSError as error:
        raise NoCasebook(f"{path} can't be read: {error.strerror or error}") from error
    if head != b"SQLite format 3\0":
        raise NoCasebook(
            f"{path} is no casebook: it does not begin as an SQLite file does. It was left as it is"
        )


def _sqlite_engine(path: Path, *, read_only: bool) -> Engine:
    mode = "ro" if read_only else "rwc"
    if read_only and not os.access(path.absolute().parent, os.W_OK) and not Path(f"{path}-wal").exists():
        mode = "ro&immutable=1"  # nobody writes, and SQLite can't put its own files beside it
    address = f"file:{quote(str(path.absolute()))}?mode={mode}"

    def connect() -> sqlite3.Connection:
        made = sqlite3.connect(
            address, uri=True, timeout=SQLITE_WAIT / 1000, isolation_level=None, check_same_thread=False
        )
        for pragma in PRAGMAS:
            made.execute(f"PRAGMA {pragma}")
        try:
            _settle(made, path, read_only=read_only)
        except BaseException:
            made.close()
            raise
        return made

    engine = create_engine(
        "sqlite://",
        creator=connect,
        poolclass=QueuePool,
        pool_size=8,
        max_overflow=-1,
        pool_reset_on_return="rollback",
    )

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        connection.exec_driver_sql(connection.get_execution_options().get("partdate_begin", "BEGIN"))

    return engine


def _settle(connection: sqlite3.Connection, path: Path, *, read_only: bool) -> None:
    """Put a file that is ours into the mode in which readers and the one writer don't wait for each other.

    SQLite's own wait does not cover this step, which meets others only while a file is made. Raises NoCasebook for the
    file of another program, before anything in it is changed.
    """
    until = time.monotonic() + BUSY_SECONDS
    while True:
        try:
            _must_be_ours(connection, path)
            if not read_only:
                connection.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as error:
            if (error.sqlite_errorcode & 0xFF) != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(random.uniform(0.002, 0.03))


def _must_be_ours(connection: sqlite3.Connection, path: Path) -> None:
    # In one statement, and so at one moment: another process may just be making the file.
    found = connection.execute(
        "SELECT application_id, (SELECT count(*) FROM sqlite_master WHERE type = 'table') FROM pragma_application_id"
    ).fetchone()
    if found[0] != APPLICATION_ID and found[1]:
        raise NoCasebook(f"{path} is another program's SQLite file, no casebook. It was left as it is")


# ---------------------------------------------------------------------------------------------------------------
# PostgreSQL


def _open_server(where: str) -> Database:
    try:
        url = make_url(where)
    except ArgumentError as error:
        raise NoCasebook(
            "the casebook's address can't be read: write postgresql://user@host:5432/database"
        ) from error
    shown = url.render_as_string(hide_password=True)
    if url.get_backend_name() not in ("postgresql", "postgres"):
        raise NoCasebook(f"{shown}: a casebook is an SQLite file or a PostgreSQL database")
    try:
        engine = create_engine(
            url.set(drivername="postgresql+psycopg"), pool_pre_ping=True, connect_args={"connect_timeout": 10}
        )
    except (NoSuchModuleError, ModuleNotFoundError) as error:
        raise NoCasebook(
            "for PostgreSQL the driver psycopg is needed: pip install 'partdate[postgres]'"
        ) from error
    database = Database(engine, shown)
    try:
        _bring_up_to_date(database)
    except BaseException:
        database.close()
        raise
    return database


# ---------------------------------------------------------------------------------------------------------------
# Migrations


def _bring_up_to_date(database: Database) -> None:
    try:
        with database.engine.connect() as connection, connection.begin():
            found = _revision(connection, database)
    except DATABASE_ERRORS as error:
        raise in_words(error, database.name) from error
    if found == HEAD:
        return
    if found is not None and found not in known_revisions():
        raise NewerCasebook(
            f"{database.name} was written by a later partdate (its tables are at {found}, this one knows them up to "
            f"{HEAD}). It was left as it is: install the newer partdate, or open a backup from before"
        )
    if database.read_only:
        raise ReadOnly(
            f"{database.name} is older than this partdate and can't be brought up to date, since it can only be "
            "read: make it writable, or copy it and open the copy"
        )
    migrate(database)


def _revision(connection: Connection, database: Database) -> str | None:
    """The migration that the database is at; None for an empty one. Raises NoCasebook for one of somebody else."""
    if database.is_sqlite:
        tables = (
            connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'").scalars().all()
        )
    else:
        named = "SELECT table_name FROM information_schema.tables WHERE table_schema = current_schema()"
        tables = connection.execute(text(named)).scalars().all()
        if tables and "alembic_version" not in tables:
            raise NoCasebook(
                f"{database.name} holds tables of something else and no casebook: give it a database of its own"
            )
    if "alembic_version" not in tables:
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one_or_none()


def known_revisions() -> tuple[str, ...]:
    """The migrations that this version has, oldest first."""
    from alembic.script import ScriptDirectory

    script = ScriptDirectory.from_config(_alembic_config())
    return tuple(reversed([one.revision for one in script.walk_revisions()]))


def _alembic_config() -> Any:
    from alembic.config import Config

    config = Config()
    here = Path(__file__).resolve().parent / "migrations"
    config.set_main_option("script_location", str(here).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


def migrate(database: Database) -> None:
    """Bring the tables to the newest migration, all of it in one transaction; of several at once, one does it."""
    from alembic.runtime.environment import EnvironmentContext
    from alembic.script import ScriptDirectory

    logging.getLogger("alembic").setLevel(logging.WARNING)
    config = _alembic_config()
    script = ScriptDirectory.from_config(config)
    try:
        with database.engine.connect() as connection:
            connection.execution_options(partdate_begin="BEGIN IMMEDIATE")
            with connection.begin():
                if database.is_sqlite:
                    connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
                else:
                    connection.execute(text(f"SELECT pg_advisory_xact_lock({MIGRATION_LOCK})"))

                def upgrades(revision: Any, _: Any) -> Any:
                    return script._upgrade_revs("head", revision)

                with EnvironmentContext(config, script, fn=upgrades) as environment:
                    environment.configure(connection=connection, transactional_ddl=True)
                    environment.run_migrations()
    except DATABASE_ERRORS as error:
        raise in_words(error, database.name) from error


# ---------------------------------------------------------------------------------------------------------------
# Errors in words


def _is_busy(error: Exception) -> bool:
    cause = _cause(error)
    code = getattr(cause, "sqlite_errorcode", None)
    if code is not None:
        return (code & 0xFF) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
    # PostgreSQL: deadlock and serialisation failures may be tried again as they are.
    return getattr(cause, "sqlstate", None) in ("40001", "40P01")


def _cause(error: Exception) -> BaseException:
    """The driver's own error; one raised while connecting is not wrapped."""
    inner = error.orig if isinstance(error, DBAPIError) else None
    return inner if inner is not None else error


def in_words(error: Exception, name: str) -> CasebookError:
    """A database's error as one of ours. What is not known here is given back with its own words."""
    cause = _cause(error)
    code = getattr(cause, "sqlite_errorcode", None)
    if code is not None:
        return _sqlite_words(code, cause, name)
    if isinstance(cause, sqlite3.Error):
        return Damaged(f"{name} holds what no casebook writes ({_first_line(cause)}). {BACKUP_HINT}")
    state = getattr(cause, "sqlstate", None) or ""
    if state.startswith("53") and state != "53300":
        return NoRoom(
            f"{name}: the server has no room left; nothing was saved. Make room on its disk, then try again"
        )
    if state == "25006":
        return ReadOnly(_read_only_words(name))
    if state.startswith("XX"):
        return Damaged(
            f"{name}: the server says that its data are damaged ({state}). Stop writing, copy the data directory, "
            "then bring the newest backup into an empty database: 'partdate casebook --casebook BACKUP backup URL'"
        )
    lost = isinstance(error, DBAPIError) and error.connection_invalidated
    unnamed = isinstance(error, (OperationalError, InternalError)) and not state
    if lost or unnamed or state[:2] in ("08", "57", "28", "3D"):
        return Unavailable(
            f"{name} can't be reached, or went away: see that the server runs and the address is right. If this was "
            f"a save, look whether it is there before you try again. The server's words: {_first_line(cause)}"
        )
    return CasebookError(f"{name}: {_first_line(cause)}")


def _sqlite_words(code: int, cause: BaseException, name: str) -> CasebookError:
    match code & 0xFF:
        case sqlite3.SQLITE_FULL:
            return NoRoom(f"{name}: the disk is full; nothing of this was saved. Make room, then try again")
        case sqlite3.SQLITE_IOERR:
            return NoRoom(
                f"{name}: the disk refused to read or write ({_first_line(cause)}); nothing of this was saved. It "
                "may be full, over a quota, or failing: make room and try again, and take a backup elsewhere now"
            )
        case sqlite3.SQLITE_CORRUPT | sqlite3.SQLITE_NOTADB:
            return Damaged(f"{name} is damaged; nothing was written to it. {BACKUP_HINT}")
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_PERM:
            return ReadOnly(_read_only_words(name))
        case sqlite3.SQLITE_CANTOPEN:
            return ReadOnly(
                f"{name} can't be opened: look at the permissions of the file and of its folder, in which SQLite "
                "keeps the -wal and -shm files beside it"
            )
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return Busy(f"{name} is being written by others; nothing was saved. Try again")
        case _:
            return CasebookError(f"{name}: {_first_line(cause)}")


def _read_only_words(name: str) -> str:
    return f"{name} can only be read: nothing was saved. Make it, and the folder it is in, writable for you"


def _first_line(cause: BaseException) -> str:
    return (str(cause).strip().splitlines() or [type(cause).__name__])[0]
