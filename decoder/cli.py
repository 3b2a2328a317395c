"""The `partdate` command: decode a marking, check a whole sheet, serve the page, look into the tables.

Exit codes: decode 0 read, 1 not read; check 0 agrees, 1 contradicted, 3 undecided; 2 misuse everywhere.
"""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from decoder.casebook.commands import COMMANDS, REPORT
from decoder.report.command import report_command
from decoder.tables import TableError, Tables, from_environment, stamp

if TYPE_CHECKING:
    from decoder.casebook import Casebook

CHECK_EXITS: Final = {"agrees": 0, "contradicted": 1, "undecided": 3}
SHEET_LIMIT: Final = 2_000_000
WIDTH: Final = 80
FAULTS_SHOWN: Final = 12


class Misuse(click.ClickException):
    """A call that can't be carried out: says what was wrong and what to try, and exits 2."""

    exit_code = 2

    def show(self, file: Any = None) -> None:
        """The message alone, on standard error, in lines of 80 columns without control characters."""
        from decoder.terminal import wrapped

        for line in f"partdate: {self.message}".splitlines():
            indent = line[: len(line) - len(line.lstrip())]
            shown = "".join(c if c.isprintable() else "\ufffd" for c in line.strip())
            click.echo("\n".join(wrapped(shown, indent, f"{indent}  ")), err=True)


class Commands(click.Group):
    """The commands; tables and plug-ins that can't be used are misuse, whichever command finds it out."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command. Raises Misuse with every fault of the tables, or with what is wrong with a plug-in."""
        try:
            return super().invoke(ctx)
        except TableError as error:
            raise Misuse(_table_faults(map(str, error.problems))) from error
        except (TypeError, ValueError) as error:
            from decoder.catalog import PluginError

            if not isinstance(error, PluginError):
                raise
            raise Misuse(f"{error}; take it out, or mend it, then start this again") from error


class MarkingCommand(click.Command):
    """A command that takes a marking: says what a shell needs where it takes one for options or several words."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the arguments. Raises UsageError with what to try."""
        given = list(args)
        try:
            return super().parse_args(ctx, args)
        except click.NoSuchOption as error:
            dashed = next((a for a in given if a[:1] == "-" and a[1:2].isdigit()), None)
            if dashed is None:
                raise
            raise click.UsageError(
                f"{error.format_message()} A marking that begins with - needs -- before it, after all options: "
                f"{self.name} -- {dashed}",
                ctx,
            ) from error
        except click.UsageError as error:
            if "unexpected extra argument" not in error.message:
                raise
            raise click.UsageError(
                f"{error.message}. A marking with spaces or brackets needs quotation marks: '137 6612'", ctx
            ) from error


@click.group(
    cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": WIDTH}
)
@click.option(
    "--tables",
    "overlays",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Lay a directory of your own tables over the shipped ones (as PARTDATE_TABLES does). May be repeated.",
)
@click.version_option(package_name="partdate")
@click.pass_context
def main(context: click.Context, overlays: tuple[Path, ...]) -> None:
    """Date windows from the marks on an instrument's parts, and a check of all parts against its claim."""
    # The sums of an estimate are small, and run in many processes at once: threads for each would only get in the way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    context.obj = partial(_tables, overlays)
    context.meta[REPORT] = _report_of
    if os.environ.get("NO_COLOR"):
        context.color = False
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a character that this terminal lacks is no reason to fail
            stream.reconfigure(errors="backslashreplace")


def _tables(overlays: tuple[Path, ...], *, checked: bool = True) -> Tables:
    """The tables in force. A shop's own are put together here, so that what is wrong with them is said at once."""
    tables = Tables.open(*overlays) if overlays else from_environment()
    if checked and any(not package.shipped for package in tables.packages()):
        faults = _compiled_faults(tables)
        if faults:
            raise Misuse(_table_faults(faults))
    return tables


def _table_faults(faults: Iterable[str]) -> str:
    lines = [f"  {fault}" for fault in faults]
    return "\n".join(
        [
            "the tables can't be used:",
            *lines[:FAULTS_SHOWN],
            *([f"  and {len(lines) - FAULTS_SHOWN} more"] if len(lines) > FAULTS_SHOWN else []),
            "mend them, or leave --tables and PARTDATE_TABLES out; 'partdate tables validate DIR' lists every fault",
        ]
    )


