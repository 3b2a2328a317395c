"""The shape of what is answered, as marshmallow schemas: they document the answers and never make them.

The tests hold real answers against them. Fields may be added to an answer at any time; none is renamed or removed
within /v1.
"""

from __future__ import annotations

from typing import Any, Final

from marshmallow import Schema, fields, validate

from decoder.casebook.record import PhotoSchema, TrustedSchema
from decoder.crosscheck.assessment import Outcome
from decoder.crosscheck.sheet import Flag, SheetSchema, State
from decoder.crosscheck.verdict import Verdict
from decoder.scheme.reading import Precision, Strength

STATUSES: Final = ("read", "near-miss", "unread")


def _said(said: str, **more: Any) -> dict[str, Any]:
    """The options of a field that is always there, with what it says."""
    return {"required": True, "metadata": {"description": said}, **more}


def _may(said: str, **more: Any) -> dict[str, Any]:
    """The options of a field that is there only where it says something."""
    return {"metadata": {"description": said}, **more}


def _texts(said: str) -> fields.List[str]:
    return fields.List(fields.String(), **_said(said))


class WindowAnswer(Schema):
    """Days from earliest to latest, both inclusive; null at an end that is open."""

    earliest = fields.Date(**_said("The first day; null when open.", allow_none=True))
    latest = fields.Date(**_said("The last day; null when open.", allow_none=True))
    edtf = fields.String(
        **_said(
            "The same days in EDTF: A/B, A/.., ../B, a set as [A..B,C..D]; null for none.", allow_none=True
        )
    )


class FieldAnswer(Schema):
    """One field of a reading."""

    name = fields.String(**_said("What the field is, such as source, year2 or week."))
    text = fields.String(**_said("Its characters as sent."))
    value = fields.String(**_said("What they mean."))
    at = fields.List(
        fields.Integer(),
        **_said("Its place in the text as sent: 0-based, half open.", validate=validate.Length(equal=2)),
    )


class SourceAnswer(Schema):
    """A publication that a reading rests on."""

    id = fields.String(**_said("Its id in the tables."))
    title = fields.String(**_said("Its title."))
    grade = fields.String(**_said("A, B, C, M, P, or own observation (n=...)."))


class ReadingAnswer(Schema):
    """One scheme's interpretation of one marking. Readings that stand side by side are rivals."""

    scheme = fields.String(**_said("The id of the scheme."))
    title = fields.String(**_said("The scheme in words."))
    strength = fields.String(
        **_said("Only the strongest count.", validate=validate.OneOf([s.word for s in Strength]))
    )
    window = fields.Nested(WindowAnswer, **_said("The days that the mark can mean."))
    precision = fields.String(
        **_said("The unit in which it was written.", validate=validate.OneOf([p.value for p in Precision]))
    )
    fields_ = fields.List(
        fields.Nested(FieldAnswer), data_key="fields", **_said("The fields, in the order of the scheme.")
    )
    notes = _texts("What to know of this reading.")
    revision = fields.String(**_said("The revision of the tables that it rests on."))
    sources = fields.List(fields.Nested(SourceAnswer), **_said("What it rests on."))
    granted = fields.Nested(WindowAnswer, **_may("When a patent of this number was granted."))
    maker = fields.String(**_may("The maker whose scheme it is."))


class NearMissAnswer(Schema):
    """A scheme that almost fitted."""

    scheme = fields.String(**_said("The id of the scheme."))
    problem = fields.String(**_said("What failed."))
    at = fields.List(
        fields.Integer(),
        **_said(
            "Where: 0-based, half open, in characters of the text as sent.", validate=validate.Length(equal=2)
        ),
    )
    try_ = fields.List(
        fields.String(), data_key="try", **_said("Markings one character away that would be read.")
    )


class CautionAnswer(Schema):
    """A danger to the person at the bench."""

    id = fields.String(**_said("Its id in the table parts/cautions."))
    text = fields.String(**_said("The caution."))


