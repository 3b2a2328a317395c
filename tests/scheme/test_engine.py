"""The engine: which layouts fit a marking, what each field may be, and which days that leaves."""

import calendar
from datetime import date, timedelta

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from decoder.marking import ANY, BIT, DIGITS, Marking, chars_of, mask_of
from decoder.scheme.engine import (
    FIRST_TO_LAST,
    MOSTLY_GONE,
    READINGS_A_SCHEME,
    READINGS_WHEN_GONE,
    RUNS_A_YEAR,
    WINDOWS_MOST,
    any_between,
    build_index,
    date_problem,
    dated_readings,
    dates_of,
    days_in,
    field_values,
    is_new,
    least_from,
    lettered,
    matches,
    number_span,
    numbers,
    scheme_faults,
    up_to,
    values,
    years_of,
)
from decoder.scheme.layout import compile_layout
from decoder.scheme.reading import Precision, Strength, Timing
from decoder.tables import Citation, Tables
from decoder.window import Window, WindowSet, week_window
from tests.scheme.made import (
    DATES,
    FAKE,
    LETTERS,
    TABLES,
    WORDS,
    days,
    found,
    index,
    layouts,
    only,
    readings,
    scheme,
    ways,
    worn,
    written,
)

YEAR = date(1966, 1, 1)


def day(text):
    return Window.day(date.fromisoformat(text))


def edtf(one, text):
    return [reading.window.edtf() for reading in readings(one, text)]


# which layouts fit


def test_a_marking_fits_a_layout_of_its_length_only():
    one = scheme("{year2}{week}")
    assert found(one, "6612") and found(one, "66-12") == []
    assert found(one, "661") == [] and found(one, "66123") == []
    assert found(one, "66A2") == []


def test_a_worn_character_fits_where_one_of_its_choices_does():
    one = scheme("H{year2}")
    assert found(one, "[HK]6?") and found(one, "?66")
    assert found(one, "[KL]66") == [] and found(one, "H6[AB]") == []


def test_a_match_may_stand_inside_a_marking():
    marking = Marking.read("MODEL 5-66 12")
    (match,) = matches(index(scheme("{year2}~{week}")), None, marking, 6, 10)
    slot = match.slot("week")
    assert (match.text(slot), match.at(slot)) == ("12", (11, 13))
    assert match.slot("week", "year2").type == "year2"
    assert match.slot("day", "day2") is None


def test_a_letter_of_another_script_fits_nothing():
    assert found(scheme("{any:2}"), "昭和") == []


def test_only_the_schemes_of_a_kind_of_part_are_candidates():
    pots, any_part = (
        scheme("{year2}{week}", id="pots", kinds=["potentiometer"]),
        scheme("{year2}{week}", id="any"),
    )
    one = index(pots, any_part)
    fitting = {
        kind: [m.scheme.id for m in matches(one, kind, Marking.read("6612"), 0, 4)]
        for kind in (None, "potentiometer", "tube", "speaker")
    }
    assert fitting == {
        None: ["pots", "any"],
        "potentiometer": ["pots", "any"],
        "tube": ["any"],
        "speaker": [],
    }
    assert one.kinds_named == {"pots": frozenset({"potentiometer"}), "any": frozenset()}
    assert one.longest == 4
    assert index().longest == 0


def test_a_longer_form_of_a_star_says_nothing_new():
    one, seen = index(scheme("{digits:1-6}{week}{year2}")), set()
    forms = list(Marking.read("*1266").expansions(10))
    met = [sum(is_new(m, seen) for m in matches(one, None, form, 0, len(form.cells))) for form in forms]
    assert met == [0, 1, 0, 0, 0, 0, 0]
    assert len(forms) == 7


# digits


MASKS = st.one_of(
    st.integers(0, 9).map(lambda d: 1 << d), st.integers(0, DIGITS), st.just(ANY), st.just(mask_of("AB"))
)
CELLS = st.lists(MASKS, min_size=1, max_size=4).map(tuple)


def every_number(cells):
    """All numbers of these digits, the slow way."""
    return [
        n
        for n in range(10 ** len(cells))
        if all(c >> int(d) & 1 for c, d in zip(cells, f"{n:0{len(cells)}}", strict=True))
    ]


@given(CELLS, st.integers(-5, 12000), st.integers(-5, 12000))
def test_the_numbers_of_some_digits_between_two_bounds(cells, low, high):
    inside = [n for n in every_number(cells) if low <= n <= high]
    assert numbers(cells, low, high) == inside
    assert any_between(cells, low, high) is bool(inside)
    assert any_between(cells, low, high, number_span(cells)) is bool(inside)


@given(CELLS, st.integers(0, 12000))
@example((mask_of("05"), DIGITS), 30)
@example((mask_of("19"), mask_of("048"), mask_of("5")), 126)
@example((mask_of("19"), mask_of("0"), mask_of("5")), 106)
def test_the_least_number_that_is_so_much_or_more(cells, low):
    assert least_from(cells, low) == min((n for n in every_number(cells) if n >= low), default=None)


@given(CELLS)
def test_the_span_of_the_numbers(cells):
    every = every_number(cells)
    assert number_span(cells) == ((every[0], every[-1]) if every else None)


