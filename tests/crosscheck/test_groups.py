"""Parts that came together: held against each other, the odd one out named. Tidewater Bench is invented."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from decoder.crosscheck import check
from decoder.crosscheck.groups import Group, compare, groups_of
from decoder.crosscheck.lag import Lag, Lags
from decoder.crosscheck.sheet import Flag, Override, Part, State
from decoder.crosscheck.verdict import Evidence, weigh
from decoder.marking import Marking
from decoder.scheme.reading import Decoding, FieldValue, Precision, Reading, Strength
from decoder.tables import Tables
from decoder.window import parse_edtf

LAGS = Lags(
    {
        "potentiometer": (Lag("potentiometer", 2, 12, 36, 0.15, False, 1920),),
        "capacitor": (Lag("capacitor", 1, 12, 36, 0.15, False, 1920),),
        "other": (Lag("other", 1, 12, 36, 0.1, False, 1850),),
        "pending-mark": (Lag("pending-mark", 0, 12, 60, 0.05, False, 1850),),
    }
)
DEFAULTS = {"potentiometer": "harness", "capacitor": None}
SPREAD = 26  # weeks


def dated(name: str, window: str, kind: str = "potentiometer", **more: Any) -> Evidence:
    override = Override(window, parse_edtf(window).windows, "Tidewater Bench", "seen")
    return weigh(Part(name, kind, override=override, **more), None, title=kind, ease=2, lags=LAGS)


def coded(name: str, window: str, source: str) -> Evidence:
    reading = Reading(
        "a-scheme", "A scheme", "a-family", Strength.STRONG, parse_edtf(window).windows, Precision.WEEK,
        fields=(FieldValue("source", source, "", (0, 3)),),
    )  # fmt: skip
    decoding = Decoding(Marking.blank("x"), (reading,), ())
    return weigh(Part(name, "potentiometer", marking="x"), decoding, title="", ease=2, lags=LAGS)


def compared(*windows: str) -> Group:
    return compare("harness", [dated(f"pot-{n}", window) for n, window in enumerate(windows, 1)], SPREAD)


# Who belongs to a group


def test_pots_belong_to_one_harness_unless_the_sheet_says_otherwise() -> None:
    pots = [dated("b", "1966"), dated("a", "1966"), dated("c", "1966", group="bass side")]
    found = groups_of([*pots, dated("cap", "1966", "capacitor")], DEFAULTS)
    assert [(name, [one.part.id for one in members]) for name, members in found] == [("harness", ["a", "b"])]


def test_a_group_of_the_sheet_can_hold_several_kinds() -> None:
    members = [dated("a", "1966"), dated("cap", "1966", "capacitor", group="harness")]
    assert [one.part.id for one in groups_of(members, DEFAULTS)[0][1]] == ["a", "cap"]


def test_disclosed_unread_and_undated_parts_are_not_compared() -> None:
    disclosed = dated("b", "1980", flags=frozenset({Flag.DISCLOSED_REPLACEMENT}))
    unread = weigh(Part("c", "potentiometer", state=State.NOT_LOOKED), None, title="", ease=2, lags=LAGS)
    assert groups_of([dated("a", "1966"), disclosed, unread, dated("d", "../..")], DEFAULTS) == ()


# The comparison


def test_parts_dated_within_half_a_year_can_have_come_together() -> None:
    found = compared("1966-02", "1966-04", "1966-07")
    assert found.odd == ()
    assert (
        "pot-1, pot-2 and pot-3 can be dated within 26 weeks of each other (Feb 1966 to Jul 1966)"
        in found.reason
    )
    assert "one dating rather than 3" in found.reason


@pytest.mark.parametrize(
    ("second", "odd"),
    [
        ("1966-08-30/1966-09-05", False),  # 26 weeks after 1 March: 30 August
        ("1966-08-31/1966-09-05", True),
    ],
)
def test_the_spread_is_counted_between_the_nearest_days(second: str, odd: bool) -> None:
    found = compared("1966-02-20/1966-03-01", second)
    assert bool(found.odd) is odd


def test_a_part_years_after_its_neighbours_is_the_odd_one_and_needs_a_later_repair() -> None:
    found = compared("1966-02", "1966-04", "1973-05")
    assert found.odd == ("pot-3",)
    assert "pot-3 (reads 1973) is dated 7 years after its neighbours" in found.reason
    assert "a later repair or a misreading" in found.reason
    assert "lies in stock 36 months at the longest" in found.reason
    assert "pot-1 and pot-2 agree with each other (Feb 1966 to Apr 1966)" in found.reason


def test_a_part_years_before_its_neighbours_needs_another_instrument() -> None:
    found = compared("1966-02", "1958-01", "1966-04")
    assert found.odd == ("pot-2",)
    assert "pot-2 (reads 1958) is dated 8 years before its neighbours" in found.reason
    assert "a part from another instrument or a misreading" in found.reason


def test_a_part_a_year_apart_can_be_old_stock() -> None:
    early, late = compared("1966-02", "1965-01", "1966-04"), compared("1966-02", "1967-06", "1966-04")
    assert early.odd == late.odd == ("pot-2",)
    assert "13 months before its neighbours: it would take old stock" in early.reason.replace(
        "12 months", "13 months"
    )
    assert "neighbours had lain in stock so much longer" in late.reason


def test_of_two_parts_apart_none_can_be_named_and_both_are() -> None:
    found = compared("1966-02", "1973-05")
    assert found.odd == ("pot-1", "pot-2")
    assert "can't be told from the group alone" in found.reason


def test_two_pairs_apart_leave_it_open_which_is_odd() -> None:
    assert compared("1966-02", "1966-03", "1973-05", "1973-06").odd == ("pot-1", "pot-2", "pot-3", "pot-4")


def test_rival_readings_are_compared_by_the_nearest_and_all_that_suit_are_named() -> None:
    found = compared("[1956-02,1966-02]", "[1956-03,1966-03]")
    assert found.odd == ()
    assert "Feb 1956 to Mar 1956 or Feb 1966 to Mar 1966" in found.reason
    assert compared("[1956-02,1966-02]", "[1956-03,1966-03]", "[1961-05,1971-05]").odd == ("pot-3",)


def test_a_part_within_reach_of_a_wide_window_and_not_of_the_rest_is_said_to_suit_some() -> None:
    found = compared("1966-01", "1966-02", "1965-06/1966-12", "1966-11")
    assert found.odd == ("pot-4",)
    assert (
        "pot-4 can be dated with some of its neighbours (Jun 1965 to Dec 1966), not with all." in found.reason
    )


def test_open_windows_are_compared_too() -> None:
    assert compared("1966-02", "1966-04", "1958/..").odd == ()
    assert compared("1966-02", "1966-04", "1980/..").odd == ("pot-3",)


def test_kinds_apart_are_allowed_the_usual_time_in_stock_besides() -> None:
    pots = [dated("pot-1", "1966-02"), dated("pot-2", "1966-03")]
    near = dated("cap", "1967-04", "capacitor", group="harness")
    far = dated("cap", "1973-04", "capacitor", group="harness")
    assert compare("harness", [*pots, near], SPREAD).odd == ()
    assert compare("harness", [*pots, far], SPREAD).odd == ("cap",)


@pytest.mark.parametrize(("apart", "odd"), [(26 * 7 + 365, False), (26 * 7 + 366, True)])
def test_the_usual_time_in_stock_is_counted_in_months_of_the_calendar_year(apart: int, odd: bool) -> None:
    # Twelve months of 365.2425 / 12 days are 365 days.
    day = date(1966, 3, 1)
    pot = dated("pot", day.isoformat())
    cap = dated("cap", (day + timedelta(days=apart)).isoformat(), "capacitor", group="harness")
    assert bool(compare("harness", [pot, cap], SPREAD).odd) is odd


@pytest.mark.parametrize(("strays", "said"), [(6, ""), (7, "1 more part stands"), (8, "2 more parts stand")])
def test_of_many_parts_apart_six_are_explained_and_the_rest_counted(strays: int, said: str) -> None:
    found = compared(*["1966-02"] * 9, *(str(1970 + 2 * n) for n in range(strays)))
    assert len(found.odd) == strays
    assert (f"{said} apart too. pot-1" in found.reason) if said else ("apart too" not in found.reason)


def test_different_sources_are_named() -> None:
    found = compare("harness", [coded("a", "1966-02", "137"), coded("b", "1966-03", "304")], SPREAD)
    assert "They name different sources: a is of source 137 and b is of source 304." in found.reason
    same = compare("harness", [coded("a", "1966-02", "137"), coded("b", "1966-03", "137")], SPREAD)
    assert "sources" not in same.reason


def test_a_long_group_is_named_in_short() -> None:
    found = compared(*["1966-02"] * 12)
    assert "and 6 more can be dated" in found.reason


# Through check()


def test_groups_have_the_shape_agreed_and_the_chance_of_one_lot(shipped: Tables) -> None:
    parts = [
        {"id": f"pot-{n}", "part": "pot", "marking": f"13766{week}"} for n, week in enumerate((10, 12, 14))
    ]
    sheet = {"instrument": {"claim": "1966"}, "parts": parts}
    exact = check(sheet).as_dict()["groups"]
    assert [set(group) for group in exact] == [{"group", "parts", "odd", "reason"}]
    assert exact[0]["group"] == "harness" and exact[0]["odd"] == []
    assert exact[0]["parts"] == ["pot-0", "pot-1", "pot-2"]
    estimated = check(sheet, today=date(2026, 11, 25)).as_dict()["groups"]
    assert 0.8 < estimated[0]["one_lot"] <= 1
    weeks = shipped.setting("lot_spread_weeks")
    assert f"within {weeks} weeks" in exact[0]["reason"]


def test_the_odd_one_is_told_in_the_narrative() -> None:
    parts = [
        {"id": f"pot-{n}", "part": "pot", "marking": mark}
        for n, mark in enumerate(("1376610", "1376612", "1377312"))
    ]
    said = " ".join(check({"instrument": {"claim": "1966"}, "parts": parts}).narrative)
    assert "dated apart from its group: pot-2 (potentiometer)" in said
