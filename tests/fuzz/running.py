"""A run: so many inputs for one parser, over several processes, with a corpus that keeps what shows something new.

New is told by a signature of the answer (each target says of what), not by coverage: watching lines costs more than
decoding. A refusal shows the class of the error and the beginning of its message.
"""

from __future__ import annotations

import gc
import hashlib
import multiprocessing
import os
import queue
import signal
import time
import traceback
from collections import Counter
from collections.abc import Callable, Hashable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from random import Random
from types import FrameType
from typing import Any, ClassVar, NamedTuple, Protocol

from dateutil.parser import parse

CORPUS = 20_000  # inputs that a process keeps; beyond that a new one takes the place of any
FROM_CORPUS = 0.5  # the share of inputs that are mutations of kept ones
JSON_EVERY = 8  # of the answers that show nothing new, one in so many is written out as JSON
ENDLESS = 20.0  # seconds of processor time after which an input counts as endless
WORST = 10
KEPT_SLOW = 60  # inputs over the budget that a process puts forward to be timed again
KEPT_FAULTS = 40
TIMED_AGAIN = 3
PARSES = 100  # that a slow input is held against
TELLING = 2.0  # seconds between two words of progress
WARMING = 300  # inputs that a process which times again is warmed with
REDUCING = 400  # attempts at making a faulty input smaller


class Target(Protocol):
    """A parser under test: how its inputs are drawn and changed, how it is asked, and what must hold of it."""

    name: ClassVar[str]
    refusals: ClassVar[tuple[type[Exception], ...]]
    budget: ClassVar[float | None]

    def draw(self, rng: Random) -> Any: ...
    def mutate(self, asked: Any, other: Any, rng: Random) -> Any: ...
    def ask(self, asked: Any) -> Any: ...
    def signature(self, asked: Any, found: Any) -> Hashable: ...
    def faults(self, asked: Any, found: Any, written: bool) -> Iterator[str]: ...
    def error_faults(self, asked: Any, error: Exception) -> Iterator[str]: ...
    def reduced(self, asked: Any) -> Iterator[Any]: ...
    def shown(self, found: Any) -> str: ...


class Endless(BaseException):
    """An input that went on using the processor."""


@dataclass(slots=True)
class Found:
    """What one process saw."""

    inputs: int = 0
    answers: int = 0
    refusals: Counter[str] = field(default_factory=Counter)
    signatures: int = 0
    corpus: int = 0
    faults: list[tuple[str, Any]] = field(default_factory=list)
    faulty: Counter[str] = field(default_factory=Counter)
    slow: list[tuple[float, Any]] = field(default_factory=list)
    over: int = 0
    spent: float = 0.0  # processor seconds in the parser alone
    drawing: float = 0.0  # processor seconds for everything else
    digest: str = ""


def run(
    target: Target,
    count: int,
    seed: str,
    tell: Callable[[int], None] = lambda done: None,
    enough: Callable[[], bool] = lambda: False,
) -> Found:
    """`count` inputs from one seed, fewer when that is enough; the same on every machine with the same tables."""
    rng = Random(seed)
    random = rng.random
    found = Found()
    corpus: list[Any] = []
    known: set[int] = set()  # of hashes: a long run meets a great many signatures
    clock = time.thread_time
    budget = target.budget
    told = time.monotonic()
    began = clock()
    for number in range(count):
        if corpus and random() < FROM_CORPUS:
            one, other = corpus[int(random() * len(corpus))], corpus[int(random() * len(corpus))]
            asked = target.mutate(one, other, rng)
        else:
            asked = target.draw(rng)
        shown, told_faults, spent = _asked(target, asked, number, known, found, clock)
        found.spent += spent
        if budget is not None and spent > budget:
            found.over += 1
            found.slow.append((spent, asked))
            if len(found.slow) > 2 * KEPT_SLOW:
                found.slow = _slowest(found.slow, KEPT_SLOW)
        elif budget is not None and len(found.slow) < WORST:
            found.slow.append((spent, asked))
        for fault in told_faults:
            found.faulty[fault] += 1
            if found.faulty[fault] == 1 and len(found.faults) < KEPT_FAULTS:
                found.faults.append((fault, asked))
        if shown not in known:
            known.add(shown)
            if len(corpus) < CORPUS:
                corpus.append(asked)
            else:
                corpus[int(random() * CORPUS)] = asked
        found.inputs += 1
        if not number % 64 and time.monotonic() - told > TELLING:
            told = time.monotonic()
            tell(found.inputs)
            if enough():
                break
    found.signatures, found.corpus = len(known), len(corpus)
    found.drawing = clock() - began - found.spent
    found.slow = _slowest(found.slow, KEPT_SLOW)
    found.digest = hashlib.sha256(repr(rng.getstate()).encode()).hexdigest()[:12]
    return found


