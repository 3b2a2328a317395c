"""The description of the endpoint in OpenAPI 3.1, made from the schemas that check requests and describe answers.

`document()` gives it as a value, GET /openapi.json serves it, `partdate openapi -o api_spec/openapi.json` writes it,
and the page /reference shows it. Its examples are of an invented maker and shop, with invented sources.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final

from apispec import APISpec
from apispec.ext.marshmallow import MarshmallowPlugin
from flask import Blueprint, Response
from marshmallow import Schema
from marshmallow import fields as ma

from decoder import __version__
from decoder.casebook.limits import PHOTO_LIMIT
from decoder.casebook.record import PHOTOS_LIMIT, RecordSchema, sha256_of
from decoder.crosscheck import sheet
from decoder.export import COLUMNS, CSV_TYPE, csv_metadata
from decoder.marking import MARKING_LIMIT
from decoder.marking import TEXT_LIMIT as LONG_MARKING
from decoder.service import listing, schemas, shapes, sheet_schemas
from decoder.service.answers import etag_of, json_answer, revalidated, unchanged
from decoder.service.many import NDJSON
from decoder.service.problems import JSON, KINDS, PATH, PROBLEM_JSON
from decoder.service.settings import (
    CHECK_BODY_LIMIT,
    DECODE_BODY_LIMIT,
    ITEMS_LIMIT,
    STREAM_BODY_LIMIT,
    STREAM_SECONDS,
)

blueprint = Blueprint("openapi", __name__)

EDTF_LIMIT: Final = 64  # characters that decoder.window.parse_edtf takes
METRICS_TYPE: Final = "text/plain"
CSVM_TYPE: Final = "application/csvm+json"
ALWAYS: Final = ("not-acceptable", "unauthorized", "too-many-requests", "internal")
# Control characters, halves of characters, separators of lines, and marks of direction: no text may hold them.
_CONTROL: Final = r"\u0000-\u001f\u007f-\u009f\u2028\u2029\u200e\u200f\u061c\u202a-\u202e\u2066-\u2069"
PLAIN: Final = rf"^[^{_CONTROL}]*[^{_CONTROL}\s][^{_CONTROL}]*$"

DESCRIPTION: Final = f"""\
Date windows from the marks on the parts of a vintage instrument, and the cross-check of all parts of one instrument
against its claimed build period. A reading says what a mark says; an outcome is agrees, contradicted or undecided,
with reasons and sources. Nothing here says that a part or an instrument is genuine.

**Safe to send again.** Only what is asked of the casebook changes anything on the server. All else has the same answer
for as long as the tables and the day stay the same (`options.today` of a sheet fixes the day): after a broken
connection, 429 or 503, send it again. A change of a sheet that was sent twice is refused with 412, whose problem holds
the version that stands there: where that is what you sent, it was saved. A new sheet with an id of your own is kept
once.

**The casebook** is there where the server was started with one; elsewhere its addresses are not found. Nothing in it is
overwritten: each change makes a version, and names in `If-Match` the one that it was made from.

**Refusals** are problem details (RFC 9457) with a stable `type`, whose address explains it, and `errors` that name
each fault by JSON pointer; in an address, the parameters count as the members of one object. A field or parameter
that is not known is refused with the nearest known name. A marking that no scheme reads is an answer, not a refusal.

**Limits.** A marking has {MARKING_LIMIT} characters, {LONG_MARKING} for kinds that carry running text; a body
{DECODE_BODY_LIMIT:,} bytes for one marking and for one line of a stream of markings, {CHECK_BODY_LIMIT:,} for a sheet
or a batch; a sheet {sheet.PARTS_LIMIT} parts, a batch {ITEMS_LIMIT:,} items, a stream {STREAM_BODY_LIMIT:,} bytes and
{STREAM_SECONDS:g} seconds. A server may set a rate for each client, in markings or parts a second: a request is let in
while its client owes nothing.

