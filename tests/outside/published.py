"""What a published example says, and whether the decoder says it too: shared by the checks of examples.

An example is a marking printed in a publication together with its date. A stated day or week must lie in a window
of the scheme that the example names. A month or a year that was stated more coarsely than the mark itself dates
must meet such a window.
"""

from dataclasses import dataclass
from datetime import date

from decoder.catalog import decode
from decoder.scheme.reading import Decoding
from decoder.tables import Row, shipped
from decoder.window import Window, WindowSet, parse_edtf

A_WEEK = 7


@dataclass(frozen=True)
class Example:
    """One published marking: what was stated of it, under which scheme, in which publications."""

    scheme: str
    marking: str
    part: str | None
    stated: WindowSet
    sources: tuple[str, ...]
    maker: str | None = None

    @property
    def name(self) -> tuple[str, str, str | None]:
        """By what a list of exceptions names it."""
        return self.scheme, self.marking, self.part


def stated(text: str) -> WindowSet:
    return parse_edtf(text).windows


def stated_week(year: int, week: int) -> WindowSet:
    """The day that every count in use gives to a week of that number, or close to it: its ISO Thursday."""
    return WindowSet.of(Window.day(date.fromisocalendar(year, week, 4)))


def decoded(example: Example) -> Decoding:
    return decode(example.marking, part=example.part, maker=example.maker)


def windows(example: Example, decoding: Decoding, *, in_force: bool = False) -> WindowSet:
    readings = decoding.in_force if in_force else decoding.readings
    return WindowSet.from_iter(w for r in readings if r.scheme == example.scheme for w in r.window)


def meets(example: Example, read: WindowSet) -> bool:
    """Every stated span lies in the windows read, or, if it is longer than a week, has a day in them."""
    for span in example.stated:
        alone = WindowSet((span,))
        if alone.issubset(read):
            continue
        if span.width_days is None or span.width_days <= A_WEEK or not alone & read:
            return False
    return bool(example.stated)


def missed(examples: list[Example], *, in_force: bool = False) -> set[tuple[str, str, str | None]]:
    """The names of the examples that are not read as stated; with `in_force`, not by a reading that counts."""
    return {e.name for e in examples if not meets(e, windows(e, decoded(e), in_force=in_force))}


def share(title: str, examples: list[Example], lost: set[tuple[str, str, str | None]]) -> str:
    publications = {s for e in examples for s in e.sources} - {"memory", "common-practice", "invented"}
    return f"\n{title}: {len(examples) - len(lost)} of {len(examples)} as stated ({len(publications)} publications)"


def examples_of(table: str) -> list[Example]:
    """The rows of a table of published examples."""
    return [
        Example(row["scheme"], row["marking"], row["part"], stated(row["stated"]), row["source"])
        for row in shipped().table(table).rows
    ]


def assert_named_and_read(table: str, row: Row) -> None:
    """A row names its publication, and a scheme that reads its kind of part."""
    assert shipped().table(table).cite(row)
    schemes = (s for f in ("component_date", "stamped_date") for s in shipped().schemes(f))
    assert row["part"] in next(s for s in schemes if s["id"] == row["scheme"])["kinds"]


def assert_not_met(marking: str, part: str, wrong: str) -> None:
    """A date that no publication states is met by no scheme that reads the marking: the check can fail."""
    schemes = {r.scheme for r in decoded(Example("", marking, part, stated(wrong), ())).readings}
    assert schemes
    for scheme in schemes:
        example = Example(scheme, marking, part, stated(wrong), ())
        assert not meets(example, windows(example, decoded(example)))
