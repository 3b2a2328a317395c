"""Published facts that bound labels against what is read: laws, post offices, telephone plans, standards.

Each row of `era/marks` names its publication and shows a text with the mark, and a like one without it. The dates
below are those of the publications named beside them, typed here apart from the table. Harrow & Vale is invented.
"""

import pytest

from decoder.catalog import decode
from decoder.crosscheck import check
from decoder.tables import shipped

ROWS = shipped().table("era/marks").rows


def marks(text):
    """The marks that stand in a text, and the days that its readings allow."""
    readings = [r for r in decode(text, part="label").readings if r.family == "era_mark"]
    return {field.name for r in readings for field in r.fields}, [r.window.edtf() for r in readings]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_the_example_of_a_row_shows_its_mark_and_the_like_text_doesnt(row):
    assert row["id"] in marks(row["example"])[0]
    assert row["id"] not in marks(row["counter_example"])[0]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_no_example_is_of_marks_that_cant_be_of_one_time(row):
    assert len(marks(row["example"])[1]) == 1


@pytest.mark.parametrize(
    ("text", "days", "publication"),
    [
        ("HARROW & VALE, CHICAGO 16, ILLINOIS", "1943-05-01/..", "Post Office, delivery zones, May 1943"),
        ("KALAMAZOO, MICH. 49001", "1963-07-01/..", "Post Office, ZIP code, 1 July 1963"),
        ("MADE IN OCCUPIED JAPAN", "1947-02-20/1952-04-28", "SCAPIN 1535 and the peace treaty in force"),
        ("MADE IN NIPPON", "1891-03-01/1921-12-31", "US customs, Japan for Nippon from 1921"),
        (
            "HARROW & VALE; GERMANY",
            "1891-03-01/..",
            "US Tariff Act of 1890, section 6, in force 1 March 1891",
        ),
        ("MADE IN ENGLAND", "1887-08-23/..", "British Merchandise Marks Act, 23 August 1887"),
        ("BRITISH HONG KONG", "../1997-06-30", "end of British rule"),
        ("REG. U.S. PAT. & TM. OFF.", "1975-01-02/..", "Public Law 93-596, 2 January 1975"),
        ("(CE MARK)", "1993-07-22/..", "Directive 93/68/EEC of 22 July 1993"),
        ("(CROSSED-OUT BIN WITH BAR)", "2005-08-13/..", "EN 50419: put on the market after 13 August 2005"),
        ("(UPC BAR CODE)", "1974-06-26/..", "first shop scan, 26 June 1974"),
        ("WWW.HARROWANDVALE.COM", "1991-08-06/..", "first web page, 6 August 1991; first .com 1985"),
        ("CALL (951) 555-0123", "2004-07-17/..", "area code 951 from 17 July 2004"),
        ("LEEDS, ENGLAND. TEL. 0532 460123", "../1995-04-16", "PhONEday, 16 April 1995"),
        ("91054 ERLANGEN, GERMANY", "1993-07-01/..", "Deutsche Bundespost, five digits, 1 July 1993"),
        ("790 01 ÄLVDALEN, SWEDEN", "1968-05-12/..", "Swedish post office, May 1968"),
        ("3500 HØNEFOSS, NORWAY", "1968-03-18/..", "Norwegian post office, 18 March 1968"),
        ("TORONTO, ONT. M5V 2T6", "1971-04-01/..", "Canadian post office, Ottawa test of 1 April 1971"),
        ("(13A) NÜRNBERG", "1941-07-25/..", "Reichspost decree of 25 July 1941"),
        (
            "WARNING: CANCER. WWW.P65WARNINGS.CA.GOV",
            "2016-08-01/..",
            "California rule adopted in August 2016",
        ),
    ],
)
def test_a_published_date_bounds_the_text(text, days, publication):
    assert marks(text)[1] == [days], publication


@pytest.mark.parametrize(
    ("text", "days", "fact"),
    [
        ("QUEEN STREET, TORONTO 2, ONT.", "1925-01-01/..", "zones began in Toronto in 1925"),
        ("MADE IN HONG KONG", "1887-08-23/..", "only British Hong Kong ends in 1997"),
        ("(T IN INVERTED TRIANGLE)", "../..", "the Japanese T mark had transition to 2006 at least"),
        ("MADE IN ITALY", "1887-08-23/..", "the words are met from the law of 1887, not 1914"),
        ("CALL (510) 555-0123", "1991-09-02/..", "area code 510 began on 2 September 1991"),
        (
            "9935 MARKNEUKIRCHEN, DDR",
            "1964-01-01/1990-12-31",
            "East German postcodes: the earlier of two years",
        ),
    ],
)
def test_an_outer_bound_is_the_outer_one(text, days, fact):
    """Where publications differ, or one was found to be late, the bound that admits more is used."""
    assert marks(text)[1] == [days], fact


def verdict(text, claim):
    sheet = {"instrument": {"claim": claim}, "parts": [{"id": "label", "part": "label", "marking": text}]}
    return check(sheet).parts[0].evidence.verdict.value


def test_a_label_newer_than_the_claim_contradicts_it_and_label_stock_outlasts_a_law():
    assert verdict("HARROW & VALE, KALAMAZOO, MICH. 49001", "1962") == "too-new"
    assert verdict("HARROW & VALE, KALAMAZOO, MICH. 49001", "1964") == "fits"
    assert verdict("MADE IN OCCUPIED JAPAN", "1952-12") == "fits"
    assert verdict("MADE IN OCCUPIED JAPAN", "1955") == "old-stock"
    assert verdict("MADE IN OCCUPIED JAPAN", "1960") == "too-old"
    assert verdict("MADE IN OCCUPIED JAPAN", "1946") == "too-new"
