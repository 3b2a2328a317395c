"""The JSON endpoint: one marking, one sheet, whether the server is up, and what it counts."""

from __future__ import annotations

from typing import Final

from flask import Blueprint, Response

from decoder import __version__
from decoder.catalog import decode_marking
from decoder.crosscheck import check as check_sheet
from decoder.crosscheck.sheet import SheetError
from decoder.export import CSV_TYPE, DESCRIBED_BY, assessment_csv
from decoder.service.answers import json_answer, json_bytes
from decoder.service.front import front, owe
from decoder.service.metrics import CONTENT_TYPE
from decoder.service.problems import JSON, Problem, body_bytes, body_of, chosen_type, of_faults, parsed
from decoder.service.schemas import RequestError, load_decode, sheet_faults
from decoder.service.settings import Settings, settings

blueprint = Blueprint("api", __name__)

CSV_ANSWER: Final = f"{CSV_TYPE}; charset=utf-8; header=present"


def decoded(raw: bytes, facts: Settings) -> tuple[bytes, str]:
    """The answer to POST /v1/decode with this body, and its status: read, near-miss or unread.

    Raises Problem for a body that can't be taken.
    """
    today = facts.today()
    kept = facts.kept.get(today, raw)
    if kept is not None:
        return kept
    try:
        marking, context = load_decode(parsed(raw), facts.tables, today)
    except RequestError as error:
        raise of_faults(error.faults) from None
    decoding = decode_marking(marking, context).as_dict()
    answer = json_bytes(decoding), str(decoding["status"])
    facts.kept.put(today, raw, answer)
    return answer


@blueprint.post("/v1/decode")
def decode() -> Response:
    """Every reading of one marking, or what almost fitted: the decoding of the core as it stands."""
    chosen_type(JSON)
    facts = settings()
    raw = body_bytes(facts.decode_limit)
    try:
        body, status = decoded(raw, facts)
    except Problem:
        front().metrics.marking("refused")
        raise
    front().metrics.marking(status)
    return Response(body, mimetype=JSON)


@blueprint.post("/v1/check")
def check() -> Response:
    """The assessment of one sheet as it stands: as JSON, or as CSV for a spreadsheet or collection software."""
    wanted = chosen_type(JSON, CSV_TYPE)
    facts = settings()
    raw = body_of(facts.check_limit)
    try:
        assessment = check_sheet(raw, today=facts.today(), tables=facts.tables)
    except SheetError as error:
        raise of_faults(sheet_faults(error), "bad-sheet") from None
    owe(len(assessment.parts) - 1)
    if wanted == JSON:
        response = json_answer(assessment.as_dict())
    else:
        response = Response(assessment_csv(assessment.as_dict()), content_type=CSV_ANSWER)
        response.headers["Link"] = f'<{DESCRIBED_BY}>; rel="describedby"; type="application/csvm+json"'
        response.headers["Content-Disposition"] = 'attachment; filename="assessment.csv"'
    response.vary.add("Accept")
    return response


@blueprint.get("/healthz")
def healthz() -> Response:
    """That the server answers, its version, and the digest of the tables that it answers from."""
    return json_answer({"status": "ok", "version": __version__, "tables": settings().facts})


@blueprint.get("/readyz")
def readyz() -> Response:
    """Whether a balancer may send requests here: 200, or 503 once the server has been told to stop."""
    if front().stopping:
        raise Problem("stopping", "This process answers what it has begun, and takes nothing new.")
    return json_answer({"status": "ready"})


@blueprint.get("/metrics")
def metrics() -> Response:
    """What has been counted, for Prometheus."""
    return Response(front().metrics.text(), content_type=CONTENT_TYPE)
