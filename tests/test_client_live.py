"""The client against a real server in a process of its own, also one that is killed while it answers."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import chain, count, islice
from pathlib import Path

import pytest

from decoder import __version__, decode
from decoder import client as client_module
from decoder.client import (
    Answer,
    BadMarking,
    BadSheet,
    Client,
    Decoding,
    NotFound,
    RouteMissing,
    ServerUnavailable,
    StreamBroken,
    Unauthorized,
    UnknownKind,
)
from decoder.tables import Tables

ROOT = Path(__file__).resolve().parent.parent
SHEET = {
    "instrument": {"maker": "Harrow & Vale", "claim": "1959"},  # an invented maker
    "parts": [{"id": "volume pot", "part": "potentiometer", "marking": "137-6612"}],
}


class Running:
    """A server in a process of its own, on a free port of this machine."""

    def __init__(self, *options: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "decoder.cli", "serve", "--port", "0", "--log", "errors", *options],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        assert self.process.stdout is not None
        said = []
        for line in self.process.stdout:
            said.append(line)
            found = re.search(r"http://127\.0\.0\.1:\d+", line)
            if found:
                self.address = found[0]
                return
        raise AssertionError("the server did not start:\n" + "".join(said))

    def kill(self) -> None:
        """End the process at once, as a power cut would: it can't finish or say anything."""
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()


@contextmanager
def running(*options: str) -> Iterator[Running]:
    server = Running(*options)
    try:
        yield server
    finally:
        if server.process.returncode is None:
            server.kill()


@pytest.fixture(scope="module")
def server() -> Iterator[Running]:
    with running() as made:
        yield made


@pytest.fixture(scope="module")
def asked(server: Running) -> Iterator[Client]:
    with Client(server.address) as client:
        yield client


def markings() -> Iterator[str]:
    """Different codes without an end: source 137, years and weeks, then a running number."""
    return (f"137{60 + n % 20}{1 + n % 52:02}-{n}" for n in count())


def test_a_marking_is_read_as_the_core_reads_it(asked: Client, shipped: Tables) -> None:
    answer = asked.decode("137-6612", part="pot", claim="1966")
    expected = decode("137-6612", part="pot", claim="1966", tables=shipped).as_dict()
    assert answer.raw == expected
    assert answer.status == "read"
    # Week 12 of 1966: the ISO week is 21-27 March, Sunday weeks 20-26 March, days 78-84 of the year 19-25 March.
    assert answer.windows[0].edtf == "1966-03-19/1966-03-27"
    assert [one.raw for one in answer.readings] == expected["readings"]
    assert answer.readings[0].sources[0].title == expected["readings"][0]["sources"][0]["title"]


def test_a_sheet_is_assessed(asked: Client) -> None:
    answer = asked.check(SHEET)
    assert answer.outcome == "contradicted"
    assert answer.parts[0].verdict == "too-new"
    assert answer.raw["narrative"] == list(answer.narrative)


def test_refusals_of_the_server_are_the_exceptions_of_the_client(asked: Client) -> None:
    with pytest.raises(BadMarking) as marking:
        asked.decode("137-[")
    assert marking.value.problem is not None
    assert marking.value.problem.errors[0].at == (4, 5)
    with pytest.raises(UnknownKind, match="potentiometer"):
        asked.decode("137-6612", part="potentiometr")
    with pytest.raises(BadSheet, match="/parts/1/id"):
        asked.check({**SHEET, "parts": [*SHEET["parts"], *SHEET["parts"]]})


def test_the_server_says_which_version_it_is(asked: Client) -> None:
    health = asked.health()
    assert (health.status, health.version, len(health.tables)) == ("ok", __version__, 12)


def test_a_call_that_this_server_lacks_is_told_from_a_bad_request(server: Running) -> None:
    with Client(f"{server.address}/elsewhere") as lost, pytest.raises(RouteMissing, match="has no such call"):
        lost.decode("137-6612")


def test_nothing_listens_where_no_server_is() -> None:
    with running() as server:
        server.kill()
        waits: list[float] = []
        with Client(server.address, sleep=waits.append) as client, pytest.raises(ServerUnavailable):
            client.decode("137-6612")
    assert len(waits) == 3


def test_a_server_with_tokens_answers_to_those_who_have_one(tmp_path: Path) -> None:
    token = "an-invented-token-of-the-tidewater-bench"
    (tmp_path / "tokens").write_text(f"intake-desk {token}\n")
    with running("--token-file", str(tmp_path / "tokens")) as server:
        with Client(server.address, token=token) as known:
            assert known.decode("137-6612").status == "read"
            assert [one.line for one in known.decode_stream(["137-6612"] * 2)] == [1, 2]
        for other in (None, token + "x"):
            with Client(server.address, token=other) as stranger:
                assert stranger.health().status == "ok"  # says nothing but that it is there
                with pytest.raises(Unauthorized, match="token"):
                    stranger.decode("137-6612")
                with pytest.raises(Unauthorized):
                    list(stranger.decode_stream(["137-6612"]))


def test_a_server_that_counts_lines_is_waited_for() -> None:
    waits: list[float] = []

    def wait(seconds: float) -> None:
        waits.append(seconds)
        if len(waits) == 3:  # the last attempt would be refused too, since nobody really waits here
            raise KeyboardInterrupt

    with running("--rate", "1", "--burst", "10") as server, Client(server.address, sleep=wait) as client:
        seen = []
        with suppress(KeyboardInterrupt):
            seen.extend(client.decode_stream(islice(markings(), 400)))
    # 250 lines go out at once, 10 of them from the burst: about 240 seconds before the next turn.
    assert len(seen) == 250
    assert len(waits) == 3
    assert all(60 < seconds < 250 for seconds in waits)


