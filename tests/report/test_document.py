"""The report: everything of an assessment is in it, nothing is fetched from elsewhere, and text stays text."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import subprocess
import sys
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import pytest

from decoder.report.document import Paper, report_html
from decoder.report.examination import Examination, ExaminationError, checked
from decoder.report.marks import MARKS
from tests.report.instrument import MARKUP, SHEET, TODAY, about, assessed, instrument, plain_text

ROOT = Path(__file__).parent.parent.parent
BENCH = Examination(TODAY, "A. Bench", "Tidewater Bench", "Brought in by its owner.\r\n\r\nStrings off.")


def report(sheet=SHEET, examination=BENCH, **more):
    return report_html(assessed(sheet), about(sheet), examination, **more)


@pytest.fixture(scope="module")
def whole():
    """The report on the instrument of these tests, its text, and its assessment as JSON."""
    html = report()
    return html, plain_text(html), assessed(SHEET).as_dict()


def flat(text):
    return re.sub(r"\s+", " ", text)


# --- what is in it


def test_every_part_stands_in_it_with_its_verdict_and_its_reason(whole):
    _, text, answer = whole
    for part in answer["parts"]:
        assert part["id"] in text and part["title"] in text
        assert flat(part["reason"]) in text
        word = next(mark.word for verdict, mark in MARKS.items() if verdict.value == part["verdict"])
        assert word in text


def test_every_reading_in_force_stands_in_it_with_its_title_and_its_sources_with_their_grades(whole):
    _, text, answer = whole
    sources = text[text.index("Sources and their grades") :]
    best = {"strong": 3, "fair": 2, "weak": 1}
    checked_readings = 0
    for part in answer["parts"]:
        readings = part["decoding"]["readings"] if part["decoding"] and not part["override"] else []
        strongest = max((best[one["strength"]] for one in readings), default=0)
        for one in readings:
            if best[one["strength"]] == strongest:
                assert one["title"] in text
                for source in one["sources"]:
                    assert f"{source['grade']} {flat(source['title'])}" in sources
                    checked_readings += 1
    assert checked_readings > 20


def test_the_sources_of_warnings_and_of_lags_and_a_technicians_word_stand_among_the_sources(whole):
    _, text, answer = whole
    sources = text[text.index("Sources and their grades") :]
    assert answer["traps"]
    for trap in answer["traps"]:
        assert f"warning: {trap['title']}" in sources
    assert "time in stock of potentiometer" in sources
    assert "own observation (n=1) A. Bench transformer" in sources


def test_every_table_stands_in_it_with_its_revision(whole):
    _, text, answer = whole
    assert len(answer["tables"]) > 10
    for name, revision in answer["tables"].items():
        assert f"{name} {revision}" in text


def test_every_caution_warning_and_sentence_stands_in_it(whole):
    _, text, answer = whole
    assert answer["cautions"] and answer["warnings"]
    for caution in answer["cautions"]:
        assert f"Caution: {flat(caution['text'])}" in text
    for said in [*answer["warnings"], *answer["narrative"], *answer["estimate"]["assumptions"]]:
        assert flat(said) in text


def test_explanations_the_second_claim_and_the_estimate_stand_in_it(whole):
    _, text, answer = whole
    assert "For the claim to hold" in text and "Whatever the claim" in text
    assert "Set bridge, can capacitor, neck pickup" in text
    assert answer["explanations_cut"] is False
    left = len(answer["explanations"]) - 5
    assert f"And {left} more way" in text
    assert "Second claim 1967/1968 : the same parts contradict it" in text
    assert "Nine in ten 10 Mar 1966 to" in text


def test_what_was_not_examined_is_said_by_why(whole):
    _, text, _ = whole
    said = text[text.index("What was not examined") : text.index("Notes on the readings")]
    for words in (
        "Not looked at switch", "A mark is there, but can’t be read strap button",
        "The place for a mark is blank jack", "Parts that don’t stand on the sheet were not examined.",
    ):  # fmt: skip
        assert words in said


def test_a_mark_that_no_scheme_reads_is_told_apart_from_one_that_nobody_looked_at():
    text = plain_text(report({"parts": [{"id": "vol", "part": "potentiometer", "marking": "137-6660"}]}))
    assert "Looked at, but no scheme reads what is there vol" in text
    assert "Not read: " in text and "Not looked at" not in text


def test_advice_is_given_with_its_caution():
    sheet = json.loads((ROOT / "demo" / "estuary-agrees.json").read_text(encoding="utf-8"))
    answer, text = assessed(sheet).as_dict(), plain_text(report(sheet))
    assert answer["advice"]
    for one in answer["advice"]:
        assert flat(f"{one['why']} {one['how']}") in text
        if one["caution"]:
            assert flat(one["caution"]) in text


def test_who_examined_it_when_and_where_is_said(whole):
    _, text, _ = whole
    assert "Examined by A. Bench Shop Tidewater Bench Day of this report 25 Nov 2026" in text
    assert "Brought in by its owner. Strings off." in text
    assert "Harrow & Vale Estuary" in text and "Parts on the sheet 24" in text
    assert "Claimed build period 1965" in text


def test_what_is_not_known_of_the_examination_is_said_to_be_not_stated():
    text = plain_text(report(examination=Examination(TODAY)))
    assert "Examined by not stated Shop not stated" in text


def test_the_day_that_a_sheet_names_for_its_check_stands_beside_the_day_of_the_report():
    sheet = instrument()
    sheet["options"] = {"today": "2020-02-03"}
    text = plain_text(report(sheet))
    assert "Day of this report 25 Nov 2026" in text and "Checked as of 3 Feb 2020" in text
    assert "Checked as of" not in plain_text(report())


def test_it_says_what_it_is_not(whole):
    _, text, _ = whole
    said = text[text.index("What this report is not") :]
    assert "no certificate, no appraisal and no warranty" in said
    assert "licensed appraiser" in said and "marks are copied on reproductions" in said
    for word in ("genuine", "authentic", "guarantee"):
        assert word not in text.lower()


def test_the_timeline_stands_in_it_with_every_part(whole):
    html, _, answer = whole
    assert len(re.findall(r'<svg [^>]*class="timeline"', html)) == 3
    assert [one for one in re.findall(r'data-part="([^"]*)"', html)] == [p["id"] for p in answer["parts"]]  # noqa: C416


def test_many_readings_of_one_scheme_share_a_line_and_many_lines_are_counted():
    sheet = {"parts": [{"id": "number", "part": "serial", "marking": "24517"}]}
    text = plain_text(report(sheet))
    readings = assessed(sheet).as_dict()["parts"][0]["decoding"]["readings"]
    assert len(readings) > 5 and re.search(r"and \d+ more", text)


# --- one file, and nothing besides


class Elements(HTMLParser):
    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.found = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))


def test_nothing_is_fetched_from_elsewhere_and_nothing_runs(whole):
    html, _, _ = whole
    for tag, attributes in Elements(html).found:
        assert tag not in ("script", "link", "iframe", "object", "embed", "base", "form", "use", "image")
        for name, value in attributes.items():
            assert name != "style" and not name.startswith("on")
            if name in ("src", "href"):
                assert value.startswith("data:image/jpeg;base64,")
    style = re.search(r"<style>(.*?)</style>", html, re.DOTALL).group(1)
    assert "url(" not in style and "@import" not in style


def test_its_own_policy_allows_its_style_by_hash_and_nothing_else(whole):
    html, _, _ = whole
    style = re.search(r"<style>(.*?)</style>", html, re.DOTALL).group(1)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    (policy,) = [
        a["content"] for _, a in Elements(html).found if a.get("http-equiv") == "Content-Security-Policy"
    ]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules == {
        "default-src": "'none'", "style-src": f"'sha256-{digest}'", "img-src": "data:", "base-uri": "'none'",
        "form-action": "'none'",
    }  # fmt: skip


@pytest.mark.parametrize(("paper", "size"), [(Paper.A4, "a4"), (Paper.LETTER, "letter")])
def test_the_paper_is_the_one_that_was_asked_for(paper, size):
    assert f"@page {{ size: {size}; }}" in report(paper=paper)


def test_markup_in_every_field_stays_text():
    sheet = instrument(maker=MARKUP, model=MARKUP, country=MARKUP)
    sheet["parts"] = [
        {"id": MARKUP, "part": "potentiometer", "marking": "137-6512", "position": MARKUP, "group": MARKUP,
         "patent": MARKUP},
        {"id": "two", "part": "label", "marking": MARKUP},
        {"id": "three", "part": "pickup", "feature": MARKUP, "value": MARKUP},
        {"id": "four", "part": "tuner", "state": "illegible",
         "override": {"window": "1965", "name": MARKUP, "reason": MARKUP}},
    ]  # fmt: skip
    html = report(sheet, Examination(TODAY, MARKUP, MARKUP, MARKUP))
    assert "<script" not in html
    assert plain_text(html).count(MARKUP) > 12


def test_what_cannot_be_printed_and_what_turns_the_direction_is_replaced():
    odd = "A\x00B\x1b[31mC\u202eD\ud800E\ufffe"
    html = report(examination=Examination(TODAY, odd, odd, odd))
    html.encode("utf-8")
    assert not re.search("[\x00-\x08\x0b-\x1f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe]", html)
    assert "A\ufffdB\ufffd[31mC\ufffdD\ufffdE\ufffd" in html


def test_the_same_sheet_and_day_give_the_same_bytes_in_any_process():
    script = (
        "from tests.report.test_document import report\n"
        "import hashlib; print(hashlib.sha256(report().encode()).hexdigest())"
    )
    digests = {
        subprocess.run(
            [sys.executable, "-c", script],
            cwd=ROOT, env={**os.environ, "PYTHONHASHSEED": seed}, capture_output=True, text=True, check=True,
        ).stdout
        for seed in ("1", "2")
    }  # fmt: skip
    assert len(digests) == 1 and digests.pop().strip()


def test_the_digest_is_that_of_the_answer_as_json_whoever_writes_it(whole):
    _, text, answer = whole
    written = json.dumps(answer, sort_keys=True, separators=(",", ":")).encode()
    assert f"has the digest {hashlib.sha256(written).hexdigest()[:12]}" in text
    sheet = instrument(claim="1966")
    assert hashlib.sha256(written).hexdigest()[:12] not in plain_text(report(sheet))


@pytest.mark.parametrize("today", [None, date(2026, 11, 25)])
def test_a_sheet_without_claim_maker_or_anything_read_gives_a_report_too(today):
    sheet = {"parts": [{"id": "switch", "part": "switch", "state": "not-looked"}]}
    text = plain_text(report_html(assessed(sheet, today), about(sheet), Examination(TODAY)))
    assert "An instrument without a name" in text and "none: the question is when it was built" in text
    assert "Nothing was read, so nothing rests on a source." in text


# --- what is said of the examination


def test_a_side_file_is_checked_and_every_fault_named():
    assert checked({"examiner": "A. Bench", "note": "one\ntwo"}) == {
        "examiner": "A. Bench",
        "note": "one\ntwo",
    }
    with pytest.raises(ExaminationError) as caught:
        checked({"examinor": "A. Bench", "shop": 7, "note": "x" * 5000, "photos": [{"caption": "no file"}]})
    said = "\n".join(caught.value.problems)
    assert "/examinor: is no field here" in said and "Did you mean examiner?" in said
    assert (
        "/shop: must be text" in said
        and "/note: has 5000 characters" in said
        and "/photos/0/file: is needed" in said
    )
    with pytest.raises(ExaminationError, match="must be an object"):
        checked([])
    with pytest.raises(ExaminationError, match="direction character"):
        checked({"note": "a\n\u202eb"})
