"""Serves the application with waitress on one machine: one process, or several that share a socket.

Stopping loses no answer: what has arrived is answered, each answer says that its connection closes, and streams that
can't end in time end with a line that says where to go on. The tables are read again on SIGHUP; new ones that are at
fault are refused with every fault in the log, and the old ones stay in force.

waitress takes in the whole body of a request before it passes it on: up to half a megabyte in memory, the rest in a
temporary file. So a stream of markings is answered once its last byte has come, at constant memory but not at
constant disk; `stream_limit` bounds that, and who shows no token can send no more than stays in memory.
"""

from __future__ import annotations

import copy
import gc
import ipaddress
import logging
import os
import re
import shutil
import signal
import socket
import struct
import sys
import tempfile
import threading
import time
from array import array
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click
from flask import Flask
from waitress import wasyncore  # type: ignore[import-untyped]
from waitress.channel import HTTPChannel  # type: ignore[import-untyped]
from waitress.parser import HTTPRequestParser  # type: ignore[import-untyped]
from waitress.server import create_server  # type: ignore[import-untyped]
from waitress.task import ErrorTask, WSGITask  # type: ignore[import-untyped]

from decoder import __version__
from decoder.catalog import compile_all, decode, families
from decoder.service.answers import HEADERS, json_bytes
from decoder.service.logs import JsonLog, Log, all_to
from decoder.service.metrics import SHARED, Metrics
from decoder.service.problems import PROBLEM_JSON, Problem
from decoder.service.settings import (
    CASEBOOK,
    CHECK_BODY_LIMIT,
    EXTENSION,
    KEPT_BYTES,
    STREAM_BODY_LIMIT,
    facts_of,
    in_force,
)
from decoder.service.tokens import TokenError
from decoder.tables import TableError, Tables

LOCAL_NAMES: Final = ("localhost", "127.0.0.1")
STREAM_PATHS: Final = ("/v1/decode/stream", "/v1/check/stream")
# Bytes that waitress takes in; the application refuses less, and says why.
BODY_ROOM: Final = 2 * CHECK_BODY_LIMIT
STREAM_ROOM: Final = STREAM_BODY_LIMIT + 1_000_000
STRANGER_ROOM: Final = 256_000  # stays in memory
HEADER_ROOM: Final = 256_000
OUT_ROOM: Final = 1_048_576  # bytes of an answer that wait for a slow reader before more is made
CONNECTIONS: Final = 1_000
IDLE_SECONDS: Final = 120  # after which a connection on which nothing happens is closed
SETTLING: Final = 0.05  # seconds for which those who are just connecting are still accepted when stopping
LINGER: Final = 0.25  # seconds of silence after which a connection counts as idle when stopping
STREAMS_STOP: Final = 0.8  # of the grace, after which streams are ended early
# One that is read and one that almost is: every family has its indexes ready after them.
TRIED_FIRST: Final = ("137-6612", "137-6699")
SO_ATTACH_FILTER: Final = 26  # of Linux; Python has no name for it
PROBLEMS_LOGGED: Final = 20
FORKED_AGAIN_AFTER: Final = 1.0  # seconds between two starts of a worker that doesn't stay up

ORIGIN: Final = re.compile(r"https?://([a-z0-9.-]+|\[[0-9a-f:.]+\])(:[0-9]{1,5})?")

Reopen = Callable[[], Tables]


class NotServed(click.ClickException):
    """A server that can't be started: says why and what to try, and exits 2."""

    exit_code = 2

    def show(self, file: Any = None) -> None:
        """The message alone, on standard error."""
        click.echo(f"partdate: {self.message}", err=True)


