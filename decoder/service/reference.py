"""The page /reference: the description of the endpoint to be read and searched in a browser, made on the server."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Final

from flask import Blueprint, Response

from decoder.service.answers import etag_of, html_answer, revalidated, unchanged
from decoder.service.openapi import TAGS, document

blueprint = Blueprint("reference", __name__)

REF: Final = "#/components/schemas/"
METHODS: Final = ("get", "post", "put")


@blueprint.get("/reference")
def reference() -> Response:
    """Everything that can be asked, with examples, and the shape of everything sent and answered."""
    etag = etag_of("reference")
    known = unchanged(etag)
    if known is not None:
        return known
    made = document()
    operations = [
        {**operation, "path": path, "method": method.upper()}
        for path, methods in made["paths"].items()
        for method, operation in methods.items()
        if method in METHODS
    ]
    page = html_answer(
        "reference.html",
        version=made["info"]["version"],
        about=[
            paragraph.replace("\n", " ") for paragraph in made["info"]["description"].strip().split("\n\n")
        ],
        sections=[
            (name, title, [one for one in operations if one["tags"] == [name]])
            for name, title in TAGS.items()
        ],
        shapes=[
            (name, shape, _fields(shape)) for name, shape in sorted(made["components"]["schemas"].items())
        ],
        kind_of=kind_of,
        plain=plain,
        shown=shown,
    )
    return revalidated(page, etag)


def _fields(shape: Mapping[str, Any]) -> list[tuple[str, Mapping[str, Any], bool]]:
    needed = shape.get("required", ())
    return [(name, made, name in needed) for name, made in shape.get("properties", {}).items()]


def kind_of(schema: Mapping[str, Any]) -> list[tuple[str, str | None]]:
    """The type of a value in words, as pieces; a piece with a name beside it is a link to that shape.

    >>> kind_of({"type": ["string", "null"], "maxLength": 64})
    [('string, or null, at most 64 characters', None)]
    """
    if "$ref" in schema:
        name = str(schema["$ref"]).removeprefix(REF)
        return [(name, name)]
    if "anyOf" in schema:
        pieces: list[tuple[str, str | None]] = []
        for one in schema["anyOf"]:
            pieces += ([(" or ", None)] if pieces else []) + kind_of(one)
        return pieces
    if "oneOf" in schema and "type" not in schema:
        return kind_of({"anyOf": schema["oneOf"]})
    kinds = schema.get("type", "any value")
    words = kinds if isinstance(kinds, str) else ", or ".join(kinds)
    if words.startswith("array"):
        return [(words.replace("array", "list of ", 1), None), *kind_of(schema.get("items", {}))]
    if "additionalProperties" in schema and isinstance(schema["additionalProperties"], Mapping):
        return [("object, each member ", None), *kind_of(schema["additionalProperties"])]
    return [(words + _bounds(schema), None)]


def _bounds(schema: Mapping[str, Any]) -> str:
    said = []
    if "enum" in schema:
        said.append("one of " + ", ".join(str(one) for one in schema["enum"] if one is not None))
    if "format" in schema:
        said.append(str(schema["format"]))
    if "maxLength" in schema:
        said.append(f"at most {schema['maxLength']} characters")
    if "minimum" in schema:
        said.append(f"from {schema['minimum']:,} to {schema['maximum']:,}")
    return "".join(f", {one}" for one in said)


def plain(text: str) -> list[tuple[str, str]]:
    """A description as pieces: plain, bold (`**`) or code (backticks).

    >>> plain("**Now** read `/v1`.")
    [('bold', 'Now'), ('plain', ' read '), ('code', '/v1'), ('plain', '.')]
    """
    made = []
    for at, run in enumerate(text.split("**")):
        for inside, piece in enumerate(run.split("`")):
            if piece:
                made.append(("code" if inside % 2 else "bold" if at % 2 else "plain", piece))
    return made


def shown(value: Any) -> str:
    """An example as it is shown: text as it is, anything else as JSON."""
    return value if isinstance(value, str) else json.dumps(value, indent=2, ensure_ascii=False)
