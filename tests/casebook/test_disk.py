"""A full disk, a file that can't be written, a damaged or foreign file: told in words, and nothing is overwritten."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import resource
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from decoder.casebook import Casebook
from decoder.casebook.backup import backup
from decoder.casebook.engine import known_revisions, open_database
from decoder.casebook.errors import Damaged, NewerCasebook, NoCasebook, NoRoom, ReadOnly, Unavailable
from decoder.casebook.schema import HEAD, metadata
from decoder.casebook.verify import verify
from decoder.tables import Tables
from tests.casebook.conftest import NOON, Server, Ticking, assert_whole, counted_ids, sheet

FORK = multiprocessing.get_context("fork")
PNG = b"\x89PNG\r\n\x1a\n"


def apart(work: Callable[[], Any]) -> Any:
    """What `work` returns, or the name and message of its error, from a process of its own."""
    answers: Any = FORK.Queue()

    def run() -> None:
        try:
            answers.put(("done", work()))
        except BaseException as error:
            answers.put((type(error).__name__, str(error)))

    process = FORK.Process(target=run)
    process.start()
    got = answers.get(timeout=60)
    process.join(30)
    return got


def fill(place: Path, tables: Tables) -> int:
    """Save photos until there is no room; the number that were saved stands in the error."""
    with Casebook.open(place, clock=Ticking(), tables=tables) as book:
        for number in range(1000):
            try:
                book.add_photo(PNG + os.urandom(50_000), who="ann")
            except NoRoom as error:
                raise NoRoom(f"{number}|{error}") from error
    return 1000


def assert_full_and_whole(place: Path, tables: Tables, got: Any, before: str) -> None:
    name, said = got
    assert name == "NoRoom", said
    saved, _, said = said.partition("|")
    assert "nothing of this was saved" in said and ("room" in said)
    with Casebook.open(place, clock=Ticking(), tables=tables) as book:
        found = verify(book.database)
        assert found.faults == ()
        assert found.photos == int(saved)
        assert book.get(before).version == 1
        book.create(sheet(), who="ann", id="after")  # there is room again


def test_a_file_at_its_limit_keeps_what_it_has(place: Path, shipped: Tables) -> None:
    with Casebook.open(place, clock=Ticking(), tables=shipped) as book:
        before = book.create(sheet(), who="ann").id

    def limited() -> int:
        size = place.stat().st_size + 400_000
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
        return fill(place, shipped)

    assert_full_and_whole(place, shipped, apart(limited), before)


def test_a_full_disk_keeps_what_it_has(place: Path, shipped: Tables, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(disk)], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip("no small disk can be mounted here; the limit of a file is tested above")
    try:
        small = Path(shutil.copy(place, disk / "casebook.sqlite"))
        with Casebook.open(small, clock=Ticking(), tables=shipped) as book:
            before = book.create(sheet(), who="ann").id
        got = apart(lambda: fill(small, shipped))
        copy = Path(shutil.copy(small, tmp_path / "copy.sqlite"))
        if Path(f"{small}-wal").exists():
            shutil.copy(f"{small}-wal", f"{copy}-wal")
        assert_full_and_whole(copy, shipped, got, before)
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_a_file_that_can_only_be_read_is_read_and_refuses_a_save(place: Path, shipped: Tables) -> None:
    with Casebook.open(place, clock=Ticking(), tables=shipped) as book:
        id = book.create(sheet(), who="ann").id
    digest = hashlib.sha256(place.read_bytes()).hexdigest()
    for folder in [place.parent, *place.parent.parents][:3]:
        folder.chmod(0o755)
    place.chmod(0o444)
    place.parent.chmod(0o555)

    def as_nobody() -> Any:
        if os.geteuid() == 0:
            os.setgid(65534)
            os.setuid(65534)
        with Casebook.open(place, clock=Ticking(), tables=shipped) as book:
            assert book.get(id).version == 1
            assert len(book.find().sheets) == 1
            book.create(sheet(), who="ann")

    name, said = apart(as_nobody)
    place.parent.chmod(0o755)
    assert name == "ReadOnly", said
    assert "can only be read: nothing was saved" in said
    assert hashlib.sha256(place.read_bytes()).hexdigest() == digest


def test_a_casebook_of_a_later_version_is_left_as_it_is(place: Path, shipped: Tables) -> None:
    connection = sqlite3.connect(place)
    connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.commit()
    connection.close()
    digest = hashlib.sha256(place.read_bytes()).hexdigest()
    with pytest.raises(NewerCasebook, match="install the newer partdate"):
        Casebook.open(place, clock=Ticking(), tables=shipped)
    assert hashlib.sha256(place.read_bytes()).hexdigest() == digest


def test_one_of_a_later_version_on_a_server_too(server: Server, database: str, shipped: Tables) -> None:
    server.run(database, "UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(NewerCasebook):
        Casebook.open(server.url(database), clock=Ticking(), tables=shipped)
    assert server.run(database, "SELECT version_num FROM alembic_version") == "9999"


def test_damage_is_told_with_the_way_back_and_nothing_is_written(
    place: Path, shipped: Tables, tmp_path: Path
) -> None:
    with Casebook.open(place, clock=Ticking(), tables=shipped, ids=counted_ids()) as book:
        ids = [book.create(sheet(), who="ann").id for _ in range(20)]
        copy = tmp_path / "backup.sqlite"
        backup(book.database, str(copy))
    raw = bytearray(place.read_bytes())
    size = int.from_bytes(raw[16:18], "big")
    size = 65_536 if size == 1 else size
    for page in range(
        2, len(raw) // size
    ):  # all but the first two, by which it is still known for a casebook
        raw[page * size : page * size + 200] = os.urandom(200)
    place.write_bytes(raw)
    with (
        pytest.raises(Damaged, match="newest backup") as caught,
        Casebook.open(place, clock=Ticking(), tables=shipped) as book,
    ):
        book.save(ids[0], sheet(), expected=1, who="bea")
    assert "nothing was written" in str(caught.value)
    assert place.read_bytes() == raw
    shutil.copy(copy, place)  # as the message says
    with Casebook.open(place, clock=Ticking(), tables=shipped) as book:
        assert_whole(book)
        assert book.save(ids[0], sheet(), expected=1, who="bea").version == 2


def test_one_damaged_page_shows(place: Path, shipped: Tables) -> None:
    with Casebook.open(place, clock=Ticking(), tables=shipped) as book:
        for _ in range(20):
            book.create(sheet(), who="ann")
    raw = bytearray(place.read_bytes())
    at = raw.find(b'"claim":"1962"')
    raw[at : at + 14] = b'"claim":"1961"'
    place.write_bytes(raw)
    with Casebook.open(place, clock=Ticking(), tables=shipped) as book:
        assert [fault for fault in verify(book.database).faults if "does not fit its hash" in fault]


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"maker,model\n", "is no casebook"), (b"SQLite format 3\0" + b"x" * 5000, "damaged")],
    ids=["a CSV", "a broken head"],
)
def test_another_file_is_left_as_it_is(tmp_path: Path, shipped: Tables, content: bytes, said: str) -> None:
    place = tmp_path / "other.sqlite"
    place.write_bytes(content)
    with pytest.raises((NoCasebook, Damaged), match=said):
        Casebook.open(place, clock=Ticking(), tables=shipped)
    assert place.read_bytes() == content


def test_another_programs_database_is_left_as_it_is(tmp_path: Path, shipped: Tables) -> None:
    place = tmp_path / "other.sqlite"
    connection = sqlite3.connect(place)
    connection.execute("CREATE TABLE books (title)")
    connection.commit()
    connection.close()
    with pytest.raises(NoCasebook, match="another program's"):
        Casebook.open(place, clock=Ticking(), tables=shipped)
    assert sqlite3.connect(place).execute("SELECT name FROM sqlite_master").fetchall() == [("books",)]


def test_another_programs_database_on_a_server_is_left_as_it_is(server: Server, shipped: Tables) -> None:
    name = server.new_database()
    server.run(name, "CREATE TABLE books (title text)")
    with pytest.raises(NoCasebook, match="a database of its own"):
        Casebook.open(server.url(name), clock=Ticking(), tables=shipped)


def test_a_place_that_can_hold_no_casebook_says_so(tmp_path: Path, shipped: Tables) -> None:
    with pytest.raises(NoCasebook, match="folder"):
        Casebook.open(tmp_path, clock=Ticking(), tables=shipped)
    with pytest.raises(NoCasebook, match="no folder"):
        Casebook.open(tmp_path / "a" / "b.sqlite", clock=Ticking(), tables=shipped)
    with pytest.raises(NoCasebook, match="there is no casebook"):
        Casebook.open(tmp_path / "b.sqlite", clock=Ticking(), tables=shipped, create=False)
    with pytest.raises(NoCasebook, match="SQLite file or a PostgreSQL"):
        Casebook.open("mysql://x/y", clock=Ticking(), tables=shipped)
    assert list(tmp_path.iterdir()) == []


def test_a_server_that_is_not_there_is_told_without_its_password(tmp_path: Path, shipped: Tables) -> None:
    with pytest.raises(Unavailable, match="can't be reached") as caught:
        Casebook.open(f"postgresql://ann:secret@/casebook?host={tmp_path}", clock=Ticking(), tables=shipped)
    assert "secret" not in str(caught.value)


def test_the_migrations_make_the_tables_that_the_code_knows(place: Path) -> None:
    assert known_revisions()[-1] == HEAD
    from sqlalchemy import inspect

    database = open_database(place)
    found = inspect(database.engine)
    for table in metadata.sorted_tables:
        columns = {column["name"]: column["nullable"] for column in found.get_columns(table.name)}
        assert columns == {column.name: column.nullable for column in table.columns}
        assert found.get_pk_constraint(table.name)["constrained_columns"] == [
            c.name for c in table.primary_key
        ]
        indexes = {index["name"]: index["column_names"] for index in found.get_indexes(table.name)}
        assert indexes == {str(index.name): [c.name for c in index.columns] for index in table.indexes}
    database.close()


def test_a_file_is_written_as_it_was_agreed(place: Path) -> None:
    database = open_database(place)
    with database.engine.connect() as connection:
        found = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar_one()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
    database.close()
    assert found == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 10_000}


def test_a_write_that_waits_in_vain_says_so(
    place: Path, shipped: Tables, monkeypatch: pytest.MonkeyPatch
) -> None:
    from decoder.casebook.errors import Busy

    monkeypatch.setattr("decoder.casebook.engine.BUSY_SECONDS", 0.2)
    monkeypatch.setattr("decoder.casebook.engine.SQLITE_WAIT", 50)
    other = sqlite3.connect(place, isolation_level=None)
    with Casebook.open(place, clock=lambda: NOON, tables=shipped) as book:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(Busy, match="nothing was saved") as caught:
            book.create(sheet(), who="ann")
        assert "locked" not in str(caught.value)
        other.execute("ROLLBACK")
        assert book.create(sheet(), who="ann").version == 1


def test_a_read_only_database_is_never_written(place: Path) -> None:
    database = open_database(place)
    object.__setattr__(database, "read_only", True)
    with pytest.raises(ReadOnly):
        database.write(lambda connection, end: None)
    database.close()
