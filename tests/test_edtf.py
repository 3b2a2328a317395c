"""Dates as people write them in claims and tables: EDTF in and out, with the `edtf` package as the oracle."""

from __future__ import annotations

import calendar
import pickle
from datetime import date
from typing import Any

import edtf
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from decoder.window import (
    CLAIM_LIMIT,
    EVERY,
    SET_LIMIT,
    EdtfError,
    Window,
    WindowSet,
    parse_edtf,
    week_window,
)

LAST_OF_ALL = date.max.toordinal()


def between(earliest: str, latest: str) -> Window:
    """A window from two ISO days; '' is an open end."""
    return Window.between(*(date.fromisoformat(day) if day else None for day in (earliest, latest)))


READ = {
    "1966": ("1966-01-01", "1966-12-31"),
    "0987": ("0987-01-01", "0987-12-31"),
    "0001": ("0001-01-01", "0001-12-31"),
    "9999": ("9999-01-01", "9999-12-31"),
    "196X": ("1960-01-01", "1969-12-31"),
    "196x": ("1960-01-01", "1969-12-31"),
    "19XX": ("1900-01-01", "1999-12-31"),
    "000X": ("0001-01-01", "0009-12-31"),
    "1966-03": ("1966-03-01", "1966-03-31"),
    "1966-12": ("1966-12-01", "1966-12-31"),
    "9999-12": ("9999-12-01", "9999-12-31"),
    "1968-02": ("1968-02-01", "1968-02-29"),
    "1966-03-05": ("1966-03-05", "1966-03-05"),
    "1968-02-29": ("1968-02-29", "1968-02-29"),
    "1966-XX": ("1966-01-01", "1966-12-31"),
    "1966-XX-XX": ("1966-01-01", "1966-12-31"),
    "1966-03-XX": ("1966-03-01", "1966-03-31"),
    "1966-21": ("1966-03-01", "1966-05-31"),
    "1966-22": ("1966-06-01", "1966-08-31"),
    "1966-23": ("1966-09-01", "1966-11-30"),
    "1966-24": ("1966-12-01", "1967-02-28"),
    "1967-24": ("1967-12-01", "1968-02-29"),
    "9999-24": ("9999-12-01", ""),
    "1965/1967": ("1965-01-01", "1967-12-31"),
    "1966/1966": ("1966-01-01", "1966-12-31"),
    "1965-03/1966": ("1965-03-01", "1966-12-31"),
    "1966/1966-03": ("1966-01-01", "1966-03-31"),
    "1966-06/1966": ("1966-06-01", "1966-12-31"),
    "196X/1971-02-14": ("1960-01-01", "1971-02-14"),
    "1966-24/1967-21": ("1966-12-01", "1967-05-31"),
    "../1966": ("", "1966-12-31"),
    "1966/..": ("1966-01-01", ""),
    "1966/": ("1966-01-01", ""),
    "/1966": ("", "1966-12-31"),
    "../..": ("", ""),
    "1966~": ("1965-01-01", "1967-12-31"),
    "1966?": ("1965-01-01", "1967-12-31"),
    "1966%": ("1965-01-01", "1967-12-31"),
    "1966-03~": ("1965-03-01", "1967-03-31"),
    "1968-02-29~": ("1967-02-28", "1969-02-28"),
    "196X~": ("1959-01-01", "1970-12-31"),
    "1966-24?": ("1965-12-01", "1968-02-28"),
    "0001~": ("", "0002-12-31"),
    "9999~": ("9998-01-01", ""),
    "1965~/1967": ("1964-01-01", "1967-12-31"),
    "1965/1967~": ("1965-01-01", "1968-12-31"),
    "1965~/1967?": ("1964-01-01", "1968-12-31"),
    "../1966~": ("", "1967-12-31"),
    " 1966 ": ("1966-01-01", "1966-12-31"),
}


@pytest.mark.parametrize("text", READ)
def test_a_date_covers_the_days_that_it_names(text: str) -> None:
    claim = parse_edtf(text)
    assert claim.window == between(*READ[text])
    assert claim.windows == WindowSet.of(claim.window)
    assert claim.text == text


