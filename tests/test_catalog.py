"""The catalogue: kinds of part by their trade names, families found and asked, readings ranked, near misses chosen."""

import dataclasses
import shutil
from datetime import date
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

from decoder import catalog
from decoder.catalog import (
    BUILT_IN,
    NEAR_MISSES_SHOWN,
    NOTHING_LEGIBLE,
    TOO_LITTLE_LEGIBLE,
    PluginError,
    UnknownKindError,
    compile_all,
    decode,
    families,
    kind_of,
    kinds_of,
    parse_claim,
    text_limit,
)
from decoder.marking import MarkingError
from decoder.scheme.reading import FieldValue, NearMiss, Precision, Reading, Strength, Timing
from decoder.tables import Citation, Tables
from decoder.window import EdtfError, Window, WindowSet, parse_edtf

FAKE = Path(__file__).resolve().parent / "tables_fake"
TABLES = Tables.open(base=FAKE)
KINDS = frozenset(("potentiometer", "label"))


def reading(year=1966, scheme="made", strength=Strength.STRONG, **more):
    window = WindowSet.of(Window.year(year))
    return Reading(scheme, scheme.title(), "fake", strength, window, Precision.YEAR, **more)


@dataclasses.dataclass
class Fake:
    """A family that gives what it was given, and remembers what it was asked."""

    readings: tuple = ()
    misses: tuple = ()
    id: str = "fake"
    kinds: frozenset = KINDS
    long_text: bool = False
    unmended: tuple = ()  # changes that its near misses offer, after which it reads nothing all the same

    def __post_init__(self):
        self.asked, self.missed = [], []

    def read(self, marking, context):
        if any(marking.text in miss.corrections for miss in self.misses):
            return [] if marking.text in self.unmended else [reading()]
        self.asked.append((marking, context))
        return list(self.readings)

    def near_misses(self, marking, context):
        self.missed.append(marking)
        return list(self.misses)


@pytest.fixture
def ask(monkeypatch):
    """decode() with these families alone, on the frozen tables."""

    def asked(*found, marking="137-6612", **more):
        monkeypatch.setattr(catalog, "families", lambda: found)
        return decode(marking, tables=TABLES, **more)

    return asked


# kinds of part


@pytest.mark.parametrize(
    "name",
    [
        "potentiometer",
        "Potentiometer",
        "pot",
        "POT",
        "volume pot",
        "Volume-Pot",
        " volume_pot ",
        "volume  control",
    ],
)
def test_a_kind_of_part_goes_by_its_names_of_the_trade(name):
    assert kind_of(TABLES, name) == "potentiometer"


def test_a_kind_of_part_goes_by_its_title():
    assert kind_of(TABLES, "Tube (valve)") == "tube"
    assert kind_of(TABLES, "neck heel") == kind_of(TABLES, "Neck-Heel") == "neck-heel"


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("potentiometr", "did you mean 'potentiometer'?"),
        ("volume", "did you mean 'potentiometer'?"),
        ("valves", "did you mean 'tube'?"),
        ("neck heels", "did you mean 'neck-heel'?"),
        ("zither", "'partdate tables show parts/kinds' lists them all"),
    ],
)
def test_an_unknown_kind_of_part_is_told_with_the_nearest_ones(name, hint):
    with pytest.raises(UnknownKindError) as caught:
        kind_of(TABLES, name)
    assert str(caught.value) == f"no kind of part is called {name!r}: {hint}"


def test_two_kinds_that_are_as_near_are_both_named():
    with pytest.raises(UnknownKindError, match=r"did you mean '[a-z]+' or '[a-z]+'"):
        kind_of(TABLES, "tubel")


def test_an_endless_name_is_not_echoed_in_full():
    with pytest.raises(UnknownKindError) as caught:
        kind_of(TABLES, "x" * 1000)
    assert len(str(caught.value)) < 200


def test_the_kinds_stand_from_head_to_tail():
    assert list(kinds_of(TABLES)) == ["serial", "label", "neck-heel", "potentiometer", "tube"]


