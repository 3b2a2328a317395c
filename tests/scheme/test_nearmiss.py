"""Near misses: the one field that failed, in words, and the one-character changes that mend it."""

import json

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from decoder.marking import Marking
from decoder.scheme.engine import date_problem, dated_readings, matches
from decoder.scheme.nearmiss import CORRECTIONS_SHOWN, lookalikes, near_misses
from decoder.scheme.reading import Strength
from decoder.tables import Tables
from tests.scheme.made import DATES, FAKE, LETTERS, TABLES, index, layouts, scheme, worn, written


def explain(match):
    return date_problem(match, LETTERS)


def misses(text, *schemes, kind=None):
    marking = Marking.read(text)
    return near_misses(index(*schemes), TABLES, kind, marking, 0, len(marking.cells), explain)


def miss(text, *schemes):
    (found,) = misses(text, *schemes)
    return found


def reads(one, text):
    marking = Marking.read(text)
    found = matches(index(one), None, marking, 0, len(marking.cells))
    return any(dated_readings(match, LETTERS) for match in found)


WEEK = scheme("{source:3}~{year2}~{week}")


def test_the_field_that_failed_is_named_with_its_place_and_mended():
    found = miss("137-6660", WEEK)
    assert found.scheme == "made"
    assert found.problem.startswith("week 60: weeks run from 01 to 52")
    assert found.at == (6, 8)
    assert found.corrections == ("137-6650", "137-6610", "137-6620", "137-6630", "137-6640")  # 6 looks like 5
    assert found.as_dict()["try"] == list(found.corrections)


def test_the_cheapest_lookalike_comes_first_and_gives_the_cost():
    costs = {(r["a"], r["b"]): r["cost"] for r in TABLES.table("parts/lookalikes").rows}
    found = miss("137-66S2", WEEK)
    assert found.problem == "'S' can't stand in the week: a digit is needed there"
    assert found.at == (6, 7)
    assert found.corrections[0] == "137-6652"
    assert found.cost == costs["5", "S"]
    assert found.corrections[1:] == tuple(f"137-66{digit}2" for digit in "01234")


@pytest.mark.parametrize(
    ("text", "mended"), [("I37-6612", "137-6612"), ("137-66I2", "137-6612"), ("137-S612", "137-5612")]
)
def test_a_letter_is_offered_as_the_digit_that_it_looks_like(text, mended):
    found = miss(text, WEEK)
    assert found.corrections[0] == mended
    assert len(found.corrections) <= CORRECTIONS_SHOWN


@pytest.mark.parametrize(
    ("layout", "text", "problem"),
    [
        ("{letters:1}{year2}", "766", "'7' can't stand in the letters: a letter is needed there"),
        ("{model=digits:1}{year2}", "B66", "'B' can't stand in the model: a digit is needed there"),
        ("H{year2}", "K66", "'K' can't stand in the fixed character: H is needed there"),
        ("{code:vale}{year2}", "K66", "'K' can't stand in the code: T or W is needed there"),
        (
            "{month_letter:vale}{year2}",
            "Z66",
            "'Z' can't stand in the month letter: one of ABCDEFGHJKLM is needed there",
        ),
    ],
)
def test_what_can_not_stand_there_and_what_could_is_said_in_words(layout, text, problem):
    assert miss(text, scheme(layout)).problem == problem


def test_a_date_that_fails_as_a_whole_is_mended_in_the_field_that_failed_first():
    found = miss("02-31-66", scheme("{month2}-{day2}-{year2}"))
    assert "February has 28 days" in found.problem
    assert found.at == (3, 5)
    assert found.corrections == ("02-01-66", "02-11-66", "02-21-66")


def test_a_change_elsewhere_is_offered_when_none_in_the_field_mends_it():
    """The day of the year is worn, yet can be no other: then the year is at fault."""
    found = miss("69[3A][6A][6A]", scheme("{year2}{day_of_year}", decades="1960/1969"))
    assert found.problem == "day of year [3A][6A][6A] does not exist in 1969"
    assert found.at == (2, 14)
    assert found.corrections == tuple(f"6{year}[3A][6A][6A]" for year in "048")


def test_a_year_that_can_not_be_is_mended_in_the_year():
    found = miss("8005", scheme("{year2}{month2}", decades="1960/1966"))
    assert found.problem == "year 80: only 1960 to 1966 can be meant here"
    assert found.corrections == ("6005",)


