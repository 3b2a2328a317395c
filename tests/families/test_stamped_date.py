"""Dates stamped, pencilled and engraved on parts, in the orders that people use, clear, worn and impossible."""

from datetime import date

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from decoder.catalog import decode
from decoder.marking import MarkingError
from decoder.scheme.reading import Strength
from decoder.window import WindowSet

TODAY = "2026-11-25"


def read(marking, part="body-cavity", **more):
    return decode(marking, part=part, today=TODAY, **more)


def of(decoding, scheme):
    return [r for r in decoding.readings if r.scheme == scheme]


def spans(decoding, scheme):
    """The windows of one scheme as EDTF, in order."""
    return [w.edtf() for r in of(decoding, scheme) for w in r.window]


def days(decoding, scheme):
    return [w.earliest_date for r in of(decoding, scheme) for w in r.window if w.earliest == w.latest]


def notes(decoding):
    return " ".join(note for r in decoding.readings for note in r.notes)


def every_day(decoding):
    return WindowSet.from_iter(w for r in decoding.readings for w in r.window)


# The order of day, month and year


def test_an_ambiguous_date_is_read_both_ways():
    decoding = read("3-5-64")
    assert days(decoding, "month-day-year") == [date(1964, 3, 5)]
    assert days(decoding, "day-month-year") == [date(1964, 5, 3)]
    assert len(decoding.in_force) == 2


@pytest.mark.parametrize(
    ("country", "first"), [("US", "month-day-year"), ("us", "month-day-year"), ("GB", "day-month-year")]
)
def test_the_country_of_the_instrument_ranks_the_orders_and_hides_none(country, first):
    ranked, plain = read("3-5-64", country=country), read("3-5-64")
    assert ranked.readings[0].scheme == first
    assert {r.window for r in ranked.readings} == {r.window for r in plain.readings}


def test_a_number_past_12_leaves_one_order():
    assert [r.scheme for r in read("3-15-64").readings] == ["month-day-year"]
    assert [r.scheme for r in read("15-3-64").readings] == ["day-month-year"]


def test_points_are_the_european_habit():
    decoding = read("3.5.64")
    assert days(decoding, "day-month-year") == [date(1964, 5, 3)]
    assert not of(decoding, "month-day-year")


@pytest.mark.parametrize("marking", ["3-5-64", "3/5/64", "3 - 5 - 64", "3–5–64", "03-05-64", "3-5-1964"])
def test_one_date_written_in_several_ways_is_one_date(marking):
    assert {date(1964, 3, 5), date(1964, 5, 3)} == {
        d for s in ("month-day-year", "day-month-year") for d in days(read(marking), s)
    }


def test_initials_beside_a_date_are_no_part_of_it():
    decoding = read("TG 3-15-54", "neck")
    assert [r.window.edtf() for r in decoding.readings] == ["1954-03-15/1954-03-15"]
    assert spans(read("6-59 TAD", "neck-heel"), "month-dash-year") == ["1959-06-01/1959-06-30"]


def test_worn_initials_beside_a_date_may_be_lettering():
    assert read("?G 3-5-54", "neck").windows == read("TG 3-5-54", "neck").windows


def test_month_and_year_in_pencil_are_no_month_and_day():
    decoding = read("6-59", "neck-heel")
    assert spans(decoding, "month-dash-year") == ["1959-06-01/1959-06-30"]
    assert "not month and day" in notes(decoding)


def test_month_13_is_a_near_miss_that_names_the_month():
    decoding = read("13-59", "neck-heel")
    assert decoding.status == "near-miss"
    miss = next(m for m in decoding.near_misses if m.scheme == "month-dash-year")
    assert miss.problem.startswith("month 13")
    assert decoding.marking.text[slice(*miss.at)] == "13"
    assert "12-59" in miss.corrections


def test_two_digit_years_are_read_in_both_centuries_as_far_as_today():
    assert spans(read("6-25"), "month-dash-year") == ["1925-06-01/1925-06-30", "2025-06-01/2025-06-30"]
    assert spans(read("6-27"), "month-dash-year") == ["1927-06-01/1927-06-30"]  # 2027 is still to come


def test_a_four_digit_year_is_that_year_alone():
    assert days(read("3-5-1927"), "month-day-year") == [date(1927, 3, 5)]
    assert read("3-5-2027").status == "near-miss"


def test_bare_digits_are_read_in_every_order_and_are_weak():
    decoding = read("030564")
    assert days(decoding, "six-digits-month-first") == [date(1964, 3, 5)]
    assert days(decoding, "six-digits-day-first") == [date(1964, 5, 3)]
    assert not of(decoding, "six-digits-year-first")  # no day 64
    assert {r.strength for r in decoding.readings} == {Strength.WEAK}
    assert "weak evidence" in notes(decoding)


