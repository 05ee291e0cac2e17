"""The fields of a request that writes: a small body, read within seconds, in one of two forms."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence
from urllib.parse import parse_qsl

from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request

MOST_BYTES = 8192
MOST_FIELDS = 32
"""A service has two fields for each of nine parts."""
READ_S = 5.0
"""A body of one line that takes longer comes from somebody who wants to hold a place. Judgement."""
_CLOSE = {"Connection": "close"}
"""What is still to come of a refused body isn't read."""


async def read_fields(request: Request, most_bytes: int = MOST_BYTES, most_fields: int = MOST_FIELDS) -> dict[str, str]:
    """Return the fields of a form or a JSON object of texts; none when the body is empty.

    Raises:
        HTTPException: too long, too slow, of another type, or not what its type says.
    """
    body = await read_body(request, most_bytes)
    if not body:
        return {}
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind == "application/x-www-form-urlencoded":
        return _parse_form(body, most_fields)
    if kind == "application/json":
        return _parse_json(body)
    raise HTTPException(415, f"a body of type {kind[:60]!a} isn't read here; send a form or JSON", _CLOSE)


async def read_body(request: Request, most_bytes: int = MOST_BYTES, read_s: float = READ_S) -> bytes:
    """Return a whole body; HTTPException where it is longer than that or doesn't come within `read_s` [s]."""
    said = request.headers.get("content-length", "0")
    # h11 has checked that it is a number
    if len(said) > len(str(most_bytes)) or int(said) > most_bytes:
        raise HTTPException(413, f"the body is too long; at most {most_bytes} bytes", _CLOSE)
    body = bytearray()
    try:
        async with asyncio.timeout(read_s):
            async for piece in request.stream():
                body += piece
                if len(body) > most_bytes:
                    raise HTTPException(413, f"the body is too long; at most {most_bytes} bytes", _CLOSE)
    except TimeoutError as err:
        raise HTTPException(408, f"the body didn't come within {read_s:g} s; send it again", _CLOSE) from err
    except ClientDisconnect as err:
        raise HTTPException(400, "the line broke before the body was whole", _CLOSE) from err
    return bytes(body)


def _parse_form(body: bytes, most_fields: int) -> dict[str, str]:
    try:
        pairs = parse_qsl(
            body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=most_fields, separator="&"
        )
    except ValueError as err:
        raise HTTPException(400, "the body is no form in UTF-8; send it again") from err
    return _unique(pairs)


def _parse_json(body: bytes) -> dict[str, str]:
    try:
        found = json.loads(body.decode("utf-8"), object_pairs_hook=_unique)
    except (ValueError, RecursionError) as err:
        raise HTTPException(400, "the body is no JSON in UTF-8; send an object of texts") from err
    if not isinstance(found, dict):
        raise HTTPException(400, "the body is no JSON object; send an object of texts")
    return found


def _unique(pairs: Sequence[tuple[str, object]]) -> dict[str, str]:
    fields: dict[str, str] = {}
    for name, value in pairs:
        if name in fields or not isinstance(value, str):
            raise HTTPException(400, f"field {name[:40]!a}: must be there once, as text")
        fields[name] = value
    return fields
