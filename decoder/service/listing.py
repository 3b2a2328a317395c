"""What the answers rest on, to be looked into: schemes, kinds of part, tables and their rows.

Every list stands in a fixed order. With `limit` a list comes in pages, each with a Link to the next; without it, whole.
The ETag holds the revision of the facts: what a client has already is answered with 304 until the tables change.
"""

from __future__ import annotations

import difflib
import hashlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any, Final
from urllib.parse import urlencode

from flask import Blueprint, Response, request
from marshmallow import ValidationError, fields

from decoder.catalog import UnknownKindError, families, kind_of, kinds_of
from decoder.crosscheck.sheet import UNKNOWN_SHOWN, Known, Text
from decoder.service.answers import json_answer, revalidated, unchanged
from decoder.service.problems import JSON, Problem, chosen_type, of_faults
from decoder.service.schemas import NAME_LIMIT, Fault, pointer_to
from decoder.service.settings import settings
from decoder.tables import Row, Tables

blueprint = Blueprint("listing", __name__)

PAGE_LIMIT: Final = 1_000
OFFSET_LIMIT: Final = 10_000_000

Build = Callable[[], Response]


class Count(fields.Integer):
    """A whole number in an address, between two bounds."""

    def __init__(self, least: int, most: int, **options: Any) -> None:
        super().__init__(**options)
        self.least, self.most = least, most

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        text = str(value)
        if not (
            text.isascii() and text.isdecimal() and len(text) <= 12 and self.least <= int(text) <= self.most
        ):
            raise ValidationError(f"must be a whole number from {self.least:,} to {self.most:,}.")
        return int(text)


class NoQuery(Known):
    """An address that takes no parameters."""


class PageQuery(Known):
    """How many to give, and how many to pass over."""

    limit = Count(1, PAGE_LIMIT, metadata={"description": "The most to give; without it, all."})
    offset = Count(0, OFFSET_LIMIT, metadata={"description": "How many to pass over."})


class SchemesQuery(PageQuery):
    """Which schemes to list."""

    family = Text(most=NAME_LIMIT, metadata={"description": "Only schemes of this family."})
    maker = Text(most=NAME_LIMIT, metadata={"description": "Only schemes of this maker alone, in any case."})
    part = Text(
        most=NAME_LIMIT, metadata={"description": "Only schemes for this kind of part, by id or trade name."}
    )


class RowsQuery(PageQuery):
    """Which rows of a table to give."""

    find = Text(most=NAME_LIMIT, metadata={"description": "Only rows that hold this text, in any case."})


@blueprint.get("/v1/schemes")
def schemes() -> Response:
    """Every documented way of writing a date that a table describes, and the families that read them."""
    asked = _asked(SchemesQuery())
    tables = settings().tables
    known = [family.id for family in families()]
    if "family" in asked and asked["family"] not in known:
        near = difflib.get_close_matches(asked["family"], known, n=1, cutoff=0.4)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise of_faults((Fault("/family", f"is no family; there are {', '.join(known)}.{hint}"),))
    kind: str | None = None
    if "part" in asked:
        try:
            kind = kind_of(tables, asked["part"])
        except UnknownKindError as error:
            raise of_faults((Fault("/part", str(error)),)) from None

    def answer() -> Response:
        found = [
            scheme for scheme in tables.derived("schemes listed", _schemes) if _is_asked(scheme, asked, kind)
        ]
        body = {
            "schemes": _page(found, asked),
            "total": len(found),
            "families": [{"id": f.id, "kinds": _in_order(tables, f.kinds)} for f in families()],
        }
        return _paged(body, len(found), asked)

    return _revalidated(answer)


def _is_asked(scheme: Mapping[str, Any], asked: Mapping[str, Any], kind: str | None) -> bool:
    maker = asked.get("maker")
    return (
        asked.get("family", scheme["family"]) == scheme["family"]
        and (maker is None or (scheme["maker"] or "").casefold() == maker.casefold())
        and (kind is None or kind in scheme["kinds"])
    )


def _schemes(tables: Tables) -> list[dict[str, Any]]:
    return [
        _scheme(tables, scheme, family.kinds) for family in families() for scheme in tables.schemes(family.id)
    ]


def _scheme(tables: Tables, scheme: Row, kinds: frozenset[str]) -> dict[str, Any]:
    return {
        "id": scheme["id"],
        "title": scheme["title"],
        "family": scheme["family"],
        "kinds": list(scheme.get("kinds") or _in_order(tables, kinds)),
        "maker": scheme.get("maker"),
        "years": scheme.get("years"),
        "grade": scheme["grade"],
        "notes": list(scheme.get("notes", ())),
        "examples": [
            str(example["marking"]) for example in scheme.get("examples", ()) if "marking" in example
        ],
        "sources": [citation.as_dict() for citation in tables.cite(scheme)],
        "revision": scheme["revision"],
    }