def test_six_digits_with_the_year_first():
    assert date(2010, 7, 23) in days(read("100723"), "six-digits-year-first")


def test_four_digits_are_a_month_of_a_year_or_a_week_of_it():
    assert spans(read("6503"), "four-digits-year-month") == ["1965-03-01/1965-03-31"]
    (week,) = of(read("0365"), "four-digits-week-year")
    assert week.window.contains(date(1965, 1, 20).toordinal())
    assert spans(read("0365"), "four-digits-month-year") == ["1965-03-01/1965-03-31"]


def test_day_366_needs_a_leap_year():
    assert days(read("84366", "body"), "five-digits-day-of-year") == [date(1984, 12, 31)]
    misses = [m for m in read("85366", "body").near_misses if m.scheme == "five-digits-day-of-year"]
    assert misses[0].problem == "day of year 366 does not exist in 1985"


@pytest.mark.parametrize(("roman", "month"), [("I", 1), ("IV", 4), ("VII", 7), ("IX", 9), ("XII", 12)])
@pytest.mark.parametrize("form", ["14.{}.63", "14 {} 1963", "14-{}-63"])
def test_roman_months(form, roman, month):
    assert days(read(form.format(roman)), "day-roman-month-year") == [date(1963, month, 14)]


@pytest.mark.parametrize("name", ["DEC", "Dec.", "DECEMBER", "Dez", "déc"])
def test_months_by_name(name):
    assert spans(read(f"{name} 68"), "month-name-year") == ["1968-12-01/1968-12-31"]


def test_a_letter_after_the_year_is_no_part_of_the_date():
    assert spans(read("DEC 68 Q"), "month-name-year") == ["1968-12-01/1968-12-31"]


def test_a_name_with_day_and_year_is_one_day():
    assert days(read("14 JUL 63"), "day-month-name-year") == [date(1963, 7, 14)]
    assert days(read("JULY 14, 1963"), "month-name-day-year") == [date(1963, 7, 14)]


# Days that no calendar has


@pytest.mark.parametrize(
    ("marking", "scheme", "text"),
    [
        ("2-29-63", "month-day-year", "29"),
        ("29.2.63", "day-month-year", "29"),
        ("1963-02-29", "iso-date", "29"),
        ("29.II.63", "day-roman-month-year", "29"),
        ("FEB 29 1963", "month-name-day-year", "29"),
    ],
)
def test_29_february_of_a_common_year_is_a_near_miss_that_names_the_day(marking, scheme, text):
    decoding = read(marking)
    assert decoding.status == "near-miss"
    miss = next(m for m in decoding.near_misses if m.scheme == scheme)
    assert miss.problem == "day 29: February has 28 days in 1963"
    assert marking[slice(*miss.at)] == text
    assert any(read(fixed).status == "read" for fixed in miss.corrections)


@pytest.mark.parametrize("marking", ["2-29-64", "29.2.64", "1964-02-29", "29.II.64", "FEB 29 1964"])
def test_29_february_of_a_leap_year_is_read(marking):
    assert every_day(read(marking)).contains(date(1964, 2, 29).toordinal())


def test_29_february_00_can_only_be_of_2000():
    assert days(read("2-29-00"), "month-day-year") == [date(2000, 2, 29)]  # 1900 was no leap year


@pytest.mark.parametrize(
    ("marking", "scheme"),
    [("4-31-64", "month-day-year"), ("31.4.64", "day-month-year"), ("31 APR 64", "day-month-name-year")],
)
def test_31_april_is_a_near_miss_that_names_the_day(marking, scheme):
    miss = next(m for m in read(marking).near_misses if m.scheme == scheme)
    assert miss.problem == "day 31: April has 30 days"
    assert marking[slice(*miss.at)] == "31"
    assert all(sum(a != b for a, b in zip(fixed, marking, strict=True)) == 1 for fixed in miss.corrections)
    assert marking.replace("31", "30") in miss.corrections


# The heel of a neck


def test_the_first_number_of_a_heel_stamp_is_the_neck_model_and_no_day():
    decoding = read("22 AUG 65 B", "neck-heel")
    assert spans(decoding, "heel-stamp") == ["1965-08-01/1965-08-31"]
    assert not of(decoding, "day-month-name-year")
    assert "neck model, not a day" in notes(decoding)


def test_a_neck_model_past_31_is_no_impossible_day():
    assert spans(read("51 FEB 65", "neck-heel"), "heel-stamp") == ["1965-02-01/1965-02-28"]


def test_the_last_letter_of_a_heel_stamp_is_the_width_of_the_nut():
    width = next(f for f in read("8 DEC 65 B", "neck-heel").readings[0].fields if f.name == "width")
    assert (width.text, "1 5/8" in width.value) == ("B", True)
    assert read("8 DEC 65 E", "neck-heel").status != "read" or not of(
        read("8 DEC 65 E", "neck-heel"), "heel-stamp"
    )


