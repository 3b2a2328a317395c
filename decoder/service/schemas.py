"""The shape of what is asked: `load_decode` turns a request into a marking and its context, or names every fault.

The shape of a sheet is `decoder.crosscheck.sheet.SheetSchema`; `sheet_faults` brings its faults into the same form.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from marshmallow import ValidationError, fields

from decoder.catalog import UnknownKindError, kind_of, parse_claim, text_limit
from decoder.crosscheck.sheet import Known, MarkingText, SheetError, Text
from decoder.marking import TEXT_LIMIT, Marking, MarkingError
from decoder.scheme.family import Context
from decoder.tables import Tables
from decoder.window import Claim, EdtfError

NAME_LIMIT: Final = 200


def _name(said: str, **more: str) -> Text:
    return Text(allow_none=True, most=NAME_LIMIT, metadata={"description": said, **more})


class DecodeSchema(Known):
    """The fields of POST /v1/decode."""

    marking = MarkingText(
        required=True,
        error_messages={
            "required": "is needed: the text read off the part.",
            "null": "is needed and can't be null.",
        },
        metadata={
            "description": "The text read off the part: ? is one worn character, [68] is one of those, * is an unknown "
            "number of worn characters."
        },
    )
    part = _name("The kind of part, an id or a trade name.", format="kind-of-part")
    maker = _name("The instrument's maker, for serial numbers.")
    claim = _name("The claimed build period, in EDTF. It ranks readings and hides none.", format="edtf")
    country = _name("Where the instrument was made, such as US or GB.")
    patent = _name("The patent that a pending mark is known to speak of.")


DECODE_FIELDS: Final = ("marking", "part", "maker", "claim", "country", "patent")
_DECODE: Final = DecodeSchema()
_NAMED: Final = frozenset(DECODE_FIELDS)


class BatchSchema(Known):
    """The envelope of POST /v1/decode/batch; each item is checked by itself, so that none spoils another."""

    items = fields.List(
        fields.Raw(allow_none=True),
        required=True,
        error_messages={
            "required": "is needed: the list of markings to decode.",
            "null": "is needed and can't be null.",
            "invalid": "must be a list of objects, each as POST /v1/decode takes it.",
        },
        metadata={
            "description": "The items, each as for one marking, with an `id` of the caller's own if wanted."
        },
    )


class OwnId(fields.Field):  # type: ignore[type-arg]
    """The caller's own name for an item: text of 1 to 200 characters, or a whole number."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        fault = own_id_fault(value)
        if fault is not None:
            raise ValidationError(fault)
        return value


class ItemSchema(DecodeSchema):
    """One item of a batch, or one line of a stream: the fields of POST /v1/decode, and the caller's own id."""

    id = OwnId(allow_none=True, metadata={"description": "The caller's own name for the item, given back."})


_BATCH: Final = BatchSchema()
_ITEM: Final = ItemSchema()


def own_id_fault(value: Any) -> str | None:
    """Why a value can't be the caller's own id of an item; None when it can."""
    if value is None or (type(value) is int and abs(value) < 2**63):
        return None
    if type(value) is not str:
        return "must be text or a whole number, to be given back with the answer."
    if not 0 < len(value) <= NAME_LIMIT:
        return f"must have 1 to {NAME_LIMIT} characters."
    return None


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong with a request: the JSON pointer of the value, what is wrong, and where in its text.

    `at` is 0-based and half open, in characters of the text as sent.
    """

    pointer: str
    message: str
    at: tuple[int, int] | None = None

    def as_dict(self) -> dict[str, Any]:
        """The fault as it stands in `errors` of a problem."""
        made: dict[str, Any] = {"pointer": self.pointer, "message": self.message}
        if self.at is not None:
            made["at"] = list(self.at)
        return made

    @property
    def field(self) -> str:
        """The first step of the pointer: the name of the field."""
        return self.pointer[1:].partition("/")[0]


class RequestError(ValueError):
    """A request that can't be carried out; `faults` lists everything that is wrong, not the first alone."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__("\n".join(f"{fault.pointer}: {fault.message}" for fault in faults))
        self.faults = faults


