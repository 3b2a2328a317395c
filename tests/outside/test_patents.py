"""Patent numbers against dates that others published.

Sources: USPTO, Table of Issue Years and Patent Numbers, and Table of Annual U.S. Patent Activity Since 1790; single
grants from museum records, court opinions, the Official Gazette and patent-firm histories, each named with its row
in `tables/patents/known_grants.csv`; Patently-O, "Almost uninterrupted Tuesdays", for the issue days.
"""

import csv
from datetime import date, timedelta
from pathlib import Path

import pytest

from decoder.families.patent import FAMILY
from decoder.families.patent_numbers import meet, register, us_series
from decoder.marking import DIGITS, Marking
from decoder.scheme.family import Context
from decoder.tables import shipped

FOLDER = Path(__file__).resolve().parents[2] / "tables" / "patents"
MEANING = {"utility": "number", "design": "design", "reissue": "reissue"}
PREFIX = {"utility": "U.S. PAT. NO. ", "design": "U.S. DES. PAT. ", "reissue": "REISSUE "}
NOT_TUESDAYS = {date(1836, 7, 13), date(1842, 11, 9), date(1974, 6, 28)}


def rows(name):
    with (FOLDER / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def cells(number):
    return tuple(1 << int(c) for c in str(number))


def granted(series, number, leave_out=None):
    return meet(us(series, leave_out), [cells(number)]).granted


def us(series, leave_out=None):
    if leave_out is not None:
        return us_series(shipped(), series, leave_out)
    return register(shipped()).series["US", MEANING[series]][0]


def days(window):
    return window.earliest_date, window.latest_date


def read(text, **more):
    return FAMILY.read(Marking.read(text, limit=400), Context(shipped(), **more))


def test_every_known_grant_lies_in_the_interval_that_the_other_rows_give(capsys):
    """Each of the published and remembered grants, the row itself left out of the tables."""
    missed, narrow, widths = [], 0, []
    for row in rows("known_grants.csv"):
        series, number, day = row["series"], int(row["number"]), date.fromisoformat(row["granted"])
        found = granted(series, number, leave_out=number)
        first, last = days(found)
        if first is None or first > day or (last is not None and day > last):
            missed.append((series, number, day, found.edtf()))
        if last is not None:
            widths.append((last - first).days + 1)
            narrow += widths[-1] < 365
    total = len(rows("known_grants.csv"))
    with capsys.disabled():
        middle = sorted(widths)[len(widths) // 2]
        print(
            f"\nknown US grants, each left out in turn: {total - len(missed)} of {total} inside, "
            f"{narrow} ({narrow / total:.0%}) in less than a year, median {middle} days"
        )
    assert total >= 200
    assert not missed
    # Where it rests on memory the year table alone gives 55 or 56 weeks: only dated neighbours bring that below a year.
    assert narrow / total > 0.7


def test_a_row_that_is_left_out_no_longer_tells_its_own_day():
    """Without this the check above would be told its answer. 2,741,146: published as granted 10 April 1956."""
    with_it = granted("utility", 2741146)
    without = granted("utility", 2741146, leave_out=2741146)
    assert days(with_it) == (date(1956, 4, 10), date(1956, 4, 10))
    assert without.width_days > 28


def test_a_grant_of_which_a_publication_gives_the_day_is_dated_to_the_day():
    for row in rows("known_grants.csv"):
        if row["grade"] != "M":
            day = date.fromisoformat(row["granted"])
            assert days(granted(row["series"], row["number"])) == (day, day), row


def test_a_grant_known_from_memory_alone_narrows_nothing():
    remembered = [row for row in rows("known_grants.csv") if row["grade"] == "M"]
    assert remembered
    for row in remembered:
        assert granted(row["series"], row["number"]).width_days > 7, row


def test_patents_issue_on_tuesdays():
    """Patently-O: Tuesdays since 1848; USPTO, This Day in IP History: a Friday issue on 28 June 1974."""
    odd = {date.fromisoformat(row["granted"]) for row in rows("known_grants.csv")}
    odd = {day for day in odd if day.weekday() != 1}
    assert odd <= NOT_TUESDAYS
    for row in rows("us_issue_years.csv"):
        if row["first_issue_date"] and int(row["year"]) > 1836:
            assert date.fromisoformat(row["first_issue_date"]).weekday() == 1, row


def test_the_friday_issue_of_1974_is_an_issue_day():
    assert register(shipped()).days.is_one(date(1974, 6, 28).toordinal()) is True
    assert register(shipped()).days.is_one(date(1974, 6, 27).toordinal()) is False
    assert register(shipped()).days.is_one(date(1840, 6, 27).toordinal()) is None


def test_dates_that_were_misprinted_are_outside_the_interval_or_no_issue_day():
    """Dates in print that can't be right: each names its source and why. The probable dates lie inside."""
    misprints = [row for row in rows("us_grant_conflicts.csv") if row["kind"] == "misprint"]
    assert len(misprints) >= 7
    outside = 0
    for row in misprints:
        found = granted(row["series"], row["number"])
        stated, probable = (date.fromisoformat(row[name]).toordinal() for name in ("stated", "probable"))
        assert found.contains(probable), row
        assert register(shipped()).days.is_one(probable) is True, row
        outside += not found.contains(stated)
        assert not found.contains(stated) or register(shipped()).days.is_one(stated) is False, row
    assert outside >= 3


def test_misprints_of_a_year_are_told_by_number_order_alone():
    """Harness, history blog: 2,269,451 with 1943 for 1942, 1,835,031 with 2024 for 1931."""
    for number, wrong in ((2269451, date(1943, 1, 13)), (1835031, date(2024, 12, 8))):
        assert not granted("utility", number).contains(wrong.toordinal())


def test_numbers_between_two_copies_of_the_year_table_may_be_of_either_year():
    """The USPTO table as copied by the Mid-West Tool Collectors Association has 1,612,700 as the first of 1927."""
    found = granted("utility", 1612750)
    first, last = days(found)
    assert first.year == 1926
    assert last.year == 1927


def test_published_filing_days_lie_before_the_end_of_the_grant_interval():
    """Filing and grant days of single patents, each row with its own source."""
    examples = rows("pendency.csv")
    assert len(examples) >= 30
    for row in examples:
        found = granted(row["series"], row["number"])
        filed, issued = date.fromisoformat(row["filed"]), date.fromisoformat(row["granted"])
        assert filed < issued
        assert found.contains(issued.toordinal()), row
        assert filed.toordinal() < found.latest, row


def test_a_pending_mark_of_a_published_patent_runs_from_filing_to_grant():
    for row in rows("pendency.csv"):
        if row["grade"] == "M":
            continue
        prefix = "D" if row["series"] == "design" else ""
        found = read("PAT. PEND.", patent=f"{prefix}{row['number']}")
        assert len(found) == 1, row
        window = found[0].window.hull()
        assert window.earliest_date == date.fromisoformat(row["filed"])
        assert window.contains(date.fromisoformat(row["granted"]).toordinal())


def test_the_year_table_never_has_fewer_numbers_than_the_office_counted(capsys):
    """USPTO, Table of Annual U.S. Patent Activity Since 1790: counts of grants, 1963-67 and 1995-2020.

    Some numbers are never used, so a year of the table holds a few more: up to 4,600 utility numbers, 134 designs.
    """
    table = {int(row["year"]): row for row in rows("us_issue_years.csv")}
    checked = 0
    for count in rows("us_yearly_counts.csv"):
        year = int(count["year"])
        for name, most in (("utility", 4600), ("design", 134)):
            first, following = table[year][f"first_{name}"], table.get(year + 1, {}).get(f"first_{name}")
            if first and following and count[f"{name}_grants"]:
                unused = int(following) - int(first) - int(count[f"{name}_grants"])
                assert 0 <= unused <= most, (year, name, unused)
                checked += 1
    with capsys.disabled():
        print(f"\nyears of the number table checked against office counts: {checked}")
    assert checked >= 45


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("PAT. NO. 2,741,146", date(1956, 4, 10)),  # patent data page; guitar tremolo
        ("PAT. 1,741,453", date(1929, 12, 31)),  # from memory; resonator guitar
        ("PAT. NO. 2,010,712", date(1935, 8, 6)),  # the row in known_grants.csv names its source
        ("PAT. NO. 1,479,778", date(1924, 1, 1)),  # court opinion 6 F.Supp. 87
        ("DES. PAT. 164,227", date(1951, 8, 14)),
        ("RE. PAT. 15,278", date(1922, 1, 31)),
    ],
)
def test_published_marks_are_read_with_a_grant_interval_that_holds_the_day(text, day):
    us = [r for r in read(text) if r.scheme.startswith("us-")]
    assert len(us) == 1
    assert us[0].granted.contains(day.toordinal())
    assert us[0].window.latest is None


