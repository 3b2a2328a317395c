"""What one scheme says of one marking, and what a whole decoding holds.

`Reading` is one interpretation, `NearMiss` is one that almost fitted, `Decoding` is the answer for a marking.
Each has one `as_dict()`: the shape that JSON, page and terminal share.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import Enum, IntEnum
from typing import Any, Final, NamedTuple

from decoder.marking import Marking
from decoder.tables import Citation
from decoder.window import EMPTY, Window, WindowSet, iso_day


class Strength(IntEnum):
    """How much a reading may count: only readings of the greatest strength present enter a verdict."""

    WEAK = 1
    FAIR = 2
    STRONG = 3

    @property
    def word(self) -> str:
        """The word used in answers: strong, fair or weak."""
        return self.name.lower()


class Precision(Enum):
    """The unit in which a reading's window was written on the part."""

    DAY = "day"
    WEEK = "week"
    MONTH = "month"
    YEAR = "year"
    BAND = "band"
    BOUND = "bound"


class Timing(Enum):
    """What a reading's window is a window of, hence which rule carries it to the day of completion.

    PART: the part's own date; the lag table of its kind applies.
    PENDING: a pending mark; the pending row of the lag table applies instead of the part's.
    ERA: the upper end is the end of a law or custom; the pending row's tail applies to it.
    INSTRUMENT: a date of the instrument itself (serial, dated feature); no lag, a tolerance instead.
    """

    PART = "part"
    PENDING = "pending"
    ERA = "era"
    INSTRUMENT = "instrument"


class FieldValue(NamedTuple):
    """One field of a reading: its name, its text as written, its meaning, and its characters [from, to)."""

    name: str
    text: str
    value: str
    at: tuple[int, int]

    def as_dict(self) -> dict[str, Any]:
        """The field as it stands in JSON."""
        return {"name": self.name, "text": self.text, "value": self.value, "at": list(self.at)}


@dataclass(frozen=True, slots=True)
class About:
    """What every reading of one scheme shares. `before` and `after` are a serial's tolerance in months."""

    scheme: str
    title: str
    family: str
    revision: str = ""
    timing: Timing = Timing.PART
    maker: str | None = None
    before: int = 0
    after: int = 0


class Wording(NamedTuple):
    """A reading in words: its fields, its notes, and what it rests on."""

    fields: tuple[FieldValue, ...] = ()
    notes: tuple[str, ...] = ()
    sources: tuple[Citation, ...] = ()


Told = tuple[Callable[[Any], Wording], Any]  # a function and what it is asked about


