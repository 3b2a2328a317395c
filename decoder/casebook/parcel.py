"""One examination in one zip: record, report, assessment, history, tables' revisions, photos, and a manifest.

`manifest.json` names every other file with its size and SHA-256. `read` takes nothing from a zip that does not verify:
a file that is missing, added, changed, too large or strangely named is named, and nothing is kept.
"""

from __future__ import annotations

import io
import json
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, BinaryIO, Final

from decoder import __version__
from decoder.casebook.errors import Refused
from decoder.casebook.exchange import Brought
from decoder.casebook.limits import PHOTO_LIMIT
from decoder.casebook.record import canonical, sha256_of
from decoder.casebook.store import Casebook, Photo, media_of

FORMAT: Final = 1
MANIFEST: Final = "manifest.json"
RECORD: Final = "record.json"
ENDINGS: Final[Mapping[str, str]] = {
    "image/jpeg": "jpg", "image/png": "png", "image/gif": "gif", "image/tiff": "tif", "image/webp": "webp",
}  # fmt: skip
FILES_LIMIT: Final = 500
JSON_LIMIT: Final = 20_000_000
REPORT_LIMIT: Final = 100_000_000  # its photos are in it
REPORT_HTML: Final = "report.html"
REPORT_PDF: Final = "report.pdf"
REPORTS: Final = frozenset((REPORT_HTML, REPORT_PDF, "report.txt"))
MOMENT: Final = (1980, 1, 1, 0, 0, 0)  # no clock in the file: the same examination makes the same zip
_PHOTO_NAME: Final = re.compile(r"photos/([0-9a-f]{64})\.[a-z]{3,4}")
_OTHER_NAMES: Final = REPORTS | {RECORD, "assessment.json", "tables.json", "history.json"}


@dataclass(frozen=True, slots=True)
class Opened:
    """What a zip held, verified: the record with its id, the photos, and its assessment if there was one."""

    brought: Brought
    photos: tuple[Photo, ...]
    assessment: Mapping[str, Any] | None


def write(casebook: Casebook, id: str, *, reports: Mapping[str, bytes] = MappingProxyType({})) -> bytes:
    """The zip of one sheet as it stands. Raises NoSuchSheet, NoSuchPhoto.

    `reports` are the files of the report that go with it, by their names (`REPORTS`).
    """
    assert reports.keys() <= REPORTS
    stored = casebook.get(id)
    newest = casebook.newest_assessment(id)
    files = {
        RECORD: _text(stored.as_dict()),
        "assessment.json": _text(newest.assessment),
        "tables.json": _text({"facts": newest.facts, "tables": newest.assessment["tables"]}),
        "history.json": _text([entry.as_dict() for entry in casebook.history(id)]),
    }
    files.update(reports)
    for use in stored.record.get("photos", ()):
        photo = casebook.photo(use["sha256"])
        files[f"photos/{photo.sha256}.{ENDINGS[photo.mediatype]}"] = photo.body
    manifest = {
        "partdate_examination": FORMAT,
        "partdate": __version__,
        "id": id,
        "version": stored.version,
        "files": {
            name: {"size": len(body), "sha256": sha256_of(body)} for name, body in sorted(files.items())
        },
    }
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in ((MANIFEST, _text(manifest)), *sorted(files.items())):
            entry = zipfile.ZipInfo(name, MOMENT)
            entry.external_attr = 0o644 << 16
            entry.compress_type = zipfile.ZIP_STORED if name.startswith("photos/") else zipfile.ZIP_DEFLATED
            archive.writestr(entry, body)
    return made.getvalue()


