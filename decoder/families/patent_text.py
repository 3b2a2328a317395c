"""Letters, numbers and dates of a marking, met as sets of characters: what patent marks in text are made of.

The words are `patents/wordings`, met letter by letter as a tree, so that `P?T. PEND.` costs no more than
`PAT. PEND.`; words match whole, and at least half of their letters must be certain. Numbers may have their
thousands set off, and dates come in the orders in which parts carry them.
"""

from __future__ import annotations

import calendar
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from math import prod
from typing import Final

from decoder.families.patent_numbers import DIGITS_MOST, Cells, IssueDays, period
from decoder.marking import (
    BIT,
    COMMA,
    DIGITS,
    DOT,
    HYPHEN,
    LETTERS,
    OTHER_SEP,
    SLASH,
    SPACE,
    Marking,
)
from decoder.scheme.engine import numbers
from decoder.tables import Row, Tables
from decoder.window import Window

OFFICE: Final = ("OFF", "OFFICE", "OFFC", "OFC")  # REG. U.S. PAT. OFF. is said of a trade mark
TRADE_MARK: Final = ("TM", "T", "M", "TRADE", "MARK", "TRADEMARK", "AND")
NAMES: Final = {
    "US": ("U S", "U S A", "US", "USA", "UNITED STATES", "AMERICAN"),
    "GB": ("BRITISH", "BRIT", "GB", "G B", "UK", "U K", "GT BRITAIN", "GREAT BRITAIN", "ENGLAND", "ENGLISH"),
    "CA": ("CANADA", "CANADIAN", "CAN", "CANAD"),
    "FR": ("FRANCE", "FRENCH"),
    "DE": ("GERMANY", "GERMAN", "DEUTSCHES"),
    "IT": ("ITALY", "ITALIA", "ITALIAN"),
    "JP": ("JAPAN", "JAPANESE", "JAP"),
    "BE": ("BELGIUM", "BELGIAN"),
}
MONTHS: Final = tuple(
    tuple(names.split())
    for names in (
        "JANUARY JANY JAN", "FEBRUARY FEBY FEB", "MARCH MCH MAR", "APRIL APR APL", "MAY", "JUNE JUN",
        "JULY JUL JLY", "AUGUST AUG", "SEPTEMBER SEPT SEP", "OCTOBER OCT", "NOVEMBER NOV", "DECEMBER DEC",
    )
)  # fmt: skip
ORDINALS: Final = ("TH", "ST", "ND", "RD", "D")
YEARS: Final = (1790, 2035)
GROUP_SEPS: Final = (COMMA, DOT, SPACE, COMMA | SPACE, DOT | SPACE, OTHER_SEP, HYPHEN)
# separators that make a bare number look like a patent number
GROUPS_BARE: Final = frozenset((COMMA, DOT, OTHER_SEP))
DATED_BY_YEAR: Final = 4
DESIGN_BARE_LEAST: Final = 5  # digits after the D of a design that no words announce
BARE_DIGITS: Final = 7
_BARE_NUMBER: Final = re.compile(f"[0-9]{{{BARE_DIGITS}}}")
MONTH_LEAST: Final = 3  # letters of the name of a month
Runs = list[list[int | None]]  # groups of digits of one number; None is a `*`


@dataclass(slots=True)
class Node:
    """A letter in the tree of wordings: the letters after it, the word that begins after it, what ends here."""

    letters: dict[int, Node] = field(default_factory=dict)
    gap: Node | None = None
    rows: tuple[Row, ...] = ()

    def add(self, words: Iterable[str], row: Row) -> None:
        """Enter the words below this node."""
        node = self
        for place, word in enumerate(words):
            if place:
                node.gap = node.gap or Node()
                node = node.gap
            for character in word:
                node = node.letters.setdefault(BIT[character], Node())
        node.rows = (*node.rows, row)


@dataclass(frozen=True, slots=True)
class Lexicon:
    """The wordings, the endings of pending marks that may stand apart from PAT, and the names of countries.

    `figures` says that digits stand in some wording. `heads` finds the shortest wordings, and the D of designs, in
    letters and digits without separators; None where there are figures.
    """

    wordings: Node
    pending: Node
    names: Node
    figures: bool = False
    heads: re.Pattern[str] | None = None


def lexicon(tables: Tables) -> Lexicon:
    """The lexicon of these tables, built once."""
    return tables.derived("patent.lexicon", _lexicon)


