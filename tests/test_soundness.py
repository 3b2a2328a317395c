"""Rows that pass cell by cell and still can't be meant: each is named with its file, row and column."""

import csv
import json
from pathlib import Path

import pytest

from decoder.catalog import compile_all
from decoder.soundness import row_faults
from decoder.tables import Tables

FOLDER = Path(__file__).resolve().parent.parent / "tables"
LAG = {
    **dict.fromkeys(("maker", "years", "made_to", "note"), ""),
    "kind": "potentiometer",
    "lead": "1",
    "usual": "6",
    "longest": "24",
    "replacement_rate": "0.2",
    "wear": "false",
    "made_from": "1920",
    "source": "bench",
    "grade": "P",
}
FEATURE = {
    **dict.fromkeys(("value", "unit", "tolerance", "reproductions", "note"), ""),
    "id": "two-screws",
    "maker": "Harrow & Vale",
    "model": "Wherry",
    "part": "truss-rod-cover",
    "feature": "cap-screws",
    "how": "count",
    "low": "2",
    "high": "2",
    "window": "1955/1974",
    "instrument": "false",
    "never": "false",
    "source": "bench",
    "grade": "P",
}


def columns(package, name):
    descriptor = json.loads((FOLDER / package / "datapackage.json").read_text(encoding="utf-8"))
    fields = next(r for r in descriptor["resources"] if r["name"] == name)["schema"]["fields"]
    return [{"name": f["name"], "type": f["type"]} for f in fields]


def shop(folder, resource, rows, like, blank_lines=0, **head):
    """A shop's package with one table like a shipped one, without its constraints: only what takes two cells fails."""
    fields = columns(*like)
    sources = [{"name": n, "type": "string"} for n in ("id", "title", "address")]
    package = folder / "bench"
    package.mkdir()
    descriptor = {
        "name": "bench",
        "resources": [
            {"name": resource, "path": f"{resource}.csv", "schema": {"fields": fields}, **head},
            {"name": "sources", "path": "sources.csv", "schema": {"fields": sources}},
        ],
    }
    (package / "datapackage.json").write_text(json.dumps(descriptor))
    (package / "sources.csv").write_text("id,title,address\nbench,our own bench book,\n")
    with (package / f"{resource}.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, [f["name"] for f in fields], lineterminator="\n")
        writer.writeheader()
        file.write("\n" * blank_lines)
        writer.writerows(rows)
    return Tables.open(folder)


def lag_faults(folder, *rows, **more):
    return row_faults(shop(folder, "lag", rows, ("parts", "lag"), extends="parts/lag", **more))


def feature_faults(folder, *rows):
    return row_faults(shop(folder, "features", rows, ("invented-spec", "features")))


def test_the_shipped_tables_are_sound(shipped):
    assert row_faults(shipped) == []


def test_a_sound_shop_has_no_faults(tmp_path):
    assert lag_faults(tmp_path, LAG, {**LAG, "kind": "pending-mark"}) == []


def test_an_unknown_kind_of_part_is_named_with_the_nearest_one(tmp_path):
    (fault,) = lag_faults(tmp_path, LAG, {**LAG, "kind": "potentiometr"})
    assert str(fault) == (
        "bench/lag.csv, row 3, column kind ('potentiometr'): no kind of part is called so: "
        "did you mean potentiometer?"
    )


def test_a_kind_like_no_other_is_told_where_they_are_listed(tmp_path):
    (fault,) = lag_faults(tmp_path, {**LAG, "kind": "zzz"})
    assert "parts/kinds" in fault.message


def test_empty_lines_are_counted_as_a_spreadsheet_does(tmp_path):
    (fault,) = lag_faults(tmp_path, {**LAG, "kind": "zzz"}, blank_lines=3)
    assert fault.row == 5


@pytest.mark.parametrize(
    ("change", "column", "said"),
    [
        ({"longest": "5"}, "longest", "shorter than the usual one (6 months)"),
        ({"made_to": "1910"}, "made_to", "before it was first made (1920)"),
    ],
)
def test_a_lag_that_contradicts_itself(tmp_path, change, column, said):
    (fault,) = lag_faults(tmp_path, {**LAG, **change})
    assert (fault.file, fault.row, fault.column) == ("bench/lag.csv", 2, column)
    assert said in fault.message


@pytest.mark.parametrize(
    ("change", "column", "said"),
    [
        ({"part": "truss-cover"}, "part", "did you mean truss-rod-cover?"),
        ({"low": "", "high": ""}, "value", "either a value in words or a range"),
        ({"value": "two"}, "value", "either a value in words or a range"),
        ({"high": ""}, "high", "both its ends"),
        ({"high": "1"}, "high", "ends below its start (2)"),
        ({"how": "width", "unit": "yard"}, "unit", "no unit that is known; known are in, "),
        ({"unit": "in"}, "unit", "a count has no unit"),
        ({"window": ""}, "window", "or never is true"),
    ],
)
def test_a_feature_that_contradicts_itself(tmp_path, change, column, said):
    (fault,) = feature_faults(tmp_path, {**FEATURE, **change})
    assert (fault.file, fault.row, fault.column) == ("bench/features.csv", 2, column)
    assert said in fault.message


def test_a_feature_that_is_never_found_needs_no_years(tmp_path):
    assert feature_faults(tmp_path, {**FEATURE, "never": "true", "window": ""}) == []


def test_a_table_of_features_without_a_column_is_told_which(tmp_path, monkeypatch):
    import tests.test_soundness as here  # the columns of the made-up table, one left out

    short = [c for c in columns("invented-spec", "features") if c["name"] != "tolerance"]
    monkeypatch.setattr(here, "columns", lambda *like: short)
    row = {k: v for k, v in FEATURE.items() if k != "tolerance"}
    (fault,) = row_faults(here.shop(tmp_path, "features", [row], ("invented-spec", "features")))
    assert (fault.row, fault.column) == (1, "tolerance")


def test_validation_lists_these_faults_with_the_others(tmp_path):
    tables = shop(tmp_path, "lag", [{**LAG, "kind": "potentiometr"}], ("parts", "lag"), extends="parts/lag")
    assert any("row 2, column kind" in fault for fault in compile_all(tables))
