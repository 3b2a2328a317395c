"""Families that their layouts describe in full, on the frozen tables."""

import pytest

from decoder.marking import Marking
from decoder.scheme.family import Context
from decoder.scheme.plain import PlainFamily, country_rank
from decoder.scheme.reading import Strength
from tests.scheme.made import TABLES, scheme

BENCH = PlainFamily("bench", frozenset(("potentiometer", "neck-heel", "tube", "label", "serial")), "bench")


def read(text, part="potentiometer", **more):
    return BENCH.read(Marking.read(text), Context(TABLES, part, **more))


def test_plain_lettering_may_stand_beside_a_code():
    for text in ("137-6612", "HARROW 137-6612", "137-6612 HARROW VALE", "HARROW 137 6612 VALE"):
        assert [r.scheme for r in read(text)] == ["bench-week"]
    for text in ("5 137-6612", "H7 137-6612", "137-6612 4"):
        assert read(text) == []


def test_a_bare_number_is_read_only_when_it_is_the_whole_marking():
    assert [r.scheme for r in read("6605", "tube")] == ["bench-bare"]
    assert read("HARROW 6605", "tube") == []


def test_with_no_kind_of_part_a_code_of_few_kinds_is_a_guess_and_says_so():
    (with_kind,) = read("137-6612")
    (without,) = read("137-6612", None)
    assert (with_kind.strength, without.strength) == (Strength.STRONG, Strength.FAIR)
    assert "the kind of part is not given: read as a code of a potentiometer" in without.notes
    assert without.window == with_kind.window


def test_a_marking_of_signs_alone_is_not_read():
    assert read("- / -") == []
    assert BENCH.near_misses(Marking.read("--"), Context(TABLES, "potentiometer")) == []


def test_a_week_that_can_not_be_is_a_near_miss():
    (miss,) = BENCH.near_misses(Marking.read("137-6660"), Context(TABLES, "potentiometer"))
    assert (miss.scheme, miss.at) == ("bench-week", (6, 8))


@pytest.mark.parametrize(("country", "rank"), [(None, 1), ("GB", 0), (" gb ", 0), ("US", 2)])
def test_the_habit_of_the_instruments_country_comes_first(country, rank):
    assert country_rank(scheme("{year2}", countries=["GB", "IE"]), country) == rank
    assert country_rank(scheme("{year2}"), country) == 1
