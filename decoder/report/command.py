"""`partdate report`: a sheet to a report, as one file of HTML or as PDF."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from decoder.tables import Tables

if TYPE_CHECKING:
    from decoder.crosscheck.assessment import Assessment
    from decoder.crosscheck.sheet import Instrument
    from decoder.report.examination import Examination

ENDINGS: Final = (".html", ".htm", ".pdf")
EXAMINATION_LIMIT: Final = 200_000

Read = Callable[[str], tuple[Any, str]]


def report_command(read: Read, refuse: type[click.ClickException]) -> click.Command:
    """The command. `read` gives the raw sheet of a file and its name, `refuse` is the exception of misuse."""

    @click.command(name="report")
    @click.argument("sheet", type=click.Path(allow_dash=True))
    @click.option(
        "-o",
        "--output",
        required=True,
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="report.html or report.pdf.",
    )
    @click.option(
        "--paper",
        type=click.Choice(["a4", "letter"]),
        default="a4",
        show_default=True,
        help="The size of the paper.",
    )
    @click.option("--examiner", metavar="NAME", help="Who examined the instrument.")
    @click.option("--shop", metavar="NAME", help="The shop where it was examined.")
    @click.option("--note", metavar="TEXT", help="What else there is to say of the examination.")
    @click.option(
        "--examination",
        "side_file",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="A JSON file with examiner, shop, note and photos; the options come before it.",
    )
    @click.option(
        "--photo",
        "photos",
        multiple=True,
        metavar="FILE:CAPTION",
        help="A photograph (JPEG, PNG, WebP); it is written anew without its metadata. May be repeated.",
    )
    @click.pass_obj
    def report(
        tables: Callable[[], Tables],
        sheet: str,
        output: Path,
        paper: str,
        examiner: str | None,
        shop: str | None,
        note: str | None,
        side_file: Path | None,
        photos: tuple[str, ...],
    ) -> None:
        """Write a report on a whole instrument: SHEET is a .json or .csv file, or - for standard input.

        The report holds the parts with their readings and verdicts, a timeline, the explanations, what was not
        examined, the sources and the tables' revisions. It is no certificate.
        """
        from decoder.crosscheck import check
        from decoder.crosscheck.sheet import SheetError, load_sheet
        from decoder.report.document import Paper, report_html
        from decoder.report.examination import ExaminationError
        from decoder.report.pdf import PdfUnavailable, pdf_of
        from decoder.report.photo import PhotoError

        if output.suffix.lower() not in ENDINGS:
            raise refuse(
                f"{output.name} is neither .html nor .pdf: give the file the ending of what it is to be"
            )
        today = date.today()
        facts = tables()
        name = "standard input" if sheet == "-" else Path(sheet).name
        try:
            raw, name = read(sheet)
            loaded = load_sheet(raw, facts)
        except SheetError as error:
            lines = [f"  {problem}" for problem in error.problems]
            raise refuse("\n".join([f"{name} can't be checked:", *lines])) from error
        try:
            examined = _examination(
                today, side_file, {"examiner": examiner, "shop": shop, "note": note}, photos
            )
        except (PhotoError, ExaminationError) as error:
            raise refuse(str(error)) from error
        html = report_html(
            check(loaded, today=today, tables=facts), loaded.instrument, examined, paper=Paper(paper)
        )
        try:
            made = pdf_of(html) if output.suffix.lower() == ".pdf" else html.encode("utf-8", "replace")
            output.write_bytes(made)
        except PdfUnavailable as error:
            raise refuse(str(error)) from error
        except OSError as error:
            raise refuse(f"{output} can't be written: {error.strerror or error}") from error
        click.echo(f"Written: {output}")

    return report


def write_drawing(
    assessment: Assessment, instrument: Instrument, path: Path, refuse: type[click.ClickException]
) -> None:
    """Write the timeline of an assessment to a file. Raises `refuse` where that can't be."""
    from decoder.report.document import name_of
    from decoder.report.timeline import timeline

    try:
        path.write_text(timeline(assessment, name=name_of(instrument)) + "\n", encoding="utf-8", newline="\n")
    except OSError as error:
        raise refuse(f"{path} can't be written: {error.strerror or error}") from error


def _examination(
    today: date, side_file: Path | None, options: dict[str, str | None], photos: tuple[str, ...]
) -> Examination:
    """What was said of the examination. Raises ExaminationError or PhotoError."""
    from decoder.report.examination import Examination, ExaminationError, checked, photos_of
    from decoder.report.photo import PHOTOS_LIMIT, read_photo

    said: dict[str, Any] = {}
    found: list[tuple[Path, str]] = []
    if side_file is not None:
        try:
            said = checked(_side_file(side_file))
        except ExaminationError as error:
            raise ExaminationError(
                [f"{side_file.name} can't be used:", *(f"  {line}" for line in error.problems)]
            ) from None
        found = photos_of(said.get("photos", ()), side_file.parent)
    try:
        said |= checked({name: text for name, text in options.items() if text is not None and text.strip()})
    except ExaminationError as error:
        raise ExaminationError([f"--{line.lstrip('/')}" for line in error.problems]) from None
    found += [photo_and_caption(text) for text in photos]
    if len(found) > PHOTOS_LIMIT:
        raise ExaminationError(
            [f"{len(found)} photographs are given; a report takes {PHOTOS_LIMIT} at most."]
        )
    return Examination(
        today,
        said.get("examiner", ""),
        said.get("shop", ""),
        said.get("note", ""),
        tuple(read_photo(path, caption) for path, caption in found),
    )


def _side_file(path: Path) -> Any:
    from decoder.report.examination import ExaminationError

    try:
        raw = path.read_bytes()
        if len(raw) > EXAMINATION_LIMIT:
            raise ExaminationError(
                [f"it is larger than {EXAMINATION_LIMIT // 1000} kB: is it the right file?"]
            )
        return json.loads(raw.decode("utf-8-sig"))
    except OSError as error:
        raise ExaminationError([f"it can't be read: {error.strerror or error}."]) from error
    except (ValueError, RecursionError) as error:
        if isinstance(error, ExaminationError):
            raise
        raise ExaminationError([f"it is not JSON in UTF-8: {error}."]) from error


def photo_and_caption(text: str) -> tuple[Path, str]:
    """The file and the caption of an option `FILE:CAPTION`; a colon in the name of a file that is there is its own.

    >>> photo_and_caption("pots.jpg:The pots, from below")[1]
    'The pots, from below'
    """
    if Path(text).is_file():
        return Path(text), ""
    places = [place for place, character in enumerate(text) if character == ":"]
    for place in places:
        if Path(text[:place]).is_file():
            return Path(text[:place]), text[place + 1 :].strip()
    # No such file: what stands before the first colon that is no drive letter's is what the message names.
    first = next((place for place in places if place > 1), len(text))
    return Path(text[:first]), text[first + 1 :].strip()
