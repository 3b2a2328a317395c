"""A whole instrument against its claim: outcome, joint windows, explanations, narrative.

Parts are dated by a technician's own reading, so that no table of schemes decides a test, and the lags are the
sheet's own. The maker Harrow & Vale and the shop Tidewater Bench are invented.
"""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import decoder
from decoder import catalog
from decoder.crosscheck import Assessment, Outcome, SheetError, Verdict, check, load_sheet
from decoder.scheme.reading import Precision, Reading, Strength, Timing
from decoder.tables import Citation, Tables
from decoder.window import parse_edtf

LAGS = {
    "potentiometer": {"lead": 2, "usual": 12, "longest": 36},
    "capacitor": {"lead": 1, "usual": 12, "longest": 36},
    "neck-heel": {"lead": 0, "usual": 6, "longest": 24},
    "fret": {"lead": 0, "usual": 6, "longest": 24},
    "speaker": {"lead": 0, "usual": 6, "longest": 36},
}


def dated(name: str, kind: str, window: str, **more: Any) -> dict[str, Any]:
    return {
        "id": name,
        "part": kind,
        "override": {"window": window, "name": "Tidewater Bench", "reason": "seen"},
        **more,
    }


def unread(name: str, kind: str, state: str = "not-looked") -> dict[str, Any]:
    return {"id": name, "part": kind, "state": state}


def sheet(*parts: dict[str, Any], claim: str | None = "1966", **instrument: Any) -> dict[str, Any]:
    about = {"maker": "Harrow & Vale", "claim": claim, **instrument}
    return {"instrument": about, "parts": list(parts), "options": {"lags": LAGS}}


def checked(*parts: dict[str, Any], **more: Any) -> Assessment:
    return check(sheet(*parts, **more))


def outcome(*parts: dict[str, Any], **more: Any) -> str:
    return checked(*parts, **more).outcome.value


def verdicts(assessment: Assessment) -> dict[str, str]:
    return {part.evidence.part.id: part.evidence.verdict.value for part in assessment.parts}


POT = dated("pot", "potentiometer", "1966-02")
NECK = dated("neck", "neck-heel", "1966-05")
NEW_CAP = dated("cap", "capacitor", "1972")
OLD_SPEAKER = dated("speaker", "speaker", "1958")
NEW_FRETS = dated("frets", "fret", "1995")

# The outcome


def test_parts_dated_inside_the_claim_agree_with_it() -> None:
    assert outcome(POT, NECK) == "agrees"


def test_old_stock_agrees_with_the_claim() -> None:
    found = checked(dated("pot", "potentiometer", "1964-02"))
    assert verdicts(found) == {"pot": "old-stock"}
    assert found.outcome is Outcome.AGREES


@pytest.mark.parametrize("part", [NEW_CAP, OLD_SPEAKER, dated("x", "capacitor", "[1946,1976]")])
def test_one_part_that_cant_be_right_contradicts_the_claim(part: dict[str, Any]) -> None:
    assert outcome(POT, NECK, part) == "contradicted"


def test_a_wear_part_that_cant_be_right_contradicts_nothing() -> None:
    found = checked(POT, NECK, NEW_FRETS)
    assert verdicts(found)["frets"] == "too-new"
    assert found.outcome is Outcome.AGREES


def test_a_wear_part_alone_agrees_with_nothing() -> None:
    assert outcome(dated("frets", "fret", "1966")) == "undecided"


def test_a_disclosed_replacement_contradicts_nothing_and_agrees_with_nothing() -> None:
    assert outcome(POT, {**NEW_CAP, "flags": ["disclosed-replacement"]}) == "agrees"
    assert outcome({**POT, "flags": ["disclosed-replacement"]}) == "undecided"


@pytest.mark.parametrize("flag", ["refinished", "factory-repair", "joint-disturbed"])
def test_no_other_flag_takes_a_part_out_of_the_verdict(flag: str) -> None:
    assert outcome(POT, {**NEW_CAP, "flags": [flag]}) == "contradicted"