@dataclass(frozen=True, slots=True)
class Options:
    """How to serve. `rate` and `burst` are tokens a second and at most, for each client; no rate sets no bound.

    `host_names` are names beside the usual ones under which the server may be asked, `grace` is seconds that a stop
    may take, `log` writes every request to standard error, `reopen` reads the tables again, `casebook` is the file or
    the address in which sheets are kept.
    """

    threads: int = 8
    workers: int = 1
    token_file: Path | None = None
    origins: tuple[str, ...] = ()
    rate: float = 0.0
    burst: float = 0.0
    host_names: tuple[str, ...] = ()
    trusted_proxy: str | None = None
    grace: float = 30.0
    log: bool = False
    reopen: Reopen = Tables.open
    casebook: str | None = None


def serve(tables: Tables, host: str, port: int, options: Options = Options()) -> None:
    """Serve the page and the JSON endpoint at `host` and `port` until told to stop; port 0 takes a free one.

    Raises NotServed for what can't be served: an address that others could reach without a token file, a token file
    at fault, a casebook that can't be opened and written, an address that can't be listened on.
    """
    if options.log:
        all_to(JsonLog())
    if options.workers > 1:
        _serve_forked(tables, host, port, options)
        return
    server = listening(tables, host, port, options)
    click.echo(f"The page is at {address_of(host, server.effective_port)} until you press Ctrl-C.")
    if options.casebook is not None:
        _tell_casebook(server.app)
    try:
        with suppress(KeyboardInterrupt), stopped_by_signals(server):
            server.run()
    finally:
        server.close()
    click.echo("Stopped.")


def listening(tables: Tables, host: str, port: int, options: Options = Options()) -> Server:
    """A server that listens already and has yet to run; see `serve`."""
    app = application(tables, host, options)
    return Server(app, bound(host, port), options)


def application(tables: Tables, host: str, options: Options) -> Flask:
    """The application as it is served at this address. Raises NotServed."""
    from decoder.service import create_app

    if not is_loopback(host) and options.token_file is None:
        raise NotServed(
            f"{host} can be reached from other machines, and there is no password or token yet to keep strangers "
            "out: give --token-file FILE ('partdate serve --help' says what is in it), or use --host 127.0.0.1 and a "
            "tunnel such as ssh -L for another machine"
        )
    for origin in options.origins:
        if not ORIGIN.fullmatch(origin):
            raise NotServed(f"{origin!r} is no origin: write it as https://intake.example, without a path")
    log = JsonLog() if options.log else None
    config: dict[str, Any] = {
        "TABLES": tables,
        "LOG": log,
        "KEPT_BYTES": KEPT_BYTES,
        "STREAMS": max(1, options.threads - 2),
        "CORS_ORIGINS": options.origins,
        "RATE": options.rate,
        "BURST": options.burst,
    }
    if is_loopback(host) and ":" not in host:
        # A page of another site whose name has been pointed at this machine is refused by its Host header. Where
        # tokens keep strangers out, such a page has none.
        config["TRUSTED_HOSTS"] = sorted({*LOCAL_NAMES, host, *options.host_names})
    if options.token_file is not None:
        config["TOKEN_FILE"] = options.token_file
    try:
        if options.casebook is not None:
            config["CASEBOOK"] = _casebook(options.casebook, tables)
        app = create_app(config)
    except TokenError as error:
        lines = [f"  {problem}" for problem in error.problems]
        raise NotServed("\n".join([f"{options.token_file} can't be used:", *lines])) from error
    warm(tables)
    settle()
    return app


def _casebook(where: str, tables: Tables) -> Any:
    """The casebook, known to be readable and writable. Raises NotServed."""
    from decoder.casebook.errors import CasebookError
    from decoder.service.sheets import opened

    try:
        return opened(where, tables)
    except CasebookError as error:
        raise NotServed(f"the casebook can't be served: {error}") from error


def _tell_casebook(app: Flask) -> None:
    click.echo(f"Sheets are kept in {app.extensions[CASEBOOK].database.name}.")


def let_go(app: Flask) -> None:
    """Give the connections of the casebook back, if there is one; whoever asks it next opens new ones.

    A connection must not be used on both sides of a fork: each worker opens its own.
    """
    if CASEBOOK in app.extensions:
        app.extensions[CASEBOOK].close()


