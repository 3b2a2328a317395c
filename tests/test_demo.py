"""The demo's invented instruments say what they are shown for."""

import json
from datetime import date
from pathlib import Path

import pytest

from decoder.crosscheck import check
from decoder.crosscheck.sheet import read_csv

DEMO = Path(__file__).parent.parent / "demo"
TODAY = date(2026, 11, 25)


def assessed(name):
    text = (DEMO / name).read_text(encoding="utf-8")
    made = check(read_csv(text) if name.endswith(".csv") else json.loads(text), today=TODAY).as_dict()
    return made, {part["id"]: part for part in made["parts"]}


def test_the_first_agrees_in_every_part_that_is_read():
    made, parts = assessed("estuary-agrees.json")
    assert made["outcome"] == "agrees"
    assert {part["verdict"] for part in parts.values()} == {"fits", "unread"}
    assert made["claim_explanations"][0]["set_aside"] == []


def test_the_second_is_contradicted_by_a_swapped_pot_and_later_tuners_alone():
    made, parts = assessed("estuary-contradicted.csv")
    assert made["outcome"] == "contradicted"
    assert {name for name, part in parts.items() if part["verdict"] == "too-new"} == {"third pot", "tuners"}
    assert made["claim_explanations"][0]["set_aside"] == ["third pot", "tuners"]
    assert [g["odd"] for g in made["groups"]] == [["third pot"]]
    assert any("Patent granted after the claim" in warning for warning in made["warnings"])


def test_the_third_has_worn_characters_a_serial_in_two_bands_and_an_old_stock_capacitor():
    made, parts = assessed("estuary-worn.json")
    assert made["outcome"] == "agrees"
    assert "?" in parts["serial"]["decoding"]["marking"]
    assert parts["serial"]["decoding"]["readings"][0]["window"]["edtf"] == "1964-01-01/1965-12-31"
    assert parts["can capacitor"]["verdict"] == "old-stock"
    assert parts["bridge wall"]["verdict"] == "undecided"
    assert parts["third pot"]["verdict"] == "unread"


@pytest.mark.parametrize("path", sorted(DEMO.glob("estuary-*")), ids=lambda p: p.name)
def test_every_demo_instrument_is_of_the_invented_maker(path):
    assert "Harrow & Vale" in path.read_text(encoding="utf-8")
