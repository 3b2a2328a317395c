"""The algebra of windows, against sets of days counted one by one and against the `portion` package."""

from __future__ import annotations

import calendar
import pickle
from datetime import date, timedelta
from functools import reduce

import portion  # type: ignore[import-untyped]
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.window import (
    ALL,
    EMPTY,
    EVERY,
    Window,
    WindowSet,
    iso_week,
    plain_week,
    sunday_weeks,
    week_window,
)

# Ends are drawn from a span of days about a leap February; the margin on either side lets an open end be told from
# one at the edge of the span, so a plain set of ordinals can stand for every window drawn.
FIRST = date(1968, 2, 1).toordinal()
LAST = FIRST + 39
MARGIN = 4
UNIVERSE = range(FIRST - MARGIN, LAST + MARGIN + 1)
LAST_OF_ALL = date.max.toordinal()

days = st.integers(FIRST, LAST)


@st.composite
def a_window(draw: st.DrawFn, bounded: bool = False) -> Window:
    low, high = sorted((draw(days), draw(days)))
    if bounded:
        return Window(low, high)
    return Window(
        draw(st.sampled_from((low, low, low, None))), draw(st.sampled_from((high, high, high, None)))
    )


def window_set(bounded: bool = False) -> st.SearchStrategy[WindowSet]:
    return st.lists(a_window(bounded), max_size=6).map(WindowSet.from_iter)


windows = a_window()
sets = window_set()
bounded_windows = a_window(bounded=True)
bounded_sets = window_set(bounded=True)


def days_of(*many: Window) -> set[int]:
    """The days of the universe in any of the windows, from their ends alone."""
    return {
        day
        for day in UNIVERSE
        for w in many
        if (w.earliest is None or day >= w.earliest) and (w.latest is None or day <= w.latest)
    }


def month_later(day: date, months: int) -> date:
    """Calendar months added by hand: the day of the month is kept, or becomes the month's last."""
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