def test_every_name_of_every_shipped_kind_finds_it(shipped):
    for kind, row in kinds_of(shipped).items():
        for name in (kind, row["title"], *row["aliases"]):
            assert kind_of(shipped, name) == kind


# what is asked


def test_a_label_may_hold_running_text_and_a_code_may_not(ask):
    text = "HARROW & VALE " * 20
    assert len(text) > 64
    assert (text_limit(TABLES, "label"), text_limit(TABLES, "potentiometer"), text_limit(TABLES, None)) == (
        400,
        64,
        64,
    )
    assert ask(Fake(), marking=text, part="label").status == "unread"
    for part in ("pot", None):
        with pytest.raises(MarkingError, match="at most 64"):
            ask(Fake(), marking=text, part=part)
    with pytest.raises(MarkingError, match="at most 400"):
        ask(Fake(), marking=text * 2, part="sticker")


def test_only_the_families_of_a_kind_of_part_are_asked(ask):
    pots, tubes = Fake((reading(),)), Fake((reading(1970),), id="tubes", kinds=frozenset(("tube",)))
    assert [r.window.earliest for r in ask(pots, tubes, part="valve").readings] == [
        Window.year(1970).earliest
    ]
    assert pots.asked == []
    assert len(ask(pots, tubes).readings) == 2


def test_a_family_is_told_all_that_is_known(ask):
    family = Fake()
    ask(
        family,
        part="pot",
        maker="Harrow & Vale",
        claim="1966",
        country="GB",
        patent="123",
        today="1999-05-31",
    )
    ((marking, context),) = family.asked
    assert marking.text == "137-6612"
    assert (context.part, context.maker, context.country, context.patent) == (
        *("potentiometer", "Harrow & Vale"),
        *("GB", "123"),
    )
    assert context.today == date(1999, 5, 31)
    assert context.last_year == 1999
    assert context.claim.window == Window.year(1966)
    assert context.tables is TABLES


def test_today_is_a_day_or_its_text_and_without_it_the_tables_edition_counts(ask):
    family = Fake()
    ask(family, today=date(1999, 5, 31))
    ask(family)
    assert [context.today for _, context in family.asked] == [date(1999, 5, 31), None]
    assert family.asked[1][1].last_year == 2026
    with pytest.raises(ValueError, match="today"):
        ask(family, today="today")


def test_a_claim_is_edtf_or_read_already_and_widens_by_the_tables_years(ask):
    claim = parse_edtf("1966")
    assert parse_claim(TABLES, claim) is claim
    assert parse_claim(TABLES, None) is None
    assert parse_claim(TABLES, "1966~").window == Window.years(1964, 1968)
    with pytest.raises(EdtfError):
        ask(Fake(), claim="about 1966")


def test_a_marking_that_can_not_be_taken_is_an_error_and_one_that_says_nothing_is_an_answer(ask):
    family = Fake((reading(),), (NearMiss("made", "week 60", (0, 1)),))
    with pytest.raises(MarkingError):
        ask(family, marking=" ")
    for marking in ("????", "***", "- -", "?*?"):
        decoding = ask(family, marking=marking, part="pot")
        assert (decoding.status, decoding.notes) == ("unread", (NOTHING_LEGIBLE,))
        assert decoding.cautions
    assert family.asked == family.missed == []


@pytest.mark.parametrize("marking", ["*137*", "1*2345*6", "12*", "*4?5", "*137*12"])
def test_beside_a_star_three_known_characters_are_needed_and_between_two_none_counts(ask, marking):
    family = Fake((reading(),))
    decoding = ask(family, marking=marking, part="pot")
    assert (decoding.status, decoding.notes) == ("unread", (TOO_LITTLE_LEGIBLE,))
    assert family.asked == []
    assert ask(family, marking="13*6*2", part="pot").readings


