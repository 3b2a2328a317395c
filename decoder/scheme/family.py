"""The small protocol that every decoder family keeps, built in or plugged in."""

from __future__ import annotations

from datetime import date
from typing import NamedTuple, Protocol

from decoder.marking import Marking
from decoder.scheme.reading import NearMiss, Reading
from decoder.tables import Tables
from decoder.window import Claim


class Context(NamedTuple):
    """What is known beside the marking. Only `part`, `maker`, `country` and `patent` may choose schemes;
    `claim` ranks readings and never makes or hides one. `today` is passed in: no family reads a clock."""

    tables: Tables
    part: str | None = None
    maker: str | None = None
    claim: Claim | None = None
    country: str | None = None
    patent: str | None = None
    today: date | None = None
    model: str | None = None
    seen: set[object] | None = None  # what the shorter forms of a `*` met

    @property
    def last_year(self) -> int:
        """The last year in which a part can have been made: today's, or that of the tables' edition."""
        return self.today.year if self.today is not None else self.tables.edition


class Family(Protocol):
    """One family of schemes.

    `id` names it; `kinds` are the kinds of part that it reads; `long_text` says that it reads label text
    up to 400 characters as well as codes. A family may have `may_read(marking, context)` besides: False when no
    marking of this form (the same text with other digits) can be read with the same kind of part, whoever made it and
    whatever else is known.
    """

    id: str
    kinds: frozenset[str]
    long_text: bool

    def read(self, marking: Marking, context: Context) -> list[Reading]:
        """Every reading of the marking; an empty list when none fits. Never raises on any marking."""
        ...

    def near_misses(self, marking: Marking, context: Context) -> list[NearMiss]:
        """What almost fitted, where it failed and which one-character changes would mend it."""
        ...