def test_nine_worn_digits_are_met_with_a_band_without_counting_them_out():
    assert any_between((DIGITS,) * 9, 123456789, 123456789)
    assert not any_between((DIGITS,) * 8 + (BIT["5"],), 123456786, 123456794)
    assert least_from((DIGITS,) * 8 + (BIT["5"],), 123456786) == 123456795
    assert numbers((BIT["1"] | BIT["2"],) * 9, 121212121, 121212121) == [121212121]


# what a field may be


@pytest.mark.parametrize(
    ("field", "text", "expected"),
    [
        ("{year1}", "?", range(10)),
        ("{year2}", "6?", range(60, 70)),
        ("{year4}", "[12]?66", (1866, 1966, 2066)),
        ("{week}", "??", range(1, 54)),
        ("{week}", "5?", (50, 51, 52, 53)),
        ("{week}", "00", ()),
        ("{month2}", "??", range(1, 13)),
        ("{month2}", "1?", (10, 11, 12)),
        ("{month2}", "13", ()),
        ("{month_number}", "?", range(1, 10)),
        ("{month_number}", "0?", range(1, 10)),
        ("{day2}", "3?", (30, 31)),
        ("{day}", "0", ()),
        ("{day_of_year}", "36?", range(360, 367)),
        ("{day_of_year}", "000", ()),
        ("{weekday}", "?", range(1, 8)),
        ("{week_of_month}", "?", range(1, 6)),
        ("{era_year}", "0?", range(10)),
        ("{digits:2}", "1?", range(10, 20)),
        ("{year_letter:vale}", "?", (1961, 1962, 1963, 1964, 1965, 1966, 1967, 1974)),
        ("{year_letter:vale}", "D", (1964, 1974)),
        ("{year_letter:vale}", "E", (1965, 1966, 1967)),
        ("{year_letter:last}", "[JKZ]", (0, 1)),
        ("{month_letter:vale}", "[HJ]", (8, 9)),
        ("{month_char:vale-char}", "[0O]", (10,)),
        ("{month_letter:odd}", "?", (12,)),
        ("{quarter_letter:vale}", "?", (1, 2, 3, 4)),
        ("{digit_letter:swap}", "H", (0,)),
        ("{month_name}", "J??", (1, 6, 7)),
        ("{month_name}", "MA[RY]", (3, 5)),
        ("{month_roman}", "[IV]I", (2, 6)),
        ("{era:era}", "?", (1899, 1949)),
        ("{code:vale}", "T", ()),
    ],
)
def test_the_values_of_a_field(field, text, expected):
    match = only(scheme(field), text)
    (slot,) = match.variant.slots
    assert values(slot, match.cells(slot), LETTERS) == tuple(expected)


def test_the_entries_of_a_letter_table_that_some_characters_may_be():
    (match,) = found(scheme("{plant=code:vale}"), "H?")
    (slot,) = match.variant.slots
    assert [letter.meaning for letter in lettered(slot, match.cells(slot), LETTERS)] == [
        "Harrow & Vale, both rooms"
    ]
    (match,) = found(scheme("{code:vale}"), "W")
    (slot,) = match.variant.slots
    (letter,) = lettered(slot, match.cells(slot), LETTERS)
    assert (letter.meaning, letter.values) == ("the works or the west room", ())


def test_a_letter_with_two_rows_has_the_values_and_the_periods_of_both():
    letter = LETTERS["old/year"]["A"]
    assert letter.values == (1921, 1951)
    assert letter.period == WindowSet.of(Window.years(1921, 1930), Window.years(1951, 1960))


def test_a_sign_that_no_marking_can_hold_is_in_no_table():
    assert "signs/year" not in LETTERS


# which years


def years(layout, text, first=1930, last=1999, **more):
    match = only(scheme(layout, **more), text)
    return years_of(match, LETTERS, Window.years(first, last))


@pytest.mark.parametrize(
    ("layout", "text", "expected"),
    [
        ("{year1}{week}", "612", [1936, 1946, 1956, 1966, 1976, 1986, 1996]),
        ("{year1}{week}", "[67]12", [y for y in range(1930, 2000) if y % 10 in (6, 7)]),
        ("{year2}{week}", "6612", [1966]),
        ("{year2}{week}", "?612", [1936, 1946, 1956, 1966, 1976, 1986, 1996]),
        ("{year2}{week}", "2912", []),
        ("{year4}", "19?6", [1936, 1946, 1956, 1966, 1976, 1986, 1996]),
        ("{year4}", "2066", []),
        ("{year_letter:vale}", "D", [1964, 1974]),
        ("{year_letter:last}", "J", [1930, 1940, 1950, 1960, 1970, 1980, 1990]),
        ("{year_letter:vale}{year1}", "D4", [1964, 1974]),
        ("{year_letter:vale}{year2}", "D74", [1974]),
        ("{year_letter:vale}{year1}", "D5", []),
        ("{year1}{week}{year1}", "6126", [1966]),
        ("{year1}{week}{year1}", "?126", [1936, 1946, 1956, 1966, 1976, 1986, 1996]),
        ("{era:era}{era_year}", "W16", [1965]),
        ("{era:era}{era_year}", "U49", [1948]),
        ("{era:era}{era_year}", "?01", [1950]),
        ("{era:era}{era_year}", "W0", []),
        ("{era:era}{era_year}", "U51", []),  # the era had ended
        ("{era:era}{era_year}", "X16", None),
        ("{era_year:2}", "16", [1965]),
        ("{era_year:2}", "32", [1931, 1981]),
        ("{month2}", "05", []),
        ("{source:3}", "137", []),
    ],
)
def test_the_years_that_a_marking_may_mean(layout, text, expected):
    if expected is None:
        assert found(scheme(layout), text) == []
    else:
        assert years(layout, text) == expected


