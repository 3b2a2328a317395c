"""The rows of the suite: what is measured, how, and against which budget.

Every decode row runs over thousands of different markings, each pass over fresh ones, so no cache of answers could
help. Rows of a shape: `decode` makes the answer, `read` also touches every reading's window, fields, notes and
sources, `as_dict` makes the JSON, and `later` is `decode` once more, over fresh markings after all of these: what a
service meets that has run for some minutes. Beside each pass runs one of dateutil's parser over plain ISO dates: the
ratios.
"""

from __future__ import annotations

import gc
import json
import os
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache, partial
from pathlib import Path
from random import Random
from typing import Any

from tests.bench import corpora, serve_bench
from tests.bench.corpora import Shape
from tests.bench.passes import Timed, Work, one_pass, part_of, percentile, slowest, timed
from tests.bench.record import ROOT, Row

KIND_GIVEN = "decode, kind of part given"
NOTHING_GIVEN = "decode, over all tables"
WORN = "worn markings"
NEAR = "near misses"
CHECK = "cross-check"
OTHERS = "other libraries, same run"
START = "start and memory"
ENDPOINT = "endpoint, on loopback"
BULK = "partdate bulk"

PARSES_GIVEN, PARSES_OPEN = 1.0, 5.0  # budgets in dateutil parses of one plain date
WORST = 0.010  # seconds that nothing typed may cost
CHECK_SECONDS, COLD_SECONDS, OF_BARE = 0.020, 0.3, 0.7
SAMPLE = 500  # markings of which the status is told
MEMORY_GROWTH = 1.2  # what counts as constant memory over many times the lines


@dataclass(frozen=True, slots=True)
class Plan:
    """How much is measured."""

    markings: int = 5_000  # different ones a pass
    passes: int = 3
    dates: int = 2_000  # of the reference beside each pass
    sheets: int = 300  # a pass
    slow: int = 200  # items a pass for a library that takes milliseconds
    processes: int = 15
    seconds: float = 10.0  # for each route of the endpoint
    clients: int = 50
    lines: int = 50_000
    collect: bool = True  # garbage of the row before, before a row begins

    @classmethod
    def tiny(cls) -> Plan:
        """Every row, with figures that mean nothing: to see that the suite works."""
        return cls(3, 1, 3, 1, 2, 1, 0.2, 2, 100, collect=False)


# --- what is called


def decode_of(shape: Shape, **more: Any) -> Work:
    from decoder import decode

    return partial(decode, **shape.given, **more)


def read_of(shape: Shape, **more: Any) -> Work:
    """Decodes and touches whatever an answer may have put off; `more` is given to `decode` besides."""
    decode = decode_of(shape, **more)

    def read(text: str) -> Any:
        decoding = decode(text)
        for reading in decoding.readings:
            for window in reading.window:
                _ = window.earliest, window.latest
            for field in reading.fields:
                _ = field.text, field.value, field.at
            _ = [*reading.notes]
            for source in reading.sources:
                _ = source.title, source.grade
        for miss in decoding.near_misses:
            _ = miss.problem, miss.corrections
        return decoding

    return read


def as_dict_of(shape: Shape) -> Work:
    decode = decode_of(shape)
    return lambda text: decode(text).as_dict()


MODES: Sequence[tuple[str, Callable[[Shape], Work]]] = (
    ("decode", decode_of),
    ("read", read_of),
    ("as_dict", as_dict_of),
)
LATER = ("later", decode_of)


@cache
def iso_dates() -> tuple[str, ...]:
    return tuple(day.isoformat() for day in _days())


def _days() -> list[date]:
    days = [date(1930, 1, 1) + timedelta(days=n) for n in range(30_000)]
    Random(corpora.SEED).shuffle(days)
    return days


def reference() -> Work:
    """dateutil's parser, which the budgets are told in."""
    from dateutil.parser import parse

    return parse


def floor() -> Work:
    """The least that any reader of one layout does: an expression, and the answer from two dictionaries.

    It reads `137-6612` and no other layout, tells no near miss, takes no worn character and has no notes.
    """
    from decoder.tables import shipped
    from decoder.window import week_window

    code = re.compile(r"(\d{3})-(\d\d)(\d\d)").fullmatch
    makers = {row["code"]: row["holder"] for row in shipped().table("eia/source-codes").rows}
    weeks = {
        (f"{year % 100:02}", f"{week:02}"): week_window(year, week)
        for year in range(1945, 2000)
        for week in range(1, 53)
    }

    def read(text: str) -> Any:
        found = code(text)
        if found is None:
            return None
        source, year, week = found.groups()
        return makers.get(source), weeks.get((year, week))

    return read


# --- rows in this process


