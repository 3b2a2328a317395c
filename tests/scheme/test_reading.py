"""Readings and decodings: which readings count, what they rest on, and their one shape in JSON."""

import json
import pickle
from datetime import date

import pytest

from decoder.marking import Marking
from decoder.scheme.reading import (
    Decoding,
    FieldValue,
    NearMiss,
    Precision,
    Reading,
    Strength,
    Timing,
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


WHOLE = {
    "scheme": "made",
    "title": "Made",
    "family": "bench",
    "strength": Strength.STRONG,
    "window": WindowSet.of(Window.year(1966)),
    "precision": Precision.YEAR,
    "fields": (FieldValue("year", "66", "1966", (0, 2)),),
    "notes": ("a note",),
    "sources": (Citation("s", "S", "C"),),
    "revision": "abc",
    "granted": Window.year(1965),
    "timing": Timing.ERA,
    "maker": "Harrow & Vale",
    "documented": True,
    "before": 1,
    "after": 2,
    "never": False,
    "unsure": False,
    "rank": 3,
}
OTHERWISE = {
    "scheme": "other",
    "title": "Other",
    "family": "shed",
    "strength": Strength.FAIR,
    "window": WindowSet.of(Window.year(1967)),
    "precision": Precision.MONTH,
    "fields": (),
    "notes": ("a note", "another"),
    "sources": (),
    "revision": "abd",
    "granted": None,
    "timing": Timing.PART,
    "maker": None,
    "documented": False,
    "before": 0,
    "after": 3,
    "never": True,
    "unsure": True,
    "rank": 4,
}


@pytest.mark.parametrize("name", WHOLE)
def test_readings_that_differ_in_anything_are_not_the_same(name):
    one, same = Reading(**WHOLE), Reading(**WHOLE)
    other = one.changed(**{name: OTHERWISE[name]})
    assert one == same and hash(one) == hash(same) and one is not same
    assert getattr(one, name) == WHOLE[name]
    assert one != other and getattr(other, name) == OTHERWISE[name]
    assert {key: getattr(other, key) for key in WHOLE if key != name} == {
        key: value for key, value in WHOLE.items() if key != name
    }
    assert one != "made"


def test_readings_and_decodings_travel_between_processes():
    one = Reading(**WHOLE)
    assert pickle.loads(pickle.dumps(one)) == one
    near = NearMiss("made", "week 60", (0, 2), ("50",))
    found = Decoding(Marking.read("66"), (one,), (near,), (("c", "take care"),), ("a note",))
    again = pickle.loads(pickle.dumps(found))
    assert again == found and again.as_dict() == found.as_dict()
    assert repr(again) == repr(found) and "week 60" in repr(found)


def test_decodings_that_differ_in_anything_are_not_the_same():
    parts = (Marking.read("66"), (Reading(**WHOLE),), (NearMiss("made", "week 60", (0, 2)),), (), ("a note",))
    others = (Marking.read("67"), (), (), (("c", "take care"),), ())
    found = Decoding(*parts)
    assert found == Decoding(*parts) and found != "66"
    for place, other in enumerate(others):
        assert found != Decoding(*parts[:place], other, *parts[place + 1 :])


def test_near_misses_are_worked_out_once_and_only_when_asked_for():
    asked = []

    def misses():
        asked.append(1)
        return (NearMiss("made", "week 60", (0, 2)),)

    found = Decoding(Marking.read("66"), (), misses)
    assert asked == []
    assert found.status == "near-miss" and len(found.near_misses) == 1 and found.as_dict()["near_misses"]
    assert asked == [1]
    read = Decoding(Marking.read("66"), (Reading(**WHOLE),), misses)
    assert read.status == "read" and read.windows and asked == [1]


def test_a_set_of_windows_shows_its_first_and_last_day_and_the_exact_days():
    both = WindowSet.of(Window.year(1956), Window.month(1966, 3))
    assert window_dict(both) == {
        "earliest": "1956-01-01",
        "latest": "1966-03-31",
        "edtf": "[1956-01-01..1956-12-31,1966-03-01..1966-03-31]",
    }
    assert window_dict(WindowSet.of(Window.between(date(1966, 3, 1), None)))["latest"] is None


@pytest.mark.parametrize(("strength", "word"), [(1, "weak"), (2, "fair"), (3, "strong")])
def test_strength_has_a_word_and_an_order(strength, word):
    assert Strength(strength).word == word
    assert reading(strength=Strength(strength)).as_dict()["strength"] == word
