"""Dated features: measures in the units of the trade, counts, words and materials, and what they say of a claim.

Harrow & Vale and its model Estuary are invented; so is the shop, Tidewater Bench, and every figure of theirs.
"""

import json
from datetime import date
from fractions import Fraction
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder.catalog import decode, kinds_of
from decoder.crosscheck import check
from decoder.families.feature import FAMILY, KINDS
from decoder.families.measure import UNITS, MeasureError, parse_measure
from decoder.marking import Marking
from decoder.scheme.family import Context
from decoder.scheme.reading import Strength, Timing
from decoder.tables import Tables, shipped

MAKER = "Harrow & Vale"


def read(part, feature, value, unit=None, accuracy=None, maker=MAKER, tables=None):
    return FAMILY.read_feature(feature, value, unit, accuracy, Context(tables or shipped(), part, maker))


def missed(part, feature, value, unit=None, accuracy=None, maker=MAKER, tables=None):
    misses = FAMILY.feature_misses(feature, value, unit, accuracy, Context(tables or shipped(), part, maker))
    assert len(misses) == 1
    return misses[0]


def windows(readings):
    return [reading.window.edtf() for reading in readings]


# ---------------------------------------------------------------------------------------------------------------
# Measures as they are written


@pytest.mark.parametrize(
    ("text", "unit", "millimetres"),
    [
        ("1 11/16 in", None, Fraction(27, 16) * Fraction(254, 10)),
        ("1-11/16", "in", Fraction(27, 16) * Fraction(254, 10)),
        ('0.101"', None, Fraction("2.5654")),
        (".101”", None, Fraction("2.5654")),
        ("0.101''", None, Fraction("2.5654")),
        ("1½ in", None, Fraction("38.1")),
        ("½″", None, Fraction("12.7")),
        ("40 thou", None, Fraction("1.016")),
        ("40", "thou", Fraction("1.016")),
        ("49.2 mm", None, Fraction("49.2")),
        ("49,2 mm", None, Fraction("49.2")),
        ("4.92 cm", None, Fraction("49.2")),
        ("２５．４ mm", None, Fraction("25.4")),
        ("2 Inches", None, Fraction("50.8")),
    ],
)
def test_a_length_is_read_exactly(text, unit, millimetres):
    low, high = parse_measure(text, unit).span(UNITS["mm"])
    assert (low + high) / 2 == millimetres


@pytest.mark.parametrize(
    ("text", "grams"), [("31 g", Fraction(31)), ("0.031 kg", Fraction(31)), ("16 oz", Fraction("453.59237")),
                        ("1 lb", Fraction("453.59237")), ("1 1/2 oz", Fraction("42.5242846875"))]
)  # fmt: skip
def test_a_weight_is_read_exactly(text, grams):
    low, high = parse_measure(text).span(UNITS["g"])
    assert (low + high) / 2 == grams


@pytest.mark.parametrize(
    ("text", "half_a_step"),
    [("0.041 in", "0.0005"), ("0.0410 in", "0.00005"), ("31 g", "0.5"), ("49.2 mm", "0.05"), ("2. mm", "0.5"),
     ("1 11/16 in", "1/32"), ("1 1/2 in", "1/4")],
)  # fmt: skip
def test_without_an_accuracy_it_is_half_of_the_last_step_written(text, half_a_step):
    measure = parse_measure(text)
    assert measure.accuracy == Fraction(half_a_step)
    assert not measure.stated


@pytest.mark.parametrize(
    ("text", "unit", "given"),
    [("0.0435 ±0.003 in", None, None), ('0.0435" +/- 0.003"', None, None), ("0.0435", "in", 0.003),
     ("0.0435 +- 0.003", "in", None), ("0.0435 ± 0.2 in", None, 0.003)],
)  # fmt: skip
def test_an_accuracy_is_taken_from_the_caliper(text, unit, given):
    measure = parse_measure(text, unit, given)
    assert (measure.value, measure.accuracy, measure.stated) == (Fraction("0.0435"), Fraction("0.003"), True)


