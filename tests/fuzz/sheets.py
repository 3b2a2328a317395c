"""Sheets, as JSON values and as CSV: refused with every fault in words, or checked to an answer."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Hashable, Iterator, Sequence
from copy import deepcopy
from datetime import date
from pathlib import Path
from random import Random
from typing import Any, ClassVar

from decoder.crosscheck import Assessment, check
from decoder.crosscheck.sheet import COLUMNS, SheetError, read_csv
from decoder.tables import shipped
from tests.fuzz import harm, rules
from tests.fuzz.grammar import grammar

TODAY = date(2026, 11, 25)
DEMO = Path(__file__).resolve().parents[2] / "demo"
PARTS = 8
ODD: tuple[Any, ...] = (
    None, True, False, 0, 1, -1, 10**20, 1.5, -0.0, 1e308, float("inf"), float("nan"), "", " ", "1966", [], {},
    [[]], [None], {"a": 1}, ["refinished"], ["refinished", "refinished"], "\ud800", "\x00", "x" * 401, "x" * 65,
    {"window": "1966", "name": "A. Reader", "reason": "seen"}, {"window": "x"}, {1: 2}, ("pot",), b"pot",
    date(1966, 3, 1),
)  # fmt: skip
FIELDS = "id part marking feature value unit uncertainty state flags position group patent override".split()
STATES = ("not-looked", "illegible", "no-mark")
FLAGS = ("disclosed-replacement", "refinished", "factory-repair", "joint-disturbed")
CLAIMS = (
    "1966",
    "1959",
    "196X",
    "1965/1967",
    "1966~",
    "../1970",
    "1966/..",
    "../..",
    "[1965,1967]",
    "1966-21",
)
MEASURES = ("1 11/16", "1.65", "42", "0", "0.045", "1,5", "2", "ebony", "three", '1.65"', "42 mm")
UNITS = ("in", "mm", "g", "cm", '"', "kg", "thou")
GROUPS = ("harness", "tuner-set", "pickup-set")
SOLE = (
    *("Read", "gone", "repaired", "soon", "", "-1", "1/0", "9" * 70, "½", "1e3", "furlong", "wobbler"),
    *("9999", "0001", "9999/..", "../0001", "9999-12-31~", "[0001,9999]", "none"),
)  # what is right in no list, or at the end of the calendar; one value in fifty


class Sheets:
    """Every sheet through `decoder.check`, with the estimate now and then."""

    name: ClassVar[str] = "sheets"
    refusals: ClassVar[tuple[type[Exception], ...]] = (SheetError,)
    budget: ClassVar[float | None] = None

    def __init__(self) -> None:
        self.grammar = grammar()
        self.seeds = [json.loads(file.read_text(encoding="utf-8")) for file in sorted(DEMO.glob("*.json"))]
        self.features = _features()

    def draw(self, rng: Random) -> Any:
        random = rng.random
        if random() < 0.1:
            return self._harmed(deepcopy(rng.choice(self.seeds)), rng)
        options: dict[str, Any] = {"estimate": random() < 0.1, "today": "2026-11-25"}
        if random() < 0.1:
            options["lags"] = {self._kind(rng): {"usual": int(random() * 40), "longest": int(random() * 90)}}
            options["replacement_rates"] = {self._kind(rng): random()}
        sheet: dict[str, Any] = {
            "instrument": {
                "maker": rng.choice(self.grammar.makers),
                "claim": _one(CLAIMS, rng),
                "country": "US",
            },
            "parts": [self._part(n, rng) for n in range(int(random() * PARTS))],
            "options": options,
        }
        if random() < 0.2:
            sheet["instrument"]["second_claim"] = _one(CLAIMS, rng)
        return sheet if random() < 0.6 else self._harmed(sheet, rng)

    def _kind(self, rng: Random) -> str:
        return _one((*self.grammar.kinds, "pending-mark"), rng)

    def _part(self, number: int, rng: Random) -> dict[str, Any]:
        text, kinds = self.grammar.drawn(rng)
        made: dict[str, Any] = {"id": f"p{number}", "part": rng.choice(kinds or self.grammar.kinds)}
        chance = rng.random()
        if chance < 0.7:
            made["marking"] = harm.harmed(text, rng) if rng.random() < 0.1 else text
        elif chance < 0.9:
            made["part"], made["feature"] = rng.choice(self.features)
            made["value"] = _one(MEASURES, rng)
            if rng.random() < 0.4 and made["value"][:1].isdigit():
                made["unit"] = _one(UNITS, rng)
        else:
            made["state"] = _one(STATES, rng)
        if rng.random() < 0.15:
            made["flags"] = [_one(FLAGS, rng)]
        if rng.random() < 0.2:
            made["group"] = _one(GROUPS, rng)
        if rng.random() < 0.05:
            made["override"] = {
                "window": _one(CLAIMS, rng),
                "name": "A. Reader",
                "reason": "seen under a lens",
            }
        return made

    def mutate(self, asked: Any, other: Any, rng: Random) -> Any:
        made = deepcopy(asked)
        if isinstance(made, dict) and isinstance(other, dict) and rng.random() < 0.3:
            ours, theirs = made.get("parts"), other.get("parts")
            if isinstance(ours, list) and isinstance(theirs, list):
                made["parts"] = (ours + deepcopy(theirs))[: 3 * PARTS]
                return made
        return self._harmed(made, rng)

    def _harmed(self, made: Any, rng: Random) -> Any:
        """One or two values anywhere in it changed, taken out, or put in under any name."""
        for _ in range(1 + (rng.random() < 0.3)):
            inner = list(_containers(made))
            if not inner:
                return rng.choice(ODD)
            held = rng.choice(inner)
            if isinstance(held, dict):
                name = rng.choice(list(held) or ["id"])
                chance = rng.random()
                if chance < 0.15:
                    held.pop(name, None)
                elif chance < 0.4:
                    held[rng.choice(FIELDS)] = rng.choice(ODD)
                elif chance < 0.5:
                    held[harm.harmed(str(name), rng)] = held.get(name)
                else:
                    held[name] = self._other(held.get(name), rng)
            elif held:
                at = int(rng.random() * len(held))
                if rng.random() < 0.3:
                    held.append(deepcopy(held[at]))
                else:
                    held[at] = self._other(held[at], rng)
        return made

    def _other(self, value: Any, rng: Random) -> Any:
        if isinstance(value, str) and rng.random() < 0.7:
            return harm.harmed(value, rng)
        return rng.choice(ODD)

    def ask(self, asked: Any) -> Assessment:
        return check(asked, today=TODAY)

    def signature(self, asked: Any, found: Assessment) -> Hashable:
        return (
            found.outcome,
            frozenset((one.evidence.verdict, one.evidence.part.kind) for one in found.parts),
            len(found.explanations.found) if hasattr(found.explanations, "found") else 0,
            frozenset(trap.id for trap in found.traps if hasattr(trap, "id")),
            found.estimate is None,
            len(found.warnings),
        )

    def faults(self, asked: Any, found: Assessment, written: bool) -> Iterator[str]:
        made = found.as_dict()
        yield from rules.json_faults(made, rules.ASSESSMENT_BYTES)
        if [part["id"] for part in made["parts"]] != [part["id"] for part in asked["parts"]]:
            yield "the parts of the answer are not those of the sheet, in their order"
        for part, sent in zip(found.parts, asked["parts"], strict=True):
            decoding = part.evidence.decoding
            text = sent.get("marking")
            if decoding is not None and isinstance(text, str):
                yield from rules.decoding_faults(text, decoding)

    def error_faults(self, asked: Any, error: Exception) -> Iterator[str]:
        yield from rules.error_faults("", error)
        if isinstance(error, SheetError):
            yield from (
                f"a problem at {one.pointer!r}" for one in error.problems if one.pointer[:1] not in ("", "/")
            )

    def reduced(self, asked: Any) -> Iterator[Any]:
        for step in _steps(asked, ()):
            made = deepcopy(asked)
            held = made
            for key in step[:-1]:
                held = held[key]
            del held[step[-1]]
            yield made

    def shown(self, found: Assessment) -> str:
        return f"{found.outcome.value}, {len(found.parts)} parts"


class CsvSheets:
    """Every CSV through `read_csv` and, where it is one, through `check`."""

    name: ClassVar[str] = "csv"
    refusals: ClassVar[tuple[type[Exception], ...]] = (SheetError,)
    budget: ClassVar[float | None] = None

    def __init__(self) -> None:
        self.sheets = Sheets()
        self.seeds = [
            file.read_text(encoding="utf-8")
            for file in sorted(DEMO.glob("**/*.csv"))
            if "id,part" in file.read_text(encoding="utf-8")[:20]
        ]

    def draw(self, rng: Random) -> str:
        text = rng.choice(self.seeds) if rng.random() < 0.2 else self._written(rng)
        return text if rng.random() < 0.4 else self._harmed(text, rng)

    def _written(self, rng: Random) -> str:
        columns = list(COLUMNS[: 12 if rng.random() < 0.7 else None])
        if rng.random() < 0.1:
            rng.shuffle(columns)
        out = io.StringIO()
        rows = csv.DictWriter(
            out,
            columns,
            extrasaction="ignore",
            delimiter=rng.choice(",,,;\t"),
            lineterminator=rng.choice(("\n", "\r\n")),
        )
        rows.writeheader()
        about = {"maker": rng.choice(self.sheets.grammar.makers), "claim": _one(CLAIMS, rng), "country": "US"}
        for number in range(int(rng.random() * PARTS)):
            part = self.sheets._part(number, rng)
            part["flags"] = ";".join(part.get("flags", ()))
            rows.writerow({**part, **(about if number == 0 or rng.random() < 0.02 else {})})
        return out.getvalue()

    def _harmed(self, text: str, rng: Random) -> str:
        """A harm within a stretch of the text, for a harm of the whole would cut it."""
        at = int(rng.random() * (len(text) + 1))
        until = min(len(text), at + 1 + int(rng.random() * 60))
        if rng.random() < 0.3:
            sign = rng.choice(
                ('"', '""', ",", ";", "\n", "\r", "\n\n", "\t", "\x00", "\ufeff", "'", ",,,,,,,")
            )
            return text[:at] + sign + text[at:]
        return text[:at] + harm.harmed(text[at:until], rng) + text[until:]

    def mutate(self, asked: str, other: str, rng: Random) -> str:
        return harm.joined(asked, other, rng) if rng.random() < 0.2 else self._harmed(asked, rng)

    def ask(self, asked: str) -> Assessment:
        return check(read_csv(asked), today=None if len(asked) % 8 else TODAY)

    def signature(self, asked: str, found: Assessment) -> Hashable:
        return self.sheets.signature(asked, found)

    def faults(self, asked: str, found: Assessment, written: bool) -> Iterator[str]:
        yield from rules.json_faults(found.as_dict(), rules.ASSESSMENT_BYTES)

    def error_faults(self, asked: str, error: Exception) -> Iterator[str]:
        yield from rules.error_faults(asked, error)

    def reduced(self, asked: str) -> Iterator[str]:
        size = len(asked) // 2
        while size:
            for at in range(0, len(asked), size):
                yield asked[:at] + asked[at + size :]
            size //= 2

    def shown(self, found: Assessment) -> str:
        return self.sheets.shown(found)


def _one(known: Sequence[str], rng: Random) -> str:
    return rng.choice(SOLE if rng.random() < 0.02 else known)


def _features() -> list[tuple[str, str]]:
    rows = shipped().table("feature/features").rows + shipped().table("invented-spec/features").rows
    return sorted({(row["part"], row["feature"]) for row in rows}) or [("neck", "nut-width")]


def _containers(value: Any) -> Iterator[Any]:
    if isinstance(value, dict | list):
        yield value
        for inner in value.values() if isinstance(value, dict) else value:
            yield from _containers(inner)


def _steps(value: Any, path: tuple[Any, ...]) -> Iterator[tuple[Any, ...]]:
    if isinstance(value, dict | list):
        for key in list(value) if isinstance(value, dict) else range(len(value)):
            yield (*path, key)
            yield from _steps(value[key], (*path, key))
