"""Tables: what a cell becomes, what a row rests on, how a shop lays its own over ours, and how faults are told."""

import copy
import csv
import hashlib
import json
import shutil
import tempfile
from collections import Counter
from datetime import date
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoder.tables import (
    GRADES,
    TYPES,
    Citation,
    Problem,
    TableError,
    Tables,
    from_environment,
    shipped_folder,
    stamp,
    validate_package,
)
from decoder.window import parse_edtf

FAKE = Path(__file__).resolve().parent / "tables_fake"
SOURCES = "id,title,address\nledger,Ledger of the Tidewater Bench (invented),https://example.org/ledger\nmemo,Memo,\n"
GRADE = {"name": "grade", "type": "string"}
SOURCE = {"name": "source", "type": "list"}


def column(name, kind="string", **limits):
    made = {"name": name, "type": kind}
    for key in ("format", "delimiter"):
        if key in limits:
            made[key] = limits.pop(key)
    return {**made, "constraints": limits} if limits else made


def resource(name, *columns, **more):
    schema = {"fields": [*columns, SOURCE, GRADE]}
    if "primaryKey" in more:
        schema["primaryKey"] = more.pop("primaryKey")
    return {"name": name, "path": f"{name}.csv", "title": name.title(), "schema": schema, **more}


def cited():
    fields = [column("id"), column("title"), column("address")]
    return {"name": "sources", "path": "sources.csv", "schema": {"fields": fields}}


def package(folder, files, *resources, name="shop", schemes=None, sources=SOURCES, **more):
    """A data package of an invented shop in `folder/name`; the files are CSV texts (or bytes) by resource."""
    place = folder / name
    place.mkdir(parents=True, exist_ok=True)
    descriptor = {"name": name, "version": "2026.11", "resources": [*resources, cited()], **more}
    (place / "datapackage.json").write_text(json.dumps(descriptor), encoding="utf-8")
    for file, text in {"sources": sources, **files}.items():
        raw = text if isinstance(text, bytes) else text.encode()
        (place / f"{file}.csv").write_bytes(raw)
    if schemes is not None:
        (place / "schemes.toml").write_text(schemes, encoding="utf-8")
    return folder


def opened(*overlays):
    return Tables.open(*overlays, base=FAKE)


def faults(*overlays):
    with pytest.raises(TableError) as caught:
        opened(*overlays)
    return caught.value.problems


def fault(*overlays):
    """The one fault of these overlays."""
    (problem,) = faults(*overlays)
    return problem


NUTS = resource(
    "nuts",
    column("name", required=True),
    column("slots", "integer", minimum=4, maximum=12),
    column("width", "number"),
    column("bone", "boolean"),
    column("seen", "date"),
    column("made", "year"),
    column("aliases", "list"),
    column("use", format="edtf"),
    primaryKey=["name"],
)
NUTS_HEAD = "name,slots,width,bone,seen,made,aliases,use,source,grade\n"
NUTS_ROW = "narrow,6,41.3,true,1966-03-31,1966,slim; A width,1965/1967,ledger,C\n"


# cells and rows


def test_every_cell_has_the_type_that_its_column_states(tmp_path):
    text = NUTS_HEAD + NUTS_ROW + "wide,,,,,,,,ledger;memo,A\n"
    first, second = opened(package(tmp_path, {"nuts": text}, NUTS)).table("shop/nuts").rows
    assert first == {
        "name": "narrow",
        "slots": 6,
        "width": 41.3,
        "bone": True,
        "seen": date(1966, 3, 31),
        "made": 1966,
        "aliases": ("slim", "A width"),
        "use": "1965/1967",
        "source": ("ledger",),
        "grade": "C",
    }
    assert isinstance(first["slots"], int) and isinstance(first["made"], int) and first["bone"] is True
    assert {name for name, cell in second.items() if cell is None} == {
        *("slots", "width", "bone", "seen", "made", "use"),
    }
    assert second["aliases"] == ()


def test_false_is_false(tmp_path):
    text = NUTS_HEAD + NUTS_ROW.replace("true", "false")
    assert opened(package(tmp_path, {"nuts": text}, NUTS)).table("shop/nuts").rows[0]["bone"] is False


def test_quoted_cells_hold_commas_quotes_and_line_breaks(tmp_path):
    text = NUTS_HEAD + '"bone, ""old"" \nstyle",,,,,,,,ledger,C\n'
    assert (
        opened(package(tmp_path, {"nuts": text}, NUTS)).table("shop/nuts").rows[0]["name"]
        == 'bone, "old" \nstyle'
    )


def test_a_spreadsheets_mark_at_the_start_and_its_line_ends_are_taken(tmp_path):
    text = b"\xef\xbb\xbf" + (NUTS_HEAD + NUTS_ROW).replace("\n", "\r\n").encode()
    descriptor = package(tmp_path, {"nuts": text}, NUTS) / "shop" / "datapackage.json"
    descriptor.write_bytes(b"\xef\xbb\xbf" + descriptor.read_bytes())
    assert opened(tmp_path).table("shop/nuts").rows[0]["grade"] == "C"


def test_the_revision_is_the_hash_of_the_bytes(tmp_path):
    text = NUTS_HEAD + NUTS_ROW
    table = opened(package(tmp_path / "a", {"nuts": text}, NUTS)).table("shop/nuts")
    assert table.revision == hashlib.sha256(text.encode()).hexdigest()[:12]
    other = opened(package(tmp_path / "b", {"nuts": text.replace("41.3", "41.4")}, NUTS)).table("shop/nuts")
    assert other.revision != table.revision


