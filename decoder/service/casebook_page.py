"""The casebook as pages: a list that can be searched, one sheet with its history, a form that saves a sheet.

They lay out what the casebook gives, work on the server and need no script.
"""

from __future__ import annotations

import json
from typing import Any, Final
from urllib.parse import urlencode

from flask import Blueprint, Response, redirect, request, url_for

from decoder.casebook.errors import NoSuchSheet
from decoder.casebook.store import VERDICTS, Wanted
from decoder.crosscheck.assessment import Outcome
from decoder.crosscheck.sheet import SheetError, read_csv
from decoder.service import forms
from decoder.service.answers import html_answer
from decoder.service.problems import Problem, parsed
from decoder.service.settings import settings
from decoder.service.sheets import book, who

FILTERS: Final = ("maker", "serial", "marking", "outcome", "verdict")
OUTCOMES: Final = tuple(one.value for one in Outcome)
LONGEST: Final = 200

blueprint = Blueprint("casebook_page", __name__)


@blueprint.get("/casebook")
def listed() -> Response:
    """The sheets that are asked for, newest first, and the form that saves one."""
    return _page()


def _page(text: str = "", faults: tuple[str, ...] = ()) -> Response:
    asked = {name: request.args.get(name, "").strip()[:LONGEST] for name in FILTERS}
    for name, known in (("outcome", OUTCOMES), ("verdict", VERDICTS)):
        asked[name] = asked[name] if asked[name] in known else ""
    given: dict[str, Any] = {name: value for name, value in asked.items() if value}
    after = request.args.get("after", "").strip()[:LONGEST] or None
    found = book().find(Wanted(**given), after=after)
    following = None
    if found.after is not None:
        following = url_for("casebook_page.listed") + "?" + urlencode({**given, "after": found.after})
    response = html_answer(
        "casebook.html",
        422 if faults else 200,
        asked=asked,
        sheets=found.sheets,
        following=following,
        outcomes=OUTCOMES,
        verdicts=VERDICTS,
        text=text,
        faults=faults,
        sheet=None,
    )
    twin = url_for("sheets.listed") + ("?" + urlencode(given) if given else "")
    response.headers.add("Link", f'<{twin}>; rel="alternate"; type="application/json"')
    return response


@blueprint.post("/casebook")
def save() -> Any:
    """Save a sheet that was pasted as JSON or CSV, then show it."""
    _must_be_own_page()
    request.max_content_length = settings().check_limit
    text = request.form.get("text", "")
    try:
        raw = parsed(text) if forms.is_json(text) else dict(read_csv(text))
        stored = book().create(raw, who=who())
    except Problem as problem:
        return _page(text, (problem.detail,))
    except SheetError as error:
        return _page(text, tuple(str(problem) for problem in error.problems))
    return redirect(url_for("casebook_page.one", id=stored.id), 303)


def _must_be_own_page() -> None:
    """Refuse a form that a page of another site sent here in somebody's browser."""
    origin = request.headers.get("Origin")
    elsewhere = request.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none")
    if elsewhere or (origin is not None and origin != request.host_url.rstrip("/")):
        raise Problem("bad-request", "The form was sent from a page of another site. Open the casebook here.")


@blueprint.get("/casebook/<id>")
def one(id: str) -> Response:
    """One sheet as it stands, with its assessment and its history."""
    casebook = book()
    try:
        stored = casebook.get(id)
        newest = casebook.newest_assessment(id)
        entries = casebook.history(id)
    except NoSuchSheet as error:
        raise Problem("not-found", "No sheet has this id. The casebook lists them all.") from error
    response = html_answer(
        "casebook.html",
        sheet=stored,
        about=stored.record["sheet"].get("instrument", {}),
        newest=newest,
        verdicts_by_part=newest.as_dict(full=False)["verdicts"],
        history=entries,
        sheet_json=json.dumps(stored.record, indent=2, ensure_ascii=False),
    )
    twin = url_for("sheets.one", id=id)
    response.headers.add("Link", f'<{twin}>; rel="alternate"; type="application/json"')
    return response