def _style(text: str, **how: Any) -> str:
    return click.style(text, **how)


@main.command(cls=MarkingCommand)
@click.argument("marking")
@click.option("--part", metavar="KIND", help="The kind of part: potentiometer (or pot), tuner, serial ...")
@click.option("--maker", metavar="NAME", help="The instrument's maker, for serial numbers.")
@click.option("--claim", metavar="EDTF", help="The claimed build period, such as 1966, 196X or 1965/1967.")
@click.option(
    "--country", metavar="CODE", help="The country where the instrument was made, such as US or GB."
)
@click.option("--patent", metavar="NUMBER", help="The patent that a pending mark is known to speak of.")
@click.option("--json", "as_json", is_flag=True, help="The answer as JSON, exactly as the API gives it.")
@click.pass_obj
def decode(
    tables: Callable[[], Tables],
    marking: str,
    part: str | None,
    maker: str | None,
    claim: str | None,
    country: str | None,
    patent: str | None,
    as_json: bool,
) -> None:
    """Read one MARKING: '137-612', 'PAT. NO. 2,741,146', '13?-6[16]12' ...

    ? is one worn letter or digit, [68] is one of those, * is an unknown number of worn characters.
    """
    from decoder.catalog import UnknownKindError
    from decoder.catalog import decode as decode_text
    from decoder.marking import MarkingError
    from decoder.terminal import decoding_text
    from decoder.window import EdtfError

    try:
        decoding = decode_text(
            marking,
            part=_given(part),
            maker=_given(maker),
            claim=_given(claim),
            country=_given(country),
            patent=_given(patent),
            today=date.today(),
            tables=tables(),
        ).as_dict()
    except MarkingError as error:
        raise Misuse(error.message) from error
    except (UnknownKindError, EdtfError) as error:
        raise Misuse(str(error)) from error
    click.echo(_json(decoding) if as_json else decoding_text(decoding, _style), nl=as_json)
    sys.exit(0 if decoding["status"] == "read" else 1)


def _given(text: str | None) -> str | None:
    """An option that was given with nothing in it counts as not given."""
    return text if text and text.strip() else None


@main.command()
@click.argument("sheet", type=click.Path(allow_dash=True))
@click.option("--json", "as_json", is_flag=True, help="The assessment as JSON, exactly as the API gives it.")
@click.option("--csv", "as_csv", is_flag=True, help="The assessment as CSV: the instrument, then each part.")
@click.option(
    "--svg",
    "drawing",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Draw the timeline of the parts into FILE as well.",
)
@click.pass_obj
def check(
    tables: Callable[[], Tables], sheet: str, as_json: bool, as_csv: bool, drawing: Path | None
) -> None:
    """Check a whole instrument: SHEET is a .json or .csv file, or - for standard input."""
    from decoder.crosscheck import check as check_sheet
    from decoder.crosscheck.sheet import SheetError, load_sheet, read_csv
    from decoder.terminal import assessment_text

    if as_json and as_csv:
        raise Misuse("--json and --csv are two forms of the same answer: give one of them")
    text, name = _sheet_text(sheet)
    facts = tables()
    try:
        loaded = load_sheet(_loaded(text, name, read_csv), facts)
        found = check_sheet(loaded, today=date.today(), tables=facts)
    except SheetError as error:
        lines = [f"  {p}" for p in error.problems]
        raise Misuse("\n".join([f"{name} can't be checked:", *lines])) from error
    assessment = found.as_dict()
    if drawing is not None:
        from decoder.report.command import write_drawing

        write_drawing(found, loaded.instrument, drawing, Misuse)
    if as_csv:
        from decoder.export import assessment_csv

        sys.stdout.flush()  # the line ends are those of CSV on every system
        sys.stdout.buffer.write(assessment_csv(assessment).encode())
    else:
        click.echo(_json(assessment) if as_json else assessment_text(assessment, _style), nl=as_json)
    sys.exit(CHECK_EXITS[assessment["outcome"]])


