"""How quick a large casebook is: list, search and open at the 95th percentile, and sheets rechecked a second.

    .venv/bin/python tests/bench/casebook_bench.py --sheets 100000            an SQLite file in a temporary folder
    .venv/bin/python tests/bench/casebook_bench.py --keep big.sqlite          made once, measured again later
    .venv/bin/python tests/bench/casebook_bench.py --url postgresql://...     an empty database
    .venv/bin/python tests/bench/casebook_bench.py bulk --lines 1000000       `partdate bulk`: rate and memory

The budget is 50 ms at p95 for list, search and open. Every instrument in it is invented.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from decoder.casebook import Casebook, load_record
from decoder.casebook.bulk import Progress, run
from decoder.casebook.recheck import recheck
from decoder.casebook.store import New, Wanted
from decoder.casebook.verify import verify
from decoder.crosscheck import check
from decoder.tables import Tables, shipped

BUDGET = 50.0
DAY = date(2026, 11, 25)
MAKERS = ["Harrow & Vale", "Tidewater Bench", "Estuary Works", "Marsh Light"]
BLOCK = 200


def now() -> datetime:
    return datetime.now(UTC)


def made_sheet(choose: random.Random, *, estimate: bool) -> dict[str, Any]:
    """An invented instrument of 1955 to 1969 with eight parts."""
    year = choose.randint(1955, 1969)
    pots = [
        {
            "id": f"pot {n}",
            "part": "potentiometer",
            "marking": f"{choose.choice((137, 304, 134, 140))}-{year % 100:02}{choose.randint(1, 52):02}",
        }
        for n in range(3)
    ]
    parts = [
        {"id": "serial", "part": "serial", "marking": str(choose.randint(10_001, 58_999))},
        *pots,
        {"id": "cap", "part": "capacitor", "marking": f"235-{year % 100:02}{choose.randint(1, 52):02}"},
        {"id": "neck", "part": "neck-heel", "marking": f"{choose.randint(1, 12)}-{year % 100}"},
        {"id": "jack", "part": "jack", "state": "no-mark"},
        {"id": "pickup", "part": "pickup", "state": "not-looked"},
    ]
    instrument = {
        "maker": choose.choice(MAKERS),
        "model": f"Model {choose.randint(1, 40)}",
        "claim": str(year),
    }
    return {"instrument": instrument, "parts": parts, "options": {"estimate": estimate}}


def made_block(seed: int, estimate: bool, alike: int) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """Some sheets with their assessments; to save time, so many one after the other share one that is not their own."""
    choose = random.Random(seed)
    made = []
    assessment: dict[str, Any] = {}
    for n in range(BLOCK):
        sheet = made_sheet(choose, estimate=estimate)
        if n % alike == 0:
            assessment = check(sheet, today=DAY, tables=shipped()).as_dict()
        made.append((sheet, assessment))
    return made


def filled(where: str, count: int, *, estimate: bool = False, alike: int = 1) -> None:
    began = time.perf_counter()
    with Casebook.open(where, clock=now) as book, ProcessPoolExecutor() as pool:
        have = book.count()
        blocks = range(have // BLOCK, -(-count // BLOCK))
        for number, block in enumerate(
            pool.map(made_block, blocks, [estimate] * len(blocks), [alike] * len(blocks)), 1
        ):
            new = [New(book.new_id(), load_record(s, book.tables), a) for s, a in block]
            book.save_many(new, who="bench")
            if number % 50 == 0:
                rate = number * BLOCK / (time.perf_counter() - began)
                print(f"  {have + number * BLOCK:,} sheets, {rate:,.0f} a second", flush=True)


def timed(name: str, work: Callable[[], object], times: int = 200) -> float:
    work()
    took = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        took.append(1000 * (time.perf_counter() - began))
    took.sort()
    p95 = took[int(0.95 * len(took))]
    said = "" if p95 <= BUDGET else "   OVER THE BUDGET"
    print(
        f"{name:<44} p50 {took[len(took) // 2]:7.2f} ms   p95 {p95:7.2f} ms   most {took[-1]:7.2f} ms{said}"
    )
    return p95


def measured(where: str) -> None:
    choose = random.Random(1)
    with Casebook.open(where, clock=now) as book:
        count = book.count()
        size = f", {Path(where).stat().st_size / 1e6:,.0f} MB" if Path(where).exists() else ""
        print(f"{count:,} sheets{size}")
        middle = list(book.find(limit=500).sheets)[-1].id
        ids: list[str] = []
        after: str | None = None
        while len(ids) < min(count, 20_000):
            page = book.find(after=after, limit=500)
            ids += [one.id for one in page.sheets]
            after = page.after
            if after is None:
                break

        def serial() -> str:
            return str(choose.randint(10_001, 58_999))

        timed("list: the newest 50", lambda: book.find())
        timed("list: 50 further down", lambda: book.find(after=middle))
        timed("list: 50 of one maker", lambda: book.find(Wanted(maker=choose.choice(MAKERS))))
        timed("list: contradicted", lambda: book.find(Wanted(outcome="contradicted")))
        timed("search: a whole serial", lambda: book.find(Wanted(serial=serial())))
        timed("search: the first 3 digits of a serial", lambda: book.find(Wanted(serial=serial()[:3])))
        timed("search: the first digit of a serial", lambda: book.find(Wanted(serial=serial()[:1])))
        timed(
            "search: a whole marking", lambda: book.find(Wanted(marking=f"137-{choose.randint(5501, 6952)}"))
        )
        timed("search: a common beginning (137)", lambda: book.find(Wanted(marking="137")))
        timed("search: a marking that is nowhere", lambda: book.find(Wanted(marking="ZZZ")))
        timed("search: a common verdict", lambda: book.find(Wanted(verdict="too-new")))
        timed("search: a verdict that is nowhere", lambda: book.find(Wanted(verdict="never")))
        timed(
            "search: maker, outcome, verdict, marking",
            lambda: book.find(
                Wanted(maker=choose.choice(MAKERS), outcome="agrees", verdict="unread", marking="304-62")
            ),
        )
        timed("open: the sheet", lambda: book.get(choose.choice(ids)))
        timed("open: its newest assessment", lambda: book.newest_assessment(choose.choice(ids)))
        timed("open: its history", lambda: book.history(choose.choice(ids)))
        record = load_record(made_sheet(choose, estimate=False), book.tables)
        assessment = book.assess(record)
        timed(
            "save: one version (assessed before)",
            lambda: book.save_many([New(book.new_id(), record, assessment)], who="bench"),
            100,
        )
        began = time.perf_counter()
        whole = verify(book.database)
        print(f"verify: {count / (time.perf_counter() - began):,.0f} sheets a second, whole: {whole.whole}")


def rechecked(count: int, folder: Path) -> None:
    """The rate of a recheck after a note of one lag row changed, without and with the estimate, on 1 and all cores."""
    overlay = folder / "overlay"
    overlay.mkdir()
    origin = next(package.folder for package in shipped().packages() if package.name == "parts")
    for path in origin.iterdir():
        (overlay / path.name).write_bytes(path.read_bytes())
    lag = (
        (overlay / "lag.csv")
        .read_text(encoding="utf-8")
        .replace("potentiometer,,,2,12,36", "potentiometer,,,2,11,30")
    )
    (overlay / "lag.csv").write_text(lag, encoding="utf-8")
    tables = Tables.open(overlay)
    for estimate in (False, True):
        for jobs in (1, os.cpu_count() or 1):
            where = str(folder / f"{estimate}-{jobs}.sqlite")
            filled(where, count, estimate=estimate)
            with Casebook.open(where, clock=now) as book:
                began = time.perf_counter()
                found = recheck(book.by(tables, lambda: DAY), who="bench", jobs=jobs)
                seconds = time.perf_counter() - began
            print(
                f"recheck, estimate {estimate!s:<5}, {jobs} processes: "
                f"{found.looked_at / seconds:,.0f} sheets a second "
                f"({found.unchanged} the same, {found.reworded} reworded, {len(found.changed)} other verdicts)"
            )


def lines(count: int) -> Iterator[str]:
    choose = random.Random(2)
    for n in range(count):
        year, week = choose.randint(55, 69), choose.randint(1, 53)
        yield json.dumps(
            {"id": n, "marking": f"{choose.randint(101, 999)}-{year}{week:02}", "part": "potentiometer"}
        )


def bulk(count: int, jobs: int | None) -> None:
    with tempfile.TemporaryDirectory() as name:
        source, target = Path(name) / "in.ndjson", Path(name) / "out.ndjson"
        with source.open("w", encoding="utf-8") as file:
            file.writelines(line + "\n" for line in lines(count))
        most: list[str] = []

        def show(progress: Progress) -> None:
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            if progress.lines * 10 // count >= len(most):
                most.append(f"  {progress.words()}, {peak:,.0f} MB at most here")
                print(most[-1], flush=True)

        began = time.perf_counter()
        done = run(source, target, shipped(), today=DAY, jobs=jobs, progress=show)
        seconds = time.perf_counter() - began
        children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        size = target.stat().st_size / 1e6
        print(
            f"bulk, {jobs or os.cpu_count()} processes: {done.lines:,} lines in {seconds:,.1f} s, "
            f"{done.lines / seconds:,.0f} a second, {size:,.0f} MB out, {children:,.0f} MB at most a worker"
        )


def main() -> None:
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("what", nargs="?", default="casebook", choices=["casebook", "recheck", "bulk"])
    options.add_argument("--sheets", type=int, default=100_000)
    options.add_argument("--rechecked", type=int, default=2_000)
    options.add_argument("--lines", type=int, default=200_000)
    options.add_argument("--jobs", type=int)
    options.add_argument("--keep", help="the file to keep the large casebook in, or to find it in")
    options.add_argument("--url", help="a PostgreSQL database instead")
    given = options.parse_args()
    if given.what == "bulk":
        bulk(given.lines, given.jobs)
        return
    with tempfile.TemporaryDirectory() as name:
        if given.what == "casebook":
            where = given.url or given.keep or str(Path(name) / "casebook.sqlite")
            filled(where, given.sheets, alike=20)
            measured(where)
        rechecked(given.rechecked, Path(name))


if __name__ == "__main__":
    main()