def test_a_code_without_a_year_is_of_any_year_of_its_use():
    assert years("{month2}", "05", 1961, 1963, years="1961/1963") == [1961, 1962, 1963]
    assert years("{quarter_letter:vale}", "P", 1961, 1962, years="1961/1962") == [1961, 1962]
    assert years("{day_of_year}", "123", 1961, 1961, years="1961") == [1961]
    assert years("{source:3}", "137", 1961, 1963, years="1961/1963") == []


@given(layouts(), DATES, st.data())
def test_a_year_is_meant_when_and_only_when_it_can_be_written_so(layout, when, data):
    one = scheme(layout)
    text = data.draw(written(data.draw(st.sampled_from(one.variants)), when))
    assume(text is not None)
    for match in found(one, data.draw(worn(text))):
        slots = [s for s in match.variant.slots if s.type.startswith("year")]
        pair = len(slots) == 2
        meant = []
        for year in range(1930, 2000):
            forms = [
                [f"{year % 100:02}"[i]] if pair else ways(s, YEAR.replace(year=year))
                for i, s in enumerate(slots)
            ]
            if all(
                any(fits(match.cells(s), form) for form in each) for s, each in zip(slots, forms, strict=True)
            ):
                meant.append(year)
        assert years_of(match, LETTERS, one.limits) == meant


def fits(cells, text):
    return all(BIT[c] & cell for c, cell in zip(text, cells, strict=True))


def test_years_without_limits_are_those_of_a_long_craft():
    match = only(scheme("{year2}"), "66")
    assert years_of(match, LETTERS, None) == [1866, 1966, 2066]
    assert years_of(match, LETTERS, Window(None, Window.year(1970).latest)) == [1866, 1966]
    assert years_of(match, LETTERS, Window(Window.year(1960).earliest, None)) == [1966, 2066]


@pytest.mark.parametrize(
    ("limits", "last_year", "expected"),
    [
        ((1960, 1970), 2026, (1960, 1970)),
        ((1960, 2029), 2026, (1960, 2026)),
        ((1960, None), 2026, (1960, 2026)),
        ((1960, 1970), 1950, (1960, 1960)),
        (None, 2026, (1850, 2026)),
    ],
)
def test_limits_end_with_the_last_year_in_which_a_part_can_have_been_made(limits, last_year, expected):
    start = limits and Window.year(limits[0]).earliest
    window = limits and Window(start, Window.year(limits[1]).latest if limits[1] else None)
    assert up_to(window, last_year) == Window.years(*expected)


# which days


@pytest.mark.parametrize(
    ("layout", "text", "expected", "precision"),
    [
        ("{year2}", "66", "1966-01-01/1966-12-31", Precision.YEAR),
        ("{day2}{year2}", "0566", "1966-01-01/1966-12-31", Precision.YEAR),
        ("{year2}{month2}", "6602", "1966-02-01/1966-02-28", Precision.MONTH),
        ("{year2}{month2}", "6402", "1964-02-01/1964-02-29", Precision.MONTH),
        ("{month2}{day2}{year2}", "020564", "1964-02-05/1964-02-05", Precision.DAY),
        ("{month2}{day2}{year2}", "022964", "1964-02-29/1964-02-29", Precision.DAY),
        ("{month2}{day2}{year2}", "022966", None, Precision.DAY),
        ("{month2}{day2}{year2}", "043166", None, Precision.DAY),
        ("{year2}{day_of_year}", "64366", "1964-12-31/1964-12-31", Precision.DAY),
        ("{year2}{day_of_year}", "66366", None, Precision.DAY),
        ("{year2}{day_of_year}", "66060", "1966-03-01/1966-03-01", Precision.DAY),
        ("{year2}{day_of_year}", "64060", "1964-02-29/1964-02-29", Precision.DAY),
        ("{quarter_letter:vale}{year2}", "R66", "1966-07-01/1966-09-30", Precision.MONTH),
        (
            "{quarter_letter:vale}{year2}",
            "[PR]66",
            "[1966-01-01..1966-03-31,1966-07-01..1966-09-30]",
            Precision.MONTH,
        ),
        ("{month2}{year2}{week_of_month}", "02662", "1966-02-08/1966-02-14", Precision.WEEK),
        ("{month2}{year2}{week_of_month}", "02645", "1964-02-29/1964-02-29", Precision.WEEK),
        ("{month2}{year2}{week_of_month}", "02665", None, Precision.WEEK),
        ("{month_letter:vale}{year2}{week_letter:vale}", "B66B", "1966-02-08/1966-02-14", Precision.WEEK),
        (
            "{year4}{month2}{day2}",
            "196605?1",
            "[1966-05-01..1966-05-01,1966-05-11..1966-05-11,1966-05-21..1966-05-21,1966-05-31..1966-05-31]",
            Precision.DAY,
        ),
        ("{year4}{month2}{day2}", "196606[23]?", "1966-06-20/1966-06-30", Precision.DAY),
    ],
)
def test_the_days_that_a_date_allows(layout, text, expected, precision):
    match = only(scheme(layout), text)
    (year,) = years_of(match, LETTERS, match.scheme.limits)
    windows, unit, notes = days_in(match, year, LETTERS)
    assert windows.edtf() == expected
    assert (unit, notes) == (precision, ())


