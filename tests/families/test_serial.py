"""Serial numbers as a bench technician meets them: bands, codes, worn digits, unknown makers, known traps.

Harrow & Vale and everything told of it is invented, in the shipped package `invented` and in the tables that
this module writes for itself.
"""

import csv
import json
from datetime import date
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from decoder.catalog import decode
from decoder.crosscheck import check
from decoder.families import serial
from decoder.scheme.reading import Precision, Strength
from decoder.tables import TableError, Tables
from decoder.tables import shipped as shipped_tables
from decoder.window import Window, WindowSet, parse_edtf, week_window

TODAY = date(2026, 11, 25)
MAKER = "Harrow & Vale"


def read(marking, maker=MAKER, part="serial", **more):
    return decode(marking, part=part, maker=maker, today=TODAY, **more)


def of(decoding, scheme):
    """The readings of one scheme."""
    return [reading for reading in decoding.readings if reading.scheme == scheme]


def one(decoding, scheme):
    """The one reading of one scheme."""
    (reading,) = of(decoding, scheme)
    return reading


def days(*years):
    """The days of some years, or of some runs of years such as (1957, 1959)."""
    spans = [year if isinstance(year, tuple) else (year, year) for year in years]
    return WindowSet.from_iter(Window.between(date(first, 1, 1), date(last, 12, 31)) for first, last in spans)


def numbers(decoding):
    """The readings as a serial number; other families read bare digits too."""
    return [reading for reading in decoding.readings if reading.family == "serial"]


def by_scheme(decoding):
    """The days of every series that reads a number, all its readings together."""
    found = {}
    for reading in numbers(decoding):
        found[reading.scheme] = found.get(reading.scheme, WindowSet(())) | reading.window
    return found


# --- tables of an invented works, written for these tests ---------------------------------------------------

SOURCES = """\
id,title,address,note
bench,the book of the Tidewater Bench (invented),,
"""
MAKERS = """\
id,name,aliases,parent,note,source,grade
harrow-vale,Harrow & Vale,H & V;Tidewater Bench;Härrow,,,bench,P
northgate,Harrow & Vale (Northgate works),Northgate,harrow-vale,,bench,P
quay,Quay Street Works,,,its ledger was never found,bench,P
"""
BANDS = """\
scheme,prefix,digits,suffix,first,last,from,to,date_kind,note,source,grade
bench-plate,,4-5,,9900,10000,1954,1954,shipped,,bench,P
bench-plate,,5,,10001,10900,1955,1955,shipped,,bench,P
bench-plate,,5,,10801,12100,1957,1957,shipped,a slow year,bench,P
bench-plate,,5,,12101,,1958-03,1958,shipped,,bench,P
bench-plate,,5,,15001,,1960,,shipped,,bench,P
bench-amp,A,4,,1,500,1961,1961,unknown,,bench,P
bench-amp,A,5,,1,500,1964,1964,unknown,,bench,P
bench-amp,AB,4,,1,500,1967,1967,unknown,,bench,P
bench-amp,A,4,R,1,500,1970,1970,unknown,,bench,P
bench-year,,4,,1,1450,1957,1959,unknown,,bench,P
bench-year,,4-5,,1451,20000,1960,1969,unknown,,bench,P
bench-year,,5,,20001,,1990,,unknown,,bench,P
northgate-plate,,3,,1,999,1971,1971,invoiced,,bench,P
"""
OVERLAPS = """\
maker,scheme,series,serials,prefix,digits,first,last,from,to,kind,warning,note,source,grade
Harrow & Vale,bench-plate,plates,10801-10900,,5,10801,10900,,,overlap,two years shared these plates,,bench,P
Harrow & Vale,bench-amp,amplifiers,A0007,A,4,7,7,,,disagreement,number 7 is told of two years,,bench,P
Harrow & Vale,bench-amp,amplifiers,AB,AB,4,0,9999,,,out-of-sequence,AB plates came from a bin,,bench,P
Harrow & Vale,bench-plate,plates,all,,,,,,,lag,plates lay in stock,,bench,P
Harrow & Vale,,trial pieces,none,,,,,,,no-number,trial pieces carry no number,,bench,P
"""
LETTERS = """\
table,position,character,meaning,value,from,to,note,source,grade
bench-y,year,A,1958,1958,,,,bench,P
bench-y,year,B,1959,1959,,,,bench,P
bench-m,month,C,March,3,,,,bench,P
bench-m,month,X,October,10,,,,bench,P
"""
HEAD = """
[[scheme]]
id = "{id}"
family = "serial"
title = "{id} (invented)"
maker = "{maker}"
kinds = ["serial", "neck-plate"]
timing = "instrument"
source = ["bench"]
grade = "P"
"""
SCHEMES = [
    ("bench-plate", MAKER, 'bands = "bands"\nbefore = 2\nafter = 9\n'),
    ("bench-amp", MAKER, 'bands = "bands"\n'),
    ("bench-year", MAKER, 'bands = "bands"\nlayouts = ["{year1}~{number:4-5}"]\nyears = "1957/.."\n'),
    ("northgate-plate", "Harrow & Vale (Northgate works)", 'bands = "bands"\n'),
    (
        "bench-code",
        MAKER,
        'layouts = ["{month_letter:bench-m}~{year_letter:bench-y}{digits:3}"]\nyears = "1958/1959"\n',
    ),
    ("bench-day", MAKER, 'layouts = ["D{day2}{month2}{year2}"]\nyears = "1991/.."\nafter = 3\n'),
    ("bench-bare", MAKER, 'layouts = ["Z~{digits:4}"]\nyears = "1962/1964"\nundated = true\n'),
]
COLUMN_TYPES = {"aliases": "list", "source": "list", "first": "integer", "last": "integer"}