def test_two_fields_that_fail_are_no_near_miss():
    assert misses("137-66SS", WEEK) == []
    assert misses("137-6699", WEEK) != []
    assert misses("137-2999", WEEK) == []
    assert misses("137-66-6S", WEEK) == []


def test_a_marking_that_reads_is_no_near_miss_and_neither_is_one_of_another_length():
    assert misses("137-6612", WEEK) == []
    assert misses("137-661", WEEK) == []


def test_a_worn_character_is_never_corrected():
    assert misses("137-66?0", scheme("{source:3}~{year2}~{week}")) == []
    assert misses("137-66[AB]2", WEEK) == []
    assert misses("137-66[67][89]", WEEK) == []
    found = miss("137-666?", WEEK)
    assert found.corrections == tuple(f"137-66{tens}?" for tens in "501234")
    assert all(text.endswith("?") for text in found.corrections)


def test_a_bracket_around_one_character_is_that_character():
    assert miss("137-66[6]0", WEEK).corrections[0] == "137-6650"


def test_a_letter_of_another_script_has_no_correction():
    assert misses("137-66昭2", WEEK) == []


def test_one_sign_for_several_characters_is_not_changed_in_part():
    roman = scheme("{day2}.{month_roman}.{year2}")
    assert miss("31.Ⅱ.66", roman).corrections == ("01.Ⅱ.66", "11.Ⅱ.66", "21.Ⅱ.66")
    assert misses("[3A][0A].Ⅱ.66", roman) == []
    months = ("VI", "XI", "IV", "IX")
    assert miss("[3A][0A].II.66", roman).corrections == tuple(f"[3A][0A].{month}.66" for month in months)


def test_a_separator_inside_a_field_is_named_and_left_out():
    found = miss("1 37-6612", WEEK)
    assert (found.problem, found.at) == ("a separator stands inside the source", (1, 2))
    assert found.corrections == ("137-6612",)
    assert misses("1 3 7-6612", WEEK) == []
    assert misses("1 37-6660", WEEK) == []
    fixed = miss("H-V66", scheme("HV{year2}"))
    assert (fixed.problem, fixed.corrections) == ("a separator stands inside the code", ("HV66",))


@pytest.mark.parametrize(
    ("text", "problem", "mended"),
    [
        ("05/66", "'/' stands before the year2, where '-' is needed", "05-66"),
        ("05 66", "' ' stands before the year2, where '-' is needed", "05-66"),
        ("05 / 66", "' / ' stands before the year2, where '-' is needed", "05-66"),
        ("05-/66", "'-/' stands before the year2, where '-' is needed", "05-66"),
        ("0566", None, None),
        ("0-5-66", "a separator stands inside the month2", "05-66"),
        ("0 5/66", None, None),
    ],
)
def test_a_separator_of_the_wrong_kind_is_named_and_put_right(text, problem, mended):
    one = scheme("{month2}-{year2}")
    found = misses(text, one)
    assert [(m.problem, m.corrections) for m in found] == ([(problem, (mended,))] if problem else [])
    assert mended is None or reads(one, mended)


def test_near_misses_come_cheapest_first_and_weak_schemes_last():
    weak = scheme("{year2}{week}", id="weak", weak=True)
    fair = scheme("{year2}{week}", id="fair", strength="fair")
    strong = scheme("{year2}{week}", id="strong")
    two_faults = scheme("{week}{year2}", id="two-faults")
    found = misses("66S2", weak, two_faults, fair, strong)
    assert [m.scheme for m in found] == ["strong", "fair", "weak"]
    assert [m.cost for m in found] == sorted(m.cost for m in found)
    assert found[-1].cost - found[0].cost == Strength.STRONG - Strength.WEAK


def test_only_schemes_of_the_kind_of_part_miss():
    pots = scheme("{year2}{week}", kinds=["potentiometer"])
    assert misses("6660", pots, kind="potentiometer")
    assert misses("6660", pots, kind="tube") == []


