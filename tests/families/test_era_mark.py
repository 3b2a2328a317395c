"""Era marks as they stand on labels and decals: in addresses, on two lines, worn, several at once, and at odds.

Harrow & Vale is an invented maker.
"""

import json
import random
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.catalog import decode, kinds_of
from decoder.families.clues import needs
from decoder.families.era_mark import FAMILY, KINDS, digits_alike
from decoder.marking import Marking
from decoder.scheme.family import Context
from decoder.scheme.reading import Precision, Strength, Timing
from decoder.tables import TableError, Tables, shipped

ROWS = {row["id"]: row for row in shipped().table("era/marks").rows}
TEXTS = sorted({row[name] for row in ROWS.values() for name in ("example", "counter_example")})


def read(text, tables=None):
    """The readings of the family alone: other families read labels too."""
    return FAMILY.read(Marking.read(text, limit=400), Context(tables or shipped(), "label"))


def only(text):
    found = read(text)
    assert len(found) == 1
    return found[0]


def ids(readings):
    return {field.name for reading in readings for field in reading.fields}


def test_a_zone_number_in_an_american_address_is_of_1943_or_later_and_its_use_fades():
    reading = only("123 Main St., Chicago 14, Ill.")
    assert reading.window.edtf() == "1943-05-01/.."
    assert reading.strength is Strength.STRONG
    assert reading.timing is Timing.ERA and reading.precision is Precision.BOUND
    assert any("no contradiction" in note for note in reading.notes)
    zone = next(field for field in reading.fields if field.name == "us-postal-zone")
    assert zone.text == "Chicago 14, Ill."
    assert any(source.grade == "B" for source in reading.sources)


def test_the_catalogue_reads_a_label_through_the_family():
    decoding = decode("Made in Occupied Japan", part="label")
    assert decoding.windows.edtf() == "1947-02-20/1952-04-28"


def test_a_number_after_a_model_is_no_zone():
    assert "us-postal-zone" not in ids(read("MODEL 16, ILLINOIS"))


def test_marks_of_one_text_are_one_reading_of_the_days_that_all_allow():
    # The four-digit code came on 1 November 1961, the words West Germany ended with 1990.
    reading = only("8520 ERLANGEN, WEST GERMANY")
    assert reading.window.edtf() == "1961-11-01/1990-12-31"
    assert {field.name for field in reading.fields} >= {"de-west-four-digit", "west-germany"}
    cited = {source.id for source in reading.sources}
    for name in ("de-west-four-digit", "west-germany"):
        assert set(ROWS[name]["source"]) <= cited


def test_a_joint_reading_is_as_strong_as_the_marks_that_set_its_ends():
    # The ZIP code is strong, the fax number from memory: the later bound is the fax number's.
    zip_alone, with_fax = only("KALAMAZOO, MICH. 49001"), only("KALAMAZOO, MICH. 49001, FAX 555-0124")
    assert zip_alone.strength is Strength.STRONG and zip_alone.grade == "B"
    assert with_fax.window.edtf() == "1966-01-01/.."
    assert with_fax.strength is Strength.FAIR and with_fax.grade == "M"


def test_marks_that_cant_be_of_one_time_are_weak_rivals_and_it_is_said():
    readings = read("MADE IN OCCUPIED JAPAN (CE MARK)")
    assert [r.window.edtf() for r in readings] == ["1947-02-20/1952-04-28", "1993-07-22/.."]
    assert {r.strength for r in readings} == {Strength.WEAK}
    for reading in readings:
        assert "can't be of one time" in reading.notes[0]
        assert "1952-04-28" in reading.notes[0] and "1993-07-22" in reading.notes[0]


def test_a_third_mark_stands_with_every_rival_that_it_agrees_with():
    readings = read("MADE IN OCCUPIED JAPAN; MADE IN U.S.S.R. (CE MARK)")
    together = [{field.name for field in r.fields} for r in readings]
    assert len(readings) == 2
    assert {"occupied-japan", "ussr"} <= together[0] and "ce-marking" not in together[0]
    assert "ce-marking" in together[1] and not {"occupied-japan", "ussr"} & together[1]