def _asked(
    target: Target, asked: Any, number: int, known: set[int], found: Found, clock: Callable[[], float]
) -> tuple[int, list[str], float]:
    """What the answer shows (the hash of its signature), its faults, and the processor seconds that it took."""
    began = clock()
    try:
        answer = target.ask(asked)
    except target.refusals as error:
        spent = clock() - began
        kind = type(error).__name__
        found.refusals[kind] += 1
        shown = hash((kind, _begin(str(error))))
        looked_at = shown not in known or not number % JSON_EVERY
        return shown, list(target.error_faults(asked, error)) if looked_at else [], spent
    except (Exception, Endless) as error:
        return hash(_raised(error)), [_raised(error)], clock() - began
    spent = clock() - began
    found.answers += 1
    try:
        shown = hash(target.signature(asked, answer))
        written = shown not in known or not number % JSON_EVERY
        return shown, list(target.faults(asked, answer, written)), spent
    except Exception as error:
        return hash(_raised(error)), [f"while writing the answer: {_raised(error)}"], spent


def _begin(said: str) -> str:
    """The beginning of a message, without what it quotes and counts."""
    return "".join(c for c in said[:48] if c.isalpha() or c == " ")[:24]


def _raised(error: BaseException) -> str:
    """The class of an error and where it was raised, the same for every input that raises it there."""
    place = ""
    trace = error.__traceback__
    while trace is not None:
        file = trace.tb_frame.f_code.co_filename
        if f"{os.sep}decoder{os.sep}" in file:
            place = f" at decoder/{file.rpartition(f'{os.sep}decoder{os.sep}')[2]}:{trace.tb_lineno}"
        trace = trace.tb_next
    return f"{type(error).__name__}{place}" if place else f"{type(error).__name__}: {ascii(str(error))[:80]}"


def _slowest(slow: list[tuple[float, Any]], count: int) -> list[tuple[float, Any]]:
    return sorted(slow, key=lambda pair: -pair[0])[:count]


def guarded() -> None:
    """Raise Endless in this process whenever ENDLESS seconds of its time pass without `breathe`."""

    def stop(signum: int, frame: FrameType | None) -> None:
        raise Endless(f"more than {ENDLESS:g} s of processor time")

    signal.signal(signal.SIGVTALRM, stop)


class Guarded:
    """A target whose questions are broken off when they are endless."""

    def __init__(self, target: Target) -> None:
        self.target = target
        for name in (
            "draw",
            "mutate",
            "signature",
            "faults",
            "error_faults",
            "reduced",
            "shown",
            "name",
            "budget",
        ):
            setattr(self, name, getattr(target, name))
        self.refusals = target.refusals
        guarded()

    def ask(self, asked: Any) -> Any:
        signal.setitimer(signal.ITIMER_VIRTUAL, ENDLESS)
        try:
            return self.target.ask(asked)
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)


# --- several processes


