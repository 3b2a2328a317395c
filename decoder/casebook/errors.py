"""What can go wrong with a casebook, each in words for people: what happened, what is safe, what to try."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from decoder.casebook.store import Stored


class CasebookError(Exception):
    """A casebook that can't do what was asked. The message says what to try; nothing was half written."""


class NoCasebook(CasebookError):
    """There is no casebook at this place, or what is there is something else."""


class NewerCasebook(CasebookError):
    """The casebook was written by a later partdate; it is left as it is."""


class ReadOnly(CasebookError):
    """The casebook can be read but not written."""


class NoRoom(CasebookError):
    """The disk, or a limit on the file, left no room for the write; nothing of it was kept."""


class Damaged(CasebookError):
    """The file of the casebook is damaged; nothing is written to it any more."""


class Busy(CasebookError):
    """Others wrote for the whole time that this write waited; it was not made."""


class Unavailable(CasebookError):
    """The database server can't be reached, or went away."""


class NoSuchSheet(CasebookError):
    """No sheet of this id, or no such version of it."""


class NoSuchPhoto(CasebookError):
    """A photo that a record names and the casebook doesn't hold."""


class Refused(CasebookError):
    """What was brought can't be taken in: a file that is not what it says, or that does not verify."""


class Conflict(CasebookError):
    """Somebody else saved the sheet first. `current` is what stands there now, `yours` what was to be saved.

    `expected` is the version or ETag that the writer had seen; None when a new sheet was to be made under this id.
    """

    def __init__(self, current: Stored, yours: Mapping[str, Any], expected: str | int | None) -> None:
        self.current = current
        self.yours = yours
        self.expected = expected
        seen = "none at all" if expected is None else f"version {expected}"
        super().__init__(
            f"sheet {current.id} is at version {current.version} now, saved by {current.saved_by} at "
            f"{current.saved_at}; you had seen {seen}. Nothing was saved: compare the two, then save again over "
            f"version {current.version}"
        )
