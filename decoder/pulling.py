"""Data packages from another place: `pull` fetches one under a pinned hash, `write_manifest` makes one ready for it.

A published package is a folder on a web server with a manifest.json: `{"name", "version", "files": [{"path", "sha256",
"bytes"}]}`. Whoever pulls it gives the SHA-256 of the manifest, and so pins every byte of every file. Nothing of what
is fetched takes effect before all of it is there and valid; whatever goes wrong, the package before stays in place.
"""

from __future__ import annotations

import glob
import hashlib
import ipaddress
import json
import os
import re
import shutil
import tempfile
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote, urljoin, urlsplit

import requests

from decoder.catalog import compile_all
from decoder.families.serial import band_faults
from decoder.tables import TEXT_TABLE_LIMIT, Package, TableError, Tables

MANIFEST: Final = "manifest.json"
DESCRIPTOR: Final = "datapackage.json"
SCHEMES: Final = "schemes.toml"
MANIFEST_LIMIT: Final = 256_000  # bytes
FILES_LIMIT: Final = 200
TOTAL_LIMIT: Final = 64_000_000  # bytes of all files together
REDIRECTS: Final = 3
TIMEOUT: Final = (10.0, 60.0)  # seconds to connect, seconds of silence
_SHA256: Final = re.compile(r"[0-9a-f]{64}")
_NAME: Final = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_PATH: Final = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,99}")


class PullRefused(ValueError):
    """A package that was not taken over, or can't be published: says why. What was in place before still is."""