class Reading:
    """One scheme's interpretation of one marking; never changed once made.

    `window` is the set of days that the mark allows for the part (or instrument, see `timing`); empty never.
    `granted` is the grant interval of a patent number. `documented` is False when the date lies outside
    the scheme's documented years: it then carries a note and ranks lower, at the same strength.
    `before` and `after` are a serial's tolerance in months. `never` marks a feature that is not found on
    originals in scope at any date; `unsure` a measurement that can't be told at its accuracy.

    Fields, notes and sources are put into words when they are first asked for: `Reading.of` takes a function
    for them. Most readings are only compared.
    """

    __slots__ = (
        "_words",
        "about",
        "documented",
        "granted",
        "never",
        "precision",
        "rank",
        "strength",
        "unsure",
        "window",
    )

    about: About
    strength: Strength
    window: WindowSet
    precision: Precision
    documented: bool
    rank: int
    granted: Window | None
    never: bool
    unsure: bool
    _words: Wording | Told

    def __init__(
        self,
        scheme: str,
        title: str,
        family: str,
        strength: Strength,
        window: WindowSet,
        precision: Precision,
        fields: tuple[FieldValue, ...] = (),
        notes: tuple[str, ...] = (),
        sources: tuple[Citation, ...] = (),
        revision: str = "",
        granted: Window | None = None,
        timing: Timing = Timing.PART,
        maker: str | None = None,
        documented: bool = True,
        before: int = 0,
        after: int = 0,
        never: bool = False,
        unsure: bool = False,
        rank: int = 0,
    ) -> None:
        self.about = About(scheme, title, family, revision, timing, maker, before, after)
        self.strength = strength
        self.window = window
        self.precision = precision
        self.documented = documented
        self.rank = rank
        self.granted = granted
        self.never = never
        self.unsure = unsure
        self._words = Wording(fields, notes, sources)

    @classmethod
    def of(
        cls,
        about: About,
        strength: Strength,
        window: WindowSet,
        precision: Precision,
        documented: bool,
        rank: int,
        words: Told,
        granted: Window | None = None,
    ) -> Reading:
        """A reading that is put into words when they are asked for."""
        made = _new(cls)
        made.about = about
        made.strength = strength
        made.window = window
        made.precision = precision
        made.documented = documented
        made.rank = rank
        made.granted = granted
        made.never = made.unsure = False
        made._words = words
        return made

    @property
    def scheme(self) -> str:
        """The id of the scheme."""
        return self.about.scheme

    @property
    def title(self) -> str:
        """The scheme in words."""
        return self.about.title

    @property
    def family(self) -> str:
        """The id of the family."""
        return self.about.family

    @property
    def revision(self) -> str:
        """The revision of the tables that the scheme stands in."""
        return self.about.revision

    @property
    def timing(self) -> Timing:
        """What the window is a window of."""
        return self.about.timing

    @property
    def maker(self) -> str | None:
        """The maker whose scheme it is; None where it is nobody's own."""
        return self.about.maker

    @property
    def before(self) -> int:
        """A serial's tolerance before its window, in months."""
        return self.about.before

    @property
    def after(self) -> int:
        """A serial's tolerance after its window, in months."""
        return self.about.after

    @property
    def words(self) -> Wording:
        """The reading in words."""
        words = self._words
        if not isinstance(words, Wording):
            tell, of = words
            words = self._words = tell(of)
        return words

    @property
    def fields(self) -> tuple[FieldValue, ...]:
        """Which characters mean what."""
        return self.words.fields

    @property
    def notes(self) -> tuple[str, ...]:
        """What must be known beside the window."""
        return self.words.notes

    @property
    def sources(self) -> tuple[Citation, ...]:
        """What the reading rests on."""
        return self.words.sources

    @property
    def grade(self) -> str:
        """The best grade among the sources that this reading rests on; M when it names none."""
        order = "ABCPM"
        return min((c.grade[:1] for c in self.sources), key=lambda g: order.find(g) % 9, default="M")

    def within(self, window: WindowSet, documented: bool) -> Reading:
        """This reading with other days; its words, if nobody has asked for them, are still made when asked for."""
        made = _new(Reading)
        for name in Reading.__slots__:
            setattr(made, name, getattr(self, name))
        made.window, made.documented = window, documented
        return made

    def changed(self, **changes: Any) -> Reading:
        """This reading with some of what it was made of put otherwise."""
        return Reading(**{**{name: getattr(self, name) for name in _MADE_OF}, **changes})

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Reading):
            return NotImplemented
        return self is other or all(getattr(self, name) == getattr(other, name) for name in _MADE_OF)

    def __hash__(self) -> int:
        return hash((self.about.scheme, self.strength, self.window, self.rank))

    def __repr__(self) -> str:
        return f"Reading({', '.join(f'{name}={getattr(self, name)!r}' for name in _MADE_OF)})"

    def __reduce__(self) -> tuple[type[Reading], tuple[Any, ...]]:
        return Reading, tuple(getattr(self, name) for name in _MADE_OF)

    def as_dict(self) -> dict[str, Any]:
        """The reading as it stands in JSON."""
        words = self.words
        about = self.about
        made: dict[str, Any] = {
            "scheme": about.scheme,
            "title": about.title,
            "strength": self.strength.word,
            "window": window_dict(self.window),
            "precision": self.precision.value,
            "fields": [field.as_dict() for field in words.fields],
            "notes": list(words.notes),
            "revision": about.revision,
            "sources": [citation.as_dict() for citation in words.sources],
        }
        if self.granted is not None:
            made["granted"] = window_dict(WindowSet((self.granted,)))
        if about.maker is not None:
            made["maker"] = about.maker
        return made


