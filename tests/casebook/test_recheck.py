"""When tables change, kept sheets are assessed again, both assessments stay, and the rows that did it are named."""

from __future__ import annotations

import csv
import io
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from decoder.casebook import Casebook
from decoder.casebook.facts import digest_of, row_changes, snapshot, table_of, with_old
from decoder.casebook.recheck import Rechecked, recheck, what_is_said
from decoder.casebook.record import canonical
from decoder.casebook.store import Wanted
from decoder.crosscheck import check
from decoder.tables import Tables, shipped_folder
from tests.casebook.conftest import NOON, Ticking, assert_whole, counted_ids, sheet

SERIAL = {"id": "serial", "part": "serial", "marking": "24517"}
Change = Callable[[dict[str, str]], dict[str, str] | None]


def changed(folder: Path, package: str, resource: str, change: Change) -> Tables:
    """The shipped tables under an overlay in which one table has its rows changed (None leaves a row out)."""
    made = Path(shutil.copytree(shipped_folder() / package, folder / package))
    path = made / f"{resource}.csv"
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(row for row in map(change, rows) if row is not None)
    path.write_text(text.getvalue(), encoding="utf-8")
    descriptor = json.loads((made / "datapackage.json").read_text(encoding="utf-8"))
    for one in descriptor["resources"]:
        one.pop("hash", None)
    (made / "datapackage.json").write_text(json.dumps(descriptor), encoding="utf-8")
    return Tables.open(folder)


def moved_band(row: dict[str, str]) -> dict[str, str]:
    """The band of 24517 belongs to 1964, says the new table."""
    if row["first"] == "22801":
        return {**row, "from": "1964", "to": "1964"}
    return row


def by(book: Casebook, tables: Tables) -> Casebook:
    return book.by(tables, lambda: NOON.date())


def again(book: Casebook, tables: Tables, **options: Any) -> Rechecked:
    return recheck(by(book, tables), who="nightly", jobs=1, **options)


def test_what_is_up_to_date_is_left_alone(book: Casebook, shipped: Tables) -> None:
    book.create(sheet(SERIAL), who="ann")
    found = again(book, shipped)
    assert (found.looked_at, found.up_to_date) == (0, 1)
    assert again(book, shipped, every=True).unchanged == 1
    assert len(book.assessments("s00001")) == 1


def test_a_changed_row_is_named_for_the_verdict_that_it_changed(either: Casebook, tmp_path: Path) -> None:
    told = either.create(sheet("304-6208", SERIAL), who="ann")
    other = either.create(sheet("304-6208"), who="ann")
    tables = changed(tmp_path / "overlay", "invented", "bands", moved_band)
    shown: list[tuple[int, int]] = []
    found = again(either, tables, progress=lambda done, total: shown.append((done, total)))
    assert (found.looked_at, found.unchanged, found.reworded) == (2, 1, 0)
    assert shown == [(2, 2)]
    (one,) = found.changed
    assert one.id == told.id
    assert [(c.part, c.before, c.after) for c in one.changes] == [
        (None, "agrees", "contradicted"), ("serial", "fits", "too-new"),
    ]  # fmt: skip
    for change in one.changes:
        (cause,) = change.causes
        assert cause.table == "invented/bands"
        assert cause.rows_changed == 1
        (row,) = cause.rows
        assert "22801" in row.key
        assert row.before is not None and row.after is not None
        assert "1962" in row.before and "1964" in row.after
    kept = either.assessments(told.id)
    assert [(k.seq, k.reason, k.outcome, k.version) for k in kept] == [
        (1, "saved", "agrees", 1), (2, "rechecked", "contradicted", 1),
    ]  # fmt: skip
    assert kept[0].assessment["tables"]["invented/bands"] != kept[1].assessment["tables"]["invented/bands"]
    assert kept[1].assessment == json.loads(
        json.dumps(check(sheet("304-6208", SERIAL), today=NOON.date(), tables=tables).as_dict())
    )
    assert len(either.assessments(other.id)) == 1
    assert [one.id for one in either.find(Wanted(outcome="contradicted")).sheets] == [told.id]
    assert [one.id for one in either.find(Wanted(verdict="too-new")).sheets] == [told.id]
    assert either.history(told.id)[-1].what == "rechecked"
    assert_whole(either)
    assert again(either, tables).looked_at == 0
    assert json.loads(json.dumps(found.as_dict()))["changed"][0]["id"] == told.id


