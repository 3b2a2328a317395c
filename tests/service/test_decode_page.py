"""The page for one marking: what it shows, that nothing typed becomes markup, and how it names its JSON."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

Read = Callable[..., Any]
MARKUP = "\"'><script>alert(1)</script><img src=x onerror=alert(1)>&amp;{{ 7*7 }}"


def test_the_page_starts_with_one_big_question_and_no_answer(client: FlaskClient, page: Read) -> None:
    found = page(client.get("/"))
    assert found.status == 200
    assert found.fields()["marking"] == [""]
    assert 'id="answer"' not in found.raw


def test_the_kinds_stand_in_sections_from_head_to_tail(client: FlaskClient, page: Read) -> None:
    raw = page(client.get("/")).raw
    assert raw.count("<optgroup") == 8
    places = [
        raw.index(f'<option value="{kind}"') for kind in ("serial", "neck-heel", "potentiometer", "speaker")
    ]
    assert places == sorted(places)
    assert raw.index('<optgroup label="Neck">') < places[1] < raw.index('<optgroup label="Body and finish">')


def test_a_reading_is_shown_with_its_window_in_words_its_strength_and_its_sources(
    client: FlaskClient, page: Read
) -> None:
    found = page(client.get("/?marking=137-6612&part=pot"))
    assert found.status == 200
    for words in ("reads as", "19 Mar 1966 to 27 Mar 1966", "Strong", "to the week", "Sources", "grade C"):
        assert words in found.text
    assert "What the grades say" in found.text


def test_the_fields_stand_under_the_characters_that_they_are_read_from(
    client: FlaskClient, page: Read
) -> None:
    raw = page(client.get("/?marking=137-6612&part=pot")).raw
    strip = raw[raw.index('<ol class="strip"') : raw.index("</ol>")]
    cells = [cell.split("</bdi>") for cell in strip.split('<bdi class="chars">')[1:]]
    assert [chars for chars, _ in cells] == ["137", "-", "66", "12"]
    assert ["source" in after for _, after in cells] == [True, False, False, False]
    assert ["year" in after for _, after in cells] == [False, False, True, False]
    assert ["week" in after for _, after in cells] == [False, False, False, True]


def test_readings_that_differ_in_their_decade_alone_share_one_drawing(
    client: FlaskClient, page: Read
) -> None:
    found = page(client.get("/?marking=137-612&part=pot"))
    assert "reads as one of" in found.text
    for year in (1946, 1956, 1966, 1976):
        assert f"Mar {year}" in found.text
    assert found.raw.count('<ol class="strip"') == 1


def test_the_claim_ranks_the_readings_and_hides_none(client: FlaskClient, page: Read) -> None:
    text = page(client.get("/?marking=137-612&part=pot&claim=1966")).text
    drawn = text[text.index("Strong") :]
    first = {year: drawn.index(f"Mar {year}") for year in (1946, 1956, 1966, 1976)}
    assert min(first, key=first.__getitem__) == 1966


def test_a_near_miss_links_to_each_correction_with_all_else_kept(client: FlaskClient, page: Read) -> None:
    found = page(client.get("/?marking=137-6699&part=potentiometer&claim=1966"))
    assert found.status == 200
    assert "137-66<mark>99</mark>" in found.raw
    retries = [parse_qs(urlsplit(link).query) for link in found.links if link.startswith("/?marking=")]
    assert retries
    for retry in retries:
        assert retry["part"] == ["potentiometer"] and retry["claim"] == ["1966"]
        tried = page(client.get("/?" + urlencode(retry, doseq=True)))
        assert tried.status == 200 and "reads as" in tried.text


def test_an_unread_marking_gets_advice(client: FlaskClient, page: Read) -> None:
    found = page(client.get("/?marking=ZZTOP&part=pot"))
    assert found.status == 200
    assert "is not read" in found.text and "worn character" in found.text


def test_the_cautions_of_a_kind_stand_beside_it(client: FlaskClient, page: Read) -> None:
    text = page(client.get("/?part=pot")).text
    assert "Caution: Old solder contains lead." in text
    assert "lethal charge" not in text
    assert "lethal charge" in page(client.get("/?marking=1&part=amplifier-capacitor")).text


def test_all_cautions_stand_on_the_page_when_no_kind_is_chosen(
    client: FlaskClient, page: Read, shipped: Any
) -> None:
    text = page(client.get("/")).text
    for row in shipped.table("parts/cautions").rows:
        assert row["text"] in text


def test_what_was_typed_is_kept_with_the_message_beside_it(client: FlaskClient, page: Read) -> None:
    asked = {"marking": "137-[", "part": "wobbler", "claim": "19666", "maker": "Harrow & Vale"}
    found = page(client.get("/?" + urlencode(asked)))
    assert found.status == 422
    sent = found.fields()
    assert {name: sent[name] for name in asked} == {name: [text] for name, text in asked.items()}
    assert found.raw.count("aria-invalid") == 3
    for words in ("is not closed", "no kind of part", "a year has four digits"):
        assert words in found.text


@pytest.mark.parametrize(
    "marking", ["", "%20", "%00", "137%0d%0a", "%E2%80%AE137", "1" * 10_000, "%ff", "%5B"]
)
def test_a_marking_that_cannot_be_taken_is_an_error_on_the_page_and_never_a_failure(
    client: FlaskClient, page: Read, marking: str
) -> None:
    found = page(client.get(f"/?marking={marking}"))
    assert found.status in (200, 422)
    if marking != "%ff":
        assert found.status == 422
        assert "✕" not in found.raw and 'class="fault"' in found.raw


@pytest.mark.parametrize("field", ["marking", "part", "maker", "claim", "country", "patent"])
def test_markup_in_a_field_is_shown_and_never_run(client: FlaskClient, page: Read, field: str) -> None:
    asked = {"marking": "137-6612"} | {field: MARKUP}
    found = page(client.get("/?" + urlencode(asked)))
    assert "<script>" not in found.raw and "<img" not in found.raw
    assert escape(MARKUP).replace("&#x27;", "&#39;").replace("&quot;", "&#34;") in found.raw
    assert found.fields()[field] == [MARKUP]


def test_the_page_names_its_json_and_the_json_is_that_of_the_endpoint(
    client: FlaskClient, page: Read
) -> None:
    response = client.get("/?marking=137-612&part=pot&claim=1966")
    link = response.headers["Link"]
    twin = link[1 : link.index(">")]
    assert 'rel="alternate"; type="application/json"' in link
    assert twin in page(response).links
    asked = {"marking": "137-612", "part": "pot", "claim": "1966"}
    assert client.get(twin).json == client.post("/v1/decode", json=asked).json


def test_the_json_of_a_page_refuses_as_the_endpoint_does(client: FlaskClient, problem: Any) -> None:
    problem(client.get("/decode.json"), 422, "bad-marking", "/marking")
    problem(client.get("/decode.json?marking=137-%5B"), 422, "bad-marking", "/marking")
    problem(client.post("/decode.json"), 405, "method-not-allowed")


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    marking=st.text(max_size=70) | st.text("0123456789?[]*- RAC", max_size=20),
    part=st.sampled_from(["", "pot", "label", "serial", "x"]) | st.text(max_size=10),
    claim=st.sampled_from(["", "1966", "196X", "../.."]) | st.text(max_size=10),
)
def test_whatever_is_typed_the_page_is_whole(
    client: FlaskClient, page: Read, marking: str, part: str, claim: str
) -> None:
    query = urlencode({"marking": marking, "part": part, "claim": claim}, errors="replace")
    assert page(client.get(f"/?{query}")).status in (200, 422)
