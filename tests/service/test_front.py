"""What stands in front of every route: request ids, tokens, rates, other sites, compression, the log, the counts."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from prometheus_client.parser import text_string_to_metric_families

from decoder.service import create_app, front
from decoder.service.logs import JsonLog
from decoder.service.rates import Buckets
from decoder.service.schemas import _DECODE, _is_plain
from decoder.service.settings import Kept
from decoder.service.tokens import TokenError, Tokens, read_tokens
from decoder.tables import Tables

Problem = Callable[..., dict[str, Any]]
TODAY = date(2026, 11, 25)
TOKEN = "tidewater-bench-invented-token"
POT = {"marking": "137-6612", "part": "pot"}


@pytest.fixture
def served(shipped: Tables) -> Callable[..., FlaskClient]:
    def made(**config: Any) -> FlaskClient:
        return create_app({"TABLES": shipped, "TODAY": lambda: TODAY, **config}).test_client()

    return made


@pytest.fixture
def token_file(tmp_path: Path) -> Path:
    path = tmp_path / "tokens"
    path.write_text(f"# of the shop Tidewater Bench, invented\nintake {TOKEN}\n")
    return path


def bearer(token: str = TOKEN) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


# --- request ids


def test_a_request_keeps_its_id_and_one_without_gets_a_new_one(client: FlaskClient) -> None:
    given_id = client.get("/healthz", headers={"X-Request-ID": "tray-7/42"})
    assert given_id.headers["X-Request-ID"] == "tray-7/42"
    made = [client.get("/healthz").headers["X-Request-ID"] for _ in range(5)]
    assert len(set(made)) == 5
    assert all(re.fullmatch(r"[0-9a-f]{16}", one) for one in made)


@pytest.mark.parametrize("bad", ["", "a b", "x" * 65, "<script>", "é", '"', "a\tb"])
def test_an_id_that_could_do_harm_in_a_log_is_replaced(client: FlaskClient, bad: str) -> None:
    assert client.get("/healthz", headers={"X-Request-ID": bad}).headers["X-Request-ID"] != bad


@pytest.mark.parametrize("path", ["/", "/nope", "/v1/nope", "/static/partdate.css", "/v1/decode", "/metrics"])
def test_every_answer_carries_an_id(client: FlaskClient, path: str) -> None:
    assert client.get(path).headers.getlist("X-Request-ID")
    assert len(client.get(path).headers.getlist("X-Request-ID")) == 1


# --- the straight way gives what the way through Flask gives

NAMES = st.sampled_from(["marking", "part", "maker", "claim", "country", "patent", "id", "marking "])
VALUES = (
    st.sampled_from(
        ["137-6612", "137-612", "pot", "label", "1966", "US", "", " ", "\u202e", "x" * 201, "\xad"]
    )
    | st.text(max_size=12)
    | st.none()
    | st.integers()
)


def both_ways(client: FlaskClient, body: bytes, **headers: str) -> tuple[Any, Any]:
    """The answers to the same body, once as it is and once in a way that Flask has to look at."""
    straight = client.post("/v1/decode", data=body, content_type="application/json", headers=headers)
    through = client.post(
        "/v1/decode", data=body, content_type="application/json; charset=utf-8", headers=headers
    )
    return straight, through


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(asked=st.dictionaries(NAMES, VALUES, max_size=4) | VALUES, with_marking=st.booleans())
def test_both_ways_give_the_same_answer_with_the_same_headers(
    client: FlaskClient, asked: Any, with_marking: bool
) -> None:
    if with_marking and isinstance(asked, dict):
        asked["marking"] = "137-6612"
    straight, through = both_ways(client, json.dumps(asked).encode())
    assert straight.status_code == through.status_code
    assert straight.data == through.data
    drop = {"x-request-id"}
    assert {k.lower(): v for k, v in straight.headers if k.lower() not in drop} == {
        k.lower(): v for k, v in through.headers if k.lower() not in drop
    }


@pytest.mark.parametrize(
    "accepted", ["gzip", "gzip;q=0", "br, gzip;q=0.1", "*", "identity", "x-gzip", "*;q=0"]
)
def test_both_ways_compress_alike(client: FlaskClient, accepted: str) -> None:
    straight, through = both_ways(client, json.dumps(POT).encode(), **{"Accept-Encoding": accepted})
    assert straight.data == through.data
    assert straight.headers.get("Content-Encoding") == through.headers.get("Content-Encoding")
    assert straight.headers["Vary"] == through.headers["Vary"] == "Accept-Encoding"


@settings(max_examples=300)
@given(asked=st.dictionaries(NAMES, VALUES, max_size=5))
def test_what_is_let_by_without_the_schema_has_no_fault_for_the_schema(asked: dict[str, Any]) -> None:
    if _is_plain(asked):
        assert _DECODE.validate(asked) == {}


def test_a_plain_request_takes_the_straight_way_and_others_do_not(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: Any = client.application.extensions[front.EXTENSION]
    through = []
    inner = made.inner
    monkeypatch.setattr(made, "inner", lambda *asked: through.append(asked) or inner(*asked))
    assert client.post("/v1/decode", json=POT).status_code == 200
    assert client.post("/v1/decode", json=POT, headers={"Accept": "application/json, */*;q=0.1"}).json
    assert not through
    client.post("/v1/decode", json=POT, headers={"Origin": "https://intake.example"})
    client.post("/v1/decode", json={"marking": ""})
    client.post("/v1/decode", json=POT, headers={"Accept": "text/html"})
    assert len(through) == 3


def test_a_question_asked_again_has_the_same_answer_without_new_work(
    served: Callable[..., FlaskClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    client = served(KEPT_BYTES=100_000)
    first = client.post("/v1/decode", json=POT)
    monkeypatch.setattr("decoder.service.api.decode_marking", lambda *_: pytest.fail("worked out twice"))
    assert client.post("/v1/decode", json=POT).data == first.data


def test_what_is_kept_never_outgrows_its_room_and_belongs_to_its_day() -> None:
    kept = Kept(1_000)
    for n in range(50):
        kept.put(TODAY, b"%03d" % n, (b"x" * 97, "read"))
    assert len(kept) == 10 and kept.size == 1_000
    assert kept.get(TODAY, b"049") == (b"x" * 97, "read")
    assert kept.get(TODAY, b"001") is None
    assert kept.get(date(2026, 11, 26), b"049") is None
    kept.get(TODAY, b"040")  # asked for lately
    kept.put(TODAY, b"new", (b"x" * 97, "read"))
    assert kept.get(TODAY, b"040") and not kept.get(TODAY, b"041")
    kept.put(TODAY, b"long" * 1_000, (b"", "read"))
    assert kept.get(TODAY, b"long" * 1_000) is None
    Kept(0).put(TODAY, b"1", (b"", "read"))


# --- tokens


@pytest.mark.parametrize("path", ["/v1/parts", "/v1/nope", "/metrics", "/decode.json", "/", "/check"])
def test_without_a_token_nothing_is_told(
    served: Callable[..., FlaskClient], token_file: Path, problem: Problem, page: Any, path: str
) -> None:
    client = served(TOKEN_FILE=token_file)
    for headers in ({}, bearer("tidewater-bench-invented-tokem"), {"Authorization": f"Digest {TOKEN}"}):
        response = client.get(path, headers=headers)
        if path in ("/", "/check"):
            assert page(response).status == 401
            assert response.headers["WWW-Authenticate"].startswith('Basic realm="partdate"')
        else:
            problem(response, 401, "unauthorized")
            assert response.headers["WWW-Authenticate"].startswith('Bearer realm="partdate"')
    assert client.post("/v1/decode", json=POT).status_code == 401


@pytest.mark.parametrize(
    "path", ["/healthz", "/readyz", "/openapi.json", "/reference", "/problems/", "/static/mark.svg"]
)
def test_what_tells_of_this_program_alone_needs_no_token(
    served: Callable[..., FlaskClient], token_file: Path, path: str
) -> None:
    assert served(TOKEN_FILE=token_file).get(path).status_code == 200


def test_a_token_lets_in_programs_and_as_a_password_browsers(
    served: Callable[..., FlaskClient], token_file: Path
) -> None:
    client = served(TOKEN_FILE=token_file)
    assert client.post("/v1/decode", json=POT, headers=bearer()).status_code == 200
    assert client.get("/", headers={"Authorization": f"bearer {TOKEN}"}).status_code == 200
    basic = base64.b64encode(f"anybody:{TOKEN}".encode()).decode()
    assert client.get("/", headers={"Authorization": f"Basic {basic}"}).status_code == 200
    assert client.get("/", headers={"Authorization": "Basic !!"}).status_code == 401


def test_a_digest_stands_for_its_token(tmp_path: Path) -> None:
    path = tmp_path / "tokens"
    path.write_text(f"scanner sha256:{hashlib.sha256(TOKEN.encode()).hexdigest()}\n")
    assert Tokens(path).name_of(f"Bearer {TOKEN}") == "scanner"


def test_a_change_of_the_file_holds_within_a_second_and_a_faulty_line_lets_nobody_in(
    token_file: Path,
) -> None:
    now, said = [0.0], []
    tokens = Tokens(token_file, lambda event, about: said.append((event, about)), lambda: now[0])
    other = "another-invented-token-of-the-bench"
    token_file.write_text(f"intake {TOKEN}\nscanner {other}\n")
    assert tokens.name_of(f"Bearer {other}") is None
    now[0] += 1.1
    assert tokens.name_of(f"Bearer {other}") == "scanner"
    assert said == [("tokens-loaded", {"names": ["intake", "scanner"], "problems": []})]
    token_file.write_text(f"intake {TOKEN} and more\nscanner {other}\n")
    now[0] += 1.1
    assert tokens.name_of(f"Bearer {TOKEN}") is None
    assert tokens.name_of(f"Bearer {other}") == "scanner"
    event, about = said[-1]
    assert event == "tokens-refused" and "line 1" in about["problems"][0] and TOKEN not in str(about)
    token_file.unlink()
    now[0] += 1.1
    assert tokens.name_of(f"Bearer {other}") is None
    token_file.write_bytes(b"\xff\xfe\n" + f"intake {TOKEN}\n".encode())
    now[0] += 1.1
    assert tokens.name_of(f"Bearer {TOKEN}") == "intake"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("intake", "line 1: a line is a name"),
        ("# one\n\nintake short", "line 3: a token needs at least 20"),
        (f"int/ake {TOKEN}", "a name has 1 to 64"),
        (f"a {TOKEN}\nb {TOKEN}", "the same token as a"),
        (f"a {TOKEN}\na {TOKEN}x", "a second token is called a"),
        ("a sha256:12", "64 hexadecimal digits"),
        ("a " + "ü" * 30, "letters, digits and"),
        ("", "no token"),
    ],
)
def test_a_token_file_at_fault_is_refused_by_line_and_no_token_is_shown(
    tmp_path: Path, text: str, said: str
) -> None:
    path = tmp_path / "tokens"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TokenError) as refused:
        Tokens(path)
    assert said in str(refused.value)
    assert TOKEN not in str(refused.value)


def test_a_token_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(TokenError, match="can't be read"):
        Tokens(tmp_path / "nope")
    (tmp_path / "big").write_bytes(b"#" * 1_000_001)
    with pytest.raises(TokenError, match="larger than"):
        Tokens(tmp_path / "big")


@given(st.text(max_size=200))
def test_no_text_of_a_token_file_makes_an_empty_token(text: str) -> None:
    found, _ = read_tokens(text)
    assert hashlib.sha256(b"").digest() not in found


# --- rates


def test_a_bucket_fills_at_its_rate_and_never_beyond_its_burst() -> None:
    now = [100.0]
    buckets = Buckets(rate=2, burst=3, clock=lambda: now[0])
    assert [buckets.wait("a") for _ in range(3)] == [0, 0, 0]
    assert buckets.wait("a") == pytest.approx(0.5)
    assert buckets.wait("b") == 0
    now[0] += 0.5
    assert buckets.wait("a") == 0
    now[0] += 1_000
    assert [buckets.wait("a") > 0 for _ in range(4)] == [False, False, False, True]


def test_a_batch_is_let_in_whole_and_what_follows_waits_for_it() -> None:
    now = [0.0]
    buckets = Buckets(rate=10, burst=10, clock=lambda: now[0])
    assert buckets.wait("a") == 0
    buckets.owe("a", 999)
    assert buckets.wait("a") == pytest.approx((1 + 990) / 10)
    now[0] += 99.1
    assert buckets.wait("a") == 0


def test_the_memory_for_clients_is_bounded() -> None:
    buckets = Buckets(rate=1, burst=1, clock=lambda: 0.0, most=10)
    for n in range(1_000):
        buckets.wait(f"client {n}")
    assert len(buckets._buckets) == 10


def test_who_asks_too_often_is_told_when_to_come_back(
    served: Callable[..., FlaskClient], problem: Problem
) -> None:
    client = served(RATE=0.5, BURST=2)
    assert [client.post("/v1/decode", json=POT).status_code for _ in range(3)] == [200, 200, 429]
    response = client.post("/v1/decode", json=POT)
    problem(response, 429, "too-many-requests")
    assert response.headers["Retry-After"] in ("1", "2")
    assert client.get("/healthz").status_code == 200
    elsewhere = {"REMOTE_ADDR": "192.0.2.7"}
    assert client.post("/v1/decode", json=POT, environ_overrides=elsewhere).status_code == 200


@pytest.mark.parametrize(
    ("path", "sent"),
    [
        ("/v1/decode/batch", {"json": {"items": [POT] * 20}}),
        (
            "/v1/decode/stream",
            {"data": json.dumps(POT) + "\n" + "{}\n" * 19, "content_type": "application/x-ndjson"},
        ),
        ("/v1/check", {"json": {"parts": [{**POT, "id": str(n)} for n in range(20)]}}),
        (
            "/v1/check/stream",
            {
                "data": json.dumps({"parts": [{**POT, "id": str(n)} for n in range(20)]}),
                "content_type": "application/x-ndjson",
            },
        ),
    ],
)
def test_many_at_once_count_as_many(
    served: Callable[..., FlaskClient], path: str, sent: dict[str, Any]
) -> None:
    client = served(RATE=1, BURST=10)
    response = client.post(path, **sent)
    assert response.status_code == 200 and response.data
    refused = client.post("/v1/decode", json=POT)
    assert refused.status_code == 429
    assert 10 <= int(refused.headers["Retry-After"]) <= 12


def test_clients_of_one_network_share_a_bucket_under_the_longer_addresses() -> None:
    assert front._payer("2001:db8::1") == front._payer("2001:db8::ffff") != front._payer("2001:db8:0:1::1")
    assert front._payer("192.0.2.7") != front._payer("192.0.2.8")
    assert front._payer("intake") == "intake"


# --- other sites


def test_no_other_site_is_let_in_unless_it_is_named(served: Callable[..., FlaskClient]) -> None:
    asked = {"Origin": "https://intake.example", "Access-Control-Request-Method": "POST"}
    closed = served().options("/v1/decode", headers=asked)
    assert not [name for name, _ in closed.headers if name.startswith("Access-Control")]
    client = served(CORS_ORIGINS=["https://intake.example"])
    preflight = client.options("/v1/decode", headers=asked)
    assert preflight.status_code == 204
    assert preflight.headers["Access-Control-Allow-Origin"] == "https://intake.example"
    assert "Authorization" in preflight.headers["Access-Control-Allow-Headers"]
    answer = client.post("/v1/decode", json=POT, headers={"Origin": "https://intake.example"})
    assert answer.status_code == 200
    assert answer.headers["Access-Control-Allow-Origin"] == "https://intake.example"
    assert "Origin" in answer.headers["Vary"]
    assert "Access-Control-Allow-Credentials" not in answer.headers
    for origin in ("https://elsewhere.example", "null", "https://intake.example.elsewhere.example"):
        other = client.post("/v1/decode", json=POT, headers={"Origin": origin})
        assert "Access-Control-Allow-Origin" not in other.headers
    assert "Access-Control-Allow-Origin" not in client.get("/", headers=asked).headers


def test_a_preflight_needs_no_token_and_the_request_after_it_does(
    served: Callable[..., FlaskClient], token_file: Path
) -> None:
    client = served(CORS_ORIGINS=["https://intake.example"], TOKEN_FILE=token_file)
    asked = {"Origin": "https://intake.example", "Access-Control-Request-Method": "POST"}
    assert client.options("/v1/decode", headers=asked).status_code == 204
    refused = client.post("/v1/decode", json=POT, headers={"Origin": "https://intake.example"})
    assert refused.status_code == 401
    assert refused.headers["Access-Control-Allow-Origin"] == "https://intake.example"
    assert client.options("/v1/decode", headers={**asked, "Origin": "https://x.example"}).status_code == 401


# --- compression


@pytest.mark.parametrize("path", ["/", "/v1/parts", "/openapi.json", "/static/partdate.css", "/reference"])
def test_a_long_answer_is_compressed_for_who_takes_it(client: FlaskClient, path: str) -> None:
    plain = client.get(path)
    packed = client.get(path, headers={"Accept-Encoding": "gzip"})
    assert "Content-Encoding" not in plain.headers
    assert packed.headers["Content-Encoding"] == "gzip"
    assert "Accept-Encoding" in packed.headers["Vary"] and "Accept-Encoding" in plain.headers["Vary"]
    assert gzip.decompress(packed.data) == plain.data
    assert int(packed.headers["Content-Length"]) == len(packed.data) < len(plain.data) / 2
    tag = packed.headers.get("ETag")
    if tag is not None:
        assert tag.startswith("W/")
        again = client.get(path, headers={"Accept-Encoding": "gzip", "If-None-Match": tag})
        assert again.status_code == 304


def test_a_short_answer_and_a_refusal_stay_as_they_are(client: FlaskClient) -> None:
    for path in ("/healthz", "/v1/nope"):
        response = client.get(path, headers={"Accept-Encoding": "gzip"})
        assert "Content-Encoding" not in response.headers


# --- the log and the counts


def test_each_request_is_a_line_that_says_nothing_of_what_was_asked(
    served: Callable[..., FlaskClient],
) -> None:
    lines: list[bytes] = []
    client = served(LOG=JsonLog(lines.append))
    client.post("/v1/decode", json={"marking": "137-6612", "maker": "Harrow & Vale"})
    client.get("/?marking=137-6612&maker=Harrow")
    client.get("/v1/secret-137-6612")
    stream = client.post(
        "/v1/decode/stream", data='{"marking": "137-6612"}\n', content_type="application/x-ndjson"
    )
    assert stream.data
    stream.close()
    said = [json.loads(line) for line in lines]
    assert [(one["route"], one["status"]) for one in said] == [
        ("/v1/decode", 200), ("/", 200), ("other", 404), ("/v1/decode/stream", 200),
    ]  # fmt: skip
    assert all(one["event"] == "request" and one["ms"] >= 0 and one["bytes"] > 0 for one in said)
    assert all(re.fullmatch(r"\d{4}-\d\d-\d\dT[\d:.]+Z", one["time"]) for one in said)
    assert b"137-6612" not in b"".join(lines) and b"Harrow" not in b"".join(lines)


def test_a_failure_is_logged_by_the_lines_it_passed_and_not_by_its_text(
    served: Callable[..., FlaskClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    import logging

    from decoder.service.logs import JsonHandler

    lines: list[bytes] = []
    client = served(LOG=JsonLog(lines.append))

    def fail(*_: Any) -> None:
        raise KeyError("the marking 137-6612")

    monkeypatch.setattr("decoder.service.api.decode_marking", fail)
    handler = JsonHandler(JsonLog(lines.append))
    logging.getLogger().addHandler(handler)
    try:
        response = client.post("/v1/decode", json=POT, headers={"X-Request-ID": "tray-7"})
    finally:
        logging.getLogger().removeHandler(handler)
    assert response.status_code == 500
    failure = next(one for one in map(json.loads, lines) if one["event"] == "log")
    assert failure["error"] == "KeyError" and failure["level"] == "error"
    assert failure["request_id"] == "tray-7"
    assert any(frame.startswith("api.py:") for frame in failure["frames"])
    assert b"137-6612" not in b"".join(lines)


def counts(client: FlaskClient) -> dict[tuple[str, ...], float]:
    text = client.get("/metrics").text
    return {
        (sample.name, *(f"{k}={v}" for k, v in sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def test_what_is_counted_can_be_read_by_prometheus(served: Callable[..., FlaskClient]) -> None:
    client = served()
    for marking in ("137-6612", "137-6699", "", "ZZTOP"):
        client.post("/v1/decode", json={"marking": marking, "part": "pot"})
    client.get("/v1/137-6612")
    client.open("/healthz", method="WOBBLE")
    found = counts(client)
    assert found["partdate_requests_total", "method=POST", "route=/v1/decode", "status=200"] == 3
    assert found["partdate_requests_total", "method=POST", "route=/v1/decode", "status=422"] == 1
    assert found["partdate_requests_total", "method=GET", "route=other", "status=404"] == 1
    assert found["partdate_requests_total", "method=other", "route=other", "status=405"] == 1
    assert found["partdate_request_seconds_count", "route=/v1/decode"] == 4
    for status in ("read", "near-miss", "unread", "refused"):
        assert found["partdate_markings_total", f"status={status}"] == 1
    assert "137" not in "".join(":".join(name) for name in found)


def test_the_number_of_series_does_not_grow_with_what_is_asked(served: Callable[..., FlaskClient]) -> None:
    client = served()
    for n in range(30):
        client.get(f"/v1/{n}")
        client.get(f"/v1/tables/parts/{n}")
        client.open("/healthz", method=f"X{n}")
    first = len(counts(client))
    for n in range(30, 90):
        client.get(f"/v1/{n}")
        client.get(f"/v1/tables/parts/{n}")
        client.open("/healthz", method=f"X{n}")
    assert len(counts(client)) <= first + 30  # the series of /metrics itself


def test_a_server_that_stops_is_not_ready_and_still_up(
    served: Callable[..., FlaskClient], problem: Problem
) -> None:
    client = served()
    assert client.get("/readyz").json == {"status": "ready"}
    client.application.extensions[front.EXTENSION].stopping = True
    problem(client.get("/readyz"), 503, "stopping")
    assert client.get("/healthz").status_code == 200


# --- what may be answered


@pytest.mark.parametrize(
    "path", ["/v1/decode", "/v1/decode/batch", "/v1/check", "/v1/decode/stream", "/v1/check/stream"]
)
def test_a_type_that_cannot_be_given_is_refused(client: FlaskClient, problem: Problem, path: str) -> None:
    for accepted in (
        "image/png",
        "text/html",
        "application/json;q=0, application/x-ndjson;q=0, text/csv;q=0",
    ):
        body = problem(client.post(path, json={}, headers={"Accept": accepted}), 406, "not-acceptable")
        assert "application/" in body["detail"]


@pytest.mark.parametrize("path", ["/v1/parts", "/v1/schemes", "/v1/tables", "/v1/tables/parts/lag"])
def test_lists_come_as_json_and_as_nothing_else(client: FlaskClient, problem: Problem, path: str) -> None:
    problem(client.get(path, headers={"Accept": "text/csv"}), 406, "not-acceptable")
    assert client.get(path, headers={"Accept": "text/html, */*;q=0.1"}).status_code == 200
    response = client.post(path)
    problem(response, 405, "method-not-allowed")
    assert set(response.headers["Allow"].replace(" ", "").split(",")) == {"GET", "HEAD", "OPTIONS"}
