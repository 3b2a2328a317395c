"""The HTTP client for intake software: `Client(address)` asks a partdate server and gives typed answers.

    with Client("http://127.0.0.1:8000") as partdate:
        for reading in partdate.decode("137-6612", part="potentiometer").readings: ...
        for answer in partdate.decode_stream(rows): ...

Answers are frozen values. A field that this client doesn't know stays in `raw`, the object as received; a field that
is no longer, or not yet, sent has its default: so it works with older and newer servers of the same `/v1`.
Every failure is a PartdateError that says what was wrong and what to try. Needs requests and nothing else of this
package but its version. A client is for one thread at a time, as the session below it is.
"""

from __future__ import annotations

import json
import random
import secrets
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import MISSING, dataclass, field, fields, is_dataclass
from datetime import date
from email.utils import parsedate_to_datetime
from functools import cache
from types import MappingProxyType, NoneType, TracebackType, UnionType
from typing import Any, Final, Generic, Self, TypeVar, cast, get_args, get_origin, get_type_hints
from urllib.parse import quote, urlencode, urljoin, urlsplit

import requests

from decoder import __version__

T = TypeVar("T")
Raw = Mapping[str, Any]

JSON: Final = "application/json"
PROBLEM_JSON: Final = "application/problem+json"
NDJSON: Final = "application/x-ndjson"
ANSWER_LIMIT: Final = 64_000_000  # bytes of one answer, or of one line of a stream
REFUSAL_LIMIT: Final = 1_000_000  # bytes of a problem that are read
FIRST_WAIT: Final = 0.5  # seconds before the first repetition; each further wait is twice as long
LONGEST_WAIT: Final = 60.0  # seconds; a server that asks a single call to wait for longer is not waited for
STREAM_WAIT: Final = (
    600.0  # the same for a stream: where a server counts lines, it has to wait for its next turn
)
REDIRECTS: Final = 5
RECORD: Final = ("sheet", "trusted", "photos", "remarks")  # what a save of a sheet takes
# A stream goes out in requests of at most so many lines and bytes. So many bytes lie in the buffers of the network
# even while nobody reads them, and a server that answers while it is being asked can't block against this client.
STREAM_LINES: Final = 250
NAMING: Final = ("/v1/tables/", "/v1/sheets")  # addresses below which something may not be there
STREAM_BYTES: Final = 64_000


# --- what is answered


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """What came from the server; `raw` is the object as received, with the fields that this client doesn't know."""

    raw: Raw = field(default_factory=dict, repr=False, compare=False)


@dataclass(frozen=True, slots=True)
class Window(Received):
    """Earliest and latest day, both inclusive, None where open or where there is no day; `edtf` says it exactly."""

    earliest: date | None = None
    latest: date | None = None
    edtf: str | None = None


@dataclass(frozen=True, slots=True)
class Field(Received):
    """One field of a reading; `at` is 0-based and half open, in characters of the text as sent."""

    name: str
    text: str = ""
    value: str = ""
    at: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Source(Received):
    """A publication that a reading rests on, and its grade: A, B, C, M, P, or an own observation."""

    id: str
    title: str = ""
    grade: str = ""
    address: str | None = None


@dataclass(frozen=True, slots=True)
class Reading(Received):
    """One scheme's interpretation of a marking; `strength` is strong, fair or weak."""

    scheme: str
    strength: str
    window: Window
    title: str = ""
    precision: str = ""
    maker: str | None = None
    granted: Window | None = None
    fields: tuple[Field, ...] = ()
    notes: tuple[str, ...] = ()
    sources: tuple[Source, ...] = ()
    revision: str = ""


@dataclass(frozen=True, slots=True)
class NearMiss(Received):
    """A scheme that almost fitted: what failed, at which characters, and markings that would fit."""

    scheme: str
    problem: str = ""
    at: tuple[int, int] | None = None
    corrections: tuple[str, ...] = field(default=(), metadata={"key": "try"})


@dataclass(frozen=True, slots=True)
class Caution(Received):
    """A warning of danger to the person at the bench."""

    text: str
    id: str = ""


