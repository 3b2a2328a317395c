"""Patent marks in running text: the words that announce them, and the numbers, dates and pending marks that follow.

    PAT. NOS. 2,741,146 & D-169120    PATENTED JULY 1 02    PATS. PEND.    D.R.G.M.

What the marks mean in days is not decided here.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

from decoder.families.patent_numbers import Cells, IssueDays
from decoder.families.patent_text import (
    BARE_DIGITS,
    DESIGN_BARE_LEAST,
    GROUPS_BARE,
    DateText,
    Digits,
    Lexicon,
    begins,
    date_at,
    dated,
    digits_end,
    longest,
    month_at,
    number_at,
    office_end,
    one_apart,
    run_end,
    spells,
    sure,
    year_after,
)
from decoder.marking import BIT, COMMA, DIGITS, DOT, HYPHEN, LETTERS, OTHER_SEP, SPACE, Marking
from decoder.tables import Row
from decoder.window import Window

NUMBERING: Final = frozenset("NO NOS N NR NUMBER NUMBERS NUM".split())
# Words that announce a patent or a design only with a number, and stand for other things too.
SLIGHT: Final = frozenset(
    "DES;RE;REIS;R D;RD;REGD;REG;REG D;REGISTERED;REGISTRATION;DEP;DEPOSITATO;P A F".split(";")
)
PLAIN_WITH_NUMBER: Final = ("R D", "RD")  # RD. NO. is the form that British law asks for
# Words that may stand between an announcement and its numbers.
PASSED_OVER: Final = tuple(
    "AND OTHER OTHERS ETC THE IN UNDER ALSO OR OF ISSUED DATED GRANTED ET UND E Y NO NOS NR NUMBER NUMBERS FOREIGN "
    "S PATENT PATENTS PAT PATS".split()
)
YEAR_DIGITS: Final = (2, 4)


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark. `kind` is number, date, pending or words; `meaning` and `country` are the wording's.

    Cells `start` to `end` are the number, the date, or the words. `forms` are the characters of a number (several
    where a `*` stands for some; none in the marks of a form, whose digits stand in the marking from `start` on),
    `length` how many it has at most, `years` those that may be meant after a British number of before 1916. `comma`
    says that its thousands are set off by commas, `numbered` that NO. or the like stands before it, `prefixed` that
    the D of designs does. `named` is False for a number without words; `slight` says that its words stand for other
    things too. `days` and `unit` are those of a date; `issue_day` tells whether US patents issued on it.
    """

    kind: str
    meaning: str
    country: str | None
    rows: tuple[Row, ...]
    start: int
    end: int
    forms: tuple[Cells, ...] = ()
    length: int = 0
    comma: bool = False
    numbered: bool = False
    prefixed: bool = False
    named: bool = True
    slight: bool = False
    years: tuple[int, ...] = ()
    days: Window | None = None
    unit: str = "day"
    issue_day: bool | None = None


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that almost is a mark: which cells, what is wrong, and what to write instead where that is known."""

    kind: str
    start: int
    end: int
    problem: str
    mends: tuple[str, ...] = ()
    meaning: str = "number"
    country: str | None = None
    rows: tuple[Row, ...] = ()


@dataclass(frozen=True, slots=True)
class Found:
    """Every mark of a text in order, and what almost was one. `undated` says that no date was looked for."""

    marks: tuple[Mark, ...]
    faults: tuple[Fault, ...]
    undated: bool = False


@dataclass(slots=True)
class _Open:
    """An announcement whose numbers may still follow."""

    meaning: str
    country: str | None
    rows: tuple[Row, ...]
    start: int
    end: int
    numbered: bool
    slight: bool
    used: bool = False
    sep: int | None = None  # how the first number has its thousands set off


def _is_slight(words: list[str]) -> bool:
    """Whether a wording announces a patent or design only because a number follows."""
    counted = words[-1] in NUMBERING
    head = " ".join(words[:-1] if counted else words)
    return head in SLIGHT and not (counted and head in PLAIN_WITH_NUMBER)


def _figured(marking: Marking, at: int) -> bool:
    """Whether some digit stands among the characters at `at`."""
    return any(not cell & ~DIGITS for cell in marking.cells[at : run_end(marking, at)])


def _mixed(marking: Marking, at: int) -> bool:
    """Whether digits and letters stand together at `at`."""
    return digits_end(marking, at) < run_end(marking, at) and _figured(marking, at)


# ---------------------------------------------------------------------------------------------------------------
# The text


def find_marks(marking: Marking, words: Lexicon, issue: IssueDays, form: Window) -> Found:
    """Every patent mark of a text. `form` is when dates stood in place of numbers."""
    scan = _Scan(marking, words, issue, form)
    at = 0
    while at < len(marking.cells):
        at = scan.step(at) if begins(marking, at) else at + 1
    scan.close()
    return Found(tuple(scan.marks), tuple(scan.faults), scan.undated)


def marks_of_form(marking: Marking, words: Lexicon, found: Found) -> Found | None:
    """The marks that every marking of the same form has, without their digits; None where others may have others.

    Only the digits of years, and of days, tell whether they are such: a text that has none in twos or fours, or where
    no date was looked for, is divided by its letters and separators alone. What almost was a mark is told in the words
    of its own marking.
    """
    if marking.form.clear is None or words.figures or found.faults:
        return None
    if not found.undated and _may_be_dated(marking):
        return None
    return Found(tuple([replace(mark, forms=()) if mark.forms else mark for mark in found.marks]), ())


def _may_be_dated(marking: Marking) -> bool:
    """Whether as many digits as a year has stand together in a clear marking."""
    run = 0
    for cell, sep in zip((*marking.cells, 0), marking.seps, strict=True):
        if run in YEAR_DIGITS and (sep or not cell & DIGITS):
            return True
        run = 0 if not cell & DIGITS else 1 if sep else run + 1
    return False


@dataclass(slots=True)
class _Scan:
    """The way along a text: the marks and faults so far, and the announcement that is open."""

    marking: Marking
    words: Lexicon
    issue: IssueDays
    form: Window
    marks: list[Mark] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    open: _Open | None = None
    said: tuple[int, str] | None = None  # the cell after a country's name, and the country
    undated: bool = True

    def step(self, at: int) -> int:
        """Take what stands at a cell where a word begins; gives the cell to go on from."""
        if not self.marking.cells[at] & LETTERS:  # digits alone: no word begins here
            return self._figures(at)
        if not self.open and at > 1 and spells(self.marking, at - 2, at, ("IN",)):
            name = longest(self.marking, self.words.names, at)
            if name:
                return name[0]  # MADE IN JAPAN names no patent
        hit = longest(self.marking, self.words.wordings, at)
        if hit:
            return self._wording(at, *hit)
        if self.open:
            return self._between(at)
        name = longest(self.marking, self.words.names, at)
        if name:
            self.said = (name[0], name[1][0]["jurisdiction"])
            return name[0]
        self._misspelt_head(at)
        return self._figures(at)

    def close(self) -> None:
        """An announcement ends; one that nothing followed is a mark of words alone."""
        opened, self.open = self.open, None
        if opened is None or opened.used or opened.slight or opened.meaning == "marked":
            return
        own = [row["jurisdiction"] for row in opened.rows if row["jurisdiction"]]
        if own or not spells(self.marking, opened.start, opened.end, ("PAT", "PATS", "PATNO")):
            country = own[0] if own else opened.country
            self.marks.append(Mark("words", opened.meaning, country, opened.rows, opened.start, opened.end))

    def _wording(self, at: int, end: int, rows: tuple[Row, ...]) -> int:
        marking = self.marking
        meaning = rows[0]["meaning"]
        rows = tuple(row for row in rows if row["meaning"] == meaning)
        text = rows[0]["wording"].split()
        office = office_end(marking, end)
        if office:
            self.close()
            return office
        if text[-1] == "D" and not marking.seps[end - 1] & OTHER_SEP and self._is_design(end):
            end, text = end - 1, text[:-1]  # PAT. D-169120 is design 169120, PAT'D 169120 is patent 169120
        countries = {row["jurisdiction"] for row in rows}
        country = next(iter(countries)) if len(countries) == 1 else None
        if country is None and countries == {None} and self.said and self.said[0] == at:
            country = self.said[1]
        slight = _is_slight(text)
        opened = self.open
        following_on = opened is not None and not opened.slight
        if (
            opened and opened.end == at and meaning != "pending"
        ):  # PATENT RE. and RE. PAT. are one announcement
            if opened.meaning in ("design", "reissue") and meaning == "number" and country is None:
                meaning, country, slight = opened.meaning, opened.country, False
            if opened.country in (None, country):
                self.open = None
        self.close()
        if meaning == "pending":
            self.marks.append(Mark("pending", meaning, country, rows, at, end, slight=slight))
            return end
        if meaning == "marked":
            self.marks.append(Mark("words", meaning, country, rows, at, end))
        numbered = text[-1] in NUMBERING
        self.open = _Open(meaning, country, rows, at, end, numbered, slight and not following_on)
        return end

    def _is_design(self, at: int) -> bool:
        found = number_at(self.marking, at) if at < len(self.marking.cells) else None
        joined = (0, HYPHEN, DOT, SPACE, DOT | SPACE)
        return found is not None and found.length < BARE_DIGITS and self.marking.seps[at] in joined

    def _between(self, at: int) -> int:
        """A word after an announcement: a further pending mark, a country, a date, a word to pass over."""
        assert self.open is not None
        marking = self.marking
        opened = self.open
        pending = None if opened.slight else longest(marking, self.words.pending, at)
        if pending:
            self.marks.append(Mark("pending", "pending", opened.country, pending[1], at, pending[0]))
            opened.used = True
            return pending[0]
        name = None if opened.slight else longest(marking, self.words.names, at)
        if name:
            country = name[1][0]["jurisdiction"]
            meaning = "number" if opened.country not in (None, country) else opened.meaning
            opened.country, opened.meaning = country, meaning
            return name[0]
        taken = self._figures(at)
        if taken > at + 1 or self.open is None:
            return taken
        end = run_end(marking, at)
        if not spells(marking, at, end, PASSED_OVER):
            self._misspelt(at, end)
            self.close()
        return max(end, taken)

    def _figures(self, at: int) -> int:
        """A number or a date, in its announcement or bare."""
        marking = self.marking
        prefixed = self._prefixed(at)
        if prefixed:
            return prefixed
        if self.open is None:
            return self._bare(at)
        self.undated = False
        day = None if self.open.numbered and month_at(marking, at) is None else date_at(marking, at)
        if day:
            return self._take_date(at, day)
        found = number_at(marking, at)
        if found is None:
            return self._letters_in_number(at) if marking.cells[at] & DIGITS else at + 1
        if not found.certain and not self.open.numbered:
            return found.end
        end = found.end
        if end < len(marking.cells) and marking.seps[end] == COMMA and _mixed(marking, end):
            return self._letters_in_number(at)
        bad = self._badly_grouped(found)
        if bad:
            return bad
        self._take_number(found)
        return self.marks[-1].end if self.marks and self.marks[-1].start == found.start else found.end

    def _prefixed(self, at: int) -> int | None:
        """A number with the D of designs before it."""
        marking = self.marking
        if marking.cells[at] != BIT["D"] or at + 1 >= len(marking.cells) or not self._is_design(at + 1):
            return None
        found = number_at(marking, at + 1)
        assert found is not None
        named = self.open is not None and not self.open.slight
        if not named and found.length < DESIGN_BARE_LEAST:
            return None
        apart = (found.sep | marking.seps[at + 1]) & (COMMA | HYPHEN | DOT)
        slight = not named and not (apart and found.length == BARE_DIGITS - 1)
        mark = Mark(
            "number", "design", "US", (), at, found.end, found.forms, found.length,
            comma=bool(found.sep & COMMA), prefixed=True, named=named, slight=slight,
        )  # fmt: skip
        self.marks.append(mark)
        if self.open:
            self.open.used = True
        return found.end

    def _bare(self, at: int) -> int:
        """A number of seven digits with its thousands set off, and no words: it may be a US patent."""
        found = number_at(self.marking, at) if self.marking.cells[at] & DIGITS else None
        if found is None:
            return at + 1
        if found.sep in GROUPS_BARE and found.length == BARE_DIGITS and found.certain > 3:
            mark = Mark(
                "number", "number", "US", (), found.start, found.end, found.forms, found.length,
                comma=True, named=False,
            )  # fmt: skip
            self.marks.append(mark)
        return found.end

    def _take_date(self, at: int, found: DateText) -> int:
        assert self.open is not None
        opened = self.open
        tuesdays = opened.country in (None, "US")
        days = dated(found, self.issue, self.form, tuesdays)
        opened.used = True
        if days is None:
            shown = self.marking.shown(at, found.end)
            problem = f"there is no such day as {shown}: read the day and the month again"
            self.faults.append(
                Fault("date", at, found.end, problem, meaning=opened.meaning, country=opened.country)
            )
            return found.end
        unit = "year" if not found.orders else "day" if found.orders[0][1] else "month"
        mark = Mark(
            "date", opened.meaning, opened.country, opened.rows, at, found.end,
            slight=opened.slight, days=days[0], unit=unit, issue_day=days[1],
        )  # fmt: skip
        self.marks.append(mark)
        return found.end

    def _take_number(self, found: Digits) -> None:
        assert self.open is not None
        opened = self.open
        meaning = opened.meaning
        if meaning == "marked":
            if opened.country in ("DE", "DD"):
                return  # GES. GESCH. may stand beside a number of any kind
            meaning = "number"
        year = year_after(self.marking, found.end) if meaning == "number" and found.length < 6 else None
        enough = 4 if opened.slight or not opened.numbered else 1
        if found.length < enough and not found.sep and year is None:
            return
        listed = self.marking.seps[found.start] & (COMMA | OTHER_SEP)
        if opened.sep is not None and bool(opened.sep) != bool(found.sep) and not listed:
            self.close()  # a number written otherwise, with nothing to join it, is of another kind
            return
        opened.used, opened.sep = True, found.sep
        mark = Mark(
            "number", meaning, opened.country, opened.rows, found.start, year[0] if year else found.end,
            found.forms, found.length, comma=bool(found.sep & COMMA), numbered=opened.numbered, slight=opened.slight,
            years=year[1] if year else (),
        )  # fmt: skip
        self.marks.append(mark)

    # -----------------------------------------------------------------------------------------------------------
    # What almost is a mark

    def _letters_in_number(self, at: int) -> int:
        """A number with letters among its digits: 2,74I,146."""
        marking = self.marking
        end = run_end(marking, at)
        while end < len(marking.cells) and marking.seps[end] in (COMMA, DOT) and _figured(marking, end):
            end = run_end(marking, end)
        letters = [i for i in range(at, end) if not marking.cells[i] & DIGITS]
        if letters and 2 * len(letters) < end - at and end - at > 4 and self.open and not self.open.slight:
            shown = " and ".join(repr(marking.shown(i, i + 1)) for i in letters)
            problem = (
                f"{shown} among the digits of {marking.shown(at, end)}: a patent number has digits alone"
            )
            self.faults.append(
                Fault("letter", at, end, problem, (), self.open.meaning, self.open.country, self.open.rows)
            )
            self.open.used = True
        else:
            self.close()
        return end

    def _badly_grouped(self, found: Digits) -> int | None:
        """The end of a number whose thousands are not three digits each: 2,74,146."""
        marking = self.marking
        end = found.end
        if end >= len(marking.cells) or marking.seps[end] != COMMA or not marking.cells[end] & DIGITS:
            return None
        last = digits_end(marking, end)
        size = last - end
        cut = size < 3 and (last == len(marking.cells) or marking.seps[last] != COMMA)
        if not cut and (found.length > 3 or size == 3):
            return None  # the next number of a list
        while last < len(marking.cells) and marking.seps[last] == COMMA and marking.cells[last] & DIGITS:
            last = digits_end(marking, last)
        shown = marking.shown(found.start, last)
        problem = f"the thousands of {shown} are not three digits each: write ? for a digit that is worn away"
        mends = (f"{shown}?",) if size == 2 and found.sep else ()
        assert self.open is not None
        self.faults.append(
            Fault(
                "groups",
                found.start,
                last,
                problem,
                mends,
                self.open.meaning,
                self.open.country,
                self.open.rows,
            )
        )
        self.open.used = True
        return last

    def _misspelt(self, at: int, end: int) -> None:
        """A word after PAT that is one letter away from a pending mark."""
        marking = self.marking
        cells = marking.cells[at:end]
        if self.open is None or self.open.slight or len(cells) < 3 or not all(map(sure, cells)):
            return
        word = marking.shown(at, end).upper()
        meant = [right for right in ("PENDING", "PEND", "APPLIED", "APPLD") if one_apart(word, right)]
        if meant:
            problem = f"{word} is one letter away from {' or '.join(meant)}"
            self.faults.append(Fault("spelling", at, end, problem, tuple(meant), "pending"))

    def _misspelt_head(self, at: int) -> None:
        """A word one letter away from PAT before a pending mark."""
        marking = self.marking
        end = run_end(marking, at)
        if not 3 <= end - at <= 7 or not all(sure(cell) for cell in marking.cells[at:end]):
            return
        if end < len(marking.cells) and longest(marking, self.words.pending, end):
            word = marking.shown(at, end).upper()
            meant = [right for right in ("PAT", "PATS", "PATENT", "PATENTS") if one_apart(word, right)]
            if meant:
                problem = f"{word} is one letter away from {' or '.join(meant)}"
                self.faults.append(Fault("spelling", at, end, problem, tuple(meant), "pending"))
