"""A writer or a server is killed at any moment: every save that was acknowledged is there, and none is half there.

PARTDATE_CRASHES is the number of kills of the long run (`PARTDATE_CRASHES=200 pytest -m slow tests/casebook`).
"""

from __future__ import annotations

import json
import multiprocessing
import os
import random
import select
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from decoder.casebook import Casebook
from decoder.casebook.errors import CasebookError
from decoder.casebook.verify import verify
from decoder.tables import Tables
from tests.casebook.conftest import NOON, Server, sheet

QUICK = 15
LONG = int(os.environ.get("PARTDATE_CRASHES", "0"))
FORK = multiprocessing.get_context("fork")

long_run = pytest.mark.skipif(not LONG, reason="the long run: PARTDATE_CRASHES=200")


def write_without_end(where: str, tables: Tables, seed: int, acknowledged: int) -> None:
    """Save sheets, and acknowledge each through a pipe once it is saved: its id, version and claim."""
    choose = random.Random(seed)
    ids: list[str] = []
    with Casebook.open(where, clock=lambda: NOON, tables=tables) as book:
        while True:
            year = str(choose.randint(1955, 1969))
            try:
                if not ids or choose.random() < 0.3:
                    stored = book.create(sheet("304-6208", "137-6612", claim=year), who="ann")
                    ids.append(stored.id)
                else:
                    stored = book.save(
                        choose.choice(ids), sheet("304-6208", claim=year), expected="*", who="bea"
                    )
            except CasebookError:
                return  # the server was killed
            line = json.dumps([stored.id, stored.version, year]) + "\n"
            os.write(acknowledged, line.encode())


def killed_at_random(
    where: str, tables: Tables, seed: int, kill: Callable[[int], None]
) -> list[tuple[str, int, str]]:
    """What was acknowledged by a writer until `kill` (which is given its pid) ended the work."""
    reading, writing = os.pipe()
    writer = FORK.Process(target=write_without_end, args=(where, tables, seed, writing))
    writer.start()
    os.close(writing)
    got = b""
    until = None
    choose = random.Random(~seed)
    while True:
        ready, _, _ = select.select([reading], [], [], 0.002)
        block = os.read(reading, 65_536) if ready else b""
        got += block
        if ready and not block:
            break
        if until is None and got:
            until = time.monotonic() + choose.uniform(0, 0.12)
        if until is not None and time.monotonic() >= until:
            kill(writer.pid or 0)
            until = float("inf")
    os.close(reading)
    writer.join(30)
    return [tuple(json.loads(line)) for line in got.decode().split("\n")[:-1]]


def kill_writer(pid: int) -> None:
    os.kill(pid, signal.SIGKILL)


def assert_nothing_lost(book: Casebook, acknowledged: list[tuple[str, int, str]]) -> None:
    newest: dict[str, int] = {}
    for id, version, year in acknowledged:
        assert book.get(id, version).record["sheet"]["instrument"]["claim"] == year
        newest[id] = max(version, newest.get(id, 0))
    for id, version in newest.items():
        assert book.get(id).version >= version


def crash(
    where: str, tables: Tables, rounds: int, seed: int, kill: Callable[[int], None], start: Callable[[], None]
) -> None:
    """Kill and start again, so many times; what was acknowledged is looked for after each kill, and all of it last."""
    acknowledged: list[tuple[str, int, str]] = []
    with Casebook.open(where, clock=lambda: NOON, tables=tables) as book:
        before = verify(book.database).versions
    for number in range(rounds):
        now = killed_at_random(where, tables, seed + number, kill)
        acknowledged += now
        start()
        with Casebook.open(where, clock=lambda: NOON, tables=tables) as book:
            assert_nothing_lost(book, now)
            if number % 10 == 9 or number == rounds - 1:
                found = verify(book.database)
                assert found.faults == ()
                # At most one save a round was made and could not be acknowledged any more.
                assert 0 <= found.versions - before - len(acknowledged) <= number + 1
                assert_nothing_lost(book, acknowledged)
    assert len(acknowledged) >= rounds


def crash_the_writer(where: str, tables: Tables, rounds: int, seed: int) -> None:
    crash(where, tables, rounds, seed, kill_writer, lambda: None)


def crash_the_server(server: Server, database: str, tables: Tables, rounds: int, seed: int) -> None:
    crash(server.url(database), tables, rounds, seed, lambda _: server.kill(), server.start)


def test_a_killed_writer_loses_no_acknowledged_save(place: Path, shipped: Tables) -> None:
    crash_the_writer(str(place), shipped, QUICK, 1)


def test_a_killed_writer_loses_none_on_postgresql(server: Server, database: str, shipped: Tables) -> None:
    crash_the_writer(server.url(database), shipped, QUICK - 5, 2)


def test_a_killed_server_loses_none(server: Server, database: str, shipped: Tables) -> None:
    crash_the_server(server, database, shipped, 4, 3)


@pytest.mark.slow
@long_run
def test_many_killed_writers_lose_no_acknowledged_save(place: Path, shipped: Tables) -> None:
    crash_the_writer(str(place), shipped, LONG, 1000)


@pytest.mark.slow
@long_run
def test_many_kills_on_postgresql_lose_none(server: Server, database: str, shipped: Tables) -> None:
    crash_the_writer(server.url(database), shipped, LONG - LONG // 4, 2000)
    crash_the_server(server, database, shipped, LONG // 4, 3000)


def test_a_casebook_killed_while_it_is_made_is_made_by_the_next(tmp_path: Path, shipped: Tables) -> None:
    def make(where: str) -> Any:
        Casebook.open(where, clock=lambda: NOON, tables=shipped)

    for number in range(6):
        where = tmp_path / f"{number}.sqlite"
        maker = FORK.Process(target=make, args=(str(where),))
        maker.start()
        time.sleep(0.03 * number)
        os.kill(maker.pid or 0, signal.SIGKILL)
        maker.join(10)
        with Casebook.open(where, clock=lambda: NOON, tables=shipped) as book:
            book.create(sheet(), who="ann")
            assert verify(book.database).faults == ()
