"""POST /v1/decode, POST /v1/check and GET /healthz: what they answer, and what they refuse and how."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoder.catalog import decode
from decoder.service import create_app
from decoder.tables import Tables

Problem = Callable[..., dict[str, Any]]
JSON = "application/json"


def sheet(*parts: dict[str, Any], **instrument: str) -> dict[str, Any]:
    return {"instrument": {"maker": "Harrow & Vale", **instrument}, "parts": list(parts)}


def pot(marking: str = "137-6612", name: str = "volume pot") -> dict[str, Any]:
    return {"id": name, "part": "potentiometer", "marking": marking}


# --- what is answered


def test_a_marking_is_decoded_as_the_core_decodes_it(client: FlaskClient, shipped: Tables) -> None:
    response = client.post("/v1/decode", json={"marking": "137-6612", "part": "pot", "claim": "1966"})
    assert response.status_code == 200
    assert response.mimetype == JSON
    expected = decode("137-6612", part="pot", claim="1966", today=date(2026, 11, 25), tables=shipped)
    assert response.json == expected.as_dict()
    # Week 12 of 1966: the ISO week is 21-27 March, Sunday weeks 20-26 March, days 78-84 of the year 19-25 March.
    assert response.json["windows"] == [
        {"earliest": "1966-03-19", "latest": "1966-03-27", "edtf": "1966-03-19/1966-03-27"}
    ]


@pytest.mark.parametrize(("marking", "status"), [("137-6699", "near-miss"), ("ZZTOP", "unread")])
def test_a_marking_that_is_not_read_is_an_answer_and_no_error(
    client: FlaskClient, marking: str, status: str
) -> None:
    response = client.post("/v1/decode", json={"marking": marking, "part": "potentiometer"})
    assert response.status_code == 200
    assert response.json["status"] == status


def test_fields_that_are_null_count_as_left_out(client: FlaskClient) -> None:
    asked = {
        "marking": "137-6612",
        "part": None,
        "maker": None,
        "claim": None,
        "country": None,
        "patent": None,
    }
    response = client.post("/v1/decode", json=asked)
    assert response.json == client.post("/v1/decode", json={"marking": "137-6612"}).json


def test_a_label_may_have_400_characters_and_a_code_64(client: FlaskClient, problem: Problem) -> None:
    text = "MADE BY NOBODY " * 10
    assert client.post("/v1/decode", json={"marking": text, "part": "label"}).status_code == 200
    body = problem(
        client.post("/v1/decode", json={"marking": text, "part": "pot"}), 422, "bad-marking", "/marking"
    )
    assert "150 characters; at most 64" in body["detail"]


def test_a_sheet_that_fits_its_claim_agrees(client: FlaskClient) -> None:
    response = client.post("/v1/check", json=sheet(pot(), claim="1966"))
    assert response.status_code == 200
    assert response.json["outcome"] == "agrees"
    assert response.json["today"] == "2026-11-25"


def test_a_pot_newer_than_the_claim_contradicts_it(client: FlaskClient) -> None:
    response = client.post("/v1/check", json=sheet(pot(), claim="1959"))
    assert response.json["outcome"] == "contradicted"
    assert response.json["parts"][0]["verdict"] == "too-new"


def test_the_health_check_names_the_tables(client: FlaskClient) -> None:
    response = client.get("/healthz")
    assert response.json["status"] == "ok"
    assert len(response.json["tables"]) == 12


# --- what is refused


@pytest.mark.parametrize(
    ("marking", "at", "said"),
    [
        ("", [0, 0], "is empty"),
        ("   ", [0, 1], "is empty"),
        ("1" * 10_000, [64, 65], "at most 64"),
        ("137\x00", [3, 4], "U+0000"),
        ("137\x1b6612", [3, 4], "U+001B"),
        ("\u202e137-6612", [0, 1], "U+202E"),
        ("137\u200f6612", [3, 4], "U+200F"),
        ("137-[", [4, 5], "not closed"),
        ("137-[]12", [4, 6], "empty"),
    ],
)
def test_a_marking_that_cannot_be_taken_is_refused_at_its_character(
    client: FlaskClient, problem: Problem, marking: str, at: list[int], said: str
) -> None:
    body = problem(client.post("/v1/decode", json={"marking": marking}), 422, "bad-marking", "/marking")
    assert said in body["errors"][0]["message"]
    assert body["errors"][0]["at"][0] == at[0]
    assert body["errors"][0]["at"][1] <= at[1]


@pytest.mark.parametrize("value", [7, 7.5, True, ["137"], {"text": "137"}, None])
@pytest.mark.parametrize("field", ["marking", "part", "maker", "claim", "country", "patent"])
def test_a_field_of_the_wrong_type_is_named_with_its_type(
    client: FlaskClient, problem: Problem, field: str, value: Any
) -> None:
    if value is None and field != "marking":
        return
    name = {"marking": "bad-marking", "part": "unknown-kind", "claim": "bad-claim"}.get(field, "bad-fields")
    response = client.post("/v1/decode", json={"marking": "137-6612", field: value})
    body = problem(response, 422, name, f"/{field}")
    assert "text" in body["detail"] or "null" in body["detail"]


def test_an_unknown_field_is_answered_with_the_nearest_one(client: FlaskClient, problem: Problem) -> None:
    response = client.post("/v1/decode", json={"marking": "137-6612", "makr": "Harrow & Vale"})
    body = problem(response, 422, "bad-fields", "/makr")
    assert "Did you mean maker?" in body["detail"]


def test_a_name_with_a_slash_is_written_as_a_json_pointer(client: FlaskClient, problem: Problem) -> None:
    problem(client.post("/v1/decode", json={"marking": "137", "a/b~c": 1}), 422, "bad-fields", "/a~1b~0c")


def test_an_unknown_kind_is_answered_with_the_nearest_ones(client: FlaskClient, problem: Problem) -> None:
    response = client.post("/v1/decode", json={"marking": "137-6612", "part": "potentiometre"})
    body = problem(response, 422, "unknown-kind", "/part")
    assert "'potentiometer'" in body["detail"]


def test_a_claim_that_is_no_period_is_refused_at_its_character(client: FlaskClient, problem: Problem) -> None:
    response = client.post("/v1/decode", json={"marking": "137-6612", "claim": "1966-13"})
    body = problem(response, 422, "bad-claim", "/claim")
    assert body["errors"][0]["at"][0] >= 5


def test_every_fault_is_named_and_not_the_first_alone(client: FlaskClient, problem: Problem) -> None:
    asked = {"marking": "137-[", "part": "wobbler", "claim": "19666", "maker": 3, "colour": "red"}
    problem(
        client.post("/v1/decode", json=asked),
        422,
        "bad-fields",
        "/marking",
        "/part",
        "/claim",
        "/maker",
        "/colour",
    )


@pytest.mark.parametrize("body", ["[]", '"137-6612"', "137", "null", "true"])
@pytest.mark.parametrize("path", ["/v1/decode", "/v1/check"])
def test_json_that_is_no_object_is_refused(
    client: FlaskClient, problem: Problem, path: str, body: str
) -> None:
    name = "bad-fields" if path == "/v1/decode" else "bad-sheet"
    problem(client.post(path, data=body, content_type=JSON), 422, name, "")


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"", "Line 1, column 1"),
        (b"   \n", "Line 1, column 1"),
        (b'{"marking": ', "Line 1, column 13"),
        (b'{"marking":\n  137-6612}', "Line 2, column 6"),
        (b'{"marking": "137\n"}', "Line 1, column 17"),
        (b"{'marking': '137'}", "Line 1, column 2"),
        (b'{"marking": NaN}', "NaN"),
        (b'{"marking": "a", "marking": "b"}', "'marking' stands twice"),
        (b'{"marking": "\xff"}', "byte 14"),
        (b"[" * 60_000, "too deeply"),
        (b'{"marking": ' + b"9" * 5_000 + b"}", "digits"),
    ],
)
@pytest.mark.parametrize("path", ["/v1/decode", "/v1/check"])
def test_broken_json_is_refused_with_line_and_column(
    client: FlaskClient, problem: Problem, path: str, body: bytes, said: str
) -> None:
    assert said in problem(client.post(path, data=body, content_type=JSON), 400, "broken-json")["detail"]


@pytest.mark.parametrize(
    "content_type", [None, "text/plain", "application/x-www-form-urlencoded", "text/json", "?"]
)
@pytest.mark.parametrize("path", ["/v1/decode", "/v1/check"])
def test_another_content_type_is_refused(
    client: FlaskClient, problem: Problem, path: str, content_type: str | None
) -> None:
    response = client.post(path, data=b'{"marking": "137-6612"}', content_type=content_type)
    problem(response, 415, "wrong-content-type")
    assert response.headers["Accept-Post"] == JSON


def test_a_compressed_body_is_refused(client: FlaskClient, problem: Problem) -> None:
    headers = {"Content-Encoding": "gzip"}
    response = client.post("/v1/decode", data=b"\x1f\x8b", content_type=JSON, headers=headers)
    problem(response, 415, "wrong-content-type")


@pytest.mark.parametrize(("path", "limit"), [("/v1/decode", 64_000), ("/v1/check", 2_000_000)])
def test_a_body_over_the_limit_is_refused_and_one_at_the_limit_is_read(
    client: FlaskClient, problem: Problem, path: str, limit: int
) -> None:
    response = client.post(path, data=b" " * (limit + 1), content_type=JSON)
    assert f"{limit:,}" in problem(response, 413, "too-large")["detail"]
    problem(client.post(path, data=b" " * limit, content_type=JSON), 400, "broken-json")


def test_the_limits_can_be_set(shipped: Tables, problem: Problem) -> None:
    small = create_app({"TABLES": shipped, "DECODE_BODY_LIMIT": 10, "CHECK_BODY_LIMIT": 20}).test_client()
    problem(small.post("/v1/decode", json={"marking": "137-6612"}), 413, "too-large")
    problem(small.post("/v1/check", json={"parts": [pot()]}), 413, "too-large")


@pytest.mark.parametrize("path", ["/v1/decode", "/v1/check"])
@pytest.mark.parametrize("method", ["GET", "PUT", "DELETE", "PATCH", "HEAD"])
def test_another_method_is_refused_and_the_right_ones_are_named(
    client: FlaskClient, problem: Problem, path: str, method: str
) -> None:
    response = client.open(path, method=method)
    assert set(response.headers["Allow"].replace(" ", "").split(",")) == {"OPTIONS", "POST"}
    if method == "HEAD":
        assert response.status_code == 405 and response.data == b""
    else:
        problem(response, 405, "method-not-allowed")


def test_options_names_the_methods_and_head_is_get_without_its_body(client: FlaskClient) -> None:
    response = client.options("/v1/decode")
    assert response.status_code == 200
    assert set(response.headers["Allow"].replace(" ", "").split(",")) == {"OPTIONS", "POST"}
    head, full = client.head("/healthz"), client.get("/healthz")
    assert (head.status_code, head.data) == (200, b"")
    assert head.headers["Content-Type"] == full.headers["Content-Type"]


@pytest.mark.parametrize("path", ["/v1/nope", "/v1/", "/v1", "/v1/decode/", "/v2.json", "/healthz/"])
def test_an_address_of_the_endpoint_that_holds_nothing_is_a_problem(
    client: FlaskClient, problem: Problem, path: str
) -> None:
    response = client.get(path)
    if path == "/healthz/":
        assert response.status_code == 404
    else:
        problem(response, 404, "not-found")


@pytest.mark.parametrize(
    ("asked", "pointer"),
    [
        ({}, "/parts"),
        ({"parts": 3}, "/parts"),
        ({"parts": [3]}, "/parts/0"),
        ({"parts": [pot(), pot()]}, "/parts/1/id"),
        ({"parts": [{"id": "a", "part": "wobbler", "marking": "1"}]}, "/parts/0/part"),
        ({"parts": [pot("")]}, "/parts/0/marking"),
        ({"parts": [pot("137\u202e")]}, "/parts/0/marking"),
        ({"parts": [{**pot(), "colour": "red"}]}, "/parts/0/colour"),
        ({"parts": [pot()], "instrument": {"claim": "19666"}}, "/instrument/claim"),
        ({"parts": [pot()], "instrument": {"maker": "a\x00"}}, "/instrument/maker"),
        ({"parts": [pot()], "extra": 1}, "/extra"),
        ({"parts": [pot("13\ud800")]}, "/parts/0/marking"),
    ],
)
def test_a_sheet_that_cannot_be_checked_is_refused_by_json_pointer(
    client: FlaskClient, problem: Problem, asked: dict[str, Any], pointer: str
) -> None:
    problem(client.post("/v1/check", json=asked), 422, "bad-sheet", pointer)


def test_a_failure_of_the_server_is_logged_there_and_says_nothing_of_it(
    client: FlaskClient, problem: Problem, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(*_: Any) -> None:
        raise RuntimeError("the inside of the server")

    monkeypatch.setattr("decoder.service.api.decode_marking", fail)
    monkeypatch.setattr("decoder.service.page.decode_marking", fail)
    with caplog.at_level(logging.ERROR):
        response = client.post("/v1/decode", json={"marking": "137-6612"})
    problem(response, 500, "internal")
    assert "inside" not in response.text
    assert "the inside of the server" in caplog.text
    page = client.get("/?marking=137-6612")
    assert (page.status_code, page.mimetype) == (500, "text/html")
    assert "inside" not in page.text and "Traceback" not in page.text


# --- whatever is sent

VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=80),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=8,
)
NAMES = st.sampled_from(["marking", "part", "maker", "claim", "country", "patent", "Marking", ""])
PARTS = st.dictionaries(
    st.sampled_from(
        "id part marking feature value unit uncertainty state flags position group patent override".split()
    ),
    VALUES | st.sampled_from(["pot", "serial", "137-6612", "read", "no-mark"]),
    max_size=6,
)


@settings(max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(asked=st.dictionaries(NAMES, VALUES | st.sampled_from(["137-612", "pot", "1966"])) | VALUES)
def test_whatever_json_is_sent_to_decode_there_is_an_answer_or_a_problem(
    client: FlaskClient, problem: Problem, asked: Any
) -> None:
    response = client.post("/v1/decode", data=json.dumps(asked), content_type=JSON)
    if response.status_code == 200:
        assert response.json["status"] in ("read", "near-miss", "unread")
    else:
        body = response.get_json(force=True)
        pointers = {error["pointer"] for error in body["errors"]}
        problem(response, 422, body["type"].rpartition("/")[2], *pointers)


@settings(max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(parts=st.lists(PARTS, max_size=4) | VALUES, instrument=VALUES, options=VALUES)
def test_whatever_json_is_sent_to_check_there_is_an_answer_or_a_problem(
    client: FlaskClient, problem: Problem, parts: Any, instrument: Any, options: Any
) -> None:
    asked = {"parts": parts, "instrument": instrument, "options": options}
    response = client.post("/v1/check", data=json.dumps(asked), content_type=JSON)
    if response.status_code == 200:
        assert response.json["outcome"] in ("agrees", "contradicted", "undecided")
    else:
        pointers = {error["pointer"] for error in response.get_json(force=True)["errors"]}
        problem(response, 422, "bad-sheet", *pointers)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=st.binary(max_size=60))
def test_whatever_bytes_are_sent_there_is_a_problem_or_an_answer(client: FlaskClient, body: bytes) -> None:
    assert client.post("/v1/decode", data=body, content_type=JSON).status_code in (200, 400, 422)
