"""The pages in a browser: with and without scripts, on a telephone and at a desk, by keys alone."""

from __future__ import annotations

import json
import statistics
from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.conftest import DESK, PHONE

Tab = Callable[..., Any]
SIZES = pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
STRANGE = [
    "\"'></textarea><script>alert(1)</script><img src=x onerror=alert(1)>",
    "\u202e" + "\U0001f3b8" * 64,
]


def focused(page: Any) -> str:
    """What has the focus: an id, the value of a button, or a name."""
    return str(page.evaluate("(a => a.id || (a.name === 'do' ? a.value : a.name))(document.activeElement)"))


def value(page: Any, name: str) -> str:
    return str(page.locator(f"[name='{name}']").input_value())


def until(page: Any, expression: str) -> None:
    """Wait until an expression holds; asked from outside, since the page's own policy lets nothing be evaluated."""
    for _ in range(1000):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(20)
    raise AssertionError(f"never: {expression}")


def settled(page: Any) -> None:
    """Wait until what was sent has been answered and put in place."""
    until(page, "!document.getElementById('main').inert")


# --- one marking


@SIZES
def test_readings_appear_as_one_types_and_the_address_follows(tab: Tab, size: dict[str, int]) -> None:
    page = tab("/", size)
    assert focused(page) == "marking"
    page.evaluate(
        "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"
    )  # it is painted
    before = page.locator("#marking").bounding_box()
    page.keyboard.type("137-612", delay=15)
    page.wait_for_selector("#answer .sum")
    assert "19 Mar 1966 to 27 Mar 1966" in page.locator(".sum").inner_text()
    assert page.locator("#marking").bounding_box() == before
    assert focused(page) == "marking"
    assert page.url.endswith("/?marking=137-612")
    assert page.title() == "137-612 – partdate"
    until(page, "document.getElementById('said').textContent.includes('reads as one of')")
    page.reload()
    assert page.locator("#marking").input_value() == "137-612"
    assert page.locator(".sum li").count() == 4


def test_the_answer_to_the_last_key_stands_however_the_answers_arrive(tab: Tab) -> None:
    page = tab("/")
    page.evaluate(
        """() => { const real = window.fetch; let n = 0;
        window.fetch = (...given) => new Promise((done, fail) => {
            setTimeout(() => real(...given).then(done, fail), [400, 10][n++] || 0);
            given[1].signal.addEventListener('abort', () => fail(new DOMException('', 'AbortError'))); }); }"""
    )
    page.fill("#marking", "137-6612")
    page.wait_for_timeout(200)
    page.fill("#marking", "137-6614")
    page.wait_for_selector("#answer-head")
    page.wait_for_timeout(400)
    assert page.locator("#answer-head bdi").inner_text() == "137-6614"


def test_the_kind_that_a_marking_belongs_on_is_offered_and_can_be_changed(tab: Tab) -> None:
    page = tab("/")
    page.fill("#marking", "137-612")
    page.locator("#part-about a", has_text="Speaker").click()
    until(page, "location.search.includes('part=speaker')")
    assert page.locator("#part").input_value() == "speaker"
    page.select_option("#part", "potentiometer")
    until(page, "location.search.includes('part=potentiometer')")
    assert "Old solder contains lead" in page.locator("#part-about").inner_text()
    page.select_option("#part", "")
    until(page, "!location.search.includes('part')")


def test_a_near_miss_is_mended_by_one_tap(tab: Tab) -> None:
    page = tab("/?part=potentiometer", PHONE)
    page.fill("#marking", "137-6699")
    page.locator(".tries a").first.click()
    page.wait_for_selector(".sum")
    assert (
        page.locator("#marking").input_value() == page.locator("#answer-head bdi").inner_text() != "137-6699"
    )
    assert focused(page) == "answer-head"
    assert "part=potentiometer" in page.url


def test_the_keys_on_the_screen_write_at_the_caret(tab: Tab) -> None:
    page = tab("/", PHONE, has_touch=True)
    page.keyboard.type("13")
    page.locator("[data-key='?']").tap()
    page.keyboard.type("-6")
    page.locator("[data-key='[]']").tap()
    page.keyboard.type("68")
    page.keyboard.press("ArrowRight")
    page.keyboard.type("1")
    assert page.locator("#marking").input_value() == "13?-6[68]1"


