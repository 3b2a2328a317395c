"""The casebook in a browser: the draft goes only once the server has the sheet, and a conflict loses nothing."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import date
from typing import Any

import pytest
import requests
from waitress.server import create_server

from decoder.service import create_app
from decoder.tables import Tables
from tests.browser.conftest import DESK, PHONE
from tests.browser.test_accessible import violations
from tests.browser.test_pages import focused, settled, until, value

Tab = Callable[..., Any]
DRAFTS = "Object.keys(localStorage).length"
SHEET = {
    "instrument": {"maker": "Harrow & Vale", "model": "Estuary", "claim": "1962"},
    "parts": [{"id": "pot", "part": "potentiometer", "marking": "304-6208"}],
}


@pytest.fixture(scope="module")
def bench(shipped: Tables, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a server with a casebook."""
    place = tmp_path_factory.mktemp("casebook") / "casebook.sqlite"
    app = create_app({"TABLES": shipped, "TODAY": lambda: date(2026, 11, 25), "CASEBOOK": str(place)})
    server = create_server(app, host="127.0.0.1", port=0)
    threading.Thread(target=server.run, daemon=True).start()
    yield f"http://127.0.0.1:{server.effective_port}"
    server.close()


def kept(bench: str) -> str:
    """The id of a new sheet."""
    return str(requests.post(f"{bench}/v1/sheets", json=SHEET, timeout=30).json()["id"])


def stored(bench: str, id: str) -> Any:
    return requests.get(f"{bench}/v1/sheets/{id}", timeout=30).json()


def changed_elsewhere(bench: str, id: str, claim: str) -> None:
    sheet = {**SHEET, "instrument": {**SHEET["instrument"], "claim": claim}}  # type: ignore[dict-item]
    answer = requests.put(f"{bench}/v1/sheets/{id}", json=sheet, headers={"If-Match": "*"}, timeout=30)
    assert answer.status_code == 200


def save(page: Any) -> None:
    page.locator("[value=keep]").click()
    settled(page)


def test_a_sheet_is_saved_and_the_draft_goes_once_the_server_has_it(tab: Tab, bench: str) -> None:
    page = tab(f"{bench}/check")
    page.fill("[name=claim]", "1962")
    page.fill("[name=p7-marking]", "304-6208")
    page.fill("[name=who]", "Ann")
    page.locator(".buttons .primary").click()
    page.wait_for_selector("#answer-head")
    until(page, f"{DRAFTS} === 1")
    save(page)
    page.wait_for_selector("#told[data-saved='1']")
    assert page.evaluate(DRAFTS) == 0 and page.locator("#draft").is_hidden()
    assert page.locator("#answer-head").is_visible(), "the answer stays where it was"
    assert "version 1" in page.locator("#kept").inner_text() and focused(page) == "keep"
    id = value(page, "sheet-id")
    assert page.url == f"{bench}/casebook/{id}/edit"
    assert stored(bench, id)["saved_by"] == "Ann"
    page.fill("[name=claim]", "1963")
    until(page, f"{DRAFTS} === 1")
    page.reload()
    until(page, "document.getElementById('draft').textContent.includes('typed before')")
    assert value(page, "claim") == "1963"
    save(page)
    page.wait_for_selector("#told[data-saved='2']")
    assert page.evaluate(DRAFTS) == 0
    assert stored(bench, id)["sheet"]["instrument"]["claim"] == "1963"


def test_a_save_right_after_a_marking_is_typed_is_not_lost_on_a_telephone(tab: Tab, bench: str) -> None:
    page = tab(f"{bench}/check", PHONE)
    page.fill("[name=p7-marking]", "304-6208")
    assert page.locator(".buttons .keys").is_visible()
    page.locator("[value=keep]").click()
    page.wait_for_selector("#told[data-saved='1']")
    page.locator("[name=p7-marking]").focus()
    keys, bar = (page.locator(one).bounding_box() for one in (".buttons .keys", ".buttons .primary"))
    assert keys["y"] + keys["height"] <= bar["y"] and keys["x"] >= 0


def test_a_save_that_the_server_did_not_take_keeps_the_draft(tab: Tab, bench: str) -> None:
    id = kept(bench)
    page = tab(f"{bench}/casebook/{id}/edit")
    page.fill("[name=model]", "Estuary II")
    page.context.set_offline(True)
    save(page)
    page.wait_for_selector(".offline")
    assert page.evaluate(DRAFTS) == 1 and value(page, "model") == "Estuary II"
    page.context.set_offline(False)
    page.fill("[name=p0-marking]", "12[")
    save(page)
    page.wait_for_selector("#wrong-head")
    assert page.evaluate(DRAFTS) == 1 and stored(bench, id)["version"] == 1
    page.fill("[name=p0-marking]", "304-6209")
    save(page)
    page.wait_for_selector("#told[data-saved='2']")
    assert page.evaluate(DRAFTS) == 0 and page.locator("#wrong-head").count() == 0
    assert stored(bench, id)["sheet"]["parts"][0]["marking"] == "304-6209"


