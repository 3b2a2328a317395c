"""Days, gaps and windows as they stand in a sentence."""

from __future__ import annotations

from datetime import date

import pytest

from decoder.crosscheck.wording import gap_text, listed, window_text, windows_text, years_text
from decoder.window import EMPTY, WindowSet, parse_edtf


def windows(text: str) -> WindowSet:
    return parse_edtf(text).windows


@pytest.mark.parametrize(
    ("edtf", "words"),
    [
        ("1966", "1966"),
        ("1965/1967", "1965 to 1967"),
        ("1966-03", "Mar 1966"),
        ("1965-10/1966-03", "Oct 1965 to Mar 1966"),
        ("1966-03-21/1966-04-04", "21 Mar 1966 to 4 Apr 1966"),
        ("1966-03-01/1966-03-30", "1 Mar 1966 to 30 Mar 1966"),
        ("1966-04-07", "7 Apr 1966"),
        ("1958/..", "1 Jan 1958 or later"),
        ("../1958", "31 Dec 1958 or earlier"),
        ("../..", "any day"),
        ("9999-12", "Dec 9999"),
        ("1968-02", "Feb 1968"),
    ],
)
def test_a_window_is_written_in_the_coarsest_words_that_are_exact(edtf: str, words: str) -> None:
    assert window_text(parse_edtf(edtf).window) == words


def test_a_set_of_windows_is_cut_short_and_says_so() -> None:
    assert windows_text(windows("[1946,1956,1966]")) == "1946, 1956 or 1966"
    assert windows_text(windows("[1910,1920,1930,1940,1950,1960]")) == "1910, 1920, 1930, 1940, 1950 or 1960"
    said = windows_text(windows("[1910,1920,1930,1940,1950,1960,1970]"))
    assert said == "1910, 1920, 1930, 1940, 1950 or 2 more windows"
    assert windows_text(EMPTY) == "no day"


def test_years_are_named_once_and_cut_short() -> None:
    assert years_text(windows("[1966-03,1966-09,1976-12..1977-01]")) == "1966 and 1976 to 1977"
    eight = years_text(windows("[1900,1910,1920,1930,1940,1950,1960,1970]"))
    assert eight == "1900, 1910, 1920, 1930, 1940, 1950, 1960 and 1970"
    nine = years_text(windows("[1900,1910,1920,1930,1940,1950,1960,1970,1980]"))
    assert nine == "1900, 1910, 1920, 1930, 1940, 1950, 1960 and 2 more"
    assert years_text(windows("[1946,1958..]")) == "1946 and 1 Jan 1958 or later"


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        ("1966-12-31", "1967-01-01", "1 day"),
        ("1966-12-31", "1967-02-27", "58 days"),
        ("1966-12-31", "1967-02-28", "2 months"),
        ("1964-12-31", "1966-03-01", "14 months"),
        ("1964-12-31", "1967-12-30", "35 months"),
        ("1964-12-31", "1967-12-31", "3 years"),
        ("1964-12-31", "1971-01-31", "6 years 1 month"),
        ("1964-12-31", "1971-03-30", "6 years 2 months"),
    ],
)
def test_a_gap_is_told_in_days_then_months_then_years(first: str, second: str, words: str) -> None:
    assert gap_text(date.fromisoformat(first).toordinal(), date.fromisoformat(second).toordinal()) == words


def test_items_are_listed_with_one_last_word() -> None:
    assert [listed(""), listed("a"), listed("ab"), listed("abc", "or")] == ["", "a", "a and b", "a, b or c"]
