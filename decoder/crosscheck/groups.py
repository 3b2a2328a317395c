"""Parts that came together (the pots of one harness, a tuner set, a pair of pickups), held against each other.

Parts bought together are dated within `lot_spread_weeks` of each other. `compare` says whether a group can be that,
and which part is the odd one out and what it would take. Parts of one group belong to one kind, unless the sheet
itself puts several kinds into a group: these lie in stock apart, so the longest usual lag is allowed besides.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from decoder.crosscheck.agreement import Allowed, Explanation, explanations, joint
from decoder.crosscheck.verdict import Evidence
from decoder.crosscheck.wording import counted, gap_text, listed, windows_text, years_text
from decoder.window import ALL, Window, WindowSet

WEEK: Final = 7
MONTH: Final = 365.2425 / 12  # days
NAMED: Final = 6


@dataclass(frozen=True, slots=True)
class Group:
    """Parts that came together, those of them that stand apart, and the comparison in words.

    `one_lot` is the chance that they were bought as one lot; None without an estimate.
    """

    name: str
    parts: tuple[str, ...]
    odd: tuple[str, ...]
    reason: str
    one_lot: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """The group as it stands in JSON; `one_lot` only where there is an estimate of it."""
        made: dict[str, Any] = {
            "group": self.name,
            "parts": list(self.parts),
            "odd": list(self.odd),
            "reason": self.reason,
        }
        if self.one_lot is not None:
            made["one_lot"] = round(self.one_lot, 4)
        return made


Members = tuple[str, tuple[Evidence, ...]]


def groups_of(evidence: Iterable[Evidence], default_groups: Mapping[str, str | None]) -> tuple[Members, ...]:
    """The groups with two dated parts or more, by name; a part's own group comes before that of its kind.

    Parts that are disclosed as replaced did not come with the others, and those that bound no day can't be compared.
    """
    found: dict[str, list[Evidence]] = {}
    for one in sorted(evidence, key=lambda one: one.part.id):
        name = one.part.group or default_groups.get(one.part.kind)
        if name is not None and not one.part.disclosed and one.windows and one.windows != ALL:
            found.setdefault(name, []).append(one)
    return tuple((name, tuple(members)) for name, members in sorted(found.items()) if len(members) > 1)


def compare(name: str, members: Sequence[Evidence], spread_weeks: int, one_lot: float | None = None) -> Group:
    """Whether the members can have been bought together, and which of them stands apart."""
    ids = tuple(one.part.id for one in members)
    windows = {one.part.id: one.windows for one in members}
    days = _spread_days(members, spread_weeks)
    # A day on which the first of them can be dated: no member ends before it or begins more than the spread after.
    sets = [Allowed(i, 0, _begun_by(windows[i], days)) for i in ids]
    if first := joint(sets):
        return Group(
            name, ids, (), _together(members, _near(windows, ids, first, days), spread_weeks), one_lot
        )
    ways = explanations(sets).shown
    fewest = [way for way in ways if len(way.set_aside) == len(ways[0].set_aside)]
    if len(fewest) > 1 or len(ways[0].agreeing) < 2:
        odd = tuple(sorted({i for way in fewest for i in way.set_aside}))
        return Group(name, ids, odd, _undecided(members, odd), one_lot)
    way = fewest[0]
    near = _near(windows, way.agreeing, way.windows, days)
    by_id = {one.part.id: one for one in members}
    said = " ".join(_apart(by_id[i], near) for i in way.set_aside[:NAMED])
    return Group(name, ids, way.set_aside, f"{said} {_rest(way, near)}", one_lot)


def _spread_days(members: Sequence[Evidence], spread_weeks: int) -> int:
    days = WEEK * spread_weeks
    if len({one.part.kind for one in members}) > 1:
        days += round(MONTH * max(one.lag.usual for one in members))
    return days


def _begun_by(windows: WindowSet, days: int) -> WindowSet:
    return WindowSet.from_iter(Window(window.shift(days=-days).earliest, window.latest) for window in windows)


def _near(windows: Mapping[str, WindowSet], ids: Iterable[str], first: WindowSet, days: int) -> WindowSet:
    """The days that the members' windows cover around each day on which the first of them can be dated."""
    names = list(ids)
    found = []
    for begins in first:
        span = Window(begins.earliest, begins.shift(days=days).latest)
        touched = WindowSet.from_iter(window for i in names for window in windows[i] if window.overlaps(span))
        hull = touched.hull()
        assert hull is not None
        found.append(hull)
    return WindowSet.from_iter(found)


