"""Source-and-date codes as a bench technician meets them: clear, spaced, worn, and impossible."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.catalog import decode
from decoder.scheme.reading import Strength


def read(marking, part="potentiometer", **more):
    return decode(marking, part=part, **more)


def weeks(decoding, strength=Strength.STRONG):
    """The years and middle days of the readings of one strength, in order."""
    return [r.window.hull() for r in decoding.readings if r.strength is strength]


def test_a_one_digit_year_reads_every_decade_from_1945_to_1979():
    found = weeks(read("137-612"))
    assert [w.latest_date.year for w in found] == [1946, 1956, 1966, 1976]
    for window in found:
        twelfth = date.fromisocalendar(window.latest_date.year, 12, 4)
        assert window.contains(twelfth.toordinal())


def test_documented_decades_rank_before_the_others():
    decoding = read("137-612")
    assert [r.documented for r in decoding.readings] == [True, True, False, False]
    assert any("outside the documented years" in note for note in decoding.readings[-1].notes)


def test_the_holder_is_named_from_the_register_with_source_and_grade():
    reading = read("137-612").readings[0]
    source = next(f for f in reading.fields if f.name == "source")
    assert source.text == "137"
    assert "CTS" in source.value
    assert any(c.grade == "B" and "Blue Book" in c.title for c in reading.sources)
    assert reading.revision


@pytest.mark.parametrize(
    "marking", ["137-6612", "137 66 12", "1376612", "137.6612", "137 6612", "EIA 137-6612"]
)
def test_two_digit_years_read_one_week_as_strongest(marking):
    strong = weeks(read(marking))
    assert len(strong) == 1
    assert strong[0].contains(date.fromisocalendar(1966, 12, 4).toordinal())


def test_the_same_digits_are_a_four_digit_source_only_weakly():
    decoding = decode("1377215")
    assert [w.latest_date.year for w in weeks(decoding)] == [1972]
    weak = [r for r in decoding.readings if r.strength is Strength.WEAK]
    assert any("source 1377 is not in the register" in note for r in weak for note in r.notes)


def test_a_worn_code_gives_the_union_of_what_the_characters_allow():
    decoding = read("13?-6[16]12")
    years = sorted(w.latest_date.year for w in weeks(decoding))
    assert years == [1961, 1966]
    assert decoding.windows == decode("137-6112", part="pot").windows | decode("137-6612", part="pot").windows
    source = next(f for f in decoding.readings[0].fields if f.name == "source")
    assert "137 CTS" in source.value


def test_an_unknown_three_digit_source_is_read_and_says_so():
    decoding = read("138-612")
    assert {r.strength for r in decoding.readings} == {Strength.FAIR}
    assert "138 is not in the register" in decoding.readings[0].notes[0]


def test_week_sixty_is_a_near_miss_that_names_the_week_and_offers_real_corrections():
    decoding = read("137-6660")
    assert decoding.status == "near-miss"
    first = decoding.near_misses[0]
    assert "week 60" in first.problem
    assert decoding.marking.text[first.at[0] : first.at[1]] == "60"
    assert first.corrections
    for correction in first.corrections:
        assert read(correction).status == "read"
        assert sum(a != b for a, b in zip(correction, "137-6660", strict=True)) == 1


def test_the_likeliest_misreading_comes_first():
    first = read("137-6660").near_misses[0].corrections[0]
    assert first in ("137-6650", "137-6630")  # 6 is mistaken for 5 or 3 sooner than for 1, 2 or 4
    letters = read("137-66O2").near_misses[0].corrections[0]
    assert letters == "137-6602"


def test_a_lookalike_letter_is_never_read_silently():
    assert read("I37-6612").status == "near-miss"
    assert read("137-66I2").near_misses[0].corrections[0] == "137-6612"


def test_a_separator_inside_the_source_is_named():
    miss = read("13-76612").near_misses[0]
    assert "separator" in miss.problem
    assert miss.corrections == ("1376612",)


def test_a_code_cut_short_says_how_many_digits_are_missing():
    decoding = read("137-66")
    assert decoding.status == "near-miss"
    assert "year and week" in decoding.near_misses[0].problem
    assert decoding.near_misses[0].corrections == ("137-66??",)  # 137-66? can be no week of a one-digit year
    assert read("137-66??").status == "read"
    assert read("137-61").near_misses[0].corrections == ("137-61?", "137-61??")


def test_a_code_cut_short_is_told_where_a_label_breaks_its_line():
    (miss, *_) = decode("101?\r", part="other").near_misses
    assert miss.corrections == ("101???", "101????")
    assert all(decode(text, part="other").status == "read" for text in miss.corrections)
    assert decode("137\t4\n", part="other").near_misses[0].corrections == ("137\t4???",)


def test_week_zero_and_weeks_past_53_are_not_read():
    assert read("137-6600").status == "near-miss"
    assert read("137-6654").status == "near-miss"


def test_week_53_is_read_only_in_years_that_have_it_and_warns():
    found = read("137-7053")  # ISO 8601: 1970 began on a Thursday, so it had 53 weeks
    assert found.status == "read"
    assert any("week 53" in note for note in found.readings[0].notes)
    miss = read("137-6353")  # 1963, a common year begun on a Tuesday, has 52 under each rule
    assert miss.status == "near-miss"
    assert "does not exist in 1963" in miss.near_misses[0].problem


def test_value_and_taper_may_stand_before_the_code():
    decoding = read("250K AUD 3046114")
    assert weeks(decoding)[0].contains(date.fromisocalendar(1961, 14, 4).toordinal())


def test_a_further_number_may_stand_after_the_code():
    years = {w.latest_date.year for w in weeks(read("250K AUDIO 137 947 3596"))}
    assert 1959 in years


def test_a_part_number_may_run_together_with_the_source():
    years = {w.latest_date.year for w in weeks(read("6151499 430"))}
    assert 1954 in years


def test_a_transformer_code_with_two_hyphens():
    years = [w.latest_date.year for w in weeks(read("EIA 606-4-21", "transformer"))]
    assert years[0] == 1964


def test_a_two_digit_source_must_be_in_the_register_to_be_strong():
    assert weeks(read("67-0112", "speaker"))
    weak = read("13-0112", "speaker")
    assert all(r.strength is Strength.WEAK for r in weak.readings)


def test_a_bare_date_is_weak_and_says_so():
    decoding = read("6609")
    assert {r.strength for r in decoding.readings} == {Strength.WEAK}
    assert "weak evidence" in decoding.readings[0].notes[0]


def test_a_holder_listed_for_other_parts_is_said():
    notes = [n for r in read("220-6612").readings for n in r.notes]
    assert any("not for this kind of part" in n for n in notes)


def test_a_star_reads_what_the_clear_characters_allow():
    decoding = read("137-66*")
    year = decode("137-6630", part="pot").windows
    assert year.issubset(decoding.windows)
    assert not decoding.windows.contains(date(1985, 7, 1).toordinal())


def test_the_claim_ranks_and_hides_nothing():
    plain, claimed = read("137-612"), read("137-612", claim="1976")
    assert {r.window for r in plain.readings} == {r.window for r in claimed.readings}
    assert claimed.readings[0].window.hull().latest_date.year == 1976


codes = st.builds(
    lambda source, year, week: (source, year, week),
    st.sampled_from(["137", "304", "140", "106", "134", "615"]),
    st.integers(1945, 2000),
    st.integers(1, 52),
)


@given(codes, st.sampled_from(["{}{:02}{:02}", "{}-{:02}{:02}", "{} {:02} {:02}", "{}.{:02}{:02}"]))
def test_every_week_written_is_read_back(code, form):
    source, year, week = code
    decoding = read(form.format(source, year % 100, week))
    thursday = date.fromisocalendar(year, week, 4).toordinal()
    assert any(w.contains(thursday) for w in weeks(decoding))


@given(codes, st.lists(st.integers(0, 6), min_size=1, max_size=4, unique=True))
def test_a_worn_code_allows_every_day_that_the_clear_one_allows(code, worn):
    source, year, week = code
    clear = f"{source}{year % 100:02}{week:02}"
    text = "".join("?" if i in worn else c for i, c in enumerate(clear))
    whole = read(clear).windows
    allowed = read(text)
    union = allowed.windows
    for reading in allowed.readings:
        union = union | reading.window
    assert whole.issubset(union)


@given(st.text(alphabet="0123456789?-. *[]", max_size=20))
def test_no_marking_of_digits_and_signs_breaks_the_family(text):
    from decoder.marking import MarkingError

    try:
        decoding = read(text)
    except MarkingError:
        return
    assert len(decoding.readings) <= 200
    for reading in decoding.readings:
        assert reading.window
        width = (reading.window.latest or 0) - (reading.window.earliest or 0)
        assert timedelta(days=width) <= timedelta(days=366 * 90)
