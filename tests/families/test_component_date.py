"""Date codes of capacitors, valves, speakers and semiconductors as they stand on the parts, clear and worn.

The letter cycles are written out here by hand from the published tables that `component/letters` names, so
that a slip in a row shows.
"""

import calendar
from datetime import date, timedelta

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from decoder.catalog import decode
from decoder.marking import MarkingError
from decoder.scheme.reading import Strength
from decoder.window import WindowSet

TODAY = "2026-11-25"
IEC_YEARS = "ABCDEFHJKLMNPRSTUVWX"  # from 1970, twenty letters a turn
IEC_MONTHS = "123456789OND"
WHIT_SUNDAY = "WHITSUNDAY"  # the key word of Hunts capacitors: 1 to 9, then 0


def read(marking, part="capacitor", **more):
    return decode(marking, part=part, today=TODAY, **more)


def of(decoding, scheme):
    return [r for r in decoding.readings if r.scheme == scheme]


def months(decoding, scheme):
    """The whole months that one scheme reads, as (year, month)."""
    found = []
    for reading in of(decoding, scheme):
        for window in reading.window:
            first, last = window.earliest_date, window.latest_date
            assert first.day == 1
            assert last.day == calendar.monthrange(last.year, last.month)[1]
            found.append((first.year, first.month))
    return found


def days(decoding, scheme):
    return [w.earliest_date for r in of(decoding, scheme) for w in r.window if w.earliest == w.latest]


def contains(decoding, scheme, *when):
    day = (date(*when) if len(when) == 3 else date.fromisocalendar(when[0], when[1], 4)).toordinal()
    return any(r.window.contains(day) for r in of(decoding, scheme))


def notes(decoding):
    return " ".join(note for r in decoding.readings for note in r.notes)


# IEC 60062


@pytest.mark.parametrize(("place", "letter"), list(enumerate(IEC_YEARS)))
def test_a_year_letter_is_read_in_every_turn_of_the_twenty_year_cycle(place, letter):
    expected = [(year, 5) for year in (1970 + place, 1990 + place, 2010 + place) if year <= 2026]
    assert months(read(f"{letter}5"), "iec-60062-year-month") == expected


@pytest.mark.parametrize(("month", "character"), list(enumerate(IEC_MONTHS, 1)))
def test_months_run_1_to_9_then_o_n_d(month, character):
    decoding = read(f"T{character}")
    assert months(decoding, "iec-60062-year-month") == [(1985, month), (2005, month), (2025, month)]


@pytest.mark.parametrize("letter", "OQYZ")
def test_letters_that_the_standard_leaves_out_are_no_year(letter):
    assert not of(read(f"{letter}4"), "iec-60062-year-month")
    assert not of(read(letter), "iec-60062-year")


@pytest.mark.parametrize(("letter", "year"), [("G", 1976), ("I", 1977)])
def test_letters_that_one_page_alone_prints_are_read_for_the_first_cycle_only(letter, year):
    assert months(read(f"{letter}3"), "iec-60062-year-month") == [(year, 3)]


def test_two_characters_are_weak_and_the_reading_says_so():
    decoding = read("T4")
    assert decoding.readings
    assert {r.strength for r in decoding.readings} == {Strength.WEAK}
    for reading in decoding.readings:
        assert any("weak evidence" in note or "weakest" in note for note in reading.notes)


def test_month_first_is_read_for_1970_to_1977_only():
    assert months(read("7F"), "iec-60062-month-year") == [(1975, 7)]
    assert not of(read("7K"), "iec-60062-month-year")  # K is 1978: past the reversed order


def test_east_german_export_lots_put_the_month_first_after_1977_too():
    assert months(read("7K", "semiconductor"), "gdr-ic-export") == [(1978, 7)]


def test_d_after_the_year_letter_is_december_or_a_fourth_quarter_on_erfurt_circuits():
    decoding = read("RD", "semiconductor")
    assert months(decoding, "iec-60062-year-month") == [(1983, 12), (2003, 12), (2023, 12)]
    (quarter,) = of(decoding, "gdr-ic-quarter")
    assert quarter.window.edtf() == "1983-10-01/1983-12-31"


