"""The casebook behind the JSON endpoint: sheets saved, found, changed, restored, with history and photos.

`install` puts it into an application that was given a casebook. A change needs the ETag of the version that its
author had seen (`If-Match`); where somebody else was quicker, the problem holds both versions and nothing is saved.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, cast
from urllib.parse import urlencode

from flask import Blueprint, Flask, Response, current_app, request
from marshmallow import fields, validate

from decoder.casebook.errors import (
    Busy,
    CasebookError,
    Conflict,
    NoSuchPhoto,
    NoSuchSheet,
    Refused,
)
from decoder.casebook.record import Record, load_record
from decoder.casebook.store import PAGE, PAGE_LIMIT, PHOTO_LIMIT, VERDICTS, Casebook, Stored, Wanted
from decoder.crosscheck.assessment import Outcome
from decoder.crosscheck.sheet import Known, SheetError, Text
from decoder.service.answers import json_answer
from decoder.service.front import CLIENT, owe
from decoder.service.listing import Count
from decoder.service.listing import _asked as asked_in
from decoder.service.problems import JSON, KINDS, PROBLEM_JSON, Kind, Problem, body_of, chosen_type, of_faults
from decoder.service.schemas import NAME_LIMIT, Fault, sheet_faults
from decoder.service.settings import settings

EXTENSION: Final = "partdate.casebook"
VERSIONS_LIMIT: Final = 10**9
NOBODY: Final = "somebody"

blueprint = Blueprint("sheets", __name__)

OWN_KINDS: Final = (
    Kind(
        "stale-version",
        412,
        "Somebody else saved the sheet first",
        "The ETag in If-Match is not that of the version that stands there now. Nothing was saved. The member current "
        "is that version, yours what you sent: compare the two, then send the change again with the ETag of current.",
    ),
    Kind(
        "sheet-exists",
        409,
        "A sheet of this id is here already",
        "A new sheet can't take an id that is taken. Nothing was saved. The member current is the sheet that has it, "
        "yours what you sent. Leave the id out to be given one, or change the sheet with PUT and its ETag.",
    ),
    Kind(
        "precondition-required",
        428,
        "The version that you had seen is needed",
        "A change of a sheet needs the header If-Match with the ETag of the version that it was made from: GET the "
        "sheet first. So nobody's work is lost without a word.",
    ),
    Kind(
        "casebook-failed",
        503,
        "The casebook can't be used at the moment",
        "Nothing of the request was kept. Send it again later; if it stays so, whoever runs the server finds the "
        "reason in its log.",
    ),
)


def install(app: Flask, where: Casebook | str | Path) -> None:
    """Put the casebook, an open one or its place, into an application. Raises CasebookError."""
    book = where if isinstance(where, Casebook) else Casebook.open(where, clock=_now)
    KINDS.update((kind.name, kind) for kind in OWN_KINDS)
    app.extensions[EXTENSION] = book
    from decoder.service import casebook_page  # which shows what this module opens

    app.register_blueprint(blueprint)
    app.register_blueprint(casebook_page.blueprint)
    app.register_error_handler(CasebookError, _answer)


def _now() -> datetime:
    return datetime.now(UTC).astimezone()


def book() -> Casebook:
    """The casebook of this request, with the tables and the day that the request is answered by."""
    facts = settings()
    opened = cast(Casebook, current_app.extensions[EXTENSION])
    return opened.by(facts.tables, facts.today)


def who() -> str:
    """Who asks: the name of the token, or the address."""
    name = str(request.environ.get(CLIENT) or NOBODY)
    return name if name.isprintable() and name.strip() else NOBODY


def _answer(error: CasebookError) -> Response:
    """A casebook's error as a problem; what it says of files and servers goes to the log alone."""
    match error:
        case Conflict():
            return _conflict(error)
        case NoSuchSheet() | NoSuchPhoto():
            problem = Problem("not-found", _sentence(error))
        case Refused():
            problem = Problem("bad-fields", _sentence(error))
        case Busy():
            problem = Problem("casebook-failed", "Others are writing to it.", headers=[("Retry-After", "1")])
        case _:
            current_app.logger.error("The casebook failed: %s", error)
            problem = Problem("casebook-failed", "It can't be read or written now. It has been logged.")
    return _written(problem.as_dict(), problem.headers)