def test_a_row_is_cited_with_every_source_and_its_own_grade(tmp_path):
    text = NUTS_HEAD + "wide,,,,,,,,memo;ledger,B\n"
    table = opened(package(tmp_path, {"nuts": text}, NUTS)).table("shop/nuts")
    cited_as = table.cite(table.rows[0])
    assert cited_as == (
        Citation("memo", "Memo", "B"),
        Citation("ledger", "Ledger of the Tidewater Bench (invented)", "B"),
    )
    assert cited_as[0].as_dict() == {"id": "memo", "title": "Memo", "grade": "B"}
    assert table.sources["ledger"].address == "https://example.org/ledger"


def test_an_observation_of_ones_own_is_a_grade_too(tmp_path):
    text = NUTS_HEAD + NUTS_ROW.replace(",C\n", ",own observation (n=3)\n")
    table = opened(package(tmp_path, {"nuts": text}, NUTS)).table("shop/nuts")
    assert table.cite(table.rows[0])[0].grade == "own observation (n=3)"


def test_a_scheme_may_rest_on_an_observation_of_ones_own(tmp_path):
    text = SCHEME.format(id="shop-year", title="A year").replace('"C"', '"own observation (n=3)"')
    tables = opened(shop_schemes(tmp_path, text))
    assert tables.validate() == []
    assert [one.grade for one in tables.cite(tables.schemes("bench")[-1])] == ["own observation (n=3)"]


def test_a_shop_is_told_of_an_observation_without_a_count(tmp_path):
    text = SCHEME.format(id="shop-year", title="A year").replace('"C"', '"own observation"')
    assert "own observation (n=...)" in fault(shop_schemes(tmp_path, text)).message


def test_a_table_of_no_such_name_is_told_with_the_names_there_are():
    with pytest.raises(KeyError, match=r"'parts/kind'.*parts/kinds"):
        opened().table("parts/kind")


def test_the_tables_of_facts_are_listed_without_the_sources():
    names = opened().ids()
    assert names == tuple(sorted(names))
    assert "parts/kinds" in names and "bench/letters" in names
    assert not any(name.endswith("/sources") for name in names)


def test_a_table_is_read_on_first_use_and_its_revision_is_known_from_then():
    tables = opened()
    assert tables.revisions() == {}
    kinds = tables.table("parts/kinds")
    assert tables.table("parts/kinds") is kinds
    assert tables.revisions() == {"parts/kinds": kinds.revision}


def test_a_table_in_json_holds_its_rows_and_only_the_sources_that_they_name(tmp_path):
    text = NUTS_HEAD + NUTS_ROW + "wide,,,,,,,,memo,A\n"
    table = opened(package(tmp_path, {"nuts": text}, NUTS)).table("shop/nuts")
    shown = json.loads(json.dumps(table.as_dict()))
    assert shown["rows"][0]["seen"] == "1966-03-31"
    assert shown["rows"][0]["aliases"] == ["slim", "A width"]
    assert [s["id"] for s in shown["sources"]] == ["ledger", "memo"]
    assert shown["columns"] == NUTS_HEAD.strip().split(",")
    found = table.as_dict("SLIM")
    assert [row["name"] for row in found["rows"]] == ["narrow"]
    assert [s["id"] for s in found["sources"]] == ["ledger"]
    assert table.as_dict("ebony")["rows"] == []


def test_a_setting_is_whole_where_it_is_whole():
    tables = opened()
    assert (tables.setting("readings_cap"), type(tables.setting("readings_cap"))) == (12, int)
    assert tables.setting("lot_share") == 0.8


def test_what_is_derived_from_tables_is_worked_out_once():
    tables, calls = opened(), []
    for _ in range(2):
        assert tables.derived("count", lambda t: calls.append(t) or len(t.ids())) == len(tables.ids())
    assert len(calls) == 1
    assert opened().derived("count", lambda t: -1) == -1


@pytest.mark.parametrize(
    ("version", "edition"), [("2031.2", 2031), ("1.2", 2026), ("20311", 2026), (7, 2026)]
)
def test_the_edition_is_the_year_of_the_newest_package_that_says_one(tmp_path, version, edition):
    package(tmp_path, {"nuts": NUTS_HEAD}, NUTS, version=version)
    assert opened(tmp_path).edition == edition


def test_tables_of_no_stated_version_have_an_edition(tmp_path):
    package(tmp_path, {"nuts": NUTS_HEAD}, NUTS, version="first")
    assert Tables.open(base=tmp_path).edition == 2026


# overlays


def kinds_row(name, title, place, source="ledger", limit=64):
    return f"{name},{title},,{place},,{limit},Look.,0,3,,{source},P\n"


def kinds_resource(name="kinds", **more):
    descriptor = json.loads((FAKE / "parts" / "datapackage.json").read_text(encoding="utf-8"))
    found = next(r for r in descriptor["resources"] if r["name"] == "kinds")
    found.pop("hash")
    return {**found, "name": name, "path": f"{name}.csv", **more}


KINDS_HEAD = (FAKE / "parts" / "kinds.csv").read_text(encoding="utf-8").splitlines()[0] + "\n"


