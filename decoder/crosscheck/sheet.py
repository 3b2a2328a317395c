"""A sheet: one instrument with its claim and all its parts, loaded from JSON or CSV with every fault named at once.

`load_sheet` takes the JSON shape, `read_csv` turns a CSV into that shape and remembers the rows, so that a fault
is placed by row and column instead of by JSON pointer. `SheetError.problems` is the full list of faults.
"""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from difflib import get_close_matches
from enum import Enum
from functools import lru_cache
from typing import Any, Final

from marshmallow import EXCLUDE, Schema, ValidationError, fields, validate, validates_schema

from decoder.catalog import UnknownKindError, kind_of, parse_claim, text_limit
from decoder.crosscheck.lag import PENDING_MARK, LagChange
from decoder.crosscheck.wording import listed
from decoder.families.measure import MeasureError, parse_measure
from decoder.marking import Marking, MarkingError
from decoder.tables import Tables
from decoder.window import ALL, Claim, EdtfError, WindowSet, parse_edtf

PARTS_LIMIT: Final = 200
TEXT_LIMIT: Final = 400
ID_LIMIT: Final = 64
CSV_LIMIT: Final = 1_000_000
MONTHS_LIMIT: Final = 1200
UNKNOWN_SHOWN: Final = 20
SHOWN_LIMIT: Final = 80

_DIRECTION_MARKS: Final = frozenset(
    "\u200e\u200f\u061c\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
)


class State(Enum):
    """What became of looking for a mark on a part. A blank place is evidence too."""

    READ = "read"
    NOT_LOOKED = "not-looked"
    ILLEGIBLE = "illegible"
    NO_MARK = "no-mark"


class Flag(Enum):
    """What is known of a part beside its mark."""

    DISCLOSED_REPLACEMENT = "disclosed-replacement"
    REFINISHED = "refinished"
    FACTORY_REPAIR = "factory-repair"
    JOINT_DISTURBED = "joint-disturbed"


