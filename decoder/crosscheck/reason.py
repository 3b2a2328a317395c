"""Why a part has its verdict, in a few plain sentences with figures."""

from __future__ import annotations

from collections.abc import Iterable

from decoder.crosscheck.sheet import Flag, State
from decoder.crosscheck.verdict import Evidence, Piece, Verdict
from decoder.crosscheck.wording import counted, day_text, gap_text, listed, windows_text, years_text
from decoder.scheme.reading import Timing, union_of
from decoder.window import EMPTY, EVERY, Claim, WindowSet

_UNSEEN = {
    State.NOT_LOOKED: "Not looked at yet.",
    State.ILLEGIBLE: "There is a mark, but it can't be read.",
    State.NO_MARK: "The place for a mark is blank. That is evidence too, and stands in the report; it bounds no day.",
}
_FLAGS = {
    Flag.REFINISHED: "Flagged as refinished.",
    Flag.FACTORY_REPAIR: "Flagged as a factory repair.",
    Flag.JOINT_DISTURBED: "A joint is flagged as disturbed.",
}


def reason(evidence: Evidence, claim: Claim | None) -> str:
    """The reason for a part's verdict: who read it, how its days stand to the claim, what else it reads as."""
    return " ".join(
        [
            *_before(evidence),
            _main(evidence, claim),
            *_also(evidence),
            *_after(evidence),
        ]
    )


def _before(evidence: Evidence) -> Iterable[str]:
    if evidence.part.disclosed:
        yield "Disclosed as a replacement, so it leaves the verdict."
    override = evidence.part.override
    if override is not None:
        said = f"{override.name} reads it as {override.text}, in place of the mark's own readings"
        yield f"{said}: {_ended(override.reason)}"


def _main(evidence: Evidence, claim: Claim | None) -> str:
    match evidence.verdict:
        case Verdict.UNREAD:
            return _unread(evidence)
        case Verdict.NEVER:
            titles = sorted({one.reading.title for one in evidence.weighed if one.reading.never})
            return f"{listed(titles)}: not found on originals in scope at any date."
        case Verdict.UNDECIDED:
            return _undecided(evidence, claim)
        case Verdict.MISFIT:
            return f"Reads as {windows_text(evidence.windows)}: {_torn(evidence)}."
        case Verdict.FITS | Verdict.OLD_STOCK | Verdict.TOO_NEW | Verdict.TOO_OLD:
            assert claim is not None
            return _dated(evidence, claim)


def _torn(evidence: Evidence) -> str:
    if _of(evidence, Verdict.MISFIT):
        return "between the spans of the claim, too new for one and too old for the other"
    return "too old for the claim or too new for it, and never right"


def _unread(evidence: Evidence) -> str:
    if evidence.part.state is not State.READ:
        return _UNSEEN[evidence.part.state]
    misses = evidence.decoding.near_misses if evidence.decoding is not None else ()
    if evidence.part.feature is not None:
        known = f" {_ended(misses[0].problem[:1].upper() + misses[0].problem[1:])}" if misses else ""
        return f"No table holds the feature {evidence.part.feature} with this value.{known}"
    if not misses:
        return "No scheme reads this marking."
    tries = listed(sorted({text for miss in misses for text in miss.corrections})[:3], "or")
    return f"No scheme reads this marking; nearly: {_ended(misses[0].problem)}" + (
        f" Look again for {tries}." if tries else ""
    )


def _undecided(evidence: Evidence, claim: Claim | None) -> str:
    unsure = sorted({one.reading.title for one in evidence.weighed if one.reading.unsure})
    if unsure:
        return f"Can't be told at the accuracy of the measurement: {listed(unsure)}."
    if evidence.windows.hull() == EVERY:
        return "Bounds no day at either end."
    said = f"Reads as {windows_text(evidence.windows)}"
    return f"{said}; there is no claim to hold it against." if claim is None else f"{said}."


def _dated(evidence: Evidence, claim: Claim) -> str:
    pieces = _of(evidence, evidence.verdict)
    match evidence.verdict:
        case Verdict.FITS:
            return _fits(pieces, claim)
        case Verdict.TOO_NEW:
            piece = min(pieces, key=lambda p: p.allowance.allowed(p.window).earliest or 0)
            return f"{_after_claim(piece, claim)}{_too_far_ahead(piece)}."
        case _:
            piece = max(pieces, key=lambda p: p.allowance.allowed(p.window).latest or 0)
            return f"{_before_claim(piece, claim)}{_too_long_ago(piece, evidence.verdict)}"