def _in_order(tables: Tables, kinds: frozenset[str]) -> list[str]:
    """Kinds of part from head to tail."""
    return [kind for kind in kinds_of(tables) if kind in kinds]


@blueprint.get("/v1/parts")
def parts() -> Response:
    """Every kind of part, from head to tail, with its trade names and how to look at it."""
    asked = _asked(PageQuery())
    tables = settings().tables

    def answer() -> Response:
        rows = [_plain(row) for row in kinds_of(tables).values()]
        return _paged({"parts": _page(rows, asked), "total": len(rows)}, len(rows), asked)

    return _revalidated(answer)


@blueprint.get("/v1/tables")
def tables() -> Response:
    """Every table with its revision, its number of rows and their grades."""
    asked = _asked(PageQuery())
    facts = settings().tables

    def answer() -> Response:
        names = facts.ids()
        heads = [_head(facts, name) for name in _page(names, asked)]
        return _paged({"tables": heads, "total": len(names)}, len(names), asked)

    return _revalidated(answer)


def _head(tables: Tables, name: str) -> dict[str, Any]:
    table = tables.table(name)
    return {
        "id": table.id,
        "title": table.title,
        "description": table.description,
        "revision": table.revision,
        "rows": len(table.rows),
        "grades": dict(sorted(Counter(str(row["grade"]) for row in table.rows).items())),
    }


@blueprint.get("/v1/tables/<package>/<name>")
def table(package: str, name: str) -> Response:
    """The rows of one table, with the sources that they rest on."""
    asked = _asked(RowsQuery())
    facts = settings().tables
    wanted = f"{package}/{name}"
    if wanted not in facts.ids():
        near = difflib.get_close_matches(wanted, facts.ids(), n=3, cutoff=0.5)
        hint = f" Did you mean {' or '.join(near)}?" if near else " /v1/tables lists all of them."
        raise Problem("not-found", f"No table is called {wanted[:NAME_LIMIT]}.{hint}")
    found = facts.table(wanted)

    def answer() -> Response:
        body = found.as_dict(asked.get("find"))
        total = len(body["rows"])
        body["rows"] = _page(body["rows"], asked)
        cited = {source for row in body["rows"] for source in row["source"]}
        body["sources"] = [source for source in body["sources"] if source["id"] in cited]
        return _paged({**body, "total": total}, total, asked)

    return _revalidated(answer, found.revision)


# ---------------------------------------------------------------------------------------------------------------
# What all lists have in common


def _asked(schema: Known) -> dict[str, Any]:
    """The parameters of the address. Raises Problem with every fault, named as if the parameters were an object."""
    chosen_type(JSON)
    given = request.args
    twice = [name for name in given if len(given.getlist(name)) > 1][:UNKNOWN_SHOWN]
    faults = [Fault(pointer_to(name), "is given twice.") for name in twice]
    try:
        found: dict[str, Any] = schema.load(given.to_dict())
    except ValidationError as error:
        messages: dict[str, list[str]] = error.messages_dict
        faults += [Fault(pointer_to(str(name)), text) for name, texts in messages.items() for text in texts]
    if faults:
        raise of_faults(tuple(faults), "bad-fields")
    return found


def _page(rows: Sequence[Any], asked: Mapping[str, Any]) -> list[Any]:
    start = asked.get("offset", 0)
    return list(rows[start : start + asked["limit"]] if "limit" in asked else rows[start:])


def _paged(body: Any, total: int, asked: Mapping[str, Any]) -> Response:
    """The answer, with a Link to the page after it, relative to its own address."""
    response = json_answer(body)
    after = asked.get("offset", 0) + asked.get("limit", total)
    if after < total:
        query = urlencode({**asked, "offset": after})
        response.headers["Link"] = f'<?{query}>; rel="next"'
    return response


def _revalidated(answer: Build, revision: str = "") -> Response:
    """The answer with the ETag of the facts, or 304 for a client that has it; `revision` stands in front of the tag."""
    facts = settings()
    digest = hashlib.sha256(f"{facts.build}{facts.facts}".encode()).hexdigest()[:12]
    etag = f"{revision}-{digest}" if revision else digest
    known = unchanged(etag)
    return known if known is not None else revalidated(answer(), etag)


def _plain(row: Row) -> dict[str, Any]:
    return {
        name: list(value)
        if isinstance(value, tuple)
        else value.isoformat()
        if isinstance(value, date)
        else value
        for name, value in row.items()
    }