def test_many_readings_of_a_star_are_one_for_each_scheme(ask):
    many = [reading(1900 + year, scheme) for year in range(21) for scheme in ("one", "other")]
    decoding = ask(Fake(many), marking="137*", part="pot")
    assert [r.scheme for r in decoding.readings] == ["one", "other"]
    assert all(r.window == WindowSet.of(Window.years(1900, 1920)) for r in decoding.readings)
    assert decoding.notes == ("42 readings were merged into 2, one for each scheme",)


def test_a_star_is_tried_at_every_length_except_in_running_text(ask):
    code, text = Fake(), Fake(id="text", long_text=True)
    ask(code, text, marking="137*12")
    assert {len(marking.cells) for marking, _ in code.asked} == set(range(5, 17))
    assert all(not marking.stars for marking, _ in code.asked)
    assert len({id(context.seen) for _, context in code.asked}) == 1
    assert code.asked[0][1].seen == set()
    ((marking, context),) = text.asked
    assert marking.stars and context.seen is not code.asked[0][1].seen
    plain = Fake()
    ask(plain)
    assert plain.asked[0][1].seen is None


def test_the_cautions_of_a_kind_of_part_are_shown(ask):
    assert [name for name, _ in ask(Fake(), part="pot").cautions] == ["old-solder", "strings"]
    assert ask(Fake(), part="label").cautions == ()
    assert ask(Fake()).cautions == ()
    assert ask(Fake(), part="pot").as_dict()["cautions"][0] == {
        "id": "old-solder",
        "text": "Old solder contains lead.",
    }


# ranking


def ranked(decoding):
    return [(r.scheme, r.window.hull().earliest_date.year) for r in decoding.readings]


def test_readings_rank_by_strength_then_claim_then_documented_years_then_rank_then_time(ask):
    given = (
        reading(1976, "late"),
        reading(1946, "early", documented=False),
        reading(1966, "claimed", documented=False),
        reading(1956, "plain"),
        reading(1956, "behind", rank=1),
        reading(1966, "weak", Strength.WEAK),
        reading(1966, "fair", Strength.FAIR),
    )
    expected = [
        ("claimed", 1966),
        ("plain", 1956),
        ("late", 1976),
        ("behind", 1956),
        ("early", 1946),
        ("fair", 1966),
        ("weak", 1966),
    ]
    for order in (given, given[::-1], given[3:] + given[:3]):
        assert ranked(ask(Fake(order), claim="1966")) == expected
    assert ranked(ask(Fake(given)))[:3] == [("plain", 1956), ("late", 1976), ("behind", 1956)]


def test_the_claim_hides_no_reading(ask):
    given = tuple(reading(year) for year in range(1950, 1960))
    for claim in (None, "1955", "1990"):
        assert set(ask(Fake(given), claim=claim).readings) == set(given)


def test_the_same_reading_twice_is_one(ask):
    assert len(ask(Fake((reading(), reading())), Fake((reading(),), id="other")).readings) == 1


def test_too_many_readings_are_merged_by_scheme_and_it_is_said(ask):
    cap = TABLES.setting("readings_cap")
    few = tuple(reading(1900 + year) for year in range(cap))
    decoding = ask(Fake(few))
    assert (len(decoding.readings), decoding.notes) == (cap, ())
    many = (
        *few,
        reading(1990, documented=False),
        *(reading(1900 + year, "weaker", Strength.FAIR, documented=False) for year in (1, 3)),
        reading(1950, "weaker", Strength.FAIR, maker="Harrow & Vale"),
    )
    decoding = ask(Fake(many))
    assert decoding.notes == (f"{len(many)} readings were merged into 3, one for each scheme",)
    strong, fair_of_maker, fair = decoding.readings
    assert strong.window == WindowSet.of(Window.years(1900, 1899 + cap), Window.year(1990))
    assert strong.documented and not fair.documented
    assert fair.window == WindowSet.of(Window.year(1901), Window.year(1903))
    assert fair_of_maker.maker == "Harrow & Vale"
    assert decoding.as_dict()["notes"] == list(decoding.notes)


# marks that stand together in a running text