def _lexicon(tables: Tables) -> Lexicon:
    stated_rows = tables.table("patents/wordings").rows
    figures = any(c.isdigit() for row in stated_rows for c in row["wording"])
    made = Lexicon(Node(), Node(), Node(), figures, None if figures else _heads(stated_rows))
    for stated in stated_rows:
        row = {**stated, "lawful": period(stated)}
        words = row["wording"].split()
        made.wordings.add(words, row)
        if words[0].startswith("PAT") and words[-1] in ("NO", "NOS"):
            made.wordings.add([*words[:-2], words[-2] + words[-1]], row)  # PATNO
        if words[0] == "PAT" and row["meaning"] == "pending" and not row["jurisdiction"]:
            ending = words[1:]
            if len("".join(ending)) > DATED_BY_YEAR - 1 and "NO" not in ending:
                made.pending.add(ending, row)
    for country, names in NAMES.items():
        for name in names:
            made.names.add(name.split(), {"jurisdiction": country, "wording": name})
    return made


def _heads(rows: Iterable[Row]) -> re.Pattern[str]:
    shortest: list[str] = []
    for letters in sorted({"".join(row["wording"].split()) for row in rows}, key=lambda one: (len(one), one)):
        if not any(short in letters for short in shortest):
            shortest.append(letters)
    return re.compile("|".join((*map(re.escape, shortest), f"D[0-9]{{{DESIGN_BARE_LEAST}}}")))


def may_hold(marking: Marking, words: Lexicon) -> bool:
    """Whether any patent mark can stand in a text: a wording, the D of a design, or thousands set off. Cheap.

    Where something is worn, any D and the first two letters of a wording are enough.
    """
    cells = marking.cells
    text = marking.certain
    if words.heads is not None and text is not None:
        if words.heads.search(text) is not None:
            return True
        return _BARE_NUMBER.search(text) is not None and not GROUPS_BARE.isdisjoint(marking.seps)
    root, count = words.wordings.letters, len(cells)
    if any(sep in GROUPS_BARE for sep in marking.seps[1:count]):
        return True
    for at, cell in enumerate(cells):
        if not cell & LETTERS:
            continue
        if cell & (cell - 1) or cell == BIT["D"]:
            return True
        node = root.get(cell)
        if node is not None and at + 1 < count:
            after, next_cell = node.gap if marking.seps[at + 1] else node, cells[at + 1]
            worn = next_cell & LETTERS and next_cell & (next_cell - 1)
            if after is not None and (worn or next_cell in after.letters):
                return True
    return False


# ---------------------------------------------------------------------------------------------------------------
# Letters and words


def run_end(marking: Marking, at: int) -> int:
    """The end of the cells from `at` that stand together without a separator."""
    end = at + 1
    while end < len(marking.cells) and not marking.seps[end]:
        end += 1
    return end


def digits_end(marking: Marking, at: int) -> int:
    """The end of the cells from `at` that can be digits and stand together."""
    end = at
    while end < len(marking.cells) and marking.cells[end] & DIGITS and (end == at or not marking.seps[end]):
        end += 1
    return end


def sure(mask: int) -> bool:
    """Whether a cell is one known character."""
    return mask & (mask - 1) == 0


def begins(marking: Marking, at: int) -> bool:
    """Whether a word or number may begin here: after a separator, or where letters and digits meet."""
    if at == 0 or marking.seps[at]:
        return True
    before, here = marking.cells[at - 1], marking.cells[at]
    return (not before & ~DIGITS and not here & DIGITS) or (not before & DIGITS and not here & ~DIGITS)


def ends(marking: Marking, at: int) -> bool:
    """Whether a word may end before this cell."""
    if at >= len(marking.cells) or marking.seps[at] or not marking.cells[at] & ~DIGITS:
        return True
    end = digits_end(marking, at)
    return end == run_end(marking, at) and any(not cell & ~DIGITS for cell in marking.cells[at:end])


