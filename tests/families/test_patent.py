"""Patent marks as they stand on parts: numbers, dates, pending marks and words, clear and worn, of several countries.

Days of single grants are published ones (see `tables/patents/known_grants.csv`): 2,741,146 on 10 April 1956,
2,972,923 on 28 February 1961 (both grade B or C), reissue 15,278 on 31 January 1922.
"""

import csv
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.catalog import kinds_of
from decoder.families.patent import FAMILY, KINDS
from decoder.families.patent_marks import find_marks
from decoder.families.patent_meaning import Case, number_as
from decoder.families.patent_numbers import register
from decoder.families.patent_text import lexicon, may_hold
from decoder.marking import Marking, MarkingError
from decoder.scheme.family import Context
from decoder.scheme.reading import Precision, Strength, Timing
from decoder.tables import shipped

TABLES = Path(__file__).resolve().parents[2] / "tables" / "patents"
APRIL_1956 = date(1956, 4, 10)


def read(text, **more):
    return FAMILY.read(Marking.read(text, limit=400), Context(shipped(), **more))


def misses(text, **more):
    return FAMILY.near_misses(Marking.read(text, limit=400), Context(shipped(), **more))


def of(readings, scheme):
    found = [r for r in readings if r.scheme == scheme]
    assert len(found) == 1, [r.scheme for r in readings]
    return found[0]


def in_force(readings):
    best = max(r.strength for r in readings)
    return [r for r in readings if r.strength is best]


def first_of(name, year):
    """The first number of a year, read from the file without the code under test."""
    with (TABLES / "us_issue_years.csv").open(encoding="utf-8", newline="") as file:
        return {int(r["year"]): int(r[f"first_{name}"]) for r in csv.DictReader(file) if r[f"first_{name}"]}[
            year
        ]


# ---------------------------------------------------------------------------------------------------------------
# The first look at a text

WORDS = sorted({word for row in shipped().table("patents/wordings").rows for word in row["wording"].split()})
PIECE = st.one_of(
    st.sampled_from(WORDS),
    st.sampled_from(["PAT", "D", "RE", "NO", "PEND", "U", "S", "FRANCE", "X"]),
    st.from_regex(r"[0-9]{1,7}", fullmatch=True),
    st.from_regex(r"D[-. ]?[0-9]{4,6}", fullmatch=True),
    st.from_regex(r"[0-9][,. '-][0-9]{3}[,. '-][0-9]{3}", fullmatch=True),
    st.text("ABDEPRST?0123456789", min_size=1, max_size=5),
)


@settings(max_examples=400)
@given(
    st.lists(
        st.tuples(PIECE, st.sampled_from(["", " ", ".", ". ", ", ", "-", "/", "'"])), min_size=1, max_size=5
    )
)
def test_the_first_look_at_a_text_passes_over_no_mark(pieces):
    marking = Marking.read("".join(part for piece in pieces for part in piece), limit=400)
    book = register(shipped())
    if find_marks(marking, lexicon(shipped()), book.days, book.date_form).marks:
        assert may_hold(marking, lexicon(shipped()))


def test_the_first_look_passes_over_no_wording():
    words = lexicon(shipped())
    wordings = {row["wording"] for row in shipped().table("patents/wordings").rows}
    texts = [
        f"{before}{wording}{after}"
        for wording in wordings
        for before, after in (("", ". 123,456"), ("NO ", ""))
    ]
    assert [text for text in texts if not may_hold(Marking.read(text, limit=400), words)] == []


@pytest.mark.parametrize("text", ["137-6612", "D1234", "B7C1.N6C", "1,234", "LINEAR 250K", "W9AB.J9J"])
def test_the_first_look_passes_over_codes_and_plain_words(text):
    assert not may_hold(Marking.read(text), lexicon(shipped()))


# ---------------------------------------------------------------------------------------------------------------
# US numbers


@pytest.mark.parametrize(
    "text",
    [
        "PAT. NO. 2,741,146",
        "PAT 2741146",
        "PAT. 2741146",
        "PATENT NO 2741146",
        "Patent No. 2 741 146",
        "PATENTED No. 2,741,146",
        "U.S. PAT. 2,741,146",
        "U.S. PATENT NUMBER 2741146",
        "PAT.NO.2,741,146",
        "PATNO 2741146",
        "PAT2741146",
        "Pat. # 2,741,146",
        "Pat. № 2.741.146",
        "MADE IN U.S.A. PAT. NO. 2,741,146",
    ],
)
def test_a_us_number_gives_its_day_of_grant_however_it_is_written(text):
    found = in_force(read(text))
    assert [r.scheme for r in found] == ["us-utility"]
    assert found[0].strength is Strength.STRONG
    assert (found[0].granted.earliest_date, found[0].granted.latest_date) == (APRIL_1956, APRIL_1956)


