"""A sheet as rows of a form: rows to a sheet, a sheet to rows, and each fault to its row.

What stands in a row is kept as it was typed. A row in which nothing was read and no state chosen is left out.
"""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Final

from werkzeug.datastructures import MultiDict

from decoder.catalog import kinds_of
from decoder.crosscheck.sheet import PARTS_LIMIT, Flag, State
from decoder.service.presenting import known_kind
from decoder.service.problems import parsed
from decoder.service.schemas import Fault
from decoder.tables import Row, Tables

ABOUT: Final = ("maker", "model", "country", "claim", "second_claim")
TEXTS: Final = tuple("id part marking feature value unit uncertainty state position group patent".split())
OVERRIDE: Final = ("window", "name", "reason")
COLUMNS: Final = TEXTS + tuple(f"override_{name}" for name in OVERRIDE)
FLAGS: Final = tuple(flag.value for flag in Flag)
STATES: Final = tuple(state.value for state in State)
EVIDENCE: Final = ("marking", "feature", "value", "uncertainty", "unit", "patent")
ROWS_ADDED: Final = 4
USUAL: Final = (
    "serial", "label", "tuner", "neck-heel", "body-cavity", "pickup", "pickup", "potentiometer", "potentiometer",
    "capacitor", "switch", "speaker", "transformer",
)  # fmt: skip
PLACE: Final = ("id", "version", "etag")
LIST_LIMIT: Final = 20_000  # characters of a pasted list
_NAME: Final = re.compile(r"p(\d{1,3})-([a-z_]+)")
_BARE: Final = re.compile(r"[\d\s.,/±+-]+")  # a measure without a unit


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of the form: what was typed in each column, the flags ticked, and the faults found in it.

    `fixed` is a row whose kind of part is known and stands as its heading; else the kind is chosen in the row.
    """

    number: int
    texts: Mapping[str, str] = field(default_factory=dict)
    flags: tuple[str, ...] = ()
    fixed: bool = False
    faults: tuple[Fault, ...] = ()

    def text(self, column: str) -> str:
        """What was typed in a column; nothing is an empty text."""
        return self.texts.get(column, "")

    @property
    def is_empty(self) -> bool:
        """Whether nothing was read, no state or flag chosen and no technician's reading given in the row."""
        said = any(self.text(name) for name in (*EVIDENCE, *(f"override_{name}" for name in OVERRIDE)))
        return not said and not self.flags and self.text("state") in ("", State.READ.value)

    @property
    def is_open(self) -> bool:
        """Whether the part is still to be read: nothing stands in the row, nobody looked, or it could not be read."""
        return self.is_empty or self.text("state") in (State.NOT_LOOKED.value, State.ILLEGIBLE.value)

    def messages(self, column: str) -> list[str]:
        """What is wrong with a column."""
        return [fault.message for fault in self.faults if fault.field == column]

    @property
    def own_messages(self) -> list[str]:
        """What is wrong with the row as a whole, or with what the form has no column for."""
        return [fault.message for fault in self.faults if fault.field not in (*COLUMNS, "flags")]

    @property
    def has_more(self) -> bool:
        """Whether a column that is folded away holds something beside the name, or is at fault."""
        folded = [name for name in COLUMNS if name not in ("part", "marking", "state")]
        return (
            bool(self.flags)
            or any((self.text(n) and n != "id") or self.messages(n) for n in folded)
            or bool(self.messages("flags"))
        )


@dataclass(frozen=True, slots=True)
class Place:
    """Where a form belongs in the casebook: the id of its sheet, and the version and ETag that it was opened at.

    Version 0 is a sheet that is not saved yet; it has its id already, so that saving it twice makes one sheet.
    """

    id: str = ""
    version: int = 0
    etag: str = ""


@dataclass(frozen=True, slots=True)
class Form:
    """The whole form: the instrument, the rows, the options as JSON text, and faults that belong to no row."""

    about: Mapping[str, str]
    rows: tuple[Entry, ...]
    options: str = ""
    faults: tuple[Fault, ...] = ()
    before: str = ""  # the form before the last change to its rows, as `kept` wrote it
    place: Place = Place()
    who: str = ""  # who saves, as typed

    def messages(self, column: str) -> list[str]:
        """What is wrong with a field of the instrument, or with the options."""
        return [fault.message for fault in self.faults if fault.field == column]

    @property
    def own_messages(self) -> list[str]:
        """What is wrong with the sheet as a whole."""
        return [fault.message for fault in self.faults if fault.field not in (*ABOUT, "options")]

    @property
    def is_at_fault(self) -> bool:
        """Whether anything is wrong anywhere."""
        return bool(self.faults) or any(row.faults for row in self.rows)