class Eager(BaseHTTPRequestHandler):
    """A server that answers each line before it reads the next, with far more bytes than it was asked in."""

    protocol_version = "HTTP/1.1"
    long = "x" * 3_000

    def do_POST(self) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "application/x-ndjson")
        self.send_header("Transfer-Encoding", "chunked")
        self.end_headers()
        left, number = int(self.headers["Content-Length"]), 0
        while left > 0:
            line = self.rfile.readline()
            left, number = left - len(line), number + 1
            made = {"marking": json.loads(line)["marking"], "status": "unread", "note": self.long}
            raw = json.dumps({"line": number, "decoding": made}).encode() + b"\n"
            self.wfile.write(b"%x\r\n%s\r\n" % (len(raw), raw))
        self.wfile.write(b"0\r\n\r\n")

    def log_message(self, *_: object) -> None:
        """Say nothing."""


def test_a_server_that_answers_while_it_is_being_asked_never_waits_for_a_client_that_waits_for_it() -> None:
    """10 MB of lines lie in no buffer, nor do their answers: were the client to send all of them first, both would
    wait for ever."""
    eager = ThreadingHTTPServer(("127.0.0.1", 0), Eager)
    thread = threading.Thread(target=eager.serve_forever, daemon=True)
    thread.start()
    try:
        every = [f"{n:02500}" for n in range(4000)]
        with Client(f"http://127.0.0.1:{eager.server_port}", timeout=20, retries=0) as client:
            assert [one.get().marking for one in client.decode_stream(every)] == every
    finally:
        eager.shutdown()
        eager.server_close()
        thread.join()


def test_a_batch_is_answered_in_its_order(asked: Client) -> None:
    items = [{"marking": "137-6612", "part": "pot", "id": "a"}, {"marking": "137-[", "id": 7}, "ZZTOP"]
    first, second, third = asked.decode_batch(items)
    assert (first.id, first.get().raw) == ("a", asked.decode("137-6612", part="pot").raw)
    assert second.id == 7 and second.problem is not None and second.problem.name == "bad-marking"
    assert (third.id, third.get().status) == (None, "unread")


def test_schemes_parts_and_tables_are_those_of_the_server(asked: Client, shipped: Tables) -> None:
    assert {one.id for one in asked.tables()} == set(shipped.ids())
    kinds = {one.id: one for one in asked.parts()}
    assert set(kinds) == {row["id"] for row in shipped.table("parts/kinds").rows}
    assert "pot" in kinds["potentiometer"].aliases
    schemes = {one.id: one for one in asked.schemes()}
    assert schemes.keys() >= {row["id"] for row in shipped.schemes("source_date")}
    table = asked.table("parts/lag")
    assert table.revision == shipped.table("parts/lag").revision
    assert len(table.rows) == len(shipped.table("parts/lag").rows)
    with pytest.raises(NotFound) as missing:
        asked.table("parts/no-such")
    assert not isinstance(missing.value, RouteMissing)


def test_a_stream_is_answered_line_by_line_as_single_calls_are(asked: Client) -> None:
    items = [{"marking": text, "id": f"row {n}"} for n, text in enumerate(islice(markings(), 600))]
    items[100] = {"marking": "137-[", "id": "torn"}
    answers = list(asked.decode_stream(iter(items)))
    assert [(one.line, one.id) for one in answers] == [(n, one["id"]) for n, one in enumerate(items, 1)]
    assert answers[100].problem is not None and answers[100].problem.name == "bad-marking"
    assert answers[-1].get() == asked.decode(items[-1]["marking"])


def test_sheets_are_streamed_too(asked: Client) -> None:
    good, bad = asked.check_stream([{**SHEET, "id": 1}, {"parts": 7, "id": 2}])
    assert (good.line, good.id, good.get().raw) == (1, 1, asked.check(SHEET).raw)
    assert (bad.line, bad.id) == (2, 2)
    with pytest.raises(BadSheet):
        bad.get()


@pytest.mark.parametrize(("after", "at_once"), [(37, 250), (1, 20_000)])
def test_a_server_killed_while_it_answers_leaves_no_doubt_which_lines_have_answers(
    monkeypatch: pytest.MonkeyPatch, after: int, at_once: int
) -> None:
    """20,000 lines at once take the server far longer than the client takes for its first answers: it is killed in
    the middle of a request. In requests of 250 lines it may be killed between two. Each line must be accounted for
    either way, and the rest can be done by another server."""
    monkeypatch.setattr(client_module, "STREAM_LINES", at_once)
    monkeypatch.setattr(client_module, "STREAM_BYTES", 10_000_000)
    every = list(islice(markings(), 20_000))
    rest = iter(every)
    seen: list[Answer[Decoding]] = []
    with ExitStack() as stack:
        server = stack.enter_context(running())
        client = stack.enter_context(Client(server.address, sleep=lambda _: None))

        def read_on() -> None:
            for answer in client.decode_stream(rest):
                seen.append(answer)
                if len(seen) == after:
                    server.kill()

        with pytest.raises(StreamBroken) as raised:
            read_on()
    broken = raised.value
    done = len(seen)
    assert after <= done < 20_000
    assert [answer.line for answer in seen] == list(range(1, done + 1))
    assert [answer.get().marking for answer in seen] == every[:done]
    assert broken.answered == (range(1, done + 1),)
    taken = broken.unanswered[-1].stop - 1
    assert broken.unanswered == (range(done + 1, taken + 1),)
    assert list(broken.pending) == every[done:taken]
    # What is left: the pending items and those never taken, once each.
    with running() as other, Client(other.address) as client:
        resumed = list(client.decode_stream(islice(chain(broken.pending, rest), 300)))
    assert [answer.get().marking for answer in resumed] == every[done : done + 300]
