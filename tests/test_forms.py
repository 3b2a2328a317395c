"""What is kept of a form of marking changes no answer: known or new, clear or worn, in whatever order."""

import pickle
import weakref
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder import marking as markings
from decoder.catalog import decode, families
from decoder.kept import Kept
from decoder.marking import FORMS_KEPT, STARRED_WEIGHS, Marking, MarkingError
from decoder.scheme.engine import FORM_WEIGHS, PLANS_KEPT, dates_of, separators_fit
from decoder.scheme.family import Context
from decoder.tables import Tables, shipped

CODES = st.one_of(
    st.from_regex(r"[0-9]{3}[- .]?[0-9]{1,2}[- ]?[0-9]{2}", fullmatch=True),
    st.from_regex(r"(250K |EIA |R|1MEG )?[0-9?]{6,7}( 250K| ABC| 1234)?", fullmatch=True),
    st.from_regex(r"[A-Z]{0,2}[0-9]{1,8}[A-Z]?", fullmatch=True),
    st.from_regex(r"(JAN|12|3)[-. /][0-9]{1,2}[-. /](19)?[0-9]{2}", fullmatch=True),
    st.text("0123456789ABKMRé６?[]*-. /", min_size=1, max_size=12),
)
KINDS = st.sampled_from([None, "potentiometer", "capacitor", "serial", "neck-heel", "speaker", "label"])
MAKERS = sorted({scheme["maker"] for scheme in shipped().schemes("serial") if scheme.get("maker")})
DIGITS = st.lists(st.integers(0, 9), min_size=64, max_size=64)


def forget() -> None:
    for kept in (*markings._forms, *markings._outlines):
        kept.clear()


def other_digits(text: str, digits: list[int]) -> str:
    return "".join(str(digit) if c in "0123456789" else c for c, digit in zip(text, digits, strict=False))


def other_letters(text: str, drawn: list[int]) -> str:
    shifted = (
        chr(65 + (ord(c) - 65 + by) % 26) if "A" <= c <= "Z" else c
        for c, by in zip(text, drawn, strict=False)
    )
    return "".join(shifted)


@given(CODES, KINDS, DIGITS)
def test_an_answer_is_the_same_after_other_markings_of_its_form(
    text: str, kind: str | None, digits: list[int]
) -> None:
    try:
        forget()
        fresh = decode(text, part=kind).as_dict()
    except MarkingError:
        with pytest.raises(MarkingError):
            decode(text, part=kind)
        return
    forget()
    decode(other_digits(text, digits), part=kind)
    assert decode(text, part=kind).as_dict() == fresh


@given(CODES, KINDS, DIGITS)
def test_an_answer_is_the_same_after_a_marking_with_other_letters_and_digits(
    text: str, kind: str | None, drawn: list[int]
) -> None:
    other = other_letters(other_digits(text, drawn), drawn)
    try:
        forget()
        fresh = decode(text, part=kind).as_dict()
        forget()
        decode(other, part=kind)
    except MarkingError:
        return
    assert decode(text, part=kind).as_dict() == fresh


@given(CODES, DIGITS)
def test_a_marking_of_a_known_outline_has_the_cells_and_places_of_a_new_one(
    text: str, drawn: list[int]
) -> None:
    try:
        forget()
        fresh = Marking.read(text)
        forget()
        Marking.read(other_letters(other_digits(text, drawn), drawn))
    except MarkingError:
        return
    known = Marking.read(text)
    for name in ("cells", "spans", "seps", "stars", "words", "gaps", "certain", "unknown"):
        assert getattr(known, name) == getattr(fresh, name), name
    assert known.form.cells == fresh.form.cells


@given(CODES, DIGITS)
def test_a_marking_of_a_known_form_has_the_cells_and_places_of_a_new_one(
    text: str, digits: list[int]
) -> None:
    forget()
    try:
        fresh = Marking.read(text)
    except MarkingError:
        return
    forget()
    Marking.read(other_digits(text, digits))
    known = Marking.read(text)
    for name in ("cells", "spans", "seps", "stars", "words", "gaps", "certain", "unknown"):
        assert getattr(known, name) == getattr(fresh, name), name


@given(CODES, KINDS, DIGITS, st.sampled_from(MAKERS))
def test_a_family_that_may_not_read_a_form_reads_no_marking_of_it_whoever_made_it(
    text: str, kind: str | None, digits: list[int], maker: str
) -> None:
    try:
        marking, other = Marking.read(text), Marking.read(other_digits(text, digits))
    except MarkingError:
        return
    if marking.stars:
        return
    context = Context(shipped(), kind)
    made_by = Context(shipped(), kind, maker)
    for family in families():
        if not family.may_read(marking, made_by):  # type: ignore[attr-defined]
            for known in (context, made_by):
                assert family.read(marking, known) == []
                assert family.read(other, known) == []