def test_the_handbook_that_is_a_year_late_is_kept_beside_the_standard():
    decoding = read("P2")
    assert (2002, 2) in months(decoding, "iec-60062-year-month")
    assert months(decoding, "iec-60062-handbook") == [(2003, 2)]
    assert "a year later" in notes(decoding)


def test_a_single_letter_is_a_year_of_one_cycle_or_of_the_four_year_one():
    decoding = read("M")
    years = {w.earliest_date.year for r in of(decoding, "iec-60062-year") for w in r.window}
    assert years == {1980, 2000, 2020}
    four = WindowSet.from_iter(w for r in of(decoding, "single-character") for w in r.window)
    for year in (1997, 2001, 2005, 2009, 2013):
        assert four.contains(date(year, 12, 15).toordinal())
    assert not four.contains(date(1993, 12, 15).toordinal())  # not to be carried back before 1997


def test_no_part_is_dated_after_today():
    assert [y for y, _ in months(read("V6"), "iec-60062-year-month")] == [1987, 2007]  # 2027 is still to come
    early = decode("V6", part="capacitor", today="1999-01-01")
    assert [y for y, _ in months(early, "iec-60062-year-month")] == [1987]


# Lots of year and week


def test_year_and_week_lots_are_weak_and_say_so():
    decoding = read("0451", "relay")
    assert contains(decoding, "parts-year-week", 2004, 51)
    assert {r.strength for r in decoding.readings} == {Strength.WEAK}
    assert "weak evidence" in notes(decoding)


def test_one_digit_of_the_year_leaves_every_decade_open():
    decoding = read("712", "semiconductor")
    years = [r.window.hull().latest_date.year for r in of(decoding, "parts-one-digit-year-week")]
    assert years == [1957, 1967, 1977, 1987, 1997, 2007, 2017]
    assert "The decade must come from other evidence" in notes(decoding)


def test_the_claim_ranks_the_decades_and_hides_none():
    plain, claimed = read("712", "semiconductor"), read("712", "semiconductor", claim="1987")
    assert {r.window for r in plain.readings} == {r.window for r in claimed.readings}
    assert claimed.readings[0].window.hull().earliest_date.year == 1987


def test_week_60_is_a_near_miss_that_names_the_week():
    decoding = read("0460", "relay")
    miss = next(m for m in decoding.near_misses if m.scheme == "parts-year-week")
    assert "week 60" in miss.problem
    assert decoding.marking.text[slice(*miss.at)] == "60"
    assert all(read(text, "relay").status == "read" for text in miss.corrections)


def test_a_factory_letter_lifts_five_digits_above_weak():
    assert {r.strength for r in of(read("70313", "relay"), "relay-year-month-day")} == {Strength.WEAK}
    decoding = read("70313B", "relay")
    assert {r.strength for r in of(decoding, "relay-year-month-day-factory")} == {Strength.FAIR}
    assert date(2007, 3, 13) in days(decoding, "relay-year-month-day-factory")


def test_31_april_in_a_relay_code_is_a_near_miss_that_names_the_day():
    miss = next(m for m in read("70431B", "relay").near_misses if m.scheme == "relay-year-month-day-factory")
    assert miss.problem == "day 31: April has 30 days"
    assert "70430B" in miss.corrections


# Letters of British, Polish and other makers


@pytest.mark.parametrize(
    ("marking", "year", "wanted"),
    [
        ("SC", 1961, {3}),
        ("UI", 1963, {9}),
        ("UJ", 1963, {9, 10}),
        ("UK", 1963, {10, 11}),
        ("UL", 1963, {11, 12}),
        ("UM", 1963, {12}),
    ],
)
def test_british_months_past_h_keep_both_ways_of_counting_i(marking, year, wanted):
    decoding = read(marking)
    windows = WindowSet.from_iter(w for r in of(decoding, "british-year-month") for w in r.window)
    for month in range(1, 13):
        assert windows.contains(date(year, month, 15).toordinal()) == (month in wanted)
    if len(wanted) > 1:
        assert "both months" in notes(decoding)


