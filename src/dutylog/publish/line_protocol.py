"""Line protocol: one point as one line of text, whatever stands in its names (shared/TOPICS.md).

Source: InfluxDB 1.6 documentation, "Line Protocol Reference": measurements escape comma and space, tags
comma, equals sign and space, text fields the double quote; an empty tag is an error, a line feed ends
the point, and a backslash can't be escaped in a tag. What the form can't carry is percent-encoded
(RFC 3986, section 2.1), so that different names stay different.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping

FieldValue = float | int | str | bool | None
INT64_MAX = 2**63 - 1
_UNSAFE = frozenset("%\\")


def encode_line(measurement: str, tags: Mapping[str, str | None], fields: Mapping[str, FieldValue]) -> bytes | None:
    """Return a point as a line without time stamp and line feed.

    Args:
        measurement: name of the measurement, one of ours.
        tags: by name; None or an empty text leaves the tag out. Written in the order of their names,
            so that equal points are equal bytes.
        fields: by name, in the order given; None, NaN, infinities and integers beyond 64 bits are left out.
    Returns:
        UTF-8 bytes, or None where no field is left.
    """
    named = [f",{_tag(name)}={_tag(value)}" for name, value in sorted(tags.items()) if value]
    valued = [f"{_tag(name)}={text}" for name, value in fields.items() if (text := _field(value)) is not None]
    if not valued:
        return None
    head = carried(measurement).replace(",", "\\,").replace(" ", "\\ ")
    return f"{head}{''.join(named)} {','.join(valued)}".encode()


def stamped(line: bytes, utc_ns: int) -> bytes:
    """Return a line with its time; whole nanoseconds since 1970."""
    return b"%s %d" % (line, utc_ns)


def carried(text: str) -> str:
    """Return text with the signs that the form can't carry percent-encoded: control signs, backslash, percent."""
    return "".join(_percent(sign) if sign in _UNSAFE or _is_control(sign) else sign for sign in text)


def _is_control(sign: str) -> bool:
    # Zl and Zp break lines for some readers; Cs can't be UTF-8
    return unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp")


def _percent(sign: str) -> str:
    return "".join(f"%{byte:02X}" for byte in sign.encode("utf-8", "surrogatepass"))


def _tag(text: str) -> str:
    return carried(text).replace(",", "\\,").replace("=", "\\=").replace(" ", "\\ ")


def _field(value: FieldValue) -> str | None:
    if value is None:
        return None
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return f"{value}i" if -INT64_MAX <= value <= INT64_MAX else None
    if isinstance(value, float):
        return repr(float(value)) if math.isfinite(value) else None  # float(): numpy's own repr is no number
    text = carried(value).replace('"', '\\"')
    return f'"{text}"'
