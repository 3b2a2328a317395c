"""A real server under mixed load for a long time: errors, wrong answers, times, and whether its memory grows.

    python -m tests.bench.soak --minutes 30 -o soak.json --figure tests/bench/figures/soak.svg
    python -m tests.bench.soak --minutes 30 --markdown              as a block for tests/bench/README.md
    python -m tests.bench.soak --minutes 30 --into tests/bench/README.md        and put it there
    python -m tests.bench.soak --minutes 2 --no-casebook            without the sheets of a casebook

`partdate serve` runs on 127.0.0.1 with a casebook in a temporary file; a handful of client processes ask for pages,
decodings, checks, batches, streams and sheets at a steady rate. Every answer is held against the one that the package
gives in the client. A 5xx, a 4xx that was not meant, a wrong answer and a broken connection are errors. The exit code
is 1 after any.
"""

from __future__ import annotations

import argparse
import html
import json
import multiprocessing
import queue
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from random import Random
from typing import Any

from tests.bench import corpora, record
from tests.bench.figure import Axis, Line, svg
from tests.bench.passes import percentile
from tests.bench.serve_bench import resident
from tests.bench.suite import command, environment

HOST = "127.0.0.1"
BATCH, STREAM = 50, 100  # markings
SAMPLE = 2.0  # seconds between two looks at the server's memory
WARM_UP = 600.0  # seconds until what a server remembers is at its bounds
OWN_SHEETS = 200  # that a client remembers
SHAPES = (*corpora.KIND_GIVEN, *corpora.NOTHING_GIVEN[:1], *corpora.NEAR_MISSES[:1], *corpora.WORN[2:5])
# What is asked, and how many times in a hundred; the sheets are left out without a casebook.
MIX = (
    ("decode", 40), ("page", 12), ("page-decode", 8), ("check", 8), ("page-check", 4), ("batch", 4), ("stream", 2),
    ("create", 4), ("read", 8), ("change", 4), ("stale", 1), ("list", 5),
)  # fmt: skip
MAKER = "Harrow & Vale"  # invented
OF_SHEETS = frozenset(("create", "read", "change", "stale", "list"))


class Wrong(Exception):
    """An answer that is not what it should be; says of what, and how."""


@dataclass(frozen=True, slots=True)
class Answered:
    """One request: when it was answered, in seconds since the start, what it was, how long it took, what was wrong."""

    at: float
    kind: str
    took: float
    error: str = ""


# --- a client


