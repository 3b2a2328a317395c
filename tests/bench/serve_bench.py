"""How many answers a second POST /v1/decode gives, beside a bare Flask route that returns as many bytes.

    .venv/bin/python tests/bench/serve_bench.py [--seconds 20] [--clients 200] [--workers 2]

Both routes stand in one process behind one waitress server, set up as `partdate serve` sets it up (log, counts and
request ids included), and are asked in turns, so that whatever else the machine does falls on both. Every question is
another one. Traffic goes to 127.0.0.1 and to nothing else; the run ends by itself. No test depends on its figures.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import json
import os
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent.parent
LONGEST = 120  # seconds that a whole run may ask for
HOST = "127.0.0.1"
BARE, DECODE, BATCH = "/bare", "/v1/decode", "/v1/decode/batch"
BATCH_SIZE = 100  # markings
BATCH_CLIENTS = 8
WARM_UP = 1.0


def questions() -> Iterator[bytes]:
    """Markings of potentiometers of 1946 to 1985, each with an invented maker of its own, so that none comes twice."""
    sources = ("137", "304", "134", "140", "235")
    for n in itertools.count():
        code = f"{sources[n % 5]}-{46 + n // 5 % 40:02d}{1 + n // 200 % 52:02d}"
        yield json.dumps({"marking": code, "part": "potentiometer", "maker": f"Harrow & Vale {n}"}).encode()


def batches() -> Iterator[bytes]:
    """The same questions, a hundred in a body."""
    each = questions()
    while True:
        yield b'{"items":[' + b",".join(itertools.islice(each, BATCH_SIZE)) + b"]}"


def requests_to(path: str) -> Callable[[], bytes]:
    """Makes the bytes of one request after another."""
    bodies = batches() if path == BATCH else questions()
    head = f"POST {path} HTTP/1.1\r\nHost: {HOST}\r\nContent-Type: application/json\r\nContent-Length: "

    def made() -> bytes:
        body = next(bodies)
        return f"{head}{len(body)}\r\n\r\n".encode() + body

    return made


# --- the clients


class Client(asyncio.Protocol):
    """One connection: sends a request, waits for the whole answer, sends the next."""

    def __init__(self, made: Callable[[], bytes], tally: dict[str, Any]) -> None:
        self.made = made
        self.tally = tally
        self.rest = b""
        self.sent_at = 0.0

    def connection_made(self, transport: Any) -> None:
        self.transport = transport
        self.ask()

    def ask(self) -> None:
        self.sent_at = time.perf_counter()
        self.transport.write(self.made())

    def data_received(self, data: bytes) -> None:
        self.rest += data
        end = self.rest.find(b"\r\n\r\n")
        if end < 0:
            return
        at = self.rest.index(b"Content-Length: ") + 16
        size = int(self.rest[at : self.rest.index(b"\r", at)])
        if len(self.rest) < end + 4 + size:
            return
        if self.rest[9:12] != b"200":
            self.tally["failed"] += 1
        self.rest = b""
        self.tally["answered"] += 1
        if self.tally["over"]:
            self.transport.close()
            return
        self.tally["times"].append(time.perf_counter() - self.sent_at)
        self.ask()

    def connection_lost(self, error: Exception | None) -> None:
        if not self.tally["over"]:
            self.tally["failed"] += 1


async def asked(port: int, path: str, clients: int, seconds: float) -> dict[str, Any]:
    """What so many clients get in so many seconds."""
    tally: dict[str, Any] = {"times": [], "failed": 0, "over": False, "answered": 0}
    made = requests_to(path)
    loop = asyncio.get_running_loop()
    for _ in range(clients):
        await loop.create_connection(lambda: Client(made, tally), HOST, port)
    await asyncio.sleep(WARM_UP)
    tally["times"].clear()
    begun, used = time.perf_counter(), time.process_time()
    await asyncio.sleep(seconds)
    took, used = time.perf_counter() - begun, time.process_time() - used
    times = sorted(tally["times"])
    tally["over"] = True
    await asyncio.sleep(0.3)
    return {
        "per_second": len(times) / took,
        "requests": len(times),
        "failed": tally["failed"],
        "answered": tally["answered"],
        "p50_ms": 1000 * times[len(times) // 2],
        "p99_ms": 1000 * times[len(times) * 99 // 100],
        "client_cpu": used / took,
    }


# --- the server


def serve(workers: int, fixed_core: bool) -> None:
    """Serve both routes until SIGTERM, at a free port that is printed."""
    sys.path.insert(0, str(ROOT))
    from flask import Flask, Response

    from decoder.service.serving import Herd, Options, Server, application, bound, stopped_by_signals
    from decoder.tables import Tables

    options = Options(log=True, workers=workers)
    app = application(Tables.open(), HOST, options)
    asker = app.test_client()
    sizes = [
        (len(answer), answer)
        for body in itertools.islice(questions(), 0, 2000, 40)
        for answer in [asker.post(DECODE, data=body, content_type="application/json").data]
    ]
    answer = sorted(sizes)[len(sizes) // 2][1]  # of middling length
    bare = Flask("bare")

    @bare.post(BARE)
    def fixed() -> Response:
        return Response(answer, mimetype="application/json")

    if fixed_core:  # what the service itself takes, whatever a decoding takes
        from decoder import decode
        from decoder.service import api

        always = decode("137-6612", part="potentiometer")
        api.decode_marking = lambda marking, context: always
    whole = app.wsgi_app

    def both(environ: Any, start_response: Any) -> Any:
        return (bare.wsgi_app if environ["PATH_INFO"] == BARE else whole)(environ, start_response)

    app.wsgi_app = both
    sock = bound(HOST, 0)
    print(sock.getsockname()[1], len(answer), flush=True)
    if workers > 1:
        Herd(app, sock, options).watch()
        return
    server = Server(app, sock, options)
    with stopped_by_signals(server):
        server.run()


def resident(pid: int) -> int:
    """Kilobytes of memory that a process holds, its children included."""
    total = 0
    for one in [str(pid), *Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]:
        lines = Path(f"/proc/{one}/status").read_text().splitlines()
        total += next(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))
    return total


def cpu_seconds(pid: int) -> float:
    """Processor time that a process has used so far, its children included."""
    ticks = 0
    for one in [str(pid), *Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]:
        ticks += sum(map(int, Path(f"/proc/{one}/stat").read_text().rpartition(")")[2].split()[11:13]))
    return ticks / os.sysconf("SC_CLK_TCK")


def measured(
    workers: int, clients: int, seconds: float, rounds: int, fixed_core: bool, batch: bool = False
) -> dict[str, Any]:
    """Both routes in turns on a server of so many processes; then batches, by a few of the clients."""
    server = subprocess.Popen(
        [sys.executable, __file__, "--serve", str(workers), *(["--fixed-core"] if fixed_core else [])],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        cwd=ROOT,
    )
    try:
        assert server.stdout is not None
        port, size = map(int, server.stdout.readline().split())
        each = seconds / rounds
        runs: dict[str, list[dict[str, Any]]] = {BARE: [], DECODE: []}
        memory = []
        for _ in range(rounds):
            for path, found in runs.items():
                used = cpu_seconds(server.pid)
                found.append(asyncio.run(asked(port, path, clients, each)))
                found[-1]["cpu_us"] = 1e6 * (cpu_seconds(server.pid) - used) / found[-1]["answered"]
            memory.append(resident(server.pid))
        ratios = [d["per_second"] / b["per_second"] for b, d in zip(runs[BARE], runs[DECODE], strict=True)]
        cpu = {path: statistics.median(r["cpu_us"] for r in found) for path, found in runs.items()}
        more: dict[str, Any] = {}
        if batch:
            many = asyncio.run(asked(port, BATCH, min(clients, BATCH_CLIENTS), seconds))
            runs[BATCH] = [many]
            more = {"batch_markings_per_second": round(BATCH_SIZE * many["per_second"])}
        return {
            "workers": workers,
            "fixed_core": fixed_core,
            "clients": clients,
            "answer_bytes": size,
            "bare_per_second": round(statistics.median(r["per_second"] for r in runs[BARE])),
            "decode_per_second": round(statistics.median(r["per_second"] for r in runs[DECODE])),
            "ratio": round(statistics.median(ratios), 3),
            "ratios": [round(ratio, 3) for ratio in ratios],
            # Steadier than the throughput where other programs use the machine too.
            "bare_cpu_us": round(cpu[BARE]),
            "decode_cpu_us": round(cpu[DECODE]),
            "cpu_ratio": round(cpu[BARE] / cpu[DECODE], 3),
            "decode_p50_ms": round(statistics.median(r["p50_ms"] for r in runs[DECODE]), 1),
            "decode_p99_ms": round(max(r["p99_ms"] for r in runs[DECODE]), 1),
            "requests": sum(r["requests"] for found in runs.values() for r in found),
            "failed": sum(r["failed"] for found in runs.values() for r in found),
            "client_cpu": round(max(r["client_cpu"] for found in runs.values() for r in found), 2),
            "memory_kb_by_round": memory,
            "load_average": round(os.getloadavg()[0], 1),
            **more,
        }
    finally:
        server.send_signal(signal.SIGTERM)
        try:
            server.wait(timeout=40)
        except subprocess.TimeoutExpired:
            server.kill()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=20.0, help="for each route")
    parser.add_argument("--clients", type=int, default=200)
    parser.add_argument("--rounds", type=int, default=4)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument(
        "--fixed-core", action="store_true", help="with a core that gives one decoding at no cost"
    )
    parser.add_argument("--serve", type=int, metavar="WORKERS", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve:
        serve(options.serve, options.fixed_core)
        return
    seconds = min(options.seconds, LONGEST / 2)
    clients = min(options.clients, 900)
    found = measured(options.workers, clients, seconds, options.rounds, options.fixed_core)
    print(json.dumps(found, indent=2))
    met = "met" if found["ratio"] >= 0.7 else "not met"
    print(f"POST /v1/decode gives {found['ratio']:.0%} of the bare route; the budget of 70% is {met}.")


if __name__ == "__main__":
    main()
