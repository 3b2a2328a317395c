"""A real browser on a real server: Chromium as the system has it, driven by Playwright; nothing leaves loopback."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from waitress.server import create_server

from decoder.service import create_app
from decoder.tables import Tables

NAMES = ("chromium", "chromium-browser", "google-chrome")
FLAGS = (
    "--no-sandbox --disable-gpu --no-first-run --disable-background-networking --disable-component-update "
    "--disable-sync"
).split()
# Whatever a page might name, no name but this machine's is looked up.
ALONE = "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 900}


@pytest.fixture(scope="session")
def served(shipped: Tables) -> Iterator[str]:
    """The address of a server with the shipped tables."""
    app = create_app({"TABLES": shipped, "TODAY": lambda: date(2026, 11, 25)})
    server = create_server(app, host="127.0.0.1", port=0)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.effective_port}"
    server.close()


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = next(filter(None, map(shutil.which, NAMES)), None)
    if path is None:
        pytest.skip("no Chromium on this machine: apt-get install chromium")
    with playwright.sync_playwright() as running:
        opened = running.chromium.launch(executable_path=path, args=[*FLAGS, ALONE])
        yield opened
        opened.close()


@pytest.fixture
def tab(browser: Any, served: str) -> Iterator[Callable[..., Any]]:
    """Opens tabs; at the end, none may have failed, run anything strange or asked elsewhere."""
    opened: list[Any] = []
    wrong: list[str] = []

    def asked(request: Any) -> None:
        address = urlsplit(request.url)
        if address.scheme != "blob" and address.hostname != "127.0.0.1":
            wrong.append(f"asked {request.url}")

    def told(message: Any) -> None:
        # A refused entry is an answer with status 422; the browser logs it as a failure to load.
        known = ("status of 4", "Autofocus processing was blocked", "net::ERR_INTERNET_DISCONNECTED")
        if not any(words in message.text for words in known):
            wrong.append(f"console: {message.text}")

    def open_tab(path: str = "/", size: dict[str, int] = DESK, **more: Any) -> Any:
        context = browser.new_context(viewport=size, base_url=served, locale="en-GB", **more)
        context.set_default_timeout(20_000)  # a slow machine is no fault
        opened.append(context)
        page = context.new_page()
        page.on("request", asked)
        page.on("console", told)
        page.on("pageerror", lambda error: wrong.append(f"script: {error}"))
        page.on("dialog", lambda dialog: (wrong.append(f"dialog: {dialog.message}"), dialog.dismiss()))
        page.goto(path)
        return page

    yield open_tab
    for context in opened:
        context.close()
    assert wrong == []


@pytest.fixture(scope="session")
def axe() -> str:
    """The source of axe-core, to be put into a page by the driver."""
    package = pytest.importorskip("axe_playwright_python", reason="axe-playwright-python is not installed")
    return (Path(package.__file__).parent / "axe.min.js").read_text("utf-8")
