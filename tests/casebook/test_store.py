"""Sheets are kept version by version, found again, and saved over only by those who saw what they save over."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from decoder.casebook import Casebook, Conflict
from decoder.casebook.errors import NoSuchPhoto, NoSuchSheet, Refused
from decoder.casebook.store import Wanted
from decoder.crosscheck import check
from decoder.crosscheck.sheet import SheetError
from decoder.tables import Tables
from tests.casebook.conftest import NOON, assert_whole, counted_ids, sheet

PNG = b"\x89PNG\r\n\x1a\n" + b"invented" * 20


def test_a_saved_sheet_comes_back_as_it_was_with_its_assessment(either: Casebook, shipped: Tables) -> None:
    told = sheet("304-6208", "137-6612")
    stored = either.create(told, who="ann")
    again = either.get(stored.id)
    assert again == stored
    assert again.version == 1
    assert again.record["sheet"] == told
    kept = either.newest_assessment(stored.id)
    expected = check(told, today=NOON.date(), tables=shipped).as_dict()
    assert kept.assessment == json.loads(json.dumps(expected))
    assert kept.outcome == "contradicted"
    assert_whole(either)


def test_every_version_stays(either: Casebook) -> None:
    first = either.create(sheet(claim="1962"), who="ann")
    second = either.save(first.id, sheet(claim="1963"), expected=first.etag, who="bea")
    third = either.save(first.id, sheet(claim="1964"), expected=second.version, who="cal")
    claims = [either.get(first.id, n).record["sheet"]["instrument"]["claim"] for n in (1, 2, 3)]
    assert claims == ["1962", "1963", "1964"]
    assert third.version == 3
    assert len({first.etag, second.etag, third.etag}) == 3
    told = [(entry.who, entry.what, entry.version) for entry in either.history(first.id)]
    assert told == [
        (w, what, v) for w, v in (("ann", 1), ("bea", 2), ("cal", 3)) for what in ("saved", "assessed")
    ]
    assert_whole(either)


def test_a_second_writer_gets_both_versions_and_saves_nothing(either: Casebook) -> None:
    first = either.create(sheet(claim="1962"), who="ann")
    second = either.save(first.id, sheet(claim="1963"), expected=first.etag, who="bea")
    with pytest.raises(Conflict) as caught:
        either.save(first.id, sheet(claim="1970"), expected=first.etag, who="cal")
    assert caught.value.current == second
    assert caught.value.yours["sheet"]["instrument"]["claim"] == "1970"
    assert "bea" in str(caught.value) and "Nothing was saved" in str(caught.value)
    assert either.get(first.id) == second
    assert len(either.history(first.id)) == 4


def test_a_new_sheet_takes_no_id_that_is_taken(either: Casebook) -> None:
    first = either.create(sheet(), who="ann", id="tidewater-1")
    with pytest.raises(Conflict) as caught:
        either.create(sheet(claim="1970"), who="bea", id="tidewater-1")
    assert caught.value.current == first
    assert either.get("tidewater-1").version == 1


def test_an_earlier_version_restored_is_a_new_version(either: Casebook) -> None:
    first = either.create(sheet(claim="1962"), who="ann")
    second = either.save(first.id, sheet(claim="1963"), expected=first.etag, who="ann")
    restored = either.restore(first.id, 1, expected=second.etag, who="bea")
    assert restored.version == 3
    assert restored.record == first.record
    assert [(e.what, e.detail) for e in either.history(first.id)][-2] == ("restored", "version 1")
    with pytest.raises(Conflict):
        either.restore(first.id, 1, expected=second.etag, who="cal")
    with pytest.raises(NoSuchSheet, match="versions are 1 to 3"):
        either.restore(first.id, 9, expected=restored.etag, who="cal")
    assert_whole(either)


def test_what_is_no_sheet_is_refused_with_every_fault_and_nothing_is_kept(book: Casebook) -> None:
    bad = {
        "sheet": sheet({"id": "a", "part": "flux capacitor", "marking": "["}),
        "trusted": {"date": "1962/.."},
    }
    with pytest.raises(SheetError) as caught:
        book.create(bad, who="ann")
    places = {problem.pointer for problem in caught.value.problems}
    assert places == {
        "/sheet/parts/0/part", "/sheet/parts/0/marking", "/trusted/date", "/trusted/source",
    }  # fmt: skip
    assert book.count() == 0
    assert book.history()[-1].what == "tables"


@pytest.mark.parametrize(
    ("given", "pointer", "said"),
    [
        ({"sheet": sheet(), "remarks": ""}, "/remarks", "is empty"),
        ({"sheet": sheet(), "photos": [{"sha256": "abc"}]}, "/photos/0/sha256", "no SHA-256"),
        ({"sheet": sheet(), "photos": [{"sha256": "0" * 64, "part": "p9"}]}, "/photos/0/part", "no part"),
        ({"sheet": sheet(), "remark": "x"}, "/remark", "Did you mean remarks"),
        (
            {"sheet": sheet(), "trusted": {"date": "1962", "kind": "born", "source": "x"}},
            "/trusted/kind",
            "none of",
        ),
        ({"trusted": None}, "/sheet", "is needed"),
        ([], "", "not a list"),
    ],
)
def test_a_fault_around_the_sheet_is_placed(book: Casebook, given: object, pointer: str, said: str) -> None:
    with pytest.raises(SheetError) as caught:
        book.create(given, who="ann")
    assert [problem.pointer for problem in caught.value.problems] == [pointer]
    assert said in caught.value.problems[0].message


@pytest.mark.parametrize("who", ["", "  ", "a\nb", "x" * 201])
def test_nobody_saves_without_a_name(book: Casebook, who: str) -> None:
    with pytest.raises(Refused, match="name"):
        book.create(sheet(), who=who)


@pytest.mark.parametrize("id", ["", "A", "a/b", "x" * 65, "ä"])
def test_an_id_is_plain(book: Casebook, id: str) -> None:
    with pytest.raises(Refused, match="id"):
        book.create(sheet(), who="ann", id=id)


@pytest.mark.parametrize("id", ["none", "\0", "", "A", "x" * 500, "\ud800"])
def test_what_no_sheet_is_called_is_not_there(either: Casebook, id: str) -> None:
    for look in (either.get, either.newest_assessment, either.assessments, either.history):
        with pytest.raises(NoSuchSheet):
            look(id)
    with pytest.raises(NoSuchSheet):
        either.save(id, sheet(), expected="*", who="ann")
    with pytest.raises(NoSuchPhoto):
        either.photo(id or "\0")


def test_a_photo_is_kept_once_and_named_by_its_hash(either: Casebook) -> None:
    sha256 = either.add_photo(PNG, who="ann")
    assert either.add_photo(PNG, who="bea") == sha256
    assert either.photo(sha256).body == PNG
    assert either.photo(sha256).mediatype == "image/png"
    photos = [{"sha256": sha256, "part": "p0", "caption": "pot, from below"}]
    stored = either.create({"sheet": sheet(), "photos": photos}, who="ann")
    assert either.get(stored.id).record["photos"] == photos
    assert [entry.what for entry in either.history()].count("photo") == 1
    assert_whole(either)


def test_a_record_names_no_photo_that_is_not_here(book: Casebook) -> None:
    with pytest.raises(NoSuchPhoto, match="add the photo first"):
        book.create({"sheet": sheet(), "photos": [{"sha256": "ab" * 32}]}, who="ann")
    assert book.count() == 0


def test_what_is_no_picture_is_no_photo(book: Casebook) -> None:
    with pytest.raises(Refused, match="JPEG"):
        book.add_photo(b"<svg onload=alert(1)>", who="ann")


def test_sheets_are_found_by_what_stands_on_their_parts(either: Casebook) -> None:
    def serial(text: str) -> dict[str, str]:
        return {"id": "serial", "part": "serial", "marking": text}

    a = either.create(sheet("304-6208", serial("24517")), who="ann").id
    b = either.create(sheet("137 6612", claim="1960"), who="ann").id
    c = either.create(
        sheet({"id": "n", "part": "neck", "state": "no-mark"}, maker=None, claim=None), who="ann"
    ).id
    d = either.create(sheet("1376610", serial("HV 118204"), maker="HARROW & VALE", claim=None), who="ann").id

    def found(**wanted: object) -> list[str]:
        return [one.id for one in either.find(Wanted(**wanted)).sheets]  # type: ignore[arg-type]

    assert found() == [d, c, b, a]
    assert found(marking="137-66") == [d, b]
    assert found(marking="1376612") == [b]
    assert found(marking="3046") == [a]
    assert found(serial="hv118") == [d]
    assert found(serial="304") == []
    assert found(maker="harrow and vale") == []
    assert found(maker="Harrow & vale") == [d, b, a]
    assert found(outcome="contradicted") == [b]
    assert found(outcome="undecided") == [d, c]
    assert found(verdict="too-new") == [b]
    assert found(verdict="unread") == [c]
    assert found(verdict="too-new", marking="304") == []
    assert found(marking="--") == []


def test_a_search_finds_the_newest_version_alone(either: Casebook) -> None:
    first = either.create(sheet("304-6208"), who="ann")
    either.save(first.id, sheet("137-6612"), expected=1, who="ann")
    assert either.find(Wanted(marking="304")).sheets == ()
    assert [one.version for one in either.find(Wanted(marking="137")).sheets] == [2]


def test_pages_hold_every_sheet_once(either: Casebook) -> None:
    made = [either.create(sheet(), who="ann").id for _ in range(7)]
    seen: list[str] = []
    after = None
    while True:
        page = either.find(after=after, limit=3)
        seen += [one.id for one in page.sheets]
        after = page.after
        if after is None:
            break
    assert seen == made[::-1]
    assert [one.id for one in either.every(block=2)] == made[::-1]


def test_the_common_and_the_rare_marking_are_found_alike(
    book: Casebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = [book.create(sheet("304-6208", f"137-66{n:02}"), who="ann").id for n in range(10, 16)]
    everything = book.find(Wanted(marking="304")).sheets
    monkeypatch.setattr("decoder.casebook.store.RARE", 2)
    assert [one.id for one in everything] == made[::-1]
    assert book.find(Wanted(marking="304")).sheets == everything
    assert [one.id for one in book.find(Wanted(marking="304", verdict="fits"), limit=2).sheets] == made[:3:-1]


def test_ids_sort_by_time(place: Path, shipped: Tables) -> None:
    from tests.casebook.conftest import Ticking

    with Casebook.open(place, clock=Ticking(), tables=shipped) as book:
        made = [book.create(sheet(), who="ann").id for _ in range(4)]
    assert made == sorted(made) and len(set(made)) == 4


def test_with_one_clock_and_the_same_saves_the_chain_ends_alike(
    empty: Path, tmp_path: Path, shipped: Tables
) -> None:
    ends = []
    for name in ("a", "b"):
        copy = tmp_path / f"{name}.sqlite"
        copy.write_bytes(empty.read_bytes())
        with Casebook.open(copy, clock=lambda: NOON, tables=shipped, ids=counted_ids()) as book:
            first = book.create(sheet(), who="ann")
            book.save(first.id, sheet(claim="1963"), expected=1, who="bea")
            ends.append(book.history()[-1].hash)
    assert ends[0] == ends[1]