def _sentence(error: CasebookError) -> str:
    text = str(error).partition(": 'partdate")[0]
    return f"{text[:1].upper()}{text[1:]}."


def _conflict(error: Conflict) -> Response:
    kind = "sheet-exists" if error.expected is None else "stale-version"
    body = Problem(kind, f"Sheet {error.current.id} is at version {error.current.version} now.").as_dict()
    current = error.current
    response = _written({**body, "current": current.as_dict(), "yours": dict(error.yours)}, ())
    response.set_etag(current.etag)
    return response


def _written(body: Mapping[str, Any], headers: Any) -> Response:
    response = json_answer(body, body["status"], PROBLEM_JSON)
    response.headers.extend(list(headers))
    return response


# ---------------------------------------------------------------------------------------------------------------
# What is asked


class ListQuery(Known):
    """Which sheets to list."""

    maker = Text(
        most=NAME_LIMIT, metadata={"description": "Only instruments of this maker, in any spelling."}
    )
    serial = Text(most=NAME_LIMIT, metadata={"description": "Only those whose serial begins so."})
    marking = Text(most=NAME_LIMIT, metadata={"description": "Only those with a marking that begins so."})
    outcome = Text(validate=validate.OneOf([one.value for one in Outcome], error="is no outcome."))
    verdict = Text(validate=validate.OneOf(VERDICTS, error="is no verdict."))
    trusted = Text(validate=validate.OneOf(("true", "false"), error="is neither true nor false."))
    limit = Count(1, PAGE_LIMIT, load_default=PAGE, metadata={"description": "The most to give."})
    after = Text(most=NAME_LIMIT, metadata={"description": "The id after which the page begins."})


class VersionQuery(Known):
    """Which version of a sheet to give."""

    version = Count(1, VERSIONS_LIMIT, metadata={"description": "An earlier version; else the newest."})


class FullQuery(Known):
    """How much of each assessment to give."""

    full = Text(validate=validate.OneOf(("true", "false"), error="is neither true nor false."))


class RestoreSchema(Known):
    """Which version to bring back."""

    version = fields.Integer(required=True, strict=True, validate=validate.Range(1, VERSIONS_LIMIT))


def _record(raw: Any) -> Record:
    facts = settings()
    try:
        record = load_record(raw, facts.tables)
    except SheetError as error:
        raise of_faults(sheet_faults(error), "bad-sheet") from None
    owe(len(record.loaded.parts) - 1)
    return record


def _seen(current: Stored, yours: Mapping[str, Any]) -> str:
    """The ETag that the change is made over. Raises Problem without If-Match, Conflict for another version.

    A weak ETag is taken too: compression makes ours weak, and each names one version all the same.
    """
    if "If-Match" not in request.headers:
        raise Problem(
            "precondition-required", "Send If-Match with the ETag of the version that you had seen."
        )
    asked = request.if_match
    if not asked.star_tag and not asked.contains_weak(current.etag):
        raise Conflict(current, yours, request.headers["If-Match"][:NAME_LIMIT])
    return current.etag


def _shown(casebook: Casebook, stored: Stored, status: int = 200) -> Response:
    newest = casebook.newest_assessment(stored.id)
    made = (
        {**stored.as_dict(), "assessment": newest.assessment}
        if newest.version == stored.version
        else stored.as_dict()
    )
    response = json_answer(made, status)
    response.set_etag(stored.etag)
    response.headers["Cache-Control"] = "private, no-cache"
    return response


# ---------------------------------------------------------------------------------------------------------------
# Sheets


@blueprint.post("/v1/sheets")
def create() -> Response:
    """Keep a new sheet: a record, or a sheet as POST /v1/check takes it. The answer holds its assessment."""
    chosen_type(JSON)
    raw = body_of(settings().check_limit)
    name = raw.pop("id", None) if isinstance(raw, dict) and "sheet" in raw else None
    if name is not None and not isinstance(name, str):
        raise of_faults((Fault("/id", "must be text, or be left out."),))
    casebook = book()
    stored = casebook.create(_record(raw), who=who(), id=name)
    response = _shown(casebook, stored, 201)
    response.headers["Location"] = f"{request.script_root}/v1/sheets/{stored.id}"
    return response