def test_a_patent_number_bounds_a_part_from_below_only():
    reading = of(read("PAT. NO. 2,741,146"), "us-utility")
    assert reading.window.edtf() == "1956-04-10/.."
    assert reading.precision is Precision.BOUND
    assert reading.timing is Timing.PART
    assert any("doesn't cover" in note for note in reading.notes)
    assert any("17 years" in note for note in reading.notes)


@pytest.mark.parametrize(
    ("text", "strength"),
    [
        ("DES. PAT. 169,120", Strength.STRONG),
        ("DESIGN PATENT NO. 169120", Strength.STRONG),
        ("U.S. PAT. D.169120", Strength.STRONG),
        ("PAT. D-169120", Strength.STRONG),
        ("PAT. DES. 169,120", Strength.STRONG),
        ("D-169120", Strength.FAIR),
        ("D169,120", Strength.FAIR),
        ("D169120", Strength.WEAK),
    ],
)
def test_a_design_number_is_of_the_design_series(text, strength):
    assert first_of("design", 1953) <= 169120 < first_of("design", 1954)
    readings = read(text)
    reading = of(readings, "us-design")
    assert len(readings) == 1
    assert reading.strength is strength
    # 1953 by number order; both edges are from memory, so two weeks more at each: 6 January less two weeks, and
    # the last Tuesday of 1953, the 29th of December, and two weeks.
    assert reading.granted.edtf() == "1952-12-23/1954-01-12"
    assert any("3.5, 7 or 14 years" in note for note in reading.notes)


@pytest.mark.parametrize(
    "text", ["RE. 15,278", "REISSUE 15278", "REISSUED PAT. NO. 15,278", "PAT. RE. 15,278", "RE. PAT. 15,278"]
)
def test_a_reissue_number_is_of_the_reissue_series(text):
    reading = of(read(text), "us-reissue")
    assert reading.granted.edtf() == "1922-01-31/1922-01-31"


def test_an_apostrophe_tells_patented_from_the_d_of_designs():
    assert of(read("PAT'D 169,120"), "us-utility").granted.earliest_date.year == 1875
    assert of(read("PAT. D 169,120"), "us-design").granted.contains(date(1953, 6, 30).toordinal())


def test_a_number_in_a_year_without_known_neighbours_gets_the_issue_days_of_the_year():
    """1901 stands at grade C on both sides: from its first Tuesday to its last, no wider."""
    number = first_of("utility", 1902) - 10
    reading = of(read(f"PAT. NO. {number:,}"), "us-utility")
    first, last = reading.granted.earliest_date, reading.granted.latest_date
    assert first >= date(1901, 1, 1)
    assert last == date(1901, 12, 31)  # a Tuesday


def test_the_edges_of_a_year_from_memory_are_two_weeks_wider():
    number = first_of("utility", 1958) + 10
    reading = of(read(f"PAT. NO. {number:,}"), "us-utility")
    assert reading.granted.earliest_date == date(1958, 1, 7) - timedelta(weeks=2)
    assert any("from memory" in note for note in reading.notes)
    assert {c.grade for c in reading.sources} == {"M"}


def test_a_source_better_than_the_bound_rests_on_does_not_lift_the_grade():
    """2,800,000 of 1957: its year begins with a number from memory, and 2,811,069 above it is a published grant."""
    assert of(read("PAT. NO. 2,800,000"), "us-utility").grade == "M"
    assert of(read("PAT. NOS. 2,800,000 AND 2,741,146"), "us-utility").grade == "M"
    assert of(read("PAT. NO. 2,741,146"), "us-utility").grade in "ABC"


def test_a_number_of_many_years_ago_is_met_in_a_series_without_known_weekdays():
    reading = of(read("PAT. NO. 3,000"), "us-utility")
    assert reading.granted.contains(date(1843, 7, 1).toordinal())
    assert reading.strength is Strength.FAIR


def test_a_number_past_the_table_is_granted_in_its_last_year_or_later():
    """Reissues are held to 1983, whose first number is from memory: from its first Tuesday less two weeks."""
    reading = of(read("REISSUE 40,000"), "us-reissue")
    assert reading.granted.edtf() == f"{date(1983, 1, 4) - timedelta(weeks=2)}/.."
    assert any("past the last edge" in note for note in reading.notes)