def mark(family, first, last, at, strength=Strength.STRONG, **more):
    """A reading of one mark of a label: its years, and where in the text it stands."""
    days = WindowSet.of(Window.years(first, last))
    fields = (FieldValue(family, "text", "value", at),)
    cited = (Citation(family, family.title(), "C"),)
    return Reading(
        family,
        family.title(),
        family,
        strength,
        days,
        Precision.BOUND,
        fields,
        (f"of {family}",),
        cited,
        **more,
    )


def running(*marks):
    """A family of running text for each that these marks name."""
    return [
        Fake(tuple(m for m in marks if m.family == name), id=name, long_text=True)
        for name in dict.fromkeys(m.family for m in marks)
    ]


def test_marks_of_two_families_in_one_text_are_companions(ask):
    one = mark("patent", 1950, 1999, (0, 5), granted=Window.year(1949))
    other = mark("postcode", 1943, 1963, (6, 9), timing=Timing.ERA)
    (joined,) = ask(*running(one, other)).readings
    assert joined.window == WindowSet.of(Window.years(1950, 1963))
    assert joined.fields == one.fields + other.fields
    assert joined.notes == ("of patent", "of postcode")
    assert joined.title == "Patent; Postcode"
    assert {c.id for c in joined.sources} == {"patent", "postcode"}
    assert (joined.granted, joined.timing) == (Window.year(1949), Timing.ERA)
    (turned,) = ask(*running(other, one)).readings
    assert turned.window == joined.window


def test_three_families_join_too(ask):
    marks = (mark("a", 1950, 1999, (0, 5)), mark("b", 1943, 1963, (6, 9)), mark("c", 1955, 1970, (10, 12)))
    (joined,) = ask(*running(*marks)).readings
    assert joined.window == WindowSet.of(Window.years(1955, 1963))


@pytest.mark.parametrize(
    "other",
    [
        mark("postcode", 1943, 1963, (4, 9)),  # the same characters: rivals
        mark("postcode", 1943, 1963, (6, 9), Strength.FAIR),
    ],
)
def test_rivals_and_weaker_marks_are_not_joined(ask, other):
    one = mark("patent", 1950, 1999, (0, 5))
    assert set(ask(*running(one, other)).readings) == {one, other}


def test_weak_marks_are_not_joined(ask):
    marks = (mark("a", 1950, 1999, (0, 5), Strength.WEAK), mark("b", 1943, 1963, (6, 9), Strength.WEAK))
    assert set(ask(*running(*marks)).readings) == set(marks)


def test_marks_that_can_not_be_of_one_time_stay_apart_and_say_so(ask):
    readings = ask(
        *running(mark("patent", 1970, 1999, (0, 5)), mark("postcode", 1943, 1963, (6, 9)))
    ).readings
    assert {r.window for r in readings} == {
        WindowSet.of(Window.years(1970, 1999)),
        WindowSet.of(Window.years(1943, 1963)),
    }
    assert all(
        r.notes[0] == "the marks of this text can't be of one time: they are read apart" for r in readings
    )


def test_a_code_beside_running_text_is_no_companion(ask):
    one, code = mark("patent", 1950, 1999, (0, 5)), reading(1966)
    assert set(ask(*running(one), Fake((code,))).readings) == {one, code}


# near misses


NEAR = (NearMiss("made", "week 60 is no week", (0, 1), ("137-6650",)),)


@pytest.mark.parametrize(
    ("strengths", "part", "asked"),
    [
        ((), "pot", True),
        ((), None, True),
        ((Strength.WEAK,), "pot", True),
        ((Strength.WEAK,), None, False),  # it almost fits some layout of some other kind
        ((Strength.FAIR,), "pot", False),
        ((Strength.STRONG,), "pot", False),
        ((Strength.WEAK, Strength.FAIR), "pot", False),
    ],
)
def test_near_misses_are_asked_for_only_where_nothing_fair_is_read(ask, strengths, part, asked):
    given = tuple(reading(1950 + strength, strength=strength) for strength in strengths)
    decoding = ask(Fake(given, NEAR), part=part)
    assert decoding.near_misses == (NEAR if asked else ())
    assert decoding.status == ("read" if strengths else "near-miss")


