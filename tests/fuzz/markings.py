"""Markings to be decoded: drawn from the grammar and harmed, with a kind, a maker and a claim, or with none."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from random import Random
from typing import Any, ClassVar

from decoder.catalog import UnknownKindError, decode, kind_of, text_limit
from decoder.marking import Marking, MarkingError
from decoder.scheme.reading import Decoding
from decoder.tables import shipped
from decoder.window import EdtfError
from tests.fuzz import harm, rules
from tests.fuzz.grammar import grammar

TODAY = date(2026, 11, 25)
CLAIMS = ("1966", "196X", "1965/1967", "1966~", "../1970", "1966-03", "19XX", "1959-21")
MAKERS = ("Harrow & Vale", "harrow and vale", "", "?", "\u0301", "x" * 500)
COUNTRIES = ("US", "us", "GB", "DE", "JP", "Germany", "??", "")
PATENTS = ("2,741,146", "2741146", "PAT. 2,741,146", "DES. 169062", "0", "-1", "no", "9" * 30, "")


@dataclass(frozen=True, slots=True)
class Asked:
    """What `decode` is asked."""

    marking: str
    part: str | None = None
    maker: str | None = None
    claim: str | None = None
    country: str | None = None
    patent: str | None = None

    def __str__(self) -> str:
        given = {name: getattr(self, name) for name in self.__slots__[1:] if getattr(self, name) is not None}
        return f"decode({self.marking!a}{''.join(f', {name}={value!a}' for name, value in given.items())})"


def _thinned(text: str, rng: Random) -> str:
    """The text with `?` for its `*`, nine times in ten: one with a `*` costs as much as forty others."""
    return text.replace("*", "?") if "*" in text and rng.random() < 0.9 else text


class Markings:
    """Every marking through `decoder.decode`. With `mends`, what near misses offer must be read as well."""

    name: ClassVar[str] = "markings"
    refusals: ClassVar[tuple[type[Exception], ...]] = (MarkingError, UnknownKindError, EdtfError)
    budget: ClassVar[float | None] = 0.010  # seconds of processor time

    def __init__(self, mends: bool = False) -> None:
        self.grammar = grammar()
        self.mends = mends

    def draw(self, rng: Random) -> Asked:
        """A marking, harmed three times in four, with what else is known of it."""
        text, kinds = self.grammar.drawn(rng)
        random = rng.random
        if random() < 0.75:
            text = _thinned(harm.harmed(text, rng), rng)
        if random() < 0.4:
            return Asked(text)
        kind = self._kind(kinds, rng)
        if random() < 0.6:
            return Asked(text, kind)
        return Asked(
            text,
            kind,
            self._maker(rng) if random() < 0.7 else None,
            CLAIMS[int(random() * len(CLAIMS))] if random() < 0.4 else None,
            COUNTRIES[int(random() * len(COUNTRIES))] if random() < 0.3 else None,
            PATENTS[int(random() * len(PATENTS))] if random() < 0.2 else None,
        )

    def mutate(self, asked: Asked, other: Asked, rng: Random) -> Asked:
        """A question like an earlier one: its marking harmed, joined with another, or given with another kind."""
        chance = rng.random()
        if chance < 0.7:
            return replace(asked, marking=_thinned(harm.harmed(asked.marking, rng), rng))
        if chance < 0.85:
            return replace(asked, marking=_thinned(harm.joined(asked.marking, other.marking, rng), rng))
        if chance < 0.95:
            return Asked(asked.marking, self._kind((), rng), asked.maker, asked.claim)
        text = asked.maker or asked.patent or asked.claim or "1966"
        return replace(
            asked, **{("maker", "patent", "claim", "part")[int(rng.random() * 4)]: harm.harmed(text, rng)}
        )

    def _kind_asked(self, asked: Asked) -> str | None:
        return kind_of(shipped(), asked.part) if asked.part else None

    def _kind(self, kinds: tuple[str, ...], rng: Random) -> str | None:
        if kinds and rng.random() < 0.6:
            return kinds[int(rng.random() * len(kinds))]
        known = self.grammar.kinds
        return known[int(rng.random() * len(known))]

    def _maker(self, rng: Random) -> str:
        known = self.grammar.makers if rng.random() < 0.8 else MAKERS
        return known[int(rng.random() * len(known))]

    def ask(self, asked: Asked) -> Decoding:
        found = decode(
            asked.marking,
            part=asked.part,
            maker=asked.maker,
            claim=asked.claim,
            country=asked.country,
            patent=asked.patent,
            today=TODAY,
        )
        found.near_misses  # noqa: B018 (they may be worked out only when they are asked for)
        return found

    def signature(self, asked: Asked, found: Decoding) -> Hashable:
        """What this answer shows: the schemes with strength, precision and documented years, what failed, the notes."""
        return (
            found.status,
            asked.part is None,
            frozenset([(r.about.scheme, r.strength, r.precision, r.documented) for r in found.readings]),
            frozenset([(m.scheme, m.problem[:12]) for m in found.near_misses]),
            tuple([note[:20] for note in found.notes]),
        )

    def faults(self, asked: Asked, found: Decoding, written: bool) -> Iterator[str]:
        yield from rules.decoding_faults(asked.marking, found)
        if written:
            yield from rules.answer_faults(asked.marking, found)
            if self.mends:
                yield from self._false_mends(asked, found)

    def _false_mends(self, asked: Asked, found: Decoding) -> Iterator[str]:
        """What a near miss says would mend the marking, and nothing reads when it is done."""
        for miss in found.near_misses:
            for mended in miss.corrections:
                if not self.ask(replace(asked, marking=mended)).readings:
                    yield f"a correction of {miss.scheme} that nothing reads"

    def error_faults(self, asked: Asked, error: Exception) -> Iterator[str]:
        if isinstance(error, MarkingError):
            with suppress(MarkingError):
                Marking.read(asked.marking, limit=text_limit(shipped(), self._kind_asked(asked)))
                yield "refused by a family, though it is a marking"
        # A claim or kind that can't be read is refused first: then the place is in that text.
        text = asked.claim or "" if isinstance(error, EdtfError) else asked.marking
        yield from rules.error_faults(text, error)

    def reduced(self, asked: Asked) -> Iterator[Asked]:
        """Smaller questions, the smallest steps last: for a minimal input that still shows a fault."""
        for name in ("patent", "country", "claim", "maker", "part"):
            if getattr(asked, name) is not None:
                yield replace(asked, **{name: None})
        text = asked.marking
        size = len(text) // 2
        while size:
            for at in range(0, len(text), size):
                yield replace(asked, marking=text[:at] + text[at + size :])
            size //= 2

    def shown(self, found: Any) -> str:
        return f"{found.status}, {len(found.readings)} readings, {len(found.near_misses)} near misses"


class Cells(Markings):
    """Every marking through `Marking.read` alone."""

    name: ClassVar[str] = "cells"
    refusals: ClassVar[tuple[type[Exception], ...]] = (MarkingError, UnknownKindError)

    def ask(self, asked: Asked) -> Any:
        return Marking.read(asked.marking, limit=text_limit(shipped(), self._kind_asked(asked)))

    def signature(self, asked: Asked, found: Any) -> Hashable:
        """What this marking shows: its letters and digits and signs by place, as far as a code goes."""
        return (
            tuple(cell & 1023 == cell for cell in found.cells[:6]),
            found.seps[:6],
            found.stars,
            found.unknown,
        )

    def faults(self, asked: Asked, found: Any, written: bool) -> Iterator[str]:
        if not len(found.cells) == len(found.spans) == len(found.seps) - 1 == len(found.form.cells):
            yield "cells, places and separators of different number"
        if any(not cell or cell & ~whole for cell, whole in zip(found.cells, found.form.cells, strict=False)):
            yield "a cell that can be nothing, or that is not of its form"
        places = [place for span in found.spans for place in span]
        if any(not 0 <= first < last <= len(asked.marking) for first, last in found.spans):
            yield "a place outside the text"
        if any(later < earlier for earlier, later in zip(places[::2], places[2::2], strict=False)):
            yield "places out of order"
        if written and found != self.ask(asked):
            yield "another marking when it is read again"

    def error_faults(self, asked: Asked, error: Exception) -> Iterator[str]:
        yield from rules.error_faults(asked.marking, error)

    def shown(self, found: Any) -> str:
        return f"{len(found.cells)} cells"