@given(st.integers(0, 999), st.integers(1, 63), st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_every_fraction_of_an_inch_is_exact(whole, above, below):
    above = above % below or 1
    expected = (whole + Fraction(above, below)) * Fraction(254, 10)
    low, high = parse_measure(f"{whole} {above}/{below} in").span(UNITS["mm"])
    assert (low + high) / 2 == expected
    assert high - low == Fraction(1, below) * Fraction(254, 10)


@given(
    st.decimals(0, 9999, places=4, allow_nan=False),
    st.sampled_from(["in", "mm", "g", "thou", "oz", "kg", "cm"]),
)
def test_a_decimal_comes_back_as_it_was_written(number, unit):
    measure = parse_measure(f"{number} {unit}")
    assert measure.value == Fraction(str(number))
    assert measure.unit == UNITS[unit]


@pytest.mark.parametrize(
    ("text", "unit", "where", "says"),
    [
        ("3", "furlong", "unit", "known are in, thou, mm"),
        ("3 feet", None, "value", "'feet' is no unit"),
        ("5'", None, "value", "is no unit"),
        ("thick", "in", "value", "is no measure"),
        ("", "in", "value", "is no measure"),
        ("-3 mm", None, "value", "is no measure"),
        ("3/0 in", None, "value", "is no measure"),
        ("1 17/16 in", None, "value", "is no measure"),
        ("1,250 g", None, "value", "comma"),
        ("0.1 in", "mm", "unit", "in two units"),
        ("0.1 in ± 0.2 mm", None, "unit", "in two units"),
        ("9" * 400, "mm", "value", "is no unit"),
    ],
)
def test_what_is_no_measure_is_refused_with_what_would_be(text, unit, where, says):
    with pytest.raises(MeasureError) as caught:
        parse_measure(text, unit)
    assert caught.value.where == where
    assert says in str(caught.value)
    assert len(str(caught.value)) < 200


def test_an_accuracy_below_nothing_is_refused():
    with pytest.raises(MeasureError, match="less than nothing"):
        parse_measure("3 mm", None, -1.0)


@given(st.text(max_size=30), st.one_of(st.none(), st.text(max_size=8)))
def test_any_text_is_a_measure_or_is_refused(text, unit):
    try:
        measure = parse_measure(text, unit)
    except MeasureError as error:
        assert error.message
    else:
        assert measure.value >= 0 and measure.accuracy >= 0


# ---------------------------------------------------------------------------------------------------------------
# A measure against the table


def test_a_measure_inside_the_range_dates_the_part():
    (reading,) = read("tailpiece", "tailpiece-weight", "31 g")
    assert reading.window.edtf() == "1955-01-01/1968-12-31"
    assert reading.strength is Strength.STRONG
    assert reading.timing is Timing.PART
    assert reading.maker == MAKER
    assert [c.grade for c in reading.sources] == ["P"]


def test_a_feature_of_the_whole_instrument_has_the_days_of_the_instrument():
    (reading,) = read("neck", "nut-width", "1.69 in")
    assert reading.timing is Timing.INSTRUMENT


def test_the_same_width_in_millimetres_is_the_same_width():
    assert windows(read("bridge", "bridge-casting-wall", "1.03", "mm")) == windows(
        read("bridge", "bridge-casting-wall", "0.0405", "in")
    )


def test_no_unit_is_taken_as_that_of_the_table_and_it_is_said():
    (reading,) = read("tailpiece", "tailpiece-weight", "31")
    assert any("no unit given, taken as g" in note for note in reading.notes)


def test_a_value_of_later_parts_alone_is_never_on_an_original():
    (reading,) = read("tailpiece", "tailpiece-weight", "88 g")
    assert reading.never and not reading.unsure
    assert "not found on originals" in reading.notes[0]


def test_a_measure_that_may_be_either_cant_be_told():
    # 0.094 to 0.098 reaches into the originals (to 0.094) and into the later ones (from 0.098).
    (reading,) = read("pickguard", "pickguard-thickness", "0.096", "in", 0.002)
    assert reading.unsure and not reading.never
    assert "can't be told" in reading.notes[0]


def test_a_measure_between_all_ranges_says_nothing_and_the_ranges_are_told():
    assert read("pickguard", "pickguard-thickness", "0.096", "in", 0.001) == []
    miss = missed("pickguard", "pickguard-thickness", "0.096", "in", 0.001)
    assert "0.088 to 0.092 in on originals" in miss.problem
    assert "0.1 to 0.105 in on later parts" in miss.problem


def test_a_measure_whose_edge_alone_meets_the_originals_cant_be_told():
    (reading,) = read("bridge", "bridge-casting-wall", "0.0435", "in", 0.001)
    assert reading.unsure


def test_a_rough_measure_that_meets_one_original_alone_is_that_one_and_less_strong():
    (reading,) = read("neck", "nut-width", "1 11/16 in")
    assert reading.window.edtf() == "1955-01-01/1964-12-31"
    assert reading.strength is Strength.FAIR
    assert any("half of the last step written, 0.03125 in" in note for note in reading.notes)


def test_a_rough_measure_that_may_be_two_originals_is_read_as_both():
    # 1.585 to 1.675 in reaches the middle width (to 1.645) and the wide one (from 1.67), not the narrow one (to 1.58).
    found = read("neck", "nut-width", "1.63", "in", 0.045)
    assert windows(found) == ["1955-01-01/1964-12-31", "1969-01-01/1974-12-31"]
    assert {reading.strength for reading in found} == {Strength.FAIR}


@given(st.integers(300, 560), st.integers(0, 60))
def test_a_closer_measure_of_one_value_never_turns_into_its_opposite(value, accuracy):
    """What is an original at some accuracy is never a later part at a better one, nor the other way round."""

    def verdict(accuracy):
        found = read("bridge", "bridge-casting-wall", f"{value / 10000:.4f}", "in", accuracy / 10000)
        return {(r.never, r.unsure) for r in found}

    rough, close = verdict(accuracy), verdict(accuracy // 2)
    assert not (rough == {(False, False)} and close == {(True, False)})
    assert not (rough == {(True, False)} and close == {(False, False)})


@given(st.integers(300, 560))
def test_an_exact_value_is_judged_by_the_ranges_alone(value):
    """Originals 0.040 to 0.041, later ones 0.046 to 0.050, each with 0.0015 in of tolerance."""
    found = read("bridge", "bridge-casting-wall", f"{value / 10000:.4f}", "in", 0.0)
    if 385 <= value <= 425:
        assert windows(found) == ["1955-01-01/1974-12-31"] and not found[0].never
    elif 445 <= value <= 515:
        assert [r.never for r in found] == [True]
    else:
        assert found == []


def test_a_weight_is_no_thickness():
    assert read("bridge", "bridge-casting-wall", "31 g") == []
    assert "unit of weight" in missed("bridge", "bridge-casting-wall", "31 g").problem


def test_an_unknown_unit_is_an_error_and_no_reading():
    with pytest.raises(MeasureError, match="furlong"):
        read("bridge", "bridge-casting-wall", "3", "furlong")
    with pytest.raises(MeasureError, match="furlong"):
        read("pickguard", "material", "3", "furlong")
    assert "furlong" in missed("bridge", "bridge-casting-wall", "3", "furlong").problem
    assert "furlong" in missed("bridge", "bridge-casting-wall", "3 furlong").problem


def test_words_in_place_of_a_measure_are_told_how_to_write_one():
    assert read("bridge", "bridge-casting-wall", "thick") == []
    assert "1 11/16 in" in missed("bridge", "bridge-casting-wall", "thick").problem


# ---------------------------------------------------------------------------------------------------------------
# Counts, words, materials


@pytest.mark.parametrize("value", ["2", "two", "Two rings", "2 rings"])
def test_a_count_is_a_figure_or_a_word(value):
    assert windows(read("tuner-button", "tuner-button-rings", value)) == ["1960-01-01/1974-12-31"]


@pytest.mark.parametrize("value", ["7", "many", "2 or 3", "½", "99999999"])
def test_another_count_is_not_known(value):
    assert read("tuner-button", "tuner-button-rings", value) == []
    assert "known are 1, 2, 3" in missed("tuner-button", "tuner-button-rings", value).problem


def test_a_count_has_no_unit():
    assert read("tuner-button", "tuner-button-rings", "2", "in") == []
    assert "no unit" in missed("tuner-button", "tuner-button-rings", "2", "in").problem


@pytest.mark.parametrize("value", ["on top of the finish", "On top of finish", "ON  TOP-OF THE FINISH."])
def test_words_are_compared_without_case_signs_and_articles(value):
    assert windows(read("serial", "serial-place", value)) == ["1970-01-01/1974-12-31"]


def test_words_in_another_order_or_beside_others_are_other_words():
    assert read("headstock-logo", "headstock-wording", "HARROW & VALE LTD INC") == []
    assert windows(read("headstock-logo", "headstock-wording", "Harrow and Vale Ltd.")) == [
        "1955-01-01/1967-12-31"
    ]


@pytest.mark.parametrize("feature", ["serial-place", "Serial place", "SERIAL_PLACE"])
def test_a_feature_is_named_with_blanks_or_hyphens(feature):
    assert len(read("serial", feature, "under the finish")) == 1


def test_a_material_cant_be_older_than_its_making():
    (reading,) = read("pickguard", "material", "Celluloid", maker=None)
    assert reading.window.edtf() == "1870-01-01/.."
    assert reading.strength is Strength.FAIR


@pytest.mark.parametrize(
    ("part", "feature", "value", "row"),
    [
        ("bridge", "plating", "chrome", "chromium-plating"),
        ("bridge", "plating", "chrome-plated", "chromium-plating"),
        ("tailpiece", "material", "die-cast zinc alloy", "zinc-die-casting"),
        ("neck", "material", "aluminum", "aluminium-neck"),
        ("finish", "finish", "nitrocellulose", None),
        ("finish", "finish", "nitrocellulose lacquer", "nitrocellulose-lacquer"),
        ("neck", "glue", "epoxy", "epoxy"),
        ("neck", "glue", "hide", "hide-glue"),
        ("body", "process", "CNC routing", "cnc-routed-body"),
    ],
)
def test_a_material_is_known_by_its_names_of_the_trade(part, feature, value, row):
    assert [r.scheme for r in read(part, feature, value, maker=None)] == ([row] if row else [])


def test_a_material_of_another_kind_of_part_says_nothing():
    assert read("nut", "material", "celluloid", maker=None) == []
    miss = missed("pickguard", "material", "celuloid", maker=None)
    assert miss.corrections == ("material celluloid",)


def test_an_excluded_span_leaves_the_days_around_it():
    (reading,) = read("body", "material", "metal over a tenth of the weight, US", maker=None)
    assert reading.window.edtf() == "[..1942-05-31,1945-06-01..]"
    assert any("older or newer" in note for note in reading.notes)


def test_an_excluded_span_without_an_end_bounds_no_day():
    (reading,) = read("other", "material", "iron and steel in listed products, US", maker=None)
    assert reading.window.edtf() == "../.."
    assert reading.strength is Strength.WEAK


def test_a_material_that_fades_has_no_latest_day():
    (reading,) = read("fingerboard", "material", "Brazilian rosewood", maker=None)
    assert reading.window.latest is None
    assert any("no contradiction" in note for note in reading.notes)


def test_a_row_of_the_maker_outweighs_the_general_one():
    (reading,) = read("tailpiece", "tailpiece-material", "aluminium")
    assert reading.scheme == "tailpiece-aluminium"


# ---------------------------------------------------------------------------------------------------------------
# Scope


def test_a_makers_row_needs_the_maker():
    assert read("bridge", "bridge-casting-wall", "0.041 in", maker=None) == []
    assert read("bridge", "bridge-casting-wall", "0.041 in", maker="Another Maker") == []
    assert len(read("bridge", "bridge-casting-wall", "0.041 in", maker="HARROW and VALE")) == 1
    assert (
        "Harrow & Vale Estuary alone"
        in missed("bridge", "bridge-casting-wall", "0.041 in", maker=None).problem
    )


def test_a_row_of_a_model_says_whose_it_is_and_is_left_out_for_another_model():
    (reading,) = read("bridge", "bridge-casting-wall", "0.041 in")
    assert any("the model Estuary" in note for note in reading.notes)

    def of_model(model):
        context = SimpleNamespace(tables=shipped(), part="bridge", maker=MAKER, model=model)
        return FAMILY.read_feature("bridge-casting-wall", "0.041 in", None, None, context)

    assert len(of_model("Estuary")) == len(of_model("Harrow & Vale Estuary")) == len(of_model(None)) == 1
    assert of_model("Estuary Junior") == []


def test_a_feature_on_another_kind_of_part_is_said_to_be_there():
    assert "another kind of part: neck" in missed("nut", "nut-width", "1 11/16 in").problem


def test_an_unknown_feature_lists_those_of_its_kind():
    miss = missed("bridge", "bridge-castin-wall", "0.041 in")
    assert "bridge-casting-wall" in miss.problem and "bridge-plating" in miss.problem
    assert miss.corrections[0].startswith("bridge-casting-wall ")
    assert miss.at == (0, len("bridge-castin-wall"))
    assert "Estuary" not in missed("bridge", "shape", "round", maker=None).problem


def test_no_miss_where_something_is_read():
    context = Context(shipped(), "tailpiece", MAKER)
    assert FAMILY.feature_misses("tailpiece-weight", "31 g", None, None, context) == []


def shop(folder, rows):
    """A package of features of a shop's own, laid over the shipped ones."""
    base = next(p for p in shipped().packages() if p.name == "feature").resource("features")
    assert base is not None
    names = [column["name"] for column in base["schema"]["fields"]]
    plain = {"instrument": "false", "never": "false", "how": "width", "source": "bench", "grade": "C"}
    lines = [",".join(names)] + [",".join({**plain, **row}.get(name, "") for name in names) for row in rows]
    (folder / "features.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "sources.csv").write_text(
        "id,title,address,note\nbench,Tidewater Bench (invented),,\n", encoding="utf-8"
    )
    texts = [{"name": name, "type": "string"} for name in ("id", "title", "address", "note")]
    resources = [
        {"name": "features", "path": "features.csv", "schema": base["schema"]},
        {"name": "sources", "path": "sources.csv", "schema": {"fields": texts}},
    ]
    (folder / "datapackage.json").write_text(
        json.dumps({"name": "bench", "version": "2026.11", "resources": resources}), encoding="utf-8"
    )
    return Tables.open(folder)


def test_every_package_may_hold_features_and_the_narrowest_scope_speaks(tmp_path):
    edge = {"part": "body", "feature": "edge-width", "low": "10", "unit": "mm", "tolerance": "0.5"}
    tables = shop(
        tmp_path,
        [
            {**edge, "id": "any-edge", "high": "20", "window": "1900/1980"},
            {**edge, "id": "one-edge", "high": "12", "window": "1950/1960", "maker": "Tidewater"},
            {
                **edge,
                "id": "model-edge",
                "high": "11",
                "window": "1955",
                "maker": "Tidewater",
                "model": "Wren",
            },
        ],
    )
    assert windows(read("body", "edge-width", "11", "mm", 0.1, "Tidewater", tables)) == [
        "1955-01-01/1955-12-31"
    ]
    assert read("body", "edge-width", "14", "mm", 0.1, "Tidewater", tables) == []
    assert windows(read("body", "edge-width", "14", "mm", 0.1, None, tables)) == ["1900-01-01/1980-12-31"]
    wren = SimpleNamespace(tables=tables, part="body", maker="Tidewater", model="Gull")
    assert windows(FAMILY.read_feature("edge-width", "11", "mm", 0.1, wren)) == ["1950-01-01/1960-12-31"]


# ---------------------------------------------------------------------------------------------------------------
# On a sheet


def checked(*parts, claim="1962"):
    sheet = {
        "instrument": {"maker": MAKER, "model": "Estuary", "claim": claim},
        "parts": [{"id": str(number), **part} for number, part in enumerate(parts)],
    }
    found = check(sheet, today=date(2026, 11, 1))
    return [part.evidence.verdict.value for part in found.parts], found.outcome.value


def test_features_are_judged_beside_markings_on_a_sheet():
    verdicts, outcome = checked(
        {"part": "bridge", "feature": "bridge-casting-wall", "value": "0.041", "unit": "in"},
        {"part": "tailpiece", "feature": "tailpiece-weight", "value": 78, "unit": "g"},
        {
            "part": "bridge",
            "feature": "bridge-casting-wall",
            "value": "0.0435",
            "unit": "in",
            "uncertainty": 0.003,
        },
        {"part": "body", "feature": "colour", "value": "red"},
    )
    assert verdicts == ["fits", "too-new", "undecided", "unread"]
    assert outcome == "contradicted"


def test_one_feature_of_a_reproduction_contradicts_a_sheet_without_a_date():
    assert checked({"part": "bridge", "feature": "bridge-casting-wall", "value": "0.048 in"}) == (
        ["never"],
        "contradicted",
    )


def test_a_feature_typed_as_a_marking_is_no_marking():
    assert FAMILY.read(Marking.read("celluloid"), Context(shipped(), "pickguard")) == []
    assert FAMILY.near_misses(Marking.read("celluloid"), Context(shipped(), "pickguard")) == []
    assert "feature" not in {r.family for r in decode("0.041 in", part="bridge").readings}


def test_the_kinds_are_those_of_the_tables():
    tables = shipped()
    held = {
        fact["part"]
        for name in ("feature/features", "invented-spec/features")
        for fact in tables.table(name).rows
    }
    held |= {kind for row in tables.table("feature/material-eras").rows for kind in row["kinds"]}
    assert held == KINDS
    assert set(kinds_of(tables)) >= KINDS


@given(st.text(min_size=1, max_size=30), st.text(min_size=1, max_size=30), st.sampled_from(sorted(KINDS)))
def test_any_feature_with_any_value_is_answered(feature, value, part):
    context = Context(shipped(), part, MAKER)
    found = FAMILY.read_feature(feature, value, None, None, context)
    misses = FAMILY.feature_misses(feature, value, None, None, context)
    assert bool(found) != bool(misses)
