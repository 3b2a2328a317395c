"""Markings: what is folded together, what stays apart, what can't be taken, and where."""

import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from decoder.marking import (
    ALPHABET,
    ANY,
    COMMA,
    DIGITS,
    DOT,
    HYPHEN,
    LETTERS,
    OTHER,
    OTHER_SEP,
    SLASH,
    SPACE,
    Marking,
    MarkingError,
    chars_of,
    mask_of,
)


def test_a_clear_code_is_certain_and_keeps_its_places():
    marking = Marking.read("137-6612")
    assert marking.certain == "1376612"
    assert marking.spans == ((0, 1), (1, 2), (2, 3), (4, 5), (5, 6), (6, 7), (7, 8))
    assert marking.seps == (0, 0, 0, HYPHEN, 0, 0, 0, 0)
    assert marking.words == ((0, 3), (3, 7))
    assert marking.shown(0, 4) == "137-6"


@pytest.mark.parametrize("dash", ["-", "\u2010", "\u2011", "\u2012", "\u2013", "\u2014", "\u2212", "\uff0d"])
def test_every_dash_is_the_same_stroke(dash):
    assert Marking.read(f"137{dash}612").seps[3] == HYPHEN


@pytest.mark.parametrize("space", [" ", "\u00a0", "\u2003", "\u3000", "  "])
def test_every_space_is_a_space(space):
    assert Marking.read(f"137{space}612").seps[3] == SPACE


def test_points_strokes_and_commas_stay_apart():
    marking = Marking.read("3.5/64,1")
    assert marking.seps == (0, DOT, SLASH, 0, COMMA, 0)


def test_lower_case_full_width_and_accents_fold_to_the_alphabet():
    assert Marking.read("breveté").certain == "BREVETE"
    assert Marking.read("\uff11\uff13\uff17\uff21").certain == "137A"
    assert Marking.read("١٣٧").certain == "137"


def test_a_letter_of_another_script_is_a_cell_that_is_no_known_character():
    marking = Marking.read("昭和45")
    assert marking.cells[:2] == (OTHER, OTHER)
    assert OTHER and not OTHER & ANY
    assert marking.certain is None


def test_a_question_mark_is_one_letter_or_digit():
    marking = Marking.read("13?")
    assert marking.cells[2] == ANY
    assert marking.certain is None


def test_a_bracket_lists_what_may_stand_there():
    marking = Marking.read("13[68]-2")
    assert chars_of(marking.cells[2]) == "68"
    assert marking.spans[2] == (2, 6)
    assert marking.at(2, 4) == (2, 8)


def test_a_star_is_an_unknown_number_of_worn_characters():
    marking = Marking.read("137*")
    assert marking.stars == (3,)
    lengths = sorted(len(form.cells) for form in marking.expansions(6))
    assert lengths == [3, 4, 5, 6]
    assert all(form.cells[:3] == marking.cells for form in marking.expansions(6))


@pytest.mark.parametrize("star", "＊﹡")
def test_a_wide_or_a_small_star_is_a_star(star):
    wide, plain = (list(Marking.read(f"13{each}12").expansions(7)) for each in (star, "*"))
    assert [(form.cells, form.spans) for form in wide] == [(form.cells, form.spans) for form in plain]
    assert wide[-1].spans[2:5] == ((2, 3),) * 3


def test_a_separator_beside_a_star_stays_on_its_side():
    for text, before, after in (("13*-66", 0, HYPHEN), ("13-*66", HYPHEN, 0), ("13 *-66", SPACE, HYPHEN)):
        form = next(f for f in Marking.read(text).expansions(6) if len(f.cells) == 6)
        assert (form.seps[2], form.seps[4]) == (before, after)
    assert Marking.read("13*-66").seps[2] == HYPHEN
    assert next(Marking.read("*-365").expansions(3)).seps[0] == HYPHEN


def test_between_two_stars_only_the_count_of_clear_characters_is_used():
    forms = [
        "".join("?" if cell == ANY else chars_of(cell) for cell in f.cells)
        for f in Marking.read("1*2*3").expansions(5)
    ]
    assert forms == ["1?3", "1??3", "1???3"]


@pytest.mark.parametrize(
    ("text", "at", "words"),
    [
        ("", 0, "empty"),
        ("   ", 0, "empty"),
        ("137\x00612", 3, "control"),
        ("137\x07612", 3, "control"),
        ("137\u202e612", 3, "direction"),
        ("\u200f137612", 0, "direction"),
        ("137\n612", 3, "control"),
        ("13[", 2, "not closed"),
        ("13[68", 2, "not closed"),
        ("13[]2", 2, "empty"),
        ("13[6-8]2", 4, "ranges are not read"),
        ("13[[68]]", 3, "inside a bracket"),
        ("13[?]", 3, "inside a bracket"),
        ("13[6昭]", 4, "inside a bracket"),
        ("13[\u216b]", 3, "inside a bracket"),
        ("13]", 2, "never opened"),
        ("*1*2*3*4", 0, "more than 3"),
        ("\ud800", 0, "control"),
    ],
)
def test_what_no_part_carries_is_refused_with_its_place(text, at, words):
    with pytest.raises(MarkingError) as caught:
        Marking.read(text)
    assert caught.value.at == at
    assert words in caught.value.message