def test_a_week_is_the_week_of_every_rule():
    match = only(scheme("{year2}{week}"), "6612")
    windows, unit, notes = days_in(match, 1966, LETTERS)
    assert windows == WindowSet.of(week_window(1966, 12))
    assert (unit, notes) == (Precision.WEEK, ())


def test_letters_that_swap_digits_make_a_week():
    match = only(scheme("{year2}{digit_letter:swap}{digit_letter:swap}"), "66AR")
    assert days_in(match, 1966, LETTERS)[0] == WindowSet.of(week_window(1966, 12))
    match = only(scheme("{year2}{digit_letter:swap}{digit_letter:swap}"), "66NN")
    assert not days_in(match, 1966, LETTERS)[0]


def test_a_week_in_figures_before_a_letter_is_not_a_digit_of_the_same_number():
    match = only(scheme("{year2}{week}{digit_letter:swap}"), "6612R")
    assert days_in(match, 1966, LETTERS)[0] == WindowSet.of(week_window(1966, 2))


def test_week_53_is_read_where_some_rule_has_it_and_says_so():
    match = only(scheme("{year2}{week}"), "??53")
    having = [y for y in range(1930, 2000) if days_in(match, y, LETTERS)[0]]
    assert having == [y for y in range(1930, 2000) if week_window(y, 53)]
    assert 0 < len(having) < 40
    _, _, notes = days_in(match, having[0], LETTERS)
    assert notes == (f"week 53: {having[0]} has one under some week rules only; check the digits",)
    assert days_in(only(scheme("{year2}{week}"), "665[23]"), 1966, LETTERS)[2] == ()


def test_very_many_days_are_taken_from_the_first_to_the_last_and_it_is_said():
    match = only(scheme("{year2}{month2}{day2}"), "66??[012][13579]")
    windows, _, notes = days_in(match, 1966, LETTERS)
    assert notes == ("many days are possible: all from the first to the last are taken",)
    assert len(windows) == 12
    assert windows.windows[1] == Window.day(date(1966, 2, 1)).hull(Window.day(date(1966, 2, 27)))


@given(
    st.sampled_from(
        [
            "{year4}{week}",
            "{year4}{month2}",
            "{year4}{month_number}-{day}",
            "{year4}{month_letter:vale}{day2}",
            "{year4}{day_of_year}",
            "{year4}{quarter_letter:vale}",
            "{month_name}{day2}.{year4}",
            "{month2}{week_of_month}{year4}",
            "{year4}{month_char:vale-char}{week_letter:vale}",
            "{month_roman}.{day}{year4}",
            "{year4}{day2}",
        ]
    ),
    st.sampled_from([1964, 1966, 1900, 1999]),
    st.data(),
)
def test_the_days_are_those_of_the_calendar_that_could_be_written_so(layout, year, data):
    variant = data.draw(st.sampled_from(compile_layout(layout, WORDS)))
    cells = []
    for place, mask in enumerate(variant.masks):
        (slot,) = [s for s in variant.slots if s.start <= place < s.end]
        if slot.type == "year4":
            cells.append(BIT[str(year)[place - slot.start]])
        else:
            cells.append(
                mask
                & data.draw(st.one_of(st.just(ANY), st.integers(1, ANY), st.sampled_from(list(BIT.values()))))
            )
    assume(all(cells))
    match = match_of(layout, variant, tuple(cells))
    expected = set()
    for month in range(1, 13):
        for number in range(1, calendar.monthrange(year, month)[1] + 1):
            when = date(year, month, number)
            if all(
                s.type in ("week", "day2") or any(fits(match.cells(s), form) for form in ways(s, when))
                for s in variant.slots
            ):
                expected.add(when)
    days_alone = [s for s in variant.slots if s.type == "day2"]
    if days_alone and any(s.type.startswith("month") for s in variant.slots):
        expected = {d for d in expected if fits(match.cells(days_alone[0]), f"{d.day:02}")}
    weeks = [s for s in variant.slots if s.type == "week"]
    if weeks:
        expected = set()
        for week in range(1, 54):
            window = week_window(year, week)
            if window and fits(match.cells(weeks[0]), f"{week:02}"):
                expected |= {date.fromordinal(d) for d in range(window.earliest, window.latest + 1)}
    windows, _, notes = days_in(match, year, LETTERS)
    allowed = {date.fromordinal(d) for w in windows for d in range(w.earliest, w.latest + 1)}
    if any("many days" in note for note in notes):
        assert expected < allowed
        by_month = "day_of_year" not in layout
        runs = sum(1 for d in expected if d - timedelta(1) not in expected or (by_month and d.day == 1))
        assert runs > RUNS_A_YEAR
        assert len(windows) <= 12
    else:
        assert allowed == expected


def match_of(layout, variant, cells):
    """A variant laid on cells, whatever separators it needs."""
    from dataclasses import replace

    from decoder.scheme.engine import Match

    text = "?" * len(cells)
    marking = replace(Marking.read(text), cells=cells)
    return Match(scheme(layout), variant, marking, 0)


