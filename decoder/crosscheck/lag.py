"""How far completion may lie from a part's own date: the lag table, its scoped rows and a sheet's own figures.

`Lags.row` finds the row for a part, `allowance` turns a reading's window and that row into months, and
`Allowance.allowed` into the days on which the instrument can have been completed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from decoder.crosscheck.wording import windows_text
from decoder.scheme.reading import Reading, Timing
from decoder.tables import Citation, Tables
from decoder.window import Window, WindowSet, parse_edtf

TABLE: Final = "parts/lag"
PENDING_MARK: Final = "pending-mark"
FALLBACK: Final = "other"
_NOT_WORDS: Final = re.compile(r"[^\w&]+")


@dataclass(frozen=True, slots=True)
class LagChange:
    """A sheet's own months for one kind of part; None leaves the table's figure."""

    lead: int | None = None
    usual: int | None = None
    longest: int | None = None


@dataclass(frozen=True, slots=True)
class Lag:
    """One row of the lag table: months, the share of parts replaced (0 to 1), and the years the kind was made.

    `maker` and `years` scope the row to the instruments of one maker and to parts whose window lies in those
    years. `changed` says that the sheet, not the table, gave a figure.
    """

    kind: str
    lead: int
    usual: int
    longest: int
    replacement_rate: float
    wear: bool
    made_from: int
    made_to: int | None = None
    grade: str = "P"
    sources: tuple[Citation, ...] = ()
    maker: str | None = None
    years: WindowSet | None = None
    changed: bool = False

    def suits(self, maker: str | None, window: Window) -> bool:
        """Whether the row's scope holds an instrument of this maker with a part of this window."""
        if self.maker is not None and (maker is None or _maker_words(maker) != _maker_words(self.maker)):
            return False
        return self.years is None or WindowSet((window,)).issubset(self.years)

    @property
    def scope(self) -> int:
        """How narrowly the row is scoped: 0 any maker and years, 1 years, 2 a maker, 3 both."""
        return 2 * (self.maker is not None) + (self.years is not None)

    @property
    def scope_text(self) -> str:
        """The maker and the years of the scope in words; empty for a row without scope."""
        years = windows_text(self.years) if self.years is not None else None
        return ", ".join(text for text in (self.maker, years) if text)


@dataclass(frozen=True, slots=True)
class Allowance:
    """Months by which completion may come before (`lead`) or after (`usual`, `longest`) a window.

    `scope` names the maker and years of the row that the months come from, where it is scoped.
    """

    lead: int
    usual: int
    longest: int
    timing: Timing = Timing.PART
    scope: str = ""

    def allowed(self, window: Window) -> Window:
        """The days of completion that the window allows with the longest lag, by the calendar."""
        return window.widen(months_before=self.lead, months_after=self.longest)

    def allowed_usual(self, window: Window) -> Window:
        """The days of completion that the window allows with the usual lag, by the calendar."""
        return window.widen(months_before=self.lead, months_after=self.usual)


@dataclass(frozen=True, slots=True)
class Lags:
    """The lag table, a tuple of rows for each kind, the most narrowly scoped first."""

    rows: Mapping[str, tuple[Lag, ...]]

    @classmethod
    def of(cls, tables: Tables) -> Lags:
        """The lag table of the tables in force, indexed once."""

        def build(t: Tables) -> Lags:
            table = t.table(TABLE)
            return cls.from_rows((row, table.cite(row)) for row in table.rows)

        return tables.derived("crosscheck-lags", build)

    @classmethod
    def from_rows(cls, rows: Iterable[tuple[Mapping[str, Any], tuple[Citation, ...]]]) -> Lags:
        """The lags that rows describe, each with its citations; of two rows with one scope the first stands."""
        found: dict[str, list[Lag]] = {}
        for row, sources in rows:
            found.setdefault(row["kind"], []).append(
                Lag(
                    row["kind"],
                    row["lead"],
                    row["usual"],
                    row["longest"],
                    row["replacement_rate"],
                    row["wear"],
                    row["made_from"],
                    row["made_to"],
                    row["grade"],
                    sources,
                    row["maker"],
                    parse_edtf(row["years"]).windows if row["years"] else None,
                )
            )
        return cls({kind: tuple(sorted(lags, key=lambda lag: -lag.scope)) for kind, lags in found.items()})

    def changed(self, lags: Mapping[str, LagChange], rates: Mapping[str, float]) -> Lags:
        """These lags with a sheet's own months and replacement rates in place of the table's."""
        if not lags and not rates:
            return self
        made = dict(self.rows)
        for kind in {**lags, **rates}:
            made[kind] = tuple(_changed(row, lags.get(kind), rates.get(kind)) for row in self._rows_of(kind))
        return Lags(made)

    def general(self, kind: str) -> Lag:
        """The unscoped row of a kind; that of the kind `other` when the table has none."""
        return next(row for row in self._rows_of(kind) if row.scope == 0)

    def row(self, kind: str, maker: str | None, window: Window) -> Lag:
        """The most narrowly scoped row of a kind that suits the instrument's maker and the part's window."""
        return next(row for row in self._rows_of(kind) if row.suits(maker, window))

    def _rows_of(self, kind: str) -> tuple[Lag, ...]:
        rows = self.rows.get(kind, ())
        return rows if any(row.scope == 0 for row in rows) else (*rows, *self.rows[FALLBACK])


def allowance(reading: Reading, window: Window, kind: str, maker: str | None, lags: Lags) -> Allowance:
    """The months that apply to one window of a reading, by what it is a window of (see `Timing`)."""
    match reading.timing:
        case Timing.INSTRUMENT:
            return Allowance(reading.before, reading.after, reading.after, Timing.INSTRUMENT)
        case Timing.PENDING:
            tail = lags.general(PENDING_MARK)
            return Allowance(tail.lead, tail.usual, tail.longest, Timing.PENDING)
        case Timing.ERA:
            own, tail = lags.row(kind, maker, window), lags.general(PENDING_MARK)
            # A kind that a sheet says to lie in stock for longer than the tail keeps its own months.
            return Allowance(own.lead, max(own.usual, tail.usual), max(own.longest, tail.longest), Timing.ERA)
        case Timing.PART:
            own = lags.row(kind, maker, window)
            return Allowance(own.lead, own.usual, own.longest, Timing.PART, own.scope_text)


def replacement_rate(lag: Lag, *, disturbed: bool, disturbed_rate: float) -> float:
    """The share of parts of this kind that are replaced, raised to `disturbed_rate` where a joint was disturbed."""
    return max(lag.replacement_rate, disturbed_rate) if disturbed else lag.replacement_rate


def _changed(row: Lag, change: LagChange | None, rate: float | None) -> Lag:
    lead, usual, longest = row.lead, row.usual, row.longest
    if change is not None:
        lead = lead if change.lead is None else change.lead
        usual = usual if change.usual is None else change.usual
        longest = longest if change.longest is None else change.longest
        if change.longest is None:
            longest = max(usual, longest)
        else:
            usual = min(usual, longest)
    return replace(
        row,
        lead=lead,
        usual=usual,
        longest=longest,
        changed=True,
        replacement_rate=row.replacement_rate if rate is None else rate,
    )


def _maker_words(name: str) -> str:
    return _NOT_WORDS.sub(" ", name).strip().casefold()