SETS = {
    "[1965..1966,1970]": [("1965-01-01", "1966-12-31"), ("1970-01-01", "1970-12-31")],
    "[1970,1965]": [("1965-01-01", "1965-12-31"), ("1970-01-01", "1970-12-31")],
    "[1965,1966]": [("1965-01-01", "1966-12-31")],
    "[1965]": [("1965-01-01", "1965-12-31")],
    "[..1965,1970..]": [("", "1965-12-31"), ("1970-01-01", "")],
    "[1966-03-05..1966-03-05]": [("1966-03-05", "1966-03-05")],
    "[ 1965-03 , 196X..1970-21 ]": [("1960-01-01", "1970-05-31")],
    "[1966-01..1966]": [("1966-01-01", "1966-12-31")],
}


@pytest.mark.parametrize("text", SETS)
def test_a_set_covers_the_days_of_all_its_members(text: str) -> None:
    assert parse_edtf(text).windows == WindowSet.of(*(between(*ends) for ends in SETS[text]))


def test_the_window_of_a_set_runs_from_its_first_day_to_its_last() -> None:
    assert parse_edtf("[1965..1966,1970]").window == Window.years(1965, 1970)
    assert parse_edtf("[..1965,1970..]").window == EVERY


class TestNotes:
    @pytest.mark.parametrize(
        "text", ["1966", "196X", "1966-XX", "1965/1967", "1966/..", "../..", "[1965,1970]"]
    )
    def test_a_plain_date_has_nothing_to_say(self, text: str) -> None:
        assert parse_edtf(text).notes == ()

    @pytest.mark.parametrize(
        ("sign", "word"), [("~", "approximate"), ("?", "uncertain"), ("%", "uncertain and app")]
    )
    def test_a_widened_date_says_how_far_and_why(self, sign: str, word: str) -> None:
        (note,) = parse_edtf(f"1966{sign}").notes
        assert f"'1966{sign}' is {word}" in note
        assert "widened by 1 year before" in note

    def test_each_widened_end_of_an_interval_is_named(self) -> None:
        first, last = parse_edtf("1965~/1967?").notes
        assert "'1965~'" in first and "'1967?'" in last

    def test_a_season_says_which_days_it_means(self) -> None:
        assert parse_edtf("1966-24").notes == (
            "'1966-24' covers 1966-12-01/1967-02-28: winter, by northern seasons.",
        )
        assert len(parse_edtf("[1965-21..1966-22,1970-23]").notes) == 3

    def test_an_unknown_end_is_taken_as_open_and_said_so(self) -> None:
        assert "end of the interval is unknown" in parse_edtf("1966/").notes[0]
        assert "start of the interval is unknown" in parse_edtf("/1966").notes[0]


class TestApproximateYears:
    def test_the_table_says_how_many_years_about_is(self) -> None:
        claim = parse_edtf("1966~", approximate_years=3)
        assert claim.window == Window.years(1963, 1969)
        assert "widened by 3 years" in claim.notes[0]

    def test_no_years_leave_the_date_as_it_is(self) -> None:
        assert parse_edtf("1966~", approximate_years=0).window == Window.year(1966)

    def test_a_date_without_sign_is_not_widened(self) -> None:
        assert parse_edtf("1966", approximate_years=5).window == Window.year(1966)

    def test_a_negative_number_of_years_is_refused(self) -> None:
        with pytest.raises(ValueError, match="negative"):
            parse_edtf("1966~", approximate_years=-1)


