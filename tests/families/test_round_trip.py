"""Every layout of dates on parts writes days as well: what is written for a day reads back as a window with it.

The writer below knows the layouts and the rows of the letter tables. It asks nothing of the engine that reads.
"""

import calendar
from datetime import date, timedelta

import pytest

from decoder.catalog import decode, families
from decoder.marking import BIT, DOT, HYPHEN, SLASH, SPACE, chars_of
from decoder.scheme.engine import build_index
from decoder.tables import shipped
from decoder.window import parse_edtf

TODAY = date(2026, 11, 25)
DAYS_A_LAYOUT = 7
SIGNS = {HYPHEN: "-", DOT: ".", SLASH: "/", SPACE: " "}
FAMILIES = {family.id: family for family in families() if family.id in ("component_date", "stamped_date")}
YEARS = {"year1", "year2", "year4", "year_letter", "era_year"}


def schemes():
    return [
        scheme
        for name, family in sorted(FAMILIES.items())
        for scheme in build_index(shipped(), name, family.kinds).schemes
    ]


def dated():
    return [s for s in schemes() if any(slot.type in YEARS for v in s.variants for slot in v.slots)]


def folded(text):
    return "".join(c for c in str(text).upper() if c in BIT)


def numbers(value):
    """'1970;1990', '1985/1987' and '7' as the numbers that a row lists."""
    made = []
    for part in str(value).split(";"):
        first, _, last = part.strip().partition("/")
        made += range(int(first), int(last or first) + 1)
    return made


def entries(package, table, position):
    rows = shipped().table(f"{package}/letters").rows
    return [r for r in rows if r["table"] == table and r["position"] == position]


def lettered(package, slot, wanted):
    """The characters of a letter table that stand for any of these numbers."""
    table, position = slot.table.split("/")
    found = [
        folded(r["character"]) for r in entries(package, table, position) if set(numbers(r["value"])) & wanted
    ]
    return [text for text in found if len(text) == slot.end - slot.start]


def names(resource, column, month, width):
    rows = shipped().table(f"stamped/{resource}").rows
    return [text for r in rows if r["month"] == month and len(text := folded(r[column])) == width]


def era_of(day):
    """The era of a day: the later one on a day that belongs to two, None before the first."""
    rows = [r for r in shipped().table("stamped/eras").rows if r["start"] <= day <= (r["end"] or date.max)]
    return rows[-1] if rows else None


def digit_letters(day, slots):
    """The digit that each of two letters of a week stands for, by the slots' places."""
    week = week_of(day)
    return dict(zip((s.start for s in slots if s.type == "digit_letter"), divmod(week, 10), strict=False))


