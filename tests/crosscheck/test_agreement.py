"""The sweep over allowed days against a count over every set of parts, and the order of its explanations."""

from __future__ import annotations

from itertools import combinations, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.crosscheck.agreement import SHOWN, Allowed, explanations, joint
from decoder.window import ALL, EMPTY, Window, WindowSet

BASE = 715_000  # a day in 1958; the sheets of these tests live in the fifty days after it
FIRST, LAST = 0, 50  # days 0 and 50 stand for all that lies before and after


def days_of(windows: WindowSet) -> frozenset[int]:
    """The days of a set inside the small calendar, an open end reaching its edge."""
    found: set[int] = set()
    for window in windows:
        first = FIRST if window.earliest is None else window.earliest - BASE
        last = LAST if window.latest is None else window.latest - BASE
        found.update(range(first, last + 1))
    return frozenset(found)


def windows(*spans: tuple[int | None, int | None]) -> WindowSet:
    return WindowSet.of(
        *(Window(None if a is None else BASE + a, None if b is None else BASE + b) for a, b in spans)
    )


def part(name: str, *spans: tuple[int | None, int | None], ease: int = 3) -> Allowed:
    return Allowed(name, ease, windows(*spans))


def brute_force(
    allowed: dict[str, frozenset[int]], within: frozenset[int]
) -> dict[frozenset[str], frozenset[int]]:
    """Every largest set of parts with a common day, by trying every set of parts."""
    agreeing: dict[frozenset[str], frozenset[int]] = {}
    for size in range(len(allowed) + 1):
        for chosen in combinations(sorted(allowed), size):
            common = within.intersection(*(allowed[name] for name in chosen))
            if common:
                agreeing[frozenset(chosen)] = common
    return {
        chosen: days
        for chosen, days in agreeing.items()
        if not any(chosen | {name} in agreeing for name in allowed.keys() - chosen)
    }


@st.composite
def spans(draw: st.DrawFn) -> tuple[int | None, int | None]:
    first, last = sorted((draw(st.integers(1, 49)), draw(st.integers(1, 49))))
    open_ends = draw(st.sampled_from(["", "", "", "", "start", "end", "both"]))
    return (
        None if open_ends in ("start", "both") else first,
        None if open_ends in ("end", "both") else last,
    )


@st.composite
def sheets(draw: st.DrawFn, most: int = 10) -> list[Allowed]:
    number = draw(st.integers(1, most))
    return [
        Allowed(f"p{n}", draw(st.integers(1, 5)), windows(*draw(st.lists(spans(), max_size=4))))
        for n in range(number)
    ]


@settings(max_examples=60)
@given(sheets(), st.one_of(st.none(), st.lists(spans(), min_size=1, max_size=3)))
def test_the_sweep_finds_what_trying_every_set_of_parts_finds(
    parts: list[Allowed], claim: list[tuple[int | None, int | None]] | None
) -> None:
    within = ALL if claim is None else windows(*claim)
    found = explanations(parts, within=within, most=10_000)
    expected = brute_force({p.id: days_of(p.days) for p in parts}, days_of(within))
    assert {frozenset(e.agreeing): days_of(e.windows) for e in found.shown} == expected
    assert found.total == len(expected)
    for explanation in found.shown:
        assert sorted((*explanation.agreeing, *explanation.set_aside)) == sorted(p.id for p in parts)


@settings(max_examples=60)
@given(sheets(6), st.randoms(use_true_random=False))
def test_the_order_of_the_parts_changes_no_explanation(parts: list[Allowed], shuffler: object) -> None:
    mixed = list(parts)
    shuffler.shuffle(mixed)  # type: ignore[attr-defined]
    assert explanations(mixed) == explanations(parts)
    assert joint(mixed) == joint(parts)


@settings(max_examples=60)
@given(sheets(8))
def test_fewest_set_aside_come_first_and_then_the_easiest_to_replace(parts: list[Allowed]) -> None:
    ease = {p.id: p.ease for p in parts}
    ranks = [(len(e.set_aside), sum(ease[name] for name in e.set_aside)) for e in explanations(parts).shown]
    assert all(before <= after for before, after in pairwise(ranks))