@pytest.mark.parametrize("name", [name for name, row in ROWS.items() if row["soft"]])
def test_an_end_that_fades_is_no_end(name):
    for reading in read(ROWS[name]["example"]):
        if reading.scheme == name:
            assert reading.window.latest is None
            assert any("no contradiction" in note for note in reading.notes)


def test_some_mark_fades_alone_on_its_text():
    assert only("REG. U.S. PAT. OFF.").window.edtf() == "../.."
    assert only("VEB BLECHBLAS").window.edtf() == "1945-01-01/.."


def test_a_bare_country_is_weak_and_the_same_words_in_full_are_not():
    assert only("HARROW & VALE\nGERMANY").strength is Strength.WEAK
    assert only("MADE IN GERMANY").strength is Strength.FAIR
    assert only("MADE IN OCCUPIED JAPAN").strength is Strength.STRONG


def test_a_mark_without_a_bound_bounds_no_day():
    reading = only("117 VOLTS 60 CYCLES")
    assert reading.window.edtf() == "../.."
    assert reading.strength is Strength.WEAK
    assert "bounds no day" in reading.fields[0].value


def test_a_weak_mark_beside_a_strong_one_sets_no_bound():
    reading = only("KALAMAZOO, MICH. 49001 (TYPEFACE ARIAL)")
    assert reading.window.edtf() == "1963-07-01/.."
    assert any("Arial is weak beside" in note for note in reading.notes)
    assert only("(TYPEFACE ARIAL)").window.edtf() == "1982-01-01/.."


def test_the_year_of_a_copyright_is_the_earliest_the_text_can_be():
    assert only("© 1965 HARROW & VALE").window.edtf() == "1965-01-01/.."
    assert only("COPYRIGHT 1958 HARROW & VALE; COPYRIGHT 1972 HARROW & VALE").window.edtf() == "1972-01-01/.."
    assert only("COPYRIGHT 1895 BY HARROW & VALE").window.edtf() == "1895-01-01/.."


@pytest.mark.parametrize(
    "text", ["MADE IN OCCUPIED JAPAN", "made  in occupied\njapan", "Made in\r\nOccupied Japan"]
)
def test_words_on_two_lines_are_one_mark(text):
    assert only(text).window.edtf() == "1947-02-20/1952-04-28"


def test_a_country_on_a_line_of_its_own_stands_alone():
    assert ids(read("HARROW & VALE\nITALY")) == {"us-import-country-name"}
    assert read("HARROW & VALE OF ITALY") == []


def test_a_long_dash_and_a_curved_apostrophe_are_what_they_stand_for():
    assert "prc" in ids(read("PEOPLE’S REPUBLIC OF CHINA"))
    assert "us-zone-germany" in ids(read("US–ZONE"))


# ---------------------------------------------------------------------------------------------------------------
# Worn texts


def test_a_worn_letter_in_a_word_that_can_be_but_one_is_read_and_said():
    reading = only("MADE IN OCC?PIED JA[PB]AN")
    assert reading.window.edtf() == "1947-02-20/1952-04-28"
    assert reading.strength is Strength.FAIR
    assert "OCC?PIED is read as OCCUPIED" in reading.notes
    assert "JA[PB]AN is read as JAPAN" in reading.notes
    mark = next(field for field in reading.fields if field.name == "occupied-japan")
    assert mark.text == "OCC?PIED JA[PB]AN"


def test_a_letter_that_the_brackets_dont_allow_is_not_read_into_them():
    assert read("MADE IN OCC[BD]PIED JAPAN") == []


def test_a_word_worn_past_half_is_not_guessed():
    assert read("MADE IN ???AN") == []


def test_a_worn_zone_number_is_read_when_any_figure_would_do():
    reading = only("CHICAGO 1?, ILL.")
    assert reading.window.edtf() == "1943-05-01/.."
    assert reading.strength is Strength.FAIR
    assert "1? is read as a number" in reading.notes