def test_a_marking_of_64_characters_is_read_and_one_more_is_not():
    assert len(Marking.read("1" * 64).cells) == 64
    with pytest.raises(MarkingError, match="at most 64"):
        Marking.read("1" * 65)
    with pytest.raises(MarkingError, match="10000 characters"):
        Marking.read("1" * 10_000)


def test_a_label_may_run_over_lines():
    marking = Marking.read("Chicago 14\nIll.", limit=400)
    assert marking.seps[9] == SPACE


def test_no_character_of_the_alphabet_is_lost():
    assert Marking.read(ALPHABET).certain == ALPHABET
    assert DIGITS | LETTERS == ANY == mask_of(ALPHABET)


texts = st.text(min_size=0, max_size=70)


@given(texts)
def test_any_text_is_read_or_refused_with_a_place_in_it(text):
    try:
        marking = Marking.read(text)
    except MarkingError as error:
        assert 0 <= error.at <= max(len(text), 64)
        return
    assert len(marking.cells) == len(marking.spans) == len(marking.seps) - 1
    for first, last in marking.spans:
        assert 0 <= first < last <= len(text)
    assert [s[0] for s in marking.spans] == sorted(s[0] for s in marking.spans)
    assert len(marking.folded) == len(text)


@given(st.text(alphabet=ALPHABET + "- ./", min_size=1, max_size=30))
def test_the_cells_are_the_letters_and_digits_in_order(text):
    wanted = [c for c in text if c in ALPHABET]
    if not text.strip():
        return
    marking = Marking.read(text)
    assert [chars_of(cell) for cell in marking.cells] == wanted
    assert "".join(marking.shown(i, i + 1) for i in range(len(wanted))) == "".join(wanted)


SIGNS = {
    " ": SPACE,
    "_": SPACE,
    "-": HYPHEN,
    "\u2014": HYPHEN,
    "~": HYPHEN,
    ".": DOT,
    "\u2022": DOT,
    "/": SLASH,
    "\\": SLASH,
    "|": SLASH,
    ",": COMMA,
    ":": OTHER_SEP,
    "#": OTHER_SEP,
    "'": OTHER_SEP,
}
BITS = {c: 1 << place for place, c in enumerate("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ")}
CHARACTERS = st.sampled_from(sorted(BITS) + [c.lower() for c in sorted(BITS) if c.isalpha()])
BRACKETS = st.lists(CHARACTERS, min_size=1, max_size=4).map(lambda listed: f"[{''.join(listed)}]")
PIECES = st.lists(
    CHARACTERS | CHARACTERS | st.just("?") | BRACKETS | st.just("*") | st.sampled_from(sorted(SIGNS))
)


def cells_of(piece):
    """The characters that a piece of writing may be; None for a sign between characters."""
    if piece == "*" or piece in SIGNS:
        return None
    return ANY if piece == "?" else sum({BITS[c] for c in piece.strip("[]").upper()})


def laid_out(pieces):
    """Cells, their places, and the pieces before each of them and after the last, worked out piece by piece."""
    cells, spans, between, at = [], [], [[]], 0
    for piece in pieces:
        mask = cells_of(piece)
        if mask is None:
            between[-1].append((at, piece))
        else:
            cells.append(mask)
            spans.append((at, at + len(piece)))
            between.append([])
        at += len(piece)
    return tuple(cells), tuple(spans), between


def ored(pieces):
    return sum({SIGNS[piece] for _, piece in pieces if piece != "*"})


@given(PIECES)
@example(["1", "-", "*", "-"])
@example(["-", "*", "*", "-", "2"])
@example(["1", ".", "*", "-", "*", ".", "2", "/"])
def test_cells_places_separators_and_stars_are_those_of_the_pieces_of_a_text(pieces):
    text = "".join(pieces)
    cells, spans, between = laid_out(pieces)
    stars = [i for i, run in enumerate(between) if any(piece == "*" for _, piece in run)]
    if not text.strip() or len(stars) > 3 or len(text) > 64:
        with pytest.raises(MarkingError):
            Marking.read(text)
        return
    marking = Marking.read(text)
    assert (marking.cells, marking.spans) == (cells, spans)
    assert marking.seps == tuple(ored(run) for run in between)
    assert marking.stars == tuple(stars)
    for i, gap in zip(stars, marking.gaps, strict=True):
        last = max(place for place, (_, piece) in enumerate(between[i]) if piece == "*")
        assert gap == (ored(between[i][:last]), ored(between[i][last:]))
    begins = [i for i in range(len(cells)) if i == 0 or marking.seps[i]]
    assert marking.words == tuple(zip(begins, [*begins[1:], len(cells)], strict=False))
    assert marking.unknown == cells.count(ANY)
    known = {bit: c for c, bit in BITS.items()}
    clear = not stars and all(cell in known for cell in cells)
    assert marking.certain == ("".join(known[cell] for cell in cells) if clear else None)
    for start in range(len(cells)):
        for end in range(start, len(cells)):
            first, last = marking.at(start, end + 1)
            assert (first, last) == (spans[start][0], spans[end][1])
            assert marking.shown(start, end + 1) == text[first:last]
        assert marking.at(start, start) == (spans[start][0], spans[start][0])
    assert marking.at(len(cells), len(cells)) == (len(text), len(text))