class DecodingAnswer(Schema):
    """Every reading of one marking, strongest first; or what almost fitted; or neither."""

    marking = fields.String(**_said("The text as sent."))
    status = fields.String(**_said("What came of it.", validate=validate.OneOf(STATUSES)))
    windows = fields.List(fields.Nested(WindowAnswer), **_said("The days that the strongest readings allow."))
    readings = fields.List(
        fields.Nested(ReadingAnswer), **_said("The readings; the claim ranks and hides none.")
    )
    near_misses = fields.List(fields.Nested(NearMissAnswer), **_said("Schemes that almost fitted."))
    cautions = fields.List(fields.Nested(CautionAnswer), **_said("Dangers of this kind of part."))
    notes = _texts("What to know of this decoding.")


class OverrideAnswer(Schema):
    """A technician's own reading."""

    window = fields.String(**_said("The days, in EDTF."))
    name = fields.String(**_said("Who says so."))
    reason = fields.String(**_said("Why."))


class PartAnswer(Schema):
    """One part and its verdict."""

    id = fields.String(**_said("The sheet's own name of the part."))
    verdict = fields.String(
        **_said("The verdict against the claim.", validate=validate.OneOf([v.value for v in Verdict]))
    )
    reason = fields.String(**_said("The verdict in words."))
    decoding = fields.Nested(
        DecodingAnswer, **_said("Its decoding; null where nothing was read.", allow_none=True)
    )
    part = fields.String(**_said("The kind of part."))
    title = fields.String(**_said("The kind of part in words."))
    state = fields.String(
        **_said("What became of looking for a mark.", validate=validate.OneOf([s.value for s in State]))
    )
    flags = fields.List(
        fields.String(validate=validate.OneOf([f.value for f in Flag])),
        **_said("What is known beside the mark."),
    )
    wear = fields.Boolean(**_said("Whether it is a wear part, which sets no outcome."))
    override = fields.Nested(OverrideAnswer, **_said("A technician's own reading.", allow_none=True))
    allowed = fields.List(
        fields.Nested(WindowAnswer), **_said("When an instrument with it can have been completed.")
    )


class ExplanationAnswer(Schema):
    """A largest set of parts that agree."""

    set_aside = _texts("The parts that have to be set aside.")
    agreeing = _texts("The parts that agree.")
    windows = fields.List(fields.Nested(WindowAnswer), **_said("The days on which they agree."))
    probability = fields.Float(**_may("How probable the explanation is, where there is an estimate."))


class FloorAnswer(Schema):
    """The newest part, and the first day on which an instrument that holds it can have been completed."""

    part = fields.String(**_said("The part."))
    earliest = fields.Date(**_said("The day."))


class SecondClaimAnswer(Schema):
    """The second claim of a sheet."""

    claim = fields.String(**_said("The claim in EDTF."))
    outcome = fields.String(
        **_said("Its outcome.", validate=validate.OneOf([outcome.value for outcome in Outcome]))
    )


class EstimateAnswer(Schema):
    """The probable build period; every assumption is said."""

    interval_50 = fields.List(
        fields.Nested(WindowAnswer), **_said("The densest set of half the probability.")
    )
    interval_90 = fields.List(fields.Nested(WindowAnswer), **_said("The densest set of 90%."))
    claim_probability = fields.Float(
        **_said("The probability of the claim; null without one.", allow_none=True)
    )
    replaced = fields.Dict(
        keys=fields.String(), values=fields.Float(), **_said("Each part's probability of replacement.")
    )
    evidence = fields.Dict(
        keys=fields.String(),
        values=fields.Float(),
        **_said("Each part's evidence for the claim, a log ratio."),
    )


class GroupAnswer(Schema):
    """Parts that belong together."""

    group = fields.String(**_said("The name of the group."))
    parts = _texts("Its parts.")
    odd = _texts("Those that stand apart.")
    reason = fields.String(**_said("Why, in words."))


class AdviceAnswer(Schema):
    """A part to look at next."""

    part = fields.String(**_said("The part, or its kind."))
    why = fields.String(**_said("What it would settle."))
    how = fields.String(**_said("How to look."))
    gain_bits = fields.Float(**_said("How many bits of doubt it removes on average."))
    caution = fields.String(**_said("A danger in looking; null for none.", allow_none=True))


