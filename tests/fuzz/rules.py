"""What must hold of every answer, whatever was asked. Each rule gives the faults that it finds, in words."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Final

from decoder.catalog import NEAR_MISSES_SHOWN
from decoder.crosscheck.sheet import SheetError
from decoder.marking import MarkingError
from decoder.scheme.reading import Decoding
from decoder.tables import TableError
from decoder.window import SET_LIMIT, Claim, EdtfError, parse_edtf

READINGS: Final = 200
DECODING_BYTES: Final = 1_000_000
ASSESSMENT_BYTES: Final = 10_000_000


def decoding_faults(text: str, found: Decoding) -> Iterator[str]:
    """Counts, places and windows: what is cheap enough to look at in every answer."""
    readings, misses = found.readings, found.near_misses
    if len(readings) > READINGS:
        yield f"{len(readings)} readings"
    if len(misses) > NEAR_MISSES_SHOWN:
        yield f"{len(misses)} near misses"
    for miss in misses:
        if not 0 <= miss.at[0] <= miss.at[1] <= len(text):
            yield f"a near miss of {miss.scheme} at {miss.at}, outside the text"
    for reading in readings:
        if not reading.window:
            yield f"an empty window of {reading.about.scheme}"


def answer_faults(text: str, found: Decoding) -> Iterator[str]:
    """The answer as JSON: its places, and its size. Puts every reading into words."""
    made = found.as_dict()
    for reading in made["readings"]:
        for field in reading["fields"]:
            first, last = field["at"]
            if not 0 <= first <= last <= len(text):
                yield f"field {field['name']} of {reading['scheme']} at {field['at']}, outside the text"
        if reading["window"]["edtf"] is None:
            yield f"an empty window of {reading['scheme']}"
    yield from json_faults(made, DECODING_BYTES)


def json_faults(made: Any, most: int) -> Iterator[str]:
    try:
        size = len(json.dumps(made, allow_nan=False))
    except (TypeError, ValueError) as error:
        yield f"no JSON: {error}"
        return
    if size > most:
        yield f"an answer of {size:,} bytes"


def error_faults(text: str, error: Exception) -> Iterator[str]:
    """A refusal is in words that can be written anywhere, and its place is in the text."""
    said = str(error)
    try:
        said.encode()
    except UnicodeEncodeError:
        yield f"a message that can't be written: {type(error).__name__}"
    if not said.strip():
        yield f"an empty message: {type(error).__name__}"
    if isinstance(error, MarkingError | EdtfError) and not 0 <= error.at <= len(text):
        yield f"{type(error).__name__} at {error.at}, outside the text"
    if isinstance(error, SheetError | TableError) and not error.problems:
        yield f"{type(error).__name__} without a problem"


def claim_faults(claim: Claim) -> Iterator[str]:
    """A date that was read has days, and reads back as the same days from what is written of it."""
    if not claim.windows:
        yield "a claim without a day"
        return
    written = claim.windows.edtf()
    if written is not None and len(written) <= SET_LIMIT and parse_edtf(written).windows != claim.windows:
        yield f"{written} reads back as other days"