def test_half_a_marking_is_no_error_until_it_is_sent(tab: Tab) -> None:
    page = tab("/?marking=137-6612")
    page.fill("#marking", "137-66[1")
    page.wait_for_selector("#typing:not([hidden])")
    until(page, "document.getElementById('typing').textContent.includes('not closed')")
    assert page.locator("[aria-invalid]").count() == 0
    assert page.locator(".answer.stale").count() == 1
    page.keyboard.press("Enter")
    page.wait_for_selector("#marking[aria-invalid]")
    assert page.locator("#marking").input_value() == "137-66[1"


def test_the_answer_is_copied_as_text(tab: Tab) -> None:
    page = tab("/?marking=137-6612", permissions=["clipboard-read", "clipboard-write"])
    page.locator("button.copy").click()
    until(page, "document.getElementById('said').textContent === 'Copied.'")
    text = page.evaluate("navigator.clipboard.readText()")
    assert "137-6612" in text and "19 Mar 1966 to 27 Mar 1966" in text


def test_a_lost_connection_is_told_and_loses_nothing(tab: Tab) -> None:
    page = tab("/?marking=137-6612")
    page.context.set_offline(True)
    page.fill("#marking", "137-6614")
    until(page, "document.getElementById('typing').textContent.includes('No connection')")
    assert page.locator("#marking").input_value() == "137-6614"
    page.context.set_offline(False)
    page.keyboard.press("Enter")
    until(page, "document.querySelector('#answer-head bdi').textContent === '137-6614'")


# --- a whole instrument


def fill(page: Any) -> None:
    page.fill("#claim", "1966")
    page.fill("#maker", "Harrow & Vale")
    page.fill("[name=p7-marking]", "137-6612")
    page.fill("[name=p8-marking]", "137-6699")


@SIZES
def test_a_sheet_is_changed_checked_and_mended_without_a_reload(tab: Tab, size: dict[str, int]) -> None:
    page = tab("/check", size)
    page.evaluate("window.stays = true")
    fill(page)
    until(page, "document.getElementById('draft').textContent.includes('kept in this browser')")
    page.locator("[value=down-7]").click()
    settled(page)
    assert (value(page, "p7-marking"), value(page, "p8-marking")) == ("137-6699", "137-6612")
    assert focused(page) == "down-8"
    page.locator("[value=copy-8]").click()
    settled(page)
    assert focused(page) == "p9-marking" and value(page, "p9-marking") == "137-6612"
    page.locator("[value=drop-9]").click()
    settled(page)
    assert "Potentiometer is taken off the sheet." in page.locator("#told").inner_text()
    assert focused(page) == "undo"
    for expected in (3, 2, 2):  # rows of potentiometers, going back step by step
        page.locator("[value=undo]").click()
        settled(page)
        assert page.locator(".rows legend", has_text="Potentiometer").count() == expected
    assert (value(page, "p7-marking"), value(page, "p8-marking")) == ("137-6612", "137-6699")
    page.locator(".buttons .primary").click()
    page.wait_for_selector("#answer-head")
    assert focused(page) == "answer-head"
    page.locator("button[value^=try-8]").first.click()
    until(page, "!document.querySelector('button[value^=try-8]')")
    assert value(page, "p8-marking").startswith("137-66") and value(page, "p8-marking") != "137-6699"
    assert page.evaluate("window.stays") is True


def test_nothing_is_lost_on_a_reload_and_the_answer_comes_back_too(tab: Tab) -> None:
    page = tab("/check")
    fill(page)
    page.locator("[value=down-0]").click()
    settled(page)
    page.reload()
    until(page, "document.getElementById('draft').textContent.includes('typed before')")
    assert value(page, "p8-marking") == "137-6699" and value(page, "p1-part") == "serial"
    page.locator(".buttons .primary").click()
    page.wait_for_selector("#answer-head")
    page.reload()
    page.wait_for_selector("#answer-head")
    assert value(page, "claim") == "1966"
    with page.expect_navigation():
        page.locator(".discard").click()
    assert value(page, "claim") == ""
    page.reload()
    page.wait_for_timeout(200)
    assert value(page, "claim") == "" and page.locator("#draft").is_hidden()


