"""Batches and streams: one bad item never spoils another, every answer finds its question, memory stays constant."""

from __future__ import annotations

import gzip
import io
import json
import mmap
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoder.catalog import decode
from decoder.crosscheck import check
from decoder.scheme.reading import Decoding
from decoder.service import create_app, front, many
from decoder.tables import Tables

Problem = Callable[..., dict[str, Any]]
TODAY = date(2026, 11, 25)
NDJSON = "application/x-ndjson"
SHEET = {
    "instrument": {"maker": "Harrow & Vale", "claim": "1966"},
    "parts": [{"id": "volume pot", "part": "pot", "marking": "137-6612"}],
}


@pytest.fixture
def served(shipped: Tables) -> Callable[..., FlaskClient]:
    def made(**config: Any) -> FlaskClient:
        return create_app({"TABLES": shipped, "TODAY": lambda: TODAY, **config}).test_client()

    return made


def lines_of(client: FlaskClient, body: bytes | str, path: str = "/v1/decode/stream") -> list[dict[str, Any]]:
    response = client.post(path, data=body, content_type=NDJSON)
    assert response.status_code == 200 and response.mimetype == NDJSON
    text = response.text
    response.close()
    assert text == "" or text.endswith("\n")
    return [json.loads(line) for line in text.splitlines()]


# --- batches


def test_a_batch_gives_what_each_marking_by_itself_gives(client: FlaskClient, shipped: Tables) -> None:
    items = [
        {"id": "tray 7/1", "marking": "137-6612", "part": "pot"},
        {"marking": "137-6699", "part": "pot"},
        {"id": 3, "marking": "24517", "part": "serial", "maker": "Harrow & Vale"},
    ]
    answers = client.post("/v1/decode/batch", json={"items": items}).json["items"]
    assert [one["index"] for one in answers] == [0, 1, 2]
    assert [one.get("id") for one in answers] == ["tray 7/1", None, 3]
    for item, answer in zip(items, answers, strict=True):
        asked = {name: value for name, value in item.items() if name != "id"}
        assert answer["decoding"] == decode(**asked, today=TODAY, tables=shipped).as_dict()


def test_an_item_at_fault_has_a_problem_in_its_place(client: FlaskClient) -> None:
    items = [
        {"id": "a", "marking": "137-6612"},
        {"id": "b", "marking": "137-["},
        7,
        {"marking": "1", "makr": "x", "part": "wobbler"},
        {"id": ["list"], "marking": "1"},
        {"id": "", "marking": "1"},
        {"id": "f", "marking": "137-6612"},
    ]
    answers = client.post("/v1/decode/batch", json={"items": items}).json["items"]
    assert [("decoding" in one, "problem" in one) for one in answers] == [
        (True, False), *[(False, True)] * 5, (True, False),
    ]  # fmt: skip
    assert [one.get("id") for one in answers] == ["a", "b", None, None, None, None, "f"]
    pointers = [
        [error["pointer"] for error in one["problem"]["errors"]] for one in answers if "problem" in one
    ]
    assert pointers == [["/marking"], [""], ["/makr", "/part"], ["/id"], ["/id"]]
    assert answers[1]["problem"]["type"] == "/problems/bad-marking"
    assert "Did you mean maker?" in answers[3]["problem"]["errors"][0]["message"]


@pytest.mark.parametrize(
    ("body", "name", "pointers"),
    [
        ({}, "bad-fields", ["/items"]),
        ([], "bad-fields", [""]),
        ({"items": 3}, "bad-fields", ["/items"]),
        ({"items": None}, "bad-fields", ["/items"]),
        ({"items": [], "itms": []}, "bad-fields", ["/itms"]),
        ({"items": [{}] * 1_001}, "too-large", []),
    ],
)
def test_a_batch_that_is_none_is_refused(
    client: FlaskClient, problem: Problem, body: Any, name: str, pointers: list[str]
) -> None:
    status = 413 if name == "too-large" else 422
    problem(client.post("/v1/decode/batch", json=body), status, name, *pointers)


def test_a_thousand_items_and_none_at_all_are_a_batch(client: FlaskClient) -> None:
    assert client.post("/v1/decode/batch", json={"items": []}).json == {"items": []}
    answers = client.post("/v1/decode/batch", json={"items": [{}] * 1_000}).json["items"]
    assert len(answers) == 1_000