def test_a_worn_area_code_names_no_area():
    found = ids(read("TEL. (61?) 555-0123"))
    assert "us-area-code" in found
    assert not any(name.startswith("us-area-code-") for name in found)


def test_a_worn_year_is_its_earliest():
    assert only("© 19[67]5 HARROW & VALE").window.edtf() == "1965-01-01/.."


def test_a_mark_that_a_worn_character_may_carry_on_is_not_read():
    assert read("MADE IN JAPAN?") == []
    assert read("*MADE IN JAPAN*") == []
    assert "japan" in ids(read("MADE IN JAPAN *"))


def test_worn_parts_that_were_not_used_are_said():
    assert "the worn parts of the text were not used" in only("???? * MADE IN ITALY").notes


@given(st.sampled_from([row["example"] for row in ROWS.values()]), st.data())
def test_a_worn_character_never_makes_a_mark_that_the_clear_text_lacks(text, data):
    place = data.draw(st.integers(0, len(text) - 1))
    if not text[place].isalnum() or text[place].upper() not in "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789":
        return
    worn = text[:place] + "?" + text[place + 1 :]
    clear = ids(read(text))
    resting_on_it = {f.name for r in read(worn) for f in r.fields if f.at[0] <= place < f.at[1]}
    assert resting_on_it <= clear


# ---------------------------------------------------------------------------------------------------------------
# What holds of every text


@given(
    st.text(
        st.characters(exclude_categories=["Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"]), min_size=1, max_size=80
    )
)
def test_any_text_that_can_be_a_marking_is_answered(text):
    try:
        marking = Marking.read(text, limit=400)
    except ValueError:
        return
    for reading in FAMILY.read(marking, Context(shipped(), "label")):
        assert reading.window


@st.composite
def label_texts(draw):
    pieces = draw(st.lists(st.sampled_from(TEXTS), min_size=1, max_size=3))
    gaps = draw(st.lists(st.sampled_from([" ", "\n", ", ", ". ", "", " ? "]), min_size=3, max_size=3))
    cut = draw(st.integers(0, 20))
    return "".join(piece + gap for piece, gap in zip(pieces, gaps, strict=False))[cut:400]


@given(label_texts())
def test_every_field_shows_its_own_characters(text):
    if not text.strip():
        return
    for reading in read(text):
        for field in reading.fields:
            assert text[field.at[0] : field.at[1]] == field.text
            assert field.text


@given(label_texts())
def test_no_mark_is_missed_for_want_of_a_clue(text):
    """Against trying every expression on the text, in capitals and with blanks as they are."""
    if not text.strip() or "?" in text or re.search(r"\s\s|\n", text):
        return
    tried = {name for name, row in ROWS.items() if re.search(row["pattern"], text.upper())}
    readings = read(text)
    assert ids(readings) == tried or (len(readings) > 1 and ids(readings) <= tried)


def test_no_expression_of_the_table_can_run_away():
    """No group is repeated without an end: what makes an expression cost more than a small power of the length."""
    for name, row in ROWS.items():
        bare = re.sub(r"\\.|\[\^?\]?(?:\\.|[^\]\\])*\]", "x", row["pattern"])
        assert not re.search(r"\)(?:[*+]|\{\d*,\})", bare), name
        assert len(re.findall(r"x(?:[*+]|\{\d*,\})", bare)) <= 2, name


HOSTILE = [
    "A" * 400, "1 " * 200, "AAAA 12, " * 44, "LONDON ENGLAND 01" * 23, "FCC " * 100, "WARNING " * 50,
    "COPYRIGHT BY A" * 28, "USA 60" * 66, "A@A." * 100, "GERMANY 1234 AB " * 25, "(" * 400, "A?CD " * 80, "1?3 " * 100,
    "MADE IN\nJAPAN\n" * 28, "?" * 400, "JAPAN 430? TEL. 01-555 LONDON, W.C.2 © 19?5 ENGLAND " * 7,
]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_a_hostile_text_has_few_readings_and_few_fields(text):
    readings = read(text[:400])
    assert len(readings) <= 2
    assert sum(len(reading.fields) for reading in readings) <= 40


