"""Records out to CSV and JSON and in again, without loss; CSV is safe to open in a spreadsheet.

CSV has one row a part; `MEANINGS` are its columns, of which only `id` and `part` are needed to read one. What is said
of the whole sheet stands in the first row of its sheet. Rows of one sheet stand together and share the cell `sheet`.
A cell that a spreadsheet would take for a formula gets an apostrophe in front, which is taken off again when the file
is read. JSON is one object: `{"partdate_casebook": 1, "records": [...]}`.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from decoder.casebook.errors import Refused

FORMAT: Final = 1
BOM: Final = "\ufeff"
# What Excel, LibreOffice and others take for the start of a formula, full-width forms included, and what they drop
# before looking for one; the apostrophe itself, so that one that was there before comes back.
RISKY: Final = frozenset("=+-@\t\r\n'＝＋－＠")
MEANINGS: Final[Mapping[str, str]] = {
    "sheet": "the sheet's id in the casebook; a file without this column is one sheet",
    "id": "the sheet's own name of the part",
    "part": "the kind of part, an id or trade name of the table parts/kinds",
    "marking": "the marking as it was read off the part",
    "feature": "a feature in place of a marking",
    "value": "the value of the feature",
    "unit": "its unit",
    "uncertainty": "how far off the value may be",
    "state": "read, not-looked, illegible or no-mark",
    "flags": "what is known of the part beside its mark, separated by semicolons",
    "position": "where the part sits",
    "group": "parts that came together",
    "patent": "the patent number that a pending mark speaks of",
    "override_window": "a technician's own reading, EDTF",
    "override_name": "the technician",
    "override_reason": "the reason",
    "maker": "of the instrument, in the first row of its sheet, as are all that follow",
    "model": "of the instrument",
    "country": "where it was made",
    "claim": "the claimed build period, EDTF",
    "second_claim": "a second claim, EDTF",
    "options": "the sheet's options, as JSON",
    "trusted_date": "a date known from elsewhere, EDTF with both ends",
    "trusted_kind": "what it is a date of: completed, shipped, invoiced or sold",
    "trusted_source": "how it is known",
    "remarks": "free text",
    "photos": "the photos by their SHA-256, as JSON",
}
COLUMNS: Final = tuple(MEANINGS)
PART: Final = COLUMNS[1:11]
ABOUT: Final = ("maker", "model", "country", "claim", "second_claim")
FILE_LIMIT: Final = 1_000_000_000  # characters


@dataclass(frozen=True, slots=True)
class Brought:
    """A record as it was read: its JSON, its id in the casebook that it came from (None if it had none), its place."""

    record: dict[str, Any]
    id: str | None
    place: str


def guarded(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula.

    >>> guarded("=1+1"), guarded("137-6612"), guarded("'54")
    ("'=1+1", '137-6612', "''54")
    """
    return f"'{cell}" if cell[:1] in RISKY and cell else cell


def unguarded(cell: str) -> str:
    """A cell as it was before `guarded`; one that needed no guard, or has none, stays as it is.

    >>> unguarded("'=1+1"), unguarded("'54"), unguarded("''54")
    ('=1+1', "'54", "'54")
    """
    return cell[1:] if cell[:1] == "'" and cell[1:2] in RISKY and len(cell) > 1 else cell


# ---------------------------------------------------------------------------------------------------------------
# CSV


def write_csv(records: Iterable[tuple[str, Mapping[str, Any]]], *, bom: bool = False) -> Iterator[str]:
    """The lines of a CSV of some records, each with its id; `bom` marks it as UTF-8 for spreadsheets that ask."""
    yield (BOM if bom else "") + _line(COLUMNS)
    for name, record in records:
        sheet = record["sheet"]
        around = {**_about(sheet), **_around(record)}
        for place, part in enumerate(sheet["parts"]):
            row = {"sheet": name, **_part(part), **(around if place == 0 else {})}
            yield _line([guarded(row.get(column, "")) for column in COLUMNS])
        if not sheet["parts"]:
            yield _line([guarded({"sheet": name, **around}.get(column, "")) for column in COLUMNS])


