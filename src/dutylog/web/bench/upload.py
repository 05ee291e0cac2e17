"""What a write of the bench brings along: the fields of a form, and files that somebody chose."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Mapping
from dataclasses import dataclass, field

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException, MultiPartParser
from starlette.requests import Request

from dutylog.errors import one_line
from dutylog.web.access_body import read_body, read_fields

FORM, FILES = "form", "files"
"""Kinds of body: a small form or JSON object; or one with files."""
MOST_FORM_BYTES, MOST_FORM_FIELDS = 131_072, 128
"""The longest text is a table of rules (bench.entry_kinds.LONG_TEXT_LIMIT), percent signs included. Judgement."""
MOST_FILE_BYTES = 4 * 1024 * 1024
MOST_UPLOAD_BYTES = 4 * MOST_FILE_BYTES
"""What is kept is smaller; but a photo straight from a camera is read, so that its form comes back with what was typed
and says what is too large. Judgement."""
MOST_FILES = 4
READ_S = 60.0
"""4 MB from a tablet at the far end of a hall: 0.6 Mbit/s. Judgement."""
MOST_AT_ONCE = 4
_BUSY = "too many files come in at once; send it again in some seconds"


@dataclass(frozen=True, slots=True)
class Upload:
    """A file somebody chose. name: as their device calls it, one printable line; never a path of ours."""

    name: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Given:
    """What a body held, each field once."""

    fields: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, Upload] = field(default_factory=dict)


class Bodies:
    """Reads what writes bring along; so many with files at once."""

    def __init__(self) -> None:
        self._taken_count = 0

    async def read(self, request: Request, body: str) -> Given:
        """Return fields and files of a write. body: FORM or FILES.

        Raises:
            HTTPException: too long, too slow, of another type, or not what its type says.
        """
        kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if body == FILES and kind == "multipart/form-data":
            return await self._read_files(request)
        return Given(await read_fields(request, MOST_FORM_BYTES, MOST_FORM_FIELDS))

    async def _read_files(self, request: Request) -> Given:
        length = request.headers.get("content-length", "")
        if length.isdecimal() and int(length[:9]) <= MOST_FORM_BYTES and len(length) < 9:
            # A form whose fields for files were left empty holds nobody up.
            return await _parse(request, await read_body(request, MOST_FORM_BYTES, READ_S))
        if self._taken_count >= MOST_AT_ONCE:
            raise HTTPException(503, _BUSY, {"Connection": "close", "Retry-After": "5"})
        self._taken_count += 1
        try:
            return await _parse(request, await read_body(request, MOST_UPLOAD_BYTES, READ_S))
        finally:
            self._taken_count -= 1


async def _parse(request: Request, data: bytes) -> Given:
    async def pieces() -> AsyncGenerator[bytes, None]:
        yield data

    parser = MultiPartParser(
        request.headers,
        pieces(),
        max_files=MOST_FILES,
        max_fields=MOST_FORM_FIELDS,
        max_part_size=MOST_FORM_BYTES,
    )
    try:
        form = await parser.parse()
    except (MultiPartException, ValueError, KeyError, UnicodeError) as err:
        raise HTTPException(400, "the form came broken; open the page again and send it once more") from err
    fields: dict[str, str] = {}
    files: dict[str, Upload] = {}
    for name, value in form.multi_items():
        if name in fields or name in files:
            raise HTTPException(400, f"field {name[:40]!a}: must be there once")
        if isinstance(value, UploadFile):
            found = await value.read()
            # A file field that was left empty comes as an empty file without a name.
            if found or value.filename:
                files[name] = Upload(one_line(value.filename or "file", 120) or "file", found)
        else:
            fields[name] = value
    await asyncio.shield(form.close())
    return Given(fields, files)
