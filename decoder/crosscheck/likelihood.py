"""How likely the marks are for each week of completion: the grid of weeks, single parts, and purchase lots.

For a part with replacement rate r the likelihood at week b is

    (1 - r) P(part dated inside its window | completed in week b)  +  r P(a part of any date is dated inside it)

and everything here is that, divided by the second chance: `original` is how much likelier the marks are on an
original part than on a replaced one, so that the likelihood is (1 - r) original + r. The division changes no
posterior, and it puts rival readings on one scale:

*Rivals.* The readings in force share the likelihood equally. Each is compared with a replaced part of its own window
before the mean is taken, so that a wide reading does not outweigh a narrow one by its width. Several windows of one
reading (every decade of a year digit) are one set. Two schemes that read the same days in the same way count once,
a reading that can't be told counts as one that says nothing, and `never` has the small chance of the settings table.

*Open windows* need no rule of their own: [1958, ..) asks how likely a part is dated 1958 or later, which rises from
nothing to certainty over the lag and says nothing about the upper side.

*Replaced parts* are dated anywhere in the years in which their kind was made, up to today, whatever the instrument's.

*Lots.* Parts of one kind, group and source may have been bought as one lot: with the chance `lot_share` they share
one day of purchase, before which each is dated by up to `lot_spread_weeks`, and one lag; else each lies in stock by
itself. Either way each may have been replaced. So n parts of one lot strengthen each other once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from math import ceil, floor
from typing import Final

import numpy as np

from decoder.crosscheck.groups import sources_of
from decoder.crosscheck.lag import Allowance, Lag, replacement_rate
from decoder.crosscheck.lagcurve import WEEK, Floats, Run, chance_within, curve_of, lot_curves, reach_of
from decoder.crosscheck.sheet import Flag
from decoder.crosscheck.verdict import Evidence, Piece, Weighed
from decoder.scheme.reading import Timing
from decoder.tables import Tables
from decoder.window import Window, WindowSet

GRID_FROM: Final = date(1850, 1, 1)
LONGEST_LOT: Final = 120  # months from lead to longest lag; longer ones bound no purchase and cost too much
LEAST: Final = 1e-12  # of a likelihood: parts that can't be replaced and can't agree leave something still

Chance = Callable[[Window, Allowance], Run]


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of the settings table that the estimate uses."""

    never_likelihood: float
    disturbed_rate: float
    lot_spread_weeks: int
    lot_share: float

    @classmethod
    def of(cls, tables: Tables) -> Figures:
        """The figures of the tables in force."""
        return cls(*(tables.setting(name) for name in cls.__slots__))

    def rate(self, evidence: Evidence) -> float:
        """The replacement rate of a part; a disturbed joint raises it."""
        disturbed = Flag.JOINT_DISTURBED in evidence.part.flags
        return replacement_rate(evidence.lag, disturbed=disturbed, disturbed_rate=self.disturbed_rate)


@dataclass(frozen=True, slots=True)
class Grid:
    """Weeks of completion, from the first whole week of 1850, counted back from the last, which ends today."""

    first_day: int
    weeks: int

    @classmethod
    def until(cls, today: date) -> Grid | None:
        """The weeks up to today; None when today lies before them all."""
        last, first = today.toordinal(), GRID_FROM.toordinal()
        weeks = (last + 1 - first) // WEEK
        return cls(last + 1 - WEEK * weeks, weeks) if weeks > 0 else None

    @property
    def today(self) -> int:
        """The last day of the last week."""
        return self.first_day + WEEK * self.weeks - 1

    def share(self, windows: WindowSet) -> Floats:
        """The share of each week's days that lies in the windows."""
        begins = self.first_day + WEEK * np.arange(self.weeks)
        share = np.zeros(self.weeks)
        for window in windows:
            after = begins + WEEK if window.latest is None else np.minimum(begins + WEEK, window.latest + 1)
            first = begins if window.earliest is None else np.maximum(begins, window.earliest)
            share += np.maximum(after - first, 0) / WEEK
        return share

    def windows(self, chosen: Sequence[int]) -> WindowSet:
        """Weeks, by number in order of time, as windows."""
        if not len(chosen):
            return WindowSet(())
        weeks = np.asarray(chosen)
        breaks = np.flatnonzero(np.diff(weeks) > 1)
        firsts, lasts = weeks[np.r_[0, breaks + 1]], weeks[np.r_[breaks, len(weeks) - 1]]
        return WindowSet(
            tuple(
                Window(self.first_day + WEEK * int(first), self.first_day + WEEK * int(last) + WEEK - 1)
                for first, last in zip(firsts, lasts, strict=True)
            )
        )


def made_span(lag: Lag, today: int) -> Window:
    """The days on which a part of a kind can have been made: the years of its lag row, up to today."""
    first = date(lag.made_from, 1, 1).toordinal()
    last = today if lag.made_to is None else min(today, date(lag.made_to, 12, 31).toordinal())
    return Window(first, last) if first <= last else Window(last, last)


