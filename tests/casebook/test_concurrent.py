"""Many write at once: nobody's work is lost without a word, and nobody is told of locks.

PARTDATE_WRITERS_SECONDS is how long they write (2 by default).
"""

from __future__ import annotations

import multiprocessing
import os
import random
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from decoder.casebook import Casebook, Conflict
from decoder.casebook.verify import verify
from decoder.tables import Tables
from tests.casebook.conftest import NOON, Server, sheet

SECONDS = float(os.environ.get("PARTDATE_WRITERS_SECONDS", "2"))
WRITERS = 50
SHEETS = 5
FORK = multiprocessing.get_context("fork")


def count_up(book: Casebook, ids: list[str], seconds: float, seed: int) -> tuple[int, int, list[str]]:
    """Add one to the count in the remarks of a sheet, again and again: additions, conflicts, and any other error."""
    choose = random.Random(seed)
    until = time.monotonic() + seconds
    added = conflicts = 0
    while time.monotonic() < until:
        try:
            now = book.get(choose.choice(ids))
            count = int(now.record["remarks"])
            record = {"sheet": sheet(), "remarks": str(count + 1)}
            book.save(now.id, record, expected=now.etag, who=f"writer {seed}")
            added += 1
        except Conflict:
            conflicts += 1
        except Exception as error:
            return added, conflicts, [f"{type(error).__name__}: {error}"]
    return added, conflicts, []


def process(where: str, tables: Tables, ids: list[str], seed: int, answers: Any) -> None:
    with Casebook.open(where, clock=lambda: NOON, tables=tables) as book:
        answers.put(count_up(book, ids, SECONDS, seed))


def prepared(where: str, tables: Tables) -> list[str]:
    with Casebook.open(where, clock=lambda: NOON, tables=tables) as book:
        return [book.create({"sheet": sheet(), "remarks": "0"}, who="ann").id for _ in range(SHEETS)]


def assert_no_update_is_lost(where: str, tables: Tables, ids: list[str], answers: list[Any]) -> None:
    added, conflicts = sum(one[0] for one in answers), sum(one[1] for one in answers)
    errors = [error for one in answers for error in one[2]]
    print(
        f"\n{len(answers)} writers: {added:,} saved, {conflicts:,} told of a conflict, {len(errors)} other errors"
    )
    assert errors == []
    with Casebook.open(where, clock=lambda: NOON, tables=tables) as book:
        stored = [book.get(id) for id in ids]
        assert sum(int(one.record["remarks"]) for one in stored) == added
        assert sum(one.version - 1 for one in stored) == added
        assert verify(book.database).faults == ()
    assert added > 0


def fifty_processes(where: str, tables: Tables, writers: int) -> None:
    ids = prepared(where, tables)
    answers: Any = FORK.Queue()
    started = [FORK.Process(target=process, args=(where, tables, ids, n, answers)) for n in range(writers)]
    for one in started:
        one.start()
    got = [answers.get(timeout=SECONDS + 90) for _ in started]
    for one in started:
        one.join(30)
    assert_no_update_is_lost(where, tables, ids, got)


def test_fifty_processes_lose_no_update(place: Path, shipped: Tables) -> None:
    fifty_processes(str(place), shipped, WRITERS)


def test_fifty_processes_lose_no_update_on_postgresql(server: Server, database: str, shipped: Tables) -> None:
    fifty_processes(server.url(database), shipped, WRITERS)


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_threads_share_one_casebook(kind: str, request: pytest.FixtureRequest, shipped: Tables) -> None:
    where = str(request.getfixturevalue("place"))
    if kind == "postgresql":
        where = request.getfixturevalue("server").url(request.getfixturevalue("database"))
    ids = prepared(where, shipped)
    answers: list[Any] = []
    with Casebook.open(where, clock=lambda: NOON, tables=shipped) as book:
        threads = [
            threading.Thread(target=lambda n=n: answers.append(count_up(book, ids, SECONDS / 2, n)))  # type: ignore[misc]
            for n in range(12)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert_no_update_is_lost(where, shipped, ids, answers)


def test_a_reader_sees_one_moment_while_others_write(place: Path, shipped: Tables) -> None:
    ids = prepared(str(place), shipped)
    with Casebook.open(place, clock=lambda: NOON, tables=shipped) as book:
        writer = threading.Thread(target=count_up, args=(book, ids, 1.0, 1))
        writer.start()
        looks = 0
        while writer.is_alive():
            assert verify(book.database).faults == ()
            looks += 1
        writer.join()
    assert looks > 2


def test_many_open_a_casebook_that_is_not_there_yet(tmp_path: Path, shipped: Tables) -> None:
    where = str(tmp_path / "new.sqlite")
    answers: Any = FORK.Queue()

    def save() -> None:
        try:
            with Casebook.open(where, clock=lambda: NOON, tables=shipped) as book:
                answers.put(book.create(sheet(), who="ann").version)
        except Exception as error:
            answers.put(f"{type(error).__name__}: {error}")

    started = [FORK.Process(target=save) for _ in range(8)]
    for one in started:
        one.start()
    assert [answers.get(timeout=60) for _ in started] == [1] * 8
    for one in started:
        one.join(30)
    with Casebook.open(where, clock=lambda: NOON, tables=shipped) as book:
        assert book.count() == 8
        assert verify(book.database).faults == ()
