"""Who may ask: named bearer tokens in a file, read again when the file changes.

One token a line: a name, white space, and the token itself or `sha256:` and the 64 hexadecimal digits of its
SHA-256. Empty lines and lines that begin with `#` are passed over.

    # made with: openssl rand -base64 32
    intake-desk   kR0q...
    scanner       sha256:9f86d0...
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import re
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

TOKEN_LEAST: Final = 20  # characters; 20 random ones of base64 can't be guessed
FILE_LIMIT: Final = 1_000_000  # bytes
CHECKED_EVERY: Final = 1.0  # seconds between two looks at the file
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_TOKEN: Final = re.compile(r"[A-Za-z0-9._~+/-]+=*")  # as RFC 6750 has it
_DIGEST: Final = re.compile(r"sha256:([0-9a-fA-F]{64})")

Log = Callable[[str, Mapping[str, Any]], None]


class TokenError(ValueError):
    """A token file that can't be used; `problems` lists every fault with its line. No token is ever quoted."""

    def __init__(self, problems: tuple[str, ...]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


def read_tokens(text: str) -> tuple[dict[bytes, str], tuple[str, ...]]:
    """The names of the tokens by their SHA-256, and what is wrong with the other lines."""
    found: dict[bytes, str] = {}
    problems: list[str] = []
    for number, line in enumerate(text.splitlines(), 1):
        words = line.split()
        if not words or words[0].startswith("#"):
            continue
        fault = _fault(words, found)
        if fault is not None:
            problems.append(f"line {number}: {fault}")
            continue
        written = _DIGEST.fullmatch(words[1])
        digest = bytes.fromhex(written[1]) if written else hashlib.sha256(words[1].encode()).digest()
        if digest in found:
            problems.append(f"line {number}: the same token as {found[digest]}: give each client its own")
        found.setdefault(digest, words[0])
    return found, tuple(problems)


def _fault(words: list[str], found: Mapping[bytes, str]) -> str | None:
    if len(words) != 2:
        return "a line is a name, white space and a token, and nothing else"
    name, token = words
    if not _NAME.fullmatch(name):
        return "a name has 1 to 64 letters, digits, points, hyphens or underscores"
    if name in found.values():
        return f"a second token is called {name}"
    if token.startswith("sha256:"):
        return None if _DIGEST.fullmatch(token) else "sha256: needs 64 hexadecimal digits after it"
    if not _TOKEN.fullmatch(token):
        return "a token has letters, digits and - . _ ~ + / alone, and = at its end"
    if len(token) < TOKEN_LEAST:
        return f"a token needs at least {TOKEN_LEAST} characters: make one with openssl rand -base64 32"
    return None


class Tokens:
    """The tokens of one file. What the file no longer holds is refused within `CHECKED_EVERY` seconds of the change.

    A faulty line, and a file that can't be read, let nobody in; both are logged. To start with, every line must be
    right.
    """

    def __init__(
        self, path: Path, log: Log | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.path = path
        self._log = log
        self._clock = clock
        self._seen: tuple[int, int, int, int] | None = None
        self._looked = clock()
        self._names: Mapping[bytes, str] = {}
        problems = self._load()
        if not problems and not self._names:
            problems = ("it holds no token",)
        if problems:
            raise TokenError(problems)

    def name_of(self, authorization: str | None) -> str | None:
        """The name of the token in a header Authorization, or None for one that is not held here.

        Every token is compared, each in the same time, so that the time taken says nothing of any of them.
        """
        self._look()
        token = _token_in(authorization or "")
        if token is None:
            return None
        shown = hashlib.sha256(token).digest()
        found = None
        for digest, name in self._names.items():
            if hmac.compare_digest(digest, shown):
                found = name
        return found

    def _look(self) -> None:
        now = self._clock()
        if now - self._looked < CHECKED_EVERY:
            return
        self._looked = now
        if self._stamp() != self._seen:
            problems = self._load()
            if self._log is not None:
                said = {"names": sorted(self._names.values()), "problems": list(problems)}
                self._log("tokens-refused" if problems else "tokens-loaded", said)

    def _stamp(self) -> tuple[int, int, int, int] | None:
        try:
            found = self.path.stat()
        except OSError:
            return None
        return (found.st_mtime_ns, found.st_size, found.st_ino, found.st_ctime_ns)

    def _load(self) -> tuple[str, ...]:
        self._seen = self._stamp()
        try:
            with self.path.open("rb") as file:
                raw = file.read(FILE_LIMIT + 1)
        except OSError as error:
            self._names = {}
            return (f"it can't be read: {error.strerror or error}",)
        if len(raw) > FILE_LIMIT:
            self._names = {}
            return (f"it is larger than {FILE_LIMIT // 1_000_000} MB",)
        # A byte that is no UTF-8 becomes a character that no token may have: its line is faulty, the others stand.
        self._names, problems = read_tokens(raw.decode("utf-8-sig", "replace"))
        return problems


def _token_in(authorization: str) -> bytes | None:
    """The token of `Bearer TOKEN`, or the password of `Basic`, which is how a browser sends it."""
    scheme, _, rest = authorization.partition(" ")
    rest = rest.strip()
    if scheme.lower() == "bearer":
        return rest.encode("latin-1", "replace")
    if scheme.lower() == "basic":
        try:
            return base64.b64decode(rest, validate=True).partition(b":")[2]
        except (binascii.Error, ValueError):
            return None
    return None