def _sheet_text(sheet: str) -> tuple[str, str]:
    """The text of a sheet, and what to call it in messages."""
    try:
        raw = sys.stdin.buffer.read(SHEET_LIMIT + 1) if sheet == "-" else Path(sheet).read_bytes()
    except FileNotFoundError as error:
        raise Misuse(
            f"{sheet} can't be read: there is no such file. Look at the name and the folder, or give - for "
            "standard input"
        ) from error
    except IsADirectoryError as error:
        raise Misuse(
            f"{sheet or 'an empty name'} can't be read: that is a folder. Give a .json or .csv file"
        ) from error
    except (OSError, ValueError) as error:
        raise Misuse(f"{sheet} can't be read: {getattr(error, 'strerror', None) or error}") from error
    name = "standard input" if sheet == "-" else Path(sheet).name
    if len(raw) > SHEET_LIMIT:
        raise Misuse(
            f"{name} is larger than {SHEET_LIMIT // 1_000_000} MB, which no sheet of one instrument needs: "
            "is it the right file?"
        )
    if not raw.strip():
        raise Misuse(
            f"{name} is empty: a sheet is JSON with parts in it, or CSV whose first row names the columns"
        )
    try:
        return raw.decode("utf-8-sig"), name
    except UnicodeDecodeError as error:
        raise Misuse(
            f"{name} is not UTF-8 text: byte {error.start + 1} can't be read. Save it again as UTF-8 "
            "(in a spreadsheet: 'CSV UTF-8')"
        ) from error


def _loaded(text: str, name: str, read_csv: Callable[[str], Any]) -> Any:
    """JSON where the text begins with a brace, CSV otherwise (or by the file's ending)."""
    ending = Path(name).suffix.lower()
    is_json = ending == ".json" or (ending != ".csv" and text.lstrip()[:1] in ("{", "["))
    if not is_json:
        return read_csv(text)
    try:
        return json.loads(text, object_pairs_hook=_once)
    except json.JSONDecodeError as error:
        problem = error.msg.lower().removesuffix(" at")
        raise Misuse(
            f"{name} is not JSON: line {error.lineno}, column {error.colno}: {problem}. Look there, and just before, "
            "for a missing comma, quotation mark or bracket"
        ) from error
    except RepeatedNameError as error:
        raise Misuse(
            f"{name} has the name {error.args[0]!r} twice in one object, and only one can count: leave one out"
        ) from error
    except RecursionError as error:
        raise Misuse(f"{name} is nested too deeply to be a sheet: is it the right file?") from error
    except ValueError as error:  # a number of thousands of digits
        raise Misuse(f"{name} holds a number that is too long to be read: is it the right file?") from error


class RepeatedNameError(ValueError):
    """A JSON object that gives one name twice; the first of the two would be lost without a word."""


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for name, value in pairs:
        if name in made:
            raise RepeatedNameError(name[:WIDTH])
        made[name] = value
    return made


def _json(answer: Any) -> str:
    return json.dumps(answer, indent=2, ensure_ascii=False)


