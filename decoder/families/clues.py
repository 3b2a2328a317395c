"""The letters without which a regular expression can't match, so that most patterns need not be tried at all.

    clues(r"\\bMADE IN (?:WEST )?GERMANY\\b")    {"MADE IN "}
    clues(r"(?:VOLTS|WATTS) ?\\d")              {"VOLTS", "WATTS"}

Only what is plain is used: literal characters, groups, alternatives and counts. Whatever else an expression
holds (classes, anchors, what is looked ahead or behind for) is passed over, which makes a clue less sharp and
never wrong.
"""

from __future__ import annotations

import re
from typing import Final

Need = frozenset[str] | None

_COUNT: Final = re.compile(r"(?:\?|\*|\+|\{(\d*)(?:,\d*)?\})[?+]?")
_GROUP: Final = re.compile(r"\((?:\?:|\?P<\w+>|(?!\?))")
_LOOKED_FOR: Final = re.compile(r"\(\?<?[=!]")
_CLASS: Final = re.compile(r"\[\^?\]?(?:\\.|[^\]\\])*\]", re.DOTALL)


class _Unread(Exception):
    """A construct of regular expressions that is not read here."""


def clues(pattern: str) -> Need:
    """Texts of which every match of the expression holds at least one; None where none can be named."""
    try:
        need, end = _alternatives(pattern, 0)
    except _Unread:
        return None
    return need if end == len(pattern) else None


def _alternatives(pattern: str, at: int) -> tuple[Need, int]:
    """What one of several alternatives needs, and the index of the bracket or the end after them."""
    found: list[Need] = []
    while True:
        need, at = _sequence(pattern, at)
        found.append(need)
        if pattern[at : at + 1] != "|":
            break
        at += 1
    known = [need for need in found if need is not None]
    return (frozenset().union(*known) if len(known) == len(found) else None), at


def _sequence(pattern: str, at: int) -> tuple[Need, int]:
    """The sharpest thing that one alternative needs: the set whose shortest text is longest."""
    needs: list[frozenset[str]] = []
    run = ""
    while at < len(pattern) and pattern[at] not in "|)":
        literal, need, at = _item(pattern, at)
        count = _COUNT.match(pattern, at)
        at = count.end() if count else at
        if count is None and literal:
            run += literal
            continue
        if count is None or _at_least_once(count):
            run += literal
            needs += [need] if need else []
        needs += [frozenset({run})] if run else []
        run = ""
    needs += [frozenset({run})] if run else []
    return max(needs, key=lambda need: min(map(len, need)), default=None), at


def _at_least_once(count: re.Match[str]) -> bool:
    return count[0][0] == "+" or int(count[1] or 0) > 0


def _item(pattern: str, at: int) -> tuple[str, Need, int]:
    """One item: its character where it is a literal, what it needs where it is a group, and the index after it."""
    c = pattern[at]
    if c == "\\":
        escaped = pattern[at + 1 : at + 2]
        return "" if escaped.isalnum() else escaped, None, at + 2
    if c == "[":
        found = _CLASS.match(pattern, at)
        if found is None:
            raise _Unread
        return "", None, found.end()
    if c == "(":
        looked_for = _LOOKED_FOR.match(pattern, at)
        opened = looked_for or _GROUP.match(pattern, at)
        if opened is None:
            raise _Unread
        need, end = _alternatives(pattern, opened.end())
        return "", None if looked_for else need, end + 1
    return "" if c in ".^$" else c, None, at + 1