class TestOneWindow:
    def test_both_ends_belong_to_the_window(self) -> None:
        march = Window.month(1966, 3)
        assert march.contains(date(1966, 3, 1).toordinal())
        assert march.contains(date(1966, 3, 31).toordinal())
        assert not march.contains(date(1966, 2, 28).toordinal())
        assert not march.contains(date(1966, 4, 1).toordinal())

    def test_a_year_a_decade_and_a_leap_february_have_their_days(self) -> None:
        assert Window.year(1966).width_days == 365
        assert Window.years(1960, 1969).width_days == 3653
        assert Window.month(1968, 2).width_days == 29
        assert Window.month(1966, 12) == Window.between(date(1966, 12, 1), date(1966, 12, 31))
        assert Window.day(date(1966, 3, 5)).width_days == 1

    def test_the_last_december_of_the_calendar_is_a_month_like_any_other(self) -> None:
        assert Window.month(9999, 12) == Window(LAST_OF_ALL - 30, LAST_OF_ALL)

    def test_ends_come_back_as_dates(self) -> None:
        bounded = Window.between(date(1964, 2, 29), date(1966, 3, 1))
        assert (bounded.earliest_date, bounded.latest_date) == (date(1964, 2, 29), date(1966, 3, 1))
        assert (EVERY.earliest_date, EVERY.latest_date) == (None, None)

    def test_an_open_window_has_no_width(self) -> None:
        assert Window.between(date(1966, 1, 1), None).width_days is None
        assert Window.between(None, date(1966, 1, 1)).width_days is None
        assert EVERY.width_days is None

    def test_ends_the_wrong_way_round_are_refused_with_both_days_named(self) -> None:
        with pytest.raises(ValueError, match="1966-03-02 is later than the latest 1966-03-01"):
            Window.between(date(1966, 3, 2), date(1966, 3, 1))
        with pytest.raises(ValueError, match="9999-12-31 is later than the latest 9999-12-30"):
            Window(LAST_OF_ALL, LAST_OF_ALL - 1)

    @pytest.mark.parametrize(
        ("earliest", "latest", "named"),
        [
            (0, 5, "earliest day 0"),
            (0, None, "earliest day 0"),
            (5, LAST_OF_ALL + 1, f"latest day {LAST_OF_ALL + 1}"),
            (LAST_OF_ALL + 1, None, f"earliest day {LAST_OF_ALL + 1}"),
            (None, 0, "latest day 0"),
            (None, LAST_OF_ALL + 1, f"latest day {LAST_OF_ALL + 1}"),
        ],
    )
    def test_days_outside_the_calendar_are_refused(
        self, earliest: int | None, latest: int | None, named: str
    ) -> None:
        with pytest.raises(ValueError, match=named):
            Window(earliest, latest)

    def test_the_first_and_last_day_of_the_calendar_are_allowed(self) -> None:
        assert Window(1, LAST_OF_ALL).width_days == LAST_OF_ALL
        assert Window(None, 1).latest == 1
        assert Window(LAST_OF_ALL, None).earliest == LAST_OF_ALL

    def test_a_window_cannot_be_changed(self) -> None:
        with pytest.raises(AttributeError):
            Window.year(1966).earliest = 1  # type: ignore[misc]

    def test_windows_travel_between_processes(self) -> None:
        allowed = WindowSet.of(Window.year(1966), Window.between(date(1970, 1, 1), None))
        assert pickle.loads(pickle.dumps(allowed)) == allowed

    @pytest.mark.parametrize(
        ("window", "written"),
        [
            (Window.month(1966, 3), "1966-03-01/1966-03-31"),
            (Window.day(date(1966, 3, 5)), "1966-03-05/1966-03-05"),
            (Window.between(date(1966, 3, 5), None), "1966-03-05/.."),
            (Window.between(None, date(1966, 3, 5)), "../1966-03-05"),
            (EVERY, "../.."),
            (Window.year(987), "0987-01-01/0987-12-31"),
        ],
    )
    def test_a_window_is_always_written_as_an_interval_of_days(self, window: Window, written: str) -> None:
        assert window.edtf() == written

    @given(windows, st.sampled_from(UNIVERSE))
    def test_contains_agrees_with_counted_days(self, a: Window, day: int) -> None:
        assert a.contains(day) == (day in days_of(a))

    @given(windows, windows)
    def test_overlap_and_intersection_agree_with_counted_days(self, a: Window, b: Window) -> None:
        shared = days_of(a) & days_of(b)
        assert a.overlaps(b) == bool(shared)
        found = a.intersect(b)
        assert (days_of(found) if found else set()) == shared
        assert found == b.intersect(a)

    @given(windows, windows)
    def test_the_hull_runs_from_the_first_day_of_either_to_the_last(self, a: Window, b: Window) -> None:
        both = days_of(a) | days_of(b)
        assert days_of(a.hull(b)) == set(range(min(both), max(both) + 1))
        assert a.hull(b) == b.hull(a)

    @given(windows, windows)
    def test_windows_touch_when_no_day_lies_between_them(self, a: Window, b: Window) -> None:
        ours, theirs = days_of(a), days_of(b)
        hull = set(range(min(ours | theirs), max(ours | theirs) + 1))
        between = hull - ours - theirs
        assert a.gap_days(b) == b.gap_days(a) == len(between)
        assert a.touches(b) == b.touches(a) == (not between)

    def test_months_next_to_each_other_touch_without_overlapping(self) -> None:
        march, april, may = (Window.month(1966, month) for month in (3, 4, 5))
        assert march.touches(april) and april.touches(march)
        assert not march.overlaps(april)
        assert march.gap_days(april) == 0
        assert not march.touches(may)
        assert march.gap_days(may) == 30


