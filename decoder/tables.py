"""The tables that every answer rests on: Frictionless data packages, validated, indexed and cited.

`Tables.open()` gives the shipped packages, or these with a shop's own directories laid over them.
A table is named `<package>/<resource>`. An overlay adds a table under a new name, supersedes one under the
same name, or adds rows in front of one that its descriptor says it `extends`; such a row takes the place of the
one with the same primary key. Shipped files whose SHA-256
stands in their descriptor are trusted (CI validates them in full); any other file is validated in full.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, Final, NamedTuple, TypeVar

from decoder.window import EdtfError, parse_edtf

T = TypeVar("T")
Row = Mapping[str, Any]

GRADES: Final = ("A", "B", "C", "M", "P")
OWN_OBSERVATION: Final = re.compile(r"own observation \(n=\d+\)")
GRADES_SAID: Final = f"one of {', '.join(GRADES)}, or 'own observation (n=...)'"
TYPES: Final = ("string", "integer", "number", "boolean", "date", "year", "list")
LIMITS: Final[Mapping[str, tuple[frozenset[str], str]]] = {
    "required": (frozenset(TYPES), "true or false"),
    "unique": (frozenset(TYPES), "true or false"),
    "enum": (frozenset(("string", "list")), "a list of texts"),
    "pattern": (frozenset(("string", "list")), "a regular expression"),
    "minimum": (frozenset(("integer", "number", "year")), "a number"),
    "maximum": (frozenset(("integer", "number", "year")), "a number"),
}
SOURCE_KEY: Final = {"fields": "source", "reference": {"resource": "sources", "fields": "id"}}
TEXT_TABLE_LIMIT: Final = 8_000_000  # bytes; no table of facts is larger
_NAME: Final = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_FILE_NAME: Final = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_. -]*")
_YEAR_FIRST: Final = re.compile(r"[0-9]{4}(?![0-9])")


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault in a table: the file, the row (1 is the header; 0 the file as a whole), the column, the value."""

    file: str
    row: int
    column: str
    value: str
    message: str

    def __str__(self) -> str:
        place = self.file
        if self.row:
            place += f", row {self.row}"
        if self.column:
            place += f", column {self.column}"
        shown = f" ({self.value[:60]!r})" if self.value else ""
        return f"{place}{shown}: {self.message}"


class TableError(ValueError):
    """Tables that can't be used; `problems` lists every fault found, not the first alone."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = problems


@dataclass(frozen=True, slots=True)
class Source:
    """A publication that rows rest on, and where it was seen."""

    id: str
    title: str
    address: str = ""


class Citation(NamedTuple):
    """A source as an answer quotes it, with the grade of the row that rests on it."""

    id: str
    title: str
    grade: str

    def as_dict(self) -> dict[str, str]:
        """The citation as it stands in JSON."""
        return {"id": self.id, "title": self.title, "grade": self.grade}


@dataclass(frozen=True, slots=True)
class Table:
    """One table: typed rows, the revision of their bytes, and the sources that they name."""

    id: str
    title: str
    description: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    revision: str
    sources: Mapping[str, Source]

    def cite(self, row: Row) -> tuple[Citation, ...]:
        """The sources of a row, each with the row's grade."""
        return tuple(
            Citation(name, self.sources[name].title, row["grade"])
            for name in row["source"]
            if name in self.sources
        )

    def as_dict(self, find: str | None = None) -> dict[str, Any]:
        """The table as it stands in JSON; with `find`, only the rows that hold this text, in any case."""
        rows = [{name: _plain(row[name]) for name in self.columns} for row in self.rows]
        if find:
            rows = [row for row in rows if any(find.lower() in str(value).lower() for value in row.values())]
        cited = dict.fromkeys(name for row in rows for name in row["source"])
        return {
            "id": self.id,
            "title": self.title,
            "description": self.description,
            "revision": self.revision,
            "columns": list(self.columns),
            "rows": rows,
            "sources": [
                {"id": s.id, "title": s.title, "address": s.address}
                for s in (self.sources[name] for name in cited if name in self.sources)
            ],
        }


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return list(value)
    return value.isoformat() if isinstance(value, date) else value