@dataclass(slots=True)
class Client:
    """Asks, times and judges. `ask` sends one request and gives its answer, and is timed."""

    address: str
    rng: Random
    session: Any
    own: dict[str, tuple[str, int, str]] = field(default_factory=dict)  # id: ETag, version, claim
    took: float = 0.0

    def ask(self, method: str, path: str, expected: int = 200, **more: Any) -> Any:
        began = time.perf_counter()
        response = self.session.request(method, self.address + path, timeout=60, **more)
        self.took = time.perf_counter() - began
        if response.status_code != expected:
            raise Wrong(f"status {response.status_code} for {expected}: {response.text[:160]}")
        return response

    def question(self) -> tuple[dict[str, str], Callable[[], Any]]:
        """A marking as it is sent, and what should come back."""
        from decoder import decode

        shape = self.rng.choice(SHAPES)
        sent = {"marking": shape.draw(self.rng), **shape.given}

        def answer() -> Any:
            return decode(**sent, today=date.today()).as_dict()

        return sent, answer

    def sheet(self) -> dict[str, Any]:
        parts = self.rng.choice((4, 8, 12, 24))
        return corpora.sheet(self.rng, parts, estimate=self.rng.random() < 0.7)

    def decode(self) -> None:
        sent, answer = self.question()
        same(self.ask("POST", "v1/decode", json=sent).json(), answer, "decoding")

    def page(self) -> None:
        path = self.rng.choice(("", "check", "?lang=de", "check?lang=de", "reads"))
        text = self.ask("GET", path).text
        if "</html>" not in text:
            raise Wrong(f"the page /{path} is no whole page")

    def page_decode(self) -> None:
        sent, answer = self.question()
        text = self.ask("GET", "", params=sent).text
        if html.escape(sent["marking"]) not in text and sent["marking"] not in html.unescape(text):
            raise Wrong(f"the page doesn't show {sent['marking']!r}")
        for reading in answer()["readings"][:1]:
            if reading["title"] not in html.unescape(text):
                raise Wrong(f"the page of {sent['marking']!r} doesn't show {reading['title']!r}")

    def check(self) -> None:
        sheet = self.sheet()
        same(self.ask("POST", "v1/check", json=sheet).json(), lambda: assessed(sheet), "assessment")

    def page_check(self) -> None:
        sheet = self.sheet()
        rows = [part for part in sheet["parts"] if "marking" in part]
        form = {**sheet["instrument"], "do": "check"}
        for n, part in enumerate(rows):
            form |= {f"p{n}-{name}": part[name] for name in ("id", "part", "marking")}
        text = html.unescape(self.ask("POST", "check", data=form).text)
        outcome = assessed({"instrument": sheet["instrument"], "parts": rows})["outcome"]
        if f'class="outcome v-{outcome}"' not in text:
            raise Wrong(f"the page of a sheet that is {outcome} doesn't say so")

    def batch(self) -> None:
        asked = [self.question() for _ in range(BATCH)]
        found = self.ask("POST", "v1/decode/batch", json={"items": [sent for sent, _ in asked]}).json()[
            "items"
        ]
        self.judge_all(asked, [item.get("decoding") for item in found])

    def stream(self) -> None:
        asked = [self.question() for _ in range(STREAM)]
        body = "".join(json.dumps(sent) + "\n" for sent, _ in asked)
        headers = {"Content-Type": "application/x-ndjson"}
        text = self.ask("POST", "v1/decode/stream", data=body.encode(), headers=headers).text
        self.judge_all(asked, [json.loads(line).get("decoding") for line in text.splitlines()])

    def judge_all(self, asked: Sequence[tuple[Any, Callable[[], Any]]], found: Sequence[Any]) -> None:
        if len(found) != len(asked):
            raise Wrong(f"{len(asked)} were asked, {len(found)} answered")
        for (_, answer), decoding in zip(asked, found, strict=True):
            same(decoding, answer, "decoding in many")

    # --- sheets

    def create(self) -> None:
        sheet = self.sheet()
        made = self.ask("POST", "v1/sheets", 201, json=sheet).json()
        expected = assessed(sheet)["outcome"]
        if made["version"] != 1 or made["assessment"]["outcome"] != expected:
            raise Wrong(f"a new sheet has version {made['version']}, {made['assessment']['outcome']}")
        self.remember(made, sheet)

    def remember(self, made: dict[str, Any], sheet: dict[str, Any]) -> None:
        self.own[made["id"]] = (made["etag"], made["version"], sheet["instrument"]["claim"])
        if len(self.own) > OWN_SHEETS:
            del self.own[next(iter(self.own))]

    def one_of_own(self) -> str | None:
        return self.rng.choice(list(self.own)) if self.own else None

    def read(self) -> None:
        name = self.one_of_own()
        if name is None:
            return self.create()
        found = self.ask("GET", f"v1/sheets/{name}").json()
        etag, version, claim = self.own[name]
        kept = found["sheet"]["instrument"]["claim"]
        if (found["etag"], found["version"], kept) != (etag, version, claim):
            raise Wrong(
                f"sheet {name} is at version {found['version']}, claim {kept}: not {version}, {claim}"
            )

    def change(self) -> None:
        name = self.one_of_own()
        if name is None:
            return self.create()
        sheet, (etag, version, _) = self.sheet(), self.own[name]
        made = self.ask("PUT", f"v1/sheets/{name}", json=sheet, headers={"If-Match": f'"{etag}"'}).json()
        if made["version"] != version + 1:
            raise Wrong(f"sheet {name} went from version {version} to {made['version']}")
        self.remember(made, sheet)

    def stale(self) -> None:
        """A change over a version that nobody has seen: refused, and nothing is saved."""
        name = self.one_of_own()
        if name is None:
            return self.create()
        self.ask("PUT", f"v1/sheets/{name}", 412, json=self.sheet(), headers={"If-Match": '"long-gone"'})

    def list(self) -> None:
        asked = {"limit": 20, "maker": MAKER}
        found = self.ask("GET", "v1/sheets", params=asked).json()["sheets"]
        if self.own and not found:
            raise Wrong("the list is empty, and there are sheets")
        for one in found:
            version = self.own.get(one["id"], ("", one["version"], ""))[1]
            if one["maker"] != MAKER or one["version"] != version:
                raise Wrong(f"the list has {one['maker']}, version {one['version']}: not {MAKER}, {version}")


