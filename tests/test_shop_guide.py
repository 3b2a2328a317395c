"""The guide for shops is kept: its commands give what it shows, and each mistake in it gets the message it shows."""

import csv
import re
import shlex
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from decoder.cli import main
from decoder.tables import OWN_OBSERVATION, Tables

ROOT = Path(__file__).resolve().parent.parent
SHOP = ROOT / "demo" / "shop"
GUIDE = (SHOP / "README.md").read_text(encoding="utf-8")
FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
LEFT_OUT = "..."


def sessions():
    """Each command of the guide with the output that stands below it."""
    found = []
    for kind, block in FENCE.findall(GUIDE):
        if kind == "console":
            for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
                command, _, output = part.partition("\n")
                found.append((command, output.splitlines()))
    return found


def mistakes():
    """Each mistake of the guide: the file named last before it, the line as it is, the line changed, the message."""
    found, file = [], ""
    pieces = re.split(FENCE, GUIDE)
    for text, kind, block in zip(pieces[::3], pieces[1::3], pieces[2::3], strict=False):
        if kind == "diff":
            file = re.findall(r"`([a-z]+\.[a-z]+)`", text)[-1]
            before, after = (line[1:] for line in block.splitlines())
        elif kind == "text":
            found.append((file, before, after, block.strip()))
    return found


def run(command, monkeypatch):
    monkeypatch.chdir(ROOT)
    words = shlex.split(command)
    while "=" in words[0]:
        name, _, value = words.pop(0).partition("=")
        monkeypatch.setenv(name, value)
    assert words[0] == "partdate"
    return CliRunner().invoke(main, words[1:])


def fits(shown, lines):
    """Whether the lines are as shown; a line of dots is any number of lines, dots in a line any text."""
    if not shown:
        return not lines
    if shown[0] == LEFT_OUT:
        return any(fits(shown[1:], lines[skip:]) for skip in range(len(lines) + 1))
    pattern = ".*".join(re.escape(text) for text in shown[0].split(LEFT_OUT))
    return bool(lines) and re.fullmatch(pattern, lines[0]) is not None and fits(shown[1:], lines[1:])


@pytest.mark.parametrize(("command", "shown"), sessions(), ids=lambda value: str(value)[:60])
def test_a_command_of_the_guide_gives_what_the_guide_shows(command, shown, monkeypatch):
    result = run(command, monkeypatch)
    assert fits(shown, result.output.splitlines()), result.output
    assert result.exit_code == (1 if " check " in command else 0)


def test_the_guide_shows_commands_and_mistakes():
    assert len(sessions()) >= 6
    assert len(mistakes()) >= 10
    assert {file for file, *_ in mistakes()} == {
        path.name for path in (SHOP / "tidewater-bench").iterdir()
    } - {"sources.csv"}


@pytest.mark.parametrize(
    ("file", "before", "after", "message"), mistakes(), ids=lambda value: str(value)[:40]
)
def test_a_mistake_is_told_with_its_file_its_row_and_its_column(file, before, after, message, tmp_path):
    package = shutil.copytree(SHOP / "tidewater-bench", tmp_path / "tidewater-bench")
    lines = (package / file).read_text(encoding="utf-8").splitlines()
    assert lines.count(before) == 1
    (package / file).write_text(
        "\n".join(after if line == before else line for line in lines) + "\n", encoding="utf-8"
    )
    result = CliRunner().invoke(main, ["--tables", str(tmp_path), "tables", "validate"])
    assert result.exit_code == 2
    told = " ".join(result.stderr.split())
    assert message in told
    assert "1 fault:" in told
    if file.endswith(".csv"):
        assert message.startswith(f"tidewater-bench/{file}, row {lines.index(before) + 1}")


def test_a_mistake_stops_every_other_command_too(tmp_path):
    package = shutil.copytree(SHOP / "tidewater-bench", tmp_path / "tidewater-bench")
    bands = (package / "bands.csv").read_text(encoding="utf-8")
    (package / "bands.csv").write_text(bands.replace("413,1180", "1180,413"), encoding="utf-8")
    result = CliRunner().invoke(main, ["--tables", str(tmp_path), "decode", "137-6612", "--part", "pot"])
    assert result.exit_code == 2
    assert "row 3, column last" in result.stderr


def test_all_mistakes_are_told_at_once(tmp_path):
    package = shutil.copytree(SHOP / "tidewater-bench", tmp_path / "tidewater-bench")
    for file, old, new in (
        ("bands.csv", "412", "x"),
        ("lag.csv", "0.15", "15"),
        ("features.csv", "1.63", "wide"),
    ):
        path = package / file
        path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    result = CliRunner().invoke(main, ["--tables", str(tmp_path), "tables", "validate"])
    assert "3 faults:" in result.stderr


def test_everything_in_the_example_says_that_it_is_invented():
    sources = list(csv.DictReader((SHOP / "tidewater-bench" / "sources.csv").open(encoding="utf-8")))
    assert all("invented" in row["title"] for row in sources)
    for name in ("README.md", "tidewater-bench/schemes.toml", "tidewater-bench/datapackage.json"):
        text = (SHOP / name).read_text(encoding="utf-8")
        assert "invented" in text or "made up" in text
    tables = Tables.open(SHOP)
    for name in ("tidewater-bench/bands", "tidewater-bench/features"):
        for row in tables.table(name).rows:
            assert OWN_OBSERVATION.fullmatch(row["grade"])


def test_the_shops_own_lag_is_used_for_its_maker_and_years_alone():
    from decoder.crosscheck.lag import Lags
    from decoder.window import Window

    lags = Lags.of(Tables.open(SHOP))
    ours = lags.row("potentiometer", "Harrow & Vale", Window.year(1966))
    assert (ours.usual, ours.longest, ours.grade) == (3, 9, "own observation (n=23)")
    shipped = Lags.of(Tables.open()).row("potentiometer", "Harrow & Vale", Window.year(1970))
    assert lags.row("potentiometer", "Harrow & Vale", Window.year(1970)) == shipped
    assert lags.general("speaker").longest == 30  # a row of the same kind takes the shipped one's place