class AssessmentAnswer(Schema):
    """What all parts of an instrument say of its claim. It says agrees, contradicted or undecided, and nothing else."""

    outcome = fields.String(
        **_said("The outcome.", validate=validate.OneOf([outcome.value for outcome in Outcome]))
    )
    claim = fields.String(**_said("The claim in EDTF.", allow_none=True))
    today = fields.Date(**_said("The day of the check.", allow_none=True))
    parts = fields.List(fields.Nested(PartAnswer), **_said("The parts, in the order of the sheet."))
    joint_windows = fields.List(
        fields.Nested(WindowAnswer), **_said("When all parts agree, with the longest lags; empty when never.")
    )
    joint_windows_usual = fields.List(
        fields.Nested(WindowAnswer), **_said("When all parts agree, with the usual lags.")
    )
    explanations = fields.List(
        fields.Nested(ExplanationAnswer), **_said("The largest sets of parts that agree, whatever the claim.")
    )
    claim_explanations = fields.List(
        fields.Nested(ExplanationAnswer), **_said("The largest sets that agree inside the claim.")
    )
    floor = fields.Nested(FloorAnswer, **_said("The newest part.", allow_none=True))
    second_claim = fields.Nested(SecondClaimAnswer, **_said("The second claim.", allow_none=True))
    estimate = fields.Nested(EstimateAnswer, **_said("The probable build period.", allow_none=True))
    groups = fields.List(fields.Nested(GroupAnswer), **_said("Parts that belong together."))
    advice = fields.List(fields.Nested(AdviceAnswer), **_said("What to look at next."))
    warnings = _texts("What to beware of in this assessment.")
    narrative = _texts("The assessment in sentences.")
    cautions = fields.List(fields.Nested(CautionAnswer), **_said("Dangers of these parts."))
    tables = fields.Dict(
        keys=fields.String(), values=fields.String(), **_said("The revisions of the tables that it rests on.")
    )


class StoredAnswer(Schema):
    """One version of a sheet as it is kept."""

    id = fields.String(**_said("The id of the sheet."))
    version = fields.Integer(**_said("Its version, from 1 on."))
    etag = fields.String(**_said("What names exactly this version; the ETag without its quotation marks."))
    saved_at = fields.String(**_said("When it was saved, in UTC."))
    saved_by = fields.String(**_said("Who saved it: the name of the token."))
    sheet = fields.Nested(SheetSchema, **_said("The sheet."))
    trusted = fields.Nested(TrustedSchema, **_may("A date that is known from elsewhere."))
    photos = fields.List(fields.Nested(PhotoSchema), **_may("Its photos."))
    remarks = fields.String(**_may("Remarks of the shop."))
    assessment = fields.Nested(
        AssessmentAnswer, **_may("The newest assessment, where it is one of this version.")
    )


class SummaryAnswer(Schema):
    """A sheet as a list shows it."""

    id = fields.String(**_said("The id of the sheet."))
    version = fields.Integer(**_said("Its newest version."))
    etag = fields.String(**_said("The ETag of that version."))
    maker = fields.String(**_said("The maker.", allow_none=True))
    model = fields.String(**_said("The model.", allow_none=True))
    claim = fields.String(**_said("The claim.", allow_none=True))
    trusted = fields.String(**_said("The date that is known from elsewhere.", allow_none=True))
    outcome = fields.String(
        **_said("The newest outcome.", validate=validate.OneOf([outcome.value for outcome in Outcome]))
    )
    saved_at = fields.String(**_said("When it was saved, in UTC."))
    saved_by = fields.String(**_said("Who saved it."))


class SheetsAnswer(Schema):
    """Sheets, newest first."""

    sheets = fields.List(fields.Nested(SummaryAnswer), **_said("The sheets of this page."))
    after = fields.String(
        **_said("The id after which the next page begins; null at the end.", allow_none=True)
    )


class EntryAnswer(Schema):
    """One thing that was done to a sheet. Each entry is hashed onto the one before it."""

    seq = fields.Integer(**_said("Its number in the history of the whole casebook."))
    at = fields.String(**_said("When, in UTC."))
    who = fields.String(**_said("Who did it."))
    what = fields.String(**_said("What was done: saved, restored, imported, assessed, rechecked."))
    sheet_id = fields.String(**_said("The sheet.", allow_none=True))
    version = fields.Integer(**_said("The version that it concerns.", allow_none=True))
    digest = fields.String(**_said("The SHA-256 of what was kept."))
    detail = fields.String(**_said("What else there is to say; may be empty."))
    hash = fields.String(**_said("The SHA-256 of the entry together with the hash of the one before it."))