def assessed(sheet: dict[str, Any]) -> Any:
    from decoder import check

    return check(sheet, today=date.today()).as_dict()


def same(found: Any, answer: Callable[[], Any], what: str) -> None:
    """Raises Wrong where the answer is another one than the package gives here, on this day."""
    day = date.today()
    expected = json.loads(json.dumps(answer()))
    if found != expected and date.today() == day:
        raise Wrong(f"another {what}: {json.dumps(found)[:120]} for {json.dumps(expected)[:120]}")


def act(client: Client, kind: str) -> None:
    getattr(client, kind.replace("-", "_"))()


def run_client(
    number: int, address: str, every: float, ends: float, begun: float, casebook: bool, tell: Any
) -> None:
    """One client process: a request every so many seconds until the end, on the clock of time.monotonic."""
    import requests

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent ends the run
    client = Client(address, Random(f"soak {number}"), requests.Session())
    kinds = [(kind, share) for kind, share in MIX if casebook or kind not in OF_SHEETS]
    names, shares = [kind for kind, _ in kinds], [share for _, share in kinds]
    due = time.monotonic() + every * client.rng.random()
    while due < ends:
        time.sleep(max(0.0, due - time.monotonic()))
        kind = client.rng.choices(names, shares)[0]
        client.took, error = 0.0, ""
        try:
            act(client, kind)
        except Wrong as wrong:
            error = f"{kind}: {wrong}"
        except (requests.RequestException, ValueError, KeyError, TypeError) as broken:
            error = f"{kind}: {type(broken).__name__}: {str(broken)[:160]}"
        tell.put(Answered(time.monotonic() - begun, kind, client.took, error))
        due = max(
            due + every, time.monotonic() - 10 * every
        )  # what is late is caught up with, but not for ever
    tell.put(None)


# --- the server


@contextmanager
def server(folder: Path, casebook: bool) -> Iterator[tuple[str, subprocess.Popen[str], Path]]:
    """A served address, its process and the file of its complaints; stopped as an operator stops it."""
    asked = [command(), "serve", "--port", "0", "--log", "errors"]
    if casebook:
        asked += ["--casebook", str(folder / "soak.sqlite")]
    complaints = folder / "errors.txt"
    around = {k: v for k, v in environment().items() if k not in ("PARTDATE_TABLES", "PARTDATE_CASEBOOK")}
    with complaints.open("w", encoding="utf-8") as errors:
        process = subprocess.Popen(asked, stdout=subprocess.PIPE, stderr=errors, text=True, env=around)
        try:
            assert process.stdout is not None
            line = process.stdout.readline()
            address = next((word for word in line.split() if word.startswith("http://")), None)
            if address is None:
                process.wait(timeout=10)
                raise SystemExit(
                    f"the server did not start: {line}{complaints.read_text(encoding='utf-8')[:500]}"
                )
            yield address, process, complaints
        finally:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(timeout=60)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            if process.stdout is not None:
                process.stdout.close()


def keeps_sheets() -> bool:
    """Whether `partdate serve` can be given a casebook."""
    said = subprocess.run([command(), "serve", "--help"], capture_output=True, text=True, env=environment())
    return "--casebook" in said.stdout


# --- the run


@dataclass(frozen=True, slots=True)
class Plan:
    """How long, by how many clients, how many requests a second in all, and how long a line of the report speaks of."""

    seconds: float = 1_800.0
    clients: int = 4
    rate: float = 30.0
    window: float = 60.0
    casebook: bool = True


