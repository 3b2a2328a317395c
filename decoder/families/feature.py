"""Dated features: widths, weights, counts, materials and wordings that changed on a known day.

    bridge-casting-wall    0.041 in    inside the range of originals: the window of that row
    bridge-casting-wall    0.048 in    only later reproductions are so thick: never on an original
    bridge-casting-wall    0.0435 in, accuracy 0.003 in    can't be told: it may be either

The rows are every package's `features` and `material-eras`. A feature is no marking: `read` reads none, and the
cross-check calls `read_feature`. Where nothing is read, `feature_misses` says what is known instead.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from decoder.families.measure import UNITS, Measure, MeasureError, Unit, decimal_text, parse_measure
from decoder.marking import Marking
from decoder.scheme.family import Context
from decoder.scheme.reading import FieldValue, NearMiss, Precision, Reading, Strength, Timing, union_of
from decoder.tables import Citation, Row, Tables
from decoder.window import ALL, Window, WindowSet, parse_edtf

KINDS: Final = frozenset(
    "headstock-logo decal serial label tuner tuner-button nut truss-rod-cover fingerboard fret inlay neck neck-heel "
    "neck-plate body body-cavity binding finish pickup pickup-cover pickup-base pickguard potentiometer capacitor "
    "switch jack wiring knob bridge saddle tailpiece vibrato strap-button screw circuit-board case hangtag speaker "
    "transformer tube amplifier-capacitor tube-chart chassis semiconductor relay other".split()
)
# A feature whose name ends so may be answered by the table of materials and processes.
MATERIALS_FOR: Final = frozenset("material plating process finish glue thread".split())
SPELLINGS: Final = {
    "aluminum": "aluminium", "chrome": "chromium", "plated": "plating", "fiber": "fibre", "color": "colour",
    "colored": "coloured", "molding": "moulding", "molded": "moulded", "mold": "mould", "gray": "grey",
    "anodized": "anodised", "metalized": "metallised", "metallized": "metallised", "sulfide": "sulphide",
}  # fmt: skip
LITTLE_WORDS: Final = frozenset(("the", "a", "an"))
COUNTS: Final = {
    word: number for number, word in enumerate("no one two three four five six seven eight nine ten".split())
}
SHOWN_MOST: Final = 8
Words = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Fact:
    """One row of a table of features: its words or its range (tolerance added), its days, its scope."""

    row: Row
    words: Words
    low: Fraction | None
    high: Fraction | None
    unit: Unit | None
    windows: WindowSet
    maker: Words
    model: Words
    citations: tuple[Citation, ...]
    revision: str

    @property
    def scope(self) -> int:
        """How narrow the row is: 0 for any instrument, 1 for one of a maker, 2 for one of a model."""
        return bool(self.maker) + bool(self.model)

    @property
    def value(self) -> str:
        """The value or the range in words, as the row has it."""
        low, high, unit = self.row["low"], self.row["high"], self.row["unit"]
        if low is None:
            return str(self.row["value"])
        ends = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        return f"{ends} {unit}" if unit else ends

    @property
    def title(self) -> str:
        """The feature with its value, and whose it is."""
        return f"{self.named}, {self.value}{self.whose}"

    @property
    def named(self) -> str:
        """The feature in words."""
        return str(self.row["feature"]).replace("-", " ").capitalize()

    @property
    def whose(self) -> str:
        """The maker and model in brackets; empty for any instrument."""
        names = " ".join(name for name in (self.row["maker"], self.row["model"]) if name)
        return f" ({names})" if names else ""

    def suits(self, maker: Words, model: Words | None) -> bool:
        """Whether the row speaks of instruments of this maker and model; a model that is not known suits all."""
        return self.maker in ((), maker) and (model is None or self.model in ((), model))


@dataclass(frozen=True, slots=True)
class Material:
    """One row of the table of materials and processes."""

    row: Row
    names: frozenset[Words]
    windows: WindowSet
    citations: tuple[Citation, ...]
    revision: str


@dataclass(frozen=True, slots=True)
class Index:
    """Every dated feature by the name that a sheet gives it, and every material."""

    facts: Mapping[str, tuple[Fact, ...]]
    materials: tuple[Material, ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """A feature as it stands on a sheet; its shown text is feature, value and unit, a blank between them."""

    feature: str
    value: str
    unit: str | None
    accuracy: float | None

    @property
    def name(self) -> str:
        """The feature as the tables name it."""
        return "-".join(self.feature.casefold().replace("_", " ").replace("-", " ").split())

    @property
    def value_at(self) -> tuple[int, int]:
        """Where the value stands in the shown text."""
        start = len(self.feature) + 1
        return start, start + len(self.value)

    @property
    def fields(self) -> tuple[FieldValue, ...]:
        """Feature and value with their places in the shown text."""
        value = f"{self.value} {self.unit}" if self.unit else self.value
        first = self.value_at[0]
        return (
            FieldValue("feature", self.feature, self.name, (0, len(self.feature))),
            FieldValue("value", value, value, (first, first + len(value))),
        )


@dataclass(frozen=True, slots=True)
class Feature:
    """The family of dated features."""

    id: str = "feature"
    kinds: frozenset[str] = KINDS
    long_text: bool = False

    def read(self, marking: Marking, context: Context) -> list[Reading]:
        """No reading: what is seen or measured is entered as a feature, not as a marking."""
        return []

    def may_read(self, marking: Marking, context: Context) -> bool:
        """Never."""
        return False

    def near_misses(self, marking: Marking, context: Context) -> list[NearMiss]:
        """None, as no marking is read."""
        return []

    def read_feature(
        self, feature: str, value: str, unit: str | None, uncertainty: float | None, context: Context
    ) -> list[Reading]:
        """What a feature with this value says; an empty list when no row holds it.

        `uncertainty` is that of the measurement, in its unit. Raises MeasureError for a unit that is not known,
        or a value beside it that is no measure.
        """
        asked = Asked(feature, value, unit, uncertainty)
        facts = _facts(asked.name, context)
        if any(fact.unit is not None for fact in facts):
            return _measured(asked, facts)
        if any(fact.low is not None for fact in facts):
            return _counted(asked, facts)
        wanted = _words(value)
        if unit is not None:
            parse_measure(value, unit)
            return []
        made = [_dated(asked, fact, Strength.STRONG) for fact in facts if fact.words == wanted]
        return made or [_material(asked, found) for found in _materials(asked, context)]

    def feature_misses(
        self, feature: str, value: str, unit: str | None, uncertainty: float | None, context: Context
    ) -> list[NearMiss]:
        """Why `read_feature` reads nothing here, and what is known; empty when it reads something.

        Places are in the shown text: feature, value and unit with a blank between them.
        """
        asked = Asked(feature, value, unit, uncertainty)
        try:
            if self.read_feature(feature, value, unit, uncertainty, context):
                return []
        except MeasureError as error:
            return [NearMiss("feature", error.message, asked.value_at)]
        facts = _facts(asked.name, context)
        if facts or _answered_by_materials(asked):
            return [_unknown_value(asked, facts, context)]
        return [_unknown_feature(asked, context)]


FAMILY: Final = Feature()


def _index(tables: Tables) -> Index:
    facts: dict[str, tuple[Fact, ...]] = {}
    materials: list[Material] = []
    for name in tables.ids():
        resource = name.partition("/")[2]
        if resource not in ("features", "material-eras"):
            continue
        table = tables.table(name)
        for row in table.rows:
            if resource == "features":
                fact = _as_fact(row, table.cite(row), table.revision)
                facts[row["feature"]] = (*facts.get(row["feature"], ()), fact)
            else:
                names = frozenset(_sorted_words(text) for text in (row["material"], row["title"]))
                materials.append(Material(row, names, _days(row), table.cite(row), table.revision))
    return Index(facts, tuple(materials))


def _as_fact(row: Row, citations: tuple[Citation, ...], revision: str) -> Fact:
    low, high, tolerance = (_exact(row[name]) for name in ("low", "high", "tolerance"))
    return Fact(
        row,
        _words(row["value"] or ""),
        None if low is None else low - (tolerance or 0),
        None if high is None else high + (tolerance or 0),
        UNITS[row["unit"]] if row["unit"] else None,
        parse_edtf(row["window"]).windows if row["window"] else ALL,
        _words(row["maker"] or ""),
        _words(row["model"] or ""),
        citations,
        revision,
    )


def _exact(number: float | None) -> Fraction | None:
    """A number of a table as it is written there."""
    return None if number is None else Fraction(repr(number))


def _days(row: Row) -> WindowSet:
    """The days of a material. An end that fades is no end; an excluded span leaves what lies around it.

    Of an excluded span without an end nothing follows: how long the thing was not made isn't known.
    """
    first, last = row["not_before"], row["not_after"]
    if row["inverse"]:
        return ALL - WindowSet.of(Window.between(first, last)) if first and last else ALL
    return WindowSet.of(Window.between(first, None if row["soft"] else last))


def _words(text: str) -> Words:
    """The words of a value in one spelling, small letters, without accents, signs and articles."""
    plain = unicodedata.normalize("NFKD", text.casefold()).replace("&", " and ")
    kept = "".join(c for c in plain if not unicodedata.category(c).startswith("M"))
    found = re.findall(r"[^\W_]+", kept)
    return tuple(SPELLINGS.get(word, word) for word in found if word not in LITTLE_WORDS)


def _sorted_words(text: str) -> Words:
    return tuple(sorted(_words(text)))


def _facts(name: str, context: Context) -> tuple[Fact, ...]:
    """The rows of a feature for this kind of part, maker and model: only those of the narrowest scope present."""
    found = [fact for fact in _of_kind(_all(context).facts.get(name, ()), context) if _suits(fact, context)]
    narrowest = max((fact.scope for fact in found), default=0)
    return tuple(fact for fact in found if fact.scope == narrowest)


def _all(context: Context) -> Index:
    return context.tables.derived("feature.index", _index)


def _of_kind(facts: Iterable[Fact], context: Context) -> list[Fact]:
    return [fact for fact in facts if context.part in (None, fact.row["part"])]


def _suits(fact: Fact, context: Context) -> bool:
    maker = _words(context.maker or "")
    named = None if context.model is None else _words(context.model)
    if named is not None and named[: len(maker)] == maker:  # a model written with its maker in front
        named = named[len(maker) :] or named
    return fact.suits(maker, named)


# ---------------------------------------------------------------------------------------------------------------
# Measures


def _measured(asked: Asked, facts: Sequence[Fact]) -> list[Reading]:
    try:
        measure = parse_measure(asked.value, asked.unit, asked.accuracy)
    except MeasureError:
        if asked.unit is not None:
            raise
        return []
    touched = [fact for fact in facts if _touches(fact, measure)]
    originals = [fact for fact in touched if not fact.row["never"]]
    later = [fact for fact in touched if fact.row["never"]]
    if not touched:
        return []
    told = _measure_note(measure, touched[0])
    if (originals and later) or not any(_holds_middle(fact, measure) for fact in touched):
        return [_unsure(asked, touched, told)]
    if later:
        return [_never(asked, fact, told) for fact in later if _holds_middle(fact, measure)]
    alone = len(originals) == 1 and _contains(originals[0], measure)
    strength = Strength.STRONG if alone else Strength.FAIR
    notes = (told,) if alone else (told, _beyond(originals))
    return [_dated(asked, fact, strength, notes) for fact in originals]


def _span(fact: Fact, measure: Measure) -> tuple[Fraction, Fraction] | None:
    """The least and greatest value in the unit of the row; None for a measure of another dimension."""
    try:
        return None if fact.unit is None else measure.span(fact.unit)
    except MeasureError:
        return None


def _touches(fact: Fact, measure: Measure) -> bool:
    span = _span(fact, measure)
    if span is None or fact.low is None or fact.high is None:
        return False
    return span[0] <= fact.high and fact.low <= span[1]


def _contains(fact: Fact, measure: Measure) -> bool:
    span = _span(fact, measure)
    if span is None or fact.low is None or fact.high is None:
        return False
    return fact.low <= span[0] and span[1] <= fact.high


def _holds_middle(fact: Fact, measure: Measure) -> bool:
    return _contains(fact, Measure(measure.value, Fraction(0), measure.unit, measure.stated))


def _beyond(originals: Sequence[Fact]) -> str:
    if len(originals) == 1:
        return "its accuracy reaches past the range of the row, where nothing else is known"
    return "at its accuracy it may be any of several originals: measure it closer"


def _measure_note(measure: Measure, fact: Fact) -> str:
    assert fact.unit is not None  # only measured rows come here
    low, high = measure.span(fact.unit)
    name = (measure.unit or fact.unit).name
    taken = (
        f"measured {decimal_text(measure.value)} {name}: "
        f"taken as {decimal_text(low)} to {decimal_text(high)} {fact.unit.name}"
    )
    if measure.stated:
        how = f"accuracy {decimal_text(measure.accuracy)} {name} as given"
    else:
        how = (
            f"no accuracy given, so half of the last step written, {decimal_text(measure.accuracy)} {name}; "
            "give that of the caliper"
        )
    assumed = "" if measure.unit is not None else f"; no unit given, taken as {name} like the table"
    return f"{taken} ({how}{assumed})"


def _counted(asked: Asked, facts: Sequence[Fact]) -> list[Reading]:
    """A count in figures or as a word; what is counted may stand after it (`two rings`)."""
    words = _words(asked.value)
    if asked.unit is not None or not words:
        return []
    number = int(words[0]) if words[0].isdecimal() and len(words[0]) < 6 else COUNTS.get(words[0])
    if number is None or any(word.isdecimal() for word in words[1:]):
        return []
    return [
        _never(asked, fact) if fact.row["never"] else _dated(asked, fact, Strength.STRONG)
        for fact in facts
        if fact.low is not None and fact.high is not None and fact.low <= number <= fact.high
    ]


# ---------------------------------------------------------------------------------------------------------------
# Readings


def _dated(asked: Asked, fact: Fact, strength: Strength, notes: Iterable[str] = ()) -> Reading:
    if fact.row["never"]:
        return _never(asked, fact, *notes)
    return Reading(
        scheme=fact.row["id"],
        title=fact.title,
        family=FAMILY.id,
        strength=strength,
        window=fact.windows,
        precision=_precision(fact.windows),
        fields=asked.fields,
        notes=(*notes, *_row_notes(fact)),
        sources=fact.citations,
        revision=fact.revision,
        timing=Timing.INSTRUMENT if fact.row["instrument"] else Timing.PART,
        maker=fact.row["maker"],
    )


def _never(asked: Asked, fact: Fact, *notes: str) -> Reading:
    """A feature that no original in scope has: it bounds no day, it contradicts."""
    return Reading(
        scheme=fact.row["id"],
        title=fact.title,
        family=FAMILY.id,
        strength=Strength.STRONG,
        window=ALL,
        precision=Precision.BOUND,
        fields=asked.fields,
        notes=("not found on originals in scope at any date", *notes, *_row_notes(fact)),
        sources=fact.citations,
        revision=fact.revision,
        timing=Timing.INSTRUMENT if fact.row["instrument"] else Timing.PART,
        maker=fact.row["maker"],
        never=True,
    )


def _unsure(asked: Asked, touched: Sequence[Fact], told: str) -> Reading:
    """A measure that can't be told at its accuracy. Its window is what it would have as any of the originals."""
    originals = [fact for fact in touched if not fact.row["never"]]
    first = touched[0]
    values = " or ".join(fact.value for fact in touched)
    found = "; ".join(
        f"{fact.value} on {'later parts' if fact.row['never'] else 'originals'}" for fact in touched
    )
    windows = union_of([fact.windows for fact in originals]) if originals else ALL
    return Reading(
        scheme=str(first.row["feature"]),
        title=f"{first.named}, {values}{first.whose}",
        family=FAMILY.id,
        strength=Strength.FAIR,
        window=windows,
        precision=_precision(windows),
        fields=asked.fields,
        notes=(f"can't be told at this accuracy: known are {found}", told),
        sources=tuple(dict.fromkeys(c for fact in touched for c in fact.citations)),
        revision=first.revision,
        timing=Timing.INSTRUMENT if first.row["instrument"] else Timing.PART,
        maker=first.row["maker"],
        unsure=True,
    )