def test_a_shop_adds_a_table_and_ours_stay(tmp_path):
    tables = opened(package(tmp_path, {"nuts": NUTS_HEAD + NUTS_ROW}, NUTS))
    assert "shop/nuts" in tables.ids()
    assert tables.table("parts/kinds").rows == opened().table("parts/kinds").rows
    assert [p.name for p in tables.packages()] == ["bench", "parts", "shop"]
    assert [p.shipped for p in tables.packages()] == [True, True, False]


def test_a_table_of_the_same_name_takes_the_place_of_ours(tmp_path):
    text = KINDS_HEAD + kinds_row("lute-rose", "Rose of a lute", 1)
    tables = opened(package(tmp_path, {"kinds": text}, kinds_resource(), name="parts"))
    assert [row["id"] for row in tables.table("parts/kinds").rows] == ["lute-rose"]
    assert tables.table("parts/kinds").cite(tables.table("parts/kinds").rows[0])[0].title.startswith("Ledger")
    assert tables.setting("readings_cap") == 12  # the package's other tables are still ours


def test_rows_that_extend_a_table_stand_in_front_with_their_own_sources(tmp_path):
    text = KINDS_HEAD + kinds_row("lute-rose", "Rose of a lute", 99)
    tables = opened(package(tmp_path, {"kinds": text}, kinds_resource(extends="parts/kinds")))
    table, ours = tables.table("parts/kinds"), opened().table("parts/kinds")
    assert [row["id"] for row in table.rows] == ["lute-rose", *(row["id"] for row in ours.rows)]
    assert table.cite(table.rows[0])[0].id == "ledger"
    assert table.cite(table.rows[1]) == ours.cite(ours.rows[0])
    assert table.revision != ours.revision
    assert "shop/kinds" not in tables.ids()


def test_a_row_of_the_same_key_takes_the_place_of_ours(tmp_path):
    text = KINDS_HEAD + kinds_row("tube", "Valve as this shop calls it", 5)
    tables = opened(package(tmp_path, {"kinds": text}, kinds_resource(extends="parts/kinds")))
    rows = tables.table("parts/kinds").rows
    assert [row["title"] for row in rows if row["id"] == "tube"] == ["Valve as this shop calls it"]
    assert len(rows) == len(opened().table("parts/kinds").rows)


def test_a_shops_own_setting_is_in_force(tmp_path):
    descriptor = json.loads((FAKE / "parts" / "datapackage.json").read_text(encoding="utf-8"))
    own = next(r for r in descriptor["resources"] if r["name"] == "settings")
    own = {**own, "extends": "parts/settings", "name": "house-settings", "path": "house-settings.csv"}
    text = "name,value,note,source,grade\nreadings_cap,40,A larger bench.,ledger,P\n"
    tables = opened(package(tmp_path, {"house-settings": text}, own))
    assert tables.setting("readings_cap") == 40
    assert tables.setting("lot_share") == 0.8


def test_later_overlays_lie_above_earlier_ones(tmp_path):
    for name, width in (("a", 41.3), ("b", 43.0)):
        package(tmp_path / name, {"nuts": NUTS_HEAD + NUTS_ROW.replace("41.3", str(width))}, NUTS)
    widths = [
        opened(tmp_path / one, tmp_path / two).table("shop/nuts").rows[0]["width"]
        for one, two in ("ab", "ba")
    ]
    assert widths == [43.0, 41.3]


def test_an_overlay_is_a_package_or_a_folder_of_packages(tmp_path):
    package(tmp_path, {"nuts": NUTS_HEAD}, NUTS, name="one")
    package(tmp_path, {"nuts": NUTS_HEAD}, NUTS, name="two")
    assert {"one/nuts", "two/nuts"} <= set(opened(tmp_path).ids())
    assert "two/nuts" not in opened(tmp_path / "one").ids()


def test_the_directories_of_the_environment_are_laid_over_ours(tmp_path, monkeypatch):
    package(tmp_path / "a", {"nuts": NUTS_HEAD + NUTS_ROW}, NUTS, name="one")
    package(tmp_path / "b", {"nuts": NUTS_HEAD}, NUTS, name="two")
    both = f"{tmp_path / 'a'}{':'}{tmp_path / 'b'}"
    monkeypatch.setattr("os.pathsep", ":")
    monkeypatch.setenv("PARTDATE_TABLES", both)
    assert {"one/nuts", "two/nuts", "parts/kinds"} <= set(from_environment().ids())
    monkeypatch.setenv("PARTDATE_TABLES", "")
    assert from_environment() is from_environment()
    assert "one/nuts" not in from_environment().ids()
    monkeypatch.setenv("PARTDATE_TABLES", str(tmp_path / "nowhere"))
    with pytest.raises(TableError, match="no data package here"):
        from_environment()


SCHEME = """
[[scheme]]
id = "{id}"
family = "bench"
title = "{title}"
layouts = ["{{year4}}"]
source = ["ledger"]
grade = "C"
"""


def shop_schemes(folder, text, name="shop"):
    return package(folder, {"nuts": NUTS_HEAD}, NUTS, schemes=text, name=name)


def test_a_shops_scheme_joins_ours_and_is_cited_from_its_own_sources(tmp_path):
    tables = opened(shop_schemes(tmp_path, SCHEME.format(id="shop-year", title="A year")))
    ids = [scheme["id"] for scheme in tables.schemes("bench")]
    assert ids[0] == "bench-week" and ids[-1] == "shop-year"
    shop = tables.schemes("bench")[-1]
    assert shop["package"] == "shop"
    assert tables.cite(shop) == (Citation("ledger", "Ledger of the Tidewater Bench (invented)", "C"),)
    assert shop["revision"] != tables.schemes("bench")[0]["revision"]
    assert tables.schemes("no such family") == ()


