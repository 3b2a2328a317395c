"""`partdate casebook` and `partdate bulk`: the casebook, and very many lines, from the command line.

Nothing heavy is imported before a command needs it. Exit codes: 0 done, 1 something was found (verify: a fault;
recheck: other verdicts), 2 misuse or a casebook that can't be used.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime
from getpass import getuser
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

if TYPE_CHECKING:
    from decoder.casebook.store import Casebook
    from decoder.tables import Tables

VARIABLE: Final = "PARTDATE_CASEBOOK"
SHOWN: Final = 40

REPORT: Final = (
    "partdate.report"  # in the context's meta: what makes the report, which stands above the casebook
)

FromMain = Callable[[], "Tables"]
MakeReport = Callable[["Casebook", str, bool], "tuple[dict[str, bytes], list[str]]"]


class Failed(click.ClickException):
    """A command that can't be carried out: says why and what to try, and exits 2."""

    exit_code = 2

    def show(self, file: Any = None) -> None:
        """The message alone, on standard error."""
        text = "".join(c if c.isprintable() or c == "\n" else "\ufffd" for c in self.message)
        click.echo(f"partdate: {text}", err=True)


def _where(context: click.Context) -> str:
    where = (context.find_root().meta.get(VARIABLE) or os.environ.get(VARIABLE) or "").strip()
    if not where:
        raise Failed(
            f"which casebook? Name it with --casebook FILE (or a postgresql:// address), or set {VARIABLE}"
        )
    return str(where)


def _now() -> datetime:
    return datetime.now(UTC).astimezone()


def _who() -> str:
    try:
        return os.environ.get("PARTDATE_WHO") or getuser()
    except (KeyError, OSError):
        return "somebody"


@contextmanager
def _open(context: click.Context, *, create: bool = False) -> Iterator[Casebook]:
    """The casebook of the command; every error of it is told in words."""
    from decoder.casebook.errors import CasebookError
    from decoder.casebook.store import Casebook
    from decoder.crosscheck.sheet import SheetError

    tables: FromMain = context.obj
    try:
        with Casebook.open(_where(context), clock=_now, tables=tables(), create=create) as book:
            yield book
    except CasebookError as error:
        raise Failed(str(error)) from error
    except SheetError as error:
        raise Failed("the sheet can't be taken:\n" + "\n".join(f"  {p}" for p in error.problems)) from error


class Line:
    """One line of progress on standard error, rewritten in place; on no terminal, a line now and then."""

    def __init__(self) -> None:
        self.on_terminal = sys.stderr.isatty()
        self.every = 0.1 if self.on_terminal else 10.0
        self.began = self.told = time.monotonic()
        self.width = 0

    def count(self, done: int, total: int) -> None:
        """Say how many of how many are done, at what rate, and the time left."""
        seconds = max(time.monotonic() - self.began, 1e-9)
        left = (total - done) * seconds / max(done, 1)
        self.say(f"{done:,} of {total:,}, {done / seconds:,.0f} a second, {left:,.0f} s left")

    def say(self, text: str) -> None:
        """Say where the work stands, if there is something new to say."""
        now = time.monotonic()
        if now - self.told < self.every:
            return
        self.told = now
        if self.on_terminal:
            click.echo(f"\r{text.ljust(self.width)}", err=True, nl=False)
            self.width = len(text)
        else:
            click.echo(text, err=True)

    def end(self) -> None:
        """Leave the line."""
        if self.on_terminal and self.width:
            click.echo(f"\r{' ' * self.width}\r", err=True, nl=False)


def _json(value: Any) -> None:
    click.echo(json.dumps(value, indent=2, ensure_ascii=False))


@click.group()
@click.option(
    "--casebook",
    "where",
    metavar="FILE|URL",
    help=f"The casebook: an SQLite file, or a postgresql:// address. Else {VARIABLE} names it.",
)
@click.pass_context
def casebook(context: click.Context, where: str | None) -> None:
    """Examinations kept with every version: find, export, recheck them, and learn from them."""
    if where:
        context.find_root().meta[VARIABLE] = where


