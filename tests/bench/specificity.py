"""How often text that is no mark is read as one: random characters, and ordinary words.

    python -m tests.bench.specificity                 100,000 strings, no kind of part and no maker given
    python -m tests.bench.specificity 5000 --part capacitor

A decoder that reads everything says nothing. This counts, for strings that nobody stamped on a part, the share
that some family reads, by alphabet, length and strength. Near misses are no readings and are not counted.
"""

import argparse
import random
import string
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from decoder.catalog import families, kind_of
from decoder.marking import Marking
from decoder.scheme.family import Context
from decoder.scheme.reading import Strength
from decoder.tables import shipped

SEED = 1966
LENGTHS = range(1, 11)
PHRASES = (1, 2, 3)  # words in a phrase
ALPHABETS = {
    "digits": string.digits,
    "capitals": string.ascii_uppercase,
    "digits and capitals": string.digits + string.ascii_uppercase,
}
WORDS = (
    "a about above across act after again age ago air all along also always am amber an and angle ankle any apple "
    "are arm art as ask at aunt away baby back bad bag ball bank bar base bath be bean bear bed bee been bell belt "
    "bend best bird bit black blue boat body bone book both bowl box boy bread brick bridge brown brush bus but "
    "butter by cake call can candle cap car card cart case cat chain chair chalk cheese chest child clay clean "
    "clock cloth cloud coal coat cold comb cook copper cord cork corn cotton cow crow cup cut dark day dead dear "
    "deep did dig dish do dog door down draw dress drink drop dry dust each ear earth east eat edge egg end even "
    "ever every eye face fall far farm fat father feather feel few field fig finger fire first fish five flag flat "
    "floor flower fly foot for fork four fowl fox frame free friend from front fruit full garden gate get girl give "
    "glass glove go goat gold good grain grass great green grey hair hammer hand hang happy hard hat have hay he "
    "head hear heart heat here high hill him his hit hold hole home honey hook horn horse hot hour house how hut "
    "ice if in ink iron is island it its jam jar jewel join jump just keep key king kiss knee knife knot land last "
    "late lead leaf left leg lid like line lip list lock long look low made make man map many mark may me meat milk "
    "mill month moon more most move much must nail name near neck new night nine no not note nut oak of off "
    "oil old on one open or orange our out over owl own page"
).split()


@dataclass
class Tally:
    """Strings tried, the best strength of each that was read, and the strength of each family that read one."""

    tried: int = 0
    best: Counter[Strength] = field(default_factory=Counter)
    by_family: Counter[tuple[str, Strength]] = field(default_factory=Counter)
    by_scheme: Counter[tuple[str, Strength]] = field(default_factory=Counter)


def strings(count: int, rng: random.Random) -> Iterator[tuple[str, int, str]]:
    """About `count` strings, evenly over alphabets and lengths: alphabet, length (or words), text."""
    each = count // (len(ALPHABETS) * len(LENGTHS) + len(PHRASES))
    for name, characters in ALPHABETS.items():
        for length in LENGTHS:
            for _ in range(each):
                yield name, length, "".join(rng.choices(characters, k=length))
    for words in PHRASES:
        for turn in range(each):
            first = WORDS[turn % len(WORDS)]
            yield "words", words, " ".join([first, *rng.choices(WORDS, k=words - 1)])


def read(text: str, context: Context, tally: Tally) -> None:
    """Count what the families make of one text."""
    marking = Marking.read(text)
    best: dict[str, Strength] = {}
    schemes: dict[str, Strength] = {}
    for family in families():
        if context.part is None or context.part in family.kinds:
            for reading in family.read(marking, context):
                best[family.id] = max(reading.strength, best.get(family.id, Strength.WEAK))
                schemes[reading.scheme] = max(reading.strength, schemes.get(reading.scheme, Strength.WEAK))
    tally.tried += 1
    tally.by_family.update(best.items())
    tally.by_scheme.update(schemes.items())
    if best:
        tally.best[max(best.values())] += 1


def measure(count: int, *, part: str | None = None, maker: str | None = None, seed: int = SEED) -> dict:
    """A tally for each alphabet and length."""
    facts = shipped()
    context = Context(facts, kind_of(facts, part) if part else None, maker)
    found: dict[tuple[str, int], Tally] = {}
    for alphabet, length, text in strings(count, random.Random(seed)):
        read(text, context, found.setdefault((alphabet, length), Tally()))
    return found


def percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f}" if part else "-"


def shares(tried: int, counts: Counter[Strength]) -> str:
    return " ".join(f"{percent(counts[s], tried):>7}" for s in sorted(Strength, reverse=True))


def report(found: dict[tuple[str, int], Tally]) -> str:
    """The tallies as three tables, in per cent of the strings tried."""
    lines = [f"{'alphabet':<20} length   strings  strong    fair    weak   (best strength, per cent)"]
    for (alphabet, length), tally in found.items():
        lines.append(f"{alphabet:<20} {length:>6}  {tally.tried:>8} {shares(tally.tried, tally.best)}")
    lines += ["", f"{'family':<16} {'alphabet':<20}  strong    fair    weak   (per cent, all lengths)"]
    for name in sorted(family.id for family in families()):
        for alphabet in dict.fromkeys(a for a, _ in found):
            tallies = [t for (a, _), t in found.items() if a == alphabet]
            counts: Counter[Strength] = Counter()
            for tally in tallies:
                counts.update({s: tally.by_family[name, s] for s in Strength})
            if any(counts.values()):
                lines.append(f"{name:<16} {alphabet:<20} {shares(sum(t.tried for t in tallies), counts)}")
    return "\n".join([*lines, "", *loudest(found)])


def loudest(found: dict[tuple[str, int], Tally], shown: int = 12) -> list[str]:
    """The schemes that read most at strong or fair, each in the alphabet and length where it reads most."""
    top: dict[tuple[str, Strength], tuple[float, str, int]] = {}
    for (alphabet, length), tally in found.items():
        for (scheme, strength), count in tally.by_scheme.items():
            if strength > Strength.WEAK:
                here = (count / tally.tried, alphabet, length)
                top[scheme, strength] = max(here, top.get((scheme, strength), here))
    lines = ["schemes that read most at strong or fair, per cent of one alphabet and length"]
    for (scheme, strength), (share, alphabet, length) in sorted(top.items(), key=lambda i: (-i[1][0], i[0])):
        lines.append(f"{100 * share:>6.1f}  {strength.word:<6} {scheme:<34} {alphabet}, {length}")
    return lines[: shown + 1]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("count", nargs="?", type=int, default=100_000, help="strings in all")
    parser.add_argument("--part", help="the kind of part given with every string")
    parser.add_argument("--maker", help="the maker given with every string")
    given = parser.parse_args()
    edition = max(str(package.descriptor.get("version", "")) for package in shipped().packages())
    print(
        f"tables {edition}; kind of part: {given.part or 'not given'}; maker: {given.maker or 'not given'}\n"
    )
    print(report(measure(given.count, part=given.part, maker=given.maker)))


if __name__ == "__main__":
    main()
