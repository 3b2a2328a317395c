"""Timing in this process: passes over corpora, each beside a pass of the reference, so that noise falls on both.

Means are of processor time, which other programs on the machine change least; single calls are timed by the clock.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from time import perf_counter, process_time, thread_time
from typing import Any, NamedTuple

Work = Callable[[Any], Any]


class Pass(NamedTuple):
    """Every item once: seconds of processor time of a call on average, and seconds of each by the clock."""

    mean: float
    calls: list[float]


@dataclass(slots=True)
class Timed:
    """What the passes of one row took: the mean of each pass, all calls, and each mean over that of the reference."""

    means: list[float] = field(default_factory=list)
    calls: list[float] = field(default_factory=list)
    ratios: list[float] = field(default_factory=list)


def percentile(values: Sequence[float], share: float) -> float:
    """The value that this share of the values does not exceed, by nearest rank."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def one_pass(work: Work, items: Sequence[Any]) -> Pass:
    """Call with each item once. The readings of the clock are in it: about 0.15 µs a call."""
    calls = []
    used = process_time()
    for item in items:
        began = perf_counter()
        work(item)
        calls.append(perf_counter() - began)
    used = process_time() - used
    return Pass(used / len(items), calls)


def part_of(items: Sequence[Any], size: int, number: int) -> Sequence[Any]:
    """Part `number` of the items, each of `size`; from the start again where they are at their end."""
    whole = max(1, len(items) // size)
    begin = number % whole * size
    return items[begin : begin + size]


def timed(
    work: Work,
    corpora: Sequence[Sequence[Any]],
    reference: Work | None = None,
    dates: Sequence[Any] = (),
) -> Timed:
    """One pass for each corpus, after one of the reference over its own items."""
    made = Timed()
    for items in corpora:
        beside = one_pass(reference, dates).mean if reference is not None else None
        found = one_pass(work, items)
        made.calls += found.calls
        made.means.append(found.mean)
        if beside is not None:
            made.ratios.append(found.mean / beside)
    return made


def slowest(work: Work, items: Sequence[Any]) -> float:
    """Seconds of processor time of the slowest item, each called once and never before, without garbage collection.

    What a collection takes is no item's own, and what an item takes the second time is no measure of the first.
    """
    worst = 0.0
    gc.collect()
    gc.disable()
    try:
        for item in items:
            began = thread_time()
            work(item)
            worst = max(worst, thread_time() - began)
    finally:
        gc.enable()
    return worst
