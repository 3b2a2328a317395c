"""Published serial numbers with a published date, against what is read.

Each row of `serials/examples` names the publication in which a number and its date were printed together:
dealers' and auction houses' listings, museums, registries, makers' own pages. None of them made a band; the
tables of bands and codes come from elsewhere. The maker is given, as a technician would know it.
"""

from dataclasses import dataclass
from datetime import date

import pytest

from decoder.catalog import decode
from decoder.scheme.reading import Decoding, Reading
from decoder.tables import shipped
from decoder.window import Window, WindowSet

TODAY = date(2026, 11, 25)

# Published numbers that lie outside the bare window of every reading in force, each with the reason; the
# tolerance of the series takes them in.
OUTSIDE_THE_BARE_WINDOW = {
    "34606": "listed as 1927, a year before its band: one of the three disagreements that the tolerance rests on",
    "89173": "listed as early 1943, a year before its band: another of the three",
    "63663": "quoted by the maker's museum page as a number used out of order, of 2002",
    "7039": "the registry prints 1933 with a question mark; the year table from memory has 1934",
    "21179": "listed as 1957 under a model year of 1956",
    "26306": "catalogued as about 1957 and about 1958 under a model year of 1957",
}
# Published numbers that no reading in force reaches, tolerance included.
NOT_READ: dict[str, str] = {}


@dataclass(frozen=True)
class Example:
    """A published number, the years stated for it, and what is read."""

    serial: str
    maker: str
    stated: WindowSet
    decoding: Decoding

    @property
    def readings(self) -> list[Reading]:
        """The readings in force that take it as a serial number."""
        return [reading for reading in self.decoding.in_force if reading.family == "serial"]

    @property
    def inside(self) -> bool:
        """Whether some reading in force meets the years stated."""
        return any(reading.window & self.stated for reading in self.readings)

    def tolerated(self, stated: WindowSet) -> bool:
        """The same for these years, with each reading's own tolerance, in months before and after."""
        return any(
            reading.window.widen(months_before=reading.before, months_after=reading.after) & stated
            for reading in self.readings
        )


def examples() -> list[Example]:
    """Every row that is marked as usable: not masked, not partial, of a series that has a table."""
    return [
        Example(
            row["serial"],
            row["maker"],
            WindowSet.of(Window.between(date(int(row["from"]), 1, 1), date(int(row["to"]), 12, 31))),
            decode(row["serial"], part="serial", maker=row["maker"], today=TODAY),
        )
        for row in shipped().table("serials/examples").rows
        if row["usable"]
    ]


def test_published_numbers_are_read_with_the_stated_year(capsys):
    found = examples()
    inside = [one for one in found if one.inside]
    tolerated = [one for one in found if one.tolerated(one.stated)]
    with capsys.disabled():
        print(
            f"\npublished serial numbers: {len(found)}; inside the bare window {len(inside)} "
            f"({len(inside) / len(found):.0%}), inside the tolerance {len(tolerated)} "
            f"({len(tolerated) / len(found):.0%})"
        )
    assert len(found) >= 90
    assert {one.serial for one in found if not one.tolerated(one.stated)} == set(NOT_READ)
    assert {one.serial for one in found if not one.inside} == set(OUTSIDE_THE_BARE_WINDOW)


@pytest.mark.parametrize("shift", [-5, 5])
def test_years_that_are_not_those_stated_are_mostly_refused(shift):
    """The check above could be met by windows without end: five years away, few numbers still agree."""
    found = examples()
    meeting = [one for one in found if one.tolerated(one.stated.shift(years=shift))]
    assert len(meeting) < len(found) / 4


def test_every_published_number_names_its_publication():
    table = shipped().table("serials/examples")
    for row in table.rows:
        cited = table.cite(row)
        assert cited, row["serial"]
        assert all(citation.title and citation.id != "memory" for citation in cited), row["serial"]
        assert row["usable"] or row["reason"], row["serial"]


def test_no_published_number_made_a_band():
    """No band is as narrow as one published number, except where a source prints that number as a band."""
    numbers = {(row["maker"], row["serial"]) for row in shipped().table("serials/examples").rows}
    makers = {scheme["id"]: scheme["maker"] for scheme in shipped().schemes("serial")}
    for row in shipped().table("serials/bands").rows:
        if row["first"] == row["last"]:
            assert (makers[row["scheme"]], str(row["first"])) not in numbers


# The same facts, stated once more by hand, from the publications named.
BY_HAND = [
    ("C. F. Martin", "33785", 1927, "retrofret-9817"),  # stamped 14 November 1927 by the ledger
    ("C. F. Martin", "38521", 1929, "guitarphile-38521"),  # stamped 1 May 1929
    ("C. F. Martin", "90740", 1945, "guitarphile-90740"),  # stamped 5 March 1945
    (
        "Fender",
        "145114",
        1966,
        "fretted-americana-1966-fender-jazz-bass-0",
    ),  # neck 7 April 1966, pots 137-6612
    ("Fender", "L20428", 1963, "retrofret-11722"),  # neck of November 1963
    (
        "Epiphone (New York)",
        "85158",
        1949,
        "ny-epi-reg-closeup-9",
    ),  # model code 85, not a late acoustic number
    ("Gretsch", "117912", 1967, "retrofret-11812"),  # month 11, year 7
    ("Tom Anderson", "12-21-92P", 1992, "blue-book-electric"),  # the number is the day of completion
    ("Hamer", "0642", 1982, "twelve-string-bass"),  # custom series, no year in the number
]


@pytest.mark.parametrize(("maker", "number", "year", "publication"), BY_HAND)
def test_published_numbers_by_hand(maker, number, year, publication):
    row = next(r for r in shipped().table("serials/examples").rows if r["serial"] == number)
    assert publication in row["source"]
    stated = WindowSet.of(Window.year(year))
    assert Example(number, maker, stated, decode(number, part="serial", maker=maker, today=TODAY)).tolerated(
        stated
    )
