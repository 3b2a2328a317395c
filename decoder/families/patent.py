"""Patents and registered designs: numbers, dates, pending marks and words, of several countries.

    PAT. NO. 2,741,146                 granted 10 April 1956, so the part is not older
    PATS. 2,741,146 2,8?4,224 & PEND.  companions: the latest grant sets the earliest date
    PAT. PEND.                         says nothing of its date by itself; a named patent closes and opens it
    D.R.G.M.                           the years of the law

A number's days follow from the order of the numbers alone (`patent_numbers`), marks are found in text by
`patent_marks`, and `patent_meaning` says what one of them means; here they are put together. A patent number is used
for years after its grant: it bounds a part from below only. Sources: USPTO, Table of Issue Years and Patent Numbers;
each row names its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import Final, NamedTuple

from decoder.families.patent_marks import Fault, Mark, find_marks
from decoder.families.patent_meaning import (
    GRADES,
    RIVALS,
    Case,
    Meaning,
    asked_as,
    candidates,
    date_says,
    number_as,
    number_notes,
    numbers_say,
    pending_says,
    scheme_id,
    words_say,
)
from decoder.families.patent_numbers import COUNTRIES, DIGITS_MOST, MEANINGS
from decoder.families.patent_text import lexicon, may_hold
from decoder.marking import ALPHABET, DIGITS, TEXT_LIMIT, Marking, MarkingError, chars_of
from decoder.scheme.family import Context
from decoder.scheme.nearmiss import CORRECTIONS_SHOWN, lookalikes
from decoder.scheme.reading import FieldValue, NearMiss, Precision, Reading, Strength, Timing, Wording
from decoder.tables import Citation
from decoder.window import WindowSet

KINDS: Final = frozenset(
    "headstock-logo decal serial label tuner tuner-button nut truss-rod-cover fingerboard fret inlay neck neck-heel "
    "neck-plate body body-cavity binding finish pickup pickup-cover pickup-base pickguard potentiometer capacitor "
    "resistor switch jack wiring knob bridge saddle tailpiece vibrato strap-button screw circuit-board case hangtag "
    "speaker transformer tube amplifier-capacitor tube-chart chassis circuit-breaker motor semiconductor relay "
    "other".split()
)
RANKS: Final = {country: 1 + place for place, country in enumerate(RIVALS)}
MISSES_TOLD: Final = 6
MEND_COST: Final = 0.5  # of a word or a group of digits that is mended as a whole
USED_FOR_YEARS: Final = (
    "a patent mark is used for years after the grant, often on parts that the patent doesn't cover: "
    "it gives the earliest date and no latest one"
)
PENDING_ALONE: Final = "a pending mark tells nothing of its date by itself: name the patent to bound it"
PENDING_BESIDE: Final = "the pending mark beside it speaks of another patent, so it bounds nothing here"
COMPANIONS: Final = "several marks on one part: the latest of them sets the earliest date"
CONTRADICT: Final = "the marks on this part can't all be of one time: they are read apart"


@dataclass(frozen=True, slots=True)
class Patent:
    """The family of patents and registered designs."""

    id: str = "patent"
    kinds: frozenset[str] = KINDS
    long_text: bool = True

    def may_read(self, marking: Marking, context: Context) -> bool:
        """Whether words of a patent mark, or thousands set off, stand in the text; its digits say nothing of that."""
        return may_hold(marking, lexicon(context.tables))

    def read(self, marking: Marking, context: Context) -> list[Reading]:
        """One reading of all patent marks on a part, for each country that a number without one may be of.

        Numbers without words, and words that stand for other things too, are read apart and are weaker.
        """
        case = Case.kept(marking, context)
        if case is None:
            return []
        made = [reading for places in case.plan.together for reading in _readings(case, places)]
        if len({reading.about.scheme for reading in made}) < len(made):  # the same reading twice, perhaps
            made = list(dict.fromkeys(made))
        return made

    def near_misses(self, marking: Marking, context: Context) -> list[NearMiss]:
        """Numbers that no series holds, letters among digits, misspelt pending marks, days that are none."""
        case = Case.of(marking, context)
        found = [_fault(case, fault) for fault in case.found.faults[:MISSES_TOLD]]
        numbers = [mark for mark in case.found.marks if mark.kind == "number" and mark.named]
        unmet = [m for m in numbers if not any(number_as(case, m, c) for c in candidates(case, m))]
        found += [_unmet(case, mark) for mark in unmet[:MISSES_TOLD]]
        return sorted(found, key=lambda miss: (miss.cost, miss.at))


FAMILY: Final = Patent()


# ---------------------------------------------------------------------------------------------------------------
# All marks of a part


def _readings(case: Case, places: Sequence[int]) -> list[Reading]:
    """One reading for each country that the marks at these places without one may be of: they are companions."""
    wanted = case.plan.asked[places[0]]
    if len(places) == 1 and wanted is not None:
        several = len(wanted.scales) > 1
        found = numbers_say(case, case.found.marks[places[0]], wanted)
        taken: list[Taken] = [
            (country if several else None, [meaning], meaning.says.windows)
            for country, meaning in found.items()
        ]
    else:
        taken = _taken(case, places)
    # A country that makes the marks contradict each other is out when another doesn't.
    agreeing = [one for one in taken if one[2].windows] or taken
    rivals = len(agreeing)
    made: list[Reading] = []
    for country, said, window in agreeing:
        if window.windows:
            made.append(_reading(_Companions(case, places, said, said, country, rivals), window))
        else:
            made += _apart(case, places, said, country, rivals)
    return made


# A country that marks without one are taken of, what each then says, and the days that are left by all of them.
Taken = tuple[str | None, list[Meaning], WindowSet]


def _taken(case: Case, places: Sequence[int]) -> list[Taken]:
    """What marks beside each other say as of each country that they may be of."""
    marks, asked = case.found.marks, case.plan.asked
    dated: dict[int, dict[str, Meaning]] = {}
    held: list[int] = []
    for place in places:
        wanted = asked[place]
        if wanted is not None:
            found = numbers_say(case, marks[place], wanted)
            if not found:
                continue
            dated[place] = found
        held.append(place)
    taken: list[Taken] = []
    for country in _choices(case, held, dated):
        said: list[Meaning] = []
        for place in held:
            meaning = _meaning(case, place, country, dated)
            if meaning is not None:
                said.append(meaning)
        if said:
            window = said[0].says.windows
            for meaning in said[1:]:
                window = _both(window, meaning.says.windows)
            taken.append((country, said, window))
    return taken


def _both(one: WindowSet, other: WindowSet) -> WindowSet:
    """The days in both sets; of two that only begin, the later one."""
    ours, theirs = one.windows, other.windows
    if len(ours) == len(theirs) == 1 and ours[0].latest is None and theirs[0].latest is None:
        return one if (ours[0].earliest or 0) >= (theirs[0].earliest or 0) else other
    return one & other


def _choices(case: Case, held: Sequence[int], dated: dict[int, dict[str, Meaning]]) -> Sequence[str | None]:
    """The countries to take the marks as of that don't tell their own: those that can hold all the numbers."""
    asked = case.plan.asked
    open_numbers = [
        dated[place] for place in held if (wanted := asked[place]) is not None and len(wanted.scales) > 1
    ]
    if len(open_numbers) == 1:
        return list(open_numbers[0])
    if open_numbers:
        order = list(dict.fromkeys(country for found in open_numbers for country in found))
        every = set(order).intersection(*open_numbers)
        return [country for country in order if country in every] or order
    marks = [case.found.marks[place] for place in held if asked[place] is None]
    several = [c for mark in marks if len(c := candidates(case, mark)) > 1]
    return tuple(dict.fromkeys(c for found in several for c in found)) or (None,)