def drawn(windows: Iterable[Window], made: Window) -> float:
    """The chance that a part of any date lies inside the windows; one day at the least."""
    days = sum(common.width_days or 0 for w in windows if (common := w.intersect(made)) is not None)
    return max(days, 1) / (made.width_days or 1)


def mixtures(parts: Sequence[Evidence], grid: Grid, figures: Figures, chance: Chance, size: int) -> Floats:
    """How much likelier the marks are on an original part than on a replaced one: a row a part, by some chance."""
    found = np.zeros((len(parts), size))
    for row, one in zip(found, parts, strict=True):
        made = made_span(one.lag, grid.today)
        readings = distinct(one.weighed)
        for weighed in readings:
            if weighed.reading.unsure:
                row += 1 / len(readings)
            elif weighed.reading.never:
                row += figures.never_likelihood / len(readings)
            else:
                weight = 1 / (drawn((piece.window for piece in weighed.pieces), made) * len(readings))
                for piece in weighed.pieces:
                    chance(piece.window, piece.allowance).add_to(row, weight)
    return found


def distinct(weighed: Iterable[Weighed]) -> list[Weighed]:
    """The readings, of those that say the same of the same days only the first."""
    once = {
        (one.reading.unsure, one.reading.never, tuple((p.window, p.allowance) for p in one.pieces)): one
        for one in reversed(tuple(weighed))
    }
    return list(once.values())[::-1]


@dataclass(frozen=True, slots=True)
class Lot:
    """Parts that may have been bought together; `members` are their places among the parts of a model.

    `weights` are the chances of the lot's lag in weeks, shortest first, the longest of them `longest` weeks;
    `original` has a row a member and a column for each week in which the lot can have been dated.
    """

    group: str
    members: tuple[int, ...]
    weights: Floats
    longest: int
    original: Floats


@dataclass(frozen=True, slots=True)
class Model:
    """The likelihoods of all parts of one instrument that the estimate takes in, and the lots among them."""

    grid: Grid
    figures: Figures
    parts: tuple[Evidence, ...]
    rates: Floats
    original: Floats
    lots: tuple[Lot, ...]

    @property
    def ids(self) -> tuple[str, ...]:
        """The ids of the parts, in the order of the rows."""
        return tuple(one.part.id for one in self.parts)


def model_of(
    evidence: Iterable[Evidence],
    grid: Grid,
    figures: Figures,
    groups: Iterable[tuple[str, Sequence[Evidence]]] = (),
) -> Model:
    """The model of the parts that take part; `groups` are those that came together, each with its name."""
    parts = tuple(sorted((one for one in evidence if one.takes_part), key=lambda one: one.part.id))

    def chance(window: Window, months: Allowance) -> Run:
        return chance_within(curve_of(months), window, grid.first_day, grid.weeks)

    places = {one.part.id: place for place, one in enumerate(parts)}
    lots = [
        _lot(name, [(places[one.part.id], one) for one in together], grid, figures)
        for name, members in sorted(groups, key=lambda pair: pair[0])
        for together in _bought_alike([one for one in members if one.part.id in places])
    ]
    return Model(
        grid,
        figures,
        parts,
        np.array([figures.rate(one) for one in parts]),
        mixtures(parts, grid, figures, chance, grid.weeks),
        tuple(lots),
    )


def _bought_alike(members: Sequence[Evidence]) -> Iterable[list[Evidence]]:
    """Two or more members of one kind and source, dated as parts out of stock that don't lie there for decades."""
    alike: dict[tuple[str, tuple[str, ...]], list[Evidence]] = {}
    for one in sorted(members, key=lambda one: one.part.id):
        pieces = [piece for weighed in one.weighed for piece in weighed.pieces]
        if pieces and all(_out_of_stock(piece.allowance) for piece in pieces):
            alike.setdefault((one.part.kind, sources_of(one)), []).append(one)
    return (together for together in alike.values() if len(together) > 1)


def _out_of_stock(months: Allowance) -> bool:
    return months.timing is Timing.PART and months.lead + months.longest <= LONGEST_LOT


def _lot(group: str, members: Sequence[tuple[int, Evidence]], grid: Grid, figures: Figures) -> Lot:
    # Rows of the lag table scoped to some years can differ inside a lot: the row that allows most is the lot's.
    pieces: list[Piece] = [piece for _, one in members for weighed in one.weighed for piece in weighed.pieces]
    widest = max(
        (piece.allowance for piece in pieces), key=lambda months: (months.longest + months.lead, months.usual)
    )
    bought, before = lot_curves(curve_of(widest), WEEK * float(figures.lot_spread_weeks))
    shortest, longest = floor(bought.ends[0] / WEEK) - 1, ceil(bought.ends[1] / WEEK) + 1
    apart = WEEK * np.arange(shortest, longest + 1)
    reach = reach_of(bought)
    weights = reach.at(apart) - reach.at(apart - WEEK)
    first_day, size = grid.first_day - WEEK * longest, grid.weeks + len(weights) - 1

    def chance(window: Window, _: Allowance) -> Run:
        return chance_within(before, window, first_day, size)

    original = mixtures([one for _, one in members], grid, figures, chance, size)
    return Lot(group, tuple(place for place, _ in members), weights, longest, original)
