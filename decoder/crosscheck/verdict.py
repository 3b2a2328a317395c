"""The verdict of a window, of a reading and of a part against a claim, and what a part allows.

`weigh` turns a part and its decoding into `Evidence`: the verdict, the reason in words, and the days of completion
that the part allows. The claim is compared with readings; it makes and hides none.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import Final

from decoder.crosscheck.lag import Allowance, Lag, Lags, allowance
from decoder.crosscheck.sheet import Override, Part
from decoder.scheme.reading import Decoding, Precision, Reading, Strength, union_of
from decoder.tables import Citation
from decoder.window import ALL, EVERY, Claim, Window, WindowSet

OWN_OBSERVATION: Final = "own observation (n=1)"


class Verdict(Enum):
    """What a part, a reading or a window says of the claim."""

    FITS = "fits"
    OLD_STOCK = "old-stock"
    TOO_NEW = "too-new"
    TOO_OLD = "too-old"
    MISFIT = "misfit"
    NEVER = "never"
    UNDECIDED = "undecided"
    UNREAD = "unread"


CONTRADICTING: Final = frozenset({Verdict.TOO_NEW, Verdict.TOO_OLD, Verdict.MISFIT, Verdict.NEVER})


@dataclass(frozen=True, slots=True)
class Piece:
    """One window of a reading, with the months that apply to it, and its verdict (UNDECIDED without a claim)."""

    window: Window
    allowance: Allowance
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Weighed:
    """One reading in force, its windows one by one, and its verdict."""

    reading: Reading
    pieces: tuple[Piece, ...]
    verdict: Verdict

    def allowed(self, *, usual: bool = False) -> WindowSet:
        """The days of completion that the reading allows; all of them when its measurement can't be told."""
        if self.reading.unsure:
            return ALL
        return WindowSet.from_iter(
            piece.allowance.allowed_usual(piece.window) if usual else piece.allowance.allowed(piece.window)
            for piece in self.pieces
        )


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one part says.

    `weighed` are the readings in force (a technician's reading alone, where there is one) and `windows` the union
    of their windows before any lag, to which a `never` reading adds none. `lag` is the general row of the part's
    kind, `title` is what the kind is called and `ease` how easily it is replaced (1 to 5).
    """

    part: Part
    title: str
    ease: int
    lag: Lag
    decoding: Decoding | None
    weighed: tuple[Weighed, ...]
    verdict: Verdict
    windows: WindowSet
    allowed: WindowSet
    allowed_usual: WindowSet

    @property
    def wear(self) -> bool:
        """Whether the part is a wear part, whose verdict sets no outcome."""
        return self.lag.wear

    @property
    def contradicts(self) -> bool:
        """Whether the verdict and the part's originality can't both hold."""
        return self.verdict in CONTRADICTING

    @property
    def counts(self) -> bool:
        """Whether the verdict may set the outcome: no wear part, no disclosed replacement."""
        return not self.wear and not self.part.disclosed

    @property
    def bounded(self) -> bool:
        """Whether the part dates both ends: every reading in force does, and none is a measurement in doubt."""
        if not self.windows or any(one.reading.unsure or one.reading.never for one in self.weighed):
            return False
        return self.windows.earliest is not None and self.windows.latest is not None

    @property
    def takes_part(self) -> bool:
        """Whether the part is weighed in joint windows and explanations.

        Unread, undecided and disclosed parts are not. A part that is undecided only for lack of a claim is: it
        bounds days all the same, and a sheet without a claim asks when the instrument was built.
        """
        if self.part.disclosed or self.verdict is Verdict.UNREAD:
            return False
        return self.verdict is not Verdict.UNDECIDED or self.allowed != ALL

    @property
    def from_memory(self) -> bool:
        """Whether every reading in force rests on facts from memory alone (grade M)."""
        return bool(self.weighed) and all(one.reading.grade == "M" for one in self.weighed)


def best(verdicts: Iterable[Verdict]) -> Verdict:
    """The verdict of several rival windows or readings: fits, then old-stock, then what can't be told.

    Of contradictions alone, too-new and too-old together are a misfit. No verdict at all is unread.
    """
    given = set(verdicts)
    for verdict in (Verdict.FITS, Verdict.OLD_STOCK, Verdict.UNDECIDED, Verdict.MISFIT):
        if verdict in given:
            return verdict
    if {Verdict.TOO_NEW, Verdict.TOO_OLD} <= given:
        return Verdict.MISFIT
    for verdict in (Verdict.TOO_OLD, Verdict.TOO_NEW, Verdict.NEVER):
        if verdict in given:
            return verdict
    return Verdict.UNREAD


def window_verdict(window: Window, months: Allowance, claim: Window) -> Verdict:
    """The verdict of one window against one span of claimed days."""
    if window == EVERY:
        return Verdict.UNDECIDED
    allowed = months.allowed(window)
    if claim.latest is not None and allowed.earliest is not None and allowed.earliest > claim.latest:
        return Verdict.TOO_NEW
    if _reaches(months.allowed_usual(window), claim):
        return Verdict.FITS
    return Verdict.OLD_STOCK if _reaches(allowed, claim) else Verdict.TOO_OLD


def weigh_reading(reading: Reading, kind: str, maker: str | None, lags: Lags, claim: Claim | None) -> Weighed:
    """A reading with its windows, each against each span of the claim, and the best of them as its verdict."""
    if reading.unsure:
        return Weighed(reading, (), Verdict.UNDECIDED)
    if reading.never:
        return Weighed(reading, (), Verdict.NEVER)
    pieces = []
    for window in reading.window:
        months = allowance(reading, window, kind, maker, lags)
        spans = claim.windows if claim is not None else ()
        verdict = best([window_verdict(window, months, span) for span in spans] or [Verdict.UNDECIDED])
        pieces.append(Piece(window, months, verdict))
    return Weighed(reading, tuple(pieces), best(piece.verdict for piece in pieces))


def weigh(
    part: Part,
    decoding: Decoding | None,
    *,
    title: str,
    ease: int,
    lags: Lags,
    maker: str | None = None,
    claim: Claim | None = None,
) -> Evidence:
    """What a part says against a claim, or without one."""
    weighed = tuple(
        weigh_reading(reading, part.kind, maker, lags, claim) for reading in readings_in_force(part, decoding)
    )
    return Evidence(
        part,
        title,
        ease,
        lags.general(part.kind),
        decoding,
        weighed,
        best(one.verdict for one in weighed),
        union_of([one.reading.window for one in weighed if not one.reading.never]),
        union_of([one.allowed() for one in weighed]),
        union_of([one.allowed(usual=True) for one in weighed]),
    )


def readings_in_force(part: Part, decoding: Decoding | None) -> tuple[Reading, ...]:
    """The readings that count: the technician's own where there is one, else the strongest of the decoding."""
    if part.override is not None:
        return (override_reading(part.override),)
    return decoding.in_force if decoding is not None else ()


def override_reading(override: Override) -> Reading:
    """A technician's own reading in the form of any other: a date of the part, so the lag of its kind applies."""
    return Reading(
        scheme="technician",
        title=f"Read by {override.name}: {override.reason}",
        family="technician",
        strength=Strength.STRONG,
        window=override.windows,
        precision=Precision.BOUND,
        notes=(override.reason,),
        sources=(Citation("technician", override.name, OWN_OBSERVATION),),
    )


def _reaches(allowed: Window, claim: Window) -> bool:
    return allowed.latest is None or claim.earliest is None or allowed.latest >= claim.earliest
