"""The shape of what is asked of the casebook; a record itself is checked by `decoder.casebook.record`.

No database library is loaded for it: the description of the endpoint rests on it too.
"""

from __future__ import annotations

from typing import Final

from marshmallow import fields, validate

from decoder.casebook.limits import ID_LIMIT, PAGE, PAGE_LIMIT, VERDICTS
from decoder.casebook.record import RecordSchema
from decoder.crosscheck.assessment import Outcome
from decoder.crosscheck.sheet import Known, Text
from decoder.service.listing import Count
from decoder.service.schemas import NAME_LIMIT

VERSIONS_LIMIT: Final = 10**9


class NewRecordSchema(RecordSchema):
    """A sheet to be kept, with what goes with it, and an id if it is to have one of the caller's own."""

    id = Text(most=ID_LIMIT)


class ListQuery(Known):
    """Which sheets to list."""

    maker = Text(
        most=NAME_LIMIT, metadata={"description": "Only instruments of this maker, in any spelling."}
    )
    serial = Text(most=NAME_LIMIT, metadata={"description": "Only those whose serial begins so."})
    marking = Text(most=NAME_LIMIT, metadata={"description": "Only those with a marking that begins so."})
    outcome = Text(
        validate=validate.OneOf([one.value for one in Outcome], error="is no outcome."),
        metadata={"description": "Only sheets of this outcome."},
    )
    verdict = Text(
        validate=validate.OneOf(VERDICTS, error="is no verdict."),
        metadata={"description": "Only sheets with a part of this verdict."},
    )
    trusted = Text(
        validate=validate.OneOf(("true", "false"), error="is neither true nor false."),
        metadata={"description": "Only sheets whose date is known from elsewhere, or only the others."},
    )
    limit = Count(1, PAGE_LIMIT, load_default=PAGE, metadata={"description": "The most to give."})
    after = Text(most=NAME_LIMIT, metadata={"description": "The id after which the page begins."})


class VersionQuery(Known):
    """Which version of a sheet to give."""

    version = Count(1, VERSIONS_LIMIT, metadata={"description": "An earlier version; else the newest."})


class FullQuery(Known):
    """How much of each assessment to give."""

    full = Text(
        validate=validate.OneOf(("true", "false"), error="is neither true nor false."),
        metadata={"description": "Whether each assessment is given whole, beside its verdicts."},
    )


class RestoreSchema(Known):
    """Which version to bring back."""

    version = fields.Integer(
        required=True,
        strict=True,
        validate=validate.Range(1, VERSIONS_LIMIT),
        metadata={"description": "The version to bring back."},
    )
