"""The report on paper: its size, its text, whole rows, page numbers, and nothing from elsewhere."""

from __future__ import annotations

import io
import logging
import re
import socket
import sys

import pytest

from decoder.report import pdf
from decoder.report.document import Paper, report_html
from decoder.report.examination import Examination
from decoder.report.pdf import PdfUnavailable, pdf_of
from tests.report.instrument import SHEET, TODAY, about, assessed, stated

pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
SMALL = stated("1965", claim="1965")
MILLIMETRE = 72 / 25.4  # points


def made(html):
    try:
        return pdf_of(html)
    except PdfUnavailable as error:
        pytest.skip(f"this machine makes no PDF: {error}")


@pytest.fixture(scope="module")
def papers():
    """The report on the instrument of these tests on both papers, and its assessment as JSON."""
    assessment = assessed(SHEET)
    examination = Examination(TODAY, "A. Bench", "Tidewater Bench")
    html = {paper: report_html(assessment, about(SHEET), examination, paper=paper) for paper in Paper}
    return {
        paper: pypdf.PdfReader(io.BytesIO(made(text))) for paper, text in html.items()
    }, assessment.as_dict()


def flat(text):
    """Text without the places where lines happen to break."""
    return re.sub(r"\s+", "", text)


@pytest.mark.parametrize(
    ("paper", "wide", "high"), [(Paper.A4, 210 * MILLIMETRE, 297 * MILLIMETRE), (Paper.LETTER, 612, 792)]
)
def test_every_page_has_the_size_of_the_paper(papers, paper, wide, high):
    pages = papers[0][paper].pages
    assert len(pages) > 3
    for page in pages:
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(
            (wide, high), abs=0.6
        )


@pytest.mark.parametrize("paper", list(Paper))
def test_every_page_is_numbered_and_says_what_it_is_not(papers, paper):
    pages = papers[0][paper].pages
    for number, page in enumerate(pages, 1):
        text = page.extract_text()
        assert f"Page {number} of {len(pages)}" in text
        assert "No certificate: value and ownership are for a licensed appraiser." in text


@pytest.mark.parametrize("paper", list(Paper))
def test_no_row_of_a_part_is_split_between_pages(papers, paper):
    reader, answer = papers[0][paper], papers[1]
    pages = [flat(page.extract_text()) for page in reader.pages]
    for part in answer["parts"]:
        whole = [
            n for n, page in enumerate(pages) if flat(part["reason"]) in page and flat(part["title"]) in page
        ]
        assert whole, part["id"]


def test_the_text_of_the_report_can_be_read_out_of_the_file(papers):
    reader, answer = papers[0][Paper.A4], papers[1]
    text = flat(" ".join(page.extract_text() for page in reader.pages))
    for words in (
        "Contradicted",
        "Examined by A. Bench",
        "Tidewater Bench",
        "What this report is not",
        "Timeline",
    ):
        assert flat(words) in text
    for name, revision in answer["tables"].items():
        assert flat(f"{name}{revision}") in text
    for caution in answer["cautions"]:
        assert flat(caution["text"]) in text


def test_the_file_names_its_title_its_language_and_carries_tags(papers):
    reader = papers[0][Paper.A4]
    assert reader.metadata.title == "Dates of the parts: Harrow & Vale Estuary"
    assert reader.metadata.author == "A. Bench"
    root = reader.trailer["/Root"]
    assert root["/Lang"] == "en" and root["/MarkInfo"]["/Marked"]


def test_the_same_report_gives_the_same_bytes():
    html = report_html(assessed(SMALL), about(SMALL), Examination(TODAY))
    assert made(html) == made(html)


def test_nothing_is_fetched_for_a_file_not_even_from_this_machine(tmp_path, monkeypatch, caplog):
    made("<title>x</title>")
    secret = tmp_path / "secret.html"
    secret.write_text("<p>what nobody should see</p>")

    def refused(*args, **kwargs):
        raise AssertionError("a connection was opened")

    monkeypatch.setattr(socket.socket, "connect", refused)
    with caplog.at_level(logging.ERROR, logger="weasyprint"):
        raw = pdf_of(
            f"<title>x</title><link rel=stylesheet href='file://{secret}'><img src='http://127.0.0.1:9/x.png'>"
            f"<img src='file://{secret}'><object data='file://{secret}'></object><p>seen</p>"
        )
    text = pypdf.PdfReader(io.BytesIO(raw)).pages[0].extract_text()
    assert "seen" in text and "nobody" not in text
    assert len(caplog.records) >= 3


def test_a_photograph_stands_in_the_file_without_what_it_told():
    Image = pytest.importorskip("PIL.Image", reason="Pillow is not installed")
    from decoder.report.photo import photo_of

    exif = Image.Exif()
    exif[0x0110] = "Secret camera"
    held = io.BytesIO()
    Image.new("RGB", (300, 200), "red").save(held, "JPEG", exif=exif)
    photo = photo_of(held.getvalue(), "pots.jpg", "The pots, from below")
    html = report_html(assessed(SMALL), about(SMALL), Examination(TODAY, photos=(photo,)))
    raw = made(html)
    reader = pypdf.PdfReader(io.BytesIO(raw))
    # Every page lists it among what it may draw.
    images = {image.data: image.image.size for page in reader.pages for image in page.images}
    assert list(images.values()) == [(300, 200)]
    assert b"Secret" not in raw and not any(b"Secret" in data for data in images)
    assert "Thepots,frombelow" in flat(" ".join(page.extract_text() for page in reader.pages))


@pytest.mark.parametrize("missing", ["weasyprint", "pango"])
def test_a_machine_that_makes_no_pdf_says_what_to_install_and_what_to_do_instead(monkeypatch, missing):
    if missing == "weasyprint":
        monkeypatch.setitem(sys.modules, "weasyprint", None)
    else:  # the package is there, and can't load the library

        class Broken:
            def find_spec(self, name, path=None, target=None):
                if name == "weasyprint":
                    raise OSError("cannot load library 'libpango-1.0-0'")

        monkeypatch.delitem(sys.modules, "weasyprint", raising=False)
        monkeypatch.setattr(sys, "meta_path", [Broken(), *sys.meta_path])
    with pytest.raises(
        PdfUnavailable, match=r"pip install 'partdate\[report\]'.*libpango.*print it from a browser"
    ):
        pdf_of("<p>x</p>")


def test_whether_the_package_is_there_is_told_without_loading_it(monkeypatch):
    monkeypatch.setattr(pdf, "find_spec", lambda name: None)
    assert not pdf.is_installed()
