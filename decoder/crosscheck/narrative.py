"""An assessment in three to eight plain sentences: what agrees, what doesn't, what can't be told, what to do next.

They are made from the assessment alone and cite the parts by id; the order of the parts changes none of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from decoder.crosscheck.agreement import Explanation
from decoder.crosscheck.assessment import TOLERATED, Assessment, Outcome
from decoder.crosscheck.sheet import State
from decoder.crosscheck.verdict import Evidence, Verdict
from decoder.crosscheck.wording import counted, day_text, listed, months_text, windows_text
from decoder.window import WindowSet

NAMED = 6  # parts named in one sentence
WIDE = 20  # years in the 90% set from which the even chance is told too
LIKELY = 0.5  # chance from which a part is named as likely replaced

_SAID = {
    Verdict.TOO_NEW: "too new",
    Verdict.TOO_OLD: "too old",
    Verdict.MISFIT: "a misfit",
    Verdict.NEVER: "never found on originals in scope",
}


def narrate(assessment: Assessment) -> tuple[str, ...]:
    """The sentences, the outcome first and what to do next last."""
    parts = sorted((part.evidence for part in assessment.parts), key=lambda one: one.part.id)
    return (
        *_outcome(assessment, parts),
        *_joint(assessment, parts),
        *_claim_explained(assessment),
        *_estimate(assessment, {one.part.id: one for one in parts}),
        *_second(assessment),
        *_also(assessment, parts),
        *_next(assessment, parts),
    )


def _outcome(assessment: Assessment, parts: list[Evidence]) -> Iterable[str]:
    counting = [one for one in parts if one.counts]
    if assessment.claim is None:
        yield from _no_claim(assessment, parts)
        return
    claim = assessment.claim.text
    match assessment.outcome:
        case Outcome.AGREES:
            yield f"The parts agree with the claim {claim}: {_named(_with(counting, Verdict.FITS, Verdict.OLD_STOCK))}."
            yield (
                "Agreement says what the marks say and no more: marks are copied on reproductions, and parts are moved."
            )
        case Outcome.CONTRADICTED:
            yield from _contradicted(claim, counting)
        case Outcome.UNDECIDED:
            yield from _open_claim(claim, counting)


def _contradicted(claim: str, counting: list[Evidence]) -> Iterable[str]:
    against = [one for one in counting if one.contradicts]
    if against:
        told = listed(f"{_name(one)} is {_SAID[one.verdict]}" for one in against[:NAMED])
        more = f", with {len(against) - NAMED} more" if len(against) > NAMED else ""
        yield f"The claim {claim} and the originality of these parts can't both hold: {told}{more}."
    else:
        dated = [one for one in counting if one.takes_part]
        yield (
            f"Each part suits the claim {claim} by itself, but no day of it suits them all. The claim and the "
            f"originality of these parts can't both hold: {_named(dated)}."
        )
    memory = ""
    if against and all(one.from_memory for one in against):
        memory = (
            " rests on facts from memory alone (grade M), to be confirmed before anybody relies on it, and"
        )
    yield f"It{memory} can be explained by replacement, factory repair, refinish, reissue or misreading."


def _open_claim(claim: str, counting: list[Evidence]) -> Iterable[str]:
    suiting = _with(counting, *TOLERATED)
    if suiting:
        yield (
            f"Can't tell whether the claim {claim} holds: nothing contradicts it, but no part bounds it at both ends. "
            f"{_named(suiting)} can only say that it may."
        )
    else:
        yield f"Can't tell whether the claim {claim} holds: no part that counts dates the instrument."


def _no_claim(assessment: Assessment, parts: list[Evidence]) -> Iterable[str]:
    yield "There is no claim, so none is judged."
    floor = assessment.floor
    if floor is None:
        yield "No part says before which day it can't have been completed."
    else:
        newest = next(one for one in parts if one.part.id == floor.part)
        yield f"The newest part, {_name(newest)}, sets the floor: not completed before {day_text(floor.day)}."
    never = _with([one for one in parts if one.counts], Verdict.NEVER)
    if never:
        yield f"Never found on originals in scope, at any date: {_named(never)}."


def _joint(assessment: Assessment, parts: list[Evidence]) -> Iterable[str]:
    dated = [one for one in parts if one.takes_part and one.allowed]
    if not dated:
        if assessment.claim is not None:  # else it is said that there is no floor
            yield "No part of this sheet bounds the day of completion."
        return
    if assessment.joint_windows:
        whose = f"The one dated part, {_name(dated[0])}, allows"
        if len(dated) > 1:
            whose = f"{'Both' if len(dated) == 2 else f'All {len(dated)}'} dated parts agree on"
        usual = assessment.joint_windows_usual
        if not usual:
            add = "; with the usual lags alone they share no day"
        else:
            same = usual == assessment.joint_windows
            add = "" if same else f"; with the usual lags {windows_text(usual)}"
        yield f"{whose} {windows_text(assessment.joint_windows)}{add}."
        return
    found = assessment.explanations
    least = found.shown[0]
    more = f" ({counted(found.total - 1, 'other way')})" if found.total > 1 else ""
    days = windows_text(least.windows)
    yield f"The parts don't all agree on any day: set {_ids(least.set_aside)} aside{more} and {_rest(least)} on {days}."


def _claim_explained(assessment: Assessment) -> Iterable[str]:
    if assessment.claim is None or assessment.outcome is not Outcome.CONTRADICTED:
        return
    found = assessment.claim_explanations
    for least in [explanation for explanation in found.shown if explanation.set_aside][:1]:
        rest = f"; {_rest(least)} on {windows_text(least.windows)}" if least.agreeing else ""
        more = f" ({counted(found.total - 1, 'other way')})" if found.total > 1 else ""
        yield f"For the claim {assessment.claim.text} to hold, set {_ids(least.set_aside)} aside{more}{rest}."


def _rest(explanation: Explanation) -> str:
    if len(explanation.agreeing) == 1:
        return f"{explanation.agreeing[0]} remains,"
    return f"the other {len(explanation.agreeing)} agree"


def _estimate(assessment: Assessment, parts: Mapping[str, Evidence]) -> Iterable[str]:
    found = assessment.estimate
    if found is None:
        return
    nine = _between(found.interval_90)
    said = [f"there are nine chances in ten that it was completed {nine}"]
    if _years(found.interval_90) > WIDE:
        even = _between(found.interval_50)
        said = [f"there is an even chance that it was completed {even}, and nine chances in ten {nine}"]
    if assessment.claim is not None and found.claim_probability is not None:
        said.append(f"the claim {assessment.claim.text} has {_chances(found.claim_probability)}")
    likely = sorted(
        (name for name, chance in found.replaced.items() if chance >= LIKELY),
        key=lambda name: (-round(found.replaced[name], 4), name),
    )
    if likely:
        named = [f"{_name(parts[name])} with {_chances(found.replaced[name])}" for name in likely[:NAMED]]
        more = [f"{len(likely) - NAMED} more"] if len(likely) > NAMED else []
        said.append(f"likely replaced {'is' if len(likely) == 1 else 'are'} {listed([*named, *more])}")
    yield f"By the estimate, {'; '.join(said)}."


def _years(windows: WindowSet) -> float:
    return sum(window.width_days or 0 for window in windows) / 365.25


def _between(windows: WindowSet) -> str:
    """A set of windows to the month: between two months, or in one of several spans."""
    if len(windows) == 1:
        first, _, last = months_text(windows.windows[0]).partition(" to ")
        return f"between {first} and {last}" if last else f"in {first}"
    spans = [months_text(window) for window in windows]
    if len(spans) > NAMED:
        spans = [*spans[: NAMED - 1], f"{len(spans) - NAMED + 1} more spans"]
    return f"in one of {len(windows)} spans, {listed(spans, 'or')}"


def _chances(chance: float) -> str:
    hundredths = round(100 * chance)
    if hundredths < 1:
        return "less than 1 chance in 100"
    if hundredths > 99:
        return "more than 99 chances in 100"
    return f"{counted(hundredths, 'chance')} in 100"


def _second(assessment: Assessment) -> Iterable[str]:
    second = assessment.second_claim
    if second is None:
        return
    said = {
        Outcome.AGREES: "the parts agree with it",
        Outcome.CONTRADICTED: "the parts contradict it",
        Outcome.UNDECIDED: "can't be told",
    }[second.outcome]
    chance = "" if second.probability is None else f" ({_chances(second.probability)})"
    yield f"The second claim {second.claim.text}, held against the same parts: {said}{chance}."


def _also(assessment: Assessment, parts: list[Evidence]) -> Iterable[str]:
    """What stands in the report beside the outcome, in one sentence."""
    in_place = [one for one in parts if not one.part.disclosed]
    blank = [one for one in in_place if one.verdict is Verdict.UNREAD and one.part.state is State.NO_MARK]
    unsure = [one for one in in_place if one.verdict is Verdict.UNDECIDED and not one.takes_part]
    odd = {name for group in assessment.groups for name in group.odd}
    named = {
        "old stock, later than usual but known to happen": _with(
            [one for one in in_place if one.counts], Verdict.OLD_STOCK
        ),
        "wear parts that don't fit, which sets no outcome": [
            one for one in in_place if one.wear and one.contradicts
        ],
        "dated apart from its group": [one for one in in_place if one.part.id in odd],
        "disclosed as replaced and left out": [one for one in parts if one.part.disclosed],
        "dated by a technician's own reading": [one for one in parts if one.part.override is not None],
        "can't be told": unsure,
        "blank where a mark could stand": blank,
    }
    said = [f"{what}: {_named(ones)}" for what, ones in named.items() if ones]
    if assessment.traps:
        said.append(f"{counted(len(assessment.traps), 'trap')} to look into among the warnings")
    if said:
        yield f"Also: {'; '.join(said)}."


def _next(assessment: Assessment, parts: list[Evidence]) -> Iterable[str]:
    """What to do next, in one sentence."""
    said = []
    against = [one for one in parts if one.counts and one.contradicts]
    if assessment.outcome is Outcome.CONTRADICTED and against:
        said.append(
            f"read {_ids([one.part.id for one in against])} again, and look for signs of later work there"
        )
    unread = [one for one in parts if one.verdict is Verdict.UNREAD and not one.part.disclosed]
    again = [one for one in unread if one.part.state is State.READ or one.part.state is State.ILLEGIBLE]
    if again:
        said.append(f"{_named(again)} can't be read: a second look, with ? for each worn character, may help")
    if assessment.advice:
        said.append(f"what would tell most is a look at {listed((a.part for a in assessment.advice), 'or')}")
    waiting = [one for one in unread if one.part.state is State.NOT_LOOKED]
    if waiting:
        said.append(f"not looked at yet: {_named(waiting)}")
    if not said and assessment.outcome is Outcome.UNDECIDED:
        said.append("to tell more, add parts with dates of their own")
    if said:
        yield f"Next: {'; '.join(said)}."


def _with(parts: Iterable[Evidence], *verdicts: Verdict) -> list[Evidence]:
    return [one for one in parts if one.verdict in verdicts]


def _name(one: Evidence) -> str:
    return one.part.id if one.part.id == one.part.kind else f"{one.part.id} ({one.part.kind})"


def _named(parts: list[Evidence]) -> str:
    names = [_name(one) for one in parts[:NAMED]]
    return listed([*names, f"{len(parts) - NAMED} more"] if len(parts) > NAMED else names)


def _ids(ids: Iterable[str]) -> str:
    names = list(ids)
    return listed([*names[:NAMED], f"{len(names) - NAMED} more"] if len(names) > NAMED else names)