def write_package(folder: Path, *, bands: str = BANDS, schemes=SCHEMES) -> Path:
    """A data package of the invented works."""
    files = {"sources": SOURCES, "makers": MAKERS, "bands": bands, "overlaps": OVERLAPS, "letters": LETTERS}
    resources = []
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
        columns = [
            {"name": column, "type": COLUMN_TYPES.get(column, "string")}
            for column in text.splitlines()[0].split(",")
        ]
        if name == "overlaps":  # several schemes may share one warning
            columns = [{**c, "type": "list"} if c["name"] == "scheme" else c for c in columns]
        resources.append({"name": name, "path": f"{name}.csv", "schema": {"fields": columns}})
    descriptor = {"name": "bench", "version": "2026.11", "resources": resources}
    (folder / "datapackage.json").write_text(json.dumps(descriptor), encoding="utf-8")
    text = "".join(HEAD.format(id=name, maker=maker) + more for name, maker, more in schemes)
    (folder / "schemes.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def bench(tmp_path_factory) -> Tables:
    return Tables.open(write_package(tmp_path_factory.mktemp("bench")))


def test_the_days_of_one_makers_code_are_never_those_of_another_makers_code(tmp_path):
    layouts = {"Northgate": "{week}{year2}Q", "Southgate": "{year2}{week}Q"}
    schemes = [
        (
            f"{works.lower()}-code",
            f"Harrow & Vale ({works} works)",
            f'layouts = ["{layout}"]\nyears = "1950/1959"\n',
        )
        for works, layout in layouts.items()
    ]
    tables = Tables.open(write_package(tmp_path, schemes=[*SCHEMES, *schemes]))
    meant = {"Northgate": (1952, 51), "Southgate": (1951, 52)}
    for works in (*meant, *reversed(meant)):
        reading = one(read("5152Q", f"Harrow & Vale ({works} works)", tables=tables), f"{works.lower()}-code")
        assert reading.window == WindowSet.of(week_window(*meant[works]))


# --- bands --------------------------------------------------------------------------------------------------


def test_a_number_in_a_band_reads_as_the_period_of_the_band(bench):
    reading = one(read("10500", tables=bench), "bench-plate")
    assert reading.window == days(1955)
    assert reading.precision is Precision.BAND
    assert reading.maker == MAKER
    assert [f.value for f in reading.fields] == ["10001 to 10900: 1955"]
    assert [(c.id, c.grade) for c in reading.sources] == [("bench", "P")]


@pytest.mark.parametrize(
    ("marking", "year"), [("10001", 1955), ("10800", 1955), ("10901", 1957), ("12100", 1957)]
)
def test_both_ends_of_a_band_belong_to_it(bench, marking, year):
    assert one(read(marking, tables=bench), "bench-plate").window == days(year)


def test_a_number_in_two_bands_keeps_both_periods_and_not_the_time_between(bench):
    reading = one(read("10850", tables=bench), "bench-plate")
    assert reading.window == days(1955, 1957)
    assert not reading.window.contains(date(1956, 7, 1).toordinal())
    assert any("lies in 2 bands" in note for note in reading.notes)


ENDS = st.lists(st.tuples(st.integers(0, 105), st.integers(0, 105)), max_size=serial.BANDS_KEPT + 14)


def bands_of_years(ends):
    """A band for each pair of ends, each of a year of its own."""
    made = []
    for year, (first, last) in enumerate(map(sorted, ends), 1901):
        period = Window.year(year)
        made.append(serial.Band(first, last, frozenset(), range(2, 3), period, {}, (), WindowSet.of(period)))
    return made


@given(ENDS, st.lists(st.integers(0, 110), min_size=1))
def test_a_number_lies_in_the_bands_whose_ends_hold_it_the_first_time_and_again(ends, asked):
    made = bands_of_years(ends)
    bands = serial.Bands.of(made)
    for number in (*asked, *asked):
        held = bands.holding(number)
        inside = [band for band in made if band.first <= number <= band.last]
        assert sorted(held.bands, key=made.index) == inside
        assert held.days == WindowSet.from_iter(band.window for band in inside)
    assert all(kept is None or len(kept.bands) <= serial.BANDS_KEPT for kept in bands.between)


@given(ENDS, st.tuples(*[st.sets(st.integers(0, 9), min_size=1)] * 2))
def test_a_worn_number_may_lie_in_the_bands_that_hold_one_of_its_completions(ends, digits):
    made = bands_of_years(ends)
    cells = tuple(sum(1 << digit for digit in each) for each in digits)
    completions = [10 * tens + ones for tens in digits[0] for ones in digits[1]]
    met = serial.Bands.of(made).met(cells, (min(completions), max(completions)))
    inside = [band for band in made if any(band.first <= number <= band.last for number in completions)]
    assert sorted(met.bands, key=made.index) == inside
    assert met.days == WindowSet.from_iter(band.window for band in inside)


def test_a_band_without_a_last_number_runs_to_the_next_of_its_width(bench):
    march = WindowSet.of(Window.between(date(1958, 3, 1), date(1958, 12, 31)))
    assert one(read("12101", tables=bench), "bench-plate").window == march
    assert one(read("15000", tables=bench), "bench-plate").window == march
    assert one(read("15001", tables=bench), "bench-plate").window != march


def test_the_last_band_of_all_runs_on_and_its_period_stays_open(bench):
    for marking in ("15001", "99999"):
        window = one(read(marking, tables=bench), "bench-plate").window.hull()
        assert (window.earliest_date, window.latest) == (date(1960, 1, 1), None)


def test_leading_zeros_are_part_of_a_number(bench):
    assert by_scheme(read("A0007", tables=bench)) == {"bench-amp": days(1961)}
    assert by_scheme(read("A00007", tables=bench)) == {"bench-amp": days(1964)}
    assert numbers(read("A007", tables=bench)) == []
    assert numbers(read("0010500", tables=bench)) == []


def test_a_width_of_four_or_five_takes_both(bench):
    assert one(read("9950", tables=bench), "bench-plate").window == days(1954)
    assert one(read("10000", tables=bench), "bench-plate").window == days(1954)
    assert of(read("9899", tables=bench), "bench-plate") == []


def test_numbers_compare_inside_one_prefix_and_suffix_only(bench):
    assert by_scheme(read("AB0007", tables=bench)) == {"bench-amp": days(1967)}
    assert by_scheme(read("A0007R", tables=bench)) == {"bench-amp": days(1970)}
    assert read("B0007", tables=bench).status == "near-miss"


@pytest.mark.parametrize("marking", ["A0007", "A 0007", "A-0007", "a.0007", " A/0007 "])
def test_case_and_the_separator_after_a_prefix_mean_nothing(bench, marking):
    assert by_scheme(read(marking, tables=bench)) == {"bench-amp": days(1961)}


def test_a_number_in_no_band_is_a_near_miss_that_names_the_series_and_real_numbers(bench):
    decoding = read("A0600", tables=bench)
    assert decoding.status == "near-miss"
    miss = next(m for m in decoding.near_misses if m.scheme == "bench-amp")
    assert "0600 lies in no published band of bench-amp" in miss.problem
    assert decoding.marking.text[slice(*miss.at)] == "0600"
    assert "A0500" in miss.corrections
    for correction in miss.corrections:
        assert of(read(correction, tables=bench), "bench-amp")


@pytest.mark.parametrize("prefix", ["S7", "E0", "E4", "N4", "Z6", "V"])
def test_a_published_prefix_is_never_mixed_with_another(prefix):
    rows = [
        row
        for row in shipped_tables().table("serials/bands").rows
        if row["scheme"] in ("fender-us-headstock", "fender-us-reissue") and row["prefix"] == prefix
    ]
    (row,) = rows
    reading = one(read(f"{prefix}12345", "Fender"), row["scheme"])
    assert reading.window == days((int(row["from"]), int(row["to"])))


def test_the_first_and_the_last_number_of_every_shipped_band_read_as_its_period():
    checked = 0
    for name in ("serials", "invented"):
        makers = {scheme["id"]: scheme for scheme in shipped_tables().schemes("serial")}
        for row in shipped_tables().table(f"{name}/bands").rows:
            scheme = makers[row["scheme"]]
            if scheme.get("layouts"):
                continue  # a year digit stands before the number
            for number in {row["first"], row["last"] or row["first"]}:
                width = max(len(str(number)), int(row["digits"].partition("-")[0]))
                marking = f"{row['prefix'] or ''}{number:0{width}}{row['suffix'] or ''}"
                first = parse_edtf(row["from"]).window.earliest
                last = parse_edtf(row["to"]).window.latest if row["to"] else None
                found = by_scheme(read(marking, scheme["maker"], tables=shipped_tables()))
                assert WindowSet.of(Window(first, last)).issubset(found[row["scheme"]]), marking
                checked += 1
    assert checked > 900


def test_every_printed_example_of_a_scheme_reads_as_printed():
    checked = 0
    for scheme in shipped_tables().schemes("serial"):
        for example in scheme.get("examples", ()):
            found = by_scheme(read(example["marking"], scheme["maker"]))
            assert found[scheme["id"]] == parse_edtf(example["window"]).windows, example
            checked += 1
    assert checked > 50


# --- a year digit with a running number ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("marking", "years"),
    [
        ("7 0100", days(1957)),
        ("9 1000", days(1959)),
        ("3 1451", days(1963)),
        ("3 15000", days(1963)),
        ("3 20500", days(1993, 2003, 2013, 2023)),
    ],
)
def test_the_band_of_the_running_number_settles_the_decade_of_a_year_digit(bench, marking, years):
    assert one(read(marking, tables=bench), "bench-year").window == years