def longest(marking: Marking, root: Node, start: int) -> tuple[int, tuple[Row, ...]] | None:
    """The longest wording that stands at `start`: its end and its rows; several where worn letters allow them.

    At least half of its letters are certain, and one at least in each word of several letters.
    """
    cells, seps = marking.cells, marking.seps
    if sure(cells[start]) and cells[start] not in root.letters:
        return None
    best: tuple[int, int] | None = None
    rows: tuple[Row, ...] = ()
    pending = [
        (root, start, 0, 0, start, 0)
    ]  # node, cell, letters known and worn, its word: where, known before it
    while pending:
        node, at, known, worn, word, before = pending.pop()
        legible = known > before or at - word < 2
        if node.rows and worn <= known and legible and ends(marking, at):
            rank = (at, -worn)
            if best is None or rank > best:
                best, rows = rank, node.rows
            elif rank == best and not set(map(id, node.rows)) <= set(map(id, rows)):
                rows = (*rows, *node.rows)
        if at >= len(cells) or worn > known + 1:
            continue
        mask, sep = cells[at], seps[at] if at > start else 0
        following = []
        if not sep or sep == OTHER_SEP:  # the same word; an apostrophe may stand in it (APP'L'D)
            following.append((node, word, before))
        if sep and node.gap is not None and legible:
            following.append((node.gap, at, known))
        for after, word, before in following:
            if sure(mask):
                if mask in after.letters:
                    pending.append((after.letters[mask], at + 1, known + 1, worn, word, before))
            else:
                fitting = [n for bit, n in after.letters.items() if mask & bit]
                pending += [(n, at + 1, known, worn + 1, word, before) for n in fitting]
    return (best[0], rows) if best else None


def office_end(marking: Marking, at: int) -> int | None:
    """The end of OFF. or TM. OFF. at this cell: REG. U.S. PAT. OFF. speaks of a trade mark, not of a patent."""
    for _ in OFFICE:
        if at >= len(marking.cells):
            return None
        end = run_end(marking, at)
        if spells(marking, at, end, OFFICE):
            return end
        if not spells(marking, at, end, TRADE_MARK):
            return None
        at = end
    return None


def spells(marking: Marking, start: int, end: int, words: Iterable[str]) -> bool:
    """Whether these cells may be one of the words, at least half of their letters being certain."""
    cells = marking.cells[start:end]
    count = known = len(cells)
    for cell in cells:
        if cell & (cell - 1):
            known -= 1
    if 2 * known < count:
        return False
    for word in words:
        if len(word) != count:
            continue
        for character, cell in zip(word, cells, strict=True):
            if not BIT[character] & cell:
                break
        else:
            return True
    return False


# ---------------------------------------------------------------------------------------------------------------
# Numbers


@dataclass(frozen=True, slots=True)
class Digits:
    """A number as written on cells `start` to `end`: its digits in every form that a `*` allows, the separator of
    its thousands (0 for none), and how many of its digits are certain."""

    start: int
    end: int
    forms: tuple[Cells, ...]
    sep: int
    certain: int

    @property
    def length(self) -> int:
        """How many digits it has, at most."""
        return max(len(form) for form in self.forms)


def _stars(marking: Marking, start: int, end: int) -> tuple[bool, bool]:
    """Whether a `*` stands right before the first and right after the last of these cells."""
    before = marking.text[marking.spans[start - 1][1] if start else 0 : marking.spans[start][0]]
    after = marking.text[
        marking.spans[end - 1][1] : marking.spans[end][0] if end < len(marking.cells) else None
    ]
    return before.rstrip(",.").endswith("*"), after.lstrip(",.").startswith("*")


def _group(marking: Marking, start: int, end: int) -> list[int | None]:
    made: list[int | None] = []
    for at in range(start, end):
        if at > start and at in marking.stars:
            made.append(None)
        made.append(marking.cells[at] & DIGITS)
    return made


def number_at(marking: Marking, start: int) -> Digits | None:
    """The number that begins at `start`, its thousands set off or not; None where letters run into it."""
    end = digits_end(marking, start)
    if end == start or (end < len(marking.cells) and not marking.seps[end]):
        return None
    groups: Runs = [_group(marking, start, end)]
    sep = 0
    while len(groups[0]) <= 3 and end < len(marking.cells):
        gap, further = marking.seps[end], digits_end(marking, end)
        joined = gap in GROUP_SEPS and (not sep or gap == sep)
        whole = further == len(marking.cells) or marking.seps[further]
        starred = any(end < s < further for s in marking.stars)
        size = further - end
        total = sum(map(len, groups)) + size
        if not joined or not whole or total > DIGITS_MOST or not (size == 3 or (starred and size < 3)):
            break
        sep = gap
        groups.append(_group(marking, end, further))
        end = further
    before, after = _stars(marking, start, end) if marking.stars else (False, False)
    if before:
        apart = marking.text[: marking.spans[start][0]].rstrip()[-1:] in (",", ".")
        groups = [[None], *groups] if apart and sep else [[None, *groups[0]], *groups[1:]]
    if after:
        text = marking.text[marking.spans[end - 1][1] :].lstrip()
        groups = [*groups, [None]] if sep and text[:1] != "*" else [*groups[:-1], [*groups[-1], None]]
    forms = tuple(_forms(groups, bool(sep)))
    certain = sum(1 for group in groups for cell in group if cell is not None and sure(cell))
    return Digits(start, end, forms, sep, certain) if forms else None