def blank(tables: Tables) -> Form:
    """The form as it starts: rows for the parts that are usually looked at, head to tail, and open rows below."""
    known = kinds_of(tables)
    rows = [Entry(i, {"part": kind}, fixed=True) for i, kind in enumerate(k for k in USUAL if k in known)]
    return with_rows(Form({}, tuple(rows)), ROWS_ADDED // 2)


def with_rows(form: Form, more: int) -> Form:
    """The form with more open rows at its end, as far as a sheet may have parts."""
    start = len(form.rows)
    return replace(
        form, rows=form.rows + tuple(Entry(i) for i in range(start, min(start + more, PARTS_LIMIT)))
    )


def posted(fields: MultiDict[str, str], tables: Tables) -> Form:
    """The form as it was sent; names that it doesn't have are passed over."""
    about = {name: fields.get(name, "").strip() for name in ABOUT}
    texts: dict[int, dict[str, str]] = {}
    flags: dict[int, list[str]] = {}
    fixed: set[int] = set()
    for key in fields:
        found = _NAME.fullmatch(key)
        if not found:
            continue
        number, column = int(found[1]), found[2]
        if column in COLUMNS:
            texts.setdefault(number, {})[column] = _typed(fields[key], column)
        elif column == "flags":
            flags[number] = [flag for flag in FLAGS if flag in fields.getlist(key)]
        elif column == "fixed":
            fixed.add(number)
    numbers = sorted(texts)
    rows = tuple(
        Entry(
            i,
            texts[n],
            tuple(flags.get(n, ())),
            n in fixed and known_kind(tables, texts[n].get("part", "")) is not None,
        )
        for i, n in enumerate(numbers)
    )
    return Form(
        about,
        rows,
        fields.get("options", "").strip(),
        before=fields.get("before", ""),
        place=_place({name: fields.get(f"sheet-{name}", "") for name in PLACE}),
        who=fields.get("who", "").strip(),
    )


def _place(given: Mapping[str, Any]) -> Place:
    version = _text(given.get("version"))
    number = int(version) if version.isascii() and version.isdecimal() and len(version) < 10 else 0
    return Place(_text(given.get("id")), number, _text(given.get("etag")))


def _typed(text: str, column: str) -> str:
    # A browser sends CR LF for each line break of a label; characters are counted as they were typed.
    return text.replace("\r\n", "\n") if column == "marking" and text.strip() else text.strip()


# ---------------------------------------------------------------------------------------------------------------
# Changes to the rows


def with_list(rows: Iterable[Entry]) -> tuple[Entry, ...]:
    """Rows numbered anew from 0, as many as a sheet may have parts."""
    return tuple(replace(row, number=n) for n, row in zip(range(PARTS_LIMIT), rows, strict=False))


def changed(form: Form, rows: Iterable[Entry]) -> Form:
    """The form with other rows; what stood before can be brought back."""
    return replace(form, rows=with_list(rows), before=kept(form))


def moved(form: Form, number: int, by: int) -> Form:
    """The form with a row moved up (-1) or down (1); at either end it stays where it is."""
    rows = list(form.rows)
    if not 0 <= number + by < len(rows):
        return form
    rows.insert(number + by, rows.pop(number))
    return changed(form, rows)


def copied(form: Form, number: int) -> Form:
    """The form with a row twice; the second one has no name of its own yet."""
    row = form.rows[number]
    again = replace(row, texts={name: text for name, text in row.texts.items() if name != "id"})
    return changed(form, (*form.rows[: number + 1], again, *form.rows[number + 1 :]))


def dropped(form: Form, number: int) -> Form:
    """The form without a row."""
    return changed(form, (row for row in form.rows if row.number != number))


def corrected(form: Form, number: int, marking: str) -> Form:
    """The form with another marking in a row."""
    row = form.rows[number]
    other = replace(row, texts={**row.texts, "marking": marking})
    return changed(form, (other if one.number == number else one for one in form.rows))


def kept(form: Form) -> str:
    """What stands in the form as one text, for `brought_back`."""
    rows = [
        {
            "texts": {name: text for name, text in row.texts.items() if text},
            "flags": row.flags,
            "fixed": row.fixed,
        }
        for row in form.rows
    ]
    made = {"about": form.about, "options": form.options, "rows": rows, "place": asdict(form.place)}
    return json.dumps(made, separators=(",", ":"))


def brought_back(form: Form, tables: Tables) -> Form:
    """The form as it stood before the last change to its rows; as it is, where nothing is kept or it can't be read."""
    try:
        found = json.loads(form.before)
    except (ValueError, RecursionError):
        return replace(form, before="")
    rows = found.get("rows") if isinstance(found, dict) else None
    if not isinstance(rows, list):
        return replace(form, before="")
    about = found.get("about")
    about = about if isinstance(about, Mapping) else {}
    place = _place(found["place"]) if isinstance(found.get("place"), Mapping) else form.place
    made = [_brought_back(row, tables) for row in rows if isinstance(row, Mapping)]
    return Form(
        {name: _text(about.get(name)) for name in ABOUT},
        with_list(made),
        _text(found.get("options")),
        # Of the same sheet the version that was seen last counts: what was saved meanwhile is not undone.
        place=form.place if place.id == form.place.id else place,
        who=form.who,
    )


def _brought_back(row: Mapping[str, Any], tables: Tables) -> Entry:
    texts = row.get("texts")
    texts = texts if isinstance(texts, Mapping) else {}
    flags = row.get("flags")
    read = {name: _text(texts.get(name)) for name in COLUMNS}
    ticked = tuple(flag for flag in FLAGS if isinstance(flags, list) and flag in flags)
    return Entry(0, read, ticked, bool(row.get("fixed")) and known_kind(tables, read["part"]) is not None)


def with_markings(form: Form, text: str, kind_of_marking: Callable[[str], str]) -> Form:
    """The form with a part for each line of a pasted list, after the rows that hold something.

    A line is a marking; `kind_of_marking` names its kind of part, or "" where the mark leaves that open. A row of
    the same kind that is still empty takes the marking in.
    """
    rows = list(form.rows)
    for line in text[:LIST_LIMIT].splitlines():
        marking = line.strip()
        if not marking:
            continue
        kind = kind_of_marking(marking)
        free = next((n for n, row in enumerate(rows) if row.is_empty and row.text("part") == kind), None)
        if free is None:
            rows.append(Entry(0, {"part": kind, "marking": marking}))
        else:
            rows[free] = replace(rows[free], texts={**rows[free].texts, "part": kind, "marking": marking})
    return changed(form, rows)


def is_list(text: str) -> bool:
    """Whether a pasted text is a list of markings, one a line: neither JSON nor a CSV whose first row names columns."""
    if is_json(text):
        return False
    first = text.lstrip("\ufeff \t\r\n").partition("\n")[0]
    named = {name.strip().strip('"').casefold() for name in re.split(r"[,;\t]", first)}
    return not named & {"id", "part", "marking", "feature"}


# ---------------------------------------------------------------------------------------------------------------


def lengths(tables: Tables) -> frozenset[str]:
    """The features that are lengths, by the unit of their tables."""
    return tables.derived("features that are lengths", _lengths)


def _lengths(tables: Tables) -> frozenset[str]:
    return frozenset(
        name for name, row in features(tables).items() if row.get("unit") in ("in", "mm", "cm", "thou")
    )


def features(tables: Tables) -> dict[str, Row]:
    """The features that the tables know, each with one of its rows."""
    return tables.derived("features known", _features)


def _features(tables: Tables) -> dict[str, Row]:
    found: dict[str, Row] = {}
    for name in tables.ids():
        if name.endswith("/features"):
            for row in tables.table(name).rows:
                if row.get("feature"):
                    found.setdefault(row["feature"], row)
    return found


def with_unit(sheet: dict[str, Any], unit: str, tables: Tables) -> dict[str, Any]:
    """The sheet with this unit beside each length that was written as a bare number."""
    known = lengths(tables)
    for part in sheet["parts"]:
        bare = "unit" not in part and _BARE.fullmatch(part.get("value", ""))
        if bare and part.get("feature") in known:
            part["unit"] = unit
    return sheet


def sheet_of(form: Form, tables: Tables) -> tuple[dict[str, Any], list[int]]:
    """The sheet that the form describes, in the JSON shape, and the row of each of its parts.

    Raises Problem `broken-json` when the options are no JSON.
    """
    rows = [row for row in form.rows if not row.is_empty]
    names = _names(rows, tables)
    sheet: dict[str, Any] = {}
    about = {name: text for name, text in form.about.items() if text}
    if about:
        sheet["instrument"] = about
    sheet["parts"] = [_part(row, name) for row, name in zip(rows, names, strict=True)]
    if form.options:
        sheet["options"] = parsed(form.options)
    return sheet, [row.number for row in rows]


def _part(row: Entry, name: str) -> dict[str, Any]:
    made: dict[str, Any] = {"id": name}
    for column in TEXTS[1:]:
        text = row.text(column)
        if text and not (column == "state" and text == State.READ.value):
            made[column] = _number(text) if column == "uncertainty" else text
    if row.flags:
        made["flags"] = list(row.flags)
    override = {column: row.text(f"override_{column}") for column in OVERRIDE}
    if any(override.values()):
        made["override"] = {column: text for column, text in override.items() if text}
    return made


def _number(text: str) -> float | str:
    try:
        number = float(text)
    except ValueError:
        return text
    return number if math.isfinite(number) else text


def _names(rows: list[Entry], tables: Tables) -> list[str]:
    """The id of each row: as it was typed, else its kind, numbered where there are several."""
    kinds = [known_kind(tables, row.text("part")) or "part" for row in rows]
    taken = {row.text("id") for row in rows if row.text("id")}
    count = Counter(kind for row, kind in zip(rows, kinds, strict=True) if not row.text("id"))
    used: Counter[str] = Counter()
    made = []
    for row, kind in zip(rows, kinds, strict=True):
        name = row.text("id")
        while not name:
            used[kind] += 1
            candidate = kind if count[kind] == 1 and used[kind] == 1 else f"{kind}-{used[kind]}"
            name = candidate if candidate not in taken else ""
        made.append(name)
    return made


def rows_of(sheet: Mapping[str, Any], tables: Tables) -> Form:
    """The form that shows a sheet in the JSON shape; what is not of that shape is passed over, its faults are not."""
    about = sheet.get("instrument")
    about = about if isinstance(about, Mapping) else {}
    parts = sheet.get("parts")
    rows = []
    for number, part in enumerate(parts[:PARTS_LIMIT] if isinstance(parts, list) else ()):
        rows.append(_entry(number, part if isinstance(part, Mapping) else {}, tables))
    options = sheet.get("options")
    shown = json.dumps(options, indent=2, ensure_ascii=False) if options else ""
    return Form({name: _text(about.get(name)) for name in ABOUT}, tuple(rows), shown)


def _entry(number: int, part: Mapping[str, Any], tables: Tables) -> Entry:
    override = part.get("override")
    texts = {name: _text(part.get(name)) for name in TEXTS}
    if isinstance(override, Mapping):
        texts |= {f"override_{name}": _text(override.get(name)) for name in OVERRIDE}
    flags = part.get("flags")
    ticked = tuple(flag for flag in FLAGS if isinstance(flags, list) and flag in flags)
    kind = known_kind(tables, texts["part"])
    return Entry(number, texts | ({"part": kind} if kind else {}), ticked, kind is not None)


def _text(value: Any) -> str:
    if isinstance(value, str):
        return value
    if isinstance(value, float):
        return repr(int(value)) if value.is_integer() else repr(value)
    return str(value) if type(value) is int else ""


def with_faults(form: Form, faults: Iterable[Fault], places: list[int]) -> Form:
    """The form with each fault at its row and column; `places` are the rows of the sheet's parts."""
    by_row: dict[int, list[Fault]] = {}
    others: list[Fault] = []
    for fault in faults:
        steps = fault.pointer.split("/")[1:]
        if len(steps) >= 2 and steps[0] == "parts" and steps[1].isdecimal() and int(steps[1]) < len(places):
            by_row.setdefault(places[int(steps[1])], []).append(_in_row(fault, steps[2:]))
        elif len(steps) >= 2 and steps[0] == "instrument":
            others.append(_moved(fault, steps[1:], ABOUT))
        else:
            others.append(_moved(fault, steps, ("options",)))
    rows = tuple(replace(row, faults=tuple(by_row.get(row.number, ()))) for row in form.rows)
    return replace(form, rows=rows, faults=tuple(others))


def _in_row(fault: Fault, steps: list[str]) -> Fault:
    if steps[:1] == ["override"]:
        return _moved(fault, [f"override_{steps[1] if len(steps) > 1 else OVERRIDE[0]}"], COLUMNS)
    return _moved(fault, steps, (*COLUMNS, "flags"))


def _moved(fault: Fault, steps: list[str], columns: tuple[str, ...]) -> Fault:
    """The fault at a column of the form; its message names what the form has no column of its own for."""
    column, *inner = steps or [""]
    named = inner if column in columns else [column, *inner]
    name = "/".join(step for step in named if step and not (column == "flags" and step.isdecimal()))
    return replace(fault, pointer=f"/{column}", message=f"{name}: {fault.message}" if name else fault.message)


def is_json(text: str) -> bool:
    """Whether a pasted sheet is meant as JSON: it begins with a brace or a bracket."""
    return text.lstrip("\ufeff \t\r\n")[:1] in ("{", "[")