@dataclass(frozen=True, slots=True)
class Listed:
    """One file of a manifest: its name, its SHA-256 in hexadecimal, its size in bytes."""

    path: str
    sha256: str
    bytes: int

    def as_dict(self) -> dict[str, Any]:
        """The file as it stands in the manifest."""
        return {"path": self.path, "sha256": self.sha256, "bytes": self.bytes}


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a published package consists of."""

    name: str
    version: str
    files: tuple[Listed, ...]

    def written(self) -> bytes:
        """The manifest as it is published; the same package always gives the same bytes."""
        files = [one.as_dict() for one in self.files]
        made = {"name": self.name, "version": self.version, "files": files}
        return (json.dumps(made, indent=2, ensure_ascii=False) + "\n").encode()


@dataclass(frozen=True, slots=True)
class Pulled:
    """A package in place: its folder, what it consists of, and whether it was fetched now or was there already."""

    folder: Path
    manifest: Manifest
    fetched: bool


def pull(url: str, sha256: str, to: Path | None = None, *, session: requests.Session | None = None) -> Pulled:
    """Fetch the package whose manifest.json is at `url` and has this SHA-256, into the folder `to`.

    Without `to` the folder has the package's name and lies in the current one. A folder that is there already is
    replaced only if it was pulled too and nothing in it was changed since. If it holds this very package, nothing
    is fetched.

    Raises PullRefused.
    """
    pin = _pinned(sha256)
    _check_address(url)
    own = session or requests.Session()
    try:
        if to is not None and (there := _in_place(to.resolve(), pin)):
            return there
        raw = _fetched(own, url, MANIFEST_LIMIT, "the manifest")
        if _sha256(raw) != pin:
            raise PullRefused(
                f"the manifest has the SHA-256 {_sha256(raw)}, not {pin}: it is another version, or not what the "
                "publisher wrote. Ask the publisher for the hash of the version that you want"
            )
        manifest = read_manifest(raw)
        target = (to if to is not None else Path(manifest.name)).resolve()
        return _in_place(target, pin) or _taken_over(own, url, manifest, raw, target)
    except OSError as error:
        raise PullRefused(f"{error.filename or 'a file'}: {error.strerror or error}") from error
    finally:
        if session is None:
            own.close()


def _taken_over(session: requests.Session, url: str, manifest: Manifest, raw: bytes, target: Path) -> Pulled:
    """The package in the place of what was at `target`, once all of it is fetched and valid."""
    _check_target(target, manifest.name)
    room = Path(tempfile.mkdtemp(prefix=f".{target.name}.pull-", dir=target.parent))
    before = room / "before"
    try:
        new = room / target.name
        new.mkdir()
        for one in manifest.files:
            _write(new / one.path, _checked(session, urljoin(url, quote(one.path)), one))
        _write(new / MANIFEST, raw)
        _check_package(new, manifest)
        _swap(new, target, before)
    finally:
        if target.exists() or not before.exists():
            shutil.rmtree(room, ignore_errors=True)
    return Pulled(target, manifest, fetched=True)


def _swap(new: Path, target: Path, before: Path) -> None:
    """Put `new` at `target`. The old folder is moved aside for that moment, and back if it fails."""
    try:
        if target.exists():
            target.rename(before)
        new.rename(target)
    except BaseException:
        if before.exists() and not target.exists():
            before.rename(target)
        raise


def _put_back(target: Path) -> None:
    """Undo what a pull left that was killed between moving the old folder aside and putting the new one there."""
    if target.exists():
        return
    for before in sorted(target.parent.glob(f".{glob.escape(target.name)}.pull-*/before")):
        before.rename(target)
        shutil.rmtree(before.parent, ignore_errors=True)
        return


def _in_place(target: Path, pin: str) -> Pulled | None:
    """The package with this manifest, if it lies at `target` already, whole and unchanged."""
    _put_back(target)
    try:
        raw = (target / MANIFEST).read_bytes()
        if _sha256(raw) != pin:
            return None
        manifest = read_manifest(raw)
        same = all(_sha256((target / one.path).read_bytes()) == one.sha256 for one in manifest.files)
    except (OSError, PullRefused):
        return None
    return Pulled(target, manifest, fetched=False) if same else None


def _check_target(target: Path, name: str) -> None:
    """Raises PullRefused where a folder would be replaced that this command did not write."""
    if not target.parent.is_dir():
        raise PullRefused(f"there is no folder {target.parent}: make it first")
    if not target.exists():
        return
    if not target.is_dir():
        raise PullRefused(f"{target} is no folder")
    entries = {path.name: path for path in target.iterdir()}
    if not entries:
        return
    advice = "Move it away, or name another folder with --to"
    try:
        old = read_manifest((target / MANIFEST).read_bytes())
    except (OSError, PullRefused):
        raise PullRefused(f"{target} was not pulled: it has no manifest of its own. {advice}") from None
    if old.name != name:
        raise PullRefused(f"{target} holds the package {old.name}, and this is {name}. {advice}")
    listed = {one.path: one.sha256 for one in old.files}
    for path in sorted(entries.keys() - listed.keys() - {MANIFEST}):
        raise PullRefused(f"{target} holds {path}, which is no part of the package. {advice}")
    for path in sorted(entries.keys() & listed.keys()):
        if not entries[path].is_file() or _sha256(entries[path].read_bytes()) != listed[path]:
            raise PullRefused(f"{path} in {target} was changed since it was pulled. {advice}")


# --- what is fetched


def _checked(session: requests.Session, url: str, listed: Listed) -> bytes:
    raw = _fetched(session, url, listed.bytes, listed.path)
    if len(raw) < listed.bytes:
        raise PullRefused(
            f"{listed.path} has {len(raw):,} bytes, and the manifest says {listed.bytes:,}: it was cut off"
        )
    if _sha256(raw) != listed.sha256:
        raise PullRefused(f"{listed.path} is not the file of the manifest: its SHA-256 is another")
    return raw


def _fetched(session: requests.Session, url: str, limit: int, what: str) -> bytes:
    """The body at an address, of at most `limit` bytes, with redirects followed inside the same server only."""
    asked = url
    for _ in range(REDIRECTS + 1):
        with closing(_answer(session, asked, what)) as response:
            if response.status_code not in (301, 302, 303, 307, 308) or "Location" not in response.headers:
                return _read(response, limit, what)
            asked = _next(asked, response.headers["Location"], what)
    raise PullRefused(
        f"{what} can't be fetched from {url}: it points from one address to the next without an end"
    )


def _answer(session: requests.Session, url: str, what: str) -> requests.Response:
    headers = {"Accept-Encoding": "identity"}
    try:
        return session.get(url, headers=headers, timeout=TIMEOUT, allow_redirects=False, stream=True)
    except (requests.RequestException, ValueError) as error:
        # ValueError: requests looks where a redirect leads, even where it isn't to follow it.
        raise PullRefused(f"{what} can't be fetched from {url}: {error}") from error


def _read(response: requests.Response, limit: int, what: str) -> bytes:
    if response.status_code != 200:
        raise PullRefused(
            f"{what} can't be fetched: {response.url} answers with status {response.status_code}"
        )
    if response.headers.get("Content-Encoding", "identity").lower() != "identity":
        raise PullRefused(f"{what} comes compressed from {response.url}, though it was asked for as it is")
    body = bytearray()
    try:
        for chunk in response.iter_content(65_536):
            body += chunk
            if len(body) > limit:
                raise PullRefused(f"{what} is larger than {limit:,} bytes, which is all that it may have")
    except requests.RequestException as error:
        raise PullRefused(f"{what} was cut off after {len(body):,} bytes: {error}") from error
    return bytes(body)


def _next(url: str, location: str, what: str) -> str:
    target = urljoin(url, location)
    try:
        inside = _origin(target) == _origin(url)
    except ValueError:
        inside = False
    if not inside:
        raise PullRefused(
            f"{what}: {url} points to {location[:200]!r}, which is another host, port or scheme: not followed. "
            "If the package has moved, pull it from its new address"
        )
    there = urlsplit(target)
    return urlsplit(url)._replace(path=there.path, query=there.query).geturl()


def _origin(url: str) -> tuple[str, str, int]:
    parts = urlsplit(url)
    host = parts.netloc.rpartition(":")[0] if parts.port is not None else parts.netloc
    return parts.scheme, host.lower(), parts.port or {"http": 80}.get(parts.scheme, 443)


def _check_address(url: str) -> None:
    """Raises PullRefused for anything but https; plain http is for this machine alone."""
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError as error:
        raise PullRefused(f"{url!r} is no address: {error}") from None
    if parts.username is not None or parts.password is not None:
        raise PullRefused("the address takes no user name and no password: put them into a .netrc file")
    if not parts.hostname or parts.scheme not in ("http", "https"):
        raise PullRefused(f"{url!r} is no address: write it as https://tables.example/package/{MANIFEST}")
    if parts.scheme == "http" and not _is_loopback(parts.hostname):
        raise PullRefused(f"{url} is plain http, which is taken from this machine alone: use https")


def _is_loopback(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _pinned(sha256: str) -> str:
    pin = sha256.strip().lower()
    if not _SHA256.fullmatch(pin):
        raise PullRefused(
            f"{sha256[:80]!r} is no SHA-256: 64 hexadecimal digits are needed, as the publisher gives them"
        )
    return pin


def read_manifest(raw: bytes) -> Manifest:
    """The manifest in these bytes. Raises PullRefused for one that can't be meant."""
    try:
        loaded = json.loads(raw)
    except (ValueError, RecursionError) as error:
        raise PullRefused(f"the manifest is not JSON: {error}") from None
    if not isinstance(loaded, dict):
        raise PullRefused("the manifest is no object with name, version and files")
    name, version, files = loaded.get("name"), loaded.get("version"), loaded.get("files")
    if not isinstance(name, str) or not _NAME.fullmatch(name) or len(name) > 100:
        raise PullRefused("the manifest needs a name: small letters, digits and hyphens")
    if not isinstance(version, str) or not version or len(version) > 100:
        raise PullRefused("the manifest needs a version, as text")
    if not isinstance(files, list) or not 1 <= len(files) <= FILES_LIMIT:
        raise PullRefused(f"the manifest needs a list of 1 to {FILES_LIMIT} files")
    listed = tuple(_listed(one) for one in files)
    seen: set[str] = set()
    for one in listed:
        if one.path.lower() in seen:
            raise PullRefused(f"the manifest lists {one.path} twice")
        seen.add(one.path.lower())
    if sum(one.bytes for one in listed) > TOTAL_LIMIT:
        raise PullRefused(f"the files of the manifest have more than {TOTAL_LIMIT:,} bytes together")
    return Manifest(name, version, listed)