def test_a_lost_connection_and_a_wrong_entry_lose_nothing_of_a_sheet(tab: Tab) -> None:
    page = tab("/check")
    fill(page)
    page.context.set_offline(True)
    page.locator(".buttons .primary").click()
    page.wait_for_selector(".offline")
    assert "Nothing is lost" in page.locator(".offline").inner_text()
    assert value(page, "p7-marking") == "137-6612"
    page.context.set_offline(False)
    page.fill("[name=p0-marking]", "12[")
    page.locator(".buttons .primary").click()
    page.wait_for_selector("#wrong-head")
    assert focused(page) == "wrong-head"
    assert value(page, "p0-marking") == "12[" and value(page, "maker") == "Harrow & Vale"
    page.reload()
    page.wait_for_selector("#wrong-head")
    assert value(page, "p0-marking") == "12["


def test_a_saved_sheet_is_a_file_and_no_draft(tab: Tab) -> None:
    page = tab("/check")
    fill(page)
    with page.expect_download() as download:
        page.locator("[value=sheet]").click()
    sheet = json.loads(download.value.path().read_text("utf-8"))
    assert [part["marking"] for part in sheet["parts"]] == ["137-6612", "137-6699"]
    until(page, "document.getElementById('draft').textContent.includes('saved as a file')")
    assert page.evaluate("localStorage.length") == 0
    assert value(page, "p7-marking") == "137-6612"


def test_a_list_is_pasted_and_the_focus_is_where_a_kind_is_wanted(tab: Tab) -> None:
    page = tab("/check")
    page.fill("#claim", "1966")
    page.fill("#paste", "220-6549\nMAR 12 1966\n")
    page.locator("[value=paste]").click()
    settled(page)
    page.wait_for_selector("#told p")
    name = focused(page)
    assert name.endswith("-part") and value(page, name.replace("part", "marking"))
    assert value(page, "claim") == "1966"


def test_cautions_stand_beside_the_field_before_the_act(tab: Tab) -> None:
    page = tab("/check")
    page.select_option("[name=p13-part]", "amplifier-capacitor")
    slot = page.locator("#row-13 .row-cautions")
    assert "lethal charge" in slot.inner_text()
    page.select_option("[name=p13-part]", "serial")
    assert "lethal charge" not in slot.inner_text()
    page.locator("#row-13 .more summary").click()
    page.fill("[name=p13-feature]", "finish under UV")
    assert "eye protection" in slot.inner_text()
    page.fill("[name=p13-feature]", "heated plastic test")
    assert "formaldehyde" in slot.inner_text() and "burn fiercely" in slot.inner_text()
    page.locator("#row-7 .more summary").click()
    page.fill("[name=p7-feature]", "flame test")
    beside = page.locator("#row-7 .row-cautions").inner_text()
    assert "solder" in beside and "burn fiercely" in beside


def test_a_row_says_what_its_marking_reads_as_and_takes_the_kind_that_is_plain(tab: Tab) -> None:
    page = tab("/check", PHONE)
    page.fill("[name=p7-marking]", "137-6612")
    until(page, "document.querySelector('#row-7 .glimpse').textContent === '19 Mar 1966 to 27 Mar 1966'")
    page.fill("[name=p13-marking]", "220-6549")
    until(page, "document.querySelector('[name=p13-part]').value === 'speaker'")
    page.select_option("[name=p13-part]", "potentiometer")
    page.fill("[name=p13-marking]", "220-6550")
    until(page, "document.querySelector('#row-13 .glimpse').textContent.includes('Dec 1965')")
    assert value(page, "p13-part") == "potentiometer"
    page.fill("[name=p13-marking]", "")
    until(page, "document.querySelector('#row-13 .glimpse').textContent === ''")


