"""A shop's data packages: descriptor, CSV files and schemes.toml, refused with every fault or fit to decode with."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Hashable, Iterator
from copy import deepcopy
from pathlib import Path
from random import Random
from typing import Any, ClassVar

from decoder.catalog import compile_all, decode
from decoder.families.serial import band_faults
from decoder.marking import MarkingError
from decoder.scheme.layout import NAMED, PLAIN, TABLED
from decoder.tables import SCHEME_KEYS, TableError, Tables
from tests.fuzz import harm, rules

SHOP = Path(__file__).resolve().parents[2] / "demo" / "shop" / "tidewater-bench"
OTHER_SHOP = {
    "datapackage.json": json.dumps(
        {
            "name": "tidewater-dates",
            "version": "1.0",
            "resources": [
                {
                    "name": "letters",
                    "path": "letters.csv",
                    "schema": {
                        "fields": [
                            {"name": name, "type": "list" if name == "source" else "string"}
                            for name in "table position character value from to source grade".split()
                        ]
                    },
                },
                {
                    "name": "sources",
                    "path": "sources.csv",
                    "schema": {"fields": [{"name": n, "type": "string"} for n in "id title address note".split()]},
                },
            ],
        }
    ),
    "letters.csv": "table,position,character,value,from,to,source,grade\n"
    "vale,year,A,1961,,,bench-book,P\nvale,year,B,1962;1972,,,bench-book,P\nvale,month,K,1,,,bench-book,P\n"
    "vale,month,L,2,1960,1965,bench-book,P\n",
    "sources.csv": "id,title,address,note\nbench-book,The bench book of an invented shop,,\n",
    "schemes.toml": """[[scheme]]
id = "tidewater-letters"
family = "stamped_date"
title = "Letters of an invented shop"
kinds = ["neck-heel"]
layouts = ["{year_letter:vale}{month_letter:vale}~{day}", "HV{year2}-{month2}"]
years = "1960/1979"
source = ["bench-book"]
grade = "P"
examples = [{ marking = "AK 3", window = "1961-01-03" }]