def test_nothing_read_and_nothing_near_is_unread(ask):
    assert ask(Fake()).status == "unread"


def test_a_star_has_no_near_misses(ask):
    family = Fake((), (NearMiss("made", "week 60 is no week", (0, 1)),))
    assert ask(family, marking="137*60").status == "unread"
    assert family.missed == []


def test_only_families_of_the_kind_of_part_are_asked_for_near_misses(ask):
    tubes = Fake(id="tubes", kinds=frozenset(("tube",)))
    ask(Fake(), tubes, part="pot")
    assert tubes.missed == []


def test_the_likeliest_near_misses_are_shown_each_once(ask):
    same = [
        NearMiss(f"s{i}", f"problem {i}", (0, 1), ("137-6650",), cost)
        for i, cost in enumerate((0.5, 0.2, 0.9))
    ]
    others = [NearMiss(f"t{i}", "other", (i, i + 1), (), 2.0 + i) for i in range(NEAR_MISSES_SHOWN + 3)]
    shown = ask(Fake((), (*others, *same[:2])), Fake((), same[2:], id="other")).near_misses
    assert [miss.scheme for miss in shown] == ["s1", *(f"t{i}" for i in range(NEAR_MISSES_SHOWN - 1))]


def test_a_change_after_which_nothing_is_read_is_not_offered(ask):
    misses = (
        NearMiss("made", "week 60", (4, 8), ("137-6610", "137-6650"), 0.1),
        NearMiss("other", "year 66", (4, 6), ("137-7760",), 0.2),
        NearMiss("told", "no table is published", (0, 8), (), 5.0),
    )
    shown = ask(Fake((), misses, unmended=("137-6610", "137-7760"))).near_misses
    assert [(miss.scheme, miss.corrections) for miss in shown] == [("made", ("137-6650",)), ("told", ())]


# families


@pytest.fixture
def plugged(monkeypatch):
    """families() with these entry points, each an attribute of this module."""

    def load(**names):
        points = []
        for name, value in names.items():
            point = EntryPoint(name, f"plug_in:{name}", catalog.ENTRY_POINTS)
            monkeypatch.setattr(EntryPoint, "load", lambda self: names[self.name])
            points.append(point)
            assert value is not None
        asked = []

        def entry_points(*, group):
            asked.append(group)
            return points

        monkeypatch.setattr("importlib.metadata.entry_points", entry_points)
        catalog.families.cache_clear()
        try:
            return families()
        finally:
            assert asked == ["partdate.decoders"]
            catalog.families.cache_clear()

    return load


def test_the_built_in_families_come_first_then_plug_ins_by_name(plugged):
    found = plugged(zeta=Fake(id="first"), alpha=Fake(id="second"))
    assert [family.id for family in found] == [
        *(families()[i].id for i in range(len(BUILT_IN))),
        "second",
        "first",
    ]


def test_every_built_in_family_reads_kinds_that_there_are(shipped):
    for family in families()[: len(BUILT_IN)]:
        assert family.kinds <= set(kinds_of(shipped)), family.id
        assert family.kinds


def test_a_plug_in_that_is_no_family_is_refused_with_what_it_lacks(plugged):
    with pytest.raises(TypeError, match="plug-in 'odd' is no family: it lacks kinds, long_text, near_misses"):
        plugged(odd=type("Odd", (), {"id": "odd", "read": print})())
    with pytest.raises(TypeError, match="it lacks id, kinds, long_text, read, near_misses"):
        plugged(odd="a text")


