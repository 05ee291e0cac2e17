"""A form that brings one small file along: a service record."""

from __future__ import annotations

from collections.abc import AsyncGenerator

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request

from dutylog.web.access_body import MOST_FIELDS, read_body, read_fields

FILE_FIELD = "file"
FORM_BYTES = 4096
"""What such a form may have beside its file."""
READ_S = 20.0
"""256 kB from a phone at the end of a yard: 0.1 Mbit/s. Judgement."""
_CLOSE = {"Connection": "close"}


async def read_with_file(request: Request, most_bytes: int) -> tuple[dict[str, str], bytes | None]:
    """Return the fields of a write and the bytes of its file, None where none came along.

    Args:
        most_bytes: of the file; 0: none may come.
    Raises:
        HTTPException: too long, too slow, of another type, not what its type says, or more than one file.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if most_bytes == 0 or kind != "multipart/form-data":
        return await read_fields(request), None
    data = await read_body(request, most_bytes + FORM_BYTES, READ_S)
    return await _parse(request, data)


async def _parse(request: Request, data: bytes) -> tuple[dict[str, str], bytes | None]:
    # Not at the top: few ever send a file, and every page process would carry it.
    from starlette.formparsers import MultiPartException, MultiPartParser

    async def pieces() -> AsyncGenerator[bytes, None]:
        yield data

    parser = MultiPartParser(request.headers, pieces(), max_files=1, max_fields=MOST_FIELDS, max_part_size=FORM_BYTES)
    try:
        form = await parser.parse()
    except (MultiPartException, ValueError, KeyError, UnicodeError) as err:
        raise HTTPException(400, "the form came broken; open the page again and send it once more", _CLOSE) from err
    fields: dict[str, str] = {}
    file: bytes | None = None
    for name, value in form.multi_items():
        if name in fields or (name == FILE_FIELD and file is not None):
            raise HTTPException(400, f"field {name[:40]!a}: must be there once")
        if isinstance(value, UploadFile):
            if name != FILE_FIELD:
                raise HTTPException(400, f"field {name[:40]!a}: no file is read there")
            file = await value.read()
        else:
            fields[name] = value
    await form.close()
    return fields, file