def test_a_scheme_of_the_same_id_takes_the_place_of_ours(tmp_path):
    tables = opened(shop_schemes(tmp_path, SCHEME.format(id="bench-day", title="Ours, corrected")))
    assert [s["title"] for s in tables.schemes("bench") if s["id"] == "bench-day"] == ["Ours, corrected"]
    assert len(tables.schemes("bench")) == len(opened().schemes("bench"))


@pytest.mark.parametrize(
    "line", ['"family" = "bench"', "family='bench'", 'family = """bench"""', 'family = "be\\u006ech"']
)
def test_a_shops_scheme_is_found_however_its_family_is_written(tmp_path, line):
    text = SCHEME.format(id="shop-year", title="A year").replace('family = "bench"', line)
    assert "shop-year" in [s["id"] for s in opened(shop_schemes(tmp_path, text)).schemes("bench")]


# faults


def test_a_fault_names_file_row_column_and_value(tmp_path):
    problem = fault(
        package(tmp_path, {"nuts": NUTS_HEAD + NUTS_ROW + NUTS_ROW.replace("narrow,6", "wide,six")}, NUTS)
    )
    assert (problem.file, problem.row, problem.column, problem.value) == ("shop/nuts.csv", 3, "slots", "six")
    assert str(problem) == "shop/nuts.csv, row 3, column slots ('six'): not a whole number"


def test_all_faults_are_told_at_once(tmp_path):
    text = NUTS_HEAD + "".join(
        [
            NUTS_ROW,
            "\n",  # row 3 holds nothing and is no fault, but it counts
            "a,13,wide,yes,1966-02-30,66,,1966-13,ledger,C\n",
            "b,,,,,,,,,\n",
            "c,,,,,,,,letter,D\n",
            "d,,,\n",
            NUTS_ROW,
        ]
    )
    tome = package(tmp_path, {"nuts": text}, NUTS, schemes="[[scheme]]\nid = 'x'\n")
    package(tmp_path, {"nuts": "nuts\n"}, NUTS, name="other")
    told = {(p.file, p.row, p.column, p.value) for p in faults(tome)}
    assert told == {
        ("shop/nuts.csv", 4, "slots", "13"),
        ("shop/nuts.csv", 4, "width", "wide"),
        ("shop/nuts.csv", 4, "bone", "yes"),
        ("shop/nuts.csv", 4, "seen", "1966-02-30"),
        ("shop/nuts.csv", 4, "made", "66"),
        ("shop/nuts.csv", 4, "use", "1966-13"),
        ("shop/nuts.csv", 5, "source", ""),
        ("shop/nuts.csv", 5, "grade", ""),
        ("shop/nuts.csv", 6, "source", "letter"),
        ("shop/nuts.csv", 6, "grade", "D"),
        ("shop/nuts.csv", 7, "", "d,,,"),
        ("shop/nuts.csv", 8, "name", "narrow"),
        ("shop/schemes.toml", 0, "family", "x"),
        ("shop/schemes.toml", 0, "title", "x"),
        ("shop/schemes.toml", 0, "source", "x"),
        ("shop/schemes.toml", 0, "grade", "x"),
        ("other/nuts.csv", 1, "", "nuts"),
    }


@pytest.mark.parametrize(
    ("kind", "limits", "cell", "message"),
    [
        ("integer", {}, "6.0", "not a whole number"),
        ("integer", {}, "1_000", "not a whole number"),
        ("integer", {}, "9" * 400, "not a whole number"),
        ("integer", {"minimum": 4}, "3", "at least 4"),
        ("integer", {"maximum": 12}, "13", "at most 12"),
        ("number", {}, "41,3", "not a number"),
        ("number", {}, "nan", "not a number"),
        ("number", {}, "inf", "not a number"),
        ("number", {"minimum": 0.5}, "0.4", "at least 0.5"),
        ("boolean", {}, "True", "true or false"),
        ("date", {}, "31.3.1966", "not a date such as 1966-03-31"),
        ("date", {}, "1966-3-31", "not a date such as 1966-03-31"),
        ("date", {}, "1966-02-29", "not a date"),
        ("year", {}, "'66", "not a year of four digits"),
        ("year", {"maximum": 2026}, "2027", "at most 2026"),
        ("string", {"enum": ["left", "right"]}, "middle", "one of left, right"),
        ("string", {"pattern": "[a-z]+"}, "abc1", r"does not match [a-z]+"),
        ("string", {"required": True}, "", "this cell can't be empty"),
        ("string", {"format": "edtf"}, "about 1966", "character 1"),
        ("list", {"enum": ["left", "right"]}, "left;middle", "one of left, right"),
        ("list", {"pattern": "[a-z]+"}, "abc; 2", "does not match"),
        ("list", {"required": True}, " ; ", "this list can't be empty"),
    ],
)
def test_a_cell_of_the_wrong_sort_is_told_in_words(tmp_path, kind, limits, cell, message):
    table = resource("nuts", column("cell", kind, **limits))
    problem = fault(package(tmp_path, {"nuts": f'cell,source,grade\n"{cell}",ledger,C\n'}, table))
    assert (problem.file, problem.row, problem.column, problem.value) == ("shop/nuts.csv", 2, "cell", cell)
    assert message in problem.message