@blueprint.get("/v1/sheets")
def listed() -> Response:
    """The sheets, newest first, in pages."""
    asked = asked_in(ListQuery())
    trusted = {"true": True, "false": False}.get(asked.get("trusted", ""))
    texts = {name: asked.get(name) for name in ("maker", "serial", "marking", "outcome", "verdict")}
    wanted = Wanted(**texts, trusted=trusted)
    found = book().find(wanted, after=asked.get("after"), limit=asked["limit"])
    response = json_answer({"sheets": [one.as_dict() for one in found.sheets], "after": found.after})
    if found.after is not None:
        response.headers["Link"] = f'<?{urlencode({**asked, "after": found.after})}>; rel="next"'
    return response


@blueprint.get("/v1/sheets/<id>")
def one(id: str) -> Response:
    """One sheet as it stands, with its newest assessment, or an earlier version of it."""
    asked = asked_in(VersionQuery())
    casebook = book()
    stored = casebook.get(id, asked.get("version"))
    # The ETag is that of the version; a recheck changes the assessment beside it, so it is asked for again each time.
    return _shown(casebook, stored)


@blueprint.put("/v1/sheets/<id>")
def change(id: str) -> Response:
    """Keep a new version of a sheet over the one whose ETag is in If-Match."""
    chosen_type(JSON)
    record = _record(body_of(settings().check_limit))
    casebook = book()
    seen = _seen(casebook.get(id), record.as_dict())
    return _shown(casebook, casebook.save(id, record, expected=seen, who=who()))


@blueprint.get("/v1/sheets/<id>/history")
def history(id: str) -> Response:
    """Who did what to a sheet, and when, oldest first."""
    chosen_type(JSON)
    return json_answer({"history": [entry.as_dict() for entry in book().history(id)]})


@blueprint.post("/v1/sheets/<id>/restore")
def restore(id: str) -> Response:
    """Keep an earlier version of a sheet as its newest one."""
    chosen_type(JSON)
    raw = body_of(settings().decode_limit)
    faults = RestoreSchema().validate(raw if isinstance(raw, dict) else {})
    if faults:
        raise of_faults(tuple(Fault(f"/{name}", str(t)) for name, texts in faults.items() for t in texts))
    casebook = book()
    seen = _seen(casebook.get(id), casebook.get(id, raw["version"]).record)
    try:
        return _shown(casebook, casebook.restore(id, raw["version"], expected=seen, who=who()))
    except SheetError as error:
        raise of_faults(sheet_faults(error), "bad-sheet") from None


@blueprint.get("/v1/sheets/<id>/assessments")
def assessments(id: str) -> Response:
    """All assessments of a sheet, oldest first, each with the revisions of the tables that it rests on."""
    full = asked_in(FullQuery()).get("full") == "true"
    return json_answer({"assessments": [kept.as_dict(full=full) for kept in book().assessments(id)]})


# ---------------------------------------------------------------------------------------------------------------
# Photos


@blueprint.post("/v1/photos")
def add_photo() -> Response:
    """Keep a photo, and give the SHA-256 by which records name it."""
    if not request.mimetype.startswith("image/"):
        raise Problem(
            "wrong-content-type", "The Content-Type of a photo is that of an image, such as image/jpeg."
        )
    request.max_content_length = PHOTO_LIMIT
    sha256 = book().add_photo(request.get_data(cache=False), who=who())
    response = json_answer({"sha256": sha256}, 201)
    response.headers["Location"] = f"{request.script_root}/v1/photos/{sha256}"
    return response


@blueprint.get("/v1/photos/<sha256>")
def photo(sha256: str) -> Response:
    """A photo by the SHA-256 of its bytes."""
    found = book().photo(sha256)
    response = Response(found.body, mimetype=found.mediatype)
    response.headers["Cache-Control"] = "private, max-age=31536000, immutable"
    return response