def _meaning(
    case: Case, place: int, country: str | None, dated: dict[int, dict[str, Meaning]]
) -> Meaning | None:
    found = dated.get(place)
    if found is not None:
        if country in found:
            return found[country]
        asked = case.plan.asked[place]
        return next(iter(found.values())) if asked is not None and len(asked.scales) == 1 else None
    mark = case.found.marks[place]
    stated = candidates(case, mark)
    own = country if country in stated else stated[0] if len(stated) == 1 else None
    known = case.plan.said if case.plan.form and case.context.patent is None else {}
    if (place, own) in known:
        return known[place, own]
    match mark.kind:
        case "pending":
            said = pending_says(case, mark, own)
        case "date":
            said = date_says(case, mark, own)
        case _:
            said = words_say(case, mark, own)
    known[place, own] = said
    return said


class _Companions(NamedTuple):
    """Marks that are read together: `used` are those of the reading, `said` all that were taken as of its country.

    `notes` come first in its words.
    """

    case: Case
    places: Sequence[int]
    said: list[Meaning]
    used: list[Meaning]
    country: str | None
    rivals: int
    notes: tuple[str, ...] = ()


def _apart(
    case: Case, places: Sequence[int], said: list[Meaning], country: str | None, rivals: int
) -> list[Reading]:
    """Companions that can't all be of one time, read apart, with a note."""
    closed = [m for m in said if m.says.windows.latest is not None]
    others = [m for m in said if m.says.windows.latest is None]
    made = [
        _reading(_Companions(case, places, said, [m], m.mark.country, 1, (CONTRADICT,)), m.says.windows)
        for m in closed
    ]
    if others:
        window = reduce(WindowSet.__and__, (m.says.windows for m in others))
        made.append(_reading(_Companions(case, places, said, others, country, rivals, (CONTRADICT,)), window))
    return made