@dataclass(frozen=True, slots=True)
class Package:
    """One data package: its folder and its descriptor."""

    name: str
    folder: Path
    descriptor: Mapping[str, Any]
    shipped: bool

    def resource(self, name: str) -> Mapping[str, Any] | None:
        """The descriptor of one resource, or None."""
        return next((r for r in self.descriptor["resources"] if r["name"] == name), None)

    def schemes(self) -> list[Row]:
        """The scheme descriptions of the package's schemes.toml; none when it has no such file."""
        raw = _schemes_bytes(self)
        found = tomllib.loads(raw.decode("utf-8-sig")).get("scheme", [])
        return found if isinstance(found, list) else [found]


@dataclass(slots=True)
class Tables:
    """All packages in force. Tables are read on first use; `derived` keeps what others compute from them."""

    layers: tuple[Package, ...]
    _tables: dict[str, Table] = field(default_factory=dict)
    _schemes: dict[str, tuple[Row, ...]] = field(default_factory=dict)
    _derived: dict[str, Any] = field(default_factory=dict)

    @classmethod
    def open(cls, *overlays: Path | str, base: Path | None = None) -> Tables:
        """The shipped packages with these directories laid over them, later ones above earlier ones.

        `base` is another folder of packages to take in place of the shipped ones. Raises TableError with every
        fault of the overlays, which are validated in full here, and for a base that can't be read at all.
        """
        folder = base if base is not None else shipped_folder()
        layers, problems = _packages(sorted(folder.glob("*/datapackage.json")), shipped=True)
        for overlay in overlays:
            found, faults = _overlay(Path(overlay))
            layers += found
            problems += faults
        tables = cls(tuple(layers))
        if overlays and not problems:
            problems = tables.validate(overlays_only=True)
        if problems:
            raise TableError(tuple(problems))
        return tables

    def ids(self) -> tuple[str, ...]:
        """The names of all tables in force, sorted; the `sources` resources are not tables of facts."""
        return tuple(
            sorted(
                {
                    f"{p.name}/{r['name']}"
                    for p in self.layers
                    for r in p.descriptor["resources"]
                    if r["name"] != "sources" and "extends" not in r
                }
            )
        )

    @property
    def edition(self) -> int:
        """The year of the newest package, as its version says: facts later than this are not in the tables.

        A version that begins with no year (a shop's "1.2") says nothing.
        """
        return self.derived("edition", _edition)

    def packages(self) -> tuple[Package, ...]:
        """The packages, lowest layer first."""
        return self.layers

    def table(self, name: str) -> Table:
        """The table of this name, with the rows that extend it in front. KeyError names what there is."""
        if name not in self._tables:
            self._tables[name] = self._build(name)
        return self._tables[name]

    def schemes(self, family: str) -> tuple[Row, ...]:
        """The scheme descriptions of one family; a scheme of a higher layer supersedes the same id below it."""
        if family not in self._schemes:
            named = re.compile(rb"family = \"" + re.escape(family.encode()) + rb"\"")
            found: dict[str, Row] = {}
            for package in self.layers:
                raw = _schemes_bytes(package)
                if package.shipped and not named.search(raw):  # ours are written so; a shop's may not be
                    continue
                revision = _revision(raw)
                for scheme in package.schemes():
                    if scheme["family"] == family:
                        found[scheme["id"]] = {**scheme, "package": package.name, "revision": revision}
            self._schemes[family] = tuple(found.values())
        return self._schemes[family]

    def sources(self, package: str) -> Mapping[str, Source]:
        """The sources of one package, all layers of that name together."""
        found: dict[str, Source] = {}
        for layer in self.layers:
            if layer.name == package:
                found.update(_sources(layer))
        return found

    def cite(self, scheme: Row) -> tuple[Citation, ...]:
        """The sources of a scheme, each with the scheme's grade."""
        known = self.sources(scheme["package"])
        return tuple(Citation(s, known[s].title, scheme["grade"]) for s in scheme["source"] if s in known)

    def derived(self, key: str, build: Callable[[Tables], T]) -> T:
        """What `build` computes from these tables, computed once."""
        try:
            made: T = self._derived[key]
        except KeyError:
            made = self._derived[key] = build(self)
        return made

    def setting(self, name: str) -> Any:
        """A number from `parts/settings`: an int where it is whole, else a float."""
        return self.derived("settings", _settings)[name]

    def revisions(self) -> dict[str, str]:
        """The revision of every table read so far."""
        return {name: table.revision for name, table in sorted(self._tables.items())}

    def validate(self, *, overlays_only: bool = False) -> list[Problem]:
        """Every fault of every package (or of the overlays alone), in file order."""
        problems: list[Problem] = []
        for package in self.layers:
            if not (overlays_only and package.shipped):
                problems += validate_package(package)
        if not problems:
            problems = self._cross_checks()
        return problems

    def _cross_checks(self) -> list[Problem]:
        """What no package shows by itself: how overlays meet the tables and schemes below them."""
        problems: list[Problem] = []
        known = self.ids()
        below: dict[str, tuple[Package, Row]] = {}
        for package in self.layers:
            for resource in package.descriptor["resources"]:
                name = resource.get("extends", f"{package.name}/{resource['name']}")
                if resource["name"] == "sources":
                    continue
                if "extends" in resource and name not in known:
                    message = f"no table of this name to extend; there are: {', '.join(known)}"
                    problems.append(Problem(_place(package), 0, "extends", name, message))
                elif name in below:
                    problems += _meeting_faults(package, resource, *below[name])
                if "extends" not in resource:
                    below[name] = (package, resource)
        return problems + self._scheme_clashes()

    def _scheme_clashes(self) -> list[Problem]:
        seen: dict[str, tuple[Package, str]] = {}
        problems = []
        for package in self.layers:
            for scheme in package.schemes():
                other, family = seen.get(scheme["id"], (None, scheme["family"]))
                if other is not None and (other is package or package.shipped or family != scheme["family"]):
                    message = (
                        f"also in {_place(other, 'schemes.toml')}, family {family}: an id names one scheme"
                    )
                    problems.append(Problem(_place(package, "schemes.toml"), 0, "id", scheme["id"], message))
                seen[scheme["id"]] = (package, scheme["family"])
        return problems

    def _build(self, name: str) -> Table:
        base = None
        extra = []
        package_name, _, resource_name = name.partition("/")
        for package in self.layers:
            for resource in package.descriptor["resources"]:
                if (
                    package.name == package_name
                    and resource["name"] == resource_name
                    and "extends" not in resource
                ):
                    base = (package, resource)
                elif resource.get("extends") == name:
                    extra.append((package, resource))
        if base is None:
            raise KeyError(f"no table is called {name!r}; there are: {', '.join(self.ids())}")
        table = read_table(*base)
        for package, resource in extra:
            table = _extended(table, read_table(package, resource), _key_of(base[1]))
        return table