def _precision(windows: WindowSet) -> Precision:
    return Precision.BOUND if windows.earliest is None or windows.latest is None else Precision.BAND


def _row_notes(fact: Fact) -> list[str]:
    notes = [note for note in (fact.row["note"],) if note]
    if fact.row["reproductions"]:
        notes.append(f"later parts and reproductions: {fact.row['reproductions']}")
    if fact.row["model"]:
        notes.append(f"said of the model {fact.row['model']} of {fact.row['maker']}, not of others")
    return notes


# ---------------------------------------------------------------------------------------------------------------
# Materials and processes


def _answered_by_materials(asked: Asked) -> bool:
    return asked.name.rpartition("-")[2] in MATERIALS_FOR


def _materials(asked: Asked, context: Context) -> list[Material]:
    """The materials of this kind of part that the value names, alone or with the feature's last word after it."""
    if not _answered_by_materials(asked):
        return []
    wanted = {_sorted_words(asked.value), _sorted_words(f"{asked.value} {asked.name.rpartition('-')[2]}")}
    return [found for found in _materials_of(context) if wanted & found.names]


def _materials_of(context: Context) -> list[Material]:
    return [m for m in _all(context).materials if context.part is None or context.part in m.row["kinds"]]


def _material(asked: Asked, found: Material) -> Reading:
    row = found.row
    notes = []
    if row["inverse"]:
        notes.append(
            "not made in a span of days, so it is older or newer than that"
            if found.windows != ALL
            else "not made from a known day on, but the end of that is not known: it bounds no day"
        )
    if row["soft"]:
        notes.append("its use fades, so a later date is no contradiction")
    return Reading(
        scheme=row["id"],
        title=row["title"],
        family=FAMILY.id,
        strength=Strength.WEAK if found.windows == ALL else Strength.FAIR,
        window=found.windows,
        precision=Precision.BOUND,
        fields=asked.fields,
        notes=(*notes, *([row["note"]] if row["note"] else [])),
        sources=found.citations,
        revision=found.revision,
    )


