"""A small run of every fuzzer, always the same, and proof that each rule notices when it is broken.

`python -m tests.fuzz` is the large one.
"""

from __future__ import annotations

import json
import os
import signal
from dataclasses import replace
from random import Random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from decoder.catalog import decode
from decoder.marking import Marking, MarkingError
from decoder.scheme.reading import Decoding, FieldValue, NearMiss, Precision, Reading, Strength
from decoder.window import ALL, EMPTY, Claim, EdtfError, parse_edtf
from tests.fuzz import harm, rules, running
from tests.fuzz.dates import Dates
from tests.fuzz.grammar import grammar
from tests.fuzz.markings import Asked, Cells, Markings
from tests.fuzz.packages import OTHER_SHOP, Packages
from tests.fuzz.sheets import CsvSheets, Sheets

SEED = "ordinary"


@pytest.mark.parametrize(
    ("make", "count"),
    [(Markings, 1_500), (Cells, 4_000), (Dates, 4_000), (Sheets, 150), (CsvSheets, 150), (Packages, 12)],
    ids=lambda value: getattr(value, "name", value),
)
def test_every_input_is_answered_by_the_rules_or_refused_in_words(make, count):
    found = running.run(make(), count, SEED)
    assert found.faults == []
    assert found.answers and found.refusals.total()
    assert found.answers + found.refusals.total() == found.inputs == count
    assert found.signatures > count / 50


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("616 555-0123", None),
        ("1990 2010", None),
        ("[8]I2/1574", None),
        ("645-45-1645-1645", None),
        ("081-555 0123", "transformer"),
        ("DESIGN REGISTERED1199901 46,S92", None),
        ("137-6660", "potentiometer"),
        ("B4,\n1AND日4,19", "decal"),
        ("昭和4\n5", "label"),
        ("1234567 " * 49, "pickup"),
    ],
)
def test_what_was_found_once_stays_mended(text, kind):
    """What near misses offer is read once it is done; label text of two lines and two scripts is read as any other."""
    assert running.faults_of(Markings(mends=True), Asked(text, kind)) == []


@pytest.mark.parametrize(
    "row", ["vale,year,A,1961,nobody,,", "vale,year,A,1961,,[68],", "vale,year,A,x;y,,,"]
)
def test_a_shops_letter_table_with_a_fault_is_told_of_and_breaks_nothing(row):
    packages = Packages()
    files = {**OTHER_SHOP, "letters.csv": OTHER_SHOP["letters.csv"].replace("vale,year,A,1961,,,", row)}
    assert files != OTHER_SHOP
    assert running.faults_of(packages, files) == []


@settings(max_examples=200)
@given(
    st.text(max_size=70)
    | st.text("0123456789ABCDEFPT?*[].,-/ ", max_size=70)
    | st.text("?*[5]", max_size=24),
    st.none() | st.deferred(lambda: st.sampled_from(grammar().kinds)),
    st.none() | st.deferred(lambda: st.sampled_from(grammar().makers)) | st.text(max_size=20),
)
@example("?" * 64, None, None)
@example("*?*?*", None, None)
@example("[0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ]" * 10, "label", None)
@example("\u0301" * 64, None, None)
@example("PAT. " * 80, "label", None)
@example("\ufdfa" * 22, None, None)
def test_no_text_at_all_breaks_the_decoder(text, kind, maker):
    assert running.faults_of(Markings(), Asked(text, kind, maker)) == []


@given(st.text(max_size=40), st.integers(0, 2**32))
def test_a_harmed_text_is_a_text_of_bounded_length(text, seed):
    made = harm.harmed(text, Random(seed))
    assert isinstance(made, str) and len(made) <= harm.LONG


def test_the_same_seed_draws_the_same_inputs():
    first, second, other = (running.run(Dates(), 500, seed) for seed in ("a", "a", "b"))
    assert (first.digest, first.signatures, first.refusals) == (
        second.digest,
        second.signatures,
        second.refusals,
    )
    assert first.digest != other.digest


def test_the_grammar_reads_in_every_family_that_reads_markings():
    met = set()
    rng = Random(SEED)
    for template in grammar().templates[::3]:
        text = template.drawn(rng)
        kind = template.kinds[0] if template.kinds else None
        try:
            met |= {reading.family for reading in decode(text, part=kind).readings}
        except MarkingError:
            continue
    assert met >= {"source_date", "component_date", "patent", "serial", "stamped_date", "era_mark"}


READING = Reading(
    "made", "Made", "made", Strength.FAIR, parse_edtf("1966").windows, Precision.YEAR,
    fields=(FieldValue("year", "66", "1966", (0, 2)),),
)  # fmt: skip
MISS = NearMiss("made", "almost", (0, 2))


def answer(readings=(READING,), near_misses=(MISS,), cautions=(), notes=()):
    return Decoding(Marking.read("66"), readings, near_misses, cautions, notes)