def test_parts_that_each_fit_but_share_no_claimed_day_contradict_the_claim() -> None:
    # The speaker allows 1957 to 1961, the neck 1964 to 1966: the claim has room for either, not for both.
    found = checked(
        dated("speaker", "speaker", "1958-06"), dated("neck", "neck-heel", "1964-02"), claim="196X"
    )
    assert verdicts(found) == {"speaker": "old-stock", "neck": "fits"}
    assert found.outcome is Outcome.CONTRADICTED
    assert any("no day of it suits them all" in sentence for sentence in found.narrative)


def test_a_wear_part_or_a_disclosed_one_may_lie_apart_from_the_others() -> None:
    neck = dated("neck", "neck-heel", "1960-02")
    frets = dated("frets", "fret", "1968")
    disclosed = dated("speaker", "speaker", "1969", flags=["disclosed-replacement"])
    assert outcome(neck, frets, disclosed, claim="196X") == "agrees"


def test_open_windows_alone_leave_the_claim_undecided() -> None:
    found = checked(dated("label", "label", "1958/.."))
    assert verdicts(found) == {"label": "fits"}
    assert found.outcome is Outcome.UNDECIDED


def test_an_open_window_can_contradict() -> None:
    assert outcome(POT, dated("label", "label", "1975/..")) == "contradicted"


@pytest.mark.parametrize("state", ["not-looked", "illegible", "no-mark"])
def test_unread_parts_leave_the_claim_undecided(state: str) -> None:
    found = checked(unread("pot", "potentiometer", state))
    assert found.outcome is Outcome.UNDECIDED
    assert found.as_dict()["parts"][0]["verdict"] == "unread"
    assert found.as_dict()["parts"][0]["decoding"] is None


def test_without_a_claim_the_outcome_is_undecided_and_the_newest_part_is_the_floor() -> None:
    found = checked(POT, NECK, NEW_CAP, claim=None)
    assert found.outcome is Outcome.UNDECIDED
    assert found.as_dict()["floor"] == {"part": "cap", "earliest": "1971-12-01"}
    assert found.claim_explanations.shown == ()
    assert [e.set_aside for e in found.explanations.shown] == [("cap",), ("neck", "pot")]


def test_a_wear_part_is_no_floor_where_another_part_dates() -> None:
    assert checked(POT, NEW_FRETS, claim=None).as_dict()["floor"] == {"part": "pot", "earliest": "1965-12-01"}
    assert checked(NEW_FRETS, claim=None).as_dict()["floor"] == {"part": "frets", "earliest": "1995-01-01"}
    assert checked(unread("pot", "pot"), claim=None).as_dict()["floor"] is None


# Joint windows and explanations


def test_joint_windows_are_given_with_the_longest_and_with_the_usual_lags() -> None:
    found = checked(POT, NECK).as_dict()
    # pot: 1 Dec 1965 to 28 Feb 1967 (usual) or 1969 (longest); neck: 1 May 1966 to 30 Nov 1966 or 31 May 1968
    assert found["joint_windows"] == [
        {"earliest": "1966-05-01", "latest": "1968-05-31", "edtf": "1966-05-01/1968-05-31"}
    ]
    assert found["joint_windows_usual"] == [
        {"earliest": "1966-05-01", "latest": "1966-11-30", "edtf": "1966-05-01/1966-11-30"}
    ]


def test_explanations_ignore_the_claim_and_claim_explanations_lie_inside_it() -> None:
    found = checked(POT, NECK, NEW_CAP).as_dict()
    assert found["joint_windows"] == []
    assert [(e["set_aside"], e["agreeing"]) for e in found["explanations"]] == [
        (["cap"], ["neck", "pot"]), (["neck", "pot"], ["cap"]),
    ]  # fmt: skip
    assert found["claim_explanations"] == [
        {
            "set_aside": ["cap"],
            "agreeing": ["neck", "pot"],
            "windows": [{"earliest": "1966-05-01", "latest": "1966-12-31", "edtf": "1966-05-01/1966-12-31"}],
        }
    ]