def test_an_interpolated_date_is_said_to_be_an_estimate_and_is_in_no_window():
    reading = of(read("PAT. NO. 3,038,363"), "us-utility")
    assert any("an estimate" in note and "1962" in note for note in reading.notes)
    assert reading.granted.width_days > 300


def test_a_grant_known_from_memory_is_told_and_narrows_nothing():
    reading = of(read("DES. PAT. 169,120"), "us-design")
    assert any("from memory, unconfirmed: granted on 1953-03-31" in note for note in reading.notes)


def test_a_bare_number_with_commas_is_weak():
    found = read("2,741,146")
    assert [r.strength for r in found] == [Strength.WEAK]
    assert found[0].window.earliest == APRIL_1956.toordinal()
    assert read("2741146") == []
    assert read("741,146") == []


# ---------------------------------------------------------------------------------------------------------------
# Several marks on one part


def test_several_patents_are_companions_and_the_latest_grant_counts():
    reading = of(read("PAT. NOS. 2,741,146 & 2,972,923"), "us-utility")
    assert reading.window.edtf() == "1961-02-28/.."
    assert [f.text for f in reading.fields] == ["2,741,146", "2,972,923"]


@pytest.mark.parametrize(
    "text",
    [
        "PATS. 2,972,923 2,741,146",
        "PATS. 2,741,146; 2,972,923",
        "PATENTS 2741146, 2972923",
        "PAT. NOS. 2,741,146,2,972,923",
        "PAT. 2,972,923 DES. PAT. 164,227",
    ],
)
def test_the_order_and_the_joining_of_marks_change_nothing(text):
    assert of(read(text), "us-utility").window.hull().earliest_date == date(1961, 2, 28)


def test_each_mark_is_shown_with_its_own_characters():
    text = "U.S. PATS. 2,741,146 & D-164227 & PATS. PEND."
    reading = of(read(text), "us-utility")
    assert [f.name for f in reading.fields] == ["patent", "design patent", "pending"]
    for field in reading.fields:
        assert text[field.at[0] : field.at[1]] == field.text
    assert [f.text for f in reading.fields] == ["2,741,146", "D-164227", "PATS. PEND"]


def test_a_pending_mark_beside_a_number_speaks_of_another_patent():
    for text in ("PATS. 2,741,146 & PEND.", "PAT. NO. 2,741,146 OTHER PATENTS PENDING"):
        reading = of(read(text), "us-utility")
        assert reading.window.edtf() == "1956-04-10/.."
        assert reading.timing is Timing.PART
        assert any("another patent" in note for note in reading.notes)


def test_a_serial_number_after_the_patent_is_no_companion():
    reading = of(read("PAT. NO. 2,741,146 9876543"), "us-utility")
    assert reading.window.edtf() == "1956-04-10/.."
    assert of(read("PAT. NO. 2741146 SERIAL 9876543"), "us-utility").window.edtf() == "1956-04-10/.."


def test_a_number_that_fits_no_series_is_left_aside_and_said_so():
    reading = of(read("PAT. NOS. 2,741,146 & 27,411,460"), "us-utility")
    assert reading.window.edtf() == "1956-04-10/.."
    assert any("27,411,460" in note and "left aside" in note for note in reading.notes)
    worn = of(read("PAT. NOS. 2,741,146 & 2,86A,224"), "us-utility")
    assert any("2,86A,224" in note and "left aside" in note for note in worn.notes)


def test_marks_of_different_times_are_read_apart_and_said_to_contradict():
    found = in_force(read("D.R.P. U.S. PAT. 2,741,146"))
    assert {r.scheme for r in found} == {"us-utility", "patent-words"}
    assert all(any("can't all be of one time" in note for note in r.notes) for r in found)


# ---------------------------------------------------------------------------------------------------------------
# Dates in place of numbers


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("PAT. NOV. 4, 1913", date(1913, 11, 4)),
        ("PATENTED JULY 1 02", date(1902, 7, 1)),
        ("PAT'D JULY 1ST 1902", date(1902, 7, 1)),
        ("PATD. 4 NOV. 1913", date(1913, 11, 4)),
        ("PAT'D 3-27-88", date(1888, 3, 27)),
        ("PAT. 11/4/13", date(1913, 11, 4)),
        ("PAT. JAN. 3, 56", date(1956, 1, 3)),  # 3 January 1856 was a Thursday
        ("PAT'D JUNE 27, '99, AUG 5 02 & NOV 3 03", date(1903, 11, 3)),
    ],
)
def test_a_date_on_a_part_is_the_day_of_its_patent(text, day):
    assert day.weekday() == 1
    reading = of(read(text), "patent-date")
    assert reading.window.edtf() == f"{day}/.."
    assert not any("Tuesday" in note for note in reading.notes)


