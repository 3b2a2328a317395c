"""What a run of a benchmark leaves: where and when it was taken, its rows, and these as text, Markdown and JSON."""

from __future__ import annotations

import json
import os
import re
import statistics
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pyperf

from decoder.service.settings import digest_of_tables
from decoder.tables import shipped

ROOT = Path(__file__).resolve().parents[2]
LIBRARIES = (
    "numpy marshmallow flask waitress click sqlalchemy python-dateutil phonenumbers python-stdnum edtf pyperf"
).split()
WIDTH = 80
QUIET = 0.1  # cores that other work may take before figures are taken with care


@dataclass(slots=True)
class Row:
    """One figure: `value` in `unit` is the median of `values`, `ratio` is that to its reference, where it has one.

    `most` and `least` are budgets: of `judged`, which is "ratio", "value" or the name of a figure in `more`.
    """

    id: str
    group: str
    title: str
    unit: str
    values: list[float]
    ratio: float | None = None
    p50: float | None = None
    p95: float | None = None
    judged: str = "value"
    most: float | None = None
    least: float | None = None
    more: dict[str, Any] = field(default_factory=dict)

    @property
    def value(self) -> float:
        return statistics.median(self.values)

    @property
    def figure(self) -> float:
        """What the budget is held against."""
        if self.judged == "ratio":
            assert self.ratio is not None
            return self.ratio
        return self.value if self.judged == "value" else self.more[self.judged]

    @property
    def budget(self) -> str:
        """The budget in words, empty for none."""
        if self.most is None and self.least is None:
            return ""
        sign, bound = ("<", self.most) if self.most is not None else (">=", self.least)
        unit = "x" if self.judged == "ratio" else self.unit
        said = {"value": "", "ratio": ""}.get(self.judged, f"{self.judged} ")
        return f"{said}{sign} {bound:g}{unit}" if unit == "x" else f"{said}{sign} {shown(bound, unit)}"

    @property
    def met(self) -> bool | None:
        if self.most is not None:
            return self.figure < self.most
        return self.figure >= self.least if self.least is not None else None

    def as_dict(self) -> dict[str, Any]:
        return {
            "id": self.id,
            "group": self.group,
            "title": self.title,
            "unit": self.unit,
            "value": self.value,
            "values": self.values,
            "p50": self.p50,
            "p95": self.p95,
            "ratio": self.ratio,
            "judged": self.judged if self.budget else None,
            "budget": self.budget or None,
            "met": self.met,
            **self.more,
        }


# --- where and when


def surroundings(command: str) -> dict[str, Any]:
    """Machine, versions, tables, date and the command, as the run begins."""
    machine = pyperf.Run([1.0]).get_metadata()  # pyperf finds out about processor, system and load
    edition = max(str(package.descriptor.get("version", "")) for package in shipped().packages())
    return {
        "command": command,
        "date": datetime.now(UTC).isoformat(timespec="seconds"),
        "tables": edition,
        "tables_digest": digest_of_tables(shipped()),
        "code": _code(),
        "processor": machine.get("cpu_model_name", machine.get("platform", "unknown")),
        "cores": os.cpu_count(),
        "memory_mb": os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2**20,
        "system": machine.get("platform", sys.platform),
        "python": f"{sys.implementation.name} {sys.version.split()[0]}",
        "libraries": {name: version(name) for name in LIBRARIES},
        "began": _used(),
    }


def finished(about: dict[str, Any]) -> dict[str, Any]:
    """The same, with how many cores the rest of the machine used on average meanwhile."""
    took, whole, own = (now - then for now, then in zip(_used(), about.pop("began"), strict=True))
    return {**about, "minutes": round(took / 60, 1), "other_cores": round(max(0.0, whole - own) / took, 2)}


def _used() -> tuple[float, float, float]:
    """The clock; processor seconds of all that runs on the machine; those of this process and its children."""
    with open("/proc/stat") as lines:
        user, nice, system, _idle, _wait, *interrupts = map(int, lines.readline().split()[1:8])
    whole = (user + nice + system + sum(interrupts)) / os.sysconf("SC_CLK_TCK")
    return time.monotonic(), whole, sum(os.times()[:4])


def _code() -> str:
    """The commit of this checkout, and whether files of it have been changed since."""
    asked = ["git", "-C", str(ROOT), "describe", "--always", "--dirty", "--abbrev=12"]
    try:
        return subprocess.run(asked, capture_output=True, text=True, check=True).stdout.strip()
    except (OSError, subprocess.CalledProcessError):
        return "no checkout"