@given(sheets(8))
def test_the_joint_windows_are_the_days_that_every_part_allows(parts: list[Allowed]) -> None:
    sets = [days_of(p.days) for p in parts if p.days]
    assert days_of(joint(parts)) == frozenset(range(FIRST, LAST + 1)).intersection(*sets)


def test_two_parts_set_aside_let_the_others_agree() -> None:
    parts = [part("neck", (10, 20)), part("pot", (15, 30)), part("cap", (12, 18)), part("speaker", (1, 3))]
    first = explanations([*parts, part("tube", (40, 45))]).shown[0]
    assert first.set_aside == ("speaker", "tube")
    assert first.agreeing == ("cap", "neck", "pot")
    assert first.windows == windows((15, 18))


def test_the_part_that_is_easily_replaced_is_set_aside_before_the_body() -> None:
    found = explanations([part("body", (1, 5), ease=5), part("knob", (9, 12), ease=1)])
    assert [e.set_aside for e in found.shown] == [("knob",), ("body",)]


def test_equal_sets_of_parts_merge_their_windows() -> None:
    found = explanations([part("pot", (1, 5), (20, 25)), part("serial", (4, 22))])
    assert len(found.shown) == 1
    assert found.shown[0].set_aside == ()
    assert found.shown[0].windows == windows((4, 5), (20, 22))


def test_a_set_that_another_set_contains_is_dropped_though_it_stands_elsewhere() -> None:
    found = explanations([part("pot", (1, 5), (20, 25)), part("cap", (20, 25)), part("neck", (22, 23))])
    assert [e.agreeing for e in found.shown] == [("cap", "neck", "pot")]


def test_days_that_only_touch_are_no_common_day() -> None:
    found = explanations([part("pot", (1, 5)), part("cap", (6, 9))])
    assert sorted(e.agreeing for e in found.shown) == [("cap",), ("pot",)]


def test_a_part_that_allows_no_day_is_always_set_aside_and_narrows_nothing() -> None:
    parts = [part("pot", (1, 9)), part("cap", (5, 12)), Allowed("feature", 3, EMPTY)]
    found = explanations(parts)
    assert [(e.set_aside, e.agreeing) for e in found.shown] == [(("feature",), ("cap", "pot"))]
    assert joint(parts) == windows((5, 9))


def test_only_parts_that_allow_no_day_leave_every_day_open() -> None:
    found = explanations([Allowed("feature", 3, EMPTY)])
    assert [(e.set_aside, e.agreeing, e.windows) for e in found.shown] == [(("feature",), (), ALL)]


def test_a_claim_that_no_part_allows_needs_all_of_them_set_aside() -> None:
    claim = windows((40, 45))
    found = explanations([part("pot", (1, 9)), part("cap", (5, 12))], within=claim)
    assert [(e.set_aside, e.agreeing, e.windows) for e in found.shown] == [(("cap", "pot"), (), claim)]


def test_an_open_window_takes_part_from_its_earliest_day_on() -> None:
    found = explanations([part("patent", (30, None)), part("pot", (1, 29))])
    assert sorted(e.agreeing for e in found.shown) == [("patent",), ("pot",)]
    assert joint([part("patent", (30, None)), part("serial", (None, 40))]) == windows((30, 40))


def test_open_ends_stay_open_where_nothing_closes_them() -> None:
    assert explanations([part("patent", (30, None)), part("label", (20, None))]).shown[0].windows == windows(
        (30, None)
    )


@pytest.mark.parametrize("number", [SHOWN, SHOWN + 1])
def test_a_list_that_is_cut_says_so_and_counts_all(number: int) -> None:
    parts = [
        Allowed(f"p{n:03}", 3, WindowSet.of(Window(BASE + 10 * n, BASE + 10 * n + 3))) for n in range(number)
    ]
    found = explanations(parts)
    assert (len(found.shown), found.total, found.cut) == (SHOWN, number, number > SHOWN)


def test_no_parts_have_no_explanation_and_bound_nothing() -> None:
    assert explanations([]).shown == ()
    assert joint([]) == ALL
