"""What can happen to a text: the small harms that turn a right one into any other."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Final

# One sign or more of everything that a text may hold: separators and dashes, digits and letters of other scripts and
# widths, accents and long heaps of them, what folds to several characters, direction and control characters,
# surrogates, private and unassigned ones, emoji.
SIGNS: Final = (
    *" -–—−‐/.,:;_~|\\·•'\"()&#+=<>%@!",
    *("?", "?", "?", "*", "*", "[", "]", "[68]", "[0123456789]", "[OQ0]", "[1I", "[]", "[?]", "[[6]]"),
    *"０１７９ＡＺａｚー／－　",
    *"٠١٧٩۰۷०१९๑๗",
    *"ÄÖÜäöüßéèÉçñøØæÆœŁłđÐþŉǅ",
    *"昭和平成大正明治年月日製㍾㋿一二〇零",
    *"АВЕКМНОРСТХавекЖΩΣΔαβאבש한カｶﾞ",
    *"²³¹½¼⅓⁴₇ⅫⅯⅰ①⑳⒈㊤℡™®©℗№℃㎏㎜ﬁﬃﷺ㏂",
    *("\u0301", "\u0308", "\u20dd", "\ufe0f", "\u0488", "\u0301" * 40, "a\u0308\u0323\u0301"),
    *("\t", "\n", "\r\n", "\x00", "\x07", "\x1b[31m", "\x7f", "\x85", "\u2028", "\u2029", "\u00a0", "\u2003"),
    *("\u200b", "\u200d", "\u200e", "\u202e", "\u2066", "\ufeff", "\u00ad", "\u180e"),
    *(
        "\ud800",
        "\udfff",
        "\ue000",
        "\ufffe",
        "\U000e0041",
        "\U0010ffff",
        "\U0001f3b8",
        "\U0001d7d7",
        "\U0001d400",
    ),
    *(
        "PAT.",
        "PAT. PEND.",
        "NO.",
        "D.R.P.",
        "MADE IN ",
        "U.S.A.",
        "Chicago 14, Ill.",
        "EIA",
        "1966",
        "'66",
        "MAR ",
    ),
)
WORN: Final = ("?", "?", "?", "[68]", "[0369]", "[AHR4]", "[DO0Q]", "*")
DIGITS: Final = "0123456789"
LETTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
LONG: Final = (
    700  # a text grows no longer than this: every length past the limits of 64 and 400 is one behaviour
)

Harm = Callable[[str, Random], str]


def _place(text: str, rng: Random) -> int:
    return int(rng.random() * len(text)) if text else 0


def flipped(text: str, rng: Random) -> str:
    """One bit of one character turned over; of the lower seven, mostly."""
    if not text:
        return text
    at = _place(text, rng)
    bit = 1 << int(rng.random() * (7 if rng.random() < 0.9 else 16))
    return f"{text[:at]}{chr(ord(text[at]) ^ bit)}{text[at + 1 :]}"


def other_digit(text: str, rng: Random) -> str:
    at = _place(text, rng)
    return f"{text[:at]}{DIGITS[int(rng.random() * 10)]}{text[at + 1 :]}"


def other_letter(text: str, rng: Random) -> str:
    at = _place(text, rng)
    return f"{text[:at]}{LETTERS[int(rng.random() * 26)]}{text[at + 1 :]}"


def worn(text: str, rng: Random) -> str:
    """Some characters worn away: one or two, or any share of them."""
    signs = list(text)
    count = 1 + int(rng.random() * (2 if rng.random() < 0.7 else max(1, len(signs))))
    for _ in range(count if signs else 0):
        signs[int(rng.random() * len(signs))] = WORN[int(rng.random() * len(WORN))]
    return "".join(signs)


def put_in(text: str, rng: Random) -> str:
    at = int(rng.random() * (len(text) + 1))
    return f"{text[:at]}{SIGNS[int(rng.random() * len(SIGNS))]}{text[at:]}"


def put_for(text: str, rng: Random) -> str:
    at = _place(text, rng)
    return f"{text[:at]}{SIGNS[int(rng.random() * len(SIGNS))]}{text[at + 1 :]}"


def taken_out(text: str, rng: Random) -> str:
    at = _place(text, rng)
    return text[:at] + text[at + 1 + int(rng.random() * 3) :]


def doubled(text: str, rng: Random) -> str:
    """A stretch of the text twice, or very often."""
    first = _place(text, rng)
    until = first + 1 + int(rng.random() * 8)
    times = 1 if rng.random() < 0.8 else int(rng.random() * 80)
    return text[:until] + text[first:until] * times + text[until:]


def exchanged(text: str, rng: Random) -> str:
    at = _place(text, rng)
    return text[:at] + text[at + 1 : at + 2] + text[at : at + 1] + text[at + 2 :]


def recased(text: str, rng: Random) -> str:
    return text.swapcase() if rng.random() < 0.5 else text.lower()


def accented(text: str, rng: Random) -> str:
    at = _place(text, rng) + 1
    return f"{text[:at]}{chr(0x300 + int(rng.random() * 0x70))}{text[at:]}"


def anything(text: str, rng: Random) -> str:
    """One character of all that there are."""
    at = _place(text, rng)
    return f"{text[:at]}{chr(int(rng.random() * 0x110000))}{text[at + 1 :]}"


HARMS: Final[tuple[Harm, ...]] = (
    flipped, flipped, other_digit, other_digit, other_letter, worn, worn, worn, put_in, put_in, put_for, taken_out,
    doubled, exchanged, recased, accented, anything,
)  # fmt: skip


def harmed(text: str, rng: Random) -> str:
    """The text after one to four harms, mostly one."""
    random = rng.random
    for _ in range(1 + int(random() * random() * 4)):
        text = HARMS[int(random() * len(HARMS))](text, rng)
    return text[:LONG]


def joined(text: str, other: str, rng: Random) -> str:
    """The beginning of one text and the end of another."""
    return text[: int(rng.random() * (len(text) + 1))] + other[int(rng.random() * (len(other) + 1)) :]
