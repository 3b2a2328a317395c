"""Very many markings or sheets from a file to a file, on all cores, in constant memory, resumable after a kill.

`answer_chunk` is the pure function that does the work: lines in, lines out. `run` reads a chunk at a time, has the
chunks answered by an executor (processes here, or those of a Dask cluster: anything with `submit`), and writes the
answers in order. After each chunk the answers are on disk before the journal says so; a run that was killed cuts off
what the journal doesn't know and goes on from there, so no line is lost and none stands twice.
"""

from __future__ import annotations

import csv
import io
import json
import os
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any, BinaryIO, Final

from decoder.casebook.errors import CasebookError
from decoder.casebook.exchange import guarded, unguarded
from decoder.casebook.facts import digest_of
from decoder.casebook.files import take_name
from decoder.casebook.recheck import Folders, folders_of, tables_from
from decoder.catalog import decode
from decoder.crosscheck import check
from decoder.crosscheck.sheet import SheetError
from decoder.tables import Tables

CHUNK: Final = 2_000  # lines
LINE_LIMIT: Final = 2_000_000  # bytes
RECORD_LIMIT: Final = (
    20_000  # bytes of a record of a CSV; a quotation mark left open swallows no more than a line
)
NDJSON: Final = "ndjson"
CSV: Final = "csv"
PARQUET: Final = "parquet"
ENDINGS: Final[Mapping[str, str]] = {
    ".ndjson": NDJSON, ".jsonl": NDJSON, ".json": NDJSON, ".csv": CSV, ".parquet": PARQUET, ".pq": PARQUET,
}  # fmt: skip
QUESTION: Final = ("marking", "part", "maker", "claim", "country", "patent")
FLAT: Final = (
    "id", "line", "marking", "part", "maker", "status", "window", "strength", "scheme", "title", "precision",
    "readings", "near_miss", "grade",
)  # fmt: skip
SHEET_FLAT: Final = ("id", "line", "outcome", "claim", "joint_window", "interval_90", "verdicts")


class BulkError(CasebookError):
    """A bulk run that can't begin, or can't go on; what was answered so far stays, and can be gone on from."""