def _forms(groups: Runs, grouped: bool) -> Iterator[Cells]:
    """The digits with a `*` filled up: to three digits inside thousands, else to every length that can be."""
    stars = sum(group.count(None) for group in groups)
    if stars > 1:
        return
    if not stars:
        yield tuple(cell for group in groups for cell in group if cell is not None)
        return
    known = sum(len(group) for group in groups) - 1
    place = next(i for i, group in enumerate(groups) if None in group)
    inside = len(groups[place]) - 1
    if grouped and place:
        lengths = range(3 - inside, 4 - inside)
    else:
        lengths = range(0 if inside else 1, (4 - inside) if grouped else (DIGITS_MOST + 1 - known))
    for length in lengths:
        if 0 < known + length <= DIGITS_MOST:
            filled = [[DIGITS] * length if cell is None else [cell] for group in groups for cell in group]
            yield tuple(cell for some in filled for cell in some)


def year_after(marking: Marking, end: int) -> tuple[int, tuple[int, ...]] | None:
    """The year written after a number, as in 12345/07 or 12345 of 1907: the end of it and the years it may be."""
    at = end
    if spells(marking, at, at + 2, ("OF",)) and ends(marking, at + 2):
        at += 2
    elif not (at < len(marking.cells) and marking.seps[at] & SLASH):
        return None
    last = digits_end(marking, at)
    if last - at not in (2, 4) or last != run_end(marking, at):
        return None
    years = _years(marking.cells[at:last])
    return (last, tuple(years)) if years else None


def _years(cells: Cells) -> list[int]:
    if len(cells) == 4:
        return numbers(cells, *YEARS)
    inside = numbers(cells, 0, 99)
    return sorted(c + yy for c in (1800, 1900, 2000) for yy in inside if YEARS[0] <= c + yy <= YEARS[1])


# ---------------------------------------------------------------------------------------------------------------
# Dates


@dataclass(frozen=True, slots=True)
class DateText:
    """A date as written: months and days in one or two orders, none where only a year stands; `short` years have
    two digits."""

    end: int
    orders: tuple[tuple[tuple[int, ...], tuple[int, ...]], ...]
    years: tuple[int, ...]
    short: bool


def month_at(marking: Marking, at: int) -> tuple[int, tuple[int, ...]] | None:
    """The months that the word at `at` may name, and the end of it."""
    end = at
    while end < len(marking.cells) and (end == at or not marking.seps[end]) and marking.cells[end] & LETTERS:
        end += 1
    if end - at < MONTH_LEAST:
        return None
    for last in (end, *((end - 1,) if end < len(marking.cells) and not marking.seps[end] else ())):
        found = tuple(n for n, names in enumerate(MONTHS, 1) if spells(marking, at, last, names))
        if found and last - at >= MONTH_LEAST and ends(marking, last):
            return last, found
    return None


def date_at(marking: Marking, at: int) -> DateText | None:
    """A date at `at`: NOV. 4, 1913, 4 NOV 1913, NOV. 1913, 11-4-13, or a year alone in four digits."""
    named = month_at(marking, at)
    if named:
        end, months = named
        day = _day(marking, end)
        year = _year(marking, day[0]) if day else None
        if day and year:
            return DateText(year[0], ((months, day[1]),), year[1], year[2])
        year = _year(marking, end)
        return DateText(year[0], ((months, ()),), year[1], False) if year and not year[2] else None
    day = _day(marking, at)
    if day:
        named = month_at(marking, day[0]) if day[0] < len(marking.cells) else None
        year = _year(marking, named[0]) if named else None
        if named and year:
            return DateText(year[0], ((named[1], day[1]),), year[1], year[2])
        return _all_figures(marking, at, day)
    year = _year(marking, at)
    if not year or year[2] or marking.seps[year[0]] in (COMMA, SLASH):
        return None
    can_be = prod((cell & DIGITS).bit_count() for cell in marking.cells[at : year[0]])
    if len(year[1]) < can_be:
        return None  # worn, and not all that it may be are years: a number
    return DateText(year[0], (), year[1], False)