def warm(tables: Tables) -> None:
    """Read every table and scheme now, so that all answers rest on the files as they are at this moment."""
    for name in tables.ids():
        tables.table(name)
    for family in families():
        tables.schemes(family.id)
    facts_of(tables)
    for text in TRIED_FIRST:
        decode(text, tables=tables)


def settle() -> None:
    """Have the collector of garbage pass over what stays: the tables are most of the memory, and no garbage."""
    gc.unfreeze()
    gc.collect()
    gc.freeze()


def reload(app: Flask, reopen: Reopen, log: Log | None) -> bool:
    """Put the tables as they are now in place of those in force; False when they are at fault, and the old ones stay.

    A request that is being answered keeps to the tables with which it began.
    """
    metrics = app.extensions["partdate.front"].metrics
    old = in_force(app)
    try:
        fresh = reopen()
        problems = [str(problem) for problem in fresh.validate()] or compile_all(fresh)
        if not problems:
            warm(fresh)
    except TableError as error:
        problems = [str(problem) for problem in error.problems]
    except (
        Exception
    ) as error:  # a folder that is gone, a plug-in that fails: the old tables stay whatever it is
        problems = [f"{type(error).__name__}: {error}"]
    if problems:
        metrics.loaded("refused")
        if log is not None:
            said = {"faults": len(problems), "problems": problems[:PROBLEMS_LOGGED], "in_force": old.facts}
            log("tables-refused", said)
        return False
    app.extensions[EXTENSION] = old.with_tables(fresh)
    settle()
    metrics.loaded("loaded")
    if log is not None:
        log("tables-loaded", {"before": old.facts, "in_force": facts_of(fresh)})
    return True


# ---------------------------------------------------------------------------------------------------------------
# One process


class Server:
    """A waitress server around one application and one listening socket, which can be stopped without loss."""

    def __init__(self, app: Flask, sock: socket.socket, options: Options, shared: bool = False) -> None:
        self.app = app
        self.options = options
        self._sock = sock
        self._shared = shared  # with other processes, which may go on accepting
        self.front = app.extensions["partdate.front"]
        self._stop = threading.Event()
        self._running = threading.Lock()
        logging.getLogger("waitress.queue").setLevel(logging.ERROR)
        self.inner = create_server(app, sockets=[sock], **_adjustments(options))
        self.inner.channel_class = Channel
        self.inner.parser_class = type("Parser", (Parser,), {"server": self.inner})
        self.inner.front = self.front
        self.inner.small = _with_body_limit(self.inner.adj, BODY_ROOM)
        self.inner.smallest = _with_body_limit(self.inner.adj, STRANGER_ROOM)
        self.effective_port = int(sock.getsockname()[1])
        if self.front.log is not None:
            facts = in_force(app).facts
            said = {"version": __version__, "port": self.effective_port, "tables": facts, "pid": os.getpid()}
            self.front.log("listening", said)

    def run(self, still_wanted: Callable[[], bool] = lambda: True) -> None:
        """Answer until `stop`, or until `still_wanted` says no; then what has arrived is answered, within the grace."""
        with self._running:
            while not self._stop.is_set() and still_wanted():
                wasyncore.loop(timeout=1, use_poll=True, map=self.inner._map, count=1)
            self.stop()
            self._drain()
            let_go(self.app)

    def stop(self) -> None:
        """Have `run` come to its end. May be called from a signal handler and from any thread."""
        if not self._stop.is_set():
            self.front.streams_end = time.monotonic() + self.options.grace * STREAMS_STOP
        self.front.stopping = True
        self._stop.set()
        with suppress(OSError):
            self.inner.pull_trigger()

    def close(self) -> None:
        """Stop, and close every socket."""
        self.stop()
        with self._running:
            with suppress(OSError):
                self.inner.close()
            self.inner.task_dispatcher.shutdown(timeout=1)
            wasyncore.close_all(self.inner._map, ignore_all=True)

    def _drain(self) -> None:
        """Accept what waits, then nothing new; answer it all, and close each connection when it is idle."""
        inner = self.inner
        if not self._shared:
            let_nobody_in(self._sock)
        self._accept_all()
        inner.del_channel()
        inner.accepting = False
        with suppress(OSError):
            inner.socket.close()
        until = time.monotonic() + self.options.grace
        while inner.active_channels and time.monotonic() < until:
            for channel in list(inner.active_channels.values()):
                if channel.is_idle():
                    channel.will_close = True
            wasyncore.loop(timeout=0.05, use_poll=True, map=inner._map, count=1)

    def _accept_all(self) -> None:
        until = time.monotonic() + SETTLING
        while time.monotonic() < until:
            before = len(self.inner.active_channels)
            self.inner.handle_accept()
            if len(self.inner.active_channels) == before:
                time.sleep(SETTLING / 10)


