"""partdate serve: where it listens, what it says, and what it refuses to open to the network."""

from __future__ import annotations

import json
import os
import socket
import sqlite3
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest
from click.testing import CliRunner

from decoder.cli import main
from decoder.service import serving
from decoder.service.sheets import opened
from decoder.tables import Tables


@pytest.fixture
def address(shipped: Tables) -> Iterator[str]:
    server = serving.listening(shipped, "127.0.0.1", 0)

    def run() -> None:
        with suppress(OSError):  # its sockets are closed under it when the test is over
            server.run()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    yield serving.address_of("127.0.0.1", server.effective_port)
    server.close()
    thread.join(timeout=10)


def test_a_served_page_and_endpoint_answer(address: str) -> None:
    with urllib.request.urlopen(f"{address}?marking=137-612&part=pot", timeout=10) as answer:
        assert b"reads as one of" in answer.read()
        assert answer.headers["Server"] == "partdate"
    asked = urllib.request.Request(
        f"{address}v1/decode",
        json.dumps({"marking": "137-612"}).encode(),
        {"Content-Type": "application/json"},
    )
    with urllib.request.urlopen(asked, timeout=10) as answer:
        assert json.load(answer)["status"] == "read"


def test_a_page_of_another_site_that_points_its_name_here_is_refused(address: str) -> None:
    asked = urllib.request.Request(address, headers={"Host": "elsewhere.example"})
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(asked, timeout=10)
    assert refused.value.code == 400
    refused.value.close()


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "::", "2001:db8::1", "example.org", ""])
def test_an_address_that_others_could_reach_is_refused(shipped: Tables, host: str) -> None:
    with pytest.raises(serving.NotServed, match="no password or token yet") as refused:
        serving.serve(shipped, host, 0)
    assert refused.value.exit_code == 2
    assert "127.0.0.1" in str(refused.value)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.2", "localhost", "::1"])
def test_an_address_of_this_machine_alone_is_taken(host: str) -> None:
    assert serving.is_loopback(host)


def test_a_port_that_is_taken_is_named(shipped: Tables, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(serving.NotServed, match=f"port {port}") as refused:
            serving.serve(shipped, "127.0.0.1", port)
    refused.value.show()
    assert capsys.readouterr().err.startswith("partdate: nothing can listen at 127.0.0.1")


def test_the_place_of_the_page_is_printed(
    shipped: Tables, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Stopped:
        effective_port = 8123
        closed = False

        def run(self) -> None:
            raise KeyboardInterrupt

        def close(self) -> None:
            self.closed = True

    server = Stopped()
    monkeypatch.setattr(serving, "listening", lambda *_: server)
    serving.serve(shipped, "127.0.0.1", 0)
    said = capsys.readouterr().out
    assert "http://127.0.0.1:8123/" in said and said.endswith("Stopped.\n")
    assert server.closed


def test_an_address_of_the_newer_kind_is_written_with_brackets() -> None:
    assert serving.address_of("::1", 8000) == "http://[::1]:8000/"


# --- with a casebook


def sheet_of(claim: str) -> dict[str, object]:
    part = {"id": "pot", "part": "potentiometer", "marking": "304-6208"}  # all of it invented
    return {"instrument": {"maker": "Harrow & Vale", "claim": claim}, "parts": [part]}


@pytest.mark.parametrize(
    ("made", "said"),
    [
        ("folder", "is a folder"),
        ("no folder", "there is no folder"),
        ("text", "does not begin as an SQLite file does"),
        ("newer", "was written by a later partdate"),
        ("cut", "is damaged"),
        ("foreign", "another program's SQLite file"),
        ("read only", "can only be read"),
        ("no server", "can't be reached"),
        ("odd address", "an SQLite file or a PostgreSQL database"),
    ],
)
def test_a_casebook_that_can_not_be_used_is_refused_at_the_start(
    made: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "casebook.sqlite"
    where = str(place)
    match made:
        case "folder":
            where = str(tmp_path)
        case "no folder":
            where = str(tmp_path / "nowhere" / "casebook.sqlite")
        case "text":
            place.write_text("id,part,marking\n")
        case "newer":
            opened(place).close()
            with closing(sqlite3.connect(place)) as other, other:
                other.execute("UPDATE alembic_version SET version_num = '9999'")
        case "cut":
            opened(place).close()
            place.write_bytes(place.read_bytes()[:5000])
        case "foreign":
            with closing(sqlite3.connect(place)) as other, other:
                other.execute("CREATE TABLE notes (text)")
        case "read only":
            opened(place).close()
            monkeypatch.setattr("os.access", lambda path, mode: str(path) != where or mode != os.W_OK)
        case "no server":
            where = f"postgresql://nobody@/none?host={tmp_path}"
        case "odd address":
            where = "mysql://bench/casebook"
    before = place.read_bytes() if place.is_file() else b""
    refused = CliRunner().invoke(main, ["serve", "--port", "0", "--casebook", where])
    assert refused.exit_code == 2
    assert "the casebook can't be served" in refused.output and said in refused.output
    assert "Traceback" not in refused.output
    assert (place.read_bytes() if place.is_file() else b"") == before


def test_the_casebook_is_named_by_an_option_or_by_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str | None] = []
    monkeypatch.setattr(serving, "serve", lambda tables, host, port, options: asked.append(options.casebook))
    for option, variable, wanted in (
        ((), None, None),
        ((), "", None),
        ((), " ", None),
        ((), "bench.sqlite", "bench.sqlite"),
        (("--casebook", "desk.sqlite"), "bench.sqlite", "desk.sqlite"),
    ):
        environment = {"PARTDATE_CASEBOOK": variable} if variable is not None else {}
        done = CliRunner().invoke(main, ["serve", *option], env=environment)
        assert done.exit_code == 0 and asked.pop() == wanted
    assert list(tmp_path.iterdir()) == []


def test_a_casebook_is_not_opened_to_strangers(shipped: Tables, tmp_path: Path) -> None:
    options = serving.Options(casebook=str(tmp_path / "casebook.sqlite"))
    with pytest.raises(serving.NotServed, match="no password or token yet"):
        serving.application(shipped, "192.0.2.7", options)
    tokens = tmp_path / "tokens"
    tokens.write_text("intake-desk " + "a" * 32 + "\n")
    options = serving.Options(casebook=str(tmp_path / "casebook.sqlite"), token_file=tokens)
    client = serving.application(shipped, "192.0.2.7", options).test_client()
    assert client.post("/v1/sheets", json=sheet_of("1962")).status_code == 401
    login = {"Authorization": "Bearer " + "a" * 32}
    saved = client.post("/v1/sheets", json=sheet_of("1962"), headers=login).get_json()
    assert saved["saved_by"] == "intake-desk"
