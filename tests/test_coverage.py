"""What the tables cover is counted from the tables: the matrix of families and kinds of part, on one page."""

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from decoder.catalog import families, kinds_of
from decoder.cli import main
from decoder.coverage import RESTS_ON, coverage_matrix, coverage_of_families
from decoder.tables import Tables

FOLDER = Path(__file__).resolve().parent.parent / "tables"


def rows_of(package, name):
    with (FOLDER / package / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def matrix(shipped):
    return coverage_matrix(shipped)


def cell(matrix, family, kind):
    (found,) = [row for row in matrix if row.family == family and kind in row.kinds]
    return found


def test_every_kind_that_a_family_reads_stands_in_the_matrix_once(matrix, shipped):
    for family in families():
        kinds = [kind for row in matrix if row.family == family.id for kind in row.kinds]
        assert sorted(kinds) == sorted(family.kinds)
        places = list(kinds_of(shipped))
        for row in matrix:
            assert list(row.kinds) == sorted(row.kinds, key=places.index)


def test_every_kind_of_part_is_dated_by_some_row(matrix, shipped):
    dated = {kind for row in matrix if row.rows for kind in row.kinds}
    assert dated == set(kinds_of(shipped))


def test_every_built_in_family_rests_on_rows_with_grades(shipped):
    for row in coverage_of_families(shipped):
        assert row.rows > 0
        assert sum(count for _, count in row.grades) == row.rows
        assert {grade for grade, _ in row.grades} <= set("ABCMP")
        assert row.years is not None


def test_the_rows_of_features_and_era_marks_are_those_of_their_files(shipped):
    counts = {row.family: row.rows for row in coverage_of_families(shipped)}
    assert counts["era_mark"] == len(rows_of("era", "marks.csv"))
    assert counts["feature"] == sum(
        len(rows_of(p, n))
        for p, n in [
            ("feature", "features.csv"),
            ("feature", "material_eras.csv"),
            ("invented-spec", "features.csv"),
        ]
    )


def test_bands_count_for_the_kinds_of_their_series(matrix):
    bridges = [
        r
        for r in rows_of("serials", "bands.csv")
        if r["scheme"].startswith("fender-") and "bridge" in r["scheme"]
    ]
    found = cell(matrix, "serial", "bridge")
    assert found.rows == found.schemes + len(bridges)


def test_the_years_run_from_the_first_row_to_the_last_and_stay_open_where_a_row_goes_on(matrix):
    assert cell(matrix, "component_date", "tube-chart").years.edtf() == "1953-01-01/1992-12-31"
    assert cell(matrix, "component_date", "speaker").years.edtf() == "1944-01-01/.."  # labels of 1990 on
    assert cell(matrix, "source_date", "potentiometer").years.earliest_date.year == 1945


def test_a_kind_without_a_row_is_told_apart_from_one_that_is_not_read(matrix):
    empty = cell(matrix, "stamped_date", "nut")
    assert (empty.rows, empty.schemes, empty.years, empty.grades) == (0, 0, None, ())
    assert not [row for row in matrix if row.family == "component_date" and "nut" in row.kinds]


def test_the_patterns_of_tables_all_meet_a_table(shipped):
    from fnmatch import fnmatchcase

    for patterns in RESTS_ON.values():
        for pattern in patterns:
            assert any(fnmatchcase(name, pattern) for name in shipped.ids()), pattern


def test_a_shops_own_bands_and_observations_are_counted(tmp_path, shipped):
    package = tmp_path / "bench"
    package.mkdir()
    lower = json.loads((FOLDER / "invented" / "datapackage.json").read_text())
    lower["name"] = "bench"
    for resource in lower["resources"]:
        resource.pop("hash")
        for column in resource["schema"]["fields"]:
            if column["name"] == "grade":
                del column["constraints"]["enum"]
    (package / "datapackage.json").write_text(json.dumps(lower))
    (package / "sources.csv").write_text("id,title,address,note\nbench,our own bench book,,\n")
    head = ",".join(rows_of("invented", "bands.csv")[0])
    (package / "bands.csv").write_text(
        f"{head}\nbench-series,,4,,1,999,1971,1973,stamped,,bench,own observation (n=12)\n"
    )
    (package / "schemes.toml").write_text(
        '[[scheme]]\nid = "bench-series"\nfamily = "serial"\ntitle = "A bench\'s series"\nmaker = "Harrow & Vale"\n'
        'kinds = ["bridge"]\nbands = "bands"\nsource = ["bench"]\ngrade = "P"\n'
    )
    before = cell(coverage_matrix(shipped), "serial", "bridge")
    after = cell(coverage_matrix(Tables.open(tmp_path)), "serial", "bridge")
    assert (after.rows, after.schemes) == (before.rows + 2, before.schemes + 1)
    assert dict(after.grades)["own"] == 1
    assert after.years.latest_date.year == 1973


def test_the_matrix_is_one_page_of_80_columns():
    shown = CliRunner().invoke(main, ["tables", "list", "--matrix"])
    assert shown.exit_code == 0
    lines = shown.output.splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 72
    for family in families():
        assert any(line.startswith(family.id) for line in lines)


def test_the_matrix_shows_what_was_counted(matrix):
    lines = CliRunner().invoke(main, ["tables", "list", "--matrix"]).output.splitlines()
    speaker = next(line for line in lines if line.startswith("speaker "))
    for family in ("source_date", "component_date", "stamped_date", "feature"):
        found = cell(matrix, family, "speaker")
        assert f"{found.rows} {found.years.earliest_date.year}-" in speaker


def test_the_matrix_is_json_for_other_presenters(matrix):
    row = json.loads(json.dumps(matrix[0].as_dict()))
    assert set(row) == {"family", "kinds", "years", "schemes", "rows", "grades"}
