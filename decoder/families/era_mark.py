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
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property, lru_cache, reduce
from typing import Final

from decoder.families.clues import needs
from decoder.kept import Kept
from decoder.marking import BIT, DIGITS, DIGITS_ALIKE, Marking, chars_of
from decoder.scheme.family import Context
from decoder.scheme.reading import About, FieldValue, NearMiss, Precision, Reading, Strength, Timing, Wording
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
_UNEVEN: Final = re.compile(r"[?*\[]|\s\s|[^\S \n]")  # worn characters, and blanks that are made one
_NONE_WORN: Final[Mapping[int, int]] = {}
PLANS_KEPT: Final = 4096  # texts with the marks that they can hold, remembered at one time
# Every token of an expression that can be told apart by itself; `digits_alike` gives up at others.
_TOKEN: Final = re.compile(
    r"[^\\\[({0-9)]+|\\[dDwWsSbBAZ]|\\[^\w\s]|\[\^?\]?(?:\\.|[^\]\\])*\]"
    r"|\((?:\?(?:[:=!]|<[=!]|P<\w+>)|(?!\?))|\{\d*,?\d*\}|[^\\\[(]",
    re.DOTALL,
)
_KEPT_WHOLE: Final = re.compile(r"[*+?}]\+")  # a count that gives nothing back
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


ByStart = Mapping[str, tuple[tuple[str, tuple[int, ...]], ...]]


@dataclass(frozen=True, slots=True)
class Clues:
    """Which expressions a text can hold, by clues that a match can't lack (None: it has none) and by its least length.

    `filed` has the clues and their expressions by the first two characters of a clue, for texts of each length.
    """

    needs: tuple[frozenset[str] | None, ...]
    lengths: tuple[int, ...]
    filed: dict[int, tuple[frozenset[int], ByStart]] = field(default_factory=dict, repr=False)

    def places(self, text: str) -> list[int]:
        """The places of the expressions that may match the text, in order."""
        length = min(len(text), max(self.lengths, default=0))
        always, by_start = self.filed.get(length) or self.filed.setdefault(length, self._file(length))
        places = set(always)
        for start in {*text, *map(str.__add__, text, text[1:])} & by_start.keys():
            for clue, holders in by_start[start]:
                if clue in text:
                    places.update(holders)
        return sorted(places)

    def _file(self, length: int) -> tuple[frozenset[int], ByStart]:
        holders: dict[str, tuple[int, ...]] = {}
        always: set[int] = set()
        for place, (need, least) in enumerate(zip(self.needs, self.lengths, strict=True)):
            if least > length:
                continue
            if need is None:
                always.add(place)
            for clue in need or ():
                holders[clue] = (*holders.get(clue, ()), place)
        by_start: dict[str, tuple[tuple[str, tuple[int, ...]], ...]] = {}
        for clue, places in holders.items():
            by_start[clue[:2]] = (*by_start.get(clue[:2], ()), (clue, places))
        return frozenset(always), by_start


@dataclass(frozen=True)
class Index:
    """The marks, the clues to them, and the words of the table.

    `quick` says that no mark of the table is missed by the first look at a text; most texts end there, so the clues are
    made when one doesn't. `plans` are the marks that texts alike but for their digits can hold.
    """

    marks: tuple[Mark, ...]
    words: Words
    quick: bool
    revision: str
    plans: Kept[str, tuple[Mark, ...]] = field(default_factory=lambda: Kept(PLANS_KEPT), repr=False)

    @cached_property
    def clues(self) -> Clues:
        """What a text must hold for each of the marks."""
        asked = [needs(mark.row["pattern"]) for mark in self.marks]
        return Clues(tuple(one.clues for one in asked), tuple(one.length for one in asked))

    @cached_property
    def alike(self) -> Clues:
        """The clues with every digit as 0."""
        clues = self.clues
        return Clues(
            tuple(need and frozenset(clue.translate(DIGITS_ALIKE) for clue in need) for need in clues.needs),
            clues.lengths,
        )

    def candidates(self, text: str) -> Sequence[Mark]:
        """The marks whose expression may match the text, in the order of the table."""
        return [self.marks[place] for place in self.clues.places(text)]

    def plan(self, marking: Marking) -> tuple[Mark, ...] | None:
        """The marks that a text can hold with these or other digits, in the order of the table; None for a worn one."""
        if marking.form.clear is None:
            return None
        key = marking.text.translate(DIGITS_ALIKE)
        found = self.plans.get(key)
        if found is None:
            found = self.plans.keep(key, tuple(self._held(_folded(marking).text.translate(DIGITS_ALIKE))))
        return found

    def _held(self, alike: str) -> Iterator[Mark]:
        texts = {alike, alike.replace("\n", " ")}
        for place in sorted({place for text in texts for place in self.alike.places(text)}):
            mark = self.marks[place]
            expression = _compiled_alike(mark.row["pattern"])
            if expression is None or any(expression.search(text) for text in texts):
                yield mark


