"""Markings and sheets to measure with: each drawn from the grammar of its shape with a fixed start, none twice.

A shape is a way of writing, such as "pot code, seven characters", and the kind of part it is given with. Neither the
draw nor the order depends on what the decoder makes of a marking, so the unreadable ones are in the corpus too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from random import Random
from typing import Any

from decoder.tables import shipped
from tests.families import test_round_trip as writer

SEED = 1966
TODAY = date(2026, 11, 25)
GIVING_UP = 40  # draws in a row that gave nothing new
SEPARATORS = ("", "-", " ", " - ")
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
DIGITS = "0123456789"
WORN_OUT = 10  # letters and digits of the markings that are worn

Draw = Callable[[Random], str]


@dataclass(frozen=True, slots=True)
class Shape:
    """A way of writing, and the kind of part that is given with it; None is no kind."""

    id: str
    title: str
    part: str | None
    draw: Draw

    @property
    def given(self) -> dict[str, str]:
        """What `decode` is given beside the marking."""
        return {} if self.part is None else {"part": self.part}


def drawn(draw: Draw, count: int, seed: int | str = SEED) -> list[str]:
    """So many different markings in random order; fewer where the grammar soon gives nothing new."""
    rng = Random(seed)
    found: dict[str, None] = {}
    idle = 0
    while len(found) < count and idle < GIVING_UP:
        before = len(found)
        found[draw(rng)] = None
        idle = 0 if len(found) > before else idle + 1
    return list(found)


# --- the shapes


@cache
def _sources(made: str) -> tuple[str, ...]:
    rows = shipped().table("eia/source-codes").rows
    return tuple(row["code"] for row in rows if made in row["made"] and len(row["code"]) == 3)


def pot(rng: Random, year_digits: int) -> str:
    """A registered source of potentiometers, the year in so many digits, the week."""
    year = rng.randint(1945, 1995)
    first, second = rng.choice(SEPARATORS), rng.choice(SEPARATORS)
    source = rng.choice(_sources("potentiometer"))
    return f"{source}{first}{str(year)[-year_digits:]}{second}{rng.randint(1, 52):02}"


def pot_six(rng: Random) -> str:
    return pot(rng, 1)


def pot_seven(rng: Random) -> str:
    return pot(rng, 2)


def capacitor(rng: Random) -> str:
    """A source code as on capacitors, or any layout of the component codes that a capacitor may bear."""
    if rng.random() < 0.5:
        source = rng.choice(_sources("capacitor"))
        year = str(rng.randint(1946, 1985))[-rng.choice((1, 2)) :]
        return f"{source}{rng.choice(SEPARATORS)}{year}{rng.choice(SEPARATORS)}{rng.randint(1, 52):02}"
    return layout("component_date", "capacitor", rng)


def valve(rng: Random) -> str:
    return layout("component_date", "tube", rng)


def stamped(rng: Random) -> str:
    return layout("stamped_date", "neck-heel", rng)


def speaker(rng: Random) -> str:
    source = rng.choice(_sources("speaker"))
    year = str(rng.randint(1946, 1985))[-rng.choice((1, 2)) :]
    return f"{source}{rng.choice(SEPARATORS)}{year}{rng.choice(SEPARATORS)}{rng.randint(1, 52):02}"


@cache
def _schemes(family: str, kind: str) -> tuple[Any, ...]:
    return tuple(s for s in writer.dated() if s.family == family and (not s.kinds or kind in s.kinds))


def layout(family: str, kind: str, rng: Random) -> str:
    """A day written in one of the layouts of a family that fit a kind; free digits and letters by chance."""
    while True:
        scheme = rng.choice(_schemes(family, kind))
        variant = rng.choice(scheme.variants)
        bounds = scheme.limits
        first = bounds.earliest_date if bounds and bounds.earliest else date(1900, 1, 1)
        last = min(bounds.latest_date if bounds and bounds.latest else TODAY, TODAY)
        day = first + timedelta(days=rng.randint(0, (last - first).days))
        turn = rng.randrange(24)
        text, at = "", 0
        for slot in variant.slots:
            ways = _ways(scheme, variant, slot, day, turn, rng)
            if not ways:
                break
            text += writer.literal(variant, at, slot.start, turn)
            text += writer.separator(variant, slot.start, turn) + rng.choice(ways)
            at = slot.end
        else:
            return text + writer.literal(variant, at, variant.length, turn)


def _ways(scheme: Any, variant: Any, slot: Any, day: date, turn: int, rng: Random) -> list[str]:
    free = {"digits": DIGITS, "letters": LETTERS, "any": LETTERS + DIGITS}.get(slot.type)
    if free is not None:
        return ["".join(rng.choices(free, k=slot.end - slot.start))]
    return writer.written(scheme.data["package"], slot, day, turn, variant)


@cache
def _bands() -> tuple[Any, ...]:
    return tuple(shipped().table("serials/bands").rows)


def serial(rng: Random) -> str:
    """A number from any band of any maker."""
    row = rng.choice(_bands())
    last = row["last"] if row["last"] is not None else row["first"] + 5_000
    least, _, most = row["digits"].partition("-")
    number = str(rng.randint(row["first"], max(last, row["first"]))).zfill(int(least))[: int(most or least)]
    return f"{row['prefix'] or ''}{rng.choice(('', ' ', '-'))}{number}{row['suffix'] or ''}".strip(" -")


def number(rng: Random) -> str:
    return f"{rng.randint(500_000, 4_200_000):,}"


def patent(rng: Random) -> str:
    words = ("PAT. NO. ", "PATENT NO. ", "U.S. PAT. ", "PATD. ", "U.S. PATENT ", "PAT. ")
    return f"{rng.choice(words)}{number(rng)}"


def five_patents(rng: Random) -> str:
    return f"{rng.choice(('U.S. PATENTS', 'PATS.', 'PAT. NOS.'))} {', '.join(number(rng) for _ in range(5))}"


def near_miss(rng: Random) -> str:
    """A pot code with one fault: a week past 53, a letter for a digit, a digit lost or doubled."""
    text = pot_seven(rng)
    places = [i for i, c in enumerate(text) if c.isdigit()]
    at = rng.choice(places)
    how = rng.randrange(4)
    if how == 0:
        return f"{text[: places[-2]]}{rng.randint(54, 99)}"
    if how == 1:
        return text[:at] + rng.choice(LETTERS) + text[at + 1 :]
    return text[:at] + text[at + (how == 2) :] if how == 2 else text[:at] + text[at] + text[at:]


def part_number(rng: Random) -> str:
    """A source run together with a part number, then year and week: ten characters."""
    source, number = rng.choice(_sources("potentiometer")), rng.randint(0, 9999)
    separator = rng.choice((" ", "-", " - ", "/"))
    return f"{source}{number:04}{separator}{rng.randint(0, 9)}{rng.randint(1, 52):02}"


def worn(text: str, unknown: int, rng: Random) -> str:
    """The marking with so many of its letters and digits worn away."""
    places = [i for i, c in enumerate(text) if c.isalnum()]
    lost = set(rng.sample(places, unknown))
    return "".join("?" if i in lost else c for i, c in enumerate(text))


def worn_by(unknown: int) -> Draw:
    return lambda rng: worn(part_number(rng), unknown, rng)


def anything(rng: Random) -> str:
    return rng.choice((pot_six, pot_seven, capacitor, valve, stamped, serial, patent))(rng)


KIND_GIVEN = (
    Shape("pot-6", "pot, six characters", "potentiometer", pot_six),
    Shape("pot-7", "pot, seven characters", "potentiometer", pot_seven),
    Shape("capacitor", "capacitor codes", "capacitor", capacitor),
    Shape("valve", "valve codes", "tube", valve),
    Shape("stamped", "stamped dates", "neck-heel", stamped),
    Shape("speaker", "speaker codes", "speaker", speaker),
    Shape("serial", "serial, no maker", "serial", serial),
    Shape("patent", "patent, one number", "tuner", patent),
    Shape("patents-5", "label of five patents", "label", five_patents),
)
NOTHING_GIVEN = (
    Shape("open-mixed", "all of these, mixed", None, anything),
    *(
        Shape(f"open-{one.id}", one.title, None, one.draw)
        for one in KIND_GIVEN
        if one.id not in ("speaker", "patents-5")
    ),
)
WORN = (
    *(Shape(f"worn-{n}", f"pot, {n} of 10 worn", "potentiometer", worn_by(n)) for n in range(9)),
    *(Shape(f"open-worn-{n}", f"no kind, {n} of 10 worn", None, worn_by(n)) for n in range(0, 9, 2)),
)
NEAR_MISSES = (
    Shape("near-miss", "pot with one fault", "potentiometer", near_miss),
    Shape("open-near-miss", "no kind, one fault", None, near_miss),
)


# --- sheets


def _feature(rng: Random, year: int) -> dict[str, str]:
    return {"part": "neck", "feature": "nut-width", "value": f"1.{rng.randint(600, 720)}", "unit": "in"}


def _of_year(source: str) -> Callable[[Random, int], str]:
    return lambda rng, year: (
        f"{source}-{(year - rng.choice((0, 0, 0, 1, 2))) % 100:02}{rng.randint(1, 52):02}"
    )


PARTS: Sequence[tuple[str, Callable[[Random, int], str]]] = (
    ("serial", lambda rng, year: str(rng.randint(10_001, 58_999))),
    ("potentiometer", _of_year("304")),
    ("potentiometer", _of_year("137")),
    ("potentiometer", _of_year("134")),
    ("capacitor", _of_year("235")),
    ("neck-heel", lambda rng, year: f"{rng.randint(1, 12)}-{year % 100:02}"),
    ("tuner", lambda rng, year: f"PAT. NO. {rng.randint(2_000_000, 3_100_000):,}"),
    ("speaker", _of_year("465")),
    ("transformer", _of_year("606")),
    ("tube", lambda rng, year: f"{rng.choice(('274', '188', '280'))}-{year % 100:02}{rng.randint(1, 52):02}"),
    ("pickup", lambda rng, year: f"{rng.choice(('MAR', 'JUN', 'OCT'))} {rng.randint(1, 28)} {year}"),
    ("label", lambda rng, year: f"{rng.randint(100, 999)} Main St., Chicago {rng.randint(1, 51)}, Ill."),
)


def sheet(rng: Random, parts: int, *, estimate: bool) -> dict[str, Any]:
    """An invented instrument with so many parts: every kind in turn, one in twelve a measured feature."""
    year = rng.randint(1955, 1969)
    made: list[dict[str, Any]] = []
    for n in range(parts):
        kind, written = PARTS[n % len(PARTS)]
        if n and kind == "serial":
            made.append({"id": f"p{n}", **_feature(rng, year)})
        else:
            made.append({"id": f"p{n}", "part": kind, "marking": written(rng, year)})
    instrument = {"maker": "Harrow & Vale", "model": "Estuary", "country": "US", "claim": str(year)}
    return {"instrument": instrument, "parts": made, "options": {"estimate": estimate}}


def sheets(count: int, parts: int, *, estimate: bool, seed: int | str = SEED) -> list[dict[str, Any]]:
    rng = Random(seed)
    return [sheet(rng, parts, estimate=estimate) for _ in range(count)]