def test_characters_look_alike_both_ways_and_the_cheapest_row_counts(tmp_path):
    costs = lookalikes(TABLES)
    assert costs["0", "O"] == costs["O", "0"] == 0.1
    assert ("0", "X") not in costs
    head = (FAKE / "parts" / "lookalikes.csv").read_text().splitlines()[0]
    descriptor = json.loads((FAKE / "parts" / "datapackage.json").read_text())
    keep = [r for r in descriptor["resources"] if r["name"] in ("lookalikes", "sources")]
    keep = [
        {**r, "name": "more-signs", "extends": "parts/lookalikes"} if r["name"] == "lookalikes" else r
        for r in keep
    ]
    (tmp_path / "datapackage.json").write_text(json.dumps({"name": "shop", "resources": keep}))
    (tmp_path / "lookalikes.csv").write_text(
        f"{head}\nO,0,0.7,made-up,P\n8,0,0.2,made-up,P\n0,X,0.9,made-up,P\n"
    )
    (tmp_path / "sources.csv").write_bytes((FAKE / "parts" / "sources.csv").read_bytes())
    more = lookalikes(Tables.open(tmp_path, base=FAKE))
    assert more["O", "0"] == 0.1
    assert costs["0", "8"] == 0.4 and more["0", "8"] == 0.2
    assert more["X", "0"] == 0.9


def difference(one, other):
    """How many characters differ between two texts of one length."""
    return sum(a != b for a, b in zip(one, other, strict=True))


@given(layouts(), DATES, st.data())
def test_every_change_that_is_offered_is_one_character_and_reads(layout, when, data):
    one = scheme(layout)
    text = data.draw(written(data.draw(st.sampled_from(one.variants)), when))
    assume(text is not None)
    place = data.draw(st.sampled_from([i for i, c in enumerate(text) if c.isalnum()]))
    spoiled = text[:place] + data.draw(st.sampled_from("0369BEKSZ")) + text[place + 1 :]
    spoiled = data.draw(st.one_of(st.just(spoiled), worn(spoiled)))
    for found in misses(spoiled, one):
        assert found.corrections and found.problem
        assert 0 <= found.at[0] < found.at[1] <= len(spoiled)
        for mended in found.corrections:
            assert reads(one, mended), (spoiled, mended)
            if (
                "[" not in spoiled
                and "separator" not in found.problem
                and "stands before" not in found.problem
            ):
                assert difference(spoiled, mended) == 1
                (changed,) = [i for i, (a, b) in enumerate(zip(spoiled, mended, strict=True)) if a != b]
                assert spoiled[changed] != "?"


@given(layouts(), DATES, st.data())
def test_a_date_misread_in_one_character_finds_its_way_back(layout, when, data):
    """The text that was written is among the changes that mend it, or the misreading reads as another date."""
    one = scheme(layout)
    text = data.draw(written(data.draw(st.sampled_from(one.variants)), when))
    assume(text is not None)
    place = data.draw(st.sampled_from([i for i, c in enumerate(text) if c.isdigit()] or [0]))
    spoiled = text[:place] + data.draw(st.sampled_from("OISBZG")) + text[place + 1 :]
    assume(not reads(one, spoiled))
    offered = [mended for found in misses(spoiled, one) for mended in found.corrections]
    full = any(len(found.corrections) == CORRECTIONS_SHOWN for found in misses(spoiled, one))
    assert full or text in offered


@pytest.mark.parametrize("before", ["HV ", "137 ", "HARROW & VALE "])
@pytest.mark.parametrize("after", ["", " KX", "-HARROW"])
@pytest.mark.parametrize(
    ("layout", "text"),
    [
        ("{source:3}~{year2}~{week}", "137-6660"),
        ("{source:3}~{year2}~{week}", "137-66S2"),
        ("{source:3}~{year2}~{week}", "1 37-6612"),
        ("{month2}-{year2}", "05/66"),
        ("{month2}-{year2}", "05 / 66"),
        ("{month2}-{year2}", "13-66"),
        ("{month2}-{year2}", "0-5-66"),
        ("H{year2}", "K66"),
        ("{code:vale}{year2}", "K66"),
        ("{month_letter:vale}{year2}", "Z66"),
        ("{month2}-{day2}-{year2}", "02-30-66"),
        ("{year_letter:vale}{month2}", "A13"),
    ],
)
def test_within_a_longer_text_a_near_miss_is_the_same_in_its_own_place(layout, text, before, after):
    one = scheme(layout)
    alone = misses(text, one)
    assert alone
    whole = Marking.read(before + text + after)
    start = len(Marking.read(before).cells)
    found = near_misses(
        index(one), TABLES, None, whole, start, start + len(Marking.read(text).cells), explain
    )
    moved = len(before)
    assert [(m.scheme, m.problem, m.cost) for m in found] == [(m.scheme, m.problem, m.cost) for m in alone]
    assert [m.at for m in found] == [(m.at[0] + moved, m.at[1] + moved) for m in alone]
    assert [m.corrections for m in found] == [
        tuple(f"{before}{mended}{after}" for mended in m.corrections) for m in alone
    ]
