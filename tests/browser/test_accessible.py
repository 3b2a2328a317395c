"""Every page and state as axe-core sees it, in light and dark, and at every width without sideways scrolling."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.conftest import DESK, PHONE
from tests.browser.test_pages import until

Tab = Callable[..., Any]
STATES = [
    "/", "/?marking=137-612&maker=x", "/?marking=137-6699&part=pot", "/?marking=ZZTOP&part=pot",
    "/?marking=L12345", "/?marking=137-[&part=x&claim=y", "/check", "/check?lang=de", "/problems/", "/nowhere",
]  # fmt: skip
CONTRADICTED = {
    "instrument": {"maker": "Harrow & Vale", "model": "Estuary", "claim": "1959", "second_claim": "1966"},
    "parts": [
        {"id": "vol", "part": "potentiometer", "marking": "137-6612", "group": "harness"},
        {"id": "tone", "part": "potentiometer", "marking": "137 5842", "group": "harness"},
        {"id": "heel", "part": "neck-heel", "marking": "MAR 12 1959"},
        {"id": "cap", "part": "capacitor", "marking": "137-6699"},
        {"id": "look", "part": "finish", "feature": "finish-under-uv", "value": "even"},
        {"id": "blank", "part": "tuner", "state": "no-mark"},
    ],
}
FAULTY = {**CONTRADICTED, "parts": [*CONTRADICTED["parts"], {"id": "vol", "part": "x", "marking": "["}]}  # type: ignore[misc]


def violations(page: Any, axe: str) -> list[str]:
    page.evaluate(axe)
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
    return [
        f"{one['id']}: {node['html'][:160]} {node['failureSummary'][:200]}"
        for one in found["violations"]
        for node in one["nodes"][:3]
    ]


def brought(page: Any, text: str) -> None:
    """Bring a sheet, and wait for what comes of it."""
    page.fill("#paste", text)
    page.locator("[value=paste]").click()
    until(page, "document.getElementById('main')?.inert === false")
    page.wait_for_selector("#answer")


@pytest.mark.parametrize(("size", "scheme"), [(DESK, "light"), (PHONE, "dark")], ids=["desk", "phone, dark"])
def test_no_state_of_any_page_has_a_fault_that_axe_knows(
    tab: Tab, axe: str, size: dict[str, int], scheme: str
) -> None:
    page = tab("/problems/", size, color_scheme=scheme, reduced_motion="reduce")
    found: dict[str, list[str]] = {}
    for path in STATES:
        page.goto(path)
        found[path] = violations(page, axe)
    page.goto("/check?lang=en")
    for name, sheet in (("contradicted", CONTRADICTED), ("faulty", FAULTY), ("refused", "{")):
        brought(page, sheet if isinstance(sheet, str) else json.dumps(sheet))
        page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
        found[name] = violations(page, axe)
    page.locator("[value=drop-1]").click()
    page.wait_for_selector("#told p")
    found["a row taken off"] = violations(page, axe)
    page.context.set_offline(True)
    page.locator(".buttons .primary").click()
    page.wait_for_selector(".offline")
    found["no connection"] = violations(page, axe)
    assert {name: faults for name, faults in found.items() if faults} == {}


def test_no_page_scrolls_sideways_at_any_width(tab: Tab) -> None:
    page = tab("/check")
    brought(page, json.dumps(CONTRADICTED))
    wide = "document.scrollingElement.scrollWidth - document.documentElement.clientWidth"
    for width in (320, 360, 390, 768, 1024, 1280, 2560):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate(wide) <= 0, width
    for path in STATES:
        for width in (320, 360, 1280):
            page.set_viewport_size({"width": width, "height": 800})
            page.goto(path)
            assert page.evaluate(wide) <= 0, (path, width)


def test_every_control_can_be_reached_by_a_finger(tab: Tab) -> None:
    page = tab("/check", PHONE)
    brought(page, json.dumps(CONTRADICTED))
    small = page.evaluate(
        """[...document.querySelectorAll('button, select, summary, input:not([type=hidden])')]
        .filter(one => one.checkVisibility() && !one.matches('.unseen') && !one.closest('label .ticks'))
        .map(one => [one.outerHTML.slice(0, 80), one.getBoundingClientRect()])
        .filter(([, box]) => box.height && (box.height < 24 || box.width < 24)).map(([html, box]) => html)"""
    )
    assert [one for one in small if "checkbox" not in one] == []