def _fits(pieces: list[Piece], claim: Claim) -> str:
    windows = WindowSet.from_iter(piece.window for piece in pieces)
    shown = windows_text(windows)
    said = ""
    if all(piece.window.latest is None for piece in pieces):
        said = "Fits, earliest date only. "
    elif all(piece.window.earliest is None for piece in pieces):
        said = "Fits, latest date only. "
    if windows.issubset(claim.windows):
        return f"{said}Reads as {shown}, inside the claim."
    if windows & claim.windows:
        return f"{said}Reads as {shown}, which meets the claim."
    before = [piece for piece in pieces if _next_start(piece, claim) is not None]
    if before:
        piece = max(before, key=lambda p: p.window.latest or 0)
        return (
            f"{said}{_before_claim(piece, claim)}, within the usual {_stock(piece, piece.allowance.usual)}."
        )
    piece = min(pieces, key=lambda p: p.window.earliest or 0)
    if piece.allowance.timing is Timing.INSTRUMENT:
        within = f"its tolerance of {counted(piece.allowance.lead, 'month')} before"
    else:
        within = f"the {counted(piece.allowance.lead, 'month')} by which such a part may be dated ahead"
    return f"{said}{_after_claim(piece, claim)}, within {within}."


def _after_claim(piece: Piece, claim: Claim) -> str:
    """How long after the claim, or after the span of it that comes last before the window, the window begins."""
    day = piece.window.earliest
    ends = [
        span.latest
        for span in claim.windows
        if span.latest is not None and day is not None and span.latest < day
    ]
    assert day is not None
    end = max(ends)
    return f"Earliest day {day_text(day)} is {gap_text(end, day)} after the claim ends ({day_text(end)})"


def _before_claim(piece: Piece, claim: Claim) -> str:
    day, start = piece.window.latest, _next_start(piece, claim)
    assert day is not None and start is not None
    return f"Latest day {day_text(day)} is {gap_text(day, start)} before the claim begins ({day_text(start)})"


def _next_start(piece: Piece, claim: Claim) -> int | None:
    """The first claimed day after the window; None where no span of the claim begins after it."""
    day = piece.window.latest
    starts = [span.earliest for span in claim.windows if day is not None and (span.earliest or 0) > day]
    return min((start for start in starts if start is not None), default=None)


def _too_long_ago(piece: Piece, verdict: Verdict) -> str:
    months = piece.allowance
    if verdict is Verdict.OLD_STOCK:
        return (
            f": more than the usual {counted(months.usual, 'month')}, within the longest "
            f"{_stock(piece, months.longest)}: old stock."
        )
    return f", more than the longest {_stock(piece, months.longest)}."


def _too_far_ahead(piece: Piece) -> str:
    lead = counted(piece.allowance.lead, "month")
    if piece.allowance.timing is Timing.INSTRUMENT:
        return f", outside its tolerance of {lead} before"
    if not piece.allowance.lead:
        return ", and nothing allows such a part to be dated ahead"
    return f", more than the {lead} by which such a part may be dated ahead"


def _stock(piece: Piece, months: int) -> str:
    text = counted(months, "month")
    match piece.allowance.timing:
        case Timing.PART:
            return f"{text} in stock{_scope(piece)}"
        case Timing.PENDING:
            return f"{text} that a pending mark outlasts its application"
        case Timing.ERA:
            return f"{text} that moulds, decals and label stock outlast a law"
        case Timing.INSTRUMENT:
            return f"{text} of its tolerance"


def _scope(piece: Piece) -> str:
    return f" ({piece.allowance.scope})" if piece.allowance.scope else ""


def _also(evidence: Evidence) -> Iterable[str]:
    """The readings that did not set the verdict: rivals in force first, then the weaker ones."""
    settled = (Verdict.FITS, Verdict.OLD_STOCK, Verdict.TOO_NEW, Verdict.TOO_OLD)
    chosen = (
        WindowSet.from_iter(piece.window for piece in _of(evidence, evidence.verdict))
        if evidence.verdict in settled
        else evidence.windows
    )
    others = _further(evidence.windows, chosen)
    if others:
        yield f"Also reads as {years_text(others)}."
    if evidence.part.override is None and evidence.decoding is not None and evidence.weighed:
        strength = evidence.weighed[0].reading.strength
        weaker = [r.window for r in evidence.decoding.readings if r.strength < strength]
        further = _further(union_of(weaker), evidence.windows) if weaker else EMPTY
        if further:
            yield f"Weaker readings: {years_text(further)}."


def _further(windows: WindowSet, chosen: WindowSet) -> WindowSet:
    """The windows that share no day with the chosen ones."""
    if windows == chosen:
        return EMPTY
    return WindowSet(tuple(w for w in windows if not any(w.overlaps(other) for other in chosen)))


def _after(evidence: Evidence) -> Iterable[str]:
    if not evidence.contradicts:
        return
    if evidence.from_memory:
        yield "This rests on facts from memory alone (grade M)."
    if evidence.wear and not evidence.part.disclosed:
        yield "A wear part: it doesn't set the outcome."
    for flag in sorted(evidence.part.flags, key=lambda f: f.value):
        if flag in _FLAGS:
            yield _FLAGS[flag]


def _of(evidence: Evidence, verdict: Verdict) -> list[Piece]:
    return [piece for one in evidence.weighed for piece in one.pieces if piece.verdict is verdict]


def _ended(text: str) -> str:
    return text if text.rstrip()[-1:] in ".!?" else f"{text.rstrip()}."
