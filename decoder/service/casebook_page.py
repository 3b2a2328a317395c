"""The casebook as pages: a list that can be searched, one sheet with its history, and the form that changes it.

They lay out what the casebook gives, work on the server and need no script. Nothing that was typed is lost where a save
fails: the form comes back as it was sent, and says why.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final
from urllib.parse import urlencode

from flask import Blueprint, Response, redirect, request, url_for

from decoder.casebook.errors import CasebookError, NoSuchSheet
from decoder.casebook.errors import Conflict as StaleVersion
from decoder.casebook.limits import VERDICTS
from decoder.casebook.record import Record, load_record
from decoder.casebook.store import IMPORTED, RESTORED, SAVED, Casebook, Stored, Wanted
from decoder.crosscheck.assessment import Outcome
from decoder.crosscheck.sheet import SheetError, read_csv
from decoder.service import forms, words
from decoder.service.answers import OWN_REFERRER, html_answer
from decoder.service.comparing import differences
from decoder.service.front import owe
from decoder.service.page import Conflict, Kept, entered, faulty_options, sheet_page
from decoder.service.problems import Problem, parsed
from decoder.service.schemas import sheet_faults
from decoder.service.settings import settings
from decoder.service.sheets import book, names_are_given, problem_of, who
from decoder.service.words import gettext as _

FILTERS: Final = ("maker", "serial", "marking", "outcome", "verdict")
OUTCOMES: Final = tuple(one.value for one in Outcome)
LONGEST: Final = 200
OF_VERSIONS: Final = (SAVED, RESTORED, IMPORTED)  # entries of the history that made a version

blueprint = Blueprint("casebook_page", __name__)


def _must_be_own_page() -> None:
    """Refuse a form that a page of another site sent here in somebody's browser."""
    site, origin = request.headers.get("Sec-Fetch-Site"), request.headers.get("Origin")
    if site is not None:
        own = site in ("same-origin", "none")
    else:
        own = origin is None or origin == request.host_url.rstrip("/")
    if not own:
        raise Problem("bad-request", "The form was sent from a page of another site. Open the casebook here.")


def _page(template: str, status: int = 200, **shown: Any) -> Response:
    response = html_answer(template, status, names_are_given=names_are_given(), **shown)
    response.headers["Referrer-Policy"] = OWN_REFERRER
    return response


# ---------------------------------------------------------------------------------------------------------------
# The list


@blueprint.get("/casebook")
def listed() -> Response:
    """The sheets that are asked for, newest first, and the form that saves one."""
    return _list()


