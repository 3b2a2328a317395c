"""Overlays of invented makers, as many times the shipped tables as asked: serial bands, part codes, source numbers.

Nothing in them is real. As in the shipped tables, some marks can be told apart by a maker's own letters and some
can't: one scheme in four has none, and its markings are read by ever more schemes as the tables grow.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Sequence
from itertools import islice, product
from pathlib import Path
from random import Random
from typing import Any

from decoder.tables import Tables

PACKAGE = "made-for-growth"
LETTERS = "BCDFGHJKLMNPQRSTVWXZ"
BANDS_EACH = 7  # as many as the shipped schemes have, about
YEARS_EACH, MONTHS = 14, 12
KINDS = ("capacitor", "tube", "speaker", "resistor", "transformer", "switch", "semiconductor")
BARE_EVERY = 4  # one scheme in so many has no letters of its own
LIMITED = "the source numbers have at most four digits, so past about 70 times there are no new ones"

Column = dict[str, Any]


def size_of(tables: Tables) -> dict[str, int]:
    """How many serial schemes, schemes of part codes, and source numbers there are."""
    return {
        "serial": len(tables.schemes("serial")),
        "component_date": len(tables.schemes("component_date")),
        "sources": len(tables.table("eia/source-codes").rows),
    }


def rows_that_grow(tables: Tables) -> int:
    """Rows and schemes of what an overlay makes more of: a size of 1."""
    have = size_of(tables)
    each = {"serial": 1 + BANDS_EACH, "component_date": 1 + YEARS_EACH + MONTHS, "sources": 1}
    return sum(count * each[name] for name, count in have.items())


def rows_of(tables: Tables) -> int:
    """Rows of all tables, and schemes: the size that costs are held against."""
    schemes = sum(len(package.schemes()) for package in tables.packages())
    return schemes + sum(len(tables.table(name).rows) for name in tables.ids())


def overlay(folder: Path, times: int, shipped: Tables, seed: int = 1966) -> Path:
    """A package of `times - 1` times as much as is shipped, in a new folder under this one."""
    rng = Random(seed)
    have = size_of(shipped)
    target = folder / f"x{times}"
    target.mkdir()
    words = ("".join(one) for size in (3, 4) for one in product(LETTERS, repeat=size))
    makers = list(islice(words, (times - 1) * (have["serial"] + have["component_date"])))
    rng.shuffle(makers)
    serial, codes = makers[: (times - 1) * have["serial"]], makers[(times - 1) * have["serial"] :]
    schemes = [_serial_scheme(n, word) for n, word in enumerate(serial)]
    schemes += [_code_scheme(n, word) for n, word in enumerate(codes)]
    (target / "schemes.toml").write_text("\n".join(schemes), encoding="utf-8")
    base = {row["code"] for row in shipped.table("eia/source-codes").rows}
    free = [f"{n:0{width}}" for width in (3, 4) for n in range(101, 10**width) if f"{n:0{width}}" not in base]
    numbers = rng.sample(free, min(len(free), (times - 1) * have["sources"]))
    packaged = (
        _resource(target, "bands", _BANDS, (row for n, w in enumerate(serial) for row in _bands(n, w, rng))),
        _resource(target, "letters", _LETTERS, (row for n, _ in enumerate(codes) for row in _letters(n))),
        {
            **_resource(target, "source-codes", _SOURCE_CODES, (_source(number) for number in numbers)),
            "extends": "eia/source-codes",
            "schema": {**_schema(_SOURCE_CODES), "primaryKey": ["code", "holder"]},
        },
        _resource(target, "sources", _SOURCES, [("made-up", "invented to measure growth", "")]),
    )
    descriptor = {
        "name": PACKAGE,
        "title": "Invented makers, to measure how costs grow: nothing here is real",
        "version": "1.0",
        "resources": list(packaged),
    }
    (target / "datapackage.json").write_text(json.dumps(descriptor), encoding="utf-8")
    return target


# --- schemes and rows


def _is_bare(n: int) -> bool:
    return n % BARE_EVERY == 0


def _serial_scheme(n: int, word: str) -> str:
    return (
        f'[[scheme]]\nid = "made-serial-{n}"\nfamily = "serial"\ntitle = "Invented maker {word}"\n'
        f'maker = "Invented {word}"\nkinds = ["serial", "label"]\nbands = "bands"\ndate_kind = "stamped"\n'
        'source = ["made-up"]\ngrade = "P"\n'
    )


def _code_scheme(n: int, word: str) -> str:
    kinds = [KINDS[n % len(KINDS)], KINDS[(n + 3) % len(KINDS)]]
    mark = "" if _is_bare(n) else f"{word}~"
    layout = f"{mark}{{year_letter:made-{n}}}{{month_letter:made-{n}}}~{{digits:{1 + n // BARE_EVERY % 4}}}"
    return (
        f'[[scheme]]\nid = "made-code-{n}"\nfamily = "component_date"\ntitle = "Invented code {word}"\n'
        f'kinds = {json.dumps(kinds)}\nlayouts = ["{layout}"]\nstrength = "fair"\n'
        'source = ["made-up"]\ngrade = "P"\n'
    )


def _bands(n: int, word: str, rng: Random) -> Iterable[Sequence[object]]:
    """A run of bands, one a year; the numbers have four to seven digits."""
    digits = 4 + n // BARE_EVERY % 4
    first, step = 10 ** (digits - 1), 9 * 10 ** (digits - 1) // BANDS_EACH
    begin = 1920 + rng.randrange(70)
    prefix = "" if _is_bare(n) else word
    for place in range(BANDS_EACH):
        low = first + place * step
        year = begin + place
        yield (
            f"made-serial-{n}",
            prefix,
            digits,
            "",
            low,
            low + step - 1,
            year,
            year,
            "stamped",
            "",
            "made-up",
            "P",
        )


def _letters(n: int) -> Iterable[Sequence[object]]:
    for place in range(YEARS_EACH):
        year = 1950 + n % 30 + place
        yield f"made-{n}", "year", LETTERS[place], year, f"{year}", "made-up", "P"
    for month in range(1, MONTHS + 1):
        yield f"made-{n}", "month", LETTERS[month], month, f"month {month}", "made-up", "P"


def _source(number: str) -> Sequence[object]:
    return number, f"Invented {number}", "", "potentiometer;capacitor", "", "", "made-up", "P"


# --- the package


def _column(name: str, kind: str = "string", **more: Any) -> Column:
    return {"name": name, "type": kind, **more}


_CITED = (_column("source", "list", constraints={"required": True}), _column("grade"))
_BANDS = (
    *(_column(name) for name in ("scheme", "prefix", "digits", "suffix")),
    _column("first", "integer"),
    _column("last", "integer"),
    _column("from", format="edtf"),
    _column("to", format="edtf"),
    _column("date_kind"),
    _column("note"),
    *_CITED,
)
_LETTERS = (*(_column(name) for name in ("table", "position", "character", "value", "meaning")), *_CITED)
_SOURCE_CODES = (
    *(_column(name) for name in ("code", "holder", "holder_note")),
    _column("made", "list"),
    _column("in_use_from", "year"),
    _column("in_use_to", "year"),
    *_CITED,
)
_SOURCES = (*(_column(name) for name in ("id", "title", "address")),)


def _schema(columns: Sequence[Column]) -> dict[str, Any]:
    return {"fields": list(columns)}


def _resource(
    folder: Path, name: str, columns: Sequence[Column], rows: Iterable[Sequence[object]]
) -> dict[str, Any]:
    """Write the rows as CSV; the resource's part of the descriptor."""
    path = folder / f"{name}.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow([column["name"] for column in columns])
        out.writerows(rows)
    return {"name": name, "path": path.name, "title": f"Invented {name}", "schema": _schema(columns)}
