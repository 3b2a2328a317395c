"""The packages whose tests are held to account, each with the tests that cover it, the nearest ones first."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Target:
    """A package, and the tests that must notice a fault in it.

    `near` is the test file of one module (`{}` is its name), tried first; `left_out` are tests too slow for this.
    """

    name: str
    code: str  # a glob from the root of the tree
    near: str
    tests: tuple[str, ...]
    left_out: str = ""

    def files(self, tree: Path) -> list[Path]:
        return sorted(tree.glob(self.code))

    def steps(self, tree: Path, file: str) -> list[list[str]]:
        """What is given to pytest for a fault in this file, one step after the other."""
        more = ["-k", f"not ({self.left_out})"] if self.left_out else []
        near = self.near.format(Path(file).stem)
        first = [[*more, file, near]] if (tree / near).is_file() else []
        return [*first, [*more, file, *self.tests]]


TARGETS = {
    one.name: one
    for one in (
        Target(
            "window",
            "decoder/window.py",
            "tests/test_{}.py",
            ("tests/test_window.py", "tests/test_edtf.py", "tests/outside/test_weeks.py"),
        ),
        Target(
            "marking",
            "decoder/marking.py",
            "tests/test_{}.py",
            ("tests/test_marking.py", "tests/scheme", "tests/test_catalog.py", "tests/families"),
        ),
        Target(
            "scheme",
            "decoder/scheme/*.py",
            "tests/scheme/test_{}.py",
            ("tests/scheme", "tests/test_catalog.py", "tests/families", "tests/outside"),
        ),
        Target(
            "crosscheck",
            "decoder/crosscheck/*.py",
            "tests/crosscheck/test_{}.py",
            ("tests/crosscheck", "tests/outside/test_common_practice.py", "tests/outside/test_era_marks.py"),
            "is_calibrated_on or wrong_by_half_or_double",
        ),
    )
}
