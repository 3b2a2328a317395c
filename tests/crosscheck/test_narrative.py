"""The story of an assessment: three to eight sentences, the same for the same assessment, citing the parts.

Parts are dated by hand, so that no scheme decides a test. Harrow & Vale and Tidewater Bench are invented.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.crosscheck import Assessment, check
from decoder.crosscheck.narrative import narrate

TODAY = date(2026, 11, 25)
STATES = st.sampled_from(["not-looked", "illegible", "no-mark"])
KINDS = st.sampled_from(["potentiometer", "neck-heel", "fret", "speaker", "label", "body"])
WINDOWS = st.sampled_from(
    ["1966-03", "1958", "1972-05", "[1956,1966]", "1960/..", "../1960", "../..", "1850"]
)
FLAGS = st.lists(
    st.sampled_from(["disclosed-replacement", "refinished", "joint-disturbed"]), unique=True, max_size=2
)


def by_hand(name: str, kind: str, text: str, **more: Any) -> dict[str, Any]:
    return {
        "id": name,
        "part": kind,
        "override": {"window": text, "name": "Tidewater Bench", "reason": "seen"},
        **more,
    }


def checked(
    *parts: dict[str, Any], claim: str | None = "1966", today: date | None = TODAY, **about: Any
) -> Assessment:
    return check(
        {"instrument": {"maker": "Harrow & Vale", "claim": claim, **about}, "parts": list(parts)}, today=today
    )


def story(*parts: dict[str, Any], **more: Any) -> str:
    return " ".join(checked(*parts, **more).narrative)


POT, NECK = by_hand("pot", "potentiometer", "1966-02"), by_hand("neck", "neck-heel", "1966-05")
CAP = by_hand("cap", "capacitor", "1972")


@st.composite
def sheets(draw: st.DrawFn) -> dict[str, Any]:
    parts = []
    for n in range(draw(st.integers(0, 7))):
        one: dict[str, Any] = {"id": f"part-{n}", "part": draw(KINDS), "flags": draw(FLAGS)}
        if draw(st.booleans()):
            one["override"] = {"window": draw(WINDOWS), "name": "Tidewater Bench", "reason": "seen"}
        else:
            one["state"] = draw(STATES)
        parts.append(one)
    about = {
        "claim": draw(st.sampled_from([None, "1966", "196X", "2030", "../.."])),
        "second_claim": draw(st.sampled_from([None, "1972"])),
    }
    return {"instrument": about, "parts": parts}


@settings(max_examples=120)
@given(sheet=sheets(), today=st.sampled_from([None, TODAY]))
def test_there_are_three_to_eight_sentences_each_with_its_full_stop(
    sheet: dict[str, Any], today: date | None
) -> None:
    said = check(sheet, today=today).narrative
    assert 3 <= len(said) <= 8
    assert all(sentence.endswith(".") and sentence[0].isupper() for sentence in said)
    assert len(set(said)) == len(said)
    for word in ("genuine", "authentic"):
        assert word not in " ".join(said).lower()


@settings(max_examples=40)
@given(sheet=sheets(), order=st.randoms(use_true_random=False))
def test_the_order_of_the_parts_changes_no_sentence(sheet: dict[str, Any], order: Any) -> None:
    mixed = list(sheet["parts"])
    order.shuffle(mixed)
    assert check({**sheet, "parts": mixed}, today=TODAY).narrative == check(sheet, today=TODAY).narrative


def test_the_sentences_are_made_from_the_assessment_alone() -> None:
    found = checked(POT, NECK, CAP)
    assert narrate(found) == found.narrative
    assert narrate(replace(found, warnings=(), narrative=(), cautions=())) == found.narrative


def test_agreement_is_told_with_the_chances() -> None:
    said = story(POT, NECK)
    assert "The parts agree with the claim 1966: neck (neck-heel) and pot (potentiometer)." in said
    assert "marks are copied on reproductions" in said
    assert "there are nine chances in ten that it was completed between May 1966 and " in said
    assert "the claim 1966 has " in said and "chances in 100" in said


def test_contradiction_names_the_part_the_way_out_and_its_chance() -> None:
    said = story(POT, NECK, CAP)
    assert "cap (capacitor) is too new" in said
    assert "For the claim 1966 to hold, set cap aside" in said
    assert "likely replaced is cap (capacitor) with " in said
    assert "Next: read cap again, and look for signs of later work there" in said


def test_without_a_day_no_chance_is_spoken_of() -> None:
    said = story(POT, NECK, CAP, today=None)
    assert "chance" not in said and "estimate" not in said.lower()


def test_what_cant_be_told_is_told() -> None:
    said = story(by_hand("label", "label", "1958/.."))
    assert "Can't tell whether the claim 1966 holds" in said
    assert "label can only say that it may" in said


def test_without_a_claim_the_floor_and_the_chances_answer_when() -> None:
    said = story(POT, NECK, claim=None)
    assert "The newest part, neck (neck-heel), sets the floor: not completed before 1 May 1966." in said
    assert "nine chances in ten" in said and "the claim" not in said


def test_the_newest_part_is_named_whatever_its_id() -> None:
    for name in ("a neck", "z neck"):
        said = story(POT, by_hand(name, "neck-heel", "1966-05"), claim=None)
        assert f"The newest part, {name} (neck-heel), sets the floor" in said


def test_several_spans_are_told_as_such() -> None:
    said = story(*(by_hand(f"pot-{n}", "pot", "[1946-03,1956-03,1966-03]") for n in (1, 2)), claim=None)
    assert "there are nine chances in ten that it was completed in one of 3 spans, " in said
    assert "more span" not in said


def test_one_part_alone_leaves_much_open_and_the_even_chance_is_told_too() -> None:
    said = story(by_hand("pot", "pot", "1966-03"), claim=None)
    assert "there is an even chance that it was completed between Feb 1966 and " in said
    assert ", and nine chances in ten between " in said


def test_both_claims_are_told_side_by_side() -> None:
    said = story(POT, NECK, second_claim="1972")
    assert (
        "The second claim 1972, held against the same parts: the parts contradict it (less than 1 chance in 100)."
        in said
    )


@pytest.mark.parametrize(
    ("claim", "words"),
    [("1965/1970", "more than 99 chances in 100"), ("1930", "less than 1 chance in 100")],
)
def test_chances_are_rounded_and_never_to_certainty(claim: str, words: str) -> None:
    assert f"the claim {claim} has {words}" in story(POT, NECK, claim=claim)


def test_ninety_nine_chances_are_told_as_ninety_nine() -> None:
    met = []
    for month in range(1, 13):
        claim = f"1966-05/1967-{month:02}"
        found = checked(POT, NECK, claim=claim)
        assert found.estimate is not None and found.estimate.claim_probability is not None
        hundredths = round(100 * found.estimate.claim_probability)
        if hundredths in (98, 99):
            assert f"the claim {claim} has {hundredths} chances in 100" in " ".join(found.narrative)
            met.append(hundredths)
    assert 99 in met


def test_long_lists_are_cut_with_their_number() -> None:
    said = story(POT, *(by_hand(f"cap-{n}", "capacitor", "1972") for n in range(9)))
    assert "with 3 more" in said
