"""Random requests against every address that takes a body: there is an answer or a problem, and never a failure.

PARTDATE_FUZZ=100000 .venv/bin/python -m pytest -m slow tests/service/test_fuzz.py    many more of them
"""

from __future__ import annotations

import json
import os
from datetime import date
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from decoder.service import create_app
from decoder.service.problems import KINDS
from decoder.tables import Tables

IN_CI = 2_000
MANY = int(os.environ.get("PARTDATE_FUZZ", "0"))
NDJSON = "application/x-ndjson"

PATHS = st.sampled_from(
    [
        "/v1/decode",
        "/v1/decode",
        "/v1/check",
        "/v1/check",
        "/v1/decode/batch",
        "/v1/decode/stream",
        "/v1/check/stream",
    ]
)
TYPES = st.sampled_from(
    ["application/json"] * 6 + [NDJSON] * 4 + ["text/plain", "", "application/json; charset=latin-1"]
)
ACCEPTS = st.sampled_from(
    [None] * 6 + ["*/*", "text/csv", NDJSON, "application/json;q=0.1, text/csv", "image/*", ";;q="]
)
WORDS = st.sampled_from(
    "id part marking feature value unit uncertainty state flags position group patent override instrument "
    "parts options items maker model country claim second_claim today lags replacement_rates estimate lead "
    "usual longest window name reason pot serial label tuner nut tube read no-mark illegible 1966 196X "
    "1965/1967 ../.. 1966~ 2026-11-25 true null 137-6612 137-612 13?-?[68]1? 24517 L12345 PAT.PEND. "
    "PAT.NO.2,741,146 ??? *** [ [] ]".split()
) | st.sampled_from(
    [
        "Harrow & Vale",
        "MADE IN U.S.A.",
        "",
        " ",
        "\x00",
        "\u202e",
        "\ud800",
        "\U0001f3b8",
        "٣",
        "１３７",
        "1" * 65,
    ]
)
TEXTS = WORDS | st.text(max_size=12) | st.text("0123456789?[]*-./ ABX", max_size=70)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**20), 10**20) | st.floats(allow_nan=False) | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=5),
    max_leaves=12,
)
QUESTIONS = st.fixed_dictionaries(
    {"marking": TEXTS},
    optional=dict.fromkeys(("part", "maker", "claim", "country", "patent", "id", "x"), TEXTS | VALUES),
)
PARTS = st.fixed_dictionaries(
    {"id": TEXTS, "part": st.sampled_from(["pot", "serial", "label", "tuner", "nut", "wobbler"])},
    optional=dict.fromkeys(
        "marking feature value unit uncertainty state flags position group patent override".split(),
        TEXTS | VALUES,
    ),
)
SHEETS = st.fixed_dictionaries(
    {"parts": st.lists(PARTS, max_size=4)},
    optional={
        "instrument": st.dictionaries(st.sampled_from(["maker", "country", "claim", "second_claim"]), TEXTS),
        "options": st.dictionaries(
            st.sampled_from(["today", "lags", "replacement_rates", "estimate"]), VALUES
        ),
        "id": VALUES,
    },
)
ASKED = (
    QUESTIONS | SHEETS | st.fixed_dictionaries({"items": st.lists(QUESTIONS | VALUES, max_size=4)}) | VALUES
)
WRITTEN = ASKED.map(lambda value: json.dumps(value).encode())


@st.composite
def harmed(draw: st.DrawFn) -> bytes:
    """A body that was right before something was taken out, put in or turned round."""
    body = draw(WRITTEN)
    at = draw(st.integers(0, len(body)))
    until = draw(st.integers(at, min(len(body), at + 8)))
    return body[:at] + draw(st.binary(max_size=6)) + body[until:]


BODIES = (
    WRITTEN | harmed() | st.binary(max_size=80) | st.lists(WRITTEN | harmed(), max_size=4).map(b"\n".join)
)


@pytest.fixture(scope="module")
def fuzzed(shipped: Tables) -> FlaskClient:
    return create_app(
        {"TABLES": shipped, "TODAY": lambda: date(2026, 11, 25), "ITEMS_LIMIT": 3}
    ).test_client()


def ask(client: FlaskClient, path: str, body: bytes, kind: str, accept: str | None) -> None:
    headers = {"Accept": accept} if accept is not None else {}
    with client.post(path, data=body, content_type=kind, headers=headers) as response:
        text = response.get_data(as_text=True)
        assert response.status_code in (200, 400, 406, 413, 415, 422), text
        assert "Traceback" not in text
        if response.status_code != 200:
            assert response.mimetype == "application/problem+json"
            problem(json.loads(text), response.status_code)
        elif response.mimetype == NDJSON:
            answers = [json.loads(line) for line in text.splitlines()]
            for answer in answers:
                either(answer)
            assert len({answer["line"] for answer in answers}) == len(answers)
        elif response.mimetype == "application/json":
            found = json.loads(text)
            for answer in found.get("items", ()):
                either(answer)
        else:
            assert response.mimetype == "text/csv"


def either(answer: dict[str, Any]) -> None:
    assert ("problem" in answer) != ("decoding" in answer or "assessment" in answer)
    if "problem" in answer:
        assert answer["problem"]["status"] < 500, answer
        problem(answer["problem"], answer["problem"]["status"])


def problem(found: dict[str, Any], status: int) -> None:
    kind = KINDS[found["type"].removeprefix("/problems/")]
    assert found["status"] == kind.status == status
    assert found["detail"]
    assert all(
        error["pointer"] == "" or error["pointer"].startswith("/") for error in found.get("errors", ())
    )


QUIETLY = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large]


@settings(max_examples=IN_CI, suppress_health_check=QUIETLY)
@given(PATHS, BODIES, TYPES, ACCEPTS)
@example("/v1/decode", b'{"marking": "137-6612"}', "application/json", None)
@example("/v1/decode/batch", b'{"items": [1, 2, 3, 4]}', "application/json", None)
def test_no_request_makes_the_server_fail(
    fuzzed: FlaskClient, path: str, body: bytes, kind: str, accept: str | None
) -> None:
    ask(fuzzed, path, body, kind, accept)


@pytest.mark.slow
@pytest.mark.skipif(not MANY, reason="PARTDATE_FUZZ says how many")
@settings(max_examples=max(1, MANY), suppress_health_check=QUIETLY)
@given(PATHS, BODIES, TYPES, ACCEPTS)
def test_no_request_of_a_great_many_makes_the_server_fail(
    fuzzed: FlaskClient, path: str, body: bytes, kind: str, accept: str | None
) -> None:
    ask(fuzzed, path, body, kind, accept)
