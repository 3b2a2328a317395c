"""What stands in front of every route: request ids, tokens, rates, other sites, the log and the counts.

`Front` wraps the WSGI application. It also answers a plain POST /v1/decode by itself, which is most of the traffic:
anything about such a request that is not plain, and anything that goes wrong, takes the way through Flask, which
calls the same function (`api.decoded`) and has the last word.
"""

from __future__ import annotations

import ipaddress
import re
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from io import BytesIO
from math import ceil
from secrets import token_hex
from threading import BoundedSemaphore
from time import perf_counter
from typing import Any, Final, cast

from flask import Flask, Response, abort, current_app, request
from werkzeug.datastructures import MIMEAccept
from werkzeug.http import parse_accept_header
from werkzeug.wsgi import ClosingIterator

from decoder.service.answers import GZIP_FORM, GZIP_FROM, GZIP_LEVEL, HEADERS, takes_gzip
from decoder.service.logs import REQUEST_ID, Log
from decoder.service.metrics import OTHER, Metrics
from decoder.service.problems import JSON, PATH, Problem, is_for_programs
from decoder.service.rates import Buckets
from decoder.service.settings import Settings, in_force
from decoder.service.tokens import Tokens

CLIENT: Final = "partdate.client"  # in the WSGI environment: who asks, as the rates count
REFUSAL: Final = "partdate.refusal"  # the problem with which the request is refused
ROUTE: Final = "partdate.route"
EXTENSION: Final = "partdate.front"
DECODE: Final = "/v1/decode"
# Open to everybody even where tokens are needed: nothing here tells of anything but this program.
OPEN_PATHS: Final = frozenset({"/healthz", "/readyz", "/openapi.json", "/reference"})
OPEN_BELOW: Final = ("/static/", PATH)
UNCOUNTED: Final = ("/healthz", "/readyz", "/metrics")
EXPOSED: Final = "ETag, Link, Location, Retry-After, X-Request-ID"
PREFLIGHT: Final = {
    "Access-Control-Allow-Headers": "Authorization, Content-Type, If-Match, If-None-Match, X-Request-ID",
    "Access-Control-Max-Age": "600",
}
_ID: Final = re.compile(r"[A-Za-z0-9._:/+=-]{1,64}")

Environ = dict[str, Any]
Start = Callable[..., Any]
Body = Iterable[bytes]
Decoded = Callable[[bytes, Settings], tuple[bytes, str]]


@dataclass(slots=True)
class Guard:
    """Who is let in, and how often: tokens (None lets everybody in), rates (None sets no bound), other sites."""

    tokens: Tokens | None = None
    rates: Buckets | None = None
    origins: frozenset[str] = frozenset()