def faults(found):
    return [*rules.decoding_faults("66", found), *rules.answer_faults("66", found)]


def test_an_answer_that_keeps_the_rules_has_no_fault():
    assert faults(answer()) == []


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        (answer(readings=(READING,) * 201), "201 readings"),
        (answer(near_misses=(MISS,) * 9), "9 near misses"),
        (answer(near_misses=(replace(MISS, at=(1, 3)),)), "a near miss of made at (1, 3), outside the text"),
        (answer(near_misses=(replace(MISS, at=(2, 1)),)), "a near miss of made at (2, 1), outside the text"),
        (answer(readings=(READING.changed(window=EMPTY),)), "an empty window of made"),
        (
            answer(readings=(READING.changed(fields=(FieldValue("year", "6", "6", (1, 3)),)),)),
            "field year of made at [1, 3], outside the text",
        ),
        (answer(notes=("x" * rules.DECODING_BYTES,)), "bytes"),
        (answer(notes=({1, 2},)), "no JSON"),
        (answer(cautions=((float("nan"), ""),)), "no JSON"),
    ],
)
def test_a_broken_rule_is_noticed(broken, said):
    assert any(said in fault for fault in faults(broken))


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (MarkingError("half of a character: \ud800", 0), "can't be written"),
        (MarkingError(" ", 0), "empty message"),
        (MarkingError("somewhere", 3), "MarkingError at 3, outside the text"),
        (EdtfError("66", 5, "somewhere"), "EdtfError at 5, outside the text"),
    ],
)
def test_a_bad_refusal_is_noticed(error, said):
    assert any(said in fault for fault in rules.error_faults("66", error))
    assert list(rules.error_faults("66", MarkingError("is empty", 2))) == []


def test_a_claim_without_days_or_with_other_days_on_paper_is_noticed(monkeypatch):
    assert list(rules.claim_faults(parse_edtf("196X"))) == []
    assert list(rules.claim_faults(Claim("x", EMPTY, ()))) == ["a claim without a day"]
    monkeypatch.setattr(rules, "parse_edtf", lambda text: Claim(text, ALL, ()))
    assert list(rules.claim_faults(parse_edtf("1966")))


class Fragile(Dates):
    """A parser that fails at a seven, goes on without end at an eight, and answers whatever else it is asked."""

    def draw(self, rng):
        return "".join(rng.choice("0123456789-") for _ in range(12))

    def ask(self, asked):
        if "7" in asked:
            raise KeyError("seven")
        if "8" in asked:
            raise running.Endless("eight")
        return parse_edtf("1966")


def test_an_undocumented_error_and_an_endless_input_are_faults_with_an_input_each():
    found = running.run(Fragile(), 200, SEED)
    told = dict(found.faults)
    assert sorted(told) == ["Endless: 'eight'", "KeyError: \"'seven'\""]
    assert found.answers + sum(found.faulty.values()) == 200
    assert running.smallest(Fragile(), told["KeyError: \"'seven'\""], "KeyError: \"'seven'\"") == "7"


def test_a_fault_says_where_in_the_package_it_was_raised():
    class Broken(Markings):
        refusals = ()

    (said,) = running.faults_of(Broken(), Asked("13["))
    assert said.startswith("MarkingError at decoder/marking.py:")


def test_a_run_over_two_processes_has_every_input_once_and_is_told_of():
    told = []
    found = running.over(Dates, 301, 2, 5, lambda done, seconds: told.append(done))
    assert [one.inputs for one in found] == [151, 150]
    assert told[-1] == 301
    assert found[0].digest != found[1].digest
    assert found[0].digest == running.run(Dates(), 151, "5/0").digest


def test_an_interrupted_run_tells_of_what_was_asked_until_then(monkeypatch):
    monkeypatch.setattr(running, "TELLING", 0.0)
    before = signal.getsignal(signal.SIGINT)
    found = running.over(Dates, 10_000_000, 2, 5, lambda done, seconds: os.kill(os.getpid(), signal.SIGINT))
    assert all(0 < one.inputs < 5_000_000 for one in found)
    assert all(one.answers + one.refusals.total() == one.inputs for one in found)
    assert signal.getsignal(signal.SIGINT) is before


def test_slow_inputs_are_timed_again_in_a_process_that_has_not_met_them():
    again = running.timed_again(Dates(), [(9.0, "1966"), (8.0, "196X/..")], 1)
    assert sorted(one.asked for one in again) == ["1966", "196X/.."]
    assert all(one.seconds > 0 and one.parses > 0 for one in again)
    assert again[0].seconds >= again[1].seconds


def test_what_was_found_can_be_written_down():
    found = running.run(Sheets(), 20, SEED)
    assert json.dumps([found.faults, dict(found.refusals)])