def test_the_list_from_head_to_tail_follows_what_is_typed(tab: Tab) -> None:
    page = tab("/check")
    item = page.locator(".tail [data-row='7']")
    assert "still to be read" in item.text_content()
    page.fill("[name=p7-marking]", "137-6612")
    assert "noted" in item.text_content()
    page.select_option("[name=p7-state]", "illegible")
    assert "still to be read" in item.text_content()


# --- by keys alone


def test_one_marking_is_read_and_a_correction_taken_by_keys_alone(tab: Tab) -> None:
    page = tab("/")
    page.keyboard.type("137-6699")
    page.keyboard.press("Alt+p")
    assert focused(page) == "part"
    page.keyboard.type("Potentio")
    until(page, "location.search.includes('part=potentiometer')")
    page.keyboard.press("Alt+m")
    page.keyboard.press("Enter")
    until(page, "document.activeElement.id === 'answer-head'")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_selector(".sum")
    assert page.locator("#marking").input_value() != "137-6699"


def test_a_sheet_is_filled_in_moved_undone_and_checked_by_keys_alone(tab: Tab) -> None:
    page = tab("/check")
    page.keyboard.press("Tab")
    assert "Skip" in page.evaluate("document.activeElement.textContent")
    page.keyboard.press("Enter")
    for _ in range(12):
        page.keyboard.press("Tab")
        if focused(page) == "claim":
            break
    page.keyboard.type("1966")
    page.keyboard.press("Alt+n")
    assert focused(page) == "p0-marking"
    for n in range(1, 8):
        page.keyboard.press("Alt+n")
        assert focused(page) == f"p{n}-marking"
    page.keyboard.type("137-6612")
    page.keyboard.press("Alt+ArrowUp")
    settled(page)
    assert value(page, "p6-marking") == "137-6612" and focused(page) == "up-6"
    page.keyboard.press("Alt+d")
    settled(page)
    assert focused(page) == "p7-marking" and value(page, "p7-marking") == "137-6612"
    page.keyboard.press("Alt+x")
    settled(page)
    assert focused(page) == "undo"
    page.keyboard.press("Alt+u")
    settled(page)
    assert value(page, "p7-marking") == "137-6612"
    page.keyboard.press("Control+Enter")
    until(page, "document.activeElement.id === 'answer-head'")
    assert "Agrees" in page.locator("#answer-head").inner_text()


# --- without scripts


def test_everything_works_without_scripts(tab: Tab) -> None:
    page = tab("/", PHONE, java_script_enabled=False)
    assert page.locator(".scripted:visible").count() == 0
    page.locator("#marking").fill("137-6699")
    page.select_option("#part", "potentiometer")
    page.locator(".ask .primary").click()
    page.locator(".tries a").first.click()
    assert "Mar 1966" in page.locator(".sum").inner_text() or page.locator(".sum li").count()
    page.locator("nav a", has_text="Whole instrument").click()
    fill(page)
    page.locator("[value=down-7]").click()
    assert value(page, "p8-marking") == "137-6612" and value(page, "claim") == "1966"
    page.locator("[value=drop-8]").click()
    assert page.locator("[value='137-6612']").count() == 0
    page.locator("[value=undo]").click()
    assert value(page, "p8-marking") == "137-6612"
    page.fill("#paste", "DEC 1965")
    page.locator("[value=paste]").click()
    page.select_option(".rows select[name$=-part] >> nth=0", "neck-heel")
    page.locator("#claim").press("Enter")
    assert page.locator("#answer-head").inner_text() == "Agrees"
    page.locator("button[value^=try-]").first.click()
    assert "137-6699" not in page.locator(".parts").inner_text()
    page.select_option("[name=lang]", "de")
    page.locator(".liked button").click()
    assert page.locator("html").get_attribute("lang") == "de" and value(page, "claim") == "1966"


# --- language, dates