def _extended(table: Table, above: Table, key: list[str]) -> Table:
    """A table with rows in front; a row below with the same key gives way."""
    taken = {tuple(row[k] for k in key) for row in above.rows} if key else set()
    kept = tuple(row for row in table.rows if not key or tuple(row[k] for k in key) not in taken)
    return Table(
        table.id,
        table.title,
        table.description,
        table.columns,
        above.rows + kept,
        _revision((table.revision + above.revision).encode()),
        {**above.sources, **table.sources},
    )


def _edition(tables: Tables) -> int:
    versions = (str(p.descriptor.get("version", "")) for p in tables.layers)
    return max((int(v[:4]) for v in versions if _YEAR_FIRST.match(v)), default=2026)


def _settings(tables: Tables) -> dict[str, int | float]:
    values = {row["name"]: float(row["value"]) for row in tables.table("parts/settings").rows}
    return {name: int(value) if value.is_integer() else value for name, value in values.items()}


@lru_cache(maxsize=1)
def shipped() -> Tables:
    """The shipped tables, read once."""
    return Tables.open()


def from_environment() -> Tables:
    """The shipped tables with the directories of PARTDATE_TABLES (separated like PATH) laid over them."""
    named = [part for part in os.environ.get("PARTDATE_TABLES", "").split(os.pathsep) if part]
    return Tables.open(*named) if named else shipped()