def test_unread_undecided_and_disclosed_parts_are_in_no_explanation() -> None:
    found = checked(
        POT, unread("cap", "capacitor"), dated("body", "body", "../.."),
        {**OLD_SPEAKER, "flags": ["disclosed-replacement"]},
    )  # fmt: skip
    for explanation in (*found.explanations.shown, *found.claim_explanations.shown):
        assert {*explanation.set_aside, *explanation.agreeing} == {"pot"}


def test_a_wear_part_is_in_the_explanations() -> None:
    assert checked(POT, NEW_FRETS).explanations.shown[0].set_aside in (("frets",), ("pot",))


def test_a_sheet_that_dates_nothing_bounds_nothing() -> None:
    found = checked(unread("pot", "potentiometer")).as_dict()
    assert found["joint_windows"] == [{"earliest": None, "latest": None, "edtf": "../.."}]
    assert found["explanations"] == [] and found["claim_explanations"] == []


# Features, through a family put in for the test


def reading(**more: Any) -> Reading:
    return Reading(
        "a-feature", "Cross-head screws", "feature", Strength.STRONG, parse_edtf("1850/2000").windows, Precision.BOUND,
        sources=(Citation("common-practice", "common practice", "P"),), **more,
    )  # fmt: skip


class Features:
    """A family that reads one feature, and remembers what it was asked."""

    id = "feature"
    kinds = frozenset({"screw", "body"})
    long_text = False

    def __init__(self, *readings: Reading) -> None:
        self.readings = readings
        self.asked: list[Any] = []

    def read(self, marking: Any, context: Any) -> list[Reading]:
        return []

    def near_misses(self, marking: Any, context: Any) -> list[Any]:
        return []

    def read_feature(self, *asked: Any) -> list[Reading]:
        self.asked.append(asked[:-1])
        return list(self.readings)


HEADS = {
    "id": "heads",
    "part": "body",
    "feature": "screw-heads",
    "value": 1,
    "unit": "mm",
    "uncertainty": 0.5,
}


