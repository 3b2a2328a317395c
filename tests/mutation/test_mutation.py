"""The mutation runner's own sums, and that what it names is there. The faults themselves need the extra `mutation`."""

from pathlib import Path

import pytest

from tests.mutation.shares import interval, table
from tests.mutation.targets import TARGETS

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("killed", "of", "low", "high"),
    # Wilson's interval as published for these counts: Newcombe, Statistics in Medicine 17 (1998), table I.
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_a_share_of_a_sample_has_the_published_interval(
    killed: int, of: int, low: float, high: float
) -> None:
    assert interval(killed, of, 10_000) == pytest.approx((low, high), abs=5e-5)


def test_a_share_of_everything_has_no_interval() -> None:
    assert interval(9, 10, 10) == (0.9, 0.9)
    row = {"target": "window", "mutants": 10, "tried": 10, "killed": 9, "survivors": [{}]}
    assert "90.0%   (all tried)" in table([row])
    assert "59.6% to 98.2%" in table([{**row, "mutants": 1000}])


@pytest.mark.parametrize("target", TARGETS.values(), ids=lambda target: target.name)
def test_the_code_and_the_tests_of_a_target_are_there(target) -> None:
    files = target.files(ROOT)
    assert files
    assert all((ROOT / path).exists() for path in target.tests)
    first, last = target.steps(ROOT, str(files[-1].relative_to(ROOT)))
    assert (ROOT / first[-1]).is_file() and last[-len(target.tests) :] == list(target.tests)


def test_what_is_never_evaluated_is_not_mutated() -> None:
    mutants = pytest.importorskip(
        "tests.mutation.mutants", reason="needs the extra mutation", exc_type=ImportError
    )
    source = "def f(a: int | None) -> str | int:\n    b: int | str = a or 1 + 2\n    return b > 1 and not a\n"
    made = list(mutants.of_source(source, "f.py"))
    assert made and {one.line for one in made} == {2, 3}
    changed = {one.put_into(source) for one in made}
    assert all("a: int | None) -> str | int:\n    b: int | str =" in text for text in changed)
    assert len(changed) == len(made)
    assert mutants.drawn(made, 3, "x") == mutants.drawn(made, 3, "x") != mutants.drawn(made, 3, "y")
    assert mutants.drawn(made, None, "x") == made