# ---------------------------------------------------------------------------------------------------------------
# Looking


@casebook.command(name="list")
@click.option("--maker", help="The maker's name.")
@click.option("--serial", help="The beginning of a serial number.")
@click.option("--marking", help="The beginning of any marking.")
@click.option("--outcome", type=click.Choice(["agrees", "contradicted", "undecided"]))
@click.option("--verdict", help="Only sheets with a part of this verdict, such as too-new.")
@click.option("--trusted", is_flag=True, help="Only sheets whose date is trusted.")
@click.option("--limit", default=50, show_default=True, type=click.IntRange(1, 500))
@click.option("--after", metavar="ID", help="Go on below this sheet.")
@click.option("--json", "as_json", is_flag=True)
@click.pass_context
def list_sheets(
    context: click.Context,
    maker: str | None,
    serial: str | None,
    marking: str | None,
    outcome: str | None,
    verdict: str | None,
    trusted: bool,
    limit: int,
    after: str | None,
    as_json: bool,
) -> None:
    """List the sheets, newest first."""
    from decoder.casebook.store import Wanted

    wanted = Wanted(maker, serial, marking, outcome, verdict, True if trusted else None)
    with _open(context) as book:
        found = book.find(wanted, after=after, limit=limit)
    if as_json:
        _json({"sheets": [one.as_dict() for one in found.sheets], "after": found.after})
        return
    for one in found.sheets:
        about = " ".join(text for text in (one.maker, one.model) if text) or "-"
        claim = f"claim {one.claim}" if one.claim else "no claim"
        click.echo(f"{one.id}  v{one.version:<3} {one.outcome:<12} {claim:<16} {about[:SHOWN]}")
    if found.after is not None:
        click.echo(f"More: --after {found.after}")
    elif not found.sheets:
        click.echo("No sheet here is like that.")


@casebook.command()
@click.argument("id")
@click.option("--version", type=click.IntRange(1), help="An earlier version.")
@click.option("--history", "with_history", is_flag=True, help="Who did what, and when.")
@click.option("--json", "as_json", is_flag=True)
@click.pass_context
def show(context: click.Context, id: str, version: int | None, with_history: bool, as_json: bool) -> None:
    """Show one sheet with its newest assessment, and its history."""
    with _open(context) as book:
        stored = book.get(id, version)
        newest = book.newest_assessment(id)
        entries = book.history(id) if with_history else []
    if as_json:
        made = {**stored.as_dict(), "assessment": newest.as_dict()}
        if with_history:
            made["history"] = [entry.as_dict() for entry in entries]
        _json(made)
        return
    click.echo(f"{stored.id}, version {stored.version}, saved by {stored.saved_by} at {stored.saved_at}")
    trusted = stored.record.get("trusted")
    if trusted:
        click.echo(f"Trusted: {trusted['kind']} {trusted['date']} ({trusted['source']})")
    if stored.record.get("remarks"):
        click.echo(stored.record["remarks"])
    for line in newest.assessment["narrative"]:
        click.echo(line)
    verdicts = newest.as_dict(full=False)["verdicts"]
    for part in stored.record["sheet"]["parts"]:
        read = part.get("marking") or part.get("value") or part.get("state") or ""
        click.echo(f"  {part['id']:<20} {verdicts.get(part['id'], '-'):<12} {read}")
    click.echo(f"Assessed {newest.made_at} ({newest.reason}), tables {newest.facts}")
    for entry in entries:
        click.echo(f"  {entry.seq:>6} {entry.at} {entry.who}: {entry.what} {entry.detail}".rstrip())


# ---------------------------------------------------------------------------------------------------------------
# Saving


