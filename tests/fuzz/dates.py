"""Dates in EDTF, as in claims and tables."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from random import Random
from typing import ClassVar

from decoder.window import Claim, EdtfError, parse_edtf
from tests.fuzz import harm, rules

PIECES = (
    "1966", "196X", "19XX", "1966-03", "1966-03-05", "1966-XX", "1966-03-XX", "1966-XX-XX", "1966-21", "1966-24", "..",
    "", "/", "/", "~", "?", "%", "[", "]", ",", "{", "}", "-", "0001", "0000", "9999", "9999-12-31", "9999-24",
    "0001-01-01", "1900-02-29", "2000-02-29", "2000-02-30", "1966-13", "1966-00", "XXXX", "1X66", "Y17E7", "-0001",
    "T12:00", "Z", "S3", "1966-25", "1966-41", "1965..1967", "[1965..1966,1970]", "[..1965-12-31,1967-01-01..]",
)  # fmt: skip
SIGNS = "0123456789X-/.~?%[],{}xYTZ "


class Dates:
    """Every date through `parse_edtf`."""

    name: ClassVar[str] = "edtf"
    refusals: ClassVar[tuple[type[Exception], ...]] = (EdtfError,)
    budget: ClassVar[float | None] = 0.010

    def draw(self, rng: Random) -> str:
        random = rng.random
        if random() < 0.4:
            year = 1 + int(random() * 9999)
            text = f"{year:04}-{1 + int(random() * 12):02}-{1 + int(random() * 31):02}"[
                : (4, 7, 10)[int(random() * 3)]
            ]
            return text if random() < 0.5 else f"{text}/{year + int(random() * 3):04}"
        text = "".join([PIECES[int(random() * len(PIECES))] for _ in range(1 + int(random() * 6))])
        return text if random() < 0.5 else harm.harmed(text, rng)

    def mutate(self, asked: str, other: str, rng: Random) -> str:
        chance = rng.random()
        if chance < 0.5:
            at = int(rng.random() * (len(asked) + 1))
            return asked[:at] + SIGNS[int(rng.random() * len(SIGNS))] + asked[at + int(rng.random() * 2) :]
        if chance < 0.6:
            members = [asked.strip("[]")] * int(1 + rng.random() * 40)
            return f"[{','.join(members)}]"
        return harm.joined(asked, other, rng) if chance < 0.8 else harm.harmed(asked, rng)

    def ask(self, asked: str) -> Claim:
        return parse_edtf(asked)

    def signature(self, asked: str, found: Claim) -> Hashable:
        window = found.window
        return (
            min(len(found.windows), 4),
            window.earliest is None,
            window.latest is None,
            len(asked),
            tuple(note.partition("'")[2].rpartition("'")[2] for note in found.notes[:3]),
        )

    def faults(self, asked: str, found: Claim, written: bool) -> Iterator[str]:
        yield from rules.claim_faults(found)

    def error_faults(self, asked: str, error: Exception) -> Iterator[str]:
        yield from rules.error_faults(asked, error)

    def reduced(self, asked: str) -> Iterator[str]:
        for at in range(len(asked)):
            yield asked[:at] + asked[at + 1 :]

    def shown(self, found: Claim) -> str:
        return str(found.windows.edtf())[:60]
