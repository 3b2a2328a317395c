"""Writes what was learned as data packages that `partdate --tables` lays over the published tables.

Every row is graded "own observation (n=...)" and cites the bench. Lags become rows of `parts/lag` that hold for the
maker and the years they were seen in; the published row stays for all others. Serial bands stand beside the published
series as a series of their own, or, where that is asked for, narrow the published bands in a copy of their table, in
which every published row keeps its own grade and sources.
"""

from __future__ import annotations

import copy
import csv
import io
import json
import os
import re
import shutil
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from math import ceil
from pathlib import Path
from typing import Any, Final

from decoder.casebook.errors import Refused
from decoder.casebook.learn import Learned, OwnLag, OwnSeries
from decoder.catalog import compile_all
from decoder.crosscheck.lag import TABLE as LAG_TABLE
from decoder.crosscheck.lag import Lags
from decoder.families.serial import band_faults
from decoder.tables import Package, Row, Source, TableError, Tables, stamp
from decoder.window import Window, parse_edtf

NAME: Final = "own-bench"
SOURCE: Final = "own-bench"
PUBLISHED: Final = "published-lag"
BAND_COLUMNS: Final = (
    "scheme", "prefix", "digits", "suffix", "first", "last", "from", "to", "date_kind", "note", "source", "grade",
)  # fmt: skip
_ID: Final = re.compile(r"[^a-z0-9]+")


@dataclass(frozen=True, slots=True)
class Written:
    """The packages that were written, and the published bands that own observations contradict (left as they are)."""

    folders: tuple[Path, ...]
    lags: int
    bands: int
    contradictions: tuple[str, ...]


def write(
    learned: Learned,
    tables: Tables,
    folder: Path,
    *,
    today: date,
    head: str,
    narrow: bool = False,
    name: str = NAME,
) -> Written:
    """Write what was learned into `folder`, which is made or must be empty, and check it as an overlay.

    `head` is the end of the casebook's chain, which the source names. With `narrow` published serial bands are
    narrowed. Raises Refused when there is nothing to write, and for a folder that holds something.
    """
    if not learned.series and not learned.lags:
        raise Refused(
            f"nothing can be learned yet from {learned.sheets} sheets with a trusted date: "
            + (
                "; ".join(f"{left.what}: {left.why}" for left in learned.left[:5])
                or "none of them dates a part"
            )
        )
    if folder.exists() and any(folder.iterdir()):
        raise Refused(f"{folder} is not empty: nothing is overwritten. Name a new folder")
    making = folder.with_name(f"{folder.name}.part")
    shutil.rmtree(making, ignore_errors=True)
    own = Source(
        SOURCE,
        f"own observations of this bench: {learned.sheets} sheets with a trusted date, learned on {today.isoformat()}, "
        f"casebook {head[:12]}",
    )
    contradictions: list[str] = []
    try:
        made = [_own_package(learned, tables, making / name, own, today, name, narrow=narrow)]
        if narrow:
            made += _narrowed_packages(learned, tables, making, own, today, contradictions)
        folders = [path for path in made if path is not None]
        for path in folders:
            stamp(path)
        _must_be_valid(tables, folders)
    except BaseException:
        shutil.rmtree(making, ignore_errors=True)
        raise
    if folder.exists():
        folder.rmdir()
    os.replace(making, folder)
    return Written(
        tuple(folder / path.name for path in folders),
        len(learned.lags),
        sum(len(own_series.bands) for own_series in learned.series),
        tuple(contradictions),
    )


def _must_be_valid(tables: Tables, folders: Iterable[Path]) -> None:
    below = [package.folder for package in tables.packages() if not package.shipped]
    base = next(package.folder.parent for package in tables.packages() if package.shipped)
    try:
        laid = Tables.open(*below, *folders, base=base)
        faults = [*compile_all(laid), *map(str, band_faults(laid))]
    except TableError as error:
        faults = [str(problem) for problem in error.problems]
    if faults:
        raise Refused("what was learned makes no valid tables:\n  " + "\n  ".join(faults))


