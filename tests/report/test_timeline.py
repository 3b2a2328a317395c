"""The timeline: bars on the right days, verdicts told apart in more than colour, ends that are open, text escaped."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import date, timedelta
from itertools import combinations, pairwise
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.crosscheck.verdict import Verdict
from decoder.report.marks import MARKS
from decoder.report.rowwords import rows
from decoder.report.timeline import LEFT, RIGHT, WIDTH, timeline, timeline_in_pieces
from tests.report.instrument import (
    MARKUP,
    NS,
    VERDICTS,
    Drawing,
    assessed,
    edges,
    instrument,
    stated,
    with_class,
    words_of,
)

ROOT = Path(__file__).parent.parent.parent
A_DAY = timedelta(days=1)
FIRST, LAST = LEFT, WIDTH - RIGHT  # where days are drawn
NEAR = 0.03  # pixels: coordinates are written to a hundredth


def drawn(sheet, **more):
    return Drawing(timeline(assessed(sheet), **more))


def bars(element):
    """The whole pieces of the bars of a row: left and right edge."""
    return [edges(one) for one in with_class(element, "t-solid") if "t-bar" in one.attrib["class"].split()]


# --- days


def test_a_bar_stands_from_the_first_day_of_its_window_to_the_end_of_the_last():
    made = drawn(stated("1965-03/1966-10", "1964", claim="1966"))
    assert bars(made.row("pot 0")) == [
        pytest.approx((made.at(date(1965, 3, 1)), made.at(date(1966, 11, 1))), abs=NEAR)
    ]
    assert bars(made.row("pot 1")) == [
        pytest.approx((made.at(date(1964, 1, 1)), made.at(date(1965, 1, 1))), abs=NEAR)
    ]


def test_a_serial_of_1959_fills_that_year():
    sheet = {
        "instrument": {"maker": "Harrow & Vale", "claim": "1959"},
        "parts": [{"id": "serial", "part": "serial", "marking": "16840"}],
    }
    made = drawn(sheet)
    assert bars(made.row("serial")) == [
        pytest.approx((made.at(date(1959, 1, 1)), made.at(date(1960, 1, 1))), abs=NEAR)
    ]


days = st.dates(date(1930, 1, 1), date(1990, 1, 1))


@settings(max_examples=40)
@given(
    st.lists(st.tuples(days, st.integers(200, 3000)), min_size=1, max_size=4), days, st.integers(300, 2000)
)
def test_every_bar_and_the_claim_stand_where_the_printed_years_say(spans, begin, length):
    windows = [(first, first + timedelta(days=n)) for first, n in spans]
    claim = (begin, begin + timedelta(days=length))
    made = drawn(stated(*(f"{a}/{b}" for a, b in windows), claim=f"{claim[0]}/{claim[1]}", estimate=False))
    band = next(with_class(made.root, "t-band"))
    assert edges(band) == pytest.approx((made.at(claim[0]), made.at(claim[1] + A_DAY)), abs=NEAR)
    for place, (first, last) in enumerate(windows):
        found = bars(made.row(f"pot {place}"))
        expected = (made.at(first), made.at(last + A_DAY))
        if expected[1] <= FIRST + NEAR or expected[0] >= LAST - NEAR:
            assert not found and made.has(made.row(f"pot {place}"), "t-outside")
            continue
        (bar,) = found
        if bar[1] - bar[0] > 3.1:  # narrower ones are widened, so as to be seen
            assert expected[0] < FIRST - NEAR or bar[0] == pytest.approx(expected[0], abs=NEAR)
            assert expected[1] > LAST + NEAR or bar[1] == pytest.approx(expected[1], abs=NEAR)
        assert FIRST - NEAR <= bar[0] < bar[1] <= LAST + NEAR


def test_a_week_is_seen_in_a_drawing_of_many_years_and_stands_about_its_middle():
    made = drawn(stated("1950-06-05/1950-06-11", "1980", claim="1965"))
    ((left, right),) = bars(made.row("pot 0"))
    assert right - left >= 3
    middle = (made.at(date(1950, 6, 5)) + made.at(date(1950, 6, 12))) / 2
    assert (left + right) / 2 == pytest.approx(middle, abs=NEAR)


def test_the_tail_reaches_the_usual_lag_and_as_a_thin_line_the_longest():
    made = drawn(stated("1965-03/1966-10", claim="1966", lag=(2, 12, 36)))
    row = made.row("pot 0")
    (usual,), (longest,) = with_class(row, "t-usual"), with_class(row, "t-longest")
    before = date(1965, 3, 1) - relativedelta(months=2)
    assert edges(usual) == pytest.approx((made.at(before), made.at(date(1967, 10, 31) + A_DAY)), abs=NEAR)
    assert edges(longest) == pytest.approx((made.at(before), made.at(date(1969, 10, 31) + A_DAY)), abs=NEAR)
    assert float(longest.attrib["height"]) < float(usual.attrib["height"]) < 13


def test_a_disclosed_replacement_has_no_tail_and_a_faint_bar():
    sheet = stated("1965", "1965", claim="1966", lag=(0, 12, 24))
    sheet["parts"][0]["flags"] = ["disclosed-replacement"]
    made = drawn(sheet)
    assert not made.has(made.row("pot 0"), "t-tail") and made.has(made.row("pot 0"), "t-faint")
    assert made.has(made.row("pot 1"), "t-tail") and not made.has(made.row("pot 1"), "t-faint")
    assert "disclosed as replaced" in words_of(made.row("pot 0"))


def test_the_estimate_stands_on_its_days_and_the_even_chance_stands_higher():
    assessment = assessed(stated(*["1965-03/1965-10"] * 4, claim="1965", lag=(0, 6, 24)))
    made = Drawing(timeline(assessment))
    assert assessment.estimate is not None
    heights = {}
    for name, wanted in (
        ("t-50", assessment.estimate.interval_50),
        ("t-90", assessment.estimate.interval_90),
    ):
        found = list(with_class(made.root, name))
        assert len(found) == len(wanted)
        for one, window in zip(found, wanted, strict=True):
            first, last = window.earliest_date, window.latest_date
            assert edges(one) == pytest.approx((made.at(first), made.at(last + A_DAY)), abs=NEAR)
        heights[name] = float(found[0].attrib["height"])
    assert heights["t-50"] > heights["t-90"]


def test_the_days_that_all_parts_allow_stand_in_a_row_of_their_own():
    made = drawn(stated("1965", "1965-07/1967", claim="1965"))
    (joint,) = with_class(made.root, "t-joint")
    assert bars(joint) == [pytest.approx((made.at(date(1965, 7, 1)), made.at(date(1966, 1, 1))), abs=NEAR)]
    assert not made.has(made.root, "t-aside")


def test_where_no_day_is_common_the_drawing_says_so_and_shows_what_remains():
    made = drawn(stated("1955", "1965", "1965", claim="1965"))
    (joint,), (aside,) = with_class(made.root, "t-joint"), with_class(made.root, "t-aside")
    assert "no common day" in words_of(joint) and not bars(joint)
    assert "pot 0" in words_of(aside)
    assert bars(aside) == [pytest.approx((made.at(date(1965, 1, 1)), made.at(date(1966, 1, 1))), abs=NEAR)]


def test_the_days_that_matter_set_the_scale_and_one_far_out_is_told_by_its_year():
    made = drawn(stated("1965", "1966", "1820", claim="1965/1966"))
    assert made.years[0][0] >= 1940
    far = made.row("pot 2")
    assert not bars(far) and made.has(far, "t-outside") and "1820" in words_of(far)


def test_a_bar_that_goes_on_beyond_the_drawing_is_cut_off_and_not_open():
    made = drawn(stated("1965", "1850/1965", claim="1965"))
    row = made.row("pot 1")
    assert made.has(row, "t-beyond") and not made.has(row, "t-arrow")
    assert not made.has(made.row("pot 0"), "t-beyond")


# --- open ends


@pytest.mark.parametrize(
    ("window", "arrows"), [("1965/..", 1), ("../1965", 1), ("1964/1966", 0)], ids=["no end", "no start", "both"]
)  # fmt: skip
def test_an_open_bar_breaks_up_and_ends_in_an_arrow(window, arrows):
    made = drawn(stated("1960/1970", window, claim="1965"))
    row = made.row("pot 1")
    assert len(list(with_class(row, "t-arrow"))) == arrows
    assert len(list(with_class(row, "t-fade"))) == 3 * arrows
    ((bar_left, bar_right),) = bars(row)
    assert (bar_right < LAST - 20) and (bar_left > FIRST + 20)


def test_an_open_claim_has_an_arrow_and_one_edge():
    made = drawn(stated("1960/1970", claim="1966/.."))
    edged = list(with_class(made.root, "t-claim"))
    assert sum(len(list(with_class(one, "t-edge"))) for one in edged) == 1
    assert sum(len(list(with_class(one, "t-arrow"))) for one in edged) == 1


def test_readings_that_are_not_in_force_are_thin_outlines_below_the_bar():
    sheet = {
        "instrument": {"claim": "1966"},
        "parts": [{"id": "tuners", "part": "tuner", "marking": "PAT. NO. 3,290,980"}],
    }
    assessment = assessed(sheet)
    assert any(
        reading.strength < assessment.parts[0].evidence.weighed[0].reading.strength
        for reading in assessment.parts[0].evidence.decoding.readings
    )
    made = drawn(instrument())
    others = [one for one in with_class(made.row("transformer"), "t-solid") if "t-other" in one.get("class")]
    (bar,) = [one for one in with_class(made.row("transformer"), "t-solid") if "t-bar" in one.get("class")]
    assert others
    for one in others:
        assert float(one.get("height")) < float(bar.get("height")) / 2
        assert float(one.get("y")) > float(bar.get("y")) + float(bar.get("height"))
        assert one.get("stroke-dasharray") and one.get("fill") == "#ffffff"


# --- verdicts


def test_the_instrument_of_these_tests_shows_every_verdict():
    assert {part.evidence.verdict.value for part in assessed(instrument()).parts} == VERDICTS


def test_every_verdict_has_its_own_word_and_its_own_shape():
    made = drawn(instrument())
    shapes, said = {}, {}
    for row in made.rows().values():
        verdict = row.get("class").split()[1].removeprefix("v-")
        (glyph,) = with_class(row, "t-glyph")
        # Without any colour: what is left is the form.
        shapes.setdefault(verdict, set()).add(
            tuple(
                (
                    one.tag,
                    tuple(sorted((k, v) for k, v in one.items() if k not in ("fill", "stroke", "class"))),
                )
                for one in glyph
            )
        )
        (word,) = with_class(row, "t-word")
        said.setdefault(verdict, set()).add(word.text)
    assert set(shapes) == VERDICTS
    assert all(len(found) == 1 for found in [*shapes.values(), *said.values()])
    assert len({found for each in shapes.values() for found in each}) == len(VERDICTS)
    assert len({found for each in said.values() for found in each}) == len(VERDICTS)


def test_bars_of_different_verdicts_have_different_hatchings():
    made = drawn(instrument())
    hatchings = {
        one.get("class").removeprefix("v-"): tuple(
            ET.tostring(inner).replace(inner.get("fill", "").encode(), b"") for inner in list(one)[1:]
        )
        for one in made.root.iter(f"{NS}pattern")
    }
    assert set(hatchings) == {"old-stock", "too-new", "too-old", "misfit", "undecided"}
    forms = {
        name: tuple((e.tag, e.get("d"), e.get("r")) for e in list(one)[1:])
        for one in made.root.iter(f"{NS}pattern")
        for name in [one.get("class")]
    }
    assert len(set(forms.values())) == len(forms)
    for row in made.rows().values():
        for group in with_class(row, "t-bars"):
            verdict = group.get("class").split()[1].removeprefix("v-")
            for bar in with_class(group, "t-bar"):
                if "t-faint" not in bar.get("class"):
                    expected = (
                        f"url(#tl-{verdict})" if verdict in hatchings else MARKS[Verdict(verdict)].colour
                    )
                    assert bar.get("fill") == expected


def test_rival_windows_of_one_part_are_drawn_each_as_its_own_verdict():
    made = drawn(instrument())
    found = {one.get("class").split()[1] for one in with_class(made.row("tone pot"), "t-bars")}
    assert found == {"v-too-old", "v-too-new"}


def test_a_feature_that_originals_never_have_has_no_bar():
    made = drawn(instrument())
    assert not bars(made.row("bridge")) and made.has(made.row("bridge"), "t-never")
    assert "never on originals" in words_of(made.row("bridge"))


# How eyes without one kind of cone see linear RGB: Machado, Oliveira and Fernandes, "A physiologically-based model for
# simulation of color vision deficiency", 2009, severity 1.0.
UNSEEING = {
    "red": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "green": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "blue": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}  # fmt: skip


def linear(colour):
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    return [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]


def lab(rgb):
    r, g, b = (min(max(c, 0.0), 1.0) for c in rgb)
    xyz = (
        (0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505,
        0.2126 * r + 0.7152 * g + 0.0722 * b,
        (0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089,
    )
    x, y, z = (c ** (1 / 3) if c > 0.008856 else 7.787 * c + 16 / 116 for c in xyz)
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


@pytest.mark.parametrize("eyes", ["all", *UNSEEING])
def test_what_fits_and_what_contradicts_stay_apart_for_eyes_that_miss_a_colour(eyes):
    def seen(verdict):
        rgb = linear(MARKS[verdict].colour)
        if eyes != "all":
            rgb = [sum(k * c for k, c in zip(row, rgb, strict=True)) for row in UNSEEING[eyes]]
        return lab(rgb)

    tolerated = (Verdict.FITS, Verdict.OLD_STOCK)
    for good in tolerated:
        for bad in (Verdict.TOO_NEW, Verdict.TOO_OLD, Verdict.MISFIT):
            distance = sum((a - b) ** 2 for a, b in zip(seen(good), seen(bad), strict=True)) ** 0.5
            assert distance > 20, (eyes, good, bad, distance)
    assert (
        sum((a - b) ** 2 for a, b in zip(seen(Verdict.TOO_NEW), seen(Verdict.TOO_OLD), strict=True)) ** 0.5
        > 20
    )


def test_every_colour_is_dark_enough_on_paper():
    for mark in MARKS.values():
        r, g, b = linear(mark.colour)
        assert 1.05 / (0.2126 * r + 0.7152 * g + 0.0722 * b + 0.05) >= 4.5


# --- text


def test_markup_in_every_field_stays_text():
    sheet = instrument(maker=MARKUP, model=MARKUP)
    sheet["parts"] = [
        {"id": MARKUP, "part": "potentiometer", "marking": "137-6512", "position": MARKUP, "group": MARKUP},
        {"id": "two", "part": "label", "marking": MARKUP, "flags": ["refinished"]},
        {"id": "three", "part": "pickup", "feature": MARKUP, "value": MARKUP, "unit": None},
        {
            "id": "four",
            "part": "tuner",
            "state": "illegible",
            "override": {"window": "1965", "name": MARKUP, "reason": MARKUP},
        },
    ]
    svg = timeline(assessed(sheet), name=MARKUP)
    root = ET.fromstring(svg)
    assert "<script" not in svg
    assert {one.tag for one in root.iter()} <= {
        NS + name for name in ("svg", "title", "desc", "defs", "pattern", "g", "rect", "path", "circle", "text",
                          "tspan")
    }  # fmt: skip
    (row,) = [one for one in root.iter() if one.get("data-part") == MARKUP]
    assert words_of(row).startswith(MARKUP[:19])


def test_nothing_in_a_drawing_needs_a_style_a_script_or_another_file():
    made = drawn(instrument(), name="Harrow & Vale Estuary")
    for one in made.root.iter():
        assert not one.tag.endswith(("style", "script", "image", "use", "a", "foreignObject"))
        for name, value in one.items():
            assert name != "style" and not name.startswith("on") and "href" not in name
            assert "://" not in value and (not value.startswith("url(") or value.startswith("url(#tl-"))


def test_text_from_right_to_left_and_wide_characters_are_kept():
    sheet = stated("1965", "1965", "1965", claim="1965")
    names = ["בית המלאכה", "مقياس الصوت", "音量ポット音量ポット音量ポット音量ポット"]
    for part, name in zip(sheet["parts"], names, strict=True):
        part["id"] = name
    made = drawn(sheet)
    shown = [words_of(made.row(name)) for name in names]
    assert names[0] in shown[0] and names[1] in shown[1]
    assert "音量ポット音量ポッ…" in shown[2]


def test_a_long_name_is_cut_with_an_ellipsis_and_told_in_full_to_who_listens():
    made = drawn(instrument())
    name = "third pot of the harness with a long name"
    row = made.row(name)
    assert name not in words_of(row) and "third pot of the ha…" in words_of(row)
    assert name in row.find(f"{NS}title").text
    assert name in made.root.find(f"{NS}desc").text


def test_the_drawing_is_an_image_with_a_title_and_a_description_of_every_row():
    assessment = assessed(instrument())
    made = Drawing(timeline(assessment, name="Harrow & Vale Estuary"))
    assert made.root.get("role") == "img"
    named = made.root.get("aria-labelledby").split()
    found = {one.get("id"): one.text for one in made.root.iter() if one.get("id") in named}
    title, said = (found[name] for name in named)
    assert title == "Timeline of Harrow & Vale Estuary: 24 parts"
    assert said.startswith("Contradicted. Claim 1965. Second claim 1967/1968.")
    for part, row in zip(assessment.parts, rows(assessment), strict=True):
        assert row.part == part.evidence.part.id
        assert f"{row.part}, {row.title}: {row.verdict}" in said
        assert row.reads in said and row.allows in said
    assert "All parts allow no day." in said


def test_what_stands_in_a_row_as_text_is_what_the_assessment_says():
    found = {row.part: row for row in rows(assessed(instrument()))}
    assert found["volume pot"].reads == "19 Mar 1965 to 28 Mar 1965"
    assert found["switch"].reads == "" and found["switch"].verdict == "not read"
    assert found["transformer"].reads == "May 1964" and "1954" in found["transformer"].others
    assert found["transformer"].remark == "refinished, technician’s reading"
    assert found["second speaker"].allows == ""
    assert found["bridge"].reads == "" and found["bridge"].verdict == "never on originals"


# --- one sheet, one drawing


def test_the_same_sheet_gives_the_same_bytes_in_any_process():
    script = (
        "from tests.report.instrument import assessed, instrument\n"
        "from decoder.report.timeline import timeline\n"
        "import hashlib; print(hashlib.sha256(timeline(assessed(instrument())).encode()).hexdigest())"
    )
    digests = {
        subprocess.run(
            [sys.executable, "-c", script],
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(digests) == 1 and digests.pop().strip()


def test_the_order_of_parts_moves_rows_and_no_bar():
    sheet = instrument()
    forth = drawn(sheet)
    sheet["parts"].reverse()
    back = drawn(sheet)
    assert list(back.rows()) == list(reversed(forth.rows()))
    assert {name: bars(row) for name, row in back.rows().items()} == {
        name: bars(row) for name, row in forth.rows().items()
    }


def test_two_hundred_parts_are_drawn_under_each_other():
    sheet = stated(*["1964-05/1966"] * 200, claim="1965")
    made = drawn(sheet)
    tops = [bars_top(row) for row in made.rows().values()]
    assert len(tops) == 200
    steps = {round(b - a, 2) for a, b in pairwise(tops)}
    assert len(steps) == 1 and steps.pop() > 30
    _, _, _, height = map(float, made.root.get("viewBox").split())
    assert tops[-1] < height


def bars_top(row):
    return float(next(with_class(row, "t-bar")).get("y"))


def test_pieces_for_paper_hold_every_part_once_on_one_scale_with_names_of_their_own():
    assessment = assessed(instrument())
    pieces = timeline_in_pieces(assessment, 10, name="Harrow & Vale Estuary")
    found = [Drawing(piece) for piece in pieces]
    assert [len(piece.rows()) for piece in found] == [8, 8, 8]
    assert [name for piece in found for name in piece.rows()] == [
        p.evidence.part.id for p in assessment.parts
    ]
    assert all(piece.years == found[0].years for piece in found)
    ids = [one.get("id") for piece in found for one in piece.root.iter() if one.get("id")]
    assert len(ids) == len(set(ids))
    assert [piece.has(piece.root, "t-legend") for piece in found] == [False, False, True]
    for piece in found:
        own = {one.get("id") for one in piece.root.iter() if one.get("id")}
        used = {
            one.get("fill")[5:-1] for one in piece.root.iter() if (one.get("fill") or "").startswith("url")
        }
        assert used <= own


def test_without_a_claim_there_is_no_band_and_the_bars_stand_all_the_same():
    made = drawn(stated("1965-03/1966-10"))
    assert not made.has(made.root, "t-band")
    assert bars(made.row("pot 0")) == [
        pytest.approx((made.at(date(1965, 3, 1)), made.at(date(1966, 11, 1))), abs=NEAR)
    ]


@pytest.mark.parametrize("today", [None, date(2026, 11, 25)])
def test_a_sheet_on_which_nothing_was_read_is_drawn_too(today):
    sheet = {"parts": [{"id": "switch", "part": "switch", "state": "not-looked"}]}
    made = Drawing(timeline(assessed(sheet, today)))
    assert words_of(made.row("switch")) == "switch not looked at not read"


@pytest.mark.parametrize("claim", ["0001/0002", "9998/9999", "../0003", "[1965,1970..1972]", "196X", "1966~"])
def test_claims_at_the_ends_of_the_calendar_and_of_several_spans_are_drawn(claim):
    made = drawn(stated("1965", claim=claim))
    assert made.has(made.root, "t-band")


@settings(max_examples=30)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(
                ["potentiometer", "serial", "label", "tuner", "speaker", "capacitor", "neck-heel"]
            ),
            st.text("0123456789-?[] ABC.,", min_size=1, max_size=14),
        ),
        min_size=1,
        max_size=6,
    ),
    st.sampled_from([None, "1966", "196X", "1950/1970", "../1960"]),
)
def test_whatever_is_read_the_drawing_is_whole_and_no_bar_leaves_it(parts, claim):
    from decoder.crosscheck import SheetError

    sheet = {
        "instrument": {"claim": claim},
        "parts": [{"id": str(n), "part": kind, "marking": text} for n, (kind, text) in enumerate(parts)],
        "options": {"estimate": False},
    }
    try:
        assessment = assessed(sheet)
    except SheetError:
        return
    root = ET.fromstring(timeline(assessment))
    for one in root.iter(f"{NS}rect"):
        left, right = (0.0, float(one.get("width"))) if one.get("x") is None else edges(one)
        assert -0.01 <= left < right <= 800.01
    for first, second in combinations(
        [one.get("data-part") for one in root.iter() if one.get("data-part")], 2
    ):
        assert first != second
