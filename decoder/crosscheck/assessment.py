"""The assessment of a whole instrument: the outcome, the parts, the joint windows and the explanations.

`assess` is the exact cross-check of the evidence. Estimate, groups and advice are made from the same evidence by
others and put in with `dataclasses.replace`; the narrative comes last, for it speaks of all of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import Enum
from typing import TYPE_CHECKING, Any, Final

from decoder.crosscheck.agreement import Allowed, Explanations, explanations, joint
from decoder.crosscheck.groups import Group
from decoder.crosscheck.reason import reason
from decoder.crosscheck.traps import Trap
from decoder.crosscheck.verdict import Evidence, Verdict
from decoder.scheme.reading import window_dict
from decoder.window import Claim, WindowSet

if TYPE_CHECKING:
    from decoder.crosscheck.advice import Advice
    from decoder.crosscheck.estimate import Estimate

TOLERATED: Final = frozenset({Verdict.FITS, Verdict.OLD_STOCK})


class Outcome(Enum):
    """What all parts together say of the claim."""

    AGREES = "agrees"
    CONTRADICTED = "contradicted"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class PartAssessment:
    """A part's evidence with the reason for its verdict in words."""

    evidence: Evidence
    reason: str

    def as_dict(self) -> dict[str, Any]:
        """The part as it stands in JSON; `allowed` are the days that it brings to the joint windows."""
        evidence = self.evidence
        part = evidence.part
        return {
            "id": part.id,
            "verdict": evidence.verdict.value,
            "reason": self.reason,
            "decoding": evidence.decoding.as_dict() if evidence.decoding is not None else None,
            "part": part.kind,
            "title": evidence.title,
            "state": part.state.value,
            "flags": sorted(flag.value for flag in part.flags),
            "wear": evidence.wear,
            "override": part.override.as_dict() if part.override is not None else None,
            "allowed": _window_dicts(evidence.allowed) if evidence.takes_part else [],
        }


@dataclass(frozen=True, slots=True)
class Floor:
    """The newest part, and the first day on which an instrument that holds it can have been completed."""

    part: str
    day: int

    def as_dict(self) -> dict[str, str]:
        """The floor as it stands in JSON."""
        return {"part": self.part, "earliest": date.fromordinal(self.day).isoformat()}


@dataclass(frozen=True, slots=True)
class SecondClaim:
    """The second claim of a sheet, and the outcome that it would have in place of the first.

    `probability` is the chance that the instrument was completed in it; None without an estimate.
    """

    claim: Claim
    outcome: Outcome
    probability: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """The second claim as it stands in JSON; `probability` only where there is an estimate."""
        made: dict[str, Any] = {"claim": self.claim.text, "outcome": self.outcome.value}
        if self.probability is not None:
            made["probability"] = round(self.probability, 4)
        return made


@dataclass(frozen=True, slots=True)
class Assessment:
    """All that is said of one instrument. `parts` stand in the order of the sheet; no list else depends on it."""

    outcome: Outcome
    claim: Claim | None
    today: date | None
    parts: tuple[PartAssessment, ...]
    joint_windows: WindowSet
    joint_windows_usual: WindowSet
    explanations: Explanations
    claim_explanations: Explanations
    floor: Floor | None = None
    second_claim: SecondClaim | None = None
    estimate: Estimate | None = None
    groups: tuple[Group, ...] = ()
    advice: tuple[Advice, ...] = ()
    traps: tuple[Trap, ...] = ()
    warnings: tuple[str, ...] = ()
    narrative: tuple[str, ...] = ()
    cautions: tuple[tuple[str, str], ...] = ()
    tables: Mapping[str, str] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """The assessment as it stands in JSON: what the page and the terminal show, and nothing besides."""
        return {
            "outcome": self.outcome.value,
            "claim": self.claim.text if self.claim is not None else None,
            "today": self.today.isoformat() if self.today is not None else None,
            "parts": [part.as_dict() for part in self.parts],
            "joint_windows": _window_dicts(self.joint_windows),
            "joint_windows_usual": _window_dicts(self.joint_windows_usual),
            "explanations": [explanation.as_dict() for explanation in self.explanations.shown],
            "explanations_cut": self.explanations.cut,
            "claim_explanations": [explanation.as_dict() for explanation in self.claim_explanations.shown],
            "claim_explanations_cut": self.claim_explanations.cut,
            "floor": self.floor.as_dict() if self.floor is not None else None,
            "second_claim": self.second_claim.as_dict() if self.second_claim is not None else None,
            "estimate": self.estimate.as_dict() if self.estimate is not None else None,
            "groups": [group.as_dict() for group in self.groups],
            "advice": [advice.as_dict() for advice in self.advice],
            "traps": [trap.as_dict() for trap in self.traps],
            "warnings": list(self.warnings),
            "narrative": list(self.narrative),
            "cautions": [{"id": name, "text": text} for name, text in self.cautions],
            "tables": dict(sorted(self.tables.items())),
        }


def assess(evidence: Sequence[Evidence], claim: Claim | None, *, today: date | None = None) -> Assessment:
    """The exact cross-check of all parts of one instrument against its claim, or of the parts alone."""
    taking = [one for one in evidence if one.takes_part]
    longest = [allowed_by(one) for one in taking]
    return Assessment(
        outcome=outcome_of(evidence, claim),
        claim=claim,
        today=today,
        parts=tuple(PartAssessment(one, reason(one, claim)) for one in evidence),
        joint_windows=joint(longest),
        joint_windows_usual=joint(allowed_by(one, usual=True) for one in taking),
        explanations=explanations(longest),
        claim_explanations=explanations(longest, within=claim.windows)
        if claim is not None
        else Explanations(),
        floor=floor_of(taking),
    )


def outcome_of(evidence: Iterable[Evidence], claim: Claim | None) -> Outcome:
    """The outcome of a claim. Wear parts and disclosed replacements set none; without a claim it is undecided.

    Contradicted: a part contradicts, or no claimed day lies in the allowed days of all. Else it agrees if a part
    that is bounded at both ends fits or is old stock.
    """
    counting = [one for one in evidence if one.counts]
    if claim is None:
        return Outcome.UNDECIDED
    if any(one.contradicts for one in counting):
        return Outcome.CONTRADICTED
    if not claim.windows & joint(allowed_by(one) for one in counting if one.takes_part):
        return Outcome.CONTRADICTED
    if any(one.bounded and one.verdict in TOLERATED for one in counting):
        return Outcome.AGREES
    return Outcome.UNDECIDED


def allowed_by(evidence: Evidence, *, usual: bool = False) -> Allowed:
    """A part as the sweep takes it."""
    days = evidence.allowed_usual if usual else evidence.allowed
    return Allowed(evidence.part.id, evidence.ease, days)


def floor_of(evidence: Iterable[Evidence]) -> Floor | None:
    """The newest part in force; wear parts, which are newer than their instrument, only where nothing else dates."""
    floors = [
        (one.wear, -one.allowed.earliest, one.part.id)
        for one in evidence
        if one.takes_part and one.allowed.earliest is not None
    ]
    if not floors:
        return None
    _, day, part = min(floors)
    return Floor(part, -day)


def _window_dicts(windows: WindowSet) -> list[dict[str, str | None]]:
    return [window_dict(WindowSet((window,))) for window in windows]
