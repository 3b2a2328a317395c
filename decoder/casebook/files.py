"""Files that are there wholly or not at all, also after the power went."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


def take_name(ready: Path, name: Path) -> None:
    """Give a finished file its name, and have the folder's own entry on disk too."""
    os.replace(ready, name)
    with suppress(OSError):  # Windows opens no folders, and keeps its entries by itself
        handle = os.open(name.absolute().parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
