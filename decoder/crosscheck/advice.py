"""What to look at next: the parts not yet read that would settle most, cheap looks first.

What a look is worth is the expected drop of two entropies, in bits: that of the day of completion, and that of the
doubt about the claim. Both are sums over every date that the part can turn out to have, under the present posterior.

Simplified: dates are held in cells as wide as a mark of that kind dates as a rule (`advice/checklist`), weeks of
completion in cells of up to a year where much is still open, and each part is looked at by itself. A look that finds
no date tells nothing. Where a part of the same kind and group is read already, the share of groups bought as one lot
is taken off: such a part would say the same again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from math import log2
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from decoder.crosscheck.lag import Lag, Lags, replacement_rate
from decoder.crosscheck.lagcurve import WEEK, Floats, reach_of, stock_curve
from decoder.crosscheck.likelihood import made_span
from decoder.crosscheck.posterior import Posterior
from decoder.crosscheck.sheet import Flag, Part, State
from decoder.crosscheck.verdict import Evidence
from decoder.tables import Row, Tables
from decoder.window import Claim

CHECKLIST: Final = "advice/checklist"
SHOWN: Final = 3
LEAST_BITS: Final = 0.05  # what is worth less isn't worth a look
EQUAL_BITS: Final = 0.1  # looks that differ by less are worth the same
CELLS: Final = 60  # of completion; they grow wider where much is open
WIDTHS: Final = (1, 2, 4, 13, 26, 52, 104, 208)  # weeks in a cell
NEGLIGIBLE: Final = 1e-6
MONTH: Final = 365.2425 / 12


@dataclass(frozen=True, slots=True)
class Advice:
    """One part to look at: its id on the sheet or its kind, why, how, what it is worth, and the caution.

    `gain_bits` is the expected drop in the entropy of the day of completion, `claim_bits` of the doubt about the
    claim (0 without one).
    """

    part: str
    kind: str
    why: str
    how: str
    gain_bits: float
    claim_bits: float
    invasive: int
    caution: str | None

    def as_dict(self) -> dict[str, Any]:
        """The advice as it stands in JSON."""
        return {
            "part": self.part,
            "kind": self.kind,
            "why": self.why,
            "how": self.how,
            "gain_bits": round(self.gain_bits, 2),
            "claim_bits": round(self.claim_bits, 2),
            "invasive": self.invasive,
            "caution": self.caution,
        }


@dataclass(frozen=True, slots=True)
class Candidate:
    """A part that can be looked at: its id or kind, the rows that speak of it, and what is known of it."""

    name: str
    kind: Row
    check: Row
    lag: Lag
    rate: float
    listed: bool
    repeats: bool


@dataclass(frozen=True, slots=True)
class Outlook:
    """The posterior in cells: the middle day and the chance of each, and its share inside the claim."""

    days: NDArray[np.int64]
    chances: Floats
    inside: Floats
    width: int
    today: int


def advise(
    posterior: Posterior,
    evidence: Iterable[Evidence],
    *,
    maker: str | None,
    claim: Claim | None,
    lags: Lags,
    tables: Tables,
) -> tuple[Advice, ...]:
    """The looks that are worth most, at most three, best first."""
    outlook = _outlook(posterior, claim)
    candidates = list(
        _candidates(list(evidence), maker, lags, posterior.model.figures.disturbed_rate, tables)
    )
    gains: dict[tuple[Any, ...], tuple[float, float]] = {}
    found = []
    for one in candidates:
        figures = (one.lag.lead, one.lag.usual, one.lag.longest, one.lag.made_from, one.lag.made_to, one.rate)
        key = (*figures, one.check["within"])
        if key not in gains:
            gains[key] = expected_gain(one.lag, one.rate, one.check["within"], outlook)
        tells = one.check["tells"] * (1 - posterior.model.figures.lot_share if one.repeats else 1)
        found.append((one, tells * gains[key][0], tells * gains[key][1]))
    worth = [(one, date, doubt) for one, date, doubt in found if date + doubt >= LEAST_BITS]
    worth.sort(
        key=lambda w: (
            -round((w[1] + w[2]) / EQUAL_BITS),
            w[0].kind["invasive"],
            w[0].kind["place"],
            w[0].name,
        )
    )
    doubted = entropy(float(outlook.chances @ outlook.inside))
    cautions = {row["id"]: row["text"] for row in tables.table("parts/cautions").rows}
    return tuple(_advice(one, date, doubt, doubted, cautions) for one, date, doubt in worth[:SHOWN])


def expected_gain(lag: Lag, rate: float, within: int, outlook: Outlook) -> tuple[float, float]:
    """Bits that a date of the part is expected to take off the day of completion, and off the doubt about the claim.

    `within` are the months within which such a mark is dated.
    """
    reach = reach_of(stock_curve(lag.lead, lag.usual, lag.longest))
    width = max(round(within * MONTH), outlook.width)
    longest = len(reach.values) + reach.first
    begins = np.arange(outlook.days[0] - longest - width, outlook.days[-1] - reach.first + width, width)
    since = outlook.days[:, None] - begins[None, :]
    chance = reach.at(since) - reach.at(since - width)
    made = made_span(lag, outlook.today)
    assert made.earliest is not None and made.latest is not None
    overlap = np.minimum(begins + width, made.latest + 1) - np.maximum(begins, made.earliest)
    chance *= 1 - rate
    chance += rate * np.maximum(overlap, 0) / (made.latest - made.earliest + 1)
    of_date = outlook.chances @ chance  # the chance of each date; what is left lies outside and tells nothing
    seen = of_date > 0
    ratio = np.ones_like(chance)
    np.divide(chance, of_date, out=ratio, where=np.broadcast_to(seen, chance.shape) & (chance > 0))
    gain = float(outlook.chances @ (chance * np.log2(ratio)).sum(axis=1))
    inside = float(outlook.chances @ outlook.inside)
    if not 0.0 < inside < 1.0:
        return max(gain, 0.0), 0.0
    with_claim = ((outlook.chances * outlook.inside) @ chance)[seen] / of_date[seen]
    left = float(of_date[seen] @ _entropies(with_claim)) + (1 - float(of_date.sum())) * entropy(inside)
    return max(gain, 0.0), max(entropy(inside) - left, 0.0)


def entropy(chance: float) -> float:
    """The doubt about something of this chance, in bits."""
    if not 0.0 < chance < 1.0:
        return 0.0
    return -chance * log2(chance) - (1 - chance) * log2(1 - chance)


def _entropies(chances: Floats) -> Floats:
    inner = np.clip(chances, 1e-12, 1 - 1e-12)
    found: Floats = -inner * np.log2(inner) - (1 - inner) * np.log2(1 - inner)
    return found


def _outlook(posterior: Posterior, claim: Claim | None) -> Outlook:
    """The posterior in the narrowest cells of which few enough are left when the negligible ones are dropped."""
    grid = posterior.model.grid
    inside = grid.share(claim.windows) if claim is not None else np.zeros(grid.weeks)
    for weeks in WIDTHS:
        begins = np.arange(0, grid.weeks, weeks)
        chances = np.add.reduceat(posterior.chances, begins)
        held = chances > NEGLIGIBLE
        if np.count_nonzero(held) <= CELLS or weeks == WIDTHS[-1]:
            break
    within = np.add.reduceat(posterior.chances * inside, begins)[held] / chances[held]
    days = grid.first_day + WEEK * begins[held] + WEEK * (weeks - 1) // 2
    return Outlook(days, chances[held] / chances[held].sum(), within, WEEK * weeks, grid.today)


def _candidates(
    evidence: list[Evidence], maker: str | None, lags: Lags, disturbed_rate: float, tables: Tables
) -> Iterator[Candidate]:
    """The parts of the sheet that were not looked at, then the kinds of the checklist that it does not hold."""
    kinds = {row["id"]: row for row in tables.table("parts/kinds").rows}
    checks = _checklist(maker, tables)
    read = {(one.part.kind, _group(one.part, kinds)) for one in evidence if one.takes_part}
    on_sheet = {one.part.kind for one in evidence}
    for one in evidence:
        part = one.part
        if (
            part.state is State.NOT_LOOKED
            and part.override is None
            and not part.disclosed
            and part.kind in checks
        ):
            rate = replacement_rate(
                one.lag, disturbed=Flag.JOINT_DISTURBED in part.flags, disturbed_rate=disturbed_rate
            )
            repeats = _group(part, kinds) is not None and (part.kind, _group(part, kinds)) in read
            yield Candidate(part.id, kinds[part.kind], checks[part.kind], one.lag, rate, True, repeats)
    sorts = _sorts(on_sheet, checks)
    for kind, check in checks.items():
        if kind not in on_sheet and kind in kinds and sorts & set(check["instruments"]):
            lag = lags.general(kind)
            yield Candidate(kind, kinds[kind], check, lag, lag.replacement_rate, False, False)


def _group(part: Part, kinds: Mapping[str, Row]) -> str | None:
    group: str | None = part.group or kinds[part.kind]["group_default"]
    return group


def _checklist(maker: str | None, tables: Tables) -> dict[str, Row]:
    """The row of each kind: the maker's own where there is one, else the general one."""
    found: dict[str, Row] = {}
    for row in tables.table(CHECKLIST).rows:
        if row["maker"] is None:
            found.setdefault(row["kind"], row)
    for row in reversed(tables.table(CHECKLIST).rows):
        if (
            row["maker"] is not None
            and maker is not None
            and row["maker"].casefold() == maker.strip().casefold()
        ):
            found[row["kind"]] = row
    return found


