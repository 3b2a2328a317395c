"""Schemes, kinds of part and tables over HTTP: what is listed, in which pages, and when it is sent again."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import urljoin

import pytest
from flask.testing import FlaskClient

from decoder.catalog import families, kinds_of
from decoder.service import create_app
from decoder.tables import Tables

Problem = Callable[..., dict[str, Any]]
LISTS = {
    "/v1/schemes": "schemes",
    "/v1/parts": "parts",
    "/v1/tables": "tables",
    "/v1/tables/parts/lag": "rows",
}


def pages(client: FlaskClient, path: str) -> Iterator[dict[str, Any]]:
    """Every page from this one on, by following the links."""
    while path:
        response = client.get(path)
        assert response.status_code == 200
        yield response.json
        link = response.headers.get("Link", "")
        found = re.fullmatch(r'<([^>]+)>; rel="next"', link)
        assert found or not link
        path = urljoin(path, found[1]) if found else ""


@pytest.mark.parametrize("path", LISTS)
@pytest.mark.parametrize("limit", [1, 7, 1000])
def test_the_pages_of_a_list_together_are_the_list(client: FlaskClient, path: str, limit: int) -> None:
    name = LISTS[path]
    whole = client.get(path)
    assert "Link" not in whole.headers
    assert whole.json["total"] == len(whole.json[name]) > 0
    if limit == 1 and whole.json["total"] > 60:
        limit = 50
    found = list(pages(client, f"{path}?limit={limit}"))
    assert [row for page in found for row in page[name]] == whole.json[name]
    assert all(page["total"] == whole.json["total"] for page in found)
    assert all(len(page[name]) == limit for page in found[:-1])


def test_a_page_beyond_the_end_is_empty(client: FlaskClient) -> None:
    beyond = client.get("/v1/parts?offset=9999")
    assert beyond.json["parts"] == [] and beyond.json["total"] > 0
    assert "Link" not in beyond.headers


@pytest.mark.parametrize("path", LISTS)
def test_what_a_client_has_is_not_sent_again_until_the_tables_change(
    client: FlaskClient, shipped: Tables, tmp_path: Path, path: str
) -> None:
    first = client.get(path)
    assert first.headers["Cache-Control"] == "private, no-cache"
    tag = first.headers["ETag"]
    again = client.get(path, headers={"If-None-Match": tag})
    assert (again.status_code, again.data, again.headers["ETag"]) == (304, b"", tag)
    (tmp_path / "datapackage.json").write_text(
        '{"name": "own", "resources": [{"name": "sources", "path": "sources.csv", "schema": {"fields": '
        '[{"name": "id", "type": "string"}, {"name": "title", "type": "string"}, '
        '{"name": "address", "type": "string"}]}}]}'
    )
    (tmp_path / "sources.csv").write_text("id,title,address\nours,our own bench book,\n")
    changed = create_app({"TABLES": Tables.open(tmp_path), "TODAY": lambda: date(2026, 11, 25)}).test_client()
    assert changed.get(path, headers={"If-None-Match": tag}).status_code == 200


def test_the_tag_of_a_table_begins_with_its_revision(client: FlaskClient, shipped: Tables) -> None:
    table = shipped.table("parts/lag")
    response = client.get("/v1/tables/parts/lag")
    assert response.headers["ETag"].startswith(f'"{table.revision}-')
    assert response.json["revision"] == table.revision


def test_a_table_is_shown_as_the_command_shows_it(client: FlaskClient, shipped: Tables) -> None:
    for name in ("parts/lag", "eia/source-codes"):
        body = client.get(f"/v1/tables/{name}").json
        assert body.pop("total") == len(shipped.table(name).rows)
        assert body == shipped.table(name).as_dict()


def test_rows_are_found_by_any_text_in_them_and_bring_their_sources(client: FlaskClient) -> None:
    body = client.get("/v1/tables/parts/lag?find=TUNER&limit=1").json
    assert body["total"] >= 1 and len(body["rows"]) == 1
    assert "tuner" in str(body["rows"][0]).lower()
    assert {source["id"] for source in body["sources"]} == set(body["rows"][0]["source"])
    assert client.get("/v1/tables/parts/lag?find=nothing-like-it").json["rows"] == []


def test_every_table_is_listed_with_its_rows_and_grades(client: FlaskClient, shipped: Tables) -> None:
    heads = client.get("/v1/tables").json["tables"]
    assert [head["id"] for head in heads] == list(shipped.ids())
    for head in heads:
        assert head["rows"] == len(shipped.table(head["id"]).rows) == sum(head["grades"].values())


def test_every_scheme_is_listed_once_with_its_sources(client: FlaskClient, shipped: Tables) -> None:
    body = client.get("/v1/schemes").json
    ids = [scheme["id"] for scheme in body["schemes"]]
    assert len(ids) == len(set(ids))
    assert set(ids) == {s["id"] for f in families() for s in shipped.schemes(f.id)}
    assert [family["id"] for family in body["families"]] == [family.id for family in families()]
    order = list(kinds_of(shipped))
    for scheme in body["schemes"]:
        assert scheme["sources"] and scheme["kinds"]
        assert set(scheme["kinds"]) <= set(order)


def test_schemes_are_chosen_by_family_maker_and_part(client: FlaskClient) -> None:
    def ids(query: str) -> set[str]:
        return {scheme["id"] for scheme in client.get(f"/v1/schemes?{query}").json["schemes"]}

    assert ids("maker=harrow %26 VALE") == ids("maker=Harrow+%26+Vale") != set()
    assert ids("family=serial&part=serial") <= ids("family=serial")
    assert ids("part=pot") == ids("part=potentiometer") >= {"pot-two-digit-year"}
    assert "pot-two-digit-year" not in ids("part=tuner")
    assert ids("maker=Nobody") == set()
    schemes = client.get("/v1/schemes?family=source_date").json["schemes"]
    assert {scheme["family"] for scheme in schemes} == {"source_date"}


@pytest.mark.parametrize(
    ("query", "name", "pointer", "said"),
    [
        ("limit=0", "bad-fields", "/limit", "from 1 to 1,000"),
        ("limit=1001", "bad-fields", "/limit", "from 1 to 1,000"),
        ("limit=ten", "bad-fields", "/limit", "whole number"),
        ("limit=%D9%A1", "bad-fields", "/limit", "whole number"),
        ("offset=-1", "bad-fields", "/offset", "whole number"),
        ("limit=1&limit=2", "bad-fields", "/limit", "given twice"),
        ("limits=1", "bad-fields", "/limits", "Did you mean limit?"),
        ("family=serials", "bad-fields", "/family", "Did you mean serial?"),
        ("part=wobbler", "unknown-kind", "/part", "no kind of part"),
        ("part=", "bad-fields", "/part", "is empty"),
        ("a%2Fb=1", "bad-fields", "/a~1b", "is no field"),
    ],
)
def test_a_parameter_at_fault_is_named(
    client: FlaskClient, problem: Problem, query: str, name: str, pointer: str, said: str
) -> None:
    body = problem(client.get(f"/v1/schemes?{query}"), 422, name, pointer)
    assert said in body["errors"][0]["message"]


def test_every_parameter_at_fault_is_named_and_no_list_takes_those_of_another(
    client: FlaskClient, problem: Problem
) -> None:
    problem(client.get("/v1/parts?limit=x&offset=y&find=z"), 422, "bad-fields", "/limit", "/offset", "/find")


@pytest.mark.parametrize("name", ["parts/lags", "lag/parts", "parts/sources", "parts/..", "%2e%2e/lag"])
def test_a_table_that_is_not_there_is_answered_with_the_nearest(
    client: FlaskClient, problem: Problem, name: str
) -> None:
    body = problem(client.get(f"/v1/tables/{name}"), 404, "not-found")
    if name == "parts/lags":
        assert "Did you mean parts/lag" in body["detail"]


@pytest.mark.parametrize(
    "path", ["/v1/tables/parts", "/v1/tables/parts/lag/x", "/v1/tables/../../etc/passwd"]
)
def test_no_address_leads_to_a_file(client: FlaskClient, problem: Problem, path: str) -> None:
    problem(client.get(path), 404, "not-found")
