"""What this can read, as a page: made from the tables, so it holds every family, scheme and table there is."""

from __future__ import annotations

import pytest

from decoder.catalog import families
from decoder.tables import Tables


def test_every_family_scheme_and_table_stands_on_the_page(client, shipped: Tables):
    page = client.get("/reads")
    assert page.status_code == 200
    text = page.get_data(as_text=True)
    for family in families():
        assert f'id="{family.id}"' in text
        for scheme in shipped.schemes(family.id):
            assert scheme["title"].split("'")[0].split("&")[0] in text
    for name in shipped.ids():
        assert f"/reads/{name}" in text


def test_a_table_is_shown_with_its_rows_and_sources_and_can_be_searched(client):
    found = client.get("/reads/eia/source-codes?find=Elkhart").get_data(as_text=True)
    assert "137" in found and "CTS" in found
    assert "Blue Book" in found
    assert "Eminence" not in found


def test_a_long_table_comes_in_pages(client):
    first = client.get("/reads/patents/wordings").get_data(as_text=True)
    assert "page 1 of 5" in first and "Further rows" in first and "Earlier rows" not in first
    last = client.get("/reads/patents/wordings?page=99").get_data(as_text=True)
    assert "page 5 of 5" in last and "Further rows" not in last


@pytest.mark.parametrize("page", ["x", "-1", "0", "", "９", "99999999"])
def test_a_page_number_that_is_none_is_the_first(client, page):
    assert "page 1 of 5" in client.get(f"/reads/patents/wordings?page={page}").get_data(as_text=True)


def test_an_unknown_table_is_not_found_and_says_where_they_are(client):
    answer = client.get("/reads/eia/nothing")
    assert answer.status_code == 404
    assert "/reads" in answer.get_data(as_text=True)


def test_what_is_searched_for_is_shown_as_typed(client):
    shown = client.get("/reads/eia/words?find=<script>alert(1)</script>").get_data(as_text=True)
    assert "<script>" not in shown
    assert "&lt;script&gt;" in shown
