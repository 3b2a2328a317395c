"""The JSON endpoint and the page over the core: `create_app()` makes the Flask application."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from flask import Flask

from decoder.service import (
    answers,
    api,
    front,
    listing,
    many,
    openapi,
    page,
    problems,
    reads,
    reference,
    report_page,
)
from decoder.service.metrics import Metrics
from decoder.service.rates import Buckets
from decoder.service.settings import (
    BATCH_SECONDS,
    CHECK_BODY_LIMIT,
    DECODE_BODY_LIMIT,
    EXTENSION,
    ITEMS_LIMIT,
    STREAM_BODY_LIMIT,
    STREAM_SECONDS,
    Kept,
    Settings,
    digest_of_files,
)
from decoder.service.tokens import Tokens
from decoder.tables import from_environment

__all__ = ["create_app"]

STREAMS = 4  # streams answered at once


def create_app(config: Mapping[str, Any] | None = None) -> Flask:
    """The application, ready for any WSGI server.

    `config` may hold any setting of Flask itself, and

    - TABLES: a `decoder.tables.Tables`; else those of the environment.
    - TODAY: a callable that returns the day up to which parts may have been made; else `date.today`.
    - DECODE_BODY_LIMIT, CHECK_BODY_LIMIT, STREAM_BODY_LIMIT: the most bytes that a body may have.
    - ITEMS_LIMIT, BATCH_SECONDS, STREAM_SECONDS, STREAMS: the most items of a batch, the seconds after which a batch
      or stream begins no further item, and how many streams are answered at once.
    - KEPT_BYTES: how much room there is for answers to the last questions (`decoder.service.settings.Kept`); else none.
    - TOKEN_FILE: a file of bearer tokens (`decoder.service.tokens`); without it, everybody is let in.
    - RATE, BURST: tokens a second and at most, for each client (`decoder.service.rates`); without RATE, no bound.
    - CORS_ORIGINS: sites whose pages may ask, such as `https://intake.example`; none without it.
    - CASEBOOK: a `decoder.casebook.Casebook`, or its file or address; without it, no sheet is kept.
    - LOG: a callable that takes an event and what is said of it, such as `decoder.service.logs.JsonLog`.

    Raises TableError when the tables of the environment can't be used, TokenError for the token file.
    """
    given = dict(config or {})
    app = Flask(__name__)
    app.url_map.merge_slashes = False
    settings = Settings(
        tables=given.pop("TABLES", None) or from_environment(),
        today=given.pop("TODAY", date.today),
        decode_limit=given.pop("DECODE_BODY_LIMIT", DECODE_BODY_LIMIT),
        check_limit=given.pop("CHECK_BODY_LIMIT", CHECK_BODY_LIMIT),
        stream_limit=given.pop("STREAM_BODY_LIMIT", STREAM_BODY_LIMIT),
        items_limit=given.pop("ITEMS_LIMIT", ITEMS_LIMIT),
        batch_seconds=given.pop("BATCH_SECONDS", BATCH_SECONDS),
        stream_seconds=given.pop("STREAM_SECONDS", STREAM_SECONDS),
        build=digest_of_files(app.root_path),
        kept=Kept(given.pop("KEPT_BYTES", 0)),
    )
    app.extensions[EXTENSION] = settings
    log = given.pop("LOG", None)
    guard = _guard(given, log)
    streams = given.pop("STREAMS", STREAMS)
    casebook = given.pop("CASEBOOK", None)
    # No request of any kind may be larger than the largest sheet; each route sets its own limit.
    app.config.update(MAX_CONTENT_LENGTH=settings.check_limit, MAX_FORM_MEMORY_SIZE=settings.check_limit)
    app.config.update(MAX_FORM_PARTS=page.FORM_FIELDS_LIMIT)
    app.config.update(given)
    app.jinja_options = {"trim_blocks": True, "lstrip_blocks": True}
    front.stand_before(app, front.Front(app, guard, Metrics(), log, api.decoded, streams))
    for part in (api, many, listing, openapi, reference, page, reads, report_page, problems):
        app.register_blueprint(part.blueprint)
    problems.handle_all(app)
    if casebook is not None:
        from decoder.service import sheets  # and the database library with it

        sheets.install(app, casebook)
    app.after_request(answers.with_headers)
    return app


def _guard(given: dict[str, Any], log: Any) -> front.Guard:
    path, rate = given.pop("TOKEN_FILE", None), given.pop("RATE", None)
    burst, origins = given.pop("BURST", None), given.pop("CORS_ORIGINS", ())
    return front.Guard(
        tokens=Tokens(Path(path), log) if path else None,
        rates=Buckets(float(rate), float(burst or rate)) if rate else None,
        origins=frozenset(origins),
    )
