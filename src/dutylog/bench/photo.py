"""A photo of a point of the inspection: checked by what its bytes are, cut free of what a camera adds of itself.

Only the structure is read, no pixel: what a browser makes of them is its own affair.
Source: ITU-T T.81, annex B (JPEG: markers, segments, frame header); W3C PNG (Third Edition), 5 (chunks) and 11.3;
CIPA DC-008, 4.5 to 4.6 (Exif: APP1, TIFF, tag 0x0112 orientation).
"""

from __future__ import annotations

import math
import re
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

from dutylog.errors import InputError

MOST_BYTES = 4 * 1024 * 1024
MOST_SIDE_PX = 12_000
"""A larger picture would fill the memory of a tablet that shows it. Judgement."""
MOST_AREA_PX = 40_000_000
"""Some bytes may stand for a plane of one colour that takes 4 bytes a pixel where it is shown. Judgement."""
JPEG, PNG = "image/jpeg", "image/png"
_JPEG_START, _PNG_START = b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n"
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
"""Markers of a frame header: all of the kind but those of tables and the one that is reserved."""
_BARE = frozenset({0x01, *range(0xD0, 0xD8)})
"""Markers without a length."""
_APP0, _APP1, _APP2, _APP14, _COMMENT, _SCAN, _END = 0xE0, 0xE1, 0xE2, 0xEE, 0xFE, 0xDA, 0xD9
_AFTER_SCAN = re.compile(rb"\xff(?![\x00\xd0-\xd7\xff])", re.DOTALL)
"""The first marker behind the pixels of a scan: those in it are stuffed bytes and restarts."""
_ORIENTATION_TAG = 0x0112
_PNG_KEPT = frozenset({b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"iCCP", b"sBIT"})
_HINT = "take it again as JPEG or PNG"


@dataclass(frozen=True, slots=True)
class Photo:
    """A picture that may be kept. media_type: JPEG or PNG."""

    data: bytes
    media_type: str
    width_px: int
    height_px: int


def clean_photo(data: bytes, name: str = "photo") -> Photo:
    """Return a picture without what a camera says of itself: place, maker, times, comments, its small copy.

    How it is to be turned and what its colours mean stays.

    Raises:
        InputError: not a whole JPEG or PNG, or too large.
    """
    if len(data) > MOST_BYTES:
        size = f"{math.ceil(len(data) / 2**20 * 10) / 10:g} MB, at most {MOST_BYTES // 2**20} MB are kept"
        raise InputError(f"{name:.60}: {size}; take it smaller, or by a browser that runs the page's script")
    try:
        if data.startswith(_JPEG_START):
            return _clean_jpeg(data, name)
        if data.startswith(_PNG_START):
            return _clean_png(data, name)
    except (struct.error, IndexError) as err:
        raise InputError(f"{name:.60}: the picture is cut off; {_HINT}") from err
    raise InputError(f"{name:.60}: neither JPEG nor PNG (first bytes {data[:4].hex() or 'none'}); {_HINT}")


def _clean_jpeg(data: bytes, name: str) -> Photo:
    kept, size, turned, has_scan = [data[:2]], None, 1, False
    for marker, segment in _segments(data, name):
        body = segment[4:]
        if marker in _FRAMES:
            height, width = struct.unpack_from(">HH", body, 1)
            size = (width, height)
        has_scan = has_scan or marker == _SCAN
        if marker == _APP1:
            turned = _orientation(body) or turned
        elif _is_kept(marker, body):
            kept.append(segment)
    if size is None or not has_scan:
        raise InputError(f"{name:.60}: the picture ends before its pixels; {_HINT}")
    width, height = _checked(size, name)
    exif = b"" if turned == 1 else _exif(turned)
    return Photo(b"".join([kept[0], exif, *kept[1:], b"\xff\xd9"]), JPEG, width, height)


