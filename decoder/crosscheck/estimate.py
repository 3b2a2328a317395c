"""When was it built, and which parts were replaced: the estimate beside the exact cross-check, with its assumptions.

`estimate` reads an `Estimate` off the posterior of the week of completion; `weighed` puts explanations that set
aside equally many and equally easy parts in the order of their chances.

`evidence` is a logarithm to base 10: 1 says that the marks are ten times as likely on an instrument of the claimed
period as on one of any other, -1 the opposite. It is what a part says by itself; parts that came together say much
the same thing, and the chances of the weeks count it once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from decoder.crosscheck.agreement import Explanation, Explanations
from decoder.crosscheck.posterior import Posterior
from decoder.crosscheck.verdict import Evidence, Verdict
from decoder.crosscheck.wording import day_text, listed
from decoder.scheme.reading import window_dict
from decoder.window import Claim, WindowSet

EVEN: Final = 0.5
NINE_IN_TEN: Final = 0.9
CHANCE_DECIMALS: Final = 4
LOG_DECIMALS: Final = 2


@dataclass(frozen=True, slots=True)
class Estimate:
    """The days of completion that hold half and nine tenths of the chances, and what follows for claim and parts.

    `claim_probability` is None without a claim, and `evidence` is then empty. `replaced` are chances by part.
    """

    interval_50: WindowSet
    interval_90: WindowSet
    claim_probability: float | None
    replaced: Mapping[str, float]
    evidence: Mapping[str, float]
    assumptions: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """The estimate as it stands in JSON; `evidence_words` says the logarithms in words."""
        return {
            "interval_50": [window_dict(WindowSet((window,))) for window in self.interval_50],
            "interval_90": [window_dict(WindowSet((window,))) for window in self.interval_90],
            "claim_probability": _chance(self.claim_probability),
            "replaced": {name: _chance(chance) for name, chance in self.replaced.items()},
            "evidence": {name: round(log, LOG_DECIMALS) + 0.0 for name, log in self.evidence.items()},
            "evidence_words": {name: evidence_words(log) for name, log in self.evidence.items()},
            "assumptions": list(self.assumptions),
        }


def estimate(posterior: Posterior, evidence: Iterable[Evidence], claim: Claim | None) -> Estimate | None:
    """The estimate; None where no part says anything of any day."""
    if not posterior.model.parts:
        return None
    return Estimate(
        posterior.densest(EVEN),
        posterior.densest(NINE_IN_TEN),
        posterior.chance_of(claim.windows) if claim is not None else None,
        posterior.replaced(),
        posterior.evidence(claim.windows) if claim is not None else {},
        tuple(_assumptions(posterior, evidence)),
    )


def weighed(found: Explanations, posterior: Posterior, ease: Mapping[str, int]) -> Explanations:
    """Explanations with their chances: fewest set aside first, then the easiest, then the likeliest.

    The chance of an explanation is that of exactly those parts having been replaced that it sets aside.
    """
    shown = [
        replace(one, probability=posterior.chance_replaced(one.set_aside, one.windows)) for one in found.shown
    ]

    def rank(one: Explanation) -> tuple[int, int, float, tuple[str, ...]]:
        easiest = sum(ease[name] for name in one.set_aside)
        return (len(one.set_aside), easiest, -(one.probability or 0.0), one.set_aside)

    return Explanations(tuple(sorted(shown, key=rank)), found.total)


def evidence_words(log: float) -> str:
    """A logarithm to base 10 in words: `speaks clearly for the claim, about 30 to 1`."""
    size = abs(log)
    if size < 0.1:
        return "says next to nothing of the claim"
    how = (
        "leans"
        if size < 0.5
        else "speaks"
        if size < 1
        else "speaks clearly"
        if size < 2
        else "speaks strongly"
    )
    return f"{how} {'for' if log > 0 else 'against'} the claim, {odds_text(size)}"


def odds_text(size: float) -> str:
    """Odds from their logarithm to base 10, to two figures: `about 1.6 to 1`, `about 30 to 1`."""
    odds = 10 ** min(size, 9.0)
    if size >= 6:
        return "more than a million to 1"
    if odds < 10:
        return f"about {odds:.1f} to 1".replace(".0 ", " ")
    digits = len(str(int(odds))) - 2
    return f"about {round(odds / 10**digits) * 10**digits} to 1"


def _assumptions(posterior: Posterior, evidence: Iterable[Evidence]) -> Iterable[str]:
    model = posterior.model
    grid = model.grid
    yield (
        f"Every week of completion from {day_text(grid.first_day)} to {day_text(grid.today)} is taken as equally "
        "likely before a part is looked at."
    )
    yield (
        "A part was replaced as often as the table says for its kind, and a replaced one can be of any day of the "
        f"years in which its kind was made, up to {day_text(grid.today)}, whatever the date of the instrument."
    )
    yield (
        "An original part lay in stock as the lag table says: nine in ten no longer than the usual lag, none longer "
        "than the longest."
    )
    if any(len(one.weighed) > 1 for one in model.parts):
        yield "Rival readings of one part are taken as equally likely."
    never = [one.part.id for one in model.parts if one.verdict is Verdict.NEVER]
    if never:
        yield (
            f"A table that says never can be wrong: {listed(never)} would be seen on "
            f"{100 * model.figures.never_likelihood:.0f} in 100 original instruments."
        )
    for name in sorted({lot.group for lot in model.lots}):
        ids = sorted({model.ids[place] for lot in model.lots if lot.group == name for place in lot.members})
        yield (
            f"{listed(ids)} ({name}) were bought as one lot in {100 * model.figures.lot_share:.0f} of 100 cases, "
            f"dated within {model.figures.lot_spread_weeks} weeks of each other; else each by itself."
        )
    left_out = sorted(one.part.id for one in evidence if not one.takes_part)
    if left_out:
        yield f"Left out: {listed(left_out)} (not read, disclosed as replaced, or bounding no day)."
    yield "A mark is taken to say what it says; that marks are copied is in no figure here."


def _chance(chance: float | None) -> float | None:
    return None if chance is None else round(chance, CHANCE_DECIMALS)
