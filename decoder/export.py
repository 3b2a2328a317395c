"""An assessment as CSV, for spreadsheets and collection software: one row for the instrument, then one for each part.

`assessment_csv` writes it, `csv_metadata` describes its columns as CSV on the Web does. It takes what `as_dict()` of
an assessment gives and works out nothing: windows that stand side by side there are written as one EDTF set.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any, Final

from decoder.window import Window, WindowSet

CSV_TYPE: Final = "text/csv"
DESCRIBED_BY: Final = "/assessment.csv-metadata.json"
# What a spreadsheet may take for a formula when a cell begins with it.
FORMULA_SIGNS: Final = ("=", "+", "-", "@", "\t", "\r")
SAFE: Final = "'"
EDTF: Final = {"base": "string", "@id": "http://id.loc.gov/datatypes/edtf/EDTF"}
DAY: Final = {"base": "date", "format": "yyyy-MM-dd"}
TEXT: Final = "string"

# Name, datatype, what stands in it. The order is the order of the columns.
COLUMNS: Final[Sequence[tuple[str, Any, str]]] = (
    ("record", TEXT, "instrument for the first row, part for each further row"),
    ("id", TEXT, "the sheet's own name of the part; empty for the instrument"),
    ("kind", TEXT, "the kind of part, an id of the table parts/kinds"),
    ("title", TEXT, "the kind of part in words"),
    ("marking", TEXT, "the marking as it was read off the part"),
    ("state", TEXT, "read, not-looked, illegible or no-mark"),
    ("flags", TEXT, "what is known of the part beside its mark, separated by semicolons"),
    ("result", TEXT, "the outcome of the instrument, or the verdict of the part"),
    ("reason", TEXT, "the outcome or verdict in words"),
    ("claim", EDTF, "the claimed build period, on the instrument's row"),
    ("override", EDTF, "a technician's own reading, which stands in place of the mark's"),
    ("mark_earliest", DAY, "the first day that the mark in force can mean; empty when open or not read"),
    ("mark_latest", DAY, "the last day that the mark in force can mean; empty when open or not read"),
    ("mark_edtf", EDTF, "the same days exactly, as an interval or a set of intervals"),
    ("built_earliest", DAY, "the first day on which an instrument with this part can have been completed"),
    (
        "built_latest",
        DAY,
        "the last such day; on the instrument's row, the day on which all parts agree last",
    ),
    ("built_edtf", EDTF, "the same days exactly; empty when no day suits all parts, or nothing was read"),
    ("probable_earliest", DAY, "the first day of the 90% set of the estimate, on the instrument's row"),
    ("probable_latest", DAY, "the last day of that set"),
    ("probable_edtf", EDTF, "the same set exactly"),
    ("schemes", TEXT, "the ids of the schemes of the readings in force, separated by semicolons"),
    ("sources", TEXT, "their sources, each with its grade, separated by semicolons"),
    ("checked", DAY, "the day for which the check was made"),
)
HEADER: Final = tuple(name for name, _, _ in COLUMNS)
_TEXTS: Final = frozenset(name for name, kind, _ in COLUMNS if kind == TEXT)


def assessment_csv(assessment: Mapping[str, Any]) -> str:
    """The assessment (as it stands in JSON) as CSV with a header, in UTF-8, with the line ends of RFC 4180.

    An apostrophe stands before a text that a spreadsheet would take for a formula.
    """
    made = io.StringIO(newline="")
    writer = csv.DictWriter(made, HEADER, restval="")
    writer.writeheader()
    for row in rows(assessment):
        writer.writerow({name: _safe(value) if name in _TEXTS else value for name, value in row.items()})
    # Half a character, which JSON can hold and UTF-8 can't, becomes a question mark.
    return made.getvalue().encode("utf-8", "replace").decode("utf-8")


def rows(assessment: Mapping[str, Any]) -> list[dict[str, str]]:
    """The rows of the assessment, the instrument's first; a column that says nothing is left out."""
    checked = assessment["today"] or ""
    estimate = assessment["estimate"] or {}
    instrument = {
        "record": "instrument",
        "result": assessment["outcome"],
        "reason": " ".join(assessment["narrative"]),
        "claim": assessment["claim"] or "",
        **_windows("built", assessment["joint_windows"]),
        **_windows("probable", estimate.get("interval_90", ())),
        "checked": checked,
    }
    return [instrument, *({**_part(part), "checked": checked} for part in assessment["parts"])]


def _part(part: Mapping[str, Any]) -> dict[str, str]:
    decoding = part["decoding"] or {"marking": "", "windows": (), "readings": ()}
    readings = decoding["readings"]
    strongest = [reading for reading in readings if reading["strength"] == readings[0]["strength"]]
    cited = {(s["title"], s["grade"]): None for reading in strongest for s in reading["sources"]}
    return {
        "record": "part",
        "id": part["id"],
        "kind": part["part"],
        "title": part["title"],
        "marking": decoding["marking"],
        "state": part["state"],
        "flags": ";".join(part["flags"]),
        "result": part["verdict"],
        "reason": part["reason"],
        "override": (part["override"] or {}).get("window", ""),
        **_windows("mark", decoding["windows"]),
        **_windows("built", part["allowed"]),
        "schemes": "; ".join(dict.fromkeys(reading["scheme"] for reading in strongest)),
        "sources": "; ".join(f"{title} ({grade})" for title, grade in cited),
    }


def _windows(prefix: str, windows: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """Earliest, latest and EDTF of windows as they stand in JSON."""
    found = WindowSet.from_iter(Window.between(_day(w["earliest"]), _day(w["latest"])) for w in windows)
    hull = found.hull()
    if hull is None:
        return {}
    first, last = hull.earliest_date, hull.latest_date
    return {
        f"{prefix}_earliest": first.isoformat() if first else "",
        f"{prefix}_latest": last.isoformat() if last else "",
        f"{prefix}_edtf": found.edtf() or "",
    }


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _safe(text: str) -> str:
    return SAFE + text if text.startswith(FORMULA_SIGNS) else text


def csv_metadata() -> dict[str, Any]:
    """What the columns mean, as metadata of CSV on the Web (W3C)."""
    return {
        "@context": "http://www.w3.org/ns/csvw",
        "dc:title": "Assessment of an instrument by partdate",
        "dc:description": "One row for the instrument, then one for each part. Days are inclusive.",
        "dialect": {"header": True, "encoding": "utf-8", "lineTerminators": ["\r\n"], "trim": False},
        "tableSchema": {
            "columns": [
                {
                    "name": name,
                    "titles": name,
                    "dc:description": said,
                    "datatype": kind,
                    "null": "",
                    "required": name in ("record", "result"),
                }
                for name, kind, said in COLUMNS
            ]
        },
    }
