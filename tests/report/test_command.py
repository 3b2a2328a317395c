"""`partdate report` and `partdate check --svg` as a technician meets them."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from decoder.cli import main
from decoder.report.command import photo_and_caption
from decoder.report.timeline import timeline
from tests.report.instrument import SHEET, assessed, plain_text

DEMO = Path(__file__).parent.parent.parent / "demo"


def run(*args, stdin=None):
    return CliRunner().invoke(main, [str(arg) for arg in args], input=stdin, env={"PARTDATE_TABLES": None})


@pytest.fixture
def sheet(tmp_path):
    path = tmp_path / "sheet.json"
    path.write_text(json.dumps(SHEET), encoding="utf-8")
    return path


def picture(path, size=(60, 40)):
    Image = pytest.importorskip("PIL.Image", reason="Pillow is not installed")
    Image.new("RGB", size, "red").save(path)
    return path


def test_a_report_is_written_whatever_the_outcome_and_the_command_succeeds(sheet, tmp_path):
    made = run(
        "report", sheet, "-o", tmp_path / "report.html", "--examiner", "A. Bench", "--shop", "Tidewater Bench"
    )
    assert made.exit_code == 0, made.output
    text = plain_text((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert "Contradicted" in text and "Examined by A. Bench Shop Tidewater Bench" in text


@pytest.mark.parametrize("name", ["estuary-agrees.json", "estuary-contradicted.csv", "estuary-worn.json"])
def test_the_demo_instruments_have_reports(name, tmp_path):
    assert run("report", DEMO / name, "-o", tmp_path / "r.html", "--paper", "letter").exit_code == 0
    assert "size: letter" in (tmp_path / "r.html").read_text(encoding="utf-8")


def test_a_report_is_written_as_pdf(sheet, tmp_path):
    made = run("report", sheet, "-o", tmp_path / "report.PDF")
    if made.exit_code == 2 and "a PDF needs WeasyPrint" in made.output:
        pytest.skip("this machine makes no PDF")
    assert made.exit_code == 0, made.output
    assert (tmp_path / "report.PDF").read_bytes().startswith(b"%PDF-")


def test_a_sheet_comes_from_standard_input_too(tmp_path):
    made = run("report", "-", "-o", tmp_path / "r.html", stdin=json.dumps(SHEET))
    assert made.exit_code == 0 and (tmp_path / "r.html").exists()


def test_a_side_file_says_it_once_for_all_and_an_option_comes_before_it(sheet, tmp_path):
    picture(tmp_path / "pots.png")
    side = tmp_path / "examination.json"
    side.write_text(
        json.dumps(
            {"examiner": "A. Bench", "shop": "Tidewater Bench", "note": "first\nsecond",
             "photos": [{"file": "pots.png", "caption": "The pots, from below"}]}
        )
    )  # fmt: skip
    made = run("report", sheet, "-o", tmp_path / "r.html", "--examination", side, "--examiner", "C. Bench")
    assert made.exit_code == 0, made.output
    html = (tmp_path / "r.html").read_text(encoding="utf-8")
    text = plain_text(html)
    assert "Examined by C. Bench Shop Tidewater Bench" in text and "first second" in text
    assert "1. The pots, from below" in text and html.count("<img ") == 1


def test_photographs_are_given_with_their_captions(sheet, tmp_path):
    path = picture(tmp_path / "pots.png")
    made = run(
        "report", sheet, "-o", tmp_path / "r.html", "--photo", f"{path}:Pots: both of them", "--photo", path
    )
    assert made.exit_code == 0, made.output
    html = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "Pots: both of them" in html and html.count("<img ") == 2


def test_a_colon_in_the_name_of_a_file_is_its_own(tmp_path):
    path = tmp_path / "pots: below.png"
    path.write_bytes(b"x")
    assert photo_and_caption(str(path)) == (path, "")
    assert photo_and_caption(f"{path}: seen from below") == (path, "seen from below")
    assert photo_and_caption(f"{tmp_path / 'nope.png'}:text") == (tmp_path / "nope.png", "text")
    assert photo_and_caption("C:\\pots.png:text")[1] == "text"


def faults():
    return [
        (["report", "{sheet}", "-o", "{tmp}/r.doc"], "neither .html nor .pdf"),
        (["report", "{tmp}/none.json", "-o", "{tmp}/r.html"], "no such file"),
        (["report", "{sheet}", "-o", "{tmp}/none/r.html"], "can't be written"),
        (
            ["report", "{sheet}", "-o", "{tmp}/r.html", "--photo", "{tmp}/none.jpg:x"],
            "none.jpg can't be read",
        ),
        (["report", "{sheet}", "-o", "{tmp}/r.html", "--photo", "{sheet}:x"], "is no JPEG, PNG or WebP"),
        (
            ["report", "{sheet}", "-o", "{tmp}/r.html", "--examiner", "x" * 300],
            "--examiner: has 300 characters",
        ),
        (["report", "{sheet}", "-o", "{tmp}/r.html", "--examination", "{sheet}"], "/parts: is no field here"),
        (["report", "{sheet}", "-o", "{tmp}/r.html", "--examination", "{tmp}/none.json"], "it can't be read"),
        (["report", "{sheet}", "-o", "{tmp}/r.html", "--examination", "{tmp}/text.json"], "it is not JSON"),
        (["report", "{tmp}/text.json", "-o", "{tmp}/r.html"], "text.json is not JSON: line 1"),
        (["report", "{sheet}", "-o", "{tmp}/r.html", *["--photo", "a.jpg"] * 25], "25 photographs are given"),
        (["report", "{sheet}", "-o", "{tmp}/r.html", "--paper", "a5"], "a5"),
        (["report", "{sheet}"], "--output"),
        (["check", "{sheet}", "--svg", "{tmp}/none/t.svg"], "can't be written"),
    ]


@pytest.mark.parametrize(("args", "said"), faults(), ids=lambda one: one if isinstance(one, str) else "")
def test_what_cannot_be_done_is_misuse_and_says_why(args, said, sheet, tmp_path):
    (tmp_path / "text.json").write_text("{not json")
    made = run(*(arg.format(sheet=sheet, tmp=tmp_path) for arg in args))
    assert made.exit_code == 2
    assert said in " ".join(made.output.split()) and "Traceback" not in made.output
    assert not (tmp_path / "r.html").exists()


def test_a_sheet_at_fault_is_told_fault_by_fault(tmp_path):
    path = tmp_path / "sheet.csv"
    path.write_text("id,part,marking\nvol,pot,137-[\nvol,wobbler,1\n")
    made = run("report", path, "-o", tmp_path / "r.html")
    assert made.exit_code == 2
    assert "sheet.csv can't be checked" in made.output and "row 2" in made.output and "row 3" in made.output


def test_check_draws_the_timeline_beside_its_answer(sheet, tmp_path):
    made = run("check", sheet, "--json", "--svg", tmp_path / "t.svg")
    assert made.exit_code == 1 and json.loads(made.output)["outcome"] == "contradicted"
    today = json.loads(made.output)["today"]
    from datetime import date

    drawn = timeline(assessed(SHEET, date.fromisoformat(today)), name="Harrow & Vale Estuary")
    assert (tmp_path / "t.svg").read_bytes() == io.StringIO(drawn + "\n").getvalue().encode()