@given(st.one_of(CODES, st.from_regex(r"[A-Z0-9]{1,3}[- ]?[A-Z0-9]{1,6}", fullmatch=True)), KINDS, DIGITS)
def test_the_layouts_of_a_form_are_those_that_have_a_character_in_common_in_every_place(
    text: str, kind: str | None, drawn: list[int]
) -> None:
    decode("A 12345", part="serial")
    index = shipped().derived("serial.register", pytest.fail).index
    for one in (other_letters(other_digits(text, drawn), drawn), text):  # the second finds the outline known
        try:
            form = Marking.read(one).form
        except MarkingError:
            return
        length = len(form.cells)
        for start in {0, length // 2}:
            found = {candidate.entry for candidate in index.fitting(kind, form, start, length)}
            cells, seps = form.cells[start:], form.seps[start:length]
            assert found == {
                entry
                for entry in index.candidates(kind, length - start)
                if separators_fit(entry.variant, seps)
                and not any(cell & mask == 0 for cell, mask in zip(cells, entry.variant.masks, strict=True))
            }


@given(st.from_regex(r"[0-9?]{3}-?[0-9?]{3,4}", fullmatch=True), st.integers(1950, 2030))
def test_the_days_that_are_kept_are_those_that_the_characters_mean(text: str, last: int) -> None:
    context = Context(shipped(), "potentiometer")
    next(family for family in families() if family.id == "source_date").read(
        Marking.read("137-6612"), context
    )
    index = shipped().derived("source_date.index", pytest.fail)
    marking = Marking.read(text)
    found = index.fitting("potentiometer", marking.form, 0, len(marking.cells))
    assert found
    for candidate in found:
        if candidate.fits(marking):
            kept = index.dates(candidate, marking, 1945, last)
            assert kept == dates_of(candidate.on(marking), index.letters, 1945, last)


def test_what_is_kept_is_forgotten_before_it_weighs_too_much() -> None:
    kept: Kept[int, int] = Kept(10)
    for number in range(4):
        assert kept.keep(number, number, 3) == number
    assert kept == {3: 3} and kept.weight == 3
    kept.clear()
    assert kept.weight == 0


def test_what_is_forgotten_is_given_back_a_few_at_a_time_before_as_much_is_kept_again() -> None:
    class Answer:
        pass

    kept: Kept[int, Answer] = Kept(100)
    alive = [weakref.ref(kept.keep(number, Answer())) for number in range(100)]
    living = []
    for number in range(100, 160):
        kept.keep(number, Answer())
        living.append(sum(one() is not None for one in alive))
    falls = [before - after for before, after in pairwise([100, *living])]
    assert len(kept) == 60 and living[-1] == 0
    assert max(falls) < 20
    kept.keep(1, Answer(), 100)
    kept.clear()
    assert not kept and not kept.fading


def test_worn_forms_that_many_layouts_fit_keep_no_more_than_others() -> None:
    tables = Tables.open()
    for first in "ABCDEFGHJKLMNPRSTUVWXYZ":
        decode(f"[0123456789{first}]????", part="serial", tables=tables)
    plans = tables.derived("serial.register", pytest.fail).index.plans
    assert plans.weight == sum(FORM_WEIGHS + len(ways) for ways in plans.values()) <= PLANS_KEPT
    forget()
    for number in range(FORMS_KEPT // STARRED_WEIGHS + 1):
        Marking.read("*" + "".join(chr(65 + number // 26**place % 26) for place in range(4)))
    assert len(markings._forms[False]) == 1


def test_no_more_forms_are_kept_than_are_allowed() -> None:
    forget()
    for number in range(FORMS_KEPT + 50):
        letters = "".join(chr(65 + number // 26**place % 26) for place in range(4))
        Marking.read(f"{letters}12")
    assert 0 < len(markings._forms[False]) <= FORMS_KEPT


def test_a_line_break_is_a_fault_of_a_code_though_a_label_of_the_form_is_known() -> None:
    forget()
    assert Marking.read("PAT 123\nPEND", limit=400).words
    with pytest.raises(MarkingError):
        Marking.read("PAT 456\nPEND")


def test_a_reading_is_put_into_words_once_and_can_be_sent_to_another_process() -> None:
    (reading,) = decode("137-6612", part="potentiometer").readings
    assert reading.words is reading.words
    sent = pickle.loads(pickle.dumps(decode("137-6612", part="potentiometer").readings[0]))
    assert sent == reading and hash(sent) == hash(reading)
    assert sent.as_dict() == reading.as_dict()


def test_a_changed_reading_keeps_the_rest() -> None:
    (reading,) = decode("137-6612", part="potentiometer").readings
    changed = reading.changed(notes=("another note",))
    assert changed.notes == ("another note",)
    assert changed != reading and changed.changed(notes=reading.notes) == reading
    assert changed.fields == reading.fields and changed.window == reading.window