def week_of(day):
    """The plain count from 1 January, whose last week runs to 31 December: one of the counts in use."""
    return min((day.timetuple().tm_yday - 1) // 7 + 1, 52)


def written(package, slot, day, turn, variant):
    """The ways to write one field for a day; none where this layout can't hold it."""
    width = slot.end - slot.start

    def number(value):
        return [str(value).zfill(width)] if len(str(value)) <= width else []

    match slot.type:
        case "year1":
            return [str(day.year % 10)]
        case "year2":
            return [f"{day.year % 100:02}"]
        case "year4":
            return [str(day.year)]
        case "year_letter":
            return lettered(package, slot, {day.year}) or lettered(package, slot, {day.year % 10})
        case "month_letter" | "month_char":
            return lettered(package, slot, {day.month})
        case "quarter_letter":
            return lettered(package, slot, {(day.month + 2) // 3})
        case "week_letter":
            return lettered(package, slot, {(day.day + 6) // 7})
        case "digit_letter":
            return lettered(package, slot, {digit_letters(day, variant.slots)[slot.start]})
        case "month_name":
            return names("month-names", "name", day.month, width)
        case "month_roman":
            return names("roman-months", "roman", day.month, width)
        case "month_number" | "month2":
            return number(day.month)
        case "day" | "day2":
            return number(day.day)
        case "week":
            return number(week_of(day))
        case "week_of_month":
            return number((day.day + 6) // 7)
        case "day_of_year":
            return number(day.timetuple().tm_yday)
        case "weekday":
            return number(day.isoweekday())
        case "era":
            return [era["letter"]] if (era := era_of(day)) else []
        case "era_year":
            era = era_of(day)
            named = any(s.type == "era" for s in variant.slots)  # with no era letter it is a year of Showa
            return number(day.year - era["offset"]) if era and (named or era["letter"] == "S") else []
        case "code":
            table, position = slot.table.split("/")
            found = [folded(r["character"]) for r in entries(package, table, position)]
            return [text for text in found if len(text) == width]
        case "digits":
            return ["4" * width]
        case "letters":
            return ["QZXWVKJHG"[:width]]
        case "any":
            return ["QZ4X7WVKJHG9"[:width]]
        case other:
            raise AssertionError(f"the writer does not know the field type {other}")


def markings(scheme, variant, day, turn):
    """One way to write a day in a layout, with the separators that it needs or, every other turn, allows."""
    package = scheme.data["package"]
    text, at = "", 0
    for slot in variant.slots:
        text += literal(variant, at, slot.start, turn)
        ways = written(package, slot, day, turn, variant)
        if not ways:
            return []
        text += separator(variant, slot.start, turn) + ways[turn % len(ways)]
        at = slot.end
    return [text + literal(variant, at, variant.length, turn)]


def literal(variant, start, end, turn):
    return "".join(separator(variant, i, turn) + chars_of(variant.masks[i]) for i in range(start, end))


def separator(variant, place, turn):
    if place == 0:
        return ""
    wanted = variant.required[place] or (variant.allowed[place] if turn % 2 else 0)
    fitting = [text for sign, text in SIGNS.items() if sign & wanted]
    return fitting[turn // 2 % len(fitting)] if fitting else ""


def sample_days(scheme, seed):
    """Days spread over the years in which the scheme can be meant, month ends and leap days among them."""
    bounds = scheme.limits
    first = bounds.earliest_date if bounds and bounds.earliest else date(1900, 1, 1)
    last = min(bounds.latest_date if bounds and bounds.latest else TODAY, TODAY)
    span = (last - first).days
    for turn in range(DAYS_A_LAYOUT):
        day = first + timedelta(days=(seed * 977 + turn * 7919) % (span + 1))
        if turn % 3 == 0:
            day = day.replace(day=calendar.monthrange(day.year, day.month)[1])
        yield turn, min(day, last)


@pytest.mark.parametrize("scheme", dated(), ids=lambda s: s.id)
def test_a_day_written_in_any_layout_is_read_back(scheme):
    kinds = sorted(scheme.kinds or FAMILIES[scheme.family].kinds)
    tried = 0
    for seed, variant in enumerate(scheme.variants):
        for turn, day in sample_days(scheme, seed):
            for text in markings(scheme, variant, day, turn):
                tried += 1
                part = kinds[(seed + turn) % len(kinds)]
                decoding = decode(text, part=part, today=TODAY)
                readings = [r for r in decoding.readings if r.scheme == scheme.id]
                assert any(r.window.contains(day.toordinal()) for r in readings), (
                    text,
                    part,
                    day,
                    variant.layout,
                )
    assert tried, "no day could be written in any layout of this scheme"


def test_every_scheme_with_a_year_is_written_and_the_rest_are_known():
    without = {s.id for s in schemes()} - {s.id for s in dated()}
    assert without == {"uk-cv-mark"}  # a mark without a date


@pytest.mark.parametrize("scheme", dated(), ids=lambda s: s.id)
def test_documented_years_lie_within_the_years_that_can_be_read(scheme):
    if scheme.years is None or "decades" not in scheme.data:
        return
    read, documented = parse_edtf(scheme.data["decades"]).window, scheme.years
    assert read.earliest <= documented.earliest or read.earliest_date.year == documented.earliest_date.year
    assert documented.latest is None or documented.latest <= read.latest


def test_the_writer_writes_what_a_bench_would_read():
    by_id = {s.id: s for s in dated()}

    def forms(scheme, *day):
        found = by_id[scheme]
        turns = [(v, turn) for v in found.variants for turn in range(24)]
        return {text for v, turn in turns for text in markings(found, v, date(*day), turn)}

    assert {"KH7", "KH07", "K-H-07"} <= forms("celestion-1968", 1975, 10, 7)
    assert {"3-5-64", "03/05/64", "3/5/1964"} <= forms("month-day-year", 1964, 3, 5)
    assert {"44AUGUST65", "4AUG65A"} <= forms("heel-stamp", 1965, 8, 3)
    assert {"S45.7.1", "S 45.7.1"} <= forms("era-date", 1970, 7, 1)