_new: Final = object.__new__
_MADE_OF: Final = (
    "scheme title family strength window precision fields notes sources revision granted timing maker documented "
    "before after never unsure rank"
).split()


@dataclass(frozen=True, slots=True)
class NearMiss:
    """A scheme that almost fitted: what failed, at which characters, and which one-character changes mend it."""

    scheme: str
    problem: str
    at: tuple[int, int]
    corrections: tuple[str, ...] = ()
    cost: float = 1.0

    def as_dict(self) -> dict[str, Any]:
        """The near miss as it stands in JSON."""
        return {
            "scheme": self.scheme,
            "problem": self.problem,
            "at": list(self.at),
            "try": list(self.corrections),
        }


Misses = tuple[NearMiss, ...]


class Decoding:
    """Every reading of one marking, or what almost fitted, or neither; never changed once made.

    Near misses given as a function are worked out when they are first asked for: a check needs them for its words
    alone.
    """

    __slots__ = ("_misses", "cautions", "marking", "notes", "readings")

    def __init__(
        self,
        marking: Marking,
        readings: tuple[Reading, ...],
        near_misses: Misses | Callable[[], Misses],
        cautions: tuple[tuple[str, str], ...] = (),
        notes: tuple[str, ...] = (),
    ) -> None:
        self.marking = marking
        self.readings = readings
        self._misses = near_misses
        self.cautions = cautions
        self.notes = notes

    @property
    def near_misses(self) -> Misses:
        """The schemes that almost fitted, likeliest first."""
        misses = self._misses
        if not isinstance(misses, tuple):
            misses = self._misses = misses()
        return misses

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Decoding):
            return NotImplemented
        return self.__reduce__()[1] == other.__reduce__()[1]

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"Decoding{self.__reduce__()[1]!r}"

    def __reduce__(self) -> tuple[type[Decoding], tuple[Any, ...]]:
        return Decoding, (self.marking, self.readings, self.near_misses, self.cautions, self.notes)

    @property
    def status(self) -> str:
        """`read`, `near-miss` or `unread`."""
        if self.readings:
            return "read"
        return "near-miss" if self.near_misses else "unread"

    @property
    def in_force(self) -> tuple[Reading, ...]:
        """The readings of the greatest strength present: the ones that count."""
        best = max((reading.strength for reading in self.readings), default=Strength.WEAK)
        return tuple(reading for reading in self.readings if reading.strength is best)

    @property
    def windows(self) -> WindowSet:
        """The union of the windows of the readings in force."""
        return union_of(reading.window for reading in self.in_force)

    def as_dict(self) -> dict[str, Any]:
        """The decoding as it stands in JSON."""
        return {
            "marking": self.marking.text,
            "status": self.status,
            "windows": [window_dict(WindowSet((w,))) for w in self.windows],
            "readings": [reading.as_dict() for reading in self.readings],
            "near_misses": [miss.as_dict() for miss in self.near_misses],
            "cautions": [{"id": i, "text": text} for i, text in self.cautions],
            "notes": list(self.notes),
        }


def union_of(sets: Iterable[WindowSet]) -> WindowSet:
    """The union of any number of window sets; EMPTY for none."""
    return WindowSet.from_iter(window for each in sets for window in each) if sets else EMPTY


def window_dict(windows: WindowSet) -> dict[str, str | None]:
    """A window set as JSON: the hull's two days (null when open) and the exact EDTF."""
    if not windows:
        return {"earliest": None, "latest": None, "edtf": None}
    first, last = windows.earliest, windows.latest
    return {
        "earliest": None if first is None else iso_day(first),
        "latest": None if last is None else iso_day(last),
        "edtf": windows.edtf(),
    }
