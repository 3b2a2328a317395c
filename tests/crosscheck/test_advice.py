"""What to look at next: by sums done apart, cheap looks first, in plain words. Harrow & Vale is invented."""

from __future__ import annotations

import math
from datetime import date
from typing import Any

import numpy as np
import pytest

from decoder.crosscheck import check
from decoder.crosscheck.advice import CHECKLIST, Outlook, entropy, expected_gain
from decoder.crosscheck.lag import Lag
from decoder.tables import Tables

TODAY = date(2026, 11, 25)
NO_LAG = Lag("serial", 0, 0, 0, 0.0, False, 1850)
MADE = TODAY.toordinal() - date(1850, 1, 1).toordinal() + 1


def by_hand(name: str, kind: str, text: str, **more: Any) -> dict[str, Any]:
    return {
        "id": name,
        "part": kind,
        "override": {"window": text, "name": "Tidewater Bench", "reason": "seen"},
        **more,
    }


def unread(name: str, kind: str, state: str = "not-looked", **more: Any) -> dict[str, Any]:
    return {"id": name, "part": kind, "state": state, **more}


def advice(*parts: dict[str, Any], claim: str | None = "1966", **instrument: Any) -> list[dict[str, Any]]:
    sheet = {"instrument": {"claim": claim, **instrument}, "parts": list(parts)}
    found: list[dict[str, Any]] = check(sheet, today=TODAY).as_dict()["advice"]
    return found


def outlook(chances: list[float], inside: list[float], apart: int = 52) -> Outlook:
    days = date(1960, 1, 1).toordinal() + 7 * apart * np.arange(len(chances))
    return Outlook(days, np.array(chances), np.array(inside), 7, TODAY.toordinal())


# The sums


def test_a_certain_date_takes_away_all_that_is_open() -> None:
    date_bits, claim_bits = expected_gain(NO_LAG, 0.0, 0, outlook([0.25] * 4, [1, 0, 0, 0]))
    assert date_bits == pytest.approx(2)
    assert claim_bits == pytest.approx(entropy(0.25))


def test_a_part_that_is_always_replaced_tells_nothing() -> None:
    always = Lag("serial", 0, 0, 0, 1.0, False, 1850)
    assert expected_gain(always, 1.0, 0, outlook([0.25] * 4, [1, 0, 0, 0])) == pytest.approx((0, 0), abs=1e-9)


def test_a_part_replaced_now_and_then_by_a_sum_over_its_dates() -> None:
    # Two weeks of completion, a year apart. The part names the week of one, of the other, or some other week.
    rate = 0.3
    own, stray = 1 - rate + rate * 7 / MADE, rate * 7 / MADE
    seen = (own + stray) / 2
    expected = 2 * 0.5 * (own * math.log2(own / seen) + stray * math.log2(stray / seen))
    date_bits, claim_bits = expected_gain(NO_LAG, rate, 0, outlook([0.5, 0.5], [1, 0]))
    assert date_bits == pytest.approx(
        expected, rel=2e-3
    )  # the cells of dates and of completion are not the same
    assert claim_bits == pytest.approx(
        date_bits, rel=1e-6
    )  # the claim is one of the two weeks: the same question


def test_a_stray_date_is_as_likely_as_its_share_of_the_years_of_its_kind() -> None:
    # Two weeks of completion, sixty years apart, and a mark good to twenty years: one stray in nine falls on either.
    rate, months = 0.5, 240
    share = round(months * 365.2425 / 12) / MADE
    own, stray = 1 - rate + rate * share, rate * share
    seen = (own + stray) / 2
    expected = own * math.log2(own / seen) + stray * math.log2(stray / seen)
    far = Outlook(
        np.array([date(1900, 1, 1).toordinal(), date(1960, 1, 1).toordinal()]),
        np.array([0.5, 0.5]),
        np.array([1.0, 0.0]),
        7,
        TODAY.toordinal(),
    )
    assert expected_gain(NO_LAG, rate, months, far)[0] == pytest.approx(expected, rel=2e-2)
    assert expected < 0.9 * expected_gain(NO_LAG, rate, 0, far)[0]


def test_a_wider_mark_tells_less() -> None:
    open_years = outlook([0.1] * 10, [1] + [0] * 9)
    gains = [expected_gain(NO_LAG, 0.1, months, open_years)[0] for months in (0, 12, 60, 240)]
    assert gains == sorted(gains, reverse=True) and gains[0] > gains[-1]


