"""What a row of the timeline, or of the table in a report, says of a part: what it reads, allows, and bears besides."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from decoder.crosscheck.assessment import Assessment, PartAssessment
from decoder.crosscheck.sheet import Flag, State
from decoder.crosscheck.verdict import Evidence
from decoder.crosscheck.wording import windows_text
from decoder.report.marks import MARKS, plain
from decoder.scheme.reading import Reading, union_of
from decoder.window import WindowSet

STATES: Final = {
    State.READ: "",
    State.NOT_LOOKED: "not looked at",
    State.ILLEGIBLE: "mark can’t be read",
    State.NO_MARK: "place is blank",
}
FLAGS: Final = {
    Flag.DISCLOSED_REPLACEMENT: "disclosed as replaced",
    Flag.REFINISHED: "refinished",
    Flag.FACTORY_REPAIR: "factory repair",
    Flag.JOINT_DISTURBED: "joint disturbed",
}


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the timeline in words, for those who read the drawing as text."""

    part: str
    title: str
    verdict: str
    reads: str
    allows: str
    others: str
    remark: str


def rows(assessment: Assessment) -> tuple[Row, ...]:
    """The rows of the timeline in words, in the order of the sheet."""
    return tuple(row_of(part) for part in assessment.parts)


def row_of(part: PartAssessment) -> Row:
    """The row of one part in words."""
    evidence = part.evidence
    others = others_of(evidence)
    return Row(
        plain(evidence.part.id),
        evidence.title,
        MARKS[evidence.verdict].word,
        windows_text(evidence.windows) if evidence.windows else "",
        windows_text(evidence.allowed) if evidence.takes_part and evidence.allowed else "",
        windows_text(others) if others else "",
        remark_of(evidence),
    )


def others_of(evidence: Evidence) -> WindowSet:
    """The windows of the readings that are not in force."""
    return union_of([reading.window for reading in readings_besides(evidence)])


def readings_besides(evidence: Evidence) -> tuple[Reading, ...]:
    """The readings that are shown and count for nothing: weaker ones, or all where a technician has said what it is."""
    if evidence.decoding is None:
        return ()
    counted = {one.reading for one in evidence.weighed}
    return tuple(reading for reading in evidence.decoding.readings if reading not in counted)


def remark_of(evidence: Evidence) -> str:
    """What else bears on a verdict: a wear part, flags, a technician's reading."""
    said = ["wear part"] if evidence.wear else []
    said += [FLAGS[flag] for flag in Flag if flag in evidence.part.flags]
    if evidence.part.override is not None:
        said.append("technician’s reading")
    return ", ".join(said)


def text_of(part: PartAssessment) -> str:
    """What was read off a part, a feature by its value first; or why nothing was read."""
    one = part.evidence.part
    if one.marking is not None:
        return plain(one.marking)
    if one.feature is not None and one.value is not None:
        return plain(" ".join(text for text in (one.value, one.unit, one.feature) if text))
    return STATES[one.state]
