"""How a cost grows with a size: the exponent that fits best, and that of n log n over the same sizes."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

TOLERANCE = 0.05  # of an exponent, for what the clock can't tell


def exponent(sizes: Sequence[float], costs: Sequence[float]) -> float:
    """The power of the size that the cost follows: least squares of log cost against log size.

    >>> round(exponent([1, 10, 100], [3.0, 300.0, 30_000.0]), 6)
    2.0

    Raises ValueError for fewer than two different sizes, and for sizes and costs that aren't above 0.
    """
    if len(set(sizes)) < 2 or min(*sizes, *costs) <= 0:
        raise ValueError("an exponent needs two sizes or more, and sizes and costs above 0")
    return statistics.linear_regression([math.log(n) for n in sizes], [math.log(c) for c in costs]).slope


def at_the_end(values: Sequence[float]) -> Sequence[float]:
    """The largest third of the sizes, two at least: there, a constant share of the cost hides least."""
    return values[-max(2, len(values) // 3) :]


def factor_each(sizes: Sequence[float], costs: Sequence[float]) -> float:
    """By what the cost is multiplied with every 1 that the size grows by: least squares of log cost against size."""
    return math.exp(statistics.linear_regression(sizes, [math.log(c) for c in costs]).slope)


def n_log_n(sizes: Sequence[float]) -> float:
    """The exponent that n (1 + log2 n) shows over these sizes: a little above 1."""
    return exponent(sizes, [n * (1 + math.log2(n)) for n in sizes])


def within(sizes: Sequence[float], costs: Sequence[float]) -> bool:
    """Whether the cost grows no faster than n log n, over all sizes and over the largest of them."""
    ends = at_the_end(sizes), at_the_end(costs)
    return all(exponent(n, c) <= n_log_n(n) + TOLERANCE for n, c in ((sizes, costs), ends))