def _list(text: str = "", faults: Sequence[str] = ()) -> Response:
    asked = {name: request.args.get(name, "").strip()[:LONGEST] for name in FILTERS}
    for name, known in (("outcome", OUTCOMES), ("verdict", VERDICTS)):
        asked[name] = asked[name] if asked[name] in known else ""
    given: dict[str, Any] = {name: value for name, value in asked.items() if value}
    after = request.args.get("after", "").strip()[:LONGEST] or None
    found = book().find(Wanted(**given), after=after)
    following = None
    if found.after is not None:
        following = url_for("casebook_page.listed") + "?" + urlencode({**given, "after": found.after})
    response = _page(
        "casebook.html",
        422 if faults else 200,
        asked=asked,
        is_asked=bool(given),
        sheets=found.sheets,
        following=following,
        outcomes=OUTCOMES,
        verdicts=VERDICTS,
        text=text,
        faults=faults,
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
        record = load_record(raw, settings().tables)
        owe(len(record.loaded.parts) - 1)
        stored = book().create(record, who=who(request.form.get("who", "")))
    except Problem as problem:
        return _list(text, (problem.detail,))
    except SheetError as error:
        return _list(text, tuple(str(problem) for problem in error.problems))
    except CasebookError as error:
        return _list(text, (problem_of(error).detail,))
    return redirect(url_for("casebook_page.one", id=stored.id), 303)


# ---------------------------------------------------------------------------------------------------------------
# One sheet


@blueprint.get("/casebook/<id>")
def one(id: str) -> Response:
    """One sheet as it stands, or an earlier version of it, with its assessment and its history."""
    asked = request.args.get("version", "")
    return _sheet(id, int(asked) if asked.isascii() and asked.isdecimal() and len(asked) < 10 else None)


def _sheet(
    id: str, version: int | None = None, why_not: str = "", faults: Sequence[str] = (), status: int = 200
) -> Response:
    casebook = book()
    current = casebook.get(id)
    stored = current if version is None else casebook.get(id, version)
    assessed = [kept for kept in casebook.assessments(id) if kept.version == stored.version]
    entries = casebook.history(id)
    response = _page(
        "stored.html",
        status,
        sheet=stored,
        current=current,
        about=stored.record["sheet"].get("instrument", {}),
        assessment=assessed[-1].assessment if assessed else None,
        verdicts_by_part=assessed[-1].as_dict(full=False)["verdicts"] if assessed else {},
        history=entries,
        restorable={
            entry.version
            for entry in entries
            if entry.what in OF_VERSIONS and entry.version != current.version
        },
        why_not=why_not,
        faults=faults,
        sheet_json=json.dumps(stored.record, indent=2, ensure_ascii=False),
    )
    twin = url_for("sheets.one", id=id)
    response.headers.add("Link", f'<{twin}>; rel="alternate"; type="application/json"')
    return response


@blueprint.post("/casebook/<id>/restore")
def restore(id: str) -> Any:
    """Keep an earlier version as the newest one, if the newest is still the one that was seen."""
    _must_be_own_page()
    request.max_content_length = settings().decode_limit
    asked = request.form.get("version", "")
    if not (asked.isascii() and asked.isdecimal() and len(asked) < 10):
        raise Problem("bad-request", "Choose the version that is to be restored.")
    given = who(request.form.get("who", ""))
    try:
        book().restore(id, int(asked), expected=request.form.get("etag", ""), who=given)
    except StaleVersion as error:
        said = _("%(who)s has saved version %(version)d meanwhile. Nothing was restored: look at it first.")
        return _sheet(
            id, why_not=said % {"who": error.current.saved_by, "version": error.current.version}, status=409
        )
    except SheetError as error:
        why_not = _("Version %(version)d can’t be restored by the tables in force.") % {"version": int(asked)}
        return _sheet(id, why_not=why_not, faults=[str(problem) for problem in error.problems], status=422)
    return redirect(url_for("casebook_page.one", id=id), 303)


# ---------------------------------------------------------------------------------------------------------------
# The form of a whole instrument


@blueprint.get("/casebook/<id>/edit")
def edit(id: str) -> Response:
    """A sheet as it stands in the form for a whole instrument."""
    return sheet_page(_opened(book().get(id)))


def _opened(stored: Stored) -> forms.Form:
    form = forms.rows_of(stored.record["sheet"], settings().tables)
    return replace(forms.with_rows(form, forms.ROWS_ADDED), place=_place_of(stored))


def _place_of(stored: Stored) -> forms.Place:
    return forms.Place(stored.id, stored.version, stored.etag)


@blueprint.post("/check/keep")
def keep() -> Response:
    """Save the form for a whole instrument: over the version that it was opened at, or as a new sheet.

    `do` is `keep`; after a conflict `keep-over` saves over the version that was shown there, `keep-new` saves a sheet
    of its own, and `theirs` takes the other version into the form.
    """
    _must_be_own_page()
    request.max_content_length = settings().check_limit
    words.choose(request.form)
    tables = settings().tables
    form = forms.posted(request.form, tables)
    do = request.form.get("do", "keep")
    casebook = book()
    try:
        if do == "theirs":
            return _theirs(casebook, form)
        if do == "keep-new" or not form.place.id:
            form = replace(form, place=forms.Place(casebook.new_id()))
        elif do == "keep-over":
            form = replace(form, place=replace(form.place, etag=request.form.get("over", "")))
        return _kept(casebook, form)
    except CasebookError as error:
        problem = problem_of(error)
        return sheet_page(form, kept=Kept(why_not=problem.detail), status=problem.kind.status)


def _theirs(casebook: Casebook, form: forms.Form) -> Response:
    stored = casebook.get(form.place.id)
    made = replace(_opened(stored), before=forms.kept(form), who=form.who)
    told = _("Version %(version)d stands in the form. What you typed is one step back.")
    return sheet_page(made, told=told % {"version": stored.version}, focus="undo")


def _kept(casebook: Casebook, form: forms.Form) -> Response:
    tables = settings().tables
    try:
        raw, places = entered(form)
    except Problem as problem:
        return sheet_page(faulty_options(form, problem))
    if raw["parts"] == []:
        return sheet_page(form, no_parts=True)
    current = _current(casebook, form.place.id)
    try:
        record = load_record({**_around(current, raw), "sheet": raw}, tables)
    except SheetError as error:
        faults = [replace(f, pointer=f.pointer.removeprefix("/sheet")) for f in sheet_faults(error)]
        return sheet_page(forms.with_faults(form, faults, places))
    owe(len(record.loaded.parts) - 1)
    if current is not None and _says(current, record):
        # Sent twice, as after a broken connection, or nothing was changed.
        return _acknowledged(form, current, _("The casebook has this as version %(version)d."))
    try:
        if current is None:
            stored = casebook.create(record, who=who(form.who), id=form.place.id)
        else:
            stored = casebook.save(form.place.id, record, expected=form.place.etag, who=who(form.who))
    except StaleVersion as error:
        if _says(error.current, record):
            return _acknowledged(form, error.current, _("The casebook has this as version %(version)d."))
        return _conflict(casebook, form, error.current, record)
    return _acknowledged(form, stored, _("Saved to the casebook as version %(version)d."))


def _current(casebook: Casebook, id: str) -> Stored | None:
    try:
        return casebook.get(id)
    except NoSuchSheet:
        return None


def _around(current: Stored | None, raw: Mapping[str, Any]) -> dict[str, Any]:
    """What the record holds beside the sheet, which the form doesn't show: it stays.

    A photo of a part that is no longer on the sheet keeps the part's name as its caption.
    """
    around = {name: value for name, value in (current.record if current else {}).items() if name != "sheet"}
    ids = {part["id"] for part in raw["parts"]}
    if "photos" in around:
        around["photos"] = [
            photo
            if photo.get("part") is None or photo["part"] in ids
            else {"sha256": photo["sha256"], "caption": photo.get("caption") or photo["part"]}
            for photo in around["photos"]
        ]
    return around


def _says(stored: Stored, record: Record) -> bool:
    return bool(stored.record["sheet"] == record.sheet)


def _acknowledged(form: forms.Form, stored: Stored, told: str) -> Response:
    made = replace(form, place=_place_of(stored))
    return sheet_page(made, told=told % {"version": stored.version}, kept=Kept(saved=stored.version))


def _conflict(casebook: Casebook, form: forms.Form, current: Stored, record: Record) -> Response:
    before = None
    if form.place.version and form.place.version < current.version:
        before = casebook.get(form.place.id, form.place.version).record["sheet"]
    found = differences(before, current.record["sheet"], record.sheet)
    conflict = Conflict(current.version, current.etag, current.saved_by, current.saved_at, found)
    return sheet_page(form, kept=Kept(conflict=conflict), status=409)