def shipped_folder() -> Path:
    """Where the shipped packages lie: inside an installed wheel, or beside the package in a checkout."""
    here = Path(__file__).resolve().parent
    inside = here / "_tables"
    return inside if inside.is_dir() else here.parent / "tables"


def _overlay(folder: Path) -> tuple[list[Package], list[Problem]]:
    """The packages of one overlay directory: the directory itself, or those in its subfolders."""
    descriptors = [folder / "datapackage.json"] if (folder / "datapackage.json").is_file() else []
    descriptors = descriptors or sorted(folder.glob("*/datapackage.json"))
    if not descriptors:
        message = "no data package here: a folder with datapackage.json is needed"
        return [], [Problem(str(folder), 0, "", "", message)]
    return _packages(descriptors, shipped=False)


def _packages(descriptors: list[Path], *, shipped: bool) -> tuple[list[Package], list[Problem]]:
    packages: list[Package] = []
    problems: list[Problem] = []
    for path in descriptors:
        shown = f"{path.parent.resolve().name}/{path.name}"
        try:
            loaded = json.loads(path.read_text(encoding="utf-8-sig"))
        except (OSError, ValueError) as error:
            problems.append(Problem(shown, 0, "", "", f"can't be read as JSON: {error}"))
            continue
        faults = list(_descriptor_faults(shown, loaded))
        problems += faults
        if not faults:
            packages.append(Package(loaded["name"], path.parent, loaded, shipped))
    return packages, problems


def _place(package: Package, file: str = "datapackage.json") -> str:
    """A file of a package as problems name it: its folder, then the file."""
    return f"{package.folder.resolve().name}/{file}"


def _descriptor_faults(shown: str, loaded: Any) -> Iterator[Problem]:
    if not isinstance(loaded, dict) or not _is_name(loaded.get("name")):
        yield Problem(shown, 0, "name", "", "a data package needs a name: small letters, digits and hyphens")
        return
    resources = loaded.get("resources")
    if not isinstance(resources, list) or not resources:
        yield Problem(shown, 0, "resources", "", "a data package needs at least one resource")
        return
    seen: set[str] = set()
    for resource in resources:
        if not isinstance(resource, dict) or not _is_name(resource.get("name")):
            message = "a resource needs a name: small letters, digits and hyphens"
            yield Problem(shown, 0, "resources", str(resource), message)
            continue
        if resource["name"] in seen:
            yield Problem(shown, 0, "resources", resource["name"], "two resources of this name")
        seen.add(resource["name"])
        yield from _resource_head_faults(shown, resource)
    if "sources" not in seen:
        yield Problem(shown, 0, "resources", "", "a package needs a resource called sources")


def _is_name(value: Any) -> bool:
    return isinstance(value, str) and _NAME.fullmatch(value) is not None


def _resource_head_faults(shown: str, resource: Mapping[str, Any]) -> Iterator[Problem]:
    path = resource.get("path")
    if not isinstance(path, str) or not _FILE_NAME.fullmatch(path):
        yield Problem(shown, 0, "path", str(path), "a path is the name of a file in the package's own folder")
    for key in ("title", "description", "extends", "hash"):
        if not isinstance(resource.get(key, ""), str):
            yield Problem(shown, 0, key, str(resource[key]), "text is needed here")
    schema = resource.get("schema")
    columns = schema.get("fields") if isinstance(schema, dict) else None
    if not isinstance(schema, dict) or not isinstance(columns, list) or not columns:
        yield Problem(shown, 0, "schema", resource["name"], "a resource needs schema.fields")
        return
    faults = [fault for column in columns for fault in _column_faults(shown, column)]
    yield from faults
    if faults:
        return
    types = {column["name"]: column["type"] for column in columns}
    if len(types) < len(columns):
        yield Problem(shown, 0, "schema", resource["name"], "two columns of one name")
    if resource["name"] == "sources":
        if list(types)[:3] != ["id", "title", "address"] or set(types.values()) != {"string"}:
            yield Problem(
                shown, 0, "schema", "sources", "its columns are the strings id, title, address, then others"
            )
    elif types.get("source") != "list" or types.get("grade") != "string":
        message = "every table needs the columns source (a list) and grade (a string)"
        yield Problem(shown, 0, "schema", resource["name"], message)
    key = schema.get("primaryKey", [])
    for name in key if isinstance(key, list) else [key]:
        if name not in list(types):
            yield Problem(shown, 0, "primaryKey", str(name), f"no column of {resource['name']} has this name")
    if schema.get("foreignKeys", []) not in ([], [SOURCE_KEY]):
        message = "the one foreign key that is checked is from source to the id of sources"
        yield Problem(shown, 0, "foreignKeys", str(schema["foreignKeys"]), message)


