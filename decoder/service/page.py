"""The page: one marking at /, a whole instrument at /check, both worked out on the server and without scripts.

Both lay out what the core gives as JSON; each says how to get the same as JSON.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, cast
from urllib.parse import urlencode

from flask import Blueprint, Flask, Response, current_app, request, url_for
from markupsafe import Markup
from werkzeug.datastructures import MultiDict

from decoder.catalog import decode_marking, kinds_of
from decoder.crosscheck import Assessment
from decoder.crosscheck import check as check_sheet
from decoder.crosscheck.sheet import PARTS_LIMIT, SheetError, State, read_csv
from decoder.crosscheck.verdict import Verdict
from decoder.report.pdf import is_installed
from decoder.report.rowwords import rows
from decoder.report.timeline import timeline
from decoder.service import forms, presenting, words
from decoder.service.answers import OWN_REFERRER, etag_of, html_answer, json_answer, revalidated, unchanged
from decoder.service.comparing import Difference
from decoder.service.front import front
from decoder.service.problems import Problem, of_faults, parsed
from decoder.service.schemas import (
    DECODE_FIELDS,
    Fault,
    RequestError,
    field_messages,
    load_decode,
    sheet_faults,
)
from decoder.service.settings import CASEBOOK, settings
from decoder.service.words import gettext as _
from decoder.terminal import assessment_text, decoding_text

FORM_FIELDS_LIMIT: Final = 25 * PARTS_LIMIT

blueprint = Blueprint("page", __name__)
blueprint.add_app_template_filter(words.window_words)
blueprint.add_app_template_filter(words.day_words)
blueprint.add_app_template_filter(words.moment_words)
blueprint.add_app_template_filter(presenting.caution_of)
blueprint.add_app_template_global(presenting.segments)
blueprint.add_app_template_global(presenting.by_strength)
blueprint.add_app_template_global(presenting.sources)
blueprint.record_once(lambda state: words.install(cast(Flask, state.app)))
blueprint.after_app_request(words.remember)


@blueprint.app_context_processor
def _shared() -> dict[str, Any]:
    return {
        **words.shared(),
        "root": request.script_root,
        "keeps": CASEBOOK in current_app.extensions,
        "build": settings().build,
        "readings_shown": presenting.READINGS_SHOWN,
        "notes_shown": presenting.NOTES_SHOWN,
    }


# ---------------------------------------------------------------------------------------------------------------
# One marking


def asked_of(arguments: MultiDict[str, str]) -> dict[str, str]:
    """The fields of POST /v1/decode as they stand in an address; the marking as typed, the rest without margins."""
    given = {name: arguments[name] for name in DECODE_FIELDS if name in arguments}
    trimmed = {name: text if name == "marking" else text.strip() for name, text in given.items()}
    return {name: text for name, text in trimmed.items() if text or name == "marking"}


@blueprint.get("/")
def decode() -> Response:
    """The page for one marking; with a marking in the address, its readings too."""
    asked = asked_of(request.args)
    etag = etag_of("page", words.preferences().tag, asked.items())
    known = unchanged(etag)
    if known is not None:
        return known
    facts = settings()
    decoding: dict[str, Any] | None = None
    kind = presenting.known_kind(facts.tables, asked.get("part", ""))
    faults: tuple[Fault, ...] = ()
    if "marking" in asked:
        try:
            marking, context = load_decode(asked, facts.tables, facts.today())
            decoding = decode_marking(marking, context).as_dict()
        except RequestError as error:
            faults = error.faults
    guessed = presenting.guesses(facts.tables, decoding) if decoding and "part" not in asked else ()
    twin = url_for("page.decode_json") + ("?" + urlencode(asked) if asked else "")
    response = html_answer(
        "decode.html",
        422 if faults else 200,
        asked=asked,
        decoding=decoding,
        kind=kinds_of(facts.tables).get(kind or ""),
        messages=field_messages(faults),
        sections=presenting.sections(facts.tables),
        cautions=presenting.cautions(facts.tables, kind),
        guessed=guessed,
        text=decoding_text(decoding, plain) if decoding else "",
        twin=twin,
        retry=_retry(asked),
        body=json.dumps(asked, ensure_ascii=False),
    )
    if decoding is not None:
        response.headers.add("Link", f'<{twin}>; rel="alternate"; type="application/json"')
    return response if faults else revalidated(response, etag)


def _retry(asked: Mapping[str, str]) -> Any:
    """The address that asks the same of another marking, or of the same on another kind of part."""
    return lambda marking, **more: (
        url_for("page.decode") + "?" + urlencode({**asked, "marking": marking, **more})
    )


def plain(text: str, **_style: Any) -> str:
    """Text without colours, for `decoder.terminal`."""
    return text


@blueprint.get("/decode.json")
def decode_json() -> Response:
    """What the page at / shows, as JSON: the fields in the address are those of POST /v1/decode."""
    asked = asked_of(request.args)
    etag = etag_of("decode.json", asked.items())
    known = unchanged(etag)
    if known is not None:
        return known
    facts = settings()
    try:
        marking, context = load_decode(asked, facts.tables, facts.today())
    except RequestError as error:
        raise of_faults(error.faults) from None
    return revalidated(json_answer(decode_marking(marking, context).as_dict()), etag)


# ---------------------------------------------------------------------------------------------------------------
# A whole instrument


@blueprint.get("/check")
def sheet() -> Response:
    """The form for a whole instrument, as it starts."""
    if CASEBOOK in current_app.extensions:  # each form is a new sheet, with an id of its own
        return sheet_page(forms.blank(settings().tables))
    etag = etag_of("check", words.preferences().tag)
    known = unchanged(etag)
    if known is not None:
        return known
    return revalidated(sheet_page(forms.blank(settings().tables)), etag)


@blueprint.post("/check")
def check() -> Response:
    """The form with its answer, with other rows, or as a file; `do` is the value of the button that was pressed.

    `check`, `sheet`, `json`, `paste`, `show` (as it is), `rows` (more of them), `undo`; `up-3`, `down-3`, `copy-3`,
    `drop-3` of a row; `try-3-137-6612` puts a correction in a row, and checks.
    """
    request.max_content_length = settings().check_limit
    do = request.form.get("do", "check")
    words.choose(request.form)
    tables = settings().tables
    form = forms.posted(request.form, tables)
    if do == "paste":
        return _pasted(form)
    if do in ("show", "rows", "undo"):
        return _shown(form, do)
    found = _OF_ROW.fullmatch(do)
    if found and int(found["row"]) < len(form.rows):
        act, row = found["act"], int(found["row"])
        if act != "try":
            return _rearranged(form, act, row)
        form = forms.corrected(form, row, found["text"] or "")
    try:
        raw, places = entered(form)
    except Problem as problem:
        return sheet_page(faulty_options(form, problem))
    if do == "sheet":
        return _saved(raw)
    return _checked(form, raw, places, as_json=do == "json")


def entered(form: forms.Form) -> tuple[Any, Any]:
    """The raw sheet of a form, lengths in the unit that is preferred, and where each of its values stands in the form.

    Raises Problem for options that are no JSON.
    """
    tables = settings().tables
    raw, places = forms.sheet_of(form, tables)
    units = words.preferences().units
    return (raw if units == "table" else forms.with_unit(raw, units, tables)), places


def faulty_options(form: forms.Form, problem: Problem) -> forms.Form:
    """The form with what is wrong with its options."""
    return forms.with_faults(form, [Fault("/options", problem.detail)], [])


_OF_ROW: Final = re.compile(r"(?P<act>up|down|copy|drop|try)-(?P<row>\d{1,3})(?:-(?P<text>.+))?", re.DOTALL)


def _shown(form: forms.Form, do: str) -> Response:
    """The form without an answer: as it was sent, with more rows, or as it stood before its last change."""
    if do == "rows":
        return sheet_page(forms.with_rows(form, forms.ROWS_ADDED), focus=f"p{len(form.rows)}-part")
    if do == "undo":
        return sheet_page(forms.brought_back(form, settings().tables), told=_("The rows stand as before."))
    return sheet_page(form if form.rows else forms.blank(settings().tables))


def _rearranged(form: forms.Form, act: str, row: int) -> Response:
    """The form with one row moved, doubled or taken away."""
    kind = kinds_of(settings().tables).get(form.rows[row].text("part"))
    name = form.rows[row].text("id") or (kind["title"] if kind else _("Another part"))
    last = len(form.rows) - 1
    if act == "up":
        place = max(row - 1, 0)
        return sheet_page(
            forms.moved(form, row, -1),
            focus=f"{'up' if place else 'down'}-{place}",
            told=_("%(part)s is now number %(number)d.") % {"part": name, "number": place + 1},
        )
    if act == "down":
        place = min(row + 1, last)
        return sheet_page(
            forms.moved(form, row, 1),
            focus=f"{'down' if place < last else 'up'}-{place}",
            told=_("%(part)s is now number %(number)d.") % {"part": name, "number": place + 1},
        )
    if act == "copy":
        told = _("%(part)s stands twice now.") % {"part": name}
        return sheet_page(forms.copied(form, row), focus=f"p{row + 1}-marking", told=told)
    told = _("%(part)s is taken off the sheet.") % {"part": name}
    return sheet_page(forms.dropped(form, row), focus="undo", told=told)


def _checked(form: forms.Form, raw: dict[str, Any], places: list[int], *, as_json: bool = False) -> Response:
    facts = settings()
    if raw.get("parts") == []:
        return sheet_page(form, no_parts=True)
    try:
        assessment = check_sheet(raw, today=facts.today(), tables=facts.tables)
    except SheetError as error:
        return sheet_page(forms.with_faults(form, sheet_faults(error), places))
    if as_json:
        return json_answer(assessment.as_dict())
    return sheet_page(form, assessment=assessment, raw=raw, places=places)


def _pasted(form: forms.Form) -> Response:
    """A sheet in place of the rows, checked; or a list of markings, a part each, after the rows that hold something."""
    tables = settings().tables
    text = request.form.get("paste", "")
    upload = request.files.get("file")
    shown = form if form.rows else forms.blank(tables)
    try:
        if upload is not None and upload.filename:
            text = upload.read().decode("utf-8-sig")
        if not text.strip():
            return sheet_page(shown, paste=Paste(nothing=True))
        if forms.is_list(text):
            return _listed(shown, text)
        found = parsed(text) if forms.is_json(text) else dict(read_csv(text))
    except UnicodeDecodeError as error:
        said = _("The file is not UTF-8 text: byte %(number)d can’t be read.") % {"number": error.start + 1}
        refused = Paste("", (said,))
    except Problem as problem:
        refused = Paste(text, (problem.detail,))
    except SheetError as error:
        refused = Paste(text, tuple(str(problem) for problem in error.problems))
    else:
        if isinstance(found, dict):
            made = forms.rows_of(found, tables)
            places = [row.number for row in made.rows]
            made = replace(
                forms.with_rows(made, forms.ROWS_ADDED),
                before=forms.kept(form) if form.rows else "",
                who=form.who,
            )
            return _checked(made, found, places)
        refused = Paste(text, (_("A sheet is an object with instrument and parts, not a list."),))
    return sheet_page(shown, paste=refused)


def _listed(form: forms.Form, text: str) -> Response:
    made = forms.with_markings(form, text, _kind_of_marking)
    lines = sum(1 for line in text.splitlines() if line.strip())
    told = words.ngettext("%(num)d marking is taken over.", "%(num)d markings are taken over.", lines)
    unknown = next((row.number for row in made.rows if row.text("marking") and not row.text("part")), None)
    if unknown is None:
        return sheet_page(made, told=told % {"num": lines}, focus="check")
    told = f"{told} {_('Choose the kind of part where the marking leaves it open.')}"
    return sheet_page(made, told=told % {"num": lines}, focus=f"p{unknown}-part")


def _kind_of_marking(marking: str) -> str:
    """The kind of part that a marking belongs on by its readings; nothing where it leaves that open."""
    facts = settings()
    try:
        read, context = load_decode({"marking": marking}, facts.tables, facts.today())
    except RequestError:
        return ""
    found = presenting.guesses(facts.tables, decode_marking(read, context).as_dict())
    return str(found[0]["id"]) if len(found) == 1 else ""


def _saved(raw: dict[str, Any]) -> Response:
    text = json.dumps(raw, indent=2, ensure_ascii=False) + "\n"
    response = Response(text.encode("utf-8", "replace"), mimetype="application/json")
    response.headers["Content-Disposition"] = 'attachment; filename="sheet.json"'
    return response


@dataclass(frozen=True, slots=True)
class Paste:
    """What was brought as a sheet and could not be taken, and why; `nothing` when nothing was brought."""

    text: str = ""
    messages: tuple[str, ...] = ()
    nothing: bool = False


NO_PASTE: Final = Paste()


@dataclass(frozen=True, slots=True)
class Kept:
    """What became of saving the form: `saved` is the version that holds it now, `why_not` why nothing was saved.

    `conflict` is what somebody else saved meanwhile.
    """

    saved: int = 0
    why_not: str = ""
    conflict: Conflict | None = None


@dataclass(frozen=True, slots=True)
class Conflict:
    """The version that somebody else saved meanwhile, and how it differs from what stands in the form."""

    version: int
    etag: str
    saved_by: str
    saved_at: str
    differences: tuple[Difference, ...]


NOT_KEPT: Final = Kept()


def sheet_page(
    form: forms.Form,
    *,
    assessment: Assessment | None = None,
    raw: Mapping[str, Any] | None = None,
    places: Sequence[int] = (),
    no_parts: bool = False,
    paste: Paste = NO_PASTE,
    told: str = "",
    focus: str = "",
    kept: Kept = NOT_KEPT,
    status: int = 200,
) -> Response:
    """The form for a whole instrument: with an answer, with faults, or with what became of a change or a save."""
    tables = settings().tables
    casebook = current_app.extensions.get(CASEBOOK)
    if casebook is not None and not form.place.id:
        form = replace(form, place=forms.Place(casebook.new_id()))
    kinds = kinds_of(tables)
    present = {row.text("part") for row in form.rows} & kinds.keys()
    places_by_id = {part["id"]: n for part, n in zip(raw["parts"] if raw else (), places, strict=True)}
    still_open = {row.number for row in form.rows if row.is_open and row.text("part")}
    if assessment is not None:
        weighed = (one.evidence for one in assessment.parts)
        unread = {places_by_id[one.part.id] for one in weighed if one.verdict is Verdict.UNREAD}
        still_open |= {n for n in unread if form.rows[n].text("state") != State.NO_MARK.value}
    response = html_answer(
        "check.html",
        422 if form.is_at_fault or no_parts or paste != NO_PASTE else status,
        form=form,
        kept=kept,
        names_are_given=front().guard.tokens is None,
        kinds=kinds,
        sections=presenting.sections(tables),
        states=forms.STATES,
        flags=forms.FLAGS,
        parts_limit=PARTS_LIMIT,
        cautions_of={kind: presenting.cautions(tables, kind) for kind in present},
        cautions_about={
            row.number: presenting.cautions_about(tables, row.text("feature")) for row in form.rows
        },
        cautions=presenting.cautions(tables),
        features=sorted(forms.features(tables)),
        acts=presenting.acts(tables),
        still_open=still_open,
        told=told,
        focus=focus,
        text=assessment_text(assessment.as_dict(), plain) if assessment is not None else "",
        assessment=assessment.as_dict() if assessment is not None else None,
        drawing=Markup(timeline(assessment))
        if assessment is not None
        else None,  # ElementTree has escaped it
        drawn=rows(assessment) if assessment is not None else (),
        makes_pdf=is_installed(),
        raw=raw,
        rows_by_id=places_by_id,
        sheet_json=json.dumps(raw, indent=2, ensure_ascii=False),
        no_parts=no_parts,
        paste=paste,
    )
    response.headers.add("Link", f'<{url_for("api.check")}>; rel="alternate"; type="application/json"')
    if casebook is not None:
        response.headers["Referrer-Policy"] = OWN_REFERRER
    return response