[[scheme]]
id = "tidewater-pots"
family = "source_date"
title = "A code of an invented shop"
kinds = ["potentiometer"]
layouts = ["{source:3}~{year2}~{week}(~{any:1-3})?"]
years = "1959/2001"
source = ["bench-book"]
grade = "C"
""",
}  # fmt: skip
LIMITS = (
    *({"pattern": "["}, {"pattern": "(a"}, {"enum": []}, {"minimum": "x"}, {"maximum": 1}),
    *({"unique": True}, {"unique": 1}, {"required": True}),
)
TYPES_OF_COLUMNS = ("integer", "date", "list", "boolean", "year", "edtf")
PROBES = (
    ("AK 3", "neck-heel"),
    ("HV66-03", None),
    ("137-6612", "potentiometer"),
    ("W0731", "serial"),
    ("W?7*1", None),
)
TYPES = sorted({*PLAIN, *TABLED, *NAMED})
ODD: tuple[Any, ...] = (
    None,
    True,
    0,
    -1,
    1.5,
    "",
    "x",
    "..",
    "../up.csv",
    "/abs.csv",
    "[",
    "(",
    "(a+)+$",
    [],
    {},
    [1],
    ["a"],
    "\ud800",
)
CELLS = (
    "",
    "1966",
    "19X6",
    "1966/1960",
    "-1",
    "9" * 19,
    "1e9",
    "true",
    "31/02",
    "x;y",
    "nobody",
    '"',
    ";;",
    "[68]",
    "12-3",
    "0",
    "3;x",
    "1/0",
    "1/99999",
)
KEYS = sorted(SCHEME_KEYS)
VALUES = (
    "true",
    "3",
    "-7",
    '"x"',
    "[]",
    '["x"]',
    "[1]",
    '"1966"',
    '"1960/1950"',
    '"strong"',
    '"pending"',
    '"serial"',
    '"bands"',
    '"era_mark"',
    "{}",
    "1966-03-01",
    '"\\u0000"',
    "nan",
    "[[]]",
    '[{marking = "x", window = "x"}]',
)

Files = dict[str, str]


class Packages:
    """Every package laid over the shipped tables, in the steps of `partdate tables validate`; then decoded with."""

    name: ClassVar[str] = "tables"
    refusals: ClassVar[tuple[type[Exception], ...]] = (TableError,)
    budget: ClassVar[float | None] = None

    def __init__(self) -> None:
        self.folder = tempfile.TemporaryDirectory(prefix="partdate-fuzz-")
        first = {file.name: file.read_text(encoding="utf-8") for file in sorted(SHOP.iterdir())}
        self.seeds: tuple[Files, ...] = (first, OTHER_SHOP, OTHER_SHOP)

    def draw(self, rng: Random) -> Files:
        return self._harmed(dict(rng.choice(self.seeds)), rng)

    def mutate(self, asked: Files, other: Files, rng: Random) -> Files:
        return self._harmed(dict(asked), rng)

    def _harmed(self, files: Files, rng: Random) -> Files:
        name = rng.choice(["datapackage.json", "schemes.toml", "schemes.toml", *files])
        text = files.get(name, "")
        chance = rng.random()
        if chance < 0.03:
            files.pop(name, None)
        elif chance < 0.2:
            at = int(rng.random() * (len(text) + 1))
            until = at + 1 + int(rng.random() * 40)
            files[name] = text[:at] + harm.harmed(text[at:until], rng) + text[until:]
        elif name == "datapackage.json":
            files[name] = _descriptor(text, rng)
        elif name == "schemes.toml":
            files[name] = _schemes(text, rng)
        else:
            files[name] = _cells(text, rng)
        return files

    def ask(self, asked: Files) -> str:
        folder = Path(self.folder.name)
        for old in folder.iterdir():
            old.unlink()
        for name, text in asked.items():
            # Half a character can't be in a UTF-8 file: the byte that stands for it is no UTF-8 either.
            (folder / name).write_bytes(
                text.encode("utf-8", "surrogateescape" if _low(text) else "surrogatepass")
            )
        tables = Tables.open(folder)
        faults = [*compile_all(tables), *map(str, band_faults(tables))]
        if faults:
            return "compiled with faults: " + min(fault.partition(": ")[2][:24] for fault in faults)
        read = []
        for marking, part in PROBES:
            try:
                read.append(decode(marking, part=part, tables=tables).status)
            except MarkingError:
                read.append("refused")
        return f"fit: {' '.join(read)}"

    def signature(self, asked: Files, found: str) -> Hashable:
        return found

    def faults(self, asked: Files, found: str, written: bool) -> Iterator[str]:
        return iter(())

    def error_faults(self, asked: Files, error: Exception) -> Iterator[str]:
        yield from rules.error_faults("", error)

    def reduced(self, asked: Files) -> Iterator[Files]:
        for name, text in asked.items():
            lines = text.splitlines(keepends=True)
            for at in range(len(lines)):
                yield {**asked, name: "".join(lines[:at] + lines[at + 1 :])}

    def shown(self, found: str) -> str:
        return found


def _low(text: str) -> bool:
    return all(0xDC80 <= ord(c) <= 0xDCFF for c in text if 0xD800 <= ord(c) <= 0xDFFF)


def _descriptor(text: str, rng: Random) -> str:
    try:
        loaded = json.loads(text)
    except ValueError:
        return text
    inner = [one for one in _dicts(loaded) if one]
    if not inner:
        return text
    held = rng.choice(inner)
    name = rng.choice(list(held))
    chance = rng.random()
    if chance < 0.2:
        held.pop(name)
    elif chance < 0.5:
        held[name] = rng.choice(ODD)
    elif chance < 0.7 and isinstance(held[name], list):
        held[name] = held[name] + deepcopy(held[name][:1])
    else:
        key = rng.choice(
            ("constraints", "extends", "primaryKey", "foreignKeys", "format", "type", "path", "hash", "name")
        )
        held[key] = rng.choice(
            (*ODD, *LIMITS, "parts/lag", "parts/kinds", "eia/source-codes", ["id", "x"], *TYPES_OF_COLUMNS)
        )
    return json.dumps(loaded)


def _dicts(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        yield value
    for inner in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from _dicts(inner)


def _schemes(text: str, rng: Random) -> str:
    lines = text.splitlines()
    if not lines:
        return '[[scheme]]\nid = "x"\n'
    at = int(rng.random() * len(lines))
    chance = rng.random()
    if chance < 0.15:
        del lines[at]
    elif chance < 0.25:
        lines.insert(at, lines[at])
    elif chance < 0.6:
        lines[at] = f"{rng.choice(KEYS)} = {rng.choice(VALUES)}"
    else:
        lines[at] = f'layouts = ["{_layout(rng)}"]'
    return "\n".join(lines) + "\n"


def _layout(rng: Random) -> str:
    """A layout of any fields, widths and signs; one in three has something in it that can't be."""
    made = ""
    for _ in range(1 + int(rng.random() * 5)):
        kind = rng.choice(TYPES)
        arg = (
            f":{rng.choice(('vale', 'nobody', '3', '1-9', '0', '64', '9-1', '65'))}"
            if rng.random() < 0.4
            else ""
        )
        if kind in TABLED and rng.random() < 0.8:
            arg = ":vale"
        field = f"{{{rng.choice(('', '', '', 'number=', 'year='))}{kind}{arg}}}"
        made += rng.choice(("", "~", "_", "-", " ", "HV", "7"))
        made += f"({field}~)?" if rng.random() < 0.15 else field
    return (
        harm.harmed(made, rng).replace("\\", "").replace('"', "").replace("\n", "")
        if rng.random() < 0.3
        else made
    )


def _cells(text: str, rng: Random) -> str:
    rows = [line.split(",") for line in text.split("\n")]
    row = rows[int(rng.random() * len(rows))]
    chance = rng.random()
    at = int(rng.random() * len(row))
    if chance < 0.7:
        row[at] = rng.choice(CELLS)
    elif chance < 0.8:
        row.append(rng.choice(CELLS))
    elif chance < 0.9:
        rows.append(list(row))
    else:
        del row[at]
    return "\n".join(",".join(cells) for cells in rows)
