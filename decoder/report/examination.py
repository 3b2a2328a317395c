"""Who examined the instrument, when and for whom, in free text, with photographs: what stands beside an assessment.

It comes from options, or from a side file of JSON:

    {"examiner": "A. Bench", "shop": "Tidewater Bench", "note": "...",
     "photos": [{"file": "pots.jpg", "caption": "The pots, from below"}]}
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

from marshmallow import ValidationError, fields, validate

from decoder.crosscheck.sheet import Known, Text
from decoder.report.photo import PHOTOS_LIMIT, Photo

NAME_LIMIT: Final = 200
NOTE_LIMIT: Final = 4000
CAPTION_LIMIT: Final = 300


class ExaminationError(ValueError):
    """What is wrong with the side file or the options; `problems` lists every fault."""

    def __init__(self, problems: Iterable[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))


@dataclass(frozen=True, slots=True)
class Examination:
    """The day of the report, and what was said of the examination; everything but the day may be empty."""

    day: date
    examiner: str = ""
    shop: str = ""
    note: str = ""
    photos: tuple[Photo, ...] = ()

    @property
    def paragraphs(self) -> tuple[str, ...]:
        """The note in its paragraphs."""
        lines = self.note.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        return tuple(line.strip() for line in lines if line.strip())


class Lines(Text):
    """Text that may have several lines."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        if isinstance(value, str) and len(value) <= self.most:
            for line in value.splitlines():
                if line.strip():
                    super()._deserialize(line.replace("\t", " "), attr, data, **kwargs)
            return value
        return super()._deserialize(value, attr, data, **kwargs)


class PhotoSchema(Known):
    """One photograph of a side file."""

    file = Text(required=True)
    caption = Text(most=CAPTION_LIMIT)


class ExaminationSchema(Known):
    """The side file."""

    examiner = Text(most=NAME_LIMIT)
    shop = Text(most=NAME_LIMIT)
    note = Lines(most=NOTE_LIMIT)
    photos = fields.List(fields.Nested(PhotoSchema), validate=validate.Length(max=PHOTOS_LIMIT))


_SCHEMA: Final = ExaminationSchema()


def checked(raw: Any) -> dict[str, Any]:
    """The fields of a side file, or of options in the same form. Raises ExaminationError with every fault."""
    if not isinstance(raw, dict):
        raise ExaminationError(["it must be an object with examiner, shop, note or photos."])
    try:
        found: dict[str, Any] = _SCHEMA.load(raw)
    except ValidationError as error:
        raise ExaminationError(_said(error.messages, "")) from None
    return found


def photos_of(raw: Sequence[dict[str, str]], folder: Path) -> list[tuple[Path, str]]:
    """The files of a side file's photographs, which lie beside it, with their captions."""
    return [(folder / one["file"], one.get("caption", "")) for one in raw]


def _said(messages: Any, place: str) -> list[str]:
    if isinstance(messages, dict):
        return [
            line
            for name, inner in messages.items()
            for line in _said(inner, place if name == "_schema" else f"{place}/{name}")
        ]
    return [f"{place}: {message}" for message in messages]