@dataclass(frozen=True, slots=True)
class Folded:
    """The text to search in; its character i is [starts[i], ends[i]) of the text as sent.

    A worn character stands as `_WORN`, and `masks` says what it may be.
    """

    text: str
    starts: Sequence[int]
    ends: Sequence[int]
    masks: Mapping[int, int]


@dataclass(frozen=True, slots=True)
class Guess:
    """A worn word or number, at [from, to) in the text to search in, as it is filled in for the search."""

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
        """Whether the text has the letters, signs or ten digits without which there is no mark, and, where none of it
        is worn, whether some mark of the table can stand in it with these or other digits."""
        index = context.tables.derived("era_mark.index", _index)
        if index.quick and _MAY_HOLD.search(marking.text) is None:
            return False
        plan = index.plan(marking)
        return plan is None or bool(plan)

    def read(self, marking: Marking, context: Context) -> list[Reading]:
        """One reading of all marks in a text; several weak ones where the marks can't be of one time."""
        if not self.may_read(marking, context):
            return []
        index = context.tables.derived("era_mark.index", _index)
        folded = _folded(marking)
        guesses = tuple(_guesses(folded, index.words)) if folded.masks else ()
        found = _found(folded, guesses, marking.text, index, index.plan(marking))
        return _readings(found, _worn_notes(folded, guesses, marking.text), index.revision) if found else []

    def near_misses(self, marking: Marking, context: Context) -> list[NearMiss]:
        """None: running text holds much that is like a mark and none."""
        return []


FAMILY: Final = EraMark()


def _index(tables: Tables) -> Index:
    table = tables.table(TABLE)
    marks = tuple(Mark(row, _window(row), table.cite(row)) for row in table.rows)
    examples = [mark.row["example"] for mark in marks]
    runs = (word for text in examples for word in re.findall(r"[^\W_]+", text))
    words: dict[int, tuple[str, ...]] = {}
    for word in dict.fromkeys(w for w in runs if len(w) >= WORD_LEAST and w.isascii() and w.isalpha()):
        words[len(word)] = (*words.get(len(word), ()), word)
    quick = all(_MAY_HOLD.search(text) for text in examples)
    return Index(marks, words, quick, table.revision)


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


@lru_cache(maxsize=1024)
def _compiled_alike(pattern: str) -> re.Pattern[str] | None:
    """The expression for texts whose digits are all 0; None where it can't be told what it would find there."""
    try:
        alike = digits_alike(pattern)
        return None if alike is None else re.compile(alike)
    except re.error:  # the expression itself is named when it is looked for
        return None


def digits_alike(pattern: str) -> str | None:
    """The expression for texts whose digits are all 0: it finds something wherever `pattern` does with other digits.

    None where that can't be told, or where a group with digits of its own is counted: (?:1|22)* made (?:0|00)* would
    match a row of digits in so many ways that a search may never end. What must not stand before or after is left out
    where it has digits of its own.
    """
    tokens = []
    at = 0
    while at < len(pattern):
        found = _TOKEN.match(pattern, at)
        if found is None:
            return None
        tokens.append(found[0])
        at = found.end()
    try:
        return None if _KEPT_WHOLE.search(pattern) else _alike(iter(tokens))[0]
    except _Counted:
        return None