def test_when_the_time_is_over_the_rest_is_told_so(served: Callable[..., FlaskClient]) -> None:
    client = served(BATCH_SECONDS=-1)
    items = [{"id": n, "marking": "137-6612"} for n in range(3)]
    answers = client.post("/v1/decode/batch", json={"items": items}).json["items"]
    assert [one["problem"]["type"] for one in answers] == ["/problems/out-of-time"] * 3
    assert [one["id"] for one in answers] == [0, 1, 2]


def test_when_the_answers_fill_their_room_the_rest_is_told_so(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(many, "BATCH_ROOM", 100)
    answers = client.post("/v1/decode/batch", json={"items": [{"marking": "137-6612"}] * 3}).json["items"]
    assert ["decoding" in one for one in answers] == [True, False, False]
    assert answers[1]["problem"]["type"] == "/problems/too-large"


def test_an_item_over_which_the_server_fails_spoils_no_other(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail_once(marking: Any, context: Any) -> Decoding:
        if marking.text == "666":
            raise RuntimeError("the inside of the server")
        return decode(marking.text)

    monkeypatch.setattr(many, "decode_marking", fail_once)
    items = [{"marking": "137-6612"}, {"id": 2, "marking": "666"}, {"marking": "137-6612"}]
    response = client.post("/v1/decode/batch", json={"items": items})
    answers = response.json["items"]
    assert ["decoding" in one for one in answers] == [True, False, True]
    assert answers[1]["problem"]["type"] == "/problems/internal" and answers[1]["id"] == 2
    assert "inside" not in response.text


# --- streams


def test_a_stream_answers_each_line_with_its_number_and_id(client: FlaskClient, shipped: Tables) -> None:
    body = '{"marking": "137-6612", "id": "tray 7"}\r\n\n  \n{"marking": "24517", "part": "serial", "id": 4}'
    first, second = lines_of(client, body)
    assert (first["line"], first["id"], second["line"], second["id"]) == (1, "tray 7", 4, 4)
    assert first["decoding"] == decode("137-6612", today=TODAY, tables=shipped).as_dict()
    assert second["decoding"] == decode("24517", part="serial", today=TODAY, tables=shipped).as_dict()


def test_a_stream_of_sheets_gives_what_each_sheet_by_itself_gives(
    client: FlaskClient, shipped: Tables
) -> None:
    body = json.dumps({**SHEET, "id": "a"}) + "\n" + json.dumps({"parts": 3}) + "\n" + json.dumps(SHEET)
    first, second, third = lines_of(client, body, "/v1/check/stream")
    assert first == {"line": 1, "id": "a", "assessment": check(SHEET, today=TODAY, tables=shipped).as_dict()}
    assert second["problem"]["errors"][0]["pointer"] == "/parts"
    assert third["assessment"] == first["assessment"]
    wrong = lines_of(client, json.dumps({**SHEET, "id": {}}) + "\n[]\n", "/v1/check/stream")
    assert wrong[0]["problem"]["errors"][0]["pointer"] == "/id" and "id" not in wrong[0]
    assert wrong[1]["problem"]["type"] == "/problems/bad-sheet"


@pytest.mark.parametrize(
    ("line", "name", "said"),
    [
        (b"{", "broken-json", "Line 2, column 2"),
        (b"\xff", "broken-json", "byte 1"),
        (b"nonsense", "broken-json", "Line 2, column 1"),
        (b'{"marking": NaN}', "broken-json", "NaN"),
        (b"[" * 50_000, "broken-json", "too deeply"),
        (b'{"marking": "1", "marking": "2"}', "broken-json", "stands twice"),
        (b"[1]", "bad-fields", "must be an object"),
        (b"null", "bad-fields", "must be an object"),
        (b'{"marking": ""}', "bad-marking", "empty"),
        (b'{"marking": "1", "part": "wobbler"}', "unknown-kind", "wobbler"),
        (b" " * 70_000, "too-large", "Line 2 is longer than 64,000 bytes"),
        (b'{"marking": "' + b"1" * 70_000 + b'"}', "too-large", "Line 2 is longer"),
    ],
)
def test_a_line_at_fault_spoils_no_other(client: FlaskClient, line: bytes, name: str, said: str) -> None:
    good = b'{"marking": "137-6612", "id": 1}'
    first, bad, last = lines_of(client, good + b"\n" + line + b"\n" + good + b"\n")
    assert first["decoding"] == last["decoding"]
    assert (first["line"], bad["line"], last["line"]) == (1, 2, 3)
    assert bad["problem"]["type"] == f"/problems/{name}"
    assert said in bad["problem"]["detail"]


def test_an_empty_stream_has_an_empty_answer(client: FlaskClient) -> None:
    for body in (b"", b"\n", b"\r\n \n\n"):
        assert lines_of(client, body) == []


LINES = st.lists(
    st.sampled_from(
        [b'{"marking": "137-6612"}', b"", b" ", b"{", b'{"marking": ""}', b"\xff\xfe", b"7" * 300]
    )
    | st.binary(max_size=30).filter(lambda raw: b"\n" not in raw),
    max_size=30,
)


class Dripping:
    """A body that comes in pieces of these sizes, over and over."""

    def __init__(self, body: bytes, sizes: list[int]) -> None:
        self.body, self.sizes, self.at, self.turn = body, sizes, 0, 0

    def read(self, most: int) -> bytes:
        size = min(most, self.sizes[self.turn % len(self.sizes)])
        self.turn += 1
        piece = self.body[self.at : self.at + size]
        self.at += len(piece)
        return piece


@settings(max_examples=200)
@given(LINES, st.lists(st.integers(1, 50), min_size=1, max_size=5), st.booleans())
def test_lines_are_the_same_however_they_come(lines: list[bytes], sizes: list[int], ended: bool) -> None:
    body = b"\n".join(lines) + (b"\n" if ended else b"")
    most = 200
    expected = [
        (number, line if len(line) <= most else None)
        for number, line in enumerate(body.split(b"\n"), 1)
        if line.strip() or len(line) > most
    ]
    found = [one for group in many.Lines(Dripping(body, sizes).read, most) for one in group]
    assert found == expected


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(LINES)
def test_every_line_that_is_not_blank_has_exactly_one_answer(client: FlaskClient, lines: list[bytes]) -> None:
    answers = lines_of(client, b"\n".join(lines))
    assert [one["line"] for one in answers] == [n for n, line in enumerate(lines, 1) if line.strip()]
    assert all(("decoding" in one) != ("problem" in one) for one in answers)


def test_a_stream_is_compressed_for_who_takes_it_and_can_be_read_as_it_comes(client: FlaskClient) -> None:
    body = '{"marking": "137-6612"}\n' * 50
    plain = client.post("/v1/decode/stream", data=body, content_type=NDJSON)
    packed = client.post(
        "/v1/decode/stream", data=body, content_type=NDJSON, headers={"Accept-Encoding": "gzip"}
    )
    assert packed.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(packed.data) == plain.data
    plain.close()
    packed.close()


@pytest.mark.parametrize("path", ["/v1/decode/stream", "/v1/check/stream"])
def test_a_stream_takes_json_lines_and_nothing_else(client: FlaskClient, problem: Problem, path: str) -> None:
    response = client.post(path, json={"marking": "1"})
    problem(response, 415, "wrong-content-type")
    assert response.headers["Accept-Post"] == NDJSON
    packed = client.post(path, data=b"", content_type=NDJSON, headers={"Content-Encoding": "gzip"})
    problem(packed, 415, "wrong-content-type")


def test_a_stream_whose_length_is_too_great_is_refused_at_once(
    served: Callable[..., FlaskClient], problem: Problem
) -> None:
    client = served(STREAM_BODY_LIMIT=100)
    problem(client.post("/v1/decode/stream", data=b"\n" * 101, content_type=NDJSON), 413, "too-large")


def test_a_stream_without_a_length_ends_where_it_grows_too_great_and_says_where(
    served: Callable[..., FlaskClient],
) -> None:
    client = served(STREAM_BODY_LIMIT=100_000)
    line = b'{"marking": "137-6612"}' + b" " * 976 + b"\n"
    response = client.post(
        "/v1/decode/stream",
        input_stream=io.BytesIO(line * 200),
        content_type=NDJSON,
        environ_overrides={"wsgi.input_terminated": True},
        headers={"Transfer-Encoding": "chunked"},
    )
    *answers, last = map(json.loads, response.text.splitlines())
    assert last["problem"]["type"] == "/problems/too-large"
    assert [one["line"] for one in answers] == list(range(1, len(answers) + 1))
    assert last["from_line"] == len(answers) + 1
    assert 80 <= len(answers) <= 100


def test_a_stream_ends_at_its_time_and_when_the_server_stops_and_says_where(
    served: Callable[..., FlaskClient],
) -> None:
    assert (
        lines_of(served(STREAM_SECONDS=-1), '{"marking": "1"}\n')[0]["problem"]["type"]
        == "/problems/out-of-time"
    )
    client = served()
    made: front.Front = client.application.extensions[front.EXTENSION]
    made.streams_end = 0.0
    (last,) = lines_of(client, '\n{"marking": "1"}\n{"marking": "1"}\n')
    assert last["problem"]["type"] == "/problems/stopping" and last["from_line"] == 2 and "line" not in last


def test_no_more_streams_than_there_are_places_and_each_place_comes_free_again(
    served: Callable[..., FlaskClient], problem: Problem
) -> None:
    client = served(STREAMS=1)
    body = '{"marking": "137-6612"}\n' * 200
    held = client.post("/v1/decode/stream", data=body, content_type=NDJSON)
    refused = client.post("/v1/decode/stream", data=body, content_type=NDJSON)
    problem(refused, 503, "busy")
    assert refused.headers["Retry-After"] == "1"
    held.close()  # the client goes away in the middle
    assert len(lines_of(client, body)) == 200
    assert len(lines_of(client, body)) == 200


def test_a_client_that_goes_away_while_it_asks_ends_its_stream_in_silence(
    served: Callable[..., FlaskClient],
) -> None:
    client = served()
    response = client.post(
        "/v1/decode/stream",
        input_stream=io.BytesIO(b'{"marking": "1"}\n{"mark'),
        content_type=NDJSON,
        environ_overrides={"CONTENT_LENGTH": "5000"},
    )
    assert response.text.count("\n") <= 1
    response.close()
    assert len(lines_of(client, '{"marking": "1"}\n')) == 1


def endless(count: int) -> Iterator[bytes]:
    for n in range(count):
        yield b'{"marking": "137-66%02d", "part": "pot", "id": %d}\n' % (n % 60, n)


class Made:
    """A body that is made while it is read."""

    def __init__(self, lines: Iterator[bytes]) -> None:
        self.lines = lines

    def read(self, size: int = -1) -> bytes:
        return b"".join(line for _, line in zip(range(max(1, size // 50)), self.lines, strict=False))


def resident() -> int:
    """Bytes of memory that this process holds."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * mmap.PAGESIZE


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="tells memory by /proc")
def test_memory_stays_the_same_over_two_hundred_thousand_lines(
    served: Callable[..., FlaskClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    # The core is put aside: its speed is not the question here, and its caches have bounds of their own.
    always = decode("137-6612", part="pot")
    monkeypatch.setattr(many, "decode_marking", lambda *_: always)
    short = {"marking": "137-6612", "status": "read", "windows": [], "notes": ["x" * 60]}
    monkeypatch.setattr(Decoding, "as_dict", lambda self: short)
    app = served().application
    count, warm = 200_000, 20_000
    environ = {
        "REQUEST_METHOD": "POST",
        "PATH_INFO": "/v1/decode/stream",
        "SERVER_NAME": "localhost",
        "SERVER_PORT": "80",
        "SERVER_PROTOCOL": "HTTP/1.1",
        "CONTENT_TYPE": NDJSON,
        "wsgi.version": (1, 0),
        "wsgi.url_scheme": "http",
        "wsgi.errors": io.StringIO(),
        "wsgi.input": Made(endless(count)),
        "wsgi.input_terminated": True,
    }
    answered = sent = before = most = 0
    blocks = app(environ, lambda *_: None)
    for block in blocks:
        answered += block.count(b"\n")
        sent += len(block)
        if answered >= warm:
            most = max(most, resident())
            before = before or most
    blocks.close()
    assert answered == count
    assert sent > 30_000_000
    assert most - before < 5_000_000
