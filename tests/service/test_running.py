"""A real server process: it stops without losing an answer, reads tables and tokens again, and refuses early."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import queue
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from decoder.cli import main
from decoder.service import serving
from decoder.service.logs import JsonLog
from decoder.tables import Tables, shipped_folder

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="needs the signals of a Unix system")
TOKEN = "tidewater-bench-invented-token"
POT = json.dumps({"marking": "137-6612", "part": "pot"})
JSON = {"Content-Type": "application/json"}
SECONDS = 30  # more than anything here takes; a test that needs it has failed


class Process:
    """A running `partdate serve`, its port, and the events of its log."""

    def __init__(self, *options: str, tables: Path | None = None, folder: Path | None = None) -> None:
        above = ["--tables", str(tables)] if tables else []
        self.process = subprocess.Popen(
            [sys.executable, "-m", "decoder.cli", *above, "serve", "--port", "0", *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PARTDATE_TABLES": "", "PARTDATE_CASEBOOK": "", "PYTHONUNBUFFERED": "1"},
        )
        self.events: queue.Queue[dict[str, Any]] = queue.Queue()
        self.seen: list[dict[str, Any]] = []
        threading.Thread(target=self._listen, daemon=True).start()
        assert self.process.stdout is not None
        said = self.process.stdout.readline()
        assert "http://127.0.0.1:" in said, said
        self.port = int(said.split("http://127.0.0.1:")[1].partition("/")[0])

    def _listen(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            with contextlib.suppress(ValueError):
                self.events.put(json.loads(line))

    def wait_for(self, event: str) -> dict[str, Any]:
        """The next event of this name. Fails when none comes."""
        until = time.monotonic() + SECONDS
        while time.monotonic() < until:
            with contextlib.suppress(queue.Empty):
                found = self.events.get(timeout=1)
                self.seen.append(found)
                if found["event"] == event:
                    return found
        raise AssertionError(f"no event {event}; there were {self.seen[-20:]}")

    def connection(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=SECONDS)

    def ask(
        self, method: str, path: str, body: str | bytes | None = None, **headers: str
    ) -> tuple[int, bytes]:
        connection = self.connection()
        try:
            connection.request(
                method, path, body, {**JSON, **{k.replace("_", "-"): v for k, v in headers.items()}}
            )
            response = connection.getresponse()
            return response.status, response.read()
        finally:
            connection.close()

    def raw(self, sent: bytes) -> bytes:
        """What comes back for these bytes until the connection closes."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=SECONDS) as sock:
            sock.sendall(sent)
            got = b""
            with contextlib.suppress(ConnectionResetError):
                while piece := sock.recv(65_536):
                    got += piece
            return got

    def send(self, number: int) -> None:
        self.process.send_signal(number)

    def ended(self) -> int:
        return self.process.wait(timeout=SECONDS)

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()


@pytest.fixture
def started() -> Iterator[Callable[..., Process]]:
    made: list[Process] = []

    def start(*options: str, tables: Path | None = None) -> Process:
        made.append(Process(*options, tables=tables))
        return made[-1]

    yield start
    for process in made:
        process.end()


@pytest.fixture(scope="module")
def running() -> Iterator[Process]:
    process = Process()
    yield process
    process.end()


# --- a casebook

SHEET = {
    "instrument": {"maker": "Harrow & Vale"},  # an invented maker
    "parts": [{"id": "pot", "part": "potentiometer", "marking": "304-6208"}],
    "options": {"estimate": False},
}


def count_up(process: Process, path: str, times: int, conflicts: list[int]) -> None:
    """Add one to the count in the remarks of a sheet, so many times, each over the version that was seen."""
    added = 0
    while added < times:
        connection = process.connection()
        connection.request("GET", path)
        response = connection.getresponse()
        seen, now = response.headers["ETag"], json.loads(response.read())
        record = json.dumps({"sheet": SHEET, "remarks": str(int(now["remarks"]) + 1)})
        connection.request("PUT", path, record, {**JSON, "If-Match": seen})
        response = connection.getresponse()
        response.read()
        connection.close()
        assert response.status in (200, 412)
        added += response.status == 200
        conflicts.append(response.status)