def _column_faults(shown: str, column: Any) -> Iterator[Problem]:
    name = column.get("name") if isinstance(column, dict) else None
    if not isinstance(column, dict) or not isinstance(name, str) or not name:
        yield Problem(shown, 0, "schema", str(column), "a column needs a name")
        return
    kind = column.get("type")
    if kind not in TYPES:
        yield Problem(shown, 0, name, str(kind), f"an unknown type; known: {', '.join(TYPES)}")
        return
    if column.get("format", "default") not in ("default", "edtf" if kind == "string" else "default"):
        yield Problem(
            shown, 0, name, str(column["format"]), "an unknown format: a string may have the format edtf"
        )
    if column.get("delimiter", ";") != ";":
        yield Problem(shown, 0, name, str(column["delimiter"]), "the items of a list are separated by ';'")
    limits = column.get("constraints", {})
    if not isinstance(limits, dict):
        yield Problem(shown, 0, name, str(limits), "constraints are an object")
        return
    for limit, value in limits.items():
        message = _limit_fault(kind, limit, value)
        if message:
            yield Problem(shown, 0, name, f"{limit}: {value}", message)


def _limit_fault(kind: str, limit: str, value: Any) -> str | None:
    """Why a constraint can't be kept: one that is not checked would be a promise to nobody."""
    if limit not in LIMITS:
        return f"an unknown constraint; known: {', '.join(LIMITS)}"
    types, meant = LIMITS[limit]
    if kind not in types:
        return f"a column of type {kind} can't have this constraint"
    if limit in ("required", "unique"):
        return None if isinstance(value, bool) else meant
    if limit == "enum":
        return None if isinstance(value, list) and value and all(isinstance(v, str) for v in value) else meant
    if limit in ("minimum", "maximum"):
        return None if isinstance(value, int | float) and not isinstance(value, bool) else meant
    try:
        re.compile(value)
    except (re.error, TypeError) as error:
        return f"{meant}: {error}"
    return None


def _key_of(resource: Mapping[str, Any]) -> list[str]:
    """The columns of a resource's primary key; none when it has no key."""
    key = resource["schema"].get("primaryKey", [])
    return key if isinstance(key, list) else [key]


def _meeting_faults(package: Package, resource: Row, lower: Package, base: Row) -> Iterator[Problem]:
    """What keeps a table from extending or superseding the one below it."""
    name = resource.get("extends", f"{package.name}/{resource['name']}")
    above = {column["name"]: column["type"] for column in resource["schema"]["fields"]}
    for column in base["schema"]["fields"]:
        if above.get(column["name"]) != column["type"]:
            message = f"{name} has this column as {column['type']}: the table laid over it needs it too"
            yield Problem(_place(package, resource["path"]), 1, column["name"], "", message)
    if "extends" in resource:
        ours, theirs = _sources(package), _sources(lower)
        for source in ours.keys() & theirs.keys():
            if ours[source].title != theirs[source].title:
                message = f"{name} has another publication under this id: {theirs[source].title}"
                yield Problem(_place(package, "sources.csv"), 0, "id", source, message)