@given(PIECES, st.integers(0, 12))
@example(["1", "-", "*", "-", "2"], 4)
@example(["*", "1", "*", "2", "*"], 6)
@example(["1", "2", "3", ".", "*", "-", "4", "5"], 7)
def test_a_star_is_filled_with_every_count_of_characters_up_to_the_longest(pieces, longest):
    text = "".join(pieces)
    cells, spans, between = laid_out(pieces)
    stars = [i for i, run in enumerate(between) if any(piece == "*" for _, piece in run)]
    if not text.strip() or len(stars) > 3 or len(text) > 64:
        return
    marking = Marking.read(text)
    forms = list(marking.expansions(longest))
    if not stars:
        assert forms == [marking]
        return
    first, last = stars[0], stars[-1]
    kept = len(cells) - (last - first)
    assert [len(form.cells) for form in forms] == list(range(len(cells), longest + 1))
    begins = min(at for at, piece in between[first] if piece == "*")
    ends = max(at for at, piece in between[last] if piece == "*") + 1
    for form in forms:
        count = len(form.cells) - kept
        assert form.cells == (*cells[:first], *[ANY] * count, *cells[last:])
        assert form.spans == (*spans[:first], *[(begins, ends)] * count, *spans[last:])
        assert form.text == text and form.stars == ()
        opens, closes = marking.gaps[0][0], marking.gaps[-1][1]
        worn = (opens, *[0] * (count - 1), closes) if count else (opens | closes,)
        assert form.seps == (*marking.seps[:first], *worn, *marking.seps[last + 1 :])


@pytest.mark.parametrize(
    ("text", "cells"),
    [
        ("\u2163", "IV"),  # a Roman number in one sign
        ("\u00bd", "12"),  # a half: two digits
        ("\ufb01", "FI"),
        ("\u2460", "1"),
        ("\u00df", "SS"),
        ("\u0967\u0968", "12"),
        ("e\u0301\u0301", "E"),
    ],
)
def test_a_sign_that_stands_for_several_characters_is_that_many_cells_in_one_place(text, cells):
    marking = Marking.read(text)
    assert marking.certain == cells
    assert set(marking.spans) <= {(i, i + 1) for i in range(len(text))}
    assert set(marking.seps) == {0} or "\u2044" in text or text == "\u00bd"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("12[", "the bracket at character 3 is not closed"),
        ("12[]", "the bracket at character 3 is empty"),
        ("[a-b]", "character 3 ('-') can't stand inside a bracket"),
        ("1[a-b]", "character 4 ('-') can't stand inside a bracket"),
        ("1]", "closed at character 2 was never opened"),
        ("12]", "closed at character 3 was never opened"),
        ("[]", "the bracket at character 1 is empty"),
        ("1[", "the bracket at character 2 is not closed"),
        ("1\x00", "character 2 (U+0000) is a control"),
        ("123\u202e", "character 4 (U+202E) is a control or direction"),
    ],
)
def test_the_place_of_a_fault_is_told_as_people_count(text, said):
    with pytest.raises(MarkingError, match=re.escape(said)):
        Marking.read(text)


def test_a_sign_that_stands_for_several_separators_is_the_first_of_them():
    assert Marking.read("3\u20265").seps[1] == DOT
    assert Marking.read("3\u2025 5").seps[1] == DOT | SPACE


def test_what_is_shown_alone_has_nothing_to_read():
    shown = Marking.blank("1 11/16 in")
    assert (shown.text, shown.cells, shown.words, shown.stars, shown.seps) == ("1 11/16 in", (), (), (), (0,))


def test_forms_are_kept_without_mixing_up_markings():
    texts = [
        f"{'ABCDEFGHIJKLMNOPQRSTUVWXYZ'[n % 26]}{n % 10}-{'?' if n % 3 else '7'}{'X' * (n % 40)}"
        for n in range(6000)
    ]
    for text in texts + texts[:50]:
        marking = Marking.read(text)
        assert marking.cells[0] == BITS[text[0]] and marking.cells[1] == BITS[text[1]]
        assert (marking.cells[2] == ANY) is (text[3] == "?")
        assert len(marking.cells) == len(text) - 1


def test_a_text_is_folded_letter_by_letter():
    assert Marking.read("Straße 1é ﬁ").folded == "STRAßE 1É ﬁ"


def test_places_in_long_label_text_are_found():
    marking = Marking.read("1 " * 199 + "22", limit=400)
    assert marking.at(199, 201) == (398, 400)
    assert marking.at(200, 200) == (399, 399)
    assert marking.at(int("201"), int("200") + 1) == (400, 400)
    assert marking.at(3, 2) == (6, 6)
    assert marking.at(300, 300) == (400, 400)
    long = Marking.read("1" * 400, limit=400)
    assert long.at(int("300"), 3 * 100) == (300, 300)
