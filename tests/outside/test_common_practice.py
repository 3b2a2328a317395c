"""Check values of the bench against what is read: common practice of the trade, no source.

None of these figures was found printed anywhere, so every one is graded P and belongs to the invented maker
Harrow & Vale and its invented model Estuary: they show how such rows judge a part, and say nothing of any real one.
"""

import pytest

from decoder.catalog import families
from decoder.crosscheck import check
from decoder.families.feature import FAMILY
from decoder.scheme.family import Context
from decoder.tables import shipped

MAKER, MODEL = "Harrow & Vale", "Estuary"


def read(part, feature, value, accuracy=None):
    return FAMILY.read_feature(feature, value, None, accuracy, Context(shipped(), part, MAKER))


def verdict(part, feature, value, claim, accuracy=None):
    """The verdict of one feature against a claimed year, on a sheet."""
    entered = {"id": "it", "part": part, "feature": feature, "value": value}
    if accuracy is not None:
        entered["uncertainty"] = accuracy
    sheet = {"instrument": {"maker": MAKER, "model": MODEL, "claim": claim}, "parts": [entered]}
    return check(sheet).parts[0].evidence.verdict.value


def test_the_rows_are_of_the_invented_maker_and_have_no_source():
    table = shipped().table("invented-spec/features")
    assert {(row["maker"], row["model"], row["grade"], row["source"]) for row in table.rows} == {
        (MAKER, MODEL, "P", ("invented",))
    }
    assert "feature" in {family.id for family in families()}


@pytest.mark.parametrize(
    ("value", "accuracy", "expected"),
    [
        ("0.041 in", None, "fits"),
        ("0.040 in", None, "fits"),
        ("41 thou", None, "fits"),
        ("0.048 in", None, "never"),
        ("0.046 in", None, "never"),
        ("0.050 in", None, "never"),
        ("0.0435 in", 0.003, "undecided"),
    ],
)
def test_the_outer_wall_of_a_bridge_casting(value, accuracy, expected):
    """Originals 0.040 to 0.041 in, later reproductions 0.046 to 0.050 in."""
    assert verdict("bridge", "bridge-casting-wall", value, "1962", accuracy) == expected


@pytest.mark.parametrize(
    ("grams", "expected"), [(30, "fits"), (31, "fits"), (32, "fits"), (35, "unread"), (78, "too-new")]
)
def test_a_light_cast_tailpiece_is_within_a_gram_of_31(grams, expected):
    # At half a gram of accuracy 30 and 32 reach past the gram, and still meet no other row.
    assert verdict("tailpiece", "tailpiece-weight", f"{grams} g", "1962") == expected


def test_fret_wire_is_about_seventy_thou_and_from_early_in_one_year_about_a_hundred():
    (narrow,), (wide,) = read("fret", "fret-width", "70 thou"), read("fret", "fret-width", "100 thou")
    last, first = narrow.window.hull().latest_date, wide.window.hull().earliest_date
    assert (last.year, first.year) == (1959, 1959)
    assert last.month <= 3
    assert verdict("fret", "fret-width", "0.070 in", "1957") == "fits"
    assert verdict("fret", "fret-width", "0.100 in", "1957") == "too-new"
    assert verdict("fret", "fret-width", "0.070 in", "1962") == "too-old"


def test_a_nut_of_one_and_eleven_sixteenths_is_of_the_wide_years():
    assert verdict("neck", "nut-width", "1 11/16 in", "1962") == "fits"
    assert verdict("neck", "nut-width", "1 11/16 in", "1967") == "too-old"
    assert verdict("neck", "nut-width", "1 9/16 in", "1962") == "too-new"


def test_the_screws_of_one_pickup_stand_wider_than_those_of_another_kind():
    """1 15/16 in on one kind of pickup, 1 13/16 in on another, whose replacements have the wider spacing."""
    assert verdict("pickup", "bar-pickup-screw-spacing", "1 15/16 in", "1962") == "fits"
    assert verdict("pickup", "covered-pickup-screw-spacing", "1 13/16 in", "1964") == "fits"
    assert verdict("pickup", "covered-pickup-screw-spacing", "1 15/16 in", "1964") == "never"
    assert verdict("pickup", "bar-pickup-screw-spacing", "1 13/16 in", "1962") == "unread"


def test_a_pickguard_is_about_ninety_thou_thick():
    assert verdict("pickguard", "pickguard-thickness", "0.090 in", "1962") == "fits"
    assert verdict("pickguard", "pickguard-thickness", "0.102 in", "1962") == "never"


def test_a_strap_button_screw_is_an_inch_and_a_half_long_and_threaded_over_its_last_inch():
    assert verdict("strap-button", "strap-screw-length", "1 1/2 in", "1962") == "fits"
    assert verdict("strap-button", "strap-screw-length", "1.25 in", "1962", 0.02) == "unread"
    assert verdict("strap-button", "strap-screw-thread", "last inch", "1962") == "fits"
    assert verdict("strap-button", "strap-screw-thread", "full length", "1962") == "never"


def test_the_braid_of_an_original_lead_has_two_finer_wires_and_later_wire_three():
    assert verdict("wiring", "braid-fine-strands", "2", "1962") == "fits"
    assert verdict("wiring", "braid-fine-strands", "3", "1962") == "never"


def test_a_tuners_button_has_one_ring_and_later_two():
    assert verdict("tuner-button", "tuner-button-rings", "one", "1957") == "fits"
    assert verdict("tuner-button", "tuner-button-rings", "two", "1957") == "too-new"
    assert verdict("tuner-button", "tuner-button-rings", "two", "1962") == "fits"


def test_nickel_dulls_evenly_while_chrome_flakes():
    (dulled,), (nickel,) = (
        read("bridge", "bridge-plating-wear", "dulled evenly"),
        read("bridge", "bridge-plating", "nickel"),
    )
    (flaking,), (chrome,) = (
        read("bridge", "bridge-plating-wear", "flaking"),
        read("bridge", "bridge-plating", "chrome"),
    )
    assert dulled.window == nickel.window
    assert flaking.window == chrome.window
    assert dulled.window.earliest < flaking.window.earliest
    assert verdict("bridge", "bridge-plating-wear", "flaking", "1962") == "too-new"


def test_a_stamped_serial_lies_under_the_finish_and_a_silk_screen_on_top_of_it():
    assert verdict("serial", "serial-place", "under the finish", "1962") == "fits"
    assert verdict("serial", "serial-place", "on top of the finish", "1962") == "too-new"
    assert verdict("serial", "serial-place", "on top of the finish", "1972") == "fits"


def test_a_mould_seam_on_a_part_that_never_had_one_contradicts_without_a_date():
    (seam,) = read("tuner-button", "tuner-button-seam", "mould seam")
    assert seam.never
    assert verdict("tuner-button", "tuner-button-seam", "mold seam", "1962") == "never"
    sheet = {
        "instrument": {"maker": MAKER, "model": MODEL, "claim": "1955/1974"},
        "parts": [
            {"id": "it", "part": "tuner-button", "feature": "tuner-button-seam", "value": "mould seam"}
        ],
    }
    assert check(sheet).outcome.value == "contradicted"


def test_no_answer_says_that_a_part_is_genuine():
    answer = str(check(
        {
            "instrument": {"maker": MAKER, "model": MODEL, "claim": "1962"},
            "parts": [{"id": "it", "part": "bridge", "feature": "bridge-casting-wall", "value": "0.041 in"}],
        }
    ).as_dict()).casefold()  # fmt: skip
    assert "genuine" not in answer and "authentic" not in answer