def read_table(package: Package, resource: Mapping[str, Any]) -> Table:
    """One resource as a Table. Raises TableError when the file is not the trusted one and has faults."""
    raw = _bytes(package, resource["path"])
    if not (package.shipped and resource.get("hash") == f"sha256:{hashlib.sha256(raw).hexdigest()}"):
        faults = list(_resource_faults(package, resource, raw))
        if faults:
            raise TableError(tuple(faults))
    columns = resource["schema"]["fields"]
    readers = [(c["name"], _READERS[c["type"]]) for c in columns]
    rows: list[Row] = [
        {name: read(cell) for (name, read), cell in zip(readers, cells, strict=True)}
        for _, cells in _records(raw)[1:]
    ]
    return Table(
        f"{package.name}/{resource['name']}",
        resource.get("title", resource["name"]),
        resource.get("description", ""),
        tuple(c["name"] for c in columns),
        tuple(rows),
        _revision(raw),
        _sources(package),
    )


def _integer(cell: str) -> int | None:
    return int(cell) if cell else None


def _number(cell: str) -> float | None:
    return float(cell) if cell else None


def _string(cell: str) -> str | None:
    return cell or None


def _boolean(cell: str) -> bool | None:
    return cell == "true" if cell else None


def _date(cell: str) -> date | None:
    return date.fromisoformat(cell) if cell else None


def _list(cell: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in cell.split(";") if part.strip()) if cell else ()


_READERS: Final[dict[str, Callable[[str], Any]]] = {
    "string": _string,
    "integer": _integer,
    "number": _number,
    "boolean": _boolean,
    "date": _date,
    "year": _integer,
    "list": _list,
}


def _revision(raw: bytes) -> str:
    return hashlib.sha256(raw).hexdigest()[:12]


def _bytes(package: Package, name: str) -> bytes:
    path = package.folder / name
    try:
        if path.stat().st_size <= TEXT_TABLE_LIMIT:
            return path.read_bytes()
        fault = "larger than 8 MB: split the table"
    except OSError as error:
        fault = f"can't be read: {error.strerror}"
    raise TableError((Problem(_place(package, name), 0, "", "", fault),))


def _records(raw: bytes) -> list[tuple[int, list[str]]]:
    """The rows that hold anything, each with its number as a spreadsheet counts it: the header is 1."""
    rows = csv.reader(io.StringIO(raw.decode("utf-8-sig"), newline=""), strict=True)
    return [(number, cells) for number, cells in enumerate(rows, 1) if cells]


def row_numbers(package: Package, resource: Mapping[str, Any]) -> list[int]:
    """The number of each row of a table, as a spreadsheet counts it: the header is 1, empty lines count."""
    return [number for number, _ in _records(_bytes(package, resource["path"]))[1:]]


def _schemes_bytes(package: Package) -> bytes:
    path = package.folder / "schemes.toml"
    return path.read_bytes() if path.is_file() else b""


def _sources(package: Package) -> dict[str, Source]:
    resource = package.resource("sources")
    assert resource is not None  # no descriptor passes without
    rows = [cells for _, cells in _records(_bytes(package, resource["path"]))[1:]]
    return {cells[0]: Source(*cells[:3]) for cells in rows if len(cells) >= 3}


def validate_package(package: Package) -> list[Problem]:
    """Every fault of one package: its descriptor, each cell of each table, its schemes' head."""
    problems = list(_descriptor_faults(_place(package), package.descriptor))
    if problems:
        return problems
    for resource in package.descriptor["resources"]:
        try:
            raw = _bytes(package, resource["path"])
        except TableError as error:
            problems += error.problems
            continue
        problems += _resource_faults(package, resource, raw)
        stated = resource.get("hash")
        if package.shipped and stated != f"sha256:{hashlib.sha256(raw).hexdigest()}":
            problems.append(
                Problem(
                    _place(package, resource["path"]),
                    0,
                    "",
                    str(stated or ""),
                    "its SHA-256 is not the one in the descriptor: check the change, then run "
                    "'partdate tables validate --stamp'",
                )
            )
    problems += _scheme_faults(package)
    return problems


