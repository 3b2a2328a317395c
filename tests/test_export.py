"""An assessment as CSV: what stands in which row and column, and that no cell can do harm in a spreadsheet."""

from __future__ import annotations

import csv
import io
import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st

from decoder.cli import main
from decoder.crosscheck import check
from decoder.export import COLUMNS, FORMULA_SIGNS, HEADER, assessment_csv, csv_metadata, rows
from decoder.service import create_app
from decoder.tables import Tables

ROOT = Path(__file__).resolve().parent.parent
TODAY = date(2026, 11, 25)
SHEET = {
    "instrument": {"maker": "Harrow & Vale", "claim": "1966"},
    "parts": [
        {"id": "volume pot", "part": "pot", "marking": "137-612", "flags": ["refinished", "joint-disturbed"]},
        {"id": "tone pot", "part": "pot", "marking": "137-6612"},
        {"id": "tuners", "part": "tuner", "marking": "PAT. NO. 2,741,146"},
        {"id": "jack", "part": "jack", "state": "no-mark"},
        {"id": "own", "part": "pot", "override": {"window": "1966", "name": "A. Bench", "reason": "a lens"},
         "state": "illegible"},
    ],
}  # fmt: skip


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def assessed(shipped: Tables, sheet: dict[str, Any] = SHEET) -> dict[str, Any]:
    return check(sheet, today=TODAY, tables=shipped).as_dict()


@pytest.fixture
def client(shipped: Tables) -> FlaskClient:
    return create_app({"TABLES": shipped, "TODAY": lambda: TODAY}).test_client()


def test_the_first_row_is_the_instrument_and_each_further_row_a_part(shipped: Tables) -> None:
    made = assessed(shipped)
    instrument, *parts = read(assessment_csv(made))
    assert (instrument["record"], instrument["result"], instrument["claim"]) == (
        "instrument",
        made["outcome"],
        "1966",
    )
    assert instrument["checked"] == "2026-11-25"
    assert [(part["record"], part["id"], part["result"]) for part in parts] == [
        ("part", part["id"], part["verdict"]) for part in made["parts"]
    ]
    assert [part["kind"] for part in parts] == [
        "potentiometer",
        "potentiometer",
        "tuner",
        "jack",
        "potentiometer",
    ]
    assert parts[0]["flags"] == "joint-disturbed;refinished"
    assert parts[4]["override"] == "1966"


def test_windows_stand_as_two_days_and_exactly_as_edtf(shipped: Tables) -> None:
    _, many, one, open_end, none, _ = read(assessment_csv(assessed(shipped)))
    # Week 12 of 1966: 19 to 27 March; the one-digit year reads as 1946, 1956, 1966 and 1976.
    assert (one["mark_earliest"], one["mark_latest"]) == ("1966-03-19", "1966-03-27")
    assert one["mark_edtf"] == "1966-03-19/1966-03-27"
    assert many["mark_edtf"].startswith("[1946-03-") and many["mark_edtf"].count("..") == 4
    assert many["mark_earliest"] == many["mark_edtf"][1:11]
    assert many["mark_latest"] == many["mark_edtf"][-11:-1]
    # The patent was granted on 10 April 1956; its number is used for years after.
    assert (open_end["mark_earliest"], open_end["mark_latest"]) == ("1956-04-10", "")
    assert open_end["mark_edtf"] == "1956-04-10/.."
    assert none["mark_edtf"] == none["built_edtf"] == none["schemes"] == ""
    assert one["schemes"] == "pot-two-digit-year" and one["sources"].count("(") >= 1


def test_an_instrument_without_common_days_has_no_window(shipped: Tables) -> None:
    sheet = {
        "instrument": {"claim": "1966"},
        "parts": [
            {"id": "a", "part": "pot", "marking": "137-5012"},
            {"id": "b", "part": "pot", "marking": "137-7512"},
        ],
    }
    instrument = read(assessment_csv(assessed(shipped, sheet)))[0]
    assert instrument["result"] == "contradicted"
    assert instrument["built_earliest"] == instrument["built_latest"] == instrument["built_edtf"] == ""


