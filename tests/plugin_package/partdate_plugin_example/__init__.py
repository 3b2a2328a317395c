"""The tide stamp of Tidewater Bench: an invented mark that counts tides, two a day, from 1 January 1950.

    TIDE 11832    the 11832nd tide: 13 March 1966

An example of a decoder family in a package of its own. Neither the bench nor the stamp exists.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

from decoder.marking import BIT, DIGITS, Marking
from decoder.scheme.engine import number_span
from decoder.scheme.family import Context
from decoder.scheme.reading import FieldValue, NearMiss, Precision, Reading, Strength
from decoder.tables import Citation
from decoder.window import Window, WindowSet

WORD: Final = "TIDE"
FIRST_DAY: Final = date(1950, 1, 1).toordinal()
TIDES_A_DAY: Final = 2
DIGITS_LEAST, DIGITS_MOST = 4, 5
SOURCE: Final = Citation("tidewater-bench", "Stamp book of Tidewater Bench (invented for demonstration)", "P")


@dataclass(frozen=True, slots=True)
class TideStamp:
    """The family of tide stamps."""

    id: str = "tide_stamp"
    kinds: frozenset[str] = frozenset(("label", "body-cavity", "chassis", "other"))
    long_text: bool = False

    def read(self, marking: Marking, context: Context) -> list[Reading]:
        """The day of the tide; with worn digits, from the earliest to the latest that they can be."""
        cells = _count(marking)
        span = number_span(cells) if cells is not None else None
        if span is None:
            return []
        first, last = (FIRST_DAY + max(tide - 1, 0) // TIDES_A_DAY for tide in span)
        worn = first != last
        return [
            Reading(
                scheme="tide-stamp",
                title="Tide stamp of Tidewater Bench (invented)",
                family=self.id,
                strength=Strength.STRONG,
                window=WindowSet.of(Window(first, last)),
                precision=Precision.DAY,
                fields=(_field(marking, span),),
                notes=("worn digits: every tide between the least and the greatest is taken",)
                if worn
                else (),
                sources=(SOURCE,),
            )
        ]

    def near_misses(self, marking: Marking, context: Context) -> list[NearMiss]:
        """A stamp with too few or too many digits: says how many there are."""
        if not _begins(marking) or _count(marking) is not None:
            return []
        problem = f"a tide stamp has {DIGITS_LEAST} or {DIGITS_MOST} digits after {WORD}"
        return [NearMiss("tide-stamp", problem, marking.at(0, len(marking.cells)))]


FAMILY: Final = TideStamp()


def _begins(marking: Marking) -> bool:
    return len(marking.cells) > len(WORD) and all(
        cell & BIT[letter] for cell, letter in zip(marking.cells, WORD, strict=False)
    )


def _count(marking: Marking) -> tuple[int, ...] | None:
    """The cells of the count; None where this is no tide stamp."""
    cells = marking.cells[len(WORD) :]
    wanted = DIGITS_LEAST <= len(cells) <= DIGITS_MOST
    return cells if _begins(marking) and wanted and all(cell & DIGITS for cell in cells) else None


def _field(marking: Marking, span: tuple[int, int]) -> FieldValue:
    start, end = len(WORD), len(marking.cells)
    shown = str(span[0]) if span[0] == span[1] else f"{span[0]} to {span[1]}"
    return FieldValue("tide", marking.shown(start, end), shown, marking.at(start, end))
