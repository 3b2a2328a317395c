"""`partdate casebook` and `partdate bulk` as they are typed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from decoder.casebook.commands import VARIABLE
from decoder.cli import main
from tests.casebook.conftest import sheet, written
from tests.casebook.test_chain import tampered
from tests.casebook.test_learn import ledger


@pytest.fixture(autouse=True)
def alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PARTDATE_TABLES", raising=False)
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.setenv("PARTDATE_WHO", "ann")


def partdate(place: Path, *words: str, expected: int = 0) -> Result:
    done = CliRunner().invoke(main, ["casebook", "--casebook", str(place), *words])
    assert done.exit_code == expected, done.output
    return done


def ids(place: Path) -> list[str]:
    return [one["id"] for one in json.loads(partdate(place, "list", "--json").output)["sheets"]]


@pytest.fixture
def filled(place: Path, tmp_path: Path) -> Path:
    records = [
        {"id": "a1", "sheet": sheet("304-6208")},
        {"id": "a2", "sheet": sheet("137-6612", claim="1960")},
    ]
    partdate(place, "import", str(written(tmp_path / "in.json", records)))
    return place


def test_a_command_without_a_casebook_asks_for_one(place: Path) -> None:
    done = CliRunner().invoke(main, ["casebook", "list"])
    assert done.exit_code == 2
    assert "--casebook" in done.output and VARIABLE in done.output


def test_the_environment_names_one(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, str(filled))
    done = CliRunner().invoke(main, ["casebook", "list"])
    assert done.exit_code == 0 and "a1" in done.output


def test_looking_makes_no_casebook(tmp_path: Path) -> None:
    done = partdate(tmp_path / "new.sqlite", "list", expected=2)
    assert "there is no casebook" in done.output
    assert list(tmp_path.iterdir()) == []


def test_sheets_are_listed_and_found(filled: Path) -> None:
    assert ids(filled) == ["a2", "a1"]
    assert "a1" not in partdate(filled, "list", "--outcome", "contradicted").output
    assert "a2" not in partdate(filled, "list", "--marking", "304").output
    assert "No sheet" in partdate(filled, "list", "--maker", "Nobody").output
    assert "--after a2" in partdate(filled, "list", "--limit", "1").output


def test_a_sheet_is_shown_trusted_and_shown_again(filled: Path) -> None:
    assert "fits" in partdate(filled, "show", "a1").output
    partdate(filled, "trust", "a1", "1962-08", "--source", "ledger of the works (invented)")
    shown = partdate(filled, "show", "a1", "--history").output
    assert "version 2" in shown and "Trusted: completed 1962-08" in shown and "saved" in shown
    first = json.loads(partdate(filled, "show", "a1", "--version", "1", "--json").output)
    assert "trusted" not in first
    assert "no sheet" in partdate(filled, "show", "b1", expected=2).output
    bad = partdate(filled, "trust", "a1", "sometime", "--source", "x", expected=2)
    assert "/trusted/date" in bad.output


@pytest.mark.parametrize("ending", ["csv", "json"])
def test_what_goes_out_comes_in_again(filled: Path, tmp_path: Path, empty: Path, ending: str) -> None:
    out = tmp_path / f"out.{ending}"
    partdate(filled, "export", "--to", str(out))
    other = tmp_path / "other.sqlite"
    other.write_bytes(empty.read_bytes())
    assert "2 saved" in partdate(other, "import", str(out)).output
    assert sorted(ids(other)) == ["a1", "a2"]
    assert "2 known" in partdate(filled, "import", str(out)).output
    assert "overwritten" in partdate(filled, "export", "--to", str(out), expected=2).output


def test_one_examination_goes_out_as_a_zip_with_its_photo(filled: Path, tmp_path: Path, empty: Path) -> None:
    photo = tmp_path / "pot.png"
    photo.write_bytes(b"\x89PNG\r\n\x1a\ninvented")
    sha256 = partdate(filled, "photo", str(photo)).output.strip()
    record = {"id": "a3", "sheet": sheet(), "photos": [{"sha256": sha256}]}
    partdate(filled, "import", str(written(tmp_path / "b.json", record)))
    partdate(filled, "export", "a3", "--to", str(tmp_path / "a3.zip"))
    other = tmp_path / "other.sqlite"
    other.write_bytes(empty.read_bytes())
    assert "1 saved, 0 known already, 1 photos" in partdate(other, "import", str(tmp_path / "a3.zip")).output
    assert "whole" in partdate(other, "verify").output
    assert "one id" in partdate(filled, "export", "--to", str(tmp_path / "all.zip"), expected=2).output


def test_a_faulty_import_names_its_faults_and_keeps_the_rest(filled: Path, tmp_path: Path) -> None:
    records = [
        {"id": "b1", "sheet": sheet()},
        {"id": "b2", "sheet": sheet({"id": "x", "part": "flux", "marking": "1"})},
    ]
    done = partdate(filled, "import", str(written(tmp_path / "b.json", records)), expected=2)
    assert "1 saved" in done.output and "flux" in done.output
    (tmp_path / "c.json").write_text("{")
    assert "no JSON" in partdate(filled, "import", str(tmp_path / "c.json"), expected=2).output
    assert (
        "no such file" in partdate(filled, "import", str(tmp_path / "none.json"), expected=2).output.lower()
    )


def test_verify_says_whole_or_not(filled: Path) -> None:
    done = partdate(filled, "verify")
    head = done.output.split("end of the chain: ")[1].split()[0]
    assert "whole" in done.output
    partdate(filled, "verify", "--head", head)
    partdate(filled, "verify", "--head", "0" * 63 + "1", expected=1)
    tampered(filled, "UPDATE versions SET saved_by = 'eve' WHERE sheet_id = 'a1'")
    assert "NOT whole" in partdate(filled, "verify", expected=1).output
    assert json.loads(partdate(filled, "verify", "--json", expected=1).output)["faults"]


def test_a_backup_is_made_and_verified(filled: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.sqlite"
    assert "2 sheets, 2 versions, verified" in partdate(filled, "backup", str(copy)).output
    assert ids(copy) == ["a2", "a1"]
    assert "overwrites nothing" in partdate(filled, "backup", str(copy), expected=2).output


def test_recheck_under_an_overlay_names_the_row_and_exits_1(filled: Path, tmp_path: Path) -> None:
    from tests.casebook.test_recheck import changed

    def shorter(row: dict[str, str]) -> dict[str, str]:
        return {**row, "lead": "0", "usual": "0", "longest": "0"} if row["kind"] == "potentiometer" else row

    record = {"id": "c1", "sheet": sheet("304-6208", claim="1964")}
    partdate(filled, "import", str(written(tmp_path / "c.json", record)))
    changed(tmp_path / "own", "parts", "lag", shorter)
    words = [
        "--tables",
        str(tmp_path / "own"),
        "casebook",
        "--casebook",
        str(filled),
        "recheck",
        "--jobs",
        "1",
    ]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 1, done.output
    assert "c1 p0: old-stock -> too-old" in done.output or "c1 p0: fits -> too-old" in done.output
    assert "parts/lag" in done.output and "potentiometer" in done.output
    assert CliRunner().invoke(main, words).exit_code == 0
    assert json.loads(CliRunner().invoke(main, [*words, "--every", "--json"]).output)["looked_at"] == 3


def test_learn_writes_an_overlay_that_loads(filled: Path, tmp_path: Path) -> None:
    assert "left out" in partdate(filled, "learn").output or "0 sheets" in partdate(filled, "learn").output
    records = [{"id": name, **record} for name, record in ledger(40)]
    partdate(filled, "import", str(written(tmp_path / "ledger.json", records)))
    done = partdate(filled, "learn", "--to", str(tmp_path / "own"))
    assert "n=80" in done.output and "--tables" in done.output
    shown = CliRunner().invoke(
        main,
        [
            "--tables",
            str(tmp_path / "own"),
            "decode",
            "24517",
            "--part",
            "serial",
            "--maker",
            "Harrow & Vale",
        ],
    )
    assert shown.exit_code == 0 and "own observation (n=40)" in shown.output
    assert json.loads(partdate(filled, "learn", "--json").output)["lags"][0]["kind"] == "potentiometer"


def run_bulk(*words: str, expected: int = 0) -> Result:
    done = CliRunner().invoke(main, ["bulk", *words])
    assert done.exit_code == expected, done.output
    return done


def test_bulk_answers_a_file(tmp_path: Path) -> None:
    source = tmp_path / "in.csv"
    source.write_text("marking,part\n137-6612,pot\n[,pot\n")
    done = run_bulk(str(source), str(tmp_path / "out.csv"), "--jobs", "1", "--today", "2026-11-25")
    assert "2 lines" in done.output and "1 bad lines" in done.output
    assert (tmp_path / "out.csv").read_text().count("\n") == 2
    assert "overwritten" in run_bulk(str(source), str(tmp_path / "out.csv"), expected=2).output
    assert "no day" in run_bulk(str(source), str(tmp_path / "b.csv"), "--today", "now", expected=2).output


def test_the_command_loads_no_database_before_it_needs_one() -> None:
    import subprocess
    import sys

    code = "import sys, decoder.cli; print(*sorted({m.partition('.')[0] for m in sys.modules}))"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert "decoder" in loaded
    assert not {"sqlalchemy", "alembic", "psycopg", "pyarrow", "distributed", "flask"} & set(loaded)