@main.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--port", default=8000, show_default=True, type=click.IntRange(0, 65535), help="Port to listen on."
)
@click.option(
    "--token-file",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Answer only to those who have a token of FILE. Needed for any address but this machine's own.",
)
@click.option(
    "--cors-origin",
    "origins",
    multiple=True,
    metavar="ORIGIN",
    help="A site whose pages may ask this server, such as https://intake.example. May be repeated.",
)
@click.option(
    "--rate",
    type=click.FloatRange(min=0),
    metavar="N",
    help="Markings and parts a second for each client; 0 for no bound. Default: 0 on this machine alone, else 200.",
)
@click.option(
    "--burst",
    type=click.FloatRange(min=1),
    metavar="N",
    help="How many a client may ask for at once after a rest. Default: ten times the rate.",
)
@click.option(
    "--host-name",
    "host_names",
    multiple=True,
    metavar="NAME",
    help="A further name under which this server may be asked, as behind a proxy. May be repeated.",
)
@click.option(
    "--trusted-proxy",
    metavar="ADDRESS",
    help="The address of a proxy whose X-Forwarded-For, -Proto and -Host are believed.",
)
@click.option(
    "--threads", default=8, show_default=True, type=click.IntRange(1, 64), help="Threads of a process."
)
@click.option(
    "--workers", default=1, show_default=True, type=click.IntRange(1, 64), help="Processes that answer."
)
@click.option(
    "--grace",
    default=30.0,
    show_default=True,
    type=click.FloatRange(min=0.1),
    metavar="SECONDS",
    help="How long a stop may take to answer what has arrived.",
)
@click.option(
    "--casebook",
    envvar="PARTDATE_CASEBOOK",
    metavar="FILE|URL",
    help="Keep sheets in this casebook: an SQLite file, made if it isn't there, or a postgresql:// address. Else "
    "PARTDATE_CASEBOOK names it; without either, no sheet is kept.",
)
@click.option(
    "--log",
    type=click.Choice(["auto", "json", "errors"]),
    default="auto",
    show_default=True,
    help="Log every request as JSON on standard error, or failures alone. auto: errors on a terminal, else json.",
)
@click.pass_context
def serve(
    context: click.Context,
    /,
    host: str,
    port: int,
    origins: tuple[str, ...],
    rate: float | None,
    burst: float | None,
    log: str,
    casebook: str | None,
    **more: Any,
) -> None:
    """Serve the page and the JSON endpoint on this machine, or to those who have a token.

    SIGTERM stops it without losing an answer, SIGHUP has it read the tables again: new ones with a fault are
    refused, with every fault in the log.

    A token file holds one token a line: a name, white space, and the token,
    or sha256: and the 64 hexadecimal digits of its SHA-256. It is read again
    when it changes. To make a token: openssl rand -base64 32
    """
    from decoder.service.serving import Options, is_loopback
    from decoder.service.serving import serve as serve_app

    allowed = rate if rate is not None else 0.0 if is_loopback(host) else 200.0
    overlays: tuple[Path, ...] = context.parent.params["overlays"] if context.parent else ()
    options = Options(
        origins=origins,
        rate=allowed,
        burst=burst if burst is not None else max(1.0, 10 * allowed),
        log=log == "json" or (log == "auto" and not sys.stderr.isatty()),
        reopen=partial(_reopened, overlays),
        casebook=_given(casebook),
        **more,
    )
    serve_app(context.obj(), host, port, options)


def _reopened(overlays: tuple[Path, ...]) -> Tables:
    """The tables as the files are now, where `from_environment` may remember the shipped ones."""
    named = [part for part in os.environ.get("PARTDATE_TABLES", "").split(os.pathsep) if part]
    return Tables.open(*(overlays or named))


@main.command()
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="Write to a file, not here."
)
@click.option(
    "--csvw", is_flag=True, help="What the columns of 'check --csv' mean, in place of the endpoint."
)
def openapi(output: Path | None, csvw: bool) -> None:
    """Describe the JSON endpoint in OpenAPI 3.1, for generators of clients."""
    from decoder.service.openapi import csv_metadata_text, text

    made = csv_metadata_text() if csvw else text()
    if output is None:
        click.echo(made, nl=False)
        return
    try:
        output.write_bytes(made.encode())
    except OSError as error:
        raise Misuse(f"{output} can't be written: {error.strerror}") from error


@main.group(name="tables")
def tables_group() -> None:
    """Look into the tables that every answer rests on."""


@tables_group.command(name="list")
@click.option(
    "--matrix", is_flag=True, help="What is covered instead: families by kinds of part, years, rows."
)
@click.pass_obj
def tables_list(tables: Callable[[], Tables], matrix: bool) -> None:
    """List every table: rows, grades, revision."""
    from decoder.terminal import coverage_text, table_list_text

    facts = tables()
    if matrix:
        from decoder.coverage import coverage_matrix, coverage_of_families

        families = [row.as_dict() for row in coverage_of_families(facts)]
        click.echo(coverage_text(families, [row.as_dict() for row in coverage_matrix(facts)]), nl=False)
        return
    click.echo(table_list_text([facts.table(name) for name in facts.ids()]), nl=False)


@tables_group.command(name="show")
@click.argument("name")
@click.option("--find", metavar="TEXT", help="Only rows that hold this text.")
@click.option("--json", "as_json", is_flag=True, help="The rows as JSON.")
@click.pass_obj
def tables_show(tables: Callable[[], Tables], name: str, find: str | None, as_json: bool) -> None:
    """Show the rows of one table, with source and grade."""
    from decoder.terminal import table_text

    facts = tables()
    if name not in facts.ids():
        near = get_close_matches(name[:WIDTH].lower(), facts.ids(), n=3, cutoff=0.5)
        hint = f"did you mean {' or '.join(near)}?" if near else "'partdate tables list' names them all"
        raise Misuse(f"no table is called {name[:WIDTH]!r}: {hint}")
    table = facts.table(name)
    shown = table.as_dict(find)
    click.echo(_json(shown) if as_json else table_text(shown, _style), nl=as_json)


