"""A bench's service record, taken in on the page of a damper's card: the same command as in a terminal does it."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

from fastapi import FastAPI
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.types import Scope

from dutylog.errors import one_line
from dutylog.web.access import Access
from dutylog.web.jobs import JobFailed, Runs
from dutylog.web.keys import find_damper
from dutylog.web.pages import Pages
from dutylog.web.view import LedgerView
from dutylog.web.writes import Done, Write, add_write

RECORD_BYTES = 256 * 1024
"""As bench/canonical.py has it for records; not imported from there, for it loads what signs."""
NOTE = "note: "
"""How the command begins a line that people must read."""
_DIGITS = re.compile(r"[0-9a-fA-F ]{16,19}")
_LINE_SIGNS, _BLOCK_SIGNS = 600, 64_000
"""Most of a line told, and of one of a block for the vehicle file, where a curve stands in one (judgement)."""
_NAME = re.compile(r"[a-z0-9_]{1,40}")
_FIELDS = (
    ("accept_key", "--accept-key", _DIGITS),
    ("accept_record", "--accept-record", _DIGITS),
    ("profile_name", "--profile-name", _NAME),
)
"""Fields of the form, the options they become, and what they may hold."""


def add_record(app: FastAPI, access: Access, pages: Pages, view: LedgerView, jobs: Runs) -> None:
    """Add the write that takes a service record in."""

    async def take(write: Write) -> Done:
        key = write.params["key"]
        basis = await run_in_threadpool(find_damper, key, view.life)
        if not write.file:
            raise HTTPException(400, "no file came along; choose the service record that the bench sent")
        words = ("card", "take", f"--by={write.session.name}", f"--damper={basis.unit_id}", *_options(write))
        with _kept(write.file) as file:
            try:
                said = await jobs.ask(words, (str(file),), basis.version)
            except JobFailed as err:
                text = one_line(str(err).replace(str(file), "the file"), 300)
                raise HTTPException(409, f"nothing was taken: {text}") from err
        text, notices, block = _sort(said)

        def show(scope: Scope) -> Response:
            return pages.seen_by(scope).record_taken(basis, text, notices, block)

        told = "; ".join((text, *notices))
        return Done(told, f"/dampers/{quote(basis.unit_id, safe='')}/life", show)

    add_write(app, access, "/dampers/{key}/record", take, RECORD_BYTES)


def _sort(said: str) -> tuple[str, list[str], str]:
    """Return what the command said: what was done, what people must read, and the block for the vehicle file."""
    first, *rest = said.splitlines() or ["taken"]
    notices = [one_line(one.removeprefix(NOTE), _LINE_SIGNS) for one in rest if one.startswith(NOTE)]
    block = [_indent(one) + one_line(one, _BLOCK_SIGNS) for one in rest if not one.startswith(NOTE)]
    return one_line(first, _LINE_SIGNS), notices, "\n".join(block).strip()


def _indent(line: str) -> str:
    return line[: len(line) - len(line.lstrip(" "))]


def _options(write: Write) -> list[str]:
    """Return what the form told besides; HTTPException for what no key or name can be."""
    found = []
    for field, option, known in _FIELDS:
        text = write.fields.get(field, "").strip()
        if not text:
            continue
        if not known.fullmatch(text):
            raise HTTPException(
                400, f"field {field}: {text[:40]!a} is none; leave it empty unless you were asked for it"
            )
        found.append(f"{option}={text}")
    return found


@contextmanager
def _kept(data: bytes) -> Iterator[Path]:
    """Keep bytes in a file that nobody else can read, until the command has read it."""
    descriptor, name = tempfile.mkstemp(prefix="dutylog-record-", suffix=".json")
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
        yield Path(name)
    finally:
        Path(name).unlink(missing_ok=True)