@pytest.mark.parametrize(
    ("kind", "limits", "cell", "value"),
    [
        ("integer", {"minimum": 4, "maximum": 6}, "4", 4),
        ("integer", {}, "-12", -12),
        ("number", {}, "41", 41.0),
        ("string", {"enum": ["left", "right"]}, "right", "right"),
        ("string", {"pattern": "[a-z]+"}, "abc", "abc"),
        ("string", {"pattern": "[a-z]+"}, "", None),
        ("list", {"enum": ["left", "right"]}, "left;right", ("left", "right")),
        ("year", {}, "0066", 66),
    ],
)
def test_a_cell_at_its_limits_is_taken(tmp_path, kind, limits, cell, value):
    table = resource("nuts", column("cell", kind, **limits))
    tables = opened(package(tmp_path, {"nuts": f'cell,source,grade\n"{cell}",ledger,C\n'}, table))
    assert tables.table("shop/nuts").rows[0]["cell"] == value


@pytest.mark.parametrize(
    ("files", "row", "message"),
    [
        ({"nuts": "name,slots\n"}, 1, "the header must be exactly: name,slots,width"),
        ({"nuts": ""}, 1, "the header must be exactly"),
        ({"nuts": NUTS_HEAD + NUTS_ROW.strip() + ",extra\n"}, 2, "11 cells where the header has 10"),
        ({"nuts": NUTS_HEAD.encode() + b"caf\xe9,,,,,,,,ledger,C\n"}, 0, "not a UTF-8 CSV file"),
        ({"nuts": NUTS_HEAD + 'narrow,,,,,,,,ledger,"C\n'}, 0, "not a UTF-8 CSV file"),
        ({"nuts": b" " * 8_000_001}, 0, "larger than 8 MB"),
        ({}, 0, "can't be read: No such file"),
    ],
)
def test_a_file_that_is_no_table_is_told(tmp_path, files, row, message):
    problem = fault(package(tmp_path, files, NUTS))
    assert (problem.file, problem.row) == ("shop/nuts.csv", row)
    assert message in problem.message


def test_a_source_row_that_names_no_publication_leaves_its_rows_without_one(tmp_path):
    told = faults(
        package(tmp_path, {"nuts": NUTS_HEAD + NUTS_ROW}, NUTS, sources="id,title,address\nledger\n")
    )
    assert [(p.file, p.row) for p in told] == [("shop/nuts.csv", 2), ("shop/sources.csv", 2)]


def test_sources_that_are_no_csv_are_told_once_and_with_what_rests_on_them(tmp_path):
    told = faults(package(tmp_path, {"nuts": NUTS_HEAD + NUTS_ROW}, NUTS, sources=b"\xff\xfe"))
    assert [(p.file, p.column) for p in told] == [("shop/nuts.csv", "source"), ("shop/sources.csv", "")]


@pytest.mark.parametrize("key", ["name", ["name"], ["name", "slots"]])
def test_two_rows_of_one_key_are_told_with_the_first_one(tmp_path, key):
    table = copy.deepcopy(NUTS)
    table["schema"]["primaryKey"] = key
    problem = fault(package(tmp_path, {"nuts": NUTS_HEAD + NUTS_ROW + "b" + NUTS_ROW + NUTS_ROW}, table))
    assert (problem.row, problem.message) == (4, "the same key as row 2")


def test_a_column_of_unique_cells_may_not_repeat(tmp_path):
    table = resource("nuts", column("place", "integer", unique=True))
    problem = fault(package(tmp_path, {"nuts": "place,source,grade\n7,ledger,C\n7,memo,C\n"}, table))
    assert (problem.row, problem.column, problem.value) == (3, "place", "7")


def test_two_sources_of_one_id_are_told(tmp_path):
    problem = fault(package(tmp_path, {"nuts": NUTS_HEAD}, NUTS, sources=SOURCES + "memo,Another,\n"))
    assert (problem.file, problem.row, problem.value) == ("shop/sources.csv", 4, "memo")


def changed(**more):
    """A resource like NUTS with something else in its place."""
    return {**copy.deepcopy(NUTS), **more}


def with_column(**more):
    return resource("nuts", {"name": "cell", "type": "string", **more})


