"""Monotone regression with a stated coverage: what date goes with a number, and how far off it may be.

`fit` is isotonic regression (pool adjacent violators), `band_of` a prediction band around it by the jackknife+ of
Barber, Candès, Ramdas and Tibshirani (2021): at level 0.9 a further observation drawn like these lies inside with
probability 0.9 in practice and never less than 0.8, whatever the distribution. Plain Python: a bench has hundreds of
observations, not millions.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import Final

FOLDS: Final = 60  # more observations than this are left out in so many groups instead of one by one


@dataclass(frozen=True, slots=True)
class Observation:
    """A number, and the first and last day (ordinals) of the date that goes with it."""

    number: int
    earliest: int
    latest: int

    @property
    def middle(self) -> float:
        """The middle of the days."""
        return (self.earliest + self.latest) / 2


@dataclass(frozen=True, slots=True)
class Monotone:
    """A function that never falls: straight between its knots, level beyond them."""

    numbers: tuple[int, ...]
    days: tuple[float, ...]

    def at(self, number: int) -> float:
        """The day that goes with a number."""
        place = bisect_left(self.numbers, number)
        if place == len(self.numbers):
            return self.days[-1]
        if place == 0 or self.numbers[place] == number:
            return self.days[place]
        left, right = self.numbers[place - 1], self.numbers[place]
        share = (number - left) / (right - left)
        return self.days[place - 1] + share * (self.days[place] - self.days[place - 1])


def fit(observations: Sequence[Observation]) -> Monotone:
    """The function nearest to the observations, in squares of days, among those that never fall.

    >>> [round(day) for day in fit([Observation(1, 10, 10), Observation(2, 30, 30), Observation(3, 20, 20)]).days]
    [10, 25, 25]
    """
    by_number: dict[int, list[float]] = {}
    for one in observations:
        by_number.setdefault(one.number, []).append(one.middle)
    numbers = sorted(by_number)
    blocks: list[tuple[float, float, int]] = []  # sum of days, weight, how many numbers
    for number in numbers:
        days = by_number[number]
        total, weight, count = sum(days), float(len(days)), 1
        while blocks and blocks[-1][0] / blocks[-1][1] >= total / weight:
            before = blocks.pop()
            total, weight, count = total + before[0], weight + before[1], count + before[2]
        blocks.append((total, weight, count))
    fitted = [total / weight for total, weight, count in blocks for _ in range(count)]
    return Monotone(tuple(numbers), tuple(fitted))


@dataclass(frozen=True, slots=True)
class Band:
    """A prediction band at one level: fits that each left some observations out, and how far off they were on these."""

    level: float
    count: int
    parts: tuple[tuple[Monotone, tuple[float, ...]], ...]

    @property
    def guaranteed(self) -> float:
        """The coverage that holds whatever the distribution."""
        return max(0.0, 2 * self.level - 1)

    def lower(self, number: int) -> int:
        """The first day of the band at a number."""
        ends = sorted(made.at(number) - off for made, offs in self.parts for off in offs)
        return floor(ends[max(0, floor((1 - self.level) * (len(ends) + 1)) - 1)])

    def upper(self, number: int) -> int:
        """The last day of the band at a number."""
        ends = sorted(made.at(number) + off for made, offs in self.parts for off in offs)
        return ceil(ends[min(len(ends), ceil(self.level * (len(ends) + 1))) - 1])


def least(level: float) -> int:
    """How many observations a band of this level needs, so that its ends are none of the outermost by need.

    >>> least(0.9)
    9
    """
    return ceil(level / (1 - level) - 1e-9)


def band_of(observations: Sequence[Observation], level: float = 0.9) -> Band:
    """The prediction band of some observations. An observation is off by its farther end.

    Raises ValueError for fewer observations than the level needs.
    """
    if len(observations) < max(2, least(level)):
        raise ValueError(f"{len(observations)} observations; a level of {level:g} needs {least(level)}")
    ordered = sorted(observations, key=lambda one: (one.number, one.earliest, one.latest))
    folds = min(len(ordered), FOLDS)
    parts = []
    for fold in range(folds):
        made = fit([one for place, one in enumerate(ordered) if place % folds != fold])
        left_out = ordered[fold::folds]
        parts.append((made, tuple(_off(made.at(one.number), one) for one in left_out)))
    return Band(level, len(ordered), tuple(parts))


def _off(day: float, one: Observation) -> float:
    return max(abs(one.latest - day), abs(day - one.earliest))


def cuts(numbers: Sequence[int], most: int) -> list[tuple[int, int]]:
    """The span of some numbers in at most `most` runs of about as many observations each, first and last included.

    >>> cuts([5, 7, 20, 30], 2)
    [(5, 19), (20, 30)]
    """
    ordered = sorted(numbers)
    distinct = sorted(set(ordered))
    wanted = max(1, min(most, len(distinct) - 1))
    starts = sorted({distinct[0], *(ordered[len(ordered) * n // wanted] for n in range(wanted))})
    ends = [start - 1 for start in starts[1:]] + [distinct[-1]]
    return [(first, last) for first, last in zip(starts, ends, strict=True) if first <= last]


# ---------------------------------------------------------------------------------------------------------------
# Quantiles of plain samples


def bound(sample: Sequence[float], level: float) -> float | None:
    """The value below which a further one drawn like these lies with at least this probability; None if too few.

    The chance that the next lies at or below the k-th smallest of n is k / (n + 1), whatever the distribution.

    >>> bound([1, 2, 3, 4], 0.8)
    4
    """
    place = ceil(level * (len(sample) + 1) - 1e-9)
    return sorted(sample)[place - 1] if 1 <= place <= len(sample) else None


def interval(sample: Sequence[float], level: float, sure: float = 0.95) -> tuple[float | None, float | None]:
    """Where the true quantile of this level lies with probability `sure`, by order statistics; None is unbounded."""
    ordered = sorted(sample)
    chances = _binomial(len(ordered), level)
    tail = (1 - sure) / 2
    low, below = -1, 0.0
    for place, chance in enumerate(chances):
        below += chance
        if below > tail:
            low = place - 1
            break
    high, above = len(ordered), 0.0
    for place in range(len(ordered), -1, -1):
        above += chances[place]
        if above > tail:
            high = place
            break
    return (ordered[low] if low >= 0 else None, ordered[high] if high < len(ordered) else None)


def _binomial(count: int, chance: float) -> list[float]:
    """The chances of 0 to `count` successes."""
    made = [0.0] * (count + 1)
    made[0] = 1.0
    for tried in range(count):
        for place in range(tried + 1, 0, -1):
            made[place] = made[place] * (1 - chance) + made[place - 1] * chance
        made[0] *= 1 - chance
    return made