def _resource_faults(package: Package, resource: Mapping[str, Any], raw: bytes) -> Iterator[Problem]:
    shown = _place(package, resource["path"])
    try:
        records = _records(raw)
    except (UnicodeDecodeError, csv.Error) as error:
        yield Problem(shown, 0, "", "", f"not a UTF-8 CSV file: {error}")
        return
    columns = resource["schema"]["fields"]
    names = [c["name"] for c in columns]
    if not records or records[0][1] != names:
        found = ",".join(records[0][1]) if records else ""
        yield Problem(shown, 1, "", found, f"the header must be exactly: {','.join(names)}")
        return
    rows = []
    for number, cells in records[1:]:
        if len(cells) == len(names):
            rows.append((number, dict(zip(names, cells, strict=True))))
        else:
            yield Problem(
                shown, number, "", ",".join(cells), f"{len(cells)} cells where the header has {len(names)}"
            )
    is_sources = resource["name"] == "sources"
    yield from _cell_faults(shown, rows, columns)
    if not is_sources:
        yield from _citation_faults(shown, rows, _sources_or_none(package))
    keys = [_key_of(resource), *([c["name"]] for c in columns if c.get("constraints", {}).get("unique"))]
    if is_sources:
        keys.append(["id"])
    for key in dict.fromkeys(tuple(key) for key in keys if key):
        yield from _key_faults(shown, rows, key)


def _sources_or_none(package: Package) -> dict[str, Source]:
    """The sources that can be had; the faults of the file itself are told where it is validated."""
    try:
        return _sources(package)
    except (TableError, UnicodeDecodeError, csv.Error):
        return {}


def _cell_faults(
    shown: str, rows: list[tuple[int, dict[str, str]]], columns: list[Mapping[str, Any]]
) -> Iterator[Problem]:
    from marshmallow import ValidationError

    schema = _row_schema(columns)
    for number, row in rows:
        try:
            schema.load({name: cell for name, cell in row.items() if cell})
        except ValidationError as error:
            faults: dict[str, list[str]] = error.messages_dict
            for column, messages in faults.items():
                yield Problem(shown, number, column, row[column], "; ".join(messages))


def _citation_faults(
    shown: str, rows: list[tuple[int, dict[str, str]]], known: Mapping[str, Source]
) -> Iterator[Problem]:
    for number, row in rows:
        for name in _list(row["source"]) or ("",):
            if name not in known:
                yield Problem(shown, number, "source", name, "not an id in this package's sources.csv")
        if not _is_grade(row["grade"]):
            yield Problem(shown, number, "grade", row["grade"], f"a grade is {GRADES_SAID}")


def _key_faults(
    shown: str, rows: list[tuple[int, dict[str, str]]], key: tuple[str, ...]
) -> Iterator[Problem]:
    seen: dict[tuple[str, ...], int] = {}
    for number, row in rows:
        value = tuple(row[name] for name in key)
        if value in seen:
            yield Problem(shown, number, ",".join(key), ",".join(value), f"the same key as row {seen[value]}")
        seen.setdefault(value, number)


def _row_schema(columns: list[Mapping[str, Any]]) -> Any:
    """A marshmallow schema for the rows of one table: cells stay text, each with its checks."""
    from marshmallow import Schema, fields

    return Schema.from_dict(
        {
            column["name"]: fields.String(
                required=bool(column.get("constraints", {}).get("required")),
                validate=partial(_check_cell, column),
                error_messages={"required": "this cell can't be empty"},
            )
            for column in columns
        }
    )()


def _check_cell(column: Mapping[str, Any], cell: str) -> None:
    """Raises ValidationError, in words, for a cell that its column can't hold."""
    from marshmallow import ValidationError

    kind, limits = column["type"], column.get("constraints", {})
    form, wanted = _FORMS.get(kind, (_ANYTHING, ""))
    if not form.fullmatch(cell):
        raise ValidationError(wanted)
    try:
        value = _READERS[kind](cell)
    except ValueError as error:  # 31 February
        raise ValidationError(f"{wanted}: {error}") from error
    if kind == "list" and limits.get("required") and not value:
        raise ValidationError("this list can't be empty")
    for item in value if kind == "list" else (cell,):
        if "enum" in limits and item not in limits["enum"]:
            raise ValidationError(f"one of {', '.join(limits['enum'])}")
        if "pattern" in limits and not re.fullmatch(limits["pattern"], item):
            raise ValidationError(f"does not match {limits['pattern']}")
    if "minimum" in limits and value < limits["minimum"]:
        raise ValidationError(f"at least {limits['minimum']}")
    if "maximum" in limits and value > limits["maximum"]:
        raise ValidationError(f"at most {limits['maximum']}")
    if column.get("format") == "edtf":
        try:
            parse_edtf(cell)
        except EdtfError as error:
            raise ValidationError(str(error)) from error


