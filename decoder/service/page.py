"""The page: one marking at /, a whole instrument at /check, both worked out on the server and without scripts.

Both lay out what the core gives as JSON; each says how to get the same as JSON.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlencode

from flask import Blueprint, Response, request, url_for
from markupsafe import Markup
from werkzeug.datastructures import MultiDict

from decoder.catalog import decode_marking, kinds_of
from decoder.crosscheck import Assessment
from decoder.crosscheck import check as check_sheet
from decoder.crosscheck.sheet import PARTS_LIMIT, SheetError, read_csv
from decoder.report.pdf import is_installed
from decoder.report.timeline import rows, timeline
from decoder.service import forms, presenting, words
from decoder.service.answers import etag_of, html_answer, json_answer, revalidated, unchanged
from decoder.service.problems import Problem, of_faults, parsed
from decoder.service.schemas import (
    DECODE_FIELDS,
    Fault,
    RequestError,
    field_messages,
    load_decode,
    sheet_faults,
)
from decoder.service.settings import settings
from decoder.terminal import decoding_text

FORM_FIELDS_LIMIT: Final = 25 * PARTS_LIMIT

blueprint = Blueprint("page", __name__)
blueprint.add_app_template_filter(words.window_words)
blueprint.add_app_template_filter(words.day_words)
blueprint.add_app_template_filter(presenting.caution_of)
blueprint.add_app_template_global(presenting.segments)
blueprint.add_app_template_global(presenting.by_strength)
blueprint.add_app_template_global(presenting.sources)
blueprint.record_once(lambda state: words.install(state.app))
blueprint.after_app_request(words.remember)


@blueprint.app_context_processor
def _shared() -> dict[str, Any]:
    return {
        **words.shared(),
        "root": request.script_root,
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
    etag = etag_of("check", words.preferences().tag)
    known = unchanged(etag)
    if known is not None:
        return known
    return revalidated(_sheet_page(forms.blank(settings().tables)), etag)


@blueprint.post("/check")
def check() -> Response:
    """The form with its answer, with more rows, or as a file; `do` is the name of the button that was pressed."""
    request.max_content_length = settings().check_limit
    do = request.form.get("do", "check")
    if do == "paste":
        return _pasted()
    form = forms.posted(request.form, settings().tables)
    if do == "rows":
        return _sheet_page(forms.with_rows(form, forms.ROWS_ADDED))
    try:
        raw, places = forms.sheet_of(form, settings().tables)
    except Problem as problem:
        return _sheet_page(forms.with_faults(form, [Fault("/options", problem.detail)], []))
    if do == "sheet":
        return _saved(raw)
    return _checked(form, raw, places, as_json=do == "json")


def _checked(form: forms.Form, raw: dict[str, Any], places: list[int], *, as_json: bool = False) -> Response:
    facts = settings()
    if raw.get("parts") == []:
        return _sheet_page(form, no_parts=True)
    try:
        assessment = check_sheet(raw, today=facts.today(), tables=facts.tables)
    except SheetError as error:
        return _sheet_page(forms.with_faults(form, sheet_faults(error), places))
    if as_json:
        return json_answer(assessment.as_dict())
    return _sheet_page(form, assessment=assessment, raw=raw, places=places)


def _pasted() -> Response:
    tables = settings().tables
    text = request.form.get("paste", "")
    upload = request.files.get("file")
    try:
        if upload is not None and upload.filename:
            text = upload.read().decode("utf-8-sig")
        if not text.strip():
            return _sheet_page(forms.blank(tables), paste=Paste(nothing=True))
        found = parsed(text) if forms.is_json(text) else dict(read_csv(text))
    except UnicodeDecodeError as error:
        refused = Paste("", (f"The file is not UTF-8 text: byte {error.start + 1} can't be read.",))
    except Problem as problem:
        refused = Paste(text, (problem.detail,))
    except SheetError as error:
        refused = Paste(text, tuple(str(problem) for problem in error.problems))
    else:
        if isinstance(found, dict):
            form = forms.rows_of(found, tables)
            places = [row.number for row in form.rows]
            return _checked(forms.with_rows(form, forms.ROWS_ADDED), found, places)
        refused = Paste(text, ("A sheet is an object with instrument and parts, not a list.",))
    return _sheet_page(forms.blank(tables), paste=refused)


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


def _sheet_page(
    form: forms.Form,
    *,
    assessment: Assessment | None = None,
    raw: Mapping[str, Any] | None = None,
    places: Sequence[int] = (),
    no_parts: bool = False,
    paste: Paste = NO_PASTE,
) -> Response:
    tables = settings().tables
    kinds = kinds_of(tables)
    present = {row.text("part") for row in form.rows} & kinds.keys()
    response = html_answer(
        "check.html",
        422 if form.is_at_fault or no_parts or paste != NO_PASTE else 200,
        form=form,
        kinds=kinds,
        sections=presenting.sections(tables),
        states=forms.STATES,
        flags=forms.FLAGS,
        parts_limit=PARTS_LIMIT,
        cautions_of={kind: presenting.cautions(tables, kind) for kind in present},
        assessment=assessment.as_dict() if assessment is not None else None,
        drawing=Markup(timeline(assessment))
        if assessment is not None
        else None,  # ElementTree has escaped it
        drawn=rows(assessment) if assessment is not None else (),
        makes_pdf=is_installed(),
        raw=raw,
        rows_by_id={part["id"]: n for part, n in zip(raw["parts"] if raw else (), places, strict=True)},
        sheet_json=json.dumps(raw, indent=2, ensure_ascii=False),
        no_parts=no_parts,
        paste=paste,
    )
    response.headers.add("Link", f'<{url_for("api.check")}>; rel="alternate"; type="application/json"')
    return response