def test_the_same_characters_are_a_day_on_another_part():
    assert days(read("22 AUG 65", "pickup"), "day-month-name-year") == [date(1965, 8, 22)]


def test_green_digits_are_read_from_the_outside_inward():
    assert spans(read("22396109B", "neck-heel"), "heel-green-ink") == ["1969-10-01/1969-10-31"]
    assert "1969-12-01/1969-12-31" in spans(read("529129B", "neck-heel"), "heel-green-ink")


def test_disputed_eight_digit_heels_are_named_and_not_read():
    decoding = read("02033923", "neck-heel")
    assert decoding.status == "near-miss"
    assert [m.scheme for m in decoding.near_misses] == ["heel-eight-digits"]
    assert "disputed" in decoding.near_misses[0].problem


def test_a_heel_stamp_outside_its_documented_years_says_so():
    assert read("2 AUG 55 B", "neck-heel").status != "read"
    (inside,) = of(read("2 FEB 62 B", "neck-heel"), "heel-stamp")
    assert inside.documented  # the year counts, not the month


# Plates and stamps inside the body


@pytest.mark.parametrize(("letter", "when"), [("A", "morning"), ("P", "afternoon"), ("N", "noon")])
def test_the_letter_after_an_engraved_date_is_the_time_of_day(letter, when):
    (reading,) = of(read(f"12-21-92{letter}", "neck-plate"), "plate-engraving")
    assert reading.window.edtf() == "1992-12-21/1992-12-21"
    assert next(f for f in reading.fields if f.name == "time").value == when


@pytest.mark.parametrize("letter", ["F", "S", "FL", "W"])
def test_the_disputed_letter_of_an_ink_stamp_leaves_the_whole_year(letter):
    decoding = read(f"{letter}-64")
    assert spans(decoding, "half-year-stamp") == ["1964-01-01/1964-12-31"]
    assert "not in dispute" in notes(decoding)


# Japanese eras


@pytest.mark.parametrize(
    ("marking", "window"),
    [
        ("S45", "1970-01-01/1970-12-31"),
        ("S64", "1989-01-01/1989-01-07"),
        ("H01", "1989-01-08/1989-12-31"),
        ("H31", "2019-01-01/2019-04-30"),
        ("T15", "1926-01-01/1926-12-25"),
        ("M45", "1912-01-01/1912-07-30"),
        ("昭和45年", "1970-01-01/1970-12-31"),
        ("昭和64", "1989-01-01/1989-01-07"),
    ],
)
def test_an_era_year_is_cut_to_the_days_of_its_era(marking, window):
    assert spans(read(marking, "label"), "era-year") == [window]


@pytest.mark.parametrize(
    ("marking", "window"),
    [("R1", "2019-05-01/2019-12-31"), ("平成元年", "1989-01-08/1989-12-31"), ("S1", "1926-12-25/1926-12-31")],
)
def test_the_first_year_of_an_era_begins_with_the_era(marking, window):
    decoding = read(marking, "label")
    assert spans(decoding, "era-year-one-digit") == [window]
    assert {r.strength for r in of(decoding, "era-year-one-digit")} == {Strength.WEAK}


@pytest.mark.parametrize("marking", ["昭和45年7月1日", "S45.7.1", "S 45-7-1", "昭45.7.1"])
def test_an_era_date_is_one_day(marking):
    (reading,) = of(read(marking, "label"), "era-date")
    assert reading.window.edtf() == "1970-07-01/1970-07-01"
    assert reading.strength is Strength.STRONG


@pytest.mark.parametrize(
    ("marking", "in_letters"),
    [("昭4*.7.1", "S4*.7.1"), ("昭*.7.1", "S*.7.1"), ("昭*5.7.1", "S*5.7.1")],
)
def test_a_star_beside_the_sign_of_an_era_says_as_much_as_beside_its_letter(marking, in_letters):
    signs, letters = (
        {(r.scheme, r.window) for r in read(text, "label").readings if r.scheme.startswith("era-")}
        for text in (marking, in_letters)
    )
    assert signs >= {each for each in letters if each[0] == "era-date"} != set()


def test_an_era_month_is_that_month():
    assert spans(read("昭和45年7月", "label"), "era-month") == ["1970-07-01/1970-07-31"]
    assert spans(read("H31.4", "label"), "era-month") == ["2019-04-01/2019-04-30"]


