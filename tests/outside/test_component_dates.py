"""Published dated marks of capacitors, valves, speakers and other components against what is read.

Each row of `component/examples` names the publication in which the mark and its date stand together: makers'
tables and leaflets, a standard's abstract, amplifier-history pages, forums.
"""

import pytest

from decoder.tables import shipped
from tests.outside.published import assert_named_and_read, assert_not_met, examples_of, missed, share

TABLE = "component/examples"

# Published readings that are not read as stated, each with the reason: none.
NOT_READ: dict[tuple[str, str, str | None], str] = {}


def test_published_component_dates_are_read_as_stated(capsys):
    found = examples_of(TABLE)
    lost = missed(found)
    with capsys.disabled():
        print(share("published component dates", found, lost))
    assert len(found) >= 60
    assert lost == set(NOT_READ)  # an unlisted miss, or a listed one that is read after all


def test_every_published_component_date_is_among_the_readings_that_count():
    assert missed(examples_of(TABLE), in_force=True) == set(NOT_READ)


@pytest.mark.parametrize("row", shipped().table(TABLE).rows, ids=lambda r: f"{r['scheme']} {r['marking']}")
def test_a_row_of_examples_names_its_publication_and_a_scheme_that_reads_its_kind_of_part(row):
    assert_named_and_read(TABLE, row)


@pytest.mark.parametrize(
    ("marking", "part", "wrong"),
    [
        ("KH7", "speaker", "1976-10-07"),
        ("T4", "capacitor", "1984-04"),
        ("IYT", "capacitor", "1964-08-20/1964-08-26"),
    ],
)
def test_the_check_can_fail(marking, part, wrong):
    assert_not_met(marking, part, wrong)