# text, the 0-based character at which it fails, a few words of what is said
REFUSED = [
    ("", 0, "nothing is written"),
    ("   ", 0, "nothing is written"),
    ("66", 2, "a year is four digits"),
    ("196", 3, "a year is four digits"),
    ("~", 0, "a year is four digits"),
    ("circa 1966", 0, "1966~ about that year"),
    ("March 1966", 0, "a year is four digits"),
    ("19 66", 2, "a year is four digits"),
    ("19-6", 2, "a year is four digits"),
    ("196Y", 3, "a year is four digits"),
    ("19{6", 2, "a year is four digits"),
    ("19667", 4, "a year has four digits"),
    ("1960s", 4, "such as 196X"),
    ("1966 ~", 4, "after the year comes"),
    ("1966.03", 4, "after the year comes"),
    ("1966\u20131967", 4, "after the year comes"),
    ("\u0661\u0669\u0666\u0666", 0, "a year is four digits"),
    ("1966..1967", 4, "only inside a set"),
    ("0000", 0, "no year 0000"),
    ("-0044", 0, "before the year 1"),
    ("Y17E7", 0, "more than four digits"),
    ("Y1966", 0, "more than four digits"),
    ("XXXX", 0, "last digit or the last two digits"),
    ("1XXX", 1, "last digit or the last two digits"),
    ("19X6", 3, "last digit or the last two digits"),
    ("196X-03", 4, "no month can follow a year with X"),
    ("1966-", 5, "a month is two digits"),
    ("1966-3", 6, "a month is two digits"),
    ("1966-Mar", 5, "a month is two digits"),
    ("1966-1X", 6, "a month is two digits"),
    ("1966-00", 5, "no month 00"),
    ("1966-13", 5, "no month 13"),
    ("1966-20", 5, "no month 20"),
    ("1966-25", 5, "no month 25"),
    ("1966-0~-05", 6, "'~' is read only at the end"),
    ("1966-13/1967", 5, "no month 13; months"),
    ("1965-1967", 5, "write 1965/1967"),
    ("1965-13ab", 5, "no month 13; months are 01 to 12, seasons 21 to 24."),
    ("1910-1112", 7, "write 1965/1967"),
    ("1966-031", 7, "after the month comes"),
    ("1966-03ab", 7, "after the month comes"),
    ("1910-1234", 7, "a month has two digits"),
    ("1966-03/1966-03-", 16, "a day is two digits"),
    ("1966-03-5", 9, "a day is two digits"),
    ("1966-03-00", 8, "1966-03 has no day 00"),
    ("1966-03-32", 8, "1966-03 has no day 32"),
    ("1966-02-31", 8, "1966-02 has no day 31; its days are 01 to 28"),
    ("1966-02-29", 8, "its days are 01 to 28"),
    ("1968-02-30", 8, "its days are 01 to 29"),
    ("1966-XX-05", 8, "unknown month"),
    ("1966-21-05", 7, "no day can follow a season"),
    ("1966-03-05T10:00", 10, "times"),
    ("1966-03-XX-", 10, "ends with its day"),
    ("?1966", 0, "'?' is read only at the end"),
    ("~1966", 0, "'~' is read only at the end"),
    ("19%66", 2, "'%' is read only at the end"),
    ("1966?-03", 4, "'?' is read only at the end"),
    ("1966-~03", 5, "'~' is read only at the end"),
    ("1966-03%-05", 7, "'%' is read only at the end"),
    ("1966-03-?05", 8, "'?' is read only at the end"),
    ("1966~?", 4, "'~' is read only at the end"),
    ("1967/1966", 5, "ends before it starts"),
    ("1966-04/1966-03", 8, "ends before it starts"),
    ("1966/67", 7, "a year is four digits"),
    ("66/1967", 2, "a year is four digits"),
    ("1966/1967-13", 10, "no month 13"),
    ("1965/1966/1967", 9, "one '/'"),
    ("/", 0, "neither end is a date"),
    ("../", 0, "neither end is a date"),
    ("/..", 0, "neither end is a date"),
    ("1966/...", 5, "a year is four digits"),
    ("{1965,1966}", 0, "one of several"),
    ("[", 1, "isn't closed"),
    ("[1966", 5, "isn't closed"),
    ("[1966]~", 7, "isn't closed"),
    ("[]", 1, "a date is missing"),
    ("[1966,]", 6, "a date is missing"),
    ("[1966,,1968]", 6, "a date is missing"),
    ("[..]", 1, "needs a date before or after"),
    ("[1966..1965]", 7, "range ends before it starts"),
    ("[1966~]", 5, "'~' is read only at the end"),
    ("[1965/1966]", 5, "after the year comes"),
    ("  1966-13", 7, "no month 13"),
]