@pytest.mark.parametrize(
    ("marking", "problem", "text"),
    [
        ("昭和64年1月8日", "day 8: Showa ran from 25 December 1926 to 7 January 1989", "8"),
        ("H31.5", "month 5: Heisei ran from 8 January 1989 to 30 April 2019", "5"),
        ("H32", "year 32: Heisei ran from 8 January 1989 to 30 April 2019", "32"),
        ("S45.2.30", "day 30: February has 28 days in 1970", "30"),
    ],
)
def test_a_day_past_the_end_of_its_era_is_a_near_miss_that_says_when_the_era_was(marking, problem, text):
    decoding = read(marking, "label")
    miss = next(m for m in decoding.near_misses if m.scheme.startswith("era-"))
    assert miss.problem == problem
    assert marking[slice(*miss.at)] == text
    assert all(read(fixed, "label").status == "read" for fixed in miss.corrections)


def test_an_era_letter_worn_to_two_gives_each_era_its_own_days():
    assert spans(read("[MT]45", "label"), "era-year") == ["1912-01-01/1912-07-30"]
    assert spans(read("[SH]01.5.1", "label"), "era-date") == ["1989-05-01/1989-05-01"]


def test_the_era_is_named_in_the_fields():
    (reading,) = of(read("S45", "pickup-base"), "era-year")
    assert next(f for f in reading.fields if f.name == "era").value == "Showa"


def test_a_bare_two_digit_year_is_of_the_showa_era_or_a_western_one():
    decoding = read("45", "pickup-base")
    assert spans(decoding, "showa-year") == ["1970-01-01/1970-12-31"]
    assert spans(decoding, "two-digit-year") == ["1945-01-01/1945-12-31"]
    assert read("45", "pickup-base", country="JP").readings[0].scheme == "showa-year"
    assert read("45", "pickup-base", country="US").readings[0].scheme == "two-digit-year"


def test_a_numeric_date_on_a_japanese_part_is_read_in_both_counts():
    decoding = read("45.3.5", "pickup")
    assert days(decoding, "showa-date") == [date(1970, 3, 5)]
    assert days(decoding, "year-month-day") == [date(1945, 3, 5)]
    assert not of(read("70.3.5", "pickup"), "showa-date")  # Showa 70 does not exist


# Worn marks


CLEAR = {
    "neck-heel": ["2 AUG 65 B", "2AUG63B", "22396109B", "529129B", "2735", "6-59", "TG 3-5-54"],
    "neck-plate": ["12-21-92P", "5-27-93A"],
    "body-cavity": ["F-64", "S-56", "3-5-64", "3.5.64", "14.VII.63", "030564", "100723", "6503", "0365"],
    "chassis": ["85123", "7123"],
    "label": ["S45", "S64", "H31", "T1", "S45.7.1", "H31.4", "昭和45年7月1日", "1999-03-05", "DEC 68 Q"],
    "pickup-base": ["45", "45.3.5", "70.3.5", "2-29-64", "14 JUL 63", "JULY 14, 1963"],
}
clear_marks = st.sampled_from([(part, marking) for part, found in CLEAR.items() for marking in found])


@given(clear_marks, st.data())
def test_a_worn_date_allows_every_day_that_the_clear_one_allows(mark, data):
    part, clear = mark
    places = [i for i, c in enumerate(clear) if c.isascii() and c.isalnum()]
    worn = data.draw(st.sets(st.sampled_from(places), min_size=1, max_size=3))
    made = ""
    for place, character in enumerate(clear):
        other = data.draw(st.sampled_from("?0123456789ABCDEFGHJKLMNPRSTUVWXYZ")) if place in worn else ""
        made += "?" if other == "?" else f"[{character}{other}]" if other else character
    assume(set(made) - set("?-/. ,"))  # a mark of which nothing is known is not read at all
    whole = every_day(read(clear, part))
    assert whole
    assert whole.issubset(every_day(read(made, part)))


@given(st.dates(date(1927, 1, 1), date(1988, 12, 31)))
def test_each_day_of_the_showa_era_is_read_from_letters_and_from_signs(day):
    year = day.year - 1925
    for marking in (f"S{year}.{day.month}.{day.day}", f"昭和{year}年{day.month}月{day.day}日"):
        assert days(read(marking, "label"), "era-date") == [day]


@given(st.dates(date(1890, 1, 1), date(2026, 11, 25)))
def test_each_day_is_read_in_either_order_with_the_year_in_full(day):
    us, europe = f"{day.month}/{day.day}/{day.year}", f"{day.day}.{day.month}.{day.year}"
    assert days(read(us), "month-day-year") == [day]
    assert days(read(europe), "day-month-year") == [day]


CHARACTERS = "0123456789?-./ ABDEFGJLMNOPRSTUVY昭和平成元年月日*[]"


@given(st.text(alphabet=CHARACTERS, max_size=24), st.sampled_from(sorted(CLEAR)))
def test_no_marking_breaks_the_family(text, part):
    try:
        decoding = read(text, part)
    except MarkingError:
        return
    assert len(decoding.readings) <= 200
    assert all(reading.window for reading in decoding.readings)