def test_a_bare_code_is_no_label_text():
    for code in ("137-6612", "1377310", "R 4 1966", "304-6532"):
        assert read(code) == []


def test_the_kinds_are_kinds_of_the_table_and_leave_out_the_number_of_the_instrument():
    assert set(kinds_of(shipped())) >= KINDS
    assert "serial" not in KINDS
    assert {"label", "decal", "headstock-logo", "hangtag", "case", "potentiometer", "speaker"} <= KINDS


# ---------------------------------------------------------------------------------------------------------------
# Clues


@pytest.mark.parametrize(
    ("pattern", "expected"),
    [
        (r"\bMADE IN (?:WEST )?GERMANY\b", {"MADE IN "}),
        (r"\b(?:VOLTS|WATTS) ?\d", {"VOLTS", "WATTS"}),
        (r"(?P<year>19\d\d)", {"19"}),
        (r"A{2,3}BC", {"BC"}),
        (r"A+", {"A"}),
        (r"(?:ABC)?D", {"D"}),
        (r"\(CE\)|®", {"(CE)", "®"}),
        (r"X(?!YZ)", {"X"}),
        (r"ABC(?<=Q)DE", {"ABC"}),
    ],
)
def test_a_clue_is_what_no_match_can_lack(pattern, expected):
    assert needs(pattern).clues == expected


@pytest.mark.parametrize("pattern", [r"\d{3}", r"AB|\d", r"[AB]C?", r"(?i)ABC", "[AB", ""])
def test_an_expression_that_needs_no_letters_or_isnt_understood_has_no_clue(pattern):
    assert needs(pattern).clues is None


@pytest.mark.parametrize("pattern", [r"\x41BC", r"\u0041BC", r"\N{DIGIT ONE}X", r"\112APAN", r"(A)\11"])
def test_characters_by_their_codes_are_no_clue(pattern):
    assert needs(pattern).clues is None
    assert needs(pattern).length == 0


@pytest.mark.parametrize("row", shipped().table("era/marks").rows, ids=lambda row: row["id"])
def test_no_match_is_shorter_than_the_least_length_of_its_expression(row):
    # the standard library's own parser of expressions is the judge
    assert 0 < needs(row["pattern"]).length == re._parser.parse(row["pattern"]).getwidth()[0]


@pytest.mark.parametrize(
    ("pattern", "expected"),
    [
        (r"\bMADE IN (?:WEST )?GERMANY\b", 15),
        (r"\b(?:VOLTS|OHM) ?\d", 4),
        (r"A{2,3}B+C*", 3),
        (r"[^A-Z]{4}(?!XYZ)(?<=Q)", 4),
        (r"^.\.$", 2),
        (r"(?:AB|CDE){3}", 6),
        (r"AB|", 0),
        (r"(?i)ABC", 0),
        (r"AB{}{0}Q", 4),
        (r"(A)B\1", 2),
        ("A{٩}", 4),
    ],
)
def test_the_least_length_of_an_expression(pattern, expected):
    assert needs(pattern).length == expected


PIECES = r"A B 1 . \d \b \. \1 \12 \112 \x41 [AB] [^]A] (?: ( (?= (?<! (?P<n> ) ) | ? * + +? {2} {,3} {1,2} {} { ^ $"


@settings(max_examples=400)
@given(st.lists(st.sampled_from(PIECES.split()), max_size=9).map("".join))
def test_neither_clue_nor_length_asks_more_of_a_match_than_the_expression_does(pattern):
    try:
        read = re._parser.parse(pattern)
    except (re.error, OverflowError):
        return
    assert needs(pattern).length <= read.getwidth()[0]
    shortest = re.search(pattern, "ABAB11.AB1")
    need = needs(pattern).clues
    assert shortest is None or need is None or any(clue in "ABAB11.AB1" for clue in need)


