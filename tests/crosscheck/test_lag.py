"""Lags: the calendar, the scoped rows, a sheet's own figures."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import pytest

from decoder.crosscheck.lag import Allowance, LagChange, Lags, allowance, replacement_rate
from decoder.scheme.reading import Precision, Reading, Strength, Timing
from decoder.tables import Citation, Tables
from decoder.window import Window, WindowSet


def row(kind: str, lead: int, usual: int, longest: int, **more: Any) -> Mapping[str, Any]:
    plain = {
        "kind": kind, "maker": None, "years": None, "lead": lead, "usual": usual, "longest": longest,
        "replacement_rate": 0.1, "wear": False, "made_from": 1900, "made_to": None, "grade": "P",
    }  # fmt: skip
    return {**plain, **more}


def table(*rows: Mapping[str, Any]) -> Lags:
    source = Citation("common-practice", "common practice of the trade, no source", "P")
    return Lags.from_rows((one, (source,)) for one in rows)


# Harrow & Vale is an invented maker.
LAGS = table(
    row("potentiometer", 2, 12, 36),
    row("potentiometer", 2, 12, 60, maker="Harrow & Vale", years="1966/1971"),
    row("label", 1, 6, 24),
    row("serial", 0, 0, 0),
    row("pending-mark", 0, 12, 60),
    row("other", 3, 9, 27),
)


def window(first: str, last: str | None) -> Window:
    return Window.between(date.fromisoformat(first), date.fromisoformat(last) if last else None)


def reading(found: Window, timing: Timing = Timing.PART, before: int = 0, after: int = 0) -> Reading:
    return Reading(
        "a-scheme", "A scheme", "a-family", Strength.STRONG, WindowSet.of(found), Precision.WEEK,
        timing=timing, before=before, after=after,
    )  # fmt: skip


def months(found: Allowance) -> tuple[int, int, int]:
    return found.lead, found.usual, found.longest


WEEK = window("1965-05-31", "1965-06-06")
IN_SCOPE = window("1966-12-01", "1966-12-12")


def test_allowed_days_run_from_the_lead_before_to_the_longest_lag_after_by_the_calendar() -> None:
    allowed = Allowance(2, 12, 36).allowed(WEEK)
    assert allowed == window("1965-03-31", "1968-06-06")


def test_the_usual_lag_ends_earlier_and_begins_alike() -> None:
    assert Allowance(2, 12, 36).allowed_usual(WEEK) == window("1965-03-31", "1966-06-06")


def test_a_month_that_lacks_the_day_gives_its_last_day() -> None:
    assert Allowance(1, 1, 1).allowed(window("1966-03-31", "1966-03-31")) == window(
        "1966-02-28", "1966-04-30"
    )
    assert Allowance(3, 0, 0).allowed(window("1968-05-31", "1968-05-31")).earliest_date == date(1968, 2, 29)


def test_an_open_window_stays_open_after_its_lag() -> None:
    assert Allowance(2, 12, 36).allowed(window("1958-01-01", None)) == window("1957-11-01", None)


def test_a_scoped_row_holds_for_its_maker_in_its_years() -> None:
    assert months(allowance(reading(IN_SCOPE), IN_SCOPE, "potentiometer", "Harrow & Vale", LAGS)) == (
        2,
        12,
        60,
    )


@pytest.mark.parametrize("maker", ["harrow & vale", " HARROW &  VALE ", "Harrow & Vale."])
def test_a_makers_name_is_known_in_any_case_and_spacing(maker: str) -> None:
    assert months(allowance(reading(IN_SCOPE), IN_SCOPE, "potentiometer", maker, LAGS)) == (2, 12, 60)


@pytest.mark.parametrize("maker", [None, "Harrow", "Tidewater Bench"])
def test_a_scoped_row_holds_for_no_other_maker(maker: str | None) -> None:
    assert months(allowance(reading(IN_SCOPE), IN_SCOPE, "potentiometer", maker, LAGS)) == (2, 12, 36)


@pytest.mark.parametrize(
    "found",
    [
        WEEK,
        window("1965-12-27", "1966-01-07"),
        window("1971-12-24", "1972-01-01"),
        window("1966-01-01", None),
    ],
)
def test_a_scoped_row_holds_only_for_a_window_that_lies_in_its_years(found: Window) -> None:
    assert months(allowance(reading(found), found, "potentiometer", "Harrow & Vale", LAGS)) == (2, 12, 36)


def test_each_window_of_a_reading_has_the_row_of_its_own_years() -> None:
    both = Reading(
        "a-scheme", "A scheme", "a-family", Strength.STRONG, WindowSet.of(WEEK, IN_SCOPE), Precision.WEEK
    )
    found = [allowance(both, one, "potentiometer", "Harrow & Vale", LAGS).longest for one in both.window]
    assert found == [36, 60]


def test_a_pending_mark_has_its_own_row_and_not_that_of_the_part() -> None:
    assert months(allowance(reading(WEEK, Timing.PENDING), WEEK, "label", None, LAGS)) == (0, 12, 60)


def test_the_upper_end_of_an_era_mark_has_the_tail_of_the_pending_row() -> None:
    assert months(allowance(reading(WEEK, Timing.ERA), WEEK, "label", None, LAGS)) == (1, 12, 60)


def test_a_serial_has_its_tolerance_and_no_lag() -> None:
    found = allowance(reading(WEEK, Timing.INSTRUMENT, before=3, after=9), WEEK, "potentiometer", None, LAGS)
    assert months(found) == (3, 9, 9)


def test_a_sheets_own_months_stand_in_place_of_the_tables() -> None:
    own = LAGS.changed({"potentiometer": LagChange(lead=0, usual=3, longest=8)}, {})
    for maker in (None, "Harrow & Vale"):
        assert months(allowance(reading(IN_SCOPE), IN_SCOPE, "potentiometer", maker, own)) == (0, 3, 8)
    assert months(allowance(reading(IN_SCOPE), IN_SCOPE, "label", None, own)) == (1, 6, 24)
    assert own.general("potentiometer").changed and not LAGS.general("potentiometer").changed


def test_one_month_changed_draws_the_other_along_where_they_would_cross() -> None:
    longer = LAGS.changed({"label": LagChange(usual=30)}, {}).general("label")
    shorter = LAGS.changed({"label": LagChange(longest=4)}, {}).general("label")
    assert (longer.usual, longer.longest) == (30, 30)
    assert (shorter.usual, shorter.longest) == (4, 4)


def test_a_sheets_own_tail_holds_for_pending_and_era_marks() -> None:
    own = LAGS.changed({"pending-mark": LagChange(longest=120)}, {})
    assert allowance(reading(WEEK, Timing.PENDING), WEEK, "label", None, own).longest == 120
    assert allowance(reading(WEEK, Timing.ERA), WEEK, "label", None, own).longest == 120


def test_a_sheets_own_rate_leaves_the_months_alone() -> None:
    own = LAGS.changed({}, {"label": 0.5}).general("label")
    assert (own.replacement_rate, own.longest) == (0.5, 24)


def test_a_kind_without_a_row_has_that_of_another_part() -> None:
    assert months(allowance(reading(WEEK), WEEK, "bell", None, LAGS)) == (3, 9, 27)


def test_of_two_rows_with_one_scope_the_first_stands() -> None:
    doubled = table(row("label", 0, 1, 2), row("label", 5, 6, 7), row("other", 0, 0, 0))
    assert doubled.general("label").longest == 2


def test_a_disturbed_joint_raises_a_low_rate_and_lowers_none() -> None:
    lag = LAGS.changed({}, {"label": 0.2}).general("label")
    high = LAGS.changed({}, {"label": 0.9}).general("label")
    assert replacement_rate(lag, disturbed=True, disturbed_rate=0.6) == 0.6
    assert replacement_rate(high, disturbed=True, disturbed_rate=0.6) == 0.9
    assert replacement_rate(lag, disturbed=False, disturbed_rate=0.6) == 0.2


def test_every_kind_of_part_has_a_lag_row_and_so_have_pending_marks(shipped: Tables) -> None:
    lags = Lags.of(shipped)
    for kind in [row["id"] for row in shipped.table("parts/kinds").rows] + ["pending-mark"]:
        general = lags.general(kind)
        assert general.kind == kind
        assert 0 <= general.usual <= general.longest
        assert general.sources
