"""Readings and decodings: which readings count, what they rest on, and their one shape in JSON."""

import json

import pytest

from decoder.marking import Marking
from decoder.scheme.reading import (
    Decoding,
    FieldValue,
    NearMiss,
    Precision,
    Reading,
    Strength,
    union_of,
    window_dict,
)
from decoder.tables import Citation
from decoder.window import EMPTY, EVERY, Window, WindowSet


def reading(year=1966, strength=Strength.STRONG, **more):
    return Reading("made", "Made", "bench", strength, WindowSet.of(Window.year(year)), Precision.YEAR, **more)


def decoding(*readings, misses=()):
    return Decoding(Marking.read("66"), readings, misses)


@pytest.mark.parametrize(
    ("grades", "best"),
    [
        ("C", "C"),
        ("CB", "B"),
        ("PM", "P"),
        ("CP", "C"),
        ("MA", "A"),
        ("", "M"),
        (["own observation (n=2)", "M"], "M"),
    ],
)
def test_a_reading_has_the_best_grade_of_its_sources(grades, best):
    assert reading(sources=tuple(Citation("s", "S", grade) for grade in grades)).grade == best


def test_only_the_readings_of_the_greatest_strength_present_are_in_force():
    weak, fair, other = (
        reading(1946, Strength.WEAK),
        reading(1956, Strength.FAIR),
        reading(1958, Strength.FAIR),
    )
    found = decoding(weak, fair, other)
    assert found.in_force == (fair, other)
    assert found.windows == WindowSet.of(Window.year(1956), Window.year(1958))
    assert decoding(weak).in_force == (weak,)
    assert decoding().in_force == ()
    assert decoding().windows == EMPTY


def test_a_decoding_is_read_almost_read_or_unread():
    near = NearMiss("made", "week 60", (0, 2), ("50",))
    assert decoding(reading(), misses=(near,)).status == "read"
    assert decoding(misses=(near,)).status == "near-miss"
    assert decoding().status == "unread"


def test_a_decoding_in_json_has_the_agreed_shape():
    one = reading(
        fields=(FieldValue("year", "66", "1966", (0, 2)),),
        notes=("a note",),
        sources=(Citation("s", "S", "C"),),
        revision="abc",
        granted=Window.year(1965),
        maker="Harrow & Vale",
    )
    shown = json.loads(
        json.dumps(decoding(one, misses=(NearMiss("made", "week 60", (0, 2), ("50",)),)).as_dict())
    )
    assert set(shown) == {"marking", "status", "windows", "readings", "near_misses", "cautions", "notes"}
    assert shown["readings"] == [
        {
            "scheme": "made",
            "title": "Made",
            "strength": "strong",
            "window": {"earliest": "1966-01-01", "latest": "1966-12-31", "edtf": "1966-01-01/1966-12-31"},
            "precision": "year",
            "fields": [{"name": "year", "text": "66", "value": "1966", "at": [0, 2]}],
            "notes": ["a note"],
            "revision": "abc",
            "sources": [{"id": "s", "title": "S", "grade": "C"}],
            "granted": {"earliest": "1965-01-01", "latest": "1965-12-31", "edtf": "1965-01-01/1965-12-31"},
            "maker": "Harrow & Vale",
        }
    ]
    assert shown["near_misses"] == [{"scheme": "made", "problem": "week 60", "at": [0, 2], "try": ["50"]}]
    assert "granted" not in reading().as_dict() and "maker" not in reading().as_dict()


def test_an_open_end_is_null_and_no_window_at_all_is_nothing():
    assert window_dict(WindowSet.of(EVERY)) == {"earliest": None, "latest": None, "edtf": "../.."}
    assert window_dict(WindowSet.of(Window(None, Window.year(1966).latest)))["earliest"] is None
    assert window_dict(EMPTY) == {"earliest": None, "latest": None, "edtf": None}


def test_the_union_of_no_windows_is_empty():
    assert union_of([]) == EMPTY
    assert union_of(iter(())) == EMPTY