def test_a_date_that_is_no_tuesday_is_read_and_noted():
    reading = of(read("PAT. NOV. 5, 1913"), "patent-date")
    assert reading.window.edtf() == "1913-11-05/.."
    assert any("Wednesday" in note and "Tuesdays" in note for note in reading.notes)


def test_the_friday_issue_of_1974_is_not_noted():
    reading = of(read("PAT. JUNE 28, 1974"), "patent-date")
    assert not any("Tuesday" in note for note in reading.notes)


def test_a_worn_day_gives_the_earliest_day_that_it_can_be():
    assert of(read("PAT. NOV. ?, 1913"), "patent-date").window.hull().earliest_date == date(1913, 11, 1)
    assert of(read("PAT. NOV. 2?, 1913"), "patent-date").window.hull().earliest_date == date(1913, 11, 20)


def test_a_year_alone_after_patented_is_a_year_and_not_a_number():
    reading = of(read("PATENTED 1913"), "patent-date")
    assert reading.window.edtf() == "1913-01-01/.."
    assert of(read("PAT. NO. 1913"), "us-utility").granted.earliest_date.year in (1840, 1841)


def test_canada_asked_for_the_year():
    """Patent Act of 1869, s. 49: the word Patented with the year."""
    reading = read("PATENTED CANADA 1924")[0]
    assert reading.window.edtf() == "1924-01-01/.."


# ---------------------------------------------------------------------------------------------------------------
# Pending marks


@pytest.mark.parametrize(
    "text",
    [
        "PAT. PEND.",
        "PATENT PENDING",
        "PATENT APPLIED FOR",
        "PAT. APPLD. FOR",
        "PAT. APP'L'D FOR",
        "PATS PEND",
        "P?T. PEND.",
    ],
)
def test_a_pending_mark_tells_nothing_by_itself(text):
    found = read(text)
    assert len(found) == 1
    assert found[0].window.edtf() == "../.."
    assert found[0].strength is Strength.FAIR
    assert found[0].timing is Timing.PENDING
    assert any("nothing of its date by itself" in note for note in found[0].notes)


def test_letters_that_may_stand_for_other_words_are_a_weak_pending_mark():
    assert [r.strength for r in read("P.A.F.")] == [Strength.WEAK]


def test_a_named_patent_closes_a_pending_mark_and_its_filing_opens_it():
    """2,741,146: filed 30 August 1954, granted 10 April 1956."""
    reading = read("PAT. PEND.", patent="2,741,146")[0]
    assert reading.window.edtf() == "1954-08-30/1956-04-10"
    assert reading.timing is Timing.PENDING
    assert reading.granted.earliest_date == APRIL_1956


def test_a_named_patent_whose_filing_is_unknown_closes_only():
    reading = read("PATENT APPLIED FOR", patent="U.S. Pat. 2,864,224")[0]
    assert reading.window.earliest is None
    assert reading.window.latest == reading.granted.latest
    assert reading.granted.contains(date(1958, 12, 9).toordinal())


def test_a_named_design_closes_a_pending_mark():
    assert read("PAT. PEND.", patent="D164,227")[0].window.hull().latest_date == date(1951, 8, 14)


@pytest.mark.parametrize("patent", ["", "foo", "99,999,999", "[", "PAT. PEND.", "*"])
def test_a_named_patent_that_cannot_be_read_is_said_so_and_bounds_nothing(patent):
    reading = read("PAT. PEND.", patent=patent)[0]
    assert reading.window.edtf() == "../.."
    assert any("can't be dated" in note for note in reading.notes)


def test_a_named_patent_joins_the_number_that_stands_beside_the_mark():
    reading = of(read("PAT. 2,741,146 & PEND.", patent="2,972,923"), "us-utility")
    assert reading.window.edtf() == "1958-11-06/1961-02-28"
    assert reading.timing is Timing.PENDING


# ---------------------------------------------------------------------------------------------------------------
# Worn characters


def test_worn_digits_give_the_interval_of_all_numbers_that_may_be_meant():
    reading = of(read("PAT. 2,7?1,1[46]6"), "us-utility")
    low, high = of(read("PAT. 2,701,146"), "us-utility"), of(read("PAT. 2,791,166"), "us-utility")
    assert reading.granted.earliest == low.granted.earliest
    assert reading.granted.latest == high.granted.latest
    assert reading.window.earliest == low.window.earliest


