"""The application under test, and how the tests read problems and pages."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from html.parser import HTMLParser
from typing import Any

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from decoder.service import create_app
from decoder.tables import Tables

TODAY = date(2026, 11, 25)


@pytest.fixture(scope="session")
def client(shipped: Tables) -> FlaskClient:
    return create_app({"TABLES": shipped, "TODAY": lambda: TODAY}).test_client()


def assert_problem(response: TestResponse, status: int, name: str, *pointers: str) -> dict[str, Any]:
    """The one place that says what a problem looks like: RFC 9457, and nothing of the inside of the server."""
    assert response.status_code == status, response.text
    assert response.mimetype == "application/problem+json"
    assert response.headers["Cache-Control"] == "no-store"
    body: dict[str, Any] = response.get_json(force=True)
    assert body.keys() <= {"type", "title", "status", "detail", "errors"}
    assert body["type"] == f"/problems/{name}"
    assert body["status"] == status
    assert body["title"] and body["detail"]
    assert "Traceback" not in response.text and ".py" not in response.text
    errors = body.get("errors", [])
    for error in errors:
        assert error.keys() <= {"pointer", "message", "at"}
        assert error["message"]
        if "at" in error:
            first, last = error["at"]
            assert 0 <= first <= last
    assert sorted({error["pointer"] for error in errors}) == sorted(pointers)
    return body


@pytest.fixture(scope="session")
def problem() -> Callable[..., dict[str, Any]]:
    return assert_problem


class Page(HTMLParser):
    """What a page holds: its text, its links, its forms as a browser would send them, and what is wrong with it."""

    def __init__(self, response: TestResponse) -> None:
        super().__init__(convert_charrefs=True)
        assert response.mimetype == "text/html"
        self.status = response.status_code
        self.raw = response.text
        self.words: list[str] = []
        self.links: list[str] = []
        self.forms: list[list[tuple[str, str]]] = []
        self.actions: list[str] = []
        self.faults: list[str] = []
        self.ids: list[str] = []
        self.headings: list[int] = []
        self._labelled: set[str] = set()
        self._controls: list[tuple[str, bool]] = []
        self._open: list[str] = []
        self._select: tuple[str, list[tuple[str, bool]]] | None = None
        self._area: list[str] | None = None
        self._area_name = ""
        self.feed(self.raw)
        self.close()
        self.text = " ".join(" ".join(self.words).split())
        self.faults += [
            f"no label for {name}"
            for name, inside in self._controls
            if not inside and name not in self._labelled
        ]
        self.faults += [
            f"id {one} stands twice" for one in sorted({i for i in self.ids if self.ids.count(i) > 1})
        ]

    VOID = frozenset({"meta", "link", "input", "br", "path", "circle", "rect", "use"})

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.faults += [f"{tag} has {name}" for name in given if name == "style" or name.startswith("on")]
        if tag == "script" and not re.match(r"(?:/\w+)?/static/\w+\.js\?v=", given.get("src", "")):
            self.faults.append("a script that is no file of this server")
        if tag in ("style", "iframe", "object", "embed", "base"):
            self.faults.append(f"a {tag} element")
        for name in ("href", "src", "action", "formaction"):
            if name in given:
                self.links.append(given[name])
                if not given[name].startswith(("/", "#")) or given[name].startswith("//"):
                    self.faults.append(f"leads outside: {given[name]}")
        if "id" in given:
            self.ids.append(given["id"])
        if tag == "label" and "for" in given:
            self._labelled.add(given["for"])
        if tag in ("h1", "h2", "h3", "h4"):
            self.headings.append(int(tag[1]))
        if tag == "form":
            self.forms.append([])
            self.actions.append(given["action"])
        kind = given.get("type", "text")
        if tag in ("input", "select", "textarea") and kind != "hidden":
            self._controls.append((given.get("id", given.get("name", "")), "label" in self._open))
        if tag == "input" and kind != "file" and (kind != "checkbox" or "checked" in given):
            self.forms[-1].append((given["name"], given.get("value", "on" if kind == "checkbox" else "")))
        elif tag == "select":
            self._select = (given["name"], [])
        elif tag == "option" and self._select is not None:
            self._select[1].append((given["value"], "selected" in given))
        elif tag == "textarea":
            self._area, self._area_name = [], given["name"]
        if tag not in self.VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self._open.pop()

    def handle_endtag(self, tag: str) -> None:
        if tag in self.VOID:
            return
        if not self._open or self._open.pop() != tag:
            self.faults.append(f"</{tag}> closes nothing")
        if tag == "select" and self._select is not None:
            name, options = self._select
            chosen = [value for value, selected in options if selected] or [options[0][0]]
            self.forms[-1].append((name, chosen[-1]))
            self._select = None
        elif tag == "textarea" and self._area is not None:
            text = "".join(self._area)
            # A browser drops the first line break of a text area, and sends CR LF for the others.
            self.forms[-1].append((self._area_name, text.removeprefix("\n").replace("\n", "\r\n")))
            self._area = None

    def handle_data(self, data: str) -> None:
        if self._open[-1:] == ["script"] and data.strip():
            self.faults.append("a script inside the page")
        if self._area is not None:
            self._area.append(data)
        self.words.append(data)

    def fields(self, form: int = 0) -> dict[str, Any]:
        """The controls of a form as a browser sends them; a name that stands twice has a list.

        The form that asks for a report is not counted: it stands on answers alone.
        """
        counted = [
            made
            for made, action in zip(self.forms, self.actions, strict=True)
            if not action.endswith("/report")
        ]
        sent: dict[str, Any] = {}
        for name, value in counted[form]:
            sent.setdefault(name, []).append(value)
        return sent


@pytest.fixture(scope="session")
def page() -> Callable[[TestResponse], Page]:
    def read(response: TestResponse) -> Page:
        found = Page(response)
        assert found.faults == []
        assert found.headings[:1] == [1] and found.headings.count(1) == 1
        return found

    return read
