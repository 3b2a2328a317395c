"""What a bench's own sheets teach: serial numbers against trusted dates, and how long parts lay in stock.

`learn` looks at every sheet whose date is trusted, and gives bands of serial numbers and lag figures, each with the
number of observations behind it and its coverage. Nothing is mixed with published rows: `overlay.write` makes a data
package of it, graded "own observation (n=...)", that counts only where somebody lays it over the tables.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from math import ceil
from typing import Any, Final

from decoder.casebook.monotone import Observation, band_of, bound, cuts, interval
from decoder.casebook.record import Record, load_record, search_key, trusted_window
from decoder.casebook.store import Casebook, Wanted
from decoder.catalog import kinds_of
from decoder.crosscheck.lag import Lags
from decoder.crosscheck.reading_parts import decode_part
from decoder.crosscheck.sheet import Part, SheetError
from decoder.scheme.reading import Precision, Reading, Timing
from decoder.tables import Row, Tables
from decoder.window import Window

LEVEL: Final = 0.9
LEAST_SERIALS: Final = 15
LEAST_LAGS: Final = 20
BANDS_MOST: Final = 24
A_BAND_OF: Final = 4  # observations to a band at least
DAYS_A_MONTH: Final = 365.2425 / 12
EARLY: Final = -24  # months: a part dated more than this after the instrument was put in later
LATE: Final = 96  # months: and one dated more than this before it was most likely put in from elsewhere
VAGUE: Final = 9  # months: windows wider than this say nothing about a lag
USUAL: Final = 0.8
LONGEST: Final = 0.95
COUNTED: Final = ("completed", "shipped")
_PLAIN_SERIAL: Final = re.compile(r"([A-Z]{0,4})([0-9]{3,9})")


@dataclass(frozen=True, slots=True)
class Series:
    """Serial numbers that compare with each other: one form of number of one scheme, or of a maker without one."""

    maker: str
    scheme: str | None
    package: str | None
    resource: str | None
    prefix: str
    digits: str
    suffix: str


@dataclass(frozen=True, slots=True)
class OwnBand:
    """A run of numbers, and the days in which they were completed, as the bench's own sheets say."""

    first: int
    last: int
    earliest: int
    latest: int


@dataclass(frozen=True, slots=True)
class OwnSeries:
    """What was learned of one series: its bands, from how many observations, at which level."""

    series: Series
    bands: tuple[OwnBand, ...]
    count: int
    level: float
    guaranteed: float


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure in months, and the interval in which it lies with probability 0.95 (None: not bounded by these data)."""

    months: float
    least: float | None
    most: float | None

    @property
    def words(self) -> str:
        """The figure with its interval."""
        ends = " to ".join("?" if end is None else f"{end:.0f}" for end in (self.least, self.most))
        return f"{self.months:.0f} ({ends})"


@dataclass(frozen=True, slots=True)
class OwnLag:
    """How long parts of one kind lay before completion: `lead`, `usual` and `longest` in months.

    `maker` is None for several makers together. `outside` counts parts that are no ordinary stock (put in later, or
    years older), which are in no figure. `years` are those of the parts' own dates.
    """

    kind: str
    maker: str | None
    years: tuple[int, int]
    count: int
    outside: int
    lead: Figure
    usual: Figure
    longest: Figure


@dataclass(frozen=True, slots=True)
class Left:
    """Something that taught nothing, and why."""

    what: str
    why: str


@dataclass(frozen=True, slots=True)
class Learned:
    """All that was learned from `sheets` sheets with a trusted date, and what was left out."""

    sheets: int
    series: tuple[OwnSeries, ...]
    lags: tuple[OwnLag, ...]
    left: tuple[Left, ...]


@dataclass(frozen=True, slots=True)
class LagSeen:
    """One part's lag: months from the middle of its window to the middle of the trusted date."""

    kind: str
    maker: str | None
    year: int
    months: float


@dataclass(slots=True)
class _Gathered:
    serials: dict[Series, list[Observation]]
    lags: list[LagSeen]
    left: list[Left]
    sheets: int = 0


def learn(casebook: Casebook, *, level: float = LEVEL) -> Learned:
    """What the sheets of a casebook teach at this level. Raises CasebookError."""
    return learned(_records(casebook), casebook.tables, casebook.today(), level=level)


def _records(casebook: Casebook) -> Iterator[tuple[str, Record]]:
    for stored in casebook.every(Wanted(trusted=True)):
        try:
            yield stored.id, load_record(stored.record, casebook.tables)
        except SheetError:
            continue  # a kind that the tables no longer know: a recheck names the sheet


