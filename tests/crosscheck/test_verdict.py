"""The verdict of a window, a reading and a part against a claim, and the reason given for it."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.crosscheck.lag import Allowance, Lag, Lags
from decoder.crosscheck.reason import reason
from decoder.crosscheck.sheet import Flag, Override, Part, State
from decoder.crosscheck.verdict import Evidence, Verdict, best, weigh, window_verdict
from decoder.marking import Marking
from decoder.scheme.reading import Decoding, NearMiss, Precision, Reading, Strength, Timing
from decoder.tables import Citation
from decoder.window import ALL, EMPTY, EVERY, Claim, Window, WindowSet, parse_edtf

FITS, OLD_STOCK, TOO_NEW, TOO_OLD = Verdict.FITS, Verdict.OLD_STOCK, Verdict.TOO_NEW, Verdict.TOO_OLD
MISFIT, NEVER, UNDECIDED, UNREAD = Verdict.MISFIT, Verdict.NEVER, Verdict.UNDECIDED, Verdict.UNREAD

# Figures of these tests alone: pot 2, 12, 36 months; tail of pending and era marks 0, 12, 60.
LAGS = Lags(
    {
        "potentiometer": (Lag("potentiometer", 2, 12, 36, 0.15, False, 1920),),
        "fret": (Lag("fret", 0, 6, 24, 0.4, True, 1890),),
        "label": (Lag("label", 1, 6, 24, 0.03, False, 1850),),
        "serial": (Lag("serial", 0, 0, 0, 0.02, False, 1850),),
        "pending-mark": (Lag("pending-mark", 0, 12, 60, 0.05, False, 1850),),
        "other": (Lag("other", 1, 12, 36, 0.1, False, 1850),),
    }
)
BLANK = Marking.blank("a marking")


def windows(text: str) -> WindowSet:
    return parse_edtf(text).windows


def reading(text: str, strength: Strength = Strength.STRONG, grade: str = "C", **more: Any) -> Reading:
    return Reading(
        more.pop("scheme", "a-scheme"), more.pop("title", "A scheme"), "a-family", strength, windows(text),
        Precision.WEEK, sources=(Citation("a-source", "A source", grade),), **more,
    )  # fmt: skip


def evidence(
    *readings: Reading,
    claim: str | None = "1966",
    kind: str = "potentiometer",
    misses: tuple[NearMiss, ...] = (),
    **more: Any,
) -> Evidence:
    part = Part("pot-1", kind, marking="a marking", **more)
    decoding = Decoding(BLANK, readings, misses) if part.state is State.READ else None
    return weigh(part, decoding, title=kind, ease=2, lags=LAGS, claim=parse_edtf(claim) if claim else None)


def verdict(*readings: Reading, **more: Any) -> Verdict:
    return evidence(*readings, **more).verdict


def why(*readings: Reading, claim: str | None = "1966", **more: Any) -> str:
    return reason(evidence(*readings, claim=claim, **more), parse_edtf(claim) if claim else None)


# One window


@pytest.mark.parametrize(
    ("dated", "expected"),
    [
        ("1967-03-02/1967-03-08", TOO_NEW),  # two months before: 2 Jan 1967, two days past the claim
        ("1967-02-28/1967-03-08", FITS),  # two months before: 28 Dec 1966
        ("1966-06", FITS),
        ("1965-06/1967-06", FITS),
        ("1964-12-01/1965-01-01", FITS),  # twelve months later: 1 Jan 1966
        ("1964-12-01/1964-12-31", OLD_STOCK),  # twelve months later: 31 Dec 1965
        ("1962-12-20/1963-01-01", OLD_STOCK),  # 36 months later: 1 Jan 1966
        ("1962-12-20/1962-12-31", TOO_OLD),  # 36 months later: 31 Dec 1965
        ("1958/..", FITS),
        ("1967-03-02/..", TOO_NEW),
        ("../1964-12-31", OLD_STOCK),
        ("../1962-12-31", TOO_OLD),
        ("../1970", FITS),
        ("../..", UNDECIDED),
    ],
)
def test_a_window_is_judged_by_the_calendar_at_each_edge_of_its_lag(dated: str, expected: Verdict) -> None:
    assert verdict(reading(dated)) is expected


def test_a_pot_dated_after_the_claim_is_too_new() -> None:
    assert verdict(reading("1972-04")) is TOO_NEW


def test_an_open_claim_makes_nothing_too_new_or_too_old_on_its_open_side() -> None:
    assert verdict(reading("1999"), claim="1966/..") is FITS
    assert verdict(reading("1950"), claim="../1966") is FITS
    assert verdict(reading("1950"), claim="1966/..") is TOO_OLD
    assert verdict(reading("1999"), claim="../1966") is TOO_NEW


DAYS = st.integers(date(1900, 1, 1).toordinal(), date(2000, 12, 31).toordinal())
ENDS = st.one_of(st.none(), DAYS)


@st.composite
def a_window(draw: st.DrawFn) -> Window:
    first, last = draw(ENDS), draw(ENDS)
    return Window(*sorted((first, last))) if first is not None and last is not None else Window(first, last)


@st.composite
def an_allowance(draw: st.DrawFn) -> Allowance:
    lead, usual, more = draw(st.tuples(st.integers(0, 24), st.integers(0, 48), st.integers(0, 48)))
    return Allowance(lead, usual, usual + more)


@given(a_window(), a_window(), an_allowance(), a_window())
def test_widening_a_window_never_turns_a_fit_into_a_contradiction(
    window: Window, other: Window, months: Allowance, claim: Window
) -> None:
    wide = window.hull(other)
    if window_verdict(window, months, claim) is FITS:
        assert window_verdict(wide, months, claim) is (UNDECIDED if wide == EVERY else FITS)


@given(a_window(), an_allowance(), a_window())
def test_a_window_contradicts_just_when_it_allows_no_day_of_the_claim(
    window: Window, months: Allowance, claim: Window
) -> None:
    found = window_verdict(window, months, claim)
    if window != EVERY:
        meets_longest = months.allowed(window).intersect(claim) is not None
        meets_usual = months.allowed_usual(window).intersect(claim) is not None
        assert (found in (TOO_NEW, TOO_OLD)) == (not meets_longest)
        assert (found is FITS) == meets_usual


# What the window is a window of


def test_a_pending_mark_outlasts_its_application_by_its_own_row() -> None:
    assert verdict(reading("1958/1961-06", timing=Timing.PENDING)) is OLD_STOCK  # 60 months: June 1966
    assert verdict(reading("1958/1960-12", timing=Timing.PENDING)) is TOO_OLD
    assert verdict(reading("1958/1961-06")) is TOO_OLD  # the same days as a date of the pot itself
    assert verdict(reading("1967-01-01/..", timing=Timing.PENDING)) is TOO_NEW  # no lead, whatever the part's


def test_the_law_behind_an_era_mark_is_outlasted_by_labels_but_not_run_ahead_of() -> None:
    assert verdict(reading("1943/1961-06", timing=Timing.ERA), kind="label") is OLD_STOCK
    assert verdict(reading("1943/1960-12", timing=Timing.ERA), kind="label") is TOO_OLD
    assert (
        verdict(reading("1967-01-31/..", timing=Timing.ERA), kind="label") is FITS
    )  # the label's own month of lead
    assert verdict(reading("1967-02-01/..", timing=Timing.ERA), kind="label") is TOO_NEW


def test_a_serial_has_its_own_tolerance_and_is_never_old_stock() -> None:
    def serial(text: str) -> Verdict:
        return verdict(reading(text, timing=Timing.INSTRUMENT, before=3, after=6), kind="serial")

    assert serial("1967-03") is FITS  # three months before 1 March: 1 December 1966
    assert serial("1967-04-01/1967-05") is TOO_NEW
    assert serial("1965-07") is FITS  # six months after 31 July: 31 January 1966
    assert serial("1965-06") is TOO_OLD


# Several windows, several readings


def test_a_reading_is_as_good_as_the_best_of_its_windows() -> None:
    assert verdict(reading("[1946,1956,1966,1976]")) is FITS
    assert verdict(reading("[1946,1964,1976]")) is OLD_STOCK


def test_a_reading_too_old_in_one_window_and_too_new_in_another_is_a_misfit() -> None:
    assert verdict(reading("[1946,1976]")) is MISFIT


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (("1976", "1966"), FITS),
        (("1976", "1964"), OLD_STOCK),
        (("1976", "1956"), MISFIT),
        (("1976", "1986"), TOO_NEW),
        (("1946", "1956"), TOO_OLD),
        (("1976", "../.."), UNDECIDED),
        (("1966", "../.."), FITS),
        (("[1946,1976]", "../.."), UNDECIDED),
        (("[1946,1976]", "1986"), MISFIT),
    ],
)
def test_a_part_is_as_good_as_the_best_of_its_rival_readings(
    texts: tuple[str, ...], expected: Verdict
) -> None:
    assert verdict(*map(reading, texts)) is expected
    assert verdict(*map(reading, reversed(texts))) is expected


@given(st.lists(st.sampled_from(Verdict), max_size=6), st.randoms(use_true_random=False))
def test_the_order_of_readings_changes_no_verdict(verdicts: list[Verdict], shuffler: Any) -> None:
    mixed = list(verdicts)
    shuffler.shuffle(mixed)
    assert best(mixed) is best(verdicts)


@given(
    st.lists(st.sampled_from(Verdict), min_size=1, max_size=4), st.lists(st.sampled_from(Verdict), min_size=1)
)
def test_judging_readings_in_groups_changes_no_verdict(some: list[Verdict], others: list[Verdict]) -> None:
    assert best([best(some), best(others)]) is best([*some, *others])


def test_only_the_strongest_readings_count() -> None:
    weak = reading("1966", Strength.WEAK)
    assert verdict(reading("1972", Strength.FAIR), weak) is TOO_NEW
    assert verdict(weak) is FITS
    assert evidence(reading("1972", Strength.FAIR), weak).allowed.earliest == date(1971, 11, 1).toordinal()


def test_a_claim_of_several_spans_is_met_by_any_of_them() -> None:
    assert verdict(reading("1976-05"), claim="[1966,1976]") is FITS
    assert verdict(reading("1971-05"), claim="[1966,1976]") is MISFIT
    assert verdict(reading("1975-06"), claim="[1966,1976]") is FITS
    assert verdict(reading("1974-06"), claim="[1966,1976]") is OLD_STOCK


def test_without_a_claim_a_dated_part_is_undecided_and_still_bounds_days() -> None:
    found = evidence(reading("1966-03"), claim=None)
    assert found.verdict is UNDECIDED
    assert found.takes_part
    assert found.allowed == windows("1966-01-01/1969-03-31")
    assert found.allowed_usual == windows("1966-01-01/1967-03-31")


# Features


def test_a_feature_never_found_on_originals_needs_no_claim_to_say_so() -> None:
    never = reading("1850/2000", never=True)
    assert verdict(never) is NEVER
    assert verdict(never, claim=None) is NEVER
    assert evidence(never).allowed == EMPTY
    assert evidence(never).takes_part


def test_a_rival_reading_that_fits_outweighs_never() -> None:
    found = evidence(reading("1850/2000", never=True), reading("1966"))
    assert found.verdict is FITS
    assert found.allowed == windows("1965-11-01/1969-12-31")
    assert found.windows == windows("1966")
    assert "Also reads" not in why(reading("1850/2000", never=True), reading("1966"))


def test_a_measurement_that_cant_be_told_is_undecided_and_takes_no_part() -> None:
    found = evidence(reading("1990", unsure=True))
    assert found.verdict is UNDECIDED
    assert not found.takes_part
    assert not found.bounded


def test_a_measurement_that_cant_be_told_saves_its_rival_from_contradicting() -> None:
    assert verdict(reading("1990", unsure=True), reading("1972")) is UNDECIDED
    assert evidence(reading("1990", unsure=True), reading("1966")).allowed == ALL


# States, flags, overrides


@pytest.mark.parametrize("state", [State.NOT_LOOKED, State.ILLEGIBLE, State.NO_MARK])
def test_a_part_with_nothing_read_is_unread(state: State) -> None:
    found = evidence(state=state)
    assert found.verdict is UNREAD
    assert not found.takes_part


def test_a_marking_that_no_scheme_reads_is_unread() -> None:
    assert verdict() is UNREAD


def test_a_blank_place_is_said_to_be_evidence_too() -> None:
    assert "evidence too" in why(state=State.NO_MARK)
    assert why(state=State.NOT_LOOKED) == "Not looked at yet."
    assert "can't be read" in why(state=State.ILLEGIBLE)


def test_a_disclosed_replacement_leaves_the_verdict_and_stays_in_the_report() -> None:
    disclosed = frozenset({Flag.DISCLOSED_REPLACEMENT})
    found = evidence(reading("1972"), flags=disclosed)
    assert found.verdict is TOO_NEW
    assert not found.counts
    assert not found.takes_part
    assert why(reading("1972"), flags=disclosed).startswith("Disclosed as a replacement")


def test_a_technicians_reading_stands_in_place_of_the_marks_own() -> None:
    own = Override("1966-03", windows("1966-03"), "A. Bench", "the 72 is a 66 under the lens")
    found = evidence(reading("1972"), override=own)
    assert found.verdict is FITS
    assert found.allowed == windows("1966-01-01/1969-03-31")
    assert not found.from_memory
    said = why(reading("1972"), override=own)
    assert "A. Bench" in said and "1966-03" in said and "the 72 is a 66 under the lens" in said


def test_a_technicians_reading_dates_a_part_that_carries_no_marking() -> None:
    own = Override("1972", windows("1972"), "A. Bench", "known from the invoice")
    assert verdict(state=State.ILLEGIBLE, override=own) is TOO_NEW


def test_a_wear_part_keeps_its_verdict_and_is_said_to_set_no_outcome() -> None:
    found = evidence(reading("1972"), kind="fret")
    assert found.verdict is TOO_NEW
    assert not found.counts
    assert "doesn't set the outcome" in why(reading("1972"), kind="fret")


# Reasons, with figures worked out by hand


def test_too_new_names_the_day_the_gap_and_the_end_of_the_claim() -> None:
    said = why(reading("1966-03"), claim="1964")
    assert said == (
        "Earliest day 1 Mar 1966 is 14 months after the claim ends (31 Dec 1964), "
        "more than the 2 months by which such a part may be dated ahead."
    )


def test_too_old_names_the_day_the_gap_and_the_longest_stock() -> None:
    assert why(reading("1960")) == (
        "Latest day 31 Dec 1960 is 5 years before the claim begins (1 Jan 1966), "
        "more than the longest 36 months in stock."
    )


def test_old_stock_names_both_lags() -> None:
    said = why(reading("1964-03"))
    assert said == (
        "Latest day 31 Mar 1964 is 21 months before the claim begins (1 Jan 1966): more than the usual 12 months, "
        "within the longest 36 months in stock: old stock."
    )


def test_within_the_lead_or_the_usual_lag_the_reason_gives_the_figure() -> None:
    assert why(reading("1965-10")) == (
        "Latest day 31 Oct 1965 is 2 months before the claim begins (1 Jan 1966), within the usual 12 months in stock."
    )
    assert why(reading("1967-01-20")) == (
        "Earliest day 20 Jan 1967 is 20 days after the claim ends (31 Dec 1966), within the 2 months by which such a "
        "part may be dated ahead."
    )


def test_inside_and_across_the_claim_are_told_apart() -> None:
    assert why(reading("1966-03")) == "Reads as Mar 1966, inside the claim."
    assert why(reading("1965/1966")) == "Reads as 1965 to 1966, which meets the claim."


def test_an_open_window_fits_by_its_earliest_date_only() -> None:
    assert why(reading("1958/..")).startswith("Fits, earliest date only. Reads as 1 Jan 1958 or later")
    assert why(reading("../1970")).startswith("Fits, latest date only. Reads as 31 Dec 1970 or earlier")
    assert "date only" not in why(reading("1958/.."), reading("1966-03"))


def test_other_readings_are_still_shown() -> None:
    said = why(reading("[1946-03,1956-03,1966-03,1976-03]"))
    assert said == "Reads as Mar 1966, inside the claim. Also reads as 1946, 1956 and 1976."
    assert why(reading("1966-03"), reading("1976")).endswith("Also reads as 1976.")
    assert why(reading("1966-03"), reading("1972", Strength.WEAK)).endswith("Weaker readings: 1972.")


def test_the_order_of_readings_changes_no_reason() -> None:
    three = [reading("1964-03"), reading("1965-10"), reading("1976")]
    assert why(*three) == why(*reversed(three)) == why(three[1], three[2], three[0])


def test_a_contradiction_from_memory_alone_says_so() -> None:
    assert "grade M" in why(reading("1972", grade="M"))
    assert "grade M" in why(reading("1972", grade="M"), reading("1975", grade="M"))
    assert "grade M" not in why(reading("1972", grade="M"), reading("1975", grade="C"))
    assert "grade M" not in why(reading("1972", grade="P"))
    assert "grade M" not in why(reading("1966", grade="M"))


def test_a_misfit_names_what_it_reads_as() -> None:
    assert why(reading("[1946,1976]")) == (
        "Reads as 1946 or 1976: too old for the claim or too new for it, and never right."
    )
    assert "between the spans of the claim" in why(reading("1971-05"), claim="[1966,1976]")


def test_each_kind_of_date_names_its_own_tolerance() -> None:
    assert "pending mark outlasts" in why(reading("1958", timing=Timing.PENDING))
    assert "label stock outlast a law" in why(reading("1958", timing=Timing.ERA))
    assert "tolerance" in why(reading("1958", timing=Timing.INSTRUMENT, after=2))
    assert "tolerance of 1 month before" in why(reading("1972", timing=Timing.INSTRUMENT, before=1))
    assert "tolerance of 1 month before" in why(reading("1967-01-20", timing=Timing.INSTRUMENT, before=1))
    assert "nothing allows" in why(reading("1972"), kind="fret")


def test_a_near_miss_is_offered_where_nothing_is_read() -> None:
    miss = NearMiss("a-scheme", "week 63 is no week", (4, 6), ("137-6612",))
    assert (
        why(misses=(miss,))
        == "No scheme reads this marking; nearly: week 63 is no week. Look again for 137-6612."
    )
    assert why() == "No scheme reads this marking."


def test_what_cant_be_told_says_why() -> None:
    assert why(reading("1966-03"), claim=None) == "Reads as Mar 1966; there is no claim to hold it against."
    assert "accuracy" in why(reading("1990", unsure=True))
    assert why(reading("../..")) == "Bounds no day at either end."
    assert "not found on originals in scope" in why(
        reading("1850/2000", never=True, title="Cross-head screws")
    )


def test_a_scoped_lag_row_is_named_where_it_decides() -> None:
    # Harrow & Vale is an invented maker.
    scoped = Lag(
        "potentiometer", 2, 12, 60, 0.15, False, 1920, maker="Harrow & Vale", years=windows("1966/1971")
    )
    lags = Lags({**LAGS.rows, "potentiometer": (scoped, *LAGS.rows["potentiometer"])})
    part = Part("pot-1", "potentiometer", marking="a marking")
    decoding = Decoding(BLANK, (reading("1966-03"),), ())
    claim: Claim = parse_edtf("1970")
    found = weigh(part, decoding, title="Pot", ease=2, lags=lags, maker="Harrow & Vale", claim=claim)
    assert found.verdict is OLD_STOCK
    assert "within the longest 60 months in stock (Harrow & Vale, 1966 to 1971)" in reason(found, claim)
    assert weigh(part, decoding, title="Pot", ease=2, lags=lags, claim=claim).verdict is TOO_OLD