def test_a_year_digit_that_no_year_of_the_band_has_is_the_fault_and_not_the_number(bench):
    decoding = read("3 0100", tables=bench)
    assert of(decoding, "bench-year") == []
    miss = next(m for m in decoding.near_misses if m.scheme == "bench-year")
    assert decoding.marking.text[slice(*miss.at)] == "3"
    assert "1 to 1450: 1957 to 1959" in miss.problem
    assert sorted(miss.corrections) == ["7 0100", "8 0100", "9 0100"]


@pytest.mark.parametrize("order", [(2005, 2026), (2026, 2005)])
def test_a_year_digit_means_no_year_after_today_whoever_asked_before(tmp_path, order):
    tables = Tables.open(write_package(tmp_path))
    years = {2005: (1993, 2003), 2026: (1993, 2003, 2013, 2023)}
    for last in order:
        decoding = decode("3 20500", part="serial", maker=MAKER, today=date(last, 1, 1), tables=tables)
        assert one(decoding, "bench-year").window == days(*years[last])


def test_the_running_number_keeps_its_width_beside_a_year_digit(bench):
    assert one(read("3 2000", tables=bench), "bench-year").window == days(1963)
    assert of(read("7 00100", tables=bench), "bench-year") == []  # four digits to 1450


def test_a_published_year_digit_with_its_running_number():
    """12stringbass.net: 0 1964 is of 1980; two digits of the same number elsewhere would be of 1990 or 2000."""
    assert one(read("0 1964", "Hamer"), "hamer-production").window == days(1980)
    assert one(read("3 55555", "Hamer"), "hamer-production").window == days(2003, 2013, 2023)