# ---------------------------------------------------------------------------------------------------------------
# What is known instead


def _unknown_value(asked: Asked, facts: Sequence[Fact], context: Context) -> NearMiss:
    if any(fact.unit is not None for fact in facts):
        return NearMiss("feature", _no_measure(asked, facts), asked.value_at)
    if any(fact.low is not None for fact in facts):
        counts = ", ".join(fact.value for fact in facts)
        hint = "it is counted: give a whole number, and no unit" if asked.unit else f"known are {counts}"
        return NearMiss("feature", f"{asked.value!r} is no known number here: {hint}", asked.value_at)
    values = [fact.value for fact in facts]
    if _answered_by_materials(asked):
        values += [str(m.row["material"]) for m in _materials_of(context)]
    near = difflib.get_close_matches(asked.value.casefold(), values, n=3, cutoff=0.6)
    shown = f"known are {_several(values)}" if values else "none is known of this kind of part"
    return NearMiss(
        "feature",
        f"{asked.value!r} is no known value of {asked.name} here: {shown}",
        asked.value_at,
        tuple(f"{asked.feature} {value}" for value in near),
    )


def _no_measure(asked: Asked, facts: Sequence[Fact]) -> str:
    known = "; ".join(
        f"{fact.value} on {'later parts' if fact.row['never'] else 'originals'}" for fact in facts
    )
    try:
        measure = parse_measure(asked.value, asked.unit, asked.accuracy)
        for fact in facts:
            if fact.unit is not None:
                measure.span(fact.unit)
    except MeasureError as error:
        return f"{error.message}; known are {known}"
    return f"it lies outside everything that is known, even at its accuracy: {known}"