class TestShift:
    def test_a_month_end_stays_a_month_end_where_the_next_month_is_shorter(self) -> None:
        assert Window.day(date(1966, 1, 31)).shift(months=1) == Window.day(date(1966, 2, 28))
        assert Window.day(date(1968, 1, 31)).shift(months=1) == Window.day(date(1968, 2, 29))
        assert Window.day(date(1968, 2, 29)).shift(years=1) == Window.day(date(1969, 2, 28))
        assert Window.day(date(1966, 3, 31)).shift(months=-1) == Window.day(date(1966, 2, 28))

    def test_years_months_and_days_add_up_with_the_months_first(self) -> None:
        moved = Window.day(date(1966, 12, 31)).shift(years=1, months=2, days=1)
        assert moved == Window.day(date(1968, 3, 1))

    def test_each_end_is_moved_apart_and_an_open_end_stays_open(self) -> None:
        assert Window.month(1966, 2).shift(months=1) == Window.between(date(1966, 3, 1), date(1966, 3, 28))
        assert Window.between(date(1966, 2, 1), None).shift(years=2) == Window.between(date(1968, 2, 1), None)
        assert Window.between(None, date(1966, 2, 1)).shift(days=-1) == Window.between(
            None, date(1966, 1, 31)
        )
        assert EVERY.shift(months=7) == EVERY

    def test_no_shift_changes_nothing(self) -> None:
        assert Window.month(1968, 2).shift() == Window.month(1968, 2)

    @pytest.mark.parametrize(
        "step", [{"years": 1}, {"months": 12}, {"days": 400}, {"years": 10**9}, {"days": 10**9}]
    )
    def test_an_end_moved_past_the_calendar_becomes_open(self, step: dict[str, int]) -> None:
        assert Window.year(9999).shift(**step) == Window(LAST_OF_ALL, None)
        back = {unit: -amount for unit, amount in step.items()}
        assert Window.year(1).shift(**back) == Window(None, 1)

    def test_a_window_half_past_the_calendar_keeps_its_other_end(self) -> None:
        assert Window.years(9990, 9999).shift(years=5) == Window.between(date(9995, 1, 1), None)
        assert Window.years(1, 10).shift(years=-5) == Window.between(None, date(5, 12, 31))

    @given(bounded_windows, st.integers(-600, 600), st.integers(-400, 400))
    def test_a_shift_moves_both_ends_by_the_calendar(self, a: Window, months: int, shift_days: int) -> None:
        assert a.earliest_date and a.latest_date
        expected = Window.between(
            month_later(a.earliest_date, months) + timedelta(shift_days),
            month_later(a.latest_date, months) + timedelta(shift_days),
        )
        assert a.shift(months=months, days=shift_days) == expected

    @given(sets, sets, st.integers(-30, 30), st.integers(-20, 20))
    def test_a_shift_keeps_a_part_inside_its_whole(
        self, a: WindowSet, b: WindowSet, months: int, step: int
    ) -> None:
        inner = a & b
        assert inner.shift(months=months, days=step).issubset(a.shift(months=months, days=step))

    @given(bounded_sets, st.integers(-30, 30))
    def test_every_day_of_a_set_is_still_in_it_when_both_are_shifted(self, a: WindowSet, months: int) -> None:
        moved = a.shift(months=months)
        assert all(
            moved.contains(month_later(date.fromordinal(day), months).toordinal()) for day in days_of(*a)
        )

    def test_a_set_is_moved_by_what_is_asked_for_alone(self) -> None:
        march = WindowSet.of(Window.month(1966, 3))
        assert march.shift(days=1).edtf() == "1966-03-02/1966-04-01"
        assert march.shift(months=1).edtf() == "1966-04-01/1966-04-30"
        assert march.shift(years=1).edtf() == "1967-03-01/1967-03-31"
        assert march.shift() == march.widen() == march

    def test_windows_that_meet_after_a_shift_become_one(self) -> None:
        month_ends = WindowSet.of(Window.day(date(1966, 1, 28)), Window.day(date(1966, 1, 31)))
        assert len(month_ends) == 2
        assert month_ends.shift(months=1) == WindowSet.of(Window.day(date(1966, 2, 28)))


