"""The zip of an examination holds its report: what the kept assessment says, with the photos, and still verifies."""

from __future__ import annotations

import io
import json
import re
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner

from decoder.casebook import Casebook
from decoder.cli import main
from decoder.report import pdf
from decoder.report.parcel import report_files
from decoder.tables import Tables
from tests.casebook.conftest import sheet
from tests.casebook.test_commands import partdate
from tests.casebook.test_learn import ledger
from tests.casebook.test_recheck import SERIAL, by, changed, moved_band


def png() -> bytes:
    from PIL import Image

    made = io.BytesIO()
    Image.new("RGB", (40, 30), (20, 90, 60)).save(made, "PNG")
    return made.getvalue()


def files(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


@pytest.fixture
def id(book: Casebook) -> str:
    """A sheet of an invented instrument with a photo and remarks."""
    sha256 = book.add_photo(png(), who="ann")
    photos = [{"sha256": sha256, "part": "p0", "caption": "The pots, from below"}]
    record = {"sheet": sheet("304-6208"), "photos": photos, "remarks": "Harness untouched."}
    return book.create(record, who="A. Bench").id


def test_the_zip_holds_a_report_that_says_what_the_assessment_says(
    book: Casebook, place: Path, id: str, tmp_path: Path
) -> None:
    partdate(place, "export", id, "--to", str(tmp_path / "one.zip"))
    found = files(tmp_path / "one.zip")
    html = found["report.html"].decode()
    for words in ("Harrow &amp; Vale", "304-6208", "A. Bench", "Harness untouched.", "The pots, from below"):
        assert words in html, words
    assert "data:image/jpeg;base64," in html
    for revision in json.loads(found["assessment.json"])["tables"].values():
        assert revision in html
    assert re.search(r'(?:src|href)="https?://', html) is None, "one file, nothing is fetched"
    partdate(place, "export", id, "--to", str(tmp_path / "again.zip"))
    assert (tmp_path / "again.zip").read_bytes() == (tmp_path / "one.zip").read_bytes()


def test_the_zip_with_its_report_goes_into_another_casebook_and_not_when_the_report_was_changed(
    place: Path, id: str, tmp_path: Path
) -> None:
    path = tmp_path / "one.zip"
    partdate(place, "export", id, "--to", str(path))
    other = tmp_path / "other.sqlite"
    assert "1 saved, 0 known already, 1 photos" in partdate(other, "import", str(path)).output
    found = files(path)
    found["report.html"] = found["report.html"].replace(b"Harness untouched.", b"Harness replaced.")
    with zipfile.ZipFile(tmp_path / "changed.zip", "w") as archive:
        for name, body in found.items():
            archive.writestr(name, body)
    refused = partdate(other, "import", str(tmp_path / "changed.zip"), expected=2)
    assert "report.html is not the file of the manifest" in refused.output


def test_the_report_rests_on_the_tables_of_the_assessment_though_others_are_in_force(
    book: Casebook, tmp_path: Path
) -> None:
    id = book.create(sheet("304-6208", SERIAL), who="ann").id
    then, _ = report_files(book, id)
    now = by(book, changed(tmp_path / "overlay", "invented", "bands", moved_band))
    assert now.assess(now._record(book.get(id).record))["outcome"] == "contradicted"
    again, left_out = report_files(now, id)
    assert again == then and left_out == []
    assert "Contradicted" not in again["report.html"].decode()


def test_tables_that_are_not_there_any_more_leave_the_zip_without_a_report(
    book: Casebook, place: Path, id: str, tmp_path: Path
) -> None:
    for name, record in ledger(40):
        book.create(record, who="ann", id=name)
    own = tmp_path / "own"
    partdate(place, "learn", "--to", str(own))
    done = CliRunner().invoke(
        main, ["--tables", str(own), "casebook", "--casebook", str(place), "recheck", "--jobs", "1"]
    )
    assert done.exit_code in (0, 1), done.output
    said = partdate(place, "export", id, "--to", str(tmp_path / "one.zip")).output
    assert "tables that are not in force here" in said
    assert "report.html" not in files(tmp_path / "one.zip")


def test_a_photo_that_no_report_can_show_stays_in_the_zip(
    book: Casebook, place: Path, tmp_path: Path
) -> None:
    sha256 = book.add_photo(b"II*\0 an invented file", who="ann")
    id = book.create({"sheet": sheet(), "photos": [{"sha256": sha256}]}, who="ann").id
    said = partdate(place, "export", id, "--to", str(tmp_path / "one.zip")).output
    assert "in the zip and not in the report" in said
    assert {f"photos/{sha256}.tif", "report.html"} <= files(tmp_path / "one.zip").keys()


def test_an_assessment_that_can_not_be_made_again_has_no_report(
    book: Casebook, id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = book.newest_assessment(id)
    told = {**kept.assessment, "parts": [{**part, "verdict": "never"} for part in kept.assessment["parts"]]}
    object.__setattr__(kept, "assessment", told)
    monkeypatch.setattr(book, "newest_assessment", lambda _: kept)
    made, left_out = report_files(book, id)
    assert made == {} and "recheck" in left_out[0]


def test_the_report_is_a_pdf_too_where_that_is_wanted(place: Path, id: str, tmp_path: Path) -> None:
    try:
        pdf.pdf_of("<p>A page")
    except pdf.PdfUnavailable:
        pytest.skip("no PDF can be made here")
    partdate(place, "export", id, "--pdf", "--to", str(tmp_path / "one.zip"))
    found = files(tmp_path / "one.zip")
    assert found["report.pdf"].startswith(b"%PDF-") and "report.html" in found
    assert "report.pdf" in json.loads(found["manifest.json"])["files"]


def test_a_pdf_that_can_not_be_made_is_said_and_nothing_is_written(
    place: Path, id: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing() -> None:
        raise pdf.PdfUnavailable(pdf.MISSING)

    monkeypatch.setattr(pdf, "_engine", missing)
    refused = partdate(place, "export", id, "--pdf", "--to", str(tmp_path / "one.zip"), expected=2)
    assert "a PDF needs WeasyPrint" in " ".join(refused.output.split())
    misplaced = partdate(place, "export", id, "--pdf", "--to", str(tmp_path / "one.csv"), expected=2)
    assert "only the zip" in misplaced.output
    assert not list(tmp_path.glob("one.*"))


def test_the_command_says_what_the_zip_holds(shipped: Tables) -> None:
    said = CliRunner().invoke(main, ["casebook", "export", "--help"]).output
    assert "report" in said and "--pdf" in said
