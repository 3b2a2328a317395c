"""Date windows from the marks on an instrument's parts, and the cross-check of a whole instrument.

`decode` reads one marking, `check` cross-checks a sheet. Both are fetched on first use, so that
`import decoder` costs nothing and a command loads only what it needs.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from decoder.catalog import decode
    from decoder.crosscheck import check

__all__ = ["__version__", "check", "decode"]

__version__ = "0.1.0"

_HOMES = {"decode": "decoder.catalog", "check": "decoder.crosscheck"}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(import_module(_HOMES[name]), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
