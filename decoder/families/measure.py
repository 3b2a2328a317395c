"""Measures as the trade writes them, exact: 1 11/16 in, 0.101", 40 thou, 49.2 mm, 31 g.

A measure carries its accuracy: the one that is given with it, else half a step of its last digit or fraction.
Own code, not a library of units: those that were tried take 1 11/16 for 11/16, don't know the sign " and cost
more at start than all the rest of a decoding.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from typing import Final

LONGEST: Final = 60


class Dimension(Enum):
    """What a unit measures."""

    LENGTH = "length"
    WEIGHT = "weight"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of length, in millimetres, or of weight, in grams."""

    name: str
    dimension: Dimension
    size: Fraction


INCH: Final = Fraction(254, 10)
POUND: Final = Fraction(45359237, 100000)  # the international pound of 1959
_NAMES: Final = (
    (Unit("in", Dimension.LENGTH, INCH), 'in inch inches " in.'),
    (Unit("thou", Dimension.LENGTH, INCH / 1000), "thou thous mil mils thousandth thousandths"),
    (Unit("mm", Dimension.LENGTH, Fraction(1)), "mm mm. millimetre millimetres millimeter millimeters"),
    (Unit("cm", Dimension.LENGTH, Fraction(10)), "cm cm. centimetre centimetres centimeter centimeters"),
    (Unit("g", Dimension.WEIGHT, Fraction(1)), "g g. gm gms gram grams gramme grammes"),
    (Unit("kg", Dimension.WEIGHT, Fraction(1000)), "kg kg. kilogram kilograms kilogramme kilogrammes"),
    (Unit("oz", Dimension.WEIGHT, POUND / 16), "oz oz. ounce ounces"),
    (Unit("lb", Dimension.WEIGHT, POUND), "lb lb. lbs lbs. pound pounds"),
)
UNITS: Final = {name: unit for unit, names in _NAMES for name in names.split()}

_FRACTION: Final = re.compile(r"(?:(\d{1,6})[ -])?(\d{1,6})/(\d{1,6})")
_DECIMAL: Final = re.compile(r"\d{0,12}[.,]\d{1,12}|\d{1,12}[.,]?")
_ACCURACY: Final = re.compile(r" ?(?:±|\+/?-) ?")
_SAME_SIGN: Final = str.maketrans({"″": '"', "”": '"', "“": '"', "⁄": "/", "\u00a0": " ", "\u2009": " "})


class MeasureError(ValueError):
    """A measure that can't be read; `where` says whether the fault is in its `value` or its `unit`."""

    def __init__(self, message: str, where: str = "value") -> None:
        super().__init__(message)
        self.message = message
        self.where = where


@dataclass(frozen=True, slots=True)
class Measure:
    """A measured value and its accuracy, both in `unit`; `unit` is None where none was written.

    `stated` says that the accuracy was given; else it is half of the last step written.
    """

    value: Fraction
    accuracy: Fraction
    unit: Unit | None
    stated: bool

    def span(self, unit: Unit) -> tuple[Fraction, Fraction]:
        """The least and the greatest value that it may be, in another unit of the same dimension.

        Raises MeasureError for a unit that measures something else.
        """
        ours = self.unit or unit
        if ours.dimension is not unit.dimension:
            raise MeasureError(
                f"{ours.name} is a unit of {ours.dimension.value}, and this is measured in {unit.name}",
                "unit",
            )
        size = ours.size / unit.size
        return (self.value - self.accuracy) * size, (self.value + self.accuracy) * size


def parse_measure(text: str, unit: str | None = None, accuracy: float | None = None) -> Measure:
    """A measure from the text of its value, the unit beside it and the accuracy in that unit.

    The unit may stand in the text too (`0.101"`), and so may the accuracy (`0.101 ± 0.002`). Raises MeasureError,
    which says what is known, for a text that is no measure, an unknown unit, or two units that differ.
    """
    beside = _unit(_tidy(unit), "unit") if unit is not None else None
    head, *tail = _ACCURACY.split(_tidy(text), maxsplit=1)
    value, step, rest = _number(head, text)
    named = [rest]
    half = step / 2
    if tail:
        half, _, rest = _number(tail[0], text)
        named.append(rest)
    units = dict.fromkeys(_unit(name.strip(), "value") for name in named if name.strip())
    if beside is not None:
        units[beside] = None
    if len(units) > 1:
        raise MeasureError(f"one measure in two units: {' and '.join(u.name for u in units)}", "unit")
    if accuracy is not None:
        half = Fraction(repr(accuracy))
    if half < 0:
        raise MeasureError(f"an accuracy of {decimal_text(half)} is less than nothing")
    return Measure(value, half, next(iter(units), None), bool(tail) or accuracy is not None)


def decimal_text(number: Fraction) -> str:
    """A number as a decimal of at most five places, without idle noughts."""
    return f"{float(number):.5f}".rstrip("0").rstrip(".")


def _tidy(text: str) -> str:
    """The text in small letters with plain signs; a sign such as ½ stands apart from the digit before it."""
    made = []
    for c in text.translate(_SAME_SIGN):
        wide = unicodedata.normalize("NFKC", c).translate(_SAME_SIGN)
        made.append(f" {wide}" if "/" in wide and len(wide) > 1 else wide)
    return " ".join("".join(made).casefold().replace("''", '"').split())


def _number(tidy: str, shown: str) -> tuple[Fraction, Fraction, str]:
    """The number that the text begins with, one step of how finely it is written, and what follows it."""
    found = _FRACTION.match(tidy)
    if found is not None:
        whole, above, below = int(found[1] or 0), int(found[2]), int(found[3])
        if below and not (found[1] and above >= below):
            return whole + Fraction(above, below), Fraction(1, below), tidy[found.end() :]
    elif (found := _DECIMAL.match(tidy)) is not None:
        digits = found[0].replace(",", ".")
        whole_part, _, places = digits.partition(".")
        if not ("," in found[0] and len(places) == 3 and whole_part.strip("0")):
            return Fraction(digits.rstrip(".")), Fraction(1, 10 ** len(places)), tidy[found.end() :]
        raise MeasureError(
            f"the comma in {_quoted(shown)} may part thousands or decimals: write a point for decimals"
        )
    raise MeasureError(
        f"{_quoted(shown)} is no measure: write it as 1 11/16 in, 0.101 in, 40 thou, 49.2 mm or 31 g"
    )


def _unit(name: str, where: str) -> Unit:
    found = UNITS.get(name)
    if found is None:
        known = ", ".join(unit.name for unit, _ in _NAMES)
        raise MeasureError(f"{_quoted(name)} is no unit that is known here; known are {known}", where)
    return found


def _quoted(text: str) -> str:
    return repr(text if len(text) <= LONGEST else text[:LONGEST] + "...")