def test_each_sheet_has_a_draft_of_its_own(tab: Tab, bench: str) -> None:
    one, other = kept(bench), kept(bench)
    page = tab(f"{bench}/casebook/{one}/edit")
    page.fill("[name=model]", "of the first")
    page.goto(f"{bench}/casebook/{other}/edit")
    assert value(page, "model") == "Estuary"
    page.fill("[name=model]", "of the second")
    page.goto(f"{bench}/check")
    assert value(page, "model") == ""
    page.goto(f"{bench}/casebook/{one}/edit")
    until(page, "document.querySelector('[name=model]').value === 'of the first'")
    with page.expect_navigation():
        page.locator(".discard").click()
    assert value(page, "model") == "Estuary"
    assert page.evaluate(DRAFTS) == 1


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_a_conflict_shows_both_and_the_draft_survives_it(
    tab: Tab, bench: str, axe: str, size: dict[str, int]
) -> None:
    id = kept(bench)
    page = tab(f"{bench}/casebook/{id}/edit", size)
    page.fill("[name=model]", "Estuary II")
    changed_elsewhere(bench, id, "1970")
    save(page)
    page.wait_for_selector(".conflict")
    assert focused(page) == "wrong-head"
    table = page.locator(".conflict table").inner_text()
    assert "1970" in table and "Estuary II" in table
    assert value(page, "model") == "Estuary II" and page.evaluate(DRAFTS) == 1
    assert violations(page, axe) == []
    wide = "document.scrollingElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(wide) <= 0
    page.reload()
    until(page, "document.querySelector('[name=model]').value === 'Estuary II'")
    save(page)
    page.wait_for_selector(".conflict")
    page.locator("[value=theirs]").click()
    until(page, "document.querySelector('[name=claim]').value === '1970'")
    assert value(page, "model") == "Estuary"
    page.locator("[value=undo]").click()
    until(page, "document.querySelector('[name=model]').value === 'Estuary II'")
    page.fill("[name=claim]", "1970")
    save(page)
    page.wait_for_selector("#told[data-saved='3']")
    assert stored(bench, id)["sheet"]["instrument"] == {
        "maker": "Harrow & Vale",
        "model": "Estuary II",
        "claim": "1970",
    }


def test_mine_is_saved_over_theirs_by_keys_alone(tab: Tab, bench: str) -> None:
    id = kept(bench)
    page = tab(f"{bench}/casebook/{id}/edit")
    page.fill("[name=model]", "Estuary II")
    changed_elsewhere(bench, id, "1970")
    page.locator("[value=keep]").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector(".conflict")
    for _ in range(10):
        page.keyboard.press("Tab")
        if focused(page) == "keep-over":
            break
    page.keyboard.press("Enter")
    page.wait_for_selector("#told[data-saved='3']")
    assert page.locator(".conflict").count() == 0 and focused(page) == "keep"
    assert stored(bench, id)["sheet"]["instrument"]["claim"] == "1962"


def test_everything_of_the_casebook_works_without_scripts(tab: Tab, bench: str) -> None:
    page = tab(f"{bench}/check", java_script_enabled=False)
    page.fill("[name=claim]", "1962")
    page.fill("[name=maker]", "Harrow & Vale")
    page.fill("[name=p0-marking]", "77123")
    page.fill("[name=who]", "Ann")
    page.locator("[value=keep]").click()
    assert "as version 1." in page.locator("#told").inner_text()
    id = value(page, "sheet-id")
    page.locator("nav a", has_text="Casebook").click()
    page.fill("#serial", "771")
    page.locator("form.find button").click()
    page.locator(".found a").click()
    assert page.url == f"{bench}/casebook/{id}"
    page.locator("a.act").click()
    page.fill("[name=claim]", "1963")
    changed_elsewhere(bench, id, "1970")
    page.locator("[value=keep]").click()
    assert "1970" in page.locator(".conflict table").inner_text() and value(page, "claim") == "1963"
    page.locator("[value=keep-over]").click()
    assert "as version 3." in page.locator("#told").inner_text()
    page.goto(f"{bench}/casebook/{id}")
    page.fill("#who", "Bea")
    page.locator("button[name=version][value='1']").click()
    assert "version 4" in page.locator("main").inner_text()
    now = stored(bench, id)
    assert (now["version"], now["saved_by"], now["sheet"]["instrument"]["claim"]) == (4, "Bea", "1962")


@pytest.mark.parametrize(("size", "scheme"), [(DESK, "light"), (PHONE, "dark")], ids=["desk", "phone, dark"])
def test_no_page_of_the_casebook_has_a_fault_that_axe_knows(
    tab: Tab, bench: str, axe: str, size: dict[str, int], scheme: str
) -> None:
    id = kept(bench)
    changed_elsewhere(bench, id, "1970")
    page = tab(f"{bench}/casebook", size, color_scheme=scheme)
    found: dict[str, list[str]] = {}
    wide = "document.scrollingElement.scrollWidth - document.documentElement.clientWidth"
    for path in (
        "/casebook", "/casebook?serial=zzz", "/casebook?lang=de", f"/casebook/{id}", f"/casebook/{id}?version=1",
        f"/casebook/{id}/edit", "/check",
    ):  # fmt: skip
        page.set_viewport_size(size)
        page.goto(bench + path)
        page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
        found[path] = violations(page, axe)
        for width in (320, 390, 1280):
            page.set_viewport_size({"width": width, "height": 800})
            assert page.evaluate(wide) <= 0, (path, width)
    assert {path: faults for path, faults in found.items() if faults} == {}
