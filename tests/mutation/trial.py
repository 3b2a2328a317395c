"""A copy of the tree, and the tests against one mutant in it at a time."""

from __future__ import annotations

import difflib
import os
import resource
import shutil
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests.mutation.mutants import Mutant
from tests.mutation.targets import Target

ROOT = Path(__file__).resolve().parents[2]
LEFT_OUT = ".git", ".venv", "__pycache__", ".*_cache", ".hypothesis", ".import_linter_cache"
# Seconds of processor time for one mutant; the tests of a module need 1 to 5 without, those of a package 10 to 30.
NEAR_LIMIT, LIMIT = 15, 90
MEMORY = 6 << 30
KILLED, SURVIVED, ENDLESS = "killed", "survived", "endless"


def copied(folder: Path) -> Path:
    """A copy of the tree, without what is not in it by right."""
    tree = folder / "tree"
    shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(*LEFT_OUT))
    return tree


def prepare(tree: Path) -> None:
    """Have this process import from the copy, and load what every fork needs and no mutant can be in."""
    sys.dont_write_bytecode = True  # a mutant of the same length, made in the same second, would not be seen
    os.environ["PYTHONPATH"] = str(tree)
    os.environ["HYPOTHESIS_PROFILE"] = "mutation"
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    os.chdir(tree)
    sys.path[:] = [str(tree), *(entry for entry in sys.path if Path(entry or ".").resolve() != ROOT)]
    import dateutil.relativedelta
    import edtf
    import hypothesis.strategies
    import marshmallow
    import numpy
    import portion
    import pytest

    loaded = (dateutil, edtf, hypothesis, marshmallow, numpy, portion, pytest)
    assert all(loaded) and "decoder" not in sys.modules


def untouched(tree: Path, target: Target) -> None:
    """Refuse to go on unless the tests pass on the copy as it is."""
    began = time.monotonic()
    outcome = _outcome(target.steps(tree, str(target.files(tree)[0].relative_to(tree)))[-1:])
    seconds = time.monotonic() - began
    if outcome != SURVIVED:
        raise SystemExit(f"the tests of {target.name} fail without any mutant: {' '.join(target.tests)}")
    print(f"{target.name}: the tests pass unmutated in {seconds:.0f} s", file=sys.stderr, flush=True)


def row(tree: Path, target: Target, mutants: Sequence[Mutant], every: int) -> dict[str, Any]:
    """What became of these mutants of a package."""
    counts = {KILLED: 0, SURVIVED: 0, ENDLESS: 0}
    survivors = []
    began = time.monotonic()
    for number, mutant in enumerate(mutants, 1):
        file = tree / mutant.file
        source = file.read_text(encoding="utf-8")
        changed = mutant.put_into(source)
        try:
            file.write_text(changed, encoding="utf-8")
            outcome = _outcome(target.steps(tree, mutant.file))
        finally:
            file.write_text(source, encoding="utf-8")
        counts[outcome] += 1
        said = ""
        if outcome == SURVIVED:
            survivors.append({**mutant.as_dict(), "change": _change(source, changed)})
            said = "\n    " + "\n    ".join(survivors[-1]["change"])
        print(
            f"{target.name} {number}/{len(mutants)} {time.monotonic() - began:.0f} s, {counts[SURVIVED]} survived; "
            f"{outcome} {mutant.file}:{mutant.line} {mutant.operator}{said}",
            file=sys.stderr,
            flush=True,
        )
    return {
        "target": target.name,
        "mutants": every,
        "tried": len(mutants),
        "killed": counts[KILLED] + counts[ENDLESS],
        "endless": counts[ENDLESS],
        "survivors": survivors,
    }


def _change(source: str, changed: str) -> list[str]:
    lines = difflib.unified_diff(source.splitlines(), changed.splitlines(), n=0, lineterm="")
    return [line for line in lines if line[:1] in "+-" and line[:3] not in ("+++", "---")]


def _outcome(steps: Sequence[Sequence[str]]) -> str:
    """What the tests say, each step in a fork of this process, up to the first that fails."""
    for step, paths in enumerate(steps, 1):
        child = os.fork()
        if child == 0:
            _run(paths, LIMIT if step == len(steps) else NEAR_LIMIT)
        _, status = os.waitpid(child, 0)
        if os.WIFSIGNALED(status):
            return ENDLESS
        if os.WEXITSTATUS(status) != 0:
            return KILLED
    return SURVIVED


def _run(paths: Sequence[str], limit: int) -> None:
    import pytest

    code = 3
    try:
        resource.setrlimit(resource.RLIMIT_CPU, (limit, limit))
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        os.dup2(nowhere, 2)
        chosen = ["-m", "not slow", "-x", "-q", "-p", "no:cacheprovider", "-p", "tests.mutation.quick"]
        code = int(pytest.main([*chosen, *paths]))
    finally:
        os._exit(code)
