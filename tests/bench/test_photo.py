"""A photo of a damper is kept; the place where it was taken, and whatever else came in its clothes, is not."""

from __future__ import annotations

import io
import struct
import zlib

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from dutylog.bench.photo import JPEG, MOST_BYTES, PNG, clean_photo
from dutylog.errors import InputError

PLACE = b"48 deg 12 min north"


def picture() -> Image.Image:
    """Return a small picture that no turn leaves as it is."""
    image = Image.new("RGB", (24, 10), (20, 90, 60))
    for x in range(8):
        image.putpixel((x, 1), (250, 10 * x, 0))
    return image


def jpeg(turned: int = 1, **more: object) -> bytes:
    """Return a JPEG that says where it was taken and by what."""
    exif = Image.Exif()
    exif[0x0112] = turned
    exif[0x010F] = PLACE.decode()  # maker
    exif.get_ifd(0x8825)[1] = "N"
    out = io.BytesIO()
    picture().save(out, "JPEG", exif=exif, comment=PLACE, **more)
    return out.getvalue()


def png() -> bytes:
    info = PngInfo()
    info.add_text("Location", PLACE.decode())
    out = io.BytesIO()
    picture().save(out, "PNG", pnginfo=info)
    return out.getvalue()


def refusal_of(data: bytes, name: str = "photo") -> str | None:
    """Return why a file is refused, None where it is taken; any other end of it fails the test."""
    try:
        clean_photo(data, name)
    except InputError as err:
        return str(err)
    return None


@pytest.mark.parametrize("turned", [1, 3, 6, 8])
@pytest.mark.parametrize("progressive", [False, True], ids=["baseline", "progressive"])
def test_a_jpeg_loses_its_place_and_keeps_its_turn(turned: int, progressive: bool) -> None:
    """A phone writes where it stood into each photo, and how the picture is to be turned beside it."""
    data = jpeg(turned, progressive=progressive)
    assert PLACE in data
    photo = clean_photo(data)
    assert PLACE not in photo.data
    assert (photo.media_type, photo.width_px, photo.height_px) == (JPEG, 24, 10)
    before, after = Image.open(io.BytesIO(data)), Image.open(io.BytesIO(photo.data))
    assert after.getexif().get(0x0112, 1) == turned
    assert set(after.getexif()) <= {0x0112}
    assert after.tobytes() == before.tobytes()


def test_a_second_picture_behind_the_first_is_cut_off() -> None:
    """Some phones hang another picture on, with its own place in it."""
    first = jpeg(quality=60)
    assert clean_photo(first + jpeg(quality=90)).data == clean_photo(first).data


def test_a_png_loses_its_words() -> None:
    """The same for what a tablet saves."""
    assert PLACE in png()
    photo = clean_photo(png() + b"<script>")
    assert PLACE not in photo.data
    assert photo.data.endswith(b"IEND\xaeB`\x82")
    assert (photo.media_type, photo.width_px, photo.height_px) == (PNG, 24, 10)
    assert Image.open(io.BytesIO(photo.data)).tobytes() == picture().tobytes()


def test_cleaning_twice_changes_nothing() -> None:
    """The digest by which a photo is kept is that of its clean form."""
    for data in (jpeg(6), jpeg(1), png()):
        once = clean_photo(data).data
        assert clean_photo(once).data == once


@pytest.mark.parametrize("data", [jpeg(6), png()], ids=["jpeg", "png"])
def test_cut_anywhere_is_said_in_one_line(data: bytes) -> None:
    """A line that broke in the upload: half a picture is refused, never kept."""
    for size in range(len(data)):
        said = refusal_of(data[:size], "IMG_7.jpg")
        assert said is not None, size
        assert said.startswith("IMG_7.jpg: ")
        assert "\n" not in said


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "neither JPEG nor PNG (first bytes none)"),
        (b"GIF89a" + bytes(50), "neither JPEG nor PNG (first bytes 47494638)"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "neither JPEG nor PNG"),
        (b"\xff\xd8\xff\xd9", "ends before its pixels"),
        (b"\xff\xd8\xff\xe0\x00\x01", "cut off"),
        (b"\xff" + bytes([0xD8]) + b"\xff\xe0\x00\x02abc", "no JPEG marker at byte 6"),
        (bytes(MOST_BYTES + 1), "photo: 4.1 MB, at most 4 MB are kept"),
        (png()[:60] + b"\x00" + png()[61:], "damaged at byte"),
    ],
)
def test_what_is_no_photo_is_refused(data: bytes, word: str) -> None:
    """A page, a drawing that could hold a script, a film: none of them is kept or handed out."""
    assert word in (refusal_of(data) or "")


def test_a_huge_picture_in_a_small_file_is_refused() -> None:
    """60 000 x 60 000 pixels pack into a few bytes and stop the tablet that shows them."""
    header = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    body = b"IHDR" + header
    bomb = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + body + struct.pack(">I", zlib.crc32(body))
    end = b"\x00\x00\x00\x00IEND\xaeB`\x82"
    with pytest.raises(InputError, match="60000 x 60000 pixels"):
        clean_photo(bomb + end)


@given(st.binary(max_size=300), st.sampled_from([b"", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", jpeg(6)[:40]]))
@example(b"\xff" * 50, b"\xff\xd8\xff")
def test_any_bytes_end_in_a_photo_or_one_line(data: bytes, start: bytes) -> None:
    """Nothing that can be uploaded ends in anything but a picture or a refusal."""
    assert "\n" not in (refusal_of(start + data) or "")


@given(st.integers(0, len(jpeg(6)) - 1), st.integers(0, 255))
def test_one_changed_byte_never_fails_otherwise(at: int, value: int) -> None:
    """Nor does a picture with one byte of it changed."""
    data = bytearray(jpeg(6))
    data[at] = value
    assert "\n" not in (refusal_of(bytes(data)) or "")


def test_a_small_file_of_a_huge_picture_is_refused() -> None:
    """One colour, 144 million times: some kilobytes here, more than half a gigabyte in the browser that shows it."""
    header = struct.pack(">IIBBBBB", 12_000, 12_000, 8, 0, 0, 0, 0)
    assert "12000 x 12000 pixels, at most 40 million" in (refusal_of(png_of(header)) or "")
    assert refusal_of(png_of(struct.pack(">IIBBBBB", 8_000, 5_000, 8, 0, 0, 0, 0))) is None


def png_of(header: bytes) -> bytes:
    """Return a PNG by its header alone: no pixel is read here."""
    chunks = ((b"IHDR", header), (b"IDAT", zlib.compress(b"")), (b"IEND", b""))
    parts = [
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body)) for kind, body in chunks
    ]
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)
