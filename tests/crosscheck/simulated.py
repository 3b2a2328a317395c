"""Instruments drawn from the model of the estimate, by a simulation that shares no line with the code under test.

The model, as documented: the day of completion is any day alike; a part lies in stock by the three figures of its
kind; one in so many is replaced by a part of any date; parts of a lot share one purchase. A mark names the cell of a
fixed partition of time (a week, a month, a year ...) into which the part's date falls.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from datetime import date

MONTH = 365.2425 / 12
WEEK = 7
TODAY = date(2026, 11, 25).toordinal()
FIRST = TODAY + 1 - WEEK * ((TODAY + 1 - date(1850, 1, 1).toordinal()) // WEEK)


@dataclass(frozen=True)
class Kind:
    """Months and rate of a kind of part, the years in which it is made, and the width of its marks in days."""

    name: str
    lead: int
    usual: int
    longest: int
    rate: float
    made_from: int
    cell: int


KINDS = {
    kind.name: kind
    for kind in (
        Kind("potentiometer", 2, 12, 36, 0.15, 1920, 7),
        Kind("capacitor", 1, 12, 36, 0.15, 1915, 7),
        Kind("neck-heel", 0, 6, 24, 0.05, 1850, 30),
        Kind("speaker", 0, 6, 36, 0.25, 1925, 7),
        Kind("pickup", 0, 6, 24, 0.12, 1931, 365),
        Kind("tuner", 1, 12, 36, 0.15, 1850, 3650),
        Kind("tube", 0, 3, 24, 0.6, 1910, 90),
    )
}


@dataclass(frozen=True)
class Drawn:
    """One part as it was drawn: what it is, whether it was replaced, and what its mark says (ordinals, inclusive)."""

    id: str
    kind: Kind
    replaced: bool
    earliest: int | None
    latest: int | None


@dataclass(frozen=True)
class Instrument:
    built: int
    parts: tuple[Drawn, ...]


def lag_days(kind: Kind, rng: random.Random, scale: float = 1.0) -> float:
    """A lag: up to the usual one in nine of ten cases, density by straight lines, none beyond either end.

    Drawn by throwing points at the box around the density. `scale` stretches all three figures.
    """
    first, usual, last = (scale * MONTH * x for x in (-kind.lead, kind.usual, kind.longest))
    middle = 0.2 / (last - usual)
    peak = (1.8 - usual * middle) / (usual - first)
    assert peak > middle
    while True:
        x = rng.uniform(first, last)
        if x < 0:
            height = peak * (x - first) / -first
        elif x < usual:
            height = peak + (middle - peak) * x / usual
        else:
            height = middle * (last - x) / (last - usual)
        if rng.uniform(0, peak) < height:
            return x


def lot_days(kind: Kind, rng: random.Random, spread_weeks: int, scale: float = 1.0) -> tuple[float, float]:
    """The lag of a lot, and the most days by which a part of it is dated before the purchase."""
    first, last = -scale * MONTH * kind.lead, scale * MONTH * kind.longest
    spread = min(WEEK * spread_weeks, (last - first) / 2)
    return first + (lag_days(kind, rng, scale) - first) * (1 - spread / (last - first)), spread


def before_purchase(spread: float, rng: random.Random) -> float:
    """Days by which a part is dated before the purchase of its lot: most shortly before, none more than `spread`."""
    return spread * (1 - math.sqrt(rng.random()))


def instrument(
    rng: random.Random,
    kinds: list[str],
    *,
    lot: str | None = None,
    lot_size: int = 3,
    lot_share: float = 0.8,
    spread_weeks: int = 26,
    scale: float = 1.0,
) -> Instrument:
    """An instrument with one part of each kind, and `lot_size` parts of the kind `lot` that came together."""
    built = rng.uniform(FIRST, TODAY + 1)
    parts = [
        _part(f"{name}-{n}", KINDS[name], built - lag_days(KINDS[name], rng, scale), rng)
        for n, name in enumerate(kinds)
    ]
    if lot is not None:
        kind = KINDS[lot]
        together = rng.random() < lot_share
        lag, spread = lot_days(kind, rng, spread_weeks, scale)
        for n in range(lot_size):
            own = lag + before_purchase(spread, rng) if together else lag_days(kind, rng, scale)
            parts.append(_part(f"lot-{n}", kind, built - own, rng))
    return Instrument(int(built), tuple(parts))


def _part(name: str, kind: Kind, made: float, rng: random.Random) -> Drawn:
    replaced = rng.random() < kind.rate
    if replaced:
        made = rng.uniform(date(kind.made_from, 1, 1).toordinal(), TODAY + 1)
    day = math.floor(made)
    if kind.name == "tuner":  # a patent mark or none: from some year on, or before it
        edge = date(1958, 7, 1).toordinal()
        return Drawn(name, kind, replaced, *((edge, None) if day >= edge else (None, edge - 1)))
    start = day - day % kind.cell
    return Drawn(name, kind, replaced, start, start + kind.cell - 1)
