"""The report from the page: the form on an answer, one file under a policy of its own, PDF, and wrong requests."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from datetime import date

import pytest

from decoder.report.pdf import MISSING, PdfUnavailable
from decoder.service import create_app, report_page
from decoder.tables import shipped
from tests.report.instrument import MARKUP, SHEET, TODAY, Drawing, assessed, plain_text


@pytest.fixture(scope="module")
def client():
    return create_app({"TABLES": shipped(), "TODAY": lambda: TODAY}).test_client()


def asked(client, query="", **fields):
    return client.post(
        f"/report{query}", data={"sheet": json.dumps(SHEET), **fields}, content_type="multipart/form-data"
    )


def checked(client, sheet=SHEET):
    return client.post(
        "/check", data={"do": "paste", "paste": json.dumps(sheet)}, content_type="multipart/form-data"
    )


def test_the_report_is_given_as_one_file_under_a_policy_that_allows_its_own_style(client):
    response = asked(client, examiner="A. Bench", shop="Tidewater Bench", note="one\r\ntwo", paper="letter")
    assert response.status_code == 200 and response.mimetype == "text/html"
    text = plain_text(response.text)
    assert (
        "Contradicted" in text and "Examined by A. Bench Shop Tidewater Bench" in text and "one two" in text
    )
    assert "Day of this report 25 Nov 2026" in text and "size: letter" in response.text
    (policy,) = response.headers.getlist("Content-Security-Policy")
    style = re.search(r"<style>(.*?)</style>", response.text, re.DOTALL).group(1)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in policy and "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy and "unsafe" not in policy and "script" not in policy
    assert response.headers["Cache-Control"] == "no-store"
    assert response.headers["X-Content-Type-Options"] == "nosniff"
    assert response.headers["Content-Disposition"] == 'inline; filename="report.html"'


def test_other_pages_keep_the_policy_of_the_house(client):
    (policy,) = client.get("/check").headers.getlist("Content-Security-Policy")
    assert "sha256" not in policy and "style-src 'self'" in policy


def test_the_answer_of_a_check_shows_the_timeline_and_asks_for_the_report_with_its_sheet(client):
    html = checked(client).text
    svg = re.search(
        r'<svg xmlns="http://www.w3.org/2000/svg" class="timeline".*?</svg>', html, re.DOTALL
    ).group(0)
    assert "".join(html.split(svg)).count('class="timeline"') == 0
    assert list(Drawing(svg).rows()) == [part["id"] for part in SHEET["parts"]]
    form = html[html.index('<form class="report"') :]
    form = form[: form.index("</form>")]
    sent = re.search(r'name="sheet" value="([^"]*)"', form).group(1)
    import html as entities

    sheet = entities.unescape(sent)
    response = client.post(
        "/report", data={"sheet": sheet, "paper": "a4"}, content_type="multipart/form-data"
    )
    assert response.status_code == 200 and "24" in plain_text(response.text)


def test_the_timeline_on_the_page_is_told_as_a_table_too(client):
    text = plain_text(checked(client).text)
    table = text[text.index("The timeline as a table") : text.index("Part by part")]
    for part in assessed(SHEET).parts:
        assert part.evidence.part.id in table
    assert "19 Mar 1965 to 28 Mar 1965" in table


def test_a_page_without_an_answer_has_no_timeline(client):
    assert 'class="timeline"' not in client.get("/check").text
    assert 'class="timeline"' not in checked(client, {"parts": []}).text


def test_the_report_is_given_as_pdf(client):
    response = asked(client, "?format=pdf")
    if response.status_code == 406:
        pytest.skip("this machine makes no PDF")
    assert response.status_code == 200 and response.mimetype == "application/pdf"
    assert response.data.startswith(b"%PDF-")
    assert response.headers["Content-Disposition"] == 'inline; filename="report.pdf"'


def test_a_server_that_makes_no_pdf_says_so_and_offers_none(client, monkeypatch):
    def refuse(html):
        raise PdfUnavailable(MISSING)

    monkeypatch.setattr(report_page, "pdf_of", refuse)
    response = asked(client, "?format=pdf")
    assert response.status_code == 406 and "pip install" in plain_text(response.text)
    monkeypatch.setattr("decoder.service.page.is_installed", lambda: False)
    assert "format=pdf" not in checked(client).text


def test_while_other_files_are_being_made_one_is_asked_to_come_again(client, monkeypatch):
    monkeypatch.setattr(report_page, "WAIT", 0.01)
    assert report_page._ONE_PDF.acquire(blocking=False)
    try:
        response = asked(client, "?format=pdf")
    finally:
        report_page._ONE_PDF.release()
    assert response.status_code == 503 and response.headers["Retry-After"] == "5"


@pytest.mark.parametrize(
    ("query", "fields", "status", "said"),
    [
        ("", {"sheet": "{"}, 400, "Line 1, column 2"),
        ("", {"sheet": ""}, 400, "the body is empty"),
        ("", {"sheet": "[]"}, 422, "is an object with instrument and parts"),
        ("", {"sheet": "{}"}, 422, "parts"),
        (
            "",
            {"sheet": '{"parts": [{"id": "a", "part": "wobbler", "marking": "1"}]}'},
            422,
            "no kind of part",
        ),
        ("", {"paper": "a5"}, 422, "must be one of a4, letter"),
        ("", {"examiner": "x" * 300}, 422, "has 300 characters"),
        ("", {"note": "a\u202eb"}, 422, "direction character"),
        ("?format=doc", {}, 400, "html or pdf"),
    ],
)
def test_a_wrong_request_is_answered_with_what_is_wrong(client, query, fields, status, said):
    response = asked(client, query, **fields)
    assert response.status_code == status, response.text
    assert said in plain_text(response.text) and "Traceback" not in response.text


def test_a_request_without_a_sheet_says_so(client):
    response = client.post("/report", data={"paper": "a4"})
    assert response.status_code == 422 and "/sheet" in plain_text(response.text)
    assert client.get("/report").status_code == 405


def test_markup_in_the_form_stays_text(client):
    response = asked(client, examiner=MARKUP, shop=MARKUP, note=MARKUP)
    assert "<script" not in response.text and plain_text(response.text).count(MARKUP) == 3


def test_the_day_is_the_one_of_the_server():
    later = create_app({"TABLES": shipped(), "TODAY": lambda: date(2027, 1, 2)}).test_client()
    assert "Day of this report 2 Jan 2027" in plain_text(asked(later).text)


def test_a_report_counts_as_many_parts_as_it_has():
    limited = create_app(
        {"TABLES": shipped(), "TODAY": lambda: TODAY, "RATE": 0.001, "BURST": 10}
    ).test_client()
    assert asked(limited).status_code == 200
    assert asked(limited).status_code == 429
