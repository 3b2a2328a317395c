"""Random inputs for every parser of the core: there is an answer that keeps the rules, or a refusal in words.

    python -m tests.fuzz                                        100,000 markings and some of everything else
    python -m tests.fuzz --markings 10_000_000 -o fuzz.json     the full run of markings, half an hour on two cores
    python -m tests.fuzz --only edtf --edtf 1_000_000           one parser
    python -m tests.fuzz --seed 7 --processes 1                 the same inputs each time, for a seed and a number

Inputs are drawn from the shipped layouts, letter tables, bands, wordings and examples, and harmed: bits flipped,
characters worn, brackets, stars, separators, accents, other scripts, control characters, great length. Half of them
are mutations of inputs that showed something new. What must hold: only the documented errors are raised; at most 200
readings and 8 near misses; every place in the text; no empty window; the answer is JSON of bounded size (looked at
for every answer that shows something new and for one in eight of the others); one marking costs at most 10 ms of
processor time. Markings over it are timed again, three times, each in a process that has not met them; the least
counts. An interrupt (Ctrl-C) ends a parser's run early: what was asked until then is told.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import time
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from decoder.tables import shipped
from tests.fuzz.dates import Dates
from tests.fuzz.markings import Cells, Markings
from tests.fuzz.packages import Packages
from tests.fuzz.running import WORST, Target, over, smallest, timed_again
from tests.fuzz.sheets import CsvSheets, Sheets

SEED = 1966
AGAIN = 100  # of those over the budget at first, the slowest are timed again
TARGETS: dict[str, tuple[Callable[[], Target], int]] = {
    "markings": (Markings, 100_000),
    "cells": (Cells, 100_000),
    "edtf": (Dates, 100_000),
    "sheets": (Sheets, 5_000),
    "csv": (CsvSheets, 5_000),
    "tables": (Packages, 1_000),
}


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.fuzz", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    for name, (_, count) in TARGETS.items():
        parser.add_argument(
            f"--{name}", type=int, default=count, metavar="N", help=f"inputs; {count:,} when left out"
        )
    parser.add_argument("--only", help=f"of {', '.join(TARGETS)}, separated by commas")
    parser.add_argument("--mends", action="store_true", help="what near misses offer must be read as well")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="write JSON there")
    given = parser.parse_args()
    wanted = given.only.split(",") if given.only else [name for name in TARGETS if getattr(given, name)]
    unknown = [name for name in wanted if name not in TARGETS]
    if unknown:
        parser.error(f"no parser is called {', '.join(unknown)}; there are {', '.join(TARGETS)}")
    rows = []
    for name in wanted:
        make = partial(Markings, given.mends) if name == "markings" else TARGETS[name][0]
        row = _row(make, getattr(given, name), given.processes, given.seed)
        rows.append(row)
        if given.output:
            given.output.write_text(json.dumps(_written(given, rows), indent=1) + "\n", encoding="utf-8")
    print(_table(rows))
    return 1 if any(row["faults"] or row["over_budget"] for row in rows) else 0


def _row(make: Callable[[], Target], count: int, processes: int, seed: int) -> dict[str, Any]:
    began = time.monotonic()
    target = make()
    found = over(lambda: target, count, processes, seed, _progress(target.name, count))
    seconds = time.monotonic() - began
    faults = {fault: asked for one in found for fault, asked in one.faults}
    times = Counter(fault for one in found for fault in one.faulty.elements())
    slow = sorted((pair for one in found for pair in one.slow), key=lambda pair: -pair[0])
    again = timed_again(target, slow[:AGAIN], seed) if target.budget is not None else []
    over_budget = [one for one in again if target.budget is not None and one.seconds > target.budget]
    asked = sum(one.inputs for one in found)
    return {
        "parser": target.name,
        "inputs": asked,
        "seconds": round(seconds, 1),
        "a_second": round(asked / seconds),
        "answers": sum(one.answers for one in found),
        "refusals": dict(sum((one.refusals for one in found), Counter())),
        "signatures": sum(one.signatures for one in found),
        "mean_us": round(1e6 * sum(one.spent for one in found) / max(1, asked), 1),
        "beside_us": round(1e6 * sum(one.drawing for one in found) / max(1, asked), 1),
        "first_over_budget": sum(one.over for one in found),
        "timed_again": len(again),
        "over_budget": len(over_budget),
        "worst": [
            {"ms": round(1e3 * one.seconds, 2), "parses": round(one.parses), "input": _shown(one.asked)}
            for one in again[:WORST]
        ],
        "faults": [
            {"fault": fault, "times": times[fault], "input": _shown(smallest(target, faulty, fault))}
            for fault, faulty in faults.items()
        ],
        "digests": [one.digest for one in found],
    }


def _shown(asked: Any) -> str:
    return str(asked) if hasattr(asked, "marking") else ascii(asked)


def _progress(name: str, count: int) -> Callable[[int, float], None]:
    def tell(done: int, seconds: float) -> None:
        rate = done / max(seconds, 1e-9)
        left = (count - done) / rate if rate else 0
        line = f"{name}: {done:,} of {count:,}, {rate:,.0f} a second, {left:,.0f} s left"
        shown, end = (f"\r{line:<78}", "") if sys.stderr.isatty() else (line, "\n")
        print(shown, end=end, file=sys.stderr, flush=True)

    return tell


def _written(given: argparse.Namespace, rows: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "seed": given.seed,
        "processes": given.processes,
        "python": platform.python_version(),
        "machine": f"{platform.machine()}, {os.cpu_count()} cores",
        "tables": shipped().edition,
        "rows": rows,
    }


def _table(rows: list[dict[str, Any]]) -> str:
    lines = [
        f"{'parser':<10}{'inputs':>12}{'a second':>10}{'answered':>10}{'refused':>10}{'behaviours':>11}"
        f"{'mean us':>9}{'worst ms':>9}{'over':>6}{'faults':>8}"
    ]
    for row in rows:
        worst = f"{row['worst'][0]['ms']:.1f}" if row["worst"] else "-"
        lines.append(
            f"{row['parser']:<10}{row['inputs']:>12,}{row['a_second']:>10,}{row['answers'] / row['inputs']:>10.1%}"
            f"{sum(row['refusals'].values()) / row['inputs']:>10.1%}{row['signatures']:>11,}{row['mean_us']:>9,.0f}"
            f"{worst:>9}{row['over_budget']:>6}{len(row['faults']):>8}"
        )
    for row in rows:
        if row["worst"]:
            lines += [
                "",
                f"slowest of {row['parser']}, least of three; beside it, parses of a date by dateutil in that time",
            ]
            lines += [f"{one['ms']:8.2f} ms {one['parses']:6,}  {one['input'][:150]}" for one in row["worst"]]
        if row["faults"]:
            lines += ["", f"faults of {row['parser']}"]
            lines += [
                f"  {one['times']:,} x {one['fault']}\n      {one['input'][:2000]}" for one in row["faults"]
            ]
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