def over(
    make: Callable[[], Target], count: int, processes: int, seed: int, progress: Callable[[int, float], None]
) -> list[Found]:
    """The same run over so many processes, each with its own seed. Tables are read once, before the processes part.

    An interrupt (Ctrl-C) ends it early: what was seen until then is given.
    """
    target = make()
    gc.freeze()
    context = multiprocessing.get_context("fork")
    said: Any = context.Queue()
    enough = context.Event()
    shares = [count // processes + (place < count % processes) for place in range(processes)]
    workers = [
        context.Process(target=_work, args=(target, share, f"{seed}/{place}", place, said, enough.is_set))
        for place, share in enumerate(shares)
    ]
    for worker in workers:
        worker.start()
    before = signal.signal(signal.SIGINT, lambda signum, frame: enough.set())
    try:
        return _collected(workers, said, progress)
    finally:
        signal.signal(signal.SIGINT, before)


def _collected(workers: list[Any], said: Any, progress: Callable[[int, float], None]) -> list[Found]:
    processes = len(workers)
    done = [0] * processes
    results: list[Found | None] = [None] * processes
    began = time.monotonic()
    while None in results:
        try:
            place, news = said.get(timeout=5)
        except queue.Empty:
            for at, worker in enumerate(workers):
                if results[at] is None and not worker.is_alive():
                    said_of = f"process {at} of the run ended with code {worker.exitcode} and no result"
                    raise RuntimeError(f"{said_of} after {done[at]:,} inputs") from None
            continue
        if isinstance(news, str):
            raise RuntimeError(f"process {place} of the run failed after {done[place]:,} inputs:\n{news}")
        if isinstance(news, Found):
            results[place], done[place] = news, news.inputs
        else:
            done[place] = news
        progress(sum(done), time.monotonic() - began)
    for worker in workers:
        worker.join()
    return [one for one in results if one is not None]


def _work(target: Target, count: int, seed: str, place: int, said: Any, enough: Callable[[], bool]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process is told, and says when it is enough
    try:
        said.put((place, run(Guarded(target), count, seed, lambda done: said.put((place, done)), enough)))
    except BaseException:  # a fault of the run itself, not of what it asks
        said.put((place, traceback.format_exc()))


class Again(NamedTuple):
    """A slow input, timed again."""

    seconds: float
    parses: float  # of "1966-03-21" by dateutil that take as long
    asked: Any


def timed_again(target: Target, slow: list[tuple[float, Any]], seed: int) -> list[Again]:
    """The slow inputs with the least of three times, each in a process of its own that has not met the input.

    Other load on the machine, a cold table and the collector count for nothing then, and a remembered answer doesn't
    flatter. Beside the seconds stands how many plain dates dateutil parses in that time, in the same process: it says
    of the program what seconds say of the machine as well.
    """
    again = [Again(*_least(target, asked, seed), asked) for _, asked in slow]
    return sorted(again, key=lambda one: -one.seconds)


def _least(target: Target, asked: Any, seed: int) -> tuple[float, float]:
    return min(_apart(partial(_time, target, asked, f"{seed}/warm/{turn}")) for turn in range(TIMED_AGAIN))


def _time(target: Target, asked: Any, seed: str) -> tuple[float, float]:
    run(target, WARMING, seed)
    gc.collect()
    began = time.thread_time()
    with suppress(Exception):  # what is raised was told before; here only the time matters
        target.ask(asked)
    spent = time.thread_time() - began
    began = time.thread_time()
    for _ in range(PARSES):
        parse("1966-03-21")
    return spent, spent * PARSES / (time.thread_time() - began)


def _apart(work: Callable[[], Any]) -> Any:
    """What a function gives in a fork of this process."""
    receiver, sender = multiprocessing.get_context("fork").Pipe(duplex=False)
    child = os.fork()
    if child == 0:
        try:
            sender.send(work())
        finally:
            os._exit(0)
    sender.close()
    try:
        return receiver.recv()
    finally:
        os.waitpid(child, 0)


def smallest(target: Target, asked: Any, fault: str) -> Any:
    """A smaller input with the same fault."""
    attempts = 0
    shrunk = True
    while shrunk and attempts < REDUCING:
        shrunk = False
        for smaller in target.reduced(asked):
            attempts += 1
            if attempts > REDUCING:
                break
            if fault in faults_of(target, smaller):
                asked, shrunk = smaller, True
                break
    return asked


def faults_of(target: Target, asked: Any) -> list[str]:
    """Every fault of one input."""
    return _asked(target, asked, 0, set(), Found(), time.thread_time)[1]
