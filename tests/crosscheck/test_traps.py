"""Traps: what sets each one off, what is left alone, and that none is a verdict. Harrow & Vale is invented."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from decoder.crosscheck import check
from decoder.crosscheck.lag import Lags
from decoder.crosscheck.sheet import Flag, Part
from decoder.crosscheck.traps import TABLE, Trap, Trigger, traps_of
from decoder.crosscheck.verdict import Evidence, weigh
from decoder.marking import Marking
from decoder.scheme.reading import Decoding, FieldValue, Precision, Reading, Strength, Timing
from decoder.tables import Citation, Row, TableError, Tables
from decoder.window import Window, parse_edtf

BLANK = Marking.blank("a marking")


def reading(text: str, *, fields: tuple[str, ...] = (), **more: Any) -> Reading:
    return Reading(
        more.pop("scheme", "a-scheme"), "A scheme", "a-family", Strength.STRONG, parse_edtf(text).windows,
        Precision.WEEK, fields=tuple(FieldValue(name, "6", "", (0, 1)) for name in fields),
        sources=(Citation("a-source", "A source", "C"),), **more,
    )  # fmt: skip


def part(
    tables: Tables, name: str, kind: str, *readings: Reading, claim: str | None = "1966", marking: str = "x",
    flags: frozenset[Flag] = frozenset(),
) -> Evidence:  # fmt: skip
    period = parse_edtf(claim) if claim else None
    made = Part(name, kind, marking=marking, flags=flags)
    return weigh(made, Decoding(BLANK, readings, ()), title=kind, ease=2, lags=Lags.of(tables), claim=period)


def found(tables: Tables, *parts: Evidence, claim: str | None = "1966") -> dict[str, Trap]:
    traps = traps_of(parts, parse_edtf(claim) if claim else None, tables)
    return {trap.id: trap for trap in traps}


def rows(tables: Tables, trigger: Trigger) -> list[Row]:
    return [row for row in tables.table(TABLE).rows if row["trigger"] == trigger.value]


# The table


def test_every_trigger_has_a_row_and_every_row_a_trigger_that_the_code_knows(shipped: Tables) -> None:
    assert {row["trigger"] for row in shipped.table(TABLE).rows} == {trigger.value for trigger in Trigger}


def test_every_row_says_what_and_why_with_source_and_grade(shipped: Tables) -> None:
    table = shipped.table(TABLE)
    kinds = {row["id"] for row in shipped.table("parts/kinds").rows}
    for row in table.rows:
        assert "{parts}" in row["text"] and row["why"].endswith(".")
        assert table.cite(row)
        assert {*row["kinds"], *row["later"]} <= kinds
        for word in row["text"].split("{")[1:]:
            assert word.partition("}")[0] in {"parts", "claim", "later", "said"}


def test_the_schemes_named_are_schemes_of_the_tables(shipped: Tables) -> None:
    known = {scheme["id"] for package in shipped.packages() for scheme in package.schemes()}
    named = {name for row in shipped.table(TABLE).rows for name in row["schemes"]}
    assert named and named <= known


# Years for which a layout isn't documented


def test_a_one_digit_year_in_an_undocumented_decade_is_a_trap(shipped: Tables) -> None:
    late = reading("1966-03", documented=False, fields=("year1",))
    early = reading("1956-03", fields=("year1",))
    told = found(shipped, part(shipped, "pot", "potentiometer", late, early))
    assert set(told) == {"one-digit-year-pot"}
    assert told["one-digit-year-pot"].parts == ("pot",)
    assert "1966" in told["one-digit-year-pot"].text
    assert {source.grade for source in told["one-digit-year-pot"].sources} == {"C"}


def test_the_narrowest_row_on_undocumented_years_speaks_of_a_part_and_no_other(shipped: Tables) -> None:
    late = reading("1966-03", documented=False, fields=("year1",))
    other = reading("1966-03", documented=False)
    told = found(
        shipped,
        part(shipped, "pot", "potentiometer", late),
        part(shipped, "cap", "capacitor", late),
        part(shipped, "switch", "switch", other),
    )
    assert {name: trap.parts for name, trap in told.items()} == {
        "one-digit-year-pot": ("pot",), "one-digit-year": ("cap",), "layout-years": ("switch",),
    }  # fmt: skip


def test_a_documented_reading_that_suits_the_claim_too_is_no_trap(shipped: Tables) -> None:
    late, sure = reading("1966-03", documented=False, fields=("year1",)), reading("1966-05")
    assert found(shipped, part(shipped, "pot", "potentiometer", late, sure)) == {}


def test_an_undocumented_reading_that_suits_no_claim_is_no_trap(shipped: Tables) -> None:
    late = reading("1976-03", documented=False, fields=("year1",))
    assert found(shipped, part(shipped, "pot", "potentiometer", late)) == {}
    assert found(shipped, part(shipped, "pot", "potentiometer", late, claim=None), claim=None) == {}


# Shared and copied numbers


def shared_row(tables: Tables) -> Row:
    return next(
        row
        for row in tables.table("serials/overlaps").rows
        if row["kind"] == "reissue" and row["from"] == "1982"
    )


def test_a_number_that_a_reissue_line_shares_is_a_trap_for_an_older_claim(shipped: Tables) -> None:
    row = shared_row(shipped)
    number = reading("1955/1957", notes=(row["warning"],), timing=Timing.INSTRUMENT)
    told = found(shipped, part(shipped, "serial", "serial", number, claim="1956"), claim="1956")[
        "reissue-number"
    ]
    assert row["warning"] in told.text
    assert {source.id for source in shipped.table("serials/overlaps").cite(row)} <= {
        s.id for s in told.sources
    }


def test_a_shared_number_is_no_trap_for_a_claim_of_the_reissue_itself(shipped: Tables) -> None:
    number = reading("1985", notes=(shared_row(shipped)["warning"],), timing=Timing.INSTRUMENT)
    assert found(shipped, part(shipped, "serial", "serial", number, claim="1985"), claim="1985") == {}


def test_a_number_without_the_warning_of_an_overlap_is_no_trap(shipped: Tables) -> None:
    number = reading("1956", notes=("another note",), timing=Timing.INSTRUMENT)
    assert found(shipped, part(shipped, "serial", "serial", number, claim="1956"), claim="1956") == {}


def test_every_scheme_that_is_copied_sets_off_its_trap_outside_the_years_of_the_copies(
    shipped: Tables,
) -> None:
    for row in rows(shipped, Trigger.COPIED_SCHEME):
        inside = parse_edtf(row["years"]).window.earliest_date
        assert inside is not None
        for scheme in row["schemes"]:
            old = reading("1960", scheme=scheme, timing=Timing.INSTRUMENT)
            told = found(shipped, part(shipped, "serial", "serial", old, claim="1960"), claim="1960")
            assert row["id"] in told and "1960" in told[row["id"]].text
            copy = reading(str(inside.year), scheme=scheme, timing=Timing.INSTRUMENT)
            claim = str(inside.year)
            assert row["id"] not in found(
                shipped, part(shipped, "serial", "serial", copy, claim=claim), claim=claim
            )


# Patents, codes that are too good, wear


def test_a_patent_granted_after_the_claim_is_a_trap(shipped: Tables) -> None:
    later = reading("1968/..", granted=Window.year(1968))
    told = found(shipped, part(shipped, "label", "label", later))
    assert set(told) == {"patent-after-claim"}
    earlier = reading("1958/..", granted=Window.year(1958))
    assert found(shipped, part(shipped, "label", "label", earlier)) == {}
    assert (
        found(shipped, part(shipped, "label", "label", earlier, later)) == {}
    )  # one of the readings is in time
    assert found(shipped, part(shipped, "label", "label", later, claim="1966/.."), claim="1966/..") == {}


def test_good_codes_beside_a_later_label_are_a_trap(shipped: Tables) -> None:
    pots = [
        part(shipped, f"pot-{n}", "potentiometer", reading(f"1966-03-{6 + n:02}/1966-03-{12 + n:02}"))
        for n in (1, 2)
    ]
    late = part(shipped, "label", "label", reading("1972"))
    told = found(shipped, *pots, late)["codes-too-good"]
    assert told.parts == ("pot-1", "pot-2")
    assert "label bears a mark of later years" in told.text
    assert found(shipped, *pots) == {}
    assert found(shipped, pots[0], late) == {}  # one code proves nothing
    assert found(shipped, *pots, part(shipped, "frets", "fret", reading("1990"))) == {}


def test_codes_to_the_year_are_not_too_good(shipped: Tables) -> None:
    pots = [part(shipped, f"pot-{n}", "potentiometer", reading("1966")) for n in (1, 2)]
    assert found(shipped, *pots, part(shipped, "label", "label", reading("1972"))) == {}


def test_two_parts_worn_in_the_same_places_are_a_trap(shipped: Tables) -> None:
    two = [part(shipped, name, "potentiometer", reading("1966"), marking="137 6?12") for name in ("a", "b")]
    assert found(shipped, *two)["same-wear"].parts == ("a", "b")
    clear = [part(shipped, name, "potentiometer", reading("1966"), marking="137 6612") for name in ("a", "b")]
    assert found(shipped, *clear) == {}
    other = part(shipped, "b", "capacitor", reading("1966"), marking="137 6?12")
    assert found(shipped, two[0], other) == {}


def test_a_disclosed_replacement_sets_off_nothing(shipped: Tables) -> None:
    late = reading("1966-03", documented=False, fields=("year1",))
    disclosed = frozenset({Flag.DISCLOSED_REPLACEMENT})
    assert found(shipped, part(shipped, "pot", "potentiometer", late, flags=disclosed)) == {}


# Through check(), and a shop's own rows


def test_a_trap_is_a_warning_with_its_source_and_no_verdict() -> None:
    sheet = {
        "instrument": {"maker": "Harrow & Vale", "claim": "1966"},
        "parts": [{"id": "pot", "part": "pot", "marking": "137612"}],
    }
    answer = check(sheet).as_dict()
    assert answer["outcome"] == "agrees" and answer["parts"][0]["verdict"] == "fits"
    (trap,) = answer["traps"]
    assert trap["trap"] == "one-digit-year-pot" and trap["parts"] == ["pot"]
    assert set(trap) == {"trap", "title", "parts", "text", "why", "sources"}
    assert all(set(source) == {"id", "title", "grade"} for source in trap["sources"])
    (warning,) = [text for text in answer["warnings"] if text.startswith("Trap: ")]
    assert trap["text"] in warning and trap["why"] in warning and "[C]" in warning
    assert "1 trap to look into" in " ".join(answer["narrative"])
    assert answer["tables"][TABLE]


def overlay(folder: Path, shipped: Tables, **cells: str) -> Path:
    """A shop's package with one row more for the traps."""
    package = next(p for p in shipped.packages() if p.name == "traps")
    resource = dict(package.resource("traps") or {})
    columns = [column["name"] for column in resource["schema"]["fields"]]
    resource |= {"name": "more", "path": "more.csv", "extends": TABLE}
    resource.pop("hash")
    sources = dict(package.resource("sources") or {})
    sources.pop("hash")
    descriptor = {
        "name": "tidewater",
        "title": "Tidewater Bench (invented)",
        "version": "2026.11",
        "resources": [resource, sources],
    }
    (folder / "datapackage.json").write_text(json.dumps(descriptor), encoding="utf-8")
    with (folder / "more.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerow({name: cells.get(name, "") for name in columns})
    (folder / "sources.csv").write_text(
        "id,title,address,note\nbench,Tidewater Bench (invented),,\n", encoding="utf-8"
    )
    return folder


ROW = {
    "id": "estuary-reissue",
    "title": "A reissue of the Estuary",
    "trigger": "copied-scheme",
    "schemes": "harrow-vale-main",
    "years": "1994/2001",
    "text": "{parts}: the number suits {claim}, and a reissue of 1994 to 2001 carries five digits too.",
    "why": "Look at the date of the neck.",
    "source": "bench",
    "grade": "C",
}


def test_a_shop_adds_a_trap_of_its_own_without_code(tmp_path: Path, shipped: Tables) -> None:
    tables = Tables.open(overlay(tmp_path, shipped, **ROW))
    sheet = {
        "instrument": {"maker": "Harrow & Vale", "claim": "1966"},
        "parts": [{"id": "serial", "part": "serial", "marking": "40001"}],
    }
    (trap,) = check(sheet, tables=tables).traps
    assert (
        trap.text == "serial: the number suits 1966, and a reissue of 1994 to 2001 carries five digits too."
    )
    assert "Tidewater Bench (invented) [C]" in trap.warning
    assert check(sheet).traps == ()


def test_a_trigger_that_the_code_doesnt_know_is_refused_with_its_row(tmp_path: Path, shipped: Tables) -> None:
    with pytest.raises(TableError, match=r"row 2, column trigger"):
        Tables.open(overlay(tmp_path, shipped, **{**ROW, "trigger": "full-moon"}))