def load_decode(
    raw: Any, tables: Tables, today: date, schema: DecodeSchema = _DECODE
) -> tuple[Marking, Context]:
    """The marking and the context that a JSON object asks for, as `decoder.catalog.decode_marking` takes them.

    Raises RequestError.
    """
    if not isinstance(raw, dict):
        raise RequestError((Fault("", "must be an object with the field marking."),))
    shape: dict[str, list[str]] = {} if _is_plain(raw) else schema.validate(raw)
    faults = [Fault(pointer_to(name), str(text)) for name, texts in shape.items() for text in texts]

    def text(name: str) -> str | None:
        value = raw.get(name)
        return value if isinstance(value, str) and name not in shape else None

    kind: str | None = None
    claim: Claim | None = None
    marking: Marking | None = None
    try:
        part = text("part")
        kind = kind_of(tables, part) if part else None
    except UnknownKindError as error:
        faults.append(Fault("/part", str(error)))
    try:
        claim = parse_claim(tables, text("claim"))
    except EdtfError as error:
        faults.append(Fault("/claim", str(error), _place(error.at, text("claim") or "")))
    wanted = text("marking")
    if wanted is not None:
        try:
            # A kind that isn't known may carry running text: the length is not what is wrong then.
            limit = TEXT_LIMIT if kind is None and raw.get("part") else text_limit(tables, kind)
            marking = Marking.read(wanted, limit=limit)
        except MarkingError as error:
            faults.append(Fault("/marking", error.message, _place(error.at, wanted)))
    if faults or marking is None:
        raise RequestError(tuple(faults))
    return marking, Context(tables, kind, text("maker"), claim, text("country"), text("patent"), today)


def load_batch(raw: Any) -> list[Any]:
    """The items of a batch, each still to be looked at. Raises RequestError."""
    if not isinstance(raw, dict):
        raise RequestError((Fault("", "must be an object with the list items."),))
    shape: dict[str, list[str]] = _BATCH.validate(raw)
    if shape:
        raise RequestError(
            tuple(Fault(pointer_to(name), str(text)) for name, texts in shape.items() for text in texts)
        )
    items: list[Any] = raw["items"]
    return items


def load_item(raw: Any, tables: Tables, today: date) -> tuple[Marking, Context]:
    """As `load_decode`, for an object that may have the caller's own `id` too."""
    if not isinstance(raw, dict) or "id" not in raw:
        return load_decode(raw, tables, today, _ITEM)
    own = own_id_fault(raw["id"])
    faults = () if own is None else (Fault("/id", own),)
    try:
        found = load_decode(
            {name: value for name, value in raw.items() if name != "id"}, tables, today, _ITEM
        )
    except RequestError as error:
        raise RequestError(faults + error.faults) from None
    if faults:
        raise RequestError(faults)
    return found


def _is_plain(raw: Mapping[str, Any]) -> bool:
    """Whether the schema is certain to find no fault: known names alone, and short texts that all can be printed.

    Nearly every request is like this, and the schema takes ten times as long to come to the same end.
    """
    if "marking" not in raw or not _NAMED.issuperset(raw):
        return False
    for name, value in raw.items():
        if type(value) is not str:
            return False
        if name != "marking" and not (len(value) <= NAME_LIMIT and value.isprintable() and value.strip()):
            return False
    return True


def sheet_faults(error: SheetError) -> tuple[Fault, ...]:
    """The faults of a sheet."""
    return tuple(Fault(problem.pointer, problem.message) for problem in error.problems)


def pointer_to(name: str) -> str:
    """The JSON pointer of a member of the outermost object."""
    return "/" + str(name).replace("~", "~0").replace("/", "~1")


def _place(at: int, text: str) -> tuple[int, int]:
    return (min(at, len(text)), min(at + 1, len(text)))


def field_messages(faults: tuple[Fault, ...]) -> Mapping[str, list[str]]:
    """The messages of each field, for a form that shows them beside it."""
    made: dict[str, list[str]] = {}
    for fault in faults:
        made.setdefault(fault.field, []).append(fault.message)
    return made
