"""The layout language: how one documented way of writing a date is put down as data, and its compiled form.

    {source:3}~{year2}~{week}        a field each; `~` an optional separator of any kind
    {digits:2}-{month_name}_{year2}  `_` a separator of any kind that must stand; `-` `.` `/` and space: that one,
                                     with or without spaces around it
    (EIA~)?{source:3}...             `( )?` an optional group; capitals and digits stand for themselves
    {seq=number:4-6}                 a field with a name of its own and a width of 4 to 6 characters
    {month_letter:celestion}         a field whose characters stand in a table of letters

A layout with optional groups or variable widths compiles to several `Variant`s of fixed length.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Final

from decoder.marking import ANY, ANY_SEP, BIT, DIGITS, DOT, HYPHEN, LETTERS, MARKING_LIMIT, SLASH, SPACE

VARIANTS_LIMIT: Final = 400

# type: (least width, greatest width, mask of a character) for fields that need no table
PLAIN: Final[Mapping[str, tuple[int, int, int]]] = {
    "source": (2, 4, DIGITS),
    "year1": (1, 1, DIGITS),
    "year2": (2, 2, DIGITS),
    "year4": (4, 4, DIGITS),
    "week": (2, 2, DIGITS),
    "month_number": (1, 2, DIGITS),
    "month2": (2, 2, DIGITS),
    "day": (1, 2, DIGITS),
    "day2": (2, 2, DIGITS),
    "day_of_year": (3, 3, DIGITS),
    "weekday": (1, 1, DIGITS),
    "week_of_month": (1, 1, DIGITS),
    "era_year": (1, 2, DIGITS),
    "number": (1, 9, DIGITS),
    "digits": (1, 9, DIGITS),
    "letters": (1, 9, LETTERS),
    "any": (1, 12, ANY),
}
FREE_WIDTH: Final = frozenset(
    "source number digits letters any".split()
)  # the width says nothing of the value
# types whose characters stand in a table of letters
TABLED: Final = frozenset(
    "code year_letter month_letter month_char quarter_letter era week_letter digit_letter".split()
)
# types whose words stand in a table of names
NAMED: Final = frozenset(("month_name", "month_roman"))
# what a field says of a date
YEAR_TYPES: Final = ("year4", "year2", "year1", "year_letter")
YEAR_FIELDS: Final = (*YEAR_TYPES, "era", "era_year")  # all that a year may be made of
MONTH_TYPES: Final = ("month_number", "month2", "month_name", "month_roman", "month_letter", "month_char")
DAY_TYPES: Final = ("day2", "day")
_SAID_OF_DAYS: Final = {
    **dict.fromkeys(MONTH_TYPES, "month"),
    **dict.fromkeys(DAY_TYPES, "day"),
    **{kind: kind for kind in ("week", "day_of_year", "quarter_letter", "week_of_month")},
    "week_letter": "week_of_month",
    "digit_letter": "week",
}

_SEPARATORS: Final = {"-": HYPHEN, ".": DOT, "/": SLASH, " ": SPACE}
_FIELD: Final = re.compile(
    r"\{(?:(?P<name>[a-z_0-9]+)=)?(?P<type>[a-z_0-9]+)(?::(?P<arg>[A-Za-z0-9_./ -]+))?\}"
)
_WIDTH: Final = re.compile(r"(\d+)(?:-(\d+))?")

Words = Mapping[str, tuple[str, ...]]  # table name: the characters or words that it holds


class LayoutError(ValueError):
    """A layout that can't be compiled: says what stands where."""


@dataclass(frozen=True, slots=True)
class Slot:
    """One field of a variant: where it stands, its type, and its table (empty for none)."""

    name: str
    type: str
    table: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Dating:
    """What the fields of a variant say of its date.

    `parts` are the fields that say something of the days of a year, by what they say; those of one name are the
    digits of one number, or the last of them counts. `beside` say nothing of the days and must be known all the same.
    `daily` says that single days are written.
    """

    years: tuple[Slot, ...]
    era: Slot | None
    era_year: Slot | None
    parts: tuple[tuple[str, Slot], ...]
    beside: tuple[Slot, ...]
    daily: bool