@pytest.mark.parametrize(
    ("resources", "told", "message"),
    [
        ([changed(path="../nuts.csv")], "path", "in the package's own folder"),
        ([changed(path="/etc/hosts")], "path", "in the package's own folder"),
        ([changed(path="a\\b.csv")], "path", "in the package's own folder"),
        ([changed(path=".nuts.csv")], "path", "in the package's own folder"),
        ([changed(path="a\0b.csv")], "path", "in the package's own folder"),
        ([changed(path=None)], "path", "in the package's own folder"),
        ([changed(title=7)], "title", "text is needed"),
        ([changed(extends=["parts/kinds"])], "extends", "text is needed"),
        ([changed(schema={})], "schema", "needs schema.fields"),
        ([changed(schema={"fields": []})], "schema", "needs schema.fields"),
        ([changed(schema=None)], "schema", "needs schema.fields"),
        ([changed(name=None)], "resources", "a resource needs a name"),
        ([changed(name="Nut widths")], "resources", "a resource needs a name"),
        (["nuts"], "resources", "a resource needs a name"),
        ([NUTS, NUTS], "resources", "two resources of this name"),
        ([with_column(type="text")], "cell", f"an unknown type; known: {', '.join(TYPES)}"),
        ([with_column(type=None)], "cell", "an unknown type"),
        ([with_column(type=["string"])], "cell", "an unknown type"),
        ([with_column(name="")], "schema", "a column needs a name"),
        ([resource("nuts", "name")], "schema", "a column needs a name"),
        ([resource("nuts", column("a"), column("a"))], "schema", "two columns of one name"),
        ([with_column(format="edft")], "cell", "an unknown format"),
        ([with_column(type="integer", format="edtf")], "cell", "an unknown format"),
        ([with_column(type="list", delimiter=",")], "cell", "separated by ';'"),
        ([with_column(constraints=[])], "cell", "constraints are an object"),
        ([with_column(constraints={"minLength": 2})], "cell", "an unknown constraint"),
        ([with_column(constraints={"minimum": 2})], "cell", "can't have this constraint"),
        ([with_column(type="integer", constraints={"enum": ["1"]})], "cell", "can't have this constraint"),
        ([with_column(constraints={"enum": [1, 2]})], "cell", "a list of texts"),
        ([with_column(constraints={"enum": []})], "cell", "a list of texts"),
        ([with_column(constraints={"pattern": "["})], "cell", "a regular expression"),
        ([with_column(constraints={"pattern": 7})], "cell", "a regular expression"),
        ([with_column(constraints={"required": "yes"})], "cell", "true or false"),
        ([with_column(type="integer", constraints={"minimum": "4"})], "cell", "a number"),
        ([with_column(type="integer", constraints={"maximum": True})], "cell", "a number"),
        ([resource("nuts", column("a"), primaryKey=["b"])], "primaryKey", "no column of nuts"),
        ([resource("nuts", column("a"), primaryKey=[["a"]])], "primaryKey", "no column of nuts"),
        ([changed(schema={"fields": [column("a")]})], "schema", "columns source (a list) and grade"),
        ([changed(schema={"fields": [column("a"), column("source"), GRADE]})], "schema", "source (a list)"),
        (
            [changed(schema={**NUTS["schema"], "foreignKeys": [{"fields": "name"}]})],
            "foreignKeys",
            "from source to the id of sources",
        ),
    ],
)
def test_a_descriptor_that_promises_what_is_not_kept_is_refused(tmp_path, resources, told, message):
    problems = faults(package(tmp_path, {"nuts": NUTS_HEAD}, *resources))
    assert {p.file for p in problems} == {"shop/datapackage.json"}
    assert (problems[0].column, problems[0].row) == (told, 0)
    assert message in problems[0].message


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "can't be read as JSON"),
        ('{"name": "shop", "resources": []}', "at least one resource"),
        ('{"name": "shop"}', "at least one resource"),
        ('{"resources": []}', "a data package needs a name"),
        ('{"name": "../up", "resources": []}', "a data package needs a name"),
        ("[]", "a data package needs a name"),
        ('"shop"', "a data package needs a name"),
        (b"\xff", "can't be read as JSON"),
    ],
)
def test_a_descriptor_that_is_none_is_told(tmp_path, text, message):
    (tmp_path / "shop").mkdir()
    (tmp_path / "shop" / "datapackage.json").write_bytes(text if isinstance(text, bytes) else text.encode())
    problem = fault(tmp_path)
    assert problem.file == "shop/datapackage.json"
    assert message in problem.message
    with pytest.raises(TableError, match=message):
        Tables.open(base=tmp_path)


def test_a_package_without_sources_is_told(tmp_path):
    package(tmp_path, {"nuts": NUTS_HEAD}, NUTS)
    path = tmp_path / "shop" / "datapackage.json"
    path.write_text(json.dumps({"name": "shop", "resources": [NUTS]}))
    assert "a resource called sources" in fault(tmp_path).message


def test_the_sources_have_columns_of_their_own(tmp_path):
    package(tmp_path, {"nuts": NUTS_HEAD}, NUTS)
    path = tmp_path / "shop" / "datapackage.json"
    wrong = {
        "name": "sources",
        "path": "sources.csv",
        "schema": {"fields": [column("id"), column("address")]},
    }
    path.write_text(json.dumps({"name": "shop", "resources": [NUTS, wrong]}))
    assert "id, title, address" in fault(tmp_path).message


def test_a_folder_without_packages_is_told(tmp_path):
    for folder in (tmp_path, tmp_path / "nowhere"):
        problem = fault(folder)
        assert problem.file == str(folder)
        assert str(problem) == f"{folder}: no data package here: a folder with datapackage.json is needed"


def test_rows_can_extend_only_a_table_that_there_is(tmp_path):
    problem = fault(package(tmp_path, {"kinds": KINDS_HEAD}, kinds_resource(extends="parts/kind")))
    assert (problem.column, problem.value) == ("extends", "parts/kind")
    assert "there are: bench/bands," in problem.message


@pytest.mark.parametrize("name", ["shop", "parts"])
def test_a_table_laid_over_another_needs_its_columns(tmp_path, name):
    fields = [f for f in kinds_resource()["schema"]["fields"] if f["name"] != "title"]
    fields = [{"name": "ease", "type": "string"} if f["name"] == "ease" else f for f in fields]
    own = kinds_resource(schema={"fields": fields}, **({"extends": "parts/kinds"} if name == "shop" else {}))
    told = faults(package(tmp_path, {"kinds": ",".join(f["name"] for f in fields) + "\n"}, own, name=name))
    assert [(p.file, p.row, p.column) for p in told] == [
        (f"{name}/kinds.csv", 1, c) for c in ("title", "ease")
    ]
    assert "parts/kinds has this column as string" in told[0].message


