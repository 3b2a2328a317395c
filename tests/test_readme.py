"""The README shows real output: each console block is run, and must print what stands there."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from decoder.cli import main

ROOT = Path(__file__).parent.parent
BLOCKS = re.findall(r"```console\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)


def commands(block: str) -> list[tuple[str, str]]:
    """Each command of a block with the output that follows it."""
    parts = re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]
    return [(command, shown) for command, _, shown in (part.partition("\n") for part in parts)]


def test_the_readme_shows_each_way_of_use():
    shown = " ".join(command for block in BLOCKS for command, _ in commands(block))
    for word in ("decode", "check", "tables"):
        assert f"partdate {word}" in shown


@pytest.mark.parametrize("block", BLOCKS, ids=lambda b: b.partition("\n")[0][:50])
def test_a_console_block_prints_what_stands_there(block, monkeypatch):
    import shlex

    monkeypatch.chdir(ROOT)
    monkeypatch.delenv("PARTDATE_TABLES", raising=False)
    for command, shown in commands(block):
        arguments = shlex.split(command, comments=True)
        assert arguments[0] == "partdate"
        result = CliRunner().invoke(main, arguments[1:])
        cut = shown.endswith("...\n")
        printed = result.output if not cut else result.output[: len(shown) - 4]
        assert printed.rstrip() == shown.removesuffix("...\n").rstrip()
