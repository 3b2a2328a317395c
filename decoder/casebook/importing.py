"""Takes files into a casebook: JSON and CSV record by record, a zip only when it verifies."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from decoder.casebook.errors import Conflict, NoSuchSheet, Refused
from decoder.casebook.exchange import Brought, read_csv, read_json
from decoder.casebook.parcel import read, same_record
from decoder.casebook.record import Record, load_record
from decoder.casebook.store import IMPORTED, Casebook, New
from decoder.crosscheck.sheet import SheetError

BLOCK: Final = 50  # sheets saved in one transaction
FILE_LIMIT: Final = 1_000_000_000  # bytes
Progress = Callable[[int, int], None]


@dataclass(slots=True)
class Taken:
    """What came of a file: sheets saved, sheets that were here as they are, photos, and what could not be taken."""

    saved: int = 0
    known: int = 0
    photos: int = 0
    faults: list[str] = field(default_factory=list)


def take_in(
    casebook: Casebook, path: Path, *, who: str, as_new: bool = False, progress: Progress | None = None
) -> Taken:
    """Save the sheets of a file. Raises Refused for one that can't be read, or a zip that does not verify.

    A record that can't be taken is named in `faults`; the others are saved.
    """
    if path.suffix.lower() == ".zip":
        return _zip(casebook, path, who=who, as_new=as_new)
    brought = _records(path)
    taken = Taken()
    block: list[New] = []
    for done, one in enumerate(brought, 1):
        new = _new(casebook, one, taken, as_new=as_new)
        if new is not None:
            block.append(new)
        if len(block) == BLOCK or (block and done == len(brought)):
            _save(casebook, block, taken, who)
            block = []
        if progress is not None:
            progress(done, len(brought))
    return taken


def _save(casebook: Casebook, block: list[New], taken: Taken, who: str) -> None:
    try:
        taken.saved += len(casebook.save_many(block, who=who))
    except (Conflict, Refused, NoSuchSheet) as error:
        if len(block) == 1:
            taken.faults.append(str(error))
            return
        for one in block:  # one of them stands in the way: the others are saved one by one
            _save(casebook, [one], taken, who)


def _new(casebook: Casebook, one: Brought, taken: Taken, *, as_new: bool) -> New | None:
    try:
        record = load_record(one.record, casebook.tables)
    except SheetError as error:
        taken.faults += [f"{one.place}: {problem}" for problem in error.problems]
        return None
    if one.id is not None and not as_new and _known(casebook, one.id, record, one.place, taken):
        return None
    name = one.id if one.id is not None and not as_new else casebook.new_id()
    return New(name, record, casebook.assess(record), None, IMPORTED, one.place[:200])


def _known(casebook: Casebook, id: str, record: Record, place: str, taken: Taken) -> bool:
    """Whether a sheet of this id is here: as it is brought (known), or otherwise (a fault)."""
    try:
        here = casebook.get(id)
    except NoSuchSheet:
        return False
    if same_record(here.record, record.as_dict()):
        taken.known += 1
    else:
        taken.faults.append(
            f"{place}: sheet {id} is here already and says something else (version {here.version}): it was left as "
            "it is. Import it with --as-new, or save over it"
        )
    return True


def _zip(casebook: Casebook, path: Path, *, who: str, as_new: bool) -> Taken:
    try:
        with path.open("rb") as file:
            opened = read(file, path.name)
    except OSError as error:
        raise Refused(f"{path} can't be read: {error.strerror or error}") from error
    taken = Taken()
    new = _new(casebook, opened.brought, taken, as_new=as_new)
    if new is None:
        return taken
    for photo in opened.photos:
        casebook.add_photo(photo.body, who=who)
    taken.photos = len(opened.photos)
    _save(casebook, [new], taken, who)
    return taken


def _records(path: Path) -> list[Brought]:
    """The records of a JSON or CSV file. Raises Refused."""
    try:
        if path.stat().st_size > FILE_LIMIT:
            raise Refused(f"{path} is larger than {FILE_LIMIT // 1_000_000} MB: give it in several files")
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise Refused(f"{path} can't be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise Refused(f"{path} is not UTF-8 text: byte {error.start + 1} can't be read") from error
    if path.suffix.lower() == ".csv":
        return read_csv(text)
    try:
        return read_json(json.load(io.StringIO(text)))
    except (ValueError, RecursionError) as error:
        raise Refused(f"{path} is no JSON: {error}") from error