def _listed(one: Any) -> Listed:
    given = one if isinstance(one, dict) else {}
    path, sha256, size = given.get("path"), given.get("sha256"), given.get("bytes")
    # A name without separators: nothing outside the package's own folder can be named, or written.
    if not isinstance(path, str) or not _PATH.fullmatch(path) or path.endswith("."):
        raise PullRefused(
            f"{str(path)[:100]!r} can't stand in a manifest: a name has letters, digits, _ - and . alone"
        )
    if path.lower() == MANIFEST:
        raise PullRefused("the manifest lists itself")
    if not isinstance(sha256, str) or not _SHA256.fullmatch(sha256):
        raise PullRefused(f"{path} needs its sha256 in the manifest: 64 hexadecimal digits in small letters")
    if type(size) is not int or not 0 <= size <= TEXT_TABLE_LIMIT:
        raise PullRefused(f"{path} needs its size in bytes in the manifest: 0 to {TEXT_TABLE_LIMIT:,}")
    return Listed(path, sha256, size)


# --- what a package must be


def _check_package(folder: Path, manifest: Manifest) -> Package:
    """The package in this folder. Raises PullRefused for one with any fault, or other than its manifest says."""
    package = _valid_package(folder)
    for key, said in (("name", manifest.name), ("version", manifest.version)):
        if package.descriptor.get(key) != said:
            raise PullRefused(
                f"the {key} in {DESCRIPTOR} is {package.descriptor.get(key)!r}, and in the manifest {said!r}"
            )
    belongs = _files_of(package)
    for one in manifest.files:
        if one.path not in belongs:
            raise PullRefused(f"{one.path} is in the manifest and belongs to no table of the package")
    return package


