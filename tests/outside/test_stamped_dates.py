"""Published dates stamped, pencilled and engraved on parts against what is read.

Each row of `stamped/examples` names where the date and its meaning stand together: magazine articles that quote
former staff, dealers' and collectors' pages, era pages; rows of grade M are from memory and say so.
"""

import pytest

from decoder.tables import shipped
from tests.outside.published import assert_named_and_read, assert_not_met, examples_of, missed, share

TABLE = "stamped/examples"

# Published readings that are not read as stated, each with the reason: none.
NOT_READ: dict[tuple[str, str, str | None], str] = {}

# Read as stated, but not among the readings that count, each with the reason.
OUTWEIGHED: dict[tuple[str, str, str | None], str] = {
    ("six-digits-year-first", "100723", "speaker"): (
        "six digits on a speaker are also a source of three digits (not registered), a year digit and a week: fair, "
        "where a bare date is weak. The maker prints the date inside a longer number, which is read strong."
    ),
}


def test_published_stamped_dates_are_read_as_stated(capsys):
    found = examples_of(TABLE)
    lost = missed(found)
    with capsys.disabled():
        print(share("published stamped dates", found, lost))
    assert len(found) >= 40
    assert lost == set(NOT_READ)  # an unlisted miss, or a listed one that is read after all


def test_published_stamped_dates_are_among_the_readings_that_count_but_for_a_short_list():
    assert missed(examples_of(TABLE), in_force=True) == set(OUTWEIGHED)


@pytest.mark.parametrize("row", shipped().table(TABLE).rows, ids=lambda r: f"{r['scheme']} {r['marking']}")
def test_a_row_of_examples_names_its_publication_and_a_scheme_that_reads_its_kind_of_part(row):
    assert_named_and_read(TABLE, row)


@pytest.mark.parametrize(
    ("marking", "part", "wrong"),
    [("6-59", "neck-heel", "1959-05"), ("14.VII.63", "body-cavity", "1963-06-14"), ("S45", "label", "1946")],
)
def test_the_check_can_fail(marking, part, wrong):
    assert_not_met(marking, part, wrong)