# ---------------------------------------------------------------------------------------------------------------
# Texts alike but for their digits


@pytest.mark.parametrize(
    ("pattern", "expected"),
    [
        (r"\bMADE IN (?:WEST )?GERMANY\b", r"\bMADE IN (?:WEST )?GERMANY\b"),
        (r"(?<!\d)\d{5}(?:-\d{4})?(?![\d\-])", r"(?<!\d)\d{5}(?:-\d{4})?(?![\d\-])"),
        (r"(?P<year>19\d\d|20[0-4]\d)", r"(?P<year>00\d\d|00[0-4]\d)"),
        (r"[A-Z0-9]{2,3}[^5]", r"[A-Z0-9]{2,3}[^5]"),
        (r"[1-9]+[^0-3]?", r"(?:0|[1-9])+(?:0|[^0-3])?"),
        (r"60(?! ?(?:HZ|5))(?!HZ)", r"00(?:)(?!HZ)"),
        (r"(?<=1)A(?!(?!7)B)", r"(?<=0)A(?:)"),
    ],
)
def test_an_expression_for_texts_whose_digits_are_all_0_asks_for_no_other_digit(pattern, expected):
    assert digits_alike(pattern) == expected


@pytest.mark.parametrize(
    "pattern", [r"(\d)\1", r"(?i)A", r"[1-5]*+7", r"(?>1|12)3", r"\x31", "[AB", r"(?:1|22)+X"]
)
def test_of_an_expression_that_isnt_understood_nothing_is_told_of_other_digits(pattern):
    assert digits_alike(pattern) is None


@pytest.mark.parametrize("pattern", [r"NO [^9]+ X", r"NO [^0]+ X", r"NO (?:[^1-4]+ )?X"])
def test_a_row_of_digits_is_met_in_one_way_alone(pattern):
    # in two ways, each further digit would double the time of the search
    assert re.search(digits_alike(pattern), f"NO {'0' * 300} Y") is None


DIGITS = st.lists(st.sampled_from("0123456789"), min_size=400, max_size=400)


def with_digits(text, digits):
    return "".join(digit if c.isdigit() else c for c, digit in zip(text, digits, strict=False))


def index():
    read("HARROW & VALE")
    return shipped().derived("era_mark.index", pytest.fail)


@given(st.sampled_from(TEXTS), DIGITS)
def test_a_text_reads_the_same_after_one_with_other_digits(text, digits):
    other = with_digits(text, digits)
    plans = index().plans
    plans.clear()
    fresh = [reading.as_dict() for reading in read(text)]
    plans.clear()
    read(other)
    assert [reading.as_dict() for reading in read(text)] == fresh


@given(st.sampled_from(TEXTS), DIGITS)
def test_every_mark_that_stands_in_a_text_is_looked_for_in_all_that_are_alike(text, digits):
    plan = index().plan(Marking.read(text, limit=400))
    if plan is not None:
        other = with_digits(text, digits).upper()
        stands = {row["id"] for row in ROWS.values() if re.search(row["pattern"], other)}
        assert stands <= {mark.row["id"] for mark in plan}


# ---------------------------------------------------------------------------------------------------------------
# A shop's own marks


