"""Decodings and assessments as text for a terminal of 80 columns. Lays out what it is given; computes nothing."""

from __future__ import annotations

import calendar
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any, Final

from decoder.tables import Table

WIDTH: Final = 80
NOTES_SHOWN: Final = 6
WINDOWS_SHOWN: Final = 6
WAYS_SHOWN: Final = 5
LEAST_CHANCE: Final = 0.01  # below it, and as far from certainty, a chance is not told in figures
MAKERS_APART: Final = 3  # readings of more makers than this are told a line a maker

Style = Callable[..., str]

_COLOURS: Final = {
    "fits": "green",
    "agrees": "green",
    "old-stock": "cyan",
    "too-new": "red",
    "too-old": "yellow",
    "misfit": "red",
    "never": "red",
    "contradicted": "red",
    "undecided": "yellow",
    "unread": None,
}
_SIGNS: Final = {
    "fits": "+",
    "old-stock": "o",
    "too-new": ">",
    "too-old": "<",
    "misfit": "x",
    "never": "x",
    "undecided": "?",
    "unread": "-",
}


# --- one marking --------------------------------------------------------------------------------------------


def decoding_text(decoding: Mapping[str, Any], style: Style) -> str:
    """A decoding (as it stands in JSON) as text."""
    lines = [style(line, bold=True) for line in wrapped(_one_line(decoding["marking"]), "", "")]
    lines += wrapped(_status(decoding), "", "")
    for note in decoding.get("notes", ()):
        lines += wrapped(note, "Note: ", "  ")
    best = next((reading["strength"] for reading in decoding["readings"]), "")
    for strength, found in groupby(decoding["readings"], key=lambda reading: str(reading["strength"])):
        lines += ["", *_of_strength(strength, list(found), strength == best, style)]
    if decoding["readings"] and decoding["near_misses"]:
        lines += ["", style("Almost", underline=True)]
    lines += _misses(decoding, style)
    if decoding["readings"]:
        lines += ["", *(style(line, dim=True) for line in wrapped(_GRADES, "", "  "))]
    lines += _cautions(decoding["cautions"], style)
    return "\n".join(lines) + "\n"


_GRADES: Final = (
    "Grades: [A] maker, office or standard; [B] two sources; [C] one source; [M] from memory; "
    "[P] practice of the trade."
)


def _status(decoding: Mapping[str, Any]) -> str:
    count = len(decoding["readings"])
    if decoding["status"] == "read":
        said = f"{count} reading{'s' if count != 1 else ''}"
        if len(_makers(decoding["readings"])) > MAKERS_APART:
            return f"{said}, each a guess among makers: say whose number it is (--maker)"
        return f"{said}: {_windows(decoding['windows'])}"
    if any(miss["try"] for miss in decoding["near_misses"]):
        return "not read, but almost"
    if decoding["near_misses"] or decoding.get("notes"):
        return "not read"
    return (
        "not read: no scheme held here reads this. Write ? for each worn character and [68] for one of two, "
        "give the code alone, and say on which part it stands (--part)."
    )


def _of_strength(strength: str, readings: Sequence[Mapping[str, Any]], best: bool, style: Style) -> list[str]:
    """The readings of one strength: in full where they count and are few, else a line each."""
    makers = _makers(readings)
    head = f"{strength.capitalize()} reading{'s' if len(readings) != 1 else ''}"
    if not best:
        head += ", which count for nothing beside the stronger ones"
    lines = [style(head, underline=True)]
    if len(makers) > MAKERS_APART:
        lines += _by_maker(makers, readings)
        lines += wrapped("With the maker given: the series, its tolerance, notes and sources.", "  ", "  ")
        readings = [reading for reading in readings if not reading.get("maker")]
    for group in _groups(readings):
        between = [""] if best and len(lines) > 1 else []
        lines += [*between, *(_group(group, style) if best else _short(group, style))]
    return lines


def _makers(readings: Iterable[Mapping[str, Any]]) -> list[str]:
    """The makers of instruments that readings name, each once."""
    return list(dict.fromkeys(reading["maker"] for reading in readings if reading.get("maker")))