# --- codes --------------------------------------------------------------------------------------------------


def test_letters_of_month_and_year_with_a_running_number(bench):
    reading = one(read("XB123", tables=bench), "bench-code")
    assert reading.window == WindowSet.of(Window.between(date(1959, 10, 1), date(1959, 10, 31)))
    assert reading.precision is Precision.MONTH
    values = {field.name: field.value for field in reading.fields}
    assert (values["month_letter"], values["year_letter"]) == ("October", "1959")


def test_a_letter_that_stands_for_no_month_is_named(bench):
    miss = next(m for m in read("DB123", tables=bench).near_misses if m.scheme == "bench-code")
    assert "'D'" in miss.problem
    assert set(miss.corrections) == {"CB123", "XB123"}


def test_a_number_that_is_a_day_is_read_to_the_day_and_no_calendar_lacks_it(bench):
    reading = one(read("D290292", tables=bench), "bench-day")
    assert reading.window == WindowSet.of(Window.day(date(1992, 2, 29)))
    miss = next(m for m in read("D290293", tables=bench).near_misses if m.scheme == "bench-day")
    assert "29" in miss.problem and "1993" in miss.problem


def test_a_code_without_an_end_reads_no_year_after_today(bench):
    assert one(read("D010126", tables=bench), "bench-day").window == WindowSet.of(
        Window.day(date(2026, 1, 1))
    )
    late = read("D010127", tables=bench)
    assert of(late, "bench-day") == []
    assert any("27" in m.problem for m in late.near_misses if m.scheme == "bench-day")


@pytest.mark.parametrize("order", [(2025, 2026), (2026, 2025)])
def test_a_code_reads_no_year_after_today_whoever_asked_before(tmp_path, order):
    tables = Tables.open(write_package(tmp_path))
    for last in order:
        decoding = decode("D010126", part="serial", maker=MAKER, today=date(last, 12, 31), tables=tables)
        assert len(of(decoding, "bench-day")) == (last == 2026)


@pytest.mark.parametrize(
    ("maker", "marking", "window"),
    [
        ("Ibanez", "C760276", "1976-03-01/1976-03-31"),
        ("Tom Anderson", "12-21-92P", "1992-12-21/1992-12-21"),
        ("Taylor", "20070311301", "2007-03-11/2007-03-11"),
        ("Yamaha", "HP213J", "1991-09-01/1991-09-30"),
        ("Chris Larkin", "970103", "1997-01-01/1997-01-31"),
    ],
)
def test_published_codes(maker, marking, window):
    assert parse_edtf(window).windows in by_scheme(read(marking, maker)).values()


def test_a_one_digit_year_keeps_every_decade_of_its_series():
    """The sheet of the maker as published: HM02316 is 2 June of a year that ends in 1; no decade is encoded."""
    readings = of(read("HM02316", "Yamaha"), "yamaha-acoustic-letters")
    assert [r.window.hull().earliest_date for r in readings] == [
        date(year, 6, 2) for year in (1961, 1971, 1981, 1991, 2001)
    ]


def test_a_number_without_a_date_is_bounded_by_the_years_of_its_series_and_weak(bench):
    reading = one(read("Z0815", tables=bench), "bench-bare")
    assert reading.window == days((1962, 1964))
    assert (reading.strength, reading.precision) == (Strength.WEAK, Precision.BOUND)
    assert any("no date stands in this number" in note for note in reading.notes)