_ANYTHING: Final = re.compile(r".*", re.DOTALL)
_FORMS: Final = {
    "integer": (re.compile(r"-?[0-9]{1,18}"), "not a whole number"),
    "number": (re.compile(r"-?[0-9]{1,18}(\.[0-9]{1,18})?"), "not a number"),
    "boolean": (re.compile(r"true|false"), "true or false"),
    "date": (re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}"), "not a date such as 1966-03-31"),
    "year": (re.compile(r"[0-9]{4}"), "not a year of four digits"),
}


SCHEME_KEYS: Final = frozenset(
    "id family title kinds layouts years decades maker bands timing date_kind before after order countries "
    "strength weak undated notes source grade examples".split()
)


def _is_grade(text: str) -> bool:
    return text in GRADES or OWN_OBSERVATION.fullmatch(text) is not None


def _scheme_faults(package: Package) -> Iterator[Problem]:
    shown = _place(package, "schemes.toml")
    try:
        schemes = package.schemes()
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        yield Problem(shown, 0, "", "", f"not a TOML file: {error}")
        return
    known = _sources_or_none(package)
    for number, scheme in enumerate(schemes, 1):
        if not isinstance(scheme, dict):
            yield Problem(shown, 0, "scheme", str(scheme), "schemes are written as [[scheme]]")
            continue
        name = str(scheme.get("id", f"scheme {number}"))
        for key in ("id", "family", "title", "source", "grade"):
            if key not in scheme:
                yield Problem(shown, 0, key, name, "a scheme needs this key")
        for key, value in scheme.items():
            fault = _scheme_key_fault(package, key, value)
            if fault:
                yield Problem(shown, 0, key, str(value), f"scheme {name}: {fault}")
        cited = scheme.get("source")
        for source in cited if isinstance(cited, list) else ():
            if source not in list(known):
                message = f"scheme {name}: not an id in this package's sources.csv"
                yield Problem(shown, 0, "source", str(source), message)


def _scheme_key_fault(package: Package, key: str, value: Any) -> str | None:
    """What is wrong with one key of a scheme, by itself; None when nothing is."""
    if key not in SCHEME_KEYS:
        return f"an unknown key; known: {', '.join(sorted(SCHEME_KEYS))}"
    wanted, item_type, words = _SCHEME_TYPES.get(key, (str, str, "text"))
    found: type = type(value)  # not isinstance: true is no whole number
    if found is not wanted or (found is list and any(type(item) is not item_type for item in value)):
        return f"{words} is needed here"
    if key == "grade" and not _is_grade(value):
        return GRADES_SAID
    if key == "source" and not value:
        return "at least one source is needed"
    if key == "bands" and package.resource(value) is None:
        return "no resource of this name in the package"
    if key in ("years", "decades"):
        try:
            parse_edtf(value)
        except EdtfError as error:
            return str(error)
    return None


_SCHEME_TYPES: Final[Mapping[str, tuple[type, type, str]]] = {
    **dict.fromkeys(("kinds", "layouts", "notes", "source", "countries"), (list, str, "a list of texts")),
    "examples": (list, dict, "a list of { marking, window }"),
    **dict.fromkeys(("weak", "undated"), (bool, bool, "true or false")),
    **dict.fromkeys(("before", "after"), (int, int, "a whole number of months")),
}


def stamp(folder: Path) -> None:
    """Write the SHA-256 of every resource of the package in `folder` into its descriptor."""
    path = folder / "datapackage.json"
    descriptor = json.loads(path.read_text(encoding="utf-8"))
    for resource in descriptor["resources"]:
        resource["hash"] = f"sha256:{hashlib.sha256((folder / resource['path']).read_bytes()).hexdigest()}"
    path.write_text(json.dumps(descriptor, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
