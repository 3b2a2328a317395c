"""Which parts can agree: exact joint windows, and every largest set of parts that share a day.

On a line of days, the sets of parts that can agree on one day are the cells of a sweep over the ends of their
allowed windows. The cells that no other cell contains are all the largest agreeing sets, hence all the smallest
explanations of a disagreement: what must be set aside so that the rest agrees, and on which days.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from decoder.scheme.reading import window_dict
from decoder.window import ALL, Window, WindowSet

SHOWN: Final = 50
_BEFORE: Final = 0  # the day before the calendar: an open start
_AFTER: Final = date.max.toordinal() + 1  # the day after it: an open end


@dataclass(frozen=True, slots=True)
class Allowed:
    """A part in the sweep: its id, how easily it is replaced (1 to 5), and the days that it allows.

    A part that allows no day at all, such as one with a feature that originals never have, is always set aside.
    """

    id: str
    ease: int
    days: WindowSet


@dataclass(frozen=True, slots=True)
class Explanation:
    """One largest set of parts that agree, those set aside for it, and the days on which it agrees.

    `probability` is the chance that these parts were replaced and no others; None without an estimate.
    """

    set_aside: tuple[str, ...]
    agreeing: tuple[str, ...]
    windows: WindowSet
    probability: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """The explanation as it stands in JSON; `probability` only where there is an estimate."""
        made: dict[str, Any] = {
            "set_aside": list(self.set_aside),
            "agreeing": list(self.agreeing),
            "windows": [window_dict(WindowSet((window,))) for window in self.windows],
        }
        if self.probability is not None:
            made["probability"] = round(self.probability, 4)
        return made


@dataclass(frozen=True, slots=True)
class Explanations:
    """The explanations shown, best first, and how many there are in all."""

    shown: tuple[Explanation, ...] = ()
    total: int = 0

    @property
    def cut(self) -> bool:
        """Whether there are more than are shown."""
        return self.total > len(self.shown)


def joint(parts: Iterable[Allowed]) -> WindowSet:
    """The days that all parts allow; parts that allow none at all are passed over, as in every explanation."""
    days = ALL
    for part in parts:
        if part.days:
            days &= part.days
    return days


def explanations(parts: Sequence[Allowed], *, within: WindowSet = ALL, most: int = SHOWN) -> Explanations:
    """Every largest set of parts that share a day inside `within`, fewest set aside first.

    Of two that set aside equally many, the one whose parts are the more easily replaced comes first. Where no
    part allows a day inside `within`, the one explanation sets them all aside. No parts, no explanation.
    """
    if not parts or not within:
        return Explanations()
    ordered = sorted(parts, key=lambda part: part.id)
    cells = _largest(_cells([part.days & within for part in ordered])) or {0: within}
    found = sorted(
        (_explained(ordered, held, days) for held, days in cells.items()), key=lambda pair: pair[0]
    )
    return Explanations(tuple(explanation for _, explanation in found[:most]), len(found))


Rank = tuple[int, int, tuple[str, ...]]


def _explained(parts: Sequence[Allowed], held: int, days: WindowSet) -> tuple[Rank, Explanation]:
    agreeing = tuple(part.id for place, part in enumerate(parts) if held >> place & 1)
    aside = [part for place, part in enumerate(parts) if not held >> place & 1]
    ids = tuple(part.id for part in aside)
    return (len(aside), sum(part.ease for part in aside), ids), Explanation(ids, agreeing, days)


def _cells(sets: Sequence[WindowSet]) -> dict[int, WindowSet]:
    """The sets of parts (bit masks over `sets`) that grow no further where they stand, and their days."""
    opening: dict[int, int] = {}
    closing: dict[int, int] = {}
    for place, days in enumerate(sets):
        for window in days:
            first = _BEFORE if window.earliest is None else window.earliest
            after = (_AFTER if window.latest is None else window.latest) + 1
            opening[first] = opening.get(first, 0) | 1 << place
            closing[after] = closing.get(after, 0) | 1 << place
    found: dict[int, list[Window]] = {}
    held, since, grown = 0, _BEFORE, False
    for day in sorted(opening.keys() | closing.keys()):
        leaving, coming = closing.get(day, 0), opening.get(day, 0)
        if leaving and grown:
            found.setdefault(held, []).append(_window(since, day - 1))
        held = held & ~leaving | coming
        since, grown = day, bool(coming)
    return {parts: WindowSet.from_iter(windows) for parts, windows in found.items()}


def _largest(cells: Mapping[int, WindowSet]) -> dict[int, WindowSet]:
    """The cells that no other cell contains."""
    masks = list(cells)
    holding: dict[int, int] = {}  # part -> the cells that hold it
    for number, mask in enumerate(masks):
        for place in _bits(mask):
            holding[place] = holding.get(place, 0) | 1 << number
    return {mask: cells[mask] for number, mask in enumerate(masks) if _holders(mask, holding) == 1 << number}


def _holders(mask: int, holding: Mapping[int, int]) -> int:
    """The cells that hold every part of a cell, itself among them."""
    common = -1
    for place in _bits(mask):
        common &= holding[place]
    return common


def _bits(mask: int) -> Iterable[int]:
    while mask:
        lowest = mask & -mask
        yield lowest.bit_length() - 1
        mask ^= lowest


def _window(first: int, last: int) -> Window:
    return Window(None if first == _BEFORE else first, None if last == _AFTER else last)
