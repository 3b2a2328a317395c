"""The rules of the house: what the core may import, where files lie, and what a wheel holds."""

import ast
import re
import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
CORE = (
    "window.py",
    "marking.py",
    "tables.py",
    "scheme",
    "families",
    "soundness.py",
    "catalog.py",
    "coverage.py",
    "crosscheck",
)
WEB_NETWORK_TERMINAL = {
    *("flask", "werkzeug", "jinja2", "waitress", "requests", "urllib", "urllib3", "http", "socket", "ssl"),
    *("asyncio", "socketserver", "ftplib", "smtplib", "click"),
}
CLOCKS = {"time", "sched"}
CLOCK_METHODS = {"now", "today", "utcnow"}
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "decoder", "tables", "api_spec", "tests", "demo"}
# The home of one machine's user, or a folder that only one machine has. A path inside a web address has a
# character of the address in front of it.
MACHINE_PATH = re.compile(
    r"(?<![\w./:~$}-])(?:/(?:home|Users|root|work|mnt|srv|tmp|opt)/\w|[A-Z]:\\+Users\\)"
)


def core_modules() -> list[Path]:
    """Every module of the core; a part that is missing is an error, not an empty list."""
    found = []
    for name in CORE:
        path = ROOT / "decoder" / name
        files = sorted(path.rglob("*.py")) if path.is_dir() else [path]
        assert files, f"decoder/{name} holds no module"
        found += files
    return found


def imported_names(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Line and dotted name of every import, those inside functions included."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield from ((node.lineno, f"{node.module}.{alias.name}") for alias in node.names)


def sins(source: str) -> list[str]:
    """What a core module may not do, and on which line: import the web or the network, or read a clock."""
    tree = ast.parse(source)
    found = []
    for line, name in imported_names(tree):
        top = name.partition(".")[0]
        if top in WEB_NETWORK_TERMINAL | CLOCKS:
            found.append(f"line {line}: imports {name}")
    for node in ast.walk(tree):
        if not isinstance(node, ast.Attribute) or node.attr not in CLOCK_METHODS:
            continue
        owner = node.value.attr if isinstance(node.value, ast.Attribute) else getattr(node.value, "id", "")
        if owner in {"date", "datetime"} or node.attr != "today":
            found.append(f"line {node.lineno}: reads the clock ({owner}.{node.attr})")
    return found


def tracked_files() -> list[Path]:
    """The files that are, or are about to be, in the repository."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    return [ROOT / name for name in listed.split("\0") if name and (ROOT / name).is_file()]


@pytest.mark.parametrize("module", core_modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_the_core_imports_no_web_and_no_network_and_reads_no_clock(module: Path) -> None:
    assert sins(module.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "source",
    [
        "import flask",
        "from werkzeug.exceptions import NotFound",
        "def fetch():\n    import requests",
        "import urllib.request as fetch",
        "from socket import create_connection",
        "from time import time",
        "from datetime import date\nborn = date.today()",
        "import datetime\nborn = datetime.datetime.now()",
        "from datetime import date\nclock = date.today",
    ],
)
def test_a_core_module_that_breaks_the_rule_would_be_found(source: str) -> None:
    assert len(sins(source)) == 1


@pytest.mark.parametrize(
    "source",
    [
        "from datetime import date, timedelta",
        "def read(context):\n    return context.today",
        "from decoder.window import Window",
        "import datetime\nfirst = datetime.date(1966, 3, 1)",
    ],
)
def test_days_that_are_passed_in_are_no_clock(source: str) -> None:
    assert sins(source) == []


def taken_from_the_package(source: str) -> list[str]:
    """What a module imports of this package."""
    tree = ast.parse(source)
    relative = [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.level]
    absolute = [name for _, name in imported_names(tree) if name.partition(".")[0] == "decoder"]
    return absolute + ["relative import"] * len(relative)


def test_the_client_takes_nothing_from_the_package_but_its_version() -> None:
    client = ROOT / "decoder" / "client.py"
    assert taken_from_the_package(client.read_text(encoding="utf-8")) == ["decoder.__version__"]
    loaded = "import sys, decoder.client; print(*sorted(sys.modules))"
    names = subprocess.run(
        [sys.executable, "-c", loaded], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split()
    assert [name for name in names if name.startswith("decoder.")] == ["decoder.client"]
    assert not {"flask", "marshmallow", "dateutil", "click", "waitress"} & set(names)


@pytest.mark.parametrize(
    "source",
    [
        "import decoder.window",
        "from decoder import decode",
        "from .window import Window",
        "from . import tables",
    ],
)
def test_a_client_that_took_more_would_be_found(source: str) -> None:
    assert taken_from_the_package(source)


def test_importing_the_package_loads_none_of_its_modules_and_no_dependency() -> None:
    loaded = (
        "import sys, decoder; print(*sorted({m.partition('.')[0] for m in sys.modules} | {*sys.modules}))"
    )
    names = subprocess.run(
        [sys.executable, "-c", loaded], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split()
    assert "decoder" in names
    assert [name for name in names if name.startswith("decoder.")] == []
    assert not {"flask", "marshmallow", "dateutil", "click", "requests", "waitress"} & set(names)


def test_the_package_gives_decode_and_check_on_first_use_and_nothing_else() -> None:
    import decoder
    from decoder import catalog, crosscheck

    assert decoder.decode is catalog.decode
    assert decoder.check is crosscheck.check
    assert {"decode", "check", "__version__"} <= set(dir(decoder))
    with pytest.raises(AttributeError, match="no attribute 'authenticate'"):
        decoder.authenticate  # noqa: B018


def test_the_top_level_holds_only_what_was_agreed() -> None:
    entries = {path.relative_to(ROOT).parts[0] for path in tracked_files()}
    assert {name for name in entries if not name.startswith(".")} <= TOP_LEVEL


def test_no_file_names_a_path_of_one_machine() -> None:
    found = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()[:80]}"
        for path in tracked_files()
        for number, line in enumerate(path.read_text(encoding="utf-8", errors="replace").splitlines(), 1)
        if MACHINE_PATH.search(line)
    ]
    assert found == []


def test_a_path_of_one_machine_would_be_found_and_a_web_address_is_none() -> None:
    for user in ("home", "Users"):
        assert MACHINE_PATH.search(f"see /{user}/someone/tables")
        assert MACHINE_PATH.search(f"'/{user}/someone'")
        assert not MACHINE_PATH.search(f"https://example.org/{user}/pots.html")
    assert not MACHINE_PATH.search("/usr/bin/env sh")


def test_a_wheel_holds_the_tables_and_the_package_and_nothing_else(tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-m", "hatchling", "build", "-d", str(tmp_path)], cwd=ROOT, check=True)
    wheel = set(zipfile.ZipFile(next(tmp_path.glob("*.whl"))).namelist())
    tables = {path.relative_to(ROOT / "tables").as_posix() for path in (ROOT / "tables").rglob("*.*")}
    assert tables
    assert {f"decoder/_tables/{name}" for name in tables} <= wheel
    assert {"decoder/__init__.py", "decoder/py.typed"} <= wheel
    tops = {name.partition("/")[0] for name in wheel}
    assert tops == {"decoder", next(top for top in tops if top.endswith(".dist-info"))}

    with tarfile.open(next(tmp_path.glob("*.tar.gz"))) as sdist:
        names = {name.partition("/")[2] for name in sdist.getnames()}
    assert {f"tables/{name}" for name in tables} <= names
    assert {"tests/run.sh", "demo/start.sh", "decoder/__init__.py"} <= names