def _adjustments(options: Options) -> dict[str, Any]:
    made: dict[str, Any] = {
        "ident": "partdate",
        "threads": options.threads,
        "connection_limit": CONNECTIONS,
        "channel_timeout": IDLE_SECONDS,
        "max_request_body_size": STREAM_ROOM,
        "max_request_header_size": HEADER_ROOM,
        "outbuf_high_watermark": OUT_ROOM,
        "asyncore_use_poll": True,
        "clear_untrusted_proxy_headers": True,
    }
    if options.trusted_proxy is not None:
        made.update(
            trusted_proxy=options.trusted_proxy,
            trusted_proxy_count=1,
            trusted_proxy_headers="x-forwarded-for x-forwarded-proto x-forwarded-host",
        )
    return made


def _with_body_limit(adjustments: Any, limit: int) -> Any:
    made = copy.copy(adjustments)
    made.max_request_body_size = limit
    return made


class Parser(HTTPRequestParser):  # type: ignore[misc]
    """Reads a request, and knows from its headers how much body it may have, before the body is taken in."""

    server: Any = None

    def parse_header(self, header_plus: bytes) -> None:
        """Read the headers, and set the limit of the body."""
        super().parse_header(header_plus)
        tokens = self.server.front.guard.tokens
        if tokens is not None and tokens.name_of(self.headers.get("AUTHORIZATION")) is None:
            self.adj = self.server.smallest
        elif self.path not in STREAM_PATHS:
            self.adj = self.server.small


class Task(WSGITask):  # type: ignore[misc]
    """Answers a request; once the server is stopping, the answer says that the connection closes after it."""

    def build_response_header(self) -> bytes:
        """The head of the answer."""
        if self.channel.server.front.stopping:
            self.set_close_on_finish()
        made: bytes = super().build_response_header()
        return made


class Refusal(ErrorTask):  # type: ignore[misc]
    """Answers what waitress refuses by itself, as every other refusal: with problem details."""

    def execute(self) -> None:
        """Write the answer."""
        error = self.request.error
        problem = _REFUSALS.get(error.code, Problem("internal", "The request could not be answered."))
        if error.code == 501:
            body = json_bytes(
                {
                    "type": "about:blank",
                    "title": error.reason,
                    "status": 501,
                    "detail": "Use chunked, or a length.",
                }
            )
            code = 501
        else:
            body, code = json_bytes(problem.as_dict()), problem.kind.status
        self.status = f"{code} {error.reason}"
        self.response_headers += [
            ("Content-Type", PROBLEM_JSON),
            *HEADERS.items(),
            ("Cache-Control", "no-store"),
        ]
        self.set_close_on_finish()
        self.content_length = len(body)
        self.channel.server.front.refused_early(getattr(self.request, "command", "GET"), code)
        self.write(body)


