"""What must not be read as a date: letters alone, bare numbers, ordinary words. The shares are in tests/bench."""

import random
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.catalog import decode, families
from decoder.scheme.reading import Strength
from tests.bench.specificity import ALPHABETS, LENGTHS, PHRASES, WORDS, measure, report, strings

letters_alone = st.text(alphabet=string.ascii_uppercase + string.ascii_lowercase, min_size=1, max_size=10)


def strongest(text, **known):
    return max((reading.strength for reading in decode(text, **known).readings), default=None)


@given(letters_alone)
def test_letters_without_a_digit_are_never_strong(text):
    assert strongest(text) in (None, Strength.WEAK, Strength.FAIR)


@given(st.integers(0, 9999).map("{:04}".format))
def test_four_bare_digits_are_weak_until_the_kind_of_part_or_the_maker_is_known(text):
    assert strongest(text) in (None, Strength.WEAK)


@pytest.mark.parametrize("word", WORDS)
def test_an_ordinary_word_is_no_code_by_itself(word):
    assert strongest(word) in (None, Strength.WEAK)


def test_no_phrase_of_ordinary_words_is_read():
    rng = random.Random(7)
    phrases = [" ".join(rng.choices(WORDS, k=k)) for k in (2, 3) for _ in range(60)]
    read = {text for text in phrases if strongest(text) not in (None, Strength.WEAK)}
    assert not read


def test_a_code_of_few_kinds_of_part_is_weaker_when_the_kind_is_not_known():
    for marking, part in (("KH7", "speaker"), ("B2H3", "tube"), ("IYT", "capacitor")):
        known, unknown = strongest(marking, part=part), strongest(marking)
        assert unknown == known - 1
        said = [n for r in decode(marking).readings for n in r.notes]
        assert any("the kind of part is not given" in note for note in said)


def test_an_unregistered_source_of_three_digits_is_fair_and_never_more():
    assert strongest("138612") is Strength.FAIR
    assert strongest("138-612") is Strength.FAIR
    assert strongest("137612") is Strength.STRONG  # a registered source speaks for itself


def test_a_bare_number_is_a_serial_only_weakly_until_the_maker_is_known_or_it_is_said_to_be_one():
    assert strongest("24517") is Strength.WEAK
    assert strongest("45", part="label") is Strength.WEAK  # beside the year 45, western or of the Showa era
    assert strongest("24517", part="serial") is Strength.FAIR
    assert strongest("24517", part="serial", maker="Harrow & Vale") is Strength.STRONG


def test_the_measure_tries_every_alphabet_and_length_and_counts_each_string_once():
    found = measure(330)
    assert set(found) == {(a, n) for a in ALPHABETS for n in LENGTHS} | {("words", n) for n in PHRASES}
    assert {tally.tried for tally in found.values()} == {10}
    assert all(sum(tally.best.values()) <= tally.tried for tally in found.values())
    shown = report(found)
    assert all(f"\n{a} " in f"\n{shown}" for a in (*ALPHABETS, "words"))
    assert {name for t in found.values() for name, _ in t.by_family} <= {family.id for family in families()}


def test_the_same_seed_tries_the_same_strings():
    assert list(strings(330, random.Random(1))) == list(strings(330, random.Random(1)))
    assert list(strings(330, random.Random(1))) != list(strings(330, random.Random(2)))
