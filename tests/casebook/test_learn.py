"""A bench learns from its own sheets: bands and lags with stated coverage, in an overlay that says whose they are.

Everything here is simulated: an invented maker numbers its instruments in order, with a little disorder.
"""

from __future__ import annotations

import json
import random
from datetime import date, timedelta
from itertools import pairwise
from math import ceil
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.casebook import Casebook, load_record
from decoder.casebook.errors import Refused
from decoder.casebook.learn import Learned, learned
from decoder.casebook.learn import learn as learn_from
from decoder.casebook.monotone import Observation, band_of, bound, cuts, fit, interval, least
from decoder.casebook.overlay import write
from decoder.catalog import decode
from decoder.crosscheck import check
from decoder.tables import Tables
from tests.casebook.conftest import NOON, sheet

TODAY = NOON.date()
HEAD = "ab" * 32


def observation(number: int, day: int, wide: int = 0) -> Observation:
    return Observation(number, day - wide, day + wide)


# ---------------------------------------------------------------------------------------------------------------
# Monotone regression


@given(days=st.lists(st.integers(0, 1000), min_size=1, max_size=30))
def test_a_fit_never_falls_and_keeps_the_mean(days: list[int]) -> None:
    made = fit([observation(n, day) for n, day in enumerate(days)])
    assert list(made.days) == sorted(made.days)
    assert sum(made.days) == pytest.approx(sum(days))


@given(days=st.lists(st.integers(0, 60), min_size=1, max_size=7))
def test_no_other_rising_function_is_nearer(days: list[int]) -> None:
    made = fit([observation(n, day) for n, day in enumerate(days)])
    # The min-max formula of isotonic regression, worked out by brute force.
    for place in range(len(days)):
        best = max(
            min(sum(days[i : j + 1]) / (j - i + 1) for j in range(place, len(days))) for i in range(place + 1)
        )
        assert made.days[place] == pytest.approx(best)


def test_between_two_numbers_the_days_go_straight_and_beyond_them_level() -> None:
    made = fit([observation(10, 100), observation(20, 200)])
    assert [made.at(n) for n in (1, 10, 15, 20, 99)] == [100, 100, 150, 200, 200]


def simulated(choose: random.Random, count: int, noise: float) -> list[Observation]:
    found = []
    for _ in range(count):
        number = choose.randrange(1000)
        found.append(observation(number, round(700_000 + 2 * number + choose.gauss(0, noise)), wide=3))
    return found


@pytest.mark.parametrize(("level", "count"), [(0.9, 30), (0.9, 150), (0.8, 40)])
def test_the_band_covers_new_instruments_as_often_as_it_says(level: float, count: int) -> None:
    choose = random.Random(f"{level} {count}")
    inside = tried = 0
    for _ in range(25):
        band = band_of(simulated(choose, count, 60), level)
        for new in simulated(choose, 40, 60):
            tried += 1
            inside += band.lower(new.number) <= new.earliest and new.latest <= band.upper(new.number)
    share = inside / tried
    assert share > level - 0.035  # what it says, within what a thousand trials can tell
    assert share > 2 * level - 1
    assert share < 0.995  # and no wider than need be


def test_a_band_rises_with_the_numbers_and_needs_enough_of_them() -> None:
    band = band_of(simulated(random.Random(1), 60, 40))
    for ends in (band.lower, band.upper):
        days = [ends(n) for n in range(0, 1000, 50)]
        assert days == sorted(days)
    assert least(0.9) == 9 and least(0.95) == 19
    with pytest.raises(ValueError, match="needs 9"):
        band_of(simulated(random.Random(1), 8, 40))


@given(numbers=st.lists(st.integers(0, 500), min_size=2, max_size=40, unique=True), most=st.integers(1, 30))
def test_cuts_part_the_span_without_gap_or_overlap(numbers: list[int], most: int) -> None:
    made = cuts(numbers, most)
    assert made[0][0] == min(numbers) and made[-1][1] == max(numbers)
    assert all(one[1] + 1 == after[0] for one, after in pairwise(made))
    assert len(made) <= most