class _Counted(Exception):
    """A group that asks for some digits, and that may stand several times."""


def _alike(tokens: Iterator[str]) -> tuple[str, bool]:
    """What follows up to the end of its group, and whether it asked for some digits rather than for any."""
    made, particular = "", False
    closed = False  # whether a group that asks for some digits ends right here
    for token in tokens:
        if token == ")":
            break
        if closed and token[0] in "*+{":
            raise _Counted
        closed = False
        if token[0] == "(":
            inside, asks = _alike(tokens)
            particular |= asks
            closed = asks
            made += "(?:)" if asks and token[-1] == "!" else f"{token}{inside})"
        elif token in "0123456789":
            made += "0"
            particular = True
        elif token[0] == "[" and 0 < len(digits := re.findall(token, "0123456789")) < 10:
            made += token if "0" in digits else f"(?:0|{token})"
            particular = True
        else:
            made += token
    return made, particular


# ---------------------------------------------------------------------------------------------------------------
# The text to search in


def _folded(marking: Marking) -> Folded:
    """The text in capitals, every dash a hyphen, every run of blanks one blank or one line break."""
    text = marking.text
    if text.isascii() and _UNEVEN.search(text) is None:
        return Folded(text.upper(), range(len(text)), range(1, len(text) + 1), _NONE_WORN)
    worn = dict(zip(marking.spans, marking.cells, strict=True))
    made: list[str] = []
    starts: list[int] = []
    ends: list[int] = []
    masks: dict[int, int] = {}
    at = 0
    while at < len(text):
        c = text[at] if text[at].isascii() else _plain(text[at])
        after = at + 1
        if c in "?*":
            masks[len(made)] = worn.get((at, after), 0)
            c = _WORN
        elif c == "[":
            after = next(span[1] for span in marking.spans if span[0] == at)
            masks[len(made)] = worn[at, after]
            c = _WORN
        elif c.isspace():
            while after < len(text) and text[after].isspace():
                after += 1
            c = "\n" if "\n" in text[at:after] else " "
        elif len(c.upper()) == 1:
            c = c.upper()
        made.append(c)
        starts.append(at)
        ends.append(after)
        at = after
    return Folded("".join(made), starts, ends, masks)


def _plain(character: str) -> str:
    """A character without its width or its kind of dash, where one character does for it."""
    if _DASHES.match(character):
        return "-"
    if character in "’‘":
        return "'"
    wide = unicodedata.normalize("NFKC", character)
    return wide if len(wide) == 1 else character


def _guesses(folded: Folded, words: Words) -> Iterator[Guess]:
    """The worn words that can be but one word of the table, and the worn numbers, each as its least number."""
    text = folded.text
    start = 0
    while start < len(text):
        end = start
        while end < len(text) and (text[end] == _WORN or text[end].isalnum()):
            end += 1
        run = text[start:end]
        clear = run.replace(_WORN, "")
        if len(clear) < len(run) and 2 * len(clear) >= len(run):
            if all(c.isdecimal() for c in clear):
                meant = _number(folded, start, end, min)
            else:
                meant = _word(folded, start, end, words, len(clear))
            if meant is not None:
                yield Guess(start, end, meant)
        start = end + 1


def _word(folded: Folded, start: int, end: int, words: Words, clear: int) -> str | None:
    if clear < LETTERS_LEAST:
        return None
    fitting = [word for word in words.get(end - start, ()) if _fits(word, folded, start)]
    return fitting[0] if len(fitting) == 1 else None


def _fits(word: str, folded: Folded, start: int) -> bool:
    return all(
        bool(folded.masks[at] & BIT[character]) if at in folded.masks else folded.text[at] == character
        for at, character in enumerate(word, start)
    )