class Front:
    """The WSGI application in front of the one of Flask."""

    def __init__(
        self, app: Flask, guard: Guard, metrics: Metrics, log: Log | None, decoded: Decoded, streams: int
    ) -> None:
        self.app = app
        self.inner = app.wsgi_app
        self.guard = guard
        self.metrics = metrics
        self.log = log
        self.decoded = decoded
        self.streams = BoundedSemaphore(streams)
        self.streams_end: float | None = (
            None  # by time.monotonic: when streams end early, since the server stops
        )
        self.stopping = False
        hosts = app.config.get("TRUSTED_HOSTS")
        self._hosts = None if hosts is None else frozenset(hosts)

    def __call__(self, environ: Environ, start_response: Start) -> Body:
        """Answer one request."""
        began = perf_counter()
        given = environ.get("HTTP_X_REQUEST_ID")
        name = given if given is not None and _ID.fullmatch(given) else token_hex(8)
        environ[REQUEST_ID] = name
        refusal = self._refusal(environ)
        if refusal is None:
            made = self._straight(environ)
            if made is not None:
                body, headers = made
                headers.append(("X-Request-ID", name))
                start_response("200 OK", headers)
                self._done(environ, DECODE, 200, len(body), began)
                return (body,)
        else:
            environ[REFUSAL] = refusal
        answered: list[Any] = [500, None]

        def start(status: str, headers: list[tuple[str, str]], exc_info: Any = None) -> Any:
            headers.append(("X-Request-ID", name))
            answered[:] = int(status[:3]), next((v for k, v in headers if k == "Content-Length"), None)
            return start_response(status, headers, exc_info)

        result = self.inner(environ, start)
        status, length = answered
        route = environ.get(ROUTE, OTHER)
        if length is not None:
            self._done(environ, route, status, int(length), began)
            return result
        sent = 0

        def counted() -> Iterable[bytes]:
            nonlocal sent
            for block in result:
                sent += len(block)
                yield block

        def over() -> None:
            if hasattr(result, "close"):
                result.close()
            self._done(environ, route, status, sent, began)

        return ClosingIterator(counted(), [over])

    def refused_early(self, method: str, status: int) -> None:
        """Count and log a request that the server refused before it came here."""
        self.metrics.answered(OTHER, method, status, 0.0)
        if self.log is not None:
            self.log("request", {"route": OTHER, "method": method, "status": status})

    def _done(self, environ: Environ, route: str, status: int, size: int, began: float) -> None:
        seconds = perf_counter() - began
        method = environ["REQUEST_METHOD"]
        self.metrics.answered(route, method, status, seconds)
        if self.log is not None:
            self.log(
                "request",
                {
                    "request_id": environ[REQUEST_ID],
                    "route": route,
                    "method": method[:20],
                    "status": status,
                    "ms": round(seconds * 1000, 2),
                    "bytes": size,
                    "client": environ.get(CLIENT),
                },
            )

    def _refusal(self, environ: Environ) -> Problem | None:
        """Why this request is not let in; None when it is."""
        guard = self.guard
        path = environ.get("PATH_INFO", "")
        address = environ.get("REMOTE_ADDR") or ""
        environ[CLIENT] = address
        if guard.tokens is not None and not is_open(path) and not self._is_preflight(environ):
            name = guard.tokens.name_of(environ.get("HTTP_AUTHORIZATION"))
            if name is None:
                scheme = "Bearer" if is_for_programs(path) else "Basic"
                return Problem(
                    "unauthorized",
                    "This server answers to those who have a token.",
                    headers=[("WWW-Authenticate", f'{scheme} realm="partdate", charset="UTF-8"')],
                )
            environ[CLIENT] = name
        if guard.rates is not None and path not in UNCOUNTED:
            wait = guard.rates.wait(payer(environ))
            if wait > 0:
                seconds = ceil(wait)
                return Problem(
                    "too-many-requests",
                    f"Wait {seconds} second{'s' if seconds > 1 else ''}, then send this again.",
                    headers=[("Retry-After", str(seconds))],
                )
        return None

    def _is_preflight(self, environ: Environ) -> bool:
        return (
            environ["REQUEST_METHOD"] == "OPTIONS"
            and environ.get("HTTP_ORIGIN") in self.guard.origins
            and "HTTP_ACCESS_CONTROL_REQUEST_METHOD" in environ
        )

    def _straight(self, environ: Environ) -> tuple[bytes, list[tuple[str, str]]] | None:
        """The answer to a plain POST /v1/decode with its headers; None for every other request.

        Plain is: the address itself, JSON in and JSON out, a body of known and lawful length, a host name that is
        trusted, no other site.
        """
        get = environ.get
        if (
            get("PATH_INFO") != DECODE
            or environ["REQUEST_METHOD"] != "POST"
            or get("CONTENT_TYPE") != JSON
            or "HTTP_ORIGIN" in environ
            or "HTTP_CONTENT_ENCODING" in environ
            or not takes_json(get("HTTP_ACCEPT", "*/*"))
            or (self._hosts is not None and get("HTTP_HOST", "").partition(":")[0] not in self._hosts)
        ):
            return None
        length = get("CONTENT_LENGTH") or ""
        facts = in_force(self.app)
        if not (length.isascii() and length.isdecimal() and int(length) <= facts.decode_limit):
            return None
        raw = environ["wsgi.input"].read(int(length))
        try:
            body, status = self.decoded(raw, facts)
        except Exception:
            # Flask says what is wrong, or fails over it once more and logs the failure.
            environ["wsgi.input"] = BytesIO(raw)
            return None
        self.metrics.marking(status)
        headers = [*_STRAIGHT]
        if len(body) > GZIP_FROM:
            headers.append(("Vary", "Accept-Encoding"))
            if takes_gzip(get("HTTP_ACCEPT_ENCODING", "")):
                body = zlib.compress(body, GZIP_LEVEL, GZIP_FORM)
                headers.append(("Content-Encoding", "gzip"))
        headers.append(("Content-Length", str(len(body))))
        return body, headers