# --- whose number is it? ------------------------------------------------------------------------------------

ALIASES = sorted(
    (name, row["name"])
    for row in shipped_tables().table("serials/makers").rows
    for name in (row["id"], *row["aliases"])
)
SAMPLES = [
    "31500",
    "C760276",
    "L20428",
    "142108",
    "0 1964",
    "970103",
    "JV12345",
    "AD356",
    "4123",
    "980311301",
]


@pytest.mark.parametrize(("alias", "name"), ALIASES)
def test_every_alias_of_a_maker_reads_what_its_own_name_reads(alias, name):
    for marking in SAMPLES:
        assert numbers(read(marking, alias)) == numbers(read(marking, name))


@pytest.mark.parametrize("name", ["harrow & vale", "HARROW & VALE", "Harrow&Vale", " harrow  vale "])
def test_a_maker_is_known_in_any_case_and_spacing_without_a_table_of_makers(name):
    assert one(read("31500", name), "harrow-vale-main").window == days(1964)


@pytest.mark.parametrize("name", ["härrow", "HARROW", "ha\u0308rrow", "h&v", "tidewater bench"])
def test_accents_mean_nothing_in_a_makers_name(bench, name):
    assert one(read("10500", name, tables=bench), "bench-plate").window == days(1955)


def test_a_maker_reads_the_numbers_of_its_works_too_but_a_works_not_those_of_the_house(bench):
    assert one(read("017", MAKER, tables=bench), "northgate-plate").maker == "Harrow & Vale (Northgate works)"
    assert one(read("017", "Northgate", tables=bench), "northgate-plate").window == days(1971)
    assert numbers(read("10500", "northgate", tables=bench)) == []


def test_the_house_of_a_published_maker_reads_its_japanese_works():
    assert of(read("JV12345", "Fender"), "fender-japan-made") == of(
        read("JV12345", "Fender Japan"), "fender-japan-made"
    )
    assert numbers(read("L20428", "Fender Japan")) == []


@pytest.mark.parametrize("marking", ["31500", "1????", "142108", "*500", "C760276"])
def test_with_no_maker_every_series_that_fits_is_named_and_none_is_above_fair(marking):
    decoding = read(marking, None)
    assert len({reading.maker for reading in numbers(decoding)}) > 1
    for reading in numbers(decoding):
        assert reading.strength <= Strength.FAIR
        assert reading.maker
        assert any(reading.maker in note and "not given" in note for note in reading.notes)


@pytest.mark.parametrize("marking", ["31500", "L20428", "142108", "C760276", "0 1964", "4123"])
def test_with_no_maker_nothing_is_hidden_that_a_maker_would_read(marking):
    anybody = by_scheme(read(marking, None))
    makers = {row["name"] for row in shipped_tables().table("serials/makers").rows} | {MAKER}
    for maker in makers:
        for scheme, window in by_scheme(read(marking, maker)).items():
            assert anybody[scheme] == window


@pytest.mark.parametrize("blank", ["", "   ", "&"])
def test_a_blank_maker_is_no_maker(blank):
    assert numbers(read("31500", blank)) == numbers(read("31500", None)) != []


@pytest.mark.parametrize("marking", ["31500", "999999999", "QX1"])
def test_a_maker_that_is_not_known_gives_no_reading_and_says_so_first(marking):
    decoding = read(marking, "Nobody & Sons")
    assert numbers(decoding) == []
    assert "no maker called 'Nobody & Sons' is known here" in decoding.near_misses[0].problem
    assert "serials/makers" in decoding.near_misses[0].problem
    assert decoding.near_misses[0].corrections == ()


def test_a_maker_that_is_not_known_is_told_before_what_other_families_almost_read():
    decoding = decode("31500", maker="Nobody & Sons", today=TODAY)
    assert len(decoding.near_misses) > 1
    assert decoding.near_misses[0].scheme == "serial"


@pytest.mark.parametrize(
    ("marking", "part", "strength"),
    [("31500", None, Strength.WEAK), ("31500", "serial", Strength.FAIR), ("L20428", None, Strength.FAIR)],
)
def test_bare_digits_on_an_unknown_part_are_weak_and_a_letter_or_the_kind_of_part_makes_them_fair(
    marking, part, strength
):
    assert max(reading.strength for reading in numbers(read(marking, None, part))) is strength


def test_a_pot_code_is_read_whoever_made_the_instrument():
    decoding = decode("137-6612", maker="Nobody & Sons", today=TODAY)
    assert decoding.status == "read"
    assert decoding.near_misses == ()


@pytest.mark.parametrize("name", ["Harow & Vale", "Harrow and Vale", "Harrow & Vale Instrument Co."])
def test_a_makers_name_that_comes_near_is_offered(name):
    assert f"did you mean {MAKER}?" in read("31500", name).near_misses[0].problem


