"""The published examples that stand with the schemes, of every package, on every kind of part that a scheme names.

Each scheme of a `schemes.toml` names its publications in `source`; its `examples` are the marks printed there
with a date (or, where a note of the scheme says so, built by its rule).
"""

import pytest

from decoder.tables import shipped
from tests.outside.published import Example, missed, share, stated, stated_week

# Examples that are not read as stated, each with the reason: none.
NOT_READ: dict[tuple[str, str, str | None], str] = {}


def examples(package):
    return [
        Example(
            scheme["id"],
            example["marking"],
            part,
            stated(example["window"]) if "window" in example else stated_week(*example["week"]),
            tuple(scheme["source"]),
            scheme.get("maker"),
        )
        for scheme in package.schemes()
        for example in scheme.get("examples", ())
        for part in scheme.get("kinds") or (None,)
    ]


PACKAGES = [package for package in shipped().packages() if package.schemes()]


@pytest.mark.parametrize("package", PACKAGES, ids=lambda p: p.name)
def test_the_examples_of_a_package_are_read_as_stated(package, capsys):
    found = examples(package)
    lost = missed(found)
    with capsys.disabled():
        print(share(f"examples of the schemes of {package.name}, by kind of part", found, lost))
    assert found
    assert lost == {name for name in NOT_READ if name in {e.name for e in found}}


def test_every_exception_is_an_example_of_some_package():
    known = {e.name for package in PACKAGES for e in examples(package)}
    assert set(NOT_READ) <= known


@pytest.mark.parametrize("package", PACKAGES, ids=lambda p: p.name)
def test_an_example_says_its_date_in_one_way(package):
    for scheme in package.schemes():
        for example in scheme.get("examples", ()):
            assert "marking" in example
            assert ("window" in example) != ("week" in example)
            assert set(example) <= {"marking", "window", "week"}