# readings


def test_every_year_that_a_marking_may_mean_is_a_reading_of_its_own():
    one = scheme(
        "{source:3}~{year1}{week}", years="1959/1969", decades="1945/1979", notes=["As the scheme says."]
    )
    made = readings(one, "137-612")
    assert [r.window.earliest for r in made] == [
        week_window(y, 12).earliest for y in (1946, 1956, 1966, 1976)
    ]
    assert [r.documented for r in made] == [False, False, True, False]
    assert made[0].notes == (
        "1946 is outside the documented years of this layout (1959/1969)",
        "As the scheme says.",
    )
    assert made[2].notes == ("As the scheme says.",)


def test_a_reading_carries_what_its_scheme_says():
    one = scheme(
        "{year2}{month2}",
        id="harrow",
        title="Bare",
        maker="Harrow & Vale",
        timing="instrument",
        before=3,
        after=6,
        strength="fair",
        revision="abc",
    )
    (match,) = found(one, "6605")
    (reading,) = dated_readings(
        match, LETTERS, notes=("From the family.",), sources=(Citation("x", "X", "C"),), rank=4
    )
    assert (reading.scheme, reading.title, reading.family, reading.maker) == (
        "harrow",
        "Bare",
        "bench",
        "Harrow & Vale",
    )
    assert (reading.timing, reading.before, reading.after) == (Timing.INSTRUMENT, 3, 6)
    assert (reading.strength, reading.rank, reading.revision) == (Strength.FAIR, 4, "abc")
    assert reading.sources == (Citation("made-up", "invented for the tests", "P"), Citation("x", "X", "C"))
    assert reading.notes == ("From the family.",)
    (weaker,) = dated_readings(match, LETTERS, strength=Strength.WEAK, fields=())
    assert (weaker.strength, weaker.fields) == (Strength.WEAK, ())


@pytest.mark.parametrize(
    ("more", "strength"),
    [
        ({}, Strength.STRONG),
        ({"weak": True}, Strength.WEAK),
        ({"undated": True}, Strength.WEAK),
        ({"strength": "fair"}, Strength.FAIR),
    ],
)
def test_a_scheme_is_strong_unless_it_says_otherwise(more, strength):
    assert scheme("{year2}", **more).strength is strength


def test_limits_given_bind_more_than_those_of_the_scheme():
    (match,) = found(scheme("{year1}{week}", decades="1945/1979"), "612")
    made = dated_readings(match, LETTERS, limits=Window.years(1960, 1969))
    assert [r.window.earliest for r in made] == [week_window(1966, 12).earliest]


def test_a_scheme_without_decades_is_bound_by_its_documented_years():
    row = {
        "id": "x",
        "family": "bench",
        "title": "X",
        "source": ["made-up"],
        "grade": "P",
        "package": "bench",
    }
    from decoder.scheme.engine import compile_scheme

    bare = compile_scheme(
        TABLES, {**row, "revision": "", "layouts": ["{year1}"], "years": "1955/1969"}, WORDS, None
    )
    assert [r.window.edtf()[:4] for r in readings(bare, "6")] == ["1956", "1966"]
    bound = compile_scheme(
        TABLES, {**row, "revision": "", "layouts": ["{year1}"]}, WORDS, Window.years(1960, 1980)
    )
    assert [r.window.edtf()[:4] for r in readings(bound, "6")] == ["1966", "1976"]


def test_a_year_without_the_day_is_no_reading():
    assert edtf(scheme("{month2}{day2}{year1}"), "02296") == [
        "1936-02-29/1936-02-29",
        "1956-02-29/1956-02-29",
        "1976-02-29/1976-02-29",
        "1996-02-29/1996-02-29",
    ]
    assert readings(scheme("{month2}{day2}{year2}"), "022966") == []


def test_a_letter_that_is_in_no_table_is_no_reading():
    assert len(readings(scheme("{plant=code:vale}{year2}"), "HV66")) == 1
    (unknown,) = found(scheme("{plant=code:vale}{year2}"), "H66")
    assert dated_readings(unknown, LETTERS)
    match = match_of(
        "{plant=code:vale}{year2}",
        next(v for v in scheme("{plant=code:vale}{year2}").variants if v.length == 4),
        tuple(map(mask_of, "H666")),
    )
    assert dated_readings(match, LETTERS) == []
    assert date_problem(match, LETTERS)[0].name == "plant"


def test_very_many_years_are_one_reading_that_says_so():
    one = scheme("{year2}{month2}", decades="1930/1999", years="1990/1999")
    (reading,) = readings(one, "??05")
    assert reading.notes == ("70 years are possible: the windows are merged into one reading",)
    assert reading.window == WindowSet.of(*(Window.month(y, 5) for y in range(1930, 2000)))
    assert (reading.precision, reading.documented) == (Precision.MONTH, True)


def test_years_that_have_no_such_day_are_not_counted():
    (reading,) = readings(scheme("{year2}{month2}{day2}", decades="1930/1999"), "??0229")
    assert reading.notes[0].startswith("17 years are possible")
    assert len(reading.window) == 17
    (reading,) = readings(scheme("{year2}{week}", decades="1930/1999"), "??53")
    having = [y for y in range(1930, 2000) if week_window(y, 53)]
    assert reading.notes == (
        f"{len(having)} years are possible: the windows are merged into one reading",
        "week 53: years have one under some week rules only; check the digits",
    )
    assert readings(scheme("{year2}{month2}{day2}", decades="1930/1999"), "??0230") == []


