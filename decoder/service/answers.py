"""What every answer has in common: how JSON is written, which headers go out, when nothing has changed."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Iterable, Iterator
from functools import lru_cache
from typing import Any, Final

from flask import Response, render_template, request
from werkzeug.http import parse_accept_header

from decoder.service.settings import settings

# The pages work without their one script; it, the styles and the mark in the tab come from this server alone.
POLICY: Final = (
    "default-src 'none'; script-src 'self'; connect-src 'self'; style-src 'self'; img-src 'self'; "
    "form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",  # the address of an answer holds the marking
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
# For pages whose forms save something: with no-referrer a browser sends no Origin by which its own form is known.
OWN_REFERRER: Final = "same-origin"
STATIC_AGE: Final = 31_536_000  # seconds; the address of a static file changes with its bytes
REVALIDATE: Final = "private, no-cache"
GZIP_FROM: Final = 1_024  # bytes; less than this fits into one packet anyway
GZIP_LEVEL: Final = 1  # three times as quick as the usual 6, for answers a tenth larger
GZIP_TYPES: Final = ("application/json", "application/problem+json", "application/csvm+json", "image/svg+xml")
GZIP_FORM: Final = 31  # zlib's word for gzip with the largest window
ACCEPT_LIMIT: Final = 200  # characters; longer headers are read each time, and not remembered

_write: Final = json.JSONEncoder(separators=(",", ":"), allow_nan=False, check_circular=False).encode


def with_headers(response: Response) -> Response:
    """The response with the security headers and a Cache-Control where the route gave none, compressed if asked."""
    for name, value in HEADERS.items():
        response.headers.setdefault(name, value)
    _compress(response)
    if request.endpoint == "static" and response.status_code in (200, 304):
        response.headers["Cache-Control"] = f"public, max-age={STATIC_AGE}, immutable"
    elif "Cache-Control" not in response.headers:
        response.headers["Cache-Control"] = "no-store"
    return response


def _compress(response: Response) -> None:
    """Make the body gzip where that is wanted and worth it. Streams are compressed as they are made."""
    if response.status_code != 200 or (response.is_streamed and request.endpoint != "static"):
        return
    mimetype = response.mimetype or ""
    if not (mimetype.startswith("text/") or mimetype in GZIP_TYPES):
        return
    if "Content-Encoding" in response.headers:
        return
    response.direct_passthrough = False
    body = response.get_data()
    if len(body) <= GZIP_FROM:
        return
    response.vary.add("Accept-Encoding")
    if takes_gzip(request.headers.get("Accept-Encoding", "")):
        response.set_data(zlib.compress(body, GZIP_LEVEL, GZIP_FORM))
        response.headers["Content-Encoding"] = "gzip"
        etag, _ = response.get_etag()
        if etag is not None:
            response.set_etag(etag, weak=True)  # the same facts, in other bytes


def takes_gzip(accepted: str) -> bool:
    """Whether a header Accept-Encoding asks for gzip: by its name, or by `*` for whatever there is."""
    return bool(accepted) and (_takes_gzip if len(accepted) <= ACCEPT_LIMIT else _takes_gzip.__wrapped__)(
        accepted
    )


@lru_cache(maxsize=64)
def _takes_gzip(accepted: str) -> bool:
    weights = {name.strip().lower(): weight for name, weight in parse_accept_header(accepted)}
    return weights.get("gzip", weights.get("*", 0)) > 0


def gzipped(blocks: Iterable[bytes]) -> Iterator[bytes]:
    """Blocks as one gzip file, each of which can be read as soon as it has come."""
    packer = zlib.compressobj(GZIP_LEVEL, zlib.DEFLATED, GZIP_FORM)
    for block in blocks:
        yield packer.compress(block) + packer.flush(zlib.Z_SYNC_FLUSH)
    yield packer.flush()


def json_bytes(body: Any) -> bytes:
    """A value as JSON, in plain ASCII, in the order of its fields, with a line break at its end."""
    return (_write(body) + "\n").encode("ascii")


def json_answer(body: Any, status: int = 200, mimetype: str = "application/json") -> Response:
    """A value as a JSON answer."""
    return Response(json_bytes(body), status, mimetype=mimetype)


def html_answer(template: str, status: int = 200, **shown: Any) -> Response:
    """A template as an answer. Half a character, which JSON can hold and UTF-8 can't, is shown as `?`."""
    page = render_template(template, **shown).encode("utf-8", "replace")
    return Response(page, status, mimetype="text/html")


def etag_of(*parts: str | Iterable[tuple[str, str]]) -> str:
    """The ETag of an answer that depends on these parts, on the tables, the day and the pages' own files."""
    facts = settings()
    named = [facts.build, facts.facts, facts.today().isoformat()]
    named += [part if isinstance(part, str) else json.dumps(sorted(part)) for part in parts]
    return hashlib.sha256("\0".join(named).encode("utf-8", "surrogatepass")).hexdigest()[:20]


def unchanged(etag: str) -> Response | None:
    """304 for a client that has the answer of this ETag already; it is told before any work is done."""
    asked = request.if_none_match
    if asked.star_tag or not asked.contains_weak(etag):
        return None
    return revalidated(Response(status=304), etag)


def revalidated(response: Response, etag: str) -> Response:
    """The response with its ETag, to be kept by the browser and asked for again each time."""
    response.set_etag(etag)
    response.headers["Cache-Control"] = REVALIDATE
    return response