def test_a_source_id_means_one_publication_within_a_table(tmp_path):
    text = KINDS_HEAD + kinds_row("lute-rose", "Rose of a lute", 99, source="made-up")
    own = kinds_resource(extends="parts/kinds")
    problem = fault(
        package(tmp_path, {"kinds": text}, own, sources="id,title,address\nmade-up,Our own book,\n")
    )
    assert (problem.file, problem.value) == ("shop/sources.csv", "made-up")
    assert "invented for the tests" in problem.message


@pytest.mark.parametrize(
    ("line", "told", "message"),
    [
        ("layout = ['{year4}']", "layout", "an unknown key; known: after,"),
        ("layouts = '{year4}'", "layouts", "a list of texts is needed here"),
        ("layouts = [4]", "layouts", "a list of texts is needed here"),
        ("kinds = 'tube'", "kinds", "a list of texts is needed here"),
        ("examples = ['1966']", "examples", "a list of { marking, window }"),
        ("weak = 'no'", "weak", "true or false is needed here"),
        ("before = '6'", "before", "a whole number of months is needed here"),
        ("before = true", "before", "a whole number of months is needed here"),
        ("maker = 7", "maker", "text is needed here"),
        ("years = '1966/1965'", "years", "ends before it starts"),
        ("decades = 'sixties'", "decades", "character 1"),
        ("bands = 'runs'", "bands", "no resource of this name"),
        ("grade = 'Z'", "grade", "one of A, B, C, M, P"),
        ("source = []", "source", "at least one source"),
        ("source = 'ledger'", "source", "a list of texts is needed here"),
        ("source = ['letter']", "source", "not an id in this package's sources.csv"),
        ("id = 7", "id", "text is needed here"),
    ],
)
def test_a_scheme_that_can_not_be_used_is_told(tmp_path, line, told, message):
    key = line.partition(" ")[0]
    kept = [
        text
        for text in SCHEME.format(id="shop-year", title="A year").splitlines()
        if not text.startswith(f"{key} =")
    ]
    problem = fault(shop_schemes(tmp_path, "\n".join([*kept, line])))
    assert (problem.file, problem.column) == ("shop/schemes.toml", told)
    assert message in problem.message
    assert ("shop-year" in problem.message) or told == "id"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[[scheme]\n", "not a TOML file"),
        ("scheme = 5\n", "schemes are written as [[scheme]]"),
        ("scheme = ['a']\n", "schemes are written as [[scheme]]"),
        (
            SCHEME.format(id="twice", title="One") + SCHEME.format(id="twice", title="Two"),
            "an id names one scheme",
        ),
        (SCHEME.format(id="harrow-run", title="Moved"), "an id names one scheme"),
    ],
)
def test_schemes_that_are_none_or_clash_are_told(tmp_path, text, message):
    problem = fault(shop_schemes(tmp_path, text))
    assert problem.file == "shop/schemes.toml"
    assert message in problem.message


def test_two_shipped_packages_may_not_share_a_scheme(tmp_path):
    base = shutil.copytree(FAKE, tmp_path / "base")
    shutil.copytree(base / "bench", base / "copy")
    text = (base / "copy" / "datapackage.json").read_text().replace('"name": "bench"', '"name": "copy"')
    (base / "copy" / "datapackage.json").write_text(text)
    told = Tables.open(base=base).validate()
    assert {p.value for p in told} == {
        s["id"] for s in [*opened().schemes("bench"), *opened().schemes("bench-serial")]
    }


def test_a_file_of_schemes_without_any_is_none(tmp_path):
    assert opened(shop_schemes(tmp_path, "# none yet\n")).packages()[-1].schemes() == []


# what is trusted, and what is not


@pytest.fixture
def base(tmp_path):
    """A copy of the frozen tables that a test may spoil."""
    return shutil.copytree(FAKE, tmp_path / "base")


def test_the_frozen_tables_have_no_fault():
    assert opened().validate() == []


def test_a_shipped_file_that_changed_is_told_until_it_is_stamped(base):
    path = base / "parts" / "kinds.csv"
    path.write_text(path.read_text().replace("Paper label", "Label of paper"))
    (problem,) = Tables.open(base=base).validate()
    assert (problem.file, problem.value[:7]) == ("parts/kinds.csv", "sha256:")
    assert "tables validate --stamp" in problem.message
    stamp(base / "parts")
    assert Tables.open(base=base).validate() == []
    stamp(base / "bench")
    assert (base / "bench" / "datapackage.json").read_bytes() == (
        FAKE / "bench" / "datapackage.json"
    ).read_bytes()


def test_a_shipped_file_that_changed_is_read_when_it_has_no_fault(base):
    path = base / "parts" / "kinds.csv"
    path.write_text(path.read_text().replace("Paper label", "Label of paper"))
    assert "Label of paper" in [row["title"] for row in Tables.open(base=base).table("parts/kinds").rows]


def test_a_shipped_file_that_changed_is_validated_before_it_is_read(base):
    path = base / "parts" / "kinds.csv"
    path.write_text(path.read_text().replace(",400,", ",4000,"))
    with pytest.raises(TableError) as caught:
        Tables.open(base=base).table("parts/kinds")
    assert [(p.row, p.column, p.value) for p in caught.value.problems] == [(3, "text_limit", "4000")]