def test_going_back_to_the_old_tables_brings_the_old_verdicts_back(
    book: Casebook, shipped: Tables, tmp_path: Path
) -> None:
    book.create(sheet(SERIAL), who="ann")
    again(book, changed(tmp_path / "overlay", "invented", "bands", moved_band))
    found = again(book, shipped)
    assert [(c.part, c.after) for c in found.changed[0].changes] == [(None, "agrees"), ("serial", "fits")]
    assert [kept.outcome for kept in book.assessments("s00001")] == ["agrees", "contradicted", "agrees"]
    assert_whole(book)


def test_of_many_changed_rows_the_one_that_mattered_is_named(book: Casebook, tmp_path: Path) -> None:
    def many(row: dict[str, str]) -> dict[str, str]:
        if row["scheme"] == "harrow-vale-hv":
            return {**row, "note": "seen again"}
        return moved_band(row)

    book.create(sheet(SERIAL), who="ann")
    found = again(book, changed(tmp_path / "overlay", "invented", "bands", many))
    cause = found.changed[0].changes[1].causes[0]
    assert cause.rows_changed > 3
    assert ["22801" in row.key for row in cause.rows] == [True]


def test_a_row_taken_out_is_named(book: Casebook, tmp_path: Path) -> None:
    book.create(sheet(SERIAL), who="ann")
    gone = changed(
        tmp_path / "overlay", "invented", "bands", lambda row: None if row["first"] == "22801" else row
    )
    found = again(book, gone)
    serial = [change for change in found.changed[0].changes if change.part == "serial"]
    assert [(c.before, c.after) for c in serial] == [("fits", "unread")]
    assert [row.after for row in serial[0].causes[0].rows] == [None]


def test_a_shorter_lag_is_named(book: Casebook, tmp_path: Path) -> None:
    def shorter(row: dict[str, str]) -> dict[str, str]:
        if row["kind"] == "potentiometer" and not row["maker"]:
            return {**row, "usual": "0", "longest": "0"}
        return row

    book.create(sheet("304-6208", claim="1963"), who="ann")
    found = again(book, changed(tmp_path / "overlay", "parts", "lag", shorter))
    change = next(c for c in found.changed[0].changes if c.part == "p0")
    assert (change.before, change.after) == ("fits", "too-old")
    assert [(cause.table, [row.key for row in cause.rows]) for cause in change.causes] == [
        ("parts/lag", ["potentiometer"])
    ]


def test_two_tables_that_only_together_change_a_verdict_are_no_single_cause(
    book: Casebook, tmp_path: Path
) -> None:
    # Each table alone would change the verdict: with either put back it stays changed, so neither alone is named.
    def shorter(row: dict[str, str]) -> dict[str, str]:
        return {**row, "lead": "0", "usual": "0", "longest": "0"} if row["kind"] == "potentiometer" else row

    book.create(sheet("304-6208", SERIAL, claim="1963"), who="ann")
    changed(tmp_path / "overlay", "parts", "lag", shorter)
    tables = changed(tmp_path / "overlay", "invented", "bands", moved_band)
    found = again(book, tables)
    outcome = next(c for c in found.changed[0].changes if c.part is None)
    assert outcome.causes == ()
    parts = {c.part: [cause.table for cause in c.causes] for c in found.changed[0].changes if c.part}
    assert parts == {"p0": ["parts/lag"], "serial": ["invented/bands"]}


def test_a_new_wording_is_kept_and_changes_no_verdict(book: Casebook, tmp_path: Path) -> None:
    book.create(sheet(SERIAL), who="ann")
    noted = changed(
        tmp_path / "overlay",
        "invented",
        "bands",
        lambda row: {**row, "note": "seen again"} if row["first"] == "22801" else row,
    )
    found = again(book, noted)
    assert (found.reworded, found.changed) == (1, [])
    assert len(book.assessments("s00001")) == 2


def test_a_sheet_that_the_tables_no_longer_take_is_named_and_left(book: Casebook, tmp_path: Path) -> None:
    book.create(sheet({"id": "j", "part": "jack", "state": "no-mark"}), who="ann")
    without = changed(
        tmp_path / "overlay", "parts", "kinds", lambda row: None if row["id"] == "jack" else row
    )
    found = again(book, without)
    assert [name for name, _ in found.refused] == ["s00001"]
    assert "jack" in found.refused[0][1]
    assert len(book.assessments("s00001")) == 1


