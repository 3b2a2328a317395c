"""Every letter of every letter table, worked out a second time from the rule of its system.

A row that slips by one year or one month makes a test fail. The rules are those that the sources of the rows print:
where a cycle begins, which letters it leaves out, what disagrees.
"""

from collections import defaultdict
from datetime import date

import pytest

from decoder.tables import shipped

A_TO_M_NO_I = "ABCDEFGHJKLM"
A_TO_L = "ABCDEFGHIJKL"
IEC = "ABCDEFHJKLMNPRSTUVWX"
NO_I = "ABCDEFGHJKLMNOPQRSTUVWXYZ"
NO_I_NO_O = "ABCDEFGHJKLMNPQRSTUVWXYZ"
SINGLE = ("ABCDEFGHJKLM", "NPQRSTUVWXYZ")
WHIT_SUNDAY = "WHITSUNDAY"


def run(characters, first, *turns):
    """Characters that count on from a first value; `turns` are the years by which later turns are added."""
    return {c: {first + i, *(first + i + turn for turn in turns)} for i, c in enumerate(characters)}


def both_ways_of_counting_i():
    """Months with I skipped, and with I kept: J, K and L are two months each."""
    months = defaultdict(set)
    for letters in (A_TO_M_NO_I, A_TO_L):
        for month, letter in enumerate(letters, 1):
            months[letter].add(month)
    return dict(months)


def digits(*decades):
    return {str(d): {decade + d for decade in decades} for d in range(10)}


def whit_sunday(*decades):
    return {c: {decade + (i + 1) % 10 for decade in decades} for i, c in enumerate(WHIT_SUNDAY)}


def of_four_years():
    """One letter a month through four years, capitals and then small letters; the rows end with 2014."""
    found = {}
    for step, letters in enumerate((*SINGLE, *(half.lower() for half in SINGLE))):
        found |= {c: set(range(1997 + step, 2015, 4)) for c in letters}
    return found


TEWA_PRINTED = (1968, 1969, 1970, 1972, 1973, 1974, 1975, 1976, 1979)  # the second row as printed
PLAIN_MONTHS = run("123456789", 1)
EXPECTED = {
    "iec-60062/year": {**run(IEC, 1970, 20, 40), "G": {1976}, "I": {1977}},
    "iec-60062/month": {**PLAIN_MONTHS, **run("OND", 10)},
    "iec-60062-first-cycle/year": {**run("ABCDEFHJ", 1970), "G": {1976}, "I": {1977}},
    "iec-60062-handbook/year": run("NPRSTUV", 2002),
    "gdr-ic/year": {**run(IEC, 1970), "A": {1970, 1990}, "I": {1977}},  # the works' page prints I for J
    "gdr-ic/quarter": run("ABCD", 1),
    "year-digit/year": digits(*range(1950, 2030, 10)),
    "year-digit/month": {**PLAIN_MONTHS, **run("ABC", 10), **run("OND", 10)},
    "siemens/year": run(NO_I, 1920, 25),
    "tewa/year": {str(d): {1958 + d, 1967 + d, TEWA_PRINTED[d - 1]} for d in range(1, 10)},
    "tewa/month": run(A_TO_M_NO_I, 1),
    "british-two-letter/year": {**run("RSTUVWXYZ", 1960), "A": {1969}},
    "british-two-letter/month": both_ways_of_counting_i(),
    "egen/year": {"K": {1963}},
    "ccl/month": run(A_TO_L, 1),
    "hunts/year": whit_sunday(1950, 1960),
    "hunts/digit": whit_sunday(0),
    "brimar/month": run(A_TO_L, 1),
    "philips-mullard/month": run(A_TO_L, 1),
    "philips-lamp/month": run(A_TO_M_NO_I, 1),
    "philips-lamp-letter-first/year": digits(1960, 1980, 2000),
    "philips-lamp-digit-first/year": digits(1970, 1990),
    "sharp-ic/month": {**PLAIN_MONTHS, **run("XYZ", 10)},
    "sharp-ic/week": run("ABCDE", 1),
    "japan-pot/month": {**PLAIN_MONTHS, "0": {10}, "N": {11}, "D": {12}},
    "celestion-1944/year": {**run(A_TO_M_NO_I, 1944), "I": {1952}},
    "celestion-1956/year": run("ABCDEFG", 1956),
    "celestion-1956/month": both_ways_of_counting_i(),
    "celestion-1963/year": run("HJKLM", 1963),
    "celestion-1968/year": run(NO_I_NO_O, 1968),
    "celestion/month": run(A_TO_M_NO_I, 1),
    "fender-tube-chart/year": run("ABCDEFGHIJKLMNOPQRS", 1951),
    "fender-tube-chart/month": both_ways_of_counting_i(),
    "fender-reissue-chart/year": {"C": {1992}},
    "fender-reissue-chart/month": {"G": {7}},
    "single-character/year": of_four_years(),
    "single-character/month": {c: {i} for half in SINGLE for i, c in enumerate(half, 1)},
}