def _unknown_feature(asked: Asked, context: Context) -> NearMiss:
    index = _all(context)
    at = (0, len(asked.feature))
    rows = index.facts.get(asked.name, ())
    elsewhere = sorted({str(fact.row["part"]) for fact in rows if _suits(fact, context)})
    if elsewhere:
        return NearMiss(
            "feature", f"{asked.name} is observed on another kind of part: {', '.join(elsewhere)}", at
        )
    others = sorted({fact.whose.strip(" ()") for fact in _of_kind(rows, context)})
    if others:
        return NearMiss(
            "feature", f"{asked.name} is known of {_several(others)} alone: name the maker and model", at
        )
    names = [
        name
        for name, facts in sorted(index.facts.items())
        if any(_suits(fact, context) for fact in _of_kind(facts, context))
    ]
    if _materials_of(context):
        names.append("material")
    near = difflib.get_close_matches(asked.name, names, n=3, cutoff=0.6)
    shown = f"known are {_several(names)}" if names else "none is known of it"
    kind = context.part or "part"
    return NearMiss(
        "feature",
        f"no feature of this kind of part ({kind}) is called {asked.feature!r}: {shown}",
        at,
        tuple(f"{name} {asked.value}" for name in near),
    )


def _several(names: Sequence[str]) -> str:
    once = list(dict.fromkeys(names))
    shown = ", ".join(once[:SHOWN_MOST])
    return f"{shown} and {len(once) - SHOWN_MOST} more" if len(once) > SHOWN_MOST else shown