def _by_maker(makers: Sequence[str], readings: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """A line for each maker: what its series say, and the grades of the sources."""
    widest = min(max(_columns(maker) for maker in makers), WIDTH // 3)
    for maker in makers:
        own = [reading for reading in readings if reading.get("maker") == maker]
        grades = sorted({_letter(source["grade"]) for reading in own for source in reading["sources"]})
        said = "; ".join(dict.fromkeys(window_words(reading["window"]) for reading in own))
        yield from _beside(f"  {_padded(maker, widest)}  ", f"{said} [{' '.join(grades)}]", widest + 4, 0)


def _groups(readings: Iterable[Mapping[str, Any]]) -> list[list[Mapping[str, Any]]]:
    """Neighbours that differ in their windows, grants and notes alone."""

    def likeness(reading: Mapping[str, Any]) -> tuple[Any, ...]:
        fields = tuple((f["name"], f["text"], f["value"], *f["at"]) for f in reading["fields"])
        return reading["scheme"], reading.get("maker"), fields

    return [list(same) for _, same in groupby(readings, key=likeness)]


def _group(group: Sequence[Mapping[str, Any]], style: Style) -> list[str]:
    """Readings of one scheme: their windows, then once what they share."""
    shared = [note for note in group[0]["notes"] if all(note in reading["notes"] for reading in group)]
    lines: list[str] = []
    for reading in group:
        lines += [style(line, bold=True) for line in wrapped(window_words(reading["window"]), "  ", "    ")]
        if reading.get("granted"):
            lines += wrapped(f"granted {window_words(reading['granted'])}", "      ", "      ")
        for note in reading["notes"]:
            if note not in shared:
                lines += wrapped(note, "      - ", "        ")
    lines += wrapped(_title(group[0]), "    ", "    ")
    lines += _fields(group[0]["fields"])
    for note in shared[:NOTES_SHOWN]:
        lines += wrapped(note, "    - ", "      ")
    if len(shared) > NOTES_SHOWN:
        lines += wrapped(
            f"and {_more(len(shared) - NOTES_SHOWN, 'note')}, which --json gives", "    - ", "      "
        )
    cited = dict.fromkeys(f"{s['title']} [{s['grade']}]" for reading in group for s in reading["sources"])
    return lines + [style(line, dim=True) for line in wrapped("; ".join(cited), "    Sources: ", "      ")]


def _short(group: Sequence[Mapping[str, Any]], style: Style) -> list[str]:
    """Readings of one scheme in two lines: windows, title."""
    windows = list(dict.fromkeys(window_words(reading["window"]) for reading in group))
    more = f" and {len(windows) - WINDOWS_SHOWN} more" if len(windows) > WINDOWS_SHOWN else ""
    lines = [
        style(line, bold=True) for line in wrapped("; ".join(windows[:WINDOWS_SHOWN]) + more, "  ", "    ")
    ]
    return lines + wrapped(_title(group[0]), "    ", "      ")


def _title(reading: Mapping[str, Any]) -> str:
    maker = reading.get("maker")
    title = str(reading["title"])
    return title if not maker or title.startswith(maker) else f"{maker}: {title}"


def _fields(fields: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """The characters of each field under each other, with what they are and what they mean."""
    named = [
        (_one_line(field["text"]), field["name"].rstrip("0123456789").replace("_", " "), field)
        for field in fields
    ]
    first = min(max((_columns(text) for text, _, _ in named), default=0), WIDTH // 4)
    second = max((_columns(name) for _, name, _ in named), default=0)
    for text, name, field in named:
        said = "" if field["value"] in (field["text"], f"{name} {field['text']}") else field["value"]
        yield from _beside(
            f"    {_padded(text, first)}  ", f"{_padded(name, second)}  {said}", first + 6, second + 2
        )


def _misses(decoding: Mapping[str, Any], style: Style) -> Iterator[str]:
    marking = decoding["marking"]
    plain = marking.isprintable() and _columns(marking) == len(marking) <= WIDTH - 4
    for at, misses in groupby(decoding["near_misses"], key=lambda miss: tuple(miss["at"])):
        first, last = at
        yield ""
        if plain and 0 < last - first < len(marking):
            yield f"  {marking}"
            yield style(" " * (first + 2) + "^" * (last - first), bold=True)
        for miss in misses:
            yield from wrapped(miss["problem"], "  ", "    ")
            if miss["try"]:
                yield from wrapped(f"look again, could it be {_listed(miss['try'], 'or')}?", "    ", "    ")


def _cautions(cautions: Iterable[Mapping[str, str]], style: Style) -> list[str]:
    lines: list[str] = []
    for caution in cautions:
        lines += ["", *(style(line, fg="yellow") for line in wrapped(caution["text"], "Caution: ", "  "))]
    return lines


# --- a whole instrument -------------------------------------------------------------------------------------


def assessment_text(assessment: Mapping[str, Any], style: Style) -> str:
    """An assessment (as it stands in JSON) as text."""
    outcome = assessment["outcome"]
    claim = f"the claim {assessment['claim']}" if assessment["claim"] else "no claim"
    lines = [style(outcome.upper(), bold=True, fg=_COLOURS[outcome]) + f"  {claim}", ""]
    for sentence in assessment["narrative"]:
        lines += wrapped(sentence, "  ", "    ")
    lines += ["", style("Parts", underline=True)]
    for part in assessment["parts"]:
        lines += _part(part, style)
    lines += _agreements(assessment, style)
    lines += _estimate(assessment["estimate"], style)
    lines += _remarks(assessment, style)
    lines += _advice(assessment["advice"], style)
    told = [_caution(item) for item in assessment["advice"]]
    lines += _cautions((c for c in assessment["cautions"] if not any(c["text"] in t for t in told)), style)
    lines += ["", *(style(line, dim=True) for line in wrapped(_DISCLAIMER, "", ""))]
    revisions = ", ".join(f"{name} {revision}" for name, revision in assessment["tables"].items())
    lines += ["", *(style(line, dim=True) for line in wrapped(f"Tables: {revisions}", "", "  "))]
    return "\n".join(lines) + "\n"


_DISCLAIMER: Final = (
    "This compares marks with tables; it is no certificate. Marks are copied on reproductions. "
    "Questions of value or ownership are for a licensed appraiser."
)
_INDENT: Final = " " * 14


def _part(part: Mapping[str, Any], style: Style) -> list[str]:
    verdict = part["verdict"]
    marking = _one_line(part["decoding"]["marking"]) if part["decoding"] else ""
    title = "" if part["id"] == part["part"] else f" ({part['part']})"
    shown = f"{part['id']}{title}" + (f": {marking}" if marking else "")
    lines = wrapped(shown, f" {_SIGNS[verdict]} {verdict:<11}", _INDENT)
    colour = None if "disclosed-replacement" in part["flags"] else _COLOURS[verdict]
    lines = [style(line, fg=colour) for line in lines]
    return lines + wrapped(part["reason"], _INDENT, _INDENT)


def _agreements(assessment: Mapping[str, Any], style: Style) -> list[str]:
    lines = ["", style("Days that all parts allow", underline=True)]
    lines += _pair("longest lags", _windows(assessment["joint_windows"]))
    lines += _pair("usual lags", _windows(assessment["joint_windows_usual"]))
    held = assessment["claim_explanations"]
    if held and not held[0]["set_aside"]:
        lines += _pair("in the claim", _windows(held[0]["windows"]))
    for key, label in (
        ("claim_explanations", "What would have to give way for the claim to hold"),
        ("explanations", "What would have to give way for the rest to agree"),
    ):
        found = assessment[key]
        if not found or not found[0]["set_aside"] or (key == "explanations" and found == held):
            continue
        lines += ["", style(label, underline=True)]
        for each in found[:WAYS_SHOWN]:
            lines += wrapped(_way(each), "  - ", "    ")
        if len(found) > WAYS_SHOWN:
            lines += wrapped(f"and {len(found) - WAYS_SHOWN} more, which --json gives", "  - ", "    ")
    return lines


def _way(explanation: Mapping[str, Any]) -> str:
    aside, rest = _listed(explanation["set_aside"], "and"), explanation["agreeing"]
    days = _windows(explanation["windows"])
    chance = explanation.get("probability")
    said = f"{aside} (chance {_percent(chance)})" if chance is not None else aside
    if not rest:
        return f"{said}; then no part remains"
    if len(rest) == 1:
        return f"{said}; then {rest[0]} remains, on {days}"
    return f"{said}; then the other {len(rest)} agree on {days}"


def _estimate(estimate: Mapping[str, Any] | None, style: Style) -> list[str]:
    if estimate is None:
        return []
    lines = ["", style("Estimate", underline=True)]
    lines += _pair("even chance", _windows(estimate["interval_50"]))
    lines += _pair("nine in ten", _windows(estimate["interval_90"]))
    if estimate["claim_probability"] is not None:
        lines += _pair("the claim", _percent(estimate["claim_probability"]))
    lines += _pair("replaced", _replaced(estimate["replaced"]))
    for assumption in estimate.get("assumptions", ()):
        lines += [style(line, dim=True) for line in wrapped(assumption, "  - ", "    ")]
    return lines


def _replaced(chances: Mapping[str, float]) -> str:
    """The chances of replacement, the greatest first; those that round to nothing are counted only."""
    ordered = sorted(chances.items(), key=lambda pair: (-pair[1], pair[0]))
    named = [f"{name} {_percent(chance)}" for name, chance in ordered if chance >= LEAST_CHANCE]
    rest = len(ordered) - len(named)
    if rest:
        named.append(f"{'the other ' if named else 'each of '}{rest} under 1 %")
    return ", ".join(named) or "no part"


def _percent(chance: float) -> str:
    """A chance in per cent; neither nothing nor certainty is claimed by rounding."""
    if chance < LEAST_CHANCE:
        return "under 1 %"
    return "over 99 %" if chance > 1 - LEAST_CHANCE else f"{100 * chance:.0f} %"


def _pair(label: str, text: str) -> list[str]:
    return wrapped(text, f"  {label + ':':<15}", " " * 17)


def _remarks(assessment: Mapping[str, Any], style: Style) -> list[str]:
    lines: list[str] = []
    for group in assessment["groups"]:
        if group["odd"]:
            lines += ["", *wrapped(f"{group['group']}: {group['reason']}", "Group ", "  ")]
    if assessment["warnings"]:
        lines += ["", style("Warnings", underline=True)]
    for warning in assessment["warnings"]:
        lines += wrapped(warning, "  - ", "    ")
    return lines


def _advice(advice: Sequence[Mapping[str, Any]], style: Style) -> list[str]:
    """Which parts to look at next, each with its caution; one that stands there already is not said again."""
    lines = ["", style("Look next at", underline=True)] if advice else []
    told = ""
    for item in advice:
        lines += wrapped(f"{item['part']}: {item['why']} {item['how']}", "  - ", "    ")
        caution = _caution(item)
        if caution and caution in told:
            caution = "as above."
        told += caution
        if caution:
            lines += [style(line, fg="yellow") for line in wrapped(caution, "    Caution: ", "    ")]
    return lines


def _caution(item: Mapping[str, Any]) -> str:
    caution = item.get("caution") or ""
    return caution if isinstance(caution, str) else str(caution["text"])


# --- tables -------------------------------------------------------------------------------------------------


def table_list_text(tables: Iterable[Table]) -> str:
    """Every table: its name, rows and revision on a line, its title and the rows by grade on the next."""
    lines = []
    for table in tables:
        counts = Counter(str(row["grade"])[:3] for row in table.rows)
        grades = " ".join(f"{grade}:{count}" for grade, count in sorted(counts.items()))
        lines.append(f"{_padded(table.id, 40)} {len(table.rows):>6} rows  {table.revision}")
        lines += wrapped(f"{table.title} ({grades})", "    ", "    ")
    return "\n".join(lines) + "\n"


def table_text(shown: Mapping[str, Any], style: Style) -> str:
    """A table (as it stands in JSON) as text: one block a row, empty cells left out."""
    lines = [style(line, bold=True) for line in wrapped(shown["title"], "", "")]
    lines += wrapped(f"{shown['id']}, revision {shown['revision']}", "", "")
    lines += wrapped(shown["description"], "", "")
    for row in shown["rows"]:
        cells = [
            f"{name} {', '.join(value) if isinstance(value, list) else value}"
            for name, value in row.items()
            if value not in (None, [], "")
        ]
        lines += ["", *wrapped("; ".join(cells), "  ", "    ")]
    if not shown["rows"]:
        lines += ["", "  no such row"]
    if shown["sources"]:
        lines += ["", style("Sources", underline=True)]
    for source in shown["sources"]:
        lines += wrapped(f"{source['id']}: {source['title']} {source['address']}", "  ", "    ")
    return "\n".join(lines) + "\n"


CELL: Final = 12  # columns of a family in the matrix
KIND_COLUMNS: Final = 20
_MATRIX_LEGEND: Final = (
    "Each cell: rows and years. 1920-69 is 1920 to 1969, 1940-00 to 2000, 1945- is 1945 on. "
    "- is a kind that the family reads and for which it holds no row."
)


def coverage_text(families: Sequence[Mapping[str, Any]], matrix: Sequence[Mapping[str, Any]]) -> str:
    """What the tables cover (as it stands in JSON): a line a family, then kinds of part against families."""
    lines = ["family            schemes   rows  years      rows by grade"]
    for family in families:
        grades = " ".join(f"{grade}:{count}" for grade, count in family["grades"].items())
        line = f"{family['family']:<16} {family['schemes'] or '-':>8} {family['rows']:>6}  "
        lines.append(f"{line}{_years_covered(family['years']):<9}  {grades}"[:WIDTH].rstrip())
    cells = {(row["family"], kind): _coverage_cell(row) for row in matrix for kind in row["kinds"]}
    kinds = {row["family"]: row["kinds"] for row in families}
    alike = [name for name in kinds if len({cells[name, kind] for kind in kinds[name]}) == 1]
    if alike:
        lines += ["", *wrapped(f"Every kind that it reads alike: {', '.join(alike)}.", "", "  ")]
    apart = [name for name in kinds if name not in alike]
    fullest_first = sorted(kinds, key=lambda name: -len(kinds[name]))
    order = dict.fromkeys(kind for name in fullest_first for kind in kinds[name])
    fitting = (WIDTH - KIND_COLUMNS) // CELL
    for start in range(0, len(apart), fitting):
        shown = apart[start : start + fitting]
        heads = (name.removesuffix("_date")[: CELL - 1] for name in shown)
        lines += ["", (" " * KIND_COLUMNS + "".join(f"{head:<{CELL}}" for head in heads)).rstrip()]
        for kind in order:
            row = [cells.get((name, kind), "") for name in shown]
            if any(row):
                lines.append((f"{kind:<{KIND_COLUMNS}}" + "".join(f"{c:<{CELL}}" for c in row)).rstrip())
    return "\n".join([*lines, "", *wrapped(_MATRIX_LEGEND, "", "")]) + "\n"


def _coverage_cell(row: Mapping[str, Any]) -> str:
    return f"{row['rows']:>3} {_years_covered(row['years'])}".rstrip() if row["rows"] else "  -"


def _years_covered(edtf: str | None) -> str:
    """'1920-01-01/1969-12-31' is 1920-69, and an open end stays open: 1945-."""
    if edtf is None:
        return ""
    first, last = edtf.split("/")
    return f"{first.strip('.')[:4]}-{last.strip('.')[2:4]}"


# --- words and lines ----------------------------------------------------------------------------------------


def window_words(window: Mapping[str, Any]) -> str:
    """A window in the coarsest words that are exact: '1966', 'Oct 1965 to Mar 1966', '1 May 1956 or later'.

    >>> window_words({"edtf": "[1955-01-01..1955-12-31,1957-03-01..1957-03-31]"})
    '1955 or Mar 1957'
    """
    edtf = window["edtf"]
    if edtf is None:
        return "no day"
    if not edtf.startswith("["):
        return _span(*edtf.split("/"))
    parts = edtf[1:-1].split(",")
    shown = [_span(*(part.split("..") if ".." in part else (part, part))) for part in parts[:WINDOWS_SHOWN]]
    if len(parts) > WINDOWS_SHOWN:
        shown.append(_more(len(parts) - WINDOWS_SHOWN, "span"))
    return _listed(shown, "or")


def _span(first: str, last: str) -> str:
    opens, ends = first in ("", ".."), last in ("", "..")
    if opens and ends:
        return "any day"
    if opens:
        return f"{day_words(last)} or earlier"
    if ends:
        return f"{day_words(first)} or later"
    if first.endswith("-01-01") and last.endswith("-12-31"):
        words = [str(int(day[:4])) for day in (first, last)]
    elif first.endswith("-01") and _ends_month(last):
        words = [f"{_MONTHS[int(day[5:7]) - 1]} {int(day[:4])}" for day in (first, last)]
    else:
        words = [day_words(first), day_words(last)]
    return words[0] if words[0] == words[1] else " to ".join(words)


def _ends_month(day: str) -> bool:
    year, month, number = map(int, day.split("-"))
    return number == calendar.monthrange(year, month)[1]


_MONTHS: Final = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split()


def day_words(day: str) -> str:
    """An ISO day in words: 1966-03-07 is 7 Mar 1966."""
    year, month, number = day.split("-")
    return f"{int(number)} {_MONTHS[int(month) - 1]} {int(year)}"


def _windows(windows: Sequence[Mapping[str, Any]]) -> str:
    shown = [window_words(window) for window in windows[:WINDOWS_SHOWN]]
    if len(windows) > WINDOWS_SHOWN:
        shown.append(_more(len(windows) - WINDOWS_SHOWN, "span"))
    return _listed(shown, "or") or "no day"


def _listed(items: Sequence[str], word: str) -> str:
    return f" {word} ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


def _more(count: int, noun: str) -> str:
    return f"{count} more {noun}" if count == 1 else f"{count} more {noun}s"


def _one_line(text: str) -> str:
    """Text of a label with its line breaks shown as strokes."""
    return " / ".join(line.strip() for line in text.splitlines() if line.strip())


def _columns(text: str) -> int:
    """How many columns of a terminal a text takes: two for a wide character, none for a bare accent."""
    return sum(_width(character) for character in text)


def _beside(label: str, text: str, column: int, hanging: int) -> list[str]:
    """A text that begins in a column, beside its label, or under a label that is too long for that."""
    head, indent = text[:hanging], " " * (column + hanging)
    if _columns(label) <= column:
        return [line.rstrip() for line in wrapped(text[hanging:], label + head, indent)]
    above = wrapped(label, "    ", "    ")
    return [*above, *(line.rstrip() for line in wrapped(text[hanging:], " " * column + head, indent))]


def _letter(grade: str) -> str:
    """A grade in one word: its letter, or "own" for an observation of one's own."""
    return grade.split(" ", 1)[0]


def _padded(text: str, columns: int) -> str:
    return text + " " * (columns - _columns(text))


def _width(character: str) -> int:
    if character < "\u0300":
        return 1
    if unicodedata.combining(character):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def wrapped(text: str, first: str, rest: str) -> list[str]:
    """Lines of at most 80 columns, broken at spaces; only a word longer than a line is broken inside."""
    lines: list[str] = []
    line, empty = first, True
    for word in text.split():
        room = WIDTH - _columns(line) - (0 if empty else 1)
        if _columns(word) > room and not empty:
            lines.append(line)
            line, empty = rest, True
        while _columns(word) > WIDTH - _columns(line):
            taken = _fitting(word, WIDTH - _columns(line))
            lines.append(line + word[:taken])
            line, word = rest, word[taken:]
        if word:
            line = line + word if empty else f"{line} {word}"
            empty = False
    return [*lines, line.rstrip()] if not empty or not lines else lines


def _fitting(word: str, room: int) -> int:
    """How many characters of a word fit into so many columns; at least one."""
    used = 0
    for count, character in enumerate(word):
        used += _width(character)
        if used > room:
            return max(count, 1)
    return len(word)