@dataclass(frozen=True, slots=True)
class Job:
    """What every chunk of a run has in common: the kind of file, the columns, the tables, the day.

    `columns` are the header of a CSV; `delimiter` its separator; `flat` asks for one row of text a line, and `sheets`
    says that the lines are whole sheets, which have other columns.
    """

    source: str
    columns: tuple[str, ...]
    delimiter: str
    flat: bool
    sheets: bool
    folders: Folders
    today: str


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some lines of the input, the number of the first, and where in the input the next chunk begins.

    `end` is a byte of a text file, and a row of a Parquet file.
    """

    lines: tuple[str, ...]
    first: int
    end: int


@dataclass(frozen=True, slots=True)
class Answered:
    """The answers to a chunk and its bad lines, as the bytes that are written, with their numbers."""

    good: bytes
    bad: bytes
    count: int
    bad_count: int


@dataclass(frozen=True, slots=True)
class State:
    """How far a run has come: the place in the input, the sizes of the output files, the lines answered."""

    end: int = 0
    out: int = 0
    bad: int = 0
    lines: int = 0
    good_lines: int = 0
    bad_lines: int = 0


@dataclass(frozen=True, slots=True)
class Progress:
    """What can be shown of a run: lines answered, share of the input, lines a second, seconds left (None: unknown)."""

    lines: int
    bad_lines: int
    share: float
    rate: float
    left: float | None

    def words(self) -> str:
        """The progress in one line."""
        left = "" if self.left is None else f", {_clock(self.left)} left"
        bad = f", {self.bad_lines:,} bad" if self.bad_lines else ""
        return f"{self.lines:,} lines ({self.share:.0%}), {self.rate:,.0f} a second{left}{bad}"


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return (
        f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"
        if whole >= 3600
        else f"{whole // 60}:{whole % 60:02}"
    )


@dataclass(frozen=True, slots=True)
class Done:
    """A run that is over: its lines, its bad ones, the file that holds these (None if there are none)."""

    lines: int
    bad_lines: int
    bad_file: Path | None
    resumed_at: int


# ---------------------------------------------------------------------------------------------------------------
# The work: pure functions


def answer_chunk(lines: tuple[str, ...], first: int, job: Job) -> Answered:
    """The answers to some lines, in their order; the same lines, job and tables always give the same bytes.

    A line that can't be answered is a bad line, with the reason; it spoils no other.
    """
    tables = tables_from(job.folders)
    today = date.fromisoformat(job.today)
    good, bad = io.StringIO(newline=""), io.StringIO(newline="")
    writer = csv.writer(good, lineterminator="\n")
    count = bad_count = 0
    for number, line in enumerate(lines, first):
        try:
            asked = _asked(line, job)
            if asked is None:
                continue  # a blank line
            made = _answer(asked, tables, today)
            if job.flat and ("parts" in made) != job.sheets:
                raise ValueError(
                    "a table holds markings or sheets, as its first line has it: this is the other"
                )
        except ValueError as error:
            bad.write(json.dumps({"line": number, "reason": _reason(error), "text": line[:2_000]}) + "\n")
            bad_count += 1
            continue
        count += 1
        own = {"line": number, **({"id": asked["id"]} if "id" in asked else {})}
        if job.flat:
            row = {**own, **_flat(asked, made)}
            writer.writerow([guarded(_cell(row.get(name))) for name in _columns(job)])
        else:
            good.write(json.dumps({**own, **made}, separators=(",", ":")) + "\n")
    return Answered(good.getvalue().encode(), bad.getvalue().encode(), count, bad_count)


def _reason(error: ValueError) -> str:
    if isinstance(error, SheetError):
        return "; ".join(str(problem) for problem in error.problems)
    return str(getattr(error, "message", None) or error)


def _asked(line: str, job: Job) -> dict[str, Any] | None:
    if any("\udc80" <= c <= "\udcff" for c in line):
        raise ValueError("it is not UTF-8 text")
    if job.source == CSV:
        try:
            rows = list(csv.reader(io.StringIO(line, newline=""), delimiter=job.delimiter, strict=True))
        except csv.Error as error:
            raise ValueError(f"it is no CSV: {error}") from None
        if not rows or not any(cell.strip() for cell in rows[0]):
            return None
        if len(rows[0]) > len(job.columns):
            raise ValueError(f"{len(rows[0])} cells where the header has {len(job.columns)}")
        named = zip(job.columns, rows[0], strict=False)
        return {name: unguarded(cell) for name, cell in named if cell.strip()}
    if not line.strip():
        return None
    try:
        found = json.loads(line, parse_constant=_no_constant)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    if not isinstance(found, dict):
        raise ValueError("a line is an object: a marking, or a sheet with its parts")
    return found


def _no_constant(word: str) -> Any:
    raise ValueError(f"{word} is no JSON value")


def _answer(asked: Mapping[str, Any], tables: Tables, today: date) -> dict[str, Any]:
    if "parts" in asked or "sheet" in asked:
        sheet = asked.get("sheet", {name: value for name, value in asked.items() if name != "id"})
        return check(sheet, today=today, tables=tables).as_dict()
    given = {name: asked[name] for name in QUESTION if asked.get(name) is not None}
    for name, value in given.items():
        if not isinstance(value, str):
            raise ValueError(f"{name} must be text")
    if "marking" not in given:
        raise ValueError("it has no marking")
    unknown = [name for name in asked if name not in QUESTION and name != "id"]
    if unknown:
        raise ValueError(
            f"{unknown[0][:60]!r} is no field of a marking; known are {', '.join(QUESTION)} and id"
        )
    return decode(given.pop("marking"), **given, today=today, tables=tables).as_dict()


def _flat(asked: Mapping[str, Any], made: Mapping[str, Any]) -> dict[str, Any]:
    """One row of plain cells: what the first reading says, and how many readings there are."""
    if "parts" in made:
        estimate = made["estimate"] or {}
        return {
            "outcome": made["outcome"],
            "claim": made["claim"],
            "joint_window": _edtf(made["joint_windows"]),
            "interval_90": _edtf(estimate.get("interval_90") or ()),
            "verdicts": ";".join(f"{part['id']}={part['verdict']}" for part in made["parts"]),
        }
    readings = made["readings"]
    first = readings[0] if readings else {}
    misses = made["near_misses"]
    return {
        **{name: asked.get(name) for name in ("marking", "part", "maker")},
        "status": made["status"],
        "window": first["window"]["edtf"] if first else None,
        **{name: first.get(name) for name in ("strength", "scheme", "title", "precision")},
        "readings": len(readings),
        "near_miss": misses[0]["problem"] if misses else None,
        "grade": ";".join(sorted({source["grade"] for source in first.get("sources", ())})) or None,
    }


def _edtf(windows: Iterable[Mapping[str, Any]]) -> str:
    return ",".join(str(window["edtf"]) for window in windows)


def _cell(value: Any) -> str:
    return "" if value is None else str(value)


# ---------------------------------------------------------------------------------------------------------------
# Reading: chunks of lines, from any place


def kind_of_file(path: Path) -> str:
    """What a file is by its ending. Raises BulkError."""
    found = ENDINGS.get(path.suffix.lower())
    if found is None:
        raise BulkError(f"{path} ends in none of {', '.join(ENDINGS)}: by its ending a file is known")
    return found


def _header(path: Path) -> tuple[tuple[str, ...], str, int]:
    """The columns of a CSV, its separator, and the byte after its header."""
    with path.open("rb") as file:
        raw = file.readline(LINE_LIMIT)
    text = raw.decode("utf-8-sig", "replace").rstrip("\r\n")
    delimiter = max(",;\t", key=text.count)
    names = tuple(name.strip().casefold() for name in next(csv.reader([text], delimiter=delimiter), []))
    wrong = [name for name in names if name not in QUESTION and name != "id"]
    if "marking" not in names or wrong or len(set(names)) < len(names):
        raise BulkError(
            f"{path}: the first row names the columns, marking among them, each once; known are "
            f"{', '.join(QUESTION)} and id, and it says: {text[:120]}"
        )
    return names, delimiter, len(raw)


def _text_chunks(path: Path, start: int, first: int, *, delimiter: str | None, size: int) -> Iterator[Chunk]:
    """Chunks of a text file from a byte on; with a delimiter, of a CSV."""
    with path.open("rb") as file:
        file.seek(start)
        lines: list[str] = []
        number, end = first, start
        for record, length in _records(file, delimiter):
            lines.append(record)
            end += length
            if len(lines) == size:
                yield Chunk(tuple(lines), number, end)
                number += len(lines)
                lines = []
        if lines:
            yield Chunk(tuple(lines), number, end)


def _records(file: BinaryIO, delimiter: str | None) -> Iterator[tuple[str, int]]:
    """The records of a text file with their lengths in bytes. A byte that is no UTF-8 is kept, and shows.

    A record of a CSV may hold line breaks inside quotation marks.
    """
    while True:
        raw = file.readline(LINE_LIMIT)
        if not raw:
            return
        length = len(raw)
        while not raw.endswith(b"\n") and len(raw) == LINE_LIMIT:  # the rest of a line that is too long
            rest = file.readline(LINE_LIMIT)
            length += len(rest)
            if rest.endswith(b"\n") or not rest:
                break
        if delimiter is not None and length <= RECORD_LIMIT and _is_open(raw, delimiter):
            back, whole = file.tell(), raw
            while _is_open(whole, delimiter):
                more = file.readline(RECORD_LIMIT)
                whole += more
                if not more or len(whole) > RECORD_LIMIT:
                    file.seek(back)
                    break
            else:
                raw, length = whole, len(whole)
        yield raw.decode("utf-8", "surrogateescape").rstrip("\r\n"), length


def _is_open(raw: bytes, delimiter: str) -> bool:
    """Whether a quotation mark that opened a cell is still open at the end."""
    if b'"' not in raw:
        return False
    state = "start"
    for character in raw.decode("utf-8", "surrogateescape"):
        match state:
            case "quoted":
                state = "closing" if character == '"' else "quoted"
            case "start" | "closing" if character == '"':
                state = "quoted"
            case _:
                state = "start" if character == delimiter else "plain"
    return state == "quoted"


def _parquet_chunks(path: Path, start: int, *, size: int) -> Iterator[Chunk]:
    """Chunks of a Parquet file from a row on; each row is given as a line of JSON."""
    parquet = _pyarrow_parquet()
    with parquet.ParquetFile(path) as file:
        row = 0
        for group in range(file.num_row_groups):
            count = file.metadata.row_group(group).num_rows
            if row + count <= start:
                row += count
                continue
            for batch in file.iter_batches(batch_size=size, row_groups=[group]):
                rows = batch.to_pylist()
                skip = max(0, start - row)
                row += len(rows)
                if skip < len(rows):
                    yield Chunk(tuple(map(_json_row, rows[skip:])), row - len(rows) + skip + 1, row)


def _json_row(row: Mapping[str, Any]) -> str:
    given = {name: value for name, value in row.items() if value is not None}
    if isinstance(given.get("sheet"), str):
        given["sheet"] = json.loads(given["sheet"])
    return json.dumps(given, default=str)


def _pyarrow_parquet() -> Any:
    try:
        import pyarrow.parquet as parquet
    except ModuleNotFoundError as error:
        raise BulkError("for Parquet files pyarrow is needed: pip install 'partdate[parquet]'") from error
    return parquet


# ---------------------------------------------------------------------------------------------------------------
# The run


@dataclass(frozen=True, slots=True)
class Paths:
    """The files of a run: what is read and made, what is in the making, the journal, the bad lines."""

    source: Path
    target: Path

    @property
    def making(self) -> Path:
        """The answers so far."""
        return self.target.with_name(f"{self.target.name}.part")

    @property
    def journal(self) -> Path:
        """How far the run has come."""
        return self.target.with_name(f"{self.target.name}.journal")

    @property
    def bad(self) -> Path:
        """The bad lines with their reasons, one JSON object a line."""
        return self.target.with_name(f"{self.target.name}.bad.ndjson")


def run(
    source: Path,
    target: Path,
    tables: Tables,
    *,
    today: date,
    executor: Executor | None = None,
    jobs: int | None = None,
    chunk: int = CHUNK,
    restart: bool = False,
    progress: Callable[[Progress], None] | None = None,
) -> Done:
    """Answer every line of `source` into `target`; goes on with a run that was stopped, unless `restart`.

    `executor` runs the chunks (all cores of this machine by default, `jobs` of them if given; 1 uses none). Raises
    BulkError.
    """
    paths = Paths(source, target)
    prepared = _prepared(paths, tables, today, chunk)
    if prepared is None:
        return _tidied(paths)
    job, start, facts = prepared
    state = _begun(paths, job, start, facts, restart=restart)
    job = replace(job, today=state[1])
    done, resumed = state[0], state[0].lines
    chunks = _chunks(paths, job, done, chunk)
    try:
        with (
            open(paths.making, "r+b") as out,
            open(paths.bad, "r+b") as bad,
            open(paths.journal, "ab") as journal,
        ):
            for file, size in ((out, done.out), (bad, done.bad)):
                file.truncate(size)
                file.seek(size)
            meter = _Meter(paths, done, progress)
            for piece, answered in _in_order(chunks, job, executor, jobs):
                done = _written(done, piece, answered, out, bad, journal)
                meter.show(done)
    except BrokenProcessPool as error:
        raise BulkError(
            f"a process that worked on {source} was ended from outside (too little memory?). What was answered is "
            "kept: run the same command again to go on, with fewer --jobs if memory is short"
        ) from error
    except OSError as error:
        raise BulkError(
            f"{error.filename or target} can't be written: {error.strerror or error}. What was answered is kept: mend "
            "that, then run the same command again to go on"
        ) from error
    _finished(paths, job)
    return Done(done.lines, done.bad_lines, paths.bad if done.bad_lines else None, resumed)


def _is_over(paths: Paths) -> bool:
    """Whether the output is that of the run in the journal, which was killed before it could tidy up."""
    entries = _journal(paths.journal)
    return len(entries) > 1 and bool(entries[-1].get("end") == _whole(paths.source))


def _tidied(paths: Paths) -> Done:
    last = State(**_journal(paths.journal)[-1])
    for path in (paths.making, paths.journal):
        path.unlink(missing_ok=True)
    return Done(last.lines, last.bad_lines, paths.bad if last.bad_lines else None, last.lines)


def _prepared(paths: Paths, tables: Tables, today: date, chunk: int) -> tuple[Job, int, str] | None:
    """The job, the byte after the header, and the digest of the tables; None for a run that is over already."""
    source, target = kind_of_file(paths.source), kind_of_file(paths.target)
    if chunk < 1:
        raise BulkError("a chunk has at least one line")
    if paths.target.exists():
        raise BulkError(
            f"{paths.target} is there already: nothing is overwritten. Move it away, or name another file"
        )
    if not paths.source.is_file():
        raise BulkError(f"{paths.source} can't be read: there is no such file")
    columns, delimiter, start = _header(paths.source) if source == CSV else ((), ",", 0)
    if source == NDJSON:
        with paths.source.open("rb") as file:
            start = 3 if file.read(3) == b"\xef\xbb\xbf" else 0
    if PARQUET in (source, target):
        _pyarrow_parquet()
    flat = target != NDJSON
    job = Job(source, columns, delimiter, flat, False, folders_of(tables), today.isoformat())
    return replace(job, sheets=flat and _has_sheets(paths, job, start)), start, digest_of(tables)


def _has_sheets(paths: Paths, job: Job, start: int) -> bool:
    """Whether the first line that can be read is a whole sheet."""
    for piece in _chunks(paths, job, State(end=start), 20):
        for line in piece.lines:
            try:
                asked = _asked(line, job)
            except ValueError:
                continue
            if asked is not None:
                return "parts" in asked or "sheet" in asked
    return False


def _begun(paths: Paths, job: Job, start: int, facts: str, *, restart: bool) -> tuple[State, str]:
    """Where to go on, and the day of the run: that of its journal, so that all answers are of one day."""
    size = paths.source.stat().st_size
    head = {"source": paths.source.name, "size": size, "facts": facts, "flat": job.flat, "kind": job.source}
    entries = [] if restart else _journal(paths.journal)
    if entries:
        for name, meant in (("size", "the input has another size"), ("facts", "the tables are others")):
            if entries[0].get(name) != head[name]:
                raise BulkError(
                    f"{paths.journal} is of a run that was stopped, and {meant} now: answers would not go together. "
                    "Put it back as it was, or begin again with --restart"
                )
        if any(entries[0].get(name) != head[name] for name in head):
            raise BulkError(
                f"{paths.journal} is of another run: name another output, or begin again with --restart"
            )
        last = State(**entries[-1]) if len(entries) > 1 else State(end=start, lines=0)
        if paths.making.exists() and paths.making.stat().st_size >= last.out and paths.bad.exists():
            _cut_journal(paths.journal, entries)
            return last, str(entries[0]["today"])
        raise BulkError(f"{paths.making} is shorter than its journal says: begin again with --restart")
    for path in (paths.making, paths.bad):
        path.write_bytes(b"")
    _write_synced(paths.journal, json.dumps({**head, "today": job.today}) + "\n")
    return State(end=start), job.today


def _journal(path: Path) -> list[dict[str, Any]]:
    """The entries of a journal; a last line that was cut off counts for nothing."""
    if not path.exists():
        return []
    found: list[dict[str, Any]] = []
    for line in path.read_bytes().split(b"\n")[:-1]:
        try:
            found.append(json.loads(line))
        except ValueError:
            break
    return found


def _cut_journal(path: Path, entries: list[dict[str, Any]]) -> None:
    """Write the journal anew without a line that was cut off, and without all entries between first and last."""
    kept = entries[:1] + entries[1:][-1:]
    _write_synced(path, "".join(json.dumps(entry) + "\n" for entry in kept))


def _write_synced(path: Path, text: str) -> None:
    making = path.with_name(f"{path.name}.new")
    with open(making, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(making, path)


def _chunks(paths: Paths, job: Job, state: State, size: int) -> Iterator[Chunk]:
    if job.source == PARQUET:
        return _parquet_chunks(paths.source, state.end, size=size)
    first = state.lines + (2 if job.source == CSV else 1)
    delimiter = job.delimiter if job.source == CSV else None
    return _text_chunks(paths.source, state.end, first, delimiter=delimiter, size=size)


def _in_order(
    chunks: Iterable[Chunk], job: Job, executor: Executor | None, jobs: int | None
) -> Iterator[tuple[Chunk, Answered]]:
    """The chunks with their answers, in the order of the input; a few chunks a worker are under way at once."""
    workers = jobs or os.cpu_count() or 1
    if executor is None and workers == 1:
        for piece in chunks:
            yield piece, answer_chunk(piece.lines, piece.first, job)
        return
    pool = executor if executor is not None else ProcessPoolExecutor(workers)
    waiting: deque[tuple[Chunk, Future[Answered]]] = deque()
    try:
        for piece in chunks:
            waiting.append((piece, pool.submit(answer_chunk, piece.lines, piece.first, job)))
            if len(waiting) > 3 * workers:
                first, future = waiting.popleft()
                yield first, future.result()
        while waiting:
            first, future = waiting.popleft()
            yield first, future.result()
    finally:
        for _, future in waiting:
            future.cancel()
        if executor is None:
            pool.shutdown(wait=True, cancel_futures=True)


def _written(
    done: State, piece: Chunk, answered: Answered, out: BinaryIO, bad: BinaryIO, journal: BinaryIO
) -> State:
    """The state after a chunk; its answers are on disk before the journal speaks of them."""
    for file, raw in ((out, answered.good), (bad, answered.bad)):
        if raw:
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
    made = State(
        piece.end,
        done.out + len(answered.good),
        done.bad + len(answered.bad),
        done.lines + len(piece.lines),
        done.good_lines + answered.count,
        done.bad_lines + answered.bad_count,
    )
    entry = {name: getattr(made, name) for name in State.__dataclass_fields__}
    journal.write(json.dumps(entry).encode() + b"\n")
    journal.flush()
    os.fsync(journal.fileno())
    return made


def _finished(paths: Paths, job: Job) -> None:
    """Give the answers their name: with a header in front, or as Parquet, where that is asked for."""
    kind = kind_of_file(paths.target)
    ready = paths.making
    if kind != NDJSON:
        ready = paths.target.with_name(f"{paths.target.name}.ready")
        (_as_csv if kind == CSV else _as_parquet)(job, paths.making, ready)
    take_name(ready, paths.target)
    for path in (paths.making, paths.journal):
        path.unlink(missing_ok=True)
    if paths.bad.stat().st_size == 0:
        paths.bad.unlink()


def _columns(job: Job) -> tuple[str, ...]:
    """The columns of a table of answers."""
    return SHEET_FLAT if job.sheets else FLAT


def _as_csv(job: Job, making: Path, ready: Path) -> None:
    with making.open("rb") as rows, ready.open("wb") as file:
        file.write(",".join(_columns(job)).encode() + b"\n")
        while block := rows.read(1 << 20):
            file.write(block)
        file.flush()
        os.fsync(file.fileno())


def _as_parquet(job: Job, making: Path, ready: Path) -> None:
    import pyarrow as arrow

    parquet = _pyarrow_parquet()
    columns = _columns(job)
    numbers = {"line": arrow.int64(), "readings": arrow.int64()}
    schema = arrow.schema([(name, numbers.get(name, arrow.string())) for name in columns])
    with parquet.ParquetWriter(ready, schema) as writer, making.open(encoding="utf-8", newline="") as file:
        for block in _blocks(csv.reader(file), 10_000):
            cells = [[unguarded(row[place]) or None for row in block] for place in range(len(columns))]
            arrays = [
                arrow.array(
                    [None if v is None else int(v) for v in cell] if name in numbers else cell,
                    type=field.type,
                )
                for name, cell, field in zip(columns, cells, schema, strict=True)
            ]
            writer.write_table(arrow.Table.from_arrays(arrays, schema=schema))


def _blocks(rows: Iterable[list[str]], size: int) -> Iterator[list[list[str]]]:
    block: list[list[str]] = []
    for row in rows:
        block.append(row)
        if len(block) == size:
            yield block
            block = []
    if block:
        yield block


class _Meter:
    """Tells how a run gets on, not more often than a few times a second."""

    def __init__(self, paths: Paths, state: State, progress: Callable[[Progress], None] | None) -> None:
        self.progress = progress
        self.began = time.monotonic()
        self.shown = 0.0
        self.lines = state.lines
        self.start = state.end
        self.size = max(1, _whole(paths.source))

    def show(self, state: State) -> None:
        """Show how far the run has come."""
        now = time.monotonic()
        if self.progress is None or (now - self.shown < 0.2 and state.end < self.size):
            return
        self.shown = now
        seconds = max(now - self.began, 1e-9)
        through = state.end - self.start
        left = (self.size - state.end) * seconds / through if through > 0 else None
        rate = (state.lines - self.lines) / seconds
        self.progress(Progress(state.lines, state.bad_lines, state.end / self.size, rate, left))


def _whole(path: Path) -> int:
    """The length of the input, in the unit in which its places are counted."""
    if kind_of_file(path) != PARQUET:
        return path.stat().st_size
    rows: int = _pyarrow_parquet().ParquetFile(path).metadata.num_rows
    return rows
