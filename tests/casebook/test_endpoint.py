"""The casebook behind the JSON endpoint and the page: what a program and a browser see of it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from decoder.casebook import Casebook
from decoder.service import create_app
from decoder.tables import Tables
from tests.casebook.conftest import NOON, assert_whole, sheet

PNG = b"\x89PNG\r\n\x1a\n" + b"invented" * 20


@pytest.fixture
def client(book: Casebook, shipped: Tables) -> FlaskClient:
    return create_app({"TABLES": shipped, "TODAY": lambda: NOON.date(), "CASEBOOK": book}).test_client()


def made(client: FlaskClient, record: Any | None = None) -> tuple[str, str]:
    """The address and the ETag of a new sheet."""
    response = client.post("/v1/sheets", json=sheet() if record is None else record)
    assert response.status_code == 201, response.text
    return response.headers["Location"], response.headers["ETag"]


def problem(response: TestResponse, status: int, name: str) -> dict[str, Any]:
    assert response.status_code == status, response.text
    assert response.mimetype == "application/problem+json"
    body: dict[str, Any] = response.get_json(force=True)
    assert body["type"] == f"/problems/{name}"
    assert body["status"] == status
    assert "sqlite" not in response.text.lower()
    return body


def test_without_a_casebook_there_is_no_such_address(shipped: Tables) -> None:
    plain = create_app({"TABLES": shipped}).test_client()
    for address in ("/v1/sheets", "/casebook", "/v1/photos/x"):
        assert plain.get(address).status_code == 404


def test_a_sheet_is_kept_and_given_back_with_its_assessment(client: FlaskClient) -> None:
    address, etag = made(client)
    response = client.get(address)
    assert response.headers["ETag"] == etag
    assert response.headers["Cache-Control"] == "private, no-cache"
    body = response.json
    assert body is not None
    assert (body["version"], body["sheet"]) == (1, sheet())
    assert body["assessment"] == client.post("/v1/check", json=sheet()).json
    assert f'"{body["etag"]}"' == etag


def test_a_change_needs_the_version_that_was_seen(client: FlaskClient, book: Casebook) -> None:
    address, etag = made(client)
    problem(client.put(address, json=sheet(claim="1963")), 428, "precondition-required")
    second = client.put(address, json=sheet(claim="1963"), headers={"If-Match": etag})
    assert second.status_code == 200 and second.json is not None and second.json["version"] == 2
    stale = client.put(address, json=sheet(claim="1970"), headers={"If-Match": etag})
    body = problem(stale, 412, "stale-version")
    assert body["current"]["version"] == 2
    assert body["current"]["sheet"]["instrument"]["claim"] == "1963"
    assert body["yours"]["sheet"]["instrument"]["claim"] == "1970"
    assert stale.headers["ETag"] == second.headers["ETag"]
    assert book.get(address.rpartition("/")[2]).version == 2
    weak = client.put(address, json=sheet(claim="1970"), headers={"If-Match": f"W/{second.headers['ETag']}"})
    assert weak.status_code == 200
    assert client.put(address, json=sheet(), headers={"If-Match": "*"}).status_code == 200
    assert_whole(book)


def test_an_id_that_is_taken_gives_both(client: FlaskClient) -> None:
    made(client, {"id": "tidewater-1", "sheet": sheet()})
    body = problem(
        client.post("/v1/sheets", json={"id": "tidewater-1", "sheet": sheet(claim="1970")}),
        409,
        "sheet-exists",
    )
    assert body["current"]["sheet"]["instrument"]["claim"] == "1962"
    assert body["yours"]["sheet"]["instrument"]["claim"] == "1970"
    problem(client.post("/v1/sheets", json={"id": "A b", "sheet": sheet()}), 422, "bad-fields")
    problem(client.post("/v1/sheets", json={"id": 5, "sheet": sheet()}), 422, "bad-fields")


def test_what_is_no_sheet_is_told_by_pointer(client: FlaskClient) -> None:
    body = problem(client.post("/v1/sheets", json={"sheet": {"parts": [{}]}}), 422, "bad-sheet")
    assert {error["pointer"] for error in body["errors"]} >= {"/sheet/parts/0/id", "/sheet/parts/0/part"}
    problem(client.post("/v1/sheets", data="{", content_type="application/json"), 400, "broken-json")
    problem(client.post("/v1/sheets", data="x"), 415, "wrong-content-type")


def test_versions_history_restore_and_assessments(client: FlaskClient) -> None:
    address, etag = made(client)
    etag = client.put(address, json=sheet("137-6612"), headers={"If-Match": etag}).headers["ETag"]
    first = client.get(f"{address}?version=1").json
    assert first is not None and first["version"] == 1 and "assessment" not in first
    problem(client.get(f"{address}?version=9"), 404, "not-found")
    problem(client.post(f"{address}/restore", json={"version": 1}), 428, "precondition-required")
    problem(client.post(f"{address}/restore", json={}, headers={"If-Match": etag}), 422, "bad-fields")
    problem(
        client.post(f"{address}/restore", json={"version": 1}, headers={"If-Match": '"x"'}),
        412,
        "stale-version",
    )
    restored = client.post(f"{address}/restore", json={"version": 1}, headers={"If-Match": etag}).json
    assert restored is not None and (restored["version"], restored["sheet"]) == (3, sheet())
    history = client.get(f"{address}/history").json
    assert history is not None
    assert [entry["what"] for entry in history["history"]] == ["saved", "assessed"] * 2 + [
        "restored",
        "assessed",
    ]
    listed = client.get(f"{address}/assessments").json
    assert listed is not None
    assert [one["outcome"] for one in listed["assessments"]] == ["agrees", "contradicted", "agrees"]
    assert all(one["tables"] and "assessment" not in one for one in listed["assessments"])
    full = client.get(f"{address}/assessments?full=true").json
    assert full is not None and full["assessments"][0]["assessment"]["outcome"] == "agrees"


def test_sheets_are_listed_in_pages_and_by_filter(client: FlaskClient) -> None:
    addresses = [
        made(client, sheet("304-6208" if n % 2 else "137-6612"))[0].rpartition("/")[2] for n in range(5)
    ]
    seen: list[str] = []
    link = "?limit=2"
    while link:
        response = client.get("/v1/sheets" + link)
        assert response.json is not None
        seen += [one["id"] for one in response.json["sheets"]]
        found = re.search(r"<(.*)>", response.headers.get("Link", ""))
        link = found[1] if found else ""
    assert seen == addresses[::-1]

    def found_by(query: str) -> int:
        body = client.get(f"/v1/sheets?{query}").json
        assert body is not None
        return len(body["sheets"])

    assert found_by("marking=304-62") == 2
    assert found_by("outcome=contradicted") == 3
    assert found_by("verdict=too-new&maker=harrow+%26+vale") == 3
    assert found_by("trusted=true") == 0
    for bad in ("verdict=odd", "outcome=odd", "limit=0", "limit=501", "colour=red", "trusted=1"):
        problem(client.get(f"/v1/sheets?{bad}"), 422, "bad-fields")


@pytest.mark.parametrize(
    "address", ["/v1/sheets/none", "/v1/sheets/none/history", "/v1/sheets/none/assessments"]
)
def test_a_sheet_that_is_not_there_is_not_found(client: FlaskClient, address: str) -> None:
    problem(client.get(address), 404, "not-found")


def test_photos_are_kept_by_their_hash(client: FlaskClient) -> None:
    response = client.post("/v1/photos", data=PNG, content_type="image/png")
    assert response.status_code == 201 and response.json is not None
    sha256 = response.json["sha256"]
    got = client.get(f"/v1/photos/{sha256}")
    assert (got.data, got.mimetype) == (PNG, "image/png")
    assert "immutable" in got.headers["Cache-Control"]
    address, _ = made(client, {"sheet": sheet(), "photos": [{"sha256": sha256, "part": "p0"}]})
    shown = client.get(address).json
    assert shown is not None and shown["photos"][0]["sha256"] == sha256
    problem(client.post("/v1/photos", data=b"<svg/>", content_type="image/svg+xml"), 422, "bad-fields")
    problem(client.post("/v1/photos", data=PNG, content_type="text/plain"), 415, "wrong-content-type")
    problem(client.get("/v1/photos/" + "0" * 64), 404, "not-found")
    problem(
        client.post("/v1/sheets", json={"sheet": sheet(), "photos": [{"sha256": "0" * 64}]}), 404, "not-found"
    )


def test_a_casebook_that_fails_says_nothing_of_its_insides(
    client: FlaskClient, book: Casebook, place: Path
) -> None:
    address, etag = made(client)
    object.__setattr__(book.database, "read_only", True)
    body = problem(client.put(address, json=sheet(), headers={"If-Match": etag}), 503, "casebook-failed")
    assert str(place) not in json.dumps(body)


def test_every_type_of_problem_is_explained(client: FlaskClient) -> None:
    for name in ("stale-version", "sheet-exists", "precondition-required", "casebook-failed"):
        assert client.get(f"/problems/{name}", headers={"Accept": "application/json"}).status_code == 200


def test_who_saves_is_the_name_of_the_token(book: Casebook, shipped: Tables, tmp_path: Path) -> None:
    tokens = tmp_path / "tokens"
    tokens.write_text("intake-desk " + "a" * 32 + "\n")
    app = create_app({"TABLES": shipped, "CASEBOOK": book, "TOKEN_FILE": str(tokens)}).test_client()
    assert app.post("/v1/sheets", json=sheet()).status_code == 401
    saved = app.post("/v1/sheets", json=sheet(), headers={"Authorization": "Bearer " + "a" * 32}).json
    assert saved is not None and saved["saved_by"] == "intake-desk"


def test_the_pages_list_show_and_save_with_plain_forms(client: FlaskClient) -> None:
    nasty = sheet(maker="<script>alert(1)</script>")
    response = client.post("/casebook", data={"text": json.dumps(nasty)})
    assert response.status_code == 303
    shown = client.get(response.headers["Location"])
    listed = client.get("/casebook")
    for page in (shown, listed):
        assert page.status_code == 200 and page.mimetype == "text/html"
        assert "<script>alert" not in page.text and "&lt;script&gt;alert" in page.text
        assert 'rel="alternate"' in page.headers["Link"]
    assert client.post("/casebook", data={"text": "id,part,marking\na,pot,304-6208\n"}).status_code == 303
    bad = client.post("/casebook", data={"text": '{"parts": [{"id": 1}]}'})
    assert bad.status_code == 422 and "/parts/0/id" in bad.text
    assert client.get("/casebook/none").status_code == 404
    assert "No sheet here" in client.get("/casebook?marking=999").text


@pytest.mark.parametrize(
    "headers", [{"Origin": "https://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}]
)
def test_another_sites_form_saves_nothing(
    client: FlaskClient, book: Casebook, headers: dict[str, str]
) -> None:
    response = client.post("/casebook", data={"text": json.dumps(sheet())}, headers=headers)
    assert response.status_code == 400
    assert book.count() == 0