def _day(marking: Marking, at: int) -> tuple[int, tuple[int, ...]] | None:
    end = digits_end(marking, at)
    if not 1 <= end - at <= 2 or at >= len(marking.cells):
        return None
    days = tuple(numbers(tuple(c & DIGITS for c in marking.cells[at:end]), 1, 31))
    run = run_end(marking, at)
    if run > end and spells(marking, end, run, ORDINALS):
        end = run
    return (end, days) if days and end == run else None


def _year(marking: Marking, at: int) -> tuple[int, tuple[int, ...], bool] | None:
    end = digits_end(marking, at)
    if at >= len(marking.cells) or end - at not in (2, 4) or end != run_end(marking, at):
        return None
    years = tuple(_years(tuple(c & DIGITS for c in marking.cells[at:end])))
    return (end, years, end - at == 2) if years else None


def _all_figures(marking: Marking, at: int, first: tuple[int, tuple[int, ...]]) -> DateText | None:
    """A date in figures, month before day or day before month: both are taken where both can be."""
    second = _day(marking, first[0])
    year = _year(marking, second[0]) if second else None
    if not second or not year:
        return None
    seps = {marking.seps[first[0]], marking.seps[second[0]]}
    if len(seps) != 1 or not seps <= {HYPHEN, SLASH, DOT}:
        return None
    orders = []
    for months, days in ((first[1], second[1]), (second[1], first[1])):
        able = tuple(m for m in months if m <= 12)
        if able and (able, days) not in orders:
            orders.append((able, days))
    return DateText(year[0], tuple(orders), year[1], year[2]) if orders else None


def dated(
    found: DateText, issue: IssueDays, form: Window, tuesdays: bool
) -> tuple[Window, bool | None] | None:
    """The days that a date can be, and whether patents issued on that one day; None when there is no such day.

    Of the centuries of a two-digit year one at most gives an issue day; else the years of the date form decide.
    """
    years = found.years
    if found.short and form.earliest_date:
        years = tuple(y for y in years if y >= form.earliest_date.year) or years
    if not found.orders:
        return Window.years(years[0], years[-1]), None
    months, days = found.orders[0]
    if not days:
        return Window.month(years[0], months[0]).hull(Window.month(years[-1], months[-1])), None
    clear = len({y % 100 for y in years}) == 1 and all(len(m) == len(d) == 1 for m, d in found.orders)
    if not clear:
        firsts = [d for m, ds in found.orders if (d := _first_day(years, m, ds))]
        lasts = [d for m, ds in found.orders if (d := _first_day(years[::-1], m[::-1], ds[::-1]))]
        return (Window(min(firsts), max(lasts)), None) if firsts else None
    can_be = [d for y in years for m, ds in found.orders if (d := _first_day((y,), m, ds))]
    likely = (
        [d for d in can_be if tuesdays and issue.is_one(d)]
        or [d for d in can_be if form.contains(d)]
        or can_be
    )
    if not likely:
        return None
    told = issue.is_one(likely[0]) if tuesdays and len(likely) == 1 else None
    return Window(min(likely), max(likely)), told


def _first_day(years: tuple[int, ...], months: tuple[int, ...], days: tuple[int, ...]) -> int | None:
    for year in years:
        for month in months:
            for day in days:
                if day <= calendar.monthrange(year, month)[1]:
                    return date(year, month, day).toordinal()
    return None


def one_apart(word: str, right: str) -> bool:
    """Whether one letter changed, left out, added or exchanged with its neighbour makes one word the other."""
    if word == right or abs(len(word) - len(right)) > 1:
        return False
    start = 0
    while start < min(len(word), len(right)) and word[start] == right[start]:
        start += 1
    a, b = word[start:], right[start:]
    return a[1:] == b[1:] or a == b[1:] or a[1:] == b or (a[:2] == b[1::-1] and a[2:] == b[2:])