def _reading(of: _Companions, window: WindowSet) -> Reading:
    meanings, country = of.used, of.country
    speaks = meanings[0] if len(meanings) == 1 else _speaker(meanings)
    says, strength = speaks.says, speaks.strength
    about = says.about
    first, last = window.windows[0].earliest, window.windows[-1].latest
    if len(meanings) > 1:
        strength = _strength(meanings, country)
        timing = Timing.PART
        if last is not None or not _numbers(meanings):
            timing = min(meanings, key=lambda m: m.says.windows.latest or 10**9).says.about.timing
        if about.timing is not timing:
            about = replace(about, timing=timing)
    return Reading.of(
        about,
        strength,
        window,
        Precision.BOUND if first is None or last is None else Precision.BAND,
        True,
        _rank(of.case, country if country is not None else speaks.mark.country),
        (_in_words, of),
        says.granted,
    )


def _speaker(meanings: list[Meaning]) -> Meaning:
    """The mark that speaks for all of them."""
    return max(meanings, key=_weight)


def _numbers(meanings: Iterable[Meaning]) -> list[Meaning]:
    return [m for m in meanings if m.mark.kind in ("number", "date")]


def _strength(meanings: list[Meaning], country: str | None) -> Strength:
    """How much companions count: as the strongest of the numbers that the country was chosen for."""
    counted = [m for m in meanings if m.mark.kind == "number"] or meanings
    if country is not None and not (country == "US" and any(m.mark.country == "US" for m in counted)):
        counted = [m for m in counted if m.mark.country is None] or counted
    return max([m.strength for m in counted])