@dataclass(frozen=True, slots=True)
class Variant:
    """One fixed length of a layout: the characters allowed at each place, and the separators before it.

    `allowed` are the separators that may stand before a place, `required` those of which one must (0: none must).
    `forbidden` and `wanted` say the same for all places but the first, before which anything may stand.
    """

    layout: str
    masks: tuple[int, ...]
    allowed: tuple[int, ...]
    required: tuple[int, ...]
    slots: tuple[Slot, ...]
    dating: Dating
    forbidden: tuple[int, ...]
    wanted: tuple[tuple[int, int], ...]

    @property
    def length(self) -> int:
        """How many characters this variant has, separators left out."""
        return len(self.masks)


@dataclass(frozen=True, slots=True)
class _Field:
    name: str
    type: str
    table: str
    least: int
    most: int


@dataclass(frozen=True, slots=True)
class _Literal:
    text: str


@dataclass(frozen=True, slots=True)
class _Gap:
    allowed: int
    required: int


_Element = _Field | _Literal | _Gap


def compile_layout(layout: str, words: Words) -> tuple[Variant, ...]:
    """The variants of a layout. `words` gives the characters of each table that it names.

    Raises LayoutError for an unknown field type, a width that its type can't have, a table that isn't there,
    a layout without any character, or too many variants.
    """
    made: dict[tuple[object, ...], Variant] = {}
    for elements in _choices(layout):
        for variant in _variants(layout, elements, words):
            made.setdefault((variant.masks, variant.allowed, variant.required, variant.slots), variant)
            if len(made) > VARIANTS_LIMIT:
                raise LayoutError(f"layout {layout!r} has more than {VARIANTS_LIMIT} forms: split it")
    if not made:
        raise LayoutError(f"layout {layout!r} has no character that could be read")
    return tuple(made.values())