class TestWiden:
    def test_lead_and_lag_open_a_window_at_its_own_ends(self) -> None:
        stamped = Window.month(1966, 3)
        assert stamped.widen(months_before=2, months_after=24) == Window.between(
            date(1966, 1, 1), date(1968, 3, 31)
        )
        assert stamped.widen(months_before=2).latest == stamped.latest
        assert stamped.widen(months_after=24).earliest == stamped.earliest

    def test_an_open_end_stays_open(self) -> None:
        since = Window.between(date(1966, 3, 1), None)
        assert since.widen(months_before=1, months_after=1) == Window.between(date(1966, 2, 1), None)

    def test_windows_that_meet_become_one(self) -> None:
        spring_and_autumn = WindowSet.of(Window.month(1966, 3), Window.month(1966, 9))
        assert spring_and_autumn.widen(months_after=4) == WindowSet.of(
            Window.between(date(1966, 3, 1), date(1966, 7, 31)),
            Window.between(date(1966, 9, 1), date(1967, 1, 30)),
        )
        assert spring_and_autumn.widen(months_after=5) == WindowSet.of(
            Window.between(date(1966, 3, 1), date(1967, 2, 28))
        )

    def test_a_negative_widening_is_refused(self) -> None:
        with pytest.raises(ValueError, match="use shift to move it"):
            Window.year(1966).widen(months_before=-1)
        with pytest.raises(ValueError, match="-3 after"):
            WindowSet.of(Window.year(1966)).widen(months_after=-3)

    @given(sets, st.integers(0, 30), st.integers(0, 30))
    def test_widening_never_loses_a_day(self, a: WindowSet, before: int, after: int) -> None:
        assert a.issubset(a.widen(months_before=before, months_after=after))


