"""How much a casebook takes and gives at a time, and what can be asked of it by name."""

from __future__ import annotations

from typing import Final

from decoder.crosscheck.verdict import Verdict

PAGE: Final = 50  # sheets of a list
PAGE_LIMIT: Final = 500
PHOTO_LIMIT: Final = 20_000_000  # bytes
WHO_LIMIT: Final = 200  # characters
ID_LIMIT: Final = 64
VERDICTS: Final = tuple(verdict.value for verdict in Verdict)