def _segments(data: bytes, name: str) -> Iterator[tuple[int, bytes]]:
    """Yield marker and bytes of each segment up to the end of the picture, a scan with its pixels.

    What some phones hang on behind the end, another picture with its own place in it, is never reached.
    """
    at = 2
    while True:
        if data[at] != 0xFF:
            raise InputError(f"{name:.60}: no JPEG marker at byte {at}; {_HINT}")
        marker = data[at + 1]
        if marker == _END:
            return
        if marker == 0xFF or marker in _BARE:  # a filling byte, or a marker without length
            at += 1 if marker == 0xFF else 2
            continue
        (length,) = struct.unpack_from(">H", data, at + 2)
        end = at + 2 + length
        if length < 2 or end > len(data):
            raise InputError(f"{name:.60}: the picture is cut off; {_HINT}")
        if marker == _SCAN:
            after = _AFTER_SCAN.search(data, end)
            if after is None:
                raise InputError(f"{name:.60}: the picture is cut off; {_HINT}")
            end = after.start()
        yield marker, data[at:end]
        at = end


def _is_kept(marker: int, body: bytes) -> bool:
    """Return whether a segment belongs to the picture: tables and frames, and how its colours are meant."""
    if _APP0 <= marker <= 0xEF:
        return marker in (_APP0, _APP14) or (marker == _APP2 and body.startswith(b"ICC_PROFILE\0"))
    return marker != _COMMENT


def _orientation(body: bytes) -> int | None:
    """Return 1 to 8 as an Exif block says, None where it doesn't."""
    if not body.startswith(b"Exif\0\0") or body[6:8] not in (b"II", b"MM"):
        return None
    tiff, order = body[6:], "<" if body[6:8] == b"II" else ">"
    try:
        (first,) = struct.unpack_from(order + "I", tiff, 4)
        (count,) = struct.unpack_from(order + "H", tiff, first)
        for entry in range(first + 2, first + 2 + 12 * count, 12):
            tag, kind, _, value = struct.unpack_from(order + "HHIH", tiff, entry)
            if tag == _ORIENTATION_TAG:
                return value if kind == 3 and 1 <= value <= 8 else None
    except struct.error:
        return None
    return None


def _exif(turned: int) -> bytes:
    """Return an APP1 segment that says how the picture is to be turned, and nothing else."""
    tiff = b"MM\0*" + struct.pack(">IHHHIHHI", 8, 1, _ORIENTATION_TAG, 3, 1, turned, 0, 0)
    body = b"Exif\0\0" + tiff
    return b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body


def _clean_png(data: bytes, name: str) -> Photo:
    kept, size = [_PNG_START], None
    for kind, chunk in _chunks(data, name):
        if size is None:
            if kind != b"IHDR":
                raise InputError(f"{name:.60}: the PNG doesn't begin with its size; {_HINT}")
            size = struct.unpack_from(">II", chunk, 8)
        if kind in _PNG_KEPT:
            kept.append(chunk)
    if size is None:
        raise InputError(f"{name:.60}: the picture is cut off; {_HINT}")
    width, height = _checked(size, name)
    return Photo(b"".join(kept), PNG, width, height)


def _chunks(data: bytes, name: str) -> Iterator[tuple[bytes, bytes]]:
    """Yield kind and whole chunk up to the last one; InputError when one is broken or the last is missing."""
    at = len(_PNG_START)
    while True:
        length, kind = struct.unpack_from(">I4s", data, at)
        chunk = data[at : at + 12 + length]
        if len(chunk) < 12 + length:
            raise InputError(f"{name:.60}: the picture is cut off; {_HINT}")
        if zlib.crc32(chunk[4:-4]) != struct.unpack(">I", chunk[-4:])[0]:
            raise InputError(f"{name:.60}: the picture is damaged at byte {at}; {_HINT}")
        yield kind, chunk
        if kind == b"IEND":
            return
        at += len(chunk)


def _checked(size: tuple[int, ...], name: str) -> tuple[int, int]:
    width, height = size
    if not (1 <= width <= MOST_SIDE_PX and 1 <= height <= MOST_SIDE_PX):
        raise InputError(f"{name:.60}: {width} x {height} pixels, each side 1 to {MOST_SIDE_PX}; take it smaller")
    if width * height > MOST_AREA_PX:
        told = f"{width} x {height} pixels, at most {MOST_AREA_PX // 1_000_000} million of them"
        raise InputError(f"{name:.60}: {told}; take it smaller")
    return width, height