class TestSetsOfWindows:
    def test_a_set_sorts_and_joins_its_windows(self) -> None:
        made = WindowSet.of(
            Window.year(1976), Window.month(1966, 4), Window.month(1966, 3), Window.month(1966, 4)
        )
        assert made.windows == (Window.between(date(1966, 3, 1), date(1966, 4, 30)), Window.year(1976))

    def test_a_set_reads_its_windows_once_from_any_iterable(self) -> None:
        assert WindowSet.from_iter(Window.year(year) for year in (1967, 1966)) == WindowSet.of(
            Window.years(1966, 1967)
        )

    @pytest.mark.parametrize(
        "windows",
        [
            (Window.year(1976), Window.year(1966)),
            (Window.year(1966), Window.year(1966)),
            (Window.year(1966), Window.year(1967)),
            (Window.years(1966, 1970), Window.year(1968)),
            (EVERY, Window.year(1968)),
            (Window.year(1968), EVERY),
            (Window.between(date(1966, 1, 1), None), Window.year(1976)),
        ],
    )
    def test_windows_out_of_normal_form_are_refused(self, windows: tuple[Window, ...]) -> None:
        with pytest.raises(ValueError, match=r"WindowSet\.of"):
            WindowSet(windows)

    def test_the_empty_set_is_false_and_has_no_ends(self) -> None:
        assert not EMPTY
        assert (EMPTY.earliest, EMPTY.latest, EMPTY.hull(), EMPTY.edtf()) == (None, None, None, None)
        assert (len(EMPTY), EMPTY.width_days) == (0, 0)
        assert WindowSet.of() == EMPTY

    def test_every_day_is_in_all(self) -> None:
        assert ALL and ALL.hull() == EVERY and ALL.edtf() == "../.."
        assert ALL.width_days is None
        assert ALL.contains(1) and ALL.contains(LAST_OF_ALL)

    def test_one_window_is_written_as_an_interval_and_several_as_a_set(self) -> None:
        assert WindowSet.of(Window.month(1966, 3)).edtf() == "1966-03-01/1966-03-31"
        decades = WindowSet.of(week_of_march(1976), week_of_march(1966))
        assert decades.edtf() == "[1966-03-01..1966-03-07,1976-03-01..1976-03-07]"
        assert (ALL - WindowSet.of(Window.year(1966))).edtf() == "[..1965-12-31,1967-01-01..]"

    @given(st.lists(windows, max_size=8))
    def test_a_set_holds_the_days_of_its_windows_in_normal_form(self, many: list[Window]) -> None:
        made = WindowSet.from_iter(many)
        assert days_of(*made) == days_of(*many)
        for earlier, later in zip(made.windows, made.windows[1:], strict=False):
            assert earlier.latest is not None and later.earliest is not None
            assert later.earliest - earlier.latest >= 2

    @given(
        st.lists(windows, max_size=8).flatmap(lambda many: st.tuples(st.just(many), st.permutations(many)))
    )
    def test_the_order_of_windows_is_nothing(self, orders: tuple[list[Window], list[Window]]) -> None:
        assert WindowSet.from_iter(orders[0]) == WindowSet.from_iter(orders[1])

    @given(sets, sets)
    def test_union_intersection_and_difference_agree_with_counted_days(
        self, a: WindowSet, b: WindowSet
    ) -> None:
        assert days_of(*(a | b)) == days_of(*a) | days_of(*b)
        assert days_of(*(a & b)) == days_of(*a) & days_of(*b)
        assert days_of(*(a - b)) == days_of(*a) - days_of(*b)

    @given(sets, sets)
    def test_a_subset_is_a_subset_of_counted_days(self, a: WindowSet, b: WindowSet) -> None:
        assert a.issubset(b) == (days_of(*a) <= days_of(*b))
        assert (a & b).issubset(a) and a.issubset(a | b)

    @given(sets, sets)
    def test_equal_days_are_equal_sets(self, a: WindowSet, b: WindowSet) -> None:
        assert (a == b) == (days_of(*a) == days_of(*b))
        assert a != b or hash(a) == hash(b)

    @given(sets, sets)
    def test_union_and_intersection_are_commutative(self, a: WindowSet, b: WindowSet) -> None:
        assert a | b == b | a
        assert a & b == b & a

    @given(sets, sets, sets)
    def test_union_and_intersection_are_associative_and_distributive(
        self, a: WindowSet, b: WindowSet, c: WindowSet
    ) -> None:
        assert (a | b) | c == a | (b | c)
        assert (a & b) & c == a & (b & c)
        assert a & (b | c) == (a & b) | (a & c)
        assert a | (b & c) == (a | b) & (a | c)

    @given(sets, sets)
    def test_union_and_intersection_are_idempotent_and_absorb(self, a: WindowSet, b: WindowSet) -> None:
        assert a | a == a & a == a
        assert a | (a & b) == a & (a | b) == a

    @given(sets)
    def test_nothing_and_everything_are_neutral_and_absorbing(self, a: WindowSet) -> None:
        assert a | EMPTY == a & ALL == a - EMPTY == a
        assert a & EMPTY == a - ALL == a - a == EMPTY
        assert a | ALL == ALL

    @given(sets, sets, sets)
    def test_a_difference_splits_a_set_and_obeys_de_morgan(
        self, a: WindowSet, b: WindowSet, c: WindowSet
    ) -> None:
        assert (a - b) | (a & b) == a
        assert (a - b) & b == EMPTY
        assert a - (b | c) == (a - b) & (a - c)
        assert a - (b & c) == (a - b) | (a - c)
        assert ALL - (ALL - a) == a

    @given(sets)
    def test_ends_hull_and_width_agree_with_counted_days(self, a: WindowSet) -> None:
        held = days_of(*a)
        if not held:
            assert a == EMPTY
            return
        hull = a.hull()
        assert hull == Window(a.earliest, a.latest)
        assert hull == reduce(Window.hull, a)
        assert days_of(hull) == set(range(min(held), max(held) + 1))
        open_ended = min(held) < FIRST or max(held) > LAST
        assert a.width_days == (None if open_ended else len(held))

    @given(sets, st.sampled_from(UNIVERSE))
    def test_a_day_is_in_a_set_when_it_is_in_one_of_its_windows(self, a: WindowSet, day: int) -> None:
        assert a.contains(day) == (day in days_of(*a))

    @given(sets)
    def test_a_set_is_walked_in_order_of_time(self, a: WindowSet) -> None:
        assert tuple(a) == a.windows
        assert len(a) == len(tuple(a))
        assert bool(a) == (len(a) > 0)

    def test_what_is_left_beyond_the_calendar_is_dropped(self) -> None:
        calendar_days = WindowSet.of(Window(1, LAST_OF_ALL))
        assert ALL - calendar_days == EMPTY
        assert not ALL.issubset(calendar_days)


