"""Published dated examples of source-and-date codes against what is read.

Each row of `eia/examples` names the publication in which a code and its date were printed together: dealers'
listings, makers' statements and articles. The registrar's own example is of the ECIA page on the former codes.
"""

from datetime import date

import pytest

from decoder.catalog import decode
from decoder.tables import shipped

# Published readings that are not expected to be met, each with the reason.
EXCEPTIONS: dict[str, str] = {}


def rows():
    return [r for r in shipped().table("eia/examples").rows if r["marking"] and r["stated_year"]]


def met(row) -> bool:
    marking = row["marking"].replace("X", "?") if row["marking"] == "137 663X" else row["marking"]
    decoding = decode(marking, part=row["part"])
    for reading in decoding.readings:
        hull = reading.window.hull()
        if row["stated_week"]:
            stated = date.fromisocalendar(row["stated_year"], row["stated_week"], 4).toordinal()
            if reading.window.contains(stated):
                return True
        elif hull.earliest_date.year <= row["stated_year"] <= hull.latest_date.year:
            return True
    return False


def test_published_codes_are_read_with_the_stated_date(capsys):
    found = {row["marking"]: met(row) for row in rows()}
    missed = sorted(marking for marking, ok in found.items() if not ok and marking not in EXCEPTIONS)
    with capsys.disabled():
        print(f"\npublished source-and-date codes: {sum(found.values())} of {len(found)} read as stated")
    assert len(found) >= 30
    assert not missed


def test_the_registrars_own_example():
    """ECIA page on the former EIA source codes: 113-9910 is the week of 7-13 March 1999."""
    strong = decode("113-9910").readings[0]
    for day in range(7, 14):
        assert strong.window.contains(date(1999, 3, day).toordinal())


@pytest.mark.parametrize(
    ("marking", "first", "last"),
    [
        ("304-6532", date(1965, 8, 9), date(1965, 8, 15)),  # Modern Guitar Tech blog prints the span of days
        ("1377336", date(1973, 9, 3), date(1973, 9, 9)),  # owner's data in a public repository file
    ],
)
def test_two_published_spans_of_days(marking, first, last):
    window = decode(marking, part="potentiometer").readings[0].window
    assert window.contains(first.toordinal())
    assert window.contains(last.toordinal())


def test_six_digits_are_source_year_week():
    """Common practice of the trade, no source: three digits of source, last digit of the year, two of week."""
    decoding = decode("304435", part="potentiometer")
    assert any(r.window.contains(date.fromisocalendar(1954, 35, 4).toordinal()) for r in decoding.readings)