def _together(members: Sequence[Evidence], near: WindowSet, spread_weeks: int) -> str:
    said = (
        f"{_ids(one.part.id for one in members)} can be dated within {counted(spread_weeks, 'week')} of each other "
        f"({windows_text(near)}), as parts bought together are; they count as one dating rather than {len(members)}."
    )
    if len({one.part.kind for one in members}) > 1:
        said = (
            f"{_ids(one.part.id for one in members)} are of several kinds and no farther apart "
            f"({windows_text(near)}) than parts of one instrument come to lie in stock."
        )
    return " ".join([said, *_sources(members)])


def _sources(members: Sequence[Evidence]) -> Iterable[str]:
    """Which sources the members name, where they name more than one: parts of two makers are two purchases."""
    by_source: dict[tuple[str, ...], list[str]] = {}
    for one in members:
        if source := sources_of(one):
            by_source.setdefault(source, []).append(one.part.id)
    if len(by_source) > 1:
        named = [
            f"{_ids(ids)} {'is' if len(ids) == 1 else 'are'} of source {listed(source, 'or')}"
            for source, ids in sorted(by_source.items())
        ]
        yield f"They name different sources: {listed(named)}."


def _apart(one: Evidence, neighbours: WindowSet) -> str:
    """How far one part is dated from its neighbours, and what that would take."""
    pairs = [(window, near) for window in one.windows for near in neighbours]
    window, near = min(pairs, key=lambda pair: (pair[0].gap_days(pair[1]), pair[0].earliest or 0))
    if window.touches(near):
        return f"{one.part.id} can be dated with some of its neighbours ({windows_text(neighbours)}), not with all."
    reads = f"{one.part.id} (reads {years_text(WindowSet.of(window))}) is dated"
    longest = counted(one.lag.longest, "month")
    if window.earliest is not None and near.latest is not None and window.earliest > near.latest:
        gap = gap_text(near.latest, window.earliest)
        in_stock = _within(near.latest, window.earliest, one.lag.longest)
        take = (
            "a later repair or a misreading, or that its neighbours had lain in stock so much longer"
            if in_stock
            else f"a later repair or a misreading, for its kind lies in stock {longest} at the longest"
        )
        return f"{reads} {gap} after its neighbours: it would take {take}."
    assert window.latest is not None and near.earliest is not None
    gap = gap_text(window.latest, near.earliest)
    in_stock = _within(window.latest, near.earliest, one.lag.longest)
    take = (
        "old stock, a part from another instrument, or a misreading"
        if in_stock
        else f"a part from another instrument or a misreading, for its kind lies in stock {longest} at the longest"
    )
    return f"{reads} {gap} before its neighbours: it would take {take}."


def _within(earlier: int, later: int, months: int) -> bool:
    latest = Window(earlier, earlier).shift(months=months).latest
    return latest is None or later <= latest


def _rest(way: Explanation, near: WindowSet) -> str:
    more = len(way.set_aside) - NAMED
    also = (
        f"{counted(more, 'more part')} {'stands' if more == 1 else 'stand'} apart too. " if more > 0 else ""
    )
    return f"{also}{_ids(way.agreeing)} agree with each other ({windows_text(near)})."


def _undecided(members: Sequence[Evidence], odd: Sequence[str]) -> str:
    reads = listed(f"{one.part.id} reads {years_text(one.windows)}" for one in members[:NAMED])
    return (
        f"They weren't bought together: {reads}. Which of them came later can't be told from the group alone: "
        f"{_ids(odd)} can each be the odd one."
    )


def sources_of(evidence: Evidence) -> tuple[str, ...]:
    """The source codes that the readings in force name, as written."""
    return tuple(
        sorted({f.text for one in evidence.weighed for f in one.reading.fields if f.name == "source"})
    )


def _ids(ids: Iterable[str]) -> str:
    names = list(ids)
    return listed([*names[:NAMED], f"{len(names) - NAMED} more"] if len(names) > NAMED else names)