def test_a_longer_lag_tells_less() -> None:
    open_months = outlook([0.1] * 10, [1] + [0] * 9, apart=8)
    short, long = (Lag("pot", 0, usual, longest, 0.1, False, 1850) for usual, longest in ((3, 12), (24, 60)))
    assert expected_gain(short, 0.1, 0, open_months)[0] > expected_gain(long, 0.1, 0, open_months)[0]


@pytest.mark.parametrize(("chance", "bits"), [(0.0, 0.0), (1.0, 0.0), (0.5, 1.0), (0.25, 0.8112781)])
def test_doubt_is_measured_in_bits(chance: float, bits: float) -> None:
    assert entropy(chance) == pytest.approx(bits)


# The checklist


def test_every_kind_of_the_checklist_is_a_kind_of_part(shipped: Tables) -> None:
    kinds = {row["id"] for row in shipped.table("parts/kinds").rows}
    rows = shipped.table(CHECKLIST).rows
    assert {row["kind"] for row in rows} <= kinds
    assert {sort for row in rows for sort in row["instruments"]} == {"fretted", "amplifier"}


# The advice


def test_the_shape_is_the_one_agreed_and_three_at_most() -> None:
    found = advice(by_hand("label", "label", "1960/.."), unread("heel", "neck-heel"), unread("pot", "pot"))
    assert len(found) == 3
    for one in found:
        assert {"part", "why", "how", "gain_bits", "caution"} <= set(one)
        assert one["gain_bits"] > 0 and one["how"].endswith(".")
        assert one["caution"] is None or "ollow local codes" in one["caution"]


def test_bits_are_told_to_two_decimals_and_the_chance_of_a_date_in_tenths(shipped: Tables) -> None:
    tells = {row["kind"]: row["tells"] for row in shipped.table(CHECKLIST).rows if row["maker"] is None}
    parts = [unread(kind, kind) for kind in ("potentiometer", "neck-heel", "serial", "capacitor", "speaker")]
    met = set()
    for n in range(len(parts)):
        for one in advice(
            *(by_hand(f"heel-{k}", "neck-heel", "[1956-05,1966-05]") for k in (1, 2)), parts[n], parts[n - 1]
        ):
            assert all(one[bits] == round(one[bits], 2) for bits in ("gain_bits", "claim_bits"))
            assert f"About {round(10 * tells[one['kind']])} in 10 carry a date" in one["why"]
            met.add(one["kind"])
    assert len(met) >= 4


def test_how_closely_a_mark_dates_is_told_in_weeks_months_and_years(shipped: Tables) -> None:
    rows = {row["kind"]: row["within"] for row in shipped.table(CHECKLIST).rows if row["maker"] is None}
    words = {0: "to the week", 1: "to the month", 12: "to the year"}
    met = set()
    for kind in rows:
        for one in advice(
            by_hand("label", "label", "1940/.."), unread(f"the {kind}", kind), claim="1950/1970"
        ):
            months = rows[one["kind"]]
            assert f" carry a date, {words.get(months, f'to about {round(months / 12)} years')}" in one["why"]
            met.add(months)
    assert met >= set(words)


def test_a_part_of_the_sheet_is_named_by_its_id_and_another_by_its_kind() -> None:
    found = {
        one["part"]: one
        for one in advice(by_hand("pot-1", "pot", "1966-03"), unread("the heel", "neck-heel"))
    }
    assert found["the heel"]["kind"] == "neck-heel"
    assert found["the heel"]["why"].startswith("Not looked at yet.")
    others = [one for name, one in found.items() if name != "the heel"]
    assert others and all(one["part"] == one["kind"] and "not on the sheet" in one["why"] for one in others)


def test_what_is_read_illegible_blank_or_disclosed_is_not_advised() -> None:
    found = advice(
        by_hand("pot", "pot", "1966-03"),
        unread("serial", "serial", "illegible"),
        unread("heel", "neck-heel", "no-mark"),
        unread("cavity", "body-cavity", flags=["disclosed-replacement"]),
    )
    assert not {"potentiometer", "serial", "neck-heel", "body-cavity"} & {one["kind"] for one in found}


def test_an_amplifier_is_not_told_to_take_its_neck_off(shipped: Tables) -> None:
    found = advice(by_hand("speaker", "speaker", "1960/.."), by_hand("pot", "pot", "1960/.."))
    amplifier = {row["kind"] for row in shipped.table(CHECKLIST).rows if "amplifier" in row["instruments"]}
    assert found and {one["kind"] for one in found} <= amplifier
    guitar = advice(by_hand("heel", "neck-heel", "1960/.."), by_hand("pot", "pot", "1960/.."))
    fretted = {row["kind"] for row in shipped.table(CHECKLIST).rows if "fretted" in row["instruments"]}
    assert guitar and {one["kind"] for one in guitar} <= fretted