def as_portion(a: WindowSet) -> portion.Interval:
    """Half-open real intervals, since `portion` doesn't know that the next day is adjacent."""
    parts = (
        portion.closedopen(
            -portion.inf if w.earliest is None else w.earliest,
            portion.inf if w.latest is None else w.latest + 1,
        )
        for w in a
    )
    return portion.Interval(*parts)


class TestAgainstPortion:
    @given(sets, sets)
    def test_union_intersection_and_difference_are_those_of_portion(self, a: WindowSet, b: WindowSet) -> None:
        assert as_portion(a | b) == as_portion(a) | as_portion(b)
        assert as_portion(a & b) == as_portion(a) & as_portion(b)
        assert as_portion(a - b) == as_portion(a) - as_portion(b)


class TestAtTheBench:
    """Invented instruments of the invented maker Harrow & Vale."""

    def test_pots_of_neighbouring_weeks_share_only_the_days_in_doubt(self) -> None:
        # 1966 began on a Saturday: week 10 can run from Saturday 5 to Sunday 13 March, week 11 from the 12th.
        first, second = week_window(1966, 10), week_window(1966, 11)
        assert first == Window.between(date(1966, 3, 5), date(1966, 3, 13))
        assert second == Window.between(date(1966, 3, 12), date(1966, 3, 20))
        assert first.intersect(second) == Window.between(date(1966, 3, 12), date(1966, 3, 13))

    def test_a_neck_of_march_and_pots_of_the_autumn_before_agree_within_the_lag(self) -> None:
        neck = Window.month(1966, 3)
        pots = Window.month(1965, 11).widen(months_after=6)
        assert neck.intersect(pots) == neck

    def test_a_one_digit_year_leaves_one_decade_of_a_claim(self) -> None:
        sixes = WindowSet.from_iter(Window.year(year) for year in (1946, 1956, 1966, 1976))
        assert sixes & WindowSet.of(Window.years(1965, 1967)) == WindowSet.of(Window.year(1966))

    def test_a_part_granted_later_than_the_claim_leaves_no_common_day(self) -> None:
        since_grant = WindowSet.of(Window.between(date(1967, 5, 2), None))
        assert not since_grant & WindowSet.of(Window.year(1966))

    def test_how_much_too_new_a_part_is_can_be_said_in_days(self) -> None:
        assert Window.year(1966).gap_days(Window.between(date(1967, 1, 31), None)) == 30


class TestWeeksAtTheEdges:
    @pytest.mark.parametrize("week", [-1, 0, 54, 99])
    def test_no_year_has_week_zero_or_fifty_four(self, week: int) -> None:
        assert week_window(1966, week) is None
        assert iso_week(1966, week) is None
        assert plain_week(1966, week) is None
        assert sunday_weeks(1966, week) == ()

    @pytest.mark.parametrize("year", [-1, 0, 10000])
    def test_years_outside_the_calendar_have_no_weeks(self, year: int) -> None:
        assert week_window(year, 10) is None

    def test_weeks_at_the_ends_of_the_calendar_are_cut_to_it(self) -> None:
        # 1 January of the year 1 is a Monday, 31 December 9999 a Friday.
        assert week_window(1, 1) == Window(1, 13)
        assert week_window(9999, 52) == Window.between(date(9999, 12, 24), date(9999, 12, 31))

    def test_the_plain_count_ends_its_week_52_on_new_years_eve(self) -> None:
        assert plain_week(1966, 1) == Window.between(date(1966, 1, 1), date(1966, 1, 7))
        assert plain_week(1966, 52) == Window.between(date(1966, 12, 24), date(1966, 12, 31))
        assert plain_week(1968, 52) == Window.between(date(1968, 12, 23), date(1968, 12, 31))
        assert plain_week(1966, 53) is None
        assert plain_week(1, 1) == Window(1, 7)
        assert plain_week(9999, 52) == Window.between(date(9999, 12, 24), date(9999, 12, 31))


def week_of_march(year: int) -> Window:
    return Window.between(date(year, 3, 1), date(year, 3, 7))
