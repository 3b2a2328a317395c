"""POST /report: the report on a sheet, as one file of HTML or as PDF, for the form on the answer of /check."""

from __future__ import annotations

from threading import BoundedSemaphore
from typing import Final

from flask import Blueprint, Response, request

from decoder.crosscheck import check as check_sheet
from decoder.crosscheck.sheet import SheetError, load_sheet
from decoder.report.document import Paper, policy_of, report_html, style_of
from decoder.report.examination import Examination, ExaminationError, checked
from decoder.report.pdf import PdfUnavailable, pdf_of
from decoder.service.front import owe
from decoder.service.problems import Problem, of_faults, parsed
from decoder.service.schemas import Fault, sheet_faults
from decoder.service.settings import settings

SAID: Final = ("examiner", "shop", "note")
FORMATS: Final = ("html", "pdf")
WAIT: Final = 20.0  # seconds that a PDF waits for the one before it
LATER: Final = 5  # seconds after which to ask again
_ONE_PDF: Final = BoundedSemaphore(1)  # laying out pages takes a processor for seconds

blueprint = Blueprint("report_page", __name__)


@blueprint.post("/report")
def report() -> Response:
    """The report on the sheet in the form; ?format=pdf gives it as PDF."""
    facts = settings()
    request.max_content_length = facts.check_limit
    wanted = request.args.get("format", "html")
    if wanted not in FORMATS:
        raise Problem("bad-request", f"A report is given as {' or '.join(FORMATS)}.")
    paper, examination = _about()
    if "sheet" not in request.form:
        raise of_faults((Fault("/sheet", "is needed: the sheet as JSON."),), "bad-sheet")
    try:
        sheet = load_sheet(parsed(request.form["sheet"]), facts.tables)
    except SheetError as error:
        raise of_faults(sheet_faults(error), "bad-sheet") from None
    owe(len(sheet.parts) - 1)
    assessment = check_sheet(sheet, today=facts.today(), tables=facts.tables)
    html = report_html(assessment, sheet.instrument, examination, paper=paper)
    if wanted == "pdf":
        response = Response(_pdf(html), mimetype="application/pdf")
    else:
        response = Response(html.encode("utf-8", "replace"), mimetype="text/html")
        # The same policy that stands in the file, and what only a header can say.
        response.headers["Content-Security-Policy"] = f"{policy_of(style_of(paper))}; frame-ancestors 'none'"
    response.headers["Content-Disposition"] = f'inline; filename="report.{wanted}"'
    return response


def _about() -> tuple[Paper, Examination]:
    """The paper, and what the form says of the examination. Raises Problem."""
    given = {name: request.form[name] for name in SAID if request.form.get(name, "").strip()}
    try:
        said = checked(given)
    except ExaminationError as error:
        faults = (line.partition(": ") for line in error.problems)
        raise of_faults(tuple(Fault(name, text) for name, _, text in faults), "bad-fields") from None
    wanted = request.form.get("paper", Paper.A4.value)
    papers = {paper.value: paper for paper in Paper}
    if wanted not in papers:
        raise of_faults((Fault("/paper", f"must be one of {', '.join(papers)}."),), "bad-fields")
    return papers[wanted], Examination(settings().today(), **said)


def _pdf(html: str) -> bytes:
    if not _ONE_PDF.acquire(timeout=WAIT):
        raise Problem("busy", "Other reports are being made as PDF.", headers=[("Retry-After", str(LATER))])
    try:
        return pdf_of(html)
    except PdfUnavailable as error:
        raise Problem("not-acceptable", f"This server makes no PDF: {error}") from None
    finally:
        _ONE_PDF.release()
