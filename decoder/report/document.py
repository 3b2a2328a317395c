"""The report: one HTML file that holds everything of an assessment, for the screen, for paper and for a PDF.

Nothing in it is fetched from elsewhere: style, drawings and photographs stand in the file, and its own policy forbids
the rest. The same sheet, day and tables give the same bytes.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from enum import Enum
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from decoder import __version__
from decoder.crosscheck.agreement import Explanations
from decoder.crosscheck.assessment import Assessment, PartAssessment
from decoder.crosscheck.sheet import Instrument, State
from decoder.crosscheck.verdict import Verdict
from decoder.crosscheck.wording import counted, day_text, listed, windows_text
from decoder.report.examination import Examination
from decoder.report.marks import MARKS, OUTCOMES, glyph_alone, plain
from decoder.report.rowwords import readings_besides, remark_of, text_of
from decoder.report.timeline import timeline_in_pieces
from decoder.scheme.reading import Reading, union_of
from decoder.tables import Citation
from decoder.window import WindowSet

TEMPLATES: Final = Path(__file__).parent / "templates"
PARTS_A_DRAWING: Final = 8  # parts of a timeline that stay together on paper; these fit under the heading
READINGS_SHOWN: Final = 5  # lines of one part, in force; readings of one scheme share a line
OTHERS_SHOWN: Final = 3  # of one part, not in force
NOTED: Final = 3  # lines of one part whose notes are told
NOTES_SHOWN: Final = 6  # of one line
WAYS_SHOWN: Final = 5
PARTS_NAMED: Final = 6
LEAST_CHANCE: Final = 0.01
DIGEST: Final = 12  # hexadecimal digits, as of a table's revision
GRADES: Final = {
    "A": "the standard, office or maker itself",
    "B": "two independent secondary sources",
    "C": "one secondary source",
    "M": "from memory, unconfirmed",
    "P": "common practice of the trade, no source",
}


class Paper(Enum):
    """The sizes of paper, by their names in a style sheet."""

    A4 = "a4"
    LETTER = "letter"


@dataclass(frozen=True, slots=True)
class PartLine:
    """A row of the table of parts, in words."""

    id: str
    title: str
    about: str
    text: str
    is_code: bool
    readings: tuple[ReadingLine, ...]
    more_readings: int
    others: tuple[ReadingLine, ...]
    more_others: int
    almost: str
    verdict: Verdict
    remark: str
    reason: str
    allows: str


@dataclass(frozen=True, slots=True)
class ReadingLine:
    """One reading in words; `grades` are those of its sources, `notes` what the scheme says besides."""

    windows: str
    title: str
    grades: str
    notes: tuple[str, ...]
    scheme: str


@dataclass(frozen=True, slots=True)
class SourceLine:
    """A source with its grade, and what in this report rests on it."""

    grade: str
    title: str
    used: str


def report_html(
    assessment: Assessment,
    instrument: Instrument,
    examination: Examination,
    *,
    paper: Paper = Paper.A4,
) -> str:
    """The report on one instrument as one file of HTML."""
    style = style_of(paper)
    name = name_of(instrument)
    parts = [_part_line(part) for part in assessment.parts]
    word, verdict = OUTCOMES[assessment.outcome]
    return (
        _environment()
        .get_template("report.html")
        .render(
            assessment=assessment,
            instrument=instrument,
            examination=examination,
            name=name,
            policy=policy_of(style),
            style=Markup(style),
            outcome=word,
            outcome_verdict=verdict,
            drawings=[Markup(piece) for piece in timeline_in_pieces(assessment, PARTS_A_DRAWING, name=name)],
            parts=parts,
            noted=[line for line in parts if any(reading.notes for reading in line.readings[:NOTED])],
            noted_most=NOTED,
            not_examined=_not_examined(assessment.parts),
            ways=[
                ("For the claim to hold", _ways(assessment.claim_explanations)),
                ("Whatever the claim", _ways(assessment.explanations)),
            ],
            estimate=_estimate_lines(assessment),
            sources=_sources(assessment),
            grades=GRADES,
            digest=digest_of(assessment),
            version=__version__,
        )
        + "\n"
    )


def name_of(instrument: Instrument) -> str:
    """What an instrument is called in a heading: its maker and model, as far as they are given."""
    return plain(" ".join(text for text in (instrument.maker, instrument.model) if text))


def digest_of(assessment: Assessment) -> str:
    """The first digits of the SHA-256 of the assessment as JSON: whoever checks the sheet again can compare them."""
    text = json.dumps(assessment.as_dict(), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:DIGEST]


@cache
def style_of(paper: Paper) -> str:
    """The style sheet for a size of paper."""
    text = (TEMPLATES / "report.css").read_text(encoding="utf-8")
    return f"@page {{ size: {paper.value}; }}\n{text}"


def policy_of(style: str) -> str:
    """The content security policy of a report: its own style and the photographs that stand in it, and nothing else."""
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    return (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; form-action 'none'"
    )


@cache
def _environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
        finalize=lambda value: plain(value) if type(value) is str else value,
    )
    made.filters["day"] = lambda day: day_text(day.toordinal() if isinstance(day, date) else day)
    made.filters["windows"] = windows_text
    made.filters["named"] = lambda ids: listed(ids)
    made.filters["chance"] = chance_text
    made.globals["glyph"] = lambda verdict: Markup(glyph_alone(verdict))
    made.globals["mark"] = MARKS.__getitem__
    return made


def chance_text(chance: float) -> str:
    """A chance in per cent; neither nothing nor certainty is claimed by rounding.

    >>> chance_text(0.0004), chance_text(0.123), chance_text(0.9999)
    ('under 1 %', '12 %', 'over 99 %')
    """
    if chance < LEAST_CHANCE:
        return "under 1 %"
    return "over 99 %" if chance > 1 - LEAST_CHANCE else f"{100 * chance:.0f} %"


# ---------------------------------------------------------------------------------------------------------------
# The parts


def _part_line(part: PartAssessment) -> PartLine:
    evidence = part.evidence
    one = evidence.part
    readings = _reading_lines([weighed.reading for weighed in evidence.weighed])
    others = _reading_lines(readings_besides(evidence))
    misses = evidence.decoding.near_misses if evidence.decoding is not None else ()
    about = [one.position or "", f"group {one.group}" if one.group else ""]
    about += [f"patent {one.patent}"] if one.patent else []
    return PartLine(
        one.id,
        evidence.title,
        "; ".join(text for text in about if text),
        text_of(part),
        one.marking is not None,
        readings[:READINGS_SHOWN],
        max(0, len(readings) - READINGS_SHOWN),
        others[:OTHERS_SHOWN],
        max(0, len(others) - OTHERS_SHOWN),
        misses[0].problem if misses and not readings else "",
        evidence.verdict,
        remark_of(evidence),
        part.reason,
        windows_text(evidence.allowed) if evidence.takes_part and evidence.allowed else "",
    )


def _reading_lines(readings: Sequence[Reading]) -> tuple[ReadingLine, ...]:
    """Readings in lines: neighbours of one scheme, which differ in their windows and notes, share one."""

    def likeness(reading: Reading) -> tuple[Any, ...]:
        return reading.scheme, reading.title, reading.maker, reading.never, reading.sources, reading.revision

    return tuple(_reading_line(list(same)) for _, same in groupby(readings, key=likeness))


def _reading_line(readings: Sequence[Reading]) -> ReadingLine:
    first = readings[0]
    title = first.title
    if first.maker and not title.startswith(first.maker):
        title = f"{first.maker}: {title}"
    days = "at no date" if first.never else windows_text(union_of([one.window for one in readings]))
    granted = union_of([WindowSet((one.granted,)) for one in readings if one.granted is not None])
    notes = [f"granted {windows_text(granted)}"] if granted else []
    notes += dict.fromkeys(note for one in readings for note in one.notes)
    more = len(notes) - NOTES_SHOWN
    shown = (*notes[:NOTES_SHOWN], *([f"and {more} more notes, in the answer as JSON"] if more > 0 else []))
    grades = " ".join(sorted({source.grade for source in first.sources}))
    return ReadingLine(days, title, grades, shown, f"{first.scheme}, revision {first.revision}")


def _not_examined(parts: Iterable[PartAssessment]) -> list[tuple[str, list[str]]]:
    """The parts on which nothing was read, by why that is."""
    found: dict[str, list[str]] = {
        "Not looked at": [],
        "A mark is there, but can’t be read": [],
        "The place for a mark is blank": [],
        "Looked at, but no scheme reads what is there": [],
    }
    kinds = dict(zip((State.NOT_LOOKED, State.ILLEGIBLE, State.NO_MARK, State.READ), found, strict=True))
    for part in parts:
        if part.evidence.verdict is Verdict.UNREAD:
            found[kinds[part.evidence.part.state]].append(part.evidence.part.id)
    return [(why, ids) for why, ids in found.items() if ids]


# ---------------------------------------------------------------------------------------------------------------
# All parts together


def _ways(found: Explanations) -> list[str]:
    """The explanations in sentences; none where nothing has to be set aside."""
    if not found.shown or not found.shown[0].set_aside:
        return []
    said = []
    for way in found.shown[:WAYS_SHOWN]:
        chance = f" (chance {chance_text(way.probability)})" if way.probability is not None else ""
        aside = f"{listed(way.set_aside)}{chance}"
        if not way.agreeing:
            said.append(f"No part can stay: set {aside} aside.")
        elif len(way.agreeing) == 1:
            said.append(f"Set {aside} aside; then {way.agreeing[0]} remains, on {windows_text(way.windows)}.")
        else:
            said.append(
                f"Set {aside} aside; then the other {len(way.agreeing)} agree on {windows_text(way.windows)}."
            )
    if found.total > WAYS_SHOWN:
        said.append(f"And {counted(found.total - WAYS_SHOWN, 'more way')}, in the answer as JSON.")
    return said


def _estimate_lines(assessment: Assessment) -> list[tuple[str, str]]:
    estimate = assessment.estimate
    if estimate is None:
        return []
    made = [
        ("Even chance", windows_text(estimate.interval_50)),
        ("Nine in ten", windows_text(estimate.interval_90)),
    ]
    if estimate.claim_probability is not None:
        made.append(("The claimed period", chance_text(estimate.claim_probability)))
    ordered = sorted(estimate.replaced.items(), key=lambda pair: (-pair[1], pair[0]))
    likely = [f"{name} {chance_text(chance)}" for name, chance in ordered if chance >= LEAST_CHANCE]
    rest = len(ordered) - len(likely)
    if rest:
        likely.append(f"{'the other ' if likely else 'each of '}{rest} under 1 %")
    return [*made, ("Replaced", ", ".join(likely) or "no part")]


def _sources(assessment: Assessment) -> list[SourceLine]:
    """Every source that this report rests on, once for each grade, with what rests on it; best grades first."""
    used: dict[tuple[str, str], dict[str, None]] = {}
    for citation, what in _cited(assessment):
        used.setdefault((citation.grade, citation.title), {})[what] = None
    order = list(GRADES)
    ranked = sorted(
        used.items(),
        key=lambda item: (order.index(item[0][0]) if item[0][0] in order else len(order), item[0][1]),
    )
    return [SourceLine(grade, title, _named(list(what))) for (grade, title), what in ranked]


def _cited(assessment: Assessment) -> Iterator[tuple[Citation, str]]:
    for part in assessment.parts:
        evidence = part.evidence
        readings: Sequence[Reading] = [one.reading for one in evidence.weighed]
        for reading in [*readings, *readings_besides(evidence)[:OTHERS_SHOWN]]:
            for citation in reading.sources:
                yield citation, evidence.part.id
    for trap in assessment.traps:
        for citation in trap.sources:
            yield citation, f"warning: {trap.title}"
    for evidence in [part.evidence for part in assessment.parts if part.evidence.weighed]:
        for citation in evidence.lag.sources:
            yield citation, f"time in stock of {evidence.title.lower()}"


def _named(names: list[str]) -> str:
    shown = names[:PARTS_NAMED]
    if len(names) > PARTS_NAMED:
        shown.append(f"{len(names) - PARTS_NAMED} more")
    return listed(shown)


__all__ = [
    "Paper", "chance_text", "digest_of", "name_of", "policy_of", "report_html", "style_of",
]  # fmt: skip