def test_a_plug_in_that_fails_as_it_is_loaded_is_named(monkeypatch):
    point = EntryPoint("broken", "no_such_module_anywhere:FAMILY", catalog.ENTRY_POINTS)
    monkeypatch.setattr("importlib.metadata.entry_points", lambda group: [point])
    catalog.families.cache_clear()
    with pytest.raises(
        PluginError, match="plug-in 'broken' can't be loaded from no_such_module_anywhere:FAMILY"
    ):
        families()
    catalog.families.cache_clear()


def test_two_families_of_one_name_are_refused(plugged):
    with pytest.raises(ValueError, match="two families are called serial"):
        plugged(mine=Fake(id="serial"))


def test_a_plug_in_is_asked_like_any_family(plugged, monkeypatch):
    found = plugged(mine=Fake((reading(1966, "mine"),), id="mine", kinds=frozenset(("tube-chart",))))
    monkeypatch.setattr(catalog, "families", lambda: found)
    assert "mine" in [r.scheme for r in decode("66-12", part="tube-chart").readings]


# with the shipped tables


def test_without_tables_the_shipped_ones_answer(shipped):
    assert decode("137-6612", part="pot") == decode("137-6612", part="pot", tables=shipped)
    assert decode("137-6612", part="pot").status == "read"
    assert decode("137-6660", part="pot").near_misses
    assert decode("!!!", part="pot").status == "unread"


@pytest.mark.parametrize("part", [None, "pot", "label", "serial", "neck-heel", "tube"])
def test_a_marking_that_is_nearly_gone_gives_a_bounded_answer(shipped, part):
    cap = shipped.setting("readings_cap")
    for length in (1, 2, 3, 4, 5, 6, 7, 8, 10, 14, 20, 64):
        for marking in (
            "?" * (length - 1) + "6",
            "6" + "?" * (length - 1),
            "?" * (length // 2) + "-6" + "?" * 3,
        ):
            decoding = decode(marking[:64], part=part)
            assert len(decoding.readings) <= cap
            assert len(decoding.near_misses) <= NEAR_MISSES_SHOWN
            assert sum(len(r.window) for r in decoding.readings) < 5000


def test_the_shipped_schemes_compile(shipped):
    assert compile_all(shipped) == []


def test_what_shows_only_when_schemes_are_compiled_is_told(tmp_path):
    place = shutil.copytree(FAKE / "bench", tmp_path / "shop")
    text = (place / "datapackage.json").read_text().replace('"name": "bench"', '"name": "shop"', 1)
    (place / "datapackage.json").write_text(text)
    scheme = '[[scheme]]\nid = "{}"\nfamily = "{}"\ntitle = "Of a test"\nsource = ["made-up"]\ngrade = "P"\n'
    (place / "schemes.toml").write_text(
        scheme.format("one", "stamped_dates")
        + "layouts = ['{year2}']\n"
        + scheme.format("two", "stamped_date")
        + "kinds = ['tube', 'zither']\nlayouts = ['{year2}{weak}']\n"
    )
    one, two, three = compile_all(Tables.open(tmp_path))
    assert one.startswith("shop/schemes.toml, scheme one: no family is called 'stamped_dates'; there are ")
    assert two == "shop/schemes.toml, scheme two: no kind of part is called 'zither'"
    assert three.startswith(
        "shop/schemes.toml, scheme two: layout '{year2}{weak}': unknown field type 'weak'"
    )


def test_a_long_label_full_of_faults_is_told_each_of_them_and_offered_few_texts_to_try():
    fault, kind = "PATENTED 2l34567", "label"
    offered = {
        times: [miss.corrections for miss in decode(" ".join([fault] * times), part=kind).near_misses]
        for times in (1, 8, 20)
    }
    assert offered[1] == [("PATENTED 2134567", "PATENTED 2734567")]
    for times in (8, 20):
        every = [text for texts in offered[times] for text in texts]
        assert len(offered[times]) > 4
        assert 1 <= len(every) <= 1000 // (17 * times - 1)  # characters, over those of the label
        assert offered[times][-1] == ()
    others = " ".join([fault] * 19)
    assert offered[20][0] == (f"PATENTED 2134567 {others}", f"PATENTED 2734567 {others}")