def test_dated_german_and_canadian_patents_lie_in_the_years_of_their_tables():
    """Patentblatt of 1883 to 1919, as compiled in open research data: a number is of its table year.

    Exchequer Court of Canada, P. & M. Company v. Canada Machinery (1924): 122,715 bears 21 December 1909.
    """
    for row in rows("de_patents.csv"):
        if row["series"] == "DRP" and row["grade"] == "C" and row["tolerance_numbers"] == "0":
            middle = (int(row["first_number"]) + int(row["last_number"])) // 2
            found = read(f"D.R.P. {middle}")[0].granted
            assert {found.earliest_date.year, found.latest_date.year} == {int(row["year"])}, row
    canada = read("CANADIAN PAT. 122,715")[0].granted
    assert canada.contains(date(1909, 12, 21).toordinal())


def test_registered_designs_between_two_lists_may_be_of_either_year():
    """British Designs Registry year list, and a second list that lies below it every year."""
    checked = 0
    for row in rows("gb_registered_designs.csv"):
        if row["other_first_number"] and int(row["year"]) > 1884:
            between = (int(row["first_number"]) + int(row["other_first_number"])) // 2
            found = read(f"REGD DESIGN {between}")[0].granted
            year = int(row["year"])
            assert found.earliest_date.year <= year - 1, row
            assert found.latest_date >= date(year, 12, 31), row
            checked += 1
    assert checked >= 30


def test_every_first_number_of_a_year_is_dated_to_that_year_or_the_edge_around_it():
    """The USPTO table itself: n is of year y when first(y) <= n < first(y + 1)."""
    checked = 0
    for row in rows("us_issue_years.csv"):
        for name in MEANING:
            if row[f"first_{name}"] and int(row["year"]) > 1848:
                found = granted(name, row[f"first_{name}"])
                first = date.fromisoformat(row["first_issue_date"])
                slack = timedelta(weeks=2) if row[f"grade_{name}"] == "M" else timedelta(0)
                assert found.earliest_date >= first - slack, row
                assert found.contains(first.toordinal()), row
                checked += 1
    assert checked > 450


def test_a_wholly_worn_number_of_seven_digits_is_not_older_than_the_first_million():
    """Number 1,000,000 was granted on 8 August 1911."""
    found = meet(us("utility"), [(DIGITS,) * 7])
    assert found.granted.earliest_date == date(1911, 8, 8)