def test_worn_thousands_are_three_digits():
    reading = of(read("PAT. NO. 2,741,*"), "us-utility")
    assert reading.granted.earliest == of(read("PAT. NO. 2,741,000"), "us-utility").granted.earliest
    assert reading.granted.latest == of(read("PAT. NO. 2,741,999"), "us-utility").granted.latest
    assert reading.fields[0].text == "2,741,*"


NUMBERS = {
    "utility": ("PAT. NO. ", st.integers(1000, 11_999_999), "us-utility"),
    "design": ("DES. PAT. ", st.integers(1000, 800_000), "us-design"),
    "reissue": ("REISSUE ", st.integers(1000, 40_000), "us-reissue"),
    "british": ("BRIT. PAT. ", st.integers(100_001, 1_600_000), "gb-patent"),
    "german": ("D.B.P. NR. ", st.integers(1_900_001, 4_400_000), "de-patent"),
    "registered": ("REGD. DESIGN ", st.integers(1, 1_050_000), "gb-registered-design"),
}


@st.composite
def worn_numbers(draw):
    """A number in some series, and the same with digits worn to ? or to a choice with the true one, but for its last:
    without one clear digit it is no number."""
    words, values, scheme = NUMBERS[draw(st.sampled_from(sorted(NUMBERS)))]
    number = draw(values)
    clear = f"{number:,}" if draw(st.booleans()) else str(number)
    worn = ""
    for place, character in enumerate(clear):
        how = draw(st.integers(0, 5)) if character.isdigit() and place < len(clear) - 1 else 5
        other = draw(st.sampled_from("0123456789"))
        worn += "?" if how == 0 else f"[{character}{other}]" if how == 1 else character
    return words, clear, worn, scheme


@settings(max_examples=150, deadline=None)
@given(worn_numbers())
def test_the_interval_of_a_worn_number_holds_that_of_every_completion(case):
    words, clear, worn, scheme = case
    certain = [r for r in read(words + clear) if r.scheme == scheme]
    found = [r for r in read(words + worn) if r.scheme == scheme]
    for reading in certain:
        assert len(found) == 1
        outer, inner = found[0].granted, reading.granted
        assert outer.earliest is None or (inner.earliest is not None and outer.earliest <= inner.earliest)
        assert outer.latest is None or (inner.latest is not None and inner.latest <= outer.latest)
        assert reading.window.issubset(found[0].window)


@settings(max_examples=150, deadline=None)
@given(st.integers(7000, 11_900_000))
def test_a_number_is_of_the_year_whose_first_number_it_follows(number):
    """The rule of the year table, followed here on the file itself."""
    with (TABLES / "us_issue_years.csv").open(encoding="utf-8", newline="") as file:
        firsts = [
            (int(r["first_utility"]), int(r["year"])) for r in csv.DictReader(file) if r["first_utility"]
        ]
    year = max(y for first, y in firsts if first <= number)
    granted = of(read(f"U.S. PAT. {number:,}"), "us-utility").granted
    slack = timedelta(weeks=2)
    assert granted.earliest_date >= date(year, 1, 1) - slack
    assert granted.latest is None or granted.latest_date <= date(year, 12, 31) + slack or year >= 2023


@settings(max_examples=100, deadline=None)
@given(st.integers(7000, 11_000_000), st.integers(1, 500_000))
def test_a_greater_number_is_never_granted_earlier(number, more):
    first = of(read(f"U.S. PAT. {number}"), "us-utility").granted
    second = of(read(f"U.S. PAT. {number + more}"), "us-utility").granted
    assert first.earliest <= second.earliest
    assert second.latest is None or first.latest <= second.latest


# ---------------------------------------------------------------------------------------------------------------
# Other countries


def test_a_number_without_a_country_has_rivals_and_the_us_ranks_first():
    found = read("PAT. NO. 854321")
    assert [r.scheme for r in sorted(found, key=lambda r: r.rank)] == [
        "us-utility",
        "gb-patent",
        "de-patent",
        "ca-patent",
        "fr-patent",
    ]
    assert {r.strength for r in found} == {Strength.FAIR}
    assert all(any("no country is named" in note for note in r.notes) for r in found)


def test_the_us_way_of_writing_makes_the_us_reading_strong_and_the_others_fair():
    found = {r.scheme: r.strength for r in read("PAT. NO. 854,321")}
    assert found.pop("us-utility") is Strength.STRONG
    assert set(found.values()) == {Strength.FAIR}