_STRAIGHT: Final = [("Content-Type", JSON), *HEADERS.items(), ("Cache-Control", "no-store")]


def front() -> Front:
    """What stands in front of the application that answers this request."""
    return cast(Front, current_app.extensions[EXTENSION])


def is_open(path: str) -> bool:
    """Whether an address is answered without a token."""
    return path in OPEN_PATHS or path.startswith(OPEN_BELOW)


def payer(environ: Mapping[str, Any]) -> str:
    """Whose bucket a request takes from: that of a token's name, or of an address (of a network, for IPv6)."""
    return _payer(environ[CLIENT])


@lru_cache(maxsize=4096)
def _payer(client: str) -> str:
    try:
        address = ipaddress.ip_address(client)
    except ValueError:
        return client
    if address.version == 4:
        return client
    return str(ipaddress.ip_network(f"{address}/64", strict=False))


def owe(tokens: int) -> None:
    """Take tokens for what the request being answered asks beyond the one that let it in."""
    rates = front().guard.rates
    if rates is not None:
        rates.owe(payer(request.environ), tokens)


@lru_cache(maxsize=64)
def _takes_json(accepted: str) -> bool:
    return parse_accept_header(accepted, MIMEAccept).best_match([JSON]) is not None


def takes_json(accepted: str) -> bool:
    """Whether a header Accept takes JSON; False for a long one too, which Flask may look at."""
    return not accepted or (len(accepted) <= 200 and _takes_json(accepted))


def stand_before(app: Flask, made: Front) -> None:
    """Put a front before the application, and have Flask keep to what the front says."""
    app.extensions[EXTENSION] = made
    app.wsgi_app = made  # type: ignore[method-assign]
    app.before_request(_enter)
    app.after_request(_for_other_sites)


def _enter() -> Response | None:
    rule = request.url_rule
    request.environ[ROUTE] = rule.rule if rule is not None else OTHER
    refusal: Problem | None = request.environ.get(REFUSAL)
    if refusal is not None:
        raise refusal
    if request.method == "OPTIONS" and _other_site() and "Access-Control-Request-Method" in request.headers:
        if rule is None:
            abort(404)
        response = Response(status=204)
        response.headers.extend(PREFLIGHT)
        methods = set(current_app.make_default_options_response().allow) - {"HEAD", "OPTIONS"}
        response.headers["Access-Control-Allow-Methods"] = ", ".join(sorted(methods))
        return response
    return None


def _other_site() -> str | None:
    """The site that asks, if it is one that may."""
    origin = request.headers.get("Origin")
    allowed = origin in front().guard.origins and is_for_programs(request.path)
    return origin if allowed else None


def _for_other_sites(response: Response) -> Response:
    if front().guard.origins and is_for_programs(request.path):
        response.vary.add("Origin")
        origin = _other_site()
        if origin is not None:
            response.headers["Access-Control-Allow-Origin"] = origin
            response.headers["Access-Control-Expose-Headers"] = EXPOSED
    return response
