"""How long a part lies before it is built in, as a distribution: straight lines through the figures of the lag table.

The lag table gives three figures for a kind of part: `lead`, `usual` and `longest`, in months. The density of the
lag made from them is piecewise linear. It rises from nothing at -lead to its peak at 0, falls to the usual lag with
nine parts in ten before it (USUAL_SHARE), and then falls evenly to nothing at the longest lag; beyond either end it
is nothing, so that there only a replacement explains a part, as in the exact cross-check.

Why this family: it has those three figures as its only parameters, it keeps hard ends (a gamma or log-normal tail
would allow any lag a little), and a falling line is what the measured lags of potentiometers look like (of 20 that
are not negative, 12 are under 4.5 months, 4 from 6 to 12, 4 longer; the lines for 2, 12, 36 months put 0.45, 0.22
and 0.10 there, and 0.12 ahead of completion). Where the tail is so short that the density would rise towards the
usual lag, the body is level instead and the share of nine in ten gives way.

A serial or a dated feature of the instrument has no lag but a tolerance: a tent with its peak at 0.

All chances are for the week of completion as a whole: the day of completion is anywhere in its week alike. They are
exact (the density is integrated in closed form), and tabled once for each set of figures.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import ceil, floor
from typing import Final

import numpy as np
from numpy.typing import NDArray

from decoder.crosscheck.lag import Allowance
from decoder.scheme.reading import Timing
from decoder.window import Window

Floats = NDArray[np.float64]

USUAL_SHARE: Final = 0.9
MONTH: Final = 365.2425 / 12  # days
WEEK: Final = 7


@dataclass(frozen=True, slots=True)
class Curve:
    """A density of the lag (completion less the part's own date, in days): lines through knots (days, density).

    Two knots on one day are a jump. No knots at all: every part is dated on the day of completion.
    """

    knots: tuple[tuple[float, float], ...]

    @property
    def ends(self) -> tuple[float, float]:
        """The shortest and the longest lag, in days."""
        return (self.knots[0][0], self.knots[-1][0]) if self.knots else (0.0, 0.0)


def curve_of(months: Allowance) -> Curve:
    """The distribution of the lag that goes with one window of a reading."""
    if months.timing is Timing.INSTRUMENT:
        return tolerance_curve(months.lead, months.longest)
    return stock_curve(months.lead, months.usual, months.longest)


@lru_cache(maxsize=512)
def stock_curve(lead: int, usual: int, longest: int) -> Curve:
    """The lag of a part out of stock; months as in the lag table."""
    return _falling(-lead * MONTH, usual * MONTH, longest * MONTH)


@lru_cache(maxsize=512)
def tolerance_curve(before: int, after: int) -> Curve:
    """The tolerance of a serial or of a dated feature, months before and after."""
    if not before + after:
        return Curve(())
    first, last = -before * MONTH, after * MONTH
    return Curve(((first, 0.0), (0.0, 2 / (last - first)), (last, 0.0)))


@lru_cache(maxsize=512)
def lot_curves(curve: Curve, spread: float) -> tuple[Curve, Curve]:
    """The lag of a purchase lot, and by how much its parts are dated before the purchase.

    `spread` is the most days between two parts of one lot: parts are dated up to so long before the purchase, most
    of them shortly before (the density falls evenly to nothing). The lag of the lot is that of a single part,
    squeezed at its far end by the spread, so that no part of a lot lies outside the limits of its kind; the spread
    is at most half of what these limits allow.
    """
    first, last = curve.ends
    if last <= first:
        return curve, Curve(())
    spread = min(spread, (last - first) / 2)
    narrower = 1 - spread / (last - first)
    lot = Curve(tuple((first + (day - first) * narrower, density / narrower) for day, density in curve.knots))
    return lot, Curve(((0.0, 2 / spread), (spread, 0.0))) if spread > 0 else Curve(())


def _falling(first: float, usual: float, last: float) -> Curve:
    """From nothing at `first` to the peak at 0, to nothing at `last`; days."""
    if last <= first:
        return Curve(())
    if usual == last:
        return Curve(((first, 0.0), (0.0, 2 / (last - first)), (last, 0.0)))
    middle = 2 * (1 - USUAL_SHARE) / (last - usual)
    high = (2 * USUAL_SHARE - usual * middle) / (usual - first) if usual > first else 0.0
    if high < middle:
        high = middle = 2 / (usual - first + last)
    return Curve(((first, 0.0), (0.0, high), (usual, middle), (last, 0.0)))


@dataclass(frozen=True, slots=True)
class Reach:
    """The chance that a part is dated on a day or later, by how many days the week of completion begins after it.

    `values[x - first]` is the chance for x days; below the table it is 0, above it 1.
    """

    first: int
    values: Floats

    def at(self, days: NDArray[np.int64]) -> Floats:
        """The chance for any array of days by which the week begins after the day of the part."""
        found: Floats = self.values[np.minimum(np.maximum(days - self.first, 0), len(self.values) - 1)]
        return found


@lru_cache(maxsize=512)
def reach_of(curve: Curve) -> Reach:
    """The table of a curve: its cumulative, averaged over the seven days of a week."""
    shortest, longest = curve.ends
    first = floor(shortest) - WEEK
    days = np.arange(first, ceil(longest) + 2, dtype=np.float64)
    values = (_twice_summed(curve, days + WEEK) - _twice_summed(curve, days)) / WEEK
    values = np.maximum.accumulate(np.clip(values, 0.0, 1.0))
    values[0], values[-1] = 0.0, 1.0
    values.flags.writeable = False
    return Reach(first, values)


def _twice_summed(curve: Curve, days: Floats) -> Floats:
    """The integral of the cumulative of a curve: a cubic in each piece."""
    if not curve.knots:
        return np.maximum(days, 0.0)
    total = np.zeros_like(days)
    height = slope = 0.0
    for place, (day, density) in enumerate(curve.knots):
        following = curve.knots[place + 1] if place + 1 < len(curve.knots) else None
        if following is not None and following[0] == day:
            continue  # a jump: the later of the two knots holds
        steeper = (following[1] - density) / (following[0] - day) if following is not None else 0.0
        after = np.maximum(days - day, 0.0)
        total += (density - height) * after**2 / 2 + (steeper - slope) * after**3 / 6
        height, slope = density + steeper * ((following[0] - day) if following is not None else 0.0), steeper
    return total


@dataclass(frozen=True, slots=True)
class Run:
    """Values for weeks in a row, the first of them number `begins`; before and after the run they are 0."""

    begins: int
    values: Floats

    def add_to(self, total: Floats, weight: float) -> None:
        """Add the values, times a weight, to an array that has a place for every week."""
        total[self.begins : self.begins + len(self.values)] += weight * self.values


def chance_within(curve: Curve, window: Window, first_day: int, weeks: int) -> Run:
    """The chance that an original part is dated inside the window, for so many weeks of completion from a day on."""
    reach = reach_of(curve)
    earliest, latest = window.earliest, window.latest
    low, high = 0, weeks
    if earliest is not None:
        low = min(max(0, (earliest + reach.first - first_day) // WEEK), weeks)
    if latest is not None:
        high = min(max(low, (latest + 1 + reach.first + len(reach.values) - first_day) // WEEK + 1), weeks)
    begins = first_day + WEEK * np.arange(low, high)
    chance = reach.at(begins - earliest) if earliest is not None else np.ones(high - low)
    if latest is not None:
        chance = chance - reach.at(begins - (latest + 1))
    return Run(low, chance)