def test_the_country_of_the_instrument_ranks_its_own_reading_first_and_hides_none():
    found = sorted(read("PAT. NO. 854321", country="England"), key=lambda r: (-r.strength, r.rank))
    assert found[0].scheme == "gb-patent"
    assert {r.scheme for r in found} == {r.scheme for r in read("PAT. NO. 854321")}


@pytest.mark.parametrize(
    ("text", "scheme", "years"),
    [
        ("BRIT. PAT. NO. 854,321", "gb-patent", {1960, 1961}),
        ("BRITISH PATENT 543210", "gb-patent", {1941, 1942}),
        ("GERMAN PAT. 300,000", "de-patent", {1917}),
        ("D.R.P. 300000", "de-patent", {1917}),
        ("D.B.P. 2741146", "de-patent", {1977}),
        ("CANADIAN PATENT 543210", "ca-patent", {1955, 1960}),
        ("BREVET NO. 543210", "fr-patent", {1920, 1930}),
        ("RD. NO. 854321", "gb-registered-design", {1948}),
        ("REGD. DESIGN NO. 854321", "gb-registered-design", {1948}),
        ("DDR PATENT 25000", "dd-patent", {1962, 1963, 1964}),
        ("PAT. 12345/07", "gb-patent", {1907}),
        ("PATENT No. 12345 OF 1907", "gb-patent", {1907}),
    ],
)
def test_a_number_of_another_country_is_dated_by_its_own_table(text, scheme, years):
    reading = of(read(text), scheme)
    assert reading.strength is Strength.STRONG
    found = {
        reading.granted.earliest_date.year,
        (reading.granted.latest_date or reading.granted.earliest_date).year,
    }
    assert found <= years


def test_a_british_number_within_the_tolerance_of_the_table_may_be_of_either_year():
    """1,015,000 stands for the first of 1966, give or take 5,000."""
    near = of(read("BRIT. PAT. 1,012,000"), "gb-patent").granted
    assert (near.earliest_date.year, near.latest_date.year) == (1965, 1966)
    clear = of(read("BRIT. PAT. 1,030,000"), "gb-patent").granted
    assert (clear.earliest_date.year, clear.latest_date.year) == (1966, 1966)


def test_a_german_number_since_1969_tells_the_year_of_filing():
    reading = of(read("D.B.P. 2741146"), "de-patent")
    assert reading.window.hull().earliest_date == date(1977, 1, 1)
    assert reading.granted.latest is None
    assert any("filed" in note for note in reading.notes)


def test_canada_has_two_series_side_by_side():
    assert of(read("CANADIAN PATENT 1,300,000"), "ca-patent").granted.earliest_date.year == 1989
    assert of(read("CANADIAN PATENT 2,100,000"), "ca-patent").window.hull().earliest_date == date(1989, 10, 1)


def test_a_japanese_number_needs_its_year():
    reading = of(read("JAPAN PAT. 543210"), "jp-patent")
    assert reading.window.edtf() == "../.."
    assert any("emperor year" in note for note in reading.notes)


def test_the_place_of_making_names_no_patent():
    assert of(read("MADE IN JAPAN PAT. NO. 2,741,146"), "us-utility").strength is Strength.STRONG


@pytest.mark.parametrize(
    ("text", "edtf"),
    [
        ("D.R.G.M.", "1891-10-01/1952-12-31"),  # law of 1 June 1891; seen to about 1952
        ("DRGM 1234567", "1891-10-01/1952-12-31"),
        ("D.R.P.", "1877-07-01/1945-05-08"),
        ("D.B.P.", "1949-01-01/.."),
        ("D.B.G.M.", "1949-01-01/.."),
        ("D.R.P. ANGEM.", "1877-07-01/1945-05-08"),
        ("Privativa Industriale", "1859-01-01/1939-06-28"),
    ],
)
def test_words_of_a_law_bound_a_part_by_the_years_of_the_law(text, edtf):
    found = in_force(read(text))
    assert [r.window.edtf() for r in found] == [edtf]
    assert found[0].timing is Timing.ERA


def test_s_g_d_g_is_french_to_1968_or_belgian():
    found = read("BREVETÉ S.G.D.G.")
    assert sorted(r.window.edtf() for r in found) == ["1844-07-05/1968-12-31", "1854-01-01/.."]
    assert len({r.strength for r in found}) == 1
    assert all(r.timing is Timing.ERA for r in found)