def in_process(plan: Plan, groups: frozenset[str]) -> Iterator[Row]:
    shapes = (
        (KIND_GIVEN, corpora.KIND_GIVEN, PARSES_GIVEN),
        (NOTHING_GIVEN, corpora.NOTHING_GIVEN, PARSES_OPEN),
        (WORN, corpora.WORN, None),
        (NEAR, corpora.NEAR_MISSES, None),
    )
    for group, members, parses in shapes:
        if group in groups:
            for shape in members:
                yield from rows_of(shape, group, parses, plan)
    if CHECK in groups:
        yield from checks(plan)
    if OTHERS in groups:
        yield from others(plan)


def rows_of(shape: Shape, group: str, parses: float | None, plan: Plan) -> Iterator[Row]:
    """The rows of one shape; where the cost of a whole pass is judged, the last is of markings that come later."""
    modes = MODES if parses is None else (*MODES, LATER)
    texts = corpora.drawn(shape.draw, plan.markings * (plan.passes + 1) * len(modes), shape.id)
    dates = iso_dates()[: plan.dates]
    one_pass(
        as_dict_of(shape), corpora.drawn(shape.draw, min(20, plan.markings), "warm")
    )  # tables and indexes are read here
    one_pass(reference(), iso_dates()[-20:])
    if plan.collect:
        gc.collect()
    for place, (mode, work_of) in enumerate(modes):
        first = place * (plan.passes + 1)
        *passes, unasked = (
            part_of(texts, plan.markings, first + number) for number in range(plan.passes + 1)
        )
        work = work_of(shape)
        found = timed(work, passes, reference(), dates)
        row = timed_row(f"{shape.id}-{mode}", group, f"{shape.title}: {mode}", found)
        row.more |= {"markings": len({text for each in passes for text in each}), "part": shape.part}
        row.more["outcomes"] = dict(Counter(decode_of(shape)(text).status for text in passes[0][:SAMPLE]))
        if parses is not None and mode != "as_dict":
            row = replace(row, judged="ratio", most=parses)
        elif parses is None:
            row.more["slowest"] = slowest(work, unasked)
            row = replace(row, judged="slowest", most=WORST)
        yield row


def timed_row(name: str, group: str, title: str, found: Timed) -> Row:
    ratio = statistics.median(found.ratios) if found.ratios else None
    return Row(
        name,
        group,
        title,
        "s",
        found.means,
        ratio,
        percentile(found.calls, 0.5),
        percentile(found.calls, 0.95),
        more={"calls": len(found.calls)},
    )


def checks(plan: Plan) -> Iterator[Row]:
    from decoder import check

    today = corpora.TODAY
    works = (
        ("check-24", "24 parts, exact", False, lambda sheet: check(sheet, today=today)),
        ("check-24-estimate", "24 parts, estimate", True, lambda sheet: check(sheet, today=today)),
        (
            "check-24-estimate-dict",
            "24 parts, estimate: as_dict",
            True,
            lambda sheet: check(sheet, today=today).as_dict(),
        ),
    )
    for name, title, estimate, work in works:
        passes = [
            corpora.sheets(plan.sheets, 24, estimate=estimate, seed=f"{name} {number}")
            for number in range(plan.passes)
        ]
        one_pass(work, corpora.sheets(2, 24, estimate=estimate, seed="warm"))
        row = timed_row(name, CHECK, title, timed(work, passes))
        yield replace(row, most=CHECK_SECONDS if estimate else None)


def others(plan: Plan) -> Iterator[Row]:
    """The libraries that a reader may know, over as many different inputs."""
    import phonenumbers
    from edtf import parse_edtf
    from stdnum import isbn

    rng = Random(corpora.SEED)
    count = plan.markings * plan.passes
    days = _days()
    sources = [f"{n:03}" for n in range(101, 1000)]
    isbns = [f"978{rng.randrange(10**9):09}" for _ in range(count)]
    members = (
        ("dateutil-iso", "dateutil: 1966-03-21", reference(), [d.isoformat() for d in days]),
        (
            "dateutil-words",
            "dateutil: March 21, 1966",
            reference(),
            [f"{d:%B} {d.day}, {d.year}" for d in days],
        ),
        ("dateutil-dots", "dateutil: 21.3.1966", reference(), [f"{d.day}.{d.month}.{d.year}" for d in days]),
        (
            "phonenumbers",
            "phonenumbers.parse",
            lambda text: phonenumbers.parse(text, None),
            [f"+4930{rng.randrange(10**7):07}" for _ in range(count)],
        ),
        ("isbn", "python-stdnum: isbn.validate", isbn.validate, [_isbn(text) for text in isbns]),
        ("edtf", "edtf: parse_edtf", parse_edtf, [f"{d:%Y-%m}/{d.year + 1}" for d in days]),
        (
            "floor",
            "expression and dictionary",
            floor(),
            [f"{rng.choice(sources)}-{rng.randint(45, 99)}{rng.randint(1, 52):02}" for _ in range(count * 2)],
        ),
    )
    for name, title, work, items in members:
        different = list(dict.fromkeys(items))
        size = plan.slow if name == "edtf" else plan.markings
        one_pass(work, different[-5:])
        passes = [part_of(different, size, number) for number in range(plan.passes)]
        found = timed(work, passes, reference(), iso_dates()[: plan.dates])
        row = timed_row(name, OTHERS, title, found)
        row.more = {"inputs": len({text for each in passes for text in each})}
        yield row