@casebook.command(name="import")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--who", default=_who, help="Who saves; else PARTDATE_WHO, else the name of the login.")
@click.option("--as-new", is_flag=True, help="Give every sheet a new id, even one that brings its own.")
@click.pass_context
def import_files(context: click.Context, files: Sequence[Path], who: str, as_new: bool) -> None:
    """Take sheets in from JSON, CSV or zip files; the casebook is made if it isn't there.

    A sheet that brings its id keeps it. One that is here already as it is counts as known; one that differs is
    refused, unless --as-new.
    """
    from decoder.casebook.importing import take_in

    line = Line()
    with _open(context, create=True) as book:
        for path in files:
            result = take_in(book, path, who=who, as_new=as_new, progress=line.count)
            line.end()
            said = f"{path.name}: {result.saved} saved, {result.known} known already"
            click.echo(said + (f", {result.photos} photos" if result.photos else ""))
            for fault in result.faults:
                click.echo(f"  {fault}", err=True)
            if result.faults:
                context.exit(2)


@casebook.command()
@click.argument("id")
@click.argument("date")
@click.option("--source", required=True, help="How the date is known: a ledger, a bill, the first owner.")
@click.option("--kind", default="completed", type=click.Choice(["completed", "shipped", "invoiced", "sold"]))
@click.option("--who", default=_who)
@click.pass_context
def trust(context: click.Context, id: str, date: str, source: str, kind: str, who: str) -> None:
    """Say that the date of a sheet is known from elsewhere (EDTF, both ends known); `learn` builds on these."""
    with _open(context) as book:
        now = book.get(id)
        record = {**now.record, "trusted": {"date": date, "kind": kind, "source": source}}
        saved = book.save(id, record, expected=now.etag, who=who)
    click.echo(f"{id}: version {saved.version}")


@casebook.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--who", default=_who)
@click.pass_context
def photo(context: click.Context, file: Path, who: str) -> None:
    """Keep a photo, and print the SHA-256 by which a record names it."""
    try:
        body = file.read_bytes()
    except OSError as error:
        raise Failed(f"{file} can't be read: {error.strerror or error}") from error
    with _open(context, create=True) as book:
        click.echo(book.add_photo(body, who=who))


# ---------------------------------------------------------------------------------------------------------------
# Giving out


@casebook.command()
@click.argument("ids", nargs=-1)
@click.option(
    "--to", required=True, type=click.Path(path_type=Path), help="A .csv, .json or (of one sheet) .zip file."
)
@click.option("--bom", is_flag=True, help="Mark the CSV as UTF-8, which some spreadsheets need.")
@click.option("--pdf", is_flag=True, help="Put the report into the zip as PDF too.")
@click.pass_context
def export(context: click.Context, ids: Sequence[str], to: Path, bom: bool, pdf: bool) -> None:
    """Write sheets, or all of them, into a file: CSV, JSON, or the zip of one examination.

    The zip holds the sheet, its report, its assessment, its history, its photos and the revisions of the tables; it is
    held against its manifest when it is imported again.
    """
    from decoder.casebook import exchange, parcel

    ending = to.suffix.lower()
    if ending not in (".csv", ".json", ".zip"):
        raise Failed(f"{to}: by its ending a file is known, and this is none of .csv, .json, .zip")
    if to.exists():
        raise Failed(f"{to} is there already: nothing is overwritten. Name another file")
    if pdf and ending != ".zip":
        raise Failed("only the zip of one examination holds a report: name a .zip file, or leave --pdf out")
    if ending == ".zip" and len(ids) != 1:
        raise Failed("a zip holds one examination: give one id")
    with _open(context) as book:
        if ending == ".zip":
            make: MakeReport | None = context.find_root().meta.get(REPORT)
            reports, left_out = make(book, ids[0], pdf) if make is not None else ({}, [])
            _write(to, [parcel.write(book, ids[0], reports=reports)])
            for one in left_out:
                click.echo(one, err=True)
            return
        stored = map(book.get, ids) if ids else book.every()
        records = ((one.id, one.record) for one in stored)
        text = exchange.write_csv(records, bom=bom) if ending == ".csv" else exchange.write_json(records)
        _write(to, (piece.encode() for piece in text))


def _write(to: Path, pieces: Iterable[bytes]) -> None:
    from decoder.casebook.files import take_name

    making = to.with_name(f"{to.name}.part")
    try:
        with making.open("wb") as file:
            for piece in pieces:
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        take_name(making, to)
    except OSError as error:
        making.unlink(missing_ok=True)
        raise Failed(f"{to} can't be written: {error.strerror or error}") from error


