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

from decoder.casebook.errors import (
    Busy,
    CasebookError,
    Conflict,
    NoSuchPhoto,
    NoSuchSheet,
    Refused,
)
from decoder.casebook.limits import PHOTO_LIMIT, WHO_LIMIT
from decoder.casebook.record import Record, load_record
from decoder.casebook.store import Casebook, Stored, Wanted
from decoder.crosscheck.sheet import SheetError
from decoder.service.answers import json_answer
from decoder.service.front import CLIENT, front, owe
from decoder.service.listing import _asked as asked_in
from decoder.service.problems import (
    JSON,
    PROBLEM_JSON,
    Problem,
    answer_of,
    body_of,
    chosen_type,
    of_faults,
)
from decoder.service.schemas import NAME_LIMIT, Fault, sheet_faults
from decoder.service.settings import CASEBOOK, settings
from decoder.service.sheet_schemas import FullQuery, ListQuery, RestoreSchema, VersionQuery
from decoder.tables import Tables

NOBODY: Final = "somebody"

blueprint = Blueprint("sheets", __name__)


def install(app: Flask, where: Casebook | str | Path) -> None:
    """Put the casebook, an open one or its place, into an application. Raises CasebookError."""
    book = where if isinstance(where, Casebook) else opened(where)
    app.extensions[CASEBOOK] = book
    from decoder.service import casebook_page  # which shows what this module opens

    app.register_blueprint(blueprint)
    app.register_blueprint(casebook_page.blueprint)
    app.register_error_handler(CasebookError, _answer)


def opened(where: str | Path, tables: Tables | None = None) -> Casebook:
    """The casebook at a place, made if it isn't there. Raises CasebookError, for one that can only be read too."""
    book = Casebook.open(where, clock=_now, tables=tables)
    try:
        book.find(limit=1)
        book.database.write(lambda connection, end: None)  # takes the lock of a write, and writes nothing
    except CasebookError:
        book.close()
        raise
    return book


def _now() -> datetime:
    return datetime.now(UTC).astimezone()


def book() -> Casebook:
    """The casebook of this request, with the tables and the day that the request is answered by."""
    facts = settings()
    opened = cast(Casebook, current_app.extensions[CASEBOOK])
    return opened.by(facts.tables, facts.today)


def names_are_given() -> bool:
    """Whether those who save may say who they are: where no token says it for them."""
    return front().guard.tokens is None


def who(given: str = "") -> str:
    """Who asks: the name of the token; without tokens the name that was given, else the address."""
    said = given.strip()[:WHO_LIMIT] if names_are_given() else ""
    asked = str(request.environ.get(CLIENT) or "")
    return next((name for name in (said, asked) if name.strip() and name.isprintable()), NOBODY)


def _answer(error: CasebookError) -> Response:
    return _conflict(error) if isinstance(error, Conflict) else answer_of(problem_of(error))


def problem_of(error: CasebookError) -> Problem:
    """A casebook's error as a problem; what it says of files and servers goes to the log alone."""
    match error:
        case NoSuchSheet() | NoSuchPhoto():
            return Problem("not-found", _sentence(error))
        case Refused():
            return Problem("bad-fields", _sentence(error))
        case Busy():
            return Problem("casebook-failed", "Others are writing to it.", headers=[("Retry-After", "1")])
        case _:
            current_app.logger.error("The casebook failed: %s", error)
            return Problem("casebook-failed", "It can't be read or written now. It has been logged.")


def _sentence(error: CasebookError) -> str:
    text = str(error).partition(": 'partdate")[0]
    return f"{text[:1].upper()}{text[1:]}."


def _conflict(error: Conflict) -> Response:
    kind = "sheet-exists" if error.expected is None else "stale-version"
    body = Problem(kind, f"Sheet {error.current.id} is at version {error.current.version} now.").as_dict()
    current = error.current
    shown = {**body, "current": current.as_dict(), "yours": dict(error.yours)}
    response = json_answer(shown, body["status"], PROBLEM_JSON)
    response.set_etag(current.etag)
    return response


# ---------------------------------------------------------------------------------------------------------------
# What is asked


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
