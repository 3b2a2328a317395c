"""The report on a sheet of the casebook, for the zip of its examination: what the newest assessment says, and no other.

The tables and the day of that assessment are put back for it, so that the report and `assessment.json` agree.
"""

from __future__ import annotations

from datetime import date

from decoder.casebook import facts
from decoder.casebook.parcel import REPORT_HTML, REPORT_PDF
from decoder.casebook.record import load_record
from decoder.casebook.store import Casebook, Kept, Stored, verdicts_of
from decoder.crosscheck import check
from decoder.crosscheck.sheet import SheetError
from decoder.report.document import report_html
from decoder.report.examination import Examination
from decoder.report.pdf import pdf_of
from decoder.report.photo import PHOTOS_LIMIT, Photo, PhotoError, photo_of
from decoder.tables import Tables


def report_files(book: Casebook, id: str, *, pdf: bool = False) -> tuple[dict[str, bytes], list[str]]:
    """The report as HTML, and as PDF if wanted, by the names of their files; and what had to be left out, in words.

    Raises NoSuchSheet, and PdfUnavailable where a PDF is wanted and can't be made.
    """
    stored, newest = book.get(id), book.newest_assessment(id)
    today = newest.assessment["today"]
    tables = _tables_of(book, newest)
    if tables is None:
        return {}, [
            "no report: the assessment that is kept rests on tables that are not in force here. Lay them over with "
            "--tables, or run 'partdate casebook recheck', then export it again"
        ]
    try:
        loaded = load_record(stored.record, tables).loaded
        found = check(loaded, today=date.fromisoformat(today) if today else book.today(), tables=tables)
    except SheetError:
        found = None
    if found is None or verdicts_of(found.as_dict()) != verdicts_of(newest.assessment):
        return {}, [
            "no report: this partdate reads the sheet otherwise than the assessment that is kept. Run 'partdate "
            "casebook recheck', then export it again"
        ]
    photos, left_out = _photos(book, stored)
    examined = Examination(
        date.fromisoformat(newest.made_at[:10]),
        examiner=stored.saved_by,
        note=stored.record.get("remarks", ""),
        photos=tuple(photos),
    )
    html = report_html(found, loaded.instrument, examined)
    made = {REPORT_HTML: html.encode("utf-8", "replace")}
    if pdf:
        made[REPORT_PDF] = pdf_of(html)
    return made, left_out


def _tables_of(book: Casebook, newest: Kept) -> Tables | None:
    """The tables that an assessment rests on; None where some of them belong to a package that isn't there."""
    if newest.facts == facts.digest_of(book.tables):
        return book.tables
    now = {name: content.sha256 for name, content in facts.snapshot(book.tables).items()}
    then = book.manifest(newest.facts)
    if then.keys() - now.keys():
        return None
    old = {name: book.content(sha256) for name, sha256 in then.items() if now.get(name) != sha256}
    return facts.with_old(book.tables, old)


def _photos(book: Casebook, stored: Stored) -> tuple[list[Photo], list[str]]:
    photos: list[Photo] = []
    left_out: list[str] = []
    for use in stored.record.get("photos", ()):
        caption = use.get("caption") or use.get("part") or ""
        name = caption or use["sha256"][:12]
        if len(photos) == PHOTOS_LIMIT:
            left_out.append(
                f"the photo {name} is in the zip and not in the report, which takes {PHOTOS_LIMIT}"
            )
            continue
        try:
            photos.append(photo_of(book.photo(use["sha256"]).body, name, caption))
        except PhotoError as error:
            left_out.append(f"a photo is in the zip and not in the report: {error}")
    return photos, left_out