class HistoryAnswer(Schema):
    """What was done to a sheet."""

    history = fields.List(fields.Nested(EntryAnswer), **_said("Its entries, oldest first."))


class KeptAnswer(Schema):
    """An assessment as it is kept: why and when it was made, and what it rests on."""

    sheet = fields.String(**_said("The id of the sheet."))
    seq = fields.Integer(**_said("Its number among the assessments of the sheet."))
    version = fields.Integer(**_said("The version that was assessed."))
    made_at = fields.String(**_said("When, in UTC."))
    reason = fields.String(**_said("Why: saved, restored, imported, rechecked."))
    outcome = fields.String(
        **_said("The outcome.", validate=validate.OneOf([outcome.value for outcome in Outcome]))
    )
    today = fields.String(**_said("The day up to which parts may have been made.", allow_none=True))
    verdicts = fields.Dict(keys=fields.String(), values=fields.String(), **_said("The verdict of each part."))
    tables = fields.Dict(
        keys=fields.String(), values=fields.String(), **_said("The revisions of its tables.")
    )
    facts = fields.String(**_said("A digest of all tables that were in force."))
    assessment = fields.Nested(AssessmentAnswer, **_may("All of it, where it was asked for."))


class AssessmentsAnswer(Schema):
    """The assessments of a sheet."""

    assessments = fields.List(fields.Nested(KeptAnswer), **_said("All of them, oldest first."))


class PhotoAnswer(Schema):
    """The name of a photo."""

    sha256 = fields.String(**_said("The SHA-256 of its bytes, by which records name it."))


class FaultAnswer(Schema):
    """One thing that is wrong with a request."""

    pointer = fields.String(**_said("The JSON pointer of the value; the name of a parameter, as /limit."))
    message = fields.String(**_said("What is wrong, and what to try."))
    at = fields.List(
        fields.Integer(),
        **_may("Where in the text: 0-based, half open.", validate=validate.Length(equal=2)),
    )


class ProblemAnswer(Schema):
    """A refusal or failure, as RFC 9457 has it."""

    type = fields.String(**_said("What kind of problem; the address explains it."))
    title = fields.String(**_said("The kind of problem in words."))
    status = fields.Integer(**_said("The status of the answer."))
    detail = fields.String(**_said("What is wrong this time."))
    errors = fields.List(fields.Nested(FaultAnswer), **_may("Every single fault."))
    current = fields.Nested(
        StoredAnswer, **_may("After a conflict: the version that stands in the casebook now.")
    )
    yours = fields.Dict(keys=fields.String(), **_may("After a conflict: the record that was not saved."))


_OWN_ID: Final[dict[str, Any]] = {
    "metadata": {
        "description": "The caller's own id, where it gave one.",
        "oneOf": [{"type": "string"}, {"type": "integer"}],
    }
}


class BatchItemAnswer(Schema):
    """The answer to one item: a decoding, or the problem for which there is none."""

    index = fields.Integer(**_said("The place of the item, from 0."))
    id = fields.Raw(**_OWN_ID)
    decoding = fields.Nested(DecodingAnswer, **_may("The decoding."))
    problem = fields.Nested(ProblemAnswer, **_may("The problem."))


class BatchAnswer(Schema):
    """The answers to a batch."""

    items = fields.List(fields.Nested(BatchItemAnswer), **_said("One answer for each item, in their order."))


class DecodeLineAnswer(Schema):
    """The answer to one line of a stream of markings."""

    line = fields.Integer(**_may("The number of the line, from 1."))
    id = fields.Raw(**_OWN_ID)
    decoding = fields.Nested(DecodingAnswer, **_may("The decoding."))
    problem = fields.Nested(ProblemAnswer, **_may("The problem."))
    from_line = fields.Integer(
        **_may("On the last line of a stream that ended early: the first line not answered.")
    )