def test_merged_years_that_are_all_outside_the_documented_ones_say_so():
    (reading,) = readings(scheme("{year2}{month2}", decades="1930/1999", years="2001/2005"), "??05")
    assert not reading.documented
    assert reading.notes[1] == "all are outside the documented years of this layout (2001/2005)"


@given(
    st.sampled_from(
        [
            "{year2}{week}",
            "{year2}{month2}{day2}",
            "{year2}{day_of_year}",
            "{year2}",
            "{month_number}-{day}-{year2}",
        ]
    ),
    st.data(),
)
def test_merging_loses_no_day_and_adds_none_unless_the_windows_would_be_too_many(layout, data):
    one = scheme(layout, decades="1950/1979")
    variant = one.variants[-1]
    cells = [
        m & data.draw(st.sampled_from([ANY, ANY, mask_of("01235"), mask_of("13")])) for m in variant.masks
    ]
    match = match_of(layout, variant, tuple(cells))
    each = [days_in(match, year, LETTERS)[0] for year in years_of(match, LETTERS, one.limits)]
    merged = dated_readings(match, LETTERS, limits=one.limits)
    found = WindowSet.from_iter(w for r in merged for w in r.window)
    wanted = WindowSet.from_iter(w for s in each for w in s)
    assert wanted.issubset(found) and (wanted.earliest, wanted.latest) == (found.earliest, found.latest)
    assert all(len(r.window) <= WINDOWS_MOST for r in merged)
    if found != wanted:
        (reading,) = merged
        assert FIRST_TO_LAST in reading.notes and sum(map(len, each)) > WINDOWS_MOST
        assert found == WindowSet.from_iter(s.hull() for s in each if s)


def test_fields_are_told_in_words_with_their_places():
    one = scheme("{source:3}~{year1}{week}({letters:1})?")
    fields = field_values(only(one, "137-6[16]2K"), LETTERS)
    assert [(f.name, f.text, f.value, f.at) for f in fields] == [
        ("source", "137", "137", (0, 3)),
        ("year1", "6", "year ending in 6", (4, 5)),
        ("week", "[16]2", "week 12", (5, 10)),
        ("letters", "K", "K", (10, 11)),
    ]


@pytest.mark.parametrize(
    ("layout", "text", "value"),
    [
        ("{source:3}", "1?7", "1?7"),
        ("{week}", "[12]3", "week 13 or week 23"),
        ("{week}", "??", "53 possibilities, week 1 to week 53"),
        ("{week}", "60", "-"),
        ("{month2}", "0[56]", "May or June"),
        ("{month_name}", "JUN", "June"),
        ("{month_letter:vale}", "A", "January"),
        ("{year2}", "66", "66"),
        ("{year_letter:vale}", "D", "1964 or 1974"),
        ("{code:vale}", "W", "the works or the west room"),
        ("{code:vale}", "?", "Tidewater Bench or the works or the west room"),
        ("{era:era}", "W", "Harbour"),
        ("{any:1}", "[AB]", "?"),
        ("{digits:1}", "[13]", "?"),
    ],
)
def test_the_meaning_of_a_field(layout, text, value):
    (field,) = field_values(only(scheme(layout), text), LETTERS)
    assert field.value == value


# what can't be


@pytest.mark.parametrize(
    ("layout", "text", "field", "words"),
    [
        ("{year2}{week}", "6660", "week", "week 60: weeks run from 01 to 52, and to 53 in some years"),
        ("{year2}{week}", "6600", "week", "week 00"),
        ("{year2}{month2}", "6613", "month2", "month 13: no month is written so"),
        ("{year2}{month_name}", "66JAY", "month_name", "month JAY"),
        ("{month_letter:odd}{year2}", "Z66", "month_letter", "month Z"),
        ("{month2}{day2}{year2}", "053266", "day2", "day 32: days run from 1 to 31"),
        (
            "{year2}{day_of_year}",
            "66400",
            "day_of_year",
            "day of year 400: days of a year run from 001 to 366",
        ),
        ("{year2}{day_of_year}", "66366", "day_of_year", "day of year 366 does not exist in 1966"),
        ("{year2}{week}{weekday}", "66128", "weekday", "days of a week run from 1 to 7"),
        ("{month2}{year2}{week_of_month}", "05666", "week_of_month", "weeks of a month run from 1 to 5"),
        ("{month2}{day2}{year2}", "023166", "day2", "February has 28 days in 1966"),
        ("{month2}{day2}{year2}", "043166", "day2", "April has 30 days"),
        ("{year2}{week}", "6653", "week", "week 53 does not exist in 1966"),
        ("{year2}{week}", "2912", "year2", "year 29: only 1930 to 1999 can be meant here"),
        ("{year4}{week}", "206612", "year4", "year 2066: only 1930 to 1999"),
        ("{year_letter:vale}{year2}", "D75", "year_letter", "year D: only 1930 to 1999"),
        ("{era:era}{era_year}", "W51", "era_year", "year 51: only 1930 to 1999"),
        (
            "{month2}{year2}{week_of_month}",
            "02665",
            "week_of_month",
            "week of month 5 does not exist in 1966",
        ),
    ],
)
def test_the_field_that_can_not_be_is_named_and_why(layout, text, field, words):
    one = scheme(layout)
    for match in found(one, text):
        slot, problem = date_problem(match, LETTERS)
        assert slot.name == field
        assert words in problem
    assert found(one, text) and readings(one, text) == []