_REFUSALS: Final[Mapping[int, Problem]] = {
    400: Problem("bad-request", "The head of the request breaks the rules of HTTP."),
    413: Problem(
        "too-large", "The body is larger than this address takes, or larger than it takes without a token."
    ),
    431: Problem("headers-too-large", f"The headers have more than {HEADER_ROOM:,} bytes."),
}


class Channel(HTTPChannel):  # type: ignore[misc]
    """One connection."""

    task_class = Task
    error_task_class = Refusal

    def __init__(self, server: Any, *rest: Any, **options: Any) -> None:
        super().__init__(server, *rest, **options)
        self.parser_class = server.parser_class

    def is_idle(self) -> bool:
        """Whether nothing is being read, answered or sent, and nothing has come for a moment."""
        if self.requests or self.request is not None or self.total_outbufs_len:
            return False
        if time.time() - self.last_activity < LINGER:
            return False
        try:
            return not self.socket.recv(1, socket.MSG_PEEK)  # what has come and was not read yet is a request
        except OSError:  # nothing is there, or nobody
            return True


def bound(host: str, port: int) -> socket.socket:
    """A socket that is bound to the address. Raises NotServed."""
    # One address, not every one that a name stands for: the port is the same on all of them only by luck.
    wanted = "127.0.0.1" if host == "localhost" else host
    try:
        found = socket.getaddrinfo(wanted, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        family, kind, protocol, _, address = found[0]
        made = socket.socket(family, kind, protocol)
    except OSError as error:
        raise NotServed(f"{host} is no address to listen at: {error.strerror or error}") from error
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        made.bind(address)
        made.listen(1024)
    except OSError as error:
        made.close()
        raise NotServed(
            f"nothing can listen at {host}, port {port}: {error.strerror or error}. "
            "Another program may have it: try --port 0 for a free one"
        ) from error
    return made


def let_nobody_in(sock: socket.socket) -> None:
    """Have no further connection reach a listening socket, while those that wait on it can still be accepted.

    Closing it at once would break off who has connected and was not accepted yet. Linux can drop what arrives, by a
    filter of one instruction; elsewhere such a client sees its connection broken off, and may ask again.
    """
    if not sys.platform.startswith("linux"):
        return
    drop_all = array("B", struct.pack("HBBI", 6, 0, 0, 0))  # struct sock_filter: BPF_RET | BPF_K, 0 bytes
    program = struct.pack("HL", 1, drop_all.buffer_info()[0])  # struct sock_fprog
    with suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, SO_ATTACH_FILTER, program)


@contextmanager
def stopped_by_signals(server: Server) -> Iterator[None]:
    """While it lasts, SIGTERM and SIGINT stop the server without loss, SIGHUP reads the tables again.

    A second SIGINT ends it at once. Outside the main thread of a process, signals are left as they are.
    """
    if threading.current_thread() is not threading.main_thread() or not isinstance(server, Server):
        yield
        return
    asked = threading.Event()

    def stop(number: int, frame: Any) -> None:
        if number == signal.SIGINT and server.front.stopping:
            raise KeyboardInterrupt
        server.stop()

    def reloads() -> None:
        while True:
            asked.wait()
            asked.clear()
            reload(server.app, server.options.reopen, server.front.log)

    handlers = {signal.SIGTERM: stop, signal.SIGINT: stop}
    if hasattr(signal, "SIGHUP"):
        handlers[signal.SIGHUP] = lambda *_: asked.set()
        threading.Thread(target=reloads, name="tables", daemon=True).start()
    before = {number: signal.signal(number, handler) for number, handler in handlers.items()}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


# ---------------------------------------------------------------------------------------------------------------
# Several processes


