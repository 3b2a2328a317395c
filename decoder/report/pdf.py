"""The report as PDF: made of its HTML by WeasyPrint, in this process, without a browser and without the network."""

from __future__ import annotations

from importlib.util import find_spec
from typing import Any, Final

MISSING: Final = (
    "a PDF needs WeasyPrint and the library Pango. Install them: pip install 'partdate[report]', and on Debian or "
    "Ubuntu apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0; or write the report as .html and "
    "print it from a browser."
)


class PdfUnavailable(RuntimeError):
    """This machine makes no PDF; the message says what to install, and what to do instead."""


def is_installed() -> bool:
    """Whether the package that makes PDFs is there, told without loading it; `pdf_of` says whether it works."""
    return find_spec("weasyprint") is not None


def pdf_of(html: str) -> bytes:
    """The PDF of a report. Raises PdfUnavailable."""
    engine = _engine()
    from weasyprint.urls import URLFetcher

    # The report is one file: whatever would be fetched from elsewhere is not.
    fetcher = URLFetcher(allowed_protocols=("data",))
    made: bytes = engine.HTML(string=html, url_fetcher=fetcher, base_url=None).write_pdf(
        pdf_variant="pdf/ua-1"
    )
    return made


def _engine() -> Any:
    try:
        import weasyprint
    except (ImportError, OSError) as error:  # OSError: the package is there, the library Pango is not
        raise PdfUnavailable(MISSING) from error
    return weasyprint