def soaked(plan: Plan, show: Callable[[str], None] = print) -> dict[str, Any]:
    """The whole run: a row for each window, and what is told at the end."""
    answers: list[Answered] = []
    memory: list[tuple[float, float]] = []
    windows: list[dict[str, Any]] = []
    with (
        tempfile.TemporaryDirectory() as name,
        server(Path(name), plan.casebook) as (
            address,
            process,
            complaints,
        ),
    ):
        context = multiprocessing.get_context("spawn")
        tell = context.Queue()
        begun = time.monotonic()
        ends = begun + plan.seconds
        clients = [
            context.Process(
                target=run_client,
                args=(n, address, plan.clients / plan.rate, ends, begun, plan.casebook, tell),
                daemon=True,
            )
            for n in range(plan.clients)
        ]
        for client in clients:
            client.start()
        at_work, next_look, next_row = len(clients), begun, begun + plan.window
        show(HEAD)
        while at_work:
            try:
                found = tell.get(timeout=0.25)
            except queue.Empty:
                at_work = at_work if any(client.is_alive() for client in clients) else 0
            else:
                if found is None:
                    at_work -= 1
                else:
                    answers.append(found)
            now = time.monotonic()
            if now >= next_look and process.poll() is None:
                memory.append((now - begun, resident(process.pid) / 1024))
                next_look = now + SAMPLE
            since = windows[-1]["until"] if windows else 0.0
            if now >= next_row or (not at_work and now - begun > since + plan.window / 2):
                windows.append(window_of(answers, memory, since, now - begun))
                show(line_of(windows[-1]))
                next_row += plan.window
        died = process.poll() is not None
        wanted = len(clients) - sum(client.exitcode == 0 for client in joined(clients))
        complained = complaints.read_text(encoding="utf-8")
    if process.returncode and not died:
        complained += f"the server ended with exit code {process.returncode} when it was told to stop\n"
    return {
        "windows": windows,
        "memory": memory,
        **summary(answers, memory, plan),
        "server_died": died,
        "clients_died": wanted,
        "complaints": complained[:2_000],
    }


def joined(clients: Sequence[Any]) -> Sequence[Any]:
    for client in clients:
        client.join(timeout=30)
    return clients


def window_of(
    answers: Sequence[Answered], memory: Sequence[tuple[float, float]], since: float, until: float
) -> dict[str, Any]:
    """What came between two moments."""
    here = [one for one in answers if since <= one.at < until]
    times = [one.took for one in here if one.took] or [0.0]
    return {
        "until": until,
        "requests": len(here),
        "errors": sum(bool(one.error) for one in here),
        "p50": percentile(times, 0.5),
        "p99": percentile(times, 0.99),
        "memory_mb": memory[-1][1] if memory else 0.0,
    }


HEAD = f"{'until':>9} {'requests':>9} {'errors':>7} {'p50':>9} {'p99':>9} {'memory':>10}"


def line_of(window: dict[str, Any]) -> str:
    return (
        f"{window['until'] / 60:>7.1f} m {window['requests']:>9,} {window['errors']:>7} "
        f"{record.shown(window['p50'], 's'):>9} {record.shown(window['p99'], 's'):>9} {window['memory_mb']:>7.1f} MB"
    )


def slope(memory: Sequence[tuple[float, float]]) -> float | None:
    """Megabytes an hour by least squares over the last two thirds of the time; None for too few looks."""
    settled = [(at / 3600, held) for at, held in memory if at >= memory[-1][0] / 3] if memory else []
    if len({at for at, _ in settled}) < 2:
        return None
    return statistics.linear_regression([at for at, _ in settled], [held for _, held in settled]).slope


