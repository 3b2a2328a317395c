"""The rows of the sheet's form, each act a plain submit: add, move, double, remove, undo, correct, paste a list."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from werkzeug.datastructures import MultiDict

from decoder.service import forms, presenting
from decoder.tables import Tables

Read = Callable[..., Any]
MARKS = ("serial", "tuner", "potentiometer")


def sheet(*kinds: str, **more: str) -> dict[str, Any]:
    rows = {f"p{n}-part": kind for n, kind in enumerate(kinds)}
    marks = {f"p{n}-marking": f"M{n}" for n in range(len(kinds))}
    return {**rows, **marks, "claim": "1966", **more}


def kinds_in(found: Any) -> list[str]:
    fields = found.fields()
    return [fields[f"p{n}-part"][0] for n in range(len([name for name in fields if name.endswith("-part")]))]


def marks_in(found: Any) -> list[str]:
    fields = found.fields()
    return [fields[f"p{n}-marking"][0] for n in range(len(kinds_in(found)))]


@pytest.mark.parametrize(
    ("do", "order", "focus"),
    [
        ("up-2", ["M0", "M2", "M1"], "up-1"),
        ("up-1", ["M1", "M0", "M2"], "down-0"),
        ("up-0", ["M0", "M1", "M2"], "down-0"),
        ("down-0", ["M1", "M0", "M2"], "down-1"),
        ("down-1", ["M0", "M2", "M1"], "up-2"),
        ("down-2", ["M0", "M1", "M2"], "up-2"),
        ("copy-1", ["M0", "M1", "M1", "M2"], "p2-marking"),
        ("drop-1", ["M0", "M2"], "undo"),
    ],
)
def test_a_row_is_moved_doubled_or_taken_off_and_the_focus_goes_with_it(
    client: FlaskClient, page: Read, do: str, order: list[str], focus: str
) -> None:
    found = page(client.post("/check", data=sheet(*MARKS, do=do)))
    assert found.status == 200
    assert marks_in(found) == order
    focused = found.raw[: found.raw.index(" autofocus")].rpartition("<")[2]
    assert f'"{focus}"' in focused


@pytest.mark.parametrize("do", ["up-2", "down-0", "copy-1", "drop-1"])
def test_a_change_to_the_rows_can_be_undone(client: FlaskClient, page: Read, do: str) -> None:
    sent = sheet(*MARKS, maker="Harrow & Vale", options="{", **{"p1-flags": "refinished", "p0-fixed": "1"})
    changed = page(client.post("/check", data={**sent, "do": do}))
    assert "Undo" in changed.text
    back = page(client.post("/check", data={**changed.fields(), "do": "undo"}))
    assert marks_in(back) == ["M0", "M1", "M2"]
    fields = back.fields()
    for name, text in sent.items():
        assert fields[name] == [text]


@pytest.mark.parametrize("do", ["up-9", "drop-200", "try-9-x", "undo", "up-", "x", "drop-0-1"])
@pytest.mark.parametrize(
    "before", ["", "{", "[]", "3", '{"rows": [3, {"texts": 4, "flags": 5}]}', '{"rows": 7}']
)
def test_no_act_and_no_memory_makes_the_server_fail(
    client: FlaskClient, page: Read, do: str, before: str
) -> None:
    assert page(client.post("/check", data=sheet(*MARKS, do=do, before=before))).status in (200, 422)


def test_a_doubled_part_has_no_name_twice(client: FlaskClient, page: Read) -> None:
    found = page(client.post("/check", data=sheet("tuner", do="copy-0", **{"p0-id": "bass side"})))
    assert found.fields()["p0-id"] == ["bass side"] and found.fields()["p1-id"] == [""]


def test_a_correction_is_taken_over_by_one_press_and_checked(client: FlaskClient, page: Read) -> None:
    sent = {"claim": "1966", "p0-part": "tuner", "p1-part": "potentiometer", "p1-marking": "137-6699"}
    found = page(client.post("/check", data={**sent, "do": "check"}))
    assert 'value="try-1-137-6609"' in found.raw
    after = page(client.post("/check", data={**sent, "do": "try-1-137-6609"}))
    assert "Agrees" in after.text and after.fields()["p1-marking"] == ["137-6609"]
    back = page(client.post("/check", data={**after.fields(), "do": "undo"}))
    assert back.fields()["p1-marking"] == ["137-6699"]


def test_the_list_from_head_to_tail_says_what_is_still_unread(client: FlaskClient, page: Read) -> None:
    start = page(client.get("/check"))
    assert f"{len(forms.USUAL)} parts still to be read" in start.text
    sent = sheet(
        "serial", "tuner", "potentiometer", "speaker", do="show", **{"p3-marking": "", "p3-state": "no-mark"}
    )
    sent |= {"p1-marking": "", "p1-state": "illegible"}
    found = page(client.post("/check", data=sent))
    assert "1 part still to be read" in found.text
    tail = found.raw[found.raw.index('class="tail"') : found.raw.index('<ol class="rows">')]
    assert [f' class="done" data-row="{n}"' in tail for n in range(4)] == [True, False, True, True]


def test_a_marking_that_nothing_reads_is_still_to_be_read_and_a_blank_place_is_not(
    client: FlaskClient, page: Read
) -> None:
    sent = sheet("potentiometer", "potentiometer", "tuner", **{"p2-marking": "", "p2-state": "no-mark"})
    found = page(client.post("/check", data={**sent, "p0-marking": "137-6612", "p1-marking": "137-6699"}))
    tail = found.raw[found.raw.index('class="tail"') : found.raw.index('<ol class="rows">')]
    assert [f' class="done" data-row="{n}"' in tail for n in range(3)] == [True, False, True]


def test_the_caution_of_an_act_stands_beside_the_field_that_names_it(
    client: FlaskClient, page: Read, shipped: Tables
) -> None:
    def beside(kind: str, feature: str) -> str:
        data = {"p0-part": kind, "p0-feature": feature, "do": "show"}
        raw = page(client.post("/check", data=data)).raw
        return str(raw[raw.index('class="row-cautions"') : raw.index("Feature, group")])

    assert "lethal charge" in beside("amplifier-capacitor", "")
    assert "lethal charge" not in beside("serial", "")
    assert "eye protection" in beside("serial", "Finish under UV")
    assert "burn fiercely" in beside("serial", "heated-plastic-test")
    assert "formaldehyde" in beside("serial", "heated plastic test")
    for one in shipped.table("parts/cautions").rows:
        for topic in one["topics"]:
            assert one["id"] in [found.id for found in presenting.cautions_about(shipped, topic)]


# --- a pasted list


def test_each_line_of_a_pasted_list_becomes_a_part_after_those_that_stand(
    client: FlaskClient, page: Read
) -> None:
    sent = sheet("serial", do="paste", paste="MAR 12 1966\r\n\r\n  SERIAL?  \r\n", maker="Harrow & Vale")
    found = page(client.post("/check", data=sent))
    assert found.status == 200
    assert marks_in(found) == ["M0", "MAR 12 1966", "SERIAL?"]
    assert found.fields()["maker"] == ["Harrow & Vale"] and found.fields()["paste"] == ["\r\n"[:0]]
    assert "2 markings are taken over." in found.text and "Choose the kind of part" in found.text


def test_a_marking_that_belongs_on_one_kind_of_part_goes_to_its_row(
    client: FlaskClient, page: Read, shipped: Tables
) -> None:
    register = shipped.table("eia/source-codes").rows
    code = next(row["code"] for row in register if row["made"] == ("speaker",) and len(row["code"]) == 3)
    start = page(client.get("/check")).fields()
    place = next(n for n in range(13) if start[f"p{n}-part"] == ["speaker"])
    found = page(client.post("/check", data={**start, "paste": f"{code}-6612", "do": "paste"}))
    assert found.fields()[f"p{place}-marking"] == [f"{code}-6612"]


@pytest.mark.parametrize(
    ("text", "is_list"),
    [
        ("137-6612\n220-6549", True), ("PAT. 2,601,338", True), ("hello", True), ("", True),
        ("id,part,marking\n", False), ("part;marking\n", False), ('\ufeff"Part","Marking"', False),
        ('{"parts": []}', False), (" [1]", False), ("maker,marking\n", False),
    ],
)  # fmt: skip
def test_a_list_is_told_from_a_sheet_by_its_first_line(text: str, is_list: bool) -> None:
    assert forms.is_list(text) is is_list


def test_a_list_is_cut_at_the_parts_that_a_sheet_may_have(client: FlaskClient, page: Read) -> None:
    found = page(client.post("/check", data={"do": "paste", "paste": "ZZ\n" * 300}))
    assert len(kinds_in(found)) == 200


# --- a kind guessed


def test_a_kind_is_offered_where_the_marking_makes_it_plain(client: FlaskClient, page: Read) -> None:
    found = page(client.get("/?marking=137-612"))
    assert "This marking could stand on: Potentiometer , Speaker" in found.text
    assert "/?marking=137-612&part=speaker" in found.links
    assert "could stand on" not in page(client.get("/?marking=137-612&part=pot")).text
    assert "could stand on" not in page(client.get("/?marking=ZZTOP")).text


KINDS = st.sampled_from(["", "serial", "tuner", "wobbler", "label"])
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12).map(str.strip)
ROW = st.fixed_dictionaries({"part": KINDS, "marking": TEXT}, optional={"id": TEXT, "feature": TEXT})
ROWS = st.lists(ROW, min_size=1, max_size=5)
ACTS = st.tuples(st.sampled_from(["up", "down", "copy", "drop"]), st.integers(0, 4))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(rows=ROWS, act=ACTS)
def test_no_act_loses_or_changes_what_stands_in_another_row(
    shipped: Tables, rows: list[dict[str, str]], act: tuple[str, int]
) -> None:
    sent = MultiDict({f"p{n}-{column}": text for n, row in enumerate(rows) for column, text in row.items()})
    form = forms.posted(sent, shipped)
    name, number = act
    if number >= len(form.rows):
        return
    moves = {
        "up": lambda: forms.moved(form, number, -1),
        "down": lambda: forms.moved(form, number, 1),
        "copy": lambda: forms.copied(form, number),
        "drop": lambda: forms.dropped(form, number),
    }
    made = moves[name]()
    assert [row.number for row in made.rows] == list(range(len(made.rows)))
    others = sorted(str(dict(row.texts)) for row in form.rows if row.number != number)
    left = [str(dict(row.texts)) for row in made.rows]
    for other in others:
        left.remove(other)
    assert len(left) == {"up": 1, "down": 1, "copy": 2, "drop": 0}[name]
    if made is not form:
        back = forms.brought_back(made, shipped)
        assert [
            [row.text(column) for column in forms.COLUMNS] + [row.fixed, row.flags] for row in back.rows
        ] == [[row.text(column) for column in forms.COLUMNS] + [row.fixed, row.flags] for row in form.rows]