def test_language_and_dates_are_kept_and_what_was_typed_too(tab: Tab) -> None:
    page = tab("/?marking=137-6612")
    page.select_option("[name=lang]", "de")
    page.select_option("[name=dates]", "edtf")
    page.locator(".liked button").click()
    page.wait_for_selector("html[lang=de]")
    assert page.locator("#marking").input_value() == "137-6612"
    assert page.locator(".sum").inner_text().strip() == "1966-03-19/1966-03-27"
    page.fill("#marking", "137-6614")
    until(page, "document.querySelector('#answer-head bdi').textContent === '137-6614'")
    assert "liest sich als" in page.locator("#answer-head").inner_text()
    assert "lang=" not in page.url


# --- what is typed is shown as typed


@pytest.mark.parametrize("text", STRANGE, ids=["markup", "right-to-left and emoji"])
def test_what_is_typed_in_any_field_is_shown_as_typed_and_runs_nothing(tab: Tab, text: str) -> None:
    page = tab("/")
    page.locator(".ask .more summary").first.click()
    for name in ("marking", "maker", "claim", "country", "patent"):
        page.fill(f".ask [name={name}]", text)
    page.wait_for_timeout(250)
    page.keyboard.press("Enter")
    page.wait_for_url("**/?marking=*")  # what can't be taken is answered by a page of its own
    for name in ("marking", "maker", "claim", "country", "patent"):
        assert page.locator(f".ask [name={name}]").input_value() == text
    page.goto("/check")
    for details in page.locator(".rows #row-7 details, .about details").all():
        details.evaluate("one => { one.open = true; }")
    names = [*"claim second_claim maker model country options".split()]
    names += [
        f"p7-{one}" for one in "marking id feature value unit uncertainty position group patent".split()
    ]
    names += [f"p7-override_{one}" for one in ("window", "name", "reason")]
    for name in names:
        page.fill(f"[name={name}]", text)
    page.locator("[value=down-7]").click()
    settled(page)
    for name in names:
        assert value(page, name.replace("p7-", "p8-")) == text
    page.locator(".buttons .primary").click()
    page.wait_for_selector("#wrong-head")
    for name in names:
        assert value(page, name.replace("p7-", "p8-")) == text
    page.fill("#options", "")
    page.fill("#paste", text)
    page.locator("[value=paste]").click()
    settled(page)
    assert page.locator("script").count() == 1 and page.locator("main img").count() == 0
    page.goto("/nowhere/" + "<script>alert(1)</script>")
    assert page.locator("script").count() == 1


# --- weight and waiting


def test_no_page_is_heavy(tab: Tab, capsys: pytest.CaptureFixture[str]) -> None:
    page = tab("/problems/")
    figures = {}
    for path in ("/", "/?marking=137-612&part=pot", "/check"):
        bodies: list[Any] = []
        other = page.context.new_page()
        other.on("response", lambda one, bodies=bodies: bodies.append(one))
        other.goto(path, wait_until="networkidle")
        figures[path] = sum(len(one.body()) for one in bodies if one.status == 200)
    with capsys.disabled():
        print("\npage weight, plain bytes:", figures)
    assert max(figures.values()) < 150_000


def test_how_long_an_answer_takes_after_a_key_is_told(tab: Tab, capsys: pytest.CaptureFixture[str]) -> None:
    tab("/?marking=137-6612&part=potentiometer")  # the first answer of a server reads its tables
    page = tab("/?part=potentiometer")
    page.evaluate(
        """() => { window.times = []; let at;
        document.getElementById('marking').addEventListener('input', () => { at = performance.now(); });
        new MutationObserver(() => { if (at) { window.times.push(performance.now() - at); at = 0; } })
            .observe(document.getElementById('main'), { childList: true }); }"""
    )
    page.focus("#marking")
    for key in "137-6612" * 10:
        if len(page.locator("#marking").input_value()) >= 8:
            page.fill("#marking", "")
        done = page.evaluate("window.times.length")
        page.keyboard.type(key)
        until(page, f"window.times.length > {done}")
    times = sorted(page.evaluate("window.times"))
    p95 = statistics.quantiles(times, n=20)[-1]
    with capsys.disabled():
        print(
            f"\nkey to answer: median {statistics.median(times):.0f} ms, p95 {p95:.0f} ms (40 of them waiting)"
        )
    assert len(times) >= 80
