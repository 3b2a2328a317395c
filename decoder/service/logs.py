"""The log: one JSON object a line on standard error, with nothing of what was asked or answered in it.

Each line has `time` (UTC), `level` and `event`. A line for a request names route, method, status, milliseconds,
bytes, client and request id: never a marking, a query string or a body. A failure is told by the type of the
exception and the lines of code that it passed, without its text, which may quote what was asked.
"""

from __future__ import annotations

import json
import logging
import os
import time
import traceback
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, Final

from flask import has_request_context, request

STANDARD_ERROR: Final = 2
REQUEST_ID: Final = "partdate.request_id"  # in the WSGI environment

NUMBERS: Final = (int, float)
_quote: Final = json.encoder.encode_basestring_ascii
_write: Final = json.JSONEncoder(separators=(",", ":"), default=str).encode

LEVELS: Final = {"tables-refused": "error", "tokens-refused": "error", "worker-ended": "error"}

Sink = Callable[[bytes], object]
Log = Callable[[str, Mapping[str, Any]], None]


def to_standard_error(line: bytes) -> None:
    """Write a line in one piece, so that those of several threads and processes don't mix."""
    with suppress(OSError):  # nobody reads the log any more: that is no reason to fail
        os.write(STANDARD_ERROR, line)


class JsonLog:
    """Writes events to a sink; what is `None` in an event is left out."""

    def __init__(self, sink: Sink = to_standard_error) -> None:
        self.sink = sink

    def __call__(self, event: str, said: Mapping[str, Any], level: str | None = None) -> None:
        """Write one event, with what is said of it."""
        made = [f'{{"time":"{_now()}","level":"{level or LEVELS.get(event, "info")}","event":"{event}"']
        for name, value in said.items():
            if value is None:
                continue
            kind = type(value)
            # Written here rather than by json.dumps, which takes five times as long over a line of eight values.
            text = _quote(value) if kind is str else repr(value) if kind in NUMBERS else _write(value)
            made.append(f'"{name}":{text}')
        self.sink((",".join(made) + "}\n").encode("ascii"))


class JsonHandler(logging.Handler):
    """Brings what libraries log through `logging` into the same form."""

    def __init__(self, log: JsonLog, level: int = logging.WARNING) -> None:
        super().__init__(level)
        self.log = log

    def emit(self, record: logging.LogRecord) -> None:
        """Write one record."""
        try:
            said: dict[str, Any] = {"logger": record.name, "message": record.getMessage()}
            if has_request_context():
                said["request_id"] = request.environ.get(REQUEST_ID)
            if record.exc_info and record.exc_info[0] is not None:
                said.update(failure(record.exc_info[1]))
            self.log("log", said, record.levelname.lower())
        except Exception:
            self.handleError(record)


def failure(error: BaseException | None) -> dict[str, Any]:
    """An exception without its text: its type, and file, line and function of each frame, innermost last."""
    if error is None:
        return {}
    frames = traceback.extract_tb(error.__traceback__)
    return {
        "error": type(error).__name__,
        "frames": [f"{os.path.basename(f.filename)}:{f.lineno} {f.name}" for f in frames],
    }


def all_to(log: JsonLog) -> None:
    """Have everything that is logged anywhere in this process written by `log`."""
    root = logging.getLogger()
    root.handlers[:] = [JsonHandler(log)]


def _now() -> str:
    now = time.time()
    return f"{_second(int(now))}.{int(now % 1 * 1000):03d}Z"


@lru_cache(maxsize=4)
def _second(seconds: int) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