@pytest.mark.parametrize("workers", ["1", "2"])
def test_workers_share_a_casebook_and_lose_no_update(
    started: Callable[..., Process], tmp_path: Path, workers: str
) -> None:
    place = tmp_path / "casebook.sqlite"
    process = started("--workers", workers, "--casebook", str(place), "--log", "json")
    status, made = process.ask("POST", "/v1/sheets", json.dumps({"sheet": SHEET, "remarks": "0"}))
    assert status == 201
    path = f"/v1/sheets/{json.loads(made)['id']}"
    answers: list[int] = []
    threads = [threading.Thread(target=count_up, args=(process, path, 10, answers)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=2 * SECONDS)
    assert answers.count(200) == 40
    now = json.loads(process.ask("GET", path)[1])
    assert (now["remarks"], now["version"]) == ("40", 41)
    assert process.ask("GET", "/casebook")[0] == 200
    process.send(signal.SIGTERM)
    assert process.ended() == 0
    checked = CliRunner().invoke(main, ["casebook", "--casebook", str(place), "verify"])
    assert checked.exit_code == 0 and "whole" in checked.output


# --- stopping


def keep_asking(process: Process, tally: dict[str, int], over: threading.Event) -> None:
    """Ask over one connection after another, and count what becomes of each request that was sent."""
    while not over.is_set():
        connection = process.connection()
        try:
            connection.connect()
        except ConnectionRefusedError:
            tally["refused"] += 1
            return
        try:
            while True:
                connection.request("POST", "/v1/decode", POT, JSON)
                response = connection.getresponse()
                body = response.read()
                assert response.status == 200 and json.loads(body)["status"] == "read"
                tally["answered"] += 1
                if response.will_close:
                    tally["closing"] += 1
                    break
        except Exception as error:
            tally[f"lost: {error!r}"] = tally.get(f"lost: {error!r}", 0) + 1
        finally:
            connection.close()


@pytest.mark.parametrize("workers", ["1", "2"])
def test_a_stop_loses_no_answer(started: Callable[..., Process], workers: str) -> None:
    process = started("--workers", workers)
    assert process.ask("GET", "/readyz")[0] == 200
    half = process.connection()
    stream = b'{"marking": "137-6612", "id": 1}\n' * 400
    half.putrequest("POST", "/v1/decode/stream")
    half.putheader("Content-Type", "application/x-ndjson")
    half.putheader("Content-Length", str(len(stream)))
    half.endheaders()
    half.send(stream[:5_000])
    idle = process.connection()
    idle.request("GET", "/healthz")
    idle.getresponse().read()
    tallies: list[dict[str, int]] = [{"answered": 0, "closing": 0, "refused": 0} for _ in range(6)]
    over = threading.Event()
    askers = [threading.Thread(target=keep_asking, args=(process, tally, over)) for tally in tallies]
    for asker in askers:
        asker.start()
    time.sleep(0.7)
    process.send(signal.SIGTERM)
    time.sleep(0.5)
    half.send(stream[5_000:])  # it had begun before the stop
    answers = half.getresponse().read().splitlines()
    assert len(answers) == 400 and all(b'"decoding"' in line for line in answers)
    over.set()
    for asker in askers:
        asker.join(timeout=SECONDS)
    assert process.ended() == 0
    lost = [name for tally in tallies for name in tally if name.startswith("lost")]
    assert lost == []
    assert all(tally["answered"] > 0 for tally in tallies)
    assert all(tally["closing"] >= 1 for tally in tallies)
    half.close()
    idle.close()
    assert process.process.stdout is not None
    assert process.process.stdout.read().endswith("Stopped.\n")


def test_a_stop_does_not_wait_longer_than_its_grace(started: Callable[..., Process]) -> None:
    process = started("--grace", "1")
    with socket.create_connection(("127.0.0.1", process.port)) as sock:
        sock.sendall(b"POST /v1/decode HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100\r\n\r\n{")
        time.sleep(0.3)
        began = time.monotonic()
        process.send(signal.SIGINT)
        assert process.ended() == 0
        assert time.monotonic() - began < SECONDS / 2


def test_a_worker_that_dies_is_replaced_and_counts_are_of_all(started: Callable[..., Process]) -> None:
    process = started("--workers", "2")
    first = {process.wait_for("listening")["pid"], process.wait_for("listening")["pid"]}
    for _ in range(20):
        assert process.ask("POST", "/v1/decode", POT)[0] == 200
    victim = min(first)
    os.kill(victim, signal.SIGKILL)
    assert process.wait_for("worker-ended")["pid"] == victim
    assert process.wait_for("listening")["pid"] not in first
    assert process.ask("POST", "/v1/decode", POT)[0] == 200
    text = process.ask("GET", "/metrics")[1].decode()
    assert 'partdate_markings_total{status="read"} 21.0' in text
    process.send(signal.SIGTERM)
    assert process.ended() == 0


# --- tables


def own_tables(folder: Path, title: str) -> None:
    folder.mkdir(exist_ok=True)
    (folder / "datapackage.json").write_text(
        '{"name": "own", "resources": [{"name": "sources", "path": "sources.csv", "schema": {"fields": '
        '[{"name": "id", "type": "string"}, {"name": "title", "type": "string"}, '
        '{"name": "address", "type": "string"}]}}]}'
    )
    (folder / "sources.csv").write_text(f"id,title,address\nours,{title},\n")


@pytest.mark.parametrize("workers", ["1", "2"])
def test_tables_are_read_again_and_new_ones_with_a_fault_are_refused(
    started: Callable[..., Process], tmp_path: Path, workers: str
) -> None:
    folder = tmp_path / "own"
    own_tables(folder, "our bench book")
    process = started("--workers", workers, tables=folder)

    def tables() -> str:
        return str(json.loads(process.ask("GET", "/healthz")[1])["tables"])

    def settled(before: str) -> str:
        until = time.monotonic() + SECONDS
        while tables() == before and time.monotonic() < until:
            time.sleep(0.1)
        return tables()

    first = tables()
    own_tables(folder, "our second bench book")
    assert tables() == first  # nobody has said so yet
    process.send(signal.SIGHUP)
    assert process.wait_for("tables-loaded")["before"] == first
    second = settled(first)
    assert second != first
    (folder / "sources.csv").write_text("id,title\nours,one cell too few\n")
    process.send(signal.SIGHUP)
    refused = process.wait_for("tables-refused")
    assert refused["level"] == "error" and refused["in_force"] == second
    assert "sources.csv" in str(refused["problems"])
    assert process.ask("POST", "/v1/decode", POT)[0] == 200
    assert tables() == second
    shutil.rmtree(folder)
    process.send(signal.SIGHUP)
    assert process.wait_for("tables-refused")["in_force"] == second
    assert process.process.poll() is None and tables() == second


def test_a_request_keeps_to_the_tables_with_which_it_began(shipped: Tables, tmp_path: Path) -> None:
    folder = tmp_path / "own"
    own_tables(folder, "our bench book")
    app = serving.application(shipped, "127.0.0.1", serving.Options())
    from decoder.service.settings import in_force, settings

    with app.test_request_context("/healthz"):
        before = settings()
        assert serving.reload(app, lambda: Tables.open(folder), None)
        assert settings() is before
        assert in_force(app) is not before and in_force(app).facts != before.facts
    with app.test_request_context("/healthz"):
        assert settings() is in_force(app)


def test_tables_that_cannot_be_had_at_all_leave_the_old_ones(shipped: Tables, tmp_path: Path) -> None:
    app = serving.application(shipped, "127.0.0.1", serving.Options())
    lines: list[bytes] = []

    def fail() -> Tables:
        raise OSError("the disk is gone")

    assert not serving.reload(app, fail, JsonLog(lines.append))
    assert b"the disk is gone" in lines[0]
    broken = tmp_path / "packages"
    shutil.copytree(shipped_folder(), broken)
    kinds = broken / "parts" / "kinds.csv"
    kinds.write_bytes(kinds.read_bytes().replace(b"potentiometer", b"potentiometre"))
    assert not serving.reload(app, lambda: Tables.open(base=broken), JsonLog(lines.append))
    assert b"kinds.csv" in lines[1]
    assert (
        app.test_client().post("/v1/decode", data=POT, headers=JSON, base_url="http://127.0.0.1").status_code
        == 200
    )


# --- tokens


def test_tokens_are_read_again_when_their_file_changes(
    started: Callable[..., Process], tmp_path: Path
) -> None:
    path = tmp_path / "tokens"
    path.write_text(f"intake {TOKEN}\n")
    process = started("--token-file", str(path))
    assert process.ask("POST", "/v1/decode", POT)[0] == 401
    assert process.ask("POST", "/v1/decode", POT, Authorization=f"Bearer {TOKEN}")[0] == 200
    assert process.ask("GET", "/healthz")[0] == 200
    path.write_text("# nobody\n")
    time.sleep(1.2)
    assert process.ask("POST", "/v1/decode", POT, Authorization=f"Bearer {TOKEN}")[0] == 401
    lines = [process.wait_for("request") for _ in range(2)]
    assert lines[1]["client"] == "intake"
    assert TOKEN not in json.dumps(process.seen)


def test_who_has_no_token_can_send_no_more_than_stays_in_memory(
    started: Callable[..., Process], tmp_path: Path
) -> None:
    path = tmp_path / "tokens"
    path.write_text(f"intake {TOKEN}\n")
    process = started("--token-file", str(path))
    head = "POST /v1/check/stream HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 300000\r\n"
    found, body, _ = problem_in(process.raw(f"{head}\r\n".encode()))
    assert (found, body["type"]) == (413, "/problems/too-large")
    stream = (b'{"marking": "137-6612"}' + b" " * 976 + b"\n") * 301
    status, answers = process.ask(
        "POST",
        "/v1/decode/stream",
        stream,
        Content_Type="application/x-ndjson",
        Authorization=f"Bearer {TOKEN}",
    )
    assert status == 200 and answers.count(b"\n") == 301


def test_an_address_that_others_can_reach_is_served_to_those_with_tokens_alone(
    shipped: Tables, tmp_path: Path
) -> None:
    path = tmp_path / "tokens"
    with pytest.raises(serving.NotServed, match="--token-file"):
        serving.application(shipped, "0.0.0.0", serving.Options())
    with pytest.raises(serving.NotServed, match="can't be read"):
        serving.application(shipped, "0.0.0.0", serving.Options(token_file=path))
    path.write_text("intake short\n")
    with pytest.raises(serving.NotServed, match="line 1: a token needs"):
        serving.application(shipped, "0.0.0.0", serving.Options(token_file=path))
    path.write_text(f"intake {TOKEN}\n")
    app = serving.application(shipped, "0.0.0.0", serving.Options(token_file=path))
    client = app.test_client()
    assert client.get("/v1/parts", base_url="http://bench.example").status_code == 401
    known = {"Authorization": f"Bearer {TOKEN}"}
    assert client.get("/v1/parts", base_url="http://bench.example", headers=known).status_code == 200


@pytest.mark.parametrize("origin", ["*", "intake.example", "https://intake.example/", "https://a b", "null"])
def test_an_origin_that_is_none_is_refused(shipped: Tables, origin: str) -> None:
    with pytest.raises(serving.NotServed, match="is no origin"):
        serving.application(shipped, "127.0.0.1", serving.Options(origins=(origin,)))


def test_a_further_host_name_is_answered_to_and_no_other(shipped: Tables) -> None:
    app = serving.application(shipped, "127.0.0.1", serving.Options(host_names=("bench.example",)))
    client = app.test_client()
    for name, status in (("bench.example", 200), ("127.0.0.1:8000", 200), ("elsewhere.example", 400)):
        assert client.get("/healthz", base_url=f"http://{name}").status_code == status
        assert (
            client.post("/v1/decode", data=POT, headers=JSON, base_url=f"http://{name}").status_code == status
        )


def test_a_proxy_that_is_trusted_says_who_asks_and_any_other_does_not(
    started: Callable[..., Process],
) -> None:
    for options, client in (((), "127.0.0.1"), (("--trusted-proxy", "127.0.0.1"), "192.0.2.7")):
        process = started(*options)
        assert process.ask("GET", "/v1/parts", None, X_Forwarded_For="192.0.2.7")[0] == 200
        assert process.wait_for("request")["client"] == client


@pytest.mark.parametrize(
    ("given", "rate", "burst"),
    [
        ([], 0.0, 1.0),
        (["--rate", "5"], 5.0, 50.0),
        (["--rate", "5", "--burst", "7"], 5.0, 7.0),
        (["--host", "0.0.0.0"], 200.0, 2_000.0),
        (["--host", "0.0.0.0", "--rate", "0"], 0.0, 1.0),
    ],
)
def test_the_command_sets_the_rates(
    monkeypatch: pytest.MonkeyPatch, given: list[str], rate: float, burst: float
) -> None:
    asked: list[Any] = []
    monkeypatch.setattr(serving, "serve", lambda *handed: asked.extend(handed))
    ran = CliRunner().invoke(main, ["serve", *given, "--log", "json", "--host-name", "bench.example"])
    assert ran.exit_code == 0, ran.output
    _, host, port, options = asked
    assert (options.rate, options.burst, options.log) == (rate, burst, True)
    assert (host, port) == ("0.0.0.0" if "--host" in given else "127.0.0.1", 8000)
    assert options.host_names == ("bench.example",)
    assert options.reopen().ids() == Tables.open().ids()


# --- what waitress refuses by itself


def problem_in(raw: bytes) -> tuple[int, dict[str, Any], str]:
    head, _, body = raw.partition(b"\r\n\r\n")
    return int(head[9:12]), json.loads(body), head.decode("latin-1").lower()


@pytest.mark.parametrize(
    ("sent", "status", "name"),
    [
        (b"GET / HTTP/1.1\r\nHost 127\r\n\r\n", 400, "bad-request"),
        (b"GET /\x00 HTTP/1.1\r\nno colon\r\n\r\n", 400, "bad-request"),
        (b"POST /v1/decode HTTP/1.1\r\nContent-Length: -1\r\n\r\n", 400, "bad-request"),
        (b"POST /v1/decode HTTP/1.1\r\nContent-Length: 9000000\r\n\r\n", 413, "too-large"),
        (b"POST /v1/check/stream HTTP/1.1\r\nContent-Length: 900000000\r\n\r\n", 413, "too-large"),
        (b"GET / HTTP/1.1\r\nX: " + b"x" * 300_000 + b"\r\n\r\n", 431, "headers-too-large"),
    ],
)
def test_what_is_no_request_is_refused_with_problem_details(
    running: Process, sent: bytes, status: int, name: str
) -> None:
    found, body, head = problem_in(running.raw(sent))
    assert (found, body["status"], body["type"]) == (status, status, f"/problems/{name}")
    assert "content-type: application/problem+json" in head and "cache-control: no-store" in head
    assert "nosniff" in head and "connection: close" in head


def test_an_encoding_that_is_not_known_is_refused_with_problem_details(running: Process) -> None:
    sent = b"POST /v1/decode HTTP/1.1\r\nTransfer-Encoding: gzip\r\n\r\n"
    found, body, _ = problem_in(running.raw(sent))
    assert found == body["status"] == 501


def test_a_chunked_stream_is_answered(running: Process) -> None:
    lines = [json.dumps({"marking": "137-6612", "id": n}).encode() + b"\n" for n in range(300)]
    connection = running.connection()
    connection.request(
        "POST",
        "/v1/decode/stream",
        iter(lines),
        {"Content-Type": "application/x-ndjson"},
        encode_chunked=True,
    )
    response = connection.getresponse()
    answers = [json.loads(line) for line in response.read().splitlines()]
    connection.close()
    assert [(one["line"], one["id"]) for one in answers] == [(n + 1, n) for n in range(300)]


def test_the_client_of_this_project_asks_all_there_is(running: Process) -> None:
    from decoder.client import Client

    with Client(f"http://127.0.0.1:{running.port}") as partdate:
        assert partdate.health().status == "ok"
        assert partdate.decode("137-6612", part="pot").status == "read"
        batch = partdate.decode_batch([{"marking": "137-6612", "id": 1}, "137-["])
        assert [answer.value is not None for answer in batch] == [True, False]
        stream = list(partdate.decode_stream(f"137-66{n % 52 + 1:02d}" for n in range(2_500)))
        assert [answer.line for answer in stream] == list(range(1, 2_501))
        sheets = list(
            partdate.check_stream([{"parts": [{"id": "a", "part": "pot", "marking": "137-6612"}]}] * 3)
        )
        assert [answer.value.outcome for answer in sheets if answer.value] == ["undecided"] * 3
        assert len(partdate.schemes()) > 100 and len(partdate.parts()) > 40
        heads = partdate.tables()
        assert partdate.table(heads[0].id).revision == heads[0].revision
