"""The words of the page: which language, which units and which way of writing dates somebody likes, and the catalogue.

A preference comes from the address (`?lang=de`), else from the cookie that such an address left, else (the language
alone) from the browser's Accept-Language. The catalogues are compiled and shipped; gettext of the standard library
reads them. What the core says (reasons, notes, problems) stays English, and the templates mark it so.
"""

from __future__ import annotations

import calendar
import gettext as catalogues
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from flask import Flask, Response, g, has_request_context, request

LOCALE: Final = Path(__file__).parent / "locale"
LANGUAGES: Final = {"en": "English", "de": "Deutsch"}
DATES: Final = ("words", "edtf")
UNITS: Final = ("table", "in", "mm")
CHOICES: Final = {"lang": tuple(LANGUAGES), "dates": DATES, "units": UNITS}
COOKIE: Final = "partdate"
COOKIE_AGE: Final = 31_536_000  # seconds
SPANS_SHOWN: Final = 6


@dataclass(frozen=True, slots=True)
class Preferences:
    """How somebody likes the page: its language, dates in words or in EDTF, and the unit of a bare length.

    `units` "table" leaves a length without unit to the unit of the table that it is held against.
    """

    lang: str = "en"
    dates: str = "words"
    units: str = "table"

    @property
    def tag(self) -> str:
        """The preferences as they stand in the cookie, and in an ETag."""
        return f"{self.lang}.{self.dates}.{self.units}"


def preferences() -> Preferences:
    """The preferences of the request being answered; the plain ones outside of a request."""
    if not has_request_context():
        return Preferences()
    found: Preferences | None = g.get("partdate_preferences")
    if found is None:
        found = g.partdate_preferences = _preferences()
    return found


def asked_for(given: Mapping[str, str]) -> dict[str, str]:
    """The preferences that an address or a form names; unknown ones are passed over."""
    return {name: given[name] for name, known in CHOICES.items() if given.get(name) in known}


def choose(given: Mapping[str, str]) -> None:
    """Take the preferences that a form was sent with, for this answer and the next ones."""
    g.partdate_chosen = asked_for(given)
    g.partdate_preferences = replace(preferences(), **g.partdate_chosen)


def _preferences() -> Preferences:
    kept = dict(zip(CHOICES, request.cookies.get(COOKIE, "").split("."), strict=False))
    named = asked_for(kept) | asked_for(request.args)
    if "lang" not in named:
        named["lang"] = request.accept_languages.best_match(list(LANGUAGES), "en") or "en"
    return Preferences(**named)


def remember(response: Response) -> Response:
    """The response, saying on what a page depends, and with the cookie that keeps what was just asked for."""
    if response.mimetype != "text/html":
        return response
    response.vary.update(("Cookie", "Accept-Language"))
    liked = preferences()
    response.headers["Content-Language"] = liked.lang
    asked = asked_for(request.args) or g.get("partdate_chosen")
    if asked and request.cookies.get(COOKIE) != liked.tag:
        response.set_cookie(
            COOKIE, liked.tag, COOKIE_AGE, samesite="Lax", httponly=True, secure=request.is_secure
        )
    return response


@lru_cache(maxsize=len(LANGUAGES))
def _catalogue(lang: str) -> catalogues.NullTranslations:
    if lang == "en":
        return catalogues.NullTranslations()
    with (LOCALE / f"{lang}.mo").open("rb") as file:
        return catalogues.GNUTranslations(file)


def gettext(text: str) -> str:
    """A text of the page in the language of the request."""
    return _catalogue(preferences().lang).gettext(text)


def ngettext(one: str, several: str, count: int) -> str:
    """The same for texts that depend on a number."""
    return _catalogue(preferences().lang).ngettext(one, several, count)


_ = gettext


def install(app: Flask) -> None:
    """Give the templates `_()`, `ngettext()` and `{% trans %}`."""
    env = app.jinja_env
    env.add_extension("jinja2.ext.i18n")
    env.policies["ext.i18n.trimmed"] = True
    env.install_gettext_callables(gettext, ngettext, newstyle=True)  # type: ignore[attr-defined]


def shared() -> dict[str, Any]:
    """What every template is given: the preferences, what may be chosen, and the mark of an English text."""
    liked = preferences()
    return {"liked": asdict(liked), "languages": LANGUAGES, "foreign": liked.lang != "en"}


# --- dates


def moment_words(moment: str) -> str:
    """A moment in UTC as somebody likes it, to the minute: 7 Mar 2026, 14:05 UTC."""
    return f"{day_words(moment[:10])}, {moment[11:16]} UTC"


def window_words(window: Mapping[str, Any]) -> str:
    """A window as somebody likes it: as EDTF, or in the coarsest words that are exact."""
    edtf: str | None = window["edtf"]
    if edtf is None:
        return _("no day")
    if preferences().dates == "edtf":
        return edtf
    if not edtf.startswith("["):
        return _span(*edtf.split("/"))
    parts = edtf[1:-1].split(",")
    shown = [_span(*(part.split("..") if ".." in part else (part, part))) for part in parts[:SPANS_SHOWN]]
    if len(parts) > SPANS_SHOWN:
        more = len(parts) - SPANS_SHOWN
        shown.append(ngettext("%(num)d more span", "%(num)d more spans", more) % {"num": more})
    return _either(shown)


def _either(shown: list[str]) -> str:
    if len(shown) == 1:
        return shown[0]
    return _("%(some)s or %(last)s") % {"some": ", ".join(shown[:-1]), "last": shown[-1]}


def _span(first: str, last: str) -> str:
    opens, ends = first in ("", ".."), last in ("", "..")
    if opens and ends:
        return _("any day")
    if opens:
        return _("%(day)s or earlier") % {"day": day_words(last)}
    if ends:
        return _("%(day)s or later") % {"day": day_words(first)}
    if first.endswith("-01-01") and last.endswith("-12-31"):
        words = [str(int(day[:4])) for day in (first, last)]
    elif first.endswith("-01") and _ends_month(last):
        words = [f"{_month(day)} {int(day[:4])}" for day in (first, last)]
    else:
        words = [day_words(first), day_words(last)]
    if words[0] == words[1]:
        return words[0]
    return _("%(first)s to %(last)s") % {"first": words[0], "last": words[1]}


def _ends_month(day: str) -> bool:
    year, month, number = map(int, day.split("-"))
    return number == calendar.monthrange(year, month)[1]


def _month(day: str) -> str:
    return _("Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec").split()[int(day[5:7]) - 1]


def day_words(day: str) -> str:
    """An ISO day as somebody likes it: 1966-03-07 is 7 Mar 1966."""
    if preferences().dates == "edtf":
        return day
    year, _month_number, number = day.split("-")
    return _("%(day)d %(month)s %(year)d") % {"day": int(number), "month": _month(day), "year": int(year)}