def test_a_date_that_can_be_has_no_problem():
    for layout, text in (("{year2}{week}", "6612"), ("{source:3}", "137"), ("{code:vale}{year2}", "T66")):
        assert date_problem(only(scheme(layout), text), LETTERS) is None


def test_limits_given_decide_what_can_be():
    match = only(scheme("{year2}{week}"), "6612")
    slot, problem = date_problem(match, LETTERS, Window.years(1970, 1979))
    assert (slot.name, problem) == ("year2", "year 66: only 1970 to 1979 can be meant here")


@given(layouts(), st.data())
def test_a_marking_is_read_or_has_a_problem_never_both(layout, data):
    one = scheme(layout)
    variant = data.draw(st.sampled_from(one.variants))
    cells = tuple(
        m & data.draw(st.one_of(st.just(ANY), st.sampled_from(list(BIT.values())))) or m
        for m in variant.masks
    )
    match = match_of(layout, variant, cells)
    assert bool(dated_readings(match, LETTERS)) is (date_problem(match, LETTERS) is None)


# round trip, wear, cost


@given(layouts(), DATES, st.data())
def test_a_date_in_writing_is_read_back(layout, when, data):
    one = scheme(layout)
    text = data.draw(written(data.draw(st.sampled_from(one.variants)), when))
    assume(text is not None)
    assert days(one, text).contains(when.toordinal())


@given(layouts(), DATES, st.data())
def test_a_worn_marking_allows_every_day_that_each_completion_allows(layout, when, data):
    one = scheme(layout)
    text = data.draw(written(data.draw(st.sampled_from(one.variants)), when))
    assume(text is not None)
    marked = data.draw(worn(text))
    allowed = days(one, marked)
    assert days(one, text).issubset(allowed)
    cells = Marking.read(marked).cells
    completion = data.draw(st.tuples(*(st.sampled_from(chars_of(c)) for c in cells)).map("".join))
    letters = iter(completion)
    kept = Marking.read(text)
    spelled = "".join(next(letters) if c.isalnum() else c for c in kept.text)
    assert days(one, spelled).issubset(allowed)


@given(layouts(), DATES, st.data())
def test_a_bracket_is_exactly_the_two_markings_that_it_may_be(layout, when, data):
    one = scheme(layout)
    text = data.draw(written(data.draw(st.sampled_from(one.variants)), when))
    assume(text is not None)
    place = data.draw(st.sampled_from([i for i, c in enumerate(text) if c.isalnum()]))
    other = data.draw(st.sampled_from("0123456789ABDEJV"))
    both = f"{text[:place]}[{text[place]}{other}]{text[place + 1 :]}"
    assert days(one, both) == days(one, text) | days(one, text[:place] + other + text[place + 1 :])


@given(layouts(), st.data())
def test_a_marking_full_of_unknown_characters_makes_few_readings(layout, data):
    one = scheme(layout)
    variant = data.draw(st.sampled_from(one.variants))
    match = match_of(layout, variant, variant.masks)
    made = dated_readings(match, LETTERS)
    assert len(made) <= READINGS_A_SCHEME
    assert sum(len(reading.window) for reading in made) <= 70 * RUNS_A_YEAR
    match = match_of(layout, variant, (ANY,) * variant.length)
    if variant.length >= MOSTLY_GONE:
        assert len(dated_readings(match, LETTERS)) <= READINGS_WHEN_GONE


def test_odd_days_of_very_many_years_stay_within_bounds():
    one = scheme("{year2}{day_of_year}", decades="1850/2099")
    (reading,) = readings(one, "[13579]?[012]?[13579]")
    assert len(reading.window) <= 250 * RUNS_A_YEAR
    one = scheme("{year2}{month2}{day2}", decades="1850/2099")
    (reading,) = readings(one, "[13579]???[012][13579]")
    assert len(reading.window) <= 250 * RUNS_A_YEAR


# the schemes of a family together


def test_an_index_holds_the_schemes_of_one_family():
    one = build_index(TABLES, "bench", ["potentiometer", "neck-heel", "tube"])
    assert [s.id for s in one.schemes] == [
        "bench-week",
        "bench-digit",
        "bench-day",
        "bench-name",
        "bench-bare",
    ]
    marking = Marking.read("137-6612")
    (match,) = matches(one, "potentiometer", marking, 0, 7)
    assert match.scheme.id == "bench-week"
    assert [r.window.edtf() for r in dated_readings(match, one.letters)] == [week_window(1966, 12).edtf()]
    assert list(matches(one, "neck-heel", marking, 0, 7)) == []
    assert build_index(TABLES, "none", []).schemes == ()


def test_the_frozen_schemes_have_no_fault():
    assert scheme_faults(TABLES, "bench") == []
    assert scheme_faults(TABLES, "bench-serial") == []


SHOP_SCHEME = """
[[scheme]]
id = "{id}"
family = "bench"
title = "Of a test"
source = ["made-up"]
grade = "P"
{more}
"""