def _line(cells: Iterable[str]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerow(cells)
    return text.getvalue()


def _about(sheet: Mapping[str, Any]) -> dict[str, str]:
    about = sheet.get("instrument") or {}
    made = {name: str(about[name]) for name in ABOUT if about.get(name) is not None}
    if sheet.get("options"):
        made["options"] = json.dumps(sheet["options"], ensure_ascii=False, sort_keys=True)
    return made


def _around(record: Mapping[str, Any]) -> dict[str, str]:
    trusted = record.get("trusted") or {}
    made = {f"trusted_{name}": trusted[name] for name in ("date", "kind", "source") if name in trusted}
    if record.get("photos"):
        made["photos"] = json.dumps(record["photos"], ensure_ascii=False, sort_keys=True)
    if record.get("remarks") is not None:
        made["remarks"] = record["remarks"]
    return made


def _part(part: Mapping[str, Any]) -> dict[str, str]:
    made = {name: _text(part[name]) for name in (*PART, "group", "patent") if part.get(name) is not None}
    override = part.get("override") or {}
    return {**made, **{f"override_{name}": str(value) for name, value in override.items()}}


def _text(value: Any) -> str:
    if isinstance(value, list):
        return ";".join(value)
    if isinstance(value, float) and value == int(value):
        return str(int(value))
    return value if isinstance(value, str) else json.dumps(value)


def read_csv(text: str) -> list[Brought]:
    """The records of a CSV that `write_csv` wrote, or one with some of its columns.

    A file without the column `sheet` is one sheet. Raises Refused, which names row and column.
    """
    if len(text) > FILE_LIMIT:
        raise Refused("the file is larger than a casebook's CSV can be: give it in several files")
    plain = text.removeprefix(BOM)
    first = plain.lstrip("\r\n").partition("\n")[0]
    reader = csv.reader(io.StringIO(plain, newline=""), delimiter=max(",;\t", key=first.count), strict=True)
    made: list[Brought] = []
    header: list[str] = []
    name: str | None = None
    try:
        for cells in reader:
            at = f"row {reader.line_num}"
            if not any(cell.strip() for cell in cells):
                continue
            if not header:
                header = _header([cell.strip().casefold() for cell in cells], at)
                continue
            if len(cells) > len(header):
                raise Refused(f"{at} has {len(cells)} cells where the header has {len(header)}: quote commas")
            row = {column: unguarded(cell) for column, cell in zip(header, cells, strict=False) if cell != ""}
            own = row.get("sheet")
            if not made or own != name:
                made.append(_new_record(row, at))
                name = own
            if "id" in row or "part" in row:
                made[-1].record["sheet"]["parts"].append(_part_of(row, at))
    except csv.Error as error:
        raise Refused(f"row {reader.line_num} is no CSV: {error}") from None
    return made


def _header(names: list[str], at: str) -> list[str]:
    for name in names:
        if name not in COLUMNS:
            raise Refused(
                f"{at}: {name[:60]!r} is no column of a casebook's CSV; known are {', '.join(COLUMNS)}"
            )
        if names.count(name) > 1:
            raise Refused(f"{at}: the column {name} stands twice in the header")
    if "id" not in names or "part" not in names:
        raise Refused(f"{at}: the columns id and part are needed")
    return names


def _new_record(row: Mapping[str, str], at: str) -> Brought:
    sheet: dict[str, Any] = {"instrument": {name: row[name] for name in ABOUT if name in row}, "parts": []}
    if not sheet["instrument"]:
        del sheet["instrument"]
    if "options" in row:
        sheet["options"] = _json_cell(row["options"], f"{at}, column options")
    record: dict[str, Any] = {"sheet": sheet}
    trusted = {n: row[f"trusted_{n}"] for n in ("date", "kind", "source") if f"trusted_{n}" in row}
    if trusted:
        record["trusted"] = trusted
    if "photos" in row:
        record["photos"] = _json_cell(row["photos"], f"{at}, column photos")
    if "remarks" in row:
        record["remarks"] = row["remarks"]
    return Brought(record, row.get("sheet"), at)


def _part_of(row: Mapping[str, str], at: str) -> dict[str, Any]:
    part: dict[str, Any] = {name: row[name] for name in (*PART, "group", "patent") if name in row}
    if "flags" in part:
        part["flags"] = [flag.strip() for flag in row["flags"].split(";") if flag.strip()]
    if "uncertainty" in part:
        try:
            part["uncertainty"] = float(row["uncertainty"])
        except ValueError:
            raise Refused(f"{at}, column uncertainty: {row['uncertainty'][:60]!r} is no number") from None
    override = {n: row[f"override_{n}"] for n in ("window", "name", "reason") if f"override_{n}" in row}
    if override:
        part["override"] = override
    if not part.keys() & {"marking", "feature", "value", "state", "override"}:
        part["state"] = "not-looked"
    return part


def _json_cell(cell: str, at: str) -> Any:
    try:
        return json.loads(cell)
    except ValueError as error:
        raise Refused(f"{at}: is no JSON: {error}") from None


# ---------------------------------------------------------------------------------------------------------------
# JSON


def write_json(records: Iterable[tuple[str, Mapping[str, Any]]]) -> Iterator[str]:
    """The text of a JSON file of some records, each with its id, piece by piece."""
    yield f'{{"partdate_casebook": {FORMAT}, "records": ['
    between = "\n"
    for name, record in records:
        yield between + json.dumps({"id": name, **record}, ensure_ascii=False, sort_keys=True)
        between = ",\n"
    yield "\n]}\n"


def read_json(raw: Any) -> list[Brought]:
    """The records in a JSON value: a casebook's file, a list of records or sheets, or one of these.

    Raises Refused for a file of a later format.
    """
    if isinstance(raw, Mapping) and "partdate_casebook" in raw:
        if raw["partdate_casebook"] != FORMAT:
            raise Refused(
                f"the file is of format {raw['partdate_casebook']}; this partdate reads format {FORMAT}"
            )
        found = raw.get("records")
    else:
        found = raw if isinstance(raw, list) else [raw]
    if not isinstance(found, list):
        raise Refused("the file has no list of records")
    made = []
    for place, record in enumerate(found):
        if not isinstance(record, Mapping):
            raise Refused(f"record {place + 1} is no object")
        plain = dict(record)
        is_record = "sheet" in plain
        own = plain.pop("id", None) if is_record else None
        made.append(Brought(plain, own if isinstance(own, str) else None, f"record {place + 1}"))
    return made