def where(about: Mapping[str, Any]) -> list[str]:
    """Machine, versions, tables and date in lines of 80 characters."""
    busy = about["other_cores"] > QUIET
    others = f"{about['other_cores']} cores: a {'BUSY' if busy else 'quiet'} machine"
    lines = [
        f"date       {about['date']}",
        *_filled("command    ", about["command"].split(" "), " "),
        f"tables     {about['tables']}, files {about['tables_digest']}",
        f"code       {about['code']}",
        f"processor  {about['cores']} x {about['processor']}, {about['memory_mb']:,} MB",
        f"took       {about['minutes']} minutes; other work meanwhile took {others}",
        f"Python     {about['python']}",
        *_filled("libraries  ", [f"{name} {number}" for name, number in about["libraries"].items()], ", "),
    ]
    return [line[:WIDTH] for line in lines]


def _filled(head: str, words: Sequence[str], between: str) -> list[str]:
    """The words with what stands between them, in lines of one width."""
    lines, line = [], head + words[0]
    for word in words[1:]:
        if len(line) + len(between) + len(word) + 1 > WIDTH:
            lines.append((line + between).rstrip())
            line = " " * len(head) + word
        else:
            line += between + word
    return [*lines, line]


# --- rows as text


def shown(value: float | None, unit: str = "") -> str:
    """A figure with three digits that count; seconds in the unit that suits them."""
    if value is None:
        return "-"
    if unit == "s":
        for scale, name in ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs")):
            if abs(value) >= scale:
                return f"{_digits(value / scale)} {name}"
        return f"{_digits(value / 1e-6)} µs"
    return f"{_digits(value)} {unit}".rstrip()


def _digits(value: float) -> str:
    if abs(value) >= 1000:
        return f"{value:,.0f}"
    for bound, places in ((100, 0), (10, 1)):
        if abs(value) >= bound:
            return f"{value:.{places}f}"
    return f"{value:.2f}" if abs(value) >= 0.1 or not value else f"{value:.2g}"


def table(rows: Sequence[Row]) -> str:
    """The rows, a group at a time, in 80 columns."""
    lines = []
    for group in dict.fromkeys(row.group for row in rows):
        lines += ["", f"{group[:31]:<31} {'time':>8} {'p95':>8} {'ratio':>7}  budget"]
        for row in rows:
            if row.group == group:
                ratio = f"{shown(row.ratio)}x" if row.ratio is not None else "-"
                lines.append(
                    f" {row.title[:30]:<30} {shown(row.value, row.unit):>8} {shown(row.p95, row.unit):>8} "
                    f"{ratio:>7}  {_judged(row)}".rstrip()
                )
    return "\n".join(lines)


def _judged(row: Row) -> str:
    if row.met is None:
        return ""
    met = "met" if row.met else "NOT MET"
    if row.judged in ("value", "ratio"):
        return f"{row.budget} {met}"
    return f"worst {shown(row.figure, row.unit)} {met}"


def verdict(rows: Sequence[Row]) -> str:
    """How many budgets are met, by group."""
    lines = ["budgets"]
    for group in dict.fromkeys(row.group for row in rows if row.met is not None):
        judged = [row for row in rows if row.group == group and row.met is not None]
        bounds = ", ".join(dict.fromkeys(row.budget for row in judged))
        lines.append(
            f" {group[:31]:<31} {sum(bool(row.met) for row in judged):>2} of {len(judged):>2} met: {bounds}"
        )
    return "\n".join(lines)


def markdown(title: str, about: Mapping[str, Any], body: str) -> str:
    """A block to paste into README.md."""
    return "\n".join([f"### {title}", "", "```text", *where(about), *body.splitlines(), "```"])


def put_into(file: Path, title: str, block: str) -> None:
    """Put a block in the place of the one of the same title. Raises ValueError where there isn't one."""
    text = file.read_text(encoding="utf-8")
    old = re.compile(rf"^### {re.escape(title)}\n\n```text\n.*?\n```$", re.DOTALL | re.MULTILINE)
    if len(old.findall(text)) != 1:
        raise ValueError(
            f"{file} has no block, or several, with the heading '### {title}' to put this one into"
        )
    file.write_text(old.sub(lambda _: block, text), encoding="utf-8")


def published(
    title: str, about: Mapping[str, Any], body: str, *, as_markdown: bool, into: Path | None
) -> None:
    """Print what was found, as a block or plainly, and put the block into a file if one is named."""
    block = markdown(title, about, body)
    print(block if as_markdown else "\n".join([*where(about), body]))
    if into is not None:
        put_into(into, title, block)


def written(target: Path, about: Mapping[str, Any], **found: Any) -> None:
    """The whole run as JSON."""
    target.write_text(
        json.dumps({"about": about, **found}, indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
    )


def as_pyperf(rows: Sequence[Row], target: Path) -> None:
    """The rows that are seconds as a file that `python -m pyperf compare_to` compares with an earlier one."""
    timed = [
        pyperf.Benchmark([pyperf.Run(row.values, metadata={"name": f"{row.group}: {row.title}"})])
        for row in rows
        if row.unit == "s"
    ]
    pyperf.BenchmarkSuite(timed).dump(str(target), replace=True)