def _sorts(on_sheet: Iterable[str], checks: Mapping[str, Row]) -> set[str]:
    """The sorts of instrument that the kinds on the sheet belong to: those that have the most of them."""
    counts = {sort: 0 for row in checks.values() for sort in row["instruments"]}
    for kind in on_sheet:
        for sort in checks[kind]["instruments"] if kind in checks else ():
            counts[sort] += 1
    most = max(counts.values(), default=0)
    return {sort for sort, count in counts.items() if count == most}


def _advice(one: Candidate, date: float, doubt: float, doubted: float, cautions: Mapping[str, str]) -> Advice:
    caution = " ".join(cautions[name] for name in one.kind["caution"] if name in cautions)
    return Advice(
        one.name,
        one.kind["id"],
        _why(one, date, doubt, doubted),
        one.kind["how_to_look"],
        date,
        doubt,
        one.kind["invasive"],
        caution or None,
    )


def _why(one: Candidate, date: float, doubt: float, doubted: float) -> str:
    begun = "Not looked at yet" if one.listed else f"{one.kind['title']}: not on the sheet"
    chance = round(10 * one.check["tells"])
    said = f"{begun}. About {chance} in 10 carry a date, to {_within_text(one.check['within'])}"
    if one.repeats:
        said += ", and others of its group are read already"
    said += f"; on the average a look leaves {_left_text(date)} of the weeks that are open now"
    if doubted > 0 and doubt / doubted >= 0.05:
        said += f", and takes away {round(100 * min(1.0, doubt / doubted))} % of the doubt about the claim"
    return f"{said}."


def _within_text(months: int) -> str:
    if months == 0:
        return "the week"
    if months == 1:
        return "the month"
    return "the year" if months == 12 else f"about {round(months / 12)} years"


def _left_text(bits: float) -> str:
    """The share of the weeks that is left when so many bits are gone."""
    share = 2.0**-bits
    return f"{round(100 * share)} %" if share >= 0.1 else f"1 in {round(1 / share)}"