def _valid_package(folder: Path) -> Package:
    """The one package in this folder, validated in full over the shipped tables. Raises PullRefused."""
    if not (folder / DESCRIPTOR).is_file():
        raise PullRefused(f"{folder.name} holds no {DESCRIPTOR}, so it is no data package")
    try:
        tables = Tables.open(folder)
        faults = [*compile_all(tables), *map(str, band_faults(tables))]
    except TableError as error:
        raise PullRefused(_faults(map(str, error.problems))) from error
    if faults:
        raise PullRefused(_faults(faults))
    return tables.packages()[-1]


def _faults(faults: Iterable[str]) -> str:
    return "\n".join(["the package has faults:", *(f"  {fault}" for fault in faults)])


def _files_of(package: Package) -> list[str]:
    """The files that a package consists of, sorted."""
    found = {DESCRIPTOR, *(resource["path"] for resource in package.descriptor["resources"])}
    return sorted(found | ({SCHEMES} if (package.folder / SCHEMES).is_file() else set()))


def write_manifest(folder: Path) -> tuple[Manifest, str]:
    """Write the manifest.json of the package in `folder`; the manifest, and the SHA-256 by which it is pulled.

    Raises PullRefused for a package that has faults or could not be pulled.
    """
    package = _valid_package(folder.resolve())
    files = []
    for name in _files_of(package):
        raw = (package.folder / name).read_bytes()
        files.append(Listed(name, _sha256(raw), len(raw)))
    version = package.descriptor.get("version")
    if not isinstance(version, str) or not version:
        raise PullRefused(f'{DESCRIPTOR} needs a version, such as "version": "2026.11"')
    manifest = Manifest(package.name, version, tuple(files))
    raw = manifest.written()
    read_manifest(raw)
    written = package.folder / f".{MANIFEST}.new"
    _write(written, raw)
    written.replace(package.folder / MANIFEST)
    return manifest, _sha256(raw)


def _write(path: Path, raw: bytes) -> None:
    """Write a file down to the disk, so that a folder that is in place is whole after a power cut too."""
    with path.open("wb") as file:
        file.write(raw)
        file.flush()
        os.fsync(file.fileno())


def _sha256(raw: bytes) -> str:
    return hashlib.sha256(raw).hexdigest()