@dataclass(frozen=True, slots=True)
class Decoding(Received):
    """Every reading of one marking; `status` is read, near-miss or unread."""

    marking: str
    status: str
    windows: tuple[Window, ...] = ()
    readings: tuple[Reading, ...] = ()
    near_misses: tuple[NearMiss, ...] = ()
    cautions: tuple[Caution, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PartAssessment(Received):
    """One part of a sheet: its verdict, the reason in words, and its decoding where it has a marking."""

    id: str
    verdict: str
    reason: str = ""
    decoding: Decoding | None = None
    part: str | None = None
    title: str | None = None
    state: str | None = None
    flags: tuple[str, ...] = ()
    wear: bool = False
    allowed: tuple[Window, ...] = ()


@dataclass(frozen=True, slots=True)
class Explanation(Received):
    """A largest set of parts that agree, the parts that have to be set aside for it, and the days agreed on."""

    set_aside: tuple[str, ...] = ()
    agreeing: tuple[str, ...] = ()
    windows: tuple[Window, ...] = ()


@dataclass(frozen=True, slots=True)
class Estimate(Received):
    """The probable build period; `replaced` holds each part's probability of replacement, `evidence` a log ratio."""

    interval_50: tuple[Window, ...] = ()
    interval_90: tuple[Window, ...] = ()
    claim_probability: float | None = None
    replaced: Mapping[str, float] = field(default_factory=dict)
    evidence: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Group(Received):
    """Parts that belong together, and the ones that stand apart from the others."""

    group: str
    parts: tuple[str, ...] = ()
    odd: tuple[str, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Advice(Received):
    """A part to look at next, why and how, and how many bits of doubt it would remove on average."""

    part: str
    why: str = ""
    how: str = ""
    gain_bits: float | None = None
    caution: str | None = None


@dataclass(frozen=True, slots=True)
class Floor(Received):
    """The newest part, and the first day on which an instrument that holds it can have been completed."""

    part: str
    earliest: date


@dataclass(frozen=True, slots=True)
class Assessment(Received):
    """What all parts of an instrument say of its claim; `outcome` is agrees, contradicted or undecided."""

    outcome: str
    claim: str | None = None
    today: date | None = None
    parts: tuple[PartAssessment, ...] = ()
    joint_windows: tuple[Window, ...] = ()
    joint_windows_usual: tuple[Window, ...] = ()
    explanations: tuple[Explanation, ...] = ()
    claim_explanations: tuple[Explanation, ...] = ()
    floor: Floor | None = None
    estimate: Estimate | None = None
    groups: tuple[Group, ...] = ()
    advice: tuple[Advice, ...] = ()
    warnings: tuple[str, ...] = ()
    narrative: tuple[str, ...] = ()
    cautions: tuple[Caution, ...] = ()
    tables: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class StoredSheet(Received):
    """One version of a sheet in the server's casebook; `etag` names exactly this version, `sheet` is as it was sent.

    `trusted`, `photos` and `remarks` go with it; `assessment` is the newest one, where it is one of this version.
    """

    id: str
    version: int
    etag: str
    sheet: Mapping[str, Any]
    saved_at: str = ""
    saved_by: str = ""
    trusted: Mapping[str, Any] | None = None
    photos: tuple[Mapping[str, Any], ...] = ()
    remarks: str | None = None
    assessment: Assessment | None = None

    @property
    def record(self) -> dict[str, Any]:
        """The sheet with what goes with it, as `save_sheet` takes it."""
        return {name: self.raw[name] for name in RECORD if self.raw.get(name) is not None}


@dataclass(frozen=True, slots=True)
class SheetSummary(Received):
    """A sheet of the casebook as a list shows it."""

    id: str
    version: int
    etag: str
    outcome: str
    maker: str | None = None
    model: str | None = None
    claim: str | None = None
    trusted: str | None = None
    saved_at: str = ""
    saved_by: str = ""


@dataclass(frozen=True, slots=True)
class HistoryEntry(Received):
    """One thing that was done to a sheet: who, when (in UTC), what, and to which version."""

    at: str
    who: str
    what: str
    version: int | None = None
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Fault(Received):
    """One thing that is wrong with a request: the JSON pointer of the value, and the characters of its text."""

    message: str = ""
    pointer: str = ""
    at: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Problem(Received):
    """A refusal as RFC 9457 problem details."""

    type: str = "about:blank"
    title: str = ""
    status: int = 0
    detail: str = ""
    errors: tuple[Fault, ...] = ()
    current: StoredSheet | None = None  # after a conflict: what stands in the casebook
    yours: Mapping[str, Any] | None = None  # and what was not saved

    @property
    def name(self) -> str:
        """The last step of the type: `bad-marking`, `too-large` ..."""
        return self.type.rstrip("/").rpartition("/")[2]


@dataclass(frozen=True, slots=True)
class Answer(Received, Generic[T]):
    """The answer to one line of a stream or one item of a batch: a value, or the problem for which there is none.

    `line` counts from 1 in what the caller handed over; `id` is the caller's own, None where it gave none.
    """

    line: int
    id: Any
    value: T | None
    problem: Problem | None

    def get(self) -> T:
        """The value. Raises the exception of the problem where there is none."""
        if self.problem is not None:
            raise _refusal(self.problem, f"line {self.line}")
        return cast(T, self.value)


@dataclass(frozen=True, slots=True)
class Scheme(Received):
    """One documented way of writing a date into a marking."""

    id: str
    title: str = ""
    family: str = ""
    kinds: tuple[str, ...] = ()
    maker: str | None = None
    years: str | None = None
    grade: str = ""
    notes: tuple[str, ...] = ()
    examples: tuple[str, ...] = ()
    sources: tuple[Source, ...] = ()


@dataclass(frozen=True, slots=True)
class Kind(Received):
    """One kind of part, with the trade names under which it is known too."""

    id: str
    title: str = ""
    aliases: tuple[str, ...] = ()
    how_to_look: str | None = None


@dataclass(frozen=True, slots=True)
class TableHead(Received):
    """A table without its rows; `rows` is their number."""

    id: str
    title: str = ""
    description: str = ""
    revision: str = ""
    rows: int | None = None


@dataclass(frozen=True, slots=True)
class Table(Received):
    """A table with its rows, each a mapping of column to value, and the sources that they name."""

    id: str
    title: str = ""
    description: str = ""
    revision: str = ""
    columns: tuple[str, ...] = ()
    rows: tuple[Raw, ...] = ()
    sources: tuple[Source, ...] = ()


@dataclass(frozen=True, slots=True)
class Health(Received):
    """That the server answers, its version, and the digest of the tables that it answers from."""

    status: str
    version: str = ""
    tables: str = ""


# --- what goes wrong


class PartdateError(Exception):
    """Anything that kept a call from its answer; `problem` is what the server said, where it said anything."""

    def __init__(self, message: str, problem: Problem | None = None) -> None:
        super().__init__(message)
        self.problem = problem


class BadRequest(PartdateError):
    """The request can't be carried out as it is: sending it again unchanged is no use. `problem.errors` says why."""


class BadFields(BadRequest):
    """A field is missing, unknown, of the wrong type or out of bounds."""


class BadMarking(BadRequest):
    """The marking can't be taken: empty, too long, a control character, an unclosed bracket."""


class BadClaim(BadRequest):
    """The claim is no period in EDTF."""


class UnknownKind(BadRequest):
    """No kind of part has this name."""


class BadSheet(BadRequest):
    """The sheet can't be checked; `problem.errors` lists every fault."""


class Conflict(BadRequest):
    """The casebook has another version of the sheet than the one seen, or a sheet of this id; nothing was saved.

    `problem.current` is what stands there, `problem.yours` what was sent. Compare the two, then save again over
    `problem.current`.
    """


class TooLarge(BadRequest):
    """The body, or the number of items in it, is larger than the server takes: send several smaller ones."""


class Unauthorized(PartdateError):
    """The server wants a token, or doesn't take this one."""


class NotFound(PartdateError):
    """Nothing of this name is there."""


class RouteMissing(NotFound):
    """The server doesn't have this call at all: it is older than this client, or no partdate server."""


class TooManyRequests(PartdateError):
    """The server asks to be called less often; `retry_after` is the wait in seconds that it asked for last, if any."""

    def __init__(
        self, message: str, problem: Problem | None = None, retry_after: float | None = None
    ) -> None:
        super().__init__(message, problem)
        self.retry_after = retry_after


class ServerUnavailable(PartdateError):
    """The server can't be reached, or says that it can't answer now; `retry_after` as for TooManyRequests."""

    def __init__(
        self, message: str, problem: Problem | None = None, retry_after: float | None = None
    ) -> None:
        super().__init__(message, problem)
        self.retry_after = retry_after


class TimedOut(ServerUnavailable):
    """The server took longer than the time-out allows."""


class ServerFailed(PartdateError):
    """The server failed over this request; it has logged the fault."""


class ProtocolError(PartdateError):
    """The answer is not what a partdate server gives: wrong content type, cut off, not JSON, a field missing."""


class RedirectRefused(PartdateError):
    """The server points to another address. It isn't followed: neither the request nor the token goes there."""

    def __init__(self, message: str, location: str) -> None:
        super().__init__(message)
        self.location = location


class StreamBroken(PartdateError):
    """A stream that ended before its last line was answered; `__cause__` is what ended it.

    Lines count from 1. `answered` and `unanswered` are the lines with and without an answer, as ranges in order;
    together they are all lines taken from the iterable. `pending` are the items of the unanswered lines, in order:
    chained before what is left of the iterable, they are the rest of the work.
    """

    def __init__(
        self,
        reason: PartdateError,
        answered: tuple[range, ...],
        unanswered: tuple[range, ...],
        pending: Sequence[Any],
    ) -> None:
        self.answered = answered
        self.unanswered = unanswered
        self.pending = tuple(pending)
        super().__init__(
            f"the stream broke: {_lines_in_words(answered)} answered, {_lines_in_words(unanswered)} taken "
            f"and not answered, nothing taken after that. Reason: {reason}",
            reason.problem,
        )

    def has_answer(self, line: int) -> bool:
        """Whether the line was answered."""
        return any(line in lines for lines in self.answered)


_BY_NAME: Final[Mapping[str, type[PartdateError]]] = {
    "bad-fields": BadFields,
    "bad-marking": BadMarking,
    "bad-claim": BadClaim,
    "unknown-kind": UnknownKind,
    "bad-sheet": BadSheet,
    "sheet-exists": Conflict,
    "stale-version": Conflict,
    "too-large": TooLarge,
}
_BY_STATUS: Final[Mapping[int, type[PartdateError]]] = {
    401: Unauthorized,
    403: Unauthorized,
    404: NotFound,
    413: TooLarge,
    429: TooManyRequests,
    503: ServerUnavailable,
}


def _refusal(problem: Problem, asked: str) -> PartdateError:
    """The exception of a problem: by its type where this client knows it, else by its status."""
    otherwise = ServerFailed if problem.status >= 500 else BadRequest
    kind = _BY_NAME.get(problem.name) or _BY_STATUS.get(problem.status, otherwise)
    said = [problem.detail or problem.title or f"status {problem.status}"]
    if len(problem.errors) > 1 or (problem.errors and not problem.detail):
        said += [f"  {fault.pointer}: {fault.message}" for fault in problem.errors]
    return kind(f"{asked}: " + "\n".join(said), problem)


def _ranges(lines: Iterable[int], after: int = 1) -> tuple[range, ...]:
    """Ascending line numbers as ranges, with all lines from 1 up to, not including, `after` in front."""
    made = [range(1, after)] if after > 1 else []
    for line in lines:
        if made and made[-1].stop == line:
            made[-1] = range(made[-1].start, line + 1)
        else:
            made.append(range(line, line + 1))
    return tuple(made)


def _lines_in_words(lines: Sequence[range]) -> str:
    if not lines:
        return "no line"
    shown = [f"{r.start} to {r.stop - 1}" if len(r) > 1 else str(r.start) for r in lines[:10]]
    more = f" and {len(lines) - 10} more spans" if len(lines) > 10 else ""
    return f"{'line' if len(lines) == 1 and len(lines[0]) == 1 else 'lines'} {', '.join(shown)}{more}"


# --- from JSON to values


def _made(shape: type[T], value: Any, place: str) -> T:
    """A JSON object as a value of this dataclass. Raises ProtocolError that names the place of what doesn't fit."""
    if not isinstance(value, dict):
        raise ProtocolError(f"{place} is {_type_in_words(value)} where an object is expected")
    given: dict[str, Any] = {"raw": value}
    for name, key, hint, needed in _plan(cast(Any, shape)):
        found = value.get(key)
        if found is not None:
            given[name] = _read(hint, found, f"{place}/{key}")
        elif needed:
            raise ProtocolError(f"{place} has no {key}")
    return shape(**given)


@cache
def _plan(shape: type[Any]) -> tuple[tuple[str, str, Any, bool], ...]:
    """Attribute, JSON name, type and need of each field of a dataclass."""
    hints = get_type_hints(shape)
    return tuple(
        (
            one.name,
            one.metadata.get("key", one.name),
            hints[one.name],
            one.default is MISSING and one.default_factory is MISSING,
        )
        for one in fields(shape)
        if one.name != "raw"
    )


def _read(hint: Any, value: Any, place: str) -> Any:
    origin, inside = get_origin(hint), get_args(hint)
    if origin is UnionType:
        return _read(next(one for one in inside if one is not NoneType), value, place)
    if origin is tuple:
        if not isinstance(value, list) or (inside[-1] is not Ellipsis and len(value) != len(inside)):
            raise ProtocolError(f"{place} is {_type_in_words(value)} where a list is expected")
        return tuple(_read(inside[0], one, f"{place}/{at}") for at, one in enumerate(value))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        if not isinstance(value, dict):
            raise ProtocolError(f"{place} is {_type_in_words(value)} where an object is expected")
        return (
            value if inside[1] is Any else {k: _read(inside[1], v, f"{place}/{k}") for k, v in value.items()}
        )
    if is_dataclass(hint):
        return _made(cast(type[Any], hint), value, place)
    if hint is date:
        try:
            return date.fromisoformat(value)
        except (TypeError, ValueError):
            raise ProtocolError(f"{place} is no day: {str(value)[:40]!r}") from None
    wanted = (int, float) if hint is float else hint
    if not isinstance(value, wanted) or (isinstance(value, bool) and hint is not bool):
        raise ProtocolError(f"{place} is {_type_in_words(value)} where {_TYPES[hint]} is expected")
    return value


_TYPES: Final[Mapping[type[Any], str]] = {
    str: "text",
    int: "a whole number",
    float: "a number",
    bool: "true or false",
    dict: "an object",
    list: "a list",
}


def _type_in_words(value: Any) -> str:
    return "null" if value is None else _TYPES[type(value)]


# --- asking


class Client:
    """A partdate server at `base_url`, which may end in a path of its own.

    `token` goes out as a bearer token, to this address and to no other; over plain http everybody on the way can
    read it. `timeout` is seconds to connect and seconds of silence, as requests takes them. A call that meets 429,
    503 or a broken connection is repeated up to `retries` times, after the Retry-After of the server or twice as
    long each time; every call may be repeated: a save that has arrived before is known by what stands there.
    `session` is a requests.Session of your own, for proxies and certificates; it is yours to close. `sleep`, `jitter`
    (0 to 1) and `clock` (seconds since 1970) stand in for the real ones in tests.

    Raises ValueError for an address that is none, or a token that no header can hold.
    """

    def __init__(
        self,
        base_url: str,
        *,
        token: str | None = None,
        timeout: tuple[float, float] | float = (3.05, 30),
        retries: int = 3,
        session: requests.Session | None = None,
        sleep: Callable[[float], object] = time.sleep,
        jitter: Callable[[], float] = random.random,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.base_url = _base(base_url)
        self.timeout = timeout
        self.retries = retries
        self._auth = _Bearer(token)
        self._session = session or requests.Session()
        self._owns_session = session is None
        self._sleep = sleep
        self._jitter = jitter
        self._clock = clock

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connections, unless the session is the caller's own."""
        if self._owns_session:
            self._session.close()

    def decode(
        self,
        marking: str,
        *,
        part: str | None = None,
        maker: str | None = None,
        claim: str | None = None,
        country: str | None = None,
        patent: str | None = None,
    ) -> Decoding:
        """Every reading of one marking. One that no scheme reads is an answer: its status is unread.

        Raises BadMarking, UnknownKind, BadClaim, BadFields, and what every call raises: Unauthorized,
        TooManyRequests, ServerUnavailable, ServerFailed, RouteMissing, ProtocolError, RedirectRefused.
        """
        given = {"part": part, "maker": maker, "claim": claim, "country": country, "patent": patent}
        asked = {"marking": marking, **{name: value for name, value in given.items() if value is not None}}
        return _made(Decoding, self._post("/v1/decode", asked), "the decoding")

    def check(self, sheet: Raw) -> Assessment:
        """The assessment of one sheet, in the JSON shape: `{"instrument": {...}, "parts": [...]}`.

        Raises BadSheet, and what every call raises.
        """
        return _made(Assessment, self._post("/v1/check", sheet), "the assessment")

    def decode_batch(self, items: Iterable[str | Raw]) -> list[Answer[Decoding]]:
        """The decodings of a few hundred markings in one request, in their order.

        An item is a marking, or a mapping of `marking`, `part`, `maker`, `claim`, `country`, `patent` and the
        caller's own `id`. An item that can't be taken has a problem in its answer and spoils no other.

        Raises TooLarge when the server takes no such number of items (see `decode_stream`), and what every call
        raises.
        """
        sent = [_line(item) for item in items]
        body = self._post("/v1/decode/batch", {"items": sent})
        answers = list(_each(body, "items"))
        if len(answers) != len(sent):
            raise ProtocolError(f"{len(answers)} answers came for {len(sent)} items")
        for at, raw in enumerate(answers):
            if isinstance(raw, dict) and raw.get("index", at) != at:
                raise ProtocolError(f"answer {at + 1} is for item {raw['index']!r}, counted from 0")
        return [_answer(Decoding, "decoding", raw, at + 1, sent[at]) for at, raw in enumerate(answers)]

    def decode_stream(self, items: Iterable[str | Raw]) -> Iterator[Answer[Decoding]]:
        """The decodings of any number of markings, each as it comes; items are as for `decode_batch`.

        Memory is constant, whatever the number: the iterable is read 250 items at a time, and each answer
        is handed over before the next is read. Raises StreamBroken when a line has no answer, and, before the
        first answer, what every call raises.
        """
        return self._stream("/v1/decode/stream", items, Decoding, "decoding")

    def check_stream(self, sheets: Iterable[Raw]) -> Iterator[Answer[Assessment]]:
        """The assessments of any number of sheets, each as it comes; see `decode_stream`."""
        return self._stream("/v1/check/stream", sheets, Assessment, "assessment")

    def schemes(self) -> tuple[Scheme, ...]:
        """All schemes that the server reads."""
        return tuple(_made(Scheme, one, "the scheme") for one in _each(self._get("/v1/schemes"), "schemes"))

    def parts(self) -> tuple[Kind, ...]:
        """All kinds of part that the server knows."""
        return tuple(_made(Kind, one, "the kind") for one in _each(self._get("/v1/parts"), "parts"))

    def tables(self) -> tuple[TableHead, ...]:
        """All tables that the server answers from, without their rows."""
        return tuple(_made(TableHead, one, "the table") for one in _each(self._get("/v1/tables"), "tables"))

    def table(self, name: str) -> Table:
        """One table with its rows, such as `eia/source-codes`. Raises NotFound."""
        steps = name.split("/")
        if not all(step.strip(".") for step in steps):
            raise NotFound(f"no table is called {name!r}")
        return _made(Table, self._get("/v1/tables/" + quote(name)), "the table")

    # The casebook; a server without one has none of these calls, and NotFound is raised.

    def create_sheet(self, record: Raw, *, id: str | None = None) -> StoredSheet:
        """Keep a new sheet: one as `check` takes it, or `{"sheet", "trusted"?, "photos"?, "remarks"?}`.

        With an id of your own (small letters, digits and hyphens) the call can be made again after any failure: one
        sheet is kept. Raises BadSheet, Conflict where the id has another sheet, and what every call raises.
        """
        name = id if id is not None else f"{int(self._clock() * 1000):012x}{secrets.token_hex(4)}"
        return self._kept("POST", "/v1/sheets", {"id": name, **_record(record)}, {})

    def sheet(self, id: str, version: int | None = None) -> StoredSheet:
        """A sheet as it stands, or an earlier version of it. Raises NotFound."""
        asked = "" if version is None else f"?version={version}"
        return _made(StoredSheet, self._get(_sheet_path(id) + asked), "the sheet")

    def save_sheet(self, id: str, record: Raw, *, seen: StoredSheet | str) -> StoredSheet:
        """Keep a new version of a sheet over the one that the change was made from, or its ETag.

        Raises Conflict, with both versions, where somebody else was quicker; BadSheet, NotFound.
        """
        return self._kept("PUT", _sheet_path(id), _record(record), {"If-Match": _etag(seen)})

    def sheets(self, **wanted: str) -> Iterator[SheetSummary]:
        """The sheets, newest first; `wanted` are maker, serial, marking, outcome, verdict or trusted."""
        asked = dict(wanted)
        while True:
            body = self._get("/v1/sheets" + (f"?{urlencode(asked)}" if asked else ""))
            yield from (_made(SheetSummary, one, "the sheet") for one in _each(body, "sheets"))
            if not body.get("after"):
                return
            asked["after"] = str(body["after"])

    def sheet_history(self, id: str) -> tuple[HistoryEntry, ...]:
        """Who did what to a sheet, oldest first. Raises NotFound."""
        body = self._get(_sheet_path(id) + "/history")
        return tuple(_made(HistoryEntry, one, "the entry") for one in _each(body, "history"))

    def restore_sheet(self, id: str, version: int, *, seen: StoredSheet | str) -> StoredSheet:
        """Keep an earlier version as the newest one, over the one that was seen. Raises Conflict, NotFound."""
        path, needed = _sheet_path(id) + "/restore", {"If-Match": _etag(seen)}
        return self._kept("POST", path, {"version": version}, needed)

    def _kept(self, method: str, path: str, body: Raw, headers: Mapping[str, str]) -> StoredSheet:
        try:
            with closing(
                self._asked(method, path, JSON, _written(body, "the request"), JSON, more=headers)
            ) as response:
                return _made(StoredSheet, _json(response), "the sheet")
        except Conflict as error:
            # The answer to an attempt before this one was lost on the way: the casebook has it.
            found = error.problem
            if found is None or found.current is None or found.current.record != found.yours:
                raise
            return found.current

    def health(self) -> Health:
        """Whether the server answers, its version, and which tables it has."""
        return _made(Health, self._get("/healthz"), "the health check")

    def _get(self, path: str) -> Any:
        with closing(self._asked("GET", path, JSON)) as response:
            return _json(response)

    def _post(self, path: str, body: Any) -> Any:
        with closing(self._asked("POST", path, JSON, _written(body, "the request"), JSON)) as response:
            return _json(response)

    def _stream(self, path: str, items: Iterable[Any], shape: type[T], name: str) -> Iterator[Answer[T]]:
        for segment in _segments(items):
            try:
                response = self._asked("POST", path, NDJSON, segment.body, NDJSON, STREAM_WAIT)
            except PartdateError as error:
                if segment.first == 1:
                    raise  # nothing has an answer, and nothing went wrong but the asking
                raise _broken(error, segment, ()) from error
            answered: set[int] = set()
            with closing(response):
                try:
                    for raw in _lines(response):
                        _check_end(raw)
                        at = _at(raw, len(segment.items), answered)
                        answer = _answer(shape, name, raw, segment.first + at, segment.items[at])
                        answered.add(at)
                        yield answer
                    if len(answered) < len(segment.items):
                        raise ProtocolError("the answer ended before the last line was answered")
                except PartdateError as error:
                    raise _broken(error, segment, answered) from error

    def _asked(
        self,
        method: str,
        path: str,
        accept: str,
        body: bytes | None = None,
        content_type: str | None = None,
        patience: float = LONGEST_WAIT,
        more: Raw = MappingProxyType({}),
    ) -> requests.Response:
        """The response to a call, with its body still to be read; repeated where that is of use."""
        headers = {
            "Accept": f"{accept}, {PROBLEM_JSON}",
            "User-Agent": f"partdate-client/{__version__}",
            **more,
        }
        if content_type is not None:
            headers["Content-Type"] = content_type
        for attempt in range(self.retries + 1):
            try:
                response = self._followed(method, path, headers, body)
                return _accepted(response, f"{method} {path}", accept, self._clock)
            except (TooManyRequests, ServerUnavailable) as error:
                wait = self._wait(error, attempt, patience)
                if wait is None:
                    raise
            self._sleep(wait)
        raise AssertionError("the last attempt returns or raises")  # pragma: no cover

    def _wait(
        self, error: TooManyRequests | ServerUnavailable, attempt: int, patience: float
    ) -> float | None:
        """Seconds until the next attempt; None when there is none.

        Each wait is twice the one before, less up to half by chance, so that many clients don't come back at once.
        """
        if attempt >= self.retries or not _passes(error):
            return None
        chance = self._jitter()
        if error.retry_after is None:
            return min(LONGEST_WAIT, FIRST_WAIT * 2.0**attempt) * (1 - chance / 2)
        return error.retry_after + FIRST_WAIT * chance if error.retry_after <= patience else None

    def _followed(
        self, method: str, path: str, headers: Mapping[str, str], body: bytes | None
    ) -> requests.Response:
        """The response, with redirects followed inside this server and nowhere else."""
        url = self.base_url + path
        for _ in range(REDIRECTS + 1):
            response = self._sent(method, url, headers, body)
            if response.status_code not in (301, 302, 303, 307, 308) or "Location" not in response.headers:
                return response
            response.close()
            url = _next(method, url, response)
        raise ProtocolError(f"{method} {path}: the server points from one address to the next without an end")

    def _sent(
        self, method: str, url: str, headers: Mapping[str, str], body: bytes | None
    ) -> requests.Response:
        try:
            return self._session.request(
                method,
                url,
                data=body,
                headers=dict(headers),
                auth=self._auth,
                timeout=self.timeout,
                allow_redirects=False,
                stream=True,
            )
        except (requests.RequestException, ValueError) as error:
            # ValueError: requests looks where a redirect leads, even where it isn't to follow it.
            raise _unsent(error, url) from error


class _Bearer(requests.auth.AuthBase):
    """The token as a header; without one, nothing, and nothing of a .netrc file either."""

    def __init__(self, token: str | None) -> None:
        if token is not None and (not token.isascii() or not token.isprintable() or not token.strip()):
            raise ValueError("a token is printable ASCII: check for a line break at its end")
        self.token = token

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        if self.token is not None:
            request.headers["Authorization"] = f"Bearer {self.token}"
        return request


def _base(url: str) -> str:
    """The address of a server without the slash at its end. Raises ValueError."""
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError as error:
        raise ValueError(f"{url!r} is no address: {error}") from None
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise ValueError(
            f"{url!r} is no address of a server: write it as https://partdate.example or http://127.0.0.1:8000"
        )
    if parts.username is not None or parts.password is not None or parts.query or parts.fragment:
        raise ValueError(
            "the address takes no user name, password, query or fragment; a token is a parameter of its own"
        )
    return url.rstrip("/")


def _origin(url: str) -> tuple[str, str | None, str | None, int | None]:
    parts = urlsplit(url)
    return (
        parts.scheme,
        parts.username,
        parts.hostname,
        parts.port or {"http": 80, "https": 443}.get(parts.scheme),
    )


def _next(method: str, url: str, response: requests.Response) -> str:
    """Where a redirect leads. Raises RedirectRefused for another host, port or scheme, and where it loses the body."""
    location = response.headers["Location"]
    target = urljoin(url, location)
    try:
        inside = _origin(target) == _origin(url)
    except ValueError:
        inside = False
    if not inside:
        raise RedirectRefused(
            f"{url} points to {location[:200]!r}, which is another host, port or scheme: it was not followed, and no "
            "token was sent there. If the server has moved, make the client with its new address",
            location,
        )
    if method != "GET" and response.status_code not in (307, 308):
        raise RedirectRefused(
            f"{url} points to {location[:200]!r} with status {response.status_code}, which would lose the "
            "request's body: make the client with the address that it points to",
            location,
        )
    here, there = urlsplit(url), urlsplit(target)
    return here._replace(path=there.path, query=there.query).geturl()


def _unsent(error: Exception, url: str) -> PartdateError:
    """What a failed attempt to send is."""
    if isinstance(error, requests.ConnectTimeout):
        return TimedOut(f"{url} could not be reached within the time-out")
    if isinstance(error, requests.ReadTimeout):
        return TimedOut(
            f"{url} gave no answer within the time-out; the server may be busy, or the request large"
        )
    if isinstance(error, requests.exceptions.SSLError):
        return ServerUnavailable(f"{url} has a certificate that can't be trusted: {error}")
    if isinstance(error, requests.ConnectionError):
        return ServerUnavailable(
            f"{url} can't be reached: is the server up, and is this its address? ({error})"
        )
    return ProtocolError(f"{url} can't be asked: {error}")


def _passes(error: PartdateError) -> bool:
    """Whether asking again is of use: not after silence, which burdens a busy server, nor for a certificate."""
    return not isinstance(error.__cause__, (requests.ReadTimeout, requests.exceptions.SSLError))


def _accepted(
    response: requests.Response, asked: str, accept: str, clock: Callable[[], float]
) -> requests.Response:
    """The response if it is one of the right status and type, with its body still to be read."""
    if response.status_code == (201 if asked == "POST /v1/sheets" else 200):
        if _mimetype(response) == accept:
            return response
        response.close()
        raise ProtocolError(
            f"{asked}: the answer is {_mimetype(response)[:100] or 'of no type'}, where {accept} is expected: "
            "is this the address of a partdate server?"
        )
    with closing(response):
        problem = _problem(response)
    if response.status_code < 400:
        raise ProtocolError(
            f"{asked}: the answer has the status {response.status_code}, which this client knows no use for"
        )
    if response.status_code in (404, 405) and not any(path in asked for path in NAMING):
        raise RouteMissing(
            f"{asked}: the server has no such call. It is older than this client (version {__version__}), or no "
            "partdate server; health() says which version it is",
            problem,
        )
    error = _refusal(problem, asked)
    if isinstance(error, (TooManyRequests, ServerUnavailable)):
        error.retry_after = _retry_after(response.headers.get("Retry-After", ""), clock)
    raise error


def _problem(response: requests.Response) -> Problem:
    """The problem details of a refusal, or its bare status where it has none, as from a proxy in between."""
    bare = {
        "title": response.reason or "",
        "detail": f"status {response.status_code} {response.reason or ''}".rstrip(),
    }
    found: Any = bare
    if _mimetype(response) in (PROBLEM_JSON, JSON):
        try:
            found = _parsed(_body(response, REFUSAL_LIMIT), "the problem")
            return _made(Problem, {**found, "status": response.status_code}, "the problem")
        except (PartdateError, TypeError):
            pass  # the refusal stands, whatever became of its words
    return _made(Problem, {**bare, "status": response.status_code}, "the problem")


def _mimetype(response: requests.Response) -> str:
    return response.headers.get("Content-Type", "").partition(";")[0].strip().lower()


def _retry_after(value: str, clock: Callable[[], float]) -> float | None:
    """Seconds from now that a Retry-After header means, in seconds or as an HTTP date; None when it means nothing."""
    if value.isascii() and value.strip().isdecimal():
        return float(value)
    try:
        return max(0.0, parsedate_to_datetime(value).timestamp() - clock())
    except (TypeError, ValueError, OverflowError):
        return None


def _chunks(response: requests.Response) -> Iterator[bytes]:
    """The body as it comes; ProtocolError when it is cut off, TimedOut when nothing comes any more."""
    try:
        yield from response.iter_content(16_384)
    except (requests.exceptions.ChunkedEncodingError, requests.exceptions.ContentDecodingError) as error:
        raise ProtocolError(f"the answer of {response.url} was cut off: {error}") from error
    except requests.RequestException as error:
        raise TimedOut(f"the answer of {response.url} stopped: {error}") from error


def _body(response: requests.Response, limit: int = ANSWER_LIMIT) -> bytes:
    body = bytearray()
    for chunk in _chunks(response):
        body += chunk
        if len(body) > limit:
            raise ProtocolError(f"the answer of {response.url} is larger than {limit:,} bytes")
    return bytes(body)


def _json(response: requests.Response) -> Any:
    return _parsed(_body(response), f"the answer of {response.url}")


def _parsed(raw: bytes, what: str) -> Any:
    try:
        return json.loads(raw)
    except (ValueError, RecursionError) as error:
        raise ProtocolError(
            f"{what} is not JSON, or was cut off after {len(raw):,} bytes: {error}"
        ) from error


def _written(value: Any, what: str) -> bytes:
    """A value as JSON. Raises BadRequest for one that JSON can't hold."""
    try:
        return json.dumps(value, allow_nan=False).encode("ascii")
    except (TypeError, ValueError, RecursionError) as error:
        raise BadRequest(f"{what} can't be written as JSON: {error}") from error


def _record(given: Raw) -> Raw:
    return given if "sheet" in given else {"sheet": given}


def _etag(seen: StoredSheet | str) -> str:
    etag = seen.etag if isinstance(seen, StoredSheet) else seen
    return etag if etag == "*" else f'"{etag.strip(chr(34))}"'


def _sheet_path(id: str) -> str:
    if not id.strip("."):
        raise NotFound(f"no sheet has the id {id!r}")
    return "/v1/sheets/" + quote(id, safe="")


def _each(body: Any, name: str) -> Iterator[Any]:
    """The items of the list that an answer holds under this name."""
    if not isinstance(body, dict) or not isinstance(body.get(name), list):
        raise ProtocolError(f"the answer has no list called {name}")
    yield from body[name]


# --- streams


@dataclass(frozen=True, slots=True)
class _Segment:
    """A stretch of a stream that goes out in one request; `first` is the number of its first line.

    `next` holds the item that was taken from the iterable and found too large to go out with these.
    """

    first: int
    items: list[Any]
    body: bytes
    next: tuple[Any, ...] = ()


def _line(item: Any) -> Any:
    """An item as it goes out."""
    if isinstance(item, str):
        return {"marking": item}
    return dict(item) if isinstance(item, Mapping) else item


def _segments(items: Iterable[Any]) -> Iterator[_Segment]:
    """The lines in stretches. Where one can't be had or can't be written, those before it go out first."""
    taken: list[Any] = []
    body = bytearray()
    first = 1
    try:
        for item in items:
            line = _written(_line(item), f"line {first + len(taken)}") + b"\n"
            if taken and len(body) + len(line) > STREAM_BYTES:
                yield _Segment(first, taken, bytes(body), (item,))
                first, taken, body = first + len(taken), [], bytearray()
            taken.append(item)
            body += line
            if len(taken) == STREAM_LINES:
                yield _Segment(first, taken, bytes(body))
                first, taken, body = first + len(taken), [], bytearray()
    except Exception:
        if taken:
            yield _Segment(first, taken, bytes(body))
        raise
    if taken:
        yield _Segment(first, taken, bytes(body))


def _lines(response: requests.Response) -> Iterator[Raw]:
    """The objects of a stream of JSON lines, each as soon as it is whole."""
    rest: list[bytes] = []
    size = 0

    def whole(line: bytes) -> Iterator[Raw]:
        if line.strip():
            made = _parsed(line, "a line of the stream")
            if not isinstance(made, dict):
                raise ProtocolError(
                    f"a line of the stream is {_type_in_words(made)} where an object is expected"
                )
            yield made

    for chunk in _chunks(response):
        *ended, begun = chunk.split(b"\n")
        for line in ended:
            yield from whole(b"".join((*rest, line)))
            rest, size = [], 0
        rest.append(begun)
        size += len(begun)
        if size > ANSWER_LIMIT:
            raise ProtocolError(f"a line of the stream is longer than {ANSWER_LIMIT:,} bytes")
    yield from whole(b"".join(rest))


def _check_end(raw: Raw) -> None:
    """Raises the problem of a line with which the server ends a stream early: it has no number."""
    if "line" not in raw and "problem" in raw:
        raise _refusal(_made(Problem, raw["problem"], "the last line"), "the server ended the stream")


def _at(raw: Raw, count: int, answered: Iterable[int]) -> int:
    """The 0-based place in its segment of the line that an answer is for."""
    line = raw.get("line")
    if type(line) is not int or not 1 <= line <= count or line - 1 in answered:
        raise ProtocolError(
            f"an answer came for line {line!r} of {count}, which doesn't exist or is answered already"
        )
    return line - 1


def _answer(shape: type[T], name: str, raw: Any, line: int, item: Any) -> Answer[T]:
    """One answer of a stream or batch, held against the item that it is for."""
    if not isinstance(raw, dict):
        raise ProtocolError(f"the answer to line {line} is {_type_in_words(raw)} where an object is expected")
    own = item.get("id") if isinstance(item, Mapping) else None
    if "id" in raw and raw["id"] != json.loads(_written(own, "the id")):
        raise ProtocolError(f"the answer to line {line} carries the id {raw['id']!r}, not {own!r}")
    problem, value = raw.get("problem"), raw.get(name)
    if (problem is None) == (value is None):
        raise ProtocolError(f"the answer to line {line} needs a {name} or a problem, and not both")
    if problem is not None:
        return Answer(line, own, None, _made(Problem, problem, f"the problem of line {line}"), raw=raw)
    return Answer(line, own, _made(shape, value, f"the {name} of line {line}"), None, raw=raw)


def _broken(reason: PartdateError, segment: _Segment, answered: Iterable[int]) -> StreamBroken:
    done = frozenset(answered)
    taken = [*segment.items, *segment.next]
    return StreamBroken(
        reason,
        _ranges((segment.first + at for at in range(len(taken)) if at in done), after=segment.first),
        _ranges(segment.first + at for at in range(len(taken)) if at not in done),
        [item for at, item in enumerate(taken) if at not in done],
    )
