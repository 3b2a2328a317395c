"""Schemes, markings and dates in writing for the tests of the engine, on the frozen tables of an invented maker.

What a date looks like in a field is worked out here from the CSV files and the calendar alone, so that the
engine is held against something that it did not compute itself.
"""

import csv
from datetime import date
from pathlib import Path

from hypothesis import strategies as st

from decoder.marking import COMMA, DOT, HYPHEN, OTHER_SEP, SLASH, SPACE, Marking, chars_of
from decoder.scheme.engine import compile_scheme, dated_readings, index_of, letter_tables, matches
from decoder.scheme.reading import union_of
from decoder.tables import Tables

FAKE = Path(__file__).resolve().parents[1] / "tables_fake"
TABLES = Tables.open(base=FAKE)
LETTERS = letter_tables(TABLES, "bench")
WORDS = {name: tuple(entries) for name, entries in LETTERS.items()}
SIGNS = {SPACE: " ", HYPHEN: "-", DOT: ".", SLASH: "/", COMMA: ",", OTHER_SEP: ":"}


def rows(table):
    with (FAKE / "bench" / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


LETTER_ROWS, NAME_ROWS, ROMAN_ROWS, ERA_ROWS = map(rows, ("letters", "month_names", "roman_months", "eras"))


def scheme(*layouts, **more):
    """A compiled scheme with these layouts; the rest as in schemes.toml."""
    row = {
        "id": "made",
        "family": "bench",
        "title": "Made for a test",
        "layouts": list(layouts),
        "decades": "1930/1999",
        "source": ["made-up"],
        "grade": "P",
        "package": "bench",
        "revision": "0" * 12,
        **more,
    }
    return compile_scheme(TABLES, row, WORDS, None)


def index(*schemes, kinds=("potentiometer", "tube")):
    return index_of(schemes, LETTERS, kinds)


def found(one, text, kind=None):
    """Every match of a scheme on the whole of a marking."""
    marking = text if isinstance(text, Marking) else Marking.read(text)
    return list(matches(index(one), kind, marking, 0, len(marking.cells)))


def only(one, text):
    """The one match of a scheme on a marking."""
    (match,) = found(one, text)
    return match


def readings(one, text):
    return [reading for match in found(one, text) for reading in dated_readings(match, LETTERS)]


def days(one, text):
    """The days that all readings of a marking allow together."""
    return union_of([reading.window for reading in readings(one, text)])


def letters_for(slot, meant):
    """The characters of a slot's letter table whose values hold for `meant` (a test of one value)."""
    table, position = slot.table.split("/")
    written = []
    for row in LETTER_ROWS:
        if (row["table"], row["position"]) == (table, position):
            for part in row["value"].split(";"):
                first, _, last = part.partition("/")
                if first and any(meant(value) for value in range(int(first), int(last or first) + 1)):
                    written.append(row["character"])
    return written


def plain(name):
    return name.upper().replace("Ä", "A").replace(".", "")


def ways(slot, day):
    """Every way in which a date is written in a field; none for a field that says nothing of it."""
    width = slot.end - slot.start
    numbered = {
        "year1": day.year % 10,
        "year2": day.year % 100,
        "year4": day.year,
        "month_number": day.month,
        "month2": day.month,
        "day": day.day,
        "day2": day.day,
        "day_of_year": day.timetuple().tm_yday,
        "weekday": day.isoweekday(),
        "week_of_month": (day.day - 1) // 7 + 1,
    }
    if slot.type in numbered:
        text = str(numbered[slot.type]).rjust(width, "0")
        return [text] if len(text) == width else []
    if slot.type == "week":
        year, week, _ = day.isocalendar()
        plain_count = min((day.timetuple().tm_yday - 1) // 7 + 1, 52)
        return [f"{week:02}"] * (year == day.year) + [f"{plain_count:02}"]
    if slot.type == "month_name":
        names = [plain(row["name"]) for row in NAME_ROWS if int(row["month"]) == day.month]
        return [name for name in names if len(name) == width]
    if slot.type == "month_roman":
        return [r["roman"] for r in ROMAN_ROWS if int(r["month"]) == day.month and len(r["roman"]) == width]
    if slot.type == "year_letter":
        return letters_for(slot, lambda value: value == (day.year if value > 9 else day.year % 10))
    if slot.type in ("month_letter", "month_char"):
        return letters_for(slot, lambda value: value == day.month)
    if slot.type == "quarter_letter":
        return letters_for(slot, lambda value: value == (day.month + 2) // 3)
    if slot.type == "week_letter":
        return letters_for(slot, lambda value: value == (day.day - 1) // 7 + 1)
    return []


def fillers(slot):
    """Some characters for a field that says nothing of the date."""
    if slot.type == "code":
        return ["T", "W"]
    return [{"letters": "KX", "any": "K7"}.get(slot.type, "137")[i:] * 9 for i in (0, 1)]


@st.composite
def written(draw, variant, day):
    """The date in writing, as a variant of a layout has it, or None where it can't be written so."""
    texts = {}
    swaps = [slot for slot in variant.slots if slot.type == "digit_letter"]
    digits = f"{min((day.timetuple().tm_yday - 1) // 7 + 1, 52):02}"
    years = [slot for slot in variant.slots if slot.type == "year1"]
    for slot in variant.slots:
        options = ways(slot, day)
        if slot in swaps:
            digit = int(digits[swaps.index(slot)])
            options = letters_for(slot, lambda value, digit=digit: value == digit)
        elif slot.type == "year1" and len(years) == 2:
            options = [f"{day.year % 100:02}"[years.index(slot)]]
        elif slot.type in ("source", "number", "digits", "letters", "any", "code"):
            options = [text[: slot.end - slot.start] for text in fillers(slot)]
        if not options:
            return None
        texts[slot.start] = draw(st.sampled_from(options))
    made, place = "", 0
    while place < variant.length:
        made += draw(st.sampled_from(signs(variant, place))) if place else ""
        if place in texts:
            made += texts[place]
            place += len(texts[place])
        else:
            made += literal(variant, place)
            place += 1
    return made


def signs(variant, place):
    """The separators that may stand before a place of a variant."""
    signs_allowed = [sign for bit, sign in SIGNS.items() if variant.allowed[place] & bit]
    required = [sign for bit, sign in SIGNS.items() if variant.required[place] & bit]
    spaced = [f" {sign} " for sign in required if " " in signs_allowed]
    return required + spaced if required else ["", *signs_allowed]


def literal(variant, place):
    (character,) = chars_of(variant.masks[place])
    return character


YEARS = ("{year2}", "{year4}", "{year1}", "{year_letter:vale}", "{year_letter:last}")
WITHIN = (
    ("{week}",),
    ("{month2}",),
    ("{month_number}", "{day}"),
    ("{month_name}", "{day2}"),
    ("{month_name}",),
    ("{month_roman}", "{day}"),
    ("{month_letter:vale}", "{day2}"),
    ("{month_char:vale-char}", "{week_letter:vale}"),
    ("{month2}", "{week_of_month}"),
    ("{day_of_year}",),
    ("{quarter_letter:vale}",),
    ("{digit_letter:swap}", "{digit_letter:swap}"),
    ("{week}", "{weekday}"),
    (),
)
BESIDE = ("{source:3}", "{digits:1-2}", "{letters:1}", "{run=number:2}", "{any:1}", "{code:vale}", "HV", "7")


@st.composite
def layouts(draw):
    """A layout of the grammar: one year, perhaps more of the date, and what stands beside it, in any order."""
    within = draw(st.sampled_from(WITHIN))
    year = draw(st.sampled_from(YEARS))
    fields = list(within)
    fields.insert(draw(st.integers(0, len(fields))), year)
    if year == "{year1}" and draw(st.booleans()):
        fields.append(year)
    beside = draw(st.lists(st.sampled_from(BESIDE), max_size=2))
    for field in beside:
        field = f"({field}~)?" if draw(st.booleans()) else field
        fields.insert(draw(st.integers(0, len(fields))), field)
    gaps = draw(st.lists(st.sampled_from(["", "", "~", "_", "-", ".", "/", " "]), min_size=9, max_size=9))
    made = fields[0]
    for gap, field in zip(gaps, fields[1:], strict=False):
        made += gap + field
    return made


DATES = st.dates(date(1930, 1, 1), date(1999, 12, 31))


@st.composite
def worn(draw, text):
    """A marking with some of its characters worn: `?`, or a bracket that holds what stood there."""
    made = ""
    for character in text:
        how = draw(st.integers(0, 5)) if character.isalnum() else 9
        if how == 0:
            made += "?"
        elif how == 1:
            others = draw(st.text("0123456789ABCDEFMNS", min_size=1, max_size=3))
            made += f"[{character}{others}]"
        else:
            made += character
    return made
