"""The exact posterior of the week of completion, and all that is read off it: sums over a grid, no sampling.

`posterior_of` multiplies the likelihoods of a `Model` over weeks that are all alike beforehand. Given the week, parts
are independent of each other, but for lots, whose two cases (one purchase or several) are summed. Whether one part
was replaced follows from the same sums with its own likelihood divided out, so that every part costs one pass.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from decoder.crosscheck.lagcurve import Floats
from decoder.crosscheck.likelihood import LEAST, Lot, Model
from decoder.window import WindowSet

NOTHING: Final = 1e-18  # chances of weeks that no answer shows
ALIKE: Final = 6  # decimals of a log likelihood; weeks that differ by less are alike


@dataclass(frozen=True)
class LotSums:
    """A lot's likelihood at each week, what each lot date contributes, and the share of the one-purchase case."""

    lot: Lot
    likelihood: Floats  # of each member, at each lot date
    dates: Floats  # the product over the members at each lot date, scaled by exp(-scale)
    scale: float
    log_share: float
    log_likelihood: Floats  # of all members, lot or no lot
    one_lot: Floats  # the chance that it was one lot, for each week of completion

    def date_chances(self, chances: Floats, weeks: slice) -> tuple[slice, Floats]:
        """The chance of each date of purchase of one lot, from those of the weeks of completion, by the same lags."""
        with np.errstate(divide="ignore"):
            per_week = np.exp(np.log(chances) + self.log_share + self.scale - self.log_likelihood[weeks])
        dates = slice(weeks.start, weeks.stop + len(self.lot.weights) - 1)
        return dates, np.convolve(per_week, self.lot.weights[::-1]) * self.dates[dates]


@dataclass(frozen=True)
class Posterior:
    """The chance of each week of completion; `likelihood` is that of each part, `log_likelihood` of all together."""

    model: Model
    likelihood: Floats
    log_likelihood: Floats
    lots: tuple[LotSums, ...]

    @cached_property
    def log_all(self) -> float:
        """The log of the sum of the likelihood over all weeks."""
        top = float(self.log_likelihood.max())
        return top + float(np.log(np.exp(self.log_likelihood - top).sum()))

    @cached_property
    def chances(self) -> Floats:
        """The chance of each week."""
        found: Floats = np.exp(self.log_likelihood - self.log_all)
        return found

    def chance_of(self, windows: WindowSet) -> float:
        """The chance that the instrument was completed inside the windows."""
        return min(1.0, float(self.chances @ self.model.grid.share(windows)))

    def densest(self, chance: float) -> WindowSet:
        """The smallest set of weeks that holds this chance; of weeks that are alike, those nearest the median first."""
        median = np.searchsorted(np.cumsum(self.chances), 0.5)
        away = np.abs(np.arange(len(self.chances)) - median)
        order = np.lexsort((away, -np.round(self.log_likelihood, ALIKE)))
        count = int(np.searchsorted(np.cumsum(self.chances[order]), chance)) + 1
        return self.model.grid.windows(np.sort(order[:count]).tolist())

    def replaced(self) -> dict[str, float]:
        """The chance that each part was replaced: the sum over the weeks of chance x rate / own likelihood.

        In a lot the same is done over the dates of purchase, for the case that it was one.
        """
        weeks = _hull(self.chances > NOTHING)
        chances = self.chances[weeks]
        found = weighed(1 / self.likelihood[:, weeks], chances)
        for sums in self.lots:
            members = list(sums.lot.members)
            dates = sums.date_chances(chances, weeks)
            apart = chances * (1 - sums.one_lot[weeks])
            found[members] = weighed(1 / self.likelihood[members, weeks], apart)
            found[members] += weighed(1 / sums.likelihood[:, dates[0]], dates[1])
        return dict(zip(self.model.ids, np.minimum(found * self.model.rates, 1.0).tolist(), strict=True))

    def evidence(self, windows: WindowSet) -> dict[str, float]:
        """How much likelier each part's marks are inside the windows than outside, as a logarithm to base 10.

        It is what the part says by itself: the mean of its likelihood over the weeks inside, against the mean over
        the weeks that the windows don't touch. Empty when the windows hold none of the weeks, or touch them all.
        """
        inside = self.model.grid.share(windows)
        outside = np.equal(inside, 0).astype(np.float64)
        if inside.sum() == 0.0 or outside.sum() == 0.0:
            return {}
        means = [weighed(self.likelihood, share / share.sum()) for share in (inside, outside)]
        return dict(zip(self.model.ids, np.log10(means[0] / means[1]).tolist(), strict=True))

    def one_lot(self) -> dict[str, float]:
        """The chance that the parts of each group's lots were bought as one lot; of several lots, the least."""
        found: dict[str, float] = {}
        for sums in self.lots:
            chance = min(1.0, float(self.chances @ sums.one_lot))
            found[sums.lot.group] = min(chance, found.get(sums.lot.group, 1.0))
        return found

    def chance_replaced(self, aside: Collection[str], windows: WindowSet) -> float:
        """The chance that these parts were replaced, no others, and the instrument completed inside the windows."""
        model = self.model
        share = model.grid.share(windows)
        weeks = _hull(share > 0)
        if weeks.start == weeks.stop:
            return 0.0
        gone = np.array([name in aside for name in model.ids], dtype=np.bool_)
        with np.errstate(divide="ignore"):
            single = np.empty((len(gone), weeks.stop - weeks.start))
            single[gone] = np.log(model.rates[gone])[:, None]
            single[~gone] = np.log1p(-model.rates[~gone])[:, None] + np.log(model.original[~gone, weeks])
            log_chance = single[_alone(model)].sum(axis=0)
            for lot in model.lots:
                log_chance = log_chance + _log_pattern(model, lot, gone, single, weeks)
        return min(1.0, float(np.exp(log_chance - self.log_all) @ share[weeks]))