def _isbn(twelve: str) -> str:
    """An ISBN of 13 digits from its first twelve."""
    total = sum(int(digit) * (3 if place % 2 else 1) for place, digit in enumerate(twelve))
    return f"{twelve}{-total % 10}"


# --- rows of fresh processes

RESIDENT = """
def resident():
    with open("/proc/self/status") as lines:
        return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")) / 1024
"""
IMPORT = """
import json, sys, time
clock = time.perf_counter
at = [clock()]
import decoder
at.append(clock())
decode = decoder.decode
at.append(clock())
decode(sys.argv[1], part="potentiometer")
at.append(clock())
print(json.dumps([b - a for a, b in zip(at, at[1:])]))
"""
LOAD = (
    RESIDENT
    + """
import json, sys, time
clock = time.perf_counter
before = resident()
import decoder
from decoder.tables import Tables
decode = decoder.decode
imported, began = resident(), clock()
tables = Tables.open()
for name in tables.ids():
    tables.table(name)
took, read = clock() - began, resident()
decode(sys.argv[1], tables=tables)
print(json.dumps([took, clock() - began - took, before, imported, read, resident()]))
"""
)


def environment() -> dict[str, str]:
    """That of this process, with this checkout's package before any that is installed."""
    return {**os.environ, "PYTHONPATH": str(ROOT)}


def command() -> str:
    return str(Path(sys.executable).parent / "partdate")


def compiled(folder: str) -> dict[str, str]:
    """An environment whose processes keep compiled modules in a folder, as installed packages have them beside their
    sources, whatever this process was told of that."""
    around = {**environment(), "PYTHONPYCACHEPREFIX": folder}
    around.pop("PYTHONDONTWRITEBYTECODE", None)
    return around


def said(around: dict[str, str], code: str, *arguments: str) -> Any:
    asked = [sys.executable, "-c", code, *arguments]
    run = subprocess.run(asked, capture_output=True, text=True, check=True, env=around, cwd=ROOT)
    return json.loads(run.stdout)


def wall(around: dict[str, str], *asked: str) -> float:
    began = time.perf_counter()
    subprocess.run(asked, check=True, stdout=subprocess.DEVNULL, env=around, cwd=ROOT)
    return time.perf_counter() - began


def fresh_processes(plan: Plan) -> Iterator[Row]:
    """Import, first answer, cold command, tables and memory: every figure from a process of its own.

    The first process of each kind compiles the modules and doesn't count.
    """
    with tempfile.TemporaryDirectory() as folder:
        yield from _fresh(plan, compiled(folder))


def _fresh(plan: Plan, around: dict[str, str]) -> Iterator[Row]:
    codes = corpora.drawn(corpora.pot_seven, plan.processes + 1, "cold")
    runs = list(zip(*[said(around, IMPORT, text) for text in codes][1:], strict=True))
    titles = ("import decoder", "decoder.decode, first use", "first decoding, kind given")
    for name, title, values in zip(("import", "first-use", "first-decode"), titles, runs, strict=True):
        yield spread(name, START, title, "s", values)
    cold = [wall(around, command(), "decode", text, "--part", "pot") for text in codes][1:]
    yield replace(spread("cold", START, "partdate decode, cold", "s", cold), most=COLD_SECONDS)
    bare = [wall(around, sys.executable, "-c", "pass") for _ in codes][1:]
    yield spread("cold-python", START, "Python that does nothing", "s", bare)
    loads = list(zip(*[said(around, LOAD, text) for text in codes[1:]], strict=True))
    names = (
        ("load", "all tables read", "s"),
        ("first-open", "first decoding over all tables", "s"),
        ("memory-python", "memory: Python alone", "MB"),
        ("memory-import", "memory: decode imported", "MB"),
        ("memory-tables", "memory: all tables read", "MB"),
        ("memory-indexed", "memory: and all indexes made", "MB"),
    )
    for (name, title, unit), values in zip(names, loads, strict=True):
        yield spread(name, START, title, unit, values)


def spread(name: str, group: str, title: str, unit: str, values: Sequence[float]) -> Row:
    return Row(
        name, group, title, unit, list(values), None, percentile(values, 0.5), percentile(values, 0.95)
    )