def test_a_makers_name_is_quoted_without_its_control_characters_and_not_at_full_length():
    problem = read("31500", "\x1b[31m" + "x" * 10_000).near_misses[0].problem
    assert "\x1b" not in problem
    assert len(problem) < 400


def test_a_maker_without_a_table_is_told_apart_from_one_that_is_not_known(bench):
    problem = read("31500", "quay street works", tables=bench).near_misses[0].problem
    assert "no numbers of Quay Street Works are held here (its ledger was never found)" in problem


# --- worn digits --------------------------------------------------------------------------------------------


def _numbers():
    """Numbers from the ends and the middles of the shipped bands, and every printed example, with the maker."""
    schemes = {scheme["id"]: scheme for scheme in shipped_tables().schemes("serial")}
    found = []
    for row in shipped_tables().table("serials/bands").rows:
        last = row["last"] or row["first"] + 100
        width = int(row["digits"].partition("-")[0])
        scheme = schemes[row["scheme"]]
        digit = (
            f"{row['from'][3]} " if scheme.get("layouts") else ""
        )  # the last digit of the band's first year
        for number in (row["first"], (row["first"] + last) // 2, last):
            clear = f"{digit}{row['prefix'] or ''}{number:0{width}}{row['suffix'] or ''}"
            found.append((clear, scheme["maker"]))
    for scheme in shipped_tables().schemes("serial"):
        found += [(example["marking"], scheme["maker"]) for example in scheme.get("examples", ())]
    return found


NUMBERS = _numbers()


@given(st.data())
def test_a_worn_number_allows_every_day_that_each_of_its_completions_allows(data):
    clear, maker = data.draw(st.sampled_from(NUMBERS))
    places = [i for i, c in enumerate(clear) if c.isalnum()]
    worn = data.draw(st.lists(st.sampled_from(places), min_size=1, max_size=3, unique=True))
    text = ""
    for place, character in enumerate(clear):
        if place not in worn:
            text += character
        elif data.draw(st.booleans()):
            text += "?"
        else:
            others = data.draw(st.text("0123456789ABCS", min_size=1, max_size=3))
            text += f"[{others}{character}]"
    if data.draw(st.booleans()):
        maker = None
    assume(any(place not in worn for place in places) or "[" in text)  # with nothing legible nothing is read
    whole = by_scheme(read(clear, maker))
    allowed = by_scheme(read(text, maker))
    assert whole
    for scheme, window in whole.items():
        assert window.issubset(allowed[scheme]), (clear, text, scheme)


@given(st.sampled_from(NUMBERS), st.integers(0, 3), st.integers(0, 3))
def test_a_star_allows_every_day_that_the_whole_number_allows(number, before, after):
    clear, maker = number
    kept = clear[before : len(clear) - after]
    # a star is letters and digits: it stands for no separator, and none stands beside it here
    if not (clear[:before] + clear[len(clear) - after :] + kept[:1] + kept[-1:]).isalnum():
        return
    text = ("*" if before else "") + kept + ("*" if after else "")
    if sum(c.isalnum() for c in kept) < 3 or bool(before) is bool(after):
        return  # beside a star, or outside of two, fewer than three characters are too little to read
    allowed = by_scheme(read(text, maker))
    for scheme, window in by_scheme(read(clear, maker)).items():
        assert window.issubset(allowed[scheme]), (clear, text, scheme)


def test_a_worn_digit_that_spans_two_bands_keeps_both(bench):
    assert one(read("1[01]500", tables=bench), "bench-plate").window == days(1955, 1957)


def test_a_worn_character_may_belong_to_the_prefix_or_to_the_number(bench):
    assert by_scheme(read("A?007", tables=bench)) == {"bench-amp": days(1961)}
    assert by_scheme(read("A[B0]0007", tables=bench)) == {"bench-amp": days(1964, 1967)}


def test_a_worn_prefix_is_one_reading_of_all_prefixes_that_it_may_be():
    seven, eight = (one(read(f"S{digit}12345", "Fender"), "fender-us-headstock").window for digit in "78")
    assert one(read("S[78]12345", "Fender"), "fender-us-headstock").window == seven | eight


def test_worn_places_never_give_more_than_the_series_has(bench):
    window = one(read("10???", tables=bench), "bench-plate").window
    assert window == days(1954, 1955, 1957)  # 10000, 10001 to 10900, 10801 to 12100


# --- known traps --------------------------------------------------------------------------------------------


def notes_of(marking, bench, scheme):
    return [note for reading in of(read(marking, tables=bench), scheme) for note in reading.notes]


def test_a_trap_is_told_for_the_numbers_that_it_speaks_of_and_for_no_others(bench):
    shared = "two years shared these plates"
    assert shared in notes_of("10801", bench, "bench-plate")
    assert shared in notes_of("10900", bench, "bench-plate")
    assert shared not in notes_of("10800", bench, "bench-plate")
    assert shared not in notes_of("10901", bench, "bench-plate")
    assert shared in notes_of("108??", bench, "bench-plate")


def test_a_trap_keeps_to_its_prefix_and_width(bench):
    told = "number 7 is told of two years"
    assert told in notes_of("A0007", bench, "bench-amp")
    for other in ("A0008", "A00007", "AB0007", "A0007R"):
        assert told not in notes_of(other, bench, "bench-amp")


def test_a_trap_of_a_whole_series_is_told_for_all_of_it(bench):
    assert "plates lay in stock" in notes_of("10500", bench, "bench-plate")
    assert "plates lay in stock" not in notes_of("A0007", bench, "bench-amp")


def test_a_trap_of_all_numbers_of_a_maker_is_told_where_the_maker_is_given(bench):
    told = "trial pieces carry no number"
    assert told in notes_of("A0007", bench, "bench-amp")
    unknown = of(read("A0007", None, tables=bench), "bench-amp")
    assert unknown and all(told not in reading.notes for reading in unknown)


def test_a_trap_printed_of_five_digits_is_not_told_of_four():
    """The 1952 reissue carries plain five-digit numbers: an old plate of four digits can't be one of them."""
    told = "the 1952 reissue carries a plain five-digit number"
    assert any(told in note for r in of(read("31500", "Fender"), "fender-plate-close") for note in r.notes)
    assert not any(told in note for r in of(read("4123", "Fender"), "fender-plate-close") for note in r.notes)


def test_the_first_digits_of_a_month_and_year_code_that_read_two_ways_are_told_so():
    readings = of(read("109837", "Gretsch"), "gretsch-1966-72")
    assert {r.window.hull().earliest_date for r in readings} == {date(1969, 10, 1), date(1970, 1, 1)}
    assert all(any("January of 1970" in note for note in r.notes) for r in readings)


def _numbered_traps():
    return [row for row in shipped_tables().table("serials/overlaps").rows if row["first"] is not None]


@pytest.mark.parametrize("row", _numbered_traps(), ids=lambda row: f"{row['prefix'] or ''}{row['first']}")
def test_every_shipped_trap_of_some_numbers_is_told_for_them_and_not_beyond(row):
    least = int(row["digits"].partition("-")[0])
    most = int(row["digits"].partition("-")[2] or least)
    same = [r for r in _numbered_traps() if r["warning"] == row["warning"]]

    def told(number, width):
        marking = f"{row['prefix'] or ''}{number:0{width}}"
        readings = [r for r in numbers(read(marking, row["maker"])) if r.maker == row["maker"]]
        readings = [r for r in readings if not row["scheme"] or r.scheme in row["scheme"]]
        return readings, any(row["warning"] in r.notes for r in readings)

    for width in range(least, most + 1):
        for number in (row["first"], row["last"]):
            if len(str(number)) <= width:
                readings, said = told(number, width)
                assert said == bool(readings), (number, width)
        beyond = row["last"] + 1
        if len(str(beyond)) <= width and not any(
            (r["prefix"] or "") == (row["prefix"] or "") and r["first"] <= beyond <= r["last"] for r in same
        ):
            _, said = told(beyond, width)
            assert not said, (beyond, width)


# --- what a band does not say -------------------------------------------------------------------------------


def estimates(reading):
    return [note for note in reading.notes if "used evenly" in note]


def test_a_date_by_even_spacing_is_words_and_leaves_the_window_alone():
    """A third into the plates of 1964 (29501 to 34200) is a third into its days: the first of May."""
    reading = one(read("31067"), "harrow-vale-main")
    assert reading.window == days(1964)
    assert estimates(reading) == [
        "about May 1964 if the numbers of this band were used evenly: an estimate, not a window"
    ]


@pytest.mark.parametrize(
    ("marking", "scheme", "why"),
    [
        ("3[14]067", "harrow-vale-main", "the number is worn"),
        ("33900", "harrow-vale-main", "it lies in two bands"),
    ],
)
def test_no_estimate_where_the_number_does_not_settle_one_band(marking, scheme, why):
    assert estimates(one(read(marking), scheme)) == [], why


def test_no_estimate_in_a_band_without_an_end_or_out_of_sequence(bench):
    assert estimates(one(read("13000", tables=bench), "bench-plate")) != []  # to the next band, within 1958
    assert estimates(one(read("15500", tables=bench), "bench-plate")) == []
    assert estimates(one(read("A0100", tables=bench), "bench-amp")) != []
    assert estimates(one(read("AB0100", tables=bench), "bench-amp")) == []


def test_no_estimate_against_a_year_digit(bench):
    assert (
        estimates(one(read("9 0100", tables=bench), "bench-year")) == []
    )  # 100 of 1450 would be early in 1957
    assert estimates(one(read("7 0100", tables=bench), "bench-year")) != []


def test_no_estimate_where_a_prefix_alone_tells_the_years():
    assert estimates(one(read("JV12345", "Fender Japan"), "fender-japan-made")) == []


def test_what_the_dates_are_dates_of_is_said():
    assert any(
        "days of stamping, which comes before completion" in n
        for n in one(read("31500"), "harrow-vale-main").notes
    )


def test_the_dates_are_those_of_the_band_where_the_scheme_does_not_say(bench):
    assert any("days of shipping" in n for n in one(read("10500", tables=bench), "bench-plate").notes)
    assert any("days of invoice" in n for n in one(read("017", tables=bench), "northgate-plate").notes)
    assert not any("dates of this series" in n for n in one(read("A0007", tables=bench), "bench-amp").notes)


# --- tolerance ----------------------------------------------------------------------------------------------


def test_the_tolerance_of_a_series_is_carried_in_months_and_said_in_words(bench):
    plate = one(read("10500", tables=bench), "bench-plate")
    assert (plate.before, plate.after) == (2, 9)
    assert any("2 months before or 9 months after" in note for note in plate.notes)
    coded = one(read("D290292", tables=bench), "bench-day")
    assert (coded.before, coded.after) == (0, 3)
    assert any("up to 3 months after" in note for note in coded.notes)
    exact = one(read("A0007", tables=bench), "bench-amp")
    assert (exact.before, exact.after) == (0, 0)
    assert not any("tolerance" in note for note in exact.notes)


@pytest.mark.parametrize(
    ("claim", "verdict"),
    [
        ("1954-10", "too-new"),  # the tolerance before is two months: from 1 November 1954
        ("1954-11", "fits"),
        ("1955-06", "fits"),
        ("1956-09", "fits"),  # nine months after 1955
        ("1956-10", "too-old"),
    ],
)
def test_the_tolerance_and_no_stock_lag_decides_a_verdict(bench, claim, verdict):
    sheet = {
        "instrument": {"maker": MAKER, "claim": claim},
        "parts": [{"id": "plate", "part": "serial", "marking": "10500"}],
    }
    (part,) = check(sheet, today=TODAY, tables=bench).as_dict()["parts"]
    assert part["verdict"] == verdict


# --- the invented maker that the demonstration uses ---------------------------------------------------------


@pytest.mark.parametrize(
    ("marking", "scheme", "windows"),
    [
        ("10001", "harrow-vale-main", days(1955)),
        ("29501", "harrow-vale-main", days(1964)),
        ("34000", "harrow-vale-main", days((1964, 1965))),
        ("58999", "harrow-vale-main", days(1969)),
        ("HV 118204", "harrow-vale-hv", days(1972)),
        ("hv-100001", "harrow-vale-hv", days(1970)),
    ],
)
def test_the_invented_maker_of_the_demonstration(marking, scheme, windows):
    assert one(read(marking, part="neck-plate"), scheme).window == windows


def test_the_invented_makers_weeks():
    reading = one(read("76 24 113"), "harrow-vale-coded")
    assert reading.window.contains(date.fromisocalendar(1976, 24, 4).toordinal())
    assert reading.precision is Precision.WEEK


def test_the_invented_maker_says_that_it_is_invented():
    for reading in read("31500").readings:
        if reading.maker == MAKER:
            assert any("no real maker" in note for note in reading.notes)
            assert all("invented" in citation.title for citation in reading.sources)


# --- tables that can't be used ------------------------------------------------------------------------------


def test_the_shipped_bands_have_no_fault():
    assert serial.band_faults(shipped_tables()) == []


@pytest.mark.parametrize(
    ("row", "column", "said"),
    [
        ("bench-plate,,5,,20000,19000,1961,1961,shipped,,bench,P", "last", "ends before it begins (20000)"),
        ("bench-plate,,5,,20000,,1961,1960,shipped,,bench,P", "to", "ends before it begins (1961)"),
        ("bench-plate,,4,,20000,,1961,1961,shipped,,bench,P", "digits", "20000 can't be written"),
        ("bench-plate,,five,,20000,,1961,1961,shipped,,bench,P", "digits", "6, or 4-7"),
        ("bench-plate,Ä,5,,20000,,1961,1961,shipped,,bench,P", "digits", "make no form"),
        ("bench-plaet,,5,,20000,,1961,1961,shipped,,bench,P", "scheme", "no scheme of this id"),
        ("bench-plate,,5,,20000,,soon,1961,shipped,,bench,P", "from", "soon"),
        ("bench-plate,,5,,,,1961,1961,shipped,,bench,P", "first", "needs its first number"),
    ],
)
def test_a_band_that_contradicts_itself_is_named_by_file_row_and_column(tmp_path, row, column, said):
    tables = Tables.open(write_package(tmp_path, bands=f"{BANDS}{row}\n"))
    (fault,) = serial.band_faults(tables)
    assert (fault.file, fault.row, fault.column) == ("bench/bands.csv", len(BANDS.splitlines()) + 1, column)
    assert said in fault.message
    with pytest.raises(TableError):
        read("10500", tables=tables)


def test_a_scheme_that_no_band_serves_is_named(tmp_path):
    spare = ("bench-spare", MAKER, 'bands = "bands"\n')
    tables = Tables.open(write_package(tmp_path, schemes=[*SCHEMES, spare]))
    (fault,) = serial.band_faults(tables)
    assert (fault.column, fault.value) == ("scheme", "bench-spare")


def test_the_rows_written_for_these_tests_are_what_a_csv_reader_sees():
    rows = list(csv.DictReader(BANDS.splitlines()))
    assert len(rows) == len(BANDS.splitlines()) - 1
    assert all(None not in row and None not in row.values() for row in rows)