def _in_words(of: _Companions) -> Wording:
    """The words of a reading."""
    case, meanings = of.case, of.used
    speaks = _speaker(meanings)
    numbers = _numbers(meanings)
    told: list[str] = [*of.notes]
    if len(numbers) > 1:
        told.append(COMPANIONS)
    told += speaks.says.notes
    dated = speaks.dated
    if dated and speaks.mark.kind == "number":
        told += number_notes(case, dated)
    if numbers:
        told.append(USED_FOR_YEARS)
    for m in meanings:
        if m.mark.kind == "pending" and m.says.granted is None:
            told.append(PENDING_BESIDE if numbers else PENDING_ALONE)
        if m is not speaks and m.mark.kind != "number":
            told += m.says.notes
    if of.country is not None and of.rivals > 1 and numbers:
        told.append(f"no country is named: read here as a {COUNTRIES[of.country]} number")
    cites = [c for m in (speaks, *meanings) for c in m.says.cites]
    return Wording(
        tuple(_field(case.marking, m) for m in meanings),
        (*_left_aside(of), *dict.fromkeys(told)),
        _no_better(cites, speaks.says.grade),
    )


def _left_aside(of: _Companions) -> Iterator[str]:
    """A note for each number or date that a reading can't take."""
    marking, found = of.case.marking, of.case.found
    taken = {id(m.mark) for m in of.said}
    marks = [found.marks[place] for place in of.places]
    aside = [(mark.start, mark.end) for mark in marks if id(mark) not in taken]
    aside += [(f.start, f.end) for f in found.faults if f.kind != "spelling"]
    for start, end in aside:
        yield f"{marking.shown(start, end)} can't be read so, and is left aside"


def _weight(meaning: Meaning) -> tuple[int, int]:
    """Which mark speaks for all: the number or date with the latest grant, then a named patent, then words."""
    kind, granted = meaning.mark.kind, meaning.says.granted
    latest = granted.earliest if granted else None
    if latest is None and kind == "number":
        return 1, 0
    return (2 if kind in ("number", "date") else 1 if granted or kind == "words" else 0), latest or 0


def _rank(case: Case, country: str | None) -> int:
    if country is None:
        return 1
    if country == case.home:
        return 0
    return RANKS.get(country, 1 + len(RIVALS))


def _no_better(cites: Iterable[Citation], grade: str) -> tuple[Citation, ...]:
    """The sources, without those graded better than the one that the window rests on: a reading is as good as that."""
    every = tuple(dict.fromkeys(cites))
    kept = tuple(c for c in every if GRADES.find(c.grade[:1]) >= GRADES.find(grade[:1]))
    return kept or every


def _field(marking: Marking, meaning: Meaning) -> FieldValue:
    mark = meaning.mark
    names = {"pending": "pending", "date": "patent date", "words": "words"}
    name = names.get(mark.kind) or MEANINGS.get(mark.meaning, "patent")
    at = marking.at(mark.start, mark.end)
    if marking.stars and mark.kind == "number":
        at = _with_stars(marking.text, *at)
    return FieldValue(name, marking.text[at[0] : at[1]], meaning.value, at)


def _with_stars(text: str, first: int, last: int) -> tuple[int, int]:
    """The place of a number with the `*` that stand right before and after it."""
    head, tail = text[:first], text[last:]
    before, after = head[len(head.rstrip(",.*")) :], tail[: len(tail) - len(tail.lstrip(",.*"))]
    if "*" in before:
        first -= len(before) - before.index("*")
    if "*" in after:
        last += after.rindex("*") + 1
    return first, last


# ---------------------------------------------------------------------------------------------------------------
# What almost is a mark


def _fault(case: Case, fault: Fault) -> NearMiss:
    marking = case.marking
    first, last = marking.at(fault.start, fault.end)
    if fault.kind == "letter":
        mends = list(_letter_mends(case, fault))
    else:
        sound = [m for m in fault.mends if fault.kind != "groups" or _reads(case, fault, m)]
        mends = [(MEND_COST, marking.text[:first] + m + marking.text[last:]) for m in sound]
    return _miss(scheme_id(fault.country, fault.meaning), fault.problem, (first, last), mends)