# --- the endpoint and bulk


def endpoint(plan: Plan) -> Iterator[Row]:
    """One marking and batches against a server of its own, beside a bare route in the same process."""
    found = serve_bench.measured(
        1, plan.clients, plan.seconds, 2 if plan.seconds > 1 else 1, False, batch=True
    )
    faults = {"failed": found["failed"], "clients": found["clients"]}
    bare, single = found["bare_per_second"], found["decode_per_second"]
    yield Row("http-bare", ENDPOINT, "bare Flask route, same bytes", "/s", [bare], more=faults)
    yield Row(
        "http-decode",
        ENDPOINT,
        "POST /v1/decode",
        "/s",
        [single],
        ratio=found["ratio"],
        judged="ratio",
        least=OF_BARE,
        more={
            **faults,
            **{name: found[name] for name in ("decode_p50_ms", "decode_p99_ms", "cpu_ratio", "answer_bytes")},
        },
    )
    each = found["batch_markings_per_second"]
    yield Row(
        "http-batch",
        ENDPOINT,
        f"batches of {serve_bench.BATCH_SIZE}: markings",
        "/s",
        [each],
        ratio=each / single if single else None,
        more=faults,
    )


def bulk_line(number: int) -> str:
    """The code of line so and so; none comes twice in 1.7 million lines."""
    number = number * 7_919 % 1_716_000  # in no order that a reader could make use of
    source, week, year, sign = number % 900, number // 900 % 52, number // 46_800 % 12, number // 561_600
    text = f"{100 + source}{SIGNS[sign % len(SIGNS)]}{58 + year}{week + 1:02}"
    return json.dumps({"id": number, "marking": text, "part": "potentiometer"})


SIGNS = ("-", " ", "", ".")


def bulk(plan: Plan) -> Iterator[Row]:
    """`partdate bulk` over a fifth of the lines and over all of them."""
    with tempfile.TemporaryDirectory() as folder:
        small = bulk_run(Path(folder), max(1, plan.lines // 5))
        large = bulk_run(Path(folder), plan.lines)
    took, peak = large
    title = f"{plan.lines:,} markings"
    yield Row("bulk", BULK, title, "s", [took], more={"lines": plan.lines, "per_second": plan.lines / took})
    yield Row("bulk-rate", BULK, "lines a second", "/s", [plan.lines / took])
    yield Row(
        "bulk-memory",
        BULK,
        "memory, to a fifth of lines",
        "MB",
        [peak],
        ratio=peak / small[1],
        judged="ratio",
        most=MEMORY_GROWTH,
    )


def bulk_run(folder: Path, lines: int) -> tuple[float, float]:
    """Seconds, and megabytes of the largest process."""
    source, target = folder / f"in-{lines}.ndjson", folder / f"out-{lines}.ndjson"
    with source.open("w", encoding="utf-8") as file:
        file.writelines(bulk_line(number) + "\n" for number in range(lines))
    asked = [command(), "bulk", str(source), str(target), "--quiet"]
    began = time.perf_counter()
    process = subprocess.Popen(asked, env=environment(), cwd=ROOT, stdout=subprocess.DEVNULL)
    peak = 0.0
    while process.poll() is None:
        peak = max(peak, largest(process.pid))
        time.sleep(0.02)
    took = time.perf_counter() - began
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, asked)
    with target.open(encoding="utf-8") as file:
        answered = sum(1 for _ in file)
    if answered != lines:
        raise ValueError(f"{lines} lines were asked, {answered} answered")
    return took, peak


def largest(pid: int) -> float:
    """Megabytes that the largest of a process and its children held at most, so far."""
    most = 0.0
    with suppress(OSError):
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        for one in (str(pid), *children):
            with suppress(OSError):
                for line in Path(f"/proc/{one}/status").read_text().splitlines():
                    if line.startswith("VmHWM"):
                        most = max(most, int(line.split()[1]) / 1024)
    return most


GROUPS = {
    "given": KIND_GIVEN,
    "open": NOTHING_GIVEN,
    "worn": WORN,
    "near": NEAR,
    "check": CHECK,
    "others": OTHERS,
    "start": START,
    "http": ENDPOINT,
    "bulk": BULK,
}


def rows(plan: Plan, wanted: Sequence[str]) -> Iterator[Row]:
    """The rows of these groups (keys of GROUPS), one after the other as they are measured."""
    chosen = frozenset(GROUPS[name] for name in wanted)
    if START in chosen:
        yield from fresh_processes(plan)
    yield from in_process(plan, chosen)
    if ENDPOINT in chosen:
        yield from endpoint(plan)
    if BULK in chosen:
        yield from bulk(plan)
