"""How cost grows with tables, parts and unknown characters: a plot of each, and the exponents.

    python -m tests.bench.growth -o tests/bench/figures             three plots and growth.json
    python -m tests.bench.growth --markdown                         as a block for tests/bench/README.md
    python -m tests.bench.growth --into tests/bench/README.md       and put it there
    python -m tests.bench.growth --only parts,unknown               some of tables, parts, unknown
    python -m tests.bench.growth --sizes 1,3,10                     the tables so many times as large

Tables: the shipped ones, with overlays of invented makers, loaded as a shop's are; the time of opening and reading is
that of an overlay. Decodings are read to the end, as in the row `read` of the suite. Parts: sheets of 1 to 100. Unknown
characters: 0 to 12 of a marking's letters and digits. Nothing may grow faster than n log n in tables and parts, and
no marking may cost more than 10 ms.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from time import process_time
from typing import Any

from decoder import check, decode
from decoder.tables import Tables, shipped
from tests.bench import corpora, made_tables, record
from tests.bench.figure import Axis, Line, svg
from tests.bench.fitting import at_the_end, exponent, factor_each, n_log_n, within
from tests.bench.passes import Work, one_pass, part_of, percentile, slowest
from tests.bench.suite import read_of

WORST = 0.010  # seconds that nothing typed may cost
SIZES = (1, 10, 100)
PARTS = (1, 2, 3, 5, 8, 12, 18, 27, 40, 60, 80, 100)
UNKNOWN = 12
DIMENSIONS = ("tables", "parts", "unknown")


@dataclass(slots=True)
class Curve:
    """What one thing costs at each size, in seconds; `notes` stand beside the points, one each or none."""

    name: str
    sizes: list[float]
    costs: list[float] = field(default_factory=list)
    worst: list[float] = field(default_factory=list)
    notes: dict[str, list[float]] = field(default_factory=dict)
    unit: int = 1  # rows, parts or characters that a size of 1 stands for

    def as_dict(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "sizes": self.sizes,
            "seconds": self.costs,
            "worst": self.worst,
            **self.notes,
        }


@dataclass(frozen=True, slots=True)
class Plan:
    """How much is measured at each size."""

    markings: int = 300
    passes: int = 3
    sheets: int = 30
    sizes: Sequence[int] = SIZES
    parts: Sequence[int] = PARTS
    unknown: int = UNKNOWN

    @classmethod
    def tiny(cls) -> Plan:
        return cls(3, 1, 1, (1, 2, 3), (1, 2, 4), 2)


def mean_of(work: Work, items: Sequence[Any], size: int, passes: int) -> tuple[float, list[float]]:
    """The median over passes of the mean of a pass, and every call; the items are others in each pass."""
    found = [one_pass(work, part_of(items, size, number)) for number in range(passes)]
    return statistics.median(each.mean for each in found), [took for each in found for took in each.calls]


# --- tables


LOADING = ("open and validate", "read all rows", "first decoding: indexes")
OF_OVERLAYS = LOADING[
    :2
]  # the shipped tables are trusted by their hash: only an overlay's rows are validated


def by_tables(plan: Plan) -> list[Curve]:
    shapes = (
        ("pot, kind given", corpora.KIND_GIVEN[1]),
        ("capacitor, kind given", corpora.KIND_GIVEN[2]),
        ("serial, no maker", corpora.KIND_GIVEN[6]),
        ("all shapes, nothing given", corpora.NOTHING_GIVEN[0]),
    )
    unit = made_tables.rows_that_grow(shipped())
    loading = [Curve(name, [], unit=unit) for name in LOADING]
    curves = [Curve(name, [], unit=unit) for name, _ in shapes]
    with tempfile.TemporaryDirectory() as folder:
        for times in plan.sizes:
            above = () if times == 1 else (made_tables.overlay(Path(folder), times, shipped()),)
            at = [process_time()]
            tables = Tables.open(*above)
            at.append(process_time())
            rows = made_tables.rows_of(tables)
            at.append(process_time())
            decode("137-6612", tables=tables)
            at.append(process_time())
            for curve, began, ended in zip(loading, at, at[1:], strict=False):
                if times > 1 or curve.name not in OF_OVERLAYS:
                    curve.sizes.append(float(times - (curve.name in OF_OVERLAYS)))
                    curve.costs.append(ended - began)
                    curve.notes.setdefault("rows", []).append(rows)
            for curve, (_, shape) in zip(curves, shapes, strict=True):
                texts = corpora.drawn(shape.draw, plan.markings * plan.passes, f"growth {shape.id}")
                work = read_of(shape, tables=tables)
                one_pass(work, corpora.drawn(shape.draw, 5, "warm"))
                cost, calls = mean_of(work, texts, plan.markings, plan.passes)
                curve.sizes.append(float(times))
                curve.costs.append(cost)
                curve.worst.append(percentile(calls, 0.99))
                readings = [len(work(text).readings) for text in texts[:100]]
                curve.notes.setdefault("readings", []).append(statistics.fmean(readings))
    return loading + curves


# --- parts


def by_parts(plan: Plan) -> list[Curve]:
    curves = []
    for name, estimate in (("exact", False), ("with the estimate", True)):
        curve = Curve(name, [float(n) for n in plan.parts])
        for parts in plan.parts:
            sheets = corpora.sheets(
                plan.sheets * plan.passes, parts, estimate=estimate, seed=f"{name} {parts}"
            )
            work = _checked
            one_pass(work, corpora.sheets(2, parts, estimate=estimate, seed="warm"))
            cost, calls = mean_of(work, sheets, plan.sheets, plan.passes)
            curve.costs.append(cost)
            curve.worst.append(percentile(calls, 0.95))
        curves.append(curve)
    return curves


def _checked(sheet: dict[str, Any]) -> Any:
    return check(sheet, today=corpora.TODAY)


# --- unknown characters


def _words_and_pot(rng: Random) -> str:
    return f"{rng.choice(('250K', '500K'))} {rng.choice(('AUDIO', 'LINEAR'))} {corpora.pot_seven(rng)}"


def _value_and_capacitor(rng: Random) -> str:
    year, week = rng.randint(50, 80), rng.randint(1, 52)
    return f".0{rng.randint(1, 9)} MFD {rng.choice((200, 400, 600))}V 235-{year}{week:02}"


def _label(rng: Random) -> str:
    return f"{rng.randint(1, 99)} MAIN ST CHICAGO {rng.randint(1, 51)} ILL"


WORN: Sequence[tuple[str, str | None, corpora.Draw]] = (
    ("pot, 7 characters", "potentiometer", corpora.pot_seven),
    ("pot with words, 16", "potentiometer", _words_and_pot),
    ("capacitor with value, 16", "capacitor", _value_and_capacitor),
    ("serial", "serial", corpora.serial),
    ("label text, 20", "label", _label),
    ("7 characters, nothing given", None, corpora.pot_seven),
    ("16, nothing given", None, _words_and_pot),
)


def fits(text: str, unknown: int) -> bool:
    """Whether a marking has more letters and digits than are to be worn."""
    return sum(c.isalnum() for c in text) > unknown


def by_unknown(plan: Plan) -> list[Curve]:
    """Markings with ever more of their letters and digits worn, up to one before the last."""
    curves = []
    for name, part, draw in WORN:
        bases = corpora.drawn(draw, plan.markings * plan.passes, f"worn {name}")
        others = corpora.drawn(draw, plan.markings * plan.passes, f"worst {name}")
        work = read_of(corpora.Shape(name, name, part, draw))
        curve = Curve(name, [])
        for unknown in range(plan.unknown + 1):
            rng = Random(f"{name} {unknown}")
            texts = list(
                dict.fromkeys(corpora.worn(text, unknown, rng) for text in bases if fits(text, unknown))
            )
            if len(texts) < min(100, len(bases)) // 2:  # too few are long enough to tell anything
                break
            one_pass(work, texts[-3:])
            size = max(1, len(texts) // plan.passes)
            cost, _ = mean_of(work, texts, size, plan.passes)
            curve.sizes.append(float(unknown))
            curve.costs.append(cost)
            unasked = dict.fromkeys(
                corpora.worn(text, unknown, rng) for text in others if fits(text, unknown)
            )
            curve.worst.append(slowest(work, list(unasked)))
        curves.append(curve)
    return curves


# --- what is told


def told(dimension: str, curves: Sequence[Curve]) -> list[dict[str, Any]]:
    """The exponents of each curve, and whether the budget is met."""
    made = []
    for curve in curves:
        row: dict[str, Any] = {"growth": dimension, **curve.as_dict()}
        if dimension == "unknown":
            row["exponent"] = exponent([n + 1 for n in curve.sizes], curve.costs)
            row["each"] = factor_each(curve.sizes, curve.costs)
            row["met"] = max(curve.worst) < WORST
        else:
            sizes = [n * curve.unit for n in curve.sizes]
            row["exponent"] = exponent(sizes, curve.costs)
            row["at_the_end"] = exponent(at_the_end(sizes), at_the_end(curve.costs))
            row["bound"] = n_log_n(sizes)
            row["met"] = within(sizes, curve.costs)
        made.append(row)
    return made


def report(rows: Sequence[dict[str, Any]]) -> str:
    lines = []
    for dimension in dict.fromkeys(row["growth"] for row in rows):
        unknown = dimension == "unknown"
        heads = ("first", "last", "exponent", "each", "worst") if unknown else HEADS
        lines += ["", f"{TITLES[dimension]:<30} " + " ".join(f"{head:>9}" for head in heads)]
        for row in rows:
            if row["growth"] != dimension:
                continue
            met = "met" if row["met"] else "NOT MET"
            ends = [record.shown(row["seconds"][place], "s") for place in (0, -1)]
            if unknown:
                figures = [*ends, f"{row['exponent']:.2f}", f"x {row['each']:.2f}"]
                figures.append(record.shown(max(row["worst"]), "s"))
            else:
                figures = [*ends, *(f"{row[name]:.2f}" for name in ("exponent", "at_the_end", "bound"))]
            lines.append(f" {row['name'][:29]:<29} " + " ".join(f"{each:>9}" for each in figures) + f" {met}")
    return "\n".join(lines)


HEADS = ("first", "last", "exponent", "at end", "n log n")
TITLES = {
    "tables": "tables",
    "parts": "parts of a sheet",
    "unknown": "unknown characters",
}
LABELS = {
    "tables": ("Cost as the tables grow", Axis("tables, times the shipped ones", log=True)),
    "parts": ("Cost of a check as the sheet grows", Axis("parts of the sheet", log=True)),
    "unknown": ("Cost of a decoding as the marking wears", Axis("unknown letters and digits")),
}
UNITS = {"tables": "seconds", "parts": "seconds a check", "unknown": "seconds a decoding"}
WORK = {"tables": by_tables, "parts": by_parts, "unknown": by_unknown}


def drawings(dimension: str, curves: Sequence[Curve]) -> Iterator[tuple[str, str]]:
    """The name of a file and its plot."""
    title, across = LABELS[dimension]
    lines = [Line(c.name, list(zip(c.sizes, c.costs, strict=True))) for c in curves]
    yield f"growth-{dimension}.svg", svg(title, across, Axis(UNITS[dimension], log=True), lines)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.growth",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("-o", "--output", type=Path, metavar="DIR", help="write plots and growth.json there")
    parser.add_argument("--markdown", action="store_true", help="print a block for README.md")
    parser.add_argument(
        "--into", type=Path, metavar="FILE", help="put that block in place of the one in FILE"
    )
    parser.add_argument("--only", default=",".join(DIMENSIONS), help=", ".join(DIMENSIONS))
    parser.add_argument("--sizes", default=",".join(map(str, SIZES)), help="of the tables, in times")
    parser.add_argument("--tiny", action="store_true", help="figures that mean nothing")
    given = parser.parse_args(arguments)
    wanted = given.only.split(",")
    if not set(wanted) <= set(DIMENSIONS):
        parser.error(f"--only takes {', '.join(DIMENSIONS)}")
    plan = Plan.tiny() if given.tiny else Plan(sizes=sorted({int(n) for n in given.sizes.split(",")}))
    about = record.surroundings(" ".join(["python -m tests.bench.growth", *(arguments or sys.argv[1:])]))
    rows: list[dict[str, Any]] = []
    if given.output:
        given.output.mkdir(parents=True, exist_ok=True)
    for dimension in wanted:
        curves = WORK[dimension](plan)
        rows += told(dimension, curves)
        if given.output:
            for name, plot in drawings(dimension, curves):
                (given.output / name).write_text(plot, encoding="utf-8")
    about = record.finished(about)
    body = report(rows)
    record.published("How cost grows", about, body, as_markdown=given.markdown, into=given.into)
    if given.output:
        record.written(given.output / "growth.json", about, curves=rows)
    return 0


if __name__ == "__main__":
    sys.exit(main())
