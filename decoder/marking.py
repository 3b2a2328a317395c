"""The text read off a part, worn characters included, as sets of characters.

A `Marking` is a row of cells. A cell is the set of characters that may stand there, as a bit mask over the
ten digits and 26 letters, so a worn character costs no more than a clear one. `?` is any one letter or digit,
`[68]` is one of those, `*` is an unknown number of worn characters. Separators (the many dashes, spaces,
points and signs) stand between cells and are never cells themselves.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Final

from decoder.kept import Kept

MARKING_LIMIT: Final = 64
TEXT_LIMIT: Final = 400
STARS_LIMIT: Final = 3

ALPHABET: Final = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
BIT: Final = {character: 1 << place for place, character in enumerate(ALPHABET)}
CHARACTER: Final = {bit: character for character, bit in BIT.items()}
DIGITS: Final = (1 << 10) - 1
LETTERS: Final = ((1 << 36) - 1) ^ DIGITS
ANY: Final = DIGITS | LETTERS
OTHER: Final = 1 << 36  # a letter of a script outside the alphabet: it stands for itself alone

SPACE, HYPHEN, DOT, SLASH, COMMA, OTHER_SEP = 1, 2, 4, 8, 16, 32
ANY_SEP: Final = 63

_SEPARATORS: Final = {
    " ": SPACE,
    "-": HYPHEN,
    "~": HYPHEN,
    ".": DOT,
    ":": OTHER_SEP,
    "·": DOT,
    "•": DOT,
    "/": SLASH,
    "\\": SLASH,
    "|": SLASH,
    ",": COMMA,
    "_": SPACE,
}
# NFKC leaves these dashes apart; on a part they are one stroke of the same pen.
_DASHES: Final = "‐‑‒–—―−⁃﹘﹣－ー"
_LINE_BREAKS: Final = "\n\r\t"
# Every digit as 0: texts that differ in their digits alone are then alike.
DIGITS_ALIKE: Final = str.maketrans("123456789", "000000000")
STARS: Final = frozenset("*＊﹡")  # those that NFKC makes one `*`
_PLAIN_STARS: Final = str.maketrans(dict.fromkeys(STARS, "*"))


class MarkingError(ValueError):
    """A marking that can't be taken at all: empty, over-long, a control character, a bad bracket.

    `at` is the 0-based character in the text as sent.
    """

    def __init__(self, message: str, at: int = 0) -> None:
        super().__init__(message)
        self.message = message
        self.at = at


@dataclass(frozen=True, eq=False, slots=True)
class Form:
    """How a marking is written, whichever digits stand in it: markings of one form share it.

    `cells` are the marking's with every digit where one may stand; places, separators, words, stars and gaps are
    described by `Marking`. `clear` picks the characters of the cells out of a text without worn ones; None where
    some are worn, accented or of another script. `shared` says that other markings will have this very form, so
    that what is found out about it is worth keeping; `filled` then keeps its forms with so many characters for a `*`.
    `outline` is the form with every letter where one may stand, which forms of other letters share; None where no
    letter stands.
    """

    cells: tuple[int, ...]
    spans: tuple[tuple[int, int], ...]
    seps: tuple[int, ...]
    stars: tuple[int, ...] = ()
    words: tuple[tuple[int, int], ...] = ()
    gaps: tuple[tuple[int, int], ...] = ()
    clear: Callable[[str], Iterable[str]] | None = None
    shared: bool = False
    filled: dict[int, Form] = field(default_factory=dict)
    outline: Form | None = None


@dataclass(frozen=True, slots=True)
class Marking:
    """A marking as cells.

    `text` is as sent. `cells[i]` is the mask of the characters that cell i may be and `spans[i]` its place
    [from, to) in the text. `seps[i]` ORs the separators that stand before cell i (the last item: after the end).
    `stars` holds the cell indices before which a `*` stands. `certain` is the folded text, separators left out,
    when every cell is one known character and no `*` stands. `words` are the cell ranges without a separator,
    `gaps` the separators that stand before and after each `*`.
    """

    text: str
    cells: tuple[int, ...]
    form: Form = field(repr=False, compare=False)

    @classmethod
    def read(cls, text: str, *, limit: int = MARKING_LIMIT) -> Marking:
        """Read a marking from text.

        Raises MarkingError, naming the character, for empty or over-long text, control and direction
        characters, and brackets that are empty, unclosed, nested or hold a range. Line breaks are
        taken as spaces in label text (a limit above MARKING_LIMIT) only.
        """
        if len(text) > limit:
            raise MarkingError(
                f"the marking has {len(text)} characters; at most {limit} can be read: "
                "send the code alone, without the text around it",
                limit,
            )
        lines = limit > MARKING_LIMIT
        known, outlines = _forms[lines], _outlines[lines]
        shape = text.translate(_SHAPE)
        form = known.get(shape)
        if form is None:
            outline = outlines.get(shape.translate(_LETTERS_ALIKE))
            if outline is not None and outline.clear is not None:
                form = known.keep(shape, _lettered(outline, outline.clear(shape)))
        if form is not None and form.clear is not None:
            return cls(text, tuple(map(_clear_bit, form.clear(text))), form)
        if not text.strip():
            raise MarkingError("the marking is empty: type what can be read, with ? for each worn character")
        cells, fresh = _read(text, lines)
        if form is None:
            form = fresh
            if form.shared:
                form = known.keep(
                    shape, _outlined(form, shape, outlines), STARRED_WEIGHS if form.stars else 1
                )
        return cls(text, cells, form)

    @classmethod
    def blank(cls, text: str) -> Marking:
        """A text that is shown as a marking and holds no character to read: what was seen or measured."""
        return cls(text, (), Form((), (), (0,)))

    @property
    def spans(self) -> tuple[tuple[int, int], ...]:
        """The place [from, to) of each cell in the text."""
        return self.form.spans

    @property
    def seps(self) -> tuple[int, ...]:
        """The separators before each cell; the last item: after the end."""
        return self.form.seps

    @property
    def stars(self) -> tuple[int, ...]:
        """The cells before which a `*` stands."""
        return self.form.stars

    @property
    def words(self) -> tuple[tuple[int, int], ...]:
        """The cell ranges without a separator inside."""
        return self.form.words

    @property
    def gaps(self) -> tuple[tuple[int, int], ...]:
        """The separators before and after each `*`."""
        return self.form.gaps

    @property
    def unknown(self) -> int:
        """How many cells may be any character."""
        return 0 if self.form.clear is not None else sum(cell == ANY for cell in self.cells)

    @property
    def certain(self) -> str | None:
        """The folded text without separators; None where a character is worn or of another script."""
        if self.form.stars:
            return None
        known = [CHARACTER.get(cell) for cell in self.cells]
        return None if None in known else "".join(c for c in known if c)

    def at(self, start: int, end: int) -> tuple[int, int]:
        """The place [from, to) in the text of cells start to end (exclusive)."""
        if start >= end:
            place = self.spans[start][0] if start < len(self.spans) else len(self.text)
            return (place, place)
        return (self.spans[start][0], self.spans[end - 1][1])

    def shown(self, start: int, end: int) -> str:
        """The text of cells start to end (exclusive) as sent."""
        first, last = self.at(start, end)
        return self.text[first:last]

    def expansions(self, longest: int) -> Iterator[Marking]:
        """This marking with its `*` taken as every count of unknown characters, up to `longest` cells in all.

        Between a first and a last `*` only the number of clear characters is used, not which they are: the
        windows can only grow by that, and the cost stays one form a length.
        """
        if not self.stars:
            yield self
            return
        first, last = self.stars[0], self.stars[-1]
        for middle in range(last - first, longest - len(self.cells) + last - first + 1):
            yield self.filled(middle)

    def filled(self, middle: int) -> Marking:
        """This marking with so many unknown characters from its first `*` to its last."""
        first, last = self.stars[0], self.stars[-1]
        cells = (*self.cells[:first], *(ANY,) * middle, *self.cells[last:])
        form = self.form.filled.get(middle)
        if form is None:
            form = self._filled_form(first, last, middle)
            if form.shared:
                self.form.filled[middle] = form
        return Marking(self.text, cells, form)

    def _filled_form(self, first: int, last: int, middle: int) -> Form:
        text = self.text.translate(_PLAIN_STARS)
        start = text.find("*", self.spans[first - 1][1] if first else 0)
        end = text.rfind("*", 0, self.spans[last][0] if last < len(self.spans) else len(text)) + 1
        worn = ((start, end),) * middle
        opens, closes = self.gaps[0][0], self.gaps[-1][1]
        between = (opens, *(0,) * (middle - 1), closes) if middle else (opens | closes,)
        seps = (*self.seps[:first], *between, *self.seps[last + 1 :])
        cells = (*self.form.cells[:first], *(ANY,) * middle, *self.form.cells[last:])
        spans = (*self.spans[:first], *worn, *self.spans[last:])
        return Form(cells, spans, seps, words=_words(seps), shared=self.form.shared)

    @property
    def folded(self) -> str:
        """The text in upper case, of the same length, so that places found in it are places in the text."""
        return "".join(up if len(up := c.upper()) == 1 else c for c in self.text)


def chars_of(mask: int) -> str:
    """The characters in a mask, digits first."""
    return "".join(c for c, bit in BIT.items() if mask & bit)


def mask_of(characters: str) -> int:
    """The mask of some characters of the alphabet (upper case)."""
    made = 0
    for c in characters:
        made |= BIT[c]
    return made


def _fold(character: str) -> str:
    """One character as capitals and digits without accents; '' for a bare accent."""
    decomposed = unicodedata.normalize("NFKD", character)
    kept = "".join(c for c in decomposed if not unicodedata.category(c).startswith("M"))
    return kept.upper()


def _masks(character: str) -> list[int]:
    """The masks of one character as sent; empty when it is a separator."""
    found = []
    for c in _fold(character):
        if c in BIT:
            found.append(BIT[c])
        elif c.isalnum():
            digit = unicodedata.digit(c, None)
            found.append(BIT[str(digit)] if digit is not None else OTHER)
    return found


def _separator(character: str) -> int:
    if character in _DASHES:
        return HYPHEN
    folded = unicodedata.normalize("NFKC", character)
    if folded.isspace():
        return SPACE
    return _SEPARATORS.get(folded[:1], OTHER_SEP)


def _check(character: str, at: int, lines: bool) -> None:
    if character in _LINE_BREAKS and lines:
        return
    if unicodedata.category(character) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"):
        raise MarkingError(
            f"character {at + 1} (U+{ord(character):04X}) is a control or direction character, "
            "which no part carries: take it out",
            at,
        )


def _bracket(text: str, start: int) -> tuple[int, int]:
    """The mask of a `[68]` that opens at start, and the index after it."""
    end = text.find("]", start)
    if end < 0:
        raise MarkingError(
            f"the bracket at character {start + 1} is not closed: write [68] for 6 or 8", start
        )
    mask = 0
    for place in range(start + 1, end):
        c = text[place]
        _check(c, place, False)
        found = _masks(c)
        if len(found) != 1 or found[0] == OTHER:
            raise MarkingError(
                f"character {place + 1} ({c!r}) can't stand inside a bracket: list single letters or digits, "
                "such as [68]; ranges are not read",
                place,
            )
        mask |= found[0]
    if not mask:
        raise MarkingError(f"the bracket at character {start + 1} is empty: write [68] for 6 or 8", start)
    return mask, end + 1


def _read(text: str, lines: bool) -> tuple[tuple[int, ...], Form]:
    """The cells of a text, and its form."""
    cells: list[int] = []
    spans: list[tuple[int, int]] = []
    seps: list[int] = []
    stars: list[int] = []
    gaps: list[tuple[int, int]] = []
    pending = opened = 0
    at = 0
    while at < len(text):
        c = text[at]
        bit = BIT.get(c)
        if bit is not None and len(gaps) == len(stars):  # plain capitals and digits: the usual case
            cells.append(bit)
            spans.append((at, at + 1))
            seps.append(pending)
            pending = 0
            at += 1
            continue
        _check(c, at, lines)
        wide = unicodedata.normalize("NFKC", c)
        if wide == "[":
            mask, after = _bracket(text, at)
            found, span = [mask], (at, after)
        elif wide == "?":
            found, span = [ANY], (at, at + 1)
        elif wide == "*":
            if len(gaps) < len(stars):  # two stars without a character between are one
                stars.pop()
            stars.append(len(cells))
            opened |= pending
            pending = 0
            found, span = [], (at, at + 1)
        elif wide == "]":
            raise MarkingError(f"the bracket closed at character {at + 1} was never opened", at)
        else:
            found, span = _masks(c), (at, at + 1)
            if not found and not unicodedata.category(c).startswith("M"):
                pending |= _separator(c)
        for mask in found:
            if len(gaps) < len(stars):
                gaps.append((opened, pending))
                pending |= opened
                opened = 0
            cells.append(mask)
            spans.append(span)
            seps.append(pending)
            pending = 0
        at = span[1]
    if len(stars) > STARS_LIMIT:
        raise MarkingError(f"more than {STARS_LIMIT} '*' can't be placed: use ? where the count is known")
    if len(gaps) < len(stars):
        gaps.append((opened, pending))
    seps.append(pending | opened)
    plain = bool(cells) and not stars and all(text[first:last] in _CLEAR for first, last in spans)
    form = Form(
        tuple(cell | DIGITS if cell & DIGITS else cell for cell in cells),
        tuple(spans),
        tuple(seps),
        tuple(stars),
        _words(seps),
        tuple(gaps),
        itemgetter(*(first for first, _ in spans)) if plain else None,
        len(text) <= MARKING_LIMIT,
    )
    return tuple(cells), form


def _outlined(form: Form, shape: str, outlines: Kept[str, Form]) -> Form:
    """A form that was read from a text, with its outline where it has letters."""
    if form.stars or not any(cell & LETTERS for cell in form.cells):
        return form
    key = shape.translate(_LETTERS_ALIKE)
    outline = outlines.get(key)
    if outline is None:
        cells = tuple(cell | LETTERS if cell & LETTERS else cell for cell in form.cells)
        outline = outlines.keep(key, _with_cells(form, cells, None))
    return _with_cells(form, form.cells, outline)


def _lettered(outline: Form, characters: Iterable[str]) -> Form:
    """The form with this outline and these letters; any digit is 0."""
    return _with_cells(outline, tuple(map(_FORM_CELL.__getitem__, characters)), outline)


def _with_cells(form: Form, cells: tuple[int, ...], outline: Form | None) -> Form:
    """A form written as another, with cells of its own."""
    return Form(
        cells,
        form.spans,
        form.seps,
        form.stars,
        form.words,
        form.gaps,
        form.clear,
        form.shared,
        outline=outline,
    )


def _words(seps: Sequence[int]) -> tuple[tuple[int, int], ...]:
    count = len(seps) - 1
    starts = [i for i in range(count) if i == 0 or seps[i]]
    return tuple(zip(starts, [*starts[1:], count], strict=True)) if starts else ()


FORMS_KEPT: Final = 2048  # forms of code, and of label text, that are remembered at one time
STARRED_WEIGHS: Final = 16  # as much as so many others, since it keeps its forms with every length of the `*`
_CLEAR: Final = {**BIT, **{character.lower(): bit for character, bit in BIT.items()}}
_clear_bit: Final = _CLEAR.__getitem__
# Every digit as 0 and every letter as a capital: what is left of a text is its form.
_SHAPE: Final = "".join("0" if c in "0123456789" else c.upper() for c in map(chr, range(128)))
_LETTERS_ALIKE: Final = "".join("A" if c in ALPHABET[10:] else c for c in map(chr, range(128)))
_FORM_CELL: Final = {**BIT, "0": DIGITS}
_forms: Final[tuple[Kept[str, Form], Kept[str, Form]]] = (Kept(FORMS_KEPT), Kept(FORMS_KEPT))
_outlines: Final[tuple[Kept[str, Form], Kept[str, Form]]] = (Kept(FORMS_KEPT), Kept(FORMS_KEPT))
