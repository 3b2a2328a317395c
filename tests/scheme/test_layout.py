"""The layout language: what a layout allows, forbids and can't be."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.marking import ANY, ANY_SEP, BIT, DIGITS, DOT, HYPHEN, LETTERS, SLASH, SPACE, chars_of, mask_of
from decoder.scheme.layout import PLAIN, VARIANTS_LIMIT, LayoutError, compile_layout
from tests.scheme.made import WORDS, found, layouts, scheme


def one(layout):
    (variant,) = compile_layout(layout, WORDS)
    return variant


def lengths(layout):
    return sorted(variant.length for variant in compile_layout(layout, WORDS))


def reads(layout, text):
    return bool(found(scheme(layout), text))


def test_letters_and_digits_stand_for_themselves():
    variant = one("H7{year2}")
    assert variant.masks == (BIT["H"], BIT["7"], DIGITS, DIGITS)
    assert [(slot.name, slot.start, slot.end) for slot in variant.slots] == [("year2", 2, 4)]
    assert reads("H7{year2}", "h766")
    assert not reads("H7{year2}", "H866")


@pytest.mark.parametrize("kind", sorted(PLAIN))
def test_a_field_has_the_width_and_the_characters_of_its_type(kind):
    least, most, mask = PLAIN[kind]
    assert lengths(f"{{{kind}}}") == list(range(least, most + 1))
    for variant in compile_layout(f"{{{kind}}}", WORDS):
        assert set(variant.masks) == {mask}
        assert [(s.name, s.type, s.table, s.start, s.end) for s in variant.slots] == [
            (kind, kind, "", 0, variant.length)
        ]


def test_a_field_is_as_wide_as_what_is_written_in_it():
    # A week is 01 to 53, a day of the year 001 to 366, a year of an era 1 to 64, a source code 2 to 4 digits.
    by_width = {
        (1,): "year1 weekday week_of_month",
        (2,): "year2 week month2 day2",
        (1, 2): "month_number day era_year",
        (3,): "day_of_year",
        (4,): "year4",
        (2, 3, 4): "source",
    }
    for widths, kinds in by_width.items():
        for kind in kinds.split():
            assert lengths(f"{{{kind}}}") == list(widths), kind


def test_the_sorts_of_character_are_what_they_say():
    assert chars_of(one("{digits:1}").masks[0]) == "0123456789"
    assert chars_of(one("{letters:1}").masks[0]) == "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    assert one("{any:1}").masks == (ANY,)
    assert one("{letters:1}").masks == (LETTERS,)


def test_a_width_stands_after_a_colon_alone_or_as_a_span():
    assert lengths("{source:3}") == [3]
    assert lengths("{number:4-6}") == [4, 5, 6]
    assert lengths("{digits:12}") == [12]


def test_a_field_may_have_a_name_of_its_own():
    variant = one("{run=digits:3}{shop=letters:1}")
    assert [(slot.name, slot.type) for slot in variant.slots] == [("run", "digits"), ("shop", "letters")]


def test_an_optional_group_is_taken_and_left_out():
    assert lengths("(HV~)?{year2}({letters:1})?") == [2, 3, 4, 5]
    for text in ("66", "HV66", "HV 66", "66K", "HV-66K"):
        assert reads("(HV~)?{year2}({letters:1})?", text)
    for text in ("H66", "HV", "V66", "66 K"):
        assert not reads("(HV~)?{year2}({letters:1})?", text)


def test_two_ways_to_the_same_form_are_one():
    assert lengths("({digits:1})?({digits:1})?{year2}") == [2, 3, 4]
    assert lengths("{month_number}{day}") == [2, 3, 3, 4]


@pytest.mark.parametrize(
    ("sign", "reads_with"),
    [
        ("", [""]),
        ("~", ["", " ", "-", ".", "/", ",", ":", " - "]),
        ("_", [" ", "-", ".", "/", ",", ":", " - "]),
        ("-", ["-", " - ", "- "]),
        (".", [".", " . ", ". "]),
        ("/", ["/", " / "]),
        (" ", [" ", "  "]),
    ],
)
def test_a_separator_is_forbidden_optional_or_required(sign, reads_with):
    for between in ("", " ", "-", ".", "/", ",", ":", " - ", "- ", " . ", ". ", " / ", "  ", "-.", "/-"):
        wanted = between in reads_with or (sign in ("~", "_") and between != "")
        assert reads(f"{{month2}}{sign}{{year2}}", f"05{between}66") is wanted, (sign, between)


def test_separators_side_by_side_are_one_gap():
    variant = one("{month2}~-{year2}")
    assert variant.allowed == (0, 0, ANY_SEP, 0)
    assert variant.required == (0, 0, HYPHEN, 0)
    assert one("{month2}-~{year2}").required == (0, 0, HYPHEN, 0)
    assert one("{month2}_{year2}").required[2] == ANY_SEP
    assert one("{month2}./{year2}").allowed[2] == DOT | SLASH | SPACE
    for twice, sign in (("--", HYPHEN), ("__", ANY_SEP), ("//", SLASH)):
        assert one(f"{{month2}}{twice}{{year2}}").required[2] == sign


def test_a_gap_at_either_end_asks_for_nothing():
    for layout in ("_{month2}", "{month2}_", "{month2}_({letters:1})?"):
        assert reads(layout, "05")


def test_a_separator_inside_a_field_is_forbidden():
    assert not reads("{source:3}~{week}", "1 3712")
    assert not reads("{source:3}~{week}", "137-1-2")


def test_a_letter_table_gives_its_characters():
    assert chars_of(one("{year_letter:vale}").masks[0]) == "ABCDE"
    assert chars_of(one("{month_letter:vale}").masks[0]) == "ABCDEFGHJKLM"
    assert chars_of(one("{month_char:vale-char}").masks[0]) == "123456789DNO"


def test_a_field_type_looks_in_its_own_position_of_the_table():
    kinds = {
        "year_letter": "vale/year",
        "month_letter": "vale/month",
        "quarter_letter": "vale/quarter",
        "week_letter": "vale/week",
        "code": "vale/code",
    }
    for kind, table in kinds.items():
        assert one(f"{{{kind}:vale}}").slots[0].table == table
    assert one("{digit_letter:swap}").slots[0].table == "swap/digit"
    assert one("{month_char:vale-char}").slots[0].table == "vale-char/month"
    assert one("{era:era}").slots[0].table == "era/era"


def test_a_name_says_which_position_a_code_stands_in():
    variants = compile_layout("{plant=code:vale}{year2}", WORDS)
    assert sorted(v.length for v in variants) == [3, 4]
    assert {v.slots[0].table for v in variants} == {"vale/plant"}


def test_names_of_months_have_each_its_length():
    by_length = {v.length: v for v in compile_layout("{month_name}", WORDS)}
    assert sorted(by_length) == [3, 4, 5, 6, 7, 8, 9]
    assert by_length[9].masks == tuple(map(mask_of, "SEPTEMBER"))
    assert by_length[3].masks[0] == mask_of("JFMASOND")
    assert reads("{month_name}", "SEPT.") and reads("{month_name}", "März")


@pytest.mark.parametrize(
    ("layout", "message"),
    [
        ("{week", "the field at '{week' can't be read"),
        ("{Week}", "the field at '{Week}' can't be read"),
        ("{}", "can't be read"),
        ("{week:}", "can't be read"),
        ("{year2}{wek}", "unknown field type 'wek'; known: any, code, day"),
        ("{year2}a", "'a' can't stand in a layout"),
        ("{year2}#", "'#' can't stand in a layout"),
        ("{year2})", r"'\)' can't stand in a layout"),
        ("((HV)?{year2})?", r"'\(' can't stand in a layout"),
        ("(HV){year2}", r"'\(' can't stand in a layout"),
        ("{digits:0}", "width '0' of digits must grow from 1"),
        ("{digits:3-2}", "width '3-2' of digits must grow from 1"),
        ("{digits:65}", "width '65' of digits must grow from 1, to 64"),
        ("{digits:some}", "'some' is no width for digits"),
        ("{digits:1-2-3}", "'1-2-3' is no width for digits"),
        ("{week:3}", "week is written with 2 characters, not 3"),
        ("{year4:2}", "year4 is written with 4 characters, not 2"),
        ("{day:1-3}", "day is written with 1 or 2 characters, not 1-3"),
        ("{year_letter}", "year_letter needs a table of letters: {year_letter:table}"),
        ("{year_letter:hollow}", "no table of letters is called 'hollow/year'"),
        ("{year_letter:signs}", "no table of letters is called 'signs/year'"),
        ("{month_name:en}", "month_name has a table of its own and takes no 'en'"),
        ("", "no character that could be read"),
        ("~", "no character that could be read"),
        ("()?", "no character that could be read"),
        ("{digits:1-9}{letters:1-9}{any:1-12}", f"more than {VARIANTS_LIMIT} forms: split it"),
        ("(H)?" * 9 + "{year2}", "9 optional groups: split it"),
    ],
)
def test_a_layout_that_can_not_be_says_what_stands_where(layout, message):
    with pytest.raises(LayoutError, match=message) as caught:
        compile_layout(layout, WORDS)
    assert repr(layout) in str(caught.value)


def test_as_many_groups_as_a_layout_may_have_are_quickly_done():
    assert lengths("(H)?" * 8 + "{year2}") == list(range(2, 11))


@given(st.text("{}()?~_-./ :=HV7aweekyear124", max_size=24))
def test_any_text_is_a_layout_or_says_why_not(text):
    try:
        variants = compile_layout(text, WORDS)
    except LayoutError as error:
        assert repr(text) in str(error)
    else:
        assert variants and all(variant.length for variant in variants)


@given(layouts())
def test_a_variant_is_laid_out_without_gap_or_overlap(layout):
    for variant in compile_layout(layout, WORDS):
        assert len(variant.masks) == len(variant.allowed) == len(variant.required) == variant.length
        ends = [0]
        for slot in variant.slots:
            assert ends[-1] <= slot.start < slot.end <= variant.length
            ends.append(slot.end)
            inside = slice(slot.start + 1, slot.end)
            assert not any(variant.allowed[inside]) and not any(variant.required[inside])
        for allowed, required in zip(variant.allowed, variant.required, strict=True):
            assert required & ~allowed == 0
