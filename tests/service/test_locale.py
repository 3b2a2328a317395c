"""The words of the page: one catalogue, a whole second language, and preferences that are kept."""

from __future__ import annotations

import gettext
import re
from collections.abc import Callable
from datetime import date
from html.parser import HTMLParser
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from jinja2 import Environment

from decoder import terminal
from decoder.service import create_app, words
from decoder.tables import Tables
from decoder.window import Window, WindowSet
from tests.service.catalogue import LOCALE, SERVICE, extracted, translated, untranslated

Read = Callable[..., Any]
LANGUAGES = [lang for lang in words.LANGUAGES if lang != "en"]
OURS = (
    "assessment", "base", "casebook", "check", "conflict", "decode", "error", "liked", "macros", "problems", "stored",
)  # fmt: skip
# What stays as it is in every language: names, grades, codes and units.
SAME = re.compile(
    r"partdate|\b(?:[ABCMP]|A4|Alt|Ctrl|Enter|Shift|US, GB, DE|id,part,marking[a-z_,]*)\b|&[a-z]+;"
)


@pytest.fixture
def fresh(shipped: Tables) -> FlaskClient:
    """A browser without cookies."""
    return create_app({"TABLES": shipped, "TODAY": lambda: date(2026, 11, 25)}).test_client()


# --- the catalogue


@pytest.mark.parametrize("lang", LANGUAGES)
def test_every_string_of_the_page_is_translated_and_nothing_else_is(lang: str) -> None:
    wanted = {message.id for message in extracted() if message.id}
    held = {message.id for message in translated(lang) if message.id}
    assert wanted - held == set(), "run: python tests/service/catalogue.py"
    assert held - wanted == set()
    assert untranslated(translated(lang)) == []


@pytest.mark.parametrize("lang", LANGUAGES)
def test_a_translation_has_the_same_gaps_and_the_same_markup(lang: str) -> None:
    for message in translated(lang):
        if not message.id:
            continue
        several = isinstance(message.id, tuple)
        for said, meant in zip(
            message.string if several else [message.string],
            message.id if several else [message.id],
            strict=True,
        ):
            for kept in (r"%\(\w+\)[sd]", r"<[^>]+>", r"^\s+", r"\s+$"):
                assert sorted(re.findall(kept, said)) == sorted(re.findall(kept, meant)), meant


@pytest.mark.parametrize("lang", LANGUAGES)
def test_the_compiled_catalogue_says_what_the_translation_says(lang: str) -> None:
    with (LOCALE / f"{lang}.mo").open("rb") as file:
        compiled = gettext.GNUTranslations(file)
    for message in translated(lang):
        if isinstance(message.id, tuple):
            assert [compiled.ngettext(*message.id, n) for n in (1, 2)] == list(message.string)
        elif message.id:
            assert compiled.gettext(message.id) == message.string


@pytest.mark.parametrize("name", OURS)
def test_no_word_of_a_template_stands_outside_the_catalogue(name: str) -> None:
    env = Environment(extensions=["jinja2.ext.i18n"])
    source = (SERVICE / "templates" / f"{name}.html").read_text("utf-8")
    inside, data = 0, []
    for _line, kind, token in env.lex(source):
        if kind == "name" and token in ("trans", "endtrans"):
            inside += 1 if token == "trans" else -1
        elif kind == "data" and not inside:
            data.append(token)
        elif kind == "variable_begin":
            data.append("\0")
    text = "".join(data)
    named = re.findall(r'(?:aria-label|title|placeholder|alt|data-(?:done|open))="([^"]*)"', text)
    shown = re.sub(r"<[^>]*>", " ", text)
    shown = re.sub(r' (?:lang="en"|autofocus)(?=\W)', "", shown)  # macros that are attributes
    for one in [*named, shown]:
        left = SAME.sub("", one)
        assert re.findall(r"[^\W\d_]{2,}", left) == []


# --- a page in another language


class Said(HTMLParser):
    """The texts of a page that are not marked as another language's."""

    def __init__(self, raw: str) -> None:
        super().__init__(convert_charrefs=True)
        self.langs: list[str] = [""]
        self.texts: list[str] = []
        self.feed(raw)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "link", "input", "br"):
            self.langs.append(dict(attrs).get("lang") or self.langs[-1])

    def handle_endtag(self, tag: str) -> None:
        if tag not in ("meta", "link", "input", "br"):
            self.langs.pop()

    def handle_data(self, data: str) -> None:
        if self.langs[-1] != "en" and data.strip():
            self.texts.append(" ".join(data.split()))


SHEET = {
    "claim": "1959", "maker": "Harrow & Vale", "p0-part": "potentiometer", "p0-marking": "137-6612",
    "p1-part": "potentiometer", "p1-marking": "137-6699", "p2-part": "tuner", "p2-state": "no-mark",
}  # fmt: skip