def _number(folded: Folded, start: int, end: int, choose: Callable[[str], str]) -> str | None:
    """A worn number with the least or the greatest digit that each worn character may be."""
    masks = folded.masks
    digits = [chars_of(masks[at] & DIGITS) if at in masks else folded.text[at] for at in range(start, end)]
    return "".join(choose(d) for d in digits) if all(digits) else None


def _worn_notes(folded: Folded, guesses: Sequence[Guess], text: str) -> list[str]:
    notes = []
    for guess in guesses:
        first, last = folded.starts[guess.start], folded.ends[guess.end - 1]
        notes.append(f"{text[first:last]} is read as {guess.told}")
    guessed = {place for guess in guesses for place in range(guess.start, guess.end)}
    if any(place not in guessed for place in folded.masks):
        notes.append("the worn parts of the text were not used")
    return notes


# ---------------------------------------------------------------------------------------------------------------
# Finding


def _found(
    folded: Folded, guesses: Sequence[Guess], text: str, index: Index, plan: Sequence[Mark] | None
) -> list[Found]:
    """Every mark in the text, in the order of its characters; only those of `plan` are looked for where there is one.

    A mark that rests on a worn number must be there with the least and with the greatest number that it may be;
    a year is then the least.
    """
    made = _found_in(_filled(folded, guesses), folded, guesses, text, index, plan)
    numbers = [guess for guess in guesses if guess.text.isdecimal()]
    if numbers:
        greatest = [
            Guess(g.start, g.end, _number(folded, g.start, g.end, max) or g.text) if g in numbers else g
            for g in guesses
        ]
        also = _found_in(_filled(folded, greatest), folded, guesses, text, index, plan)
        made = {key: found for key, found in made.items() if key in also}
    return sorted(made.values(), key=lambda found: found.at)


def _filled(folded: Folded, guesses: Sequence[Guess]) -> str:
    text = folded.text
    for guess in guesses:
        text = text[: guess.start] + guess.text + text[guess.end :]
    return text


def _found_in(
    form: str,
    folded: Folded,
    guesses: Sequence[Guess],
    text: str,
    index: Index,
    plan: Sequence[Mark] | None,
) -> dict[tuple[str, tuple[int, int]], Found]:
    """The marks of one form of the text by id and place: with its lines apart, and as one line (MADE IN / JAPAN)."""
    made: dict[tuple[str, tuple[int, int]], Found] = {}
    for searched in (form, form.replace("\n", " ")) if "\n" in form else (form,):
        for mark in index.candidates(searched) if plan is None else plan:
            for match in _matches(mark, searched):
                first, last = match.span()
                at = _trimmed(text, (folded.starts[first], folded.ends[last - 1]))
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
    scheme, title = rows[0].row["id"], rows[0].title
    if len(rows) > 1:
        scheme, title = "era-marks", f"Era marks: {_listed([mark.title for mark in rows])}"
    return Reading.of(
        About(scheme, title, FAMILY.id, revision, Timing.ERA),
        min([one.strength for one in deciding]) if strength is None else strength,
        WindowSet.of(joint),
        Precision.BOUND,
        True,
        0,
        (_in_words, (shown, used, deciding, joint, tuple(notes))),
    )


def _in_words(
    asked: tuple[Sequence[Found], Sequence[Found], Sequence[Found], Window, tuple[str, ...]],
) -> Wording:
    """The words of a reading: of the marks shown, those used, those that decide, their days, and the first notes."""
    shown, used, deciding, joint, notes = asked
    rows = list({one.mark.row["id"]: one.mark for one in shown}.values())
    told = [*notes]
    for one in shown:
        if one not in used and one.window.intersect(joint) != joint:
            told.append(f"{one.mark.title} is weak beside the other marks and sets no bound")
    told += [note for mark in rows for note in _row_notes(mark)]
    return Wording(
        tuple(
            FieldValue(one.mark.row["id"], one.text, f"{one.mark.title}: {_days(one)}", one.at)
            for one in shown
        ),
        tuple(dict.fromkeys(told)),
        _citations(deciding, rows),
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