def test_the_same_two_letters_read_the_other_way_round_on_a_transformer():
    assert months(read("JT", "transformer"), "british-month-year") == [(1962, 9)]
    assert not of(read("JT", "transformer"), "british-year-month")


def test_the_second_turn_of_the_polish_digits_keeps_the_printed_and_the_counted_year():
    decoding = read("5A", "semiconductor")
    assert months(decoding, "tewa") == [(1963, 1), (1972, 1), (1973, 1)]
    assert "misprinted" in notes(decoding)


def test_a_siemens_letter_is_read_in_both_turns_of_25_letters():
    decoding = read("11 G 8")
    assert months(decoding, "siemens") == [(1926, 8), (1951, 8)]
    assert {r.strength for r in of(decoding, "siemens")} == {Strength.FAIR}


def test_siemens_month_13_is_a_near_miss():
    misses = [m for m in read("11 G 13").near_misses if m.scheme == "siemens"]
    assert misses[0].problem.startswith("month 13")


@given(st.integers(1961, 1969), st.integers(1, 52))
def test_hunts_letters_give_week_and_year_by_the_key_word(year, week):
    def letter(digit):
        return WHIT_SUNDAY[(digit - 1) % 10]

    marking = letter(week // 10) + letter(week % 10) + letter(year % 10)
    assert contains(read(marking), "hunts", year, week)


def test_hunts_letters_that_read_both_ways_keep_both():
    decoding = read("ITD")
    assert contains(decoding, "hunts", 1968, 34)
    assert contains(decoding, "hunts-reversed", 1963, 48)
    assert decoding.in_force == tuple(r for r in decoding.readings if r.strength is Strength.FAIR)
    assert "some codes allow both" in notes(decoding)


def test_a_name_beside_hunts_letters_is_lettering():
    assert contains(read("HUNTS D YW"), "hunts-reversed", 1968, 1)


def test_hunts_letters_whose_week_is_impossible_are_read_the_other_way_alone():
    decoding = read("D YW")
    assert contains(decoding, "hunts-reversed", 1968, 1)
    assert not of(decoding, "hunts")


# Valves


@pytest.mark.parametrize(("letter", "month"), [("A", 1), ("H", 8), ("I", 9), ("J", 10), ("L", 12)])
def test_mullard_months_keep_i_for_september(letter, month):
    decoding = read(f"B2{letter}3", "tube")
    (first, *others) = of(decoding, "philips-mullard-four")
    assert first.window.hull().earliest_date == date(1962, month, 15)
    assert first.window.hull().latest_date == date(1962, month, 21)
    assert {r.window.hull().earliest_date.year for r in others} == {1972, 1982}


def test_the_line_above_a_mullard_code_may_be_read_with_it():
    decoding = read("f61 B2H3", "tube")
    assert contains(decoding, "philips-mullard-four", 1962, 8, 17)


def test_the_factory_letter_is_told_and_is_no_part_of_the_date():
    reading = of(read("B2H3", "tube"), "philips-mullard-four")[0]
    factory = next(f for f in reading.fields if f.name == "factory")
    assert (factory.text, "Blackburn" in factory.value) == ("B", True)


def test_three_characters_are_of_1956_to_1960_and_say_that_pages_differ():
    decoding = read("B0D", "tube")
    assert months(decoding, "philips-mullard-three") == [(1960, 4)]
    assert "both are kept" in notes(decoding)
    assert not of(read("B2D", "tube"), "philips-mullard-three")  # no year ending in 2 from 1956 to 1960


def test_a_sixth_week_of_the_month_is_a_near_miss():
    (miss,) = [m for m in read("B2H6", "tube").near_misses if m.scheme == "philips-mullard-four"]
    assert "weeks of a month run from 1 to 5" in miss.problem
    assert "B2H5" in miss.corrections


def test_the_fifth_week_of_a_month_ends_with_the_month():
    decoding = read("5I2/1574", "tube")
    spans = {r.window.edtf() for r in of(decoding, "brimar-valve")}
    assert "1962-09-29/1962-09-30" in spans
    assert len(spans) == 3  # the decade must come from other evidence


def test_the_fifth_week_of_a_plain_february_is_no_week():
    decoding = read("5B1/1574", "tube")  # February 1951, 1961 and 1971 had 28 days
    assert decoding.status == "near-miss"
    leap = read("5B2/1574", "tube")  # 29 February of 1952 and 1972 alone
    assert days(leap, "brimar-valve") == [date(1952, 2, 29), date(1972, 2, 29)]


def test_a_military_mark_has_no_date_but_is_not_before_1941():
    decoding = read("KB/DA", "tube")
    (reading,) = of(decoding, "uk-cv-mark")
    assert reading.window.edtf() == "1941-01-01/.."
    assert reading.precision.value == "bound"


def test_a_factory_code_that_ended_closes_the_window_of_a_military_mark(shipped):
    ended = {
        row["character"]: row["to"]
        for row in shipped.table("component/letters").rows
        if row["table"] == "uk-cv-mark" and row["position"] == "factory" and row["to"]
    }
    assert ended
    for code, last in ended.items():
        (reading,) = of(read(f"KB/{code}", "tube"), "uk-cv-mark")
        assert reading.window.hull().latest_date.isoformat().startswith(last)


# Speakers


def test_a_celestion_day_stands_first_to_1967_and_last_from_1968():
    assert date(1965, 12, 19) in days(read("19MK", "speaker"), "celestion-1963")
    assert days(read("KH7", "speaker"), "celestion-1968") == [date(1975, 10, 7)]


def test_a_collectors_inference_stands_beside_the_makers_table_and_is_graded_lower():
    decoding = read("09EF", "speaker")
    assert days(decoding, "celestion-1944") == [date(1949, 5, 9)]
    assert days(decoding, "celestion-1956") == [date(1961, 5, 9)]
    grades = {r.scheme: r.grade for r in decoding.readings}
    assert grades["celestion-1944"] > grades["celestion-1956"] == "A"
    assert "not the maker's table" in notes(decoding)


@pytest.mark.parametrize(
    ("letter", "wanted"), [("I", {9}), ("J", {9, 10}), ("K", {10, 11}), ("L", {11, 12}), ("M", {12})]
)
def test_celestion_months_of_1956_to_1962_keep_the_makers_and_the_collectors_count(letter, wanted):
    decoding = read(f"15{letter}E", "speaker")
    assert {day.month for day in days(decoding, "celestion-1956")} == wanted
    assert "both months" in notes(decoding)


def test_celestion_months_skip_i_from_1963():
    assert not of(read("15IK", "speaker"), "celestion-1963")
    assert date(1965, 9, 15) in days(read("15JK", "speaker"), "celestion-1963")


def test_31_april_on_a_speaker_is_a_near_miss_that_names_the_day():
    decoding = read("31DE", "speaker")
    assert decoding.status == "near-miss"
    miss = decoding.near_misses[0]
    assert miss.problem == "day 31: April has 30 days"
    assert decoding.marking.text[slice(*miss.at)] == "31"
    assert "30DE" in miss.corrections and "21DE" in miss.corrections


def test_29_february_on_a_speaker_needs_a_leap_year():
    assert date(1960, 2, 29) in days(read("29BE", "speaker"), "celestion-1956")
    decoding = read("29BF", "speaker")  # 1961, or 1949 by the collector's count
    assert decoding.status == "near-miss"
    assert {m.problem for m in decoding.near_misses} >= {"day 29: February has 28 days in 1949"}


def test_the_date_is_the_middle_of_a_tannoy_label_number():
    (reading,) = read("800053021007236179553", "speaker").readings
    assert reading.window.edtf() == "2010-07-23/2010-07-23"


def test_tube_chart_letters_of_a_reissue_are_read_in_both_series():
    decoding = read("CG", "tube-chart")
    assert months(decoding, "fender-tube-chart") == [(1953, 7)]
    assert months(decoding, "fender-reissue-chart") == [(1992, 7)]
    assert "disputed" in notes(decoding)


@pytest.mark.parametrize(
    ("letter", "wanted"), [("J", {9, 10}), ("K", {10, 11}), ("L", {11, 12}), ("M", {12})]
)
def test_tube_chart_months_keep_both_ways_of_counting_i(letter, wanted):
    windows = WindowSet.from_iter(
        w for r in of(read(f"F{letter}", "tube-chart"), "fender-tube-chart") for w in r.window
    )
    assert {m for m in range(1, 13) if windows.contains(date(1956, m, 15).toordinal())} == wanted


# Systems that can't be read here


@pytest.mark.parametrize(
    ("marking", "part", "scheme"),
    [
        ("QX", "tube", "rca-two-letters"),
        ("QX", "tube", "sylvania-letters"),
        ("AL", "potentiometer", "egen-other-letters"),
    ],
)
def test_a_system_whose_table_is_not_published_is_named(marking, part, scheme):
    decoding = read(marking, part)
    assert decoding.status == "near-miss"
    named = [m for m in decoding.near_misses if m.scheme == scheme]
    assert len(named) == 1
    assert named[0].at == (0, 2)
    assert named[0].corrections == ()  # nothing was misread


def test_a_system_without_a_table_is_named_for_its_own_kind_of_part_only():
    assert not any(m.scheme == "rca-two-letters" for m in read("QX", "capacitor").near_misses)


# Worn marks


CLEAR = {
    "capacitor": ["T4", "DD", "7F", "SC", "UK", "L6", "IYT", "D YW", "ITD", "11 G 8", "0451", "712"],
    "semiconductor": ["RD", "7K", "5A", "226A", "4C1", "712"],
    "relay": ["70313", "70313B", "0451", "41201"],
    "tube": ["B2H3", "B0D", "5I2/1574", "KB/DA"],
    "speaker": ["15DE", "19MK", "KH7", "09EF", "15JE"],
    "tube-chart": ["CG", "FJ", "QA"],
    "potentiometer": ["AK"],
}
clear_marks = st.sampled_from([(part, marking) for part, found in CLEAR.items() for marking in found])


def every_day(decoding):
    return WindowSet.from_iter(w for r in decoding.readings for w in r.window)


@given(clear_marks, st.data())
def test_a_worn_code_allows_every_day_that_the_clear_one_allows(mark, data):
    part, clear = mark
    places = [i for i, c in enumerate(clear) if c.isalnum()]
    worn = data.draw(st.sets(st.sampled_from(places), min_size=1, max_size=3))
    shown = [f"[{c}{data.draw(st.sampled_from('0123456789ABCDEFGHJKLMNPRSTUVWXYZ'))}]" for c in clear]
    forms = [data.draw(st.booleans()) for _ in clear]
    text = "".join(("?" if forms[i] else shown[i]) if i in worn else c for i, c in enumerate(clear))
    assume(set(text) - set("?-/ "))  # a mark of which nothing is known is not read at all
    whole = every_day(read(clear, part))
    assert whole
    assert whole.issubset(every_day(read(text, part)))


@given(st.dates(date(1968, 1, 1), date(1991, 12, 31)), st.booleans())
def test_a_worn_day_on_a_speaker_is_every_day_of_that_month(day, spaced):
    letters = "ABCDEFGHJKLM"[day.month - 1] + "ABCDEFGHJKLMNPQRSTUVWXYZ"[day.year - 1968]
    text = f"{letters}{' ' if spaced else ''}??"
    found = WindowSet.from_iter(w for r in of(read(text, "speaker"), "celestion-1968") for w in r.window)
    for number in range(10, calendar.monthrange(day.year, day.month)[1] + 1):
        assert found.contains(date(day.year, day.month, number).toordinal())
    assert not found.contains((date(day.year, day.month, 1) - timedelta(days=1)).toordinal())


@given(
    st.text(alphabet="0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ?-. /*[]", max_size=20),
    st.sampled_from(sorted(CLEAR)),
)
def test_no_marking_breaks_the_family(text, part):
    try:
        decoding = read(text, part)
    except MarkingError:
        return
    assert len(decoding.readings) <= 200
    assert all(reading.window for reading in decoding.readings)
