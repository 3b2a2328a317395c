"""What this can read, as pages made from the tables: all of it at /reads, one table at /reads/<package>/<name>."""

from __future__ import annotations

import math
from typing import Any, Final

from flask import Blueprint, Response, request

from decoder.catalog import families, kinds_of
from decoder.coverage import coverage_matrix, coverage_of_families
from decoder.service.answers import etag_of, html_answer, revalidated, unchanged
from decoder.service.problems import Problem
from decoder.service.settings import settings
from decoder.tables import Tables

ROWS_A_PAGE: Final = 200
FIND_LIMIT: Final = 100

blueprint = Blueprint("reads", __name__)


@blueprint.get("/reads")
def reads() -> Response:
    """Every family with what it covers, every scheme with its layouts and sources, every table."""
    etag = etag_of("reads", ())
    known = unchanged(etag)
    if known is not None:
        return known
    return revalidated(
        html_answer("reads.html", 200, **settings().tables.derived("page of what is read", _seen)), etag
    )


def _seen(tables: Tables) -> dict[str, Any]:
    kinds = kinds_of(tables)
    by_kind = [row.as_dict() for row in coverage_matrix(tables)]
    titles = {kind: row["title"] for kind, row in kinds.items()}
    found = []
    for whole in coverage_of_families(tables):
        schemes = [
            {
                "title": scheme["title"],
                "layouts": scheme.get("layouts", ()),
                "years": scheme.get("years"),
                "kinds": [titles[k] for k in scheme.get("kinds", ()) if k in titles],
                "examples": [e["marking"] for e in scheme.get("examples", ())][:4],
                "notes": scheme.get("notes", ()),
                "sources": tables.cite(scheme),
            }
            for scheme in tables.schemes(whole.family)
        ]
        rows = [row for row in by_kind if row["family"] == whole.family]
        found.append({"whole": whole.as_dict(), "kinds": rows, "schemes": schemes})
    return {
        "families": found,
        "titles": titles,
        "count": len(families()),
        "tables": [tables.table(name) for name in tables.ids()],
    }


@blueprint.get("/reads/<package>/<name>")
def table(package: str, name: str) -> Response:
    """The rows of one table, with sources and grades; `find` keeps those that hold a text."""
    tables = settings().tables
    table_id = f"{package}/{name}"
    if table_id not in tables.ids():
        raise Problem("not-found", f"No table is called {table_id[:80]!r}; /reads lists them all.")
    find = request.args.get("find", "").strip()[:FIND_LIMIT]
    asked = request.args.get("page", "1")
    etag = etag_of("reads-table", (("table", table_id), ("find", find), ("page", asked)))
    known = unchanged(etag)
    if known is not None:
        return known
    shown = tables.table(table_id).as_dict(find or None)
    pages = max(1, math.ceil(len(shown["rows"]) / ROWS_A_PAGE))
    page = min(max(int(asked), 1), pages) if asked.isascii() and asked.isdecimal() and len(asked) < 6 else 1
    rows = shown["rows"][(page - 1) * ROWS_A_PAGE : page * ROWS_A_PAGE]
    response = html_answer("table.html", 200, table=shown, rows=rows, find=find, page=page, pages=pages)
    response.headers.add("Link", f'</v1/tables/{table_id}>; rel="alternate"; type="application/json"')
    return revalidated(response, etag)