def test_an_imperial_number_is_bounded_by_its_grant_and_the_end_of_the_law():
    reading = of(read("D.R.P. 300000"), "de-patent")
    assert reading.window.hull().earliest_date.year == 1917
    assert reading.window.hull().latest_date == date(1945, 5, 8)
    assert reading.timing is Timing.ERA


def test_words_without_a_date_are_weak():
    for text in ("BREVETTATO", "PATENTED"):
        assert [r.strength for r in read(text)] == [Strength.WEAK]


# ---------------------------------------------------------------------------------------------------------------
# What is no mark, and what almost is one


@pytest.mark.parametrize(
    "text",
    [
        "PATIO 2741146",
        "PATRICK",
        "DRPX 543210",
        "SPAT. 1234567",
        "REG. U.S. PAT. OFF.",
        "REG. U.S. PAT. & T.M. OFF.",
        "MODEL RE201",
        "6L6GC",
        "137-6612",
        "L 12345",
        "SUSPENDED",
        "RD",
        "REG. TRADE MARK",
        "DES MOINES",
        "???",
        "*",
    ],
)
def test_what_is_no_patent_mark_is_not_read(text):
    assert read(text) == []


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("PAT. NO. 27,411,460", "27,411,460"),
        ("DES. PAT. 9,169,120", "9,169,120"),
        ("REISSUE 924,106", "924,106"),
        ("BRIT. PAT. NO. 12345", "12345"),
        ("D.R.P. 900,000", "900,000"),
        ("PAT. NO. 2,74,146", "2,74,146"),
        ("PAT. NO. 2,74I,146", "2,74I,146"),
        ("PAT. FEB. 30, 1913", "FEB. 30, 1913"),
        ("PAT. PENDIN", "PENDIN"),
        ("FAT. PEND.", "FAT"),
    ],
)
def test_a_mark_that_almost_fits_is_a_near_miss_that_shows_its_characters(text, shown):
    assert all(r.strength is Strength.WEAK for r in read(text))
    found = misses(text)
    assert found
    assert text[found[0].at[0] : found[0].at[1]] == shown
    for correction in found[0].corrections:
        assert read(correction)


def test_a_letter_among_digits_is_mended_by_the_digit_that_it_looks_like():
    assert misses("PAT. NO. 2,74I,146")[0].corrections[0] == "PAT. NO. 2,741,146"
    assert misses("PAT. NO. 2,O41,146")[0].corrections[0] == "PAT. NO. 2,041,146"


def test_a_digit_that_is_missing_at_the_end_is_mended_by_a_worn_one():
    assert misses("PAT. NO. 2,741,14")[0].corrections == ("PAT. NO. 2,741,14?",)


def test_a_number_out_of_its_series_is_mended_by_one_digit_that_looks_alike():
    tries = misses("REISSUE 84,106")[0].corrections
    assert "REISSUE 34,106" in tries
    assert all(sum(a != b for a, b in zip(t, "REISSUE 84,106", strict=True)) == 1 for t in tries)


def test_a_misspelt_pending_mark_is_mended_and_not_read():
    assert misses("PAT. PENDIN")[0].corrections == ("PAT. PENDING",)
    assert misses("FAT. PEND.")[0].corrections == ("PAT. PEND.",)


def test_an_old_british_number_is_told_to_need_its_year():
    assert "year" in misses("BRIT. PAT. NO. 12345")[0].problem


# ---------------------------------------------------------------------------------------------------------------
# The family as a whole


def test_the_kinds_are_kinds_of_the_table():
    assert set(kinds_of(shipped())) == KINDS
    assert FAMILY.long_text


@pytest.mark.parametrize(
    "text", ["PAT. NO. 2,741,146", "PAT. PEND.", "D.R.G.M.", "PAT. NOV. 4, 1913", "RD. NO. 854321"]
)
def test_every_reading_cites_its_sources_and_the_revision_of_its_table(text):
    for reading in read(text):
        assert reading.sources
        assert len(reading.revision) == 12
        assert reading.family == "patent"
        assert reading.as_dict()["strength"] in ("strong", "fair", "weak")


def test_a_label_is_read_among_its_other_words():
    text = "Harrow & Vale, Tidewater Bench. Licensed under U.S. Patents 2,741,146 and 2,972,923\nother patents pending"
    reading = of(read(text), "us-utility")
    assert reading.window.edtf() == "1961-02-28/.."


# ---------------------------------------------------------------------------------------------------------------
# Texts alike but for their digits

