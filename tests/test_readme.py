"""The README shows real output: each console block is run, and must print what stands there."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from decoder.cli import main

ROOT = Path(__file__).parent.parent
BLOCKS = re.findall(r"```console\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)


# What differs from one run to the next: moments, ids and hashes.
MADE = re.compile(r"\d{4}-\d\d-\d\dT[\d:.]+\+00:00|\b[0-9a-f]{16,64}\b")
ID = "019abae9b4007e1d5c02"  # of the sheet that the tour of the casebook saves


def commands(block: str) -> list[tuple[str, str]]:
    """Each command of a block with the output that follows it."""
    parts = re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]
    return [(command, shown) for command, _, shown in (part.partition("\n") for part in parts)]


def test_the_readme_shows_each_way_of_use():
    shown = " ".join(command for block in BLOCKS for command, _ in commands(block))
    for word in ("decode", "check", "tables", "casebook"):
        assert f"partdate {word}" in shown


@pytest.mark.parametrize("block", BLOCKS, ids=lambda b: b.partition("\n")[0][:50])
def test_a_console_block_prints_what_stands_there(block, monkeypatch, tmp_path):
    import shlex

    (tmp_path / "demo").symlink_to(ROOT / "demo")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PARTDATE_TABLES", raising=False)
    monkeypatch.setenv("PARTDATE_CASEBOOK", "bench.sqlite")
    monkeypatch.setenv("PARTDATE_WHO", "ann")
    monkeypatch.setattr("decoder.casebook.store.Casebook.new_id", lambda _: ID)
    for command, shown in commands(block):
        arguments = shlex.split(command, comments=True)
        assert arguments[0] == "partdate"
        result = CliRunner().invoke(main, arguments[1:])
        cut = shown.endswith("...\n")
        printed = result.output if not cut else result.output[: len(shown) - 4]
        expected = shown.removesuffix("...\n").rstrip()
        assert MADE.sub("(made)", printed.rstrip()) == MADE.sub("(made)", expected)
