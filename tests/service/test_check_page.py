"""The page for a whole instrument: rows to a sheet and back, its answer, and what it says of wrong entries."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoder.service import forms
from decoder.tables import Tables

Read = Callable[..., Any]
MARKUP = "\"'><script>alert(1)</script>"


def row(number: int, part: str, **columns: str) -> dict[str, str]:
    return {f"p{number}-part": part, f"p{number}-fixed": "1"} | {
        f"p{number}-{k}": v for k, v in columns.items()
    }


def harrow(**more: Any) -> dict[str, Any]:
    """The instrument of an invented maker."""
    return {"maker": "Harrow & Vale", "model": "Estuary", "country": "US", **more}


def pasted(client: FlaskClient, sheet: Any) -> Any:
    text = sheet if isinstance(sheet, str) else json.dumps(sheet)
    return client.post("/check", data={"do": "paste", "paste": text}, content_type="multipart/form-data")


# --- the form


def test_the_form_starts_with_the_usual_parts_from_head_to_tail(
    client: FlaskClient, page: Read, shipped: Tables
) -> None:
    response = client.get("/check")
    assert '</v1/check>; rel="alternate"' in response.headers["Link"]
    sent = page(response).fields()
    kinds = [sent[f"p{n}-part"][0] for n in range(15)]
    known = {r["id"]: r["place"] for r in shipped.table("parts/kinds").rows}
    assert kinds[:2] == ["serial", "label"] and kinds[-2:] == ["", ""]
    assert kinds.count("potentiometer") == 2 and kinds.count("pickup") == 2
    assert "tuner" in kinds and "neck-heel" in kinds and "capacitor" in kinds and "speaker" in kinds
    places = [known[kind] for kind in kinds if kind]
    assert places == sorted(places)


def test_cautions_stand_beside_the_parts_that_have_them(client: FlaskClient, page: Read) -> None:
    raw = page(client.get("/check")).raw.split('<ol class="rows">')[1]
    heel = raw[raw.index("Neck heel") :]
    assert "Strings are under tension" in heel[: heel.index("</fieldset>")]
    label = raw[raw.index("Paper label") :]
    assert "Caution" not in label[: label.index("</fieldset>")]


def test_more_rows_keep_everything_that_was_typed(client: FlaskClient, page: Read) -> None:
    data = harrow(
        claim="1966?!", options="{", **row(0, "tuner", marking="PAT. [", state="illegible", position="bass side"),
        **row(1, "potentiometer", marking="137-6612", group="harness", override_window="1972", override_name="A. B."),
        **{"p1-flags": ["refinished", "joint-disturbed"], "p2-part": "speaker", "p2-marking": "x"},
    )  # fmt: skip
    before = data
    found = page(client.post("/check", data={**data, "do": "rows"}))
    assert found.status == 200
    sent = found.fields()
    for name, value in before.items():
        assert sent[name] == (value if isinstance(value, list) else [value])
    assert len([name for name in sent if name.endswith("-part")]) == 3 + forms.ROWS_ADDED
    assert 'id="row-3"' in found.raw and "/check#row-7" in found.links
    again = page(client.post("/check", data={**sent, "do": "rows"})).fields()
    assert {name: again[name] for name in sent} == sent


def test_a_sheet_takes_no_more_rows_than_it_may_have_parts(client: FlaskClient, page: Read) -> None:
    data = {f"p{n}-part": "tuner" for n in range(198)}
    found = page(client.post("/check", data={**data, "do": "rows"}))
    assert len([name for name in found.fields() if name.endswith("-part")]) == 200
    assert "Add rows" not in found.text


def test_empty_rows_are_left_out(client: FlaskClient) -> None:
    data = harrow(do="sheet", **row(0, "serial", state="read"), **row(1, "potentiometer", marking="137-6612"))
    response = client.post("/check", data=data | {"p2-part": "", "p2-marking": " "})
    assert response.json["parts"] == [{"id": "potentiometer", "part": "potentiometer", "marking": "137-6612"}]
    assert response.headers["Content-Disposition"] == 'attachment; filename="sheet.json"'


def test_parts_without_a_name_are_called_by_their_kind_and_counted(client: FlaskClient) -> None:
    data = {
        **row(0, "potentiometer", marking="1"), **row(1, "potentiometer", marking="2", id="tone"),
        **row(2, "pot", marking="3"), **row(3, "tuner", state="no-mark"), **row(4, "speaker", marking="4", id="tuner"),
    }  # fmt: skip
    parts = client.post("/check", data=data | {"do": "sheet"}).json["parts"]
    assert [part["id"] for part in parts] == [
        "potentiometer-1",
        "tone",
        "potentiometer-2",
        "tuner-2",
        "tuner",
    ]


def test_a_label_is_counted_by_the_characters_that_were_typed(client: FlaskClient) -> None:
    data = {**row(0, "label", marking="MADE BY\r\nNOBODY"), "do": "sheet"}
    assert client.post("/check", data=data).json["parts"][0]["marking"] == "MADE BY\nNOBODY"


# --- the answer


def test_a_pot_of_the_claimed_year_agrees(client: FlaskClient, page: Read) -> None:
    found = page(
        client.post("/check", data=harrow(claim="1966", **row(0, "potentiometer", marking="137-6612")))
    )
    assert found.status == 200
    for words in (
        "Agrees",
        "Claim 1966, Harrow & Vale Estuary; 1 part; up to 25 Nov 2026",
        "fits",
        "Part by part",
    ):
        assert words in found.text
    assert "19 Mar 1966 to 27 Mar 1966" in found.text
    assert "parts/lag" in found.text  # the revisions of the tables
    for words in ("no certificate", "licensed appraiser"):
        assert words in found.text
    for words in ("genuine", "authentic"):
        assert words not in found.text.casefold()


def test_a_verdict_is_told_by_words_and_by_a_shape(client: FlaskClient, page: Read) -> None:
    data = harrow(
        claim="1959", **row(0, "potentiometer", marking="137-6612"), **row(1, "potentiometer", marking="137 5842"),
        **row(2, "tuner", state="no-mark"),
    )  # fmt: skip
    found = page(client.post("/check", data=data))
    assert "Contradicted" in found.text
    for verdict, words in (("too-new", "too new"), ("fits", "fits"), ("unread", "not read")):
        cell = found.raw[found.raw.index(f'class="verdict v-{verdict}"') :]
        cell = cell[: cell.index("</td>")]
        assert f'href="#s-{verdict}"' in cell and words in cell
        assert f'<symbol id="s-{verdict}"' in found.raw


def test_the_explanations_say_what_to_set_aside_and_on_what_the_rest_agrees(
    client: FlaskClient, page: Read
) -> None:
    data = harrow(
        claim="1959", **row(0, "potentiometer", marking="137-6612"), **row(1, "potentiometer", marking="137 5842"),
        **row(2, "potentiometer", marking="137 5840"),
    )  # fmt: skip
    text = page(client.post("/check", data=data)).text
    assert "For the claim to hold" in text
    assert "Set potentiometer-1 aside, and the other 2 agree on" in text
    assert "With the longest lags no day" in text


def test_each_part_of_the_answer_leads_to_its_row(client: FlaskClient, page: Read) -> None:
    data = harrow(
        claim="1966", **row(0, "serial"), **row(1, "potentiometer", marking="137-6612", id="two words")
    )
    found = page(client.post("/check", data=data))
    assert "#row-1" in found.links and "row-1" in found.ids and "part-1" in found.ids


def test_the_answer_as_json_is_that_of_the_endpoint(client: FlaskClient) -> None:
    data = harrow(
        claim="1966", **row(0, "potentiometer", marking="137-6612"), options='{"today": "2020-01-01"}'
    )
    answer = client.post("/check", data=data | {"do": "json"})
    sheet = client.post("/check", data=data | {"do": "sheet"}).json
    assert answer.mimetype == "application/json"
    assert answer.json == client.post("/v1/check", json=sheet).json
    assert answer.json["today"] == "2020-01-01"


# --- wrong entries


def test_wrong_entries_are_kept_as_typed_with_the_message_in_their_row(
    client: FlaskClient, page: Read
) -> None:
    data = harrow(
        claim="19666", **row(0, "serial"), **row(1, "potentiometer", marking="137-["),
        **row(2, "tuner", feature="width"), **row(3, "wobbler", marking="137-6612"),
        **row(4, "speaker", marking="220-6549", state="no-mark"), **row(5, "nut", uncertainty="much", value="1"),
        **{"p6-part": "fret", "p6-override_window": "1972"},
    )  # fmt: skip
    found = page(client.post("/check", data=data))
    assert found.status == 422
    sent = found.fields()
    for name, value in data.items():
        assert sent.get(name, [value]) == [value]
    rows = found.raw.split('<li id="row-')[1:]
    said = {1: "is not closed", 2: "without its value", 3: "no kind of part", 4: "contradicts the marking",
            5: "must be a number", 6: "is needed"}  # fmt: skip
    for number, words in said.items():
        assert words in rows[number]
    assert 'class="fault"' not in rows[0]
    assert "a year has four digits" in found.raw.split('<ol class="rows">')[0]
    assert {f"#row-{n}" for n in said} <= set(found.links)


def test_two_parts_of_one_name_are_refused_in_their_row(client: FlaskClient, page: Read) -> None:
    data = {**row(0, "tuner", marking="1", id="a"), **row(1, "nut", marking="2", id="a")}
    found = page(client.post("/check", data=data))
    assert found.status == 422
    assert "give each part its own" in found.raw.split('<li id="row-1"')[1]


def test_options_that_are_no_json_are_refused_beside_them(client: FlaskClient, page: Read) -> None:
    data = {**row(0, "potentiometer", marking="137-6612"), "options": "{today}"}
    found = page(client.post("/check", data=data))
    assert found.status == 422
    assert "Line 1, column 2" in found.text and found.fields()["options"] == ["{today}"]
    found = page(client.post("/check", data={**data, "options": '{"lags": {"wobbler": {"lead": 1}}}'}))
    assert "lags/wobbler: " in found.text


def test_a_flag_without_a_marking_is_no_empty_row(client: FlaskClient, page: Read) -> None:
    found = page(client.post("/check", data={**row(0, "tuner"), "p0-flags": "refinished"}))
    assert found.status == 422
    assert "needs a marking" in found.text


def test_a_sheet_without_any_part_asks_for_one(client: FlaskClient, page: Read) -> None:
    found = page(client.post("/check", data=harrow(claim="1966", **row(0, "serial"))))
    assert found.status == 422
    assert "No part is filled in yet" in found.text
    assert page(client.post("/check", json={"parts": []})).status == 422


@pytest.mark.parametrize("column", [*forms.COLUMNS, "flags"])
def test_markup_in_a_row_is_shown_and_never_run(client: FlaskClient, page: Read, column: str) -> None:
    data = row(0, "potentiometer", marking="137-6612") | {f"p0-{column}": MARKUP}
    for do in ("check", "rows"):
        found = page(client.post("/check", data=data | {"do": do}))
        assert "<script>" not in found.raw
        if column != "flags":
            assert found.fields()[f"p0-{column}"] == [MARKUP]


@pytest.mark.parametrize("field", [*forms.ABOUT, "options"])
def test_markup_in_the_instrument_is_shown_and_never_run(client: FlaskClient, page: Read, field: str) -> None:
    found = page(client.post("/check", data=row(0, "potentiometer", marking="137-6612") | {field: MARKUP}))
    assert "<script>" not in found.raw
    assert found.fields()[field] == [MARKUP]


@pytest.mark.parametrize(
    "text", ["\x00", "\u202e137", "\x1b[31m", "1" * 10_000, "\u0661\u0662", "[", "*" * 64]
)
def test_no_text_in_a_row_makes_the_server_fail(client: FlaskClient, page: Read, text: str) -> None:
    for column in forms.COLUMNS:
        data = row(0, "potentiometer", marking="137-6612") | {f"p0-{column}": text}
        assert page(client.post("/check", data=data)).status in (200, 422)


# --- a sheet that is brought


def test_a_sheet_brought_as_csv_is_checked_and_stands_in_the_rows(client: FlaskClient, page: Read) -> None:
    text = "id,part,marking,maker,claim\nvol,pot,137-6612,Harrow & Vale,1966\ntone,pot,137-6614,,\n"
    found = page(pasted(client, text))
    assert found.status == 200 and "Agrees" in found.text
    sent = found.fields()
    assert sent["p0-id"] == ["vol"] and sent["p0-part"] == ["potentiometer"] and sent["claim"] == ["1966"]


def test_a_sheet_brought_as_a_file_is_checked(client: FlaskClient, page: Read) -> None:
    sheet = {"parts": [{"id": "vol", "part": "pot", "marking": "137-6612"}], "instrument": {"claim": "1959"}}
    upload = (io.BytesIO(b"\xef\xbb\xbf" + json.dumps(sheet).encode()), "sheet.json")
    found = page(client.post("/check", data={"do": "paste", "file": upload}))
    assert found.status == 200 and "Contradicted" in found.text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "Choose a file or paste a sheet first"),
        ("{", "Line 1, column 2"),
        ("[]", "not a list"),
        ("id,part,markin\n1,pot,137-6612\n", "Did you mean marking?"),
        ("part,colour\npot,red", "is no column of a sheet"),
        ('{"parts": [], "parts": []}', "stands twice"),
    ],
)
def test_a_sheet_that_cannot_be_read_is_kept_with_what_is_wrong(
    client: FlaskClient, page: Read, text: str, said: str
) -> None:
    found = page(pasted(client, text))
    assert found.status == 422
    assert said in found.text
    assert found.fields()["paste"] == [text.replace("\n", "\r\n")]


def test_a_file_that_is_no_text_is_refused(client: FlaskClient, page: Read) -> None:
    upload = (io.BytesIO(b"\xff\xd8\xff\xe0"), "photo.jpg")
    found = page(client.post("/check", data={"do": "paste", "file": upload}))
    assert found.status == 422 and "byte 1" in found.text


@pytest.mark.parametrize(
    ("sheet", "said"),
    [
        ({"parts": [{"id": "a", "part": "wobbler", "marking": "1"}]}, "no kind of part"),
        ({"parts": [{"id": "a", "part": "pot", "marking": "1", "colour": "red"}]}, "colour: is no field here"),
        ({"parts": 3}, "parts: must be a list"),
        ({"parts": [3], "instrument": 4, "options": 5}, "must be an object"),
        ({"parts": [{"id": "a", "part": "pot", "marking": "1"}] * 201}, "has 201 parts"),
        ({"parts": [{"id": "\ud800", "part": "pot", "marking": "1\ud800"}]}, "half of a character"),
        ({"parts": [{"id": "a", "part": "pot", "marking": "1", "flags": ["x"]}]}, "is none of"),
        ({"instrument": {"clam": "1966"}, "parts": [{"id": "a", "part": "pot", "marking": "1"}]}, "clam: is no field"),
        ({}, "parts: is needed"),
    ],
)  # fmt: skip
def test_a_sheet_with_faults_stands_in_the_rows_with_its_faults(
    client: FlaskClient, page: Read, sheet: dict[str, Any], said: str
) -> None:
    found = page(pasted(client, sheet))
    assert found.status == 422
    assert said in found.text


WORDS = st.text("ABCxyz 019-&<>\"'é", min_size=1, max_size=8).map(str.strip).filter(bool)
MARKINGS = st.sampled_from(["137-6612", "13?-6[68]12", "PAT. PEND.", "<b>", "L12345", "1&2"])
OVERRIDES = st.fixed_dictionaries(
    {"window": st.sampled_from(["1972", "1965/1967"]), "name": WORDS, "reason": WORDS}
)
MORE = {
    "position": WORDS, "group": WORDS, "patent": WORDS, "override": OVERRIDES,
    "flags": st.sets(st.sampled_from(forms.FLAGS), min_size=1).map(lambda few: [f for f in forms.FLAGS if f in few]),
}  # fmt: skip
KINDS = st.sampled_from(["serial", "tuner", "label", "potentiometer", "speaker", "other"])
MARKED = st.fixed_dictionaries({"part": KINDS, "marking": MARKINGS}, optional=MORE)
MEASURED = st.fixed_dictionaries(
    {"part": KINDS, "feature": WORDS, "value": WORDS},
    optional={**MORE, "unit": WORDS, "uncertainty": st.floats(0, 99)},
)
UNSEEN = st.fixed_dictionaries(
    {"part": KINDS, "state": st.sampled_from(["not-looked", "illegible", "no-mark"])}, optional=MORE
)
SHEETS = st.fixed_dictionaries(
    {"parts": st.lists(MARKED | MEASURED | UNSEEN, min_size=1, max_size=4)},
    optional={
        "instrument": st.fixed_dictionaries(
            {"maker": WORDS},
            optional={
                "model": WORDS,
                "country": WORDS,
                "claim": st.just("196X"),
                "second_claim": st.just("1972"),
            },
        ),
        "options": st.just({"lags": {"tuner": {"usual": 5}}, "estimate": False}),
    },
)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(sheet=SHEETS)
def test_a_sheet_that_is_brought_and_saved_again_is_the_same_sheet(
    client: FlaskClient, page: Read, sheet: dict[str, Any]
) -> None:
    for number, part in enumerate(sheet["parts"]):
        part["id"] = f"part {number}"
    shown = page(pasted(client, sheet))
    saved = client.post("/check", data={**shown.fields(), "do": "sheet"})
    assert saved.json == sheet