ALIKE = (
    "PAT. NO. 2,741,146",
    "PATS. 2,741,146, 2,817,261 & D-169,120 OTHERS PENDING",
    "U.S. PATENTS 1,563,564, 3,387,414, 1,264,689, 2,069,837, 1,494,586",
    "PAT. 12345/07",
    "PAT. 12345 OF 1907",
    "BRIT. PAT. 1,234",
    "PAT'D NOV. 4, 1913",
    "PAT. 11-4-13",
    "PATENT 1924",
    "PAT. NO. 1924",
    "DES. 169,062 RE. 12,345",
    "REGD. DESIGN NO. 854321",
    "D.R.P. 654321 PAT. PEND.",
    "PAT. 123456789012",
    "2,741,146",
    "123 MAIN ST., CHICAGO 14, ILL.",
    "PAT. 2,74,146 & PENDIN 12",
    "PATENT NO. 2,74I,146",
)
DIGITS = st.lists(st.sampled_from("0123456789"), min_size=80, max_size=80)


@settings(deadline=None)
@given(
    st.sampled_from(ALIKE),
    DIGITS,
    DIGITS,
    st.sampled_from([None, "GB", "Japan"]),
    st.sampled_from([None, "2,741,146"]),
)
def test_a_text_reads_the_same_after_one_with_other_digits(text, digits, others, country, patent):
    def with_digits(digits):
        return "".join(digit if c.isdigit() else c for c, digit in zip(text, digits, strict=False))

    def said(text):
        return [r.as_dict() for r in read(text, country=country, patent=patent)]

    one, other = with_digits(digits), with_digits(others)
    read(one)
    plans = shipped().derived("patent.plans", pytest.fail)
    plans.clear()
    fresh = said(one)
    plans.clear()
    said(other)
    assert said(one) == fresh


@pytest.mark.parametrize(
    "words", ["PAT. NO.", "PATENT NR.", "DES. PAT.", "REGD. DESIGN NO.", "RE.", "D.R.P."]
)
def test_the_same_is_said_of_every_number_between_two_edges(words):
    seen = 0
    scales = Case.of(Marking.read(f"{words} 99999"), Context(shipped())).plan.asked[0].scales
    numbers = {n for scale in scales for edge in scale.edges for n in (edge - 1, edge, edge + 1)}
    for number in sorted(n for n in numbers if 0 < n < 10**8):
        case = Case.of(Marking.read(f"{words} {number}"), Context(shipped()))
        for mark, asked in zip(case.found.marks, case.plan.asked, strict=True):
            for scale in asked.scales if asked else ():
                kept, met = scale.of(number), number_as(case, mark, scale.country)
                assert (kept is None) == (met is None)
                if kept is not None and met.dated is not None:
                    seen += 1
                    assert met.dated.low == met.dated.high == number
                    for name in ("about", "windows", "granted", "cites", "grade"):
                        assert getattr(kept, name) == getattr(met.says, name), (number, scale.country)
                    assert (kept.dated.floor, kept.dated.ceiling) == (met.dated.floor, met.dated.ceiling)
    assert seen


PIECES = (
    "PAT PATENT PATENTED PEND PENDING NO. NOS. & , . - 2,741,146 169,120 D RE DES 2?4 ?? * [68] NOV 4 1913 FEB 30 "
    "'02 D.R.P. DRGM OF / 12345/07 BRIT U.S. CANADA 1924 REGD RD APPLIED FOR S.G.D.G. BREV OFF ? 2,74I,1 12 A é ß № "
    "４ 漢 11-4-13 PENDIN 111111111111111111111111"
).split()


@settings(max_examples=300, deadline=None)
@given(
    st.one_of(
        st.text(max_size=80),
        st.builds(
            lambda gap, parts: gap.join(parts)[:400],
            st.sampled_from([" ", "", ".", ", "]),
            st.lists(st.sampled_from(PIECES), max_size=40),
        ),
    ),
    st.sampled_from([None, "2,741,146", "D169120", "?"]),
    st.sampled_from([None, "GB", "Japan", "Atlantis"]),
)
def test_no_text_raises_and_each_field_stands_where_it_says(text, patent, country):
    try:
        marking = Marking.read(text, limit=400)
    except MarkingError:
        return
    context = Context(shipped(), patent=patent, country=country)
    for reading in FAMILY.read(marking, context):
        assert reading.window
        assert reading.sources
        for field in reading.fields:
            assert text[field.at[0] : field.at[1]] == field.text
    for miss in FAMILY.near_misses(marking, context):
        assert 0 <= miss.at[0] <= miss.at[1] <= len(text)
        for correction in miss.corrections:
            Marking.read(correction, limit=400)
