"""A record: one sheet as it is kept, with the date that is trusted, the photos and the remarks that go with it.

`load_record` turns JSON into a Record or names every fault. `canonical` is the one form in which things are hashed.
"""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from marshmallow import ValidationError, fields, validate

from decoder.crosscheck.sheet import (
    NEEDED,
    Edtf,
    Known,
    Sheet,
    SheetError,
    SheetProblem,
    Text,
    load_sheet,
)
from decoder.tables import Tables
from decoder.window import EdtfError, Window, parse_edtf

REMARKS_LIMIT: Final = 4_000
PHOTOS_LIMIT: Final = 200
DATED: Final = ("completed", "shipped", "invoiced", "sold")
_SHA256: Final = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class Trusted:
    """A date of the instrument that is known from elsewhere: a ledger, a bill, the first owner.

    `date` is EDTF bounded at both ends, `kind` what it is a date of (completed, shipped, invoiced, sold), `source`
    how it is known.
    """

    date: str
    kind: str
    source: str

    @property
    def window(self) -> Window:
        """The days of the date; it is bounded at both ends."""
        return parse_edtf(self.date).window

    def as_dict(self) -> dict[str, str]:
        """The trusted date as it stands in JSON."""
        return {"date": self.date, "kind": self.kind, "source": self.source}


@dataclass(frozen=True, slots=True)
class PhotoUse:
    """A photo of the record, by the SHA-256 of its bytes; `part` is the id of the part that it shows."""

    sha256: str
    part: str | None = None
    caption: str | None = None

    def as_dict(self) -> dict[str, str]:
        """The photo as it stands in JSON."""
        made = {"sha256": self.sha256, "part": self.part, "caption": self.caption}
        return {name: value for name, value in made.items() if value is not None}


@dataclass(frozen=True, slots=True)
class Record:
    """One sheet as it is kept: `sheet` in the JSON shape that POST /v1/check takes, `loaded` the same as a Sheet."""

    sheet: Mapping[str, Any]
    loaded: Sheet
    trusted: Trusted | None = None
    photos: tuple[PhotoUse, ...] = ()
    remarks: str | None = None

    def as_dict(self) -> dict[str, Any]:
        """The record as it stands in JSON and in the casebook."""
        made: dict[str, Any] = {"sheet": self.sheet}
        if self.trusted is not None:
            made["trusted"] = self.trusted.as_dict()
        if self.photos:
            made["photos"] = [photo.as_dict() for photo in self.photos]
        if self.remarks is not None:
            made["remarks"] = self.remarks
        return made

    @property
    def body(self) -> bytes:
        """The bytes that are kept and hashed."""
        return canonical(self.as_dict())


def canonical(value: Any) -> bytes:
    """A JSON value in the one form in which it is hashed: names sorted, no spaces, UTF-8."""
    return json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    ).encode()


def sha256_of(raw: bytes) -> str:
    """The SHA-256 of some bytes, in hexadecimal."""
    return hashlib.sha256(raw).hexdigest()


def search_key(text: str) -> str:
    """A marking or a name as it is searched for: without case, accents, spaces and punctuation.

    >>> search_key("HV 118-204")
    'hv118204'
    """
    folded = unicodedata.normalize("NFKD", text).casefold()
    return "".join(c for c in folded if c.isalnum() or c == "?")


# ---------------------------------------------------------------------------------------------------------------
# From JSON