def test_a_feature_never_found_on_originals_contradicts_and_is_always_set_aside(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    family = Features(reading(never=True))
    monkeypatch.setattr(catalog, "families", lambda: (family,))
    found = checked(POT, NECK, HEADS)
    assert family.asked == [("screw-heads", "1", "mm", 0.5)]
    assert verdicts(found)["heads"] == "never"
    assert found.outcome is Outcome.CONTRADICTED
    assert found.joint_windows.edtf() == "1966-05-01/1968-05-31"
    for explanation in (*found.explanations.shown, *found.claim_explanations.shown):
        assert "heads" in explanation.set_aside
    assert checked(POT, HEADS, claim=None).outcome is Outcome.UNDECIDED


def test_a_measurement_that_cant_be_told_decides_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(catalog, "families", lambda: (Features(reading(unsure=True)),))
    found = checked(POT, HEADS)
    assert verdicts(found)["heads"] == "undecided"
    assert found.outcome is Outcome.AGREES
    assert outcome(HEADS) == "undecided"


def test_a_feature_of_the_instrument_has_no_lag(monkeypatch: pytest.MonkeyPatch) -> None:
    dated_feature = reading(timing=Timing.INSTRUMENT).changed(window=parse_edtf("1960/1965").windows)
    monkeypatch.setattr(catalog, "families", lambda: (Features(dated_feature),))
    assert verdicts(checked(HEADS)) == {"heads": "too-old"}


def test_a_feature_that_no_table_holds_is_unread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(catalog, "families", lambda: (Features(),))
    found = checked(HEADS).as_dict()["parts"][0]
    assert found["verdict"] == "unread"
    assert "screw-heads" in found["reason"]


# Markings


def test_a_marking_is_read_with_all_that_the_sheet_knows(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []
    real = catalog.decode

    def decode(marking: str, **known: Any) -> Any:
        asked.append((marking, known))
        return real(marking, **known)

    monkeypatch.setattr(catalog, "decode", decode)
    raw = sheet({"id": "p", "part": "pot", "marking": "137-6612", "patent": "2741146"}, country="US")
    found = check(raw, today=date(2026, 11, 25))
    ((marking, known),) = asked
    assert marking == "137-6612"
    assert (known["part"], known["maker"], known["country"]) == ("potentiometer", "Harrow & Vale", "US")
    assert (known["patent"], known["today"], known["claim"].text) == ("2741146", date(2026, 11, 25), "1966")
    assert found.as_dict()["parts"][0]["decoding"]["marking"] == "137-6612"


def test_a_published_pot_code_fits_the_year_that_it_names() -> None:
    # 137-6612: source 137, week 12 of 1966
    found = checked({"id": "p", "part": "pot", "marking": "137-6612"})
    assert verdicts(found) == {"p": "fits"}
    assert found.outcome is Outcome.AGREES
    assert (
        checked({"id": "p", "part": "pot", "marking": "137-6612"}, claim="1962").outcome
        is Outcome.CONTRADICTED
    )


def test_the_answer_names_the_revision_of_every_table_that_it_rests_on(shipped: Tables) -> None:
    found = checked({"id": "p", "part": "pot", "marking": "137-6612"}).tables
    for name in ("parts/kinds", "parts/lag", "parts/cautions", "parts/settings", "eia/source-codes"):
        assert found[name] == shipped.table(name).revision
    assert not any(name.startswith("eia/") for name in checked(POT).tables)


def test_the_lags_of_the_tables_hold_where_the_sheet_gives_none(shipped: Tables) -> None:
    longest = max(
        r["longest"] for r in shipped.table("parts/lag").rows if r["kind"] == "body" and not r["maker"]
    )
    raw = {"instrument": {"claim": "1980-01-31"}, "parts": [dated("body", "body", "1975-01-31")]}
    assert longest < 60
    assert verdicts(check(raw)) == {"body": "too-old"}


def test_the_sheets_own_lags_stand_in_place_of_the_tables() -> None:
    raw = {"instrument": {"claim": "1966"}, "parts": [dated("pot", "potentiometer", "1950")]}
    assert verdicts(check(raw)) == {"pot": "too-old"}
    assert verdicts(check({**raw, "options": {"lags": {"pot": {"longest": 240}}}})) == {"pot": "old-stock"}
    assert verdicts(check({**raw, "options": {"lags": {"pot": {"usual": 240}}}})) == {"pot": "fits"}


# Today, the second claim, warnings, cautions


def test_no_clock_is_read_and_a_sheet_keeps_its_own_day() -> None:
    assert checked(POT).as_dict()["today"] is None
    assert check(sheet(POT), today=date(2026, 1, 2)).as_dict()["today"] == "2026-01-02"
    fixed = {**sheet(POT), "options": {"today": "2020-05-06"}}
    assert check(fixed, today=date(2026, 1, 2)).as_dict()["today"] == "2020-05-06"


def test_the_second_claim_is_held_against_the_same_parts() -> None:
    found = checked(POT, NECK, second_claim="1972")
    assert found.outcome is Outcome.AGREES
    assert found.as_dict()["second_claim"] == {"claim": "1972", "outcome": "contradicted"}
    assert "The second claim 1972, held against the same parts: the parts contradict it." in found.narrative


def test_what_widens_the_question_is_warned_of() -> None:
    assert any("widened by 1 year" in warning for warning in checked(POT, claim="1966~").warnings)
    assert any("own lags" in warning for warning in checked(POT).warnings)
    future = check(sheet(POT, claim="2030"), today=date(2026, 1, 1))
    assert any("after the day of this check" in warning for warning in future.warnings)
    rates = check({"parts": [], "options": {"replacement_rates": {"pot": 0.5}}})
    assert any("replacement rates" in warning for warning in rates.warnings)
    flagged = checked({**NEW_CAP, "flags": ["factory-repair"]})
    assert any("cap is flagged factory-repair and still counts" in warning for warning in flagged.warnings)


def test_a_list_of_explanations_that_is_cut_is_warned_of() -> None:
    many = [dated(f"cap-{n:02}", "capacitor", f"{1700 + 5 * n}") for n in range(51)]
    found = checked(*many, claim=None)
    assert found.as_dict()["explanations_cut"] is True
    assert len(found.as_dict()["explanations"]) == 50
    assert any("There are 51 explanations" in warning for warning in found.warnings)
    assert checked(POT).as_dict()["explanations_cut"] is False


def test_cautions_are_those_of_the_kinds_present(shipped: Tables) -> None:
    found = {caution["id"] for caution in checked(POT).as_dict()["cautions"]}
    rows = shipped.table("parts/cautions").rows
    assert found == {row["id"] for row in rows if "potentiometer" in row["kinds"]}
    assert found


# The narrative


def test_a_contradiction_says_that_claim_and_originality_cant_both_hold_and_offers_explanations() -> None:
    said = " ".join(checked(POT, NECK, NEW_CAP).narrative)
    assert (
        "The claim 1966 and the originality of these parts can't both hold: cap (capacitor) is too new."
        in said
    )
    for explanation in ("replacement", "factory repair", "refinish", "reissue", "misreading"):
        assert explanation in said
    assert "set cap aside (1 other way) and the other 2 agree on May 1966 to May 1968." in said
    assert "For the claim 1966 to hold, set cap aside; the other 2 agree on May 1966 to Dec 1966." in said


def test_agreement_names_the_parts_and_the_joint_window() -> None:
    said = " ".join(checked(POT, NECK).narrative)
    assert "The parts agree with the claim 1966: neck (neck-heel) and pot (potentiometer)." in said
    assert "Both dated parts agree on May 1966 to May 1968; with the usual lags May 1966 to Nov 1966." in said


def test_without_a_claim_the_narrative_gives_the_floor() -> None:
    said = " ".join(checked(POT, NEW_CAP, claim=None).narrative)
    assert "The newest part, cap (capacitor), sets the floor: not completed before 1 Dec 1971." in said


def test_a_contradiction_from_memory_alone_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    memory = reading(never=True).changed(sources=(Citation("memory", "from memory, unconfirmed", "M"),))
    monkeypatch.setattr(catalog, "families", lambda: (Features(memory),))
    assert any("memory alone (grade M)" in sentence for sentence in checked(POT, HEADS).narrative)
    assert not any("grade M" in sentence for sentence in checked(POT, HEADS, NEW_CAP).narrative)


def test_what_is_left_out_and_what_is_next_is_said() -> None:
    said = " ".join(
        checked(
            POT, NEW_FRETS, {**NEW_CAP, "flags": ["disclosed-replacement"]}, unread("body", "body"),
            unread("plate", "neck-plate", "no-mark"), unread("tuner", "tuner", "illegible"),
            dated("old", "potentiometer", "1964-02"), dated("knob", "knob", "../.."),
        ).narrative
    )  # fmt: skip
    assert "wear parts that don't fit, which sets no outcome: frets (fret);" in said
    assert "disclosed as replaced and left out: cap (capacitor);" in said
    assert "not looked at yet: body." in said
    assert "blank where a mark could stand: plate (neck-plate)." in said
    assert "tuner can't be read: a second look" in said
    assert "old stock, later than usual but known to happen: old (potentiometer);" in said
    assert "can't be told: knob;" in said


def test_long_lists_of_parts_are_named_in_short() -> None:
    many = [dated(f"cap-{n}", "capacitor", "1972") for n in range(9)]
    said = " ".join(checked(POT, *many).narrative)
    assert "with 3 more" in said and "and 3 more" in said


# Properties

KINDS = st.sampled_from(["potentiometer", "capacitor", "neck-heel", "fret", "speaker"])
YEARS = st.integers(1950, 1985)
WINDOWS = st.one_of(
    YEARS.map(str),
    st.tuples(YEARS, st.integers(1, 12)).map(lambda pair: f"{pair[0]}-{pair[1]:02}"),
    YEARS.map(lambda year: f"{year}/.."),
    YEARS.map(lambda year: f"../{year}"),
    st.tuples(YEARS, YEARS).map(lambda pair: f"[{pair[0]},{pair[1]}]"),
    st.just("../.."),
)


@st.composite
def lists_of_parts(draw: st.DrawFn, most: int = 7) -> list[dict[str, Any]]:
    parts = []
    for number in range(draw(st.integers(1, most))):
        name, kind = f"p{number}", draw(KINDS)
        match draw(st.integers(0, 9)):
            case 0:
                parts.append(
                    unread(name, kind, draw(st.sampled_from(["not-looked", "illegible", "no-mark"])))
                )
            case 1:
                parts.append(dated(name, kind, draw(WINDOWS), flags=["disclosed-replacement"]))
            case _:
                parts.append(dated(name, kind, draw(WINDOWS)))
    return parts


CLAIMS = st.one_of(st.none(), WINDOWS)


@settings(max_examples=60)
@given(lists_of_parts(), CLAIMS, st.randoms(use_true_random=False))
def test_the_order_of_the_parts_changes_nothing(
    parts: list[dict[str, Any]], claim: str | None, shuffler: Any
) -> None:
    mixed = list(parts)
    shuffler.shuffle(mixed)
    one, other = checked(*parts, claim=claim).as_dict(), checked(*mixed, claim=claim).as_dict()
    one["parts"].sort(key=lambda part: part["id"])
    other["parts"].sort(key=lambda part: part["id"])
    assert one == other


@settings(max_examples=60)
@given(lists_of_parts(), lists_of_parts(2), CLAIMS)
def test_adding_a_part_changes_no_other_parts_verdict_and_widens_no_joint_window(
    parts: list[dict[str, Any]], more: list[dict[str, Any]], claim: str | None
) -> None:
    added = [{**part, "id": f"added-{part['id']}"} for part in more]
    before, after = checked(*parts, claim=claim), checked(*parts, *added, claim=claim)
    assert [part.as_dict() for part in after.parts[: len(parts)]] == [part.as_dict() for part in before.parts]
    assert after.joint_windows.issubset(before.joint_windows)


@settings(max_examples=60)
@given(lists_of_parts(), CLAIMS)
def test_outcome_parts_and_explanations_hang_together(parts: list[dict[str, Any]], claim: str | None) -> None:
    found = checked(*parts, claim=claim)
    if found.claim is None:
        assert found.outcome is Outcome.UNDECIDED
    if found.outcome is Outcome.AGREES:
        assert not any(p.evidence.counts and p.evidence.contradicts for p in found.parts)
    for explanation in found.claim_explanations.shown:
        assert found.claim is not None and explanation.windows.issubset(found.claim.windows)
    if found.explanations.shown and not found.explanations.shown[0].set_aside:
        assert found.explanations.shown[0].windows == found.joint_windows
    json.dumps(found.as_dict(), allow_nan=False)


@settings(max_examples=40)
@given(lists_of_parts(), CLAIMS)
def test_nothing_is_ever_called_genuine(parts: list[dict[str, Any]], claim: str | None) -> None:
    said = json.dumps(checked(*parts, claim=claim).as_dict()).casefold()
    assert "genuine" not in said and "authentic" not in said


# The call itself


def test_a_sheet_that_is_loaded_already_gives_the_same_answer(shipped: Tables) -> None:
    raw = sheet(POT, NECK, NEW_CAP)
    assert check(load_sheet(raw, shipped)).as_dict() == check(raw, tables=shipped).as_dict()
    assert decoder.check is check


def test_a_sheet_with_faults_is_refused() -> None:
    with pytest.raises(SheetError):
        check({"parts": [{"id": "a"}]})


def test_the_shape_of_the_answer_is_the_one_agreed() -> None:
    found = checked(POT).as_dict()
    assert {
        "outcome", "today", "parts", "joint_windows", "joint_windows_usual", "explanations", "claim_explanations",
        "estimate", "groups", "advice", "warnings", "narrative", "cautions", "tables",
    } <= set(found)  # fmt: skip
    assert {"id", "verdict", "reason", "decoding"} <= set(found["parts"][0])
    assert set(found["explanations"][0]) == {"set_aside", "agreeing", "windows"}
    assert {verdict.value for verdict in Verdict} == {
        "fits", "old-stock", "too-new", "too-old", "misfit", "never", "undecided", "unread",
    }  # fmt: skip