def _serve_forked(tables: Tables, host: str, port: int, options: Options) -> None:
    """Several processes that accept from one socket. This one answers nothing: it watches the others.

    A worker that dies is replaced. SIGTERM stops all of them without loss, SIGHUP has all of them read the tables
    again, if this process finds no fault in them.
    """
    if not hasattr(os, "fork"):
        raise NotServed("this system can't share a socket between processes: use --workers 1")
    counts = tempfile.mkdtemp(prefix="partdate-counts-")
    os.environ[SHARED] = counts  # before the first count is made
    try:
        app = application(tables, host, options)
        let_go(app)
        sock = bound(host, port)
        click.echo(
            f"The page is at {address_of(host, sock.getsockname()[1])} until you press Ctrl-C "
            f"({options.workers} processes)."
        )
        if options.casebook is not None:
            _tell_casebook(app)
        sys.stdout.flush()
        Herd(app, sock, options).watch()
    finally:
        shutil.rmtree(counts, ignore_errors=True)
    click.echo("Stopped.")


class Herd:
    """The workers of one service, and the process that watches them."""

    SIGNALS: Final = ("SIGTERM", "SIGINT", "SIGHUP", "SIGCHLD")

    def __init__(self, app: Flask, sock: socket.socket, options: Options) -> None:
        self.app = app
        self.sock = sock
        self.options = options
        self.log: Log | None = app.extensions["partdate.front"].log
        self.metrics: Metrics = app.extensions["partdate.front"].metrics
        self.workers: dict[int, float] = {}  # process ids, and when each was started
        self.stopping = False

    def watch(self) -> None:
        """Start the workers, and return when all of them have ended."""
        signals = {getattr(signal, name) for name in self.SIGNALS}
        signal.pthread_sigmask(signal.SIG_BLOCK, signals)
        try:
            for _ in range(self.options.workers):
                self._fork(signals)
            while self.workers:
                self._told(signal.sigwait(signals), signals)
        finally:
            self.sock.close()
            signal.pthread_sigmask(signal.SIG_UNBLOCK, signals)

    def _told(self, number: int, signals: set[int]) -> None:
        match number:
            case signal.SIGCHLD:
                for started in self._ended():
                    if not self.stopping:
                        time.sleep(max(0.0, started + FORKED_AGAIN_AFTER - time.monotonic()))
                        self._fork(signals)
            case signal.SIGHUP:
                if reload(self.app, self.options.reopen, self.log):
                    self._send(signal.SIGHUP)
            case _ if not self.stopping:
                self.stopping = True
                let_nobody_in(self.sock)
                self._send(signal.SIGTERM)
                self.sock.close()
            case _:  # told a second time: at once
                self._send(signal.SIGKILL)

    def _ended(self) -> list[float]:
        """When each of the workers that have ended was started."""
        found: list[float] = []
        while True:
            try:
                pid, status = os.waitpid(-1, os.WNOHANG)
            except ChildProcessError:
                return found
            if pid == 0:
                return found
            started = self.workers.pop(pid, None)
            if started is not None:
                found.append(started)
                self.metrics.process_ended(pid)
                if not self.stopping and self.log is not None:
                    self.log("worker-ended", {"pid": pid, "exit": os.waitstatus_to_exitcode(status)})

    def _send(self, number: int) -> None:
        for pid in self.workers:
            with suppress(ProcessLookupError):
                os.kill(pid, number)

    def _fork(self, signals: set[int]) -> None:
        sys.stdout.flush()
        sys.stderr.flush()
        parent = os.getpid()
        pid = os.fork()
        if pid:
            self.workers[pid] = time.monotonic()
            return
        code = 1
        try:
            server = Server(self.app, self.sock, self.options, shared=True)
            with suppress(KeyboardInterrupt), stopped_by_signals(server):
                signal.pthread_sigmask(signal.SIG_UNBLOCK, signals)
                server.run(lambda: os.getppid() == parent)
            code = 0
        except BaseException:
            logging.getLogger(__name__).exception("A worker failed")
        finally:
            os._exit(code)  # nothing of the parent's is to be ended twice


def address_of(host: str, port: int) -> str:
    """The address of the page, as it is typed into a browser."""
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach the address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