@casebook.command()
def columns() -> None:
    """The columns of the CSV that export writes and import reads; only id and part are needed."""
    from decoder.casebook.exchange import MEANINGS

    for name, meaning in MEANINGS.items():
        click.echo(f"{name:<16} {meaning}")


@casebook.command()
@click.argument("target")
@click.pass_context
def backup(context: click.Context, target: str) -> None:
    """Copy the whole casebook to TARGET, a new file or the address of an empty database, and verify the copy.

    Others may go on writing. To restore one, back it up into the place that was lost.
    """
    from decoder.casebook.backup import backup as copy

    line = Line()
    with _open(context) as book:
        found = copy(book.database, target, progress=line.count)
    line.end()
    click.echo(
        f"{target}: {found.sheets} sheets, {found.versions} versions, verified; end of the chain {found.head}"
    )


# ---------------------------------------------------------------------------------------------------------------
# Looking after


@casebook.command()
@click.option(
    "--head", metavar="HEX", help="An end of the chain that you kept: the history must still contain it."
)
@click.option("--json", "as_json", is_flag=True)
@click.pass_context
def verify(context: click.Context, head: str | None, as_json: bool) -> None:
    """Hold everything against its hashes; exits 1 when something was changed, lost or put in from outside.

    Keep the end of the chain that this prints somewhere else, and give it with --head next time.
    """
    from decoder.casebook.verify import verify as verified

    line = Line()
    with _open(context) as book:
        found = verified(book.database, head=head, progress=line.count)
    line.end()
    if as_json:
        _json({name: getattr(found, name) for name in type(found).__dataclass_fields__})
    else:
        click.echo(
            f"{found.sheets} sheets, {found.versions} versions, {found.assessments} assessments, "
            f"{found.photos} photos, {found.entries} entries of history"
        )
        for fault in found.faults:
            click.echo(f"  {fault}")
        if found.more:
            click.echo(f"  and {found.more} more")
        click.echo(f"end of the chain: {found.head}")
        click.echo("whole" if found.whole else "NOT whole: keep this file, and compare it with a backup")
    context.exit(0 if found.whole else 1)


@casebook.command()
@click.option("--jobs", type=click.IntRange(1), help="Processes; all cores by default.")
@click.option("--every", is_flag=True, help="Also the sheets that were assessed by these very tables.")
@click.option("--who", default=_who)
@click.option("--json", "as_json", is_flag=True)
@click.pass_context
def recheck(context: click.Context, jobs: int | None, every: bool, who: str, as_json: bool) -> None:
    """Assess all sheets again by the tables in force, keep both, and say what changed and which rows did it.

    Exits 1 when a verdict changed.
    """
    from decoder.casebook.recheck import recheck as again

    line = Line()
    with _open(context) as book:
        found = again(book, who=who, jobs=jobs, progress=line.count, every=every)
    line.end()
    if as_json:
        _json(found.as_dict())
    else:
        click.echo(
            f"{found.looked_at} sheets assessed again, {found.up_to_date} were up to date: {found.unchanged} say the "
            f"same, {found.reworded} say it otherwise, {len(found.changed)} have other verdicts, "
            f"{len(found.refused)} can't be assessed any more"
        )
        for sheet in found.changed:
            for change in sheet.changes:
                click.echo(f"{sheet.id} {change.part or 'outcome'}: {change.before} -> {change.after}")
                for cause in change.causes:
                    rows = (
                        "; ".join(row.key for row in cause.rows[:3]) or f"{cause.rows_changed} rows together"
                    )
                    revisions = f"{(cause.before or 'none')[:12]} -> {(cause.after or 'none')[:12]}"
                    click.echo(f"    {cause.table} ({revisions}): {rows}")
                if not change.causes:
                    click.echo("    several tables together")
        for name, reason in found.refused:
            click.echo(f"{name}: {reason}", err=True)
    context.exit(1 if found.changed else 0)