@pytest.mark.parametrize(("text", "at", "said"), REFUSED)
def test_a_date_that_cannot_be_read_names_its_character_and_what_to_write(
    text: str, at: int, said: str
) -> None:
    with pytest.raises(EdtfError) as caught:
        parse_edtf(text)
    assert (caught.value.text, caught.value.at) == (text, at)
    assert said in str(caught.value)
    where = f"character {at + 1} ({text[at]!r})" if at < len(text) else "at the end"
    assert where in str(caught.value)


SINGLE = [
    (text, at, said)
    for text, at, said in REFUSED
    if text.strip() == text != "" and not set(text) & set("/[],") and text[-1] not in "~?%"
]


@pytest.mark.parametrize(
    ("before", "after"), [("1965-03/", ""), ("", "/9998"), ("[1965-03,1964,", "]"), ("[", ",1970]")]
)
@pytest.mark.parametrize(("text", "at", "said"), SINGLE)
def test_a_fault_is_named_at_its_own_place_wherever_its_date_stands(
    text: str, at: int, said: str, before: str, after: str
) -> None:
    if ".." in text and before[:1] == "[":
        return  # a range of a set, and no fault there
    with pytest.raises(EdtfError) as caught:
        parse_edtf(before + text + after)
    assert caught.value.at == len(before) + at
    assert said in caught.value.problem


def test_the_text_and_the_years_are_given_by_name() -> None:
    assert parse_edtf(text="1966~", approximate_years=2).window == Window.years(1964, 1968)


def test_an_over_long_date_is_refused_without_echoing_it() -> None:
    with pytest.raises(EdtfError) as caught:
        parse_edtf("1966" + "6" * CLAIM_LIMIT)
    assert caught.value.at == CLAIM_LIMIT
    assert f"at most {CLAIM_LIMIT} characters, this {CLAIM_LIMIT + 4}" in str(caught.value)
    with pytest.raises(EdtfError) as caught:
        parse_edtf("[" + "1966," * SET_LIMIT + "1966]")
    assert caught.value.at == SET_LIMIT
    assert len(str(caught.value)) < 3 * CLAIM_LIMIT


def test_the_longest_date_allowed_is_read() -> None:
    assert parse_edtf("1966" + " " * 100).window == Window.year(1966)
    with pytest.raises(EdtfError, match="after the year comes"):
        parse_edtf("1966" + "a" * (CLAIM_LIMIT - 4))


def test_two_hundred_windows_still_round_trip() -> None:
    weeks = WindowSet.from_iter(w for year in range(1000, 1200) if (w := week_window(year, 10)))
    assert len(weeks) == 200
    written = weeks.edtf()
    assert written and parse_edtf(written).windows == weeks


def test_an_error_travels_between_processes() -> None:
    with pytest.raises(EdtfError) as caught:
        parse_edtf("1966-13")
    again = pickle.loads(pickle.dumps(caught.value))
    assert (again.text, again.at, str(again)) == (caught.value.text, caught.value.at, str(caught.value))


@given(st.text("0123456789X-/.~?%[],Y ", max_size=20) | st.text(max_size=70))
@example("1966-")
@example("[,]")
@example("[..,..]")
@example(" /1966")
def test_whatever_is_typed_is_read_or_refused_at_a_character_of_it(text: str) -> None:
    try:
        claim = parse_edtf(text)
    except EdtfError as error:
        assert 0 <= error.at <= len(text)
        assert str(error).endswith(".")
    else:
        assert claim.windows
        assert claim.window == claim.windows.hull()


# ---------------------------------------------------------------------------------------------------------------
# There and back


ordinals = st.integers(1, LAST_OF_ALL)


@st.composite
def a_window(draw: st.DrawFn) -> Window:
    low, high = sorted((draw(ordinals), draw(ordinals)))
    return Window(draw(st.sampled_from((low, low, None))), draw(st.sampled_from((high, high, None))))


windows = a_window()
sets = st.lists(windows, min_size=1, max_size=6).map(WindowSet.from_iter) | st.lists(
    st.builds(Window.month, st.integers(1945, 2001), st.integers(1, 12)), min_size=2, max_size=9
).map(WindowSet.from_iter)