def test_a_makers_own_row_comes_before_the_general_one() -> None:
    parts = (by_hand("label", "label", "1955/.."), unread("no", "serial"))
    general = {one["part"]: one["gain_bits"] for one in advice(*parts)}
    own = {one["part"]: one["gain_bits"] for one in advice(*parts, maker="harrow & vale")}
    assert own["no"] > general["no"]


def test_of_looks_worth_the_same_the_cheap_one_comes_first() -> None:
    found = advice(claim=None)
    ranks = [(-round((one["gain_bits"] + one["claim_bits"]) / 0.1), one["invasive"]) for one in found]
    assert ranks == sorted(ranks)


def test_a_second_pot_of_a_harness_is_worth_less_than_the_first(shipped: Tables) -> None:
    alone = advice(by_hand("heel", "neck-heel", "1966/1968"), unread("pot-2", "pot"))
    beside = advice(by_hand("heel", "neck-heel", "1966/1968"), unread("pot-2", "pot", group="other harness"),
                    by_hand("pot-1", "pot", "../.."))  # fmt: skip
    repeated = advice(by_hand("heel", "neck-heel", "1966/1968"), unread("pot-2", "pot"),
                      by_hand("pot-1", "pot", "1960/.."))  # fmt: skip
    gains = [
        {one["part"]: one["gain_bits"] for one in found}.get("pot-2", 0.0)
        for found in (alone, beside, repeated)
    ]
    assert gains[0] == pytest.approx(gains[1], abs=0.01)
    assert gains[2] < 0.5 * gains[0]


def test_without_a_claim_the_day_of_completion_alone_counts() -> None:
    assert all(one["claim_bits"] == 0 for one in advice(by_hand("label", "label", "1960/.."), claim=None))


def test_a_claim_in_doubt_is_spoken_of() -> None:
    found = advice(
        *(by_hand(f"heel-{n}", "neck-heel", "[1956-05,1966-05]") for n in (1, 2)), unread("pot", "pot")
    )
    (pot,) = [one for one in found if one["part"] == "pot"]
    assert pot["claim_bits"] > 0.3
    assert "% of the doubt about the claim" in pot["why"]


def test_the_doubt_is_spoken_of_from_a_twentieth_of_it_on() -> None:
    met = set()
    for claim in ("1966", "1960/1970", "1966-03", "1956", "1940/1966"):
        for heels in (1, 2):
            parts = [by_hand(f"heel-{n}", "neck-heel", "[1956-05,1966-05]") for n in range(heels)]
            found = check(
                {"instrument": {"claim": claim}, "parts": [*parts, unread("pot", "pot")]}, today=TODAY
            )
            assert found.estimate is not None and found.estimate.claim_probability is not None
            doubt = entropy(found.estimate.claim_probability)
            for one in found.advice:
                share = one.claim_bits / doubt
                if abs(share - 0.05) > 0.01:  # the probability is rounded
                    assert ("% of the doubt about the claim" in one.why) is (share > 0.05)
                    met.add(share > 0.05)
    assert met == {True, False}


def test_nothing_is_advised_where_the_day_is_known() -> None:
    sheet = {
        "parts": [by_hand("body", "body", "1966-03-08"), unread("pot", "pot")],
        "options": {
            "lags": {"body": {"lead": 0, "usual": 0, "longest": 0}},
            "replacement_rates": {"body": 0},
        },
    }
    found = check(sheet, today=TODAY)
    assert found.estimate is not None and found.estimate.interval_90.width_days == 7
    assert found.advice == ()


def test_a_sheet_without_a_single_date_is_told_where_to_begin() -> None:
    found = advice(unread("tuner", "tuner", "illegible"))
    assert found and found[0]["gain_bits"] > 1
    assert check({"parts": []}, today=TODAY).as_dict()["advice"]


def test_the_order_of_the_parts_changes_no_advice() -> None:
    parts = [
        by_hand("label", "label", "1960/.."),
        unread("heel", "neck-heel"),
        unread("pot", "pot"),
        unread("cap", "cap"),
    ]
    assert advice(*parts) == advice(*reversed(parts))


def test_the_narrative_names_the_looks_that_tell_most() -> None:
    sheet = {
        "instrument": {"claim": "1966"},
        "parts": [by_hand("label", "label", "1960/.."), unread("heel", "neck-heel")],
    }
    found = check(sheet, today=TODAY)
    said = found.narrative[-1]
    assert said.startswith("Next: ")
    assert all(one.part in said for one in found.advice)
