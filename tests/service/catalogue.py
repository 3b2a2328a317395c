"""The catalogue of the page's strings: what the templates and the page's code say, and how it is compiled.

    python tests/service/catalogue.py      brings locale/*.po up to date with the code, and compiles them

New strings then stand in the .po files without a translation; a test fails until each has one.
"""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

import decoder.service

SERVICE = Path(decoder.service.__file__).parent
LOCALE = SERVICE / "locale"
METHODS = [("**.py", "python"), ("templates/**.html", "jinja2")]
OPTIONS = {"templates/**.html": {"trimmed": "true", "newstyle_gettext": "true", "silent": "false"}}
KEYWORDS = {"_": None, "gettext": None, "ngettext": (1, 2)}


def extracted() -> Catalog:
    """Every string of the page, as the code has it now."""
    made = Catalog(project="partdate", charset="utf-8", fuzzy=False)
    for name, line, message, _comments, context in extract_from_dir(
        SERVICE, METHODS, OPTIONS, KEYWORDS, comment_tags=()
    ):
        made.add(message, None, [(name, line)], context=context)
    return made


def translated(lang: str) -> Catalog:
    """The translation into a language, as its .po file has it."""
    with (LOCALE / f"{lang}.po").open("rb") as file:
        return read_po(file, locale=lang)


def compiled(catalogue: Catalog) -> bytes:
    """A catalogue as the bytes of its .mo file."""
    made = BytesIO()
    write_mo(made, catalogue)
    return made.getvalue()


def untranslated(catalogue: Catalog) -> list[str | tuple[str, ...]]:
    """The strings that have no translation, or not one for each of their plural forms."""
    texts = {
        one.id: list(one.string) if isinstance(one.string, tuple | list) else [one.string or ""]
        for one in catalogue
        if one.id
    }
    return [name for name, forms in texts.items() if not all(forms)]


def main() -> None:
    wanted = extracted()
    for path in sorted(LOCALE.glob("*.po")):
        catalogue = translated(path.stem)
        catalogue.update(wanted, no_fuzzy_matching=True)
        catalogue.obsolete.clear()
        with path.open("wb") as file:
            write_po(file, catalogue, width=110, no_location=True, sort_output=True)
        path.with_suffix(".mo").write_bytes(compiled(translated(path.stem)))
        missing = untranslated(catalogue)
        print(f"{path.name}: {len(catalogue)} strings, {len(missing)} without a translation")
        for one in missing:
            print(f"    {one!r}")


if __name__ == "__main__":
    main()