**Every answer** carries `X-Request-ID`: the one that was sent, if it is 1 to 64 letters, digits and `. _ : / + = -`,
else a new one. Answers of more than a kilobyte are compressed with gzip for those who accept it. Fields may be added
to answers at any time; none is renamed or removed within `/v1`.
"""

# ---------------------------------------------------------------------------------------------------------------
# Examples: everything in them is invented

MAKER: Final = "Harrow & Vale"
SHEET: Final = {
    "instrument": {"maker": MAKER, "model": "Estuary", "country": "US", "claim": "1962"},
    "parts": [
        {"id": "serial", "part": "serial", "marking": "24517", "position": "neck plate"},
        {"id": "volume pot", "part": "potentiometer", "marking": "304-6208", "group": "harness"},
        {"id": "tone pot", "part": "potentiometer", "marking": "304 62?1", "group": "harness"},
        {"id": "jack", "part": "jack", "state": "no-mark"},
    ],
}
_WINDOW: Final = {"earliest": "1962-02-18", "latest": "1962-02-25", "edtf": "1962-02-18/1962-02-25"}
_SOURCE: Final = {
    "id": "bench-book",
    "title": "Bench book of the shop Tidewater Bench (invented)",
    "grade": "P",
}
_READING: Final = {
    "scheme": "pot-two-digit-year",
    "title": "Source and date code of a potentiometer, two-digit year",
    "strength": "strong",
    "window": _WINDOW,
    "precision": "week",
    "fields": [
        {"name": "source", "text": "304", "value": "an invented works", "at": [0, 3]},
        {"name": "year2", "text": "62", "value": "1962", "at": [4, 6]},
        {"name": "week", "text": "08", "value": "week 8", "at": [6, 8]},
    ],
    "notes": [],
    "revision": "0123456789ab",
    "sources": [_SOURCE],
}
DECODING: Final = {
    "marking": "304-6208",
    "status": "read",
    "windows": [_WINDOW],
    "readings": [_READING],
    "near_misses": [],
    "cautions": [{"id": "lead", "text": "Old solder contains lead."}],
    "notes": [],
}
_PROBLEM: Final = {
    "type": "/problems/bad-marking",
    "title": KINDS["bad-marking"].title,
    "status": 422,
    "detail": "/marking: this bracket is not closed",
    "errors": [{"pointer": "/marking", "message": "this bracket is not closed", "at": [4, 5]}],
}
_BUILT: Final = {"earliest": "1962-02-18", "latest": "1963-08-25", "edtf": "1962-02-18/1963-08-25"}
ASSESSMENT: Final = {
    "outcome": "agrees",
    "claim": "1962",
    "today": "2026-11-25",
    "parts": [
        {
            "id": "volume pot",
            "verdict": "fits",
            "reason": "Dated within the claimed year.",
            "decoding": DECODING,
            "part": "potentiometer",
            "title": "Potentiometer",
            "state": "read",
            "flags": [],
            "wear": False,
            "override": None,
            "allowed": [_BUILT],
        }
    ],
    "joint_windows": [_BUILT],
    "joint_windows_usual": [_BUILT],
    "explanations": [{"set_aside": [], "agreeing": ["volume pot"], "windows": [_BUILT]}],
    "claim_explanations": [],
    "floor": {"part": "volume pot", "earliest": "1962-02-18"},
    "second_claim": None,
    "estimate": None,
    "groups": [],
    "advice": [],
    "warnings": [],
    "narrative": ["All parts agree with 1962."],
    "cautions": [],
    "tables": {"invented/bands": "0123456789ab"},
}
_SCHEME: Final = {
    "id": "harrow-vale-serial",
    "title": "Harrow & Vale: running number (invented)",
    "family": "serial",
    "kinds": ["serial"],
    "maker": MAKER,
    "years": "1958/1974",
    "grade": "P",
    "notes": ["The maker and its numbers are invented."],
    "examples": ["24517"],
    "sources": [_SOURCE],
    "revision": "0123456789ab",
}
_KIND: Final = {
    "id": "potentiometer",
    "title": "Potentiometer",
    "aliases": ["pot"],
    "text_limit": 64,
    "how_to_look": "Look at the back of the can in raking light.",
}
_HEAD: Final = {
    "id": "invented/bands",
    "title": "Bands of serial numbers of an invented maker",
    "description": "Everything in it is invented.",
    "revision": "0123456789ab",
    "rows": 20,
    "grades": {"P": 20},
}
_TABLE: Final = {
    **{name: _HEAD[name] for name in ("id", "title", "description", "revision")},
    "columns": ["scheme", "first", "last", "from", "to", "source", "grade"],
    "rows": [
        {
            "scheme": "harrow-vale-serial",
            "first": 24000,
            "last": 24999,
            "from": "1962",
            "to": "1962",
            "source": ["bench-book"],
            "grade": "P",
        }
    ],
    "sources": [{"id": "bench-book", "title": _SOURCE["title"], "address": ""}],
    "total": 20,
}

PHOTO_TYPE: Final = "image/*"
PHOTO: Final = "GIF89a: the bytes of a file that holds a photo"
PHOTO_SHA256: Final = sha256_of(PHOTO.encode())
RECORD: Final = {
    "sheet": SHEET,
    "trusted": {"date": "1962-03", "kind": "shipped", "source": "ledger of the works (invented)"},
    "photos": [{"sha256": PHOTO_SHA256, "part": "volume pot", "caption": "The pots, from below"}],
    "remarks": "Harness untouched; the bridge comes next week.",
}
_SAVED: Final = {"saved_at": "2026-11-25T12:00:00.000000+00:00", "saved_by": "intake-desk"}
STORED: Final = {"id": "tidewater-7", "version": 1, "etag": "0123456789abcdef0123", **_SAVED, "sheet": SHEET}
SUMMARY: Final = {
    "id": "tidewater-7",
    "version": 1,
    "etag": "0123456789abcdef0123",
    "maker": MAKER,
    "model": "Estuary",
    "claim": "1962",
    "trusted": None,
    "outcome": "agrees",
    **_SAVED,
}
ENTRY: Final = {
    "seq": 2,
    "at": _SAVED["saved_at"],
    "who": "intake-desk",
    "what": "saved",
    "sheet_id": "tidewater-7",
    "version": 1,
    "digest": "0" * 64,
    "detail": "",
    "hash": "f" * 64,
}
KEPT: Final = {
    "sheet": "tidewater-7",
    "seq": 1,
    "version": 1,
    "made_at": _SAVED["saved_at"],
    "reason": "saved",
    "outcome": "agrees",
    "today": "2026-11-25",
    "verdicts": {"volume pot": "fits"},
    "tables": {"invented/bands": "0123456789ab"},
    "facts": "0123456789ab",
}


def _lines(*values: Any) -> str:
    return "".join(json.dumps(value) + "\n" for value in values)


_CSV: Final = ",".join(name for name, _, _ in COLUMNS) + "\r\n"

# ---------------------------------------------------------------------------------------------------------------
# Operations


@dataclass(frozen=True, slots=True)
class Operation:
    """One thing that can be asked: its route, what it takes, what it answers, and how it refuses.

    `answers` and `takes` are media type, schema (None for plain text) and examples by name; `parameters` are those
    that stand in the path, `needs` the headers that a request must have, `status` is that of the answer.
    """

    path: str
    method: str
    id: str
    summary: str
    said: str
    answers: tuple[tuple[str, type[Schema] | None, Mapping[str, Any]], ...]
    takes: tuple[str, type[Schema] | None, Mapping[str, Any]] | None = None
    query: type[Schema] | None = None
    parameters: tuple[tuple[str, str], ...] = ()
    problems: tuple[str, ...] = ()
    headers: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    status: int = 200
    tag: str = "reading"
    usual: tuple[str, ...] = field(default=ALWAYS)


OF_CASEBOOK: Final = ("not-found", "casebook-failed")
OF_CHANGES: Final = ("precondition-required", "stale-version")
SHEET_ID: Final = ("id", "The id of the sheet.")
BODY: Final = ("broken-json", "bad-request", "too-large", "wrong-content-type")
LINES: Final = ("bad-request", "too-large", "wrong-content-type", "busy")
OPERATIONS: Final = (
    Operation(
        "/v1/decode", "post", "decode", "Read one marking",
        "Every reading of a marking, strongest first, or what almost fitted. The claim ranks readings and hides none.",
        ((JSON, shapes.DecodingAnswer, {"a pot": DECODING}),),
        takes=(
            JSON, schemas.DecodeSchema,
            {
                "a pot": {"marking": "304-6208", "part": "potentiometer"},
                "worn characters": {"marking": "30?-62[08]8", "part": "pot", "claim": "1962"},
                "a serial number": {"marking": "24517", "part": "serial", "maker": MAKER, "country": "US"},
                "a pending mark": {"marking": "PAT. PEND.", "part": "tuner", "patent": "US 2,000,000"},
            },
        ),
        problems=(*BODY, "bad-fields", "bad-marking", "bad-claim", "unknown-kind"),
    ),
    Operation(
        "/v1/decode/batch", "post", "decodeBatch", "Read many markings",
        f"Up to {ITEMS_LIMIT:,} items, each as for one marking, with an `id` of the caller's own if wanted. The "
        "answers stand in the order of the items; an item that can't be taken has a problem in its place and "
        "spoils no other.",
        ((JSON, shapes.BatchAnswer,
          {"one read, one refused": {"items": [{"index": 0, "id": "tray 7/1", "decoding": DECODING},
                                               {"index": 1, "id": 2, "problem": _PROBLEM}]}}),),
        takes=(
            JSON, schemas.BatchSchema,
            {"two items": {"items": [{"id": "tray 7/1", "marking": "304-6208", "part": "pot"},
                                     {"id": 2, "marking": "304-["}]}},
        ),
        problems=(*BODY, "bad-fields"),
        tag="many",
    ),
    Operation(
        "/v1/decode/stream", "post", "decodeStream", "Read any number of markings",
        "One JSON object a line, as for one marking, with an `id` of the caller's own if wanted. Each line has one "
        "line in the answer, with its number and its id; blank lines have none. A line that can't be taken has a "
        "problem and spoils no other. A stream that can't go on ends with a line `{\"problem\", \"from_line\"}`: "
        "`from_line` is the first line without an answer. Read while you send: a server may answer the first lines "
        "before it has the last.",
        ((NDJSON, shapes.DecodeLineAnswer,
          {"one read, one refused": _lines({"line": 1, "id": "tray 7/1", "decoding": DECODING},
                                           {"line": 2, "problem": _PROBLEM})}),),
        takes=(
            NDJSON, schemas.ItemSchema,
            {"two lines": _lines({"id": "tray 7/1", "marking": "304-6208", "part": "pot"}, {"marking": "304-["})},
        ),
        problems=LINES,
        tag="many",
    ),
    Operation(
        "/v1/check", "post", "check", "Cross-check one instrument",
        "All parts of an instrument against its claim, and against each other. With `Accept: text/csv` the same as "
        "a table: one row for the instrument, then one for each part.",
        ((JSON, shapes.AssessmentAnswer, {"agrees": ASSESSMENT}), (CSV_TYPE, None, {"header": _CSV})),
        takes=(JSON, sheet.SheetSchema, {"four parts": SHEET}),
        problems=(*BODY, "bad-sheet"),
        headers=("Link",),
    ),
    Operation(
        "/v1/check/stream", "post", "checkStream", "Cross-check any number of instruments",
        "One sheet a line, as for one instrument, with an `id` of the caller's own beside `instrument` and `parts` if "
        "wanted. Everything else is as for the stream of markings.",
        ((NDJSON, shapes.CheckLineAnswer,
          {"one line": _lines({"line": 1, "id": "tray 7", "assessment": ASSESSMENT})}),),
        takes=(NDJSON, sheet.SheetSchema, {"one line": _lines({"id": "tray 7", **SHEET})}),
        problems=LINES,
        tag="many",
    ),
    Operation(
        "/v1/schemes", "get", "listSchemes", "List the schemes",
        "Every documented way of writing a date that a table describes, and all families. Patents, era marks and "
        "features are read by rules over their tables and have no scheme here.",
        ((JSON, shapes.SchemesAnswer,
          {"one": {"schemes": [_SCHEME], "total": 1, "families": [{"id": "serial", "kinds": ["serial"]}]}}),),
        query=listing.SchemesQuery, problems=("bad-fields", "unknown-kind"), headers=("ETag", "Link"), tag="facts",
    ),
    Operation(
        "/v1/parts", "get", "listParts", "List the kinds of part",
        "Every kind of part, from head to tail, with its trade names and how to look at it.",
        ((JSON, shapes.PartsAnswer, {"one": {"parts": [_KIND], "total": 1}}),),
        query=listing.PageQuery, problems=("bad-fields",), headers=("ETag", "Link"), tag="facts",
    ),
    Operation(
        "/v1/tables", "get", "listTables", "List the tables",
        "Every table that answers rest on, with its revision and the grades of its rows.",
        ((JSON, shapes.TablesAnswer, {"one": {"tables": [_HEAD], "total": 1}}),),
        query=listing.PageQuery, problems=("bad-fields",), headers=("ETag", "Link"), tag="facts",
    ),
    Operation(
        "/v1/tables/{package}/{name}", "get", "showTable", "Show the rows of a table",
        "The rows of one table with the publications that they rest on. The ETag begins with the table's revision.",
        ((JSON, shapes.TableAnswer, {"one row": _TABLE}),),
        query=listing.RowsQuery,
        parameters=(("package", "The first step of the table's id, such as invented."),
                    ("name", "The second step, such as bands.")),
        problems=("bad-fields", "not-found"), headers=("ETag", "Link"), tag="facts",
    ),
    Operation(
        "/v1/sheets", "post", "createSheet", "Keep a new sheet",
        "A sheet with what goes with it: the date that is known from elsewhere, photos that were sent before, remarks. "
        "The answer holds its assessment. A sheet by itself, as POST /v1/check takes it, is taken too.",
        ((JSON, shapes.StoredAnswer, {"the sheet as it is kept": {**STORED, "assessment": ASSESSMENT}}),),
        takes=(
            JSON, sheet_schemas.NewRecordSchema,
            {"a sheet": {"sheet": SHEET}, "all that can go with it": {"id": "tidewater-7", **RECORD}},
        ),
        problems=(*BODY, *OF_CASEBOOK, "bad-fields", "bad-sheet", "sheet-exists"), headers=("ETag", "Location"),
        status=201, tag="casebook",
    ),
    Operation(
        "/v1/sheets", "get", "listSheets", "List the sheets",
        "Newest first, in pages: the Link of the answer leads to the next one.",
        ((JSON, shapes.SheetsAnswer, {"one sheet": {"sheets": [SUMMARY], "after": None}}),),
        query=sheet_schemas.ListQuery, problems=(*OF_CASEBOOK, "bad-fields"), headers=("Link",), tag="casebook",
    ),
    Operation(
        "/v1/sheets/{id}", "get", "getSheet", "Read a sheet",
        "As it stands, with its newest assessment, or as it was in an earlier version.",
        ((JSON, shapes.StoredAnswer, {"version 1": {**STORED, "assessment": ASSESSMENT}}),),
        query=sheet_schemas.VersionQuery, parameters=(SHEET_ID,), problems=(*OF_CASEBOOK, "bad-fields"),
        headers=("ETag",), tag="casebook",
    ),
    Operation(
        "/v1/sheets/{id}", "put", "changeSheet", "Change a sheet",
        "Keeps a new version. `If-Match` holds the ETag of the version that the change was made from (`*` for any "
        "version); where somebody else was quicker nothing is saved, and the problem holds both versions.",
        ((JSON, shapes.StoredAnswer, {"version 2": {**STORED, "version": 2}}),),
        takes=(JSON, RecordSchema, {"the whole record": RECORD}),
        parameters=(SHEET_ID,), needs=("If-Match",),
        problems=(*BODY, *OF_CASEBOOK, *OF_CHANGES, "bad-sheet"), headers=("ETag",), tag="casebook",
    ),
    Operation(
        "/v1/sheets/{id}/history", "get", "getHistory", "Read the history of a sheet",
        "Who did what, and when, oldest first.",
        ((JSON, shapes.HistoryAnswer, {"one entry": {"history": [ENTRY]}}),),
        parameters=(SHEET_ID,), problems=OF_CASEBOOK, tag="casebook",
    ),
    Operation(
        "/v1/sheets/{id}/restore", "post", "restoreSheet", "Bring an earlier version back",
        "Keeps the record of an earlier version as the newest one.",
        ((JSON, shapes.StoredAnswer, {"version 3": {**STORED, "version": 3}}),),
        takes=(JSON, sheet_schemas.RestoreSchema, {"the first version": {"version": 1}}),
        parameters=(SHEET_ID,), needs=("If-Match",),
        problems=(*BODY, *OF_CASEBOOK, *OF_CHANGES, "bad-fields", "bad-sheet"), headers=("ETag",), tag="casebook",
    ),
    Operation(
        "/v1/sheets/{id}/assessments", "get", "listAssessments", "Read all assessments of a sheet",
        "Oldest first, each with the revisions of the tables that it rests on.",
        ((JSON, shapes.AssessmentsAnswer, {"one": {"assessments": [KEPT]}}),),
        query=sheet_schemas.FullQuery, parameters=(SHEET_ID,), problems=(*OF_CASEBOOK, "bad-fields"), tag="casebook",
    ),
    Operation(
        "/v1/photos", "post", "addPhoto", "Keep a photo",
        f"The bytes of a JPEG, PNG, GIF, TIFF or WebP file, up to {PHOTO_LIMIT:,}. Records name it by the SHA-256 in "
        "the answer. A photo that is there already is kept once.",
        ((JSON, shapes.PhotoAnswer, {"its name": {"sha256": PHOTO_SHA256}}),),
        takes=(PHOTO_TYPE, None, {"the bytes of a file": PHOTO}),
        problems=("bad-request", "too-large", "wrong-content-type", "bad-fields", *OF_CASEBOOK),
        headers=("Location",), status=201, tag="casebook",
    ),
    Operation(
        "/v1/photos/{sha256}", "get", "getPhoto", "Fetch a photo", "As it was sent.",
        ((PHOTO_TYPE, None, {"the bytes of a file": PHOTO}),),
        parameters=(("sha256", "The SHA-256 of its bytes, in hexadecimal."),), problems=OF_CASEBOOK, tag="casebook",
    ),
    Operation(
        "/healthz", "get", "health", "Whether the server is up", "Needs no token.",
        ((JSON, shapes.HealthAnswer, {"up": {"status": "ok", "version": __version__, "tables": "0123456789ab"}}),),
        tag="running", usual=("internal",),
    ),
    Operation(
        "/readyz", "get", "ready", "Whether the server takes requests",
        "503 once it has been told to stop, while it still answers what it has begun. Needs no token.",
        ((JSON, shapes.ReadyAnswer, {"ready": {"status": "ready"}}),),
        problems=("stopping",), tag="running", usual=("internal",),
    ),
    Operation(
        "/metrics", "get", "metrics", "What has been counted", "In the text format of Prometheus.",
        ((METRICS_TYPE, None, {"one line": "partdate_markings_total{status=\"read\"} 12.0\n"}),),
        tag="running", usual=("unauthorized", "internal"),
    ),
)  # fmt: skip
TAGS: Final = {
    "reading": "One marking, one instrument",
    "many": "Many at once",
    "facts": "What the answers rest on",
    "casebook": "The casebook",
    "running": "Watching the server",
}
HEADERS: Final = {
    "ETag": "The revision of the facts; send it back as If-None-Match.",
    "Link": "For a page of a list, the next one (rel=next); for CSV, the meaning of its columns (rel=describedby).",
    "Location": "Where it can be fetched.",
    "X-Request-ID": "The id of this request, as it stands in the server's log.",
}
OF_A_VERSION: Final = "What names this version of the sheet; send it back as If-Match with a change."
NEEDED: Final = {"If-Match": "The ETag of the version that the change was made from, or *."}
_REFUSED_WITH: Final = {
    401: ("WWW-Authenticate", "How to say who asks."),
    415: ("Accept-Post", "The media type that is taken."),
    429: ("Retry-After", "Seconds to wait."),
    503: ("Retry-After", "Seconds to wait, where that is known."),
}
# What the schema of a sheet can't say of itself here: its fields in words.
SAID: Final = {
    "Sheet": {
        "instrument": "What is claimed of the instrument.",
        "parts": f"Its parts, up to {sheet.PARTS_LIMIT}, each with an id of its own.",
        "options": "What is asked for.",
    },
    "Instrument": {
        "maker": "Its maker.",
        "model": "Its model.",
        "country": "Where it was made.",
        "claim": "The claimed build period, in EDTF.",
        "second_claim": "Another claim, whose outcome is told beside the first.",
    },
    "Part": {
        "id": "The caller's name of the part.",
        "part": "The kind of part, an id or a trade name.",
        "marking": "The marking as read. A part has a marking, a feature, or only a state.",
        "feature": "A feature that can be observed or measured.",
        "value": "Its value.",
        "unit": "The unit of the value.",
        "uncertainty": "How far the measurement may be off, in the same unit.",
        "state": "What became of looking for a mark.",
        "flags": "What is known of the part beside its mark, each once.",
        "position": "Where on the instrument it sits.",
        "group": "Parts of one group are compared with each other.",
        "patent": "The patent that a pending mark speaks of.",
        "override": "A technician's own reading, in place of the mark's.",
    },
    "Override": {
        "window": "The days, in EDTF.",
        "name": "Who says so.",
        "reason": "Why.",
    },
    "Lag": {
        "lead": "Months by which the part may be dated ahead.",
        "usual": "Months that such a part usually waits.",
        "longest": "The most months that it waits.",
    },
    "Record": {
        "sheet": "The sheet, as POST /v1/check takes it.",
        "trusted": "A date of the instrument that is known from elsewhere.",
        "photos": "Its photos, which the casebook holds already.",
        "remarks": "Remarks of the shop.",
    },
    "NewRecord": {
        "id": "An id of the caller's own: small letters, digits and hyphens. Without it, the sheet is given one.",
        "sheet": "The sheet, as POST /v1/check takes it.",
        "trusted": "A date of the instrument that is known from elsewhere.",
        "photos": "Its photos, which the casebook holds already.",
        "remarks": "Remarks of the shop.",
    },
    "Trusted": {
        "date": "The date in EDTF, known at both ends.",
        "kind": "What it is the date of; completed, where nothing is said.",
        "source": "How it is known.",
    },
    "PhotoUse": {
        "sha256": "The SHA-256 of its bytes.",
        "part": "The part that it shows.",
        "caption": "What it shows, in words.",
    },
    "Options": {
        "today": "The day of the check; without it, the server's.",
        "lags": "Months of the caller's own, by kind of part.",
        "replacement_rates": "Rates of replacement of the caller's own, by kind of part.",
        "estimate": "Whether an estimate is wanted.",
    },
}  # fmt: skip

# ---------------------------------------------------------------------------------------------------------------
# The document


@lru_cache(maxsize=1)
def document() -> dict[str, Any]:
    """The description, in OpenAPI 3.1."""
    known: dict[str, type[Schema]] = {}

    def name_of(schema: Any) -> str:
        if isinstance(schema, str):
            return schema
        kind = schema if isinstance(schema, type) else type(schema)
        known[component(kind)] = kind
        return component(kind)

    plugin = MarshmallowPlugin(schema_name_resolver=name_of)
    spec = APISpec(
        "partdate",
        __version__,
        "3.1.0",
        info={"description": DESCRIPTION},
        plugins=[plugin],
        servers=[{"url": "/"}],
        tags=[{"name": name, "description": said} for name, said in TAGS.items()],
        security=[{}, {"token": []}],
    )
    assert plugin.converter is not None
    plugin.converter.add_attribute_function(_property)  # type: ignore[no-untyped-call]
    spec.components.security_scheme("token", {"type": "http", "scheme": "bearer"})
    for operation in OPERATIONS:
        spec.path(operation.path, operations={operation.method: _operation(operation)})
        for mimetype, schema, _ in (*operation.answers, *([operation.takes] if operation.takes else [])):
            if mimetype == NDJSON and schema is not None and component(schema) not in known:
                spec.components.schema(name_of(schema), schema=schema)
    made: dict[str, Any] = json.loads(json.dumps(spec.to_dict()))
    for name, shape in made["components"]["schemas"].items():
        shape["description"] = " ".join((known[name].__doc__ or "").split())
        # What is asked has known fields alone; what is answered may have more tomorrow.
        shape.pop("additionalProperties", None)
        if issubclass(known[name], sheet.Known):
            shape["additionalProperties"] = False
        for of, said in SAID.get(name, {}).items():
            shape["properties"][of].setdefault("description", said)
    _finish(made["components"]["schemas"])
    return made


_NAMES: Final = {
    "DecodeSchema": "Question",
    "ItemSchema": "QuestionItem",
    "BatchSchema": "QuestionBatch",
    "PartAnswer": "PartVerdict",
    "OverrideAnswer": "OverrideShown",
    "PhotoSchema": "PhotoUse",
    "PhotoAnswer": "PhotoName",
}


def component(schema: type[Schema]) -> str:
    """The name of a schema among the components."""
    name = schema.__name__
    return _NAMES.get(name, name.removesuffix("Schema").removesuffix("Answer"))


def _finish(found: dict[str, Any]) -> None:
    """What no single field shows."""
    found["Sheet"]["properties"]["parts"].update(maxItems=sheet.PARTS_LIMIT)
    items = found["QuestionBatch"]["properties"]["items"]
    items.update(
        maxItems=ITEMS_LIMIT, items={"description": "As QuestionItem; a faulty one is answered by a problem."}
    )
    for name, value in (("Batch", "decoding"), ("DecodeLine", "decoding"), ("CheckLine", "assessment")):
        shape = found["BatchItem" if name == "Batch" else name]
        shape["oneOf"] = [{"required": [value]}, {"required": ["problem"]}]
    found["Part"]["properties"]["part"]["format"] = "kind-of-part"
    for name in ("Record", "NewRecord"):
        said = found[name]["properties"]["sheet"]["description"]
        found[name]["properties"]["sheet"] = {"$ref": "#/components/schemas/Sheet", "description": said}
        found[name]["properties"]["photos"]["maxItems"] = PHOTOS_LIMIT
    found["NewRecord"]["properties"]["id"]["pattern"] = "^[a-z0-9-]+$"
    found["PhotoUse"]["properties"]["sha256"].update(pattern="^[0-9a-f]{64}$", minLength=64, maxLength=64)
    found["Override"]["properties"]["window"]["maxLength"] = EDTF_LIMIT
    for name in ("Question", "QuestionItem"):
        found[name]["properties"]["claim"]["maxLength"] = EDTF_LIMIT
    for name in ("claim", "second_claim"):
        found["Instrument"]["properties"][name].update(format="edtf", maxLength=EDTF_LIMIT)


def _property(self: Any, made_for: ma.Field[Any], ret: dict[str, Any]) -> dict[str, Any]:
    """What the fields of requests say beyond what a plain field says."""
    made: dict[str, Any] = {}
    kind: Any = "string"
    match made_for:
        case sheet.FeatureValue():
            made = {"minLength": 1, "maxLength": made_for.most, "pattern": PLAIN}
            kind = ["string", "number"]
        case sheet.Day():
            made = {"format": "date"}
        case sheet.Edtf():
            made = {"format": "edtf", "minLength": 1, "maxLength": made_for.most}
        case sheet.Choice():
            made = {}
        case sheet.Text():
            made = {"minLength": 1, "maxLength": made_for.most, "pattern": PLAIN}
        case sheet.MarkingText():
            made = {"format": "marking", "minLength": 1, "maxLength": LONG_MARKING}
        case sheet.Amount():
            made, kind = {"minimum": made_for.least, "maximum": made_for.most}, "number"
        case sheet.Months():
            made, kind = {"minimum": 0, "maximum": sheet.MONTHS_LIMIT}, "integer"
        case listing.Count():
            made, kind = {"minimum": made_for.least, "maximum": made_for.most}, "integer"
        case schemas.OwnId():
            made, kind = {"minLength": 1, "maxLength": schemas.NAME_LIMIT}, ["string", "integer"]
        case ma.Raw() if sheet._true_or_false in made_for.validators:
            kind = "boolean"
        case _:
            return {}
    kinds = [kind] if isinstance(kind, str) else list(kind)
    if made_for.allow_none:
        kinds.append("null")
    return {**made, "type": kinds if len(kinds) > 1 else kinds[0]}


def _operation(operation: Operation) -> dict[str, Any]:
    parameters: list[dict[str, Any]] = [
        {"in": "path", "name": name, "required": True, "description": said, "schema": {"type": "string"}}
        for name, said in operation.parameters
    ]
    parameters += [
        {
            "in": "header",
            "name": name,
            "required": True,
            "description": NEEDED[name],
            "schema": {"type": "string"},
        }
        for name in operation.needs
    ]
    if operation.query is not None:
        parameters.append({"in": "query", "schema": operation.query})
    made: dict[str, Any] = {
        "operationId": operation.id,
        "tags": [operation.tag],
        "summary": operation.summary,
        "description": operation.said,
        "responses": {**_answers(operation), **_refusals(operation)},
    }
    if parameters:
        made["parameters"] = parameters
    if operation.usual is not ALWAYS and "unauthorized" not in operation.usual:
        made["security"] = []
    if operation.takes is not None:
        made["requestBody"] = {"required": True, "content": _content([operation.takes])}
    return made


def _content(offered: Any) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for mimetype, schema, examples in offered:
        made[mimetype] = {
            "schema": {} if mimetype == NDJSON else {"type": "string"} if schema is None else schema,
            "examples": {name: {"value": value} for name, value in examples.items()},
        }
        if mimetype == NDJSON:
            # OpenAPI 3.1 has no word for the shape of one line.
            made[mimetype]["x-line-schema"] = {"$ref": f"#/components/schemas/{component(schema)}"}
    return made


def _answers(operation: Operation) -> dict[str, Any]:
    of_a_version = operation.tag == "casebook"
    said = {**HEADERS, "ETag": OF_A_VERSION} if of_a_version else HEADERS
    headers = {
        name: {"description": said[name], "schema": {"type": "string"}}
        for name in (*operation.headers, "X-Request-ID")
    }
    made: dict[str, Any] = {
        str(operation.status): {
            "description": "The answer.",
            "headers": headers,
            "content": _content(operation.answers),
        }
    }
    if "ETag" in operation.headers and not of_a_version:
        made["304"] = {"description": "Nothing has changed since the ETag that was sent."}
    return made


def _refusals(operation: Operation) -> dict[str, Any]:
    made: dict[str, Any] = {}
    kinds = sorted(
        {KINDS[name] for name in (*operation.problems, *operation.usual)}, key=lambda k: (k.status, k.name)
    )
    for kind in kinds:
        answer = made.setdefault(
            str(kind.status),
            {
                "description": "",
                "headers": {
                    "X-Request-ID": {"description": HEADERS["X-Request-ID"], "schema": {"type": "string"}}
                },
                "content": {PROBLEM_JSON: {"schema": shapes.ProblemAnswer, "examples": {}}},
            },
        )
        answer["description"] = (answer["description"] + f" `{PATH}{kind.name}`: {kind.title}.").strip()
        detail = {
            "type": PATH + kind.name,
            "title": kind.title,
            "status": kind.status,
            "detail": kind.meaning,
        }
        answer["content"][PROBLEM_JSON]["examples"][kind.name] = {"value": detail}
        if kind.status in _REFUSED_WITH:
            name, said = _REFUSED_WITH[kind.status]
            answer["headers"][name] = {"description": said, "schema": {"type": "string"}}
    return made


def text() -> str:
    """The description as it stands in api_spec/openapi.json."""
    return json.dumps(document(), indent=2, ensure_ascii=False) + "\n"


def csv_metadata_text() -> str:
    """The meaning of the columns of an exported assessment, as it stands in api_spec/assessment.csv-metadata.json."""
    return json.dumps(csv_metadata(), indent=2, ensure_ascii=False) + "\n"


@blueprint.get("/openapi.json")
def openapi() -> Response:
    """The description of the endpoint."""
    return _kept("openapi.json", document, JSON)


@blueprint.get("/assessment.csv-metadata.json")
def assessment_columns() -> Response:
    """The meaning of the columns of an assessment as CSV."""
    return _kept("csv-metadata", csv_metadata, CSVM_TYPE)


def _kept(name: str, build: Any, mimetype: str) -> Response:
    etag = etag_of(name)
    known = unchanged(etag)
    return known if known is not None else revalidated(json_answer(build(), mimetype=mimetype), etag)