@pytest.mark.parametrize(
    ("more", "fault"),
    [
        ("", "a scheme needs layouts or bands"),
        ("layouts = ['{wek}']", "unknown field type 'wek'"),
        ("layouts = ['{year_letter:hollow}']", "no table of letters is called 'hollow/year'"),
        ("layouts = ['{month2}']", "layout '{month2}' has no year: state the years of use"),
        (
            "layouts = ['{month_letter:odd}{year2}']",
            "'Z' of the letters odd/month stands for 13: month_letter goes from 1 to 12",
        ),
        ("layouts = ['{year2}']\nstrength = 'stronk'", "'STRONK' is not one of the words allowed there"),
        ("layouts = ['{year2}']\ntiming = 'later'", "'later' is not a valid Timing"),
    ],
)
def test_a_scheme_that_can_not_be_compiled_is_told(tmp_path, more, fault):
    import shutil

    place = shutil.copytree(FAKE / "bench", tmp_path / "bench")
    (place / "schemes.toml").write_text(
        SHOP_SCHEME.format(id="one", more=more) + SHOP_SCHEME.format(id="two", more="layouts = ['?']")
    )
    told = scheme_faults(Tables.open(tmp_path, base=FAKE), "bench")
    assert len(told) == 2
    assert told[0].startswith("bench/schemes.toml, scheme one: ") and fault in told[0]
    assert "scheme two: layout '?': '?' can't stand in a layout" in told[1]


@pytest.mark.parametrize(
    ("columns", "row", "layout"),
    [
        ("shape,letter", "round,A", "{year_letter:shop}{year2}"),
        ("table,position,character,value,from", "shop,year,é[,1966,", "{year_letter:shop}"),
    ],
)
def test_a_letter_table_of_another_shape_is_no_letter_table(tmp_path, columns, row, layout):
    import json

    fields = [{"name": n, "type": "string"} for n in columns.split(",")]
    cited = [{"name": "source", "type": "list"}, {"name": "grade", "type": "string"}]
    about = [{"name": n, "type": "string"} for n in ("id", "title", "address")]
    descriptor = {
        "name": "shop",
        "resources": [
            {"name": "letters", "path": "letters.csv", "schema": {"fields": fields + cited}},
            {"name": "sources", "path": "sources.csv", "schema": {"fields": about}},
        ],
    }
    (tmp_path / "datapackage.json").write_text(json.dumps(descriptor))
    (tmp_path / "letters.csv").write_text(f"{columns},source,grade\n{row},made-up,P\n")
    (tmp_path / "sources.csv").write_text("id,title,address\nmade-up,invented for the tests,\n")
    (tmp_path / "schemes.toml").write_text(SHOP_SCHEME.format(id="one", more=f"layouts = ['{layout}']"))
    (told,) = scheme_faults(Tables.open(tmp_path, base=FAKE), "bench")
    assert "no table of letters is called 'shop/year'" in told


# what is remembered of dates


TWICE_TOLD = (
    "X{year2}{week}{day2}",
    "X{year2}{month2}{week}",
    "X{year2}{day_of_year}{month2}",
    "X{year2}{day2}",
)


@given(
    st.lists(st.one_of(layouts(), st.sampled_from(TWICE_TOLD)), min_size=1, max_size=3),
    st.lists(st.tuples(DATES, st.integers(1930, 1999), st.integers(0, 69)), min_size=1, max_size=4),
    st.data(),
)
def test_days_made_of_remembered_parts_are_those_worked_out_anew(described, asked, data):
    made = index(*(scheme(layout, id=f"made-{number}") for number, layout in enumerate(described)))
    texts = []
    for one in made.schemes:
        for variant in one.variants:
            text = data.draw(written(variant, asked[0][0]))
            texts += [text] if text else []
    for when, low, more in asked:
        for one in made.schemes:
            text = data.draw(written(one.variants[0], when)) or "X"
            swapped = data.draw(st.text("0123456789", min_size=len(text), max_size=len(text)))
            harmed = [
                d if c.isdigit() and data.draw(st.booleans()) else c
                for c, d in zip(text, swapped, strict=True)
            ]
            for marking in map(Marking.read, (text, "".join(harmed), *texts)):
                for candidate in made.fitting(None, marking.form, 0, len(marking.cells)):
                    if candidate.fits(marking):
                        anew = dates_of(candidate.on(marking), LETTERS, low, min(low + more, 1999))
                        assert made.dates(candidate, marking, low, min(low + more, 1999)) == anew


@pytest.mark.parametrize(
    ("layout", "text", "told"),
    [
        ("X{year2}{week}{day2}", "X651399", "1965-03-26/1965-04-04"),
        ("X{year2}{day2}Z", "X6500Z", "1965-01-01/1965-12-31"),
        ("X{year2}{month2}{day2}{week_of_month}", "X6502179", "1965-02-17/1965-02-17"),
        ("X{year2}{day_of_year}{month2}", "X6510099", "1965-04-10/1965-04-10"),
    ],
)
def test_a_field_that_says_no_more_of_the_days_takes_none_away(layout, text, told):
    (match,) = found(scheme(layout), text)
    (dated,) = dates_of(match, LETTERS, 1930, 1999)
    assert dated.window.edtf() == told
