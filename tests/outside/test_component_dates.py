"""Published dated marks of capacitors, valves, speakers and other components against what is read.

Each row of `component/examples` names the publication in which the mark and its date stand together: makers'
tables and leaflets, a standard's abstract, amplifier-history pages, forums.
"""

import pytest

from decoder.tables import shipped
from tests.outside.published import Example, decoded, meets, missed, share, stated, windows

ROWS = shipped().table("component/examples").rows

# Published readings that are not read as stated, each with the reason: none.
NOT_READ: dict[tuple[str, str, str | None], str] = {}


def examples():
    return [
        Example(row["scheme"], row["marking"], row["part"], stated(row["stated"]), row["source"])
        for row in ROWS
    ]


def test_published_component_dates_are_read_as_stated(capsys):
    found = examples()
    lost = missed(found)
    with capsys.disabled():
        print(share("published component dates", found, lost))
    assert len(found) >= 60
    assert lost == set(NOT_READ)  # an unlisted miss, or a listed one that is read after all


def test_every_published_component_date_is_among_the_readings_that_count():
    assert missed(examples(), in_force=True) == set(NOT_READ)


@pytest.mark.parametrize(
    "row", shipped().table("component/examples").rows, ids=lambda r: f"{r['scheme']} {r['marking']}"
)
def test_a_row_of_examples_names_its_publication_and_a_scheme_that_reads_its_kind_of_part(row):
    assert shipped().table("component/examples").cite(row)
    scheme = next(
        s
        for f in ("component_date", "stamped_date")
        for s in shipped().schemes(f)
        if s["id"] == row["scheme"]
    )
    assert row["part"] in scheme["kinds"]


@pytest.mark.parametrize(
    ("marking", "part", "wrong"),
    [
        ("KH7", "speaker", "1976-10-07"),
        ("T4", "capacitor", "1984-04"),
        ("IYT", "capacitor", "1964-08-20/1964-08-26"),
    ],
)
def test_the_check_can_fail(marking, part, wrong):
    """A date that the publication does not state is not met."""
    for scheme in {r.scheme for r in decoded(Example("", marking, part, stated(wrong), ())).readings}:
        example = Example(scheme, marking, part, stated(wrong), ())
        assert not meets(example, windows(example, decoded(example)))