def values(text):
    found = set()
    for part in (text or "").split(";"):
        first, _, last = part.strip().partition("/")
        if first.isdigit():
            found |= set(range(int(first), int(last or first) + 1))
    return found


def held(name):
    """What a package's letter table holds: table/position -> character -> values; plain codes left out."""
    found = defaultdict(dict)
    for row in shipped().table(name).rows:
        if values(row["value"]):
            key = f"{row['table']}/{row['position']}"
            found[key].setdefault(row["character"], set()).update(values(row["value"]))
    return found


@pytest.mark.parametrize("name", EXPECTED)
def test_a_letter_table_is_what_its_rule_gives(name):
    assert held("component/letters")[name] == EXPECTED[name]


def test_every_letter_table_with_values_has_a_rule_here():
    assert set(held("component/letters")) == set(EXPECTED)


@pytest.mark.parametrize(
    ("letter", "first", "last", "year_one"),
    [
        ("M", date(1868, 10, 23), date(1912, 7, 30), 1868),
        ("T", date(1912, 7, 30), date(1926, 12, 25), 1912),
        ("S", date(1926, 12, 25), date(1989, 1, 7), 1926),
        ("H", date(1989, 1, 8), date(2019, 4, 30), 1989),
        ("R", date(2019, 5, 1), None, 2019),
    ],
)
def test_japanese_eras_begin_and_end_on_their_days(letter, first, last, year_one):
    (row,) = [r for r in shipped().table("stamped/eras").rows if r["letter"] == letter]
    assert (row["start"], row["end"], row["offset"] + 1) == (first, last, year_one)
    assert row["last_year"] is None or row["end"].year == row["offset"] + row["last_year"]


def test_roman_months_count_to_twelve():
    numerals = "I II III IV V VI VII VIII IX X XI XII".split()
    assert {r["roman"]: r["month"] for r in shipped().table("stamped/roman-months").rows} == {
        numeral: month for month, numeral in enumerate(numerals, 1)
    }


MONTHS = {
    "en": "JANUARY FEBRUARY MARCH APRIL MAY JUNE JULY AUGUST SEPTEMBER OCTOBER NOVEMBER DECEMBER",
    "de": "JANUAR FEBRUAR MARZ APRIL MAI JUNI JULI AUGUST SEPTEMBER OKTOBER NOVEMBER DEZEMBER",
    "fr": "JANVIER FEVRIER MARS AVRIL MAI JUIN JUILLET AOUT SEPTEMBRE OCTOBRE NOVEMBRE DECEMBRE",
    "it": "GENNAIO FEBBRAIO MARZO APRILE MAGGIO GIUGNO LUGLIO AGOSTO SETTEMBRE OTTOBRE NOVEMBRE DICEMBRE",
    "es": "ENERO FEBRERO MARZO ABRIL MAYO JUNIO JULIO AGOSTO SEPTIEMBRE OCTUBRE NOVIEMBRE DICIEMBRE",
}


VARIANTS = {"JANNER": 1, "JAENNER": 1, "MAERZ": 3}  # Austrian January, and March without its two dots


def shortens(name, long):
    """Whether a name is a longer one with letters left out, its first letter kept."""
    letters = iter(long)
    return name[0] == long[0] and all(c in letters for c in name)


@pytest.mark.parametrize("language", MONTHS)
def test_months_by_name_count_to_twelve_and_short_forms_follow_the_long_ones(language):
    names = {
        r["name"]: r["month"]
        for r in shipped().table("stamped/month-names").rows
        if r["language"] == language
    }
    full = {name: month for month, name in enumerate(MONTHS[language].split(), 1)}
    assert full.items() <= names.items()
    for name, month in names.items():
        meant = {number for long, number in full.items() if shortens(name, long)}
        assert month in (meant or {VARIANTS[name]}), name


def test_no_other_language_of_months_stands_unchecked():
    assert {r["language"] for r in shipped().table("stamped/month-names").rows} == set(MONTHS)
