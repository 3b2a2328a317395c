"""The casebook: examinations kept with every version, rechecked when tables change, and learned from.

`Casebook.open(where, clock=..., tables=...)` gives one. It reads no clock of its own, and nothing in it is ever
overwritten: a save adds a version, a recheck adds an assessment, and a chain of hashes over all of it shows
tampering. Names are fetched on first use, so that a command loads no database library before it needs one.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from decoder.casebook.errors import CasebookError, Conflict
    from decoder.casebook.record import Record, load_record
    from decoder.casebook.store import Casebook, Stored

__all__ = ["Casebook", "CasebookError", "Conflict", "Record", "Stored", "load_record"]

_HOMES = {
    "Casebook": "decoder.casebook.store",
    "Stored": "decoder.casebook.store",
    "CasebookError": "decoder.casebook.errors",
    "Conflict": "decoder.casebook.errors",
    "Record": "decoder.casebook.record",
    "load_record": "decoder.casebook.record",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(import_module(_HOMES[name]), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
