"""Every error as RFC 9457 problem details, or as a page with the same words for whoever asked with a browser.

`Problem` is raised by the routes, `handle_all` turns it, and every error of Flask itself, into an answer.
GET /problems/<name> says what each type means.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, NoReturn

from flask import Blueprint, Flask, Response, abort, request
from werkzeug.exceptions import HTTPException, NotFound
from werkzeug.http import HTTP_STATUS_CODES

from decoder.service.answers import etag_of, html_answer, json_answer, revalidated, unchanged
from decoder.service.schemas import Fault

PROBLEM_JSON: Final = "application/problem+json"
PATH: Final = "/problems/"
JSON: Final = "application/json"
FOR_PROGRAMS: Final = ("/v1", "/healthz", "/readyz", "/metrics")
SHOWN_LIMIT: Final = 100  # characters of a request that a problem quotes


@dataclass(frozen=True, slots=True)
class Kind:
    """One type of problem: the last step of its address, its status, its title, and what to do about it."""

    name: str
    status: int
    title: str
    meaning: str

    def as_dict(self) -> dict[str, Any]:
        """The type as it stands in JSON."""
        return {"type": PATH + self.name, "status": self.status, "title": self.title, "meaning": self.meaning}


KINDS: Final = {
    kind.name: kind
    for kind in (
        Kind(
            "broken-json",
            400,
            "The body is not JSON",
            "The body can't be read as JSON in UTF-8. The detail names the line and the column where reading "
            "stopped. A name that stands twice in one object, and NaN or Infinity, are refused too.",
        ),
        Kind(
            "bad-request",
            400,
            "The request can't be read",
            "The request breaks the rules of HTTP or of the form in which it was sent. Send it again as the "
            "detail says.",
        ),
        Kind(
            "not-found",
            404,
            "Nothing is at this address",
            "Check the address. The page is at / and /check, the JSON endpoint below /v1/, and /reference lists all "
            "of it. A table is named as /v1/tables lists it.",
        ),
        Kind(
            "unauthorized",
            401,
            "A token is needed",
            "Send Authorization: Bearer and a token of this server. A browser asks for a name and a password: the "
            "password is the token, the name is free. A token that has been taken out of the server's list is "
            "refused within a second or two.",
        ),
        Kind(
            "method-not-allowed",
            405,
            "The address takes no such method",
            "The header Allow of the answer lists the methods that the address takes.",
        ),
        Kind(
            "not-acceptable",
            406,
            "None of the accepted types can be given",
            "The header Accept names none of the types that this address answers in; the detail lists them. Leave "
            "the header out to get the usual one.",
        ),
        Kind(
            "too-large",
            413,
            "The body is too large",
            "A marking has at most 64 characters (400 for labels and patents), a sheet at most 200 parts, a batch at "
            "most 1,000 items: no request needs more than the detail allows. Send several smaller ones, or use the "
            "stream.",
        ),
        Kind(
            "wrong-content-type",
            415,
            "The body is of another type than the one that is taken",
            "Send JSON with the header Content-Type: application/json, to a stream application/x-ndjson, and "
            "without a Content-Encoding. The header Accept-Post of the answer names the type.",
        ),
        Kind(
            "bad-fields",
            422,
            "Some fields can't be taken",
            "The body is JSON, but a field is missing, unknown, of the wrong type or out of bounds. The list "
            "errors names each one by its JSON pointer.",
        ),
        Kind(
            "bad-marking",
            422,
            "The marking can't be taken",
            "A marking is the text read off the part: 1 to 64 characters, up to 400 for kinds that carry running "
            "text, without control or direction characters. ? is one worn character, [68] is one of those, * is "
            "an unknown number of worn characters. A marking that no scheme reads is an answer, not an error.",
        ),
        Kind(
            "bad-claim",
            422,
            "The claim is no period",
            "A claim is written in EDTF: 1966, 196X (the whole decade), 1965/1967, 1966-03, 1966~ (about).",
        ),
        Kind(
            "unknown-kind",
            422,
            "No kind of part has this name",
            "The kind is one of the ids or trade names of the table parts/kinds, such as potentiometer, pot, "
            "neck-heel, serial. The message names the nearest ones; leave the kind out if it is not known.",
        ),
        Kind(
            "bad-sheet",
            422,
            "The sheet can't be checked",
            "A sheet is one instrument with its parts. The list errors names every fault by its JSON pointer.",
        ),
        Kind(
            "too-many-requests",
            429,
            "More is asked than this server gives to one client",
            "Wait as many seconds as the header Retry-After says, then send the request again: asking twice changes "
            "nothing. A batch counts as many markings as it has, a sheet as many as it has parts.",
        ),
        Kind(
            "headers-too-large",
            431,
            "The headers are too large",
            "All headers together may have 256 kB. Put what is asked for into the body.",
        ),
        Kind(
            "internal",
            500,
            "The server failed",
            "The fault is the server's; it has been logged there. Nothing of the request was kept.",
        ),
        Kind(
            "busy",
            503,
            "The server is busy",
            "As many streams are open, or reports being made as PDF, as the server takes at once. Send the request "
            "again after as many seconds as the header Retry-After says.",
        ),
        Kind(
            "out-of-time",
            503,
            "The time for one request is over",
            "The items before this one have been answered. Send the ones without an answer again, in smaller batches "
            "or streams.",
        ),
        Kind(
            "stopping",
            503,
            "The server is being stopped",
            "What has been answered stands. Send what has no answer again in a moment: another process, or the "
            "restarted one, takes it.",
        ),
        Kind(
            "stale-version",
            412,
            "Somebody else saved the sheet first",
            "The ETag in If-Match is not that of the version that stands there now. Nothing was saved. The member "
            "current is that version, yours what you sent: compare the two, then send the change again with the ETag "
            "of current.",
        ),
        Kind(
            "sheet-exists",
            409,
            "A sheet of this id is here already",
            "A new sheet can't take an id that is taken. Nothing was saved. The member current is the sheet that has "
            "it, yours what you sent. Leave the id out to be given one, or change the sheet with PUT and its ETag.",
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
}
_BY_STATUS: Final = {
    400: "bad-request",
    401: "unauthorized",
    404: "not-found",
    405: "method-not-allowed",
    406: "not-acceptable",
    413: "too-large",
    415: "wrong-content-type",
    422: "bad-fields",
    429: "too-many-requests",
    431: "headers-too-large",
    500: "internal",
}
_BY_FIELD: Final = {"marking": "bad-marking", "claim": "bad-claim", "part": "unknown-kind"}


class Problem(Exception):
    """An error to be answered: its kind, what is wrong this time, each fault, and headers that go with it."""

    def __init__(
        self, kind: str, detail: str, faults: Iterable[Fault] = (), headers: Iterable[tuple[str, str]] = ()
    ) -> None:
        super().__init__(detail)
        self.kind = KINDS[kind]
        self.detail = detail
        self.faults = tuple(faults)
        self.headers = tuple(headers)

    def as_dict(self) -> dict[str, Any]:
        """The problem as it stands in JSON: the members of RFC 9457, and `errors` where single values are at fault."""
        return _body(self.kind.status, self.kind.title, PATH + self.kind.name, self.detail, self.faults)


def of_faults(faults: tuple[Fault, ...], kind: str | None = None) -> Problem:
    """The problem of a request with these faults; its kind is that of the one field at fault, if it is one."""
    fields = {fault.field for fault in faults}
    found = kind or (_BY_FIELD.get(next(iter(fields)), "bad-fields") if len(fields) == 1 else "bad-fields")
    if len(faults) == 1:
        detail = f"{faults[0].pointer}: {faults[0].message}".removeprefix(": ")
    else:
        detail = f"{len(faults)} things are wrong; the list errors names each one."
    return Problem(found, detail, faults)


def body_of(limit: int) -> Any:
    """The JSON value in the body of this request, of at most `limit` bytes.

    Raises Problem for another content type, a larger body, or text that is no JSON.
    """
    return parsed(body_bytes(limit))


def body_bytes(limit: int) -> bytes:
    """The body of this request, of at most `limit` bytes, if it is sent as JSON. Raises Problem."""
    must_be_sent_as(JSON)
    request.max_content_length = limit
    return request.get_data(cache=False)


def must_be_sent_as(mimetype: str) -> None:
    """Raise Problem for a body of another content type, and for one that is compressed."""
    if request.mimetype != mimetype:
        sent = f"not {request.mimetype[:SHOWN_LIMIT]!r}" if request.mimetype else "and none was given"
        raise Problem(
            "wrong-content-type",
            f"The Content-Type must be {mimetype}, {sent}.",
            headers=[("Accept-Post", mimetype)],
        )
    if request.headers.get("Content-Encoding", "identity") != "identity":
        raise Problem("wrong-content-type", "The body must be sent without a Content-Encoding.")


def chosen_type(*offered: str) -> str:
    """The one of these types that the client likes best; the first, if it doesn't say.

    Raises Problem when it accepts none of them.
    """
    if not request.headers.get("Accept"):
        return offered[0]
    found = request.accept_mimetypes.best_match(offered)
    if found is None:
        raise Problem("not-acceptable", f"{request.path} answers in {' or '.join(offered)}.")
    return found


def parsed(raw: bytes | str, line: int = 1) -> Any:
    """The JSON value that a text holds, which begins at this line of what was sent.

    Raises Problem `broken-json` with line and column.
    """
    try:
        text = raw if isinstance(raw, str) else raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise Problem(
            "broken-json", f"The body is not UTF-8 text: byte {error.start + 1} can't be read."
        ) from None
    if not text.strip():
        raise Problem("broken-json", f"Line {line}, column 1: the body is empty.")
    try:
        return _READER.decode(text)
    except json.JSONDecodeError as error:
        raise Problem(
            "broken-json",
            f"Line {error.lineno + line - 1}, column {error.colno}: {error.msg[:1].lower()}{error.msg[1:]}.",
        ) from None
    except RecursionError:
        raise Problem("broken-json", "Objects and lists stand too deeply inside each other.") from None
    except ValueError:  # Python's own limit on the digits of one integer
        raise Problem("broken-json", "A number has more digits than can be read.") from None


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        seen = set(made)
        for name, _ in pairs:
            if name not in seen:
                raise Problem("broken-json", f"The name {name[:SHOWN_LIMIT]!r} stands twice in one object.")
            seen.discard(name)
    return made


def _no_constant(word: str) -> NoReturn:
    raise Problem("broken-json", f"{word} is no JSON value.")


_READER: Final = json.JSONDecoder(object_pairs_hook=_object, parse_constant=_no_constant)


def handle_all(app: Flask) -> None:
    """Have the application answer every error of its own, and every failure, in the form of this module."""
    app.register_error_handler(Problem, answer_of)
    app.register_error_handler(HTTPException, _answer_http)


def _answer_http(error: HTTPException) -> Response:
    # An error that brings its own answer, such as a redirect, has nothing to be told.
    status = error.code or 500
    if error.response is not None or status < 400:
        return error.get_response()  # type: ignore[return-value]
    headers = [(k, v) for k, v in error.get_headers() if k.lower() not in ("content-type", "content-length")]
    kind = _BY_STATUS.get(status)
    if kind is None:
        title = HTTP_STATUS_CODES.get(status, "Error")
        return _written(status, title, "about:blank", error.description or title, (), headers)
    return answer_of(Problem(kind, _detail(error), headers=headers))


def _detail(error: HTTPException) -> str:
    path = request.path[:SHOWN_LIMIT]
    match error.code:
        case 404:
            return f"Nothing is at {path}."
        case 405:
            return f"{path} does not take {request.method[:20]}."
        case 413:
            limit = f"The body is larger than {request.max_content_length or 0:,} bytes"
            return (
                f"{limit}, or has too many fields."
                if request.mimetype.startswith("multipart/")
                else f"{limit}."
            )
        case 500:
            return "Something went wrong here, not in the request. It has been logged."
        case _:
            return error.description or KINDS[_BY_STATUS[error.code or 500]].meaning


def answer_of(problem: Problem) -> Response:
    """A problem as an answer: as JSON, or as a page for whoever asked for one."""
    kind = problem.kind
    return _written(
        kind.status, kind.title, PATH + kind.name, problem.detail, problem.faults, problem.headers
    )


def _written(
    status: int,
    title: str,
    kind: str,
    detail: str,
    faults: Iterable[Fault],
    headers: Iterable[tuple[str, str]],
) -> Response:
    body = _body(status, title, kind, detail, faults)
    if is_for_programs(request.path):
        response = json_answer(body, status, PROBLEM_JSON)
    else:
        response = html_answer("error.html", status, problem=body)
    response.headers.extend(list(headers))
    return response


def _body(status: int, title: str, kind: str, detail: str, faults: Iterable[Fault]) -> dict[str, Any]:
    body: dict[str, Any] = {"type": kind, "title": title, "status": status, "detail": detail}
    errors = [fault.as_dict() for fault in faults]
    if errors:
        body["errors"] = errors
    return body


def is_for_programs(path: str) -> bool:
    """Whether an address belongs to the JSON endpoint, whose errors are problem details and never pages."""
    return path.startswith("/v1/") or path in FOR_PROGRAMS or path.endswith(".json")


blueprint = Blueprint("problems", __name__)


@blueprint.get(PATH)
def index() -> Response:
    """All types of problem."""
    return _documented(list(KINDS.values()))


@blueprint.get(PATH + "<name>")
def document(name: str) -> Response:
    """What one type of problem means."""
    if name not in KINDS:
        abort(NotFound.code)
    return _documented([KINDS[name]])


def _documented(kinds: list[Kind]) -> Response:
    as_json = request.accept_mimetypes.best_match(["text/html", "application/json"]) == "application/json"
    etag = etag_of(request.path, str(as_json))
    response = unchanged(etag)
    if response is None:
        shown = [kind.as_dict() for kind in kinds]
        if as_json:
            response = json_answer({"problems": shown} if request.path == PATH else shown[0])
        else:
            response = html_answer("problems.html", kinds=shown)
        revalidated(response, etag)
    response.vary.add("Accept")
    return response