@tables_group.command(name="validate")
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option(
    "--stamp", "stamped", is_flag=True, help="Write the checksum of each file into its descriptor first."
)
@click.pass_obj
def tables_validate(tables: Callable[..., Tables], folder: Path | None, stamped: bool) -> None:
    """Check every row of every table, or of the packages in FOLDER; every fault is listed, not the first."""
    try:
        facts = Tables.open(folder) if folder else tables(checked=False)
    except TableError as error:
        raise Misuse(_faults(error.problems)) from error
    if stamped:
        for package in facts.packages():
            try:
                stamp(package.folder)
            except OSError as error:
                raise Misuse(f"{package.folder} can't be stamped: {error.strerror}") from error
        facts = Tables.open(folder) if folder else Tables.open()
    problems = facts.validate() + _compiled_faults(facts)
    if problems:
        raise Misuse(_faults(problems))
    count = sum(len(facts.table(name).rows) for name in facts.ids())
    click.echo(f"{len(facts.ids())} tables, {count} rows: every row has a source and a grade, no fault found")


@tables_group.command(name="pull")
@click.argument("url")
@click.option(
    "--sha256", required=True, metavar="HEX", help="The hash of the manifest, as its publisher gives it."
)
@click.option(
    "--to",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="The folder that becomes the package; without it, one of the package's name in the current folder.",
)
def tables_pull(url: str, sha256: str, to: Path | None) -> None:
    """Fetch the data package whose manifest.json is at URL.

    It is taken over only when every file is the one that the hash pins, and every row is valid; else what was there
    before stays. Lay it over the shipped tables with --tables DIR or PARTDATE_TABLES.
    """
    from decoder.pulling import PullRefused, pull

    try:
        pulled = pull(url, sha256, to)
    except PullRefused as error:
        raise Misuse(f"not pulled: {error}") from error
    made = pulled.manifest
    click.echo(f"{made.name} {made.version}, {len(made.files)} files: {pulled.folder}")
    click.echo(
        "pulled and valid; a server that runs takes it at SIGHUP, or when it is started again"
        if pulled.fetched
        else "in place already, nothing was fetched"
    )


@tables_group.command(name="manifest")
@click.argument("folder", type=click.Path(path_type=Path))
def tables_manifest(folder: Path) -> None:
    """Write the manifest.json of the data package in FOLDER, and print the hash by which others pull it."""
    from decoder.pulling import PullRefused, write_manifest

    try:
        _, sha256 = write_manifest(folder)
    except (PullRefused, OSError) as error:
        raise Misuse(f"no manifest written: {error}") from error
    click.echo(sha256)


def _faults(problems: Sequence[object]) -> str:
    count = f"{len(problems)} fault{'s' if len(problems) != 1 else ''}:"
    return "\n".join([count, *(f"  {problem}" for problem in problems)])


def _compiled_faults(facts: Tables) -> list[str]:
    """Faults that show only when schemes are put together: unknown field types, bands that contradict themselves."""
    from decoder.catalog import compile_all
    from decoder.families.serial import band_faults

    return [*compile_all(facts), *map(str, band_faults(facts))]


def _raw_sheet(sheet: str) -> tuple[Any, str]:
    """The raw sheet of a file or of standard input, and what to call it in messages. Raises Misuse, SheetError."""
    from decoder.crosscheck.sheet import read_csv

    text, name = _sheet_text(sheet)
    return _loaded(text, name, read_csv), name


def _report_of(book: Casebook, id: str, pdf: bool) -> tuple[dict[str, bytes], list[str]]:
    """The files of the report on a sheet of the casebook, and what was left out of it. Raises Misuse without a PDF."""
    from decoder.report.parcel import report_files
    from decoder.report.pdf import PdfUnavailable

    try:
        return report_files(book, id, pdf=pdf)
    except PdfUnavailable as error:
        raise Misuse(str(error)) from error


for command in COMMANDS:  # partdate casebook, partdate bulk
    main.add_command(command)
main.add_command(report_command(_raw_sheet, Misuse))


if __name__ == "__main__":
    main(prog_name="partdate")
