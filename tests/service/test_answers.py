"""What every answer has in common: headers, caching, problems and their pages, styles that can be read."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from decoder.service import create_app, problems
from decoder.service.presenting import groups, segments
from decoder.tables import Tables

Read = Callable[..., Any]
STATIC = Path(problems.__file__).parent / "static"
PATHS = (
    "/", "/?marking=137-612&part=pot", "/?marking=%00", "/decode.json?marking=137-612", "/check", "/healthz", "/nope",
    "/v1/decode", "/v1/nope", "/problems/", "/problems/bad-marking", "/problems/nope", "/static/partdate.css",
    "/static/mark.svg", "/static/nope.css", "/static/",
)  # fmt: skip


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("method", ["GET", "HEAD", "POST", "OPTIONS"])
def test_every_answer_has_the_security_headers_and_a_cache_control(
    client: FlaskClient, path: str, method: str
) -> None:
    response = client.open(path, method=method)
    assert response.status_code < 500
    policy = dict(
        part.strip().split(" ", 1) for part in response.headers["Content-Security-Policy"].split(";")
    )
    assert policy == {
        "default-src": "'none'", "script-src": "'self'", "connect-src": "'self'", "style-src": "'self'",
        "img-src": "'self'", "form-action": "'self'", "base-uri": "'none'", "frame-ancestors": "'none'",
    }  # fmt: skip
    assert response.headers["X-Content-Type-Options"] == "nosniff"
    assert response.headers["Referrer-Policy"] == "no-referrer"
    assert response.headers["Cross-Origin-Resource-Policy"] == "same-origin"
    assert response.headers["Cache-Control"]
    assert "Set-Cookie" not in response.headers


@pytest.mark.parametrize(
    "path", ["/", "/?marking=137-612", "/decode.json?marking=137-612", "/check", "/problems/"]
)
def test_a_page_that_has_not_changed_is_not_sent_again(client: FlaskClient, path: str) -> None:
    first = client.get(path)
    assert first.headers["Cache-Control"] == "private, no-cache"
    again = client.get(path, headers={"If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")
    assert again.headers["ETag"] == first.headers["ETag"]
    other = client.get(path, headers={"If-None-Match": '"other"'})
    assert (other.status_code, other.data) == (200, first.data)


def test_the_etag_changes_with_the_day_the_question_and_the_tables(shipped: Tables, tmp_path: Path) -> None:
    def tag(path: str = "/?marking=1", day: int = 1, tables: Tables = shipped) -> str | None:
        app = create_app({"TABLES": tables, "TODAY": lambda: date(2026, 11, day)})
        return app.test_client().get(path).headers.get("ETag")

    (tmp_path / "datapackage.json").write_text(
        '{"name": "own", "resources": [{"name": "sources", "path": "sources.csv", "schema": {"fields": '
        '[{"name": "id", "type": "string"}, {"name": "title", "type": "string"}, '
        '{"name": "address", "type": "string"}]}}]}'
    )
    (tmp_path / "sources.csv").write_text("id,title,address\nours,our own bench book,\n")
    tags = [
        tag(),
        tag("/?marking=2"),
        tag("/?marking=1&part=pot"),
        tag(day=2),
        tag(tables=Tables.open(tmp_path)),
    ]
    assert len(set(tags)) == len(tags)
    assert tag() == tags[0]
    assert tag("/?marking=%00") is None


def test_a_static_file_is_kept_for_good_under_an_address_that_changes_with_it(client: FlaskClient) -> None:
    links = re.findall(r'href="(/static/[^"]+)"', client.get("/").text)
    assert len(links) == 2
    for link in links:
        assert re.search(r"\?v=[0-9a-f]{12}$", link)
        response = client.get(link)
        assert response.status_code == 200
        assert "immutable" in response.headers["Cache-Control"]


@pytest.mark.parametrize(
    ("path", "limit"), [("/", 14_000), ("/?marking=137-612&part=pot", 22_000), ("/check", 85_000)]
)
def test_a_page_with_its_styles_stays_small(client: FlaskClient, path: str, limit: int) -> None:
    assert len(client.get(path).data) < limit
    assert len(client.get("/static/partdate.css").data) < 24_000
    assert len(client.get("/static/partdate.js").data) < 20_000


def test_one_script_is_shipped_and_no_file_of_a_page_asks_the_outside() -> None:
    files = sorted(STATIC.iterdir())
    assert [path.name for path in files if path.suffix not in (".css", ".svg")] == ["partdate.js"]
    script = (STATIC / "partdate.js").read_text(encoding="utf-8")
    assert not re.search(
        r"https?:|innerHTML|outerHTML|insertAdjacent|eval\(|Function\(|document\.write|\bimport\b", script
    )
    files = [path for path in files if path.suffix != ".js"]
    for path in files:
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"//|@import|url\(|<script|\bon\w+=", text)


# --- errors of the pages


def test_an_address_that_holds_nothing_is_a_page_with_the_words_of_the_problem(
    client: FlaskClient, page: Read
) -> None:
    found = page(client.get("/nope"))
    assert found.status == 404
    assert "Nothing is at this address" in found.text and "Nothing is at /nope." in found.text
    assert "/problems/not-found" in found.links


def test_a_page_keeps_allow_and_says_what_it_does_not_take(client: FlaskClient, page: Read) -> None:
    response = client.post("/")
    assert set(response.headers["Allow"].replace(" ", "").split(",")) == {"GET", "HEAD", "OPTIONS"}
    assert "/ does not take POST" in page(response).text
    response = client.delete("/check")
    assert set(response.headers["Allow"].replace(" ", "").split(",")) == {"GET", "HEAD", "OPTIONS", "POST"}


def test_a_form_that_is_too_large_is_refused_on_a_page(client: FlaskClient, page: Read) -> None:
    assert page(client.post("/check", data={"paste": "x" * 2_000_001})).status == 413
    many = {f"x{n}": "" for n in range(6_000)}
    assert page(client.post("/check", data=many, content_type="multipart/form-data")).status == 413


def test_markup_in_an_address_is_shown_and_never_run(client: FlaskClient, page: Read) -> None:
    found = page(client.get("/<script>alert(1)</script>"))
    assert "<script>" not in found.raw and "&lt;script" in found.raw


def test_another_host_name_is_refused_where_names_are_set(
    shipped: Tables, page: Read, problem: Callable[..., Any]
) -> None:
    guarded = create_app({"TABLES": shipped, "TRUSTED_HOSTS": ["127.0.0.1"]}).test_client()
    assert guarded.get("/", base_url="http://127.0.0.1:8000").status_code == 200
    assert page(guarded.get("/", base_url="http://elsewhere.example")).status == 400
    response = guarded.post("/v1/decode", json={"marking": "1"}, base_url="http://elsewhere.example")
    problem(response, 400, "bad-request")


def test_the_pages_work_below_a_prefix(client: FlaskClient, page: Read) -> None:
    found = page(client.get("/?marking=137-6699&part=pot", environ_overrides={"SCRIPT_NAME": "/bench"}))
    assert found.links
    assert all(link.startswith(("/bench/", "#")) for link in found.links)


# --- types of problem


def test_every_type_of_problem_has_a_page_and_a_json_form(client: FlaskClient, page: Read) -> None:
    listed = page(client.get("/problems/"))
    for name, kind in problems.KINDS.items():
        assert f"/problems/{name}" in listed.links
        found = page(client.get(f"/problems/{name}"))
        assert found.status == 200 and kind.title in found.text.replace("’", "'")
        response = client.get(f"/problems/{name}", headers={"Accept": "application/json"})
        assert response.json == {
            "type": f"/problems/{name}", "status": kind.status, "title": kind.title, "meaning": kind.meaning,
        }  # fmt: skip
        assert response.headers["Vary"] == "Accept"
    every = client.get("/problems/", headers={"Accept": "application/json"}).json
    assert len(every["problems"]) == len(problems.KINDS)


# --- how things are laid out


def field(name: str, first: int, last: int) -> dict[str, Any]:
    return {"name": name, "at": [first, last], "text": "", "value": ""}


def test_a_marking_is_cut_at_its_fields_and_no_character_is_lost() -> None:
    cut, apart = segments(
        "CTS 137-6612", [field("week", 10, 12), field("source", 4, 7), field("year", 8, 10)]
    )
    assert [(s.text, [f["name"] for f in s.fields]) for s in cut] == [
        ("CTS ", []), ("137", ["source"]), ("-", []), ("66", ["year"]), ("12", ["week"]),
    ]  # fmt: skip
    assert apart == []


def test_fields_that_overlap_or_have_no_characters_stand_apart() -> None:
    cut, apart = segments("12345", [field("a", 0, 3), field("b", 2, 5), field("c", 4, 4), field("d", 0, 3)])
    assert [(s.text, [f["name"] for f in s.fields]) for s in cut] == [("123", ["a", "d"]), ("45", [])]
    assert [f["name"] for f in apart] == ["b", "c"]


def test_only_neighbours_that_differ_in_their_windows_share_a_drawing() -> None:
    def reading(scheme: str, *notes: str) -> dict[str, Any]:
        return {"scheme": scheme, "strength": "fair", "fields": [field("week", 0, 2)], "notes": list(notes)}

    made = groups([reading("a", "x", "y"), reading("a", "x"), reading("b"), reading("a")])
    assert [(g.reading["scheme"], len(g.windows)) for g in made] == [("a", 2), ("b", 1), ("a", 1)]
    assert made[0].reading["notes"] == ["x"]
    assert [line["notes"] for line in made[0].windows] == [["y"], []]


# --- colours


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2 defines it."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    channels = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


TEXT_ON = [
    *((ink, paper) for ink in ("ink", "quiet", "link", "good", "stock", "new", "old", "open", "wrong", "care")
      for paper in ("paper", "sheet")),
    ("wrong", "wrong-paper"), ("care", "care-paper"), ("mat-ink", "mat"), ("mat-ink", "mat-line"), ("ink", "hit"),
]  # fmt: skip
EDGE_ON = [("edge", "paper"), ("edge", "sheet"), ("focus", "paper"), ("focus", "sheet"), ("brass", "mat")]


@pytest.mark.parametrize("theme", [0, 1], ids=["light", "dark"])
def test_text_and_edges_stand_out_from_their_ground(theme: int) -> None:
    css = (STATIC / "partdate.css").read_text(encoding="utf-8")
    roots = [
        dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{3,6});", root))
        for root in re.findall(r":root \{(.*?)\}", css, re.S)
    ]
    colours = roots[0] | (roots[1] if theme else {})
    weak = [(a, b) for a, b in TEXT_ON if contrast(colours[a], colours[b]) < 4.5]
    weak += [(a, b) for a, b in EDGE_ON if contrast(colours[a], colours[b]) < 3]
    weak += [("white", act) for act in ("act", "act-over") if contrast("#fff", colours[act]) < 4.5]
    assert weak == []