class BoundedDate(Edtf):
    """A date in EDTF with both of its ends known."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        text = super()._deserialize(value, attr, data, **kwargs)
        window = parse_edtf(text).window
        if window.earliest is None or window.latest is None:
            raise ValidationError(
                "is open at one end: a trusted date needs both, such as 1966-03 or 1965/1966."
            )
        return text


class TrustedSchema(Known):
    """A trusted date."""

    date = BoundedDate(required=True)
    kind = Text(
        validate=validate.OneOf(DATED, error="is none of completed, shipped, invoiced or sold."),
        allow_none=True,
    )
    source = Text(required=True)


class PhotoSchema(Known):
    """A photo of a record."""

    sha256 = Text(
        required=True,
        validate=validate.Regexp(_SHA256, error="is no SHA-256: 64 digits 0-9 and a-f are needed."),
    )
    part = Text(allow_none=True)
    caption = Text(allow_none=True)


class RecordSchema(Known):
    """What stands around a sheet; the sheet itself is checked by `load_sheet`."""

    sheet = fields.Raw(required=True, error_messages=NEEDED)
    trusted = fields.Nested(TrustedSchema, allow_none=True)
    photos = fields.List(
        fields.Nested(PhotoSchema, error_messages={"null": "is null: leave it out."}),
        allow_none=True,
        validate=validate.Length(max=PHOTOS_LIMIT, error=f"has more than {PHOTOS_LIMIT} photos."),
        error_messages={"invalid": "must be a list of photos."},
    )
    remarks = Text(allow_none=True, most=REMARKS_LIMIT)


_SCHEMA: Final = RecordSchema()


def load_record(raw: Any, tables: Tables) -> Record:
    """The record that a JSON value describes: `{"sheet", "trusted"?, "photos"?, "remarks"?}`, or a sheet by itself.

    Raises SheetError with every fault: where it stands (a JSON pointer), what is wrong, and the value.
    """
    alone = isinstance(raw, Mapping) and "parts" in raw and "sheet" not in raw
    around: Any = {"sheet": raw} if alone else raw
    if not isinstance(around, Mapping):
        load_sheet(raw, tables)  # says what a sheet is
        raise AssertionError("a sheet that is no object was taken")
    problems = list(_around(around))
    loaded: Sheet | None = None
    if around.get("sheet") is not None:
        try:
            loaded = load_sheet(around["sheet"], tables)
        except SheetError as error:
            under = "" if alone else "/sheet"
            problems += [_below(problem, under) for problem in error.problems]
    if loaded is not None and not problems:
        ids = {part.id for part in loaded.parts}
        problems += [
            SheetProblem(f"/photos/{n}/part", "is the id of no part of this sheet.", str(photo["part"]))
            for n, photo in enumerate(around.get("photos") or ())
            if photo.get("part") is not None and photo["part"] not in ids
        ]
    if problems or loaded is None:
        raise SheetError(problems)
    trusted = around.get("trusted")
    return Record(
        sheet=without_nulls(around["sheet"]),
        loaded=loaded,
        trusted=None
        if trusted is None
        else Trusted(trusted["date"], trusted.get("kind") or DATED[0], trusted["source"]),
        photos=tuple(
            PhotoUse(p["sha256"], p.get("part"), p.get("caption")) for p in around.get("photos") or ()
        ),
        remarks=around.get("remarks"),
    )


def _around(raw: Mapping[str, Any]) -> Iterator[SheetProblem]:
    for path, message in _leaves(_SCHEMA.validate(dict(raw)), ""):
        yield SheetProblem(path, message)


def _leaves(errors: Any, at: str) -> Iterator[tuple[str, str]]:
    if isinstance(errors, Mapping):
        for name, inner in errors.items():
            step = str(name).replace("~", "~0").replace("/", "~1")
            yield from _leaves(inner, at if name == "_schema" else f"{at}/{step}")
    else:
        for message in errors if isinstance(errors, list) else [errors]:
            yield at, str(message)


def _below(problem: SheetProblem, under: str) -> SheetProblem:
    place = problem.pointer
    return replace(problem, pointer=f"{under}{place}") if place.startswith("/") or not place else problem


def without_nulls(value: Any) -> Any:
    """The same JSON value without the names that stand for nothing."""
    if isinstance(value, Mapping):
        return {str(name): without_nulls(inner) for name, inner in value.items() if inner is not None}
    return [without_nulls(inner) for inner in value] if isinstance(value, list) else value


def trusted_window(text: str) -> Window | None:
    """The days of a trusted date that a person typed; None when it is no EDTF with both ends."""
    try:
        window = parse_edtf(text).window
    except EdtfError:
        return None
    return window if window.earliest is not None and window.latest is not None else None
