"""A casebook on PostgreSQL behind a server: several processes lose no update, and a database that is gone is told."""

from __future__ import annotations

import json
import signal
import threading

import pytest

from decoder.casebook import Casebook
from decoder.casebook.verify import verify
from decoder.tables import Tables
from tests.casebook.conftest import NOON, Server
from tests.service.test_running import SECONDS, SHEET, Process, count_up

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="needs the signals of a Unix system")


def test_workers_share_a_casebook_on_postgresql(server: Server, database: str, shipped: Tables) -> None:
    url = server.url(database)
    process = Process("--workers", "2", "--casebook", url, "--log", "json")
    try:
        status, made = process.ask("POST", "/v1/sheets", json.dumps({"sheet": SHEET, "remarks": "0"}))
        assert status == 201
        path = f"/v1/sheets/{json.loads(made)['id']}"
        answers: list[int] = []
        threads = [threading.Thread(target=count_up, args=(process, path, 8, answers)) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(timeout=2 * SECONDS)
        assert answers.count(200) == 32
        assert json.loads(process.ask("GET", path)[1])["remarks"] == "32"
        process.send(signal.SIGTERM)
        assert process.ended() == 0
    finally:
        process.end()
    with Casebook.open(url, clock=lambda: NOON, tables=shipped) as book:
        assert verify(book.database).faults == ()


def test_a_server_that_is_gone_is_told_and_comes_back(server: Server, database: str) -> None:
    process = Process("--casebook", server.url(database), "--log", "json")
    try:
        assert process.ask("GET", "/v1/sheets")[0] == 200
        server.kill()
        status, body = process.ask("GET", "/v1/sheets")
        assert status == 503 and json.loads(body)["type"] == "/problems/casebook-failed"
        assert str(server.folder) not in body.decode()
        server.start()
        assert process.ask("GET", "/v1/sheets")[0] == 200
    finally:
        if server.process is None or server.process.poll() is not None:
            server.start()
        process.end()