def learned(
    records: Iterable[tuple[str, Record]], tables: Tables, today: date, *, level: float = LEVEL
) -> Learned:
    """What some records, each with the name by which it is told of, teach."""
    found = _Gathered({}, [], [])
    for name, record in records:
        if record.trusted is None:
            continue
        found.sheets += 1
        window = trusted_window(record.trusted.date)
        if record.trusted.kind not in COUNTED:
            found.left.append(
                Left(name, f"its date is one of {record.trusted.kind}, which may be years later")
            )
        elif window is not None:
            _gather(found, record, window, tables, today)
    return Learned(
        found.sheets,
        tuple(_own_series(found, level)),
        tuple(_own_lags(found, Lags.of(tables))),
        tuple(found.left),
    )


def _gather(found: _Gathered, record: Record, window: Window, tables: Tables, today: date) -> None:
    # Read without the claim: what is learned must not depend on what somebody asserts.
    about = replace(record.loaded.instrument, claim=None, second_claim=None)
    for part in record.loaded.parts:
        if part.disclosed or part.marking is None or part.override is not None:
            continue
        decoding = decode_part(part, about, tables, today)
        readings = decoding.in_force if decoding is not None else ()
        if part.kind == "serial":
            observed = _serial(part, about.maker, readings, tables)
            if observed is not None and window.earliest is not None and window.latest is not None:
                series, number = observed
                one = Observation(number, window.earliest, window.latest)
                found.serials.setdefault(series, []).append(one)
        else:
            seen = _lag_seen(part.kind, about.maker, readings, window)
            if seen is not None:
                found.lags.append(seen)


# ---------------------------------------------------------------------------------------------------------------
# Serials


def _serial(
    part: Part, maker: str | None, readings: tuple[Reading, ...], tables: Tables
) -> tuple[Series, int] | None:
    """The series and the number of a serial that is wholly legible; None for one that can't be placed."""
    if part.marking is None or "?" in part.marking or "[" in part.marking or "*" in part.marking:
        return None
    text = search_key(part.marking).upper()
    banded = [r for r in readings if r.family == "serial" and r.precision is Precision.BAND]
    placed = {found for reading in banded for found in _placed(reading, text, tables)}
    if len(placed) == 1:
        return placed.pop()
    plain = _PLAIN_SERIAL.fullmatch(text)
    if readings or maker is None or plain is None:
        return None
    prefix, number = plain.groups()
    return Series(maker, None, None, None, prefix, str(len(number)), ""), int(number)


def _placed(reading: Reading, text: str, tables: Tables) -> Iterator[tuple[Series, int]]:
    scheme = next((s for s in tables.schemes("serial") if s["id"] == reading.scheme), None)
    if scheme is None or "bands" not in scheme or scheme.get("layouts"):
        return
    for row in tables.table(f"{scheme['package']}/{scheme['bands']}").rows:
        if row["scheme"] != reading.scheme:
            continue
        prefix, suffix = (search_key(row.get(name) or "").upper() for name in ("prefix", "suffix"))
        number = text.removeprefix(prefix).removesuffix(suffix)
        if text != prefix + number + suffix or not number.isdecimal() or not _wide(row, len(number)):
            continue
        last = row.get("last")
        if row["first"] <= int(number) and (last is None or int(number) <= last):
            series = Series(
                reading.maker or "",
                reading.scheme,
                scheme["package"],
                scheme["bands"],
                row.get("prefix") or "",
                row["digits"],
                row.get("suffix") or "",
            )
            yield series, int(number)


def _wide(row: Row, width: int) -> bool:
    shortest, _, longest = str(row["digits"]).partition("-")
    return int(shortest) <= width <= int(longest or shortest)