@casebook.command()
@click.option(
    "--to", type=click.Path(path_type=Path), help="Write an overlay for --tables into this new folder."
)
@click.option("--level", default=0.9, show_default=True, type=click.FloatRange(0.5, 0.99))
@click.option(
    "--narrow", is_flag=True, help="Narrow published serial bands, instead of standing beside them."
)
@click.option("--json", "as_json", is_flag=True)
@click.pass_context
def learn(context: click.Context, to: Path | None, level: float, narrow: bool, as_json: bool) -> None:
    """Learn serial bands and lags from the sheets whose date is trusted.

    With --to it becomes an overlay, graded "own observation (n=...)", that counts only where you lay it over the
    published tables with --tables.
    """
    from decoder.casebook.learn import as_dict
    from decoder.casebook.learn import learn as taught
    from decoder.casebook.overlay import write

    with _open(context) as book:
        found = taught(book, level=level)
        written = None
        if to is not None:
            written = write(found, book.tables, to, today=book.today(), head=book.head(), narrow=narrow)
        made = as_dict(found, book.tables)
    if as_json:
        _json({**made, "contradictions": list(written.contradictions) if written else []})
        return
    click.echo(f"{found.sheets} sheets with a trusted date")
    for own in found.series:
        name = own.series.scheme or own.series.maker
        click.echo(f"  serials of {name}: {len(own.bands)} bands from {own.count}, level {own.level:g}")
    for lag in found.lags:
        scope = f"{lag.maker or 'all makers'}, {lag.years[0]}-{lag.years[1]}"
        click.echo(
            f"  {lag.kind} ({scope}): lead {lag.lead.words}, usual {lag.usual.words}, longest {lag.longest.words} "
            f"months, n={lag.count}, {lag.outside} outside"
        )
    for left in found.left:
        click.echo(f"  left out: {left.what}: {left.why}")
    if written is not None:
        for one in written.contradictions:
            click.echo(f"  contradicts the published table: {one}")
        click.echo(f"{to}: lay it over the tables with --tables {to}")


# ---------------------------------------------------------------------------------------------------------------
# Bulk


@click.command()
@click.argument("source", type=click.Path(path_type=Path), metavar="IN")
@click.argument("target", type=click.Path(path_type=Path), metavar="OUT")
@click.option("--jobs", type=click.IntRange(1), help="Processes; all cores by default.")
@click.option(
    "--chunk", default=500, show_default=True, type=click.IntRange(1, 100_000), help="Lines at a time."
)
@click.option("--today", metavar="DAY", help="The day up to which parts may have been made; else today.")
@click.option("--restart", is_flag=True, help="Begin again, instead of going on with a run that was stopped.")
@click.option("--quiet", is_flag=True, help="No progress.")
@click.pass_obj
def bulk(
    tables: FromMain,
    source: Path,
    target: Path,
    jobs: int | None,
    chunk: int,
    today: str | None,
    restart: bool,
    quiet: bool,
) -> None:
    """Answer every line of IN into OUT: .csv, .ndjson or .parquet, markings or (not in CSV) whole sheets.

    Run again after a stop, it goes on where it was. Lines that can't be taken go to OUT.bad.ndjson with the reason.
    """
    from decoder.casebook.bulk import run
    from decoder.casebook.errors import CasebookError

    try:
        day = date.fromisoformat(today) if today else date.today()
    except ValueError as error:
        raise Failed(f"--today {today} is no day: write it as 2026-11-25") from error
    line = Line()
    try:
        done = run(
            source,
            target,
            tables(),
            today=day,
            jobs=jobs,
            chunk=chunk,
            restart=restart,
            progress=None if quiet else lambda now: line.say(now.words()),
        )
    except CasebookError as error:
        line.end()
        raise Failed(str(error)) from error
    except KeyboardInterrupt:
        line.end()
        raise Failed("stopped; run the same command again to go on") from None
    line.end()
    resumed = f", {done.resumed_at:,} of them before it was stopped" if done.resumed_at else ""
    bad = f"; {done.bad_lines:,} bad lines in {done.bad_file}" if done.bad_file else ""
    click.echo(f"{target}: {done.lines:,} lines{resumed}{bad}")


COMMANDS: Final = (casebook, bulk)