def overlay(folder, pattern, example="VIELE GRÜSSE"):
    """A package of one invented mark laid over the table."""
    base = next(p for p in shipped().packages() if p.name == "era").resource("marks")
    assert base is not None
    columns = {
        "id": "own-mark", "title": "Own mark", "jurisdiction": "here", "topic": "law", "how": "words",
        "pattern": f'"{pattern}"', "example": example, "counter_example": "none", "not_before": "1950-01-01",
        "not_after": "", "soft": "false", "note": "", "source": "shop", "grade": "C",
    }  # fmt: skip
    names = [column["name"] for column in base["schema"]["fields"]]
    (folder / "own.csv").write_text(
        ",".join(names) + "\n" + ",".join(columns[name] for name in names) + "\n", encoding="utf-8"
    )
    (folder / "sources.csv").write_text(
        "id,title,address,note\nshop,Own list of the shop,,\n", encoding="utf-8"
    )
    texts = [{"name": name, "type": "string"} for name in ("id", "title", "address", "note")]
    resources = [
        {"name": "own-marks", "path": "own.csv", "extends": "era/marks", "schema": base["schema"]},
        {"name": "sources", "path": "sources.csv", "schema": {"fields": texts}},
    ]
    (folder / "datapackage.json").write_text(
        json.dumps({"name": "shop", "version": "2026.11", "resources": resources}), encoding="utf-8"
    )
    return Tables.open(folder)


def test_a_shop_adds_a_mark_of_its_own(tmp_path):
    found = read("Viele Grüße aus Vale", overlay(tmp_path, "VIELE GRÜ(?:SS|ß)E"))
    assert ids(found) == {"own-mark"}
    assert found[0].window.edtf() == "1950-01-01/.."


def test_a_shops_mark_in_few_figures_is_read_though_the_first_look_would_pass_it_over(tmp_path):
    tables = overlay(tmp_path, r"\b77-1\b", example="77-1")
    assert ids(read("77-1", tables)) == {"own-mark"}


@pytest.mark.parametrize("pattern", ["(ANY", "ANY [9-1]?"])
def test_an_expression_that_is_none_is_named(tmp_path, pattern):
    with pytest.raises(TableError, match="no regular expression"):
        read("ANY TEXT", overlay(tmp_path, pattern))


# ---------------------------------------------------------------------------------------------------------------
# How often it reads what is no mark

ORDINARY = """about above across after again against almost along already also always among another answer around
asked back became because become before began behind being below better between black board body bottom bridge bring
brother brought brown build built called came carry case change children city clear close cold colour come common
could country course cover dark deep different door down during early earth easy edge eight enough even every eyes
face fact fall family far feet felt field find finger fire first five follow food force form found four front full
gave general give glue gold good grain great green ground group guitar hand hard have head hear heart heavy held
help here high hold home horse hour house hundred inside iron island just keep kind knew know land large last late
later learn leave left less letter light line list little live long look love made main make maple mark matter mean
measure might mile mind money month moon more morning most mother mountain move much music must name near neck need
never next night north nothing number often once only open order other over page paint paper part pass people piece
place plain plan plant play point poor power press price pull quick rain reach read ready real rest ring river road
rock room rose round rule said same school sea second seen sense serve seven several shape ship shop short should
side since sleep slow small snow some song soon sound south space stand star start state stay steel step still stone
stood story street string strong such sure table take talk tell their these thing think thought thousand three
through time together told tone took town tree true turn under unit until upon usual very voice walk wall want warm
watch water week well went west what wheel where which while white whole whose wide wild wind winter wire with wood
word work world would write year yellow young""".split()


def test_how_often_words_and_strings_that_are_no_mark_are_read(capsys):
    draw = random.Random(1966)
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
    strings = ["".join(draw.choices(letters, k=draw.randint(4, 12))) for _ in range(3000)]
    spaced = ["".join(draw.choices(letters + "  -./", k=draw.randint(8, 40))) + "X" for _ in range(2000)]
    sentences = [" ".join(draw.choices(ORDINARY, k=draw.randint(3, 12))) for _ in range(1000)]
    shares = {}
    for name, texts in {
        "random strings": strings, "random strings with gaps": spaced, "ordinary words": ORDINARY,
        "sentences of ordinary words": sentences,
    }.items():  # fmt: skip
        shares[name] = sum(bool(read(text)) for text in texts) / len(texts)
    with capsys.disabled():
        print("\nread by era_mark: " + ", ".join(f"{share:.2%} of {name}" for name, share in shares.items()))
    assert shares["ordinary words"] == 0
    assert shares["sentences of ordinary words"] == 0
    assert max(shares.values()) < 0.01
