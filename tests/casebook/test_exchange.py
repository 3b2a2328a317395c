"""Out to CSV, JSON and zip and in again: nothing is lost, no cell is run by a spreadsheet, no faulty zip is taken."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.casebook import Casebook, load_record
from decoder.casebook.errors import Refused
from decoder.casebook.exchange import (
    COLUMNS,
    MEANINGS,
    guarded,
    read_csv,
    read_json,
    unguarded,
    write_csv,
    write_json,
)
from decoder.casebook.importing import take_in
from decoder.casebook.parcel import MANIFEST, read, write
from decoder.tables import Tables
from tests.casebook.conftest import assert_whole, sheet, written

PNG = b"\x89PNG\r\n\x1a\n" + b"invented" * 20
# Text as a sheet takes it: printable, not blank, among it everything that a spreadsheet might run.
TEXT = st.text(st.sampled_from("=+-@'\"a1,;|\u00e9\uff1d\u65e5 "), min_size=1, max_size=12).filter(str.strip)
PARTS = st.lists(
    st.one_of(
        st.fixed_dictionaries(
            {
                "part": st.just("potentiometer"),
                "marking": st.sampled_from(["137-6612", "304?6[28]08", "-137612"]),
            },
            optional={
                "position": TEXT,
                "group": TEXT,
                "patent": TEXT,
                "flags": st.lists(
                    st.sampled_from(["refinished", "joint-disturbed"]), min_size=1, unique=True
                ),
                "override": st.fixed_dictionaries({"window": st.just("1966"), "name": TEXT, "reason": TEXT}),
            },
        ),
        st.fixed_dictionaries(
            {
                "part": st.just("nut"),
                "feature": TEXT,
                "value": st.one_of(TEXT, st.integers(-9, 99), st.just(41.5)),
            },
            optional={"uncertainty": st.sampled_from([0.5, 1, 2.0])},
        ),
        st.fixed_dictionaries(
            {"part": st.just("neck"), "state": st.sampled_from(["not-looked", "illegible", "no-mark"])},
            optional={
                "override": st.fixed_dictionaries({"window": st.just("1966"), "name": TEXT, "reason": TEXT})
            },
        ),
    ),
    max_size=4,
).map(lambda parts: [{"id": f"={n}", **part} for n, part in enumerate(parts)])
RECORDS = st.fixed_dictionaries(
    {
        "sheet": st.fixed_dictionaries(
            {"parts": PARTS},
            optional={
                "instrument": st.fixed_dictionaries(
                    {"maker": TEXT}, optional={"model": TEXT, "claim": st.just("1966/.."), "country": TEXT}
                ),
                "options": st.just({"estimate": False, "lags": {"pot": {"usual": 3}}}),
            },
        )
    },
    optional={
        "trusted": st.fixed_dictionaries(
            {"date": st.just("1966-03"), "kind": st.just("shipped"), "source": TEXT}
        ),
        "remarks": TEXT,
    },
)


def meaning(record: dict[str, Any], tables: Tables) -> Any:
    """What a record says, however its numbers were written."""
    made = load_record(record, tables)
    return made.loaded, made.trusted, made.photos, made.remarks


@settings(max_examples=40)
@given(records=st.lists(RECORDS, min_size=1, max_size=3), bom=st.booleans())
def test_csv_brings_every_record_back(shipped: Tables, records: list[dict[str, Any]], bom: bool) -> None:
    named = [(f"s{n}", record) for n, record in enumerate(records)]
    text = "".join(write_csv(named, bom=bom))
    assert text.startswith("\ufeff") == bom
    back = read_csv(text)
    assert [one.id for one in back] == [name for name, _ in named]
    for one, (_, record) in zip(back, named, strict=True):
        assert meaning(one.record, shipped) == meaning(record, shipped)


@settings(max_examples=40)
@given(records=st.lists(RECORDS, min_size=1, max_size=3))
def test_no_cell_can_be_run_by_a_spreadsheet(records: list[dict[str, Any]]) -> None:
    rows = csv.reader(
        io.StringIO("".join(write_csv((f"s{n}", r) for n, r in enumerate(records))), newline="")
    )
    for row in rows:
        for cell in row:
            assert cell[:1] not in tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")


@given(cell=st.text())
def test_a_guard_comes_off_as_it_went_on(cell: str) -> None:
    assert unguarded(guarded(cell)) == cell


@pytest.mark.parametrize("cell", ["137-6612", "'54 reissue", "", "'", "a=1"])
def test_a_cell_that_nobody_guarded_stays(cell: str) -> None:
    assert unguarded(cell) == cell


@settings(max_examples=30)
@given(records=st.lists(RECORDS, max_size=3))
def test_json_brings_every_record_back(records: list[dict[str, Any]]) -> None:
    named = [(f"s{n}", record) for n, record in enumerate(records)]
    back = read_json(json.loads("".join(write_json(named))))
    assert [(one.id, one.record) for one in back] == named


def test_a_sheet_by_itself_and_a_list_of_them_are_taken() -> None:
    assert [one.record for one in read_json(sheet())] == [sheet()]
    assert [one.id for one in read_json([sheet(), {"id": "a", "sheet": sheet()}])] == [None, "a"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("id,part,colour\n", "no column"),
        ("id,id,part\n", "twice"),
        ("id,marking\n", "columns id and part are needed"),
        ("id,part\na,pot,137\n", "row 2 has 3 cells"),
        ('id,part\n"a', "no CSV"),
        ("id,part,uncertainty\na,nut,wide\n", "row 2, column uncertainty"),
        ("id,part,options\na,nut,{\n", "row 2, column options"),
    ],
)
def test_a_faulty_csv_is_told_by_row_and_column(text: str, said: str) -> None:
    with pytest.raises(Refused, match=said):
        read_csv(text)


@pytest.mark.parametrize("raw", [{"partdate_casebook": 2, "records": []}, {"partdate_casebook": 1}, [1], 5])
def test_json_of_another_shape_is_refused(raw: Any) -> None:
    with pytest.raises(Refused):
        read_json(raw)


def test_the_csv_of_a_single_sheet_is_taken_as_it_is(book: Casebook, tmp_path: Path) -> None:
    path = tmp_path / "one.csv"
    path.write_text("id;part;marking;maker;claim\nvol;pot;304-6208;Harrow & Vale;1962\ntone;pot;304-6211;;\n")
    assert take_in(book, path, who="ann").saved == 1
    (stored,) = book.every()
    assert [part["id"] for part in stored.record["sheet"]["parts"]] == ["vol", "tone"]
    assert stored.record["sheet"]["instrument"] == {"maker": "Harrow & Vale", "claim": "1962"}


def test_every_column_is_written_and_read_and_has_a_meaning() -> None:
    override = {"window": "1966", "name": "n", "reason": "r"}
    text = dict.fromkeys(("marking", "feature", "value", "unit", "position", "group", "patent"), "x")
    part = {"id": "a", "part": "nut", "uncertainty": 1.5, "state": "read", "flags": ["refinished"], **text}
    about = dict.fromkeys(("maker", "model", "country", "claim", "second_claim"), "x")
    record = {
        "sheet": {
            "instrument": about,
            "parts": [{**part, "override": override}],
            "options": {"estimate": False},
        },
        "trusted": {"date": "1966", "kind": "sold", "source": "s"},
        "remarks": "r",
        "photos": [{"sha256": "0"}],
    }
    whole = "".join(write_csv([("s1", record)]))
    header, row = csv.reader(io.StringIO(whole, newline=""))
    assert tuple(header) == COLUMNS == tuple(MEANINGS)
    assert all(row) and all(MEANINGS.values())
    (back,) = read_csv(whole)
    assert back.record == record and back.id == "s1"


def test_an_import_keeps_ids_knows_what_it_has_and_overwrites_nothing(book: Casebook, tmp_path: Path) -> None:
    records = [{"id": f"a{n}", "sheet": sheet(claim=str(1960 + n))} for n in range(3)]
    path = written(tmp_path / "a.json", {"partdate_casebook": 1, "records": records})
    first = take_in(book, path, who="ann")
    assert (first.saved, first.known, first.faults) == (3, 0, [])
    assert take_in(book, path, who="ann").known == 3
    records[1]["sheet"] = sheet(claim="1969")
    records[2]["sheet"] = sheet({"id": "x", "part": "warp coil", "marking": "1"})
    records.append({"id": "a3", "sheet": sheet()})
    second = take_in(book, written(tmp_path / "b.json", records), who="bea")
    assert (second.saved, second.known) == (1, 1)
    assert len(second.faults) == 2
    assert "a1 is here already and says something else" in second.faults[0]
    assert "warp coil" in second.faults[1]
    assert book.get("a1").version == 1
    assert take_in(book, written(tmp_path / "b.json", records[:2]), who="bea", as_new=True).saved == 2
    assert book.count() == 6
    assert_whole(book)


# ---------------------------------------------------------------------------------------------------------------
# The zip of one examination


@pytest.fixture
def parcel(book: Casebook) -> bytes:
    sha256 = book.add_photo(PNG, who="ann")
    record = {"sheet": sheet("304-6208"), "photos": [{"sha256": sha256, "part": "p0"}], "remarks": "=1+1"}
    book.create(record, who="ann", id="tidewater-7")
    return write(book, "tidewater-7", reports={"report.html": b"A report.\n"})


def contents(parcel: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(parcel)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(files: dict[str, bytes]) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as archive:
        for name, body in files.items():
            archive.writestr(name, body)
    return made.getvalue()


def test_an_examination_goes_into_another_casebook_with_its_photos(
    book: Casebook, parcel: bytes, empty: Path, shipped: Tables, tmp_path: Path
) -> None:
    assert write(book, "tidewater-7", reports={"report.html": b"A report.\n"}) == parcel
    other = tmp_path / "other.sqlite"
    other.write_bytes(empty.read_bytes())
    path = tmp_path / "a.zip"
    path.write_bytes(parcel)
    with Casebook.open(other, clock=book.clock, tables=shipped) as there:
        taken = take_in(there, path, who="bea")
        assert (taken.saved, taken.photos) == (1, 1)
        assert there.get("tidewater-7").record == book.get("tidewater-7").record
        (use,) = there.get("tidewater-7").record["photos"]
        assert there.photo(use["sha256"]).body == PNG
        assert take_in(there, path, who="bea").known == 1
        assert_whole(there)


def test_a_zip_holds_what_was_agreed(parcel: bytes) -> None:
    import hashlib

    files = contents(parcel)
    manifest = json.loads(files.pop(MANIFEST))
    assert {name: one["sha256"] for name, one in manifest["files"].items()} == {
        name: hashlib.sha256(body).hexdigest() for name, body in files.items()
    }
    photo = hashlib.sha256(PNG).hexdigest()
    assert set(files) == {
        "record.json", "assessment.json", "tables.json", "history.json", "report.html", f"photos/{photo}.png",
    }  # fmt: skip
    assert json.loads(files["tables.json"])["tables"] == json.loads(files["assessment.json"])["tables"]


@pytest.mark.parametrize("name", ["record.json", "assessment.json", "history.json", "tables.json", "photo"])
def test_a_zip_with_a_changed_file_is_not_taken(
    book: Casebook, parcel: bytes, name: str, tmp_path: Path
) -> None:
    files = contents(parcel)
    if name == "photo":
        name = next(one for one in files if one.startswith("photos/"))
    files[name] = files[name].replace(b"1", b"2", 1) if name.endswith("json") else files[name] + b"x"
    path = tmp_path / "a.zip"
    path.write_bytes(packed(files))
    with pytest.raises(Refused, match="is not the file of the manifest"):
        take_in(book, path, who="bea", as_new=True)
    assert book.count() == 1


def test_a_zip_with_files_missing_added_or_misnamed_is_not_taken(parcel: bytes) -> None:
    files = contents(parcel)
    photo = next(one for one in files if one.startswith("photos/"))
    wrong = {
        "missing": {name: body for name, body in files.items() if name != photo},
        "no place": {**files, "../../etc/passwd": b"x"},
        "not in the manifest": {**files, "photos/" + "0" * 64 + ".png": PNG},
        "no manifest.json": {name: body for name, body in files.items() if name != MANIFEST},
        "none of an examination": {**files, MANIFEST: b"[]"},
        "is no JSON": {**files, MANIFEST: b"{"},
    }
    for said, changed in wrong.items():
        with pytest.raises(Refused, match=said):
            read(io.BytesIO(packed(changed)))


def test_a_cut_zip_and_a_bomb_are_not_taken(parcel: bytes) -> None:
    with pytest.raises(Refused, match="no zip"):
        read(io.BytesIO(parcel[: len(parcel) // 2]))
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("record.json", b"0" * 30_000_000)
    with pytest.raises(Refused, match="too large"):
        read(io.BytesIO(made.getvalue()))


@settings(max_examples=60)
@given(at=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255))
def test_no_flipped_byte_changes_what_is_taken(at: float, flip: int) -> None:
    files = {"record.json": json.dumps({"id": "a", "sheet": sheet()}).encode()}
    import hashlib

    listed = {name: {"sha256": hashlib.sha256(body).hexdigest()} for name, body in files.items()}
    whole = packed({MANIFEST: json.dumps({"partdate_examination": 1, "files": listed}).encode(), **files})
    raw = bytearray(whole)
    raw[int(at * len(raw))] ^= flip
    try:
        opened = read(io.BytesIO(bytes(raw)))
    except Refused:
        return
    assert opened.brought == read(io.BytesIO(whole)).brought  # a byte that says nothing, such as a time