def test_a_bound_holds_for_the_next_one_as_often_as_it_says() -> None:
    choose = random.Random(7)
    held = 0
    for _ in range(3000):
        sample = [choose.expovariate(1) for _ in range(25)]
        value = bound(sample, 0.8)
        assert value is not None
        held += choose.expovariate(1) <= value
    assert abs(held / 3000 - ceil(0.8 * 26) / 26) < 0.03
    assert bound([1.0] * 18, 0.95) is None and bound([1.0] * 19, 0.95) == 1.0


def test_the_interval_of_a_quantile_holds_it_as_often_as_it_says() -> None:
    choose = random.Random(8)
    held = 0
    for _ in range(1500):
        low, high = interval([choose.random() for _ in range(40)], 0.8)
        held += (low is None or low <= 0.8) and (high is None or high >= 0.8)
    assert held / 1500 > 0.94


# ---------------------------------------------------------------------------------------------------------------
# From sheets


def ledger(count: int, seed: int = 3, maker: str = "Harrow & Vale") -> list[tuple[str, dict[str, Any]]]:
    """Instruments completed in 1962 in the order of their numbers, with two pots each, some years old."""
    choose = random.Random(seed)
    made = []
    for n in range(count):
        number = 22_900 + n * (3000 // count)
        day = date(1962, 1, 10) + timedelta(days=round(340 * (number - 22_900) / 3000 + choose.gauss(0, 8)))
        pots = []
        for place in range(2):
            dated = day - timedelta(days=round(choose.gammavariate(2, 60)))
            year, week, _ = dated.isocalendar()
            pots.append(
                {
                    "id": f"pot {place}",
                    "part": "potentiometer",
                    "marking": f"304-{year % 100:02}{min(week, 52):02}",
                }
            )
        parts = [{"id": "serial", "part": "serial", "marking": str(number)}, *pots]
        trusted = {"date": day.isoformat(), "kind": "completed", "source": "ledger of the works (invented)"}
        made.append((f"s{n}", {"sheet": sheet(*parts, claim=None, maker=maker), "trusted": trusted}))
    return made


def taught(tables: Tables, records: list[tuple[str, dict[str, Any]]]) -> Learned:
    return learned(((name, load_record(record, tables)) for name, record in records), tables, TODAY)


@pytest.fixture(scope="module")
def lesson(shipped: Tables) -> Learned:
    return taught(shipped, ledger(60))


def test_serials_and_lags_are_learned_with_their_numbers(lesson: Learned) -> None:
    assert lesson.sheets == 60
    (series,) = lesson.series
    assert (series.series.scheme, series.series.digits, series.count) == ("harrow-vale-main", "5", 60)
    assert (series.level, series.guaranteed) == (0.9, pytest.approx(0.8))
    for band in series.bands:
        assert (
            date(1961, 11, 1)
            < date.fromordinal(band.earliest)
            < date.fromordinal(band.latest)
            < date(1963, 3, 1)
        )
        assert band.latest - band.earliest < 200  # a year was published
    (lag,) = lesson.lags
    assert (lag.kind, lag.maker, lag.count, lag.outside) == ("potentiometer", "Harrow & Vale", 120, 0)
    # Gamma with shape 2 and scale 60 days: 80% lie below 180 days, 95% below 285.
    assert 5 <= lag.usual.months <= 8
    assert 8 <= lag.longest.months <= 12
    assert lag.usual.least is not None and lag.usual.most is not None
    assert lag.usual.least <= lag.usual.months <= lag.usual.most


def test_nothing_is_learned_from_too_few_and_that_is_said(shipped: Tables) -> None:
    few = taught(shipped, ledger(6))
    assert few.series == () and few.lags == ()
    assert {left.what for left in few.left} == {
        "serials of harrow-vale-main", "lag of potentiometer, Harrow & Vale",
    }  # fmt: skip


def test_what_does_not_tell_when_it_was_completed_teaches_nothing(shipped: Tables) -> None:
    records = ledger(40)
    for number, (_, record) in enumerate(records):
        if number % 2:
            record["trusted"]["kind"] = "sold"
    half = taught(shipped, records)
    assert half.series[0].count == 20
    assert sum("sold" in left.why for left in half.left) == 20


def test_replaced_disclosed_and_worn_parts_are_in_no_figure(shipped: Tables) -> None:
    records = ledger(40)
    for number, (_, record) in enumerate(records):
        pot = record["sheet"]["parts"][1]
        if number < 10:
            pot["flags"] = ["disclosed-replacement"]
            pot["marking"] = "304-7801"
        elif number < 15:
            pot["marking"] = "304-7801"  # put in later, and nobody says so
        if number < 3:
            record["sheet"]["parts"][0]["marking"] = "2?900"
    made = taught(shipped, records)
    assert (made.lags[0].count, made.lags[0].outside) == (40 + 25, 5)
    assert made.series[0].count == 37
    assert made.lags[0].longest.months <= 12


def test_the_claim_teaches_nothing(shipped: Tables) -> None:
    records = ledger(40)
    plain = taught(shipped, records)
    for _, record in records:
        record["sheet"]["instrument"]["claim"] = "1975"
    assert taught(shipped, records) == plain


# ---------------------------------------------------------------------------------------------------------------
# The overlay


def test_an_overlay_stands_beside_the_published_rows_and_says_whose_it_is(
    shipped: Tables, lesson: Learned, tmp_path: Path
) -> None:
    made = write(lesson, shipped, tmp_path / "own", today=TODAY, head=HEAD)
    assert [folder.name for folder in made.folders] == ["own-bench"]
    laid = Tables.open(tmp_path / "own")
    rows = [row for row in laid.table("parts/lag").rows if row["grade"].startswith("own")]
    assert [(row["kind"], row["maker"], row["grade"]) for row in rows] == [
        ("potentiometer", "Harrow & Vale", "own observation (n=120)")
    ]
    published = shipped.table("parts/lag").rows
    assert all(row in laid.table("parts/lag").rows for row in published)
    assert laid.table("invented/bands").rows == shipped.table("invented/bands").rows
    decoding = decode("24517", part="serial", maker="Harrow & Vale", today=TODAY, tables=laid).as_dict()
    grades = {r["scheme"]: {s["grade"] for s in r["sources"]} for r in decoding["readings"]}
    own = next(scheme for scheme in grades if scheme.startswith("own-"))
    assert grades == {"harrow-vale-main": {"P"}, own: {"own observation (n=60)"}}
    window = next(r["window"] for r in decoding["readings"] if r["scheme"] == own)
    expected = date(1962, 1, 10) + timedelta(days=340 * (24517 - 22900) / 3000)
    assert window["earliest"] < expected.isoformat() < window["latest"]


def test_own_lags_hold_for_the_maker_and_the_years_they_were_seen_in(
    shipped: Tables, lesson: Learned, tmp_path: Path
) -> None:
    write(lesson, shipped, tmp_path / "own", today=TODAY, head=HEAD)
    laid = Tables.open(tmp_path / "own")

    def verdict(tables: Tables, maker: str) -> str:
        told = sheet("304-6102", claim="1963-06", maker=maker)
        return check(told, today=TODAY, tables=tables).as_dict()["parts"][0]["verdict"]

    assert verdict(shipped, "Harrow & Vale") == "old-stock"  # 29 months, by the published row
    assert verdict(laid, "Harrow & Vale") == "too-old"
    assert verdict(laid, "Another maker") == "old-stock"


def test_narrowed_bands_keep_every_published_row_where_nothing_was_seen(
    shipped: Tables, lesson: Learned, tmp_path: Path
) -> None:
    made = write(lesson, shipped, tmp_path / "own", today=TODAY, head=HEAD, narrow=True)
    assert {folder.name for folder in made.folders} == {"own-bench", "invented"}
    laid = Tables.open(tmp_path / "own")
    before, after = shipped.table("invented/bands").rows, laid.table("invented/bands").rows
    own = [row for row in after if row["grade"].startswith("own")]
    assert own and all("published: 1962 to 1962" in row["note"] for row in own)
    assert all({"own-bench", "invented"} <= set(row["source"]) for row in own)
    untouched = [row for row in before if row["first"] != 22801]
    assert [row for row in after if row["first"] < 22801 or row["first"] > 26000] == untouched

    def covered(rows: Any) -> list[int]:
        return [
            n
            for row in rows
            if row["scheme"] == "harrow-vale-main"
            for n in range(row["first"], row["last"] + 1)
        ]

    assert sorted(covered(after)) == sorted(covered(before))
    reading = decode("24517", part="serial", maker="Harrow & Vale", today=TODAY, tables=laid).as_dict()[
        "readings"
    ][0]
    assert reading["window"]["earliest"] >= "1962-01-01" and reading["window"]["latest"] < "1962-12-31"
    outside = decode("20500", part="serial", maker="Harrow & Vale", today=TODAY, tables=laid).as_dict()
    assert outside == {
        **decode("20500", part="serial", maker="Harrow & Vale", today=TODAY, tables=shipped).as_dict(),
        "readings": outside["readings"],
    }
    assert outside["readings"][0]["window"]["edtf"] == "1961-01-01/1961-12-31"


def test_own_dates_that_contradict_the_published_table_are_named_and_change_nothing(
    shipped: Tables, tmp_path: Path
) -> None:
    records = ledger(40)
    for _, record in records:
        record["trusted"]["date"] = record["trusted"]["date"].replace("1962", "1969").replace("1963", "1970")
    made = write(taught(shipped, records), shipped, tmp_path / "own", today=TODAY, head=HEAD, narrow=True)
    assert made.contradictions and "left as published" in made.contradictions[0]
    laid = Tables.open(tmp_path / "own")
    rows = [(r["first"], r["last"], r["from"], r["to"]) for r in laid.table("invented/bands").rows]
    assert rows == [(r["first"], r["last"], r["from"], r["to"]) for r in shipped.table("invented/bands").rows]


def test_a_maker_without_a_published_table_gets_a_series_of_its_own(shipped: Tables, tmp_path: Path) -> None:
    records = ledger(40, maker="Tidewater Bench")
    made = taught(shipped, records)
    (series,) = made.series
    assert (series.series.scheme, series.series.maker, series.count) == (None, "Tidewater Bench", 40)
    write(made, shipped, tmp_path / "own", today=TODAY, head=HEAD)
    laid = Tables.open(tmp_path / "own")
    reading = decode("24517", part="serial", maker="Tidewater Bench", today=TODAY, tables=laid).as_dict()[
        "readings"
    ]
    assert [one["scheme"] for one in reading] == ["own-tidewater-bench-5"]
    assert reading[0]["sources"][0]["grade"] == "own observation (n=40)"
    assert "at least 0.8" in " ".join(reading[0]["notes"])
    (scheme,) = [one for one in laid.schemes("serial") if one["id"] == "own-tidewater-bench-5"]
    assert scheme["grade"] == "own observation (n=40)"


def test_an_overlay_overwrites_nothing_and_needs_something_to_say(
    shipped: Tables, lesson: Learned, tmp_path: Path
) -> None:
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "mine.txt").write_text("mine")
    with pytest.raises(Refused, match="not empty"):
        write(lesson, shipped, tmp_path / "own", today=TODAY, head=HEAD)
    with pytest.raises(Refused, match="nothing can be learned yet"):
        write(taught(shipped, ledger(3)), shipped, tmp_path / "new", today=TODAY, head=HEAD)
    assert [path.name for path in tmp_path.iterdir()] == ["own"]


def test_a_casebook_teaches_what_its_sheets_teach(book: Casebook, shipped: Tables, lesson: Learned) -> None:
    from decoder.casebook.store import New

    new = []
    for name, record in ledger(60):
        made = load_record(record, shipped)
        new.append(New(name, made, book.assess(made)))
    book.save_many(new, who="ann")
    book.create(sheet("137-6612"), who="ann")  # no trusted date
    found = learn_from(book)
    assert (found.series, found.lags) == (lesson.series, lesson.lags)
    from decoder.casebook.learn import as_dict

    shown = json.loads(json.dumps(as_dict(found, shipped)))
    assert shown["lags"][0]["observations"] == 120
    assert shown["series"][0]["bands"][0][2].startswith("196")
