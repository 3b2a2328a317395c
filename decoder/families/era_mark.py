"""Era marks: postal codes, words of origin, marks of law, safety and recycling: public facts that bound a text.

    123 MAIN ST., CHICAGO 14, ILL.    US postal zone: 1943 or later, its use fades
    MADE IN OCCUPIED JAPAN            1947 to 1952
    (CE MARK)                         a thing seen, typed in brackets: 1993 or later

The marks are `era/marks`: each row has the expression that finds it in the text in capitals, and names its source.
Marks of one text are companions: one reading, whose window is what they all allow.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache, reduce
from typing import Final

from decoder.families.clues import clues
from decoder.marking import BIT, DIGITS, Marking, chars_of
from decoder.scheme.family import Context
from decoder.scheme.reading import FieldValue, NearMiss, Precision, Reading, Strength, Timing
from decoder.tables import Citation, Problem, Row, TableError, Tables
from decoder.window import EVERY, Window, WindowSet

KINDS: Final = frozenset(
    "headstock-logo decal label tuner tuner-button truss-rod-cover neck neck-plate body body-cavity pickup "
    "pickup-cover pickup-base pickguard potentiometer capacitor switch jack wiring knob bridge saddle tailpiece "
    "vibrato strap-button circuit-board case hangtag speaker transformer tube amplifier-capacitor tube-chart chassis "
    "circuit-breaker motor semiconductor relay other".split()
)
TABLE: Final = "era/marks"
GRADES: Final = "ABCPM"
# Topics whose marks say little by themselves: a likeness of letters, an association named beside a code.
SLIGHT: Final = frozenset({"typeface", "organisation"})
# Topics whose marks are specific only where the table bounds them at both ends.
GENERAL: Final = frozenset({"origin", "unit", "copyright", "price"})
# Without two letters, ten digits or one of these signs there is no mark: the cheap first look at a bare code.
_MAY_HOLD: Final = re.compile(r"[®©£€@~〒()]|(?:[^\W\d_].*){2}|(?:\d\D*){10}", re.DOTALL)
_WORN: Final = "\x00"  # stands for a worn character; no part carries it, so no expression asks for it
_DASHES: Final = re.compile("[‐‑‒–—―−⁃﹘﹣－]")
_EDGES: Final = " ,;|\n\t"
FOUND_MOST: Final = 4  # places of one mark in one text that are shown
LETTERS_LEAST: Final = 3  # letters of a worn word that must be clear, and at least half of them
WORD_LEAST: Final = 4
Words = Mapping[int, tuple[str, ...]]  # by length


@dataclass(frozen=True, slots=True)
class Mark:
    """One row of the table: what finds it, the days it bounds, and how much it counts."""

    row: Row
    window: Window
    citations: tuple[Citation, ...]

    @property
    def title(self) -> str:
        """What the mark is called."""
        return str(self.row["title"])

    def strength(self, text: str) -> Strength:
        """How much the mark counts where it stands as this text.

        Strong is what is specific and rests on the office or on two sources. Weak is what bounds no day, a
        likeness, and one bare word of origin without an end (`GERMANY`).
        """
        row, closed = self.row, self.row["not_before"] is not None and self.row["not_after"] is not None
        bare = row["topic"] == "origin" and not closed and text.isalpha()
        if self.window == EVERY or row["topic"] in SLIGHT or bare:
            return Strength.WEAK
        specific = closed or row["topic"] not in GENERAL
        return Strength.STRONG if specific and row["grade"] in ("A", "B") else Strength.FAIR


@dataclass(frozen=True, slots=True)
class Found:
    """A mark found in a text: its characters [from, to) as sent, its days there, and how much it counts."""

    mark: Mark
    text: str
    at: tuple[int, int]
    window: Window
    strength: Strength

    def sets_an_end(self, joint: Window) -> bool:
        """Whether the joint window owes one of its ends to this mark."""
        ours, theirs = self.window, joint
        return (ours.earliest is not None and ours.earliest == theirs.earliest) or (
            ours.latest is not None and ours.latest == theirs.latest
        )


@dataclass(frozen=True, slots=True)
class Index:
    """The marks, which of them a text can hold (by clues that a match can't lack, filed by their first two characters),
    and the words of the table.

    `quick` says that no mark of the table is missed by the first look at a text.
    """

    marks: tuple[Mark, ...]
    by_clue: Mapping[str, tuple[tuple[str, tuple[int, ...]], ...]]
    always: frozenset[int]
    words: Words
    quick: bool
    revision: str

    def candidates(self, text: str) -> list[Mark]:
        """The marks whose expression may match the text, in the order of the table."""
        places = set(self.always)
        for start in {*text, *map(str.__add__, text, text[1:])} & self.by_clue.keys():
            for clue, holders in self.by_clue[start]:
                if clue in text:
                    places.update(holders)
        return [self.marks[place] for place in sorted(places)]


@dataclass(frozen=True, slots=True)
class Letter:
    """One character to search in, and its place [from, to) in the text as sent; `mask` is what it may be."""

    text: str
    at: tuple[int, int]
    mask: int = 0


@dataclass(frozen=True, slots=True)
class Guess:
    """A worn word or number, at [from, to) in the letters, as it is filled in for the search."""

    start: int
    end: int
    text: str

    @property
    def told(self) -> str:
        """What the worn characters were taken for."""
        return "a number" if self.text.isdecimal() else self.text


@dataclass(frozen=True, slots=True)
class EraMark:
    """The family of era marks."""

    id: str = "era_mark"
    kinds: frozenset[str] = KINDS
    long_text: bool = True

    def may_read(self, marking: Marking, context: Context) -> bool:
        """Whether the text has the letters, signs or ten digits without which there is no mark."""
        index = context.tables.derived("era_mark.index", _index)
        return not index.quick or _MAY_HOLD.search(marking.text) is not None

    def read(self, marking: Marking, context: Context) -> list[Reading]:
        """One reading of all marks in a text; several weak ones where the marks can't be of one time."""
        if not self.may_read(marking, context):
            return []
        index = context.tables.derived("era_mark.index", _index)
        letters = _letters(marking)
        guesses = tuple(_guesses(letters, index.words))
        found = _found(letters, guesses, marking.text, index)
        return _readings(found, _worn_notes(letters, guesses, marking.text), index.revision) if found else []

    def near_misses(self, marking: Marking, context: Context) -> list[NearMiss]:
        """None: running text holds much that is like a mark and none."""
        return []


FAMILY: Final = EraMark()


def _index(tables: Tables) -> Index:
    table = tables.table(TABLE)
    marks = tuple(Mark(row, _window(row), table.cite(row)) for row in table.rows)
    holders: dict[str, tuple[int, ...]] = {}
    always: set[int] = set()
    for place, mark in enumerate(marks):
        need = clues(mark.row["pattern"])
        if need is None:
            always.add(place)
        for clue in need or ():
            holders[clue] = (*holders.get(clue, ()), place)
    examples = [mark.row["example"] for mark in marks]
    runs = (word for text in examples for word in re.findall(r"[^\W_]+", text))
    words: dict[int, tuple[str, ...]] = {}
    for word in dict.fromkeys(w for w in runs if len(w) >= WORD_LEAST and w.isascii() and w.isalpha()):
        words[len(word)] = (*words.get(len(word), ()), word)
    quick = all(_MAY_HOLD.search(text) for text in examples)
    by_clue: dict[str, tuple[tuple[str, tuple[int, ...]], ...]] = {}
    for clue, places in holders.items():
        by_clue[clue[:2]] = (*by_clue.get(clue[:2], ()), (clue, places))
    return Index(marks, by_clue, frozenset(always), words, quick, table.revision)


def _window(row: Row) -> Window:
    """The days of a row; an end that fades is no end."""
    return Window.between(row["not_before"], None if row["soft"] else row["not_after"])


@lru_cache(maxsize=1024)
def _compiled(pattern: str) -> re.Pattern[str]:
    try:
        return re.compile(pattern)
    except re.error as error:
        fault = Problem(TABLE, 0, "pattern", pattern, f"is no regular expression: {error}")
        raise TableError((fault,)) from error


# ---------------------------------------------------------------------------------------------------------------
# The text to search in


def _letters(marking: Marking) -> list[Letter]:
    """The text in capitals, every dash a hyphen, every run of blanks one blank or one line break."""
    text = marking.text
    masks = dict(zip(marking.spans, marking.cells, strict=True))
    made: list[Letter] = []
    at = 0
    while at < len(text):
        c = text[at] if text[at].isascii() else _plain(text[at])
        after = at + 1
        if c in "?*":
            made.append(Letter(_WORN, (at, after), masks.get((at, after), 0)))
        elif c == "[":
            after = next(span[1] for span in marking.spans if span[0] == at)
            made.append(Letter(_WORN, (at, after), masks[at, after]))
        elif c.isspace():
            while after < len(text) and text[after].isspace():
                after += 1
            made.append(Letter("\n" if "\n" in text[at:after] else " ", (at, after)))
        else:
            made.append(Letter(c.upper() if len(c.upper()) == 1 else c, (at, after)))
        at = after
    return made


def _plain(character: str) -> str:
    """A character without its width or its kind of dash, where one character does for it."""
    if _DASHES.match(character):
        return "-"
    if character in "’‘":
        return "'"
    wide = unicodedata.normalize("NFKC", character)
    return wide if len(wide) == 1 else character


def _guesses(letters: Sequence[Letter], words: Words) -> Iterator[Guess]:
    """The worn words that can be but one word of the table, and the worn numbers, each as its least number."""
    if not any(letter.text == _WORN for letter in letters):
        return
    start = 0
    while start < len(letters):
        end = start
        while end < len(letters) and (letters[end].text == _WORN or letters[end].text.isalnum()):
            end += 1
        run = letters[start:end]
        clear = [letter.text for letter in run if letter.text != _WORN]
        if len(clear) < len(run) and 2 * len(clear) >= len(run):
            text = _number(run, min) if all(c.isdecimal() for c in clear) else _word(run, words, len(clear))
            if text is not None:
                yield Guess(start, end, text)
        start = end + 1


def _word(run: Sequence[Letter], words: Words, clear: int) -> str | None:
    fitting = [word for word in words.get(len(run), ()) if _fits(word, run)] if clear >= LETTERS_LEAST else []
    return fitting[0] if len(fitting) == 1 else None


def _fits(word: str, run: Sequence[Letter]) -> bool:
    return all(
        bool(letter.mask & BIT[character]) if letter.text == _WORN else letter.text == character
        for character, letter in zip(word, run, strict=True)
    )


def _number(run: Sequence[Letter], choose: Callable[[str], str]) -> str | None:
    """A worn number with the least or the greatest digit that each worn character may be."""
    digits = [letter.text if letter.text != _WORN else chars_of(letter.mask & DIGITS) for letter in run]
    return "".join(choose(d) for d in digits) if all(digits) else None


def _worn_notes(letters: Sequence[Letter], guesses: Sequence[Guess], text: str) -> list[str]:
    notes = []
    for guess in guesses:
        first, last = letters[guess.start].at[0], letters[guess.end - 1].at[1]
        notes.append(f"{text[first:last]} is read as {guess.told}")
    guessed = {place for guess in guesses for place in range(guess.start, guess.end)}
    if any(letter.text == _WORN and place not in guessed for place, letter in enumerate(letters)):
        notes.append("the worn parts of the text were not used")
    return notes


# ---------------------------------------------------------------------------------------------------------------
# Finding


def _found(letters: Sequence[Letter], guesses: Sequence[Guess], text: str, index: Index) -> list[Found]:
    """Every mark in the text, in the order of its characters.

    A mark that rests on a worn number must be there with the least and with the greatest number that it may be;
    a year is then the least.
    """
    made = _found_in(_filled(letters, guesses), letters, guesses, text, index)
    numbers = [guess for guess in guesses if guess.text.isdecimal()]
    if numbers:
        greatest = [
            Guess(g.start, g.end, _number(letters[g.start : g.end], max) or g.text) if g in numbers else g
            for g in guesses
        ]
        also = _found_in(_filled(letters, greatest), letters, guesses, text, index)
        made = {key: found for key, found in made.items() if key in also}
    return sorted(made.values(), key=lambda found: found.at)


def _filled(letters: Sequence[Letter], guesses: Sequence[Guess]) -> str:
    made = [letter.text for letter in letters]
    for guess in guesses:
        made[guess.start : guess.end] = guess.text
    return "".join(made)


def _found_in(
    form: str, letters: Sequence[Letter], guesses: Sequence[Guess], text: str, index: Index
) -> dict[tuple[str, tuple[int, int]], Found]:
    """The marks of one form of the text by id and place: with its lines apart, and as one line (MADE IN / JAPAN)."""
    made: dict[tuple[str, tuple[int, int]], Found] = {}
    for searched in dict.fromkeys((form, form.replace("\n", " "))):
        for mark in index.candidates(searched):
            for match in _matches(mark, searched):
                first, last = match.span()
                at = _trimmed(text, (letters[first].at[0], letters[last - 1].at[1]))
                guessed = any(guess.start < last and first < guess.end for guess in guesses)
                found = _as_found(mark, match, text[at[0] : at[1]], at, guessed)
                made.setdefault((mark.row["id"], at), found)
    return made


def _matches(mark: Mark, form: str) -> list[re.Match[str]]:
    """The first places of a mark, without those that a worn character beside them may carry on."""
    found = []
    for match in _compiled(mark.row["pattern"]).finditer(form):
        first, last = match.span()
        carried_on = (form[first - 1 : first] == _WORN and form[first].isalnum()) or (
            form[last : last + 1] == _WORN and form[last - 1].isalnum()
        )
        if last > first and not carried_on:
            found.append(match)
        if len(found) == FOUND_MOST:
            break
    return found


def _trimmed(text: str, at: tuple[int, int]) -> tuple[int, int]:
    first, last = at
    while first < last - 1 and text[first] in _EDGES:
        first += 1
    while last > first + 1 and text[last - 1] in _EDGES:
        last -= 1
    return first, last


def _as_found(mark: Mark, match: re.Match[str], text: str, at: tuple[int, int], guessed: bool) -> Found:
    window = mark.window
    year = match.groupdict().get("year")
    if year is not None:
        named = Window.between(date(int(year), 1, 1), None)
        window = window.intersect(named) or window
    strength = mark.strength(text)
    if window != EVERY and mark.window == EVERY:  # its year is its only bound
        strength = Strength.FAIR
    return Found(mark, text, at, window, min(strength, Strength.FAIR) if guessed else strength)


# ---------------------------------------------------------------------------------------------------------------
# Reading


def _readings(found: list[Found], notes: list[str], revision: str) -> list[Reading]:
    """One reading of the marks that count; the marks that can't be of one time are weak rivals."""
    strongest = [one for one in found if one.strength > Strength.WEAK] or found
    joint = _joint(strongest)
    if joint is not None:
        return [_reading(found, strongest, joint, notes, revision)]
    apart = _of_different_times(strongest)
    made = []
    for group in _groups(strongest):
        window = _joint(group)
        assert window is not None  # what a group is
        made.append(_reading(group, group, window, [apart, *notes], revision, Strength.WEAK))
    return made


def _joint(found: Iterable[Found]) -> Window | None:
    """The days that all marks allow; None when there are none."""
    days: Window | None = EVERY
    return reduce(lambda left, one: left.intersect(one.window) if left is not None else None, found, days)


def _groups(found: Sequence[Found]) -> list[list[Found]]:
    """Every largest group of marks that can be of one time: each begins to agree where some mark begins."""
    starts = sorted({one.window.earliest or 0 for one in found})
    groups = {
        frozenset(place for place, one in enumerate(found) if _allows(one.window, day)): None
        for day in starts
    }
    largest = [group for group in groups if not any(group < other for other in groups)]
    return [[found[place] for place in sorted(group)] for group in largest]


def _allows(window: Window, day: int) -> bool:
    return (window.earliest or 0) <= day and (window.latest is None or day <= window.latest)


def _of_different_times(found: Sequence[Found]) -> str:
    ended = min(
        (one for one in found if one.window.latest is not None), key=lambda one: one.window.latest or 0
    )
    begun = max(found, key=lambda one: one.window.earliest or 0)
    return (
        f"the marks on this text can't be of one time: {ended.mark.title} ends on {ended.window.latest_date}, "
        f"{begun.mark.title} begins on {begun.window.earliest_date}: "
        "old words were kept, or the text was put together later, or it is misread"
    )


def _reading(
    shown: Sequence[Found],
    used: Sequence[Found],
    joint: Window,
    notes: Iterable[str],
    revision: str,
    strength: Strength | None = None,
) -> Reading:
    """The reading of companions. It is as strong, and as well sourced, as the marks that set its ends."""
    deciding = [one for one in used if one.sets_an_end(joint)] or list(used)
    rows = list({one.mark.row["id"]: one.mark for one in shown}.values())
    told = [*notes]
    for one in shown:
        if one not in used and one.window.intersect(joint) != joint:
            told.append(f"{one.mark.title} is weak beside the other marks and sets no bound")
    told += [note for mark in rows for note in _row_notes(mark)]
    return Reading(
        scheme=rows[0].row["id"] if len(rows) == 1 else "era-marks",
        title=rows[0].title if len(rows) == 1 else f"Era marks: {_listed([mark.title for mark in rows])}",
        family=FAMILY.id,
        strength=min(one.strength for one in deciding) if strength is None else strength,
        window=WindowSet.of(joint),
        precision=Precision.BOUND,
        fields=tuple(
            FieldValue(one.mark.row["id"], one.text, f"{one.mark.title}: {_days(one)}", one.at)
            for one in shown
        ),
        notes=tuple(dict.fromkeys(told)),
        sources=_citations(deciding, rows),
        revision=revision,
        timing=Timing.ERA,
    )


def _citations(deciding: Sequence[Found], rows: Sequence[Mark]) -> tuple[Citation, ...]:
    """The sources of every mark, those of the marks that set an end first.

    The others are quoted with no better grade than theirs: a reading is as good as what its window rests on.
    """
    first = [citation for one in deciding for citation in one.mark.citations]
    best = min((GRADES.find(citation.grade[:1]) for citation in first), default=len(GRADES) - 1)
    others = [
        citation
        if GRADES.find(citation.grade[:1]) >= best
        else Citation(citation.id, citation.title, GRADES[best])
        for mark in rows
        for citation in mark.citations
        if citation not in first
    ]
    return tuple(dict.fromkeys([*first, *others]))


def _row_notes(mark: Mark) -> Iterator[str]:
    row = mark.row
    if row["soft"] and row["not_after"] is not None:
        yield f"{mark.title}: its use fades from about {row['not_after'].year}, so a later date is no contradiction"
    elif row["soft"]:
        yield f"{mark.title}: its use fades, so a later date is no contradiction"
    if row["note"]:
        yield f"{mark.title}: {row['note']}"


def _days(found: Found) -> str:
    first, last = found.window.earliest_date, found.window.latest_date
    if first and last:
        return f"{first} to {last}"
    if first:
        return f"{first} or later"
    return f"{last} or earlier" if last else "bounds no day"


def _listed(titles: Sequence[str]) -> str:
    shown = ", ".join(titles[:4])
    return f"{shown} and {len(titles) - 4} more" if len(titles) > 4 else shown