# ---------------------------------------------------------------------------------------------------------------
# The bench's own package


def _own_package(
    learned: Learned, tables: Tables, folder: Path, own: Source, today: date, name: str, *, narrow: bool
) -> Path | None:
    """Lags, and the series that stand beside the published ones (all of them, or those that none is published of)."""
    beside = [one for one in learned.series if one.series.scheme is None or not narrow]
    if not beside and not learned.lags:
        return None
    folder.mkdir(parents=True)
    resources: list[dict[str, Any]] = []
    published = Source(
        PUBLISHED, f"partdate's table {LAG_TABLE}, revision {tables.table(LAG_TABLE).revision}"
    )
    if learned.lags:
        lag = _resource_of(tables, LAG_TABLE)
        resources.append(
            {
                **_described(
                    "lag", "Own lags", "How long parts lay in stock, as this bench's own sheets say.", lag
                ),
                "extends": LAG_TABLE,
            }
        )
        _write_csv(folder / "lag.csv", _columns(lag), (_lag_row(one, tables) for one in learned.lags))
    if beside:
        bands = _band_columns()
        resources.append(
            _described(
                "bands",
                "Own serial bands",
                "Serial numbers and dates of completion seen at this bench.",
                bands,
            )
        )
        rows = [row for one in beside for row in _beside_rows(one)]
        _write_csv(folder / "bands.csv", _columns(bands), rows)
        (folder / "schemes.toml").write_text("\n".join(_scheme_text(one) for one in beside), encoding="utf-8")
    title = "Own observations of this bench"
    _write_sources(folder, [own, published])
    _write_descriptor(folder, name, title, own.title, today, resources)
    return folder


def _lag_row(own: OwnLag, tables: Tables) -> dict[str, Any]:
    row = Lags.of(tables).general(own.kind)
    lead, usual = ceil(own.lead.months), ceil(own.usual.months)
    note = (
        f"Own: {own.count} parts; lead {own.lead.words}, usual {own.usual.words}, longest {own.longest.words} months, "
        "in brackets the 95% interval. The next part drawn like these lies within lead or longest with probability "
        f"0.95 each, within usual with 0.8. {own.outside} parts that are no ordinary stock are in no figure. "
        "Published, not own: replacement rate, wear, years made."
    )
    return {
        "kind": own.kind,
        "maker": own.maker,
        "years": f"{own.years[0]}/{own.years[1]}",
        "lead": lead,
        "usual": usual,
        "longest": max(usual, ceil(own.longest.months)),
        "replacement_rate": row.replacement_rate,
        "wear": row.wear,
        "made_from": row.made_from,
        "made_to": row.made_to,
        "note": note,
        "source": (SOURCE, PUBLISHED),
        "grade": _grade(own.count),
    }


def _own_id(own: OwnSeries) -> str:
    series = own.series
    of = series.scheme or _ID.sub("-", series.maker.lower()).strip("-") or "maker"
    form = _ID.sub("-", f"{series.prefix}-{series.digits}-{series.suffix}".lower()).strip("-")
    return f"own-{of}-{form}"


def _beside_rows(own: OwnSeries) -> Iterator[dict[str, Any]]:
    for band in own.bands:
        yield {
            "scheme": _own_id(own),
            "prefix": own.series.prefix,
            "digits": own.series.digits,
            "suffix": own.series.suffix,
            "first": band.first,
            "last": band.last,
            "from": date.fromordinal(band.earliest).isoformat(),
            "to": date.fromordinal(band.latest).isoformat(),
            "date_kind": None,
            "note": _coverage(own),
            "source": (SOURCE,),
            "grade": _grade(own.count),
        }


def _grade(count: int) -> str:
    return f"own observation (n={count})"


