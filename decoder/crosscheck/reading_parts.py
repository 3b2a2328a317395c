"""Reads the parts of a sheet: a marking through the catalogue, a feature through the family that reads features."""

from __future__ import annotations

from datetime import date

from decoder import catalog
from decoder.crosscheck.sheet import Instrument, Part
from decoder.marking import Marking
from decoder.scheme.family import Context
from decoder.scheme.reading import Decoding, NearMiss, Reading
from decoder.tables import Tables


def decode_part(part: Part, instrument: Instrument, tables: Tables, today: date | None) -> Decoding | None:
    """What a part's marking or feature says; None for a part that carries neither."""
    if part.marking is not None:
        return catalog.decode(
            part.marking,
            part=part.kind,
            maker=instrument.maker,
            claim=instrument.claim,
            country=instrument.country,
            patent=part.patent,
            today=today,
            tables=tables,
        )
    if part.feature is None or part.value is None:
        return None
    context = Context(
        tables,
        part.kind,
        instrument.maker,
        instrument.claim,
        instrument.country,
        part.patent,
        today,
        instrument.model,
    )
    shown = " ".join(text for text in (part.feature, part.value, part.unit) if text)
    readings = _feature_readings(part, part.feature, part.value, context)
    misses = () if readings else _feature_misses(part, part.feature, part.value, context)
    return Decoding(_as_marking(shown), readings, misses)


def _feature_readings(part: Part, feature: str, value: str, context: Context) -> tuple[Reading, ...]:
    """The readings of every family that has `read_feature`, strongest first."""
    found: list[Reading] = []
    for family in catalog.families():
        read = getattr(family, "read_feature", None)
        if read is not None:
            found += read(feature, value, part.unit, part.uncertainty, context)
    return tuple(sorted(dict.fromkeys(found), key=lambda reading: (-reading.strength, reading.scheme)))


def _feature_misses(part: Part, feature: str, value: str, context: Context) -> tuple[NearMiss, ...]:
    """What is known instead, of every family that says so."""
    found: list[NearMiss] = []
    for family in catalog.families():
        misses = getattr(family, "feature_misses", None)
        if misses is not None:
            found += misses(feature, value, part.unit, part.uncertainty, context)
    return tuple(found)


def _as_marking(text: str) -> Marking:
    """A feature's own words in the place of a marking: text to show, with no cells to read."""
    return Marking.blank(text)
