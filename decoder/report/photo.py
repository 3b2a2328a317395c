"""Photographs for a report: taken in as JPEG, PNG or WebP, turned upright, made smaller, and written anew.

What is written holds the picture and nothing else: no place, no camera, no serial number, no thumbnail of what was
cut away. Sizes are looked at before a picture is unpacked, so that a small file can't fill the memory.
"""

from __future__ import annotations

import base64
import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from PIL.Image import Image as Picture

PHOTOS_LIMIT: Final = 24  # photographs of one report
FILE_LIMIT: Final = 25_000_000  # bytes of one file
PIXELS_LIMIT: Final = 60_000_000  # of one picture, as its header says
SIDE: Final = 1600  # pixels of the longer side, as it is put into the report
QUALITY: Final = 82
FORMATS: Final = ("JPEG", "PNG", "WEBP")


class PhotoError(ValueError):
    """A photograph that can't be put into the report: which one, why, and what to try."""


@dataclass(frozen=True, slots=True)
class Photo:
    """A photograph as it stands in the report: a JPEG without metadata, its size in pixels, and its caption."""

    caption: str
    jpeg: bytes
    width: int
    height: int

    @property
    def address(self) -> str:
        """The picture itself as an address, so that the report stays one file."""
        return "data:image/jpeg;base64," + base64.b64encode(self.jpeg).decode("ascii")


def read_photo(path: Path, caption: str) -> Photo:
    """The photograph in a file. Raises PhotoError."""
    name = path.name
    try:
        if path.stat().st_size > FILE_LIMIT:
            raise PhotoError(
                f"{name} is larger than {FILE_LIMIT // 1_000_000} MB: make it smaller, then give it again."
            )
        raw = path.read_bytes()
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise PhotoError(f"{name} can't be read: {said}. Look at the name and the folder.") from error
    return photo_of(raw, name, caption)


def photo_of(raw: bytes, name: str, caption: str) -> Photo:
    """The photograph that these bytes hold; `name` is what to call it in messages. Raises PhotoError."""
    try:
        from PIL import Image, ImageFile, ImageOps
    except ImportError as error:
        raise PhotoError(
            "photographs need the package Pillow: pip install 'partdate[report]'; or leave them out."
        ) from error
    try:
        with warnings.catch_warnings(), _whole_files(ImageFile):
            # What Pillow only warns of is refused here by its own limit, below.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            picture: Picture = Image.open(io.BytesIO(raw), formats=FORMATS)
            wide, high = picture.size
            if wide * high > PIXELS_LIMIT:
                raise PhotoError(
                    f"{name} is {wide} by {high} pixels, more than the {PIXELS_LIMIT // 1_000_000} million that are "
                    "taken: make it smaller, then give it again."
                )
            # A JPEG is unpacked at a fraction of its size, where that is enough.
            picture.draft("RGB", (2 * SIDE, 2 * SIDE))
            picture = ImageOps.exif_transpose(picture)
            picture = _flat(picture)
    except Image.DecompressionBombError as error:
        raise PhotoError(
            f"{name} says that it has more pixels than any photograph: it is not taken."
        ) from error
    except PhotoError:
        raise
    except Exception as error:  # whatever a broken file makes the reader of its format raise
        raise PhotoError(
            f"{name} is no JPEG, PNG or WebP that can be read: save it again as JPEG, then give it again."
        ) from error
    picture.thumbnail((SIDE, SIDE), Image.Resampling.LANCZOS)
    clean = Image.new("RGB", picture.size)  # a new picture has no metadata that could come along
    clean.paste(picture)
    made = io.BytesIO()
    clean.save(made, "JPEG", quality=QUALITY, optimize=True)
    return Photo(caption, made.getvalue(), clean.width, clean.height)


@contextmanager
def _whole_files(reader: Any) -> Iterator[None]:
    """Have files that are cut short refused. WeasyPrint, once it is loaded, has them taken in the whole process."""
    before = reader.LOAD_TRUNCATED_IMAGES
    reader.LOAD_TRUNCATED_IMAGES = False
    try:
        yield
    finally:
        reader.LOAD_TRUNCATED_IMAGES = before


def _flat(picture: Picture) -> Picture:
    """The picture in the common colours of screens and paper, on white where it is see-through."""
    from PIL import Image

    profile = picture.info.get("icc_profile")
    if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
        seen = picture.convert("RGBA")
        white = Image.new("RGBA", seen.size, "white")
        white.alpha_composite(seen)
        flat = white.convert("RGB")
    elif picture.mode.startswith("I;16"):
        flat = picture.point(lambda value: value / 256).convert("L").convert("RGB")
    else:
        flat = picture.convert("RGB") if profile is None or picture.mode != "CMYK" else picture
    if profile is not None:
        flat = _in_common_colours(flat, profile)
    return flat if flat.mode == "RGB" else flat.convert("RGB")


def _in_common_colours(picture: Picture, profile: bytes) -> Picture:
    """A picture with the colours of its profile brought to sRGB, since the profile itself is left behind."""
    from PIL import ImageCms

    try:
        given = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        made = ImageCms.profileToProfile(picture, given, ImageCms.createProfile("sRGB"), outputMode="RGB")
    except (ImageCms.PyCMSError, OSError):
        return picture  # a profile that can't be read says nothing of the colours
    return made if made is not None else picture
