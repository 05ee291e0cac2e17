"""Addresses of Unix sockets, however deep the folder lies."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ADDRESS_LIMIT = 107
"""Bytes: sun_path holds 108 with its closing zero. Source: Linux unix(7)."""


@contextmanager
def unix_address(folder: Path, name: str) -> Iterator[str]:
    """Give an address for the socket `name` in a folder, to bind or connect to; OSError where the folder is amiss.

    Source: a path through /proc/self/fd stays short (Linux proc(5)).
    """
    plain = str(Path(folder) / name)
    if len(os.fsencode(plain)) <= ADDRESS_LIMIT:
        yield plain
        return
    descriptor = os.open(folder, os.O_PATH | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{descriptor}/{name}"
    finally:
        os.close(descriptor)
