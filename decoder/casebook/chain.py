"""The chain of hashes over the history: each row is hashed together with the hash of the row before it.

A row that is changed, left out or put in later breaks the chain from there on. Whoever can write the whole database
could also work out a new chain; that shows to anybody who kept an earlier end of it, which `partdate casebook verify`
prints and `--head` compares.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from decoder.casebook.record import canonical, sha256_of

START: Final = "0" * 64
HASHED: Final = ("seq", "at", "who", "what", "sheet_id", "version", "digest", "detail")


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that was done: who, when, what, to which version of which sheet, and the SHA-256 of what was kept."""

    seq: int
    at: str
    who: str
    what: str
    sheet_id: str | None
    version: int | None
    digest: str
    detail: str = ""
    hash: str = ""

    def as_dict(self) -> dict[str, Any]:
        """The entry as it stands in JSON, and in the table."""
        return {name: getattr(self, name) for name in (*HASHED, "hash")}


def hash_of(before: str, entry: Mapping[str, Any]) -> str:
    """The hash of an entry that follows one whose hash is `before`."""
    return sha256_of(canonical([before, *(entry[name] for name in HASHED)]))


def breaks(entries: Iterable[Mapping[str, Any]], seq: int = 0, before: str = START) -> Iterator[str]:
    """What is wrong with a run of entries in order; `seq` and `before` are those of the entry that they follow.

    >>> list(breaks([]))
    []
    """
    for entry in entries:
        if entry["seq"] != seq + 1:
            yield f"history: entry {seq + 1} is missing, entry {entry['seq']} follows entry {seq}"
        if hash_of(before, entry) != entry["hash"]:
            yield f"history: entry {entry['seq']} ({entry['what']}, {entry['at']}) does not fit its hash"
        seq, before = entry["seq"], entry["hash"]