def _own_series(found: _Gathered, level: float) -> Iterator[OwnSeries]:
    for series, observations in sorted(found.serials.items(), key=lambda item: repr(item[0])):
        name = f"serials of {series.scheme or series.maker}"
        if len({one.number for one in observations}) < LEAST_SERIALS:
            found.left.append(
                Left(name, f"observations: {len(observations)}; {LEAST_SERIALS} numbers are needed")
            )
            continue
        band = band_of(observations, level)
        numbers = [one.number for one in observations]
        runs = cuts(numbers, max(1, min(BANDS_MOST, len(numbers) // A_BAND_OF)))
        bands = tuple(OwnBand(first, last, band.lower(first), band.upper(last)) for first, last in runs)
        yield OwnSeries(series, bands, len(observations), level, band.guaranteed)


# ---------------------------------------------------------------------------------------------------------------
# Lags


def _lag_seen(kind: str, maker: str | None, readings: tuple[Reading, ...], trusted: Window) -> LagSeen | None:
    """The lag of a part whose date is sharp enough and can only be one; None for any other.

    Of a one-digit year's decades, at most one lies near the trusted date; a part none of whose windows does is seen
    with the lag of the nearest.
    """
    if not readings or any(reading.timing is not Timing.PART for reading in readings):
        return None
    windows = [window for reading in readings for window in reading.window]
    sharp = [(window, _months_wide(window)) for window in windows]
    if not sharp or any(wide is None or wide > VAGUE for _, wide in sharp) or _wide_months(trusted) > VAGUE:
        return None
    lags = sorted({(_months(window, trusted), window) for window, _ in sharp}, key=lambda item: abs(item[0]))
    near = [item for item in lags if EARLY <= item[0] <= LATE]
    if len(near) > 1:
        return None
    months, window = (near or lags)[0]
    return LagSeen(kind, maker, date.fromordinal(window.earliest or 1).year, months)


def _months(window: Window, trusted: Window) -> float:
    return (_middle(trusted) - _middle(window)) / DAYS_A_MONTH


def _middle(window: Window) -> float:
    return ((window.earliest or 0) + (window.latest or 0)) / 2


def _months_wide(window: Window) -> float | None:
    return None if window.width_days is None else window.width_days / DAYS_A_MONTH


def _wide_months(window: Window) -> float:
    wide = _months_wide(window)
    return float("inf") if wide is None else wide


def _own_lags(found: _Gathered, published: Lags) -> Iterator[OwnLag]:
    groups: dict[tuple[str, str | None], list[LagSeen]] = {}
    for seen in found.lags:
        if seen.maker is not None:
            groups.setdefault((seen.kind, seen.maker), []).append(seen)
        groups.setdefault((seen.kind, None), []).append(seen)
    for (kind, maker), all_seen in sorted(groups.items(), key=lambda item: (item[0][0], item[0][1] or "")):
        ordinary = [seen for seen in all_seen if EARLY <= seen.months <= LATE]
        if maker is None and len({seen.maker for seen in all_seen}) < 2:
            continue  # one maker's parts have a row of their own
        if published.general(kind).wear:
            continue
        if len(ordinary) < LEAST_LAGS:
            name = f"lag of {kind}" + (f", {maker}" if maker else "")
            found.left.append(Left(name, f"observations: {len(ordinary)}; {LEAST_LAGS} are needed"))
            continue
        yield _own_lag(kind, maker, ordinary, len(all_seen) - len(ordinary))


def _own_lag(kind: str, maker: str | None, seen: list[LagSeen], outside: int) -> OwnLag:
    months = [one.months for one in seen]
    ahead = [-value for value in months]
    years = [one.year for one in seen]
    return OwnLag(
        kind,
        maker,
        (min(years), max(years)),
        len(seen),
        outside,
        _figure(ahead, LONGEST),
        _figure(months, USUAL),
        _figure(months, LONGEST),
    )


def _figure(sample: list[float], level: float) -> Figure:
    value = bound(sample, level)
    assert value is not None  # so many observations are asked for
    low, high = interval(sample, level)
    return Figure(*(None if each is None else max(0.0, ceil(each)) for each in (value, low, high)))  # type: ignore[arg-type]


def as_dict(made: Learned, tables: Tables) -> dict[str, Any]:
    """What was learned, as JSON."""
    titles = {kind: row["title"] for kind, row in kinds_of(tables).items()}
    return {
        "sheets": made.sheets,
        "series": [
            {
                "maker": own.series.maker,
                "scheme": own.series.scheme,
                "prefix": own.series.prefix,
                "digits": own.series.digits,
                "observations": own.count,
                "level": own.level,
                "guaranteed": round(own.guaranteed, 4),
                "bands": [
                    [b.first, b.last, *(date.fromordinal(day).isoformat() for day in (b.earliest, b.latest))]
                    for b in own.bands
                ],
            }
            for own in made.series
        ],
        "lags": [
            {
                "kind": own.kind,
                "title": titles.get(own.kind, own.kind),
                "maker": own.maker,
                "years": list(own.years),
                "observations": own.count,
                "outside": own.outside,
                **{
                    name: {"months": f.months, "interval_95": [f.least, f.most]}
                    for name, f in (("lead", own.lead), ("usual", own.usual), ("longest", own.longest))
                },
            }
            for own in made.lags
        ],
        "left_out": [{"what": one.what, "why": one.why} for one in made.left],
    }