def _choices(layout: str) -> Iterator[list[_Element]]:
    """The layout with each optional group taken and left out."""
    parts = re.split(r"\(([^()]*)\)\?", layout)
    groups = range(1, len(parts), 2)
    if 2 ** len(groups) > VARIANTS_LIMIT:
        raise LayoutError(f"layout {layout!r} has {len(groups)} optional groups: split it")
    for taken in product((True, False), repeat=len(groups)):
        text = ""
        for place, part in enumerate(parts):
            if place % 2 == 0 or taken[place // 2]:
                text += part
        yield _elements(layout, text)


def _elements(layout: str, text: str) -> list[_Element]:
    made: list[_Element] = []
    at = 0
    while at < len(text):
        c = text[at]
        if c == "{":
            found = _FIELD.match(text, at)
            if found is None:
                raise LayoutError(f"layout {layout!r}: the field at {text[at : at + 20]!r} can't be read")
            made.append(_field(layout, found))
            at = found.end()
            continue
        if c in BIT:
            made.append(_Literal(c))
        elif c == "~":
            made.append(_Gap(ANY_SEP, 0))
        elif c == "_":
            made.append(_Gap(ANY_SEP, ANY_SEP))
        elif c in _SEPARATORS:
            made.append(_Gap(_SEPARATORS[c] | SPACE, _SEPARATORS[c]))
        else:
            raise LayoutError(
                f"layout {layout!r}: {c!r} can't stand in a layout (use capitals, digits, ~ _ - . /)"
            )
        at += 1
    return made


def _field(layout: str, found: re.Match[str]) -> _Field:
    kind, arg = found["type"], found["arg"] or ""
    name = found["name"] or kind
    if kind in PLAIN:
        least, most, _ = PLAIN[kind]
        if arg:
            width = _WIDTH.fullmatch(arg)
            if width is None:
                raise LayoutError(f"layout {layout!r}: {arg!r} is no width for {kind}")
            least, most = int(width[1]), int(width[2] or width[1])
        if not 0 < least <= most <= MARKING_LIMIT:
            raise LayoutError(
                f"layout {layout!r}: width {arg!r} of {kind} must grow from 1, to {MARKING_LIMIT}"
            )
        narrow, wide, _ = PLAIN[kind]
        if kind not in FREE_WIDTH and not narrow <= least <= most <= wide:
            shown = f"{narrow}" if narrow == wide else f"{narrow} or {wide}"
            raise LayoutError(f"layout {layout!r}: {kind} is written with {shown} characters, not {arg}")
        return _Field(name, kind, "", least, most)
    if kind in TABLED:
        if not arg:
            raise LayoutError(f"layout {layout!r}: {kind} needs a table of letters: {{{kind}:table}}")
        return _Field(name, kind, f"{arg}/{_position(kind, found['name'])}", 0, 0)
    if kind in NAMED:
        if arg:
            raise LayoutError(f"layout {layout!r}: {kind} has a table of its own and takes no {arg!r}")
        return _Field(name, kind, kind, 0, 0)
    known = ", ".join(sorted({*PLAIN, *TABLED, *NAMED}))
    raise LayoutError(f"layout {layout!r}: unknown field type {kind!r}; known: {known}")


def _position(kind: str, name: str | None) -> str:
    """Which position of a letter table a field type looks in; a field's own name wins."""
    if name:
        return name
    return {"year_letter": "year", "month_letter": "month", "month_char": "month"}.get(
        kind, kind.split("_")[0]
    )


def _variants(layout: str, elements: list[_Element], words: Words) -> Iterator[Variant]:
    widths = [_widths(layout, e, words) for e in elements]
    for chosen in product(*widths):
        masks: list[int] = []
        allowed: list[int] = []
        required: list[int] = []
        slots: list[Slot] = []
        gap = _Gap(0, 0)
        for element, (width, options) in zip(elements, chosen, strict=True):
            if isinstance(element, _Gap):
                gap = _Gap(gap.allowed | element.allowed, gap.required | element.required)
                continue
            start = len(masks)
            masks += options
            allowed += [gap.allowed] + [0] * (width - 1)
            required += [gap.required] + [0] * (width - 1)
            gap = _Gap(0, 0)
            if isinstance(element, _Field):
                slots.append(Slot(element.name, element.type, element.table, start, start + width))
        if masks:
            yield Variant(
                layout,
                tuple(masks),
                tuple(allowed),
                tuple(required),
                tuple(slots),
                _dating(slots),
                (0, *(ANY_SEP & ~mask for mask in allowed[1:])),
                tuple((place, mask) for place, mask in enumerate(required) if place and mask),
            )


def _dating(slots: list[Slot]) -> Dating:
    first = {slot.type: slot for slot in reversed(slots)}
    parts = tuple((_SAID_OF_DAYS[slot.type], slot) for slot in slots if slot.type in _SAID_OF_DAYS)
    return Dating(
        tuple(slot for slot in slots if slot.type in YEAR_TYPES),
        first.get("era"),
        first.get("era_year"),
        parts,
        tuple(slot for slot in slots if slot.type in ("code", "weekday")),
        any(said in ("day", "day_of_year") for said, _ in parts),
    )


def _widths(layout: str, element: _Element, words: Words) -> list[tuple[int, tuple[int, ...]]]:
    """Each width that an element may take, with the masks of its characters."""
    if isinstance(element, _Gap):
        return [(0, ())]
    if isinstance(element, _Literal):
        return [(1, (BIT[element.text],))]
    if element.type in PLAIN:
        mask = PLAIN[element.type][2]
        return [(width, (mask,) * width) for width in range(element.least, element.most + 1)]
    entries = words.get(element.table)
    if not entries:
        raise LayoutError(f"layout {layout!r}: no table of letters is called {element.table!r}")
    made: dict[int, list[int]] = {}
    for entry in entries:
        masks = made.setdefault(len(entry), [0] * len(entry))
        for place, c in enumerate(entry):
            masks[place] |= BIT[c]
    return [(width, tuple(masks)) for width, masks in sorted(made.items())]
