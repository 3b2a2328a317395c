"""The casebook as pages: a sheet is saved from its form, opened again, found, and brought back, with plain forms."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from decoder.casebook import Casebook
from decoder.casebook.verify import verify
from decoder.service import create_app
from decoder.service.sheets import opened
from decoder.tables import Tables
from tests.service.conftest import TODAY, Page

Read = Callable[[TestResponse], Page]
PNG = b"\x89PNG\r\n\x1a\n" + b"invented"


@pytest.fixture(scope="module")
def empty(shipped: Tables, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("casebook") / "empty.sqlite"
    with opened(place, shipped) as book:
        book._facts_kept(book.now())
    return place


@pytest.fixture
def book(empty: Path, shipped: Tables, tmp_path: Path) -> Any:
    with opened(shutil.copy(empty, tmp_path / "casebook.sqlite"), shipped) as made:
        yield made


def served(book: Casebook, shipped: Tables, **more: Any) -> FlaskClient:
    return create_app({"TABLES": shipped, "TODAY": lambda: TODAY, "CASEBOOK": book, **more}).test_client()


@pytest.fixture
def bench(book: Casebook, shipped: Tables) -> FlaskClient:
    return served(book, shipped)


def sheet(claim: str = "1962", marking: str = "304-6208", **more: Any) -> dict[str, Any]:
    part = {"id": "pot", "part": "potentiometer", "marking": marking}
    serial = {"id": "serial", "part": "serial", "marking": "24517"}
    return {"instrument": {"maker": "Harrow & Vale", "claim": claim}, "parts": [part, serial], **more}


def kept(client: FlaskClient, record: dict[str, Any] | None = None) -> str:
    """The id of a new sheet."""
    return str(client.post("/v1/sheets", json=record or sheet()).get_json()["id"])


def changed_elsewhere(client: FlaskClient, id: str, record: dict[str, Any]) -> None:
    assert client.put(f"/v1/sheets/{id}", json=record, headers={"If-Match": "*"}).status_code == 200


def press(client: FlaskClient, fields: dict[str, Any], do: str = "keep") -> TestResponse:
    return client.post("/check/keep", data={**fields, "do": do})


def record_of(client: FlaskClient, id: str) -> dict[str, Any]:
    return dict(client.get(f"/v1/sheets/{id}").get_json())


# --- where there is a casebook, and where there is none


def test_without_a_casebook_the_pages_say_nothing_of_one(client: FlaskClient) -> None:
    for path in ("/", "/check"):
        raw = client.get(path).text
        assert "casebook" not in raw.lower() and 'name="sheet-' not in raw
    assert client.post("/check/keep", data={"claim": "1962"}).status_code in (404, 405)
    assert client.get("/check").headers["Referrer-Policy"] == "no-referrer"


def test_with_one_every_page_leads_to_it(bench: FlaskClient, page: Read) -> None:
    for path in ("/", "/check", "/casebook", "/reads", "/reference"):
        assert "/casebook" in page(bench.get(path)).links, path


def test_a_page_that_saves_keeps_the_strict_policy_and_lets_its_own_forms_be_known(
    bench: FlaskClient,
) -> None:
    for path in ("/check", "/casebook", f"/casebook/{kept(bench)}"):
        headers = bench.get(path).headers
        assert headers["Referrer-Policy"] == "same-origin"
        assert "script-src 'self'; connect-src 'self'; style-src 'self'" in headers["Content-Security-Policy"]
        assert headers["Cache-Control"] == "no-store"


# --- saving


def test_a_sheet_is_saved_and_saved_again_over_the_version_that_it_was_opened_at(
    bench: FlaskClient, book: Casebook, page: Read
) -> None:
    fields = page(bench.get("/check")).fields()
    fields |= {"claim": "1962", "maker": "Harrow & Vale", "p7-marking": "304-6208", "who": "Ann"}
    first = page(press(bench, fields))
    assert first.status == 200 and "Saved to the casebook as version 1." in first.text
    sent = first.fields()
    assert sent["p7-marking"] == ["304-6208"] and sent["who"] == ["Ann"]
    second = page(press(bench, {**sent, "claim": "1963"}))
    assert "as version 2." in second.text
    (id,) = (summary.id for summary in book.find().sheets)
    assert [id] == sent["sheet-id"]
    assert [book.get(id, n).record["sheet"]["instrument"]["claim"] for n in (1, 2)] == ["1962", "1963"]
    assert {entry.who for entry in book.history(id)} == {"Ann"}
    assert verify(book.database).faults == ()


def test_the_same_form_sent_twice_makes_one_sheet_and_one_version(
    bench: FlaskClient, book: Casebook, page: Read
) -> None:
    fields = page(bench.get("/check")).fields() | {"p7-marking": "304-6208"}
    assert press(bench, fields).status_code == 200
    again = page(press(bench, fields))
    assert "The casebook has this as version 1." in again.text
    assert (book.count(), book.get(fields["sheet-id"][0]).version) == (1, 1)
    assert "as version 1." in page(press(bench, again.fields())).text
    assert book.get(fields["sheet-id"][0]).version == 1


def test_a_sheet_opened_in_the_form_keeps_what_the_form_does_not_show(bench: FlaskClient, page: Read) -> None:
    sha256 = bench.post("/v1/photos", data=PNG, content_type="image/png").get_json()["sha256"]
    around = {
        "trusted": {"date": "1962-03", "kind": "shipped", "source": "ledger (invented)"},
        "photos": [{"sha256": sha256, "part": "pot"}, {"sha256": sha256, "caption": "the back"}],
        "remarks": "strings are the owner's",
    }
    id = kept(bench, {"sheet": sheet(), **around})
    form = page(bench.get(f"/casebook/{id}/edit"))
    assert f"sheet {id}" in form.text and "version 1" in form.text
    fields = form.fields()
    assert press(bench, {**fields, "claim": "1964"}).status_code == 200
    now = record_of(bench, id)
    assert now["sheet"] == sheet(claim="1964") and {name: now[name] for name in around} == around
    renamed = page(bench.get(f"/casebook/{id}/edit")).fields() | {"p0-id": "volume pot"}
    assert press(bench, renamed).status_code == 200
    assert record_of(bench, id)["photos"][0] == {"sha256": sha256, "caption": "pot"}


def test_a_wrong_entry_is_told_at_its_field_and_nothing_is_saved(
    bench: FlaskClient, book: Casebook, page: Read
) -> None:
    fields = page(bench.get("/check")).fields()
    nothing = page(press(bench, fields))
    assert nothing.status == 422 and "No part is filled in yet" in nothing.text
    wrong = page(press(bench, {**fields, "p0-marking": "12[", "claim": "no year", "options": "{"}))
    assert wrong.status == 422
    wrong = page(press(bench, {**fields, "p0-marking": "12[", "claim": "no year"}))
    assert wrong.status == 422 and 'aria-describedby="p0-marking-fault"' in wrong.raw
    assert wrong.fields()["p0-marking"] == ["12["] and wrong.fields()["claim"] == ["no year"]
    assert book.count() == 0


def test_a_casebook_that_fails_gives_the_form_back(bench: FlaskClient, book: Casebook, page: Read) -> None:
    fields = page(bench.get("/check")).fields() | {"p7-marking": "304-6208", "model": "Estuary"}
    object.__setattr__(book.database, "read_only", True)
    failed = page(press(bench, fields))
    assert failed.status == 503 and "The sheet was not saved" in failed.text
    assert failed.fields()["model"] == ["Estuary"] and 'id="told" data-saved' not in failed.raw
    assert "sqlite" not in failed.raw
    shown = page(bench.post("/casebook", data={"text": "id,part,marking\na,pot,304-6208\n"}))
    assert shown.status == 422 and "a,pot,304-6208" in shown.text


def test_rows_can_be_changed_and_undone_without_losing_the_place_in_the_casebook(
    bench: FlaskClient, page: Read
) -> None:
    id = kept(bench)
    fields = page(bench.get(f"/casebook/{id}/edit")).fields()
    dropped = page(bench.post("/check", data={**fields, "do": "drop-1"})).fields()
    saved = page(press(bench, dropped))
    assert "as version 2." in saved.text
    undone = page(bench.post("/check", data={**saved.fields(), "do": "undo"})).fields()
    assert undone["sheet-version"] == ["2"] and undone["p1-marking"] == ["24517"]
    assert "as version 3." in page(press(bench, undone)).text
    pasted = page(
        bench.post("/check", data={**undone, "do": "paste", "paste": "id,part,marking\na,pot,304-6208\n"})
    )
    assert pasted.fields()["sheet-version"] == ["0"] and pasted.fields()["sheet-id"] != [id]


@pytest.mark.parametrize(
    "strange",
    [
        {"sheet-id": "../x"},
        {"sheet-id": "A b"},
        {"sheet-id": "x" * 300},
        {"sheet-version": "9" * 40},
        {"sheet-version": "-1"},
        {"sheet-etag": "\x00"},
        {"do": "theirs"},
        {"do": "keep-over"},
        {"do": "odd"},
        {"who": "\x00"},
        {"who": "x" * 999},
        {"before": '{"place": 7, "rows": []}'},
    ],
)
def test_whatever_a_form_sends_is_answered(bench: FlaskClient, page: Read, strange: dict[str, str]) -> None:
    fields = page(bench.get("/check")).fields() | {"p7-marking": "304-6208"}
    response = bench.post("/check/keep", data={**fields, **strange})
    assert response.status_code < 500
    assert response.status_code == 400 or "304-6208" in response.text


# --- conflicts


def conflict(bench: FlaskClient, page: Read) -> tuple[str, Page]:
    """The id of a sheet that was changed elsewhere, and the page that a save of another change is answered with."""
    id = kept(bench)
    fields = page(bench.get(f"/casebook/{id}/edit")).fields()
    changed_elsewhere(bench, id, sheet(claim="1970"))
    return id, page(press(bench, {**fields, "model": "Estuary", "p0-marking": "304-6209", "who": "Ann"}))


def test_a_conflict_shows_both_versions_and_loses_nothing(bench: FlaskClient, page: Read) -> None:
    id, shown = conflict(bench, page)
    assert shown.status == 409 and "Somebody else saved this sheet first" in shown.text
    table = shown.raw.partition("<tbody")[2].partition(">")[2].partition("</tbody>")[0]
    rows = [
        [re.sub(r"<[^>]*>", "", cell).strip() for cell in re.split(r"</t[hd]>", row)[:-1]]
        for row in table.split("</tr>")[:-1]
    ]
    assert rows == [
        ["Model", "nothing", "nothing", "Estuary"],
        ["Claimed build period", "1962", "1970", "1962"],
        ["pot: Marking", "304-6208", "304-6208", "304-6209"],
    ]
    assert shown.fields()["p0-marking"] == ["304-6209"]
    assert record_of(bench, id)["version"] == 2
    assert page(press(bench, shown.fields())).status == 409


def test_mine_can_be_saved_over_the_version_that_was_shown_and_no_other(
    bench: FlaskClient, page: Read
) -> None:
    id, shown = conflict(bench, page)
    changed_elsewhere(bench, id, sheet(claim="1971"))
    again = page(press(bench, shown.fields(), "keep-over"))
    assert again.status == 409 and "1971" in again.text
    assert "as version 4." in page(press(bench, again.fields(), "keep-over")).text
    now = record_of(bench, id)["sheet"]
    assert now["instrument"] == {"maker": "Harrow & Vale", "claim": "1962", "model": "Estuary"}
    assert [bench.get(f"/v1/sheets/{id}?version={n}").status_code for n in (1, 2, 3, 4)] == [200] * 4


def test_theirs_can_be_taken_and_mine_brought_back(bench: FlaskClient, page: Read) -> None:
    id, shown = conflict(bench, page)
    theirs = page(press(bench, shown.fields(), "theirs"))
    assert theirs.fields()["claim"] == ["1970"] and theirs.fields()["sheet-version"] == ["2"]
    mine = page(bench.post("/check", data={**theirs.fields(), "do": "undo"})).fields()
    assert (mine["claim"], mine["model"], mine["p0-marking"]) == (["1962"], ["Estuary"], ["304-6209"])
    assert record_of(bench, id)["version"] == 2


def test_mine_can_become_a_sheet_of_its_own(bench: FlaskClient, book: Casebook, page: Read) -> None:
    id, shown = conflict(bench, page)
    made = page(press(bench, shown.fields(), "keep-new"))
    assert "as version 1." in made.text and made.fields()["sheet-id"] != [id]
    assert book.count() == 2 and book.get(id).version == 2


def test_two_who_save_the_same_are_told_that_it_stands_there(bench: FlaskClient, page: Read) -> None:
    id = kept(bench)
    fields = page(bench.get(f"/casebook/{id}/edit")).fields() | {"claim": "1970"}
    changed_elsewhere(bench, id, sheet(claim="1970"))
    assert "The casebook has this as version 2." in page(press(bench, fields)).text


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Sec-Fetch-Site": "cross-site", "Origin": "null"}, 400),
        ({"Sec-Fetch-Site": "same-site"}, 400),
        ({"Origin": "https://elsewhere.example"}, 400),
        ({"Origin": "null"}, 400),
        ({"Sec-Fetch-Site": "same-origin", "Origin": "null"}, 200),
        ({"Origin": "http://localhost"}, 200),
        ({}, 200),
    ],
)
def test_a_form_of_another_site_changes_nothing(
    bench: FlaskClient, book: Casebook, page: Read, headers: dict[str, str], status: int
) -> None:
    id = kept(bench)
    fields = page(bench.get(f"/casebook/{id}/edit")).fields() | {"claim": "1970", "do": "keep"}
    assert bench.post("/check/keep", data=fields, headers=headers).status_code == status
    assert book.get(id).version == (2 if status == 200 else 1)
    restored = bench.post(
        f"/casebook/{id}/restore", data={"version": "1", "etag": book.get(id).etag}, headers=headers
    )
    assert restored.status_code == (303 if status == 200 else 400)


# --- finding, history, restoring


def test_sheets_are_found_by_serial_maker_marking_and_verdict(bench: FlaskClient, page: Read) -> None:
    fits, new = kept(bench), kept(bench, sheet(marking="137-6612"))
    for query, found in (
        ("serial=245", {fits, new}),
        ("serial=9", set()),
        ("maker=harrow+%26+vale", {fits, new}),
        ("marking=304-62", {fits}),
        ("verdict=too-new", {new}),
        ("outcome=contradicted&marking=137", {new}),
        ("verdict=odd", {fits, new}),
    ):
        links = page(bench.get(f"/casebook?{query}")).links
        assert {link.rpartition("/")[2] for link in links if link.startswith("/casebook/")} == found, query
    empty = page(bench.get("/casebook?serial=9"))
    assert "No sheet here is like that." in empty.text
    assert page(bench.get("/casebook?serial=24&verdict=fits")).fields()["serial"] == ["24"]


def test_a_long_list_comes_in_pages_that_keep_the_filter(
    bench: FlaskClient, book: Casebook, page: Read
) -> None:
    plain = sheet(options={"estimate": False})
    for number in range(51):
        book.create(plain, who="ann", id=f"tidewater-{number:03}")
    first = page(bench.get("/casebook?maker=Harrow+%26+Vale"))
    (link,) = [one for one in first.links if "after=" in one]
    second = page(bench.get(link))
    shown = [one.rpartition("/")[2] for one in (*first.links, *second.links) if one.startswith("/casebook/t")]
    assert sorted(shown) == [f"tidewater-{number:03}" for number in range(51)]


def test_the_history_says_who_when_and_what_and_an_earlier_version_comes_back(
    bench: FlaskClient, book: Casebook, page: Read
) -> None:
    id = book.create(sheet(), who="Ann").id
    book.save(id, sheet(claim="1970"), expected=1, who="Bea")
    shown = page(bench.get(f"/casebook/{id}"))
    for words in ("saved version 1", "Ann", "Bea", "assessed version 2", "UTC"):
        assert words in shown.text
    earlier = page(bench.get(f"/casebook/{id}?version=1"))
    assert "This is an earlier version." in earlier.text and "1962" in earlier.text
    sent = shown.fields() | {"version": "1", "who": "Cy"}
    response = bench.post(f"/casebook/{id}/restore", data=sent)
    assert response.status_code == 303 and response.headers["Location"] == f"/casebook/{id}"
    now = book.get(id)
    assert (now.version, now.saved_by, now.record["sheet"]) == (3, "Cy", sheet())
    stale = page(bench.post(f"/casebook/{id}/restore", data=sent))
    assert stale.status == 409 and "Nothing was restored" in stale.text
    assert book.get(id).version == 3
    for bad in ({}, {"version": "x"}, {"version": "99", "etag": now.etag}):
        assert bench.post(f"/casebook/{id}/restore", data=bad).status_code in (400, 404)


def test_a_sheet_that_is_not_there_is_a_page_of_words(bench: FlaskClient, page: Read) -> None:
    for path in ("/casebook/none", "/casebook/none/edit", "/casebook/%00", "/casebook/none?version=2"):
        assert page(bench.get(path)).status == 404
    assert bench.get(f"/casebook/{kept(bench)}?version=9").status_code == 404
    assert bench.get("/casebook?after=A%20b").status_code == 422


# --- who saves


def test_who_saves_is_the_name_of_the_token_whatever_the_form_says(
    book: Casebook, shipped: Tables, tmp_path: Path
) -> None:
    tokens = tmp_path / "tokens"
    tokens.write_text("intake-desk " + "a" * 32 + "\n")
    app = served(book, shipped, TOKEN_FILE=str(tokens))
    for method, path in (
        ("GET", "/casebook"), ("GET", "/casebook/x"), ("POST", "/casebook"), ("POST", "/check/keep"),
        ("GET", "/v1/sheets"), ("PUT", "/v1/sheets/x"), ("POST", "/v1/sheets/x/restore"), ("GET", "/v1/photos/x"),
    ):  # fmt: skip
        assert app.open(path, method=method).status_code == 401, path
    login = {"Authorization": "Bearer " + "a" * 32}
    assert 'name="who"' not in app.get("/check", headers=login).text
    data = {"p0-part": "pot", "p0-marking": "304-6208", "who": "Ann", "do": "keep"}
    assert app.post("/check/keep", data=data, headers=login).status_code == 200
    (summary,) = book.find().sheets
    assert summary.saved_by == "intake-desk"


def test_a_site_that_may_ask_may_change_sheets_too(book: Casebook, shipped: Tables) -> None:
    site = "https://intake.example"
    app = served(book, shipped, CORS_ORIGINS=(site,))
    id = kept(app)
    for path, methods in (
        (f"/v1/sheets/{id}", "GET, PUT"),
        ("/v1/sheets", "GET, POST"),
        (f"/v1/sheets/{id}/restore", "POST"),
        ("/v1/decode", "POST"),
    ):
        asked = {"Origin": site, "Access-Control-Request-Method": "PUT"}
        allowed = app.options(path, headers=asked).headers
        assert allowed["Access-Control-Allow-Methods"] == methods
        assert "If-Match" in allowed["Access-Control-Allow-Headers"]
    changed = app.put(f"/v1/sheets/{id}", json=sheet("1970"), headers={"Origin": site, "If-Match": "*"})
    assert changed.status_code == 200 and changed.headers["Access-Control-Allow-Origin"] == site
    assert "ETag" in changed.headers["Access-Control-Expose-Headers"]


# --- in German


def test_the_pages_of_the_casebook_speak_german(bench: FlaskClient, page: Read) -> None:
    id, _ = conflict(bench, page)
    fields = page(bench.get(f"/casebook/{id}/edit?lang=de")).fields()
    changed_elsewhere(bench, id, sheet(claim="1975"))
    for shown, said in (
        (page(bench.get("/casebook")), "Bögen suchen"),
        (page(bench.get(f"/casebook/{id}")), "Fassung 1 zurückholen"),
        (page(press(bench, fields | {"claim": "1980"})), "Worin sich beide unterscheiden"),
    ):
        assert said in shown.text and '<html lang="de">' in shown.raw