@pytest.mark.parametrize("lang", LANGUAGES)
def test_no_english_is_left_on_a_translated_page_but_what_is_marked_as_english(
    fresh: FlaskClient, page: Read, lang: str
) -> None:
    english = {
        text
        for message in translated(lang)
        if isinstance(message.id, str) and message.id and message.id != message.string
        for text in [" ".join(message.id.split())]
        if len(text) > 3
    }
    fresh.get(f"/?lang={lang}")
    answers = [
        fresh.get("/"), fresh.get("/?marking=137-612&part=pot"), fresh.get("/?marking=137-6699"),
        fresh.get("/?marking=ZZTOP&part=pot"), fresh.get("/?marking=137-["), fresh.get("/check"),
        fresh.post("/check", data=SHEET), fresh.post("/check", data={"claim": "x", **SHEET, "p2-part": "x"}),
        fresh.post("/check", data={}), fresh.get("/nowhere", headers={"Accept": "text/html"}), fresh.get("/problems/"),
    ]  # fmt: skip
    for answer in answers:
        found = page(answer)
        assert f'<html lang="{lang}">' in found.raw
        assert answer.headers["Content-Language"] == lang
        left = set(Said(found.raw).texts) & english
        assert left == set()


def test_what_the_core_says_is_marked_as_english_on_another_page_and_plain_on_an_english_one(
    fresh: FlaskClient,
) -> None:
    reason = "No scheme reads this marking"
    german = fresh.post("/check?lang=de", data=SHEET).text
    assert f'<span lang="en">{reason}' in german
    assert "1966 bis" in german
    assert f"<span>{reason}" in fresh.post("/check?lang=en", data=SHEET).text


# --- preferences


def lang_of(text: str) -> str:
    return re.findall(r'<html lang="(\w+)">', text)[0]


def test_the_language_is_that_of_the_address_then_of_the_cookie_then_of_the_browser(
    fresh: FlaskClient,
) -> None:
    assert lang_of(fresh.get("/").text) == "en"
    german = {"Accept-Language": "de-AT,de;q=0.9,en;q=0.5"}
    response = fresh.get("/", headers=german)
    assert lang_of(response.text) == "de" and "Set-Cookie" not in response.headers
    assert {"Cookie", "Accept-Language"} <= set(response.vary)
    assert lang_of(fresh.get("/", headers={"Accept-Language": "xx,de-DE;q=0.3"}).text) == "de"
    chosen = fresh.get("/?lang=en", headers=german)
    assert lang_of(chosen.text) == "en"
    assert "SameSite=Lax" in chosen.headers["Set-Cookie"] and "HttpOnly" in chosen.headers["Set-Cookie"]
    assert lang_of(fresh.get("/", headers=german).text) == "en"
    assert lang_of(fresh.get("/?lang=xx", headers=german).text) == "en"


@pytest.mark.parametrize(
    "cookie", ["", "..", "xx.yy.zz", "de", "de.edtf.mm.more", "\u00e4.\u00f6.\u00fc", "." * 3000]
)
def test_whatever_a_cookie_holds_the_page_is_shown(fresh: FlaskClient, page: Read, cookie: str) -> None:
    fresh.set_cookie(words.COOKIE, cookie)
    assert page(fresh.get("/?marking=137-6612")).status == 200


def test_dates_are_shown_as_somebody_likes_and_kept_so(fresh: FlaskClient, page: Read) -> None:
    assert "19 Mar 1966 to 27 Mar 1966" in page(fresh.get("/?marking=137-6612")).text
    tag = fresh.get("/?marking=137-6612").headers["ETag"]
    fresh.get("/?dates=edtf")
    answer = fresh.get("/?marking=137-6612", headers={"If-None-Match": tag})
    assert answer.status_code == 200
    assert "1966-03-19/1966-03-27" in page(answer).text


def test_preferences_chosen_on_the_sheet_keep_what_was_typed(fresh: FlaskClient, page: Read) -> None:
    sent = {**SHEET, "do": "show", "lang": "de", "dates": "edtf", "units": "mm"}
    found = page(fresh.post("/check", data=sent))
    assert lang_of(found.raw) == "de" and found.fields()["p0-marking"] == ["137-6612"]
    assert lang_of(fresh.get("/").text) == "de"


def test_a_bare_length_has_the_unit_that_somebody_likes(fresh: FlaskClient, shipped: Tables) -> None:
    def unit(value: str, feature: str = "nut-width", **more: str) -> str | None:
        data = {"p0-part": "neck", "p0-feature": feature, "p0-value": value, "do": "sheet", **more}
        return fresh.post("/check", data=data).json["parts"][0].get("unit")

    assert unit("43") is None
    assert unit("43", units="mm") == "mm"
    assert unit("1 11/16", units="in") == "in"
    assert unit('1.65"', units="mm") is None
    assert unit("43 mm", units="in") is None
    assert unit("clear", units="mm") is None
    assert unit("30", units="mm", feature="tailpiece-weight") is None
    assert unit("1.65", units="mm", **{"p0-unit": "in"}) == "in"


DAYS = st.none() | st.dates(date(1, 1, 1), date(9999, 12, 31)) | st.sampled_from(
    [date(1966, 1, 1), date(1966, 12, 31), date(1966, 3, 1), date(1966, 3, 31), date(1968, 2, 29)]
)  # fmt: skip


@given(ends=st.lists(st.tuples(DAYS, DAYS), max_size=9))
def test_a_window_is_told_on_the_page_in_the_words_of_the_terminal(
    ends: list[tuple[date | None, date | None]],
) -> None:
    made = WindowSet.of(
        *(Window.between(*(pair if None in pair or pair[0] <= pair[1] else pair[::-1])) for pair in ends)  # type: ignore[operator]
    )
    window = {"edtf": made.edtf()}
    assert words.window_words(window) == terminal.window_words(window)