def summary(answers: Sequence[Answered], memory: Sequence[tuple[float, float]], plan: Plan) -> dict[str, Any]:
    thirds = [
        [a.took for a in answers if a.took and n * plan.seconds / 3 <= a.at < (n + 1) * plan.seconds / 3]
        for n in (0, 2)
    ]
    errors = [one.error for one in answers if one.error]
    kinds = {}
    for kind in sorted({one.kind for one in answers}):
        times = [one.took for one in answers if one.kind == kind and one.took] or [0.0]
        kinds[kind] = {"requests": len(times), "p50": percentile(times, 0.5), "p99": percentile(times, 0.99)}
    return {
        "seconds": plan.seconds,
        "clients": plan.clients,
        "rate_wanted": plan.rate,
        "rate": len(answers) / plan.seconds,
        "casebook": plan.casebook,
        "requests": len(answers),
        "errors": len(errors),
        "errors_by_kind": dict(Counter(error.partition(":")[0] for error in errors)),
        "error_examples": list(dict.fromkeys(errors))[:10],
        "memory_mb_an_hour": slope(memory),
        "p99_first_third": percentile(thirds[0] or [0.0], 0.99),
        "p99_last_third": percentile(thirds[1] or [0.0], 0.99),
        "kinds": kinds,
    }


def told(found: dict[str, Any]) -> str:
    """The end of a run in words."""
    grows = found["memory_mb_an_hour"]
    early = "; the server was still warming up" if found["seconds"] < WARM_UP else ""
    lines = [
        f"requests   {found['requests']:,}, {found['rate']:.1f} a second of {found['rate_wanted']:g} wanted, "
        f"{found['clients']} clients",
        f"errors     {found['errors']}",
        *(f"             {example[:66]}" for example in found["error_examples"]),
        "memory     " + ("too short to tell" if grows is None else f"{grows:+.1f} MB an hour{early}"),
        f"p99        {record.shown(found['p99_first_third'], 's')} in the first third, "
        f"{record.shown(found['p99_last_third'], 's')} in the last",
        "",
        f"{'asked':<14} {'requests':>9} {'p50':>9} {'p99':>9}",
    ]
    for kind, each in found["kinds"].items():
        lines.append(
            f"{kind:<14} {each['requests']:>9,} {record.shown(each['p50'], 's'):>9} "
            f"{record.shown(each['p99'], 's'):>9}"
        )
    if not found["casebook"]:
        lines.append("sheets of a casebook were left out")
    if found["server_died"]:
        lines.append("THE SERVER DIED")
    if found["clients_died"]:
        lines.append(f"{found['clients_died']} CLIENTS DIED")
    if found["complaints"]:
        lines += ["the server wrote:", *(f"  {line[:76]}" for line in found["complaints"].splitlines()[:10])]
    return "\n".join(lines)


def plot(found: dict[str, Any]) -> str:
    """The server's memory over the run."""
    points = [(at / 60, held) for at, held in found["memory"]]
    every = max(1, len(points) // 60)
    return svg(
        "Memory of the server under mixed load",
        Axis("minutes"),
        Axis("resident memory, MB"),
        [Line("server", points[::every])],
    )


def failed(found: dict[str, Any]) -> bool:
    return bool(found["errors"] or found["server_died"] or found["clients_died"])


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.soak",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--clients", type=int, default=4)
    parser.add_argument("--rate", type=float, default=30.0, help="requests a second in all")
    parser.add_argument("--no-casebook", action="store_true", help="leave the sheets out")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="write JSON there")
    parser.add_argument("--figure", type=Path, metavar="FILE", help="write the plot of the memory there")
    parser.add_argument("--markdown", action="store_true", help="print a block for README.md")
    parser.add_argument(
        "--into", type=Path, metavar="FILE", help="put that block in place of the one in FILE"
    )
    given = parser.parse_args(arguments)
    casebook = not given.no_casebook
    if casebook and not keeps_sheets():
        print("partdate serve takes no --casebook here: the sheets are left out", file=sys.stderr)
        casebook = False
    plan = Plan(given.minutes * 60, given.clients, given.rate, casebook=casebook)
    about = record.surroundings(" ".join(["python -m tests.bench.soak", *(arguments or sys.argv[1:])]))
    lines: list[str] = []

    def show(line: str) -> None:
        lines.append(line)
        print(line, file=sys.stderr, flush=True)

    found = soaked(plan, show)
    about = record.finished(about)
    body = "\n".join(["", *lines, "", told(found)])
    record.published("Under load", about, body, as_markdown=given.markdown, into=given.into)
    if given.output:
        record.written(given.output, about, **found)
    if given.figure:
        given.figure.write_text(plot(found), encoding="utf-8")
    return 1 if failed(found) else 0


if __name__ == "__main__":
    sys.exit(main())
