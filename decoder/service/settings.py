"""What one application is set up with, and the digests that its ETags rest on."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from threading import Lock
from typing import Final

from flask import Flask, current_app, g

from decoder import __version__
from decoder.tables import Tables

DECODE_BODY_LIMIT: Final = 64_000  # bytes
CHECK_BODY_LIMIT: Final = 2_000_000
STREAM_BODY_LIMIT: Final = 256_000_000
ITEMS_LIMIT: Final = 1_000
BATCH_SECONDS: Final = 30.0
STREAM_SECONDS: Final = 3_600.0
KEPT_BYTES: Final = 8_000_000  # what a server keeps; an application by itself keeps nothing
KEPT_QUESTION: Final = 1_000  # bytes; a longer question is not worth the room
EXTENSION: Final = "partdate"
CASEBOOK: Final = "partdate.casebook"  # among the extensions: the casebook, where one is served

Answer = tuple[bytes, str]  # a body, and what came of the question: read, near-miss or unread


class Kept:
    """Answers to the last questions, so that the same question is not worked out twice; `room` bytes of them at most.

    An answer depends on the tables, the day and the question alone. Each load of the tables begins with an empty
    store, and day and question are the key: what is kept can't be out of date.
    """

    def __init__(self, room: int = 0) -> None:
        self.room = room
        self.size = 0
        self.hits = 0
        self._answers: OrderedDict[tuple[date, bytes], Answer] = OrderedDict()
        self._lock = Lock()

    def __len__(self) -> int:
        return len(self._answers)

    def get(self, day: date, question: bytes) -> Answer | None:
        """The answer given before to this body on this day, or None."""
        found = self._answers.get((day, question))
        if found is not None:
            with self._lock:
                self.hits += 1
                if (day, question) in self._answers:
                    self._answers.move_to_end((day, question))
        return found

    def put(self, day: date, question: bytes, answer: Answer) -> None:
        """Keep an answer, in place of those that were asked for least lately."""
        if len(question) > KEPT_QUESTION or not self.room:
            return
        with self._lock:
            if (day, question) in self._answers:
                return
            self._answers[(day, question)] = answer
            self.size += len(question) + len(answer[0])
            while self.size > self.room:
                (_, old), dropped = self._answers.popitem(last=False)
                self.size -= len(old) + len(dropped[0])


@dataclass(frozen=True, slots=True)
class Settings:
    """The tables in force, the clock, the most that each kind of request may ask for, and a digest of own files.

    Limits are bytes of a body, items of a batch, and seconds after which a batch or stream begins no further item.
    """

    tables: Tables
    today: Callable[[], date]
    decode_limit: int = DECODE_BODY_LIMIT
    check_limit: int = CHECK_BODY_LIMIT
    stream_limit: int = STREAM_BODY_LIMIT
    items_limit: int = ITEMS_LIMIT
    batch_seconds: float = BATCH_SECONDS
    stream_seconds: float = STREAM_SECONDS
    build: str = ""
    kept: Kept = field(default_factory=Kept)

    @property
    def facts(self) -> str:
        """A digest of every byte of every table in force, computed once."""
        return facts_of(self.tables)

    def with_tables(self, tables: Tables) -> Settings:
        """The same settings over other tables, with nothing kept of the old ones."""
        return replace(self, tables=tables, kept=Kept(self.kept.room))


def settings() -> Settings:
    """The settings of the application that answers this request: the same ones from its first line to its last,
    even when the tables are replaced meanwhile."""
    found: Settings | None = g.get(EXTENSION)
    if found is None:
        found = g.partdate = in_force(current_app)
    return found


def in_force(app: Flask) -> Settings:
    """The settings that a request arriving now is answered with."""
    found: Settings = app.extensions[EXTENSION]
    return found


def facts_of(tables: Tables) -> str:
    """The digest of all files of these tables, worked out once."""
    return tables.derived("digest of all files", digest_of_tables)


def digest_of_tables(tables: Tables) -> str:
    """The first 12 hexadecimal digits of the SHA-256 over all files of all packages, lowest layer first."""
    made = hashlib.sha256()
    for package in tables.packages():
        for path in sorted(package.folder.iterdir()):
            if path.suffix in (".csv", ".json", ".toml"):
                _add(made, path)
    return made.hexdigest()[:12]


def digest_of_files(root: str) -> str:
    """The first 12 hexadecimal digits of the SHA-256 over the version, templates, catalogues and static files."""
    made = hashlib.sha256(__version__.encode())
    for folder in ("templates", "static", "locale"):
        for path in sorted((Path(root) / folder).iterdir()):
            _add(made, path)
    return made.hexdigest()[:12]


def _add(made: hashlib._Hash, path: Path) -> None:
    raw = path.read_bytes()
    made.update(f"{path.name}:{len(raw)}:".encode())
    made.update(raw)