@dataclass(frozen=True, slots=True)
class Override:
    """A technician's own reading of a part's date, with the name and the reason that are always shown with it."""

    text: str
    windows: WindowSet
    name: str
    reason: str

    def as_dict(self) -> dict[str, str]:
        """The override as it stands in JSON."""
        return {"window": self.text, "name": self.name, "reason": self.reason}


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a sheet. `kind` is an id of the kinds table; `value` and `uncertainty` belong to `feature`."""

    id: str
    kind: str
    marking: str | None = None
    feature: str | None = None
    value: str | None = None
    unit: str | None = None
    uncertainty: float | None = None
    state: State = State.READ
    flags: frozenset[Flag] = frozenset()
    position: str | None = None
    group: str | None = None
    patent: str | None = None
    override: Override | None = None

    @property
    def disclosed(self) -> bool:
        """Whether the part is a disclosed replacement: it leaves the verdict and stays in the report."""
        return Flag.DISCLOSED_REPLACEMENT in self.flags


@dataclass(frozen=True, slots=True)
class Instrument:
    """The instrument of a sheet. A claim that bounds no day at all (`../..`) counts as none."""

    maker: str | None = None
    model: str | None = None
    country: str | None = None
    claim: Claim | None = None
    second_claim: Claim | None = None


@dataclass(frozen=True, slots=True)
class Options:
    """What the sheet asks for: its day, its own months and rates by kind, and whether an estimate is wanted."""

    today: date | None = None
    lags: Mapping[str, LagChange] = field(default_factory=dict)
    replacement_rates: Mapping[str, float] = field(default_factory=dict)
    estimate: bool = True


@dataclass(frozen=True, slots=True)
class Sheet:
    """One instrument with all its parts."""

    instrument: Instrument
    parts: tuple[Part, ...]
    options: Options = Options()


@dataclass(frozen=True, slots=True)
class SheetProblem:
    """One fault of a sheet: where it stands (a JSON pointer, or a row and column), what is wrong, and the value."""

    pointer: str
    message: str
    value: str = ""

    def __str__(self) -> str:
        shown = f" ({self.value!r})" if self.value else ""
        return f"{self.pointer or 'sheet'}{shown}: {self.message}"


class SheetError(ValueError):
    """A sheet that can't be checked; `problems` lists every fault found, not the first alone."""

    def __init__(self, problems: Iterable[SheetProblem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


# ---------------------------------------------------------------------------------------------------------------
# Shape: what marshmallow checks


def _true_or_false(value: Any) -> None:
    if not isinstance(value, bool):
        raise ValidationError(f"must be true or false, not {_type_name(value)}.")


def _finite(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise ValidationError(f"must be a number, not {_type_name(value)}.")
    if not -1e12 < value < 1e12:
        raise ValidationError("is no number that can be measured.")
    return float(value)


def _is_control(character: str) -> bool:
    return unicodedata.category(character) in ("Cc", "Cs", "Zl", "Zp") or character in _DIRECTION_MARKS


def _type_name(value: Any) -> str:
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, (int, float)):
        return "a number"
    if isinstance(value, str):
        return "text"
    return "an object" if isinstance(value, Mapping) else "a list"


def _did_you_mean(name: str, known: Sequence[str]) -> str:
    near = get_close_matches(name[:ID_LIMIT].strip().casefold().replace(" ", "-"), known, n=1, cutoff=0.5)
    return f" Did you mean {near[0]}?" if near else ""


NEEDED: Final[dict[str, Any]] = {"required": "is needed.", "null": "is needed and can't be null."}


class Text(fields.String):
    """Plain text: a str and nothing else, of 1 to `most` characters, without control characters."""

    def __init__(self, *, most: int = TEXT_LIMIT, **options: Any) -> None:
        super().__init__(error_messages=NEEDED, **options)
        self.most = most

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        if type(value) is not str:
            raise ValidationError(f"must be text in quotation marks, not {_type_name(value)}.")
        if len(value) > self.most:
            raise ValidationError(f"has {len(value)} characters; at most {self.most} are taken.")
        if not value.strip():
            raise ValidationError("is empty: leave it out, or write something.")
        for place, character in enumerate(value):
            if _is_control(character):
                raise ValidationError(
                    f"character {place + 1} is a control or direction character (U+{ord(character):04X}): remove it."
                )
        return value


class MarkingText(fields.Raw):
    """A marking as text; its characters are checked when its kind of part, and so its length, is known."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        if type(value) is not str:
            raise ValidationError(f"must be text in quotation marks, not {_type_name(value)}.")
        return value


class FeatureValue(Text):
    """The value of a feature: text, or a finite number, which is kept as it would be written."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            number = _finite(value)
            return str(int(number)) if number == int(number) else repr(number)
        return super()._deserialize(value, attr, data, **kwargs)


class Amount(fields.Float):
    """A finite number between two bounds, not text and not true or false."""

    def __init__(self, least: float, most: float, **options: Any) -> None:
        super().__init__(**options)
        self.least, self.most = least, most

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        number = _finite(value)
        if not self.least <= number <= self.most:
            raise ValidationError(f"must lie between {self.least:g} and {self.most:g}.")
        return number


class Months(fields.Integer):
    """Whole months, 0 to 1200."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        if type(value) is not int:
            raise ValidationError(f"must be a whole number of months, not {_type_name(value)}.")
        if not 0 <= value <= MONTHS_LIMIT:
            raise ValidationError(f"must lie between 0 and {MONTHS_LIMIT} months.")
        return value


class Choice(Text):
    """One word of an enum; any other word is answered with the nearest."""

    def __init__(self, choices: type[Enum], **options: Any) -> None:
        self.words = [str(choice.value) for choice in choices]
        super().__init__(validate=validate.OneOf(self.words), **options)

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        text = super()._deserialize(value, attr, data, **kwargs)
        if text not in self.words:
            raise ValidationError(f"is none of {listed(self.words, 'or')}.{_did_you_mean(text, self.words)}")
        return text


class Day(Text):
    """A day in ISO form."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        text = super()._deserialize(value, attr, data, **kwargs)
        try:
            day = date.fromisoformat(text)
        except ValueError:
            day = None
        if day is None or day.isoformat() != text:  # fromisoformat takes 20261125 and 2026-W48-3 too
            raise ValidationError("is no day: write it as 2026-11-25.")
        return day


class Edtf(Text):
    """A date in EDTF, kept as text once it can be read."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        text = super()._deserialize(value, attr, data, **kwargs)
        try:
            parse_edtf(text)
        except EdtfError as error:
            raise ValidationError(str(error)) from None
        return text


class Known(Schema):
    """A schema that answers an unknown field with the nearest known name."""

    class Meta:
        unknown = EXCLUDE

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.error_messages = {**self.error_messages, "type": "must be an object with named fields."}

    @validates_schema(pass_original=True, skip_on_field_errors=False)
    def no_unknown_fields(self, data: Any, original: Any, **kwargs: Any) -> None:
        """Raise ValidationError for the names that the schema doesn't have."""
        unknown = (
            [name for name in original if name not in self.fields] if isinstance(original, Mapping) else []
        )
        if unknown:
            known = list(self.fields)
            raise ValidationError(
                {
                    str(name)[:TEXT_LIMIT]: [
                        f"is no field here; known are {listed(known)}.{_did_you_mean(str(name), known)}"
                    ]
                    for name in unknown[:UNKNOWN_SHOWN]
                }
            )


class OverrideSchema(Known):
    """A technician's own reading; name and reason are needed."""

    window = Edtf(required=True)
    name = Text(required=True)
    reason = Text(required=True)


class PartSchema(Known):
    """One part: a marking, or a feature with its value, or only a state."""

    id = Text(required=True, most=ID_LIMIT)
    part = Text(required=True)
    marking = MarkingText(allow_none=True)
    feature = Text(allow_none=True)
    value = FeatureValue(allow_none=True)
    unit = Text(allow_none=True)
    uncertainty = Amount(0, 1e9, allow_none=True)
    state = Choice(State, allow_none=True)
    flags = fields.List(Choice(Flag), allow_none=True, error_messages={"invalid": "must be a list of flags."})
    position = Text(allow_none=True)
    group = Text(allow_none=True)
    patent = Text(allow_none=True)
    override = fields.Nested(OverrideSchema, allow_none=True)


class InstrumentSchema(Known):
    """The instrument and what is claimed of it."""

    maker = Text(allow_none=True)
    model = Text(allow_none=True)
    country = Text(allow_none=True)
    claim = Edtf(allow_none=True)
    second_claim = Edtf(allow_none=True)


class LagSchema(Known):
    """A sheet's own months for one kind of part."""

    lead = Months(allow_none=True)
    usual = Months(allow_none=True)
    longest = Months(allow_none=True)


class OptionsSchema(Known):
    """What the sheet asks for."""

    today = Day(allow_none=True)
    lags = fields.Dict(
        keys=fields.String(),
        values=fields.Nested(LagSchema, error_messages=NEEDED),
        allow_none=True,
        error_messages={"invalid": "must be an object: a kind of part and its months."},
    )
    replacement_rates = fields.Dict(
        keys=fields.String(),
        values=Amount(0, 1, error_messages=NEEDED),
        allow_none=True,
        error_messages={"invalid": "must be an object: a kind of part and its rate."},
    )
    estimate = fields.Raw(allow_none=True, validate=_true_or_false)


class SheetSchema(Known):
    """The whole sheet."""

    instrument = fields.Nested(InstrumentSchema, allow_none=True)
    parts = fields.List(
        fields.Nested(PartSchema, error_messages={"null": "is null: leave it out."}),
        required=True,
        error_messages={**NEEDED, "invalid": "must be a list of parts."},
    )
    options = fields.Nested(OptionsSchema, allow_none=True)


# ---------------------------------------------------------------------------------------------------------------
# From JSON


def load_sheet(raw: Any, tables: Tables) -> Sheet:
    """The sheet that a JSON value, or `read_csv`, describes.

    Raises SheetError with every fault: where it stands, what is wrong, and the value.
    """
    if not isinstance(raw, Mapping):
        raise SheetError(
            [SheetProblem("", f"a sheet is an object with instrument and parts, not {_type_name(raw)}.")]
        )
    parts = raw.get("parts")
    if isinstance(parts, list) and len(parts) > PARTS_LIMIT:
        raise SheetError(
            [SheetProblem("/parts", f"has {len(parts)} parts; at most {PARTS_LIMIT} can be checked.")]
        )
    problems = [*_shape_problems(raw), *_sense_problems(raw, tables)]
    if isinstance(raw, CsvSheet):
        problems = [replace(problem, pointer=_csv_place(problem.pointer, raw.rows)) for problem in problems]
    if problems:
        raise SheetError(problems)
    return _built(raw, tables)


def _shape_problems(raw: Mapping[str, Any]) -> list[SheetProblem]:
    # A copy of the outermost object, for marshmallow takes a dict only.
    errors = _schema().validate(dict(raw))
    return [SheetProblem(_pointer(path), message, _shown(raw, path)) for path, message in _leaves(errors, ())]


@lru_cache(maxsize=1)
def _schema() -> SheetSchema:
    return SheetSchema()


Path = tuple[str | int, ...]


def _leaves(errors: Any, path: Path) -> Iterator[tuple[Path, str]]:
    """Every message of a marshmallow error, with the path of the value that it speaks of."""
    if isinstance(errors, Mapping):
        for key, inner in errors.items():
            in_dict_field = len(path) == 3 and path[:2] in (
                ("options", "lags"),
                ("options", "replacement_rates"),
            )
            beside = key == "_schema" or (in_dict_field and key in ("key", "value"))
            yield from _leaves(inner, path if beside else (*path, key))
    else:
        for message in errors if isinstance(errors, list) else [errors]:
            yield path, str(message)


def _sense_problems(raw: Mapping[str, Any], tables: Tables) -> Iterator[SheetProblem]:
    """What a schema can't see: kinds, repeated ids, what goes together. Passes over what has not its shape."""
    parts = raw.get("parts")
    seen: set[str] = set()
    for number, part in enumerate(parts if isinstance(parts, list) else ()):
        if not isinstance(part, Mapping):
            continue
        at = f"/parts/{number}"
        name = part.get("id")
        if isinstance(name, str):
            if name in seen:
                yield SheetProblem(
                    f"{at}/id", "is the id of an earlier part too: give each part its own.", _clipped(name)
                )
            seen.add(name)
        kind = part.get("part")
        limit = TEXT_LIMIT
        if isinstance(kind, str) and kind.strip():
            try:
                limit = text_limit(tables, kind_of(tables, kind[:TEXT_LIMIT]))
            except UnknownKindError as error:
                yield SheetProblem(f"{at}/part", str(error), _clipped(kind))
        yield from _content_problems(part, at)
        marking = part.get("marking")
        if isinstance(marking, str):
            yield from _marking_problems(marking, at, limit)
    options = raw.get("options")
    if isinstance(options, Mapping):
        for name in ("lags", "replacement_rates"):
            yield from _option_problems(options.get(name), name, tables)


def _content_problems(part: Mapping[str, Any], at: str) -> Iterator[SheetProblem]:
    has = {name for name, value in part.items() if value is not None}
    state = part.get("state")
    if {"marking", "feature"} <= has:
        yield SheetProblem(
            at, "has a marking and a feature: enter them as two parts, so that each can be judged."
        )
    if "feature" in has and "value" not in has:
        yield SheetProblem(at, "has a feature without its value.")
    for name in ("value", "unit", "uncertainty"):
        if name in has and "feature" not in has:
            yield SheetProblem(f"{at}/{name}", "belongs to a feature: name the feature, or leave it out.")
    yield from _measure_problems(part, at)
    evidence = has & {"marking", "feature"}
    if not evidence and not has & {"state", "override", "value"}:
        yield SheetProblem(
            at, "needs a marking, a feature with its value, or a state (not-looked, illegible or no-mark)."
        )
    if not evidence and state == State.READ.value and "override" not in has:
        yield SheetProblem(
            f"{at}/state", "says that the part was read: give the marking or the feature.", "read"
        )
    if evidence and state in (State.NOT_LOOKED.value, State.ILLEGIBLE.value, State.NO_MARK.value):
        yield SheetProblem(
            f"{at}/state",
            f"contradicts the {min(evidence)} beside it: write ? for each worn character and leave the state out, "
            f"or leave the {min(evidence)} out.",
            str(state),
        )
    flags = part.get("flags")
    if isinstance(flags, list):
        for place, flag in enumerate(flags):
            if isinstance(flag, str) and flag in flags[:place]:
                yield SheetProblem(f"{at}/flags/{place}", "is given twice.", _clipped(flag))


def _measure_problems(part: Mapping[str, Any], at: str) -> Iterator[SheetProblem]:
    """A value with a unit beside it is a measure: the unit must be known and the value a number."""
    unit, value = part.get("unit"), part.get("value")
    if not isinstance(unit, str) or not unit.strip() or isinstance(value, bool):
        return
    if not isinstance(value, (str, int, float)):
        return
    try:
        parse_measure(str(value)[:TEXT_LIMIT], unit[:TEXT_LIMIT])
    except MeasureError as error:
        fault = unit if error.where == "unit" else str(value)
        yield SheetProblem(f"{at}/{error.where}", f"{error.message}.", _clipped(fault))


def _marking_problems(marking: str, at: str, limit: int) -> Iterator[SheetProblem]:
    try:
        marking.encode()
        Marking.read(marking, limit=limit)
    except MarkingError as error:
        yield SheetProblem(f"{at}/marking", error.message, _clipped(marking))
    except UnicodeEncodeError as error:
        yield SheetProblem(f"{at}/marking", f"character {error.start + 1} is half of a character: remove it.")


def _option_problems(given: Any, name: str, tables: Tables) -> Iterator[SheetProblem]:
    seen: dict[str, str] = {}
    for kind, value in given.items() if isinstance(given, Mapping) else ():
        at = _pointer(("options", name, str(kind)))
        try:
            known = _lag_kind(str(kind)[:TEXT_LIMIT], tables)
        except UnknownKindError as error:
            yield SheetProblem(at, str(error), _clipped(str(kind)))
            continue
        if known in seen:
            yield SheetProblem(
                at, f"is the same kind as {seen[known]}: give one of them.", _clipped(str(kind))
            )
        seen[known] = str(kind)
        if isinstance(value, Mapping):
            usual, longest = value.get("usual"), value.get("longest")
            if type(usual) is int and type(longest) is int and usual > longest:
                yield SheetProblem(
                    at, f"its usual lag of {usual} months is greater than its longest of {longest}."
                )


def _lag_kind(name: str, tables: Tables) -> str:
    return PENDING_MARK if name == PENDING_MARK else kind_of(tables, name)


def _built(raw: Mapping[str, Any], tables: Tables) -> Sheet:
    about = raw.get("instrument") or {}
    wanted = raw.get("options") or {}
    today = wanted.get("today")
    return Sheet(
        Instrument(
            about.get("maker"),
            about.get("model"),
            about.get("country"),
            _claim(about.get("claim"), tables),
            _claim(about.get("second_claim"), tables),
        ),
        tuple(_part(part, tables) for part in raw["parts"]),
        Options(
            date.fromisoformat(today) if today else None,
            {
                _lag_kind(kind, tables): LagChange(
                    value.get("lead"), value.get("usual"), value.get("longest")
                )
                for kind, value in (wanted.get("lags") or {}).items()
            },
            {
                _lag_kind(kind, tables): float(rate)
                for kind, rate in (wanted.get("replacement_rates") or {}).items()
            },
            wanted.get("estimate") is not False,
        ),
    )


def _claim(text: str | None, tables: Tables) -> Claim | None:
    claim = parse_claim(tables, text)
    return None if claim is None or claim.windows == ALL else claim


def _part(raw: Mapping[str, Any], tables: Tables) -> Part:
    value, uncertainty, override = raw.get("value"), raw.get("uncertainty"), raw.get("override")
    return Part(
        id=raw["id"],
        kind=kind_of(tables, raw["part"]),
        marking=raw.get("marking"),
        feature=raw.get("feature"),
        value=None if value is None else FeatureValue().deserialize(value),
        unit=raw.get("unit"),
        uncertainty=None if uncertainty is None else float(uncertainty),
        state=State(raw.get("state") or State.READ.value),
        flags=frozenset(Flag(flag) for flag in raw.get("flags") or ()),
        position=raw.get("position"),
        group=raw.get("group"),
        patent=raw.get("patent"),
        override=None if override is None else _override(override, tables),
    )


def _override(raw: Mapping[str, Any], tables: Tables) -> Override:
    claim = parse_claim(tables, raw["window"])
    assert claim is not None
    return Override(raw["window"], claim.windows, raw["name"], raw["reason"])


def _pointer(path: Path) -> str:
    return "".join("/" + _writable(str(step)).replace("~", "~0").replace("/", "~1") for step in path)


def _shown(raw: Any, path: Path) -> str:
    """The value at a path, as it may be quoted in a message; nothing for what is missing or has parts."""
    for step in path:
        try:
            raw = raw[step]
        except (LookupError, TypeError):
            return ""
    return _clipped(raw if isinstance(raw, str) else repr(raw)) if isinstance(raw, (str, int, float)) else ""


def _clipped(text: str) -> str:
    plain = _writable(text[:SHOWN_LIMIT])
    return plain + "..." if len(text) > SHOWN_LIMIT else plain


def _writable(text: str) -> str:
    """The text without what no message may carry: control and direction characters, halves of characters."""
    return "".join("\ufffd" if _is_control(c) else c for c in text)


# ---------------------------------------------------------------------------------------------------------------
# From CSV

ABOUT_COLUMNS: Final = ("maker", "model", "claim", "country")
PART_COLUMNS: Final = ("id", "part", "marking", "feature", "value", "unit", "position", "group")
MORE_COLUMNS: Final = ("uncertainty", "state", "flags", "patent")
COLUMNS: Final = PART_COLUMNS + ABOUT_COLUMNS + MORE_COLUMNS


class CsvSheet(dict[str, Any]):
    """The JSON shape of a sheet that was a CSV; `rows` are the row numbers of its parts (the header is row 1)."""

    rows: tuple[int, ...] = ()


def read_csv(text: str) -> CsvSheet:
    """The JSON shape of a sheet written as CSV, for `load_sheet`.

    The first row names the columns, of which `id` and `part` are needed. A row with neither marking, feature nor
    state is a part that nobody has looked at. Maker, model, claim and country stand in the first row and are
    equal or empty after it. Flags are separated by `;`. Rows that are wholly empty are passed over.

    Raises SheetError; its problems are placed by row (the header is row 1) and column.
    """
    records = _csv_records(text)
    header = [name.strip().casefold() for name in records[0][1]] if records else []
    problems = list(_header_problems(header))
    if problems:
        raise SheetError(problems)
    made = CsvSheet(instrument={}, parts=[])
    for number, cells in records[1:]:
        if len(cells) > len(header):
            problems.append(
                SheetProblem(
                    f"row {number}",
                    f"has {len(cells)} cells where the header has {len(header)}: a cell with a comma needs quotation "
                    "marks around it.",
                )
            )
            continue
        row = {name: cell.strip() for name, cell in zip(header, cells, strict=False)}
        about = {name: row.pop(name) for name in ABOUT_COLUMNS if row.get(name)}
        if made["parts"]:
            problems += _about_problems(about, made["instrument"], number)
        else:
            made["instrument"] = about
        part, faults = _csv_part(row, number)
        problems += faults
        made["parts"].append(part)
        made.rows += (number,)
    if problems:
        raise SheetError(problems)
    return made


def _about_problems(
    about: Mapping[str, str], first: Mapping[str, str], number: int
) -> Iterator[SheetProblem]:
    for name, value in about.items():
        if value != first.get(name):
            yield SheetProblem(
                f"row {number}, column {name}",
                f"differs from the first row ({_clipped(first.get(name, 'empty'))}): a sheet holds one instrument, "
                "so write it in the first row and leave it empty below.",
                _clipped(value),
            )


def _csv_records(text: str) -> list[tuple[int, list[str]]]:
    """The rows that hold anything, with their numbers; the header is row 1."""
    if len(text) > CSV_LIMIT:
        raise SheetError([SheetProblem("", f"the sheet is larger than {CSV_LIMIT} characters.")])
    text = text.removeprefix("\ufeff")
    first_line = text.lstrip("\r\n").partition("\n")[0]
    delimiter = max(",;\t", key=first_line.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    records: list[tuple[int, list[str]]] = []
    number = 0
    try:
        for cells in reader:
            number += 1
            if any(cell.strip() for cell in cells):
                records.append((number, cells))
    except csv.Error as error:
        raise SheetError([SheetProblem(f"row {number + 1}", f"is no CSV: {error}.")]) from None
    return records


def _header_problems(header: list[str]) -> Iterator[SheetProblem]:
    if not header:
        yield SheetProblem("row 1", f"is missing: the first row names the columns: {','.join(COLUMNS[:12])}.")
        return
    for place, name in enumerate(header):
        if name not in COLUMNS:
            yield SheetProblem(
                f"row 1, column {place + 1}",
                f"is no column of a sheet; known are {listed(COLUMNS)}.{_did_you_mean(name, COLUMNS)}",
                _clipped(name),
            )
        elif name in header[:place]:
            yield SheetProblem(f"row 1, column {place + 1}", "stands twice in the header.", _clipped(name))
    for name in ("id", "part"):
        if name not in header:
            yield SheetProblem("row 1", f"has no column {name}.")


def _csv_part(row: Mapping[str, str], number: int) -> tuple[dict[str, Any], list[SheetProblem]]:
    part: dict[str, Any] = {name: value for name, value in row.items() if value and name not in ABOUT_COLUMNS}
    problems: list[SheetProblem] = []
    for name in ("id", "part"):
        if name not in part:
            problems.append(SheetProblem(f"row {number}, column {name}", "is empty."))
    if "flags" in part:
        part["flags"] = [flag.strip() for flag in row["flags"].split(";") if flag.strip()]
    if "uncertainty" in part:
        try:
            part["uncertainty"] = float(row["uncertainty"])
        except ValueError:
            problems.append(
                SheetProblem(
                    f"row {number}, column uncertainty", "is no number.", _clipped(row["uncertainty"])
                )
            )
    if not part.keys() & {"marking", "feature", "value", "state"}:
        part["state"] = State.NOT_LOOKED.value
    return part, problems


def _csv_place(pointer: str, rows: Sequence[int]) -> str:
    steps = pointer.split("/")[1:]
    if len(steps) >= 2 and steps[0] == "parts":
        place = f"row {rows[int(steps[1])]}"
        return f"{place}, column {steps[2]}" if len(steps) > 2 else place
    if len(steps) == 2 and steps[0] == "instrument":
        return f"row {rows[0] if rows else 2}, column {steps[1]}"
    return pointer
