"""Casebooks to test with: an empty SQLite file copied for each test, and a private PostgreSQL server for the session.

Everything that is kept in them is invented.
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from decoder.casebook import Casebook
from decoder.casebook.verify import verify
from decoder.tables import Tables

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
SUPERUSER = "postgres"


@dataclass
class Ticking:
    """A clock that goes on by a second each time it is read."""

    at: datetime = NOON

    def __call__(self) -> datetime:
        self.at += timedelta(seconds=1)
        return self.at


def counted_ids(prefix: str = "s") -> Callable[[], str]:
    numbers = itertools.count(1)
    return lambda: f"{prefix}{next(numbers):05}"


def sheet(
    *parts: dict[str, Any] | str, claim: str | None = "1962", maker: str | None = "Harrow & Vale", **more: Any
) -> dict[str, Any]:
    """A sheet of an invented instrument; a plain text is the marking of a pot. No estimate: it takes time."""
    made = [
        {"id": f"p{n}", "part": "potentiometer", "marking": one} if isinstance(one, str) else one
        for n, one in enumerate(parts or ("304-6208",))
    ]
    about = {"maker": maker, "claim": claim}
    instrument = {name: value for name, value in about.items() if value is not None}
    return {"instrument": instrument, "parts": made, "options": {"estimate": False}, **more}


def assert_whole(book: Casebook) -> None:
    found = verify(book.database)
    assert found.faults == ()


@pytest.fixture(scope="session")
def empty(shipped: Tables, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty casebook that knows the shipped tables, to be copied: making one takes a second."""
    path = tmp_path_factory.mktemp("casebook") / "empty.sqlite"
    with Casebook.open(path, clock=lambda: NOON, tables=shipped) as book:
        book._facts_kept(book.now())
    return path


@pytest.fixture
def place(empty: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(empty, tmp_path / "casebook.sqlite"))


@pytest.fixture
def book(place: Path, shipped: Tables) -> Iterator[Casebook]:
    with Casebook.open(place, clock=Ticking(), tables=shipped, ids=counted_ids()) as made:
        yield made


# ---------------------------------------------------------------------------------------------------------------
# PostgreSQL


def _programs() -> Path | None:
    """Where the programs of the newest PostgreSQL on this machine lie; installed from Debian's packages if need be."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    if not found and hasattr(os, "geteuid") and os.geteuid() == 0 and shutil.which("apt-get"):
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
        for command in (
            ["apt-get", "update"],
            ["apt-get", "install", "-y", "--no-install-recommends", "postgresql"],
        ):
            subprocess.run(command, env=environment, check=False, timeout=600, **quiet)  # type: ignore[call-overload]
        found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    if found:
        return found[-1].parent
    named = shutil.which("initdb")
    return Path(named).resolve().parent if named else None


@dataclass
class Server:
    """A server of our own in a folder of its own, reached by a socket there and by nothing else."""

    programs: Path
    folder: Path
    account: dict[str, Any]
    process: subprocess.Popen[bytes] | None = None
    databases: Iterator[int] = field(default_factory=lambda: itertools.count(1))

    def start(self) -> None:
        command = [str(self.programs / "postgres"), "-D", str(self.folder / "data"), "-k", str(self.folder)]
        # These tests kill processes, not the machine: what was handed to the system is as good as on the disk.
        command += [
            "-c",
            "fsync=off",
            "-c",
            "listen_addresses=",
            "-c",
            "max_connections=80",
            "-c",
            "shared_buffers=32MB",
        ]
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                command, stdout=log, stderr=log, start_new_session=True, **self.account
            )
        until = time.monotonic() + 60
        while (
            subprocess.run([*self._psql("postgres"), "-c", "SELECT 1"], capture_output=True).returncode != 0
        ):
            assert self.process.poll() is None, (self.folder / "log").read_text()[-2000:]
            assert time.monotonic() < until, "the server does not answer"
            time.sleep(0.05)

    def kill(self) -> None:
        """End the server and all of its processes in the middle of whatever they do."""
        assert self.process is not None
        # Its backends have process groups of their own.
        listed = subprocess.run(
            ["ps", "-o", "pid=", "--ppid", str(self.process.pid)], capture_output=True, text=True
        )
        for pid in [self.process.pid, *map(int, listed.stdout.split())]:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self.process.wait()
        time.sleep(0.05)  # for the last of them to let go of the shared memory

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGQUIT)
            self.process.wait(30)

    def _psql(self, database: str) -> list[str]:
        return [str(self.programs / "psql"), "-h", str(self.folder), "-U", SUPERUSER, "-d", database, "-qAt"]

    def run(self, database: str, statement: str) -> str:
        done = subprocess.run(
            [*self._psql(database), "-v", "ON_ERROR_STOP=1", "-c", statement], capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        return done.stdout.strip()

    def new_database(self, template: str | None = None) -> str:
        name = f"casebook{next(self.databases)}"
        self.run("postgres", f"CREATE DATABASE {name}" + (f" TEMPLATE {template}" if template else ""))
        return name

    def url(self, database: str) -> str:
        return f"postgresql://{SUPERUSER}@/{database}?host={self.folder}"


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    programs = _programs()
    if programs is None:
        pytest.skip("no PostgreSQL here, and none could be installed")
    pytest.importorskip("psycopg")
    folder = Path(
        tempfile.mkdtemp(prefix="partdate-pg-")
    )  # a short path: a socket's name has room for no more
    account: dict[str, Any] = {}
    if os.geteuid() == 0:  # the server refuses to run as root
        user = SUPERUSER if _has_user(SUPERUSER) else "nobody"
        account = {"user": user}
        shutil.chown(folder, user)
    os.chmod(folder, 0o755)
    made = Server(programs, folder, account)
    initialise = [
        str(programs / "initdb"),
        "-D",
        str(folder / "data"),
        "-U",
        SUPERUSER,
        "-A",
        "trust",
        "--no-sync",
    ]
    done = subprocess.run(
        [*initialise, "-E", "UTF8", "--locale=C.UTF-8"], capture_output=True, text=True, **account
    )
    assert done.returncode == 0, done.stderr
    made.start()
    yield made
    made.stop()
    shutil.rmtree(folder, ignore_errors=True)


def _has_user(name: str) -> bool:
    import pwd

    try:
        pwd.getpwnam(name)
    except KeyError:
        return False
    return True


@pytest.fixture(scope="session")
def template(server: Server, shipped: Tables) -> str:
    """A database with an empty casebook that knows the shipped tables, to be copied."""
    name = server.new_database()
    with Casebook.open(server.url(name), clock=lambda: NOON, tables=shipped) as made:
        made._facts_kept(made.now())
    return name


@pytest.fixture
def database(server: Server, template: str) -> str:
    return server.new_database(template)


@pytest.fixture(params=["sqlite", "postgresql"])
def either(request: pytest.FixtureRequest, shipped: Tables) -> Iterator[Casebook]:
    """A casebook on SQLite, then on PostgreSQL."""
    if request.param == "sqlite":
        where = str(request.getfixturevalue("place"))
    else:
        where = request.getfixturevalue("server").url(request.getfixturevalue("database"))
    with Casebook.open(where, clock=Ticking(), tables=shipped, ids=counted_ids()) as made:
        yield made


def written(path: Path, value: Any) -> Path:
    path.write_text(json.dumps(value), encoding="utf-8")
    return path
