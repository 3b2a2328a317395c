"""The letters and the length without which a regular expression can't match, so that most need not be tried at all.

    needs(r"\\bMADE IN (?:WEST )?GERMANY\\b")    {"MADE IN "}, 15 characters
    needs(r"(?:VOLTS|WATTS) ?\\d")              {"VOLTS", "WATTS"}, 6 characters

Only what is plain is used: literal characters, groups, alternatives and counts. Whatever else an expression
holds (classes, anchors, what is looked ahead or behind for) is passed over, which makes a clue less sharp and
never wrong.
"""

from __future__ import annotations

import re
from typing import Final, NamedTuple

Need = frozenset[str] | None

_COUNT: Final = re.compile(r"(?:\?|\*|\+|\{(?!\})([0-9]*)(?:,[0-9]*)?\})[?+]?")
_GROUP: Final = re.compile(r"\((?:\?:|\?P<\w+>|(?!\?))")
_LOOKED_FOR: Final = re.compile(r"\(\?<?[=!]")
_CODES: Final = frozenset("xuUN0")  # characters by their codes, as in \x41; \112 is one too, and \12 may be
_CLASSES: Final = frozenset("dDsSwWafnrtv")  # one character each; \b is none, and \1 may be
_CLASS: Final = re.compile(r"\[\^?\]?(?:\\.|[^\]\\])*\]", re.DOTALL)


class _Unread(Exception):
    """A construct of regular expressions that is not read here."""


class Needs(NamedTuple):
    """What every match of an expression has: at least one of some texts (None where none can be named), and so many
    characters at least (0 where that can't be told)."""

    clues: Need
    length: int


def needs(pattern: str) -> Needs:
    """What every match of the expression has."""
    try:
        need, length, end = _alternatives(pattern, 0)
    except _Unread:
        return Needs(None, 0)
    return Needs(need, length) if end == len(pattern) else Needs(None, 0)


def _alternatives(pattern: str, at: int) -> tuple[Need, int, int]:
    """What one of several alternatives needs, the length of the shortest, and the index of the bracket or the end
    after them."""
    found: list[Need] = []
    lengths: list[int] = []
    while True:
        need, length, at = _sequence(pattern, at)
        found.append(need)
        lengths.append(length)
        if pattern[at : at + 1] != "|":
            break
        at += 1
    known = [need for need in found if need is not None]
    return frozenset().union(*known) if len(known) == len(found) else None, min(lengths), at


def _sequence(pattern: str, at: int) -> tuple[Need, int, int]:
    """The sharpest thing that one alternative needs: the set whose shortest text is longest; and its least length."""
    needs: list[frozenset[str]] = []
    run = ""
    length = 0
    while at < len(pattern) and pattern[at] not in "|)":
        item = _item(pattern, at)
        count = _COUNT.match(pattern, item.end)
        at = count.end() if count else item.end
        times = 1 if count is None else _times(count)
        length += item.length * times
        if count is None and item.literal:
            run += item.literal
            continue
        if times:
            run += item.literal
            needs += [item.need] if item.need else []
        needs += [frozenset({run})] if run else []
        run = ""
    needs += [frozenset({run})] if run else []
    return max(needs, key=lambda need: min(map(len, need)), default=None), length, at


def _times(count: re.Match[str]) -> int:
    """How often an item stands at least."""
    return 1 if count[0][0] == "+" else int(count[1] or 0)


class _Item(NamedTuple):
    """One item: its character where it is a literal, what it needs where it is a group, its least length, and the
    index after it."""

    literal: str
    need: Need
    length: int
    end: int


def _item(pattern: str, at: int) -> _Item:
    c = pattern[at]
    if c == "\\":
        escaped = pattern[at + 1 : at + 2]
        if escaped in _CODES or (escaped.isdigit() and pattern[at + 2 : at + 3].isdigit()):
            raise _Unread
        if escaped.isalnum():
            return _Item("", None, int(escaped in _CLASSES), at + 2)
        return _Item(escaped, None, 1, at + 2)
    if c == "[":
        found = _CLASS.match(pattern, at)
        if found is None:
            raise _Unread
        return _Item("", None, 1, found.end())
    if c == "(":
        looked_for = _LOOKED_FOR.match(pattern, at)
        opened = looked_for or _GROUP.match(pattern, at)
        if opened is None:
            raise _Unread
        need, length, end = _alternatives(pattern, opened.end())
        return _Item("", None, 0, end + 1) if looked_for else _Item("", need, length, end + 1)
    if c in "^$":
        return _Item("", None, 0, at + 1)
    return _Item("" if c == "." else c, None, 1, at + 1)