def _text(value: Any) -> bytes:
    return (json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()


def read(file: BinaryIO, name: str = "the zip") -> Opened:
    """What a zip holds, once every file in it has been held against the manifest.

    Raises Refused, which lists everything that is wrong with it.
    """
    try:
        with zipfile.ZipFile(file) as archive:
            return _read(archive, name)
    except (
        zipfile.BadZipFile,
        zipfile.LargeZipFile,
        NotImplementedError,
        RuntimeError,
        EOFError,
        OSError,
    ) as error:
        raise Refused(f"{name} is no zip that can be read, or is damaged: {error}") from error


def _read(archive: zipfile.ZipFile, name: str) -> Opened:
    entries = archive.infolist()
    if len(entries) > FILES_LIMIT:
        raise Refused(f"{name} holds {len(entries)} files; an examination has at most {FILES_LIMIT}")
    names = [entry.filename for entry in entries]
    faults = [f"{one!r} stands in it twice" for one in sorted({n for n in names if names.count(n) > 1})]
    faults += [f"{one!r} has no place in an examination" for one in names if not _is_known(one)]
    faults += [
        f"{entry.filename} is too large" for entry in entries if entry.file_size > _limit(entry.filename)
    ]
    if MANIFEST not in names:
        faults.append(f"it has no {MANIFEST}")
    if faults:
        raise _refused(name, faults)
    manifest = _json(archive, MANIFEST, name)
    listed = manifest.get("files") if isinstance(manifest, Mapping) else None
    if not isinstance(listed, Mapping) or manifest.get("partdate_examination") != FORMAT:
        raise _refused(name, [f"its {MANIFEST} is none of an examination that this partdate reads"])
    faults = [f"{one} is missing" for one in sorted(listed.keys() - set(names))]
    faults += [f"{one} is not in the manifest" for one in names if one != MANIFEST and one not in listed]
    bodies: dict[str, bytes] = {}
    for one in sorted(listed.keys() & set(names)):
        body = bodies[one] = archive.read(one)
        stated = listed[one]
        if not isinstance(stated, Mapping) or stated.get("sha256") != sha256_of(body):
            faults.append(f"{one} is not the file of the manifest: its SHA-256 is {sha256_of(body)}")
    if RECORD not in bodies:
        faults.append(f"it has no {RECORD}")
    if faults:
        raise _refused(name, faults)
    return _opened(archive, bodies, name)


def _opened(archive: zipfile.ZipFile, bodies: Mapping[str, bytes], name: str) -> Opened:
    raw = _json(archive, RECORD, name)
    if not isinstance(raw, dict):
        raise _refused(name, [f"{RECORD} is no object"])
    photos = []
    for one, body in bodies.items():
        found = _PHOTO_NAME.fullmatch(one)
        if found:
            if found[1] != sha256_of(body):
                raise _refused(name, [f"{one} is called by another SHA-256 than its own"])
            photos.append(Photo(found[1], media_of(body), body))
    missing = {use.get("sha256") for use in raw.get("photos") or () if isinstance(use, Mapping)} - {
        photo.sha256 for photo in photos
    }
    if missing:
        raise _refused(
            name, [f"the photo {one} of the record is missing" for one in sorted(map(str, missing))]
        )
    kept = {"sheet", "trusted", "photos", "remarks"}
    record = {key: value for key, value in raw.items() if key in kept}
    own = raw.get("id")
    assessment = _json(archive, "assessment.json", name) if "assessment.json" in bodies else None
    return Opened(Brought(record, own if isinstance(own, str) else None, name), tuple(photos), assessment)


def _json(archive: zipfile.ZipFile, one: str, name: str) -> Any:
    try:
        return json.loads(archive.read(one))
    except (ValueError, RecursionError) as error:
        raise _refused(name, [f"{one} is no JSON: {error}"]) from error


def _is_known(name: str) -> bool:
    return name == MANIFEST or name in _OTHER_NAMES or _PHOTO_NAME.fullmatch(name) is not None


def _limit(name: str) -> int:
    return PHOTO_LIMIT if name.startswith("photos/") else REPORT_LIMIT if name in REPORTS else JSON_LIMIT


def _refused(name: str, faults: list[str]) -> Refused:
    return Refused(f"{name} does not verify, so nothing of it was taken:\n  " + "\n  ".join(faults))


def same_record(a: Mapping[str, Any], b: Mapping[str, Any]) -> bool:
    """Whether two records say the same."""
    return canonical(a) == canonical(b)
