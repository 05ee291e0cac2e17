"""The daemon's Unix sockets in the data folder: names, addresses however deep the folder lies, listening, asking."""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

LIVE = "live.sock"
"""Core hands out snapshots here (shared/SNAPSHOT.md)."""
WATCHED, RESTING = b"w", b"r"
"""What an outlet may say to core there: somebody looks (so it is taken to be at first), nobody does."""
CORE = "core.sock"
"""Core takes commands here (shared/LEDGER.md)."""
PUBLISH = "publish.sock"
"""The publish process says how it is (shared/TOPICS.md)."""
SUPERVISOR = "supervisor.sock"
"""The supervisor says how its processes are."""
ADDRESS_LIMIT = 107
"""Bytes: sun_path holds 108 with its closing zero. Source: Linux unix(7)."""
_CHUNK_BYTES = 65_536


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


def listen(folder: Path, name: str, backlog: int) -> socket.socket:
    """Return a socket that listens under that name for its owner only and never blocks; OSError where it can't."""
    end = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    end.setblocking(False)
    old_mask = os.umask(0o177)
    try:
        (folder / name).unlink(missing_ok=True)
        with unix_address(folder, name) as address:
            end.bind(address)
        end.listen(backlog)
    except OSError:
        end.close()
        raise
    finally:
        os.umask(old_mask)
    return end


def forget(folder: Path, name: str) -> None:
    """Take the name of a socket away that is no longer listened on."""
    with contextlib.suppress(OSError):
        (folder / name).unlink(missing_ok=True)


def ask_line(folder: Path, name: str, limit_s: float, limit_bytes: int, say: bytes = b"") -> bytes:
    """Return the first line a socket gives to whoever connects, without its end; empty where it gives none in time.

    say: sent first.
    """
    held = b""
    try:
        with socket.socket(socket.AF_UNIX) as end, unix_address(folder, name) as address:
            end.settimeout(limit_s)
            end.connect(address)
            if say:  # not nothing: that fails where the answer has come and the line is closed by now
                end.sendall(say)
            while b"\n" not in held and len(held) < limit_bytes and (piece := end.recv(_CHUNK_BYTES)):
                held += piece
    except OSError:
        return b""
    return held.partition(b"\n")[0]