def _miss(scheme: str, problem: str, at: tuple[int, int], mends: Iterable[tuple[float, str]]) -> NearMiss:
    ordered = sorted((cost, text) for cost, text in mends if len(text) <= TEXT_LIMIT)
    cost = ordered[0][0] if ordered else 1.0
    return NearMiss(scheme, problem, at, tuple(text for _, text in ordered[:CORRECTIONS_SHOWN]), cost)


def _letter_mends(case: Case, fault: Fault) -> Iterable[tuple[float, str]]:
    """The one letter among digits exchanged for each digit that it looks like."""
    marking, costs = case.marking, lookalikes(case.context.tables)
    letters = [i for i in range(fault.start, fault.end) if not marking.cells[i] & DIGITS]
    letter = chars_of(marking.cells[letters[0]]) if len(letters) == 1 else ""
    if len(letter) != 1:
        return
    first, last = marking.spans[letters[0]]
    start, end = marking.at(fault.start, fault.end)
    for digit in ALPHABET[:10]:
        cost = costs.get((letter, digit))
        number = marking.text[start:first] + digit + marking.text[last:end]
        if cost is not None and _reads(case, fault, number):
            yield cost, marking.text[:first] + digit + marking.text[last:]


def _reads(case: Case, fault: Fault, number: str) -> bool:
    """Whether a number, so written, is one that a series of the faulty one's kind holds."""
    try:
        marking = Marking.read(f"PAT NO {number}", limit=TEXT_LIMIT)
    except MarkingError:
        return False
    found = find_marks(marking, case.words, case.book.days, case.book.date_form)
    wanted = [
        replace(mark, meaning=fault.meaning, country=fault.country, rows=fault.rows) for mark in found.marks
    ]
    return (
        not found.faults
        and bool(wanted)
        and all(m.kind == "number" and numbers_say(case, m, asked_as(case, m)) for m in wanted)
    )


def _unmet(case: Case, mark: Mark) -> NearMiss:
    """A number that no series holds, with the one-digit changes that some series would hold."""
    marking = case.marking
    at = marking.at(mark.start, mark.end)
    shown = marking.text[at[0] : at[1]]
    wanted = candidates(case, mark)
    tables = [s for c in wanted for s in case.book.series.get((c, mark.meaning), ())]
    whose = " or ".join(dict.fromkeys(COUNTRIES[c] for c in wanted))
    if mark.years:
        problem = f"{shown}: only British patents before 1916 are quoted by number and year"
    elif tables and all(len(form) < len(str(min(s.least for s in tables))) for form in mark.forms):
        problem = (
            f"{shown} is below the first {whose} number that the tables hold: an older one needs its year"
        )
    elif len(tables) == 1:
        problem = f"{shown} is above any number that the {whose} series can have reached"
    else:
        problem = f"{shown} is in none of the series that are held ({whose})"
    return _miss(scheme_id(mark.country, mark.meaning), problem, at, _digit_mends(case, mark))


def _digit_mends(case: Case, mark: Mark) -> Iterable[tuple[float, str]]:
    """The number with one digit exchanged for one that it looks like; a US number where no country is named."""
    marking, costs = case.marking, lookalikes(case.context.tables)
    if len(mark.forms) != 1 or mark.years or len(mark.forms[0]) > DIGITS_MOST:
        return
    digits = [i for i in range(mark.start, mark.end) if marking.cells[i] & DIGITS]
    cells = mark.forms[0]
    if len(digits) != len(cells):
        return
    for place, at in enumerate(digits):
        stands = marking.cells[at]
        if stands & (stands - 1):
            continue
        character = ALPHABET[stands.bit_length() - 1]
        first, last = marking.spans[at]
        for digit in ALPHABET[:10]:
            cost = costs.get((character, digit))
            form = (*cells[:place], 1 << int(digit), *cells[place + 1 :])
            if cost is not None and number_as(case, replace(mark, forms=(form,)), mark.country or "US"):
                yield cost, marking.text[:first] + digit + marking.text[last:]