def _coverage(own: OwnSeries) -> str:
    return (
        f"Own: days of completion, from {own.count} instruments; a further one drawn like these lies inside with "
        f"probability {own.level:g} (at least {own.guaranteed:g}, whatever the distribution)"
    )


def _scheme_text(own: OwnSeries) -> str:
    series = own.series
    beside = f", beside {series.scheme}" if series.scheme else ""
    return "\n".join(
        [
            "[[scheme]]",
            f"id = {json.dumps(_own_id(own))}",
            'family = "serial"',
            f"title = {_toml(f'Own observations (n={own.count}){beside}')}",
            f"maker = {_toml(series.maker)}",
            'kinds = ["serial"]',
            'bands = "bands"',
            'timing = "instrument"',
            f"notes = [{_toml(_coverage(own))}]",
            f'source = ["{SOURCE}"]',
            f'grade = "{_grade(own.count)}"',
            "",
        ]
    )


def _toml(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


# ---------------------------------------------------------------------------------------------------------------
# Published bands, narrowed


def _narrowed_packages(
    learned: Learned, tables: Tables, folder: Path, own: Source, today: date, contradictions: list[str]
) -> Iterator[Path | None]:
    by_table: dict[tuple[str, str], list[OwnSeries]] = {}
    for one in learned.series:
        if one.series.package is not None and one.series.resource is not None:
            by_table.setdefault((one.series.package, one.series.resource), []).append(one)
    for package in sorted({package for package, _ in by_table}):
        made = folder / package
        made.mkdir(parents=True)
        resources = []
        for (of, resource), series in sorted(by_table.items()):
            if of != package:
                continue
            name = f"{package}/{resource}"
            kept = _resource_of(tables, name)
            revision = tables.table(name).revision
            described = (
                f"{kept.get('description', '')} Narrowed by own observations over revision {revision}: learn again "
                "when the published table changes."
            ).strip()
            resources.append(
                _described(resource, f"{kept.get('title', resource)} (narrowed)", described, kept)
            )
            rows = list(_narrowed(tables, name, series, contradictions))
            _write_csv(made / f"{resource.replace('-', '_')}.csv", _columns(kept), rows)
        _write_sources(made, [*tables.sources(package).values(), own])
        _write_descriptor(
            made, package, f"{package}, narrowed by own observations", own.title, today, resources
        )
        yield made


def _narrowed(
    tables: Tables, name: str, series: list[OwnSeries], contradictions: list[str]
) -> Iterator[dict[str, Any]]:
    by_form = {(s.series.scheme, s.series.prefix, s.series.digits, s.series.suffix): s for s in series}
    schemes = {row["id"]: row for row in tables.schemes("serial")}
    for row in tables.table(name).rows:
        form = (row["scheme"], row.get("prefix") or "", row["digits"], row.get("suffix") or "")
        own = by_form.get(form)
        if own is None or row.get("last") is None:
            yield dict(row)
        else:
            yield from _narrowed_row(row, own, schemes.get(row["scheme"], {}), contradictions)


def _narrowed_row(
    row: Row, own: OwnSeries, scheme: Row, contradictions: list[str]
) -> Iterator[dict[str, Any]]:
    """A published band in pieces: narrowed where own bands narrow it, as it was everywhere else.

    Own bands are of days of completion. The published days come up to the series' tolerance before or after these, so
    own ends are moved by that tolerance before the two are compared.
    """
    published = _period(row)
    free = row["first"]
    before, after = int(scheme.get("before", 0)), int(scheme.get("after", 0))
    for band in own.bands:
        first, last = max(band.first, row["first"]), min(band.last, row["last"])
        if first > last:
            continue
        moved = Window(band.earliest, band.latest).widen(months_before=after, months_after=before)
        inside = moved.intersect(published)
        if inside is None:
            contradictions.append(
                f"{row['scheme']} {first} to {last}: published {row['from']} to {row.get('to') or '..'}, own "
                f"{date.fromordinal(band.earliest)} to {date.fromordinal(band.latest)}; left as published"
            )
        if inside is None or inside == published or inside.earliest is None or inside.latest is None:
            continue
        if free < first:
            yield {**row, "first": free, "last": first - 1}
        free = last + 1
        said = f"narrowed by own observations; published: {row['from']} to {row.get('to') or '..'}. {_coverage(own)}"
        yield {
            **row,
            "first": first,
            "last": last,
            "from": date.fromordinal(inside.earliest).isoformat(),
            "to": date.fromordinal(inside.latest).isoformat(),
            "note": f"{row['note']}; {said}" if row.get("note") else said,
            "source": (SOURCE, *row["source"]),
            "grade": _grade(own.count),
        }
    if free <= row["last"]:
        yield {**row, "first": free}


def _period(row: Row) -> Window:
    start = parse_edtf(row["from"]).window if row.get("from") else None
    end = parse_edtf(row["to"]).window if row.get("to") else None
    return Window(start.earliest if start else None, end.latest if end else None)


# ---------------------------------------------------------------------------------------------------------------
# Files


def _package_of(tables: Tables, name: str) -> tuple[Package, Mapping[str, Any]]:
    package_name, _, resource_name = name.partition("/")
    for package in reversed(tables.packages()):
        resource = package.resource(resource_name) if package.name == package_name else None
        if resource is not None and "extends" not in resource:
            return package, resource
    raise KeyError(name)


def _resource_of(tables: Tables, name: str) -> Mapping[str, Any]:
    return _package_of(tables, name)[1]


def _band_columns() -> Mapping[str, Any]:
    """The columns of own bands."""
    types = {"first": "integer", "last": "integer", "source": "list"}
    fields = [{"name": name, "type": types.get(name, "string")} for name in BAND_COLUMNS]
    return {"schema": {"fields": fields}}


def _columns(resource: Mapping[str, Any]) -> list[str]:
    return [column["name"] for column in resource["schema"]["fields"]]


def _described(name: str, title: str, description: str, like: Mapping[str, Any]) -> dict[str, Any]:
    """A resource with the columns of another one; its grades are own observations."""
    schema = copy.deepcopy(dict(like["schema"]))
    for column in schema["fields"]:
        if column["name"] == "grade" and "constraints" in column:
            column["constraints"] = {k: v for k, v in column["constraints"].items() if k != "enum"}
    return {
        "name": name,
        "path": f"{name.replace('-', '_')}.csv",
        "profile": "tabular-data-resource",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "title": title,
        "description": description,
        "schema": schema,
    }


def _write_csv(path: Path, columns: list[str], rows: Iterable[Mapping[str, Any]]) -> None:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in columns])
    path.write_text(text.getvalue(), encoding="utf-8")


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (tuple, list)):
        return ";".join(value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _write_sources(folder: Path, sources: Iterable[Source]) -> None:
    rows = ({"id": s.id, "title": s.title, "address": s.address, "note": ""} for s in sources)
    _write_csv(folder / "sources.csv", ["id", "title", "address", "note"], rows)


def _write_descriptor(
    folder: Path, name: str, title: str, description: str, today: date, resources: list[dict[str, Any]]
) -> None:
    fields = [{"name": column, "type": "string"} for column in ("id", "title", "address", "note")]
    sources = {
        "name": "sources",
        "path": "sources.csv",
        "title": "Sources",
        "schema": {"fields": fields, "primaryKey": ["id"]},
    }
    descriptor = {
        "profile": "tabular-data-package",
        "name": name,
        "title": title,
        "description": description,
        "version": f"{today:%Y.%m.%d}",
        "resources": [*resources, sources],
    }
    text = json.dumps(descriptor, indent=2, ensure_ascii=False) + "\n"
    (folder / "datapackage.json").write_text(text, encoding="utf-8")
