"""The history is a chain: any work leaves it whole, and any tampering shows."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoder.casebook import Casebook, Conflict
from decoder.casebook.backup import backup
from decoder.casebook.chain import START, breaks, hash_of
from decoder.casebook.engine import open_database
from decoder.casebook.errors import Damaged, Refused
from decoder.casebook.verify import verify
from decoder.tables import Tables
from tests.casebook.conftest import Ticking, assert_whole, counted_ids, sheet

PNG = b"\x89PNG\r\n\x1a\n" + b"invented" * 20
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("create"), st.integers(1955, 1969)),
        st.tuples(st.just("save"), st.integers(0, 5), st.integers(1955, 1969), st.booleans()),
        st.tuples(st.just("restore"), st.integers(0, 5), st.integers(1, 4)),
        st.tuples(st.just("photo"), st.binary(max_size=3)),
    ),
    max_size=12,
)


def work_through(book: Casebook, steps: list[Any]) -> int:
    """Carry steps out on whichever sheets there are; returns how many versions must be there."""
    ids: list[str] = []
    versions = 0
    for step in steps:
        match step:
            case ("create", year):
                ids.append(book.create(sheet(claim=str(year)), who="ann").id)
                versions += 1
            case ("save", which, year, seen) if ids:
                now = book.get(ids[which % len(ids)])
                expected = now.etag if seen else "an older one"
                try:
                    book.save(now.id, sheet("137-6612", claim=str(year)), expected=expected, who="bea")
                    versions += 1
                except Conflict:
                    assert not seen
            case ("restore", which, version) if ids:
                now = book.get(ids[which % len(ids)])
                book.restore(now.id, 1 + version % now.version, expected=now.version, who="cal")
                versions += 1
            case ("photo", raw):
                book.add_photo(PNG + raw, who="dot")
    return versions


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS)
def test_any_sequence_of_saves_and_restores_keeps_the_casebook_whole(
    empty: Path, shipped: Tables, steps: list[Any]
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(shutil.copy(empty, Path(folder) / "casebook.sqlite"))
        with Casebook.open(place, clock=Ticking(), tables=shipped, ids=counted_ids()) as book:
            versions = work_through(book, steps)
            found = verify(book.database)
            assert found.faults == ()
            assert found.versions == versions


def test_a_chain_is_hashes_over_hashes() -> None:
    import hashlib
    import json

    entry = {
        "seq": 1, "at": "2026-11-25", "who": "ann", "what": "saved", "sheet_id": "s1", "version": 1,
        "digest": "d", "detail": "",
    }  # fmt: skip
    written = json.dumps([START, 1, "2026-11-25", "ann", "saved", "s1", 1, "d", ""], separators=(",", ":"))
    assert hash_of(START, entry) == hashlib.sha256(written.encode()).hexdigest()
    assert list(breaks([{**entry, "hash": hash_of(START, entry)}])) == []
    assert list(breaks([{**entry, "hash": "0"}])) != []
    assert "entry 1 is missing" in next(breaks([{**entry, "seq": 2, "hash": "0"}]))


@pytest.fixture
def full(book: Casebook, place: Path) -> Path:
    """A closed casebook with two sheets, several versions and a photo."""
    sha256 = book.add_photo(PNG, who="ann")
    trusted = {"date": "1962-08", "kind": "completed", "source": "ledger"}
    first = book.create({"sheet": sheet(), "photos": [{"sha256": sha256}], "trusted": trusted}, who="ann")
    book.save(first.id, {"sheet": sheet("137-6612"), "trusted": trusted}, expected=1, who="bea")
    book.create(sheet("304-6111"), who="ann")
    assert_whole(book)
    book.close()
    return place


def tampered(place: Path, *statements: str) -> None:
    connection = sqlite3.connect(place)
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        assert connection.execute(statement).rowcount > 0, statement
    connection.commit()
    connection.close()


TAMPERINGS = {
    "a version's text": "UPDATE versions SET body = replace(body, '1962', '1961') WHERE version = 1",
    "who saved a version": "UPDATE versions SET saved_by = 'eve' WHERE version = 1",
    "when a version was saved": "UPDATE versions SET saved_at = '1999' WHERE version = 2",
    "a version that is no text": "UPDATE versions SET body = x'00' WHERE version = 1",
    "a version that is no record": "UPDATE versions SET body = '[]' WHERE version = 1",
    "a version's hash": "UPDATE versions SET sha256 = 'x' WHERE version = 2",
    "a version taken out": "DELETE FROM versions WHERE version = 2",
    "an assessment": "UPDATE assessments SET body = x'00' WHERE seq = 2",
    "an assessment's outcome": "UPDATE assessments SET outcome = 'agrees' WHERE outcome = 'contradicted'",
    "an assessment's tables": "UPDATE assessments SET facts = 'x' WHERE seq = 1",
    "an assessment's reason": "UPDATE assessments SET reason = 'rechecked' WHERE seq = 1",
    "an assessment taken out": "DELETE FROM assessments WHERE seq = 2",
    "who did it": "UPDATE history SET who = 'eve' WHERE seq = 2",
    "when it was done": "UPDATE history SET at = '1999' WHERE seq = 4",
    "what was done": "UPDATE history SET what = 'restored' WHERE what = 'saved' AND version = 2",
    "an entry taken out": "DELETE FROM history WHERE seq = 3",
    "the last entry taken out": "DELETE FROM history WHERE seq = (SELECT max(seq) FROM history)",
    "the end of the chain": "UPDATE chain SET seq = seq - 1",
    "a photo": "UPDATE photos SET body = CAST(body || x'00' AS BLOB)",
    "a photo's type": "UPDATE photos SET mediatype = 'text/html'",
    "a photo taken out": "DELETE FROM photos",
    "the list's outcome": "UPDATE sheets SET outcome = 'agrees' WHERE outcome = 'contradicted'",
    "the list's maker": "UPDATE sheets SET maker = 'Somebody Else'",
    "the list's version": "UPDATE sheets SET version = 1 WHERE version = 2",
    "the list's trusted date": "UPDATE sheets SET trusted = '1961' WHERE trusted IS NOT NULL",
    "the search's marking": "UPDATE parts SET marking_key = '1' WHERE marking_key IS NOT NULL",
    "the search's verdict": "UPDATE parts SET verdict = 'fits' WHERE verdict <> 'fits'",
    "a sheet's parts": "DELETE FROM parts",
    "a revision of a table": "UPDATE table_contents SET body = x'00'",
    "a revision taken out": "DELETE FROM table_contents",
    "the list of tables": "UPDATE facts SET manifest = '{}'",
}


@pytest.mark.parametrize("statement", TAMPERINGS.values(), ids=TAMPERINGS.keys())
def test_tampering_shows(full: Path, shipped: Tables, statement: str) -> None:
    tampered(full, statement)
    with Casebook.open(full, clock=Ticking(), tables=shipped) as book:
        found = verify(book.database)
    assert not found.whole
    assert found.faults


def test_what_no_casebook_writes_is_damage(full: Path, shipped: Tables) -> None:
    tampered(full, "UPDATE photos SET body = CAST(x'FF' AS TEXT)")
    with Casebook.open(full, clock=Ticking(), tables=shipped) as book, pytest.raises(Damaged, match="backup"):
        verify(book.database)


def test_a_sheet_taken_out_with_all_that_belongs_to_it_shows(full: Path, shipped: Tables) -> None:
    tampered(
        full,
        "DELETE FROM parts WHERE sheet_id = 's00001'",
        "DELETE FROM assessments WHERE sheet_id = 's00001'",
        "DELETE FROM versions WHERE sheet_id = 's00001'",
        "DELETE FROM sheets WHERE id = 's00001'",
        "DELETE FROM history WHERE sheet_id = 's00001'",
    )
    with Casebook.open(full, clock=Ticking(), tables=shipped) as book:
        assert any("missing" in fault for fault in verify(book.database).faults)


def test_a_chain_worked_out_anew_shows_to_whoever_kept_its_end(
    full: Path, shipped: Tables, tmp_path: Path
) -> None:
    with Casebook.open(full, clock=Ticking(), tables=shipped) as book:
        kept = verify(book.database).head
        book.create(sheet(), who="ann")
        later = verify(book.database, head=kept)
    assert later.whole and later.head != kept
    other = tmp_path / "other.sqlite"
    with Casebook.open(other, clock=Ticking(), tables=shipped, ids=counted_ids()) as book:
        book.create(sheet(), who="ann")
        found = verify(book.database, head=kept)
        assert verify(book.database).whole
    assert [fault for fault in found.faults if "kept elsewhere" in fault]


@pytest.mark.parametrize("table", ["versions", "assessments", "history", "photos", "facts", "table_contents"])
def test_what_is_append_only_refuses_everything_else(full: Path, table: str) -> None:
    connection = sqlite3.connect(full)
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        connection.execute(f"DELETE FROM {table}")
    column = connection.execute(f"SELECT name FROM pragma_table_info('{table}')").fetchone()[0]
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        connection.execute(f"UPDATE {table} SET {column} = {column}")
    connection.close()


def test_postgresql_refuses_it_too(server: Any, database: str, shipped: Tables) -> None:
    with Casebook.open(server.url(database), clock=Ticking(), tables=shipped) as book:
        book.create(sheet(), who="ann")
    for table in ("versions", "assessments", "history", "photos", "facts", "table_contents"):
        for statement in (f"DELETE FROM {table}", f"TRUNCATE {table} CASCADE"):
            with pytest.raises(AssertionError, match="append-only"):
                server.run(database, statement)


def test_a_backup_is_the_same_casebook(either: Casebook, shipped: Tables, tmp_path: Path) -> None:
    work_through(either, [("create", 1962), ("save", 0, 1963, True), ("create", 1960), ("photo", b"a")])
    copy = tmp_path / "backup.sqlite"
    found = backup(either.database, str(copy))
    assert found.whole and found.head == either.history()[-1].hash == either.head()
    with Casebook.open(copy, clock=Ticking(), tables=shipped) as book:
        assert list(book.every()) == list(either.every())
        assert book.history() == either.history()
        book.create(sheet(), who="ann", id="later")
        assert_whole(book)
    assert sorted(path.name for path in tmp_path.iterdir() if "backup" in path.name) == ["backup.sqlite"]
    with pytest.raises(Refused, match="overwrites nothing"):
        backup(either.database, str(copy))


def test_a_backup_goes_from_a_file_to_a_server_and_back(
    book: Casebook, server: Any, shipped: Tables, tmp_path: Path
) -> None:
    work_through(book, [("create", 1962), ("save", 0, 1963, True), ("photo", b"a")])
    url = server.url(server.new_database())
    assert backup(book.database, url).head == book.history()[-1].hash
    there = open_database(url)
    assert backup(there, str(tmp_path / "back.sqlite")).head == book.history()[-1].hash
    there.close()
    with pytest.raises(Refused, match="overwrites nothing"):
        backup(book.database, url)


def test_what_does_not_verify_is_no_backup(full: Path, tmp_path: Path) -> None:
    tampered(full, "UPDATE versions SET saved_by = 'eve' WHERE version = 1")
    source = open_database(full)
    with pytest.raises(Refused, match="does not verify"):
        backup(source, str(tmp_path / "copy.sqlite"))
    source.close()
    assert not list(tmp_path.glob("copy*"))