@given(windows)
def test_a_window_written_is_read_back_the_same(window: Window) -> None:
    claim = parse_edtf(window.edtf())
    assert claim.windows == WindowSet.of(window)
    assert claim.notes == ()


@given(sets)
def test_a_set_written_is_read_back_the_same(windows: WindowSet) -> None:
    written = windows.edtf()
    assert written is not None
    assert parse_edtf(written).windows == windows


# ---------------------------------------------------------------------------------------------------------------
# The `edtf` package as oracle


def end_of(struct_or_infinity: Any) -> int | None:
    """The ordinal of one end as the `edtf` package gives it: a time tuple, or an infinity for an open end."""
    if isinstance(struct_or_infinity, float):
        return None
    return date(*struct_or_infinity[:3]).toordinal()


def oracle(text: str) -> Window:
    parsed = edtf.parse_edtf(text)
    return Window(end_of(parsed.lower_strict()), end_of(parsed.upper_strict()))


@settings(max_examples=40, deadline=None)
@given(windows)
@example(EVERY)
@example(Window(1, LAST_OF_ALL))
@example(Window(None, 1))
def test_every_window_written_means_the_same_to_the_edtf_package(window: Window) -> None:
    assert oracle(window.edtf()) == window


@settings(max_examples=25, deadline=None)
@given(sets.filter(lambda windows: len(windows) > 1))
def test_every_set_written_has_the_same_ends_to_the_edtf_package(windows: WindowSet) -> None:
    assert oracle(windows.edtf() or "") == windows.hull()


@st.composite
def a_plain_date(draw: st.DrawFn) -> str:
    """A date that the package and we should read alike: no qualifier, and no winter, which ends in December there."""
    year = draw(st.integers(1, 9999))
    month = draw(st.integers(1, 12))
    day = draw(st.integers(1, calendar.monthrange(year, month)[1]))
    return draw(
        st.sampled_from(
            (
                f"{year:04}",
                f"{year:04}-{month:02}",
                f"{year:04}-{month:02}-{day:02}",
                f"{year:04}-XX",
                f"{year:04}-XX-XX",
                f"{year:04}-{month:02}-XX",
                f"{max(year, 10):04}"[:3] + "X",
                f"{max(year, 100):04}"[:2] + "XX",
                f"{year:04}-{21 + month % 3}",
            )
        )
    )


@settings(max_examples=40, deadline=None)
@given(a_plain_date())
def test_a_plain_date_covers_the_days_that_the_edtf_package_gives_it(text: str) -> None:
    assert parse_edtf(text).window == oracle(text)


# The package fails on ../196X and on 1966-XX/1967.
dates_without_x = a_plain_date().filter(lambda text: "X" not in text)


@settings(max_examples=40, deadline=None)
@given(dates_without_x, dates_without_x)
def test_an_interval_covers_the_days_that_the_edtf_package_gives_it(first: str, last: str) -> None:
    first, last = sorted((first, last), key=lambda text: (parse_edtf(text).window.earliest or 0, text))
    for text in (f"{first}/{last}", f"../{last}", f"{first}/.."):
        assert parse_edtf(text).window == oracle(text)


@pytest.mark.parametrize(
    "text", ["1966~", "1966?", "1966%", "1966-03~", "1965~/1967", "1965/1967?", "1966-03-05%"]
)
def test_a_widened_date_holds_the_days_that_the_edtf_package_gives_without_widening(text: str) -> None:
    assert parse_edtf(text, approximate_years=0).window == oracle(text)
    strict = WindowSet.of(oracle(text))
    assert strict.issubset(parse_edtf(text).windows)


@pytest.mark.parametrize(
    "text", ["1966-13", "1966-02-31", "1966-3", "66", "1966~?", "1966/1967/1968", "[1966", ""]
)
def test_what_the_edtf_package_refuses_we_refuse(text: str) -> None:
    with pytest.raises(edtf.EDTFParseException):
        # The package accepts some days that no month has until it is asked for an end.
        oracle(text)
    with pytest.raises(EdtfError):
        parse_edtf(text)
