"""Sheets: what is taken, what is refused, and that every fault is named at once with its place."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.crosscheck.lag import LagChange
from decoder.crosscheck.sheet import (
    Flag,
    Sheet,
    SheetError,
    State,
    load_sheet,
    read_csv,
)
from decoder.tables import Tables
from decoder.tables import shipped as shipped_tables

POT: dict[str, Any] = {"id": "pot-1", "part": "potentiometer", "marking": "137-6612"}


def sheet(*parts: Any, **more: Any) -> dict[str, Any]:
    return {"instrument": {"maker": "Harrow & Vale", "claim": "1966"}, "parts": list(parts), **more}


def faults(raw: Any, tables: Tables) -> dict[str, str]:
    with pytest.raises(SheetError) as caught:
        load_sheet(raw, tables)
    return {problem.pointer: problem.message for problem in caught.value.problems}


def test_a_sheet_in_full_is_taken_as_it_stands(shipped: Tables) -> None:
    loaded = load_sheet(
        {
            "instrument": {
                "maker": "Harrow & Vale", "model": "Tidewater", "country": "US", "claim": "1966",
                "second_claim": "1965/1967",
            },
            "parts": [
                {**POT, "flags": ["joint-disturbed"], "position": "volume", "group": "harness", "state": "read"},
                {"id": "nut", "part": "nut", "feature": "width", "value": 42.5, "unit": "mm", "uncertainty": 0.2},
                {"id": "label", "part": "label", "marking": "PAT. PEND.", "patent": "2741146"},
                {"id": "cap", "part": "cap", "state": "not-looked"},
                {"id": "neck", "part": "heel", "override": {"window": "1966-03", "name": "A. N.", "reason": "pencil"}},
            ],
            "options": {
                "today": "2026-11-25", "estimate": False, "lags": {"pot": {"longest": 60}},
                "replacement_rates": {"cap": 0.2},
            },
        },
        shipped,
    )  # fmt: skip
    pot, nut, label, cap, neck = loaded.parts
    assert loaded.instrument.claim is not None and loaded.instrument.claim.text == "1966"
    assert loaded.instrument.second_claim is not None and loaded.instrument.country == "US"
    assert pot.flags == {Flag.JOINT_DISTURBED} and pot.position == "volume" and pot.group == "harness"
    assert (nut.feature, nut.value, nut.unit, nut.uncertainty) == ("width", "42.5", "mm", 0.2)
    assert (label.marking, label.patent) == ("PAT. PEND.", "2741146")
    assert (cap.kind, cap.state) == ("capacitor", State.NOT_LOOKED)
    assert neck.kind == "neck-heel" and neck.override is not None
    assert neck.override.windows.edtf() == "1966-03-01/1966-03-31"
    assert loaded.options.today == date(2026, 11, 25) and not loaded.options.estimate
    assert loaded.options.lags == {"potentiometer": LagChange(longest=60)}
    assert loaded.options.replacement_rates == {"capacitor": 0.2}


def test_what_is_null_counts_as_left_out(shipped: Tables) -> None:
    bare = dict.fromkeys(("feature", "value", "unit", "uncertainty", "state", "flags", "override", "group"))
    given_nulls = sheet({**POT, **bare}, options=None)
    assert load_sheet(given_nulls, shipped) == load_sheet(sheet(POT), shipped)


def test_a_sheet_without_instrument_options_or_parts_can_be_checked(shipped: Tables) -> None:
    assert load_sheet({"parts": []}, shipped) == load_sheet(
        {"instrument": {}, "parts": [], "options": {}}, shipped
    )


def test_a_claim_that_bounds_nothing_is_no_claim(shipped: Tables) -> None:
    assert load_sheet({"instrument": {"claim": "../.."}, "parts": []}, shipped).instrument.claim is None


def test_an_uncertain_claim_is_widened_by_the_settings_years(shipped: Tables) -> None:
    claim = load_sheet({"instrument": {"claim": "1966~"}, "parts": []}, shipped).instrument.claim
    assert claim is not None and claim.windows.edtf() == "1965-01-01/1967-12-31"


@pytest.mark.parametrize(
    ("name", "kind"), [("pot", "potentiometer"), ("Cap", "capacitor"), ("Machine Head", "tuner")]
)
def test_a_trade_name_stands_for_its_kind(shipped: Tables, name: str, kind: str) -> None:
    assert load_sheet(sheet({**POT, "part": name}), shipped).parts[0].kind == kind


def test_an_unknown_kind_is_answered_with_the_nearest(shipped: Tables) -> None:
    assert "potentiometer" in faults(sheet({**POT, "part": "potentiometr"}), shipped)["/parts/0/part"]


@pytest.mark.parametrize(
    ("name", "shown"),
    [("m\ud800", "m\ufffd"), ("\x1b[31m", "\ufffd[31m"), ("a/b~c", "a~1b~0c"), ("\u202eab", "\ufffdab")],
)
def test_a_field_name_that_cannot_be_written_is_told_of_all_the_same(
    shipped: Tables, name: str, shown: str
) -> None:
    with pytest.raises(SheetError) as caught:
        load_sheet({"parts": [], name: 1}, shipped)
    assert [problem.pointer for problem in caught.value.problems] == [f"/{shown}"]
    assert str(caught.value).encode()


@pytest.mark.parametrize(
    ("raw", "pointer", "nearest"),
    [
        (sheet({**POT, "markng": "x"}), "/parts/0/markng", "marking"),
        ({**sheet(POT), "option": {}}, "/option", "options"),
        ({"instrument": {"calim": "1966"}, "parts": []}, "/instrument/calim", "claim"),
        (sheet(POT, options={"lag": {}}), "/options/lag", "lags"),
        (sheet(POT, options={"lags": {"pot": {"longst": 3}}}), "/options/lags/pot/longst", "longest"),
        (
            sheet({"id": "n", "part": "neck", "override": {"window": "1966", "name": "A", "reasn": "b"}}),
            "/parts/0/override/reasn",
            "reason",
        ),
    ],
)
def test_an_unknown_field_is_refused_with_the_nearest_known_name(
    shipped: Tables, raw: dict[str, Any], pointer: str, nearest: str
) -> None:
    assert f"Did you mean {nearest}?" in faults(raw, shipped)[pointer]


@pytest.mark.parametrize(
    ("part", "pointer"),
    [
        ({"id": "a", "part": "pot"}, ""),
        ({"id": "a", "part": "pot", "marking": "137-6612", "feature": "shape", "value": "x"}, ""),
        ({"id": "a", "part": "nut", "feature": "width"}, ""),
        ({"id": "a", "part": "nut", "value": 42}, "/value"),
        ({**POT, "unit": "mm"}, "/unit"),
        ({**POT, "uncertainty": 1}, "/uncertainty"),
        ({"id": "a", "part": "pot", "state": "read"}, "/state"),
        ({**POT, "state": "not-looked"}, "/state"),
        ({**POT, "state": "no-mark"}, "/state"),
        ({**POT, "state": "illegible"}, "/state"),
        ({**POT, "state": "unseen"}, "/state"),
        ({**POT, "flags": ["refinished", "refinished"]}, "/flags/1"),
        ({**POT, "flags": ["refinish"]}, "/flags/0"),
        ({**POT, "flags": "refinished"}, "/flags"),
        ({**POT, "marking": ""}, "/marking"),
        ({**POT, "marking": "137[]"}, "/marking"),
        ({**POT, "marking": "137[6"}, "/marking"),
        ({**POT, "marking": "137\x07"}, "/marking"),
        ({**POT, "marking": "137\ud800"}, "/marking"),
        ({**POT, "marking": "1" * 65}, "/marking"),
        ({**POT, "marking": 1376612}, "/marking"),
        ({"part": "pot", "marking": "137-6612"}, "/id"),
        ({**POT, "id": None}, "/id"),
        ({**POT, "id": " "}, "/id"),
        ({**POT, "id": "x" * 65}, "/id"),
        ({**POT, "id": 7}, "/id"),
        ({"id": "a", "marking": "137-6612"}, "/part"),
        ({**POT, "part": True}, "/part"),
        ({**POT, "position": "x" * 401}, "/position"),
        ({**POT, "position": "a\x00b"}, "/position"),
        ({**POT, "position": "a\u202eb"}, "/position"),
        ({**POT, "group": ["harness"]}, "/group"),
        ({**POT, "patent": 2741146}, "/patent"),
        ({**POT, "override": "1966"}, "/override"),
        ({**POT, "override": {"window": "1966-13", "name": "A", "reason": "b"}}, "/override/window"),
        ({**POT, "override": {"window": "1966", "reason": "b"}}, "/override/name"),
        ({**POT, "override": {"window": "1966", "name": "A"}}, "/override/reason"),
        ({"id": "a", "part": "nut", "feature": "width", "value": True}, "/value"),
        ({"id": "a", "part": "nut", "feature": "width", "value": float("nan")}, "/value"),
        ({"id": "a", "part": "nut", "feature": "width", "value": 10**400}, "/value"),
        ({"id": "a", "part": "nut", "feature": "width", "value": 42, "uncertainty": -1}, "/uncertainty"),
        ({"id": "a", "part": "nut", "feature": "width", "value": 42, "uncertainty": "0.2"}, "/uncertainty"),
        ("pot", ""),
        (None, ""),
    ],
)
def test_a_part_that_makes_no_sense_is_refused_where_it_fails(
    shipped: Tables, part: Any, pointer: str
) -> None:
    assert list(faults(sheet(part), shipped)) == [f"/parts/0{pointer}"]


@pytest.mark.parametrize(
    ("raw", "pointer"),
    [
        ([], ""),
        ("pots", ""),
        ({}, "/parts"),
        ({"parts": {}}, "/parts"),
        ({"parts": [], "instrument": []}, "/instrument"),
        ({"parts": [], "instrument": {"claim": "the sixties"}}, "/instrument/claim"),
        ({"parts": [], "instrument": {"second_claim": 1966}}, "/instrument/second_claim"),
        ({"parts": [], "instrument": {"maker": "x" * 401}}, "/instrument/maker"),
        ({"parts": [], "options": {"today": "25.11.2026"}}, "/options/today"),
        ({"parts": [], "options": {"today": "2026-02-30"}}, "/options/today"),
        ({"parts": [], "options": {"today": "2026-W48-3"}}, "/options/today"),
        ({"parts": [], "options": {"estimate": "no"}}, "/options/estimate"),
        ({"parts": [], "options": {"lags": []}}, "/options/lags"),
        ({"parts": [], "options": {"lags": {"pot": None}}}, "/options/lags/pot"),
        ({"parts": [], "options": {"lags": {"pot": {"usual": 1.5}}}}, "/options/lags/pot/usual"),
        ({"parts": [], "options": {"lags": {"pot": {"usual": -1}}}}, "/options/lags/pot/usual"),
        ({"parts": [], "options": {"lags": {"pot": {"lead": True}}}}, "/options/lags/pot/lead"),
        ({"parts": [], "options": {"lags": {"pot": {"longest": 1201}}}}, "/options/lags/pot/longest"),
        ({"parts": [], "options": {"lags": {"pot": {"usual": 9, "longest": 3}}}}, "/options/lags/pot"),
        ({"parts": [], "options": {"lags": {"pot": {}, "potentiometer": {}}}}, "/options/lags/potentiometer"),
        ({"parts": [], "options": {"lags": {"a/b~c": {}}}}, "/options/lags/a~1b~0c"),
        ({"parts": [], "options": {"replacement_rates": {"pot": 1.1}}}, "/options/replacement_rates/pot"),
        ({"parts": [], "options": {"replacement_rates": {"pot": None}}}, "/options/replacement_rates/pot"),
        ({"parts": [], "options": {"replacement_rates": {"bell": 0.1}}}, "/options/replacement_rates/bell"),
    ],
)
def test_a_sheet_that_makes_no_sense_is_refused_where_it_fails(
    shipped: Tables, raw: Any, pointer: str
) -> None:
    assert list(faults(raw, shipped)) == [pointer]


def test_the_tail_of_pending_marks_can_be_set_though_it_is_no_part(shipped: Tables) -> None:
    lags = {"pending-mark": {"longest": 24}}
    assert (
        load_sheet({"parts": [], "options": {"lags": lags}}, shipped).options.lags["pending-mark"].longest
        == 24
    )


def test_every_fault_of_a_sheet_is_named_at_once(shipped: Tables) -> None:
    raw = {
        "instrument": {"claim": "1966-13"},
        "parts": [
            {**POT, "colour": "red"},
            {**POT, "part": "pott"},
            {"id": "c", "part": "cap", "flags": ["new"]},
        ],
    }
    assert set(faults(raw, shipped)) == {
        "/instrument/claim", "/parts/0/colour", "/parts/1/id", "/parts/1/part", "/parts/2", "/parts/2/flags/0",
    }  # fmt: skip


def test_an_id_may_stand_once(shipped: Tables) -> None:
    assert list(faults(sheet(POT, {**POT}), shipped)) == ["/parts/1/id"]


def test_a_sheet_has_at_most_200_parts(shipped: Tables) -> None:
    many = [{**POT, "id": f"pot-{n}"} for n in range(201)]
    assert len(load_sheet(sheet(*many[:200]), shipped).parts) == 200
    assert list(faults(sheet(*many), shipped)) == ["/parts"]


def test_a_label_may_run_to_400_characters_and_a_code_to_64(shipped: Tables) -> None:
    text = "PAT. PEND. " * 36
    assert len(text) == 396
    assert load_sheet(sheet({**POT, "part": "label", "marking": text}), shipped).parts[0].marking == text
    assert "64" in faults(sheet({**POT, "marking": text}), shipped)["/parts/0/marking"]


def test_a_fault_shows_the_value_and_cuts_a_long_one_short(shipped: Tables) -> None:
    with pytest.raises(SheetError) as caught:
        load_sheet(sheet({**POT, "position": "\u202epot" + "t" * 300}), shipped)
    (problem,) = caught.value.problems
    assert problem.value.startswith("\ufffdpott") and len(problem.value) < 100
    assert "\u202e" not in str(caught.value)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                [
                    "instrument",
                    "parts",
                    "options",
                    "id",
                    "part",
                    "marking",
                    "state",
                    "flags",
                    "override",
                    "lags",
                    "claim",
                ]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(JSON)
def test_whatever_is_sent_is_either_a_sheet_or_refused_with_its_faults(raw: Any) -> None:
    try:
        loaded = load_sheet(raw, shipped_tables())
    except SheetError as error:
        assert error.problems
        assert all(problem.message for problem in error.problems)
    else:
        assert isinstance(loaded, Sheet)


# CSV

HEADER = "id,part,marking,feature,value,unit,position,group,maker,model,claim,country"


def test_a_csv_gives_the_json_shape() -> None:
    text = f"{HEADER}\npot-1,pot,137-6612,,,,volume,harness,Harrow & Vale,,1966,US\nnut,nut,,width,42.5,mm,,,,,,\n"
    assert read_csv(text) == {
        "instrument": {"maker": "Harrow & Vale", "claim": "1966", "country": "US"},
        "parts": [
            {"id": "pot-1", "part": "pot", "marking": "137-6612", "position": "volume", "group": "harness"},
            {"id": "nut", "part": "nut", "feature": "width", "value": "42.5", "unit": "mm"},
        ],
    }


def test_a_row_with_nothing_read_is_a_part_not_looked_at(shipped: Tables) -> None:
    loaded = load_sheet(read_csv("id,part,marking\npot-1,pot,\n"), shipped)
    assert loaded.parts[0].state is State.NOT_LOOKED


def test_flags_state_and_uncertainty_may_stand_in_a_csv_too(shipped: Tables) -> None:
    text = (
        "id,part,feature,value,uncertainty,state,flags\nnut,nut,width,42,0.5,,refinished; factory-repair\n"
        "p,pot,,,,no-mark,\n"
    )
    nut, pot = load_sheet(read_csv(text), shipped).parts
    assert nut.uncertainty == 0.5 and nut.flags == {Flag.REFINISHED, Flag.FACTORY_REPAIR}
    assert pot.state is State.NO_MARK


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_other_delimiters_and_a_byte_order_mark_are_taken(shipped: Tables, delimiter: str) -> None:
    text = "\ufeffID,Part,Marking\r\npot-1,pot,137-6612\r\n".replace(",", delimiter)
    assert load_sheet(read_csv(text), shipped) == load_sheet({"parts": [POT]}, shipped)


def test_the_instrument_may_be_repeated_on_each_row(shipped: Tables) -> None:
    text = "id,part,marking,maker,claim\na,pot,137-6612,Harrow & Vale,1966\nb,pot,,Harrow & Vale,1966\nc,pot,,,\n"
    assert load_sheet(read_csv(text), shipped).instrument.maker == "Harrow & Vale"


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("id,part\n" + "".join(f"{n},pot\n" for n in range(201)), "/parts"),
        ("", "row 1"),
        ("\n\n", "row 1"),
        ("id,marking\na,1\n", "row 1"),
        ("id,part,colour\na,pot,red\n", "row 1, column 3"),
        ("id,part,id\na,pot,b\n", "row 1, column 3"),
        ("id,part,maker\na,pot,Harrow\nb,pot,Vale\n", "row 3, column maker"),
        ("id,part,claim\na,pot,\nb,pot,1966\n", "row 3, column claim"),
        ("id,part,marking\na,pot,1,2\n", "row 2"),
        ("id,part,marking\n,pot,1\n", "row 2, column id"),
        ("id,part,marking\na,,1\n", "row 2, column part"),
        ("id,part,uncertainty\na,nut,wide\n", "row 2, column uncertainty"),
        ('id,part,marking\na,pot,"137\n', "row 2"),
        ("id,part,marking\na,pott,137-6612\n", "row 2, column part"),
        ("id,part,marking\n\na,pot,137-6612\n\nb,pot,137[]\n", "row 5, column marking"),
        ("id,part,marking\na,pot,137-6612\na,pot,137-6612\n", "row 3, column id"),
        ("id,part,claim\na,pot,sixties\n", "row 2, column claim"),
        ("id,part,flags\na,pot,refinish\n", "row 2, column flags"),
    ],
)
def test_a_fault_of_a_csv_names_row_and_column(shipped: Tables, text: str, place: str) -> None:
    with pytest.raises(SheetError) as caught:
        load_sheet(read_csv(text), shipped)
    assert [problem.pointer for problem in caught.value.problems] == [place]


def test_a_csv_beyond_all_measure_is_refused() -> None:
    with pytest.raises(SheetError, match="1000000 characters"):
        read_csv("id,part\n" * 200_000)


@given(st.text(max_size=200))
def test_any_text_is_a_csv_or_refused_with_its_faults(text: str) -> None:
    try:
        read_csv(text)
    except SheetError as error:
        assert error.problems