def test_the_day_of_the_first_assessment_is_kept(book: Casebook, tmp_path: Path) -> None:
    book.create(sheet(SERIAL), who="ann")
    tables = changed(tmp_path / "overlay", "invented", "bands", moved_band)
    later = book.by(tables, lambda: NOON.date().replace(year=2050))
    recheck(later, who="nightly", jobs=1)
    assert book.assessments("s00001")[1].assessment["today"] == "2026-11-25"


def test_all_cores_come_to_the_same(place: Path, shipped: Tables, tmp_path: Path) -> None:
    tables = changed(tmp_path / "overlay", "invented", "bands", moved_band)
    results = []
    for jobs in (1, 2):
        copy = Path(shutil.copy(place, tmp_path / f"{jobs}.sqlite"))
        with Casebook.open(copy, clock=Ticking(), tables=shipped, ids=counted_ids()) as book:
            for year in ("1961", "1962", "1964"):
                book.create(sheet(SERIAL, claim=year), who="ann")
            found = recheck(by(book, tables), who="nightly", jobs=jobs)
            assert_whole(book)
            results.append((found.as_dict(), [e.digest for e in book.history()]))
    assert results[0] == results[1]


def test_tables_that_were_in_force_can_be_put_back(book: Casebook, shipped: Tables, tmp_path: Path) -> None:
    book.create(sheet(SERIAL), who="ann")
    manifest = book.manifest(digest_of(shipped))
    assert manifest == {name: one.sha256 for name, one in snapshot(shipped).items()}
    for name in shipped.ids():
        again = table_of(name, book.content(manifest[name]))
        table = shipped.table(name)
        assert (again.rows, again.columns, again.revision) == (table.rows, table.columns, table.revision)
    tables = changed(tmp_path / "overlay", "invented", "bands", moved_band)
    assert digest_of(tables) != digest_of(shipped)
    everything = {name: book.content(sha256) for name, sha256 in manifest.items()}
    back = with_old(tables, everything)
    told = sheet("304-6208", SERIAL)
    assert (
        check(told, today=NOON.date(), tables=back).as_dict()
        == check(told, today=NOON.date(), tables=shipped).as_dict()
    )


def test_rows_are_paired_by_what_names_them() -> None:
    def kept(*rows: list[Any]) -> dict[str, Any]:
        return {"rows": list(rows)}

    found = row_changes("t", kept(["a", 1], ["b", 2], ["c", 3]), kept(["a", 1], ["b", 5], ["d", 4]))
    assert [(one.key, one.before, one.after) for one in found] == [
        ("b", ("b", 2), ("b", 5)), ("c", ("c", 3), None), ("d", None, ("d", 4)),
    ]  # fmt: skip
    twice = row_changes("t", kept(["a", 1], ["a", 2]), kept())
    assert [one.key for one in twice] == ["a, 1", "a, 2"]
    assert row_changes("t", None, kept(["a"]))[0].before is None


def test_revisions_are_no_difference() -> None:
    def told(revision: str, verdict: str = "fits", note: str = 'a note with "revision":"ab" in it') -> bytes:
        readings = [{"revision": revision, "notes": [note]}, {"notes": [], "revision": revision, "z": 1}]
        return canonical({"tables": {"x/y": revision}, "parts": [{"readings": readings, "verdict": verdict}]})

    assert what_is_said(told("ab12")) == what_is_said(told("cd34"))
    assert what_is_said(told("ab12")) != what_is_said(told("ab12", "too-new"))
    assert what_is_said(told("ab12")) != what_is_said(told("ab12", note='a note with "revision":"cd" in it'))


@pytest.mark.parametrize("package", ["eia", "serials", "patents"])
def test_a_change_of_any_file_changes_the_digest(shipped: Tables, tmp_path: Path, package: str) -> None:
    base = Path(shutil.copytree(shipped_folder(), tmp_path / "base"))
    same = Tables.open(base=base)
    assert digest_of(same) == digest_of(shipped)
    with (base / package / "sources.csv").open("a", encoding="utf-8") as file:
        file.write("x,another publication,,\n")
    assert digest_of(Tables.open(base=base)) != digest_of(shipped)