def posterior_of(model: Model) -> Posterior:
    """The posterior of a model. A model without parts leaves every week alike."""
    own = likelihood(model.original, model.rates)
    single = np.log(own)
    lots = tuple(_summed(model, lot, single) for lot in model.lots)
    log_likelihood: Floats = single[_alone(model)].sum(axis=0)
    for sums in lots:
        log_likelihood += sums.log_likelihood
    return Posterior(model, own, log_likelihood, lots)


def weighed(rows: Floats, weights: Floats) -> Floats:
    """The sum of each row with these weights.

    It is no product of matrices, since that one would start a thread for every core, in every worker.
    """
    found: Floats = np.einsum("pw,w->p", rows, weights)
    return found


def likelihood(original: Floats, rates: Floats) -> Floats:
    """The likelihood of parts, a row each, from how much likelier their marks are on original parts."""
    found = original * (1 - rates[:, None])
    found += np.maximum(rates, LEAST)[:, None]
    return found


def _summed(model: Model, lot: Lot, single: Floats) -> LotSums:
    members = list(lot.members)
    own = likelihood(lot.original, model.rates[members])
    log_dates = np.log(own).sum(axis=0)
    scale = float(log_dates.max())
    dates = np.exp(log_dates - scale)
    with np.errstate(divide="ignore"):
        log_share = float(np.log(model.figures.lot_share))
        together = log_share + scale + np.log(smeared(dates, lot.weights))
        separate = np.log1p(-model.figures.lot_share) + single[members].sum(axis=0)
    log_likelihood = np.logaddexp(together, separate)
    return LotSums(lot, own, dates, scale, log_share, log_likelihood, np.exp(together - log_likelihood))


def smeared(values: Floats, weights: Floats) -> Floats:
    """`np.convolve(values, weights, "valid")` for weights that add up to 1; level runs at both ends are passed over."""
    size = len(values) - len(weights) + 1
    low = int(np.argmax(values != values[0]))
    high = len(values) - int(np.argmax(values[::-1] != values[-1]))
    first, last = max(0, low - len(weights)), min(size, high + 1)
    if values[low] == values[0] or last - first > size // 2:
        return np.convolve(values, weights, "valid")
    found = np.empty(size)
    found[:first], found[last:] = values[0], values[-1]
    found[first:last] = np.convolve(values[first : last + len(weights) - 1], weights, "valid")
    return found


def _log_pattern(model: Model, lot: Lot, gone: NDArray[np.bool_], single: Floats, weeks: slice) -> Floats:
    """The log chance that of a lot's members these were replaced and the others not, in each of the weeks."""
    members = list(lot.members)
    rates = model.rates[members][:, None]
    original = lot.original[:, weeks.start : weeks.stop + len(lot.weights) - 1]
    dates = np.where(gone[members][:, None], rates, (1 - rates) * original)
    log_dates = np.log(dates).sum(axis=0)
    scale = max(float(log_dates.max()), -700.0)
    share = model.figures.lot_share
    together = np.log(share) + scale + np.log(smeared(np.exp(log_dates - scale), lot.weights))
    found: Floats = np.logaddexp(together, np.log1p(-share) + single[members].sum(axis=0))
    return found


def _hull(chosen: NDArray[np.bool_]) -> slice:
    """The weeks from the first chosen one to the last."""
    places = np.flatnonzero(chosen)
    return slice(int(places[0]), int(places[-1]) + 1) if len(places) else slice(0, 0)


def _alone(model: Model) -> NDArray[np.bool_]:
    """Which parts belong to no lot."""
    alone = np.ones(len(model.ids), dtype=np.bool_)
    for lot in model.lots:
        alone[list(lot.members)] = False
    return alone