def test_lines_end_as_rfc_4180_has_it_and_every_row_has_every_column(shipped: Tables) -> None:
    text = assessment_csv(assessed(shipped))
    assert text.endswith("\r\n") and text.replace("\r\n", "").count("\r") == 0
    assert text.partition("\r\n")[0].split(",") == list(HEADER)
    cells = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert {len(row) for row in cells} == {len(COLUMNS)}


TEXTS = st.text(max_size=20) | st.sampled_from(
    ["=1+1", "+1", "-1", "@x", "\tx", "\rx", 'a"b', "a,b", "a\nb", "\ud800"]
)


@given(TEXTS, TEXTS)
def test_no_text_of_a_sheet_becomes_a_formula_or_breaks_a_row(marking: str, reason: str) -> None:
    window = {"earliest": None, "latest": "1966-12-31", "edtf": "../1966-12-31"}
    part = {
        "id": marking, "verdict": "fits", "reason": reason, "part": "serial", "title": "Serial number",
        "state": "read", "flags": [], "override": None, "allowed": [window],
        "decoding": {"marking": marking, "windows": [window], "readings": []},
    }  # fmt: skip
    made = {
        "outcome": "agrees", "claim": None, "today": None, "parts": [part], "joint_windows": [], "estimate": None,
        "narrative": [reason],
    }  # fmt: skip
    text = assessment_csv(made)
    text.encode("utf-8")
    found = read(text)
    assert len(found) == 2
    shown = found[1]["marking"]
    assert not shown.startswith(FORMULA_SIGNS)
    assert shown.removeprefix("'" if marking.startswith(FORMULA_SIGNS) else "") == marking.replace(
        "\ud800", "?"
    )
    assert found[1]["mark_edtf"] == "../1966-12-31" and found[1]["mark_earliest"] == ""


def test_the_metadata_names_every_column_that_there_is(shipped: Tables) -> None:
    columns = csv_metadata()["tableSchema"]["columns"]
    assert [column["name"] for column in columns] == list(HEADER)
    assert all(column["dc:description"] for column in columns)
    days = {
        column["name"] for column in columns if column["datatype"] == {"base": "date", "format": "yyyy-MM-dd"}
    }
    for row in read(assessment_csv(assessed(shipped))):
        for name in days:
            assert row[name] == "" or date.fromisoformat(row[name])
    for row in rows(assessed(shipped)):
        assert row.keys() <= set(HEADER)


def test_the_command_and_the_endpoint_give_the_same_csv(
    client: FlaskClient, tmp_path: Path, shipped: Tables
) -> None:
    sheet = {**SHEET, "options": {"today": "2026-11-25"}}
    path = tmp_path / "sheet.json"
    path.write_text(json.dumps(sheet))
    ran = CliRunner().invoke(main, ["check", str(path), "--csv"])
    assert ran.exit_code in (0, 1, 3)
    response = client.post("/v1/check", json=sheet, headers={"Accept": "text/csv"})
    assert response.status_code == 200
    assert response.headers["Content-Type"] == "text/csv; charset=utf-8; header=present"
    assert "Accept" in response.headers["Vary"]
    assert response.headers["Link"].startswith("</assessment.csv-metadata.json>")
    assert response.data == ran.stdout_bytes == assessment_csv(assessed(shipped, sheet)).encode()
    refused = CliRunner().invoke(main, ["check", str(path), "--csv", "--json"])
    assert refused.exit_code == 2


def test_csv_is_given_to_who_likes_it_better_and_refusals_stay_problems(client: FlaskClient) -> None:
    liked = {"Accept": "text/csv, application/json;q=0.5"}
    assert client.post("/v1/check", json=SHEET, headers=liked).mimetype == "text/csv"
    other = {"Accept": "application/json, text/csv;q=0.5"}
    assert client.post("/v1/check", json=SHEET, headers=other).mimetype == "application/json"
    assert client.post("/v1/check", json=SHEET, headers={"Accept": "*/*"}).mimetype == "application/json"
    refused = client.post("/v1/check", json={"parts": 3}, headers={"Accept": "text/csv"})
    assert (refused.status_code, refused.mimetype) == (422, "application/problem+json")


def test_the_document_on_windows_names_every_column() -> None:
    text = (ROOT / "api_spec" / "windows.md").read_text(encoding="utf-8")
    for name, _, _ in COLUMNS:
        assert f"`{name}`" in text