def test_a_shipped_file_that_is_gone_is_told(base):
    (base / "parts" / "kinds.csv").unlink()
    with pytest.raises(TableError, match=r"parts/kinds.csv: can't be read: No such file"):
        Tables.open(base=base).table("parts/kinds")
    assert [p.file for p in Tables.open(base=base).validate()] == ["parts/kinds.csv"]


def test_a_package_whose_descriptor_is_wrong_has_no_other_faults_worth_telling(base):
    (found, *_) = Tables.open(base=base).packages()
    wrong = type(found)("bench", found.folder, {"name": "bench", "resources": []}, True)
    assert [p.column for p in validate_package(wrong)] == ["resources"]


# the tables that are shipped


def test_the_shipped_tables_have_no_fault(shipped):
    assert shipped.validate() == []


def test_every_row_of_every_shipped_table_has_a_source_that_resolves_and_a_grade(shipped):
    """Read with nothing but the standard library's CSV reader."""
    walked = Counter()
    for descriptor in sorted(shipped_folder().glob("*/datapackage.json")):
        loaded = json.loads(descriptor.read_text(encoding="utf-8"))
        paths = {r["name"]: descriptor.parent / r["path"] for r in loaded["resources"]}
        assert sorted(paths.values()) == sorted(descriptor.parent.glob("*.csv"))
        with paths.pop("sources").open(encoding="utf-8", newline="") as file:
            known = {row["id"]: row["title"] for row in csv.DictReader(file)}
        assert all(known.values())
        for name, path in paths.items():
            with path.open(encoding="utf-8", newline="") as file:
                for number, row in enumerate(csv.DictReader(file), 2):
                    place = f"{path.parent.name}/{path.name}, row {number}"
                    assert row["source"] and set(row["source"].split(";")) <= known.keys(), place
                    assert row["grade"] in GRADES, place
                    walked[f"{loaded['name']}/{name}"] += 1
    assert set(walked) == set(shipped.ids())
    assert {name: len(shipped.table(name).rows) for name in shipped.ids()} == walked


def test_every_shipped_row_is_cited(shipped):
    for name in shipped.ids():
        table = shipped.table(name)
        for row in table.rows:
            assert [(c.id, c.grade) for c in table.cite(row)] == [(s, row["grade"]) for s in row["source"]]


def test_every_shipped_scheme_is_cited_and_its_examples_have_windows(shipped):
    families = {scheme["family"] for package in shipped.packages() for scheme in package.schemes()}
    count = 0
    for family in families:
        for scheme in shipped.schemes(family):
            assert [c.id for c in shipped.cite(scheme)] == scheme["source"], scheme["id"]
            count += 1
            for example in scheme.get("examples", ()):
                assert "week" in example or parse_edtf(example["window"])
    assert count == sum(len(package.schemes()) for package in shipped.packages())


def test_no_alias_belongs_to_two_kinds_of_part(shipped):
    names = {
        row["id"]: {name.lower() for name in (row["id"], row["title"], *row["aliases"])}
        for row in shipped.table("parts/kinds").rows
    }
    assert [pair for pair in combinations(names, 2) if names[pair[0]] & names[pair[1]]] == []


# nothing that a shop writes may break the loader


def paths_of(node, path=()):
    yield path
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, child in items:
        yield from paths_of(child, (*path, key))


SPOILED = json.loads((FAKE / "bench" / "datapackage.json").read_text(encoding="utf-8"))
for each in SPOILED["resources"]:
    each["schema"]["fields"] = each["schema"]["fields"][:4] + each["schema"]["fields"][-2:]
JSON_VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-3, 9),
    st.floats(),
    st.sampled_from(["", "name", "sources", "..", "list"]),
    st.just([]),
    st.just({}),
    st.just([{}]),
    st.just(["a"]),
    st.just({"a": 1}),
)


def only_table_errors(folder):
    try:
        tables = opened(folder)
    except TableError as error:
        assert error.problems and all(isinstance(p, Problem) and p.message for p in error.problems)
        return
    for name in tables.ids():
        json.dumps(tables.table(name).as_dict())


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(list(paths_of(SPOILED))), JSON_VALUES)
def test_a_descriptor_with_anything_anywhere_is_used_or_refused(path, value):
    spoiled = {"root": copy.deepcopy(SPOILED)}
    node = spoiled
    for key in ("root", *path)[:-1]:
        node = node[key]
    node[("root", *path)[-1]] = value
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "bench"
        shutil.copytree(FAKE / "bench", place)
        for each in SPOILED["resources"]:
            names = ",".join(field["name"] for field in each["schema"]["fields"])
            (place / each["path"]).write_text(names + "\n")
        (place / "schemes.toml").unlink()
        (place / "datapackage.json").write_text(json.dumps(spoiled["root"]))
        only_table_errors(Path(folder))


@settings(max_examples=60)
@given(
    st.binary(max_size=40),
    st.integers(0, 3000),
    st.sampled_from(["letters.csv", "sources.csv", "schemes.toml"]),
)
def test_a_file_with_anything_anywhere_is_used_or_refused(junk, at, name):
    with tempfile.TemporaryDirectory() as folder:
        place = shutil.copytree(FAKE / "bench", Path(folder) / "bench")
        raw = (place / name).read_bytes()
        (place / name).write_bytes(raw[:at] + junk + raw[at:])
        only_table_errors(Path(folder))