class CheckLineAnswer(Schema):
    """The answer to one line of a stream of sheets."""

    line = fields.Integer(**_may("The number of the line, from 1."))
    id = fields.Raw(**_OWN_ID)
    assessment = fields.Nested(AssessmentAnswer, **_may("The assessment."))
    problem = fields.Nested(ProblemAnswer, **_may("The problem."))
    from_line = fields.Integer(
        **_may("On the last line of a stream that ended early: the first line not answered.")
    )


class SchemeAnswer(Schema):
    """One documented way of writing a date into a marking."""

    id = fields.String(**_said("The id that readings name."))
    title = fields.String(**_said("The scheme in words."))
    family = fields.String(**_said("The family that reads it."))
    kinds = _texts("The kinds of part that may carry it.")
    maker = fields.String(**_said("The one maker whose scheme it is.", allow_none=True))
    years = fields.String(**_said("The documented years of use, in EDTF.", allow_none=True))
    grade = fields.String(**_said("The grade of the scheme."))
    notes = _texts("What to know of it.")
    examples = _texts("Published markings.")
    sources = fields.List(fields.Nested(SourceAnswer), **_said("What it rests on."))
    revision = fields.String(**_said("The revision of its description."))


class FamilyAnswer(Schema):
    """One family of decoders."""

    id = fields.String(**_said("Its name."))
    kinds = _texts("The kinds of part that it reads.")


class SchemesAnswer(Schema):
    """The schemes asked for."""

    schemes = fields.List(fields.Nested(SchemeAnswer), **_said("The schemes of this page."))
    total = fields.Integer(**_said("How many there are on all pages."))
    families = fields.List(
        fields.Nested(FamilyAnswer), **_said("All families, with those whose rules are no table.")
    )


class KindAnswer(Schema):
    """One kind of part."""

    id = fields.String(**_said("The id of the kind."))
    title = fields.String(**_said("The kind in words."))
    aliases = _texts("Names of the trade that mean it too.")
    text_limit = fields.Integer(**_said("How many characters its marking may have."))
    how_to_look = fields.String(**_said("How to look for its mark.", allow_none=True))


class PartsAnswer(Schema):
    """The kinds of part."""

    parts = fields.List(fields.Nested(KindAnswer), **_said("The kinds of this page, from head to tail."))
    total = fields.Integer(**_said("How many there are on all pages."))


class TableHeadAnswer(Schema):
    """A table without its rows."""

    id = fields.String(**_said("Its name: package/table."))
    title = fields.String(**_said("What it holds."))
    description = fields.String(**_said("What it holds, at length."))
    revision = fields.String(**_said("The revision of its bytes."))
    rows = fields.Integer(**_said("How many rows it has."))
    grades = fields.Dict(
        keys=fields.String(), values=fields.Integer(), **_said("How many rows of each grade.")
    )


class TablesAnswer(Schema):
    """The tables."""

    tables = fields.List(fields.Nested(TableHeadAnswer), **_said("The tables of this page."))
    total = fields.Integer(**_said("How many there are on all pages."))


class PublicationAnswer(Schema):
    """A publication that rows of a table rest on."""

    id = fields.String(**_said("The id that rows name."))
    title = fields.String(**_said("Its title."))
    address = fields.String(**_said("Where it was seen; may be empty."))


class TableAnswer(Schema):
    """One table with its rows."""

    id = fields.String(**_said("Its name: package/table."))
    title = fields.String(**_said("What it holds."))
    description = fields.String(**_said("What it holds, at length."))
    revision = fields.String(**_said("The revision of its bytes."))
    columns = _texts("Its columns, in their order.")
    rows = fields.List(
        fields.Dict(keys=fields.String()), **_said("The rows of this page, each with source and grade.")
    )
    sources = fields.List(
        fields.Nested(PublicationAnswer), **_said("The publications that these rows rest on.")
    )
    total = fields.Integer(**_said("How many rows there are on all pages."))


class HealthAnswer(Schema):
    """That the server answers."""

    status = fields.String(**_said("ok.", validate=validate.Equal("ok")))
    version = fields.String(**_said("The version of the program."))
    tables = fields.String(**_said("A digest of all tables."))


class ReadyAnswer(Schema):
    """That the server takes requests."""

    status = fields.String(**_said("ready.", validate=validate.Equal("ready")))
