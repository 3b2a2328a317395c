"""Photographs: what they tell besides the picture stays behind, they stand upright, and none can fill the memory."""

from __future__ import annotations

import io
import struct
import zlib

import pytest

from decoder.report.document import report_html
from decoder.report.examination import Examination
from decoder.report.photo import FILE_LIMIT, SIDE, PhotoError, photo_of, read_photo
from tests.report.instrument import MARKUP, TODAY, about, assessed, plain_text, stated

Image = pytest.importorskip("PIL.Image", reason="Pillow is not installed")
RED, BLUE = (220, 20, 20), (20, 20, 220)


def two_halves(wide=80, high=40, mode="RGB"):
    """Red at the left, blue at the right."""
    made = Image.new("RGB", (wide, high), RED)
    made.paste(BLUE, (wide // 2, 0, wide, high))
    return made.convert(mode)


def written(picture, form, **more):
    held = io.BytesIO()
    picture.save(held, form, **more)
    return held.getvalue()


def telling_exif(orientation=1):
    """Metadata as a telephone writes it: where it was, what it is, how it was held."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010F], exif[0x0110] = "Harrow & Vale", "Secret camera"
    exif[0x9286] = "my workshop"
    place = exif.get_ifd(0x8825)
    place[1], place[2], place[3], place[4] = "N", (52.0, 31.0, 7.5), "E", (13.0, 24.0, 18.0)
    return exif


def opened(photo):
    return Image.open(io.BytesIO(photo.jpeg))


def test_where_and_with_what_a_photograph_was_taken_stays_behind():
    raw = written(
        two_halves(), "JPEG", exif=telling_exif(), comment=b"a comment", xmp=b"<x:xmpmeta>secret</x:xmpmeta>"
    )
    before = Image.open(io.BytesIO(raw))
    assert before.getexif().get_ifd(0x8825)[2] == (52.0, 31.0, 7.5)
    assert b"Secret camera" in raw and b"secret</x:xmpmeta>" in raw and b"a comment" in raw
    photo = photo_of(raw, "pots.jpg", "The pots")
    after = opened(photo)
    assert not dict(after.getexif()) and not after.getexif().get_ifd(0x8825)
    assert set(after.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    for word in (b"Exif", b"Secret", b"secret", b"comment", b"Harrow", b"http://ns.adobe.com"):
        assert word not in photo.jpeg


@pytest.mark.parametrize("form", ["PNG", "WEBP"])
def test_the_same_holds_for_other_kinds_of_file(form):
    raw = written(two_halves(), form, exif=telling_exif())
    assert b"Secret camera" in raw
    photo = photo_of(raw, "pots", "")
    assert b"Secret" not in photo.jpeg and not dict(opened(photo).getexif())
    assert (photo.width, photo.height) == (80, 40)


def test_the_text_in_a_png_stays_behind():
    from PIL.PngImagePlugin import PngInfo

    told = PngInfo()
    told.add_text("Author", "the owner of the house")
    photo = photo_of(written(two_halves(), "PNG", pnginfo=told), "pots.png", "")
    assert b"owner" not in photo.jpeg


@pytest.mark.parametrize(
    ("orientation", "size", "corner"),
    [(1, (80, 40), RED), (3, (80, 40), BLUE), (6, (40, 80), RED), (8, (40, 80), BLUE), (2, (80, 40), BLUE)],
)
def test_a_photograph_stands_upright_as_its_camera_was_held(orientation, size, corner):
    raw = written(two_halves(), "JPEG", exif=telling_exif(orientation), quality=95)
    photo = photo_of(raw, "pots.jpg", "")
    assert (photo.width, photo.height) == size
    seen = opened(photo).getpixel((4, 4))
    assert all(abs(a - b) < 40 for a, b in zip(seen, corner, strict=True))


def test_a_large_photograph_is_made_smaller_and_a_small_one_is_not_made_larger():
    photo = photo_of(written(two_halves(4000, 1000), "JPEG"), "pots.jpg", "")
    assert (photo.width, photo.height) == (SIDE, SIDE // 4)
    assert (photo_of(written(two_halves(), "JPEG"), "pots.jpg", "").width) == 80


@pytest.mark.parametrize("mode", ["L", "P", "CMYK", "1", "LA", "RGBA", "I;16"])
def test_grey_print_and_see_through_pictures_become_plain_ones(mode):
    if mode == "I;16":
        picture = Image.new("I;16", (80, 40), 40_000)
    elif mode in ("LA", "RGBA"):
        picture = Image.new(mode, (80, 40), (0, 0) if mode == "LA" else (0, 0, 0, 0))
    else:
        picture = two_halves(mode=mode)
    photo = photo_of(written(picture, "JPEG" if mode == "CMYK" else "PNG"), "pots", "")
    after = opened(photo)
    assert after.mode == "RGB" and after.size == (80, 40)
    if mode in ("LA", "RGBA"):
        assert min(after.getpixel((40, 20))) > 250  # on white, not on black
    if mode == "I;16":
        assert abs(after.getpixel((40, 20))[0] - 156) < 4


def test_a_profile_of_colours_is_brought_to_the_common_ones_and_left_behind():
    from PIL import ImageCms

    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    photo = photo_of(written(two_halves(), "JPEG", icc_profile=profile, quality=95), "pots.jpg", "")
    assert "icc_profile" not in opened(photo).info
    assert all(abs(a - b) < 25 for a, b in zip(opened(photo).getpixel((4, 4)), RED, strict=True))
    broken = photo_of(written(two_halves(), "JPEG", icc_profile=b"no profile" * 20), "pots.jpg", "")
    assert broken.width == 80


def bomb(wide, high):
    """A PNG of a few hundred bytes that says it is this large."""

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", wide, high, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0" * 1000))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("side", [9_000, 12_000, 20_000, 60_000])
def test_a_small_file_that_unpacks_to_a_huge_picture_is_refused(side):
    with pytest.raises(PhotoError, match=r"pots\.png.*(pixels)"):
        photo_of(bomb(side, side), "pots.png", "")


def test_a_file_that_is_too_large_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "pots.jpg"
    with path.open("wb") as file:
        file.truncate(FILE_LIMIT + 1)
    with pytest.raises(PhotoError, match=r"pots\.jpg is larger than 25 MB"):
        read_photo(path, "")


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"no picture",
        written(two_halves(), "GIF"),
        written(two_halves(), "JPEG")[:200],
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        bomb(100, 100),
    ],
    ids=["empty", "text", "gif", "cut short", "svg", "too little data"],
)
def test_what_is_no_photograph_is_refused_with_what_to_try(raw):
    with pytest.raises(
        PhotoError, match=r"pots is no JPEG, PNG or WebP that can be read: save it again as JPEG"
    ):
        photo_of(raw, "pots", "")


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(PhotoError, match=r"pots\.jpg can't be read: No such file"):
        read_photo(tmp_path / "pots.jpg", "")


def test_photographs_stand_in_the_report_with_their_captions():
    sheet = stated("1965", claim="1965")
    photos = tuple(photo_of(written(two_halves(), "JPEG"), "p", text) for text in ("The pots", "", MARKUP))
    html = report_html(assessed(sheet), about(sheet), Examination(TODAY, photos=photos))
    assert html.count('<img src="data:image/jpeg;base64,') == 3
    text = plain_text(html)
    assert "1. The pots" in text and f"3. {MARKUP}" in text
    assert 'alt="The pots"' in html and 'alt="Photograph 2"' in html and "<script" not in html


def test_the_same_photograph_gives_the_same_bytes():
    raw = written(two_halves(3000, 500), "PNG")
    assert photo_of(raw, "p", "") == photo_of(raw, "p", "")
